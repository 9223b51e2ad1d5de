//! What the winch and the stopper were doing: trends of the load per block, smoothed into phases.

use std::ops::Range;

use crate::caveat::{Caveat, Weight};
use crate::condition::{Conditioned, Signal};
use crate::phases::{Blocks, CYCLE_SHARE, Phase, PhaseKind};
use crate::sheet::Sheet;
use crate::stats::weighted_median;

/// A rate below this share of the typical loading rate is level.
const LEVEL_SHARE: f64 = 0.12;
/// Load changes below this share of the peak do not make a ramp.
const RAMP_SHARE: f64 = 0.02;
/// Shortest dwell, s.
const DWELL_S: f64 = 2.0;
/// A level stretch below this share of the peak is a rest, above it a hold.
const REST_SHARE: f64 = 0.15;
/// A locked hold relaxes by at least this share of its load.
const RELAXED_SHARE: f64 = 0.01;

/// Below this many blocks a record is too coarse to smooth: rows noted by hand.
const FEW_BLOCKS: usize = 60;

/// Direction of the load over a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trend {
    Up,
    Level,
    Down,
}

/// Typical loading rate in N/s: median of the rate weighted by the load gained. 0 if the load never rises.
pub(super) fn ramp_rate(blocks: &Blocks) -> f64 {
    weighted_median_rate(blocks, |gain| gain > 0.0)
}

fn weighted_median_rate(blocks: &Blocks, wanted: impl Fn(f64) -> bool) -> f64 {
    let rates: Vec<(f64, f64)> = (1..blocks.len())
        .map(|k| {
            (
                blocks.load_n[k] - blocks.load_n[k - 1],
                blocks.time_s[k] - blocks.time_s[k - 1],
            )
        })
        .filter(|(gain, dt)| wanted(*gain) && *dt > 0.0)
        .map(|(gain, dt)| ((gain / dt).abs(), gain.abs()))
        .collect();
    weighted_median(rates).unwrap_or(0.0)
}

/// Trend of each block.
pub(super) fn trends(blocks: &Blocks, peak: f64, noise: f64) -> Vec<Trend> {
    let n = blocks.len();
    let typical = weighted_median_rate(blocks, |_| true);
    let mut trend = vec![Trend::Level; n];
    for (k, direction) in trend.iter_mut().enumerate() {
        let (a, b) = (k.saturating_sub(1), (k + 1).min(n - 1));
        let dt = blocks.time_s[b] - blocks.time_s[a];
        if dt <= 0.0 {
            continue;
        }
        let change = blocks.load_n[b] - blocks.load_n[a];
        if change.abs() > LEVEL_SHARE * typical * dt && change.abs() > 3.0 * noise {
            *direction = if change > 0.0 { Trend::Up } else { Trend::Down };
        }
    }
    if n >= FEW_BLOCKS {
        join_short_levels(blocks, &mut trend);
        drop_small_ramps(blocks, &mut trend, peak);
    }
    trend
}

/// A level shorter than a dwell, between two ramps of one direction, is part of them.
fn join_short_levels(blocks: &Blocks, trend: &mut [Trend]) {
    let runs = equal_runs(trend);
    for neighbours in runs.windows(3) {
        let (before, run, after) = (
            trend[neighbours[0].start],
            neighbours[1].clone(),
            trend[neighbours[2].start],
        );
        let seconds = blocks.time_s[run.end - 1] - blocks.time_s[run.start];
        if trend[run.start] == Trend::Level && seconds < DWELL_S && before == after {
            trend[run].fill(before);
        }
    }
}

/// A ramp that changes the load by next to nothing is part of the level before it.
fn drop_small_ramps(blocks: &Blocks, trend: &mut [Trend], peak: f64) {
    let runs = equal_runs(trend);
    for pair in runs.windows(2) {
        let (before, run) = (trend[pair[0].start], pair[1].clone());
        let change = blocks.load_n[run.end - 1] - blocks.load_n[pair[0].end - 1];
        if trend[run.start] != Trend::Level
            && before == Trend::Level
            && change.abs() < RAMP_SHARE * peak
        {
            trend[run].fill(Trend::Level);
        }
    }
}

/// Runs of equal elements.
pub(super) fn equal_runs<T: PartialEq>(items: &[T]) -> Vec<Range<usize>> {
    let mut runs = Vec::new();
    let mut first = 0;
    for i in 1..=items.len() {
        if i == items.len() || items[i] != items[first] {
            if first < i {
                runs.push(first..i);
            }
            first = i;
        }
    }
    runs
}

/// The first dwell at pre-tension.
pub(super) struct Reference {
    pub blocks: Range<usize>,
    pub entries: Range<usize>,
    pub caveat: Option<Caveat>,
}

