//! Allowance: at which load does slip, its rate or its creep reach what the sheet allows?
//!
//! Millimetres in all are read off the course like first slip. Rate and creep come from stepped holds: the figure of each
//! hold against its load is fitted (growth exponential in load; none and then a straight, for a sharp yield) and the fit
//! is inverted. A curve counts only if its chi-squared does not reject it (1 %); where two hold, their difference widens the
//! interval; where none does, or there are two holds, the last load that was surely within and the first that was surely
//! beyond bracket the limit. Holds that are all within give a lower bound, never a limit. In a hold of a locked winch the load
//! falls: it can be surely beyond, never surely within.

use super::course::Slip;
use super::load::LoadErrors;
use super::{AtRate, HoldCreep, Interface, LimitFigure, LimitInputs, earliest, first, holds};
use crate::phases::{Phase, PhaseKind};
use crate::sheet::Rule;
use crate::stats::curves::Growth;
use crate::stats::estimate::LEVEL;
use crate::stats::nonlinear;
use crate::stats::segmented::{self, Left};
use crate::stats::{Estimate, Measure, quantile};

/// Probability of chi-squared below which a curve through the holds is rejected.
const REJECTED: f64 = 0.01;
/// Holds that a curve needs whose figure is surely above this share of the allowance: less is told from nothing by chance, and
/// says nothing of the curve.
const SLIPPING_NEEDED: usize = 3;
const SLIPPING_SHARE: f64 = 0.05;

pub(super) fn figure(inputs: &LimitInputs, slip: &Slip, holds: &[HoldCreep]) -> LimitFigure {
    let mut load = Estimate::cannot_tell(Measure::Force, earliest::NO_ALLOWANCE);
    let mut rate = AtRate::default();
    if let Some(limits) = &inputs.sheet.limits {
        let mut candidates = Vec::new();
        let in_all = match slip.interface {
            Interface::Cover => limits.cover_slip,
            _ => limits.stopper_slip,
        };
        if let Some(allowed) = in_all {
            let method = format!("load at which progressive slip reached {allowed} in all");
            candidates.push(first::reach(inputs, slip, |_| allowed.si(), &method));
        }
        let own: Vec<&HoldCreep> = holds
            .iter()
            .filter(|h| h.interface == slip.interface)
            .collect();
        if let Some(allowed) = limits.rate {
            let method = format!("load at which the rate of slip in a hold reaches {allowed}");
            candidates.push(from_holds(
                inputs,
                slip,
                &own,
                |h| &h.rate,
                allowed.si(),
                &method,
            ));
        }
        if let Some(allowed) = limits.creep {
            let method = format!("load at which creep in a hold reaches {allowed}");
            candidates.push(from_holds(
                inputs,
                slip,
                &own,
                |h| &h.creep,
                allowed.si(),
                &method,
            ));
        }
        if let Some(first) = earliest::of_criteria(&candidates) {
            (load, rate) = first;
        }
    }
    LimitFigure {
        load,
        rule: Rule::Allowance,
        interface: slip.interface,
        reached_by: None,
        rate,
        bend: None,
    }
}

/// A hold as a point: load, figure, its standard uncertainty, one-sided bounds.
struct Point {
    load: f64,
    value: Option<f64>,
    error: f64,
    low: f64,
    high: f64,
    duration: f64,
    /// The load fell: what it shows is only what is surely beyond.
    locked: bool,
}

