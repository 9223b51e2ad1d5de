//! Zero and drift of the load cell, from slack readings at both ends, or carried as uncertainty.
//!
//! Question: what does the cell read when nothing pulls? Method: slack is a level stretch of at least three seconds at
//! the very start (or end) of the record, lower than the first dwell and near zero. Its mean is the zero at that end.
//! Assumption: the zero moves in a straight line between the ends. Without slack, zero and drift are not estimated:
//! the sheet's statement (or a share of the peak) goes into the uncertainty.

use std::ops::Range;

use crate::caveat::{Caveat, Weight};
use crate::condition::{Signal, instrument};
use crate::ingest::GaugeKind;
use crate::sheet::Sheet;
use crate::stats::{Estimate, Measure};

/// Shortest stretch that counts as slack, s.
const SLACK_S: f64 = 3.0;
/// Time over which slack readings are averaged to see whether they are steady, s.
const STEADY_S: f64 = 1.0;
/// Means further apart than this many standard deviations are not of one level.
const STEADY_SIGMAS: f64 = 5.0;
/// A slack level is at most this share of the peak load (beyond the stated zero error).
const SLACK_SHARE: f64 = 0.02;

/// The cell's zero over time, as it is taken out of the load: a straight line.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ZeroLine {
    /// Time at which the zero stood, s.
    pub at_s: f64,
    /// The zero then, N.
    pub zero_n: f64,
    /// Its drift, N/s.
    pub slope_n_per_s: f64,
}

impl ZeroLine {
    /// The zero at a time, N.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        self.zero_n + self.slope_n_per_s * (time_s - self.at_s)
    }
}

/// Entries of slack at both ends.
pub(super) struct Slack {
    pub start: Range<usize>,
    pub finish: Option<Range<usize>>,
    pub zero_start: f64,
    pub zero_finish: Option<f64>,
}

/// Zero at the start, drift to the end, and the slack they come from.
pub(super) struct Zero {
    pub at_start: Estimate,
    pub drift: Estimate,
    pub slack: Option<Slack>,
}

/// Finds zero and drift.
pub(super) fn find(time_s: &[f64], load: &Signal, sheet: &Sheet) -> Zero {
    let stated = instrument::stated(GaugeKind::Load, sheet).unwrap_or_default();
    let (_, peak) = super::range_of(&load.values);
    let allowed = SLACK_SHARE * peak + stated.zero.unwrap_or(0.0);
    let pretension = sheet.pull.pretension.map(crate::units::Quantity::si);
    let ceiling = pretension.map_or(allowed, |p| {
        allowed.min(0.5 * p + stated.zero.unwrap_or(0.0))
    });
    let start = level_run(time_s, &load.values, load.noise, ceiling, false);
    let finish = level_run(time_s, &load.values, load.noise, ceiling, true);
    let mean = |r: &Range<usize>| {
        let usable: Vec<f64> = load.values[r.clone()]
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .collect();
        (
            usable.iter().sum::<f64>() / usable.len().max(1) as f64,
            load.noise / (usable.len().max(1) as f64).sqrt(),
        )
    };
    let Some(start) = start else {
        let reason = "no slack reading at the start of the record: the sheet's statement is carried as uncertainty";
        return Zero {
            at_start: Estimate::cannot_tell(Measure::Force, reason),
            drift: Estimate::cannot_tell(Measure::Force, reason),
            slack: None,
        };
    };
    let (zero_start, u_start) = mean(&start);
    let normal = 1.96;
    let at_start = Estimate::measured(
        Measure::Force,
        zero_start,
        u_start,
        zero_start - normal * u_start,
        zero_start + normal * u_start,
        "mean of the slack reading at the start",
    );
    let (drift, zero_finish) = match &finish {
        Some(finish) => {
            let (zero_finish, u_finish) = mean(finish);
            let u = u_start.hypot(u_finish);
            let d = zero_finish - zero_start;
            let estimate = Estimate::measured(
                Measure::Force,
                d,
                u,
                d - normal * u,
                d + normal * u,
                "slack readings at both ends",
            );
            (estimate, Some(zero_finish))
        }
        None => (
            Estimate::cannot_tell(
                Measure::Force,
                "no slack reading at the end of the record: the sheet's statement is carried as uncertainty",
            ),
            None,
        ),
    };
    Zero {
        at_start,
        drift,
        slack: Some(Slack {
            start,
            finish,
            zero_start,
            zero_finish,
        }),
    }
}

/// The stretch at one end that stays level within noise and under the ceiling, if it is long enough.
fn level_run(
    time_s: &[f64],
    values: &[f64],
    noise: f64,
    ceiling: f64,
    from_end: bool,
) -> Option<Range<usize>> {
    let n = values.len();
    let at = |i: usize| if from_end { n - 1 - i } else { i };
    let probe = 8.min(n);
    let first: Vec<f64> = (0..probe)
        .map(|i| values[at(i)])
        .filter(|v| v.is_finite())
        .collect();
    let level = crate::stats::median(&first)?;
    if level.abs() > ceiling {
        return None;
    }
    let mut mean = level;
    let mut count = 1.0;
    let mut length = 0;
    let mut outside = 0;
    for i in 0..n {
        let value = values[at(i)];
        if !value.is_finite() {
            continue;
        }
        if (value - mean).abs() > 5.0 * noise {
            outside += 1;
            if outside >= 2 {
                break;
            }
            continue;
        }
        outside = 0;
        count += 1.0;
        mean += (value - mean) / count;
        length = i + 1;
    }
    let length = steady(time_s, values, noise, length, at);
    // The last tenth may already be the beginning of the take-up.
    let keep = length - length / 10;
    if keep < 4 || keep >= n {
        return None;
    }
    let span = (time_s[at(keep - 1)] - time_s[at(0)]).abs();
    if span < SLACK_S {
        return None;
    }
    Some(if from_end { n - keep..n } else { 0..keep })
}

