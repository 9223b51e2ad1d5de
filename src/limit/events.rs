//! Jumps of stick-slip: when, from which load to which, how far.
//!
//! A jump is a fall of the load within a few entries that is far outside its noise, and with it a step forward of the
//! gauge that watches an interface (when a winch eases, the gauges go back): the tail mark, else the mark at the mouth, for
//! the stopper; the core draw-in, else the travel together with the line's springing back, for the cover. Without such a
//! gauge no interface is named and no jump is reported. Size to be expected for a stick-slip of a line of stiffness k: 2(F_s − F_k)/k.

use super::load::LoadErrors;
use super::{Interface, LimitInputs, SlipEvent, StickSlip};
use crate::condition::{Conditioned, Signal};
use crate::ingest::GaugeKind;
use crate::phases::PhaseKind;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, mean_of_few, quantile};

/// A jump is over within so many entries, or within this time, s, whichever is longer.
const ENTRIES: usize = 4;
const SECONDS: f64 = 0.25;
/// Most of the fall comes within two entries, or within this time, s: a load that falls while the line runs through
/// falls evenly.
const SHARP: (f64, usize, f64) = (0.6, 2, 0.1);
/// After a jump the load falls no further: within this time, s, by less than this share of the jump.
const OVER: (f64, f64) = (0.3, 0.5);
/// Fall of load in standard deviations of its noise.
const FALL: f64 = 8.0;
/// Fall as a share of the load.
const SHARE: f64 = 0.01;
/// At a jump the travel stands: it goes back by less than this share of what the line springs back.
const BACK_SHARE: f64 = 0.25;
/// Step of a gauge in standard deviations of its noise.
const STEP: f64 = 6.0;
/// Most events kept; a longer list is a run-out.
const MOST: usize = 2000;

pub(super) fn find(inputs: &LimitInputs) -> Vec<SlipEvent> {
    let record = inputs.conditioned;
    let load = &record.load.values;
    let dwelt = inputs
        .phases
        .iter()
        .find(|p| p.kind == PhaseKind::Reference)
        .map_or(0, |p| p.end);
    let mut events = Vec::new();
    let mut i = dwelt;
    while i + 1 < load.len() && events.len() < MOST {
        let Some((peak, trough)) = fall(record, i) else {
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

/// Peak and trough of a fall that begins within the next entries after `i`, if one does.
fn fall(record: &Conditioned, i: usize) -> Option<(usize, usize)> {
    let load = &record.load.values;
    let lowest_within = |from: usize| {
        let soon =
            |j: &usize| *j <= from + ENTRIES || record.time_s[*j] <= record.time_s[from] + SECONDS;
        (from + 1..load.len())
            .take_while(soon)
            .filter(|j| load[*j].is_finite())
            .min_by(|a, b| load[*a].total_cmp(&load[*b]))
    };
    let least = |from: usize| (FALL * record.load.noise).max(SHARE * load[from].abs());
    if !load[i].is_finite() {
        return None;
    }
    let seen = lowest_within(i)?;
    if load[i] - load[seen] <= least(i) {
        return None;
    }
    let peak = (i..seen).max_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    let trough = lowest_within(peak)?;
    let (share, entries, seconds) = SHARP;
    let sharp = (peak..trough).any(|from| {
        let soon = |to: &usize| {
            *to <= from + entries || record.time_s[*to] <= record.time_s[from] + seconds
        };
        (from + 1..=trough)
            .take_while(soon)
            .any(|to| load[from] - load[to] >= share * (load[peak] - load[trough]))
    });
    let ends = (trough + 1..load.len())
        .take_while(|j| record.time_s[*j] <= record.time_s[trough] + OVER.0)
        .all(|j| load[trough] - load[j] <= OVER.1 * (load[peak] - load[trough]));
    (sharp && ends).then_some((peak, trough))
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
    // Without a gauge at the stopper it may as well have been the stopper.
    gauge(GaugeKind::Tail).or_else(|| gauge(GaugeKind::Mark))?;
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
