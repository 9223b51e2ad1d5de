//! Limits and parts to a verdict: passes, fails, or not decided and what would decide it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The verdict in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum VerdictWord {
    /// Proof load reached and held, slip surely within the allowance.
    #[serde(rename = "passes")]
    Passes,
    /// Slip surely beyond the allowance.
    #[serde(rename = "fails")]
    Fails,
    /// Neither is sure.
    #[serde(rename = "not decided")]
    NotDecided,
    /// The sheet states no limits.
    #[serde(rename = "no limits given")]
    NoLimits,
}

/// The verdict with its grounds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The word.
    pub word: VerdictWord,
    /// One sentence per ground, figures included.
    pub grounds: Vec<String>,
    /// What would decide it, or what to add to the sheet; empty when decided.
    pub would_decide: Vec<String>,
    /// The next thing to do, one sentence.
    pub next: String,
}
