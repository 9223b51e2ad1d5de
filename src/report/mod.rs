//! Analysis to report. (Interface only.)

use crate::analysis::Analysis;
use crate::chart::Chart;

/// A report in both forms.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Markdown.
    pub markdown: String,
    /// HTML.
    pub html: String,
}

/// Renders both forms.
#[must_use]
pub fn render(_analysis: &Analysis, _charts: &[Chart]) -> Report {
    Report {
        markdown: String::new(),
        html: String::new(),
    }
}
