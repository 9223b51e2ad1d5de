//! Many hand-made pulls: how often the intervals hold the law's own answer, and how often a bound is called a limit.

use super::handmade::{Errors, Pull, ramp, steps};
use super::*;
use crate::separate::PartName::{CoverSlip, StopperSlip};

type Law = fn(f64, f64, f64, f64, f64) -> f64;

const YIELD: f64 = 5e3;
/// Slip per newton past the yield, m/N.
const SHARP: f64 = 2e-6;

fn sharp(_: f64, _: f64, highest: f64, _: f64, _: f64) -> f64 {
    SHARP * (highest - YIELD).max(0.0)
}

fn exponential(_: f64, _: f64, highest: f64, _: f64, _: f64) -> f64 {
    2e-5 * ((highest / 1.5e3).exp() - 1.0)
}

fn nothing(_: f64, _: f64, _: f64, _: f64, _: f64) -> f64 {
    0.0
}

fn both(pull: Pull, stopper: Law) -> Pull {
    let truth = pull.law(stopper);
    let still = pull.law(nothing);
    pull.with(StopperSlip, &truth).with(CoverSlip, &still)
}

fn of(limit: &Limit, rule: Rule) -> &Estimate {
    let figure = |f: &&LimitFigure| f.rule == rule && f.interface == Interface::Stopper;
    &limit.figures.iter().find(figure).unwrap().load
}

/// The separation's uncertainty and the cell's gain are in the interval: over pulls with noise 0.01 mm, 2 % common error of
/// slip and a cell good to ±1 %, the intervals hold the law's own answer about as often as they say. (Where slip sets in
/// sharply there are too few neighbours to average noise away, and the interval is on the wide side.)
#[test]
fn intervals_of_first_slip_and_allowance_cover_the_law() {
    let limits = "[limits]\nstopper_slip = \"1 mm\"\n";
    let pulls = 150;
    type Truth = fn(f64) -> f64;
    let laws: [(Law, Truth); 2] = [
        (exponential, |slip| 1.5e3 * (1.0 + slip / 2e-5).ln()),
        (sharp, |slip| YIELD + slip / SHARP),
    ];
    for (law, truth) in laws {
        let (mut inside, mut bias, mut told) = ([0, 0], [0.0, 0.0], [0, 0]);
        for seed in 0..pulls {
            let errors = Errors {
                noise: 1e-5,
                common: 0.02,
                gain: 0.01,
                seed,
            };
            let (limit, _) = both(Pull::new(&ramp(8e3), limits, errors), law).find();
            for (i, (rule, slip)) in [(Rule::FirstSlip, 1e-4), (Rule::Allowance, 1e-3)]
                .into_iter()
                .enumerate()
            {
                let load = of(&limit, rule);
                let truth = truth(slip);
                inside[i] += usize::from(load.low.unwrap() <= truth && truth <= load.high.unwrap());
                // Noise can leave open whether part of it is seating: then the figure is a bracket.
                if let Some(value) = load.value {
                    told[i] += 1;
                    bias[i] += value / truth - 1.0;
                }
            }
        }
        for i in 0..2 {
            let share = inside[i] as f64 / pulls as f64;
            assert!(share >= 0.91, "rule {i} covers {share}");
            let bias = bias[i] / f64::from(told[i].max(1));
            assert!(
                told[i] > 0 && bias.abs() < 0.005,
                "rule {i}: told {}, bias {bias}",
                told[i]
            );
        }
    }
}

