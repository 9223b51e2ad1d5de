//! Shapes that come back: the columns from which stretch and give are put together, computed at the points of the load's
//! course and then averaged into blocks.
//!
//! Question: what can an elastic line do under this history of load? Assumptions, each a family of columns with
//! non-negative weights, none tied to a fibre:
//! - at once: monotone splines of the load (sums of cubic B-splines from one knot up), dense at low load for the toe;
//! - loop: play operators on the load, on its toe-shaped image and on its logarithm (the friction between strands grows
//!   with the tension that presses them together; such loops close at low load and stand open in the middle);
//! - retarded: first-order lags over decades of time, of the load and of its toe-shaped image.
//!
//! Play operators and their sums are the Prandtl–Ishlinskii model of hysteresis (from memory); sums of first-order
//! lags are the generalised Kelvin–Voigt solid (from memory).

use std::ops::Range;

use crate::separate::branches::{self, Way};

/// Columns over blocks: `columns[j][k]` is column j averaged over block k.
#[derive(Debug, Clone, Default)]
pub(super) struct Columns {
    pub columns: Vec<Vec<f64>>,
    /// Columns of the lags of one image each, the shortest first.
    pub lags: Vec<Range<usize>>,
}

/// What the columns are computed from.
pub(super) struct History<'a> {
    /// Time of each point, s.
    pub time_s: &'a [f64],
    /// Quiet load at each point, N.
    pub load_n: &'a [f64],
    /// Entries of the record that each point stands for.
    pub rows: &'a [f64],
    /// Highest load, N, which scales everything.
    pub peak_n: f64,
    /// Points of each block to be used.
    pub blocks: &'a [Range<usize>],
    /// One past the last point of the first dwell: loops start from there.
    pub dwelt: usize,
    /// The line's own curve of strain against load share as an earlier pass found it: the retarded part mostly follows
    /// the instant one.
    pub curve: Option<&'a dyn Fn(f64) -> f64>,
}

/// Load scale of the toe map as a share of the peak.
const TOE_SHARE: f64 = 0.06;
/// Spline intervals of the stretch.
const STRETCH_INTERVALS: usize = 8;
/// Spline intervals of a give.
const GIVE_INTERVALS: usize = 5;
/// Half widths of the play operators, in natural logarithm of the load.
const LOG_PLAY: [f64; 4] = [0.03, 0.1, 0.25, 0.6];
/// Half widths of the play operators on the load share.
const LOAD_PLAY: [f64; 6] = [0.01, 0.03, 0.07, 0.14, 0.24, 0.4];
/// Half widths of the play operators on the toe map of the load share.
const TOE_PLAY: [f64; 3] = [0.02, 0.05, 0.1];
/// Bumps of the branches of a loop: in the middle, early, late.
const BUMPS: [fn(f64) -> f64; 3] = [
    |v| 4.0 * v * (1.0 - v),
    |v| 6.75 * v * (1.0 - v).powi(2),
    |v| 6.75 * v.powi(2) * (1.0 - v),
];
/// Lags in s, up to an hour and more however short the record: what such a part has begun to creep it will give back,
/// and the spectrum of the shorter lags is all that tells it from set.
const LAGS_S: [f64; 15] = [
    1.5, 2.7, 5.0, 9.0, 15.0, 27.0, 50.0, 90.0, 150.0, 270.0, 500.0, 900.0, 1500.0, 2700.0, 5000.0,
];
/// The slope at the first dwell is taken over this share of its load above it.
const SEEN_STEP: f64 = 0.5;
/// Smallest load in the logarithm, as a share of the peak.
const LOG_FLOOR: f64 = 1e-3;

/// Where the lags longer than this (s) begin among those of an image.
pub(super) fn slower_than(time_s: f64) -> usize {
    LAGS_S.partition_point(|lag| *lag <= time_s)
}

/// Columns for the stretch of the line.
pub(super) fn stretch(history: &History) -> Columns {
    let mut columns = splines(history, STRETCH_INTERVALS);
    let first = columns.len();
    let lags = each_column(history, &mut |_, values| {
        columns.push(averaged(history, values()));
    });
    Columns {
        columns,
        lags: lags
            .into_iter()
            .map(|(from, to)| first + from..first + to)
            .collect(),
    }
}