/// How many of the first `length` entries (counted by `at`) are steady by means over [`STEADY_S`]: the noise of a coarse
/// cell is wider than a pre-tension, its means are not.
fn steady(
    time_s: &[f64],
    values: &[f64],
    noise: f64,
    length: usize,
    at: impl Fn(usize) -> usize,
) -> usize {
    let (mut from, mut sum, mut count) = (0, 0.0, 0.0);
    while from < length {
        let began = time_s[at(from)];
        let to = (from..length)
            .find(|i| (time_s[at(*i)] - began).abs() >= STEADY_S)
            .unwrap_or(length);
        let usable: Vec<f64> = (from..to)
            .map(|i| values[at(i)])
            .filter(|v| v.is_finite())
            .collect();
        let n = usable.len() as f64;
        let total: f64 = usable.iter().sum();
        if n > 0.0 && count > 0.0 {
            let apart = (total / n - sum / count).abs();
            if apart > STEADY_SIGMAS * noise * (1.0 / n + 1.0 / count).sqrt() {
                return from;
            }
        }
        sum += total;
        count += n;
        from = to;
    }
    length
}

/// Takes zero and drift out of the load; what was measured is no longer an instrument error, and of the fixed ones that was
/// `stated_zero` (N). Says what was taken out.
pub(super) fn take_out(
    time_s: &[f64],
    load: &mut Signal,
    at_start: &Estimate,
    drift: &Estimate,
    slack: Option<&Slack>,
    stated_zero: f64,
) -> ZeroLine {
    let Some(slack) = slack else {
        return ZeroLine::default();
    };
    let middle = |r: &Range<usize>| (time_s[r.start] + time_s[r.end - 1]) / 2.0;
    let start = middle(&slack.start);
    let slope = match (&slack.finish, slack.zero_finish) {
        (Some(finish), Some(zero)) => (zero - slack.zero_start) / (middle(finish) - start),
        _ => 0.0,
    };
    let line = ZeroLine {
        at_s: start,
        zero_n: slack.zero_start,
        slope_n_per_s: slope,
    };
    for (value, t) in load.values.iter_mut().zip(time_s) {
        *value -= line.at(*t);
    }
    // What the sheet states of the zero was seen and taken out; what the cell may be wrong by at any load was not.
    // Of zero and drift stays how well they were seen, as half widths of rectangles of the same standard deviation.
    let elsewhere = (load.errors.fixed - stated_zero).max(0.0);
    let seen = at_start.standard_error.unwrap_or(0.0);
    load.errors.fixed = elsewhere.hypot(3f64.sqrt() * seen);
    if drift.value.is_some() {
        load.errors.drift = 3f64.sqrt() * drift.standard_error.unwrap_or(0.0);
    }
    line
}

/// Says what was found.
pub(super) fn remark(at_start: &Estimate, drift: &Estimate, peak: f64, caveats: &mut Vec<Caveat>) {
    match (at_start.value, drift.value) {
        (_, Some(d)) if d.abs() > 0.005 * peak => caveats.push(Caveat::new(
            "cell-zero-shifted",
            Weight::Caution,
            format!("The cell's zero moved by {:.3} kN between the slack readings at both ends; taken out as a straight line.", d / 1e3),
            "Let the cell warm up, keep it out of the sun, and check its cable; then repeat.",
        )),
        (None, _) => caveats.push(Caveat::new(
            "no-slack-reading",
            Weight::Note,
            "The record has no slack reading: zero and drift of the cell cannot be seen in it.",
            "Log five seconds with the line slack before and after each pull.",
        )),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Six seconds of slack at 80 N, then a dwell at 290 N, 10 Hz, with noise of 50 N: wider than the pre-tension is high.
    #[test]
    fn a_dwell_within_the_noise_of_a_coarse_cell_is_no_slack() {
        let time: Vec<f64> = (0..260).map(|i| f64::from(i) * 0.1).collect();
        let load: Vec<f64> = (0..260_u32)
            .map(|i| {
                let noise = f64::from(i.wrapping_mul(2_654_435_761) >> 8) / f64::from(1 << 24);
                let level = if i < 60 { 80.0 } else { 290.0 };
                level + 50.0 * 12f64.sqrt() * (noise - 0.5)
            })
            .collect();
        let found = level_run(&time, &load, 50.0, 150.0, false).unwrap();
        assert!(found.end <= 60 && found.end >= 45, "{found:?}");
        let mut turned = load;
        turned.reverse();
        let found = level_run(&time, &turned, 50.0, 150.0, true).unwrap();
        assert!(found.start >= 200 && found.start <= 215, "{found:?}");
    }
}
