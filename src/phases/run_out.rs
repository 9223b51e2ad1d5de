//! Run-outs: in which blocks does the line run through?
//!
//! Question: where does the movement at a grip keep up with the puller while the load rises no more? Method: the pace of
//! each gauge that shows a line running (tail mark, mark at the mouth, core draw-in; else the travel while the load does
//! not rise) against the pace at which the travel grows on the ramps. A run keeps at least half of its own highest pace
//! and goes on for [`LEAST_M`]. A jump of stick-slip is none: there the load falls at standing travel, while a running
//! line has the puller after it. Assumption: creep in a hold is slower than half the pace of the ramps.

use std::ops::Range;

use super::Blocks;
use super::label::{Trend, equal_runs};
use crate::condition::{Conditioned, Signal};
use crate::ingest::GaugeKind;
use crate::stats::weighted_median;

/// Shortest way of a run, m (common practice, no source).
const LEAST_M: f64 = 0.01;
/// Share of the puller's pace, and of a run's own highest pace, that counts as running.
const PACE_SHARE: f64 = 0.5;
/// The load rises by at most this share over a run.
const STANDS_SHARE: f64 = 0.05;
/// Slowest pace of a run, m/s, whatever the ramps (common practice, no source).
const SLOWEST: f64 = 1e-4;
/// The same where no travel gauge tells the pace of the ramps, m/s, and the shortest time of a run there, s.
const WITHOUT_TRAVEL: (f64, f64) = (5e-4, 1.0);
/// A block's own readings tell its pace when its standard error is at most this share of the pace around it.
const TOLD_SHARE: f64 = 0.15;
/// Gauges that show slip alone, or nearly.
const SLIP_GAUGES: [GaugeKind; 3] = [GaugeKind::Tail, GaugeKind::Mark, GaugeKind::Core];

/// Runs of blocks in which the line runs through, in order of time; none where the load is below `slack` (N).
pub(super) fn find(
    record: &Conditioned,
    blocks: &Blocks,
    trend: &[Trend],
    dwelt: usize,
    slack: f64,
) -> Vec<Range<usize>> {
    let travel = record
        .gauge(GaugeKind::Travel)
        .map(|gauge| Course::of(gauge, record, blocks));
    let ramp = travel
        .as_ref()
        .map(|travel| ramp_pace(&travel.place, blocks, trend));
    let least = match ramp {
        Some(pace) => (PACE_SHARE * pace).max(SLOWEST),
        None => WITHOUT_TRAVEL.0,
    };
    let loaded = |k: usize| k >= dwelt && blocks.load_n[k] >= slack;
    let mut found: Vec<Range<usize>> = Vec::new();
    for kind in SLIP_GAUGES {
        let Some(gauge) = record.gauge(kind) else {
            continue;
        };
        let slip = Course::of(gauge, record, blocks);
        let kept_up = |k: usize| {
            let travel = travel.as_ref();
            trend[k] != Trend::Up || travel.is_some_and(|t| slip.pace[k] >= PACE_SHARE * t.pace[k])
        };
        let counts = |k: usize| loaded(k) && kept_up(k);
        found.extend(runs(blocks, &slip, counts, least, travel.as_ref()));
    }
    if found.is_empty()
        && let Some(travel) = &travel
    {
        let counts = |k: usize| loaded(k) && trend[k] != Trend::Up;
        found.extend(runs(blocks, travel, counts, least, None));
    }
    found.sort_by_key(|r| r.start);
    found
}

/// How a gauge moves from block to block.
struct Course {
    /// Mean reading, m.
    place: Vec<f64>,
    /// m/s: that of the block's own readings where they tell it, so that a run ends with the row at which it stops; from the
    /// neighbours where they are too few or too noisy.
    pace: Vec<f64>,
}

impl Course {
    fn of(gauge: &Signal, record: &Conditioned, blocks: &Blocks) -> Self {
        let place = blocks.means(gauge);
        // Slope of the straight line through a block's readings, and its standard error; no number where they are too few.
        let own = |k: usize| {
            let read = || {
                let rows = blocks.first[k]..blocks.end[k];
                let all = rows.map(|i| {
                    (
                        record.time_s[i] - blocks.time_s[k],
                        gauge.values[i] - place[k],
                    )
                });
                all.filter(|(_, read)| read.is_finite())
            };
            let mean = read().map(|(t, _)| t).sum::<f64>() / read().count() as f64;
            let (mut spread, mut together) = (0.0, 0.0);
            for (t, read) in read() {
                spread += (t - mean).powi(2);
                together += (t - mean) * read;
            }
            (together / spread, gauge.noise / spread.sqrt())
        };
        let pace = |k: usize| {
            let around = pace(&place, &blocks.time_s, k);
            let (pace, error) = own(k);
            if error <= TOLD_SHARE * around.abs() {
                pace
            } else {
                around
            }
        };
        let pace = (0..blocks.len()).map(pace).collect();
        Self { place, pace }
    }
}

/// Pace at a block, from its neighbours; 0 where a reading is missing.
fn pace(place: &[f64], time_s: &[f64], k: usize) -> f64 {
    let (a, b) = (k.saturating_sub(1), (k + 1).min(place.len() - 1));
    let pace = (place[b] - place[a]) / (time_s[b] - time_s[a]);
    if pace.is_finite() { pace } else { 0.0 }
}

