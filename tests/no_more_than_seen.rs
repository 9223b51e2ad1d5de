//! What a record does not show is not claimed: lags that are none, slip that is noise, an allowance that may have been
//! reached earlier; and what jaws and lags could mimic does not shift the slip at the proof load.

use bitterend::analysis::Analysis;
use bitterend::ingest::GaugeKind;
use bitterend::limit::Interface;
use bitterend::separate::PartName;
use bitterend::sheet::Rule;
use bitterend::simulate::{Grade, Kind, Scenario, Simulated, run};
use bitterend::stats::Status;

#[path = "common/simulated.rs"]
mod simulated;

fn pull(kind: Kind, grade: Grade, seed: u64) -> (Simulated, Analysis) {
    analysed(&kind.scenario(grade, seed), seed)
}

fn analysed(scenario: &Scenario, seed: u64) -> (Simulated, Analysis) {
    let pull = run(scenario, seed);
    let analysis = simulated::analysed(&pull, pull.log());
    (pull, analysis)
}

fn lags(kind: Kind, seed: u64) -> usize {
    let mut scenario = kind.scenario(Grade::Good, seed);
    scenario.instruments.logger.rate = 10.0;
    let (_, analysis) = analysed(&scenario, seed);
    let told = analysis.caveats.iter().filter(|c| c.code == "gauge-lags");
    told.count()
}

/// Truth: no channel of these kinds lags; those of `drift-and-lag` are drawn within 0.3 s.
#[test]
fn a_lag_is_told_where_there_is_one() {
    for seed in 1..=4 {
        for kind in [Kind::Halyard, Kind::StopperSlip, Kind::TravelOnly] {
            assert_eq!(lags(kind, seed), 0, "{} {seed}", kind.name());
        }
    }
    let told: usize = (1..=4).map(|seed| lags(Kind::DriftAndLag, seed)).sum();
    assert!(told >= 3, "{told}");
}

/// Truth: mount and jaws give 0.38 mm at proof, of which the jaws at most the 0.2 mm that the sheet states. Free to give more
/// they gave 0.61 mm, and took the mark's share of the stretch.
#[test]
fn jaws_give_no_more_than_they_may() {
    let mut scenario = Kind::SteppedHolds.scenario(Grade::Good, 9);
    scenario.instruments.logger.rate = 10.0;
    let (pull, analysis) = analysed(&scenario, 9);
    let told = analysis.separated.parts[&PartName::Give].at_proof.value;
    let truth = pull.truth.part("give", pull.truth.at_proof.unwrap());
    assert!((told.unwrap() - truth).abs() < 0.1e-3, "{told:?} {truth}");
}

/// Truth: the stopper only seats, and the gauge's noise in one block is as large as what counts as slip.
#[test]
fn noise_is_no_first_slip() {
    for seed in 1..=6 {
        let (pull, analysis) = pull(Kind::CoreSlip, Grade::Coarse, seed);
        assert!(pull.limits.stopper.first_slip.is_none());
        for figure in &analysis.limit.figures {
            if figure.rule == Rule::FirstSlip && figure.interface == Interface::Stopper {
                assert_ne!(
                    figure.load.status,
                    Status::Measured,
                    "seed {seed}: {:?}",
                    figure.load
                );
            }
        }
    }
}

