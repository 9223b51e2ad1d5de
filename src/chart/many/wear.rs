//! Wear: limit against the number of events, with the straight, its band and the proof load.

use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault, Panel};
use super::super::scale::Scale;
use super::super::style::{self, CURVE, EDGE_LEFT, HEAD, INK, LABEL, LIMIT, QUIET, SMALL};
use super::rows::arrow;
use crate::compare::{Comparison, Wear};
use crate::figures::Units;
use crate::stats::censored::Observed;

const TITLE: &str = "Wear";
const PANEL: f64 = 210.0;
const STEP: f64 = PANEL + 96.0;
/// Most series shown.
const MOST: usize = 4;

pub(super) fn draw(c: &Comparison, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let series = &c.wear[..c.wear.len().min(MOST)];
    if series.is_empty() {
        return Ok(None);
    }
    let first = HEAD + 54.0;
    let bottom = first + STEP * (series.len() - 1) as f64 + PANEL;
    let description = describe(series);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 74.0,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        for (i, wear) in series.iter().enumerate() {
            let top = first + STEP * i as f64;
            let proof = wear.crossing.as_ref().map(|x| units.load(x.proof_kn));
            let highest = wear
                .points
                .iter()
                .map(|p| units.load(p.1.start()))
                .fold(0.0, f64::max);
            let band = wear
                .course
                .iter()
                .flat_map(|r| [units.load(r.2), units.load(r.3).min(1.4 * highest)]);
            let loads = wear
                .points
                .iter()
                .map(|p| units.load(p.1.start()))
                .chain(band)
                .chain(proof);
            let panel = Panel::new(
                top,
                top + PANEL,
                Scale::linear(wear.points.iter().map(|p| p.0).chain([0.0]), 6),
                Scale::linear(loads, 5),
            );
            let area = panel.area;
            panel.axes(
                canvas,
                Some(wear.counter.words()),
                &format!("load, {}", units.force.symbol),
            )?;
            let title = style::shorten(&wear.name, LABEL, style::WIDTH - 40.0);
            canvas.bold(&title, (EDGE_LEFT, top - 38.0), HPos::Left, LABEL, INK)?;
            let course = |pick: fn(&(f64, f64, f64, f64)) -> f64| -> Vec<(f64, f64)> {
                wear.course
                    .iter()
                    .map(|r| panel.at(r.0, units.load(pick(r))))
                    .collect()
            };
            let colour = style::series(0);
            canvas.band(&course(|r| r.2), &course(|r| r.3), area, colour.mix(0.16))?;
            canvas.line(&course(|r| r.1), area, colour, CURVE)?;
            for (number, load) in &wear.points {
                let at = panel.at(*number, units.load(load.start()));
                if matches!(load, Observed::Above(_)) {
                    canvas.shape(&arrow(at, 5.0), area, style::series(2).mix(1.0))?;
                } else {
                    canvas.dots(&[at], area, style::series(2), 3.6)?;
                }
            }
            if let Some(proof) = proof {
                let y = panel.at_y(proof);
                canvas.dashed((area.left, y), (area.right, y), area, LIMIT, CURVE)?;
                canvas.text("proof load", (area.right + 14.0, y), HPos::Left, LABEL, INK)?;
            }
        }
        canvas.text(
            "Band: 95 % for the mean. Arrows: held this and did not let go.",
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

fn describe(series: &[Wear]) -> String {
    let words: Vec<String> = series
        .iter()
        .map(|w| {
            let crossing = w
                .crossing
                .as_ref()
                .map_or("no proof load is stated", |c| c.words.as_str());
            format!(
                "{}, {}: {:.2} % per event; {crossing}",
                w.name,
                w.counter.words(),
                100.0 * w.per_event
            )
        })
        .collect();
    format!(
        "Load against the number of events with a straight on the logarithm. {}.",
        words.join(". ")
    )
}
