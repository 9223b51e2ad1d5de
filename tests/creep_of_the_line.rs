//! Three metres of polyester creep more in a hold than most limits allow a stopper. A stopper that holds without moving must
//! pass a limit on creep that a naive reading of the travel would fail; and with the travel alone nothing is claimed.

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::GaugeKind;
use bitterend::limit::Interface;
use bitterend::phases::PhaseKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::Rule;
use bitterend::simulate::{self, Grade, Kind, Simulated};
use bitterend::stats::{Status, linear};
use bitterend::verdict::VerdictWord;

#[path = "common/simulated.rs"]
mod simulated;

/// What the sheet of these pulls allows, mm per decade of time.
const ALLOWED: f64 = 1.0;
const SEEDS: std::ops::RangeInclusive<u64> = 1..=4;

fn made(seed: u64) -> Simulated {
    simulate::run(&Kind::PerfectStopper.scenario(Grade::Good, seed), seed)
}

fn analysed(pull: &Simulated) -> Analysis {
    simulated::analysed(pull, pull.log())
}

/// Slope of the travel itself against the logarithm of time over the longest hold, mm per decade.
fn naive(pull: &Simulated, analysis: &Analysis) -> f64 {
    let hold = analysis
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Hold)
        .max_by(|a, b| (a.end_s - a.start_s).total_cmp(&(b.end_s - b.start_s)))
        .unwrap();
    let log = pull.log();
    let travel = log
        .channels
        .iter()
        .find(|c| c.kind == GaugeKind::Travel)
        .unwrap();
    let (x, y): (Vec<f64>, Vec<f64>) = log
        .time_s
        .iter()
        .zip(&travel.values)
        .filter(|(t, _)| **t > hold.start_s + 10.0 && **t < hold.end_s)
        .map(|(t, travel)| ((t - hold.start_s).log10(), 1e3 * travel))
        .unzip();
    linear::line(&x, &y, None).unwrap().coefficients[1]
}

#[test]
fn a_perfect_stopper_passes_what_a_naive_reading_fails() {
    for seed in SEEDS {
        let pull = made(seed);
        let analysis = analysed(&pull);
        let creep = naive(&pull, &analysis);
        println!("{seed}: the travel creeps {creep:.2} mm per decade");
        assert!(creep > ALLOWED, "{seed}: {creep}");
        assert_eq!(analysis.verdict.word, VerdictWord::Passes, "{seed}");
        for hold in &analysis.limit.holds {
            if hold.interface == Interface::Stopper && hold.duration_s > 300.0 {
                let high = hold.creep.high.unwrap() * 1e3;
                assert!(high < ALLOWED, "{seed}: {:?}", hold.creep);
            }
        }
        let allowance = analysis
            .limit
            .figures
            .iter()
            .find(|f| f.rule == Rule::Allowance && f.interface == Interface::Stopper)
            .unwrap();
        assert_eq!(
            allowance.load.status,
            Status::NotReached,
            "{seed}: {allowance:?}"
        );
    }
}

/// Travel alone, and the record ends in its first long hold: creep and slip are the same movement.
#[test]
fn travel_and_one_hold_tell_nothing() {
    for seed in SEEDS {
        let pull = made(seed);
        let mut sheet = pull.sheet().unwrap();
        (sheet.gauges.mark, sheet.gauges.body, sheet.gauges.core) = (None, None, None);
        let mut log = pull.log();
        log.channels
            .retain(|c| matches!(c.kind, GaugeKind::Load | GaugeKind::Travel));
        let first = analysed(&pull)
            .phases
            .iter()
            .find(|p| p.kind == PhaseKind::Hold && p.end_s - p.start_s > 60.0)
            .map(|p| p.end_s - 1.0)
            .unwrap();
        let rows = log.time_s.partition_point(|t| *t < first);
        log.time_s.truncate(rows);
        for channel in &mut log.channels {
            channel.values.truncate(rows);
        }
        log.segments.retain(|s| *s < rows);
        log.rows = rows as u64;
        let inputs = Inputs {
            sheet,
            log,
            files: pull.files(),
        };
        let analysis = analyse(inputs, &Settings::default()).unwrap();
        for name in [
            PartName::Stretch,
            PartName::StopperSlip,
            PartName::CoverSlip,
            PartName::Set,
        ] {
            let end = &analysis.separated.parts[&name].end;
            assert_eq!(end.status, Status::CannotTell, "{seed} {name:?}: {end:?}");
        }
        for figure in &analysis.limit.figures {
            assert_ne!(figure.load.status, Status::Measured, "{seed}: {figure:?}");
        }
        for hold in &analysis.limit.holds {
            assert_ne!(hold.creep.status, Status::Measured, "{seed}: {hold:?}");
        }
        assert_eq!(analysis.verdict.word, VerdictWord::NotDecided, "{seed}");
    }
}
