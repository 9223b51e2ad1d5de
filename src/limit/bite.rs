//! How the jaws bite: slip that saturates with the highest load, told from slip that sets in later and grows.
//!
//! Fresh slip (made while the load goes past its highest so far) is `c + A·share(x) + b·growth(x)` of the highest load x above
//! pre-tension. `share` is the exponential approach `1 − exp(−x/w)` or the hyperbola `x/(x + w)`: nobody knows the law of
//! a pair of jaws. `growth` is a straight or a parabola past an onset (a yield, a viscous slip on a ramp), or the exponential
//! `exp(x/s) − 1`, whose scale s is a third of the onset looked at. For every shape,
//! scale w and onset the rest is linear with A, b ≥ 0, so the whole surface of the sum of squares is looked at, and every
//! seating that the points do not reject (inversion of the F test at twice its distance, neighbours that depend on one another counted) is kept:
//! where seating and progressive slip overlap, the set is wide, and that is the uncertainty.
//! No pair of jaws follows a formula: each point may be off by a twentieth of the seating still to come there, so that the
//! last points before the onset, where little is still to come, count most.
//! Assumption: seating is spent early, its scale at most half the highest load (common practice, no source).

use crate::stats::estimate::LEVEL;
use crate::stats::{autocorrelation, quantile};

/// Least number of points.
const LEAST_POINTS: usize = 8;
/// Scales looked at, as shares of the highest load.
const SCALES: (f64, f64) = (0.02, 0.5);
/// Onsets looked at, likewise.
const ONSETS: (f64, f64) = (0.1, 1.0);
/// Scales and onsets of the first look, and of the second within what the first leaves.
const FIRST_LOOK: (usize, usize) = (24, 19);
const SECOND_LOOK: usize = 13;
/// Parameters of the whole curve: c, A, w, b, onset.
const PARAMETERS: usize = 5;
/// Points are averaged down to about this number.
const MOST_POINTS: usize = 60;
/// The curves are approximations of what jaws do: they are kept to twice the distance (four times the square) at which a
/// law that holds exactly would be rejected.
const APPROXIMATE: f64 = 4.0;
/// Smallest scale of the exponential, as a share of the load that the points reach.
const STEEPEST: f64 = 0.02;
/// How far a point may lie off the curve, as a share of the seating still to come there.
const OFF_CURVE: f64 = 0.05;

/// How seating goes with load.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Shape {
    Exponential,
    Hyperbola,
}

/// How slip past the onset goes with load.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Grows {
    Straight,
    Parabola,
    Exponential,
}

/// Growth at `x`, one at `reach`.
fn growth(grows: Grows, onset: f64, x: f64, reach: f64) -> f64 {
    let past = ((x - onset).max(0.0) / (reach - onset).max(f64::MIN_POSITIVE)).min(1.0);
    match grows {
        Grows::Straight => past,
        Grows::Parabola => past * past,
        Grows::Exponential => {
            let scale = (onset / 3.0).max(STEEPEST * reach);
            libm::expm1(x / scale) / libm::expm1(reach / scale)
        }
    }
}

/// A seating curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bite {
    shape: Shape,
    scale: f64,
    /// Level at no load above pre-tension: the error of the zero.
    pub offset: f64,
    /// Size when all is spent.
    pub size: f64,
}

impl Bite {
    /// Share spent at the highest load `x` above pre-tension.
    fn share(&self, x: f64) -> f64 {
        share(self.shape, self.scale, x)
    }

    /// Seating at the highest load `x` above pre-tension, the zero's error apart.
    pub fn seating(&self, x: f64) -> f64 {
        self.size * self.share(x)
    }
}

/// The seatings that the points allow.
pub(super) struct Bites {
    pub best: Bite,
    /// Every one that is not rejected, the best among them.
    pub allowed: Vec<Bite>,
    /// Root mean square of the residuals in standard deviations of the points.
    pub misfit: f64,
}

fn share(shape: Shape, scale: f64, x: f64) -> f64 {
    let z = x.max(0.0) / scale;
    match shape {
        Shape::Exponential => -libm::expm1(-z),
        Shape::Hyperbola => z / (1.0 + z),
    }
}

/// One point of the surface.
#[derive(Clone, Copy)]
struct Tried {
    bite: Bite,
    onset: f64,
    grows: Grows,
    growth: f64,
    rss: f64,
}

/// A column or the points, about the mean.
struct Centred {
    mean: f64,
    values: Vec<f64>,
    square: f64,
    with_points: f64,
}

/// About the weighted mean and times the roots of the weights.
fn centred(values: Vec<f64>, points: &[f64], roots: &[f64]) -> Centred {
    let (mean, values) = about_mean(&values, roots);
    Centred {
        mean,
        square: dot(&values, &values),
        with_points: dot(&values, points),
        values,
    }
}

