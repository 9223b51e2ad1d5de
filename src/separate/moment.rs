//! A moment between the centres of blocks, and how a part stands there.
//!
//! Question: where does a part stand at a time, when only its means over blocks are known? Method: the parabola that has
//! the means of the three blocks around. A slip that speeds up bends within a block, so a straight line between two
//! centres lies above it, and so does the mean of a block. Where the parabola leaves the range between the two centres
//! (at a jump or a corner) the straight line stands.

use crate::condition::Conditioned;
use crate::phases::Phased;
use crate::separate::model::Balance;
use crate::separate::solve::{Fit, Functional};
use crate::stats::estimate::LEVEL;

/// A moment of the pull, in blocks.
#[derive(Debug, Clone)]
pub(super) struct Moment {
    /// Block whose centre comes before it, and block whose centre comes after; the same at a block.
    pub before: usize,
    pub after: usize,
    /// How well it is known, as a share of the way between the two.
    open: f64,
    /// How far on the way from one to the other; more than one beyond the last centre.
    share: f64,
    /// Blocks and factors of the parabola, where there are three blocks.
    curved: Vec<(usize, f64)>,
    /// Blocks of other moments that it may as well have been: before or after a jump whose peak is as good as the load.
    others: Vec<usize>,
}

/// How well the moment of a load is known, as a share of the time between block centres.
const MOMENT_SHARE: f64 = 0.1;
/// A part that moves by so many times more between two centres than on either side has jumped between them.
const JUMP_FACTOR: f64 = 4.0;
/// A load is as good as another within the cell's zero and so many standard deviations of its noise.
const NEAR_SIGMAS: f64 = 2.0;
/// A peak this close below a load counts as reaching it here; the verdict has its own rule.
const NEARLY: f64 = 0.995;

impl Moment {
    /// A whole block.
    pub(super) fn block(block: usize) -> Self {
        Self {
            before: block,
            after: block,
            open: 0.0,
            share: 0.0,
            curved: Vec::new(),
            others: Vec::new(),
        }
    }

    /// The end of the pull, carried half a block past the last centre at the pace of the last two.
    pub(super) fn end(balance: &Balance, record: &Conditioned) -> Self {
        let time = &balance.problem.time;
        let last = balance.last_block;
        let before = last.saturating_sub(1);
        let gap = time[last] - time[before];
        let end = record.time_s[balance.ranges[last].end - 1];
        let share = if gap > 0.0 {
            1.0 + ((end - time[last]) / gap).clamp(0.0, 1.0)
        } else {
            1.0
        };
        Self {
            before,
            after: last,
            open: 0.0,
            share,
            curved: Vec::new(),
            others: Vec::new(),
        }
    }

    /// The moment at which the quiet load first reaches `load` (N) after the first dwell; `None` if it never does.
    pub(super) fn of_load(
        balance: &Balance,
        record: &Conditioned,
        phased: &Phased,
        load: f64,
    ) -> Option<Self> {
        let quiet = &phased.quiet_load_n;
        let wanted = if phased.peak_n < load && phased.peak_n >= NEARLY * load {
            NEARLY * load
        } else {
            load
        };
        let entry = (phased.reference.start..quiet.len()).find(|i| quiet[*i] >= wanted)?;
        let time = record.time_s[entry];
        let centres = &balance.problem.time;
        let after = centres
            .partition_point(|t| *t < time)
            .min(centres.len() - 1);
        let before = after.saturating_sub(1);
        let gap = centres[after] - centres[before];
        let (share, open) = if gap > 0.0 {
            let share = ((time - centres[before]) / gap).clamp(0.0, 1.0);
            // What the zero of the cell leaves open shifts the moment as well, the more the slower the load rises.
            let before = entry.saturating_sub(1).max(phased.reference.start);
            let rate = (quiet[entry] - quiet[before])
                / (record.time_s[entry] - record.time_s[before]).max(f64::MIN_POSITIVE);
            let shifted = record.load.errors.fixed / (rate * gap).max(f64::MIN_POSITIVE);
            let open = MOMENT_SHARE + record.period_s / gap + shifted.clamp(0.0, MOMENT_SHARE);
            (share, open)
        } else {
            (0.0, 0.0)
        };
        // A line that jumps lets the load fall: it was reached before the jump, by the pace up to there.
        let load = |k: usize| phased.blocks.load_n[balance.first_block + k];
        let block_of = |entry: usize| balance.ranges.iter().position(|r| r.contains(&entry));
        let inside = block_of(entry);
        let near = record.load.errors.fixed + NEAR_SIGMAS * record.load.noise;
        let others = [wanted - near, wanted + near]
            .into_iter()
            .filter_map(|load| (phased.reference.start..quiet.len()).find(|i| quiet[*i] >= load))
            .filter(|other| {
                let between = &quiet[entry.min(*other)..entry.max(*other)];
                between.iter().any(|load| *load < wanted - 3.0 * near)
            })
            .filter_map(block_of)
            .collect();
        if let Some(m) = inside.filter(|m| *m == before && after > *m && load(after) < load(*m)) {
            let ahead = m.checked_sub(1).filter(|b| load(*b) < load(m));
            let [before, after] = [ahead.unwrap_or(m), m];
            let gap = centres[after] - centres[before];
            let share = match ahead {
                Some(_) if gap > 0.0 => 1.0 + ((time - centres[m]) / gap).min(1.0),
                _ => 0.0,
            };
            return Some(Self {
                before,
                after,
                open,
                share,
                curved: Vec::new(),
                others,
            });
        }
        // Edges of blocks lie half-way between their rows.
        let edge = |entry: usize| (record.time_s[entry - 1] + record.time_s[entry]) / 2.0;
        let middle = inside
            .filter(|m| *m > 0 && m + 1 < balance.ranges.len() && balance.ranges[m - 1].start > 0);
        let curved = middle.map_or_else(Vec::new, |m| {
            let edges = [m - 1, m, m + 1, m + 2].map(|k| match balance.ranges.get(k) {
                Some(range) => edge(range.start),
                None => record.time_s[balance.end_entry - 1],
            });
            let factors = of_means(edges, time);
            (m - 1..).zip(factors).collect()
        });
        Some(Self {
            before,
            after,
            open,
            share,
            curved,
            others,
        })
    }