/// Pace of the travel while the load rises: the median, weighted by the travel gained.
fn ramp_pace(travel: &[f64], blocks: &Blocks, trend: &[Trend]) -> f64 {
    let paces: Vec<(f64, f64)> = (1..blocks.len())
        .filter(|k| trend[*k] == Trend::Up && trend[k - 1] == Trend::Up)
        .map(|k| {
            let gained = travel[k] - travel[k - 1];
            (gained / (blocks.time_s[k] - blocks.time_s[k - 1]), gained)
        })
        .filter(|(pace, gained)| pace.is_finite() && *gained > 0.0)
        .collect();
    weighted_median(paces).unwrap_or(0.0)
}

/// Runs among the blocks that count: around each highest pace, as far as half of it lasts and the puller is after it.
fn runs(
    blocks: &Blocks,
    moves: &Course,
    counts: impl Fn(usize) -> bool,
    least: f64,
    puller: Option<&Course>,
) -> Vec<Range<usize>> {
    let Course { place, pace } = moves;
    let above: Vec<bool> = (0..blocks.len())
        .map(|k| counts(k) && pace[k] >= least)
        .collect();
    let mut found = Vec::new();
    for stretch in equal_runs(&above).into_iter().filter(|r| above[r.start]) {
        let top = stretch
            .clone()
            .max_by(|a, b| pace[*a].total_cmp(&pace[*b]))
            .unwrap_or(stretch.start);
        let keeps = |k: &usize| pace[*k] >= PACE_SHARE * pace[top];
        // What still runs while the puller lets go is no part of it.
        let pulled = |k: &usize| puller.is_none_or(|p| p.pace[*k] >= PACE_SHARE * pace[*k]);
        let first = (stretch.start..=top).rev().take_while(keeps).last();
        let Some(first) = first else { continue };
        let running = (first..stretch.end).take_while(keeps);
        let Some(last) = running.filter(pulled).last() else {
            continue;
        };
        let went = place[last] - place[first];
        let stands = blocks.load_n[last] <= (1.0 + STANDS_SHARE) * blocks.load_n[first];
        let followed = match puller {
            // The puller is after it: the travel grows by at least half as much.
            Some(puller) => puller.place[last] - puller.place[first] >= PACE_SHARE * went,
            None => blocks.time_s[last] - blocks.time_s[first] >= WITHOUT_TRAVEL.1,
        };
        if went >= LEAST_M && followed && stands {
            found.push(first..last + 1);
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twelve blocks, half a second apart, under 4 kN that does not rise.
    fn blocks() -> Blocks {
        Blocks {
            first: (0..12).collect(),
            end: (1..13).collect(),
            time_s: (0..12).map(|k| 0.5 * f64::from(k)).collect(),
            load_n: vec![4e3; 12],
            ..Blocks::default()
        }
    }

    fn course(place: Vec<f64>) -> Course {
        let pace = (0..12).map(|k| pace(&place, &blocks().time_s, k)).collect();
        Course { place, pace }
    }

    /// A line that runs on while the puller lets go: the run ends with the puller.
    #[test]
    fn a_run_ends_when_the_puller_lets_go() {
        let ran = course(
            [0, 0, 0, 7, 12, 18, 24, 30, 36, 42, 42, 42]
                .map(|f| 1e-3 * f64::from(f))
                .to_vec(),
        );
        let puller = course(
            [0, 0, 0, 7, 12, 18, 24, 26, 10, 0, 0, 0]
                .map(|f| 1e-3 * f64::from(f))
                .to_vec(),
        );
        assert_eq!(
            runs(&blocks(), &ran, |_| true, 1e-3, Some(&puller)),
            vec![2..7]
        );
    }

    /// A mark that moves 15 mm: with the puller after it a run, at standing travel a jump, and 8 mm are too little.
    #[test]
    fn a_run_has_the_puller_after_it() {
        let blocks = blocks();
        let moves = |way: f64| -> Vec<f64> {
            let fifteenths = [0, 0, 0, 0, 1, 5, 10, 14, 15, 15, 15, 15];
            fifteenths.map(|f| way * f64::from(f) / 15.0).to_vec()
        };
        let found = |mark: f64, travel: f64| {
            let (mark, travel) = (course(moves(mark)), course(moves(travel)));
            runs(&blocks, &mark, |_| true, 1e-3, Some(&travel))
        };
        assert_eq!(found(0.015, 0.015), vec![4..8]);
        assert!(found(0.015, 0.002).is_empty());
        assert!(found(0.008, 0.008).is_empty());
        // A jump after which the puller moves on.
        let late = [0, 0, 0, 0, 0, 0, 0, 0, 4, 4, 4, 4].map(|f| 1e-3 * f64::from(f));
        let (jumped, late) = (course(moves(0.015)), course(late.to_vec()));
        assert!(runs(&blocks, &jumped, |_| true, 1e-3, Some(&late)).is_empty());
    }

    /// In a run the load stands or falls.
    #[test]
    fn a_load_that_rises_on_is_no_run() {
        let mut blocks = blocks();
        let mark = course((0..12).map(|k| 2e-3 * f64::from(k)).collect());
        let found = |blocks: &Blocks| runs(blocks, &mark, |_| true, 1e-3, Some(&mark)).len();
        assert_eq!(found(&blocks), 1);
        blocks.load_n = (0..12).map(|k| 4e3 + 50.0 * f64::from(k)).collect();
        assert_eq!(found(&blocks), 0);
    }
}