fn about_mean(values: &[f64], roots: &[f64]) -> (f64, Vec<f64>) {
    let weights: f64 = dot(roots, roots);
    let sum: f64 = values.iter().zip(roots).map(|(v, r)| v * r * r).sum();
    let mean = sum / weights;
    let scaled = values.iter().zip(roots).map(|(v, r)| (v - mean) * r);
    (mean, scaled.collect())
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

struct Surface<'a> {
    x: &'a [f64],
    roots: Vec<f64>,
    mean: f64,
    y: Vec<f64>,
    square: f64,
}

impl<'a> Surface<'a> {
    fn new(x: &'a [f64], y: &[f64], deviation: &[f64]) -> Self {
        let roots: Vec<f64> = deviation.iter().map(|d| d.recip()).collect();
        let (mean, y) = about_mean(y, &roots);
        Self {
            x,
            mean,
            square: dot(&y, &y),
            y,
            roots,
        }
    }

    /// The best growth without any seating.
    fn bare(&self, onsets: &[f64]) -> Option<Tried> {
        let mut best: Option<Tried> = None;
        for grows in GROWTHS {
            let mut onsets = onsets.to_vec();
            let mut step = onsets[1] - onsets[0];
            for _ in 0..10 {
                // A scale that no load spends any of: the share is zero throughout.
                let tried = self.look(Shape::Exponential, grows, &[f64::INFINITY], &onsets);
                let here = least(&tried)?;
                step *= 0.5;
                onsets = evenly(here.onset - 2.0 * step, here.onset + 2.0 * step, 5);
                if best.is_none_or(|b| here.rss < b.rss) {
                    best = Some(here);
                }
            }
        }
        best
    }

    /// Every shape and growth, scales and onsets over the whole range, then closer around each one's best.
    fn first_look(&self, scales: &[f64], onsets: &[f64]) -> Vec<Tried> {
        let (ratio, step) = (scales[1] / scales[0], onsets[1] - onsets[0]);
        let mut tried = Vec::new();
        for (shape, grows) in ways() {
            let first = self.look(shape, grows, scales, onsets);
            tried.extend(closer(self, &first, ratio, step));
            tried.extend(first);
        }
        tried
    }

    fn reach(&self) -> f64 {
        self.x[self.x.len() - 1]
    }

    fn hinge(&self, onset: f64, grows: Grows) -> Centred {
        let column = self
            .x
            .iter()
            .map(|x| growth(grows, onset, *x, self.reach()))
            .collect();
        centred(column, &self.y, &self.roots)
    }

    fn spent(&self, shape: Shape, scale: f64) -> Centred {
        let column = self.x.iter().map(|x| share(shape, scale, *x)).collect();
        centred(column, &self.y, &self.roots)
    }

    /// Best A, b ≥ 0 and the sum of squares.
    fn solve(&self, seat: &Centred, hinge: &Centred) -> (f64, f64, f64) {
        let cross = dot(&seat.values, &hinge.values);
        let alone = |c: &Centred| {
            if c.square > 0.0 {
                (c.with_points / c.square).max(0.0)
            } else {
                0.0
            }
        };
        let determinant = seat.square * hinge.square - cross * cross;
        let (mut a, mut b) = if seat.square > 0.0 {
            (alone(seat), 0.0)
        } else {
            (0.0, alone(hinge))
        };
        if determinant > 1e-12 * seat.square * hinge.square {
            a = (seat.with_points * hinge.square - hinge.with_points * cross) / determinant;
            b = (hinge.with_points * seat.square - seat.with_points * cross) / determinant;
            if a < 0.0 {
                (a, b) = (0.0, alone(hinge));
            } else if b < 0.0 {
                (a, b) = (alone(seat), 0.0);
            }
        }
        let rss = self.square - 2.0 * (a * seat.with_points + b * hinge.with_points)
            + a * a * seat.square
            + 2.0 * a * b * cross
            + b * b * hinge.square;
        let rss = if rss.is_finite() {
            rss.max(0.0)
        } else {
            f64::INFINITY
        };
        (a, b, rss)
    }

    fn look(&self, shape: Shape, grows: Grows, scales: &[f64], onsets: &[f64]) -> Vec<Tried> {
        let hinges: Vec<Centred> = onsets.iter().map(|o| self.hinge(*o, grows)).collect();
        let mut tried = Vec::with_capacity(scales.len() * onsets.len());
        for scale in scales {
            let seat = self.spent(shape, *scale);
            for (onset, hinge) in onsets.iter().zip(&hinges) {
                let (size, growth, rss) = self.solve(&seat, hinge);
                tried.push(Tried {
                    bite: Bite {
                        shape,
                        scale: *scale,
                        offset: self.mean - size * seat.mean - growth * hinge.mean,
                        size,
                    },
                    onset: *onset,
                    grows,
                    growth,
                    rss,
                });
            }
        }
        tried
    }

