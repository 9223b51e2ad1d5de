//! One row per group with its name on the left: the frame that several charts share.

use plotters::style::text_anchor::HPos;

use super::super::canvas::{Canvas, Fault, Panel};
use super::super::clip::{Area, Point};
use super::super::scale::Scale;
use super::super::style::{self, GRID, HAIR, HEAD, INK, LABEL, QUIET, SMALL, WIDTH};

/// Height of a row.
pub(super) const ROW: f64 = 48.0;
/// Names end here.
pub(super) const NAMES: f64 = 236.0;
/// Most rows of a chart; the table holds the rest.
pub(super) const MOST: usize = 24;

/// Heights of the drawing and of its parts for so many rows.
pub(super) struct Frame {
    pub(super) panel: Panel,
    pub(super) height: f64,
}

impl Frame {
    /// With room for `foot` lines of a legend below.
    pub(super) fn new(rows: usize, x: Scale, foot: usize) -> Self {
        let top = HEAD + 10.0;
        let bottom = top + ROW * rows as f64;
        Self {
            panel: Panel {
                area: Area {
                    left: NAMES,
                    top,
                    right: WIDTH - 22.0,
                    bottom,
                },
                x,
                y: Scale::linear([0.0, 1.0], 1),
            },
            height: bottom + 50.0 + 20.0 * foot as f64,
        }
    }

    /// Middle of a row.
    pub(super) fn row(&self, index: usize) -> f64 {
        self.panel.area.top + ROW * (index as f64 + 0.5)
    }

    /// Upright grid with its numbers, and the name of the axis.
    pub(super) fn axis(&self, canvas: &mut Canvas<'_>, name: &str) -> Result<(), Fault> {
        let area = self.panel.area;
        for (value, text) in self.panel.x.ticks() {
            let x = self.panel.at_x(value);
            canvas.line(&[(x, area.top), (x, area.bottom)], area, GRID, HAIR)?;
            canvas.text(&text, (x, area.bottom + 13.0), HPos::Center, SMALL, QUIET)?;
        }
        let middle = (area.left + area.right) / 2.0;
        canvas.text(
            name,
            (middle, area.bottom + 33.0),
            HPos::Center,
            LABEL,
            QUIET,
        )
    }

    /// Name of a row, on up to three lines.
    pub(super) fn name(
        &self,
        canvas: &mut Canvas<'_>,
        index: usize,
        name: &str,
    ) -> Result<(), Fault> {
        let width = NAMES - 26.0;
        let mut lines = style::wrap(name, SMALL, width);
        if lines.len() > 3 {
            let rest = lines.split_off(2).join(" ");
            lines.push(style::shorten(&rest, SMALL, width));
        }
        let y = self.row(index) - 7.5 * (lines.len() as f64 - 1.0);
        for (i, line) in lines.iter().enumerate() {
            canvas.text(
                line,
                (NAMES - 12.0, y + 15.0 * i as f64),
                HPos::Right,
                SMALL,
                INK,
            )?;
        }
        Ok(())
    }

    /// Height of the first legend line.
    pub(super) fn foot(&self) -> f64 {
        self.panel.area.bottom + 58.0
    }
}

/// A mark that points to the right: "above this".
pub(super) fn arrow(at: Point, size: f64) -> [Point; 3] {
    [
        (at.0 - 0.6 * size, at.1 - size),
        (at.0 + 1.2 * size, at.1),
        (at.0 - 0.6 * size, at.1 + size),
    ]
}
