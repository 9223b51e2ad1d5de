//! How a slip goes on within a hold: does it slow, go on evenly or speed up, and how fast is it at the end?
//!
//! One family holds what lines are seen to do: `rate ∝ (1 + a·t)^p`. With `p = −1` the inverse rate runs straight in time, as
//! friction that strengthens or tires while it is used makes it: creep even over the decades (log-linear) where `a` is large,
//! an even rate (linear) where it is none, toward running where it is below zero. Other powers are creep as a power of time, a
//! rate that grows evenly, and, in the limit, rates that die or grow as an exponential. Each shape is fitted as a straight to
//! the last decade of the hold's time, and what the readings leave open between shapes is in the interval (profile of the sum
//! of squares). What went on before that decade belongs to the ramp as much as to the hold, and is left out.
//! Assumed: one law over that decade; where the readings of its last third surely go otherwise, the interval of the rate holds
//! what they say as well.
//! Source: the inverse rate of creep before failure is common practice (from memory).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::course::Slip;
use super::holds::{Slope, Within};
use crate::stats::estimate::LEVEL;
use crate::stats::linear::LinearFit;
use crate::stats::quantile;

/// Powers of the family; none is the exponential.
const POWERS: [Option<f64>; 6] = [
    Some(-0.5),
    Some(-1.0),
    Some(-2.0),
    Some(0.5),
    Some(1.0),
    None,
];
/// Rates at the end of the hold with which the search begins, the rate at its beginning being one.
const ENDS: [f64; 12] = [
    0.003, 0.01, 0.03, 0.1, 0.3, 0.6, 1.5, 2.5, 4.0, 8.0, 16.0, 40.0,
];
/// Halvings of the step between two ends, around the best of each power.
const HALVINGS: u32 = 10;
/// Share of the hold's time from which its last decade runs.
const LAST_DECADE: f64 = 0.1;
/// What a rate at the end costs that is e times the mean rate of the last decade, or an e-th of what the logarithm leaves of
/// it, as a difference of chi-squared, and as the square of that logarithm: readings that hardly speak would allow a slip that
/// all but runs, or find one that is surely over.
const ODD_COST: f64 = 1.5;
/// A rate at the end that surely differs by this factor from that of a law is another law's.
const UNEVEN: f64 = 1.2;
/// Difference of chi-squared from which a law is refused.
const DECISIVE: f64 = 4.0;
/// The same from which a slip is said to speed up, three standard errors: no line passes with one.
const SURELY: f64 = 9.0;
/// Share of the hold's time from which its end is read alone, and the standard errors from which it speaks against a shape.
const END: f64 = 2.0 / 3.0;
const AGAINST: f64 = 2.0;
/// Blocks that three parameters need.
const NEEDED: usize = 4;
/// Parameters of a shape beside the two of its straight.
const OWN: usize = 1;

/// Times at which the law found is handed on for a chart.
const CURVE_POINTS: u32 = 40;

/// The law that the slip of a hold follows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Law {
    /// As much in every decade of time.
    #[serde(rename = "log-linear")]
    LogLinear,
    /// Slows, but not as the logarithm of the time since the hold began.
    #[serde(rename = "slowing")]
    Slowing,
    /// An even rate.
    #[serde(rename = "linear")]
    Linear,
    /// Speeds up.
    #[serde(rename = "speeding up")]
    Speeding,
    /// None was fitted, or two fit alike.
    #[serde(rename = "cannot tell")]
    Unknown,
}

impl Law {
    /// As in reports and machine files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::LogLinear => "log-linear",
            Self::Slowing => "slowing",
            Self::Linear => "linear",
            Self::Speeding => "speeding up",
            Self::Unknown => "cannot tell",
        }
    }
}

/// A figure of the family with what noise and the choice of the shape leave open, two-sided 95 %.
#[derive(Debug, Clone, Copy)]
pub(super) struct Profiled {
    pub value: f64,
    pub low: f64,
    pub high: f64,
    /// The figure of an even slip.
    pub even: f64,
    /// The figure of a slip of one metre in the hold by the best shape: what an error of the slip does to the figure.
    pub per_slip: f64,
}

