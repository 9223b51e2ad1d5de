//! Slip within each hold against the logarithm of time, with the creep found.

use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Label, Panel};
use super::scale::Scale;
use super::style::{self, HEAD, QUIET, SMALL};
use crate::analysis::Analysis;
use crate::figures::{Units, span_text};
use crate::limit::{HoldCreep, Interface, Law};
use crate::stats::Estimate;

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
                let [points, fitted] = [&hold.points, &hold.fitted].map(|list| {
                    let places = list.iter().map(|(t, s)| panel.at(*t, units.length(*s)));
                    places.collect::<Vec<_>>()
                });
                canvas.dots(&points, panel.area, colour, 1.6)?;
                canvas.line(&fitted, panel.area, colour, style::CURVE)?;
                let last = fitted
                    .last()
                    .or(points.last())
                    .map_or(panel.area.bottom, |p| p.1);
                labels.push(Label {
                    y: last.clamp(panel.area.top, panel.area.bottom),
                    name: format!("at {}", units.load_text(hold.load_kn)),
                    figure: telling(hold).map_or("law: cannot tell".into(), |e| units.label(e)),
                    colour,
                });
            }
            canvas.labels(labels, panel_top - 30.0, panel_top + PANEL + 3.0)?;
        }
        let mut drawn = groups.iter().flat_map(|g| &g.1);
        if drawn.all(|hold| hold.fitted.is_empty()) {
            return Ok(());
        }
        canvas.text(
            "Lines: the law found over the last decade of each hold's time.",
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

/// What tells most of a law: of one even over the decades a decade, of any other its rate at the end.
fn telling(hold: &HoldCreep) -> Option<&Estimate> {
    match hold.law {
        Law::LogLinear => Some(&hold.creep),
        Law::Slowing | Law::Linear | Law::Speeding => Some(&hold.rate),
        Law::Unknown => None,
    }
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
                    units.words(telling(h).unwrap_or(&h.creep))
                )
            })
        })
        .collect();
    format!(
        "Slip within each hold against time on a logarithmic scale. {}.",
        words.join("; ")
    )
}
