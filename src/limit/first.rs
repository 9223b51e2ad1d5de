//! First slip: at which load has progressive slip reached max(0.1 mm, 3 standard uncertainties)?
//!
//! The ends of the interval are the loads at which the upper and the lower end of the slip's own interval reach the same
//! level: the separation's uncertainty through the local slope of slip against load, however that slope changes. Beside
//! it stands the load where slip against load bends, if a test at 1 % (allowing for the search and for neighbours that
//! are not independent) says that it does.

use super::course::{Crossing, Known, Slip};
use super::load::LoadErrors;
use super::{AtRate, LimitFigure, LimitInputs, phase_at};
use crate::phases::PhaseKind;
use crate::sheet::Rule;
use crate::stats::estimate::LEVEL;
use crate::stats::segmented::{self, Left};
use crate::stats::{Estimate, Measure, Status, autocorrelation, quantile};

/// Slip that counts as slip, m.
pub(crate) const LEAST: f64 = 1e-4;
/// The same in standard uncertainties.
pub(super) const IN_UNCERTAINTIES: f64 = 3.0;
/// Share of the load between the ends of an interval beyond which seating leaves a bracket, no figure.
const APART: f64 = 0.1;
/// Probability below which a bend is believed.
const BEND_LEVEL: f64 = 0.01;
/// Why there is no figure between two steps.
const BEFORE_OR_AFTER: &str = "it was reached before the load was eased or on the way up after it: the slip stood near the level meanwhile";
/// Points that the bend is searched on; more are averaged.
const BEND_POINTS: usize = 120;

pub(super) fn figure(inputs: &LimitInputs, slip: &Slip) -> LimitFigure {
    let slip = &slip.as_read();
    let level = |i: usize| LEAST.max(IN_UNCERTAINTIES * slip.uncertainty(i));
    // Where only an upper bound is known, its own width must not raise the level that it is held to.
    let plain = |_: usize| LEAST;
    let method = "load at which progressive slip reached 0.1 mm or 3 standard uncertainties";
    let plain_method = "load at which progressive slip reached 0.1 mm";
    let (load, rate) = if slip.known == Known::Value
        && let Some(open) = overlap(slip)
    {
        overlapping(inputs, slip, open, plain_method)
    } else if slip.known == Known::Value {
        reach(inputs, slip, level, method)
    } else {
        reach(inputs, slip, plain, plain_method)
    };
    let bend = if slip.absent.is_none() && slip.known == Known::Value {
        bend(inputs, slip)
    } else {
        None
    };
    LimitFigure {
        load,
        rule: Rule::FirstSlip,
        interface: slip.interface,
        reached_by: None,
        rate,
        bend,
    }
}

/// Standard uncertainty of the slip from telling seating from it, where that is too much for a figure: more than a third
/// of the slip that counts, or so much that it alone moves the ends [`APART`] of the load from each other.
fn overlap(slip: &Slip) -> Option<f64> {
    let from = slip.crossing(&slip.high, |_| LEAST)?.at;
    let to = slip.crossing(&slip.value, |_| LEAST).map_or(from, |c| c.at);
    let open = slip.open.get(from..=to.max(from))?;
    let most = open.iter().copied().fold(0.0, f64::max);
    let factor = quantile::normal(0.5 + 0.5 * LEVEL);
    let shifted = |side: f64| -> Vec<f64> {
        let doubt = slip.open.iter().map(|open| side * factor * open);
        slip.value.iter().zip(doubt).map(|(v, d)| v + d).collect()
    };
    let early = slip.crossing(&shifted(1.0), |_| LEAST).map(|c| c.load);
    let late = slip.crossing(&shifted(-1.0), |_| LEAST).map(|c| c.load);
    let apart = matches!((early, late), (Some(early), Some(late)) if late - early > APART * late);
    (most > LEAST / IN_UNCERTAINTIES || apart).then_some(most)
}

