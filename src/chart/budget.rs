//! What the uncertainty of each part is made of.

use plotters::style::text_anchor::HPos;
use plotters::style::{Color, RGBColor};

use super::Drawn;
use super::canvas::{self, Caption, Fault, Panel};
use super::clip::Area;
use super::scale::Scale;
use super::style::{self, HEAD, INK, LABEL, QUIET, SMALL, WIDTH};
use crate::analysis::Analysis;
use crate::figures::{Units, significant};
use crate::separate::{BudgetLine, PartName};

const TITLE: &str = "What the uncertainty is made of";
const ROW: f64 = 24.0;
/// Most sources shown of one part; the rest is small beside them.
const SOURCES: usize = 5;
/// Parts by how much hangs on them, and the most of them shown: a picture, not a list; the rest is in the JSON.
const SHOWN: [PartName; 6] = [
    PartName::StopperSlip,
    PartName::CoverSlip,
    PartName::SetAndCoverSlip,
    PartName::NotRecovered,
    PartName::Set,
    PartName::Stretch,
];
const GROUPS: usize = 3;
/// Bars begin right of the names of the sources.
const BARS: f64 = 312.0;
const BARS_END: f64 = WIDTH - 92.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let groups: Vec<(PartName, Vec<&BudgetLine>)> = SHOWN
        .into_iter()
        .filter_map(|part| {
            let found = analysis.separated.parts.get(&part)?;
            let mut lines: Vec<&BudgetLine> = found
                .budget
                .iter()
                .filter(|b| b.standard_uncertainty_mm.is_finite())
                .collect();
            lines.sort_by(|a, b| {
                b.standard_uncertainty_mm
                    .total_cmp(&a.standard_uncertainty_mm)
                    .then_with(|| a.source.cmp(&b.source))
            });
            lines.truncate(SOURCES);
            (!lines.is_empty()).then_some((part, lines))
        })
        .take(GROUPS)
        .collect();
    if groups.is_empty() {
        return Ok(None);
    }
    let rows: usize = groups.iter().map(|g| g.1.len() + 1).sum();
    let top = HEAD + 10.0;
    let bottom = top + ROW * rows as f64 + 10.0 * (groups.len() - 1) as f64;
    let widths = groups
        .iter()
        .flat_map(|g| &g.1)
        .map(|b| units.length(b.standard_uncertainty_mm));
    let x = Scale::linear(widths.chain([0.0]), 4);
    let panel = Panel {
        area: Area {
            left: BARS,
            top,
            right: BARS_END,
            bottom,
        },
        x,
        y: Scale::linear([0.0, 1.0], 1),
    };
    let description = describe(units, &groups);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 76.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        for (value, text) in panel.x.ticks() {
            let at = panel.at_x(value);
            canvas.line(
                &[(at, top), (at, bottom)],
                panel.area,
                style::GRID,
                style::HAIR,
            )?;
            canvas.text(&text, (at, bottom + 13.0), HPos::Center, SMALL, QUIET)?;
        }
        let axis = format!(
            "standard uncertainty from this source alone, {}",
            units.length.symbol
        );
        canvas.text(
            &axis,
            ((BARS + BARS_END) / 2.0, bottom + 33.0),
            HPos::Center,
            LABEL,
            QUIET,
        )?;
        let mut y = top + ROW / 2.0;
        for (part, lines) in &groups {
            canvas.bold(part.words(), (16.0, y), HPos::Left, LABEL, INK)?;
            y += ROW;
            for line in lines {
                let width = units.length(line.standard_uncertainty_mm);
                let source = style::shorten(&line.source, LABEL, BARS - 40.0);
                canvas.text(&source, (BARS - 10.0, y), HPos::Right, LABEL, INK)?;
                let end = panel.at_x(width).max(BARS + 1.0);
                canvas.fill(
                    Area {
                        left: BARS,
                        top: y - 7.0,
                        right: end,
                        bottom: y + 7.0,
                    },
                    kind_colour(&line.kind).mix(1.0),
                )?;
                canvas.text(
                    &significant(width, 2),
                    (end + 6.0, y),
                    HPos::Left,
                    SMALL,
                    INK,
                )?;
                y += ROW;
            }
            y += 10.0;
        }
        let mut left = 16.0;
        for kind in ["record", "instrument", "model"] {
            let at = bottom + 58.0;
            canvas.fill(
                Area {
                    left,
                    top: at - 7.0,
                    right: left + 14.0,
                    bottom: at + 7.0,
                },
                kind_colour(kind),
            )?;
            let words = format!("from the {kind}");
            canvas.text(&words, (left + 20.0, at), HPos::Left, LABEL, INK)?;
            left += 20.0 + style::text_width(&words, LABEL) + 18.0;
        }
        Ok(())
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

fn kind_colour(kind: &str) -> RGBColor {
    match kind {
        "record" => style::part(PartName::Stretch),
        "instrument" => style::part(PartName::CoverSlip),
        _ => style::series(3),
    }
}

fn describe(units: &Units, groups: &[(PartName, Vec<&BudgetLine>)]) -> String {
    let words: Vec<String> = groups
        .iter()
        .filter_map(|(part, lines)| {
            let first = lines.first()?;
            let size = significant(units.length(first.standard_uncertainty_mm), 2);
            Some(format!(
                "{}: most from {} ({size} {})",
                part.words(),
                first.source,
                units.length.symbol
            ))
        })
        .collect();
    format!(
        "Bars of the standard uncertainty that each source alone causes, per part. {}.",
        words.join("; ")
    )
}
