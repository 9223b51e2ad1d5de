//! Seating: the first part of stopper slip, the jaws biting.
//!
//! Seating goes with the highest load so far and saturates; it is spent early and does not repeat. Progressive slip goes
//! with time: what slides while the load stays below its highest so far (in a hold, on loading again) is progressive for
//! certain, and so is a jump. So that part is set apart first, and [`super::bite`] splits what is left, the fresh slip of
//! the first loading, into a saturating curve and what sets in later. Its whole set of seatings that fit goes into the
//! interval of the progressive slip. Where the points are too few, drown in noise or fit none of the curves, seating may be
//! anything up to what slipped below half the highest load and a little more.

use super::LimitInputs;
use super::bite::{self, Bite, Bites};
use super::course::{Known, NOISE_FLOOR, Slip};
use super::holds::gauge_gain;
use crate::phases::PhaseKind;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, quantile};

/// Least slip that can be called seating, m.
const LEAST: f64 = 5e-5;
/// Share of the highest load within which seating is as good as spent.
const WITHIN: f64 = 0.5;
/// Share of the seating that is spent by then at the least (common practice, no source).
const SPENT: f64 = 0.85;
/// Loads are alike from this share on.
const AS_HIGH: f64 = 0.97;
/// The most that jaws bite, m (common practice, no source).
const MOST: f64 = 5e-3;
/// Share of the highest load below which nothing is taken for an onset.
const EARLIEST: f64 = 0.2;
/// Slip past the onset up to which points are used: further on no simple curve follows it, m.
const BEYOND: f64 = 3e-4;
/// Misfit in standard deviations of the points up to which a curve fits.
const FITS: f64 = 3.0;
/// Progressive slip is a difference between two readings of slip, each with the interval that the split states.
const DIFFERENCE: f64 = std::f64::consts::SQRT_2;
/// A load that grows by less than this share of the highest is no new highest load.
const GROWS: f64 = 5e-4;
/// A load that grows from one element to the next by so many standard deviations is no hold, whatever its name: a winch
/// that is cranked slowly, or a stopper that takes the load over.
const RISES: f64 = 4.0;
/// Neighbours over which it rises: strokes of a winch are shorter than that.
const ON_EITHER_SIDE: usize = 2;
/// A load that waits so long for more, s, is on its way up all the same: a winch is cranked in strokes.
const BETWEEN_STROKES: f64 = 4.0;
/// Share of the highest load that it keeps meanwhile.
const KEPT: f64 = 0.9;

/// Seating as taken off.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seating {
    /// At the highest load, m.
    pub level: f64,
    pub error: f64,
    pub low: f64,
    pub high: f64,
    /// Whether the points settled it.
    pub told: bool,
}

/// Fresh slip against the highest load above pre-tension, with what blurs it.
struct Points {
    x: Vec<f64>,
    y: Vec<f64>,
    noise: Vec<f64>,
    dependence: f64,
}

/// Seating over the elements: best, least and most.
struct Over {
    best: Vec<f64>,
    least: Vec<f64>,
    most: Vec<f64>,
    seating: Seating,
}

impl Slip {
    pub(super) fn take_off_seating(&mut self) {
        if self.never_loaded() {
            return;
        }
        if self.at_readings {
            self.take_off_the_most();
            return;
        }
        if self.known == Known::Bracket {
            // Each end loses the seating that it shows itself, so that it stays an end.
            let (high, low) = (self.seating_of(&self.high), self.seating_of(&self.low));
            if let Some(over) = &high {
                subtract(&mut self.high, &over.least);
                subtract(&mut self.value, &over.least);
            }
            if let Some(over) = &low {
                subtract(&mut self.low, &over.most);
            }
            self.seating = high.map(|over| over.seating);
            return;
        }
        let read = self.as_read().value;
        let Some(over) = self.seating_of(&read) else {
            return;
        };
        let certain = self.while_not_fresh(&read);
        let factor = quantile::normal(0.5 + 0.5 * LEVEL);
        self.open = vec![0.0; self.value.len()];
        for (i, certain) in certain.iter().enumerate() {
            let below = DIFFERENCE * (self.value[i] - self.low[i]);
            let above = DIFFERENCE * (self.high[i] - self.value[i]);
            let value = self.value[i] - over.best[i];
            let low = value - below.hypot(over.most[i] - over.best[i]);
            self.high[i] = value + above.hypot(over.best[i] - over.least[i]);
            self.low[i] = low.max(certain - below).min(value);
            self.value[i] = value;
            self.open[i] = (over.most[i] - over.least[i]) / (2.0 * factor);
        }
        self.seating = Some(over.seating);
    }

