//! The true limits: each rule applied to the noise-free law and to what really happened.
//!
//! Two answers stand side by side for each interface. `in_this_pull` follows the rule through the noise-free course of
//! this very pull. `by_law` asks the law alone: a fresh grip is ramped from pre-tension at the pull's rate (first
//! slip), or ramped to a load and held for the sheet's hold time (allowance), and the load is found at which the rule
//! is met. Without hardening both agree for stepped holds. Loads are true loads; a record shows them times
//! (1 + gain of the cell), which `indicated_kn` states.

use serde::Serialize;

use super::gauges::Draws;
use super::march::{Course, Instant};
use super::scenario::{Interface, Scenario, SlipLaw, Step};
use super::slip::advance;
use crate::ingest::GaugeKind;

/// Slip at which first slip is counted, m (the estimator takes more where it cannot see this).
pub const FIRST_SLIP: f64 = 0.1e-3;
/// Share of a hold that is its end.
const HOLD_END: f64 = 0.05;

/// True limits of one pull.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct LimitTruth {
    /// Line in the stopper.
    pub stopper: InterfaceTruth,
    /// Cover over core.
    pub cover: InterfaceTruth,
    /// Loading rate of the first ramp after the first dwell, N/s.
    pub ramp_n_per_s: Option<f64>,
}

/// True limits of one interface. Absent: the rule was not met, or nothing slides there.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct InterfaceTruth {
    /// Load at which progressive slip reached 0.1 mm in this pull.
    pub first_slip: Option<TrueLoad>,
    /// The same on a single ramp from pre-tension at the pull's rate.
    pub first_slip_by_law: Option<TrueLoad>,
    /// Load at which the rate at the end of a hold is the allowed rate: the first hold of this pull beyond it,
    /// moved down until it is just reached, everything before as it was.
    pub allowance_rate: Option<TrueLoad>,
    /// Load at which a fresh grip, ramped and held for the sheet's hold time, slides at the allowed rate at the end of
    /// the hold.
    pub allowance_rate_by_law: Option<TrueLoad>,
    /// Load at which progressive slip reached the slip that the sheet allows.
    pub allowance_slip: Option<TrueLoad>,
    /// The lower of the two allowances of this pull. Absent as well where a hold was beyond the rate and no load is that of
    /// the limit: no hold below it, a locked winch, jumps.
    pub allowance: Option<TrueLoad>,
    /// Mean load while the line ran, over every run.
    pub running: Option<Running>,
    /// Mean load just before and just after jumps.
    pub jumps: Option<Jumps>,
    /// Every hold after the first dwell.
    pub holds: Vec<HoldTruth>,
}

/// A load, true and as a faultless reading of this pull's cell shows it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrueLoad {
    /// True, kN.
    pub load_kn: f64,
    /// As indicated without noise, zero and drift, kN.
    pub indicated_kn: f64,
}

/// While the line ran through.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Running {
    /// Mean load, kN.
    pub load: TrueLoad,
    /// Mean speed, mm/min.
    pub speed_mm_per_min: f64,
}

/// Stick-slip.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Jumps {
    /// How many.
    pub count: usize,
    /// Mean load just before, kN.
    pub peak: TrueLoad,
    /// Mean load just after, kN.
    pub trough: TrueLoad,
}

/// One hold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoldTruth {
    /// Start, s.
    pub start_s: f64,
    /// Length, s.
    pub duration_s: f64,
    /// Mean true load, kN.
    pub load_kn: f64,
    /// Progressive slip within the hold, mm.
    pub slip_mm: f64,
    /// Rate at its end, over its last twentieth, mm/min.
    pub rate_mm_per_min: f64,
    /// Slip over its last decade of time (from a tenth of its length to its end), mm.
    pub creep_mm_per_decade: f64,
}

/// One interface of a course.
struct View<'a> {
    law: SlipLaw,
    jumps: bool,
    progressive: fn(&Instant) -> f64,
    course: &'a Course,
    allowed: f64,
}

