//! Limits per group: every line, the median with its interval, the tolerance bound.

use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault};
use super::super::clip::Area;
use super::super::scale::Scale;
use super::super::style::{self, CURVE, EDGE_LEFT, QUIET, SMALL, STRONG};
use super::rows::{Frame, MOST, arrow};
use crate::compare::Comparison;
use crate::figures::Units;
use crate::stats::censored::Observed;

const TITLE: &str = "Holding limits";

pub(super) fn draw(c: &Comparison, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let groups = &c.groups[..c.groups.len().min(MOST)];
    if groups.is_empty() {
        return Ok(None);
    }
    let kn = |newtons: Option<f64>| newtons.map(|n| units.load(n / 1e3));
    let shown = groups.iter().flat_map(|g| {
        g.repeats
            .values
            .iter()
            .map(|v| units.load(v.1.start()))
            .chain(kn(g.repeats.median.low))
            .chain(kn(g.repeats.tolerance.low))
    });
    let largest = shown.clone().fold(0.0, f64::max);
    // The upper end of a wide interval may run out of the picture; the table has it.
    let ends = groups
        .iter()
        .filter_map(|g| kn(g.repeats.median.high))
        .map(|v| v.min(1.3 * largest));
    let x = Scale::linear(shown.chain(ends).chain([0.0]), 6);
    let frame = Frame::new(groups.len(), x, 2);
    let description = describe(c, units);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: frame.height,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        frame.axis(canvas, &format!("load, {}", units.force.symbol))?;
        let area = frame.panel.area;
        let (line, dot, bound) = (style::series(0), style::series(2), style::series(1));
        for (i, group) in groups.iter().enumerate() {
            let y = frame.row(i);
            frame.name(canvas, i, &group.name)?;
            let r = &group.repeats;
            let at = |v: f64| frame.panel.at_x(v);
            if let (Some(low), Some(high)) = (kn(r.median.low), kn(r.median.high)) {
                canvas.line(
                    &[(at(low), y + 6.0), (at(high), y + 6.0)],
                    area,
                    line,
                    STRONG,
                )?;
            }
            if let Some(median) = kn(r.median.value) {
                canvas.line(
                    &[(at(median), y + 1.0), (at(median), y + 11.0)],
                    area,
                    line,
                    STRONG,
                )?;
            }
            if let Some(low) = kn(r.tolerance.low) {
                canvas.bracket(at(low), y - 10.0, y + 12.0, area, bound)?;
            }
            for (_, load) in &r.values {
                let place = (at(units.load(load.start())), y - 6.0);
                match load {
                    Observed::Above(_) => canvas.shape(&arrow(place, 5.0), area, dot.mix(1.0))?,
                    Observed::At(_) => canvas.dots(&[place], area, dot, 3.4)?,
                    Observed::Between(_, high) => {
                        let end = (at(units.load(*high)), y - 6.0);
                        canvas.line(&[place, end], area, dot, CURVE)?;
                    }
                }
            }
        }
        let y = frame.foot();
        let paper = Area {
            left: 0.0,
            top: 0.0,
            right: style::WIDTH,
            bottom: frame.height,
        };
        canvas.dots(&[(EDGE_LEFT + 6.0, y)], paper, dot, 3.4)?;
        canvas.text(
            "one line, let go",
            (EDGE_LEFT + 18.0, y),
            HPos::Left,
            SMALL,
            QUIET,
        )?;
        canvas.shape(&arrow((EDGE_LEFT + 166.0, y), 5.0), paper, dot.mix(1.0))?;
        canvas.text(
            "one line, held this: its limit is higher",
            (EDGE_LEFT + 180.0, y),
            HPos::Left,
            SMALL,
            QUIET,
        )?;
        let y = y + 20.0;
        canvas.line(
            &[(EDGE_LEFT, y), (EDGE_LEFT + 14.0, y)],
            paper,
            line,
            STRONG,
        )?;
        canvas.text(
            "median, 95 % interval",
            (EDGE_LEFT + 22.0, y),
            HPos::Left,
            SMALL,
            QUIET,
        )?;
        canvas.bracket(EDGE_LEFT + 212.0, y - 7.0, y + 7.0, paper, bound)?;
        canvas.text(
            "lower tolerance bound",
            (EDGE_LEFT + 226.0, y),
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

fn describe(c: &Comparison, units: &Units) -> String {
    let words: Vec<String> = c
        .groups
        .iter()
        .take(MOST)
        .map(|g| format!("{}: {}", g.name, units.words(&g.repeats.median)))
        .collect();
    format!(
        "One row per group with every line pulled, the median load with its interval and the lower tolerance bound. {}.",
        words.join("; ")
    )
}