    fn residuals(&self, t: &Tried) -> Vec<f64> {
        (0..self.x.len())
            .map(|i| {
                let x = self.x[i];
                let curve = t.bite.offset + t.bite.seating(x) + self.beyond(t, x);
                self.y[i] + (self.mean - curve) * self.roots[i]
            })
            .collect()
    }

    fn beyond(&self, t: &Tried, x: f64) -> f64 {
        t.growth * growth(t.grows, t.onset, x, self.reach())
    }
}

fn evenly(from: f64, to: f64, n: usize) -> Vec<f64> {
    (0..n)
        .map(|i| from + (to - from) * i as f64 / (n - 1) as f64)
        .collect()
}

fn by_ratio(from: f64, to: f64, n: usize) -> Vec<f64> {
    evenly(libm::log(from), libm::log(to), n)
        .into_iter()
        .map(libm::exp)
        .collect()
}

const GROWTHS: [Grows; 3] = [Grows::Straight, Grows::Parabola, Grows::Exponential];

fn ways() -> impl Iterator<Item = (Shape, Grows)> {
    let shapes = [Shape::Exponential, Shape::Hyperbola];
    shapes
        .into_iter()
        .flat_map(|shape| GROWTHS.into_iter().map(move |grows| (shape, grows)))
}

fn least(tried: &[Tried]) -> Option<Tried> {
    tried.iter().copied().min_by(|a, b| a.rss.total_cmp(&b.rss))
}

/// The seatings that points (highest load above pre-tension, rising; fresh slip; its standard deviation from noise) allow,
/// with loads up to `top`; `None` with too few points. `dependence` is the number of points that are worth one at least.
pub(super) fn fit(x: &[f64], y: &[f64], noise: &[f64], top: f64, dependence: f64) -> Option<Bites> {
    if x.len() < LEAST_POINTS || top <= 0.0 {
        return None;
    }
    let size = x.len().div_ceil(MOST_POINTS);
    let means = |list: &[f64]| -> Vec<f64> {
        list.chunks(size)
            .map(|c| c.iter().sum::<f64>() / c.len() as f64)
            .collect()
    };
    let (x, y, noise) = (means(x), means(y), means(noise));
    let scales = by_ratio(SCALES.0 * top, SCALES.1 * top, FIRST_LOOK.0);
    let onsets = evenly(ONSETS.0 * top, ONSETS.1 * top, FIRST_LOOK.1);
    // What is still to come is known once a first curve is.
    let rough = least(&Surface::new(&x, &y, &noise).first_look(&scales, &onsets))?;
    let still = |x: f64| rough.bite.size - rough.bite.seating(x);
    let deviation: Vec<f64> = x
        .iter()
        .zip(&noise)
        .map(|(x, noise)| noise.hypot(OFF_CURVE * still(*x)))
        .collect();
    let surface = Surface::new(&x, &y, &deviation);
    let mut tried = surface.first_look(&scales, &onsets);
    // With hardly any noise the valley is too narrow for the first look: the rough curve leads into it.
    let (ratio, step) = (scales[1] / scales[0], onsets[1] - onsets[0]);
    let (scale, onset) = (rough.bite.scale, rough.onset);
    let near = surface.look(rough.bite.shape, rough.grows, &[scale], &[onset]);
    tried.extend(closer(&surface, &near, ratio.sqrt(), 0.5 * step));
    tried.extend(near);
    let best = least(&tried)?;
    let freedom = (x.len() - PARAMETERS) as f64;
    let factor = autocorrelation::variance_factor(&surface.residuals(&best))
        .max(dependence / size as f64)
        .clamp(1.0, 0.5 * freedom);
    // Points that lie closer to the curve than their own deviation allows are taken as lucky.
    let variance = (best.rss / freedom).max(1.0) * factor;
    let distance = variance * quantile::fisher(LEVEL, 1.0, freedom / factor);
    let bare = surface.bare(&onsets);
    tried.extend(bare);
    // Where the points need no seating, none is taken off, and the law of what grows is not in doubt with it.
    let plain = (best.rss / freedom).max(1.0) * quantile::fisher(LEVEL, 1.0, freedom);
    let bare = bare.filter(|t| t.rss <= best.rss + plain);
    let (best, worst) = match bare {
        Some(bare) => (bare, best.rss + plain),
        None => (best, best.rss + APPROXIMATE * distance),
    };
    for (shape, grows) in ways() {
        let left: Vec<&Tried> = tried
            .iter()
            .filter(|t| t.bite.shape == shape && t.grows == grows && t.rss <= worst)
            .filter(|t| t.bite.scale.is_finite())
            .collect();
        if left.is_empty() {
            continue;
        }
        let ends = |of: fn(&Tried) -> f64| {
            left.iter()
                .fold((f64::INFINITY, 0.0), |(low, high): (f64, f64), t| {
                    (low.min(of(t)), high.max(of(t)))
                })
        };
        // A second, closer look at what the first one leaves.
        let (scale, onset) = (ends(|t| t.bite.scale), ends(|t| t.onset));
        let low = (scale.0 / ratio).max(SCALES.0 * top);
        let high = (scale.1 * ratio).min(SCALES.1 * top);
        let scales = by_ratio(low, high.max(low), SECOND_LOOK);
        let onsets = evenly(onset.0 - step, (onset.1 + step).min(top), SECOND_LOOK);
        tried.extend(surface.look(shape, grows, &scales, &onsets));
    }
    let allowed = tried
        .into_iter()
        .filter(|t| t.rss <= worst)
        .map(|t| t.bite)
        .collect();
    Some(Bites {
        best: best.bite,
        allowed,
        misfit: (best.rss / freedom).sqrt(),
    })
}

