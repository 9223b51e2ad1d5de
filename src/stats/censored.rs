//! A distribution fitted to values of which some are only bounded: what are its parameters, and how sure are they?
//!
//! Method: maximum likelihood by Newton steps on location and log scale, from observed values, values known to lie above a
//! bound (a load that was held) and values known to lie between two bounds. Covariance from the observed information.
//! Assumptions: independent values; a bound says nothing about the value beyond itself.
//! Source: Meeker and Escobar 1998, chapters 2 and 8; checked on estimates of R's `survival` and of scipy.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::quantile;

/// Family of a distribution of positive loads.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Family {
    /// Logarithms are normal.
    Lognormal,
    /// Values are normal.
    Normal,
    /// Logarithms follow the smallest-extreme-value distribution.
    Weibull,
}

impl Family {
    /// Every family, the default first.
    pub const ALL: [Self; 3] = [Self::Lognormal, Self::Normal, Self::Weibull];

    /// Its name.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Lognormal => "lognormal",
            Self::Normal => "normal",
            Self::Weibull => "Weibull",
        }
    }

    /// From a value to the scale on which the family has a location and a scale.
    #[must_use]
    pub fn forward(self, value: f64) -> f64 {
        match self {
            Self::Normal => value,
            Self::Lognormal | Self::Weibull => value.ln(),
        }
    }

    /// Back from that scale.
    #[must_use]
    pub fn back(self, y: f64) -> f64 {
        match self {
            Self::Normal => y,
            Self::Lognormal | Self::Weibull => y.exp(),
        }
    }

    /// Standard quantile: location 0, scale 1.
    #[must_use]
    pub fn standard_quantile(self, p: f64) -> f64 {
        match self {
            Self::Weibull => (-(-p).ln_1p()).ln(),
            Self::Lognormal | Self::Normal => quantile::normal(p),
        }
    }

    fn terms(self) -> Terms {
        match self {
            Self::Weibull => EXTREME,
            Self::Lognormal | Self::Normal => NORMAL,
        }
    }
}

/// One value as far as it is known.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub enum Observed {
    /// The value itself.
    At(f64),
    /// Above this: held, and not reached.
    Above(f64),
    /// Between these.
    Between(f64, f64),
}

impl Observed {
    /// The value, or the bound from which on it is unknown.
    #[must_use]
    pub fn start(self) -> f64 {
        match self {
            Self::At(v) | Self::Above(v) | Self::Between(v, _) => v,
        }
    }

    /// True where the value itself is known, or bounded on both sides.
    #[must_use]
    pub fn is_reached(self) -> bool {
        !matches!(self, Self::Above(_))
    }

    fn map(self, f: impl Fn(f64) -> f64) -> Self {
        match self {
            Self::At(v) => Self::At(f(v)),
            Self::Above(v) => Self::Above(f(v)),
            Self::Between(a, b) => Self::Between(f(a), f(b)),
        }
    }
}

/// A fitted distribution.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The family.
    pub family: Family,
    /// Location on the family's scale (for a lognormal, the mean of the logarithms).
    pub location: f64,
    /// Scale there (for a lognormal, the standard deviation of the logarithms).
    pub scale: f64,
    /// Variance of the location, covariance of location and log scale, variance of the log scale.
    pub covariance: [f64; 3],
    /// Log likelihood of the values themselves.
    pub log_likelihood: f64,
    /// Number of values.
    pub n: usize,
    /// Number of values that are more than a lower bound.
    pub reached: usize,
}

impl Fitted {
    /// Quantile on the family's own scale, with its standard error.
    #[must_use]
    pub fn scaled_quantile(&self, p: f64) -> (f64, f64) {
        let z = self.family.standard_quantile(p);
        let [vm, cov, vt] = self.covariance;
        let slope = z * self.scale;
        let variance = vm + 2.0 * slope * cov + slope * slope * vt;
        (self.location + slope, variance.max(0.0).sqrt())
    }

    /// Quantile with its standard error (first order), in the unit of the values.
    #[must_use]
    pub fn quantile(&self, p: f64) -> (f64, f64) {
        let (y, error) = self.scaled_quantile(p);
        let value = self.family.back(y);
        match self.family {
            Family::Normal => (value, error),
            Family::Lognormal | Family::Weibull => (value, value * error),
        }
    }
}

