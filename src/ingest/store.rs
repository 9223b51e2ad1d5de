//! Rows to entries: row by row up to [`ENTRIES_MAX`], beyond it means of 2, 4, 8, … rows.
//!
//! Means are taken over the readings present (a missing reading takes no part); neighbours are merged within their
//! segment only. Memory does not grow with the log.

use super::ENTRIES_MAX;
use super::rows::CLIPPED;

/// The entries so far.
#[derive(Debug)]
pub(super) struct Store {
    pub per: usize,
    pub rows: u64,
    pub time: Vec<f64>,
    pub channels: Vec<Column>,
    /// First entries of later segments.
    pub segments: Vec<usize>,
    most: usize,
    partial: usize,
    partial_time: f64,
    /// Rows are handed out in groups instead of being merged.
    handing: bool,
    ended: bool,
}

/// What became of a late row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Late {
    /// It stands in order.
    Taken,
    /// It stood there already.
    Repeated,
    /// Another row has its time, or it belongs to the segment before.
    Refused,
}

/// One channel of the entries.
#[derive(Debug, Clone, Default)]
pub(super) struct Column {
    pub values: Vec<f64>,
    /// Readings in each entry; kept from the first merging on.
    counts: Vec<u32>,
    pub clipped: Vec<usize>,
    pub extremes: Option<(f64, f64)>,
    pub step: f64,
    last: f64,
    sum: f64,
    count: u32,
    sum_clipped: bool,
}

impl Store {
    pub(super) fn new(channels: usize) -> Self {
        Self::with_most(channels, ENTRIES_MAX)
    }

    /// For tests: with fewer entries.
    pub(super) fn with_most(channels: usize, most: usize) -> Self {
        let column = Column {
            step: f64::INFINITY,
            last: f64::NAN,
            ..Column::default()
        };
        Self {
            per: 1,
            rows: 0,
            time: Vec::new(),
            channels: vec![column; channels],
            segments: Vec::new(),
            most,
            partial: 0,
            partial_time: 0.0,
            handing: false,
            ended: false,
        }
    }

    /// From now on rows are kept as they are until [`Store::take_group`] takes them.
    pub(super) fn hand_out_rows(&mut self) {
        self.handing = true;
    }

    /// The last rows may go as well.
    pub(super) fn hand_out_rest(&mut self) {
        self.ended = true;
    }

    /// The next group of rows: times, and the values of each channel. As many rows stay behind, so that a late row finds
    /// its place.
    pub(super) fn take_group(&mut self) -> Option<(Vec<f64>, Vec<Vec<f64>>)> {
        let full = self.time.len() >= 2 * self.most;
        let n = self.time.len().min(self.most);
        if n == 0 || !(full || self.ended) {
            return None;
        }
        let first = |values: &mut Vec<f64>| {
            let rest = values.split_off(n);
            std::mem::replace(values, rest)
        };
        let time = first(&mut self.time);
        let values = self
            .channels
            .iter_mut()
            .map(|column| {
                column.clipped.clear();
                first(&mut column.values)
            })
            .collect();
        for segment in &mut self.segments {
            *segment = segment.saturating_sub(n);
        }
        Some((time, values))
    }

    /// Appends rows whose time rises.
    pub(super) fn append(&mut self, time: &[f64], values: &[&[f64]]) {
        for (column, values) in self.channels.iter_mut().zip(values) {
            column.survey(values);
        }
        self.rows += time.len() as u64;
        let mut from = 0;
        while from < time.len() {
            let n = if self.per == 1 {
                if self.handing {
                    time.len()
                } else if self.time.len() == self.most {
                    self.merge();
                    continue;
                } else {
                    self.most - self.time.len()
                }
            } else {
                self.per - self.partial
            };
            let rows = from..(from + n).min(time.len());
            from = rows.end;
            if self.per == 1 {
                let start = self.time.len();
                self.time.extend_from_slice(&time[rows.clone()]);
                for (column, values) in self.channels.iter_mut().zip(values) {
                    column.push_rows(start, &values[rows.clone()]);
                }
                continue;
            }
            self.partial += rows.len();
            // One after the other, so that the size of the pieces does not show in the last digit.
            self.partial_time = time[rows.clone()]
                .iter()
                .fold(self.partial_time, |sum, t| sum + t);
            for (column, values) in self.channels.iter_mut().zip(values) {
                column.add_rows(&values[rows.clone()]);
            }
            match self.partial == self.per {
                // The entry in hand is now half of one.
                true if self.time.len() == self.most => self.merge(),
                true => self.close(),
                false => {}
            }
        }
    }

