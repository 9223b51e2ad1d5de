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