/// Why there is no fit.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum FitError {
    /// Fewer than two values were reached, or one value would do for all.
    #[error(
        "{reached} of {n} values were reached, or one load would do for all: a spread needs two that surely differ"
    )]
    NoSpread {
        /// Values reached.
        reached: usize,
        /// Values.
        n: usize,
    },
    /// A value that is no number, not positive for a family of logarithms, or bounds that are not in order.
    #[error("{value} cannot be a value of this family")]
    BadValue {
        /// The value.
        value: f64,
    },
    /// The likelihood has no maximum that the steps reach.
    #[error("the likelihood has no maximum: too few values are more than a bound")]
    NoMaximum,
}

/// Newton steps allowed; ten do for every usual set.
const STEPS: usize = 200;

/// Fits one family.
///
/// # Errors
/// See [`FitError`].
pub fn fit(family: Family, values: &[Observed]) -> Result<Fitted, FitError> {
    for value in values {
        let (from, to) = match *value {
            Observed::At(v) | Observed::Above(v) => (v, v),
            Observed::Between(a, b) => (a, b),
        };
        let bad = !from.is_finite()
            || !to.is_finite()
            || to < from
            || (family != Family::Normal && from <= 0.0);
        if bad {
            return Err(FitError::BadValue { value: from });
        }
    }
    let scaled: Vec<Observed> = values
        .iter()
        .map(|v| v.map(|x| family.forward(x)))
        .collect();
    let fitted = fit_scaled(family, &scaled)?;
    // The density of a value is that of its logarithm over the value.
    let jacobian: f64 = match family {
        Family::Normal => 0.0,
        Family::Lognormal | Family::Weibull => values
            .iter()
            .map(|v| match v {
                Observed::At(x) => x.ln(),
                _ => 0.0,
            })
            .sum(),
    };
    Ok(Fitted {
        log_likelihood: fitted.log_likelihood - jacobian,
        ..fitted
    })
}

/// Fits values that are on the family's own scale already.
///
/// # Errors
/// See [`FitError`].
pub fn fit_scaled(family: Family, values: &[Observed]) -> Result<Fitted, FitError> {
    let n = values.len();
    let reached = values.iter().filter(|v| v.is_reached()).count();
    let middles: Vec<f64> = values
        .iter()
        .map(|v| match *v {
            Observed::At(y) | Observed::Above(y) => y,
            Observed::Between(a, b) => 0.5 * (a + b),
        })
        .collect();
    let mean = middles.iter().sum::<f64>() / n.max(1) as f64;
    let spread = (middles.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / n.max(1) as f64).sqrt();
    // One point within all of them is a spread of nothing, however wide they are.
    let (from, to) = values
        .iter()
        .fold((f64::NEG_INFINITY, f64::INFINITY), |(from, to), v| {
            let (a, b) = match *v {
                Observed::At(y) => (y, y),
                Observed::Above(y) => (y, f64::INFINITY),
                Observed::Between(a, b) => (a, b),
            };
            (f64::max(from, a), f64::min(to, b))
        });
    let alike = from - to <= 1e-12 * from.abs().max(1e-300);
    if reached < 2 || alike {
        return Err(FitError::NoSpread { reached, n });
    }
    let terms = family.terms();
    let (mut location, mut log_scale) = (mean, spread.ln());
    let mut now = evaluate(&terms, values, location, log_scale);
    for _ in 0..STEPS {
        let (step_l, step_s) = now.newton_step(log_scale);
        let mut share = 1.0;
        let mut next = None;
        while share > 1e-12 {
            let (l, s) = (location + share * step_l, log_scale + share * step_s);
            let there = evaluate(&terms, values, l, s);
            if there.value.is_finite() && there.value >= now.value - 1e-13 * now.value.abs() {
                next = Some((l, s, there));
                break;
            }
            share *= 0.5;
        }
        let Some((l, s, there)) = next else {
            break;
        };
        let moved = (l - location).abs() / s.exp() + (s - log_scale).abs();
        (location, log_scale, now) = (l, s, there);
        if moved < 1e-11 {
            break;
        }
        // A likelihood without a maximum lets the scale run away.
        if (log_scale - spread.ln()).abs() > 30.0 {
            return Err(FitError::NoMaximum);
        }
    }
    let scale = log_scale.exp();
    let [hll, hls, hss] = now.hessian;
    let determinant = hll * hss - hls * hls;
    let flat = (now.gradient[0] * scale).abs() + now.gradient[1].abs() < 1e-6 * n as f64;
    if !(determinant > 0.0 && hll < 0.0 && flat) {
        return Err(FitError::NoMaximum);
    }
    Ok(Fitted {
        family,
        location,
        scale,
        covariance: [-hss / determinant, hls / determinant, -hll / determinant],
        log_likelihood: now.value,
        n,
        reached,
    })
}

