//! Repeats of one pair: at what load does it let go, how much does that scatter, and what will the next pull hold?
//!
//! The unit is the line: several lengths of one line are one value (their geometric mean). Family lognormal, set
//! beforehand; normal and Weibull stand beside it as sensitivity and are never picked by fit. Three figures that are not
//! each other: the lower tolerance bound (share and confidence), the prediction of the next pull (EN 1990, annex D: no
//! confidence attached), and the success run (n passes prove a share R with confidence 1 − R^n).
//! Random error within a pull is in the scatter already. What all pulls share, the gain of the load cell, is added once,
//! here: rectangular, beside the statistical margin.
//! Assumptions: independent lines of one population; every pull at one rate. Source: EN 1990 annex D; Meeker and Escobar.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::bound::{Bound, lower_bound};
use crate::stats::censored::{Family, Observed};
use crate::stats::coverage::half_width;
use crate::stats::quantile;
use crate::stats::{Estimate, Measure};

/// What the figures are asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Basis {
    /// Share of all pulls that must hold more than the tolerance bound.
    pub share: f64,
    /// Its confidence.
    pub confidence: f64,
    /// Coverage of the interval of the middle.
    pub level: f64,
    /// Family.
    pub family: Family,
    /// Half width of the common gain error, share of the load.
    pub gain: f64,
    /// Seed of simulated factors.
    pub seed: u64,
}

/// A lower tolerance bound by one family.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fit {
    /// The family.
    pub family: Family,
    /// Median, kN.
    pub median_kn: f64,
    /// Standard deviation of the logarithm (lognormal), over the median (normal), or 1/shape (Weibull).
    pub spread: f64,
    /// Log likelihood of the loads in kN; with so few pulls it tells no family from another.
    pub log_likelihood: f64,
    /// The bound, kN, gain error in it.
    pub bound_kn: f64,
    /// True where the factor is exact, false where it was simulated.
    pub exact: bool,
}

/// Pulls that all held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SuccessRun {
    /// Load that every line held, kN.
    pub load_kn: f64,
    /// Number of lines.
    pub passes: usize,
    /// Share of all lines that hold it, proved with the confidence.
    pub share: f64,
    /// The confidence.
    pub confidence: f64,
    /// Passes that would prove the share asked for.
    pub wanted: usize,
}

/// What repeats say together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Repeats {
    /// Pulls.
    pub pulls: usize,
    /// Lines: the number that counts.
    pub lines: usize,
    /// Lines whose limit was reached.
    pub reached: usize,
    /// One value per line, kN.
    pub values: Vec<(String, Observed)>,
    /// Load that half of all lines hold.
    pub median: Estimate,
    /// Standard deviation of the logarithm between lines, with its interval; a share.
    pub spread: Estimate,
    /// Lower tolerance bound by the family set beforehand.
    pub tolerance: Estimate,
    /// The bound by every family that could be fitted.
    pub families: Vec<Fit>,
    /// Load that the next line exceeds with 95 %, parameters estimated (EN 1990): a prediction without confidence.
    pub prediction: Estimate,
    /// What the lines that held prove.
    pub success: Option<SuccessRun>,
}

/// Pools the pulls of one pair: name of the line and load in kN of each.
#[must_use]
pub fn repeats(pulls: &[(String, Observed)], basis: &Basis) -> Repeats {
    let values = by_line(pulls);
    let loads: Vec<Observed> = values.iter().map(|v| v.1).collect();
    let reached = loads.iter().filter(|v| v.is_reached()).count();
    let families: Vec<(Family, Bound)> = std::iter::once(basis.family)
        .chain(Family::ALL.into_iter().filter(|f| *f != basis.family))
        .filter_map(|f| {
            let bound = lower_bound(f, &loads, basis.share, basis.confidence, basis.seed).ok()?;
            Some((f, bound))
        })
        .collect();
    let main = families.iter().find(|f| f.0 == basis.family).map(|f| &f.1);
    Repeats {
        pulls: pulls.len(),
        lines: loads.len(),
        reached,
        median: median(&loads, main, basis),
        spread: spread(&loads, main, basis),
        tolerance: tolerance(&loads, main, basis),
        prediction: prediction(&loads, main, basis),
        success: success(&loads, basis),
        families: families
            .iter()
            .map(|(family, b)| Fit {
                family: *family,
                median_kn: family.back(b.fitted.scaled_quantile(0.5).0),
                spread: match family {
                    Family::Normal => b.fitted.scale / b.fitted.location,
                    Family::Lognormal | Family::Weibull => b.fitted.scale,
                },
                log_likelihood: b.fitted.log_likelihood,
                bound_kn: with_gain(b.quantile, b.low, basis).max(0.0),
                exact: b.exact,
            })
            .collect(),
        values,
    }
}