/// Truth: the lower of both allowances. With coarse gauges the rate is often undecided in every hold.
#[test]
fn an_allowance_that_cannot_be_told_leaves_a_bracket() {
    let (mut held, mut all, mut from_zero, mut first_held) = (0, 0, 0, 0);
    for seed in 1..=8 {
        let (pull, analysis) = pull(Kind::StopperSlip, Grade::Coarse, seed);
        let figures = |rule: Rule| {
            let mut of = analysis.limit.figures.iter();
            of.find(|f| f.rule == rule && f.interface == Interface::Stopper)
                .expect("every rule at every interface has a figure")
        };
        let first = &figures(Rule::FirstSlip).load;
        let slips = pull.limits.stopper.first_slip.expect("it slips").load_kn * 1e3;
        let within =
            first.low.is_none_or(|low| low <= slips) && first.high.is_none_or(|high| slips <= high);
        first_held += u32::from(within);
        let Some(truth) = pull.limits.stopper.allowance else {
            continue;
        };
        let figure = figures(Rule::Allowance);
        let (Some(low), Some(high)) = (figure.load.low, figure.load.high) else {
            continue;
        };
        all += 1;
        held += u32::from((low..=high).contains(&(truth.load_kn * 1e3)));
        from_zero += u32::from(low == 0.0);
    }
    println!("first slip held in {first_held} of 8");
    assert!(first_held >= 7, "{first_held} of 8");
    assert!(
        all >= 5 && held + 1 >= all && from_zero > 0,
        "{held} of {all}, {from_zero}"
    );
}

/// Truth: stopper slip when the load first reaches the proof load. A lag of the mark, or jaws that give more than the
/// sheet says, read it 0.03 mm high on average.
#[test]
fn slip_at_the_proof_load_is_not_shifted() {
    for kind in [Kind::StopperSlip, Kind::NoCoreGauge] {
        let mut sum = 0.0;
        let mut count = 0.0;
        for seed in 1..=10 {
            let (pull, analysis) = pull(kind, Grade::Good, seed);
            let found = analysis.separated.parts[&PartName::StopperSlip]
                .at_proof
                .value;
            if let (Some(found), Some(row)) = (found, pull.truth.at_proof) {
                sum += 1e3 * (found - pull.truth.stopper_slip[row]);
                count += 1.0;
            }
        }
        let bias = sum / count;
        println!("{}: {bias:.4} mm over {count} pulls", kind.name());
        assert!(bias.abs() < 0.02, "{}: {bias} mm", kind.name());
    }
}

/// A slip that speeds up lies below the straight line between two blocks: read off it, both slips of these pulls are 0.013 mm
/// high on average.
#[test]
fn slips_that_speed_up_are_read_off_a_curve() {
    let seeds = 1..=16;
    let mut off = [0.0; 2];
    for seed in seeds.clone() {
        let (pull, analysis) = pull(Kind::Both, Grade::Good, seed);
        let row = pull.truth.at_proof.unwrap();
        let found = |name| analysis.separated.parts[&name].at_proof.value.unwrap();
        off[0] += 1e3 * (found(PartName::StopperSlip) - pull.truth.stopper_slip[row]);
        off[1] += 1e3 * (found(PartName::CoverSlip) - pull.truth.cover_slip[row]);
    }
    for sum in off {
        let mean = sum / seeds.clone().count() as f64;
        println!("{mean:.4} mm on average");
        assert!(mean.abs() < 0.008, "{mean} mm");
    }
}

/// Pulls in which a single reading of a coarse gauge lay beyond what counts as slip, kilonewtons before anything slipped.
#[test]
fn a_single_coarse_reading_is_no_first_slip() {
    for (kind, seed) in [(Kind::StopperSlip, 10), (Kind::Both, 8), (Kind::Both, 14)] {
        let (pull, analysis) = pull(kind, Grade::Coarse, seed);
        let mut figures = analysis.limit.figures.iter();
        let first = figures
            .find(|f| f.rule == Rule::FirstSlip && f.interface == Interface::Stopper)
            .unwrap();
        let truth = pull.limits.stopper.first_slip.unwrap().load_kn * 1e3;
        let load = &first.load;
        assert!(
            load.low.is_none_or(|low| low <= truth) && load.high.is_none_or(|high| truth <= high),
            "{} {seed}: {load:?}, truth {truth} N",
            kind.name()
        );
    }
}

