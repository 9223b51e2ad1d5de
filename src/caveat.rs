//! Caveats: what a reader must know before trusting a figure, with what to do about it.
//!
//! Stages return caveats as values. The report, the JSON and the terminal show them from one list.

use std::borrow::Cow;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How much a caveat matters.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// Good to know.
    Note,
    /// A figure is weaker or wider for it.
    Caution,
    /// The line cannot be passed on this record; it may fail.
    NoPass,
    /// No verdict can rest on this record.
    NoVerdict,
}

impl Weight {
    /// As on the terminal.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Caution => "caution",
            Self::NoPass => "no pass",
            Self::NoVerdict => "no verdict",
        }
    }
}

/// One caveat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Caveat {
    /// Stable name in kebab-case, such as `cell-zero-shifted`.
    pub code: Cow<'static, str>,
    /// How much it matters.
    pub weight: Weight,
    /// What was found, with figures.
    pub message: String,
    /// What to do about it.
    pub advice: String,
}

impl Caveat {
    /// A caveat from its parts.
    #[must_use]
    pub fn new(
        code: &'static str,
        weight: Weight,
        message: impl Into<String>,
        advice: impl Into<String>,
    ) -> Self {
        Self {
            code: Cow::Borrowed(code),
            weight,
            message: message.into(),
            advice: advice.into(),
        }
    }
}
