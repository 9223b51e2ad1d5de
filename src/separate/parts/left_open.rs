//! What the fit leaves open whatever its residuals: bends within the noise, gaps, loads never eased, recovery too slow to see.

use crate::condition::{Conditioned, GAP_PERIODS};
use crate::phases::{CYCLE_SHARE, PhaseKind, Phased};
use crate::separate::bases;
use crate::separate::model::{Balance, Shape};

/// A load from this share of the highest on is at the top, and its pace is that of so many seconds.
const AT_TOP: f64 = 0.95;
const PACE_S: f64 = 5.0;
/// Recovery is too slow to be seen from so many times the longest rest.
const SLOW_RESTS: f64 = 2.0;

/// Median noise of one block of the gauge that shows each sequence best.
pub(super) fn bends(balance: &Balance) -> Vec<f64> {
    (0..balance.problem.sequences.len())
        .map(|s| {
            let quietest = balance
                .problem
                .rows
                .iter()
                .filter(|r| r.sequences.contains(&s))
                .filter_map(|rows| {
                    let noise: Vec<f64> = rows
                        .variance
                        .iter()
                        .filter(|v| v.is_finite())
                        .map(|v| v.sqrt())
                        .collect();
                    crate::stats::median(&noise)
                });
            quietest.fold(f64::INFINITY, f64::min)
        })
        .map(|noise| if noise.is_finite() { noise } else { 0.0 })
        .collect()
}

/// Half the step that is left of the gauge that shows each sequence best.
pub(super) fn half_steps(balance: &Balance) -> Vec<f64> {
    (0..balance.problem.sequences.len())
        .map(|s| {
            let rows = balance.problem.rows.iter().zip(&balance.readings);
            let steps = rows
                .filter(|(rows, _)| rows.sequences.contains(&s))
                .map(|(_, reading)| reading.half_step);
            steps.fold(f64::INFINITY, f64::min)
        })
        .map(|step| if step.is_finite() { step } else { 0.0 })
        .collect()
}

/// Gaps between the blocks in use.
pub(super) fn gaps(balance: &Balance, record: &Conditioned) -> usize {
    let span = balance.start_entry..balance.end_entry;
    record.time_s[span]
        .windows(2)
        .filter(|w| w[1] - w[0] > GAP_PERIODS * record.period_s)
        .count()
}

/// Stretch beyond the highest load from which the line was eased by [`CYCLE_SHARE`] of the peak, mm.
pub(super) fn uneased(balance: &Balance, phased: &Phased) -> f64 {
    let loads =
        &phased.blocks.load_n[balance.first_block..balance.first_block + balance.problem.blocks];
    let (mut lowest_after, mut eased) = (f64::INFINITY, 0.0f64);
    for load in loads.iter().rev() {
        if lowest_after < load - CYCLE_SHARE * phased.peak_n {
            eased = eased.max(*load);
        }
        lowest_after = lowest_after.min(*load);
    }
    let top = loads.iter().copied().fold(0.0, f64::max);
    let steepest = balance.slope.iter().copied().fold(0.0, f64::max);
    let slope = loads
        .iter()
        .zip(&balance.slope)
        .max_by(|a, b| a.0.total_cmp(b.0))
        .map_or(steepest, |(_, s)| *s);
    slope * (top - eased).max(0.0)
}

/// What does not come back would make at the pace of the last seconds at the highest load, until that load has halved, mm.
pub(super) fn slid_on(balance: &Balance, phased: &Phased) -> f64 {
    let Some(rest) = balance.sequences.rest else {
        return 0.0;
    };
    let stayed = &balance.fit.sequences[rest];
    let time = &balance.problem.time;
    let load = &phased.blocks.load_n[balance.first_block..][..balance.problem.blocks];
    let top = load.iter().copied().fold(0.0, f64::max);
    let Some(last) = load.iter().rposition(|load| *load >= AT_TOP * top) else {
        return 0.0;
    };
    let before = time.iter().rposition(|t| *t <= time[last] - PACE_S);
    let before = before.unwrap_or(0).min(last.saturating_sub(1));
    let pace = (stayed[last] - stayed[before]) / (time[last] - time[before]).max(f64::MIN_POSITIVE);
    let halved = (last..load.len()).find(|k| load[*k] < 0.5 * top);
    let lasts = time[halved.unwrap_or(load.len() - 1)] - time[last];
    (pace * lasts).max(0.0)
}

/// Stretch at most of lags longer than [`SLOW_RESTS`] times the longest rest, mm.
pub(super) fn slow(balance: &Balance, phased: &Phased) -> f64 {
    let phases = &phased.blocks.phase[balance.first_block..][..balance.problem.blocks];
    let mut longest = 0.0f64;
    let mut begun = None;
    for (phase, time) in phases.iter().zip(&balance.problem.time) {
        begun = begun
            .filter(|_| *phase == PhaseKind::Rest)
            .or((*phase == PhaseKind::Rest).then_some(*time));
        longest = longest.max(begun.map_or(0.0, |begun| time - begun));
    }
    let from = bases::slower_than(SLOW_RESTS * longest);
    let stretch = &balance.stretch;
    let mut shape = Shape::default();
    for image in &balance.lagged {
        let slow = image.start + from..image.end;
        shape.weights.extend(&stretch.weights[slow.clone()]);
        shape.columns.extend_from_slice(&stretch.columns[slow]);
    }
    largest(balance, &shape)
}

/// What loop and recovery keep of the stretch at the end of the pull, mm.
pub(super) fn kept(balance: &Balance) -> f64 {
    let stretch = &balance.stretch;
    let columns = stretch.weights.iter().zip(&stretch.columns);
    let last = columns.skip(bases::AT_ONCE);
    last.map(|(w, column)| balance.fit.weights[*w] * column[balance.last_block])
        .sum::<f64>()
        .abs()
}

/// Largest value of a shape over the blocks, mm.
pub(super) fn largest(balance: &Balance, shape: &Shape) -> f64 {
    let values = balance.value_of(&[shape]);
    values.into_iter().map(f64::abs).fold(0.0, f64::max)
}