/// Closer and closer looks around the best of these.
fn closer(surface: &Surface, first: &[Tried], ratio: f64, step: f64) -> Option<Tried> {
    let mut best = least(first)?;
    let (mut ratio, mut step) = (ratio, step);
    for _ in 0..9 {
        let scales = by_ratio(best.bite.scale / ratio, best.bite.scale * ratio, 5);
        let onsets = evenly(best.onset - step, best.onset + step, 5);
        for t in surface.look(best.bite.shape, best.grows, &scales, &onsets) {
            if t.rss < best.rss {
                best = t;
            }
        }
        ratio = ratio.sqrt();
        step *= 0.5;
    }
    Some(best)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn loads(top: f64) -> Vec<f64> {
        evenly(0.0, top, 60)
    }

    /// Made by the law itself: found again, and nothing else allowed.
    #[test]
    fn a_seating_and_an_onset_are_found_again() {
        let x = loads(5e3);
        let y: Vec<f64> = x
            .iter()
            .map(|x| 8e-4 * (1.0 - (-x / 700.0).exp()) + 1e-10 * (x - 3.5e3).max(0.0).powi(2))
            .collect();
        let bites = fit(&x, &y, &[1e-6; 60], 5e3, 1.0).unwrap();
        assert!(
            (bites.best.size / 8e-4 - 1.0).abs() < 1e-3,
            "{:?}",
            bites.best
        );
        assert!((bites.best.scale / 700.0 - 1.0).abs() < 2e-3);
        assert!(
            bites
                .allowed
                .iter()
                .all(|b| ((b.offset + b.seating(3e3)) / 8e-4 - 0.9862).abs() < 5e-3)
        );
    }

    /// Seating that is not spent before the onset cannot be told well, and the set says so; it holds the truth.
    #[test]
    fn where_they_overlap_the_set_is_wide() {
        let x = loads(5e3);
        // Noise of a congruential generator, ±0.01 mm.
        let mut state = 12345_u64;
        let mut noise = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            2e-5 * ((state >> 33) as f64 / 2f64.powi(31) - 0.5)
        };
        let law = |x: f64| 1e-3 * (1.0 - (-x / 1.6e3).exp());
        let y: Vec<f64> = x
            .iter()
            .map(|x| law(*x) + 5e-11 * (x - 2e3).max(0.0).powi(2) + noise())
            .collect();
        let bites = fit(&x, &y, &[6e-6; 60], 5e3, 1.0).unwrap();
        let at = |b: &Bite| b.offset + b.seating(4e3);
        let low = bites.allowed.iter().map(at).fold(f64::INFINITY, f64::min);
        let high = bites.allowed.iter().map(at).fold(0.0, f64::max);
        assert!(high - low > 5e-5, "{low} {high}");
        assert!(low <= law(4e3) && law(4e3) <= high, "{low} {high}");
    }

    /// Slip that only grows is no seating.
    #[test]
    fn growing_slip_is_no_seating() {
        let x = loads(5e3);
        let y: Vec<f64> = x.iter().map(|x| 2e-5 * ((x / 1.5e3).exp() - 1.0)).collect();
        let bites = fit(&x, &y, &[1e-6; 60], 5e3, 1.0).unwrap();
        assert!(bites.best.seating(5e3) < 2e-5, "{:?}", bites.best);
    }

    #[test]
    fn few_points_tell_nothing() {
        assert!(fit(&[0.0, 1.0], &[0.0, 1.0], &[1.0, 1.0], 1.0, 1.0).is_none());
    }
}
