//! How far a gauge's clock runs behind the load's.
//!
//! Question: by how much does a filter or a converter delay this channel against the load? A delay makes false loops and
//! passes for quick recovery in any fit of loads against travel, so it is found first, from the corners of the record
//! alone. Method: where the load's slope breaks (a ramp begins or ends), a bent line is fitted to load and gauge, each in
//! the same window; the gauge's break less the load's is the lag of that corner; their weighted median over all corners
//! is the lag, and their scatter its uncertainty. Assumption: what is retarded in the line itself is slow beside the
//! window; what it bends nevertheless is carried as [`ROUNDED_S`].

use super::Signal;
use crate::stats::weighted_median;

/// Lag of a gauge behind the load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lag {
    /// Lag, s.
    pub lag_s: f64,
    /// Standard uncertainty, s.
    pub standard_uncertainty_s: f64,
    /// Corners that told it.
    pub corners: usize,
}

/// Window on either side of a corner, s, and its fewest entries.
const WINDOW: (f64, usize) = (1.5, 8);
/// Fewest corners.
const FEWEST: usize = 6;
/// Most corners that are used, the sharpest first.
const MOST: usize = 40;
/// A corner stands out of its noise by this many standard deviations, in load and in gauge.
const SHARP: f64 = 8.0;
/// ... and is at least this share of the sharpest.
const SHARE: f64 = 0.05;
/// Most points of a window: more are averaged.
const POINTS: usize = 64;
/// Breaks are sought at this many places per point, and between them by a parabola.
const FINE: f64 = 2.0;
/// A lag known worse than this is not given, s.
const WORTH_S: f64 = 0.05;
/// What the line's own quick recovery may move a corner by, s (standard uncertainty; computed for a twentieth of the
/// stretch retarded by two seconds).
pub(crate) const ROUNDED_S: f64 = 0.02;

/// Sharp corners of a record's load.
pub(super) struct Corners<'a> {
    time_s: &'a [f64],
    /// Entries on either side of a corner.
    reach: usize,
    /// Entry, break of the load there and its standard uncertainty.
    breaks: Vec<(usize, f64, f64)>,
}

impl<'a> Corners<'a> {
    /// Finds them.
    pub(super) fn of(time_s: &'a [f64], period_s: f64, load: &'a Signal) -> Self {
        let reach = ((WINDOW.0 / period_s).round() as usize).max(WINDOW.1);
        let values = &load.values;
        // Nothing slips while the load falls: corners there are the line's own.
        let eased =
            |at: &usize| values[at - reach] > values[*at] || values[*at] > values[at + reach];
        let breaks = corners(time_s, load, reach)
            .into_iter()
            .filter(eased)
            .filter_map(|at| {
                let (time, u) = bend(time_s, load, at - reach..at + reach + 1)?;
                Some((at, time, u))
            })
            .collect();
        Self {
            time_s,
            reach,
            breaks,
        }
    }

    /// The lag of a gauge behind the load, if at least six corners show it.
    pub(super) fn lag(&self, gauge: &Signal) -> Option<Lag> {
        let own = |(at, first, u): &(usize, f64, f64)| {
            let window = at - self.reach..at + self.reach + 1;
            let (second, v) = bend(self.time_s, gauge, window)?;
            Some((second - first, u.hypot(v)))
        };
        typical(self.breaks.iter().filter_map(own).collect())
    }
}

/// The weighted median of lags with their standard uncertainties.
fn typical(lags: Vec<(f64, f64)>) -> Option<Lag> {
    if lags.len() < FEWEST {
        return None;
    }
    let whole: f64 = lags.iter().map(|(_, u)| u.powi(-2)).sum();
    let middle = weighted_median(lags.iter().map(|(lag, u)| (*lag, u.powi(-2))).collect())?;
    let chi: f64 = lags.iter().map(|(l, u)| ((l - middle) / u).powi(2)).sum();
    let scatter = (chi / (lags.len() - 1) as f64).max(1.0);
    // The median's standard error is 1.25 times the mean's (normal errors).
    let u = 1.2533 * (scatter / whole).sqrt();
    (u < WORTH_S).then_some(Lag {
        lag_s: middle,
        standard_uncertainty_s: u.hypot(ROUNDED_S),
        corners: lags.len(),
    })
}