/// The pace of a slip within a hold.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    /// At the end of the hold, m/s.
    pub rate: Profiled,
    /// Slip of its last decade of time, m.
    pub decade: Profiled,
    pub law: Law,
    /// Times since the start of the hold, s, and the best shape's slip there, m, on the scale of the list.
    pub curve: Vec<(f64, f64)>,
}

/// One shape of the family over the time of the hold, from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Shape {
    /// `1/t`, from the beginning of the hold.
    Logarithm,
    /// One.
    Even,
    /// `(1 + a·t)^p`.
    Power { a: f64, p: f64 },
    /// `exp(k·t)`.
    Exponential { k: f64 },
}

impl Shape {
    /// The shape of a power whose rate at the end is `end` times that at the beginning.
    fn with_end(power: Option<f64>, end: f64) -> Self {
        match power {
            Some(p) => Self::Power {
                a: end.powf(1.0 / p) - 1.0,
                p,
            },
            None => Self::Exponential { k: end.ln() },
        }
    }

    fn slip(self, t: f64) -> f64 {
        match self {
            Self::Logarithm => t.ln(),
            Self::Even => t,
            Self::Power { a, p: -1.0 } => (a * t).ln_1p() / a,
            Self::Power { a, p } => ((p + 1.0) * (a * t).ln_1p()).exp_m1() / (a * (p + 1.0)),
            Self::Exponential { k } => (k * t).exp_m1() / k,
        }
    }

    /// Its slope at the end.
    fn rate(self) -> f64 {
        match self {
            Self::Logarithm | Self::Even => 1.0,
            Self::Power { a, p } => (1.0 + a).powf(p),
            Self::Exponential { k } => k.exp(),
        }
    }

    /// What it makes in the last decade.
    fn decade(self) -> f64 {
        self.slip(1.0) - self.slip(LAST_DECADE)
    }

    /// What its end costs: nothing from an even rate to that of the logarithm.
    fn cost(self) -> f64 {
        let of_mean = |shape: Self| shape.rate() * (1.0 - LAST_DECADE) / shape.decade();
        let (own, dying) = (of_mean(self), of_mean(Self::Logarithm));
        let beyond = if own > 1.0 {
            own.ln()
        } else {
            (own / dying).ln().min(0.0)
        };
        ODD_COST * beyond * beyond
    }
}

/// A shape with where it begins, its size, the standard error of that, and its sum of squares in units of the scatter.
struct Fitted {
    shape: Shape,
    from: f64,
    size: f64,
    error: f64,
    misfit: f64,
}

impl Fitted {
    /// What decides between shapes.
    fn total(&self) -> f64 {
        self.misfit + self.shape.cost()
    }
}

/// What was fitted of one shape.
fn of_shape(fitted: &[Fitted], shape: Shape) -> Option<&Fitted> {
    fitted.iter().find(|f| f.shape == shape)
}

/// The shape that fits best by a measure.
fn best_by(fitted: &[Fitted], measure: impl Fn(&Fitted) -> f64) -> Option<&Fitted> {
    fitted
        .iter()
        .min_by(|a, b| measure(a).total_cmp(&measure(b)))
}

/// The pace of one list of a slip; `None` where the readings do not determine it.
pub(super) fn of(within: &Within, slip: &Slip, list: &[f64]) -> Option<Pace> {
    let within = &within.since_share(LAST_DECADE);
    if within.elements.len() < NEEDED {
        return None;
    }
    let y = &within.pick(list);
    let shares: Vec<f64> = within.since.iter().map(|t| t / within.duration).collect();
    let fit = |shape: Shape| {
        let x: Vec<f64> = shares.iter().map(|t| shape.slip(*t)).collect();
        Some((shape, within.fit(slip, y, &x)?))
    };
    let mut fits = vec![fit(Shape::Logarithm)?, fit(Shape::Even)?];
    for power in POWERS {
        fits.extend(around_the_best(|end| fit(Shape::with_end(power, end))));
    }
    let (_, best) = fits.iter().min_by(|a, b| a.1.rss.total_cmp(&b.1.rss))?;
    let freedom = best.degrees_of_freedom;
    let spent = freedom as f64 / freedom.saturating_sub(OWN).max(1) as f64;
    let scale = Within::scale(best)? * spent;
    let fitted: Vec<Fitted> = fits
        .iter()
        .map(|(shape, fit)| Fitted {
            shape: *shape,
            from: fit.coefficients[0],
            size: fit.coefficients[1],
            error: fit.standard_error(1, scale),
            misfit: fit.rss / scale,
        })
        .collect();
    let span = within.duration;
    let mut rate = profiled(&fitted, |shape| shape.rate() / span, &shares)?;
    let best = best_by(&fitted, Fitted::total)?;
    if let Some(left) = left_at_the_end(within, slip, list, best) {
        let blur = quantile::normal(0.5 + 0.5 * LEVEL) * left.error;
        let mean = best.size * (best.shape.slip(1.0) - best.shape.slip(END)) / ((1.0 - END) * span);
        // Bent as the shape is, or straight.
        for there in [rate.value + left.value, mean + left.value] {
            rate.low = rate.low.min(there - blur);
            rate.high = rate.high.max(there + blur);
        }
    }
    let curve = (0..=CURVE_POINTS).map(|i| {
        let share = LAST_DECADE.powf(1.0 - f64::from(i) / f64::from(CURVE_POINTS));
        (share * span, best.from + best.size * best.shape.slip(share))
    });
    Some(Pace {
        rate,
        decade: profiled(&fitted, Shape::decade, &shares)?,
        law: named(&fitted, rate, span)?,
        curve: curve.collect(),
    })
}

