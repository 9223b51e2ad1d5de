//! The first dwell at pre-tension: over which rows is every part of the travel zero?
//!
//! Question: which of the first level stretches is the dwell, and where does it begin and end? Method: the stated
//! pre-tension names it; without one it is where the load stays first at what the line rests at later, else the first level
//! stretch in which the line is loaded. Its ends are trimmed to where the load keeps close to the median of the
//! stretch: rows of the ramp or of the take-up in it would shift every zero. Assumption: a dwell lies below three tenths
//! of the highest load.

use std::ops::Range;

use super::Blocks;
use super::label::{DWELL_S, FEW_BLOCKS, Trend, equal_runs, stretches};
use crate::caveat::{Caveat, Weight};
use crate::condition::Conditioned;
use crate::sheet::Sheet;
use crate::stats::weighted_median;
use crate::units::Force;

/// Shares of the peak between which the load of a dwell lies that no sheet states: below the line hangs slack.
const DWELL_SHARES: (f64, f64) = (0.01, 0.3);
/// A load within this share of a pre-tension is that pre-tension.
const NEAR_SHARE: f64 = 0.15;
/// And whatever it is, within this share of the peak.
const NEAR_PEAK_SHARE: f64 = 0.005;
/// A line that carried more than this share of the peak before its first dwell has done what it was pulled for.
const CARRIED_SHARE: f64 = 0.9;
/// The load of a dwell changes by no more than this share from its first half to its second.
const STANDS_SHARE: f64 = 0.02;
/// A block belongs to the dwell whose load keeps within this share of the dwell's.
const CLOSE_SHARE: f64 = 0.01;
/// Or within so many standard errors of the block's mean.
const CLOSE_SIGMAS: f64 = 4.0;

/// The first dwell at pre-tension.
pub(super) struct Reference {
    pub blocks: Range<usize>,
    pub entries: Range<usize>,
    pub caveat: Option<Caveat>,
}

/// Finds the first dwell: at the stated pre-tension, or the first level stretch that looks like one.
pub(super) fn reference(
    blocks: &Blocks,
    trend: &[Trend],
    record: &Conditioned,
    sheet: &Sheet,
    peak: f64,
) -> Reference {
    let stated = sheet.pull.pretension;
    let noise = record.load.noise;
    let after_slack = blocks
        .first
        .iter()
        .position(|f| *f >= record.slack_until)
        .unwrap_or(0);
    let found = dwell(
        blocks,
        trend,
        after_slack,
        stated.map(crate::units::Quantity::si),
        peak,
        noise,
    );
    let fallback = found.is_none();
    let span = found.unwrap_or(after_slack..(after_slack + 1).min(blocks.len()));
    // A record of few rows has no dwell: its first row is where counting starts.
    let span = if blocks.len() < FEW_BLOCKS {
        span.start..span.start + 1
    } else {
        span
    };
    let before = blocks.load_n[..span.start].iter().copied();
    let carried = before.fold(0.0, f64::max);
    let caveat = if carried > CARRIED_SHARE * peak {
        Some(too_late(carried))
    } else if fallback {
        Some(none_found(stated))
    } else if stated.is_none() {
        Some(chosen(blocks, &span, record, peak))
    } else {
        None
    };
    Reference {
        entries: blocks.first[span.start]..blocks.end[span.end - 1],
        blocks: span,
        caveat,
    }
}

/// The blocks of the dwell among those from `from` on, at the stated pre-tension (N) or without one.
fn dwell(
    blocks: &Blocks,
    trend: &[Trend],
    from: usize,
    stated: Option<f64>,
    peak: f64,
    noise: f64,
) -> Option<Range<usize>> {
    let near = |f: f64, p: f64| {
        let within = (NEAR_SHARE * p)
            .max(4.0 * noise)
            .max(NEAR_PEAK_SHARE * peak);
        (f - p).abs() <= within
    };
    let stay = match stated {
        Some(p) => stay_near(blocks, from, |f| near(f, p)),
        None => unstated(blocks, trend, from, near, peak, noise),
    };
    stay.map(|stay| trimmed(blocks, stay, noise))
}

