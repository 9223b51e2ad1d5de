//! Transfer from winch to stopper, and the cross-check of the set-up by the apparent free length.

use super::course::{Known, Slip};
use super::holds::gauge_gain;
use super::{FreeLengthCheck, LimitInputs, Transfer};
use crate::ingest::GaugeKind;
use crate::phases::PhaseKind;
use crate::stats::coverage::half_width;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure};

/// A reading that comes earlier by this share still counts as the one after 10 s or 10 min, and how far it keeps from the
/// next move of the winch, s.
const EARLY_SHARE: f64 = 0.02;
const CLEAR_S: f64 = 0.5;

/// The first transfer of the record: tension before easing the winch, 10 s and 10 min after its start, slip meanwhile.
pub(super) fn transfer(inputs: &LimitInputs, slip: &Slip) -> Option<Transfer> {
    let phase = inputs
        .phases
        .iter()
        .find(|p| p.kind == PhaseKind::Transfer)?;
    let record = inputs.conditioned;
    // Mean of a few entries on either side of a moment, none from the other side of the phase's start.
    let load_about = |time: f64, first: usize| {
        let at = record.time_s.partition_point(|t| *t < time);
        if at >= record.time_s.len() {
            return None;
        }
        let around = at.saturating_sub(2).max(first)..(at + 3).min(record.load.values.len());
        let values: Vec<f64> = record
            .load
            .values
            .get(around)?
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64 / 1e3)
    };
    let before: Vec<f64> = record
        .load
        .values
        .get(phase.first.saturating_sub(5)..phase.first)
        .unwrap_or_default()
        .iter()
        .copied()
        .filter(|v| v.is_finite())
        .collect();
    let before_kn = if before.is_empty() {
        phase.load_start_n / 1e3
    } else {
        before.iter().sum::<f64>() / before.len() as f64 / 1e3
    };
    // A figure of 10 min after holds only if nobody took the load off meanwhile.
    let disturbed = inputs
        .phases
        .iter()
        .filter(|p| p.start_s >= phase.end_s)
        .find(|p| {
            matches!(
                p.kind,
                PhaseKind::Ramp | PhaseKind::Unload | PhaseKind::Transfer
            )
        })
        .map_or(f64::INFINITY, |p| p.start_s);
    let after = |seconds: f64| {
        let time = phase.start_s + seconds;
        if time > disturbed + EARLY_SHARE * seconds {
            return None;
        }
        load_about(time.min(disturbed - CLEAR_S), phase.first)
    };
    Some(Transfer {
        before_kn,
        after_10_s_kn: after(10.0),
        after_10_min_kn: after(600.0),
        slip: slip_between(
            inputs,
            slip,
            phase.start_s,
            (phase.start_s + 10.0).max(phase.end_s).min(disturbed),
        ),
    })
}

/// Slip from just before `from` to just after `to`.
fn slip_between(inputs: &LimitInputs, slip: &Slip, from: f64, to: f64) -> Estimate {
    if let Some(reason) = &slip.absent {
        return Estimate::cannot_tell(Measure::Length, reason.clone());
    }
    if slip.known == Known::AtMost {
        return Estimate::cannot_tell(
            Measure::Length,
            "stopper slip is not measured: a mark on the cover or on the tail would show it",
        );
    }
    let first = slip.time.iter().rposition(|t| *t < from);
    let last = slip
        .time
        .iter()
        .position(|t| *t >= to)
        .or(slip.time.len().checked_sub(1));
    let (Some(first), Some(last)) = (first, last) else {
        return Estimate::cannot_tell(
            Measure::Length,
            "no block of the record lies before the transfer",
        );
    };
    if last <= first {
        return Estimate::cannot_tell(Measure::Length, "the record ends with the transfer");
    }
    let method = "difference of stopper slip over the transfer";
    if slip.known == Known::Bracket {
        let change = |list: &[f64]| list[last] - list[first];
        let (a, b) = (change(&slip.low), change(&slip.high));
        return Estimate::bracket(
            Measure::Length,
            a.min(b).max(0.0),
            a.max(b).max(0.0),
            method,
            "the gauges bracket this slip",
        );
    }
    let value = slip.value[last] - slip.value[first];
    let normal = slip.noise[first]
        .hypot(slip.noise[last])
        .hypot(slip.opening(first, last));
    let gain = gauge_gain(inputs) * value.abs();
    let half = half_width(normal, &[gain], LEVEL);
    let standard = normal.hypot(gain / 3f64.sqrt());
    if value - half <= 0.0 {
        return Estimate::at_most(
            Measure::Length,
            value.max(0.0),
            standard,
            (value + half).max(0.0),
            method,
        );
    }
    Estimate::measured(
        Measure::Length,
        value,
        standard,
        value - half,
        value + half,
        method,
    )
}

