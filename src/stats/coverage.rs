//! How wide is an interval that covers a stated share of the sum of a normal and several rectangular errors?
//!
//! The sum of a statistical error and of instrument limits is not normal: one dominant rectangular error makes the
//! plain root-sum-of-squares rule too wide (JCGM 101, 9.2.4: ±17.0 where twice the root of the sum says ±19.9), and the
//! rectangular limits added straight are wider still. Here the distribution of the sum is inverted.
//!
//! Two exact forms, whichever is cheap and keeps its digits:
//! - **Fourier series.** The characteristic function is `exp(−s²t²/2) · Π sin(aᵢt)/(aᵢt)`. Wrapped on a period that holds the
//!   whole distribution twice, the probability of `±h` is a sine series of it.
//! - **Corners.** The distribution function is a sum over the 2ⁿ corners of the box of rectangular errors, of the n-th
//!   repeated integral of the normal distribution function. It loses digits where a rectangle is small against the whole.

use std::f64::consts::{PI, SQRT_2};

/// Rectangles whose half widths add up to less than this share of the whole are dropped: the half width of the
/// interval changes by no more than their sum.
const NEGLIGIBLE: f64 = 1e-8;
/// A rectangle narrower than this share of the normal error is taken as normal with its variance; what is left out is
/// of the order of the fourth power.
const SMALL_BESIDE_NORMAL: f64 = 1e-2;
/// Terms of the Fourier series beyond which the corners are preferred.
const MOST_TERMS: usize = 200_000;
/// Neglected probability of the Fourier series.
const TAIL: f64 = 1e-11;
/// Rounding of the sum over the corners that is accepted, as a probability.
const ROUNDING: f64 = 1e-9;

/// Half width `h` such that `±h` covers the share `level` of the sum of a normal error with standard deviation
/// `normal_sd` and independent rectangular errors uniform on `±a` for each `a` of `rectangular_half_widths`.
///
/// Same unit in and out. Non-finite or negative inputs count as their absolute value where finite, else give
/// infinity; `level` is held inside [0, 1 − 1e-9]. Relative accuracy 1e-6 or better, except where two or more
/// rectangles are below a thousandth of the whole and no normal error smooths them: those are then taken as normal.
///
/// Source: JCGM 101:2008, 9.2; characteristic functions after any text on probability.
#[must_use]
pub fn half_width(normal_sd: f64, rectangular_half_widths: &[f64], level: f64) -> f64 {
    if !normal_sd.is_finite()
        || rectangular_half_widths.iter().any(|a| !a.is_finite())
        || !level.is_finite()
    {
        return f64::INFINITY;
    }
    let level = level.clamp(0.0, 1.0 - 1e-9);
    let mut sum = Sum::reduced(normal_sd.abs(), rectangular_half_widths);
    if sum.reach() <= 0.0 || level <= 0.0 {
        return 0.0;
    }
    loop {
        if sum.boxes.is_empty() {
            return solve(level, sum.reach(), |h| libm::erf(h / (sum.normal * SQRT_2)));
        }
        if sum.boxes.len() == 1 && sum.normal <= 0.0 {
            return level * sum.boxes[0];
        }
        if let Some(series) = sum.series() {
            return solve(level, sum.reach(), |h| series.within(h));
        }
        if sum.corner_rounding() <= ROUNDING {
            return solve(level, sum.reach(), |h| 2.0 * sum.corners(h) - 1.0);
        }
        // Neither form is good: the smallest rectangle joins the normal error, and the next round is easier.
        if let Some(smallest) = sum.boxes.pop() {
            sum.normal = sum.normal.hypot(smallest / 3f64.sqrt());
        }
    }
}

/// Normal and rectangular errors that matter, rectangles from the widest to the narrowest.
struct Sum {
    normal: f64,
    boxes: Vec<f64>,
}

/// Sine series of the probability: `P(|X| ≤ h) = 2h/period + Σ coefficient_k · sin(2πkh/period)`.
struct Series {
    period: f64,
    coefficients: Vec<f64>,
}

impl Sum {
    fn reduced(normal: f64, rectangular: &[f64]) -> Self {
        let mut boxes: Vec<f64> = rectangular
            .iter()
            .map(|a| a.abs())
            .filter(|a| *a > 0.0)
            .collect();
        boxes.sort_by(|a, b| b.total_cmp(a));
        let mut normal = normal;
        let whole = normal + boxes.iter().sum::<f64>();
        let mut dropped = 0.0;
        while let Some(&smallest) = boxes.last() {
            if smallest < SMALL_BESIDE_NORMAL * normal {
                normal = normal.hypot(smallest / 3f64.sqrt());
            } else if dropped + smallest < NEGLIGIBLE * whole {
                dropped += smallest;
            } else {
                break;
            }
            boxes.pop();
        }
        Self { normal, boxes }
    }