    /// Between readings by hand nothing tells seating from slip: of what slid before the load was first as high, all may be seating,
    /// up to the most that jaws bite.
    fn take_off_the_most(&mut self) {
        let first_as_high = |i: usize| {
            let mut before = self.highest[..i].iter();
            before
                .position(|load| *load >= AS_HIGH * self.highest[i])
                .unwrap_or(i)
        };
        let low = (0..self.low.len()).map(|i| {
            let seated = self.high[first_as_high(i)].min(MOST);
            (self.low[i] - seated).max(0.0).min(self.low[i])
        });
        self.low = low.collect();
    }

    /// True where an element goes past every load before it on the way up, without a jump: only there jaws go on biting.
    fn fresh(&self) -> Vec<bool> {
        let least = GROWS * self.top();
        let jumped = |i: usize| {
            let since = self.time[i.saturating_sub(1)];
            self.jumps
                .iter()
                .any(|jump| jump.time_s > since && jump.time_s <= self.time[i])
        };
        let mut fresh: Vec<bool> = (0..self.highest.len())
            .map(|i| {
                let still = matches!(
                    self.phase[i],
                    PhaseKind::Hold | PhaseKind::LockedHold | PhaseKind::Rest | PhaseKind::Unload
                );
                i > 0
                    && (!still || self.rises(i))
                    && self.highest[i] > self.highest[i - 1] + least
                    && !jumped(i)
            })
            .collect();
        let past: Vec<usize> = (0..fresh.len()).filter(|i| fresh[*i]).collect();
        for pair in past.windows(2) {
            let (from, to) = (pair[0], pair[1]);
            let waits = self.time[to] - self.time[from] <= BETWEEN_STROKES
                && (from..to).all(|i| self.load[i] >= KEPT * self.highest[i])
                && !(from + 1..to).any(jumped);
            fresh[from + 1..to].fill(waits);
        }
        fresh
    }

    /// True where the load rises by more than its noise over the neighbours.
    fn rises(&self, i: usize) -> bool {
        let variance = |i: usize| self.load_noise.powi(2) / self.rows[i].max(1) as f64;
        let (before, after) = (
            i.saturating_sub(ON_EITHER_SIDE),
            (i + ON_EITHER_SIDE).min(self.load.len() - 1),
        );
        let gain = |from: usize, to: usize| {
            (self.load[to] - self.load[from]) / (variance(from) + variance(to)).sqrt()
        };
        gain(before, after) > RISES || gain(i - 1, i) > RISES
    }

    /// Slip made in jumps, or while the load was not past its highest: progressive for certain.
    fn while_not_fresh(&self, list: &[f64]) -> Vec<f64> {
        let (rising, fresh) = (self.rising(list), self.fresh());
        let mut sum = 0.0;
        (0..rising.len())
            .map(|i| {
                if i > 0 && !fresh[i] {
                    sum += rising[i] - rising[i - 1];
                }
                sum
            })
            .collect()
    }

    /// How many of the elements are worth one: the split lets slip change its pace only now and then, and in between a
    /// course is straight, whatever its noise.
    fn dependence(&self, list: &[f64], picked: &[usize]) -> f64 {
        let paces: Vec<f64> = picked
            .iter()
            .filter(|i| **i > 0)
            .map(|i| (list[*i] - list[*i - 1]) / (self.time[*i] - self.time[*i - 1]).max(1e-9))
            .collect();
        let fastest = paces
            .iter()
            .fold(0.0, |most: f64, pace| most.max(pace.abs()));
        let kinks = paces
            .windows(2)
            .filter(|p| (p[1] - p[0]).abs() > 1e-6 * fastest)
            .count();
        picked.len() as f64 / (kinks as f64 + 1.0)
    }

