//! The finished analysis of one pull: what charts, reports and machine files are made from.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::aboard::AboardResult;
use crate::caveat::Caveat;
use crate::diagnose::Diagnosis;
use crate::ingest::{GaugeKind, InputFile, Log, Understood};
use crate::limit::Limit;
use crate::phases::{Phase, PhaseKind};
use crate::separate::Separated;
use crate::sheet::Sheet;
use crate::stats::Estimate;
use crate::verdict::Verdict;

/// Putting it together.
mod assemble;

/// Traces of rows that the record holds only as means.
mod rows;

pub(crate) use assemble::Parted;

/// Version of the form of `analysis.json`; raised by one when a field changes its meaning or goes away.
pub const SCHEMA_VERSION: u32 = 1;

/// What an analysis is made from; all of it in memory.
#[derive(Debug, Clone)]
pub struct Inputs {
    /// The test sheet.
    pub sheet: Sheet,
    /// The log as read.
    pub log: Log,
    /// The files with digests.
    pub files: Vec<InputFile>,
}

/// Everything found about one pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Analysis {
    /// Version of this form.
    pub schema_version: u32,
    /// Version of bitterend.
    pub version: String,
    /// The verdict.
    pub verdict: Verdict,
    /// The holding limit.
    pub limit: Limit,
    /// Parts of the travel, support, closure, stretch curve: `parts`, `support`, `closure`, `stretch_curve`.
    #[serde(flatten)]
    pub separated: Separated,
    /// What it means aboard, if the sheet asks.
    pub aboard: Option<AboardResult>,
    /// Which interface moved, what to do about it, and the pull that would prove it.
    pub diagnosis: Diagnosis,
    /// For a survey: the record read without one slip or the other; empty for other purposes.
    #[serde(default)]
    pub explanations: Vec<crate::separate::Explanation>,
    /// What a reader must know first.
    pub caveats: Vec<Caveat>,
    /// Phases of the pull.
    pub phases: Vec<Phase>,
    /// The split per load step, one row each, for the table of the report.
    pub steps: Vec<StepRow>,
    /// Facts about the record.
    pub record: Record,
    /// Zero of the cell.
    pub load_zero: Estimate,
    /// Drift of the cell.
    pub load_drift: Estimate,
    /// Largest energy that was stored in the line, J, for the cautions.
    pub energy: Energy,
    /// Settings of the analysis.
    pub settings: Settings,
    /// The input files with digests.
    pub inputs: Vec<InputFile>,
    /// How the log was understood.
    pub understood: Understood,
    /// The sheet as read.
    #[schemars(with = "serde_json::Value")]
    pub sheet: SheetRecord,
    /// Rows for `traces.parquet` and for charts; not in JSON.
    #[serde(skip)]
    pub traces: Traces,
}

/// The sheet inside an analysis, kept as data.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SheetRecord(pub Sheet);

impl PartialEq for SheetRecord {
    fn eq(&self, other: &Self) -> bool {
        serde_json::to_value(self).ok() == serde_json::to_value(other).ok()
    }
}

/// Facts about the record.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Record {
    /// Rows read.
    pub rows: u64,
    /// Rows averaged into each entry of the traces.
    pub rows_per_entry: u64,
    /// First time on the log's clock, s.
    pub start_s: f64,
    /// Last time, s.
    pub end_s: f64,
    /// Rows per second, median.
    pub rate_hz: f64,
    /// Highest indicated load, kN.
    pub peak_load_kn: f64,
    /// Peak of the travel counted from the first dwell, mm.
    pub peak_travel_mm: Option<f64>,
    /// Load of the first dwell, kN.
    pub pretension_kn: f64,
    /// Loading rate of the main ramp, kN/s.
    pub loading_rate_kn_per_s: Option<f64>,
    /// Noise of each gauge per row: mm, or kN for force gauges.
    pub noise: BTreeMap<GaugeKind, f64>,
    /// Number of unloading cycles after the first dwell.
    pub cycles: usize,
}

/// One load step of the split: cumulative values at the end of a hold or phase.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StepRow {
    /// What the step is, such as `hold 2`.
    pub label: String,
    /// Time of the row, s.
    pub time_s: f64,
    /// Load, kN.
    pub load_kn: f64,
    /// Travel since the first dwell, mm.
    pub travel_mm: Option<f64>,
    /// The parts at that moment; unknown ones are absent.
    pub parts: BTreeMap<crate::separate::PartName, Estimate>,
}

/// Energy for the cautions.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Energy {
    /// Upper figure, J: half the highest load times the travel that came back (or the whole travel without unloading).
    pub upper_j: Option<f64>,
    /// Area under the unloading curve over the gauge length, J.
    pub measured_j: Option<f64>,
}

/// Settings that shape the figures. All in the output, so that a run can be repeated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Settings {
    /// Coverage of intervals.
    pub level: f64,
    /// Seed of the refits that give the record's share of every interval.
    pub seed: u64,
    /// Write every row to the traces, however many.
    pub all_traces: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            level: crate::stats::estimate::LEVEL,
            seed: crate::separate::DRAWS_SEED,
            all_traces: false,
        }
    }
}

/// Rows of the pull: one element per entry, in the units of `traces.parquet`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Traces {
    /// Time on the log's clock, s.
    pub time_s: Vec<f64>,
    /// Indicated load, kN; NaN = missing.
    pub load_kn: Vec<f64>,
    /// Travel since the first dwell, mm; NaN = missing. Empty without a travel gauge.
    pub travel_mm: Vec<f64>,
    /// Phase of each entry.
    pub phase: Vec<PhaseKind>,
    /// Value, low and high of each part that has a course.
    pub parts: BTreeMap<crate::separate::PartName, TracePart>,
    /// From what zeros they are counted.
    pub zeros: Zeros,
}

/// The zeros from which load, travel and parts are counted in the traces.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Zeros {
    /// What was taken out of the load as read.
    pub load: crate::condition::ZeroLine,
    /// Travel as read at the first dwell, m; `None` without a travel gauge.
    pub travel_m: Option<f64>,
    /// Time from which parts are defined, s.
    pub parts_from_s: f64,
}

/// One part in the traces, mm. NaN outside the span where it is defined.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TracePart {
    /// Best value; `None` for a bracket.
    pub value: Option<Vec<f64>>,
    /// Lower end.
    pub low: Vec<f64>,
    /// Upper end.
    pub high: Vec<f64>,
}