fn from_holds(
    inputs: &LimitInputs,
    slip: &Slip,
    holds: &[&HoldCreep],
    of: impl Fn(&HoldCreep) -> &Estimate,
    allowed: f64,
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
    let mut points: Vec<Point> = holds
        .iter()
        .filter_map(|hold| {
            let figure = of(hold);
            let (low, high) = figure.one_sided()?;
            Some(Point {
                load: hold.load_kn * 1e3,
                value: figure.value,
                error: figure.standard_error.unwrap_or(f64::INFINITY),
                low,
                high,
                duration: hold.duration_s,
                locked: false,
            })
        })
        .collect();
    let locked = holds::locked(inputs, slip);
    let locked = locked.iter().filter_map(|hold| {
        Some(Point {
            load: hold.load_kn * 1e3,
            value: None,
            error: f64::INFINITY,
            low: of(hold).one_sided()?.0,
            high: f64::INFINITY,
            duration: hold.duration_s,
            locked: true,
        })
    });
    let alone = points.is_empty();
    points.extend(locked.filter(|point| !alone || point.low > allowed));
    points.sort_by(|a, b| a.load.total_cmp(&b.load));
    let Some(top) = points.last() else {
        let locked = |p: &Phase| p.kind == PhaseKind::LockedHold;
        let reason = if !holds.is_empty() {
            "no hold has enough readings to fit a law of time"
        } else if inputs.phases.iter().any(locked) {
            "the winch was locked in every hold and the load fell: a rate or creep needs the load kept constant for a while"
        } else {
            "no hold in the record: a rate or creep needs the load kept constant for a while"
        };
        return cannot(reason.into());
    };
    let errors = LoadErrors::of(inputs.conditioned);
    let beyond = points.iter().find(|p| p.low > allowed).map(|p| p.load);
    let within = points
        .iter()
        .filter(|p| p.high <= allowed && beyond.is_none_or(|b| p.load < b))
        .map(|p| p.load)
        .next_back();
    // Of the holds that the figure stands between, the shorter.
    let between = points
        .iter()
        .filter(|p| [within, beyond].contains(&Some(p.load)));
    let rate = AtRate {
        hold_s: between.map(|p| p.duration).reduce(f64::min),
        ..AtRate::default()
    };
    match (within, beyond) {
        (Some(within), None) if within >= top.load => {
            let reason = format!(
                "held {:.2} kN for {:.0} s within the allowance",
                top.load / 1e3,
                top.duration
            );
            (errors.not_reached(within, method, reason), rate)
        }
        (None, None) => cannot(
            "in no hold the figure is surely within or surely beyond the allowance; longer holds would tell".into(),
        ),
        (None, Some(beyond)) => cannot(format!(
            "every hold is beyond the allowance or undecided: the limit is at most {:.2} kN; a hold at a lower load would tell",
            beyond / 1e3
        )),
        (Some(within), beyond) => {
            if let Some(load) = invert(&points, allowed, within, beyond, &errors, method) {
                return (load, rate);
            }
            let reason = if beyond.is_some() {
                "the holds bracket it: more holds between these loads would tell"
            } else if top.locked {
                "in the highest hold the winch was locked and the load fell: it shows no more than what is surely beyond"
            } else {
                "the highest hold is neither surely within nor surely beyond the allowance"
            };
            (errors.bracket(within, beyond, method, reason), rate)
        }
    }
}

/// An inverted curve: load, standard error, chi-squared per point penalised by its parameters.
struct Inverted {
    load: f64,
    error: f64,
    score: f64,
}

/// The load at which a curve through the holds reaches the allowance, if a curve holds.
fn invert(
    points: &[Point],
    allowed: f64,
    within: f64,
    beyond: Option<f64>,
    errors: &LoadErrors,
    method: &str,
) -> Option<Estimate> {
    // Without a hold that is surely beyond the curve would be carried past what it was fitted to.
    let beyond = beyond?;
    let usable: Vec<&Point> = points
        .iter()
        .filter(|p| p.value.is_some() && p.error.is_finite() && p.error > 0.0)
        .collect();
    // Two holds that slip fix any curve of two parameters: which one it is takes a third.
    let slips = |p: &&&Point| p.low > SLIPPING_SHARE * allowed;
    if usable.iter().filter(slips).count() < SLIPPING_NEEDED {
        return None;
    }
    let top = usable.last()?.load;
    let x: Vec<f64> = usable.iter().map(|p| p.load / top - 1.0).collect();
    let y: Vec<f64> = usable
        .iter()
        .map(|p| p.value.unwrap_or(0.0) / allowed)
        .collect();
    let weights: Vec<f64> = usable
        .iter()
        .map(|p| (p.error / allowed).powi(-2))
        .collect();
    let mut curves: Vec<Inverted> = [growth(&x, &y, &weights), hinge(&x, &y, &weights)]
        .into_iter()
        .flatten()
        .map(|c| Inverted {
            load: top * (1.0 + c.load),
            error: top * c.error,
            score: c.score,
        })
        .filter(|c| c.load >= within && c.load <= beyond && c.error.is_finite())
        .collect();
    curves.sort_by(|a, b| a.score.total_cmp(&b.score));
    let best = curves.first()?;
    // Where both curves hold, the choice between them is open: rectangular between the two loads.
    let choice = curves
        .get(1)
        .map_or(0.0, |other| (other.load - best.load).abs() / 3f64.sqrt());
    let error = best.error.hypot(choice);
    Some(errors.limit(best.load, error, Some(error), method))
}