/// One value per line, in the order of their names: the geometric mean of its lengths, a bound where one of them is.
fn by_line(pulls: &[(String, Observed)]) -> Vec<(String, Observed)> {
    let mut lines: BTreeMap<&str, Vec<Observed>> = BTreeMap::new();
    for (line, load) in pulls {
        lines.entry(line).or_default().push(*load);
    }
    lines
        .into_iter()
        .map(|(line, loads)| (line.to_owned(), mean_observed(&loads)))
        .collect()
}

/// Geometric mean of loads of which some are only bounded.
pub(crate) fn mean_observed(loads: &[Observed]) -> Observed {
    let n = loads.len().max(1) as f64;
    let mean = |pick: &dyn Fn(&Observed) -> f64| {
        (loads.iter().map(|l| pick(l).ln()).sum::<f64>() / n).exp()
    };
    if let [one] = loads {
        return *one;
    }
    let low = mean(&|l| l.start());
    if loads.iter().any(|l| !l.is_reached()) {
        return Observed::Above(low);
    }
    let high = mean(&|l| match l {
        Observed::Between(_, high) => *high,
        other => other.start(),
    });
    if high > low {
        Observed::Between(low, high)
    } else {
        Observed::At(low)
    }
}

/// Lower end with the gain error beside the statistical margin: one-sided 95 % of a rectangular error is 0.9 of it.
fn with_gain(middle: f64, low: f64, basis: &Basis) -> f64 {
    if middle <= 0.0 || low <= 0.0 {
        return low;
    }
    let margin = (middle / low).ln().max(0.0);
    middle * (-margin.hypot(0.9 * basis.gain)).exp()
}

const KN: f64 = 1e3;

fn why_not(loads: &[Observed]) -> String {
    let reached = loads.iter().filter(|l| l.is_reached()).count();
    match (loads.len(), reached) {
        (0, _) => "no pull with a figure".into(),
        (1, _) => "one line has no scatter: more lines are needed".into(),
        (n, 0) => format!("none of {n} lines let go: a lower bound is known, no distribution"),
        (n, 1) => format!("only one of {n} lines let go: two are needed for a scatter"),
        _ => "the loads do not determine a distribution".into(),
    }
}

fn median(loads: &[Observed], main: Option<&Bound>, basis: &Basis) -> Estimate {
    let Some(b) = main else {
        // The one that counts: all of them held this.
        let least = loads
            .iter()
            .map(|l| l.start())
            .fold(f64::INFINITY, f64::min);
        return match loads {
            [] => Estimate::cannot_tell(Measure::Force, why_not(loads)),
            [Observed::At(v)] => Estimate {
                low: None,
                high: None,
                standard_error: None,
                ..Estimate::measured(Measure::Force, v * KN, 0.0, 0.0, 0.0, "one pull")
            },
            _ => Estimate::not_reached(
                Measure::Force,
                least * (1.0 - basis.gain) * KN,
                "lowest load that was held",
                why_not(loads),
            ),
        };
    };
    let (y, error) = b.fitted.scaled_quantile(0.5);
    let reached = b.fitted.reached as f64;
    let n = b.fitted.n as f64;
    // Likelihood divides by n; with the n − 1 of the scatter the interval is Student's where nothing is censored.
    let error = error * (n / (n - 1.0)).sqrt();
    let factor = quantile::two_sided(basis.level, (reached - 1.0).max(1.0));
    // The statistical part as an equivalent normal error, then the rectangular gain beside it.
    let normal = error * factor / quantile::normal(0.5 + 0.5 * basis.level);
    let (value, ends) = match basis.family {
        Family::Normal => {
            let half = half_width(normal, &[basis.gain * y], basis.level);
            (y, (y - half, y + half))
        }
        Family::Lognormal | Family::Weibull => {
            let half = half_width(normal, &[basis.gain], basis.level);
            (y.exp(), ((y - half).exp(), (y + half).exp()))
        }
    };
    let own_error = match basis.family {
        Family::Normal => error,
        Family::Lognormal | Family::Weibull => value * error,
    };
    let standard = own_error.hypot(basis.gain * value / 3f64.sqrt());
    Estimate::measured(
        Measure::Force,
        value * KN,
        standard * KN,
        ends.0.max(0.0) * KN,
        ends.1 * KN,
        format!(
            "median of a {} distribution over lines",
            basis.family.word()
        ),
    )
}