/// How much faster than the best shape the readings of the end go, m/s, where they surely do: a law that the family does not
/// hold shows there, and there the rate is asked for.
fn left_at_the_end(within: &Within, slip: &Slip, list: &[f64], best: &Fitted) -> Option<Slope> {
    let late = within.since_share(END);
    if late.elements.len() < NEEDED {
        return None;
    }
    let told = |t: &f64| best.from + best.size * best.shape.slip(t / within.duration);
    let read = late.pick(list);
    let left: Vec<f64> = read
        .iter()
        .zip(&late.since)
        .map(|(y, t)| y - told(t))
        .collect();
    let fit = late.fit(slip, &left, &late.since)?;
    let slope = Slope {
        value: fit.coefficients[1],
        error: fit.standard_error(1, Within::scale(&fit)?),
    };
    (slope.value.abs() > AGAINST * slope.error).then_some(slope)
}

/// The law that the shapes and the rate at the end speak for.
fn named(fitted: &[Fitted], rate: Profiled, span: f64) -> Option<Law> {
    let least = best_by(fitted, |f| f.misfit)?.misfit;
    let (logarithm, even) = (
        of_shape(fitted, Shape::Logarithm)?,
        of_shape(fitted, Shape::Even)?,
    );
    let worse = |law: &Fitted| law.misfit - least;
    let end = |law: &Fitted| law.size * law.shape.rate() / span;
    let near = |own: f64| rate.low <= UNEVEN * own && rate.high * UNEVEN >= own;
    Some(
        match (worse(logarithm) > DECISIVE, worse(even) > DECISIVE) {
            (false, false) => Law::Unknown,
            (false, true) => Law::LogLinear,
            (true, false) => Law::Linear,
            // Nothing slid that could slow or speed up.
            _ if end(even) <= 0.0 => Law::Unknown,
            _ if rate.low > UNEVEN * end(even) => {
                if worse(even) > SURELY {
                    Law::Speeding
                } else {
                    Law::Unknown
                }
            }
            // Readings may be so fine that no law fits, and yet it is the one that the rate at the end speaks for.
            _ if near(end(logarithm)) => Law::LogLinear,
            _ if near(end(even)) => Law::Linear,
            _ => Law::Slowing,
        },
    )
}

/// Fits of one power from end to end, ever closer around the best: at every distance from it there is one on either side.
fn around_the_best(
    fit: impl Fn(f64) -> Option<(Shape, LinearFit)>,
) -> impl Iterator<Item = (Shape, LinearFit)> {
    let mut fits: Vec<(f64, (Shape, LinearFit))> = ENDS
        .into_iter()
        .filter_map(|end| Some((end, fit(end)?)))
        .collect();
    for _ in 0..HALVINGS {
        let rss = |i: usize| fits[i].1.1.rss;
        let Some(best) = (0..fits.len()).min_by(|a, b| rss(*a).total_cmp(&rss(*b))) else {
            break;
        };
        let here = fits[best].0;
        for other in [best.checked_sub(1), Some(best + 1)].into_iter().flatten() {
            let between = fits.get(other).map(|f| (here * f.0).sqrt());
            let new = between.and_then(|end| Some((end, fit(end)?)));
            fits.extend(new);
        }
        fits.sort_by(|a, b| a.0.total_cmp(&b.0));
    }
    fits.into_iter().map(|f| f.1)
}

