//! Conditioned record to phases: what the winch and the stopper were doing, and the blocks of rows the fits work on.

use std::ops::Range;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::condition::{Conditioned, Signal};
use crate::ingest::GaugeKind;
use crate::sheet::Sheet;

/// Blocks of rows.
mod blocks;

/// The first dwell at pre-tension.
mod dwell;

/// Phases from the trend of the load.
mod label;

/// The line runs through.
mod run_out;

/// The winch is eased.
mod transfer;

/// What happened in a stretch of the record.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum PhaseKind {
    /// Slack comes out, before the first dwell.
    TakeUp,
    /// First dwell at pre-tension: every part of the travel is zero here.
    Reference,
    /// Load rises.
    Ramp,
    /// Load is kept constant.
    Hold,
    /// Travel is kept constant (winch locked) and load relaxes.
    LockedHold,
    /// Load falls.
    Unload,
    /// Dwell at low load after a cycle.
    Rest,
    /// The winch is eased and the stopper takes the load.
    Transfer,
    /// The line runs through the stopper or the cover.
    RunOut,
}

impl PhaseKind {
    /// The word used in tables and charts.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::TakeUp => "take-up",
            Self::Reference => "first dwell",
            Self::Ramp => "ramp",
            Self::Hold => "hold",
            Self::LockedHold => "locked hold",
            Self::Unload => "unload",
            Self::Rest => "rest",
            Self::Transfer => "transfer",
            Self::RunOut => "run-out",
        }
    }
}

/// One phase of the pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Phase {
    /// What happened.
    pub kind: PhaseKind,
    /// First entry of the record in this phase.
    pub first: usize,
    /// One past the last entry.
    pub end: usize,
    /// Start in s on the log's clock.
    pub start_s: f64,
    /// End in s on the log's clock.
    pub end_s: f64,
    /// Load at the start in N.
    pub load_start_n: f64,
    /// Load at the end in N.
    pub load_end_n: f64,
}

/// Blocks of neighbouring rows, short where the record bends and long where it runs straight: one value each, all the
/// fits work on them. All vectors have one element per block.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Blocks {
    /// First entry of each block.
    pub first: Vec<usize>,
    /// One past the last entry.
    pub end: Vec<usize>,
    /// Mean time in s.
    pub time_s: Vec<f64>,
    /// Mean filtered load in N.
    pub load_n: Vec<f64>,
    /// Mean of the highest load so far, N.
    pub highest_n: Vec<f64>,
    /// Mean load that the stopper holds, N: the cell's less that of the tail, where a cell shows it.
    pub grip_n: Vec<f64>,
    /// Mean of the highest of that so far, N.
    pub highest_grip_n: Vec<f64>,
    /// Phase of the block.
    pub phase: Vec<PhaseKind>,
}

impl Blocks {
    /// Number of blocks.
    #[must_use]
    pub fn len(&self) -> usize {
        self.first.len()
    }

    /// True without any block.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.first.is_empty()
    }

    /// Rows of a block.
    pub(crate) fn rows(&self, k: usize) -> f64 {
        (self.end[k] - self.first[k]) as f64
    }

    /// Mean reading of a gauge per block, SI; NaN where it has none.
    pub(crate) fn means(&self, gauge: &Signal) -> Vec<f64> {
        (0..self.len())
            .map(|k| {
                let usable = gauge.values[self.first[k]..self.end[k]]
                    .iter()
                    .filter(|v| v.is_finite());
                usable.clone().sum::<f64>() / usable.count() as f64
            })
            .collect()
    }
}

/// The record cut into phases and blocks.
#[derive(Debug, Clone, PartialEq)]
pub struct Phased {
    /// Phases in order, without gaps.
    pub phases: Vec<Phase>,
    /// Blocks in order, without gaps.
    pub blocks: Blocks,
    /// Load of each entry in N with its noise taken out.
    pub quiet_load_n: Vec<f64>,
    /// What of it the stopper holds, N: all of it, or less the load of the tail where a cell shows that.
    pub quiet_grip_n: Vec<f64>,
    /// Entries of the first dwell at pre-tension: every part is zero over them.
    pub reference: Range<usize>,
    /// Mean load of the first dwell, N.
    pub pretension_n: f64,
    /// Below this load, N, the line counts as slack: its shape there is not that of a loaded line.
    pub slack_n: f64,
    /// Highest quiet load, N.
    pub peak_n: f64,
    /// Times the load fell by at least [`CYCLE_SHARE`] of the peak from a high and the fall was followed in the record.
    pub cycles: usize,
    /// Typical rate of loading, N/s, weighted by load.
    pub ramp_rate_n_per_s: f64,
}

/// Share of the pre-tension below which the line is slack.
const SLACK_SHARE: f64 = 0.9;
/// A fall by this share of the peak load counts as an unloading: less does not show what comes back.
pub const CYCLE_SHARE: f64 = 0.3;
/// Below this share of the highest load so far the line counts as eased: friction that held that load holds this one.
pub(crate) const EASED_SHARE: f64 = 0.9;

