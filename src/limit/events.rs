//! Jumps of stick-slip: when, from which load to which, how far.
//!
//! A jump is a fall of the load within a few entries that is far outside its noise, and with it a step forward of the
//! gauge that watches an interface (when a winch eases, the gauges go back): the tail mark, else the mark at the mouth, for
//! the stopper; the core draw-in, else the travel together with the line's springing back, for the cover. Without such a
//! gauge no interface is named and no jump is reported. Size to be expected for a stick-slip of a line of stiffness k: 2(F_s − F_k)/k.

use std::collections::VecDeque;

use super::load::LoadErrors;
use super::{Interface, LimitInputs, SlipEvent, StickSlip};
use crate::condition::{Conditioned, Signal};
use crate::ingest::GaugeKind;
use crate::phases::{Phase, PhaseKind};
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, mean_of_few, quantile};

/// A jump is over within so many entries, or within this time, s, whichever is longer.
const ENTRIES: usize = 4;
const SECONDS: f64 = 0.25;
/// Most of the fall comes within two entries, or within this time, s: a load that falls while the line runs through
/// falls evenly.
const SHARP: (f64, usize, f64) = (0.6, 2, 0.1);
/// After a jump the load falls no further: within this time, s, or that of the jump, by less than this share of the jump. Nor
/// did it fall before, in the time of a jump: else it falls evenly while the line runs through.
const OVER: (f64, f64) = (0.3, 0.5);
/// Fall of load in standard deviations of its noise.
const FALL: f64 = 8.0;
/// Fall as a share of the load.
const SHARE: f64 = 0.01;
/// At a jump the travel stands: it goes back by less than this share of what the line springs back.
const BACK_SHARE: f64 = 0.25;
/// A line is taut from this multiple of its pre-tension.
const TAUT: f64 = 1.5;
/// Step of a gauge in standard deviations of its noise.
const STEP: f64 = 6.0;
/// Most events kept; a longer list is a run-out.
const MOST: usize = 2000;

pub(super) fn find(inputs: &LimitInputs) -> Vec<SlipEvent> {
    let record = inputs.conditioned;
    let load = &record.load.values;
    let dwelt = dwell(inputs).map_or(0, |p| p.end);
    let ahead = Ahead::of(record);
    let mut events = Vec::new();
    let mut i = dwelt;
    while i + 1 < load.len() && events.len() < MOST {
        let Some((peak, trough)) = fall(record, &ahead, i) else {
            i += 1;
            continue;
        };
        if let Some((interface, size)) = jump(inputs, peak, trough) {
            // It let go somewhere between the two entries.
            events.push(SlipEvent {
                interface,
                time_s: 0.5 * (record.time_s[peak] + record.time_s[peak + 1]),
                peak_kn: load[peak] / 1e3,
                trough_kn: load[trough] / 1e3,
                size_mm: size * 1e3,
            });
        }
        i = trough.max(i + 1);
    }
    events
}

/// The first dwell.
fn dwell<'a>(inputs: &LimitInputs<'a>) -> Option<&'a Phase> {
    let mut phases = inputs.phases.iter();
    phases.find(|p| p.kind == PhaseKind::Reference)
}

/// Where the load is lowest soon after each entry.
struct Ahead {
    /// While a jump may last.
    jump: Vec<Option<usize>>,
    /// While the most of its fall must come.
    sharp: Vec<Option<usize>>,
    /// While it may fall no further.
    over: Vec<Option<usize>>,
}

impl Ahead {
    fn of(record: &Conditioned) -> Self {
        let within = |entries, seconds| {
            lowest_ahead(&record.load.values, |from, to| {
                to <= from + entries || record.time_s[to] <= record.time_s[from] + seconds
            })
        };
        let (_, entries, seconds) = SHARP;
        Self {
            jump: within(ENTRIES, SECONDS),
            sharp: within(entries, seconds),
            over: within(0, OVER.0),
        }
    }
}

