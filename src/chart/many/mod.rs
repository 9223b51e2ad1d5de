//! Charts of many pulls: they receive a finished comparison and compute nothing but places on the paper.

mod diameter;
mod differences;
mod limits;
mod probability;
mod rows;
mod sessions;
mod wear;

use super::canvas::Fault;
use super::{Chart, DrawError, Drawn};
use crate::compare::Comparison;
use crate::figures::Units;

type Figure = fn(&Comparison, &Units, &str) -> Result<Option<Drawn>, Fault>;

/// Every chart, in the order of the report, by the stem of its file name.
const FIGURES: [(&str, Figure); 6] = [
    ("limits", limits::draw),
    ("differences", differences::draw),
    ("probability", probability::draw),
    ("sessions", sessions::draw),
    ("wear", wear::draw),
    ("diameter", diameter::draw),
];

/// Draws every chart that this comparison has data for, in the order of the report.
///
/// # Errors
/// The drawing library fails, which with a string as target means a fault of its own.
pub fn draw_comparison(comparison: &Comparison) -> Result<Vec<Chart>, DrawError> {
    let units = comparison.units();
    let mut charts = Vec::new();
    for (name, figure) in FIGURES {
        let file_name = format!("{name}.svg");
        match figure(comparison, &units, name) {
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
