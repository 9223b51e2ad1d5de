//! Diameter: holding load against the position in the stopper's span.

use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault, Panel};
use super::super::scale::Scale;
use super::super::style::{self, CURVE, EDGE_LEFT, HEAD, INK, LABEL, LIMIT, QUIET, SMALL};
use crate::compare::{Comparison, DiameterLaw};
use crate::figures::{Units, significant};

const TITLE: &str = "Load and diameter";
const PANEL: f64 = 220.0;
const STEP: f64 = PANEL + 96.0;
/// Most stoppers shown.
const MOST: usize = 4;

pub(super) fn draw(c: &Comparison, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let laws = &c.diameter[..c.diameter.len().min(MOST)];
    if laws.is_empty() {
        return Ok(None);
    }
    let first = HEAD + 54.0;
    let bottom = first + STEP * (laws.len() - 1) as f64 + PANEL;
    let description = describe(laws, units);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 74.0,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        for (i, law) in laws.iter().enumerate() {
            let top = first + STEP * i as f64;
            let highest = law
                .points
                .iter()
                .map(|p| p.load_kn)
                .chain(law.rated_kn)
                .fold(0.0, f64::max);
            let ends = law
                .course
                .iter()
                .flat_map(|r| [r.2, r.3.min(1.4 * highest)]);
            let loads = law
                .points
                .iter()
                .map(|p| p.load_kn)
                .chain(law.rated_kn)
                .chain(ends);
            let panel = Panel::new(
                top,
                top + PANEL,
                Scale::exact(-0.06, 1.06, 5),
                Scale::linear(loads.map(|v| units.load(v)).chain([0.0]), 5),
            );
            let area = panel.area;
            let (from, to) = (units.length(law.span_mm.0), units.length(law.span_mm.1));
            let axis = format!(
                "position in the span: 0 is {} {unit}, 1 is {} {unit}",
                significant(from, 3),
                significant(to, 3),
                unit = units.length.symbol
            );
            panel.axes(
                canvas,
                Some(&axis),
                &format!("load, {}", units.force.symbol),
            )?;
            let title = style::shorten(&law.name, LABEL, style::WIDTH - 40.0);
            canvas.bold(&title, (EDGE_LEFT, top - 38.0), HPos::Left, LABEL, INK)?;
            let course = |pick: fn(&(f64, f64, f64, f64)) -> f64| -> Vec<(f64, f64)> {
                law.course
                    .iter()
                    .map(|r| panel.at(r.0, units.load(pick(r))))
                    .collect()
            };
            let colour = style::series(0);
            canvas.band(&course(|r| r.2), &course(|r| r.3), area, colour.mix(0.16))?;
            canvas.line(&course(|r| r.1), area, colour, CURVE)?;
            let points: Vec<(f64, f64)> = law
                .points
                .iter()
                .map(|p| panel.at(p.position, units.load(p.load_kn)))
                .collect();
            canvas.dots(&points, area, style::series(2), 4.0)?;
            if let Some(p) = &law.predicted
                && let (Some(load), Some(low), Some(high)) = (p.load_kn, p.low_kn, p.high_kn)
            {
                let x = panel.at_x(p.position);
                let at = |v: f64| panel.at_y(units.load(v));
                canvas.line(
                    &[(x, at(low)), (x, at(high))],
                    area,
                    style::series(1),
                    CURVE,
                )?;
                canvas.dots(&[(x, at(load))], area, style::series(1), 4.0)?;
            }
            if let Some(rated) = law.rated_kn {
                let y = panel.at_y(units.load(rated));
                canvas.dashed((area.left, y), (area.right, y), area, LIMIT, CURVE)?;
                canvas.text("rated load", (area.right + 14.0, y), HPos::Left, LABEL, INK)?;
            }
        }
        canvas.text(
            "Dots: kinds of line. Band: 95 % for another kind of line. Red: the diameter asked for (prediction).",
            (EDGE_LEFT, bottom + 58.0),
            HPos::Left,
            SMALL,
            QUIET,
        )
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

fn describe(laws: &[DiameterLaw], units: &Units) -> String {
    let words: Vec<String> = laws
        .iter()
        .map(|law| {
            let points: Vec<String> = law
                .points
                .iter()
                .map(|p| {
                    format!(
                        "{} at {}",
                        units.load_text(p.load_kn),
                        units.length_text(p.diameter_mm)
                    )
                })
                .collect();
            format!("{}: {}", law.name, points.join(", "))
        })
        .collect();
    format!(
        "Mean load of each kind of line against its place in the stopper's span. {}.",
        words.join("; ")
    )
}
