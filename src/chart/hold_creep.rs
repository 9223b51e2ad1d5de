//! Slip within each hold against the logarithm of time, with the creep found.

use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Label, Panel};
use super::scale::Scale;
use super::style::{self, HEAD, QUIET, SMALL};
use crate::analysis::Analysis;
use crate::figures::{Units, span_text};
use crate::limit::{HoldCreep, Interface};

const TITLE: &str = "Creep in the holds";
const PANEL: f64 = 220.0;
const STEP: f64 = PANEL + 66.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let groups: Vec<(Interface, Vec<&HoldCreep>)> =
        [Interface::Stopper, Interface::Cover, Interface::Pair]
            .into_iter()
            .map(|interface| {
                let holds = analysis.limit.holds.iter();
                (
                    interface,
                    holds
                        .filter(|h| h.interface == interface && h.points.iter().any(|p| p.0 > 0.0))
                        .collect::<Vec<_>>(),
                )
            })
            .filter(|(_, holds)| !holds.is_empty())
            .collect();
    if groups.is_empty() {
        return Ok(None);
    }
    let times = || {
        groups
            .iter()
            .flat_map(|g| &g.1)
            .flat_map(|h| h.points.iter().map(|p| p.0))
    };
    // Readings of the first moments are few and noisy; the axis begins at a tenth of a second at the earliest.
    let x = Scale::decades(times().filter(|t| *t >= 0.1));
    let top = HEAD + 52.0;
    let bottom = top + STEP * (groups.len() - 1) as f64 + PANEL;
    let description = describe(units, &groups);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 80.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        for (g, (interface, holds)) in groups.iter().enumerate() {
            let panel_top = top + STEP * g as f64;
            let slips = holds
                .iter()
                .flat_map(|h| h.points.iter().map(|p| units.length(p.1)));
            // The axis holds the interval of each slip as well: what is far within it looks like nothing.
            let intervals = holds
                .iter()
                .flat_map(|h| [h.slip.low, h.slip.high])
                .flatten()
                .map(|slip| units.length(1e3 * slip));
            let panel = Panel::new(
                panel_top,
                panel_top + PANEL,
                x.clone(),
                Scale::linear(slips.chain(intervals).chain([0.0]), 4),
            );
            let x_name = (g + 1 == groups.len()).then_some("time since the start of the hold, s");
            panel.axes(
                canvas,
                x_name,
                &format!("slip within the hold, {}", units.length.symbol),
            )?;
            canvas.bold(
                interface.words(),
                (style::EDGE_LEFT, panel_top - 36.0),
                HPos::Left,
                style::LABEL,
                style::INK,
            )?;
            let mut labels = Vec::new();
            for (i, hold) in holds.iter().enumerate() {
                let colour = style::series(i);
                let points: Vec<(f64, f64)> = hold
                    .points
                    .iter()
                    .map(|(t, s)| panel.at(*t, units.length(*s)))
                    .collect();
                canvas.dots(&points, panel.area, colour, 1.6)?;
                let fitted = fitted(hold, &panel, units);
                canvas.line(&fitted, panel.area, colour, style::CURVE)?;
                let last = fitted
                    .last()
                    .or(points.last())
                    .map_or(panel.area.bottom, |p| p.1);
                labels.push(Label {
                    y: last.clamp(panel.area.top, panel.area.bottom),
                    name: format!("at {}", units.load_text(hold.load_kn)),
                    figure: figure(hold, units),
                    colour,
                });
            }
            canvas.labels(labels, panel_top - 30.0, panel_top + PANEL + 3.0)?;
        }
        let remark = "Lines: the law found, through the middle of the points from one second on.";
        canvas.text(
            remark,
            (style::EDGE_LEFT, bottom + 62.0),
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

fn figure(hold: &HoldCreep, units: &Units) -> String {
    match hold.law.as_str() {
        "log-linear" => units.label(&hold.creep),
        "linear" | "slowing" | "speeding up" => units.label(&hold.rate),
        _ => "law: cannot tell".into(),
    }
}

/// The law found, laid through the middle of the points from one second on: only its slope was estimated.
fn fitted(hold: &HoldCreep, panel: &Panel, units: &Units) -> Vec<(f64, f64)> {
    let used: Vec<(f64, f64)> = hold
        .points
        .iter()
        .copied()
        .filter(|p| p.0 >= 1.0 && p.1.is_finite())
        .collect();
    let (Some(first), Some(last)) = (used.first(), used.last()) else {
        return Vec::new();
    };
    let shape = |t: f64| match hold.law.as_str() {
        "log-linear" => hold.creep.value.map(|v| v * 1e3 * t.log10()),
        "linear" => hold.rate.value.map(|v| v * 1e3 * t),
        _ => None,
    };
    let count = used.len() as f64;
    let Some(offset) = used
        .iter()
        .map(|(t, s)| shape(*t).map(|v| s - v))
        .sum::<Option<f64>>()
    else {
        return Vec::new();
    };
    (0..=60)
        .map(|i| first.0 * (last.0 / first.0).powf(f64::from(i) / 60.0))
        .filter_map(|t| Some(panel.at(t, units.length(shape(t)? + offset / count))))
        .collect()
}

fn describe(units: &Units, groups: &[(Interface, Vec<&HoldCreep>)]) -> String {
    let words: Vec<String> = groups
        .iter()
        .flat_map(|(interface, holds)| {
            holds.iter().map(move |h| {
                format!(
                    "{}, {} held for {}: {}",
                    interface.words(),
                    units.load_text(h.load_kn),
                    span_text(h.duration_s),
                    if ["log-linear", "cannot tell"].contains(&h.law.as_str()) {
                        units.words(&h.creep)
                    } else {
                        units.words(&h.rate)
                    }
                )
            })
        })
        .collect();
    format!(
        "Slip within each hold against time on a logarithmic scale. {}.",
        words.join("; ")
    )
}