    /// Beyond this the sum practically never reaches (9 standard deviations: 1e-19).
    fn reach(&self) -> f64 {
        9.0 * self.normal + self.boxes.iter().sum::<f64>()
    }

    /// The Fourier series, unless it would need too many terms.
    fn series(&self) -> Option<Series> {
        let period = 2.0 * self.reach();
        let step = 2.0 * PI / period;
        let mut coefficients = Vec::new();
        for k in 1..=MOST_TERMS {
            let t = step * k as f64;
            let mut phi = (-0.5 * (self.normal * t).powi(2)).exp();
            let mut bound = phi;
            for a in &self.boxes {
                phi *= (a * t).sin() / (a * t);
                bound *= (1.0 / (a * t)).min(1.0);
            }
            coefficients.push(2.0 * phi / (PI * k as f64));
            // The bound falls at least as 1/t where a rectangle is wide, so the neglected rest is about bound · 1.
            if bound < TAIL {
                return Some(Series {
                    period,
                    coefficients,
                });
            }
        }
        None
    }

    /// Digits that the sum over the corners loses, as a probability.
    fn corner_rounding(&self) -> f64 {
        let whole = self.reach();
        let loss: f64 = self
            .boxes
            .iter()
            .map(|a| (whole / (2.0 * a)).max(1.0))
            .product();
        let n = self.boxes.len() as i32;
        if n > 12 {
            return f64::INFINITY;
        }
        loss * 2f64.powi(n) * f64::EPSILON / (1..=n).map(f64::from).product::<f64>()
    }

    /// Distribution function at `x` as a sum over the corners.
    fn corners(&self, x: f64) -> f64 {
        let n = self.boxes.len();
        let mut total = 0.0;
        for corner in 0..(1usize << n) {
            let mut at = x;
            let mut sign = 1.0;
            for (i, a) in self.boxes.iter().enumerate() {
                if corner >> i & 1 == 0 {
                    at += a;
                } else {
                    at -= a;
                    sign = -sign;
                }
            }
            total += sign * repeated_integral(n, at, self.normal);
        }
        total / self.boxes.iter().map(|a| 2.0 * a).product::<f64>()
    }
}

impl Series {
    fn within(&self, h: f64) -> f64 {
        let angle = 2.0 * PI * h / self.period;
        // Smallest terms first.
        let waves: f64 = self
            .coefficients
            .iter()
            .enumerate()
            .rev()
            .map(|(i, c)| c * ((i + 1) as f64 * angle).sin())
            .sum();
        2.0 * h / self.period + waves
    }
}

/// n-th repeated integral, from −∞ to `x`, of the distribution function of a normal error with standard deviation `sd`:
/// `G₀ = Φ`, `Gₙ(x) = (x·Gₙ₋₁ + sd²·Gₙ₋₂)/n`; without normal error `xⁿ/n!` for positive `x`.
fn repeated_integral(n: usize, x: f64, sd: f64) -> f64 {
    if sd <= 0.0 {
        let factorial: f64 = (1..=n).map(|k| k as f64).product();
        return if x > 0.0 {
            x.powi(n as i32) / factorial
        } else {
            0.0
        };
    }
    let z = x / sd;
    let mut before = (-0.5 * z * z).exp() / (sd * (2.0 * PI).sqrt());
    let mut here = 0.5 * libm::erfc(-z / SQRT_2);
    for k in 1..=n {
        let next = (x * here + sd * sd * before) / k as f64;
        before = here;
        here = next;
    }
    here
}

