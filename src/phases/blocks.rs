//! Blocks of rows: short where a channel bends or jumps, long where all run straight.
//!
//! Question: over which rows may a fit average without losing anything? Method: the record is cut into equal pieces,
//! and a piece in which any channel departs from a straight line by more than its noise is split where two straight
//! lines fit best, again and again. Within a block the load is replaced by its straight line: that takes its noise out
//! and keeps its corners, so that a running maximum does not ratchet up on noise.

use std::ops::Range;

use crate::condition::{Conditioned, Signal};
use crate::stats::pieces::Pieces;

/// Equal pieces that a record is first cut into.
const PIECES: usize = 250;
/// A piece splits where its misfit exceeds what noise leaves by this many standard deviations.
const SPLIT_SIGMAS: f64 = 6.0;
/// So many blocks are not bends but noise that is larger than it seems between neighbours, as a hum's is: then it is taken
/// this many times larger (as a variance) until they are fewer.
const MOST: usize = 5000;
const COARSER: f64 = 4.0;
/// Misfits below this share of a channel's range are not worth a block.
const SPLIT_SHARE: f64 = 5e-5;

/// Cuts the record into blocks of entries, in order, without gaps.
pub(super) fn cut(record: &Conditioned) -> Vec<Range<usize>> {
    let n = record.time_s.len();
    let piece = n.div_ceil(PIECES).max(1);
    let channels: Vec<Channel> = std::iter::once(&record.load)
        .chain(&record.gauges)
        .map(|signal| Channel::of(&signal.values, signal.noise))
        .filter(Channel::varies)
        .collect();
    let mut edges: Vec<usize> = (0..n).step_by(piece).collect();
    edges.extend(record.segments.iter().copied().filter(|s| *s < n));
    edges.push(n);
    edges.sort_unstable();
    edges.dedup();
    cut_at(&edges, &record.time_s, channels)
}

/// Cuts the pieces between edges where a channel bends.
fn cut_at(edges: &[usize], time_s: &[f64], mut channels: Vec<Channel>) -> Vec<Range<usize>> {
    loop {
        let mut blocks = Vec::new();
        for pair in edges.windows(2) {
            split(&channels, time_s, pair[0]..pair[1], &mut blocks);
        }
        if blocks.len() <= MOST + edges.len() {
            return blocks;
        }
        for channel in &mut channels {
            channel.variance *= COARSER;
            channel.tolerated *= COARSER;
        }
    }
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
    fn of(values: &'a [f64], noise: f64) -> Self {
        let (low, high) = crate::condition::range_of(values);
        Self {
            values,
            variance: noise.powi(2),
            tolerated: (SPLIT_SHARE * (high - low)).powi(2),
        }
    }

    /// False for a constant without noise: it bends nowhere, and nothing can be weighed by it.
    fn varies(&self) -> bool {
        self.variance + self.tolerated > 0.0
    }
}

fn split(channels: &[Channel], time_s: &[f64], piece: Range<usize>, out: &mut Vec<Range<usize>>) {
    let sums: Vec<Pieces> = channels
        .iter()
        .map(|c| Pieces::of(piece.clone().map(|i| (time_s[i], c.values[i], 1.0))))
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
fn best_cut(channels: &[Channel], sums: &[Pieces], a: usize, b: usize) -> Option<usize> {
    if b - a < 3 {
        return None;
    }
    let bends = channels.iter().zip(sums).any(|(channel, sums)| {
        let (misfit, n) = sums.misfit(a..b);
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
                (sums.misfit(a..cut).0 + sums.misfit(cut..b).0)
                    / (channel.variance + channel.tolerated)
            })
            .sum()
    };
    (a + 1..b)
        .map(|cut| (cost(cut), cut))
        .min_by(|x, y| x.0.total_cmp(&y.0))
        .map(|(_, cut)| cut)
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

#[cfg(test)]
mod tests {
    use super::*;

    /// A channel that swings fast about a line with one bend: blocks are few where its swing is taken for noise.
    fn blocks(variance: f64) -> Vec<Range<usize>> {
        let time_s: Vec<f64> = (0..40_000).map(|i| f64::from(i) / 1000.0).collect();
        let values: Vec<f64> = time_s
            .iter()
            .map(|t| (t - 20.0).max(0.0) + 0.1 * (t * 400.0).sin())
            .collect();
        let channel = Channel {
            values: &values,
            variance,
            tolerated: 0.0,
        };
        let edges: Vec<usize> = (0..=250).map(|i| i * 160).collect();
        cut_at(&edges, &time_s, vec![channel])
    }

    /// A constant without noise, such as a cell at the tail that carries nothing, bends nowhere: blocks are as without it.
    #[test]
    fn a_constant_makes_no_blocks() {
        let time_s: Vec<f64> = (0..1000).map(f64::from).collect();
        let bent: Vec<f64> = time_s.iter().map(|t| (t - 437.0).max(0.0)).collect();
        let cut = |channels: &[&[f64]]| {
            let channels = channels.iter().map(|values| {
                let noise = if values[0] == values[999] {
                    f64::MIN_POSITIVE
                } else {
                    1e-3
                };
                Channel::of(values, noise)
            });
            cut_at(
                &[0, 1000],
                &time_s,
                channels.filter(Channel::varies).collect(),
            )
        };
        let alone = cut(&[&bent]);
        assert_eq!(alone.len(), 2);
        assert_eq!(cut(&[&bent, &[0.0; 1000]]), alone);
    }

    /// Noise that seems next to nothing from row to row, as that of means over a hum's period, splits all or nothing.
    #[test]
    fn noise_larger_than_it_seems_makes_no_more_blocks_than_a_fit_can_bear() {
        assert!((250..300).contains(&blocks(0.005).len()));
        let found = blocks(1e-9);
        assert!(found.len() <= MOST + 251, "{}", found.len());
        assert!(found.windows(2).all(|pair| pair[0].end == pair[1].start));
        assert_eq!((found[0].start, found[found.len() - 1].end), (0, 40_000));
    }
}
