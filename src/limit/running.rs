//! Running load: the mean load at the stated speed while the line runs through; with stick-slip the middle of its peaks
//! and troughs.
//!
//! Taken over the run-out phases from the entries of the record; neighbours are not independent, so the standard error
//! counts their correlation. A line that takes the load with it as it lets go has no such mean: the load at which it let go and
//! the lowest while it ran bracket it. An interface runs where its own slip makes
//! up half the shortest run or more. One that slid far in a hold, slower than the puller, neither carried that load nor ran.

use super::course::{Known, Slip};
use super::events::SERIES;
use super::load::LoadErrors;
use super::{AtRate, LimitFigure, LimitInputs, SlipEvent};
use crate::caveat::{Caveat, Weight};
use crate::phases::{Phase, PhaseKind};
use crate::sheet::Rule;
use crate::stats::{Estimate, Measure, autocorrelation, mean_of_few};

/// A run in which the load falls by more than this share, from its first fifth to its last, has no plateau.
const FALLEN: f64 = 0.15;
/// Points that a plateau is thinned to.
const PLATEAU_POINTS: usize = 2000;
/// Slip within a run-out below which this interface did not run, m: half the shortest run.
const RAN: f64 = 5e-3;
/// Slip within a hold from which the line cannot be said to have carried the load, m (common practice, no source).
const CRAWLED: f64 = 10e-3;

pub(super) fn figure(inputs: &LimitInputs, slip: &Slip) -> LimitFigure {
    let (load, rate) = if slip.jumps.len() >= SERIES {
        by_jumps(inputs, &slip.jumps)
    } else {
        running(inputs, slip)
    };
    LimitFigure {
        load,
        rule: Rule::Running,
        interface: slip.interface,
        reached_by: None,
        rate,
        bend: None,
    }
}

fn running(inputs: &LimitInputs, slip: &Slip) -> (Estimate, AtRate) {
    let cannot = |reason: &str| {
        (
            Estimate::cannot_tell(Measure::Force, reason),
            AtRate::default(),
        )
    };
    let errors = LoadErrors::of(inputs.conditioned);
    let method = "mean load while the line runs through";
    let runs: Vec<&Phase> = run_outs(inputs).collect();
    if runs.is_empty() {
        let top = highest(inputs);
        return if let Some(reason) = crawled(inputs, slip) {
            cannot(&reason)
        } else if top > 0.0 {
            let reason = format!("carried {:.2} kN without running through", top / 1e3);
            (errors.not_reached(top, method, reason), AtRate::default())
        } else {
            cannot("no load in the record")
        };
    }
    if let Some(reason) = &slip.absent {
        return cannot(reason);
    }
    if slip.known == Known::AtMost {
        return cannot("something ran through, but no gauge shows which interface");
    }
    let mut means = Vec::new();
    let mut speeds = Vec::new();
    let mut fallen = Vec::new();
    for phase in &runs {
        let Some((moved, time)) = moved(slip, phase) else {
            continue;
        };
        if moved < RAN {
            continue;
        }
        if let Some(mean) = plateau(inputs, phase) {
            means.push(mean);
            speeds.push((moved, time));
            fallen.extend(falling(inputs, phase));
        }
    }
    if means.is_empty() {
        if let Some(reason) = crawled(inputs, slip) {
            return cannot(&reason);
        }
        let top = highest(inputs);
        let reason = format!(
            "did not run through up to {:.2} kN; the other interface did",
            top / 1e3
        );
        return (errors.not_reached(top, method, reason), AtRate::default());
    }
    let within = means.iter().map(|(_, e)| e * e).sum::<f64>().sqrt() / means.len() as f64;
    let loads: Vec<f64> = means.iter().map(|(load, _)| *load).collect();
    let (mean, between) = over_runs(&loads);
    // Several run-outs of one pull scatter more than each within itself.
    let error = if loads.len() > 1 {
        within.max(between)
    } else {
        within
    };
    let (moved, time) = speeds
        .iter()
        .fold((0.0, 0.0), |s, m| (s.0 + m.0, s.1 + m.1));
    let rate = AtRate {
        speed_mm_per_min: Some(moved / time * 6e4),
        ..AtRate::default()
    };
    if !fallen.is_empty() {
        let ends = fallen
            .iter()
            .flat_map(|(low, high)| [*low, *high])
            .chain(loads);
        let (low, high) = crate::condition::range_of(&ends.collect::<Vec<f64>>());
        let reason = "the load fell while the line ran: there is no plateau";
        return (errors.bracket(low, Some(high), method, reason), rate);
    }
    (errors.limit(mean, error, Some(error), method), rate)
}

/// Lowest load of a run without a plateau, and the load at which it let go: the last peak before.
fn falling(inputs: &LimitInputs, phase: &Phase) -> Option<(f64, f64)> {
    let load = &inputs.conditioned.load;
    let values = loads_of(inputs, phase);
    let fifth = values.len().div_ceil(5);
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len().max(1) as f64;
    let (begins, ends) = (
        mean(&values[..fifth]),
        mean(&values[values.len() - fifth..]),
    );
    if begins - ends <= FALLEN * begins {
        return None;
    }
    let mut high = begins;
    for before in load.values[..phase.first].iter().rev() {
        if *before < high - 3.0 * load.noise {
            break;
        }
        high = high.max(*before);
    }
    Some((values.into_iter().fold(f64::INFINITY, f64::min), high))
}