/// Lower and upper accepted ratio of apparent to stated free length: ground-anchor practice (EN 1537), from memory.
const ACCEPTED: (f64, f64) = (0.8, 1.1);
/// How well a stretch curve of the sheet is known where it does not say.
const KNOWN_STRETCH: f64 = 0.03;

/// Apparent free length `L_app = s_e/strain` at the highest load over the stated length, the strain from the sheet's own
/// stretch rows or from a span gauge.
pub(super) fn free_length(inputs: &LimitInputs) -> Option<FreeLengthCheck> {
    let curve = inputs.separated.stretch_curve.as_ref()?;
    let length = inputs.sheet.line.free_length?.si();
    let (bottom, top) = (*curve.load_kn.first()? * 1e3, *curve.load_kn.last()? * 1e3);
    let stretch = (curve.unloading_mm.last()? - curve.unloading_mm.first()?) / 1e3;
    if length <= 0.0 || stretch <= 0.0 || top <= bottom {
        return None;
    }
    let (strain, error, how) =
        known_strain(inputs, bottom, top).or_else(|| span_strain(inputs, bottom, top))?;
    let ratio = stretch / (strain * length);
    if !ratio.is_finite() {
        return None;
    }
    let part = inputs
        .separated
        .parts
        .get(&crate::separate::PartName::Stretch);
    let of_stretch = part
        .and_then(|p| Some(p.end.standard_error? / stretch))
        .unwrap_or(0.0);
    let standard = ratio * error.hypot(of_stretch);
    let half = half_width(standard, &[], LEVEL);
    let (low, high) = (ratio - half, ratio + half);
    let meaning = if low > ACCEPTED.1 {
        "too long: the line is free further in than drawn, so the core slides in the jaws, or the stated length is wrong"
    } else if high < ACCEPTED.0 {
        "too short: friction before the jaws takes load off, or the stated length is wrong"
    } else if ratio > ACCEPTED.1 || ratio < ACCEPTED.0 {
        "outside what is accepted, but not surely"
    } else {
        ""
    };
    Some(FreeLengthCheck {
        ratio: Estimate::measured(
            Measure::Share,
            ratio,
            standard,
            low,
            high,
            format!("apparent free length over the stated one, {how}"),
        ),
        meaning: meaning.into(),
    })
}

/// Strain between two loads by the sheet's rows, its relative standard uncertainty, and the words.
fn known_strain(inputs: &LimitInputs, bottom: f64, top: f64) -> Option<(f64, f64, &'static str)> {
    let known = inputs.sheet.line.stretch.as_ref()?;
    let mut rows: Vec<(f64, f64)> = known
        .load
        .iter()
        .zip(&known.strain)
        .map(|(load, strain)| (load.si(), strain.si()))
        .collect();
    // The sheet counts strain from the first dwell.
    if let Some(dwell) = inputs
        .phases
        .iter()
        .find(|p| p.kind == PhaseKind::Reference)
        .map(|p| 0.5 * (p.load_start_n + p.load_end_n))
        && rows.first().is_some_and(|first| dwell < first.0)
    {
        rows.insert(0, (dwell, 0.0));
    }
    let at = |load: f64| {
        let above = rows.iter().position(|(l, _)| *l >= load)?.max(1);
        let (a, b) = (rows[above - 1], *rows.get(above)?);
        Some(a.1 + (b.1 - a.1) * (load - a.0) / (b.0 - a.0))
    };
    let strain = at(top)? - at(bottom)?;
    let accuracy = known.accuracy.map_or(KNOWN_STRETCH, |a| a.si());
    (strain > 0.0).then_some((strain, accuracy, "strain from the sheet's stretch rows"))
}

/// Strain between two loads from the span gauge, on the way down from the highest load.
fn span_strain(inputs: &LimitInputs, bottom: f64, top: f64) -> Option<(f64, f64, &'static str)> {
    let gauge = inputs.conditioned.gauge(GaugeKind::Span)?;
    let distance = inputs.sheet.gauges.span.as_ref()?.distance?.si();
    let load = &inputs.conditioned.load.values;
    let peak = (0..load.len())
        .filter(|i| load[*i].is_finite())
        .max_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    let near = |wanted: f64, from: usize| {
        (from..load.len().min(gauge.values.len()))
            .filter(|i| load[*i].is_finite() && gauge.values[*i].is_finite())
            .min_by(|a, b| {
                (load[*a] - wanted)
                    .abs()
                    .total_cmp(&(load[*b] - wanted).abs())
            })
    };
    let (high, low) = (near(top, peak)?, near(bottom, peak)?);
    if (load[low] - bottom).abs() > 0.1 * (top - bottom) {
        return None;
    }
    let change = gauge.values[high] - gauge.values[low];
    let strain = change / distance;
    let error = (gauge.errors.gain / 3f64.sqrt()).hypot(2f64.sqrt() * gauge.noise / change.abs());
    (strain > 0.0 && error.is_finite()).then_some((strain, error, "strain from the span gauge"))
}