/// Of each entry the first of the lowest finite ones behind it that are still soon: one pass, however many are soon.
fn lowest_ahead(load: &[f64], soon: impl Fn(usize, usize) -> bool) -> Vec<Option<usize>> {
    // Entries that are lower than all between them and the end of the span, so the first of these is the lowest.
    let mut lower = VecDeque::new();
    let mut end = 0;
    (0..load.len())
        .map(|from| {
            while end < load.len() && (end <= from || soon(from, end)) {
                if load[end].is_finite() {
                    while lower
                        .back()
                        .is_some_and(|last: &usize| load[*last] > load[end])
                    {
                        lower.pop_back();
                    }
                    lower.push_back(end);
                }
                end += 1;
            }
            while lower.front().is_some_and(|first| *first <= from) {
                lower.pop_front();
            }
            lower.front().copied()
        })
        .collect()
}

/// Peak and trough of a fall that begins within the next entries after `i`, if one does.
fn fall(record: &Conditioned, ahead: &Ahead, i: usize) -> Option<(usize, usize)> {
    let load = &record.load.values;
    if !load[i].is_finite() {
        return None;
    }
    let seen = ahead.jump[i]?;
    if load[i] - load[seen] <= (FALL * record.load.noise).max(SHARE * load[i].abs()) {
        return None;
    }
    let peak = (i..seen)
        .filter(|j| load[*j].is_finite())
        .max_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    let trough = ahead.jump[peak]?;
    let fell = load[peak] - load[trough];
    let (share, entries, seconds) = SHARP;
    let sharp = (peak..trough).any(|from| {
        let reached =
            trough <= from + entries || record.time_s[trough] <= record.time_s[from] + seconds;
        let to = if reached {
            Some(trough)
        } else {
            ahead.sharp[from]
        };
        to.is_some_and(|to| load[from] - load[to] >= share * fell)
    });
    let takes = trough - peak;
    let before = &load[peak.saturating_sub(takes)..peak];
    let after = &load[trough..load.len().min(trough + takes + 1)];
    let stood = !before.iter().any(|l| l - load[peak] > OVER.1 * fell);
    let ends = ahead.over[trough].is_none_or(|j| load[trough] - load[j] <= OVER.1 * fell)
        && !after.iter().any(|l| load[trough] - l > OVER.1 * fell);
    (sharp && stood && ends).then_some((peak, trough))
}

/// Which interface jumped, and how far.
fn jump(inputs: &LimitInputs, peak: usize, trough: usize) -> Option<(Interface, f64)> {
    let gauge = |kind: GaugeKind| inputs.conditioned.gauge(kind);
    let moved = |signal: &Signal| {
        let step = signal.values.get(trough)? - signal.values.get(peak)?;
        step.is_finite().then_some(step)
    };
    let jumped = |kind: GaugeKind| {
        let signal = gauge(kind)?;
        moved(signal).filter(|step| *step > STEP * signal.noise.max(signal.step))
    };
    let load = &inputs.conditioned.load.values;
    let travel = gauge(GaugeKind::Travel).and_then(|t| Some((moved(t)?, t.noise.max(t.step))));
    let springs_back = compliance(inputs, load[peak]).map(|c| c * (load[peak] - load[trough]));
    // A winch that eases takes the travel back.
    if let (Some((travel, noise)), Some(springs_back)) = (travel, springs_back)
        && travel < -(BACK_SHARE * springs_back).max(noise)
    {
        return None;
    }
    // A winch that lets the stopper take over loads it: jaws that bite then do not jump.
    let taken_over = gauge(GaugeKind::TailLoad)
        .and_then(moved)
        .is_some_and(|tail| -tail > load[peak] - load[trough]);
    if taken_over {
        return None;
    }
    if let Some(size) = jumped(GaugeKind::Tail).or_else(|| jumped(GaugeKind::Mark)) {
        return Some((Interface::Stopper, size));
    }
    if let Some(size) = jumped(GaugeKind::Core) {
        return Some((Interface::Cover, size));
    }
    // Without a gauge at the stopper it may as well have been the stopper. A core that stood still jumped only where the tail
    // may swallow what the cover makes.
    gauge(GaugeKind::Tail).or_else(|| gauge(GaugeKind::Mark))?;
    let stores = inputs.sheet.line.tail_stores.is_none_or(|s| s.si() > 0.0);
    if gauge(GaugeKind::Core).is_some() && !stores {
        return None;
    }
    // Near pre-tension the line is soft, and what it springs back is a guess.
    if load[trough] <= TAUT * dwell(inputs)?.load_end_n {
        return None;
    }
    let ((travel, noise), springs_back) = (travel?, springs_back?);
    let size = travel + springs_back;
    (size > STEP * noise).then_some((Interface::Cover, size))
}