/// Entries at which the load's slope breaks, none within `reach` of another or of the ends; the sharpest first.
fn corners(time_s: &[f64], load: &Signal, reach: usize) -> Vec<usize> {
    let n = time_s.len();
    if n < 4 * reach {
        return Vec::new();
    }
    // The bent lines find the break itself: its neighbourhood is enough here.
    let stride = (reach / 8).max(1);
    let places: Vec<usize> = (reach..n - reach).step_by(stride).collect();
    let bends: Vec<f64> = places
        .iter()
        .map(|i| {
            let before = slope(time_s, &load.values, i - reach..i + 1);
            let after = slope(time_s, &load.values, *i..i + reach + 1);
            before.zip(after).map_or(0.0, |(b, a)| (a - b).abs())
        })
        .collect();
    let span = (time_s[n - 1] - time_s[0]) / (n - 1) as f64 * reach as f64;
    let noise = load.noise * (24.0 / reach as f64).sqrt() / span.max(f64::MIN_POSITIVE);
    let sharpest = bends.iter().copied().fold(0.0, f64::max);
    let near = reach / stride;
    let mut found: Vec<usize> = (0..places.len())
        .filter(|i| {
            let b = bends[*i];
            let after = &bends[(i + 1).min(bends.len())..(i + 1 + near).min(bends.len())];
            b > SHARP * noise
                && b > SHARE * sharpest
                && bends[i.saturating_sub(near)..*i].iter().all(|o| *o < b)
                && after.iter().all(|o| *o <= b)
        })
        .collect();
    found.sort_by(|a, b| bends[*b].total_cmp(&bends[*a]));
    found.truncate(MOST);
    found.into_iter().map(|i| places[i]).collect()
}

fn slope(time_s: &[f64], values: &[f64], range: std::ops::Range<usize>) -> Option<f64> {
    let n = range.len() as f64;
    let (t, v) = (&time_s[range.clone()], &values[range]);
    let (mt, mv) = (t.iter().sum::<f64>() / n, v.iter().sum::<f64>() / n);
    let (mut top, mut bottom) = (0.0, 0.0);
    for (t, v) in t.iter().zip(v) {
        top += (t - mt) * (v - mv);
        bottom += (t - mt).powi(2);
    }
    let slope = top / bottom;
    slope.is_finite().then_some(slope)
}

/// Time of the break of a bent line through a window and its standard uncertainty; `None` where there is hardly a break.
fn bend(time_s: &[f64], signal: &Signal, window: std::ops::Range<usize>) -> Option<(f64, f64)> {
    let (t, v) = (&time_s[window.clone()], &signal.values[window]);
    if v.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let group = t.len().div_ceil(POINTS);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let t: Vec<f64> = t.chunks_exact(group).map(mean).collect();
    let v: Vec<f64> = v.chunks_exact(group).map(mean).collect();
    let noise = signal.noise / (group as f64).sqrt();
    let (t, v) = (t.as_slice(), v.as_slice());
    let centre = t[t.len() / 2];
    let reach = (t[t.len() - 1] - t[0]) / 4.0;
    let step = (t[t.len() - 1] - t[0]) / (t.len() - 1) as f64 / FINE;
    let tries = (2.0 * reach / step).floor() as usize + 1;
    let fits: Vec<(f64, Bent)> = (0..tries)
        .map(|i| centre - reach + step * i as f64)
        .filter_map(|b| Some((b, bent(t, v, b)?)))
        .collect();
    let best = (0..fits.len()).min_by(|a, b| fits[*a].1.squares.total_cmp(&fits[*b].1.squares))?;
    if best == 0 || best + 1 == fits.len() {
        return None;
    }
    let (low, mid, high) = (
        fits[best - 1].1.squares,
        fits[best].1.squares,
        fits[best + 1].1.squares,
    );
    let curvature = low - 2.0 * mid + high;
    let off = if curvature > 0.0 {
        0.5 * (low - high) / curvature
    } else {
        0.0
    };
    let noise = noise.max((mid / (t.len() as f64 - 4.0).max(1.0)).sqrt());
    // Break of a line with slopes differing by d, n points a side: var = 4 noise² / (n d²) for a free break.
    let u = 2.0 * noise / ((t.len() as f64 / 2.0).sqrt() * fits[best].1.turn.abs());
    (u.is_finite() && u < reach / SHARP).then_some((fits[best].0 + off * step, u))
}

