//! What the record itself tells of its instruments, against the simulator's draws: zero and drift of the cell from slack at
//! both ends, and the lag of the travel from the corners of the load.

use bitterend::condition::condition;
use bitterend::ingest::GaugeKind;
use bitterend::phases::phases;
use bitterend::separate::separate;
use bitterend::simulate::{self, Grade, Kind};

/// Five seconds of slack at both ends: zero within 5 N, drift within 10 N.
#[test]
fn zero_and_drift_of_the_cell_are_found() {
    for seed in 1..=12 {
        let pull = simulate::run(&Kind::DriftAndLag.scenario(Grade::Good, seed), seed);
        let (record, _) = condition(&pull.log(), &pull.sheet().unwrap()).unwrap();
        let cell = &pull.draws.gauges[0];
        assert!(cell.kind.is_force());
        let zero = record.load_zero.value.unwrap();
        let drift = record.load_drift.value.unwrap();
        println!(
            "{seed}: zero {zero:.1} N of {:.1}, drift {drift:.1} N of {:.1}",
            cell.zero, cell.drift
        );
        assert!(
            (zero - cell.zero).abs() < 5.0,
            "{seed}: {zero} N, {} N",
            cell.zero
        );
        assert!(
            (drift - cell.drift).abs() < 10.0,
            "{seed}: {drift} N, {} N",
            cell.drift
        );
        // Taken out, the true load is left, but for the gain.
        let last = record.load.values.len() - 20;
        let left = record.load.values[last..].iter().sum::<f64>() / 20.0;
        assert!(left.abs() < 10.0, "{seed}: {left} N left when slack");
    }
}

/// The travel moves at every corner of the load: its lag within 0.05 s. (A mark that hardly moves shows less.)
#[test]
fn the_lag_of_the_travel_is_found() {
    for seed in 1..=12 {
        let pull = simulate::run(&Kind::DriftAndLag.scenario(Grade::Good, seed), seed);
        let sheet = pull.sheet().unwrap();
        let (record, _) = condition(&pull.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let mut closures = separated.closure.iter();
        let travel = closures.find(|c| c.gauge == GaugeKind::Travel).unwrap();
        let (lag, truth) = (
            travel.lag_s.unwrap(),
            pull.draws.gauge(GaugeKind::Travel).unwrap().lag_s,
        );
        println!("{seed}: {lag:.3} s of {truth:.3} s");
        assert!((lag - truth).abs() < 0.05, "{seed}: {lag} s, {truth} s");
    }
}
