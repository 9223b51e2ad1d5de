//! Jumps of stick-slip: when, from which load to which, how far.
//!
//! A jump is a fall of the load within a few entries that is far outside its noise, while the winch was not easing, and
//! with it a step of the gauge that watches an interface: the tail mark, else the mark at the mouth, for the stopper; the
//! travel gauge together with the line's springing back for the cover. Without such a gauge no interface is named and no
//! jump is reported. Size to be expected for a stick-slip of a line of stiffness k: 2(F_s − F_k)/k.

use super::course::{Known, Slip};
use super::{Interface, LimitInputs, SlipEvent};
use crate::condition::Signal;
use crate::ingest::GaugeKind;
use crate::phases::PhaseKind;

/// Entries within which a jump happens.
const ENTRIES: usize = 4;
/// Fall of load in standard deviations of its noise.
const FALL: f64 = 8.0;
/// Fall as a share of the load.
const SHARE: f64 = 0.01;
/// Step of a gauge in standard deviations of its noise.
const STEP: f64 = 6.0;
/// Most events kept; a longer list is a run-out.
const MOST: usize = 2000;

pub(super) fn find(inputs: &LimitInputs, slips: &[Slip]) -> Vec<SlipEvent> {
    let record = inputs.conditioned;
    let load = &record.load.values;
    let mut events = Vec::new();
    for phase in inputs.phases.iter().filter(|p| {
        matches!(
            p.kind,
            PhaseKind::Ramp | PhaseKind::Hold | PhaseKind::LockedHold | PhaseKind::RunOut
        )
    }) {
        let end = phase.end.min(load.len());
        let mut i = phase.first;
        while i + 1 < end && events.len() < MOST {
            let Some((peak, trough)) = fall(load, record.load.noise, i, end) else {
                i += 1;
                continue;
            };
            if let Some((interface, size)) = jump(inputs, slips, peak, trough) {
                events.push(SlipEvent {
                    interface,
                    time_s: record.time_s.get(peak).copied().unwrap_or(phase.start_s),
                    peak_kn: load[peak] / 1e3,
                    trough_kn: load[trough] / 1e3,
                    size_mm: size * 1e3,
                });
            }
            i = trough.max(i + 1);
        }
    }
    events
}

/// Peak and trough of a fall that starts at entry `i`, if one does.
fn fall(load: &[f64], noise: f64, i: usize, end: usize) -> Option<(usize, usize)> {
    let last = (i + ENTRIES).min(end - 1);
    let least = (FALL * noise).max(SHARE * load[i].abs());
    let trough = (i + 1..=last)
        .filter(|j| load[*j].is_finite())
        .min_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    (load[i].is_finite() && load[i] - load[trough] > least && load[i + 1] <= load[i])
        .then_some((i, trough))
}

/// Which interface jumped, and how far.
fn jump(
    inputs: &LimitInputs,
    slips: &[Slip],
    peak: usize,
    trough: usize,
) -> Option<(Interface, f64)> {
    let known = |interface: Interface| {
        slips
            .iter()
            .any(|s| s.interface == interface && s.absent.is_none() && s.known == Known::Value)
    };
    let gauge = |kind: GaugeKind| inputs.conditioned.gauge(kind);
    let step = |signal: &Signal| {
        let (before, after) = (signal.values.get(peak)?, signal.values.get(trough)?);
        let step = after - before;
        step.is_finite()
            .then_some((step, step > STEP * signal.noise.max(signal.step)))
    };
    let stopper = gauge(GaugeKind::Tail)
        .or_else(|| gauge(GaugeKind::Mark))
        .and_then(step);
    if known(Interface::Stopper)
        && let Some((size, true)) = stopper
    {
        return Some((Interface::Stopper, size));
    }
    if known(Interface::Cover) && stopper.is_some() {
        let travel = gauge(GaugeKind::Travel)?;
        let (moved, _) = step(travel)?;
        let fallen = inputs.conditioned.load.values[peak] - inputs.conditioned.load.values[trough];
        let size = moved + fallen * compliance(inputs, inputs.conditioned.load.values[peak])?;
        if size > STEP * travel.noise.max(travel.step) {
            return Some((Interface::Cover, size));
        }
    }
    None
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