    /// Puts one late row in order. Rows that were merged already have no order among themselves.
    pub(super) fn insert_late(&mut self, time: f64, values: &[f64]) -> Late {
        // Where a first reading had begun to merge, it took every late row: here they are all kept too.
        let merging = self.rows >= self.most as u64;
        if self.per == 1 && self.time.len() == self.most && !self.handing {
            self.merge();
        }
        if self.per > 1 {
            if self.partial == 0 {
                self.join_last(time, values);
            } else {
                let columns: Vec<&[f64]> = values.iter().map(std::slice::from_ref).collect();
                self.append(&[time], &columns);
            }
            return Late::Taken;
        }
        let mut at = self.time.partition_point(|t| *t < time);
        let segment = self.segments.last().copied().unwrap_or(0);
        if at < segment && !merging {
            return Late::Refused;
        }
        at = at.max(segment);
        if self.time.get(at) == Some(&time) && !merging {
            let same =
                |c: &Column, v: &f64| c.values[at] == *v || c.values[at].is_nan() && v.is_nan();
            let repeated = self.channels.iter().zip(values).all(|(c, v)| same(c, v));
            return if repeated {
                Late::Repeated
            } else {
                Late::Refused
            };
        }
        self.time.insert(at, time);
        self.rows += 1;
        for (column, value) in self.channels.iter_mut().zip(values) {
            column.survey(std::slice::from_ref(value));
            for c in column.clipped.iter_mut().filter(|c| **c >= at) {
                *c += 1;
            }
            if value.to_bits() == CLIPPED {
                let place = column.clipped.partition_point(|c| *c < at);
                column.clipped.insert(place, at);
            }
            column.values.insert(at, plain_nan(*value));
        }
        Late::Taken
    }

    /// A late row behind a finished entry belongs to that entry; alone in the next one it would turn the order of time.
    #[expect(clippy::cast_precision_loss, reason = "rows in one entry")]
    fn join_last(&mut self, time: f64, values: &[f64]) {
        let Some(last) = self.time.last_mut() else {
            return;
        };
        let rows = self.per as f64;
        *last = (*last * rows + time) / (rows + 1.0);
        let entry = self.time.len() - 1;
        self.rows += 1;
        for (column, value) in self.channels.iter_mut().zip(values) {
            column.survey(std::slice::from_ref(value));
            if !value.is_nan() {
                let n = f64::from(column.counts[entry]);
                let sum = if n == 0.0 {
                    0.0
                } else {
                    column.values[entry] * n
                };
                column.values[entry] = (sum + value) / (n + 1.0);
                column.counts[entry] += 1;
            } else if value.to_bits() == CLIPPED && column.clipped.last() != Some(&entry) {
                column.clipped.push(entry);
            }
        }
    }

    /// Begins a segment with the next row.
    pub(super) fn begin_segment(&mut self) {
        self.close();
        if !self.time.is_empty() && self.segments.last() != Some(&self.time.len()) {
            self.segments.push(self.time.len());
        }
    }

    /// Ends the last entry.
    pub(super) fn finish(&mut self) {
        self.close();
        if self.segments.last() == Some(&self.time.len()) {
            self.segments.pop();
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "rows in one entry")]
    fn close(&mut self) {
        if self.partial == 0 {
            return;
        }
        if self.time.len() >= self.most {
            // A segment ended with a part of an entry while the store was full: it makes room for it.
            self.merge();
        }
        let entry = self.time.len();
        self.time.push(self.partial_time / self.partial as f64);
        for column in &mut self.channels {
            let mean = if column.count == 0 {
                f64::NAN
            } else {
                column.sum / f64::from(column.count)
            };
            column.values.push(mean);
            column.counts.push(column.count);
            if column.sum_clipped {
                column.clipped.push(entry);
            }
            column.sum = 0.0;
            column.count = 0;
            column.sum_clipped = false;
        }
        self.partial = 0;
        self.partial_time = 0.0;
    }