/// Log likelihood with its derivatives by location and log scale.
struct Surface {
    value: f64,
    gradient: [f64; 2],
    hessian: [f64; 3],
}

impl Surface {
    /// The Newton step where the surface is curved downward, else a step uphill of the size of the scale.
    fn newton_step(&self, log_scale: f64) -> (f64, f64) {
        let [g1, g2] = self.gradient;
        let [a, b, c] = self.hessian;
        let determinant = a * c - b * b;
        if a < 0.0 && determinant > 0.0 {
            let step = (
                -(c * g1 - b * g2) / determinant,
                -(a * g2 - b * g1) / determinant,
            );
            // Not more than a few scales at once.
            let size = step.0.abs() / log_scale.exp() + step.1.abs();
            let share = (3.0 / size).min(1.0);
            return (share * step.0, share * step.1);
        }
        let scale = log_scale.exp();
        let size = (g1 * scale).abs() + g2.abs();
        (scale * scale * g1 / size, g2 / size)
    }
}

fn evaluate(terms: &Terms, values: &[Observed], location: f64, log_scale: f64) -> Surface {
    let scale = log_scale.exp();
    let mut s = Surface {
        value: 0.0,
        gradient: [0.0; 2],
        hessian: [0.0; 3],
    };
    // z = (y − location)/scale: dz/dlocation = −1/scale, dz/dlog scale = −z.
    let mut add_one = |h: [f64; 3], z: f64| {
        let [value, first, second] = h;
        s.value += value;
        s.gradient[0] -= first / scale;
        s.gradient[1] -= z * first;
        s.hessian[0] += second / (scale * scale);
        s.hessian[1] += (second * z + first) / scale;
        s.hessian[2] += (second * z + first) * z;
    };
    let mut exact = 0.0;
    for value in values {
        match *value {
            Observed::At(y) => {
                let z = (y - location) / scale;
                add_one((terms.log_density)(z), z);
                exact += 1.0;
            }
            Observed::Above(y) => {
                let z = (y - location) / scale;
                add_one((terms.log_survival)(z), z);
            }
            Observed::Between(..) => {}
        }
    }
    s.value -= exact * log_scale;
    s.gradient[1] -= exact;
    for value in values {
        let Observed::Between(a, b) = *value else {
            continue;
        };
        let (za, zb) = ((a - location) / scale, (b - location) / scale);
        let (fa, fb) = ((terms.log_density)(za), (terms.log_density)(zb));
        // ln(S(a) − S(b)), kept exact in the upper tail.
        let (sa, sb) = ((terms.log_survival)(za)[0], (terms.log_survival)(zb)[0]);
        let log_p = sa + (-(sb - sa).exp()).ln_1p();
        if !log_p.is_finite() {
            // A bracket of no width is a value; so narrow a one is taken as its middle.
            let z = 0.5 * (za + zb);
            let mut h = (terms.log_density)(z);
            h[0] += (zb - za).max(1e-300).ln();
            s.value += h[0];
            s.gradient[0] -= h[1] / scale;
            s.gradient[1] -= z * h[1] + 1.0;
            s.hessian[0] += h[2] / (scale * scale);
            s.hessian[1] += (h[2] * z + h[1]) / scale;
            s.hessian[2] += (h[2] * z + h[1]) * z;
            continue;
        }
        let (ha, hb) = (-(fa[0] - log_p).exp(), (fb[0] - log_p).exp());
        let haa = ha * fa[1] - ha * ha;
        let hbb = hb * fb[1] - hb * hb;
        let hab = -ha * hb;
        let (dz_a, dz_b) = ([-1.0 / scale, -za], [-1.0 / scale, -zb]);
        s.value += log_p;
        for k in 0..2 {
            s.gradient[k] += ha * dz_a[k] + hb * dz_b[k];
        }
        for (k, (i, j)) in [(0, 0), (0, 1), (1, 1)].into_iter().enumerate() {
            s.hessian[k] += haa * dz_a[i] * dz_a[j]
                + hbb * dz_b[i] * dz_b[j]
                + hab * (dz_a[i] * dz_b[j] + dz_b[i] * dz_a[j]);
        }
        // Second derivatives of z itself: 1/scale for the mixed one, z for the log scale twice.
        s.hessian[1] += (ha + hb) / scale;
        s.hessian[2] += ha * za + hb * zb;
    }
    s
}

/// Logarithms of standard density and survival, each with two derivatives.
struct Terms {
    log_density: fn(f64) -> [f64; 3],
    log_survival: fn(f64) -> [f64; 3],
}

