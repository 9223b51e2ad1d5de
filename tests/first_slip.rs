//! First slip where it is hard to see: a load that comes in the strokes of a winch, and a slip that lingers just below what
//! counts. Truth: the simulator's own course.

use bitterend::analysis::Analysis;
use bitterend::limit::Interface;
use bitterend::separate::PartName;
use bitterend::sheet::Rule;
use bitterend::simulate::{self, Grade, Kind, Simulated};
use bitterend::stats::Estimate;

#[path = "common/simulated.rs"]
mod simulated;

/// A pull with ten readings a second, as in the stored fixtures, and its analysis.
fn analysed(kind: Kind, seed: u64) -> (Analysis, Simulated) {
    let mut scenario = kind.scenario(Grade::Good, seed);
    scenario.instruments.logger.rate = 10.0;
    let pull = simulate::run(&scenario, seed);
    (simulated::analysed(&pull, pull.log()), pull)
}

/// The limit by first slip and the pull it was found in.
fn first_slip(kind: Kind, seed: u64, interface: Interface) -> (Estimate, Simulated) {
    let (analysis, pull) = analysed(kind, seed);
    let found = analysis.limit.figures.into_iter();
    let figure = found
        .filter(|f| f.rule == Rule::FirstSlip)
        .find(|f| f.interface == interface);
    (figure.unwrap().load, pull)
}

/// Between two strokes the load waits; what the jaws bite meanwhile is seating still, not slip that progresses. Taken for
/// slip, it made a first slip up to 1 kN too early.
#[test]
fn strokes_of_a_winch_do_not_make_seating_progress() {
    let mut lowest: Vec<f64> = Vec::new();
    for seed in [3, 6, 10, 18, 23, 39] {
        let (load, pull) = first_slip(Kind::HandWinched, seed, Interface::Stopper);
        let truth = pull.limits.stopper.first_slip.unwrap().indicated_kn;
        let low = load.value.or(load.low).unwrap() / 1e3;
        println!("{seed}: {low:.3} of {truth:.3} kN, {:?}", load.status);
        lowest.push((truth - low) / truth);
    }
    lowest.sort_by(f64::total_cmp);
    assert!(lowest[3] < 0.03 && lowest[5] < 0.25, "{lowest:?}");
}

/// A core that creeps up to just below what counts as slip and stays there: noise decides when it passes, so the interval
/// has to hold it. So it does in pull 64, and as often as it says in forty pulls in a row.
#[test]
fn a_slip_that_lingers_below_the_level_has_a_wide_limit() {
    let seeds = 61..=100;
    let held: Vec<u64> = seeds
        .clone()
        .filter(|seed| {
            let (load, pull) = first_slip(Kind::CoreSlip, *seed, Interface::Cover);
            let truth = pull.limits.cover.first_slip.unwrap().indicated_kn * 1e3;
            let (low, high) = (load.low.unwrap(), load.high.unwrap_or(f64::INFINITY));
            println!("{seed}: {low:.0} to {high:.0} N, true {truth:.0} N");
            low <= truth && truth <= high
        })
        .collect();
    // Without the scatter of single readings this one is not.
    assert!(held.contains(&64), "{held:?}");
    assert!(10 * held.len() >= 9 * seeds.count(), "{held:?}");
}

/// Jumps of a mark that does not lag, in a pull where a lag seems to be there: wrongly taken out, it cost a third of the slip.
#[test]
fn a_lag_found_wrongly_does_not_tear_the_jumps() {
    let (analysis, pull) = analysed(Kind::StickSlip, 328);
    let slip = &analysis.separated.parts[&PartName::StopperSlip].end;
    let truth = pull.truth.stopper_slip[pull.truth.end];
    let found = slip.value.unwrap();
    println!("{:.2} of {:.2} mm", found * 1e3, truth * 1e3);
    assert!((found - truth).abs() < 0.3e-3, "{found} m, {truth} m");
}