/// `h` in [0, reach] with `within(h) = level`: the secant of the bracket, halved when it is slow (Illinois rule).
fn solve(level: f64, reach: f64, within: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, reach);
    let (mut f_low, mut f_high) = (-level, 1.0 - level);
    let mut h = high;
    for _ in 0..200 {
        h = (low * f_high - high * f_low) / (f_high - f_low);
        if !h.is_finite() || h <= low || h >= high {
            h = 0.5 * (low + high);
        }
        let f = within(h) - level;
        if f == 0.0 || high - low <= 1e-13 * reach || f.abs() < 1e-14 {
            break;
        }
        if f < 0.0 {
            low = h;
            f_low = f;
            f_high *= 0.5;
        } else {
            high = h;
            f_high = f;
            f_low *= 0.5;
        }
    }
    h
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, wanted: f64, tolerance: f64) {
        assert!(
            (found - wanted).abs() <= tolerance,
            "{found} is not {wanted} ± {tolerance}"
        );
    }

    /// JCGM 101:2008, 9.2: the additive model with four inputs of standard deviation 1.
    #[test]
    fn the_three_sums_of_jcgm_101() {
        let a = 3f64.sqrt();
        // 9.2.2: four normals, ±3.92.
        close(half_width(2.0, &[], 0.95), 3.919_927_969_080_108, 1e-9);
        // 9.2.3: four rectangulars; the standard prints the analytic ±3.88, sources.md ±3.879. Irwin–Hall with n = 4:
        // the tail of 0.025 is u⁴/24 with u = (0.6)^(1/4), so h = (4/2 − u)·2·√3.
        let exact = (2.0 - 0.6f64.powf(0.25)) * 2.0 * a;
        close(exact, 3.879, 5e-4);
        close(half_width(0.0, &[a; 4], 0.95), exact, 1e-8);
        // 9.2.4: one of them ten times as wide, ±17.0.
        let dominant = half_width(0.0, &[a, a, a, 10.0 * a], 0.95);
        close(dominant, 17.0, 0.05);
    }

    /// Single rectangles are known exactly; two give a trapezoid and a quadratic equation; a normal error alone is in tables.
    #[test]
    fn sums_with_a_closed_form() {
        close(half_width(0.0, &[2.0], 0.95), 1.9, 1e-12);
        close(half_width(1.0, &[0.0], 0.95), 1.959_963_984_540_054, 1e-9);
        for (a, b) in [(1.0_f64, 1.0_f64), (1.0, 0.3), (1.0, 0.01), (1.0, 1e-6)] {
            // Tail beyond h within the sloping end: (a + b − h)²/(8ab) = 0.025.
            let sloping = a + b - (0.2 * a * b).sqrt();
            let wanted = if sloping >= a - b { sloping } else { 0.95 * a };
            close(half_width(0.0, &[a, b], 0.95), wanted, 1e-6 * wanted);
        }
        assert_eq!(half_width(0.0, &[], 0.95), 0.0);
        assert_eq!(half_width(f64::NAN, &[], 0.95), f64::INFINITY);
    }

    /// The two forms are independent of each other: where both keep their digits they agree.
    #[test]
    fn series_and_corners_agree() {
        for (normal, boxes) in [
            (1.0, vec![1.0, 0.7]),
            (0.3, vec![2.0, 1.0, 0.5]),
            (0.05, vec![1.0]),
            (0.2, vec![5.0, 0.1]),
            (1.0, vec![4.0, 3.0, 2.0, 1.0]),
        ] {
            let sum = Sum::reduced(normal, &boxes);
            let series = sum.series().unwrap();
            for share in [0.1, 0.4, 0.7, 0.9] {
                let h = share * (normal + boxes.iter().sum::<f64>());
                close(series.within(h), 2.0 * sum.corners(h) - 1.0, 1e-9);
            }
        }
    }

    /// By plain summation over a fine grid of the rectangles, another way altogether.
    #[test]
    fn agrees_with_a_direct_convolution() {
        let (sd, a, b) = (0.8, 1.5, 4.0);
        let h = half_width(sd, &[a, b], 0.95);
        let n = 400;
        let mut inside = 0.0;
        for i in 0..n {
            for j in 0..n {
                let at = a * ((2 * i + 1) as f64 / n as f64 - 1.0)
                    + b * ((2 * j + 1) as f64 / n as f64 - 1.0);
                inside += 0.5
                    * (libm::erf((h - at) / (sd * SQRT_2)) + libm::erf((h + at) / (sd * SQRT_2)));
            }
        }
        close(inside / (n * n) as f64, 0.95, 2e-6);
    }

    /// Widths far apart: the answer stays between the bounds that hold whatever the method.
    #[test]
    fn widths_far_apart_stay_within_their_bounds() {
        for boxes in [
            vec![1.0, 1e-3, 1e-3, 1e-3],
            vec![1.0, 1e-5, 1e-6],
            vec![1.0, 0.5, 1e-4, 1e-9],
            vec![1.0; 20],
        ] {
            for sd in [0.0, 1e-7, 1e-4, 1e-2, 1.0, 100.0] {
                let h = half_width(sd, &boxes, 0.95);
                let widest = half_width(sd, &boxes[..1], 0.95);
                let others: f64 = boxes[1..].iter().sum();
                assert!(h >= widest * (1.0 - 1e-6), "{boxes:?} {sd}: {h} < {widest}");
                assert!(
                    h <= widest + others + 1e-9,
                    "{boxes:?} {sd}: {h} > {widest} + {others}"
                );
            }
        }
    }
}