/// The first stay at the load that the line rests at once it was loaded; else the first level stretch at low load, with
/// the line loaded, that is long enough and stands; else the first level stretch below the ramps at all.
fn unstated(
    blocks: &Blocks,
    trend: &[Trend],
    from: usize,
    near: impl Fn(f64, f64) -> bool,
    peak: f64,
    noise: f64,
) -> Option<Range<usize>> {
    let levels: Vec<Range<usize>> = stretches(blocks, trend, |t| *t == Trend::Level)
        .into_iter()
        .filter(|r| trend[r.start] == Trend::Level && r.end > from)
        .map(|r| r.start.max(from)..r.end)
        .collect();
    let high = DWELL_SHARES.1 * peak;
    let load = |r: &Range<usize>| middle(blocks, r);
    let low = |r: &&Range<usize>| (DWELL_SHARES.0 * peak..high).contains(&load(r));
    let loaded = (from..blocks.len())
        .find(|k| blocks.load_n[*k] > high)
        .unwrap_or(blocks.len());
    let rest = levels.iter().filter(|r| r.start > loaded).find(low);
    let stay = rest.and_then(|rest| {
        let rested = load(rest);
        stay_near(blocks, from, |f| near(f, rested))
    });
    // Rows noted by hand have no dwell: there one row is as good.
    let lasts = |r: &Range<usize>| blocks.len() < FEW_BLOCKS || seconds(blocks, r) >= DWELL_S;
    let mut before = levels.iter().filter(|r| r.start < loaded);
    stay.filter(|r| r.end <= loaded && lasts(r))
        .or_else(|| {
            let mut dwells = before.clone().filter(low);
            dwells
                .find(|r| lasts(r) && stands(blocks, r, noise))
                .cloned()
        })
        .or_else(|| before.find(|r| load(r) < high).cloned())
}

/// The first stay of the load near the pre-tension, long enough for a dwell or else the first at all.
fn stay_near(blocks: &Blocks, from: usize, near: impl Fn(f64) -> bool) -> Option<Range<usize>> {
    let is_near: Vec<bool> = blocks
        .load_n
        .iter()
        .enumerate()
        .map(|(k, f)| k >= from && near(*f))
        .collect();
    let stays: Vec<Range<usize>> = equal_runs(&is_near)
        .into_iter()
        .filter(|r| is_near[r.start])
        .collect();
    // Rows noted by hand have no dwell: there the first row near the pre-tension is where counting starts.
    let long = stays
        .iter()
        .find(|r| seconds(blocks, r) >= DWELL_S && blocks.len() >= FEW_BLOCKS);
    long.or(stays.first()).cloned()
}

/// A stay without what lies before the first and after the last block whose load keeps close to the stay's median.
fn trimmed(blocks: &Blocks, stay: Range<usize>, noise: f64) -> Range<usize> {
    let middle = middle(blocks, &stay);
    let keeps = |k: &usize| {
        let close = (CLOSE_SHARE * middle.abs()).max(CLOSE_SIGMAS * noise / blocks.rows(*k).sqrt());
        (blocks.load_n[*k] - middle).abs() <= close
    };
    let first = stay.clone().find(keeps).unwrap_or(stay.start);
    let last = stay.clone().rev().find(keeps).unwrap_or(stay.end - 1);
    first..last + 1
}