/// A figure that is a multiple of a shape's size: the best, and the widest that the readings allow.
fn profiled(fitted: &[Fitted], of: impl Fn(Shape) -> f64, shares: &[f64]) -> Option<Profiled> {
    let best = best_by(fitted, Fitted::total)?;
    let factor = quantile::normal(0.5 + 0.5 * LEVEL);
    let value = best.size * of(best.shape);
    let (mut low, mut high) = (value, value);
    for f in fitted {
        let left = factor * factor - (f.total() - best.total());
        if left < 0.0 {
            continue;
        }
        let half = f.error * of(f.shape) * left.sqrt();
        low = low.min(f.size * of(f.shape) - half);
        high = high.max(f.size * of(f.shape) + half);
    }
    let shape = best.shape;
    let made = shape.slip(*shares.last()?) - shape.slip(*shares.first()?);
    Some(Profiled {
        value,
        low,
        high,
        even: of_shape(fitted, Shape::Even)?.size * of(Shape::Even),
        per_slip: of(shape) / made,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes and decades of the shapes by differences.
    #[test]
    fn shapes_rise_and_their_slopes_are_theirs() {
        let ends = |power| ENDS.map(|end| Shape::with_end(power, end));
        let all = POWERS.into_iter().flat_map(ends);
        for shape in all.chain([Shape::Logarithm, Shape::Even]) {
            let step = 1e-8;
            let slope = (shape.slip(1.0) - shape.slip(1.0 - step)) / step;
            assert!((slope / shape.rate() - 1.0).abs() < 2e-3, "{shape:?}");
            assert!(shape.slip(0.9) > shape.slip(0.1), "{shape:?}");
        }
        assert!((Shape::Logarithm.decade() - 10f64.ln()).abs() < 1e-12);
        assert!((Shape::Even.decade() - 0.9).abs() < 1e-12);
        assert!((Shape::with_end(Some(1.0), 3.0).rate() - 3.0).abs() < 1e-12);
    }

    /// What the words mean where the readings are so fine that both plain laws are refused.
    #[test]
    fn a_law_is_named_by_its_end() {
        let fits = |shape, end: f64, misfit| Fitted {
            shape,
            from: 0.0,
            size: end,
            error: 0.0,
            misfit,
        };
        let law = |even: f64, rate: f64, refused: f64| {
            let fitted = [
                fits(Shape::Logarithm, 0.4 * even, refused),
                fits(Shape::Even, even, refused),
                fits(Shape::Exponential { k: 1.0 }, even, 0.0),
            ];
            let told = Profiled {
                value: rate,
                low: rate - 0.02 * rate.abs(),
                high: rate + 0.02 * rate.abs(),
                even,
                per_slip: 1.0,
            };
            named(&fitted, told, 1.0).unwrap()
        };
        let ends = [1.3, 1.1, 0.9, 0.7, 0.45, 0.36, 0.2];
        let laws = [
            Law::Speeding,
            Law::Linear,
            Law::Linear,
            Law::Slowing,
            Law::LogLinear,
            Law::LogLinear,
            Law::Slowing,
        ];
        assert_eq!(ends.map(|end| law(1.0, end, 1e6)), laws);
        // Speeding up is said three standard errors off, not two; of no slip nothing is said.
        assert_eq!(law(1.0, 1.3, 8.9), Law::Unknown);
        assert_eq!(law(1.0, 1.3, 9.1), Law::Speeding);
        assert_eq!(law(-1.0, -0.5, 1e6), Law::Unknown);
        assert_eq!(law(1.0, 1.3, 3.9), Law::Unknown);
    }

    /// Words of reports and of machine files are the same.
    #[test]
    fn laws_are_written_as_they_are_said() {
        for law in [
            Law::LogLinear,
            Law::Slowing,
            Law::Linear,
            Law::Speeding,
            Law::Unknown,
        ] {
            assert_eq!(serde_json::to_value(law).unwrap(), law.word());
        }
    }
}