    fn seating_of(&self, list: &[f64]) -> Option<Over> {
        let rising = self.rising(list);
        let (fresh, apart) = (self.fresh(), self.while_not_fresh(list));
        let (from, top) = (*self.highest.first()?, self.top());
        let start = (1..rising.len()).find(|i| fresh[*i] && self.highest[*i] > 1.05 * from)?;
        let picked: Vec<usize> = std::iter::once(start - 1)
            .chain((start..rising.len()).filter(|i| fresh[*i]))
            .collect();
        let x: Vec<f64> = picked.iter().map(|i| self.highest[*i] - from).collect();
        let y: Vec<f64> = picked.iter().map(|i| list[*i] - apart[*i]).collect();
        let reach = top - from;
        let half = x.partition_point(|x| *x <= WITHIN * reach).max(1) - 1;
        let noise = self.noise.iter().copied().fold(NOISE_FLOOR, f64::max);
        let early = y[half] - y[0];
        // Noise may have it fall at first: the end lies past the half.
        let end = (half..y.len())
            .find(|k| y[*k] > y[half] + BEYOND)
            .unwrap_or(y.len())
            .max(1);
        let slid = y[end - 1] - y[0];
        if slid < LEAST {
            return None;
        }
        if slid < 3.0 * noise {
            return Some(unsettled(&rising, &apart, slid));
        }
        // Taken over from a winch within seconds, biting cannot be told from slipping.
        if self.phase.contains(&PhaseKind::Transfer) {
            return Some(unsettled(&rising, &apart, y[y.len() - 1] - y[0]));
        }
        let points = Points {
            noise: picked
                .iter()
                .map(|i| self.noise[*i].max(NOISE_FLOOR))
                .collect(),
            dependence: self.dependence(list, &picked),
            x,
            y,
        };
        let fitted = windowed(&points, end, reach).filter(|bites| bites.misfit <= FITS);
        let over = match fitted {
            Some(bites) => self.of_curves(&bites, from, noise),
            None => unsettled(&rising, &apart, early),
        };
        Some(over)
    }

    fn of_curves(&self, bites: &Bites, from: f64, noise: f64) -> Over {
        // The zero's error goes with the seating: what counts is the level at which it is spent. Without seating nothing
        // is taken off, and never less than nothing.
        let value = |b: &Bite, x: f64| {
            if b.size > 0.0 {
                (b.offset + b.seating(x)).max(0.0)
            } else {
                0.0
            }
        };
        let x: Vec<f64> = self.highest.iter().map(|h| h - from).collect();
        let best: Vec<f64> = x.iter().map(|x| value(&bites.best, *x)).collect();
        let over = |pick: fn(f64, f64) -> f64, start: f64| -> Vec<f64> {
            x.iter()
                .map(|x| bites.allowed.iter().map(|b| value(b, *x)).fold(start, pick))
                .collect()
        };
        let least = over(f64::min, f64::INFINITY);
        let most = over(f64::max, f64::NEG_INFINITY);
        let reach = self.top() - from;
        let levels = || bites.allowed.iter().map(|b| b.seating(reach));
        let (low, high) = (
            levels().fold(f64::INFINITY, f64::min),
            levels().fold(0.0, f64::max),
        );
        let error = noise.hypot((high - low) / (2.0 * quantile::normal(0.5 + 0.5 * LEVEL)));
        Over {
            best,
            least,
            most,
            seating: Seating {
                level: bites.best.seating(reach),
                error,
                low,
                high,
                told: true,
            },
        }
    }
}

/// Anything up to what slipped below half the highest load, and the little that may still come after it.
fn unsettled(rising: &[f64], apart: &[f64], early: f64) -> Over {
    let zero = rising.first().copied().unwrap_or(0.0);
    let most: Vec<f64> = rising
        .iter()
        .zip(apart)
        .map(|(slip, apart)| (slip - apart - zero).clamp(0.0, early.max(0.0) / SPENT))
        .collect();
    let high = most.iter().copied().fold(0.0, f64::max);
    let none = vec![0.0; rising.len()];
    Over {
        best: none.clone(),
        least: none,
        most,
        seating: Seating {
            level: 0.0,
            error: high / 3f64.sqrt(),
            low: 0.0,
            high,
            told: false,
        },
    }
}