/// True where the load does not go on rising from the first half of a run to the second, as in a slow take-up.
fn stands(blocks: &Blocks, r: &Range<usize>, noise: f64) -> bool {
    let half = |from: f64, to: f64| {
        let (begin, end) = (blocks.time_s[r.start], blocks.time_s[r.end - 1]);
        let inside = |k: &usize| {
            let share = (blocks.time_s[*k] - begin) / (end - begin).max(f64::MIN_POSITIVE);
            (from..=to).contains(&share)
        };
        let (sum, weight) = r.clone().filter(inside).fold((0.0, 0.0), |(s, w), k| {
            (s + blocks.rows(k) * blocks.load_n[k], w + blocks.rows(k))
        });
        (sum / weight, noise / weight.sqrt())
    };
    let ((before, u), (after, v)) = (half(0.0, 0.5), half(0.5, 1.0));
    (after - before).abs() <= (STANDS_SHARE * after.abs()).max(CLOSE_SIGMAS * u.hypot(v))
}

fn seconds(blocks: &Blocks, r: &Range<usize>) -> f64 {
    blocks.time_s[r.end - 1] - blocks.time_s[r.start]
}

/// Median load over a run of blocks by their rows, N: that of one of the blocks.
fn middle(blocks: &Blocks, r: &Range<usize>) -> f64 {
    let loads = r
        .clone()
        .map(|k| (blocks.load_n[k], blocks.rows(k)))
        .collect();
    weighted_median(loads).unwrap_or(f64::NAN)
}

fn too_late(carried: f64) -> Caveat {
    Caveat::new(
        "dwell-after-the-load",
        Weight::NoPass,
        format!(
            "The line had carried {:.2} kN before it first rested at pre-tension: what moved under that load is counted nowhere.",
            carried / 1e3
        ),
        "Let the line rest at pre-tension before the first load, log it, and state that load as `pretension` in [pull].",
    )
}

fn none_found(stated: Option<Force>) -> Caveat {
    Caveat::new(
        "no-first-dwell",
        Weight::Caution,
        match stated {
            Some(p) => format!("The record never rests at the stated pre-tension of {p}: the parts are counted from its first row."),
            None => "The record has no first dwell at low load: the parts are counted from its first row.".to_owned(),
        },
        "Let the line rest at pre-tension for some seconds before loading, and state the pre-tension in the sheet.",
    )
}

