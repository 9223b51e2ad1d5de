//! Analysis to charts. (Interface only.)

use crate::analysis::Analysis;

/// One chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    /// Name of its file, such as `parts.svg`.
    pub file_name: String,
    /// Title.
    pub title: String,
    /// Description for those who do not see it.
    pub description: String,
    /// The picture.
    pub svg: String,
}

/// All charts.
#[must_use]
pub fn draw_all(_analysis: &Analysis) -> Vec<Chart> {
    Vec::new()
}
