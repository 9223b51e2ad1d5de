//! What the record itself tells of its instruments, against the simulator's draws: zero and drift of the cell from slack at
//! both ends, and the lag of the travel from the corners of the load.

use bitterend::condition::condition;
use bitterend::ingest::GaugeKind;
use bitterend::phases::phases;
use bitterend::separate::{PartName, separate};
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

/// A warm mark wanders and comes back: no slip, though the reading grows in the middle. The sheet states the drift.
#[test]
fn a_drift_that_comes_back_is_no_slip() {
    let (mut held, mut judged) = (0, 0);
    for seed in 1..=8 {
        let mut scenario = Kind::StopperSlip.scenario(Grade::Good, seed);
        for gauge in &mut scenario.instruments.gauges {
            if gauge.kind == GaugeKind::Mark {
                gauge.drift = 0.4e-3;
            }
        }
        let pull = simulate::run(&scenario, seed);
        let mut log = pull.log();
        let last = log.time_s[log.time_s.len() - 1];
        let even = pull.draws.gauge(GaugeKind::Mark).unwrap().drift;
        for channel in log
            .channels
            .iter_mut()
            .filter(|c| c.kind == GaugeKind::Mark)
        {
            for (value, time) in channel.values.iter_mut().zip(&log.time_s) {
                let share = time / last;
                *value += 0.2e-3 * (2.2 * std::f64::consts::PI * share).sin() - even * share;
            }
        }
        let sheet = pull.sheet().unwrap();
        let (record, _) = condition(&log, &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let slip = &separated.parts[&PartName::StopperSlip];
        let found = [
            (&slip.end, pull.truth.end),
            (&slip.at_proof, pull.truth.at_proof.unwrap()),
        ];
        for (found, row) in found {
            let truth = pull.truth.part("stopper_slip", row);
            let (low, high) = (found.low.unwrap(), found.high.unwrap());
            println!("{seed}: {low:.6} to {high:.6} m, {truth:.6} m");
            judged += 1;
            held += usize::from(low <= truth && truth <= high);
            assert!(high - low < 1e-3, "{seed}: {low} to {high} m");
        }
    }
    assert!(held * 8 >= judged * 7, "{held} of {judged}");
}

/// A drift that runs evenly shows nothing uneven, and still might be: the sheet states no course. What an uneven one would do
/// stands in the budget of the slip.
#[test]
fn what_an_uneven_drift_would_do_is_in_the_budget() {
    let mut scenario = Kind::StopperSlip.scenario(Grade::Good, 1);
    for gauge in &mut scenario.instruments.gauges {
        if gauge.kind == GaugeKind::Mark {
            gauge.drift = 0.4e-3;
        }
    }
    let pull = simulate::run(&scenario, 1);
    let sheet = pull.sheet().unwrap();
    let (record, _) = condition(&pull.log(), &sheet).unwrap();
    let (phased, _) = phases(&record, &sheet);
    let (separated, _) = separate(&record, &phased, &sheet).unwrap();
    let budget = &separated.parts[&PartName::StopperSlip].budget;
    let of = |source: &str| {
        let mut lines = budget.iter().filter(|line| line.source == source);
        lines
            .next()
            .map_or(0.0, |line| line.standard_uncertainty_mm)
    };
    let uneven = of("drift of the mark gauge, uneven");
    assert!((0.001..0.4).contains(&uneven), "{budget:?}");
    assert_eq!(of("drift of the travel gauge, uneven"), 0.0);
}
