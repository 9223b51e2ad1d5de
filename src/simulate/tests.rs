//! The model keeps its own balance, and each kind does what its name says.

use super::*;

/// Largest of the values and their end, m.
fn peak(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::MIN, f64::max)
}

#[test]
fn every_kind_keeps_the_balance_and_slips_forward_only() {
    for &kind in Kind::ALL {
        for seed in 1..=8 {
            let s = run(&kind.scenario(Grade::Good, seed), seed);
            let t = &s.truth;
            let slack_over = t.reference.start;
            let last = t.load.iter().rposition(|&f| f > 0.0).unwrap();
            // The row between the last load and the slack mixes both.
            for i in slack_over..last - 1 {
                let sum = t.stretch[i]
                    + t.set[i]
                    + t.stopper_slip[i]
                    + t.cover_slip[i]
                    + t.splice_slip[i]
                    + t.body[i]
                    + t.jaws[i];
                assert!(
                    (sum - t.travel[i]).abs() < 1e-9,
                    "{} {seed} row {i}",
                    kind.name()
                );
            }
            let forward = |v: &[f64]| v.windows(2).all(|w| w[1] >= w[0] - 1e-12);
            assert!(
                forward(&t.stopper_slip) && forward(&t.set),
                "{} {seed}",
                kind.name()
            );
            if kind != Kind::ReturningCover {
                assert!(forward(&t.cover_slip), "{} {seed}", kind.name());
            }
            assert!(
                t.reference.len() > 3 || kind == Kind::HandNoted,
                "{} {seed}",
                kind.name()
            );
        }
    }
}

/// What each kind promises, over eight seeds in both grades of instruments.
#[test]
fn each_kind_does_what_its_name_says() {
    for &kind in Kind::ALL {
        for seed in 1..=8 {
            let grade = [Grade::Good, Grade::Coarse][seed as usize % 2];
            let s = run(&kind.scenario(grade, seed), seed);
            let t = &s.truth;
            let end = t.load.len() - 1;
            let name = kind.name();
            let (q, c) = (t.stopper_slip[end] * 1e3, t.cover_slip[end] * 1e3);
            let shown = format!("{name} {seed}: Q {q:.2} mm, C {c:.2} mm");
            match kind {
                Kind::Halyard | Kind::PerfectStopper => {
                    assert!(q == 0.0 && c == 0.0, "{shown}");
                    assert!(peak(&t.stretch) > 0.02, "{shown}");
                }
                Kind::CoreSlip => assert!(q < 1.2 && c > 0.2, "{shown}"),
                Kind::ReturningCover => {
                    assert!(peak(&t.cover_slip) * 1e3 > c + 0.01, "{shown}");
                }
                Kind::StopperSlip | Kind::TravelOnly | Kind::HandNoted => {
                    assert!(q > 1.0 && c == 0.0, "{shown}");
                }
                Kind::Both | Kind::Disturbed | Kind::NoCoreGauge | Kind::DriftAndLag => {
                    assert!(q > 1.0 && c > 0.2, "{shown}");
                }
                Kind::StoringTail => {
                    let k = t.draw_in[end] * 1e3;
                    assert!((k - (c - 6.0).max(0.0)).abs() < 0.01, "{shown}, K {k:.2}");
                }
                Kind::SingleRamp => {
                    let t = &s.limits.stopper;
                    let (Some(pull), Some(law)) = (t.first_slip, t.first_slip_by_law) else {
                        panic!("{shown}: no first slip");
                    };
                    // Bedding cycles slip a little beforehand where the law is exponential.
                    let ratio = pull.load_kn / law.load_kn;
                    assert!((ratio - 1.0).abs() < 0.02, "{shown}: {ratio}");
                }
                Kind::StickSlip => assert!(t.jumps.len() >= 3 && q > 5.0, "{shown}"),
                Kind::SteppedHolds => {
                    let top = s.limits.stopper.holds.iter().map(|h| h.rate_mm_per_min);
                    let reached = s.limits.stopper.allowance_rate.is_some();
                    assert_eq!(reached, top.fold(0.0, f64::max) >= 1.0, "{shown}");
                }
                Kind::Wearing => {
                    let holds = &s.limits.stopper.holds;
                    let rates: Vec<f64> = holds.iter().map(|h| h.rate_mm_per_min).collect();
                    assert!(
                        rates.windows(2).all(|w| w[1] >= w[0]) && q > 0.1,
                        "{shown}: {rates:?}"
                    );
                }
                Kind::RunOut => assert!(t.ran_out.is_some() && q > 90.0, "{shown}"),
                Kind::LockedHold | Kind::HandWinched => {
                    let held = t.holds_of(&s.scenario);
                    assert!(
                        held.iter().all(|(first, last)| last < first),
                        "{shown}: {held:?}"
                    );
                }
                Kind::Transfer => assert!(
                    peak(&t.tail_load) > 1e3 && t.tail_load[end] == 0.0,
                    "{shown}"
                ),
                Kind::CameraMarks => assert!(s.readings.len() > 10, "{shown}"),
            }
            assert_eq!(s.time_s.len() == 12, kind == Kind::HandNoted, "{shown}");
        }
    }
}

