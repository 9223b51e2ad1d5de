//! What the fitted parts leave unexplained, and the curves that follow from the fit.

use std::collections::BTreeMap;

use crate::caveat::{Caveat, Weight};
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::{PhaseKind, Phased};
use crate::separate::model::Balance;
use crate::separate::parts;
use crate::separate::{Closure, Part, PartName, StretchCurve};
use crate::sheet::Sheet;

/// A gauge closes badly when its residuals exceed what noise leaves by this factor.
const BAD_CLOSURE: f64 = 4.0;
/// ... and this share of its range.
const BAD_SHARE: f64 = 0.01;
/// It closes poorly from this factor on what noise of gauge and load leaves.
const POOR_CLOSURE: f64 = 5.0;
/// ... and this share of its range.
const POOR_SHARE: f64 = 0.001;
/// A load that falls below this share of the highest was eased.
const EASED_SHARE: f64 = 0.5;
/// A lag is worth a caveat from this many standard errors and seconds.
const LAG_SEEN: (f64, f64) = (4.0, 0.02);

/// Residuals per gauge; caveats for those that do not close.
pub(super) fn closure(
    balance: &Balance,
    record: &Conditioned,
    phased: &Phased,
    caveats: &mut Vec<Caveat>,
) -> Vec<Closure> {
    let residuals = balance.problem.residuals(&balance.fit);
    let mut out = Vec::new();
    for ((gauge, rows), residual) in balance
        .gauges
        .iter()
        .zip(&balance.problem.rows)
        .zip(residuals)
    {
        let reading = balance.readings.iter().find(|r| r.kind == *gauge);
        let pairs: Vec<(f64, f64)> = residual
            .iter()
            .enumerate()
            .filter(|(_, r)| r.is_finite())
            .map(|(k, r)| (r * r, reading.map_or(rows.variance[k], |x| x.variance[k])))
            .collect();
        let n = pairs.len().max(1) as f64;
        let rms = (pairs.iter().map(|p| p.0).sum::<f64>() / n).sqrt();
        let own = (pairs
            .iter()
            .map(|p| p.1)
            .filter(|v| v.is_finite())
            .sum::<f64>()
            / n)
            .sqrt();
        // Noise of the load moves the stretch that is taken from the travel; no gauge is to blame for it, so the caveat
        // does not count it.
        let expected = if *gauge == GaugeKind::Travel {
            let by_load = balance.load_in_stretch(record);
            own.hypot((by_load.iter().sum::<f64>() / by_load.len().max(1) as f64).sqrt())
        } else {
            own
        };
        let range = rows
            .reading
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .fold(0.0, |m: f64, v| m.max(v.abs()));
        if rms > BAD_CLOSURE * own && rms > BAD_SHARE * range {
            caveats.push(Caveat::new(
                "balance-does-not-close",
                Weight::NoVerdict,
                format!("The parts leave {rms:.2} mm of the {} gauge unexplained, where its noise would leave {own:.2} mm.", gauge.name()),
                "Check the gauge's unit, sign, place and what it is read against; look at the residual chart for the moment it departs.",
            ));
        } else if rms > POOR_CLOSURE * expected && rms > POOR_SHARE * range {
            caveats.push(Caveat::new(
                "balance-closes-poorly",
                Weight::Caution,
                format!(
                    "The parts leave {rms:.2} mm of the {} gauge unexplained, where noise would leave {expected:.2} mm: what it saw does not \
                     follow the shapes that the parts are taken to have. The intervals are widened by as much.",
                    gauge.words()
                ),
                "Look at the residual chart for where it departs; load the line in even ramps and holds, and bed it in before.",
            ));
        }
        let lag = balance.lags.iter().find(|(k, _, _)| k == gauge);
        if let Some((_, lag, se)) =
            lag.filter(|(_, lag, se)| lag.abs() > LAG_SEEN.0 * se && lag.abs() > LAG_SEEN.1)
        {
            caveats.push(Caveat::new(
                "gauge-lags",
                Weight::Note,
                format!("The {} gauge lags the load by {lag:.3} s (standard error {se:.3} s); taken out.", gauge.name()),
                "Set the same filter on all channels of the logger.",
            ));
        }
        let mut padded = vec![f64::NAN; balance.first_block];
        padded.extend(residual.iter().map(|r| 1e-3 * r));
        padded.resize(phased.blocks.len(), f64::NAN);
        out.push(Closure {
            gauge: *gauge,
            rms_mm: rms,
            expected_mm: expected,
            lag_s: lag.map(|l| l.1),
            residual_m: padded,
        });
    }
    out
}