/// The stretch that weights of the columns make, at every entry, mm; the blocks do not matter.
pub(super) fn stretch_at_entries(history: &History, weights: &[f64]) -> Vec<f64> {
    let (spline, others) = weights.split_at(STRETCH_INTERVALS + 2);
    let share = shares(history);
    let mut sum: Vec<f64> = share
        .iter()
        .map(|s| spline_sum(spline, STRETCH_INTERVALS, *s))
        .collect();
    each_column(history, &mut |j, values| {
        if others[j] != 0.0 {
            for (sum, v) in sum.iter_mut().zip(values()) {
                *sum += others[j] * v;
            }
        }
    });
    sum
}

/// What is shown a column's number and a way to its values at the entries.
type Visit<'a> = dyn FnMut(usize, &mut dyn FnMut() -> Vec<f64>) + 'a;

/// The columns of [`stretch`] after the splines, one after the other at every entry; those that the visitor does not ask
/// for cost nothing. Gives the ranges of the lags of one image.
fn each_column(history: &History, visit: &mut Visit) -> [(usize, usize); 2] {
    let share = shares(history);
    let mut j = 0;
    let mut next = |values: &mut dyn FnMut() -> Vec<f64>| {
        visit(j, values);
        j += 1;
        j
    };
    next(&mut || share.clone());
    for play in Play::all() {
        next(&mut || play.eased(history, &share));
    }
    for way in [Way::Down, Way::Up] {
        for shape in BUMPS {
            next(&mut || branches::walk(&share, way, shape));
        }
    }
    let time = history.time_s;
    let image: Vec<f64> = match history.curve {
        Some(curve) => share.iter().map(|s| curve(*s)).collect(),
        None => share.iter().map(|s| toe_map(*s)).collect(),
    };
    [&image, &share].map(|image| {
        let mut end = 0;
        for lag in LAGS_S {
            end = next(&mut || lagged(time, image, lag));
        }
        (end - LAGS_S.len(), end)
    })
}

/// Columns for the give of a mount or of jaws: at once, no loop, no lag.
pub(super) fn give(history: &History) -> Columns {
    let mut columns = splines(history, GIVE_INTERVALS);
    columns.push(averaged(
        history,
        history.load_n.iter().map(|f| f / history.peak_n).collect(),
    ));
    Columns {
        columns,
        lags: Vec::new(),
    }
}

/// The give that weights of the columns make, at every entry, mm.
pub(super) fn give_at_entries(history: &History, weights: &[f64]) -> Vec<f64> {
    let (spline, line) = weights.split_at(GIVE_INTERVALS + 2);
    let line: f64 = line.iter().sum();
    history
        .load_n
        .iter()
        .map(|f| f / history.peak_n)
        .map(|s| spline_sum(spline, GIVE_INTERVALS, s) + line * s)
        .collect()
}

/// Load share to a coordinate in which a soft toe and a stiff upper part are equally wide.
pub(super) fn toe_map(share: f64) -> f64 {
    (share.max(0.0) / TOE_SHARE).ln_1p() / (1.0 / TOE_SHARE).ln_1p()
}

/// Monotone cubic splines of the load: column j is the sum of all cubic B-splines from number j up.
fn splines(history: &History, intervals: usize) -> Vec<Vec<f64>> {
    let count = intervals + 3;
    let mut sums = vec![vec![0.0; history.blocks.len()]; count - 1];
    for (k, block) in history.blocks.iter().enumerate() {
        let whole: f64 = history.rows[block.clone()].iter().sum();
        for (f, rows) in history.load_n[block.clone()]
            .iter()
            .zip(&history.rows[block.clone()])
        {
            let weight = rows / whole;
            let x = toe_map(f / history.peak_n).min(1.0) * intervals as f64;
            let cell = (x.floor() as usize).min(intervals - 1);
            let spline = cubic(x - cell as f64);
            let mut tail = 0.0;
            let mut from = [0.0; 4];
            for i in (0..4).rev() {
                tail += spline[i];
                from[i] = tail;
            }
            for j in 1..count {
                let value = if j <= cell {
                    1.0
                } else if j < cell + 4 {
                    from[j - cell]
                } else {
                    0.0
                };
                sums[j - 1][k] += weight * value;
            }
        }
    }
    sums
}