/// The true limits of a pull.
pub(super) fn limits(scenario: &Scenario, draws: &Draws, course: &Course) -> LimitTruth {
    let gain = draws.gauge(GaugeKind::Load).map_or(0.0, |d| d.gain);
    let ramp_n_per_s = scenario.schedule.iter().skip(2).find_map(|s| match s {
        Step::Ramp { to, rate } if *to > scenario.asked.pretension => Some(*rate),
        _ => None,
    });
    let view = |i: &Interface, progressive, allowed| View {
        law: i.law,
        jumps: matches!(i.law, SlipLaw::StickSlip { .. }),
        progressive,
        course,
        allowed,
    };
    let stopper = view(
        &scenario.stopper,
        |i| i.stopper_slip - i.seating,
        scenario.asked.stopper_slip,
    );
    let cover = view(
        &scenario.cover,
        |i| i.cover_slip - i.cover_slack,
        scenario.asked.cover_slip,
    );
    LimitTruth {
        stopper: interface(scenario, &stopper, gain, ramp_n_per_s),
        cover: interface(scenario, &cover, gain, ramp_n_per_s),
        ramp_n_per_s,
    }
}

fn interface(s: &Scenario, view: &View<'_>, gain: f64, ramp: Option<f64>) -> InterfaceTruth {
    let shown = |load: f64| TrueLoad {
        load_kn: load / 1e3,
        indicated_kn: load * (1.0 + gain) / 1e3,
    };
    let holds = holds(s, view);
    let rate = s.asked.rate;
    let by_rate = rate.and_then(|r| moved_hold(s, view, &holds, r));
    let by_slip = reached(s, view, view.allowed);
    let too_fast = rate.is_some_and(|r| holds.iter().any(|h| h.rate_mm_per_min >= r * 60e3));
    let allowance = match (by_rate, by_slip) {
        (Some(rate), Some(slip)) => Some(rate.min(slip)),
        (None, _) if too_fast => None,
        (rate, slip) => rate.or(slip),
    };
    InterfaceTruth {
        first_slip: reached(s, view, FIRST_SLIP).map(shown),
        first_slip_by_law: ramp
            .and_then(|r| ramp_to(view.law, s.asked.pretension, r, FIRST_SLIP))
            .map(shown),
        allowance_rate: by_rate.map(shown),
        allowance_rate_by_law: rate
            .and_then(|r| hold_at_rate(view.law, s, ramp.unwrap_or(200.0), r))
            .map(shown),
        allowance_slip: by_slip.map(shown),
        allowance: allowance.map(shown),
        running: running(s, view).map(|(load, speed)| Running {
            load: shown(load),
            speed_mm_per_min: speed * 60e3,
        }),
        jumps: (view.jumps && !view.course.jumps.is_empty()).then(|| {
            let n = view.course.jumps.len();
            let mean = |of: fn(&super::Jump) -> f64| {
                view.course.jumps.iter().map(of).sum::<f64>() / n as f64
            };
            Jumps {
                count: n,
                peak: shown(mean(|j| j.peak)),
                trough: shown(mean(|j| j.trough)),
            }
        }),
        holds,
    }
}

/// Instants of a step of the schedule.
fn during(course: &Course, step: usize) -> &[Instant] {
    let first = course.instants.partition_point(|i| i.step < step);
    let end = course.instants.partition_point(|i| i.step <= step);
    course.instants.get(first..end).unwrap_or_default()
}

fn first_dwell(s: &Scenario) -> Option<usize> {
    s.schedule
        .iter()
        .position(|s| matches!(s, Step::Hold { .. }))
}

/// Load at which progressive slip since the first dwell first reached `slip`.
fn reached(s: &Scenario, view: &View<'_>, slip: f64) -> Option<f64> {
    let dwell = during(view.course, first_dwell(s)?);
    let zero = dwell.iter().map(view.progressive).sum::<f64>() / dwell.len().max(1) as f64;
    view.course
        .instants
        .windows(2)
        .find(|w| (view.progressive)(&w[1]) - zero >= slip)
        // A jump drops the load within the step: the load before it is the one that was reached.
        .map(|w| if view.jumps { w[0].load } else { w[1].load })
}

