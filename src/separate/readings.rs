//! Gauge readings averaged into blocks, in mm, zero at the first dwell.

use std::ops::Range;

use crate::condition::{Conditioned, InstrumentErrors, Signal};
use crate::ingest::GaugeKind;
use crate::phases::Phased;

/// One gauge over the blocks in use. Lengths in mm.
#[derive(Debug, Clone)]
pub(super) struct Reading {
    pub kind: GaugeKind,
    /// Read at a few moments only.
    pub sparse: bool,
    /// Mean reading per block since the first dwell; NaN = none.
    pub mean: Vec<f64>,
    /// Variance of that mean from noise and steps.
    pub variance: Vec<f64>,
    /// Half of the gauge's step, where its reading stands still between steps and averaging takes nothing out, mm.
    pub half_step: f64,
    /// Gain as a share; fixed and drift in mm.
    pub errors: InstrumentErrors,
}

/// The gauge of this kind: logged, or else read by hand at some moments, to half a step of `half_step` mm where one is stated.
pub(super) fn reading(
    kind: GaugeKind,
    record: &Conditioned,
    phased: &Phased,
    blocks: &[Range<usize>],
    lag_s: f64,
    half_step: Option<f64>,
) -> Option<Reading> {
    let mut found = match record.gauge(kind) {
        Some(signal) => logged(signal, record, blocks, lag_s),
        None => by_hand(kind, record, phased, blocks, half_step.unwrap_or(BY_EYE_MM))?,
    };
    let read = found.mean.iter().filter(|m| m.is_finite()).count();
    if read == 0 {
        return None;
    }
    found.sparse = 2 * read < found.mean.len();
    // Counted from the first dwell; what the dwell's own noise leaves is a free offset in the fit.
    let in_dwell: Vec<f64> = blocks
        .iter()
        .zip(&found.mean)
        .filter(|(b, m)| phased.reference.contains(&b.start) && m.is_finite())
        .map(|(_, m)| *m)
        .collect();
    let zero = if in_dwell.is_empty() {
        found
            .mean
            .iter()
            .copied()
            .find(|m| m.is_finite())
            .unwrap_or(0.0)
    } else {
        in_dwell.iter().sum::<f64>() / in_dwell.len() as f64
    };
    for m in &mut found.mean {
        *m -= zero;
    }
    Some(found)
}

/// Blocks without a reading are bridged where their neighbours with one lie no further apart than this, s.
const BRIDGED_S: f64 = 2.5;

impl Reading {
    /// Mean and variance per block, straight between the readings of a gauge that a slower logger wrote: good enough for what
    /// only a hundredth of enters another gauge's reading.
    pub(super) fn bridged(&self, time: &[f64]) -> (Vec<f64>, Vec<f64>) {
        let (mut mean, mut variance) = (self.mean.clone(), self.variance.clone());
        let known: Vec<usize> = (0..mean.len()).filter(|k| mean[*k].is_finite()).collect();
        for pair in known.windows(2) {
            let [a, b] = [pair[0], pair[1]];
            let gap = time[b] - time[a];
            if gap > BRIDGED_S {
                continue;
            }
            for k in a + 1..b {
                mean[k] = self.mean[a] + (self.mean[b] - self.mean[a]) * (time[k] - time[a]) / gap;
                variance[k] = self.variance[a].max(self.variance[b]);
            }
        }
        (mean, variance)
    }

    /// Where it was blank for longer than [`BRIDGED_S`], it went on as another gauge did: for where a pace changes only.
    pub(super) fn continued(&self, other: &Self, time: &[f64]) -> Self {
        let mut whole = self.clone();
        let blank = |k: &usize| !self.mean[*k].is_finite();
        let places: Vec<usize> = (0..self.mean.len()).collect();
        for run in places.chunk_by(|a, b| blank(a) == blank(b)) {
            let (Some(before), true) = (run[0].checked_sub(1), blank(&run[0])) else {
                continue;
            };
            let after = (run[run.len() - 1] + 1).min(time.len() - 1);
            if time[after] - time[before] <= BRIDGED_S {
                continue;
            }
            for k in run {
                whole.mean[*k] = self.mean[before] + other.mean[*k] - other.mean[before];
                whole.variance[*k] = other.variance[*k];
            }
        }
        whole
    }
}

/// However many rows are averaged, a block is not known better than this share of its gauge's range.
const AVERAGED_SHARE: f64 = 1e-5;

