//! Blocks of rows: short where a channel bends or jumps, long where all run straight.
//!
//! Question: over which rows may a fit average without losing anything? Method: the record is cut into equal pieces,
//! and a piece in which any channel departs from a straight line by more than its noise is split where two straight
//! lines fit best, again and again. Within a block the load is replaced by its straight line: that takes its noise out
//! and keeps its corners, so that a running maximum does not ratchet up on noise.

use std::ops::Range;

use crate::condition::{Conditioned, Signal};

/// Equal pieces that a record is first cut into.
const PIECES: usize = 250;
/// A piece splits where its misfit exceeds what noise leaves by this many standard deviations.
const SPLIT_SIGMAS: f64 = 6.0;
/// Misfits below this share of a channel's range are not worth a block.
const SPLIT_SHARE: f64 = 5e-5;

/// Cuts the record into blocks of entries, in order, without gaps.
pub(super) fn cut(record: &Conditioned) -> Vec<Range<usize>> {
    let n = record.time_s.len();
    let piece = n.div_ceil(PIECES).max(1);
    let channels: Vec<Channel> = std::iter::once(&record.load)
        .chain(&record.gauges)
        .map(Channel::new)
        .collect();
    let mut edges: Vec<usize> = (0..n).step_by(piece).collect();
    edges.extend(record.segments.iter().copied().filter(|s| *s < n));
    edges.push(n);
    edges.sort_unstable();
    edges.dedup();
    let mut blocks = Vec::new();
    for pair in edges.windows(2) {
        split(&channels, &record.time_s, pair[0]..pair[1], &mut blocks);
    }
    blocks
}

/// A load with its noise taken out: each block's straight line. Gaps are bridged from the neighbours.
pub(super) fn quiet(record: &Conditioned, load: &Signal, blocks: &[Range<usize>]) -> Vec<f64> {
    let mut quiet = load.values.clone();
    for block in blocks.iter().filter(|b| b.len() >= 3) {
        let points: Vec<(f64, f64)> = block
            .clone()
            .map(|i| {
                (
                    record.time_s[i] - record.time_s[block.start],
                    load.values[i],
                )
            })
            .filter(|(_, f)| f.is_finite())
            .collect();
        if points.len() < 3 {
            continue;
        }
        let (intercept, slope) = line(&points);
        for i in block.clone() {
            quiet[i] = intercept + slope * (record.time_s[i] - record.time_s[block.start]);
        }
    }
    bridge(&record.time_s, &mut quiet);
    quiet
}

/// Fills NaN by straight lines between finite neighbours; ends by the nearest value.
fn bridge(time_s: &[f64], values: &mut [f64]) {
    let known: Vec<usize> = (0..values.len())
        .filter(|i| values[*i].is_finite())
        .collect();
    let (Some(&first), Some(&last)) = (known.first(), known.last()) else {
        return;
    };
    let (head, tail) = (values[first], values[last]);
    values[..first].fill(head);
    values[last + 1..].fill(tail);
    for pair in known.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        for i in a + 1..b {
            let share = (time_s[i] - time_s[a]) / (time_s[b] - time_s[a]);
            values[i] = values[a] + share * (values[b] - values[a]);
        }
    }
}

/// A channel seen by the splitter.
struct Channel<'a> {
    values: &'a [f64],
    variance: f64,
    tolerated: f64,
}

impl<'a> Channel<'a> {
    fn new(signal: &'a Signal) -> Self {
        let (low, high) = crate::condition::range_of(&signal.values);
        Self {
            values: &signal.values,
            variance: signal.noise.powi(2),
            tolerated: (SPLIT_SHARE * (high - low)).powi(2),
        }
    }
}

/// Running sums of one channel over a piece, for the misfit of any sub-range in constant time.
struct Sums {
    n: Vec<f64>,
    t: Vec<f64>,
    tt: Vec<f64>,
    x: Vec<f64>,
    xt: Vec<f64>,
    xx: Vec<f64>,
}