const NORMAL: Terms = Terms {
    log_density: |z| [-0.5 * z * z - HALF_LN_TWO_PI, -z, -1.0],
    log_survival: |z| {
        let (log_s, hazard) = normal_tail(z);
        [log_s, -hazard, -hazard * (hazard - z)]
    },
};

/// Smallest extreme value: density exp(z − e^z), survival exp(−e^z).
const EXTREME: Terms = Terms {
    log_density: |z| [z - z.exp(), 1.0 - z.exp(), -z.exp()],
    log_survival: |z| [-z.exp(), -z.exp(), -z.exp()],
};

const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_7;

/// Logarithm of the normal survival function, and the hazard (density over survival).
pub(crate) fn normal_tail(z: f64) -> (f64, f64) {
    if z > 25.0 {
        // Asymptotic series of Mills' ratio; the next term is below 1e-9 of the whole.
        let w = 1.0 / (z * z);
        let mills = (1.0 - w * (1.0 - 3.0 * w * (1.0 - 5.0 * w * (1.0 - 7.0 * w)))) / z;
        return (-0.5 * z * z - HALF_LN_TWO_PI + mills.ln(), 1.0 / mills);
    }
    let survival = quantile::normal_share(-z);
    let density = (-0.5 * z * z - HALF_LN_TWO_PI).exp();
    (survival.ln(), density / survival)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derivatives against differences, brackets included.
    #[test]
    fn derivatives_are_those_of_the_likelihood() {
        let values = [
            Observed::At(1.2),
            Observed::Above(1.5),
            Observed::Between(0.7, 1.4),
            Observed::At(0.4),
        ];
        for terms in [NORMAL, EXTREME] {
            let (l, s, d) = (0.9, -0.4, 1e-5);
            let at = |l: f64, s: f64| evaluate(&terms, &values, l, s);
            let here = at(l, s);
            let g0 = (at(l + d, s).value - at(l - d, s).value) / (2.0 * d);
            let g1 = (at(l, s + d).value - at(l, s - d).value) / (2.0 * d);
            assert!((here.gradient[0] - g0).abs() < 1e-7 && (here.gradient[1] - g1).abs() < 1e-7);
            for (k, (i, dl, ds)) in [(0, d, 0.0), (1, d, 0.0), (1, 0.0, d)]
                .into_iter()
                .enumerate()
            {
                let (up, down) = (at(l + dl, s + ds), at(l - dl, s - ds));
                let h = (up.gradient[i] - down.gradient[i]) / (2.0 * d);
                assert!(
                    (here.hessian[k] - h).abs() < 1e-6,
                    "{k}: {} {h}",
                    here.hessian[k]
                );
            }
        }
    }

    /// A bracket that shrinks becomes the value in it.
    #[test]
    fn narrow_brackets_are_values() {
        let at = [3.1, 4.0, 4.4, 5.2].map(Observed::At);
        let near = [3.1, 4.0, 4.4, 5.2].map(|v| Observed::Between(v - 1e-6, v + 1e-6));
        let (a, b) = (
            fit(Family::Lognormal, &at).unwrap(),
            fit(Family::Lognormal, &near).unwrap(),
        );
        assert!((a.location - b.location).abs() < 1e-8 && (a.scale - b.scale).abs() < 1e-8);
    }

    #[test]
    fn the_far_tail_joins_the_near_one() {
        let (a, b) = (normal_tail(24.999_999), normal_tail(25.000_001));
        assert!((a.0 - b.0).abs() < 1e-4 && (a.1 / b.1 - 1.0).abs() < 1e-6);
    }

    #[test]
    fn what_cannot_be_fitted_says_so() {
        let none = [
            Observed::Above(3.0),
            Observed::Above(4.0),
            Observed::At(3.5),
        ];
        assert!(matches!(
            fit(Family::Normal, &none),
            Err(FitError::NoSpread { reached: 1, n: 3 })
        ));
        assert!(matches!(
            fit(Family::Weibull, &[Observed::At(-1.0), Observed::At(2.0)]),
            Err(FitError::BadValue { .. })
        ));
        let alike = [Observed::At(2.0), Observed::At(2.0)];
        // One load of 2.5 would do for all of them: nothing says that they scatter.
        let overlapping = [
            Observed::Between(1.0, 3.0),
            Observed::Between(2.0, 4.0),
            Observed::Above(2.4),
        ];
        for values in [&alike[..], &overlapping[..]] {
            assert!(matches!(
                fit(Family::Lognormal, values),
                Err(FitError::NoSpread { .. })
            ));
        }
        let apart = [Observed::Between(1.0, 2.0), Observed::Between(3.0, 4.0)];
        assert!(fit(Family::Lognormal, &apart).is_ok());
    }
}