fn logged(signal: &Signal, record: &Conditioned, blocks: &[Range<usize>], lag_s: f64) -> Reading {
    let shifted;
    let values = if lag_s == 0.0 {
        &signal.values
    } else {
        shifted = ahead(&record.time_s, &signal.values, lag_s);
        &shifted
    };
    let whole = unbroken(&record.time_s, values);
    let noise = (signal.noise * 1e3).powi(2);
    let step = (signal.step * 1e3).powi(2) / 12.0;
    let (low, high) = crate::condition::range_of(&signal.values);
    let floor = (AVERAGED_SHARE * 1e3 * (high - low)).powi(2);
    let (mut mean, mut variance) = (Vec::new(), Vec::new());
    let mut still = Vec::new();
    for block in blocks {
        let usable: Vec<f64> = values[block.clone()]
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .collect();
        let n = usable.len() as f64;
        // Where the rest of the block is blank, the rows that were read are of another moment than it.
        let whole = &whole[block.clone()];
        if usable.is_empty() || whole.iter().any(|v| !v.is_finite()) {
            mean.push(f64::NAN);
            variance.push(f64::INFINITY);
            continue;
        }
        mean.push(1e3 * whole.iter().sum::<f64>() / whole.len() as f64);
        // Averaging takes a step's error out only where noise makes the reading flicker between steps.
        let flickers =
            usable.windows(2).filter(|w| w[0] != w[1]).count() as f64 / (n - 1.0).max(1.0);
        let left = if n > 1.0 {
            (1.0 - 2.0 * flickers).clamp(0.0, 1.0)
        } else {
            0.0
        };
        still.push(left);
        variance.push(noise / n + step * left + floor);
    }
    Reading {
        kind: signal.kind,
        sparse: false,
        mean,
        variance,
        half_step: 0.5e3 * signal.step * crate::stats::median(&still).unwrap_or(0.0),
        errors: InstrumentErrors {
            gain: signal.errors.gain,
            fixed: 1e3 * signal.errors.fixed,
            drift: 1e3 * signal.errors.drift,
        },
    }
}

/// Rows without a reading are bridged between readings no further apart than so many usual distances, if that is longer
/// than [`BRIDGED_S`].
const BRIDGED_GAPS: f64 = 3.0;

/// Rows without a reading straight between those on either side; beyond the ends, and where they lie too far apart, blank.
fn unbroken(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let known: Vec<usize> = (0..values.len())
        .filter(|i| values[*i].is_finite())
        .collect();
    let mut out = values.to_vec();
    if known.len() == values.len() {
        return out;
    }
    let apart = |pair: &[usize]| time_s[pair[1]] - time_s[pair[0]];
    let gaps: Vec<f64> = known.windows(2).map(apart).collect();
    let longest = crate::stats::median(&gaps).map_or(0.0, |usual| BRIDGED_GAPS * usual);
    for pair in known.windows(2) {
        let gap = apart(pair);
        if gap <= longest.max(BRIDGED_S) {
            for k in pair[0] + 1..pair[1] {
                let share = (time_s[k] - time_s[pair[0]]) / gap;
                out[k] = values[pair[0]] + share * (values[pair[1]] - values[pair[0]]);
            }
        }
    }
    out
}

/// How fast a logged gauge moves, mm/s, averaged over each block; zero where it cannot be said. Taken over
/// [`RATE_REACH_S`] on either side, so that noise does not pass for movement, and the slower of the two where they agree
/// in direction: a jump has no rate.
pub(super) fn rate(
    kind: GaugeKind,
    record: &Conditioned,
    blocks: &[Range<usize>],
    lag_s: f64,
) -> Option<Vec<f64>> {
    let values = &record.gauge(kind)?.values;
    let [before, at, after] = [lag_s - RATE_REACH_S, lag_s, lag_s + RATE_REACH_S]
        .map(|lag| ahead(&record.time_s, values, lag));
    let slower = |i: usize| {
        let (left, right) = (at[i] - before[i], after[i] - at[i]);
        if left * right <= 0.0 {
            0.0
        } else {
            left.signum() * left.abs().min(right.abs())
        }
    };
    let mean = |block: &Range<usize>| {
        let sum: f64 = block.clone().map(slower).sum();
        let rate = 1e3 * sum / block.len() as f64 / RATE_REACH_S;
        if rate.is_finite() { rate } else { 0.0 }
    };
    Some(blocks.iter().map(mean).collect())
}

/// Time on either side over which rates are taken, s.
const RATE_REACH_S: f64 = 0.3;

/// The signal as it stood `lag_s` later: takes a lag behind the load out. Between the readings on either side, however far
/// apart they are; rows without a reading stay without one.
fn ahead(time_s: &[f64], values: &[f64], lag_s: f64) -> Vec<f64> {
    let known: Vec<usize> = (0..values.len())
        .filter(|i| values[*i].is_finite())
        .collect();
    let mut out = vec![f64::NAN; values.len()];
    let mut right = 0;
    for i in &known {
        let wanted = time_s[*i] + lag_s;
        while right + 1 < known.len() && time_s[known[right]] < wanted {
            right += 1;
        }
        while right > 1 && time_s[known[right - 1]] >= wanted {
            right -= 1;
        }
        let (a, b) = (known[right.saturating_sub(1)], known[right]);
        let gap = time_s[b] - time_s[a];
        let share = if gap > 0.0 {
            ((wanted - time_s[a]) / gap).clamp(0.0, 1.0)
        } else {
            0.0
        };
        out[*i] = values[a] + share * (values[b] - values[a]);
    }
    out
}