/// Truth: give of mount and jaws at the proof load. Jaws free to give anything take half of what the mark shares with the
/// stretch.
#[test]
fn jaws_give_no_more_than_the_sheet_says() {
    let mut square = 0.0;
    let seeds = 1..=10;
    for seed in seeds.clone() {
        let (pull, analysis) = pull(Kind::Halyard, Grade::Good, seed);
        let found = analysis.separated.parts[&PartName::Give]
            .at_proof
            .value
            .unwrap();
        let row = pull.truth.at_proof.unwrap();
        square += (1e3 * (found - pull.truth.part("give", row))).powi(2);
    }
    let rmse = (square / seeds.count() as f64).sqrt();
    println!("give at the proof load is off by {rmse:.3} mm RMS");
    assert!(rmse < 0.08, "{rmse} mm");
}

/// Two slips that may each be nothing may both be: no slip is claimed aboard that the table of parts does not claim.
#[test]
fn no_slip_aboard_where_none_was_seen() {
    for seed in 1..=6 {
        let (_, analysis) = pull(Kind::Halyard, Grade::Good, seed);
        let slip = &analysis.aboard.as_ref().unwrap().slip;
        println!("{seed}: {slip:?}");
        assert_eq!(
            (slip.status, slip.low),
            (Status::AtMost, Some(0.0)),
            "{seed}"
        );
    }
}

/// With nothing sliding the travel leaves over what its own noise and the load's make of it, not six times as much.
#[test]
fn what_is_left_over_is_the_noise_of_gauge_and_load() {
    for seed in 1..=6 {
        let (_, analysis) = pull(Kind::Halyard, Grade::Good, seed);
        let mut closures = analysis.separated.closure.iter();
        let travel = closures.find(|c| c.gauge == GaugeKind::Travel).unwrap();
        let ratio = travel.rms_mm / travel.expected_mm;
        println!(
            "{seed}: {:.3} mm of {:.3} mm",
            travel.rms_mm, travel.expected_mm
        );
        assert!((0.7..2.0).contains(&ratio), "{seed}: {ratio}");
    }
}

/// The travel alone does not show what slides on while the load is eased: where a line ran, its stretch is known no better.
#[test]
fn a_line_that_ran_and_was_eased_may_have_slid_on() {
    let open = |kind: Kind| {
        let mut scenario = kind.scenario(Grade::Good, 3);
        scenario.instruments.logger.rate = 10.0;
        let travel = |g: &bitterend::simulate::GaugeSpec| {
            matches!(g.kind, GaugeKind::Travel | GaugeKind::Load)
        };
        scenario.instruments.gauges.retain(travel);
        let (_, analysis) = analysed(&scenario, 3);
        let part = &analysis.separated.parts[&PartName::Stretch];
        let source = part.budget.iter().find(|s| s.source.contains("gone on"));
        source.map_or(0.0, |s| s.standard_uncertainty_mm)
    };
    let (ran, held) = (open(Kind::RunOut), open(Kind::Halyard));
    assert!(ran > 1.0 && held < 0.1, "{ran} {held}");
}

/// A share is no more than the whole, however poor its own gauge: marks read by camera beside a logged travel.
#[test]
fn no_share_is_more_than_all_that_stayed() {
    for seed in 1..=6 {
        for grade in [Grade::Good, Grade::Coarse] {
            let (_, analysis) = pull(Kind::CameraMarks, grade, seed);
            let parts = &analysis.separated.parts;
            let whole = parts[&PartName::NotRecovered].course.as_ref().unwrap();
            for name in [PartName::StopperSlip, PartName::SetAndCoverSlip] {
                let course = parts[&name].course.as_ref().unwrap();
                let least = course.value.as_ref().unwrap_or(&course.low);
                for ((high, most), least) in course.high.iter().zip(&whole.high).zip(least) {
                    assert!(
                        *high <= most.max(*least),
                        "{} {seed}: {high} {most}",
                        name.words()
                    );
                }
            }
        }
    }
}
