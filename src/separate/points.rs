//! Points of the load's course: as many of a block as shapes of the load need.
//!
//! Question: at which moments are the shapes of [`bases`](super::bases) computed? Within a block the load runs straight, so
//! that of a thousand entries the means of a few dozen neighbourhoods tell the same; a short block keeps its entries.

use std::ops::Range;

use crate::phases::Blocks;

/// Most points of a block: the mean of a curve over the block is then that of its entries to a thousandth of its bend.
const MOST: usize = 24;

/// The record's entries in neighbourhoods, none across blocks. All vectors but `blocks` have one element per point.
pub(super) struct Points {
    entries: Vec<Range<usize>>,
    /// Mean time, s.
    pub time_s: Vec<f64>,
    /// Entries that each stands for.
    pub rows: Vec<f64>,
    /// Points of each block of the record.
    pub blocks: Vec<Range<usize>>,
    /// One past the last point of the first dwell.
    pub dwelt: usize,
}

impl Points {
    /// Points of all blocks; `dwelt` is one past the last entry of the first dwell.
    pub fn of(time_s: &[f64], all: &Blocks, dwelt: usize) -> Self {
        let mut entries = Vec::new();
        let blocks = all
            .first
            .iter()
            .zip(&all.end)
            .map(|(first, end)| {
                let (before, rows) = (entries.len(), end - first);
                let count = rows.min(MOST);
                entries.extend(
                    (0..count).map(|i| first + i * rows / count..first + (i + 1) * rows / count),
                );
                before..entries.len()
            })
            .collect();
        let mut points = Self {
            time_s: Vec::new(),
            rows: entries.iter().map(|e| e.len() as f64).collect(),
            blocks,
            dwelt: entries.partition_point(|e| e.start < dwelt),
            entries,
        };
        points.time_s = points.means(time_s);
        points
    }

    /// Mean of values of the entries at each point.
    pub fn means(&self, values: &[f64]) -> Vec<f64> {
        let mean = |e: &Range<usize>| values[e.clone()].iter().sum::<f64>() / e.len() as f64;
        self.entries.iter().map(mean).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_entry_is_lost_and_short_blocks_keep_theirs() {
        let all = Blocks {
            first: vec![0, 5, 105],
            end: vec![5, 105, 106],
            ..Blocks::default()
        };
        let time: Vec<f64> = (0..106).map(f64::from).collect();
        let points = Points::of(&time, &all, 5);
        assert_eq!(points.blocks, [0..5, 5..29, 29..30]);
        assert_eq!(points.time_s[..5], [0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!((points.dwelt, points.rows.iter().sum::<f64>()), (5, 106.0));
        // The mean over a block is that of its entries.
        let weighed: f64 = (5..29).map(|i| points.rows[i] * points.time_s[i]).sum();
        assert!((weighed / 100.0 - 54.5).abs() < 1e-12);
    }
}