/// Finds the first dwell: at the stated pre-tension, or the first level stretch after any slack.
pub(super) fn reference(
    blocks: &Blocks,
    trend: &[Trend],
    record: &Conditioned,
    sheet: &Sheet,
    peak: f64,
) -> Reference {
    let stated = sheet.pull.pretension.map(crate::units::Quantity::si);
    let after_slack = blocks
        .first
        .iter()
        .position(|f| *f >= record.slack_until)
        .unwrap_or(0);
    let levels: Vec<Range<usize>> = equal_runs(trend)
        .into_iter()
        .filter(|r| trend[r.start] == Trend::Level && r.end > after_slack)
        .map(|r| r.start.max(after_slack)..r.end)
        .collect();
    let load = |r: &Range<usize>| blocks.load_n[r.clone()].iter().sum::<f64>() / r.len() as f64;
    let near =
        |f: f64, p: f64| (f - p).abs() <= (0.15 * p).max(4.0 * record.load.noise).max(0.005 * peak);
    let found = match stated {
        Some(p) => stay_near(
            blocks,
            after_slack,
            |f| near(f, p),
            (0.03 * p).max(4.0 * record.load.noise),
        ),
        None => levels.iter().find(|r| load(r) < 0.3 * peak).cloned(),
    };
    let fallback = found.is_none();
    let span = found.unwrap_or(after_slack..(after_slack + 1).min(blocks.len()));
    // A record of few rows has no dwell: its first row is where counting starts.
    let span = if blocks.len() < FEW_BLOCKS {
        span.start..span.start + 1
    } else {
        span
    };
    let entries = blocks.first[span.start]..blocks.end[span.end - 1];
    let caveat = fallback.then(|| {
        Caveat::new(
            "no-first-dwell",
            Weight::Caution,
            match stated {
                Some(p) => format!("The record never rests at the stated pre-tension of {p}: the parts are counted from its first row."),
                None => "The record has no first dwell at low load: the parts are counted from its first row.".to_owned(),
            },
            "Let the line rest at pre-tension for some seconds before loading, and state the pre-tension in the sheet.",
        )
    });
    Reference {
        blocks: span,
        entries,
        caveat,
    }
}

/// The first stay of the load near the pre-tension, long enough for a dwell or else the first at all; its ends are
/// trimmed to where the load keeps within `close` of the stay's median, so that the ramp does not belong to it.
fn stay_near(
    blocks: &Blocks,
    from: usize,
    near: impl Fn(f64) -> bool,
    close: f64,
) -> Option<Range<usize>> {
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
    let seconds = |r: &Range<usize>| blocks.time_s[r.end - 1] - blocks.time_s[r.start];
    // Rows noted by hand have no dwell: there the first row near the pre-tension is where counting starts.
    let long = stays
        .iter()
        .find(|r| seconds(r) >= DWELL_S && blocks.len() >= FEW_BLOCKS);
    let stay = long.or(stays.first())?.clone();
    let middle = crate::stats::median(&blocks.load_n[stay.clone()])?;
    let keeps = |k: &usize| (blocks.load_n[*k] - middle).abs() <= close;
    let first = stay.clone().find(keeps)?;
    let last = stay.rev().find(keeps)?;
    Some(first..last + 1)
}

/// Kind of each block.
pub(super) fn kinds(
    blocks: &Blocks,
    trend: &[Trend],
    reference: &Reference,
    travel: Option<&Signal>,
    peak: f64,
) -> Vec<PhaseKind> {
    let mut kinds = vec![PhaseKind::TakeUp; blocks.len()];
    for run in equal_runs(trend) {
        let mean = blocks.load_n[run.clone()].iter().sum::<f64>() / run.len() as f64;
        let kind = match trend[run.start] {
            Trend::Up => PhaseKind::Ramp,
            Trend::Down if locked(blocks, &run, travel) => PhaseKind::LockedHold,
            Trend::Down => PhaseKind::Unload,
            Trend::Level if mean < REST_SHARE * peak => PhaseKind::Rest,
            Trend::Level if locked(blocks, &run, travel) => PhaseKind::LockedHold,
            Trend::Level => PhaseKind::Hold,
        };
        kinds[run].fill(kind);
    }
    kinds[..reference.blocks.start].fill(PhaseKind::TakeUp);
    kinds[reference.blocks.clone()].fill(PhaseKind::Reference);
    kinds
}

/// True where the load falls while the travel stands still: the winch is locked.
fn locked(blocks: &Blocks, run: &Range<usize>, travel: Option<&Signal>) -> bool {
    let Some(travel) = travel else {
        return false;
    };
    let at = |k: usize| {
        let usable: Vec<f64> = travel.values[blocks.first[k]..blocks.end[k]]
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .collect();
        (
            usable.iter().sum::<f64>() / usable.len() as f64,
            travel.noise / (usable.len() as f64).sqrt(),
        )
    };
    let (first, last) = (run.start, run.end - 1);
    let fell = blocks.load_n[first] - blocks.load_n[last];
    if fell < RELAXED_SHARE * blocks.load_n[first] {
        return false;
    }
    let ((x0, u0), (x1, u1)) = (at(first), at(last));
    let (low, high) = crate::condition::range_of(&travel.values);
    // Travel that stands still within noise, while elastic travel over this load would be seen.
    (x1 - x0).abs() < (4.0 * u0.hypot(u1)).max(5e-4 * (high - low))
}

/// Phases from the kinds of the blocks.
pub(super) fn runs(
    blocks: &Blocks,
    kinds: &[PhaseKind],
    record: &Conditioned,
    quiet: &[f64],
) -> Vec<Phase> {
    equal_runs(kinds)
        .into_iter()
        .map(|run| {
            let (first, end) = (blocks.first[run.start], blocks.end[run.end - 1]);
            Phase {
                kind: kinds[run.start],
                first,
                end,
                start_s: record.time_s[first],
                end_s: record.time_s[end - 1],
                load_start_n: quiet[first],
                load_end_n: quiet[end - 1],
            }
        })
        .collect()
}

/// How often the load fell by [`CYCLE_SHARE`] of the peak from a high point.
pub(super) fn unloadings(blocks: &Blocks, peak: f64) -> usize {
    let swing = CYCLE_SHARE * peak;
    let (mut count, mut high, mut low, mut falling) = (0, f64::NEG_INFINITY, f64::INFINITY, false);
    for &load in &blocks.load_n {
        if falling {
            low = low.min(load);
            if load > low + swing {
                falling = false;
                high = load;
            }
        } else {
            high = high.max(load);
            if load < high - swing {
                falling = true;
                low = load;
                count += 1;
            }
        }
    }
    count
}