/// `y = b·exp(k·x)` set to 1.
fn growth(x: &[f64], y: &[f64], weights: &[f64]) -> Option<Inverted> {
    let n = x.len();
    if n < 3 {
        return None;
    }
    // Start from the two highest points that grow.
    let (top, before) = (y[n - 1].max(1e-6), y[n - 2].max(1e-6 * y[n - 1].max(1e-6)));
    let k = ((top / before).ln() / (x[n - 1] - x[n - 2])).clamp(0.1, 1e3);
    let base = top * (-k * x[n - 1]).exp();
    let fit = nonlinear::fit(&Growth, x, y, Some(weights), &[base, k]).ok()?;
    let freedom = fit.degrees_of_freedom as f64;
    if quantile::chi_squared_exceeded(fit.rss, freedom) < REJECTED {
        return None;
    }
    let (base, k) = (fit.parameters[0], fit.parameters[1]);
    if base <= 0.0 || k <= 0.0 {
        return None;
    }
    let at = -base.ln() / k;
    // The weights are absolute: the covariance is that of the points' own errors, wider where they scatter more.
    let scale = (fit.rss / freedom).max(1.0) / (fit.rss / freedom).max(f64::MIN_POSITIVE);
    let error = fit.propagated(&[-1.0 / (base * k), base.ln() / (k * k)]) * scale.sqrt();
    Some(Inverted {
        load: at,
        error,
        score: fit.rss + 2.0 * 2.0,
    })
}

/// Nothing, then a straight: set to 1.
fn hinge(x: &[f64], y: &[f64], weights: &[f64]) -> Option<Inverted> {
    let bent = segmented::fit(x, y, Some(weights), Left::Flat, LEVEL).ok()?;
    let freedom = bent.degrees_of_freedom as f64;
    if bent.slope_after <= 0.0 || quantile::chi_squared_exceeded(bent.rss, freedom) < REJECTED {
        return None;
    }
    let at = bent.at + (1.0 - bent.intercept) / bent.slope_after;
    // Error of the crossing from the points on the slope: a straight through them, inverted.
    let right: Vec<usize> = (0..x.len()).filter(|i| x[*i] > bent.at).collect();
    if right.len() < 2 || at <= bent.at {
        return None;
    }
    let pick = |list: &[f64]| right.iter().map(|i| list[*i]).collect::<Vec<f64>>();
    let line = crate::stats::linear::line(&pick(x), &pick(y), Some(&pick(weights))).ok()?;
    let scale = (bent.rss / freedom).max(1.0);
    let error = line.value_error(&[1.0, at], scale) / line.coefficients[1].abs();
    Some(Inverted {
        load: at,
        error,
        score: bent.rss + 2.0 * 3.0,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two holds that slip fix any curve. A third that noise alone lifts above nothing does not say which: 4.31 to 4.40 kN were
    /// told where the line's own law says 4.07.
    #[test]
    fn a_hold_barely_above_nothing_tells_of_no_curve() {
        let per_minute = 1e-3 / 60.0;
        let rates = [
            (2.03, 0.004, 0.034, -0.026),
            (2.64, -0.006, 0.045, -0.095),
            (3.25, 0.009, 0.032, 0.0003),
            (3.86, 0.008, 0.023, -0.001),
            (4.47, 8.83, 0.84, 8.11),
            (5.08, 45.3, 2.4, 43.5),
        ];
        let points = |lifted: f64| -> Vec<Point> {
            let of = |(load, value, error, low): (f64, f64, f64, f64)| Point {
                load: 1e3 * load,
                value: Some(per_minute * value),
                error: per_minute * error,
                low: per_minute * if load == 3.25 { lifted } else { low },
                high: per_minute * (value + 2.0 * error),
                duration: 30.0,
                locked: false,
            };
            rates.into_iter().map(of).collect()
        };
        let told = |lifted: f64| {
            let (within, beyond) = (3.86e3, Some(4.47e3));
            let errors = LoadErrors::NONE;
            invert(&points(lifted), per_minute, within, beyond, &errors, "")
        };
        assert_eq!(told(0.0003), None);
        // Were it surely a tenth of what is allowed, the three would fix a curve.
        assert!(told(0.1).is_some());
    }
}