/// Fewest jumps of an interface that make stick-slip of it.
pub(super) const SERIES: usize = 3;

/// Peaks, troughs and sizes of the interfaces that moved in jumps.
pub(super) fn summary(inputs: &LimitInputs, events: &[SlipEvent]) -> Vec<StickSlip> {
    [Interface::Stopper, Interface::Cover]
        .into_iter()
        .filter_map(|interface| stick_slip(inputs, events, interface))
        .collect()
}

fn stick_slip(
    inputs: &LimitInputs,
    events: &[SlipEvent],
    interface: Interface,
) -> Option<StickSlip> {
    let own: Vec<&SlipEvent> = events.iter().filter(|e| e.interface == interface).collect();
    if own.len() < SERIES {
        return None;
    }
    let errors = LoadErrors::of(inputs.conditioned);
    let load = |of: fn(&SlipEvent) -> f64, method: &str| {
        let values: Vec<f64> = own.iter().map(|e| of(e)).collect();
        let (mean, error) = mean_of_few(&values);
        errors.limit(1e3 * mean, 1e3 * error, Some(1e3 * error), method)
    };
    let sizes: Vec<f64> = own.iter().map(|e| 1e-3 * e.size_mm).collect();
    let expected: Option<Vec<f64>> = own
        .iter()
        .map(|e| Some(1e3 * (e.peak_kn - e.trough_kn) * compliance(inputs, 1e3 * e.peak_kn)?))
        .collect();
    let length = |values: &[f64], method: &str| {
        let (mean, error) = mean_of_few(values);
        let half = quantile::normal(0.5 + 0.5 * LEVEL) * error;
        let low = (mean - half).max(0.0);
        Estimate::measured(Measure::Length, mean, error, low, mean + half, method)
    };
    Some(StickSlip {
        interface,
        jumps: own.len(),
        peak: load(|e| e.peak_kn, "mean load just before the jumps"),
        trough: load(|e| e.trough_kn, "mean load just after the jumps"),
        size: length(&sizes, "mean step of the gauge at the jumps"),
        expected_size: match expected {
            Some(sizes) => length(
                &sizes,
                "fall of the load at the jumps over the stiffness of the line, 2(Fs − Fk)/k",
            ),
            None => Estimate::cannot_tell(
                Measure::Length,
                "without the line's stretch curve its stiffness is not known",
            ),
        },
    })
}

/// Stretch per newton of the whole gauge length near a load, m/N, from the unloading curve found.
fn compliance(inputs: &LimitInputs, load: f64) -> Option<f64> {
    let curve = inputs.separated.stretch_curve.as_ref()?;
    let n = curve.load_kn.len().min(curve.unloading_mm.len());
    let i = (1..n)
        .find(|i| curve.load_kn[*i] * 1e3 >= load)
        .or((n > 1).then_some(n - 1))?;
    let slope = (curve.unloading_mm[i] - curve.unloading_mm[i - 1])
        / (curve.load_kn[i] - curve.load_kn[i - 1])
        * 1e-6;
    (slope.is_finite() && slope >= 0.0).then_some(slope)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    proptest! {
        /// One pass finds what looking at every entry of every span finds.
        #[test]
        fn the_lowest_ahead_is_the_lowest_of_all_that_are_soon(
            load in prop::collection::vec(prop_oneof![9 => (0..20).prop_map(f64::from), 1 => Just(f64::NAN)], 0..60),
            steps in prop::collection::vec(1..30_u32, 60),
            entries in 0..5_usize,
            span in 0..60_u32,
        ) {
            let time: Vec<u32> = steps.iter().scan(0, |t, s| { *t += s; Some(*t) }).collect();
            let soon = |from: usize, to: usize| to <= from + entries || time[to] <= time[from] + span;
            let found = super::lowest_ahead(&load, soon);
            let looked: Vec<Option<usize>> = (0..load.len())
                .map(|from| {
                    (from + 1..load.len())
                        .take_while(|to| soon(from, *to))
                        .filter(|to| load[*to].is_finite())
                        .min_by(|a, b| load[*a].total_cmp(&load[*b]))
                })
                .collect();
            prop_assert_eq!(found, looked);
        }
    }
}