    /// Merges neighbours in pairs, within their segments.
    fn merge(&mut self) {
        let entries = self.time.len();
        let bounds: Vec<usize> = std::iter::once(0)
            .chain(self.segments.iter().copied())
            .chain([entries])
            .collect();
        if self.per == 1 {
            for column in &mut self.channels {
                column.counts = column
                    .values
                    .iter()
                    .map(|v| u32::from(!v.is_nan()))
                    .collect();
            }
        }
        let mut pairs: Vec<(usize, usize)> = Vec::with_capacity(entries / 2 + bounds.len());
        let mut segments = Vec::new();
        for bound in bounds.windows(2) {
            if bound[0] > 0 {
                segments.push(pairs.len());
            }
            let mut i = bound[0];
            while i < bound[1] {
                pairs.push((i, (i + 2).min(bound[1])));
                i += 2;
            }
        }
        self.segments = segments;
        self.time = pairs
            .iter()
            .map(|(a, b)| {
                if b - a == 2 {
                    0.5 * (self.time[*a] + self.time[*a + 1])
                } else {
                    self.time[*a]
                }
            })
            .collect();
        for column in &mut self.channels {
            column.merge(&pairs);
        }
        self.per *= 2;
    }
}

impl Column {
    /// Extremes and the smallest step of single readings.
    fn survey(&mut self, values: &[f64]) {
        let (mut low, mut high) = self.extremes.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
        let (mut last, mut step) = (self.last, self.step);
        for value in values {
            // Comparisons with NaN are false: missing readings change nothing.
            if *value < low {
                low = *value;
            }
            if *value > high {
                high = *value;
            }
            let difference = (value - last).abs();
            if difference > 0.0 && difference < step {
                step = difference;
            }
            last = *value;
        }
        self.last = last;
        self.step = step;
        if low <= high {
            self.extremes = Some((low, high));
        }
    }

    fn push_rows(&mut self, start: usize, values: &[f64]) {
        self.values.extend_from_slice(values);
        for (i, value) in self.values[start..].iter_mut().enumerate() {
            if value.to_bits() == CLIPPED {
                self.clipped.push(start + i);
                *value = f64::NAN;
            }
        }
    }

    fn add_rows(&mut self, values: &[f64]) {
        let sum = values.iter().fold(self.sum, |sum, v| sum + v);
        if sum.is_nan() {
            for value in values {
                if value.is_nan() {
                    self.sum_clipped |= value.to_bits() == CLIPPED;
                } else {
                    self.sum += value;
                    self.count += 1;
                }
            }
        } else {
            self.sum = sum;
            self.count += u32::try_from(values.len()).unwrap_or(u32::MAX);
        }
    }

    fn merge(&mut self, pairs: &[(usize, usize)]) {
        let (values, counts) = (&self.values, &self.counts);
        let mean = |(a, b): &(usize, usize)| {
            let n: u32 = counts[*a..*b].iter().sum();
            let sum: f64 = (*a..*b)
                .filter(|i| counts[*i] > 0)
                .map(|i| values[i] * f64::from(counts[i]))
                .sum();
            (if n == 0 { f64::NAN } else { sum / f64::from(n) }, n)
        };
        let (merged, merged_counts) = pairs.iter().map(mean).unzip();
        let mut clipped: Vec<usize> = self
            .clipped
            .iter()
            .map(|c| pairs.partition_point(|(_, end)| end <= c))
            .collect();
        clipped.dedup();
        self.values = merged;
        self.counts = merged_counts;
        self.clipped = clipped;
    }
}

/// The NaN of overload becomes a plain one.
fn plain_nan(value: f64) -> f64 {
    if value.is_nan() { f64::NAN } else { value }
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "small whole numbers are exact")]
mod tests {
    use super::*;