/// What a reading by eye may be off by when nothing else is stated, mm.
const BY_EYE_MM: f64 = 0.5;

fn by_hand(
    kind: GaugeKind,
    record: &Conditioned,
    phased: &Phased,
    blocks: &[Range<usize>],
    half_step: f64,
) -> Option<Reading> {
    let readings: Vec<_> = record.readings.iter().filter(|r| r.kind == kind).collect();
    if readings.is_empty() {
        return None;
    }
    let mut mean = vec![f64::NAN; blocks.len()];
    let mut variance = vec![f64::INFINITY; blocks.len()];
    for reading in readings {
        let nearest = record
            .time_s
            .partition_point(|t| *t < reading.time_s)
            .min(record.time_s.len() - 1);
        // A reading just after the last block, with the load still on, is of the end.
        let last = blocks.last().map_or(0, |b| b.end);
        let loaded = || {
            let load = &phased.quiet_load_n[last.min(nearest)..=nearest];
            load.iter().all(|load| *load >= phased.slack_n)
        };
        let place = blocks
            .iter()
            .position(|b| b.contains(&nearest))
            .or_else(|| (nearest >= last && loaded()).then_some(blocks.len() - 1));
        if let Some(k) = place {
            mean[k] = 1e3 * reading.value_m;
            variance[k] = half_step.max(BY_EYE_MM).powi(2) / 3.0;
        }
    }
    Some(Reading {
        kind,
        sparse: false,
        mean,
        variance,
        // A rule that stands is read alike each time.
        half_step,
        errors: InstrumentErrors::default(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(kind: GaugeKind, mean: &[f64], variance: f64) -> Reading {
        Reading {
            kind,
            sparse: false,
            mean: mean.to_vec(),
            variance: mean
                .iter()
                .map(|m| {
                    if m.is_finite() {
                        variance
                    } else {
                        f64::INFINITY
                    }
                })
                .collect(),
            half_step: 0.0,
            errors: InstrumentErrors::default(),
        }
    }

    /// Rows of a second: one lost between two is bridged, four seconds and the ends are not; a gauge that is read every five
    /// seconds is bridged throughout.
    #[test]
    fn lost_rows_are_bridged_and_blank_spells_are_not() {
        let none = f64::NAN;
        let time: Vec<f64> = (0..13).map(f64::from).collect();
        let mut read = time.clone();
        for lost in [0, 2, 5, 6, 7, 12] {
            read[lost] = none;
        }
        let whole = unbroken(&time, &read);
        assert_eq!(whole[1..5], time[1..5]);
        assert_eq!(whole[8..12], time[8..12]);
        assert!([0, 5, 6, 7, 12].iter().all(|i| whole[*i].is_nan()));
        let mut slow = vec![none; 13];
        (slow[0], slow[5], slow[10]) = (0.0, 5.0, 20.0);
        let whole = unbroken(&time, &slow);
        assert_eq!((whole[3], whole[5], whole[7]), (3.0, 5.0, 11.0));
    }

    /// A mark that is blank for four seconds goes on as the travel went from there; one blank for a second, or from the
    /// beginning, stays as it is.
    #[test]
    fn a_blank_gauge_goes_on_as_the_travel_does() {
        let none = f64::NAN;
        let time: Vec<f64> = (0..9).map(f64::from).collect();
        let travel = [0.0, 10.0, 20.0, 30.0, 50.0, 70.0, 71.0, 72.0, 73.0];
        let travel = reading(GaugeKind::Travel, &travel, 0.5);
        let mark = [none, 1.0, 2.0, none, none, none, 9.0, none, 9.2];
        let mark = reading(GaugeKind::Mark, &mark, 0.1);
        let whole = mark.continued(&travel, &time);
        assert_eq!(whole.mean[1..7], [1.0, 2.0, 12.0, 32.0, 52.0, 9.0]);
        assert!(whole.mean[0].is_nan() && whole.mean[7].is_nan());
        assert_eq!(whole.variance[2..7], [0.1, 0.5, 0.5, 0.5, 0.1]);
        // What is blank to the end goes on to the end.
        let cut = reading(
            GaugeKind::Mark,
            &[0.0, 0.5, 1.0, none, none, none, none, none, none],
            0.1,
        );
        assert_eq!(cut.continued(&travel, &time).mean[8], 1.0 + 73.0 - 20.0);
    }
}
