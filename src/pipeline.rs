//! Inputs to analysis: not written yet, only its signature, so that the study program compiles.

use crate::analysis::{Analysis, Settings};
use crate::ingest::{InputFile, Log};
use crate::sheet::Sheet;

/// What an analysis is made from.
#[derive(Debug, Clone)]
pub struct Inputs {
    /// The test sheet.
    pub sheet: Sheet,
    /// The log.
    pub log: Log,
    /// The files they came from.
    pub files: Vec<InputFile>,
}

/// Nothing is analysed yet.
#[derive(Debug, thiserror::Error)]
#[error("the pipeline is not there yet")]
pub struct NotThere;

/// Analyses one pull.
///
/// # Errors
/// Always, until the stages are there.
pub fn analyse(_: Inputs, _: &Settings) -> Result<Analysis, NotThere> {
    Err(NotThere)
}