/// Load at which a law alone reaches `slip` on a ramp.
fn ramp_to(law: SlipLaw, from: f64, rate: f64, slip: f64) -> Option<f64> {
    if let SlipLaw::StickSlip { stick, .. } = law {
        return Some(stick);
    }
    if law == SlipLaw::None {
        return None;
    }
    let dt = 1.0 / rate; // one newton per step
    let (mut load, mut so_far) = (from, 0.0);
    while load < 1e5 {
        load += 1.0;
        so_far += advance(law, load - 0.5, so_far, dt);
        if so_far >= slip {
            return Some(load);
        }
    }
    None
}

/// Rate (m/s) at the end of a hold at `load`, ramped to from a load and a slip already made.
fn rate_in_hold(law: SlipLaw, load: f64, from: (f64, f64), ramp: f64, hold: f64) -> f64 {
    let steps = 200;
    let (from, mut so_far) = from;
    let dt = (load - from).max(0.0) / ramp / f64::from(steps);
    for k in 0..steps {
        let at = from + (load - from) * (f64::from(k) + 0.5) / f64::from(steps);
        so_far += advance(law, at, so_far, dt);
    }
    so_far += advance(law, load, so_far, (1.0 - HOLD_END) * hold);
    advance(law, load, so_far, HOLD_END * hold) / (HOLD_END * hold)
}

fn hold_at_rate(law: SlipLaw, s: &Scenario, ramp: f64, allowed: f64) -> Option<f64> {
    if matches!(law, SlipLaw::None | SlipLaw::StickSlip { .. }) {
        return None;
    }
    let fresh = (s.asked.pretension, 0.0);
    load_at(fresh.0, 10.0 * s.asked.proof, allowed, |load| {
        rate_in_hold(law, load, fresh, ramp, s.asked.hold)
    })
}

fn holds(s: &Scenario, view: &View<'_>) -> Vec<HoldTruth> {
    let Some(dwell) = first_dwell(s) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (index, step) in s.schedule.iter().enumerate().skip(dwell + 1) {
        let run = during(view.course, index);
        let (Some(first), Some(last)) = (run.first(), run.last()) else {
            continue;
        };
        let load = run.iter().map(|i| i.load).sum::<f64>() / run.len() as f64;
        let held = matches!(step, Step::Hold { .. } | Step::Lock { .. });
        if !held || load < 1.5 * s.asked.pretension {
            continue;
        }
        let duration = last.time - first.time;
        let at = |share: f64| {
            let time = first.time + share * duration;
            let i = run.partition_point(|i| i.time < time).min(run.len() - 1);
            run.get(i)
                .map_or((time, 0.0), |i| (i.time, (view.progressive)(i)))
        };
        let slip_at = |share: f64| at(share).1;
        let (before, end) = (at(1.0 - HOLD_END), at(1.0));
        let at_end = (end.1 - before.1) / (end.0 - before.0).max(f64::MIN_POSITIVE);
        found.push(HoldTruth {
            start_s: first.time,
            duration_s: duration,
            load_kn: load / 1e3,
            slip_mm: (slip_at(1.0) - slip_at(0.0)) * 1e3,
            rate_mm_per_min: at_end * 60e3,
            creep_mm_per_decade: (slip_at(1.0) - slip_at(0.1)) * 1e3,
        });
    }
    found
}

/// The first hold at or above the allowed rate, with its load moved until its rate is the allowed one; everything
/// before it as it was in this pull.
fn moved_hold(s: &Scenario, view: &View<'_>, holds: &[HoldTruth], allowed: f64) -> Option<f64> {
    let above = holds
        .iter()
        .position(|h| h.rate_mm_per_min >= allowed * 60e3)?;
    // Without a hold below, the allowance was passed before the first hold: the record cannot show where.
    holds.get(above.checked_sub(1)?)?;
    let hold = holds.get(above)?;
    let step = view
        .course
        .instants
        .iter()
        .find(|i| i.time >= hold.start_s)?
        .step;
    let before = during(view.course, step.checked_sub(2)?).last()?;
    let ramp = match s.schedule.get(step - 1) {
        Some(Step::Ramp { rate, .. }) => *rate,
        _ => return None,
    };
    let rate = |load| {
        let so_far = (view.progressive)(before);
        rate_in_hold(view.law, load, (before.load, so_far), ramp, hold.duration_s)
    };
    load_at(before.load, 10.0 * s.asked.proof, allowed, rate)
}