/// Rate in holds exponential in load, 0.01 mm/min·exp(F/1 kN), and straight past a yield of 3 kN: allowance 0.5 mm/min.
#[test]
fn intervals_of_stepped_holds_cover_the_law() {
    let limits = "[limits]\nrate = \"0.5 mm/min\"\n";
    let pulls = 150;
    let laws: [(Law, f64); 2] = [
        (
            |_, load, _, slip, dt| slip + dt * 1e-5 / 60.0 * (load / 1e3).exp(),
            1e3 * 3.912_023,
        ),
        (
            |_, load, _, slip, dt| slip + dt * 1e-8 * (load - 3e3).max(0.0),
            3e3 + 5e-4 / 60.0 / 1e-8,
        ),
    ];
    for (law, truth) in laws {
        let (mut inside, mut told, mut bias) = (0, 0, 0.0);
        for seed in 0..pulls {
            let errors = Errors {
                noise: 1e-5,
                common: 0.0,
                gain: 0.01,
                seed,
            };
            let schedule = steps(&[2e3, 2.8e3, 3.3e3, 3.7e3, 4.1e3, 4.5e3], 60.0);
            let (limit, _) = both(Pull::new(&schedule, limits, errors), law).find();
            let load = of(&limit, Rule::Allowance);
            assert!(
                matches!(load.status, Status::Measured | Status::Bracket),
                "{load:?}"
            );
            inside += usize::from(load.low.unwrap() <= truth && truth <= load.high.unwrap());
            if let Some(value) = load.value {
                told += 1;
                bias += value / truth - 1.0;
            }
        }
        let share = f64::from(inside as u32) / pulls as f64;
        let bias = bias / f64::from(told.max(1));
        assert!(share >= 0.91, "covers {share}, told {told}, bias {bias}");
        assert!(told > 0 && bias.abs() < 0.01, "told {told}, bias {bias}");
    }
}

/// True rate at the top hold half or twice the allowance: a bound is not called a limit, nor a limit a bound.
#[test]
fn bounds_and_limits_are_not_mixed_up() {
    let limits = "[limits]\nrate = \"0.5 mm/min\"\n";
    let pulls = 150;
    for share in [0.5, 2.0] {
        let mut wrong = 0;
        for seed in 0..pulls {
            let errors = Errors {
                noise: 1e-5,
                common: 0.0,
                gain: 0.01,
                seed,
            };
            let pull = Pull::new(&steps(&[2e3, 3e3, 4e3], 60.0), limits, errors);
            let truth = pull.law(|_, load, _, slip, dt| {
                slip + dt * share * 5e-4 / 60.0 * ((load - 4e3) / 1e3).exp()
            });
            let still = pull.law(nothing);
            let (limit, _) = pull
                .with(StopperSlip, &truth)
                .with(CoverSlip, &still)
                .find();
            let status = of(&limit, Rule::Allowance).status;
            wrong += usize::from(if share < 1.0 {
                matches!(status, Status::Measured)
            } else {
                status == Status::NotReached
            });
        }
        assert_eq!(wrong, 0, "share {share}");
    }
}

/// Load on the plateau with neighbours that share their noise (first-order, 0.8): the mean's interval still covers.
#[test]
fn intervals_of_the_running_load_cover() {
    use rand::{RngExt, SeedableRng};
    let mut schedule = ramp(6e3);
    schedule.push((PhaseKind::RunOut, 120.0, 6e3));
    let pulls = 200;
    let mut inside = 0;
    for seed in 0..pulls {
        let errors = Errors {
            gain: 0.005,
            seed,
            ..Errors::NONE
        };
        let mut pull = both(Pull::new(&schedule, "", errors), |t, _, _, slip, dt| {
            if t > 67.0 { slip + 2e-3 * dt } else { slip }
        });
        let gain = pull.conditioned.load.values[pull.phases[1].end - 1] / 6e3;
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed + 1000);
        let mut wave = 0.0;
        let first = pull.phases[2].first;
        for load in &mut pull.conditioned.load.values[first..] {
            wave = 0.8 * wave + random.random_range(-100.0..100.0);
            *load = gain * (5e3 + wave);
        }
        let (limit, _) = pull.find();
        let load = of(&limit, Rule::Running);
        inside += usize::from(load.low.unwrap() <= 5e3 && 5e3 <= load.high.unwrap());
    }
    let share = f64::from(inside as u32) / pulls as f64;
    assert!((0.90..=0.99).contains(&share), "covers {share}");
}
