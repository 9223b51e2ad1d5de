//! What a comparison is asked for.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Spread;
use crate::sheet::Rule;
use crate::stats::censored::Family;

/// What pulls are grouped by.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// Line, stopper and treatment together.
    Pair,
    /// What was done to the line; compared within one line and stopper.
    Treatment,
    /// The sort of line; compared within one stopper and treatment.
    Line,
    /// The sort of stopper; compared within one line and treatment.
    Stopper,
    /// The session; compared within one pair.
    Session,
    /// The rig; compared within one pair.
    Rig,
}

impl By {
    /// Every way.
    pub const ALL: [Self; 6] = [
        Self::Pair,
        Self::Treatment,
        Self::Line,
        Self::Stopper,
        Self::Session,
        Self::Rig,
    ];

    /// Its name on the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Pair => "pair",
            Self::Treatment => "treatment",
            Self::Line => "line",
            Self::Stopper => "stopper",
            Self::Session => "session",
            Self::Rig => "rig",
        }
    }

    /// The same in the plural, for running text.
    #[must_use]
    pub fn plural(self) -> &'static str {
        match self {
            Self::Pair => "pairs",
            Self::Treatment => "treatments",
            Self::Line => "lines",
            Self::Stopper => "stoppers",
            Self::Session => "sessions",
            Self::Rig => "rigs",
        }
    }
}

/// Settings of a comparison. All in the output, so that a run can be repeated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Settings {
    /// What pulls are grouped by.
    pub by: By,
    /// The rule whose loads are compared; that which governs most pulls if absent.
    pub rule: Option<Rule>,
    /// Share that the tolerance bound is for; what the sheets say, else 90 %.
    pub share: Option<f64>,
    /// Confidence of the tolerance bound; what the sheets say, else 95 %.
    pub confidence: Option<f64>,
    /// Joint coverage of the intervals of all differences.
    pub level: f64,
    /// Smallest difference that matters, a share of the load.
    pub matters: Option<f64>,
    /// Family of the distribution.
    pub family: Family,
    /// Whether each group has its own scatter.
    pub spread: Spread,
    /// A diameter never tested, mm: predicted from the others.
    pub diameter_mm: Option<f64>,
    /// Seed of simulated factors.
    pub seed: u64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            by: By::Pair,
            rule: None,
            share: None,
            confidence: None,
            level: crate::stats::estimate::LEVEL,
            matters: None,
            family: Family::Lognormal,
            spread: Spread::Own,
            diameter_mm: None,
            seed: 1,
        }
    }
}

/// Share of a tolerance bound that nothing else is said of.
pub(super) const SHARE: f64 = 0.90;
/// Its confidence.
pub(super) const CONFIDENCE: f64 = 0.95;