/// Says what was taken for the dwell where no sheet states the pre-tension.
fn chosen(blocks: &Blocks, span: &Range<usize>, record: &Conditioned, peak: f64) -> Caveat {
    let load = middle(blocks, span);
    let place = format!(
        "from {:.1} to {:.1} s at {:.2} kN",
        record.time_s[blocks.first[span.start]],
        record.time_s[blocks.end[span.end - 1] - 1],
        load / 1e3
    );
    if load < DWELL_SHARES.0 * peak {
        Caveat::new(
            "first-dwell-slack",
            Weight::Caution,
            format!(
                "The parts are counted from where the line hung slack, {place}: what drew it straight counts as stretch."
            ),
            "Let the line rest at pre-tension for some seconds before loading, and state it as `pretension` in [pull].",
        )
    } else {
        Caveat::new(
            "pretension-not-stated",
            Weight::Note,
            format!(
                "The sheet states no pre-tension; the first dwell was taken to be {place}, and every part is counted from there."
            ),
            "State `pretension` in [pull] if that was not the dwell.",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of ten rows, half a second each.
    fn blocks(load_n: Vec<f64>) -> (Blocks, Vec<Trend>, f64) {
        let n = load_n.len();
        let blocks = Blocks {
            first: (0..n).map(|k| 10 * k).collect(),
            end: (0..n).map(|k| 10 * k + 10).collect(),
            time_s: (0..n).map(|k| 0.5 * k as f64).collect(),
            load_n,
            ..Blocks::default()
        };
        let peak = blocks.load_n.iter().copied().fold(0.0, f64::max);
        let trend = super::super::label::trends(&blocks, peak, 1.0);
        (blocks, trend, peak)
    }

    fn pull(parts: &[(usize, f64, f64)]) -> Vec<f64> {
        parts
            .iter()
            .flat_map(|(n, from, to)| {
                let step = (to - from) / *n as f64;
                (0..*n).map(move |k| from + step * (k as f64 + 0.5))
            })
            .collect()
    }

    fn found(parts: &[(usize, f64, f64)]) -> Range<usize> {
        let (blocks, trend, peak) = blocks(pull(parts));
        dwell(&blocks, &trend, 0, None, peak, 1.0).unwrap()
    }

    /// Slack, take-up, dwell at 300 N, ramp to 5 kN and back: without the pre-tension stated the dwell is still it, and
    /// neither slack nor a row of the ramp belongs to it.
    #[test]
    fn slack_and_ramp_are_no_dwell() {
        let rest = [
            (10, 300.0, 5000.0),
            (40, 5000.0, 5000.0),
            (10, 5000.0, 300.0),
            (20, 300.0, 300.0),
        ];
        let mut parts = vec![(8, 0.0, 0.0), (4, 0.0, 300.0), (20, 300.0, 300.0)];
        parts.extend(rest);
        assert_eq!(found(&parts), 12..32);
        // A take-up so slow that it looks level.
        let mut parts = vec![(12, 180.0, 230.0), (4, 230.0, 300.0), (20, 300.0, 300.0)];
        parts.extend(rest);
        assert_eq!(found(&parts), 16..36);
        // A shelf on the way, which the line never comes back to.
        let mut parts = vec![(10, 120.0, 120.0), (4, 120.0, 300.0), (20, 300.0, 300.0)];
        parts.extend(rest);
        assert_eq!(found(&parts), 14..34);
        // Eased to nothing each time: no rest tells the pre-tension, and the first level stretch that stands is the dwell.
        let mut parts = vec![(8, 0.0, 0.0), (4, 0.0, 300.0), (20, 300.0, 300.0)];
        parts.extend([
            (10, 300.0, 5000.0),
            (40, 5000.0, 5000.0),
            (10, 5000.0, 0.0),
            (9, 0.0, 0.0),
        ]);
        // Its last block has the ramp for its neighbour.
        assert_eq!(found(&parts), 12..31);
    }

    /// A dozen rows noted by hand, one at each load and two at the end: counting starts before the first load, not after the last.
    #[test]
    fn counting_starts_before_the_first_load() {
        let load_n = vec![
            300.0, 2050.0, 250.0, 2850.0, 2850.0, 300.0, 4100.0, 4100.0, 300.0, 300.0,
        ];
        let (blocks, trend, peak) = blocks(load_n);
        assert_eq!(dwell(&blocks, &trend, 0, None, peak, 1.0), Some(0..1));
        // A log that begins on the way up has no dwell.
        let (late, trend, peak) = self::blocks(pull(&[
            (30, 900.0, 5000.0),
            (30, 5000.0, 300.0),
            (20, 300.0, 300.0),
        ]));
        assert_eq!(dwell(&late, &trend, 0, None, peak, 1.0), None);
    }

    /// Two readings at each load, one pair after the other: each is a level of its own.
    #[test]
    fn pairs_of_a_note_are_levels_of_one_load_each() {
        let load_n = vec![300.0, 2400.0, 2400.0, 300.0, 300.0, 4300.0, 4300.0, 300.0];
        let (blocks, trend, _) = blocks(load_n);
        let levels: Vec<Range<usize>> = stretches(&blocks, &trend, |t| *t == Trend::Level)
            .into_iter()
            .filter(|r| trend[r.start] == Trend::Level && r.len() > 1)
            .collect();
        assert_eq!(levels, [1..3, 3..5, 5..7]);
    }

    /// A slow beginning of the ramp looks level: its rows are trimmed from the stay.
    #[test]
    fn a_slow_beginning_of_the_ramp_is_trimmed() {
        let (blocks, trend, peak) = blocks(pull(&[
            (4, 280.0, 300.0),
            (40, 300.0, 300.0),
            (6, 300.0, 340.0),
            (20, 340.0, 5000.0),
        ]));
        let kept = dwell(&blocks, &trend, 0, Some(300.0), peak, 1.0).unwrap();
        assert!((2..=4).contains(&kept.start) && kept.end == 44, "{kept:?}");
    }
}
