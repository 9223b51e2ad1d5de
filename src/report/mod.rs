//! Analysis to report: Markdown and a single HTML file that say the same, for a person who never saw the tool.
//!
//! One view of finished strings (`view.rs`) is made first; both forms are written from it and only escape and lay out.
//! Rounding happens there and nowhere else (see [`crate::figures`]). Texts of the sheet are printed as text, never as
//! markup, in both forms.

mod cause;
mod details;
mod front;
mod html;
mod limits;
mod many;
mod markdown;
mod record;
mod split;
mod survey;
mod trust;
mod view;

pub use many::{render_comparison, render_plan};

use crate::analysis::Analysis;
use crate::chart::Chart;

/// The two forms of a report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// `report.md`; charts are looked for in `charts/` beside it.
    pub markdown: String,
    /// `report.html`: one file, nothing outside it.
    pub html: String,
}

/// Writes the report of one pull with the charts of [`crate::chart::draw_all`].
#[must_use]
pub fn render(analysis: &Analysis, charts: &[Chart]) -> Report {
    let view = view::build(analysis, charts);
    Report {
        markdown: markdown::write(&view, charts),
        html: html::write(&view, charts),
    }
}

#[cfg(test)]
mod tests;
