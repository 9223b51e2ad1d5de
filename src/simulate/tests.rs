//! The model keeps its own balance, and each kind does what its name says.

use super::*;

/// Largest of the values and their end, m.
fn peak(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::MIN, f64::max)
}

#[test]
fn every_kind_keeps_the_balance_and_slips_forward_only() {
    for &kind in Kind::ALL {
        for seed in 1..=20 {
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

#[test]
fn show() {
    for &kind in Kind::ALL {
        for seed in 1..=6 {
            let clock = std::time::Instant::now();
            let s = run(&kind.scenario(Grade::Good, seed), seed);
            let took = clock.elapsed().as_secs_f64() * 1e3;
            s.sheet().unwrap();
            let t = &s.truth;
            let end = t.load.len() - 1;
            let p = t.at_proof.unwrap_or(end);
            println!(
                "{:16} {seed} rows {:6} {:6.0} s  F {:6.0}/{:5.0} P {:6.1} S {:6.1} D {:5.2} Q {:6.2}@{:6.2} C {:6.2}@{:6.2} J {:.2} B {:.2} jumps {} out {:?} proof {:?} {took:.0} ms",
                kind.name(),
                s.time_s.len(),
                s.time_s[end],
                peak(&t.load),
                s.scenario.asked.proof,
                peak(&t.travel) * 1e3,
                peak(&t.stretch) * 1e3,
                t.set[end] * 1e3,
                t.stopper_slip[end] * 1e3,
                t.stopper_slip[p] * 1e3,
                t.cover_slip[end] * 1e3,
                t.cover_slip[p] * 1e3,
                peak(&t.jaws) * 1e3,
                peak(&t.body) * 1e3,
                t.jumps.len(),
                t.ran_out,
                t.at_proof.map(|i| s.time_s[i])
            );
        }
    }
}