/// Bisects for the load at which a rate that grows with load is the allowed one. A runaway has no finite rate and
/// counts as beyond.
fn load_at(mut low: f64, mut high: f64, allowed: f64, rate: impl Fn(f64) -> f64) -> Option<f64> {
    if rate(high) < allowed || rate(low) >= allowed {
        return None;
    }
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if rate(mid) < allowed {
            low = mid;
        } else {
            high = mid;
        }
    }
    Some(0.5 * (low + high))
}

/// Mean load and speed while the slip runs at more than half the ram's top speed, until the operator lets go; what lies
/// between two runs is none of it.
fn running(s: &Scenario, view: &View<'_>) -> Option<(f64, f64)> {
    let stop = view.course.stopped_at?;
    let end = view.course.instants.partition_point(|i| i.time <= stop);
    let (mut load, mut slid, mut time, mut n) = (0.0, 0.0, 0.0, 0_u32);
    for w in view.course.instants.get(..end)?.windows(2) {
        let slips = (view.progressive)(&w[1]) - (view.progressive)(&w[0]);
        let takes = w[1].time - w[0].time;
        if slips > 0.5 * s.rig.top_speed * takes {
            load += w[1].load;
            slid += slips;
            time += takes;
            n += 1;
        }
    }
    if slid < 10e-3 || view.jumps {
        return None;
    }
    Some((load / f64::from(n), slid / time))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{Grade, Kind, run};

    /// The exponential law without hardening can be inverted by hand: F = load + scale·ln(allowed/speed).
    #[test]
    fn the_law_is_inverted_as_by_hand() {
        let law = SlipLaw::Exponential {
            speed: 2e-5,
            load: 4e3,
            scale: 300.0,
            hardening: 0.0,
        };
        let s = Kind::SteppedHolds.scenario(Grade::Good, 1);
        let found = hold_at_rate(law, &s, 200.0, 1e-5).unwrap();
        assert!((found - (4e3 - 300.0 * 2f64.ln())).abs() < 0.1, "{found}");
        // On a ramp of rate r the slip is speed·scale/r·e^((F − load)/scale).
        let first = ramp_to(law, 300.0, 200.0, 1e-4).unwrap();
        let by_hand = 4e3 + 300.0 * (1e-4f64 * 200.0 / (2e-5 * 300.0)).ln();
        assert!((first - by_hand).abs() < 2.0, "{first} {by_hand}");
    }

    #[test]
    fn stepped_holds_and_law_agree_without_hardening() {
        let mut compared = 0;
        for seed in 1..=60 {
            let s = run(&Kind::SteppedHolds.scenario(Grade::Good, seed), seed);
            let t = &s.limits.stopper;
            let (Some(pull), Some(law)) = (t.allowance_rate, t.allowance_rate_by_law) else {
                continue;
            };
            // The law alone ramps afresh and holds 45 s, this pull goes on from its last hold and holds 40 s.
            assert!(
                (pull.load_kn / law.load_kn - 1.0).abs() < 1e-3,
                "{seed}: {pull:?} {law:?}"
            );
            compared += 1;
        }
        assert!(compared >= 20, "only {compared} pulls had a limit");
    }

    /// It runs in a hold at 2.6 kN, is eased, and runs again on the next ramp: the eased line in between ran at no load.
    #[test]
    fn two_runs_have_nothing_between_them() {
        let mut scenario = Kind::RunOut.scenario(Grade::Good, 19);
        scenario.instruments.logger.rate = 10.0;
        let pull = run(&scenario, 19);
        let running = pull.limits.stopper.running.unwrap();
        let load = running.load.load_kn;
        assert!((2.5..2.7).contains(&load), "{load} kN");
    }

    #[test]
    fn a_line_that_holds_has_no_limit() {
        let s = run(&Kind::Halyard.scenario(Grade::Good, 1), 1);
        assert!(s.limits.stopper.first_slip.is_none() && s.limits.cover.first_slip.is_none());
        assert!(s.limits.stopper.holds.iter().all(|h| h.slip_mm == 0.0));
    }
}