/// The curve that weights of the splines make: value at a load share, scaled to one at the peak. `None` if it does not rise.
///
/// Below the share `seen_from` of the first dwell the record shows nothing of it, and the fit leaves it at nothing; there it
/// goes on straight from zero, for what a line took up before the dwell creeps on as well.
pub(super) fn spline_curve(weights: &[f64], seen_from: f64) -> Option<impl Fn(f64) -> f64> {
    let weights: Vec<f64> = weights
        .iter()
        .take(STRETCH_INTERVALS + 2)
        .copied()
        .collect();
    let below = SEEN_STEP * seen_from;
    let at = move |share: f64| spline_sum(&weights, STRETCH_INTERVALS, share);
    let slope = if below > 0.0 {
        (at(seen_from + below) - at(seen_from)) / below
    } else {
        0.0
    };
    let lift = slope * seen_from - at(seen_from);
    let whole = at(1.0) + lift;
    (whole > 0.0).then_some(move |share: f64| {
        if share < seen_from {
            slope * share / whole
        } else {
            (at(share) + lift) / whole
        }
    })
}

/// Sum of the splines with these weights at a load share.
fn spline_sum(weights: &[f64], intervals: usize, share: f64) -> f64 {
    let x = toe_map(share).min(1.0) * intervals as f64;
    let cell = (x.floor() as usize).min(intervals - 1);
    let spline = cubic(x - cell as f64);
    let at = |j: usize| -> f64 { (j.max(cell)..cell + 4).map(|i| spline[i - cell]).sum() };
    weights.iter().enumerate().map(|(j, w)| w * at(j + 1)).sum()
}

/// The four uniform cubic B-splines that are not zero at `x` in [0, 1] of a cell.
fn cubic(x: f64) -> [f64; 4] {
    let y = 1.0 - x;
    [
        y * y * y / 6.0,
        (3.0 * x * x * x - 6.0 * x * x + 4.0) / 6.0,
        (3.0 * y * y * y - 6.0 * y * y + 4.0) / 6.0,
        x * x * x / 6.0,
    ]
}

/// Image of the load share on which a play operator works.
#[derive(Debug, Clone, Copy)]
enum Image {
    Share,
    Toe,
    Logarithm,
}

/// The stretch columns before this one answer the load of the moment; loop and recovery come after.
pub(super) const AT_ONCE: usize = STRETCH_INTERVALS + 3;

/// One play operator of the loop.
#[derive(Debug, Clone, Copy)]
struct Play {
    image: Image,
    width: f64,
}

impl Play {
    /// Every play operator, in the order of the columns.
    fn all() -> impl Iterator<Item = Self> {
        let of = |image, widths: &'static [f64]| {
            widths.iter().map(move |width| Self {
                image,
                width: *width,
            })
        };
        of(Image::Logarithm, &LOG_PLAY)
            .chain(of(Image::Share, &LOAD_PLAY))
            .chain(of(Image::Toe, &TOE_PLAY))
    }

    fn input(self, share: &[f64]) -> Vec<f64> {
        share
            .iter()
            .map(|s| match self.image {
                Image::Share => *s,
                Image::Toe => toe_map(*s),
                Image::Logarithm => s.max(LOG_FLOOR).ln(),
            })
            .collect()
    }

    fn output(self, states: Vec<f64>) -> Vec<f64> {
        match self.image {
            Image::Logarithm => states.into_iter().map(f64::exp).collect(),
            Image::Share | Image::Toe => states,
        }
    }

    /// It leaves the first dwell as a line that was loaded before and eased to there: then the first cycle's loop closes
    /// like all others. (Eased to the slack before the dwell instead, a wide play would keep the difference for good.)
    fn eased(self, history: &History, share: &[f64]) -> Vec<f64> {
        let input = self.input(share);
        let dwelt = history.dwelt.min(input.len());
        let mut states: Vec<f64> = input[..dwelt].iter().map(|x| x + self.width).collect();
        let start = states.last().copied().unwrap_or(f64::INFINITY);
        states.extend(play(&input[dwelt..], self.width, start));
        self.output(states)
    }

    /// It was never loaded before this record.
    fn new_line(self, share: &[f64]) -> Vec<f64> {
        let zero = self.input(&[0.0])[0];
        self.output(play(&self.input(share), self.width, zero))
    }
}

/// States of a play of half width `width` that follows `input` from `start`.
fn play(input: &[f64], width: f64, start: f64) -> Vec<f64> {
    let mut state = start;
    input
        .iter()
        .map(|x| {
            state = state.clamp(x - width, x + width);
            state
        })
        .collect()
}