/// Cuts a conditioned record into phases and blocks.
#[must_use]
pub fn phases(record: &Conditioned, sheet: &Sheet) -> (Phased, Vec<Caveat>) {
    let ranges = blocks::cut(record);
    let quiet = blocks::quiet(record, &record.load, &ranges);
    let mut blocks = gather(record, &ranges, &quiet);
    let peak = blocks
        .load_n
        .iter()
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let trend = label::trends(&blocks, peak, record.load.noise);
    let reference = dwell::reference(&blocks, &trend, record, sheet, peak);
    let mut caveats = Vec::new();
    if let Some(caveat) = &reference.caveat {
        caveats.push(caveat.clone());
    }
    let travel = record.gauge(GaugeKind::Travel);
    let span = reference.entries.clone();
    let pretension_n = mean(&quiet, &span);
    let mut kinds = label::kinds(&blocks, &trend, &reference, travel, peak);
    let dwelt = reference.blocks.end;
    for run in run_out::find(record, &blocks, &trend, dwelt, pretension_n) {
        kinds[run].fill(PhaseKind::RunOut);
    }
    if let Some(eased) = transfer::find(record, &blocks, peak) {
        kinds[eased].fill(PhaseKind::Transfer);
    }
    let phases = label::runs(&blocks, &kinds, record, &quiet);
    blocks.phase = kinds;
    let highest = |load: &[f64]| -> Vec<f64> {
        let mut so_far = mean(load, &span);
        let running: Vec<f64> = load
            .iter()
            .enumerate()
            .map(|(i, load)| {
                if i >= span.start {
                    so_far = so_far.max(*load);
                }
                so_far
            })
            .collect();
        ranges.iter().map(|r| mean(&running, r)).collect()
    };
    blocks.highest_n = highest(&quiet);
    let grip = match record.gauge(GaugeKind::TailLoad) {
        Some(tail) => {
            let tail = blocks::quiet(record, tail, &ranges);
            quiet
                .iter()
                .zip(tail)
                .map(|(all, tail)| all - tail)
                .collect()
        }
        None => quiet.clone(),
    };
    blocks.highest_grip_n = highest(&grip);
    blocks.grip_n = ranges.iter().map(|r| mean(&grip, r)).collect();
    caveats.extend(begins_under_load(&blocks, peak, sheet));
    let cycles = label::unloadings(&blocks, peak);
    if cycles == 0 {
        caveats.push(Caveat::new(
            "no-unloading",
            Weight::Caution,
            "The load never came back down by three tenths of its peak: what comes back cannot be told from what does not.",
            "Unload to pre-tension after each step, and wait there as long as the longest hold.",
        ));
    }
    let slack_n = slack(record, &blocks, pretension_n);
    (
        Phased {
            phases,
            ramp_rate_n_per_s: label::ramp_rate(&blocks),
            blocks,
            quiet_load_n: quiet,
            quiet_grip_n: grip,
            reference: span,
            pretension_n,
            slack_n,
            peak_n: peak,
            cycles,
        },
        caveats,
    )
}

/// A log begins under load above this share of its peak, if the load later falls below this share of where it began.
const BEGINS: (f64, f64) = (0.25, 0.5);
/// Within this share of the stated pre-tension it begins there.
const AT_PRETENSION: f64 = 0.2;

/// Below which load the line counts as slack, N. A row noted by hand tells its load no better than its gauge shows it.
fn slack(record: &Conditioned, blocks: &Blocks, pretension_n: f64) -> f64 {
    let noted = blocks.len() < label::FEW_BLOCKS;
    let blur = if noted { record.load.errors.fixed } else { 0.0 };
    (SLACK_SHARE * pretension_n - blur).max(0.0)
}

/// What slid before the first row is in no row.
fn begins_under_load(blocks: &Blocks, peak: f64, sheet: &Sheet) -> Option<Caveat> {
    let begins = *blocks.load_n.first()?;
    let lowest = blocks.load_n.iter().copied().fold(f64::INFINITY, f64::min);
    let meant = sheet
        .pull
        .pretension
        .is_some_and(|p| (begins - p.si()).abs() <= AT_PRETENSION * p.si());
    (begins > BEGINS.0 * peak && lowest < BEGINS.1 * begins && !meant).then(|| {
        Caveat::new(
            "log-begins-under-load",
            Weight::NoPass,
            format!(
                "The log begins at {:.2} kN: what moved on the way there is in no row, and every figure counts from later.",
                begins / 1e3
            ),
            "Start the logger before the first load; give the whole log if this is a part of it.",
        )
    })
}

fn mean(values: &[f64], r: &Range<usize>) -> f64 {
    values[r.clone()].iter().sum::<f64>() / r.len() as f64
}

fn gather(record: &Conditioned, ranges: &[Range<usize>], quiet: &[f64]) -> Blocks {
    Blocks {
        first: ranges.iter().map(|r| r.start).collect(),
        end: ranges.iter().map(|r| r.end).collect(),
        time_s: ranges.iter().map(|r| mean(&record.time_s, r)).collect(),
        load_n: ranges.iter().map(|r| mean(quiet, r)).collect(),
        highest_n: Vec::new(),
        grip_n: Vec::new(),
        highest_grip_n: Vec::new(),
        phase: Vec::new(),
    }
}