impl Sums {
    fn new(channel: &Channel, time_s: &[f64], piece: &Range<usize>) -> Self {
        let t0 = time_s[piece.start];
        let x0 = channel.values[piece.clone()]
            .iter()
            .copied()
            .find(|v| v.is_finite())
            .unwrap_or(0.0);
        let mut sums = Self {
            n: vec![0.0],
            t: vec![0.0],
            tt: vec![0.0],
            x: vec![0.0],
            xt: vec![0.0],
            xx: vec![0.0],
        };
        for i in piece.clone() {
            let (one, t, x) = if channel.values[i].is_finite() {
                (1.0, time_s[i] - t0, channel.values[i] - x0)
            } else {
                (0.0, 0.0, 0.0)
            };
            let push = |v: &mut Vec<f64>, add: f64| v.push(v[v.len() - 1] + add);
            push(&mut sums.n, one);
            push(&mut sums.t, t);
            push(&mut sums.tt, t * t);
            push(&mut sums.x, x);
            push(&mut sums.xt, x * t);
            push(&mut sums.xx, x * x);
        }
        sums
    }

    /// Sum of squared residuals of the best straight line over entries `a..b` (counted within the piece), and how many.
    fn misfit(&self, a: usize, b: usize) -> (f64, f64) {
        let d = |v: &[f64]| v[b] - v[a];
        let n = d(&self.n);
        if n < 3.0 {
            return (0.0, n);
        }
        let (t, x) = (d(&self.t) / n, d(&self.x) / n);
        let stt = d(&self.tt) - n * t * t;
        let sxt = d(&self.xt) - n * x * t;
        let sxx = d(&self.xx) - n * x * x;
        let explained = if stt > 0.0 { sxt * sxt / stt } else { 0.0 };
        ((sxx - explained).max(0.0), n)
    }
}

fn split(channels: &[Channel], time_s: &[f64], piece: Range<usize>, out: &mut Vec<Range<usize>>) {
    let sums: Vec<Sums> = channels
        .iter()
        .map(|c| Sums::new(c, time_s, &piece))
        .collect();
    let mut pending = vec![(0, piece.len())];
    while let Some((a, b)) = pending.pop() {
        match best_cut(channels, &sums, a, b) {
            Some(cut) => {
                // Last in, first out: the left part must come out first.
                pending.push((cut, b));
                pending.push((a, cut));
            }
            None => out.push(piece.start + a..piece.start + b),
        }
    }
}

/// Where to cut entries `a..b`, or `None` if every channel runs straight within its noise.
fn best_cut(channels: &[Channel], sums: &[Sums], a: usize, b: usize) -> Option<usize> {
    if b - a < 3 {
        return None;
    }
    let bends = channels.iter().zip(sums).any(|(channel, sums)| {
        let (misfit, n) = sums.misfit(a, b);
        let dof = n - 2.0;
        dof > 0.0
            && misfit
                > (channel.variance + channel.tolerated) * (dof + SPLIT_SIGMAS * (2.0 * dof).sqrt())
    });
    if !bends {
        return None;
    }
    let cost = |cut: usize| -> f64 {
        channels
            .iter()
            .zip(sums)
            .map(|(channel, sums)| {
                (sums.misfit(a, cut).0 + sums.misfit(cut, b).0)
                    / (channel.variance + channel.tolerated)
            })
            .sum()
    };
    (a + 1..b).min_by(|x, y| cost(*x).total_cmp(&cost(*y)))
}

/// Intercept and slope of the least-squares line.
fn line(points: &[(f64, f64)]) -> (f64, f64) {
    let n = points.len() as f64;
    let (mt, mx) = points
        .iter()
        .fold((0.0, 0.0), |(t, x), p| (t + p.0 / n, x + p.1 / n));
    let (stt, stx) = points.iter().fold((0.0, 0.0), |(tt, tx), p| {
        (tt + (p.0 - mt).powi(2), tx + (p.0 - mt) * (p.1 - mx))
    });
    let slope = if stt > 0.0 { stx / stt } else { 0.0 };
    (mx - slope * mt, slope)
}
