//! Analysis to machine files. (Interface only.)

use crate::analysis::Analysis;

/// Why a machine file cannot be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// JSON.
    #[error("analysis.json cannot be written")]
    Json(#[from] serde_json::Error),
}

/// `analysis.json`.
///
/// # Errors
/// A figure that JSON cannot hold.
pub fn json(analysis: &Analysis) -> Result<Vec<u8>, ExportError> {
    Ok(serde_json::to_vec_pretty(analysis)?)
}

/// `traces.parquet`.
///
/// # Errors
/// The writer's.
#[cfg(feature = "parquet")]
pub fn parquet(_analysis: &Analysis) -> Result<Vec<u8>, ExportError> {
    Ok(Vec::new())
}

/// JSON Schema of the sheet.
#[must_use]
pub fn schema_sheet() -> String {
    serde_json::to_string_pretty(&schemars::schema_for!(crate::sheet::Sheet)).unwrap_or_default()
}

/// JSON Schema of `analysis.json`.
#[must_use]
pub fn schema_analysis() -> String {
    serde_json::to_string_pretty(&schemars::schema_for!(Analysis)).unwrap_or_default()
}