    /// Blocks and their factors in the value at this moment of something that has these values per block.
    pub(super) fn factors(&self, value: impl Fn(usize) -> f64) -> Vec<(usize, f64)> {
        if self.before == self.after {
            return vec![(self.after, 1.0)];
        }
        if !self.curved.is_empty() {
            let curved: f64 = self.curved.iter().map(|(k, c)| c * value(*k)).sum();
            let (a, b) = (value(self.before), value(self.after));
            if (a.min(b)..=a.max(b)).contains(&curved) {
                return self.curved.clone();
            }
        }
        vec![(self.before, 1.0 - self.share), (self.after, self.share)]
    }

    /// How far off the combination `f` may be because the moment is not known exactly, mm. Before or after a jump, if
    /// there is one: all of it.
    pub(super) fn leeway(&self, fit: &Fit, f: &dyn Fn(usize) -> Functional, last: usize) -> f64 {
        if self.open <= 0.0 {
            return 0.0;
        }
        let at = |k: usize| fit.value(&f(k));
        let moved = (at(self.after) - at(self.before)).abs();
        let others = self.others.iter().map(|k| (at(*k) - at(self.after)).abs());
        // It is there or here, not in between: an interval at the level must reach it.
        let elsewhere = others.fold(0.0, f64::max) / LEVEL;
        let sides = [
            (self.before.saturating_sub(1), self.before),
            (self.after, (self.after + 1).min(last)),
        ];
        let usual = sides
            .iter()
            .map(|(a, b)| (at(*b) - at(*a)).abs())
            .fold(0.0, f64::max);
        let share = if usual > 0.0 && moved > JUMP_FACTOR * usual {
            self.share.max(1.0 - self.share)
        } else {
            self.open
        };
        share * moved + elsewhere
    }
}

/// Factors of the means over three neighbouring cells in the value at `at` of the parabola that has these means.
///
/// The running integral is known at the four edges; its cubic's slope is the parabola.
fn of_means(edges: [f64; 4], at: f64) -> [f64; 3] {
    // Slope at `at` of the Lagrange polynomial that is one at edge j and zero at the others.
    let slope = |j: usize| -> f64 {
        let others: Vec<f64> = (0..4).filter(|i| *i != j).map(|i| edges[i]).collect();
        let bottom: f64 = others.iter().map(|e| edges[j] - e).product();
        let top: f64 = (0..3)
            .map(|leave| {
                let factors = (0..3).filter(|i| *i != leave).map(|i| at - others[i]);
                factors.product::<f64>()
            })
            .sum();
        top / bottom
    };
    // The integral up to edge j holds every cell before it.
    [0, 1, 2].map(|cell| {
        let width = edges[cell + 1] - edges[cell];
        width * (cell + 1..4).map(slope).sum::<f64>()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Truth: a parabola's own means, over cells of unequal width.
    #[test]
    fn a_parabola_is_found_again_from_its_means() {
        let curve = |t: f64| 2.0 - 3.0 * t + 0.7 * t * t;
        let integral = |t: f64| 2.0 * t - 1.5 * t * t + 0.7 * t.powi(3) / 3.0;
        let edges = [1.0, 2.5, 3.0, 5.0];
        let means = [0, 1, 2]
            .map(|i| (integral(edges[i + 1]) - integral(edges[i])) / (edges[i + 1] - edges[i]));
        for at in [2.5, 2.7, 3.0, 1.2, 4.4] {
            let factors = of_means(edges, at);
            let value: f64 = factors.iter().zip(means).map(|(f, m)| f * m).sum();
            assert!(
                (value - curve(at)).abs() < 1e-10,
                "{at}: {value} {}",
                curve(at)
            );
            assert!((factors.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        }
    }
}
