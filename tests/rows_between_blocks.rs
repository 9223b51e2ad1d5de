//! Parts at every row: where the load bends within a block, stretch and give bend with it.

use bitterend::condition::condition;
use bitterend::phases::phases;
use bitterend::separate::{PartName, separate};
use bitterend::simulate::{self, Grade, Kind};
use bitterend::stats::straight;

/// Stretch less its truth over the rows of a pull of 20 Hz, mm RMS about its mean: by straight lines between the blocks'
/// centres, with the departure from them, and with that departure turned round.
fn off(seed: u64) -> [f64; 3] {
    let scenario = Kind::CoreSlip.scenario(Grade::Good, seed);
    let simulated = simulate::run(&scenario, seed);
    let sheet = simulated.sheet().unwrap();
    let (record, _) = condition(&simulated.log(), &sheet).unwrap();
    let (phased, _) = phases(&record, &sheet);
    let (separated, _) = separate(&record, &phased, &sheet).unwrap();
    let course = separated.course(PartName::Stretch).unwrap();
    let values = course.value.as_ref().unwrap();
    let lines = straight(&separated.blocks.time_s, values, &record.time_s);
    let departure = &separated.between.departure_m[&PartName::Stretch];
    let truth = &simulated.truth;
    let rows = truth.reference.start..truth.end;
    [0.0, 1.0, -1.0].map(|factor| {
        let off: Vec<f64> = rows
            .clone()
            .map(|i| 1e3 * (lines[i] + factor * departure[i] - truth.stretch[i]))
            .collect();
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        (off.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / off.len() as f64).sqrt()
    })
}

#[test]
fn stretch_between_blocks_follows_the_load() {
    for seed in 1..=3 {
        let [straight, bent, turned] = off(seed);
        assert!(
            bent < straight && straight < turned,
            "seed {seed}: {straight} by lines, {bent} bent, {turned} bent the other way"
        );
    }
}

/// Stretch and set together less their truth over the rows of a pull with all gauges and nothing disturbing, RMS as a share
/// of the largest stretch.
fn stretch_and_set_off(kind: Kind, seed: u64) -> f64 {
    let scenario = kind.scenario(Grade::Good, seed).without_errors();
    let simulated = simulate::run(&scenario, seed);
    let sheet = simulated.sheet().unwrap();
    let (record, _) = condition(&simulated.log(), &sheet).unwrap();
    let (phased, _) = phases(&record, &sheet);
    let (separated, _) = separate(&record, &phased, &sheet).unwrap();
    let at_rows = |part: PartName| {
        let values = separated.course(part).unwrap().value.as_ref().unwrap();
        let mut rows = straight(&separated.blocks.time_s, values, &record.time_s);
        if let Some(departure) = separated.between.departure_m.get(&part) {
            for (row, departure) in rows.iter_mut().zip(departure) {
                *row += departure;
            }
        }
        rows
    };
    let (stretch, set) = (at_rows(PartName::Stretch), at_rows(PartName::Set));
    let truth = &simulated.truth;
    let rows = truth.reference.start..truth.end;
    let square: f64 = rows
        .clone()
        .map(|i| (stretch[i] + set[i] - truth.stretch[i] - truth.set[i]).powi(2))
        .sum();
    let peak = truth.stretch.iter().copied().fold(0.0, f64::max);
    (square / rows.len() as f64).sqrt() / peak
}

/// Wanted is 0.1 %. The shapes alone leave 0.12 %, for they follow the load that the cell wrote, the line that which was
/// there; with the lag that the fit found and could not tell counted as the gauge's, 0.095 % (2026-11-26).
#[test]
fn stretch_and_set_are_what_the_travel_gauge_saw() {
    for kind in [Kind::CoreSlip, Kind::Both] {
        let off: Vec<f64> = (1..=6)
            .map(|seed| stretch_and_set_off(kind, seed))
            .collect();
        let mean = off.iter().sum::<f64>() / off.len() as f64;
        assert!(mean < 0.00085, "{kind:?}: {off:?}");
    }
}