    #[test]
    fn rows_beyond_the_most_are_merged_into_means() {
        let mut store = Store::with_most(1, 8);
        let time: Vec<f64> = (0..20).map(f64::from).collect();
        let mut values = time.clone();
        values[3] = f64::NAN;
        values[6] = f64::from_bits(CLIPPED);
        // In uneven pieces, as chunks come.
        for (from, to) in [(0, 3), (3, 4), (4, 13), (13, 20)] {
            store.append(&time[from..to], &[&values[from..to]]);
        }
        store.finish();
        assert_eq!(store.per, 4);
        assert_eq!(store.rows, 20);
        assert_eq!(store.time, [1.5, 5.5, 9.5, 13.5, 17.5]);
        assert_eq!(
            store.channels[0].values,
            [1.0, (4.0 + 5.0 + 7.0) / 3.0, 9.5, 13.5, 17.5]
        );
        assert_eq!(store.channels[0].clipped, [1]);
        assert_eq!(store.channels[0].extremes, Some((0.0, 19.0)));
        assert_eq!(store.channels[0].step, 1.0);
    }

    #[test]
    fn pieces_do_not_matter_and_segments_are_not_mixed() {
        let time: Vec<f64> = (0..1000).map(f64::from).collect();
        let mut whole = Store::with_most(1, 64);
        whole.append(&time[..333], &[&time[..333]]);
        whole.begin_segment();
        whole.append(&time[333..], &[&time[333..]]);
        whole.finish();
        let mut pieces = Store::with_most(1, 64);
        for i in 0..1000 {
            if i == 333 {
                pieces.begin_segment();
            }
            pieces.append(&time[i..=i], &[&time[i..=i]]);
        }
        pieces.finish();
        assert_eq!(whole.time, pieces.time);
        assert_eq!(whole.channels[0].values, pieces.channels[0].values);
        assert_eq!(whole.segments, pieces.segments);
        assert!(whole.time.len() <= 64);
        let border = whole.segments[0];
        assert!(whole.time[border - 1] <= 332.0 && whole.time[border] >= 333.0);
        // The mean of all is kept: weights are right.
        let n = |i: usize| whole.channels[0].counts[i] as f64;
        let total: f64 = (0..whole.time.len())
            .map(|i| n(i) * whole.channels[0].values[i])
            .sum();
        assert_eq!(total, 999.0 * 1000.0 / 2.0);
    }

    #[test]
    fn rows_handed_out_are_all_the_rows_in_order() {
        let time: Vec<f64> = (0..100).map(f64::from).collect();
        let mut store = Store::with_most(1, 8);
        store.hand_out_rows();
        let mut groups = Vec::new();
        for (from, to) in [(0, 3), (3, 30), (30, 99)] {
            store.append(&time[from..to], &[&time[from..to]]);
            groups.extend(std::iter::from_fn(|| store.take_group()));
        }
        store.append(&[100.0], &[&[f64::from_bits(CLIPPED)]]);
        assert_eq!(store.insert_late(99.0, &[99.0]), Late::Taken);
        store.finish();
        assert!(store.time.len() < 16);
        store.hand_out_rest();
        groups.extend(std::iter::from_fn(|| store.take_group()));
        assert!(groups.iter().all(|(time, _)| time.len() <= 8));
        let all: Vec<f64> = groups.iter().flat_map(|(time, _)| time.clone()).collect();
        assert_eq!(all[..100], time);
        assert_eq!((all[100], all.len() as u64), (100.0, store.rows));
        let values: Vec<f64> = groups
            .iter()
            .flat_map(|(_, values)| values[0].clone())
            .collect();
        assert_eq!(values[..100], time);
        assert!(values[100].is_nan());
    }

    #[test]
    fn a_late_row_is_put_in_order() {
        let mut store = Store::with_most(1, 8);
        store.append(&[0.0, 1.0, 3.0], &[&[0.0, 1.0, f64::from_bits(CLIPPED)]]);
        assert_eq!(store.insert_late(2.0, &[2.0]), Late::Taken);
        assert_eq!(store.insert_late(2.0, &[2.0]), Late::Repeated);
        assert_eq!(store.insert_late(2.0, &[5.0]), Late::Refused);
        assert_eq!(store.time, [0.0, 1.0, 2.0, 3.0]);
        assert_eq!(store.channels[0].values[..3], [0.0, 1.0, 2.0]);
        assert_eq!(store.channels[0].clipped, [3]);
    }
}