/// Mean over run-outs and its standard error. Two say nothing of a scatter; each load between them is as good.
fn over_runs(loads: &[f64]) -> (f64, f64) {
    let (mean, error) = mean_of_few(loads);
    match loads {
        [one, other] => (mean, (one - other).abs() / 12f64.sqrt()),
        _ => (mean, error),
    }
}

/// A line that sticks and jumps: between jumps the load rises evenly from trough to peak, so its mean is their middle.
fn by_jumps(inputs: &LimitInputs, jumps: &[SlipEvent]) -> (Estimate, AtRate) {
    let middles: Vec<f64> = jumps
        .iter()
        .map(|e| 0.5e3 * (e.peak_kn + e.trough_kn))
        .collect();
    let (mean, error) = mean_of_few(&middles);
    let errors = LoadErrors::of(inputs.conditioned);
    let method = "middle of peaks and troughs, mean over the jumps";
    let mut load = errors.limit(mean, error, Some(error), method);
    load.reason = Some(format!("it went through in {} jumps", jumps.len()));
    (load, AtRate::default())
}

fn run_outs<'a>(inputs: &LimitInputs<'a>) -> impl Iterator<Item = &'a Phase> {
    inputs
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::RunOut && p.end_s > p.start_s)
}

fn highest(inputs: &LimitInputs) -> f64 {
    inputs
        .separated
        .blocks
        .load_n
        .iter()
        .copied()
        .filter(|l| l.is_finite())
        .fold(0.0, f64::max)
}

/// Says where the slip of a hold was that of no line that carried its load.
fn crawled(inputs: &LimitInputs, slip: &Slip) -> Option<String> {
    if slip.known == Known::AtMost {
        return None;
    }
    let holds = inputs
        .phases
        .iter()
        .filter(|p| matches!(p.kind, PhaseKind::Hold | PhaseKind::LockedHold));
    let (phase, way, time) = holds
        .filter_map(|p| moved(slip, p).map(|(way, time)| (p, way, time)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, way, _)| *way >= CRAWLED)?;
    Some(format!(
        "slid {:.0} mm in the hold at {:.2} kN, {:.0} mm per minute: it neither carried that load nor ran with the puller",
        way * 1e3,
        phase.load_start_n / 1e3,
        way / time * 6e4
    ))
}

/// Slip within the phase and the time it took, between the first and the last block inside.
fn moved(slip: &Slip, phase: &Phase) -> Option<(f64, f64)> {
    let inside: Vec<usize> = (0..slip.block.len())
        .filter(|i| slip.time[*i] >= phase.start_s && slip.time[*i] <= phase.end_s)
        .collect();
    let (first, last) = (*inside.first()?, *inside.last()?);
    let time = slip.time[last] - slip.time[first];
    (time > 0.0).then(|| (slip.value[last] - slip.value[first], time))
}

/// Loads that were read within the phase.
fn loads_of(inputs: &LimitInputs, phase: &Phase) -> Vec<f64> {
    let all = &inputs.conditioned.load.values;
    let within = all.get(phase.first..phase.end.min(all.len()));
    let read = within.unwrap_or_default().iter().copied();
    read.filter(|v| v.is_finite()).collect()
}

/// Mean load of the phase and its standard error.
fn plateau(inputs: &LimitInputs, phase: &Phase) -> Option<(f64, f64)> {
    let values = loads_of(inputs, phase);
    // Correlation is looked for among at most this many neighbours; a longer run is averaged first.
    let size = values.len().div_ceil(PLATEAU_POINTS).max(1);
    let means: Vec<f64> = values
        .chunks_exact(size)
        .map(|c| c.iter().sum::<f64>() / size as f64)
        .collect();
    autocorrelation::mean(&means)
}

/// Running loads that fall from one run-out to the next: the cover is being cut.
pub(super) fn wear(inputs: &LimitInputs) -> Option<Caveat> {
    let means: Vec<(f64, f64)> = run_outs(inputs)
        .filter_map(|p| plateau(inputs, p))
        .collect();
    let (first, last) = (means.first()?, means.last()?);
    if means.len() < 2 || first.0 - last.0 <= 3.0 * first.1.hypot(last.1) {
        return None;
    }
    Some(Caveat::new(
        "running-load-falls",
        Weight::Caution,
        format!(
            "The running load fell from {:.2} to {:.2} kN over {} run-outs: the cover is polished or cut.",
            first.0 / 1e3,
            last.0 / 1e3,
            means.len()
        ),
        "Look at the held length; a limit found after the first run-out is that of a worn line.",
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rectangular between the two, 200/√12; with three the scatter speaks.
    #[test]
    fn two_run_outs_bound_a_load() {
        let (mean, error) = over_runs(&[4900.0, 5100.0]);
        assert!(
            (mean - 5000.0).abs() < 1e-9 && (error - 57.735).abs() < 1e-3,
            "{error}"
        );
        let three = [4900.0, 5000.0, 5100.0];
        assert_eq!(over_runs(&three), mean_of_few(&three));
    }
}