/// Fits up to `end`, then again up to where the slip past the onset has grown to [`BEYOND`].
fn windowed(points: &Points, end: usize, reach: f64) -> Option<Bites> {
    let Points { x, y, .. } = points;
    let fit = |end: usize| {
        let noise = &points.noise[..end];
        bite::fit(&x[..end], &y[..end], noise, reach, points.dependence)
    };
    let mut end = end;
    let mut bites = fit(end)?;
    for _ in 0..2 {
        let curve = bites.best;
        let within = (0..y.len())
            .find(|k| {
                x[*k] > EARLIEST * reach && y[*k] - curve.offset - curve.seating(x[*k]) > BEYOND
            })
            .unwrap_or(y.len());
        if within == end {
            break;
        }
        let Some(again) = fit(within) else {
            break;
        };
        end = within;
        bites = again;
    }
    Some(bites)
}

fn subtract(list: &mut [f64], course: &[f64]) {
    for (value, seating) in list.iter_mut().zip(course) {
        *value -= seating;
    }
}

/// Seating as a figure.
pub(super) fn estimate(inputs: &LimitInputs, slip: &Slip) -> Estimate {
    if let Some(reason) = &slip.absent {
        return Estimate::cannot_tell(Measure::Length, reason.clone());
    }
    if slip.known == Known::AtMost {
        return Estimate::cannot_tell(
            Measure::Length,
            "stopper slip is not measured: a mark on the cover or on the tail would show seating",
        );
    }
    let gain = gauge_gain(inputs);
    let noise = slip.noise.iter().copied().fold(NOISE_FLOOR, f64::max);
    let method = "saturating part of fresh slip against the highest load";
    let Some(found) = slip.seating.filter(|s| s.high >= LEAST.max(3.0 * noise)) else {
        let high = LEAST.max(3.0 * noise);
        return Estimate::at_most(Measure::Length, 0.0, high / 3.0, high, method);
    };
    if !found.told {
        return Estimate::bracket(
            Measure::Length,
            found.low,
            found.high + 2.0 * noise,
            method,
            "the points do not tell seating from slip that progresses",
        );
    }
    let half = crate::stats::coverage::half_width(noise, &[gain * found.level], LEVEL);
    let (low, high) = (found.low - half, found.high + half);
    let standard = found.error.hypot(gain * found.level / 3f64.sqrt());
    if low <= 0.0 {
        return Estimate::at_most(Measure::Length, found.level, standard, high, method);
    }
    Estimate::measured(Measure::Length, found.level, standard, low, high, method)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Jaws that seat along an s-shaped curve: 0.85 mm came below half the load, and 0.1 mm after it may still be theirs, but
    /// not the 0.5 mm that came beyond that.
    #[test]
    fn seating_that_is_not_told_may_go_on_a_little() {
        let most = |slip: [f64; 3]| unsettled(&slip, &[0.0; 3], 0.85e-3).seating.high;
        assert!((most([0.0, 0.85e-3, 0.95e-3]) - 0.95e-3).abs() < 1e-12);
        assert!((most([0.0, 0.85e-3, 1.45e-3]) - 1e-3).abs() < 1e-12);
    }

    /// Read by hand: 2 mm by the first load to 4 kN may all be seating, the millimetre that came while it was carried again is
    /// none; and no jaws bite 12 mm.
    #[test]
    fn between_readings_by_hand_all_may_be_seating() {
        let mut slip = Slip::standing(0.0, &[3e2, 4e3, 3e2, 4e3, 6e3], &[5e-4; 5]);
        slip.highest = vec![3e2, 4e3, 4e3, 4e3, 6e3];
        slip.at_readings = true;
        slip.value = vec![0.0, 2e-3, 2e-3, 4e-3, 12e-3];
        slip.low = slip.value.iter().map(|v| v - 5e-4).collect();
        slip.high = slip.value.iter().map(|v| v + 5e-4).collect();
        let high = slip.high.clone();
        slip.take_off_seating();
        for (found, wanted) in slip.low.iter().zip([-5e-4, 0.0, 0.0, 1e-3, 6.5e-3]) {
            assert!((found - wanted).abs() < 1e-9, "{:?}", slip.low);
        }
        assert_eq!(slip.high, high);
    }
}
