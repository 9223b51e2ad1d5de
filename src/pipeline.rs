//! Inputs to analysis. (A stand-in with the interface only, until the stages are joined.)

use crate::analysis::{Analysis, Settings};
use crate::ingest::{InputFile, Log};
use crate::sheet::Sheet;

/// What an analysis needs, from memory.
#[derive(Debug, Clone)]
pub struct Inputs {
    /// The test sheet.
    pub sheet: Sheet,
    /// The log as read.
    pub log: Log,
    /// The files with digests.
    pub files: Vec<InputFile>,
}

/// Why there is no analysis.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Failure {
    /// The stages are not joined yet.
    #[error("the stages are not joined yet")]
    NotJoined,
}

impl Failure {
    /// A thing that the user can do.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        None
    }
}

/// What a record can tell, without the fits.
#[derive(Debug, Clone)]
pub struct Inspection;

impl Inspection {
    /// Lines for `check`.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        Vec::new()
    }
}

/// The whole analysis.
///
/// # Errors
/// See [`Failure`].
pub fn analyse(_inputs: Inputs, _settings: &Settings) -> Result<Analysis, Failure> {
    Err(Failure::NotJoined)
}

/// What the record can tell.
///
/// # Errors
/// See [`Failure`].
pub fn inspect(_inputs: &Inputs) -> Result<Inspection, Failure> {
    Ok(Inspection)
}