/// A bent line with a given break.
struct Bent {
    squares: f64,
    /// Change of slope.
    turn: f64,
}

fn bent(t: &[f64], v: &[f64], b: f64) -> Option<Bent> {
    let basis = |t: f64| nalgebra::Vector3::new(1.0, t - b, (t - b).max(0.0));
    let mut normal = nalgebra::Matrix3::zeros();
    let mut right = nalgebra::Vector3::zeros();
    for (t, v) in t.iter().zip(v) {
        let x = basis(*t);
        normal += x * x.transpose();
        right += x * *v;
    }
    let found = normal.cholesky()?.solve(&right);
    let squares = t
        .iter()
        .zip(v)
        .map(|(t, v)| (v - basis(*t).dot(&found)).powi(2))
        .sum();
    Some(Bent {
        squares,
        turn: found[2],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::InstrumentErrors;
    use crate::ingest::GaugeKind;

    fn signal(values: Vec<f64>, noise: f64) -> Signal {
        Signal {
            kind: GaugeKind::Travel,
            values,
            noise,
            step: 0.0,
            errors: InstrumentErrors::default(),
            lag: None,
        }
    }

    /// Load up and down with holds of 5 s; the gauge follows a root of the load, later.
    fn record(lag: f64) -> (Vec<f64>, Signal, Signal) {
        let load_at = |t: f64| {
            let u = t.rem_euclid(24.0);
            let share = if u < 8.0 {
                u / 8.0
            } else if u < 13.0 {
                1.0
            } else if u < 17.0 {
                (17.0 - u) / 4.0
            } else {
                0.0
            };
            300.0 + 4000.0 * share
        };
        let wiggle = |i: usize, k: usize| ((i * k) % 17) as f64 / 8.0 - 1.0;
        let time: Vec<f64> = (0..960).map(|i| i as f64 * 0.1).collect();
        let load = time
            .iter()
            .enumerate()
            .map(|(i, t)| load_at(*t) + 10.0 * wiggle(i, 7));
        let gauge = time
            .iter()
            .enumerate()
            .map(|(i, t)| 1e-3 * load_at(t - lag).sqrt() + 3e-5 * wiggle(i, 11));
        let (load, gauge) = (load.collect(), gauge.collect());
        (time, signal(load, 6.0), signal(gauge, 2e-5))
    }

    #[test]
    fn a_lag_is_found_within_a_twentieth_of_a_second() {
        for lag in [0.0, 0.12, 0.3, -0.2] {
            let (time, load, gauge) = record(lag);
            let found = Corners::of(&time, 0.1, &load).lag(&gauge).unwrap();
            assert!((found.lag_s - lag).abs() < 0.05, "{lag}: {found:?}");
            assert!(found.corners >= FEWEST && found.standard_uncertainty_s < 0.05);
        }
    }

    #[test]
    fn without_corners_there_is_no_lag() {
        let time: Vec<f64> = (0..900).map(|i| i as f64 * 0.1).collect();
        let load = signal(time.iter().map(|t| 40.0 * t).collect(), 5.0);
        let gauge = signal(time.iter().map(|t| 1e-3 * t).collect(), 1e-5);
        assert_eq!(Corners::of(&time, 0.1, &load).lag(&gauge), None);
    }
}