/// How much more the loops with these weights (of the columns of [`stretch`]) hold if the line was never loaded before
/// this record than if it was loaded before and eased, at every entry: most of it stands open at pre-tension after the
/// first cycle.
pub(super) fn left_open(history: &History, weights: &[f64]) -> Vec<f64> {
    let share = shares(history);
    let mut sum = vec![0.0; share.len()];
    for (play, weight) in Play::all().zip(&weights[AT_ONCE..]) {
        if *weight == 0.0 {
            continue;
        }
        let states = play
            .new_line(&share)
            .into_iter()
            .zip(play.eased(history, &share));
        for (sum, (new, eased)) in sum.iter_mut().zip(states) {
            *sum += weight * (new - eased);
        }
    }
    sum
}

fn shares(history: &History) -> Vec<f64> {
    history
        .load_n
        .iter()
        .map(|f| (f / history.peak_n).max(0.0))
        .collect()
}

/// First-order lag: y' = (x − y)/τ, exact for x running straight between entries.
fn lagged(time_s: &[f64], image: &[f64], lag: f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(image.len());
    let mut y = image.first().copied().unwrap_or(0.0);
    let (mut last_step, mut decay, mut ramp) = (f64::NAN, 1.0, 0.0);
    for i in 0..image.len() {
        if i > 0 {
            let step = time_s[i] - time_s[i - 1];
            if step != last_step {
                last_step = step;
                decay = (-step / lag).exp();
                ramp = if step > 0.0 {
                    (1.0 - decay) * lag / step
                } else {
                    1.0
                };
            }
            // Exact response to a straight run from x0 to x1 (first-order hold).
            y = decay * y + (ramp - decay) * image[i - 1] + (1.0 - ramp) * image[i];
        }
        out.push(y);
    }
    out
}

/// Means over the blocks of values at the points.
pub(super) fn averaged(history: &History, values: Vec<f64>) -> Vec<f64> {
    history
        .blocks
        .iter()
        .map(|b| {
            let rows = &history.rows[b.clone()];
            let sum: f64 = values[b.clone()].iter().zip(rows).map(|(v, r)| v * r).sum();
            sum / rows.iter().sum::<f64>()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Truth: the response of y' = (x − y)/τ to x = t is t − τ(1 − exp(−t/τ)).
    #[test]
    fn a_lag_follows_a_ramp_as_calculus_says() {
        let time: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.37).collect();
        let y = lagged(&time, &time, 12.0);
        for (t, y) in time.iter().zip(&y) {
            let exact = t - 12.0 * (1.0 - (-t / 12.0).exp());
            assert!((y - exact).abs() < 1e-9, "{t}: {y} {exact}");
        }
    }

    #[test]
    fn a_play_keeps_its_distance_and_closes_its_first_loop() {
        let out = play(&[0.5, 1.0, 0.9, 0.5, 0.1, 0.4, 0.5], 0.2, 0.3);
        let expected = [0.3, 0.8, 0.8, 0.7, 0.3, 0.3, 0.3];
        for (a, b) in out.iter().zip(expected) {
            assert!((a - b).abs() < 1e-12, "{out:?}");
        }
    }

    /// A curve that the fit knows from a fifth of the peak up goes on to zero at its own slope.
    #[test]
    fn the_curve_goes_on_below_what_was_seen() {
        // Nothing below: the first splines have no weight.
        let weights = [0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0];
        let curve = spline_curve(&weights, 0.2).unwrap();
        assert!(curve(0.0).abs() < 1e-12 && (curve(1.0) - 1.0).abs() < 1e-12);
        let pace = |from: f64, to: f64| (curve(to) - curve(from)) / (to - from);
        assert!((pace(0.0, 0.1) - pace(0.1, 0.2)).abs() < 1e-9, "straight");
        assert!(
            (pace(0.1, 0.2) / pace(0.2, 0.3) - 1.0).abs() < 1e-9,
            "at its slope"
        );
        assert!(
            (pace(0.1999, 0.2001) / pace(0.1, 0.2) - 1.0).abs() < 0.5,
            "no step"
        );
    }

    #[test]
    fn splines_rise_from_zero_to_one() {
        let load: Vec<f64> = (0..=100).map(f64::from).collect();
        let blocks: Vec<_> = (0..=100).map(|i| i..i + 1).collect();
        let history = History {
            time_s: &load,
            load_n: &load,
            rows: &[1.0; 101],
            peak_n: 100.0,
            blocks: &blocks,
            dwelt: 1,
            curve: None,
        };
        let columns = stretch(&history).columns;
        for column in columns.iter().take(STRETCH_INTERVALS + 2) {
            assert!(column.windows(2).all(|w| w[1] >= w[0] - 1e-12));
            assert!((column[100] - 1.0).abs() < 1.0 && column[0] >= 0.0);
        }
    }
}