fn spread(loads: &[Observed], main: Option<&Bound>, basis: &Basis) -> Estimate {
    let Some(b) = main else {
        return Estimate::cannot_tell(Measure::Share, why_not(loads));
    };
    let f = &b.fitted;
    let n = f.n as f64;
    let relative = match basis.family {
        Family::Normal => f.scale / f.location,
        Family::Lognormal | Family::Weibull => f.scale,
    };
    let value = relative * (n / (n - 1.0)).sqrt();
    let freedom = (f.reached as f64 - 1.0).max(1.0);
    let half = 0.5 * (1.0 - basis.level);
    let (low, high) = (
        value * (freedom / quantile::chi_squared(1.0 - half, freedom)).sqrt(),
        value * (freedom / quantile::chi_squared(half, freedom)).sqrt(),
    );
    Estimate::measured(
        Measure::Share,
        value,
        value * f.covariance[2].sqrt(),
        low,
        high,
        "standard deviation between lines over the load",
    )
}

fn tolerance(loads: &[Observed], main: Option<&Bound>, basis: &Basis) -> Estimate {
    let Some(b) = main else {
        return Estimate::cannot_tell(Measure::Force, why_not(loads));
    };
    let low = with_gain(b.quantile, b.low, basis).max(0.0);
    let percent = |v: f64| (v * 1000.0).round() / 10.0;
    let mut estimate = Estimate::not_reached(
        Measure::Force,
        low * KN,
        format!(
            "lower tolerance bound, {} % of all lines with {} % confidence, {}, {}",
            percent(basis.share),
            percent(basis.confidence),
            basis.family.word(),
            if b.exact {
                "exact factor"
            } else {
                "simulated factor"
            }
        ),
        format!("{} of {} lines let go", b.fitted.reached, b.fitted.n),
    );
    estimate.level = basis.confidence;
    estimate
}

/// EN 1990, annex D: mean − t(0.95, n − 1)·s·√(1 + 1/n), variance unknown.
fn prediction(loads: &[Observed], main: Option<&Bound>, basis: &Basis) -> Estimate {
    let complete = loads.iter().all(|l| matches!(l, Observed::At(_)));
    let Some(b) = main.filter(|_| complete && basis.family != Family::Weibull) else {
        let why = if complete {
            why_not(loads)
        } else {
            "some loads are only bounds, and the rule knows none".into()
        };
        return Estimate::cannot_tell(Measure::Force, why);
    };
    let n = b.fitted.n as f64;
    let sd = b.fitted.scale * (n / (n - 1.0)).sqrt();
    let y = b.fitted.location - prediction_factor(b.fitted.n) * sd;
    let low = with_gain(
        basis.family.back(b.fitted.location),
        basis.family.back(y),
        basis,
    );
    Estimate::not_reached(
        Measure::Force,
        low.max(0.0) * KN,
        "prediction of the next line, 95 % (EN 1990 annex D), no confidence attached",
        format!("{} lines", b.fitted.n),
    )
}

/// Factor of EN 1990's prediction rule with unknown variance, t(0.95, n − 1)·√(1 + 1/n). Infinite below two.
#[must_use]
fn prediction_factor(n: usize) -> f64 {
    if n < 2 {
        return f64::INFINITY;
    }
    let n = n as f64;
    quantile::student(0.95, n - 1.0) * (1.0 + 1.0 / n).sqrt()
}

/// n lines that held prove the share R with confidence 1 − Rⁿ.
fn success(loads: &[Observed], basis: &Basis) -> Option<SuccessRun> {
    let least = loads
        .iter()
        .map(|l| l.start())
        .fold(f64::INFINITY, f64::min);
    if loads.is_empty() || loads.iter().any(|l| l.is_reached()) {
        return None;
    }
    let n = loads.len();
    Some(SuccessRun {
        load_kn: least * (1.0 - basis.gain),
        passes: n,
        share: (1.0 - basis.confidence).powf(1.0 / n as f64),
        confidence: basis.confidence,
        wanted: passes_wanted(basis.share, basis.confidence),
    })
}

