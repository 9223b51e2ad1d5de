//! Conditioned record to phases: what the winch and the stopper were doing, and the blocks of rows the fits work on.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

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
}
