//! What the winch and the stopper were doing: trends of the load per block, smoothed into phases.

use std::ops::Range;

use super::dwell::Reference;
use crate::condition::{Conditioned, Signal};
use crate::phases::{Blocks, CYCLE_SHARE, Phase, PhaseKind};
use crate::stats::weighted_median;

/// A rate below this share of the typical loading rate is level.
const LEVEL_SHARE: f64 = 0.12;
/// Load changes below this share of the peak do not make a ramp.
const RAMP_SHARE: f64 = 0.02;
/// Shortest dwell, s.
pub(super) const DWELL_S: f64 = 2.0;
/// A level stretch below this share of the peak is a rest, above it a hold.
const REST_SHARE: f64 = 0.15;
/// A locked hold relaxes by at least this share of its load.
const RELAXED_SHARE: f64 = 0.01;

/// Two rows are of one load where it changes by no more than this share of the steps on either side.
const PAIR_SHARE: f64 = 0.2;
/// Below this many blocks a record is too coarse to smooth: rows noted by hand.
pub(super) const FEW_BLOCKS: usize = 60;

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
    } else {
        look_row_by_row(blocks, &mut trend, peak);
    }
    trend
}

/// Rows noted by hand hardly have neighbours of their own kind: two of one load between others are a level, and one between two
/// others of one load is none.
fn look_row_by_row(blocks: &Blocks, trend: &mut [Trend], peak: f64) {
    let steps: Vec<f64> = blocks.load_n.windows(2).map(|w| w[1] - w[0]).collect();
    let size = |k: Option<usize>| {
        k.and_then(|k| steps.get(k))
            .map_or(f64::INFINITY, |s| s.abs())
    };
    let small = |size: f64| size <= RAMP_SHARE * peak;
    for k in 0..steps.len() {
        let (before, own, after) = (size(k.checked_sub(1)), size(Some(k)), size(Some(k + 1)));
        if small(own) && own <= PAIR_SHARE * before.min(after) {
            trend[k..=k + 1].fill(Trend::Level);
        } else if !small(own) && !small(after) && trend[k + 1] == Trend::Level {
            trend[k + 1] = if steps[k] > 0.0 {
                Trend::Up
            } else {
                Trend::Down
            };
        }
    }
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

/// Runs of equal elements, one for each block; levels of rows noted by hand, which stand side by side, are each of one load.
pub(super) fn stretches<T: PartialEq>(
    blocks: &Blocks,
    items: &[T],
    is_level: impl Fn(&T) -> bool,
) -> Vec<Range<usize>> {
    let runs = equal_runs(items);
    if blocks.len() >= FEW_BLOCKS {
        return runs;
    }
    let (_, peak) = crate::condition::range_of(&blocks.load_n);
    let steps = |k: &usize| (blocks.load_n[*k] - blocks.load_n[*k - 1]).abs() > RAMP_SHARE * peak;
    let mut stretches = Vec::with_capacity(runs.len());
    for run in runs {
        let mut first = run.start;
        for k in (run.start + 1..run.end).filter(|k| is_level(&items[*k]) && steps(k)) {
            stretches.push(first..k);
            first = k;
        }
        stretches.push(first..run.end);
    }
    stretches
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
    for run in stretches(blocks, trend, |t| *t == Trend::Level) {
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
    let is_level = |kind: &PhaseKind| {
        matches!(
            kind,
            PhaseKind::Hold | PhaseKind::LockedHold | PhaseKind::Rest
        )
    };
    stretches(blocks, kinds, is_level)
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