impl Truth {
    /// Load at start and end of every locked hold.
    fn holds_of(&self, scenario: &Scenario) -> Vec<(f64, f64)> {
        (0..scenario.schedule.len())
            .filter(|&i| matches!(scenario.schedule[i], Step::Lock { .. }))
            .filter_map(|i| {
                let first = self.step.iter().position(|&s| s == i)?;
                let last = self.step.iter().rposition(|&s| s == i)?;
                Some((self.load[first], self.load[last]))
            })
            .collect()
    }
}

/// What the gauges show is the balance of domain knowledge, sign for sign: checked without noise and errors.
#[test]
fn faultless_gauges_read_the_balance() {
    let mut scenario = Kind::Disturbed.scenario(Grade::Good, 3).without_errors();
    for g in &mut scenario.instruments.gauges {
        (g.noise, g.step) = (0.0, 1e-9);
    }
    let s = run(&scenario, 3);
    let t = &s.truth;
    let share = 0.04 / scenario.line.free_length;
    let reading = |kind: GaugeKind, row: usize| {
        let c = s.channels.iter().find(|c| c.kind == kind).unwrap();
        let dwell = &c.values[t.reference.clone()];
        c.values[row] - dwell.iter().sum::<f64>() / dwell.len() as f64
    };
    for row in (t.reference.start..t.load.len() - 60).step_by(97) {
        let p = reading(GaugeKind::Travel, row);
        assert!((p - t.travel[row]).abs() < 1e-8, "row {row}");
        let own = t.body[row] + t.jaws[row] + t.stopper_slip[row];
        let mark = own + share * (p - own);
        assert!(
            (reading(GaugeKind::Mark, row) - mark).abs() < 1e-8,
            "row {row}"
        );
        assert!(
            (reading(GaugeKind::Core, row) - t.cover_slip[row]).abs() < 1e-8,
            "row {row}"
        );
        assert!(
            (reading(GaugeKind::Body, row) - t.body[row]).abs() < 1e-8,
            "row {row}"
        );
    }
}

/// The draws fill what the sheet states and do not pass it.
#[test]
fn draws_lie_within_what_the_sheet_states() {
    let scenario = Kind::Disturbed.scenario(Grade::Good, 1);
    let draws: Vec<Draws> = (0..2000).map(|seed| Draws::new(&scenario, seed)).collect();
    let gains: Vec<f64> = draws
        .iter()
        .map(|d| d.gauge(GaugeKind::Travel).unwrap().gain)
        .collect();
    assert!(gains.iter().all(|g| g.abs() <= 5e-3));
    let sd = |v: &[f64]| {
        let mean = v.iter().sum::<f64>() / v.len() as f64;
        (v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (v.len() - 1) as f64).sqrt()
    };
    // A rectangle of half width a has the standard deviation a/√3; 2000 draws show it to 2 %.
    assert!((sd(&gains) / (5e-3 / 3f64.sqrt()) - 1.0).abs() < 0.05);
    let marks: Vec<f64> = draws
        .iter()
        .map(|d| d.gauge(GaugeKind::Mark).unwrap().distance_m.unwrap())
        .collect();
    assert!((sd(&marks) / 2e-3 - 1.0).abs() < 0.06);
    let jaws: Vec<f64> = draws.iter().map(|d| d.jaw_give_m).collect();
    assert!(jaws.iter().all(|j| (0.0..=1.5e-3).contains(j)));
    assert!((jaws.iter().sum::<f64>() / 2000.0 - 0.75e-3).abs() < 0.04e-3);
}

/// Figures are compared where the line still hangs at pre-tension.
#[test]
fn the_end_lies_before_the_slack() {
    for &kind in Kind::ALL {
        let scenario = kind.scenario(Grade::Good, 4);
        let t = run(&scenario, 4).truth;
        assert!(
            t.end < t.load.len() && t.end > t.reference.end,
            "{}",
            kind.name()
        );
        if t.ran_out.is_none() {
            let load = t.load[t.end];
            assert!(
                (load - scenario.asked.pretension).abs() < 20.0,
                "{}: {load} N",
                kind.name()
            );
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_pull_and_another_seed_another() {
    let scenario = Kind::StickSlip.scenario(Grade::Coarse, 5);
    assert_eq!(run(&scenario, 5), run(&scenario, 5));
    assert_ne!(run(&scenario, 5).channels, run(&scenario, 6).channels);
}
