//! Range of k means over a standard deviation estimated apart: how far apart do the outermost of k equal means fall by
//! chance?
//!
//! Method: the distribution of the range of k standard normal values, `k ∫ φ(z)·(Φ(z) − Φ(z − r))^(k−1) dz`, tabulated once
//! per k with its slope, then averaged over the distribution of `χ/√ν` by Gauss–Legendre quadrature on panels.
//! Source: the definition; checked on quantiles of scipy and on answers of Tukey and of Games and Howell.

use statrs::function::gamma::ln_gamma;

use super::quantile;
use super::tolerance::GAUSS_10;

/// Ranges up to this are tabulated; a wider one has a probability below 1e-16 for any k that occurs.
const WIDEST: f64 = 14.0;
const CELLS: usize = 700;

/// The studentized range of `k` means.
#[derive(Debug, Clone)]
pub struct StudentizedRange {
    /// Probability of a range up to i·WIDEST/CELLS, and its slope.
    table: Vec<(f64, f64)>,
}

impl StudentizedRange {
    /// Of `k` means; fewer than two count as two.
    #[must_use]
    pub fn new(k: usize) -> Self {
        let k = k.max(2);
        let step = WIDEST / CELLS as f64;
        let table = (0..=CELLS).map(|i| of_range(i as f64 * step, k)).collect();
        Self { table }
    }

    /// Probability of a range up to `r` with a known standard deviation.
    fn known(&self, r: f64) -> f64 {
        if r <= 0.0 {
            return 0.0;
        }
        let place = r / WIDEST * CELLS as f64;
        let cell = place.floor();
        if cell >= CELLS as f64 {
            return 1.0;
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a place inside the table"
        )]
        let i = cell as usize;
        let (t, step) = (place - cell, WIDEST / CELLS as f64);
        let ((p0, m0), (p1, m1)) = (self.table[i], self.table[i + 1]);
        // Cubic through both values and slopes.
        let (t2, t3) = (t * t, t * t * t);
        (2.0 * t3 - 3.0 * t2 + 1.0) * p0
            + (t3 - 2.0 * t2 + t) * step * m0
            + (3.0 * t2 - 2.0 * t3) * p1
            + (t3 - t2) * step * m1
    }

    /// Probability that the studentized range with `freedom` degrees of freedom is at most `q`.
    #[must_use]
    pub fn share(&self, q: f64, freedom: f64) -> f64 {
        if q <= 0.0 || q.is_nan() || freedom.is_nan() {
            return 0.0;
        }
        if freedom > 1e6 {
            return self.known(q);
        }
        let half = 0.5 * freedom;
        let ln_factor = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
        let density = |w: f64| (ln_factor + (freedom - 1.0) * w.ln() - half * w * w).exp();
        let spread = 12.0 / (2.0 * freedom).sqrt();
        let (start, end) = ((1.0 - spread).max(0.0), 1.0 + spread);
        let mut cuts: Vec<f64> = (0..=16)
            .map(|i| start + (end - start) * f64::from(i) / 16.0)
            .collect();
        // The range changes within w = 0 … WIDEST/q.
        cuts.extend(
            (1..=14)
                .map(|i| f64::from(i) / q)
                .filter(|w| *w > start && *w < end),
        );
        cuts.sort_by(f64::total_cmp);
        cuts.windows(2)
            .map(|panel| {
                let (middle, width) = (0.5 * (panel[0] + panel[1]), 0.5 * (panel[1] - panel[0]));
                if width <= 0.0 {
                    return 0.0;
                }
                width
                    * GAUSS_10
                        .iter()
                        .flat_map(|(node, weight)| [(*node, *weight), (-*node, *weight)])
                        .map(|(node, weight)| {
                            let w = middle + width * node;
                            weight * density(w) * self.known(q * w)
                        })
                        .sum::<f64>()
            })
            .sum::<f64>()
            .min(1.0)
    }

    /// Quantile: the range that is not exceeded with probability `p`. Infinite where nothing bounds it.
    #[must_use]
    pub fn quantile(&self, p: f64, freedom: f64) -> f64 {
        if !(p > 0.0 && p < 1.0) || freedom.is_nan() || freedom < 0.1 {
            return f64::INFINITY;
        }
        let (mut low, mut high) = (0.0, 4.0);
        while self.share(high, freedom) < p {
            low = high;
            high *= 2.0;
            if high > 1e9 {
                return f64::INFINITY;
            }
        }
        // Regula falsi with halved weights, safe because the share rises.
        let (mut at_low, mut at_high) =
            (self.share(low, freedom) - p, self.share(high, freedom) - p);
        for _ in 0..100 {
            let middle = high - at_high * (high - low) / (at_high - at_low);
            let at = self.share(middle, freedom) - p;
            if at.abs() < 1e-13 || (high - low) < 1e-11 * high {
                return middle;
            }
            if at > 0.0 {
                (high, at_high) = (middle, at);
                at_low *= 0.5;
            } else {
                (low, at_low) = (middle, at);
                at_high *= 0.5;
            }
        }
        0.5 * (low + high)
    }
}

/// Probability that the range of `k` standard normal values is at most `r`, and its density there.
fn of_range(r: f64, k: usize) -> (f64, f64) {
    if r <= 0.0 {
        return (
            0.0,
            if k == 2 {
                1.0 / std::f64::consts::PI.sqrt()
            } else {
                0.0
            },
        );
    }
    // z is the largest value; the smallest lies above z − r.
    let (from, to) = (-8.5, 8.5 + r.min(8.5));
    const PANELS: usize = 34;
    let width = 0.5 * (to - from) / PANELS as f64;
    let factor = k as f64;
    let (mut share, mut slope) = (0.0, 0.0);
    for panel in 0..PANELS {
        let middle = from + width * (2 * panel + 1) as f64;
        for (node, weight) in GAUSS_10
            .iter()
            .flat_map(|(node, weight)| [(*node, *weight), (-*node, *weight)])
        {
            let z = middle + width * node;
            let density = normal_density(z);
            if density < 1e-22 {
                continue;
            }
            let inside = quantile::normal_share(z) - quantile::normal_share(z - r);
            let power = inside.powi(i32::try_from(k - 2).unwrap_or(i32::MAX));
            share += weight * factor * density * power * inside;
            slope += weight * factor * (factor - 1.0) * density * power * normal_density(z - r);
        }
    }
    (share * width, slope * width)
}

fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt()
}
