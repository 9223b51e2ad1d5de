//! Analysis to charts: SVG texts that stand alone, with title and description.
//!
//! Charts receive numbers and never compute a result: what they show was found by the stages before. They speak the
//! report's units and round by the uncertainty. A chart whose data the record does not have is left out.

mod aboard;
mod budget;
mod canvas;
mod clip;
mod closure;
mod creep_load;
mod events;
mod hold_creep;
mod load_travel;
mod many;
mod night;
mod scale;
mod slip_load;
mod split_time;
mod stack;
mod style;

#[cfg(test)]
pub(crate) mod sample;

pub(crate) use canvas::clean;
pub use many::draw_comparison;
pub(crate) use night::style_sheet as night_style;

use crate::analysis::Analysis;
use crate::figures::Units;

/// One chart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chart {
    /// Name of its file, such as `split-over-time.svg`.
    pub file_name: String,
    /// Its title, as drawn.
    pub title: String,
    /// What it shows, in words, for those who cannot see it.
    pub description: String,
    /// The drawing.
    pub svg: String,
}

/// A chart could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("the chart `{file_name}` could not be drawn")]
pub struct DrawError {
    /// The chart.
    pub file_name: String,
    /// What the drawing library reports.
    pub source: Box<dyn std::error::Error + Send + Sync>,
}

/// What a figure file hands over: everything of a chart but its file name.
struct Drawn {
    title: String,
    description: String,
    svg: String,
}

type Figure = fn(&Analysis, &Units, &str) -> Result<Option<Drawn>, canvas::Fault>;

/// Every chart, in the order of the report, by the stem of its file name.
const FIGURES: [(&str, Figure); 9] = [
    ("split-over-time", split_time::draw),
    ("load-and-travel", load_travel::draw),
    ("slip-and-limit", slip_load::draw),
    ("creep-in-holds", hold_creep::draw),
    ("creep-and-load", creep_load::draw),
    ("slip-events", events::draw),
    ("tension-aboard", aboard::draw),
    ("balance", closure::draw),
    ("uncertainty", budget::draw),
];

/// Draws every chart that this analysis has data for, in the order of the report.
///
/// # Errors
/// The drawing library fails, which with a string as target means a fault of its own.
pub fn draw_all(analysis: &Analysis) -> Result<Vec<Chart>, DrawError> {
    let units = Units::of(&analysis.sheet.0);
    let mut charts = Vec::new();
    for (name, figure) in FIGURES {
        let file_name = format!("{name}.svg");
        match figure(analysis, &units, name) {
            Ok(Some(Drawn {
                title,
                description,
                svg,
            })) => charts.push(Chart {
                file_name,
                title,
                description,
                svg,
            }),
            Ok(None) => {}
            Err(source) => return Err(DrawError { file_name, source }),
        }
    }
    Ok(charts)
}

#[cfg(test)]
mod tests;
