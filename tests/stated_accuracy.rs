//! What the sheet states of an instrument widens the intervals and moves no value: the reading is the same.
//!
//! A scale error that is common to all readings must be one of the model, not of the readings: taken from the readings
//! themselves, a fit makes every part smaller to leave less unexplained (Peelle 1987, "Peelle's pertinent puzzle", from memory).

use bitterend::analysis::{Analysis, Settings};
use bitterend::limit::Interface;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::{Rule, Sheet, Splice};
use bitterend::simulate::{Grade, Kind, Simulated, run};
use bitterend::stats::Estimate;

fn pull(kind: Kind, seed: u64) -> Simulated {
    let mut scenario = kind.scenario(Grade::Good, seed);
    scenario.instruments.logger.rate = 10.0;
    run(&scenario, seed)
}

/// The same log under a sheet that was changed.
fn analysed(pull: &Simulated, change: impl Fn(&mut Sheet)) -> Analysis {
    let mut sheet = pull.sheet().expect("the simulator's sheet is one");
    change(&mut sheet);
    let inputs = Inputs {
        sheet,
        log: pull.log(),
        files: pull.files(),
    };
    analyse(inputs, &Settings::default()).expect("a plain record")
}

fn end(analysis: &Analysis, part: PartName) -> &Estimate {
    &analysis.separated.parts[&part].end
}

fn half(estimate: &Estimate) -> f64 {
    0.5 * (estimate.high.unwrap() - estimate.low.unwrap())
}

/// A travel that is read beyond a splice holds what the splice slid.
#[test]
fn a_splice_in_the_travel_is_named() {
    let pull = pull(Kind::Halyard, 1);
    let splice = |travel_beyond| {
        let analysis = analysed(&pull, |sheet| {
            sheet.line.splice = Some(Splice {
                kind: Some("core-to-core".into()),
                bury: None,
                travel_beyond,
            });
        });
        let named = analysis
            .caveats
            .iter()
            .filter(|c| c.code == "splice-in-travel");
        named.count()
    };
    assert_eq!((splice(false), splice(true)), (0, 1));
}

/// Every gauge stated five times to fifty times worse than it is.
#[test]
fn a_poor_accuracy_widens_and_moves_nothing() {
    for (kind, seed, part) in [
        (Kind::CoreSlip, 3, PartName::CoverSlip),
        (Kind::StopperSlip, 3, PartName::StopperSlip),
        (Kind::Both, 4, PartName::NotRecovered),
    ] {
        let pull = pull(kind, seed);
        let as_is = analysed(&pull, |_| {});
        let known = end(&as_is, part).clone();
        let value = known.value.expect("a value");
        for share in [1, 2, 5] {
            let poor = analysed(&pull, |sheet| {
                let accuracy = Some(format!("{share} % of reading"));
                let gauges = &mut sheet.gauges;
                for gauge in [&mut gauges.travel, &mut gauges.mark, &mut gauges.core]
                    .into_iter()
                    .flatten()
                {
                    gauge.accuracy.clone_from(&accuracy);
                }
            });
            let found = end(&poor, part);
            let moved = (found.value.expect("a value") - value).abs();
            let stated = 0.01 * f64::from(share) * value;
            println!(
                "{kind:?} {share} %: {:?} {:?}, before {value}",
                found.value, found.low
            );
            assert!(
                moved < 0.25 * stated + 0.5 * half(&known),
                "{kind:?} {share} %"
            );
            assert!(
                half(found) > 0.4 * stated && half(found) >= half(&known),
                "{kind:?} {share} %"
            );
        }
    }
}

/// Accuracies in millimetres and kilonewtons count as those in per cent do, and a zero that was seen takes none of it away.
#[test]
fn an_accuracy_in_units_of_the_reading_counts() {
    let pull = pull(Kind::StopperSlip, 3);
    let as_is = analysed(&pull, |_| {});
    let coarse = analysed(&pull, |sheet| {
        let mark = sheet.gauges.mark.as_mut().expect("this kind has one");
        mark.accuracy = Some("1 mm".into());
        sheet.gauges.load.accuracy = Some("0.2 kN".into());
    });
    let slip = |analysis| end(analysis, PartName::StopperSlip).clone();
    assert!(half(&slip(&as_is)) < 0.1e-3);
    assert!(
        (1e-3..2e-3).contains(&half(&slip(&coarse))),
        "{:?}",
        slip(&coarse)
    );
    let first = |analysis: &Analysis| {
        let of = |f: &&bitterend::limit::LimitFigure| {
            f.rule == Rule::FirstSlip && f.interface == Interface::Stopper
        };
        let figure = analysis.limit.figures.iter().find(of);
        half(&figure.expect("every rule has one").load)
    };
    assert!(
        first(&coarse) > first(&as_is).max(150.0),
        "{} {}",
        first(&as_is),
        first(&coarse)
    );
}