/// A bracket: from where the slip less the least possible seating reaches the level to where the slip less the most
/// possible seating does.
fn overlapping(inputs: &LimitInputs, slip: &Slip, open: f64, method: &str) -> (Estimate, AtRate) {
    let mut bracket = slip.clone();
    bracket.known = Known::Bracket;
    // The curves of seating are approximations: a further standard uncertainty at the far end.
    for (low, open) in bracket.low.iter_mut().zip(&slip.open) {
        *low -= open;
    }
    let (mut load, rate) = reach(inputs, &bracket, |_| LEAST, method);
    if load.status == Status::Bracket {
        load.reason = Some(format!(
            "seating and progressive slip overlap: told apart to {:.2} mm (standard uncertainty) only; seating does not \
             repeat, so loading twice to each load would tell them",
            open * 1e3
        ));
    }
    (load, rate)
}

/// Load at which the slip reaches `level`, with everything that widens it; shared with the allowance in millimetres.
pub(super) fn reach(
    inputs: &LimitInputs,
    slip: &Slip,
    level: impl Fn(usize) -> f64,
    method: &str,
) -> (Estimate, AtRate) {
    let cannot = |reason: String| {
        (
            Estimate::cannot_tell(Measure::Force, reason),
            AtRate::default(),
        )
    };
    if let Some(reason) = &slip.absent {
        return cannot(reason.clone());
    }
    if slip.block.len() < 3 {
        return cannot("the record has fewer than three usable blocks".into());
    }
    if slip.never_loaded() {
        return cannot(
            "the load never rises in this record, so no load belongs to the slip".into(),
        );
    }
    let errors = LoadErrors::of(inputs.conditioned);
    let first = slip.crossing(&slip.high, &level);
    let last = slip.crossing(&slip.low, &level);
    let middle = match slip.known {
        Known::Value => slip.crossing(&slip.value, &level),
        Known::Bracket | Known::AtMost => None,
    };
    if let Some(crossing) = [first, middle].into_iter().flatten().find(|c| c.at == 0)
        && crossing.load > 0.0
        && middle.is_none_or(|m| m.at == 0)
    {
        // An interval that holds the level before anything was loaded says nothing of when it was reached.
        return cannot(if middle.or(last).is_some_and(|c| c.at == 0) {
            format!(
                "the slip was there from the first reading on: the limit is at most {:.2} kN",
                crossing.load / 1e3
            )
        } else {
            format!(
                "the slip is bounded no closer than by {:.2} mm from the first reading on",
                1e3 * slip.high[0]
            )
        });
    }
    let Some(first) = first else {
        return not_reached(inputs, slip, &errors, method);
    };
    match (slip.known, middle) {
        (Known::Value, Some(middle)) if !middle.jumped && slip.eased_at(middle.at) => {
            // The line had carried more when it got there, and at which load it would have stopped nobody saw.
            let reason = "it was reached while the load was being eased";
            let low = middle.load.min(first.load);
            let carried = slip.highest[middle.at];
            let high = last.map(|last| last.load.max(carried));
            let load = errors.bracket(low, high, method, reason);
            (load, rate_at(inputs, &middle))
        }
        (Known::Value, Some(middle)) => {
            let load = measured(slip, &level, &middle, &first, last.as_ref());
            let mut estimate = errors.limit(load.value, load.below, load.above, method);
            // After a jump the load is lower by itself.
            if let Some(last) = &last
                && !middle.jumped
                && slip.eased_between(first.at, last.at)
            {
                // Noise blurs both ends as it blurs the figure's.
                let ends = between(slip, &errors, &first, Some(last), method, BEFORE_OR_AFTER);
                let least = estimate.low.into_iter().chain(ends.low).reduce(f64::min);
                let most = estimate.high.into_iter().chain(ends.high).reduce(f64::max);
                estimate = Estimate {
                    low: least,
                    high: most,
                    ..ends
                };
            }
            if load.above.is_none() {
                estimate.reason = Some(
                    "no upper end: at the highest load the lower end of the slip's interval is still below the level"
                        .into(),
                );
            }
            (estimate, rate_at(inputs, &middle))
        }
        (Known::Value, None) => {
            // Not reached by the best value, but it may have been from where the upper end of the interval reached it.
            let reason = format!(
                "not reached by the best value up to {:.2} kN; the bound is where the upper end of its interval reached it",
                slip.top() / 1e3
            );
            (
                errors.not_reached(first.load, method, reason),
                rate_at(inputs, &first),
            )
        }
        (known, _) => {
            let reason = if known == Known::AtMost {
                "only what did not come back is known, and slip is at most that"
            } else {
                "the gauges bracket this slip"
            };
            let load = between(slip, &errors, &first, last.as_ref(), method, reason);
            (load, rate_at(inputs, &first))
        }
    }
}