/// Passes without a failure that prove the share with the confidence.
#[must_use]
pub(crate) fn passes_wanted(share: f64, confidence: f64) -> usize {
    let n = (1.0 - confidence).ln() / share.ln();
    // 29.0000001 from rounding is 29.
    (n - 1e-9).ceil().max(1.0) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn basis() -> Basis {
        Basis {
            share: 0.9,
            confidence: 0.95,
            level: 0.95,
            family: Family::Lognormal,
            gain: 0.0,
            seed: 1,
        }
    }

    fn lines(values: &[Observed]) -> Vec<(String, Observed)> {
        values
            .iter()
            .enumerate()
            .map(|(i, v)| (format!("line {i:02}"), *v))
            .collect()
    }

    /// EN 1990, table D1, characteristic value, variance unknown: the print is the formula to two decimals, within 0.01
    /// (n 20 is printed 1.76 where the formula gives 1.772).
    #[test]
    fn prediction_factors_of_en_1990() {
        for (n, printed) in [
            (3, 3.37),
            (4, 2.63),
            (5, 2.33),
            (6, 2.18),
            (8, 2.00),
            (10, 1.92),
            (20, 1.76),
            (30, 1.73),
        ] {
            let two = (prediction_factor(n) * 100.0).round() / 100.0;
            assert!((two - printed).abs() < 0.0101, "{n}: {two}");
        }
    }

    /// Common practice, exact: 29 passes for 90/95, 22 for 90/90, 11 for 80/90; 59 for 95/95, 299 for 99/95 (CMH-17-1G,
    /// minimum numbers for the lowest value).
    #[test]
    fn numbers_of_a_success_run() {
        for (share, confidence, wanted) in [
            (0.9, 0.95, 29),
            (0.9, 0.9, 22),
            (0.8, 0.9, 11),
            (0.95, 0.95, 59),
            (0.99, 0.95, 299),
        ] {
            assert_eq!(passes_wanted(share, confidence), wanted);
        }
        let held = repeats(
            &lines(&[Observed::Above(8.0), Observed::Above(8.2)]),
            &basis(),
        );
        let run = held.success.unwrap();
        assert!(
            (run.share - 0.05f64.sqrt()).abs() < 1e-12 && run.load_kn == 8.0 && run.wanted == 29
        );
        assert!(held.median.value.is_none() && held.median.low == Some(8000.0));
    }

    #[test]
    fn lengths_of_one_line_are_one_value() {
        let mut pulls = lines(&[4.0, 5.0, 6.0].map(Observed::At));
        pulls.push(("line 00".into(), Observed::At(9.0)));
        let pooled = repeats(&pulls, &basis());
        assert_eq!((pooled.pulls, pooled.lines), (4, 3));
        assert_eq!(pooled.values[0].1.start(), 6.0);
        assert_eq!(
            mean_observed(&[Observed::At(4.0), Observed::Above(9.0)]),
            Observed::Above(6.0)
        );
    }

    /// The interval of the median is Student's on the logarithms; the gain is added once, whatever the number of pulls.
    #[test]
    fn common_errors_are_added_once() {
        let logs = [1.0f64, 1.2, 1.1, 1.35, 1.05];
        let pooled = repeats(&lines(&logs.map(|l| Observed::At(l.exp()))), &basis());
        let mean = logs.iter().sum::<f64>() / 5.0;
        let sd = (logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / 4.0).sqrt();
        let low = (mean - 2.776_445 * sd / 5f64.sqrt()).exp() * 1e3;
        assert!((pooled.median.low.unwrap() / low - 1.0).abs() < 1e-6);
        assert!((pooled.spread.value.unwrap() / sd - 1.0).abs() < 1e-9);
        let alike: Vec<Observed> = (0..40)
            .map(|i| Observed::At(5.0 + 1e-4 * f64::from(i % 2)))
            .collect();
        let wide = Basis {
            gain: 0.02,
            ..basis()
        };
        let half = |p: &Repeats| p.median.high.unwrap() / p.median.value.unwrap() - 1.0;
        assert!((half(&repeats(&lines(&alike), &wide)) - 0.95 * 0.02).abs() < 1e-3);
    }

    #[test]
    fn few_pulls_say_so() {
        let one = repeats(&lines(&[Observed::At(5.0)]), &basis());
        assert_eq!(one.median.value, Some(5000.0));
        assert!(one.median.low.is_none() && one.tolerance.reason.unwrap().contains("more lines"));
        let none = repeats(&[], &basis());
        assert!(none.median.value.is_none() && none.success.is_none());
    }
}