/// A line that grows shorter under load: a gauge, its sign, its clock or the zero is not what the sheet says.
pub(super) fn shrinks(parts: &BTreeMap<PartName, Part>, phased: &Phased) -> Option<Caveat> {
    let course = parts.get(&PartName::Stretch)?.course.as_ref()?;
    let load = &phased.blocks.load_n;
    let top = (0..load.len()).max_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    let high = *course.high.get(top)?;
    (high < 0.0).then(|| {
        Caveat::new(
            "stretch-negative",
            Weight::NoVerdict,
            format!(
                "At the highest load the stretch would be {:.2} mm or less: no line grows shorter under load.",
                1e3 * high
            ),
            "Check the columns, signs and units of load and travel, that both run on one clock, and that the log begins before the load.",
        )
    })
}

/// Travel per block in m since the first dwell; NaN before it or where missing; empty without a travel gauge.
pub(super) fn travel(balance: &Balance, phased: &Phased) -> Vec<f64> {
    let Some(reading) = balance
        .readings
        .iter()
        .find(|r| r.kind == GaugeKind::Travel)
    else {
        return Vec::new();
    };
    let mut out = vec![f64::NAN; balance.first_block];
    out.extend(reading.mean.iter().map(|m| 1e-3 * m));
    out.resize(phased.blocks.len(), f64::NAN);
    out
}

/// Points of a stretch curve.
const CURVE_POINTS: usize = 40;

/// Stretch against load on the last way up to the peak and on the way down from it, from the fitted shapes over the
/// blocks: what the line did, not a formula carried further.
pub(super) fn stretch_curve(
    balance: &Balance,
    phased: &Phased,
    sheet: &Sheet,
) -> Option<StretchCurve> {
    if balance.stretch.weights.is_empty() || !parts::curve_is_known(phased) {
        return None;
    }
    let used = balance.first_block..balance.first_block + balance.problem.blocks;
    let load = &phased.blocks.load_n[used.clone()];
    let kind = &phased.blocks.phase[used];
    let stretch = balance.value_of(&[&balance.stretch]);
    let top = (0..load.len()).max_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    // Down from the peak: to the lowest load before it rises again.
    let bottom = (top..load.len())
        .take_while(|k| *k == top || kind[*k] != PhaseKind::Ramp)
        .min_by(|a, b| load[*a].total_cmp(&load[*b]))?;
    // Up to it: from the lowest load since the line was last eased; a jump of stick-slip is no easing.
    let eased = |k: usize| kind[k] == PhaseKind::Unload && load[k] < EASED_SHARE * load[top];
    let start = (0..top)
        .rev()
        .take_while(|k| !eased(*k))
        .min_by(|a, b| load[*a].total_cmp(&load[*b]))
        .unwrap_or(0);
    let low = load[bottom].max(load[start]);
    if load[top] - low < 0.1 * phased.peak_n {
        return None;
    }
    let down = monotone((top..=bottom).rev().map(|k| (load[k], stretch[k])));
    let up = monotone((start..=top).map(|k| (load[k], stretch[k])));
    let mut curve = StretchCurve {
        free_length_mm: sheet.line.free_length.map(|l| 1e3 * l.si()),
        ..StretchCurve::default()
    };
    for i in 0..CURVE_POINTS {
        let f = low + (load[top] - low) * i as f64 / (CURVE_POINTS - 1) as f64;
        curve.load_kn.push(1e-3 * f);
        curve.loading_mm.push(at(&up, f));
        curve.unloading_mm.push(at(&down, f));
    }
    Some(curve)
}

/// Points with rising loads only (the last value at each), for looking up.
fn monotone(points: impl Iterator<Item = (f64, f64)>) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::new();
    for p in points {
        match out.last_mut() {
            Some(last) if p.0 <= last.0 => {}
            _ => out.push(p),
        }
    }
    out
}

fn at(points: &[(f64, f64)], load: f64) -> f64 {
    let right = points.partition_point(|p| p.0 < load);
    match (right.checked_sub(1).map(|i| points[i]), points.get(right)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (load - a.0) / (b.0 - a.0),
        (Some(a), None) => a.1,
        (None, Some(b)) => b.1,
        (None, None) => 0.0,
    }
}