/// From the load at which the upper end of the slip's interval reached the level to that at which the lower end did.
fn between(
    slip: &Slip,
    errors: &LoadErrors,
    first: &Crossing,
    last: Option<&Crossing>,
    method: &str,
    reason: &str,
) -> Estimate {
    // A locked line loses load meanwhile: reached later is not reached at a higher load.
    let high = last.map(|last| {
        let meanwhile = slip.load[first.at..last.at.max(first.at)].iter();
        let load = meanwhile.copied().fold(last.load, f64::max);
        load + if last.jumped { last.gap } else { 0.0 }
    });
    let low = high.map_or(first.load, |high| first.load.min(high));
    errors.bracket(low, high, method, reason)
}

/// A load with its statistical standard errors below and above; none above where nothing bounds it.
struct Reached {
    value: f64,
    below: f64,
    above: Option<f64>,
}

/// The crossing of the value with what widens it: what all blocks share moves the crossing, noise blurs it.
fn measured(
    slip: &Slip,
    level: &impl Fn(usize) -> f64,
    middle: &Crossing,
    first: &Crossing,
    last: Option<&Crossing>,
) -> Reached {
    let factor = quantile::normal(0.5 + 0.5 * LEVEL);
    let gap = middle.gap / 3f64.sqrt();
    let Some((value, noise)) = slip
        .refined(middle, level(middle.at))
        .filter(|_| !middle.jumped)
    else {
        // The whole interval, noise of single blocks included.
        let blur = |far: f64| (far.max(0.0) / factor).hypot(gap);
        let value = slip.bent(middle, level(middle.at));
        return Reached {
            value,
            below: blur(value - first.load),
            above: last.map(|last| blur(last.load - value)),
        };
    };
    let shared = |list: Vec<f64>| slip.crossing(&list, level);
    let early = shared(slip.shared_high()).map_or(0.0, |c| middle.load - c.load);
    let below = (early.max(0.0) / factor).hypot(noise);
    let above = shared(slip.shared_low())
        .map(|late| ((late.load - middle.load).max(0.0) / factor).hypot(noise));
    Reached {
        value,
        below,
        above,
    }
}

fn not_reached(
    inputs: &LimitInputs,
    slip: &Slip,
    errors: &LoadErrors,
    method: &str,
) -> (Estimate, AtRate) {
    let top = slip.top();
    let hold = inputs
        .phases
        .iter()
        .filter(|p| {
            p.kind == PhaseKind::Hold && 0.5 * (p.load_start_n + p.load_end_n) >= 0.97 * top
        })
        .map(|p| slip.seen_until(inputs, p) - p.start_s)
        .fold(0.0, f64::max);
    let held = if hold > 0.0 {
        format!(" and held for {hold:.0} s")
    } else {
        ", not held there".into()
    };
    let rate = AtRate {
        loading_kn_per_s: loading_rate(inputs, f64::INFINITY),
        hold_s: (hold > 0.0).then_some(hold),
        speed_mm_per_min: None,
    };
    let reason = format!("carried {:.2} kN{held} without reaching it", top / 1e3);
    (errors.not_reached(top, method, reason), rate)
}

