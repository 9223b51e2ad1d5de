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
use crate::condition::Conditioned;
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
    let travel = record.gauge(GaugeKind::Travel).map(|g| blocks.means(g));
    let ramp = travel
        .as_ref()
        .map(|travel| ramp_pace(travel, blocks, trend));
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
        let place = blocks.means(gauge);
        let fast = |k: usize| {
            let pace = pace(&place, &blocks.time_s, k);
            let kept_up = trend[k] != Trend::Up
                || travel
                    .as_ref()
                    .is_some_and(|t| pace >= PACE_SHARE * self::pace(t, &blocks.time_s, k));
            if loaded(k) && kept_up { pace } else { 0.0 }
        };
        found.extend(runs(blocks, &place, fast, least, travel.as_deref()));
    }
    if found.is_empty()
        && let Some(travel) = &travel
    {
        let fast = |k: usize| {
            if loaded(k) && trend[k] != Trend::Up {
                pace(travel, &blocks.time_s, k)
            } else {
                0.0
            }
        };
        found.extend(runs(blocks, travel, fast, least, None));
    }
    found.sort_by_key(|r| r.start);
    found
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

/// Runs among the blocks: around each highest pace, as far as half of it lasts.
fn runs(
    blocks: &Blocks,
    place: &[f64],
    fast: impl Fn(usize) -> f64,
    least: f64,
    travel: Option<&[f64]>,
) -> Vec<Range<usize>> {
    let paces: Vec<f64> = (0..blocks.len()).map(fast).collect();
    let above: Vec<bool> = paces.iter().map(|p| *p >= least).collect();
    let mut found = Vec::new();
    for stretch in equal_runs(&above).into_iter().filter(|r| above[r.start]) {
        let top = stretch
            .clone()
            .max_by(|a, b| paces[*a].total_cmp(&paces[*b]))
            .unwrap_or(stretch.start);
        let keeps = |k: &usize| paces[*k] >= PACE_SHARE * paces[top];
        let first = (stretch.start..=top).rev().take_while(keeps).last();
        let last = (top..stretch.end).take_while(keeps).last();
        let (Some(first), Some(last)) = (first, last) else {
            continue;
        };
        let went = place[last] - place[first];
        let stands = blocks.load_n[last] <= (1.0 + STANDS_SHARE) * blocks.load_n[first];
        let followed = match travel {
            // The puller is after it: the travel grows by at least half as much.
            Some(travel) => travel[last] - travel[first] >= PACE_SHARE * went,
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

    /// A mark that moves 15 mm: with the puller after it a run, at standing travel a jump, and 8 mm are too little.
    #[test]
    fn a_run_has_the_puller_after_it() {
        let blocks = blocks();
        let moves = |way: f64| -> Vec<f64> {
            let fifteenths = [0, 0, 0, 0, 1, 5, 10, 14, 15, 15, 15, 15];
            fifteenths.map(|f| way * f64::from(f) / 15.0).to_vec()
        };
        let found = |mark: f64, travel: f64| {
            let (mark, travel) = (moves(mark), moves(travel));
            runs(
                &blocks,
                &mark,
                |k| pace(&mark, &blocks.time_s, k),
                1e-3,
                Some(&travel),
            )
        };
        assert_eq!(found(0.015, 0.015), vec![4..8]);
        assert!(found(0.015, 0.002).is_empty());
        assert!(found(0.008, 0.008).is_empty());
    }

    /// In a run the load stands or falls.
    #[test]
    fn a_load_that_rises_on_is_no_run() {
        let mut blocks = blocks();
        let mark: Vec<f64> = (0..12).map(|k| 2e-3 * f64::from(k)).collect();
        let found = |blocks: &Blocks| {
            runs(
                blocks,
                &mark,
                |k| pace(&mark, &blocks.time_s, k),
                1e-3,
                Some(&mark),
            )
            .len()
        };
        assert_eq!(found(&blocks), 1);
        blocks.load_n = (0..12).map(|k| 4e3 + 50.0 * f64::from(k)).collect();
        assert_eq!(found(&blocks), 0);
    }
}