fn rate_at(inputs: &LimitInputs, crossing: &Crossing) -> AtRate {
    let hold_s = inputs
        .phases
        .iter()
        .find(|p| p.start_s <= crossing.time && crossing.time < p.end_s)
        .filter(|p| matches!(p.kind, PhaseKind::Hold | PhaseKind::LockedHold))
        .map(|p| crossing.time - p.start_s);
    AtRate {
        loading_kn_per_s: loading_rate(inputs, crossing.time),
        hold_s,
        speed_mm_per_min: None,
    }
}

/// Rate of the ramp at or last before this time, kN/s.
fn loading_rate(inputs: &LimitInputs, time: f64) -> Option<f64> {
    let ramp = phase_at(inputs.phases, PhaseKind::Ramp, time)?;
    let rate = (ramp.load_end_n - ramp.load_start_n) / (ramp.end_s - ramp.start_s) / 1e3;
    (rate.is_finite() && rate > 0.0).then_some(rate)
}

/// Load where slip against load bends on the first loading, if a test says that it does.
fn bend(inputs: &LimitInputs, slip: &Slip) -> Option<Estimate> {
    let picked = slip.on_first_loading();
    if picked.iter().all(|i| slip.value[*i] < LEAST) {
        return None;
    }
    // A line that has run out bends a second time: the search ends at ten times the level of first slip past the start.
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let size = picked.len().div_ceil(BEND_POINTS).max(1);
    for group in picked.chunks(size) {
        let n = group.len() as f64;
        let load = group.iter().map(|i| slip.load[*i]).sum::<f64>() / n;
        let value = group.iter().map(|i| slip.value[*i]).sum::<f64>() / n;
        if value > 20.0 * LEAST && y.len() > 10 && y[y.len() - 1] > 10.0 * LEAST {
            break;
        }
        x.push(load);
        y.push(value);
    }
    let bent = segmented::fit(&x, &y, None, Left::Sloping, LEVEL).ok()?;
    let residuals: Vec<f64> = x
        .iter()
        .zip(&y)
        .map(|(x, y)| {
            let hinge = (bent.slope_after - bent.slope_before) * (x - bent.at).max(0.0);
            y - bent.intercept - bent.slope_before * x - hinge
        })
        .collect();
    // Dependent neighbours leave fewer points: the gain is judged with their number.
    let factor = autocorrelation::variance_factor(&residuals);
    let freedom = bent.degrees_of_freedom as f64 / factor;
    if freedom < 2.0 || bent.slope_after <= bent.slope_before.max(0.0) {
        return None;
    }
    let f = if bent.rss > 0.0 {
        (bent.rss_straight - bent.rss) / 2.0 / (bent.rss / freedom)
    } else {
        f64::INFINITY
    };
    let p = if f.is_finite() {
        quantile::fisher_exceeded(f, 2.0, freedom) * x.len() as f64 / factor
    } else {
        0.0
    };
    // At the last point or beyond the points on one side there is no bend, only a straight.
    let inner = bent.at > x[1] && bent.at < x[x.len() - 2];
    if p > BEND_LEVEL || !inner {
        return None;
    }
    let errors = LoadErrors::of(inputs.conditioned);
    let widen = factor.sqrt() / quantile::two_sided(LEVEL, freedom);
    let below = bent.low.map(|low| (bent.at - low) * widen);
    let above = bent.high.map(|high| (high - bent.at) * widen);
    let error = bent.standard_error * factor.sqrt();
    let load = errors.limit(
        bent.at,
        below.unwrap_or(error),
        above,
        "bend of slip against load (two straights, F inversion)",
    );
    // An interval that runs out of the data has no end there.
    Some(Estimate {
        low: below.and(load.low),
        ..load
    })
}
