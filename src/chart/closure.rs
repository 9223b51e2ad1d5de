//! Residual of the balance: what the fitted parts leave unexplained in each gauge.

use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Label, Panel};
use super::clip::Area;
use super::scale::{self, Scale};
use super::style::{self, HEAD, INK, QUIET, SHADE, SMALL};
use crate::analysis::Analysis;
use crate::figures::{Units, significant};
use crate::separate::Closure;

const TITLE: &str = "What the balance leaves unexplained";
const PANEL: f64 = 92.0;
const STEP: f64 = PANEL + 44.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let blocks = &analysis.separated.blocks;
    let shown: Vec<&Closure> = analysis
        .separated
        .closure
        .iter()
        .filter(|c| c.residual_m.len() == blocks.len())
        .collect();
    let Some(start) = blocks.time_s.first().copied().filter(|_| !shown.is_empty()) else {
        return Ok(None);
    };
    let start = if analysis.record.start_s.is_finite() {
        analysis.record.start_s.min(start)
    } else {
        start
    };
    let end = blocks.time_s.last().map_or(0.0, |t| t - start);
    let (per_unit, time_name) = scale::clock(end);
    let time: Vec<f64> = blocks
        .time_s
        .iter()
        .map(|t| (t - start) / per_unit)
        .collect();
    let x = Scale::exact(0.0, end / per_unit, 6);
    let top = HEAD + 30.0;
    let bottom = top + STEP * (shown.len() - 1) as f64 + PANEL;
    let description = describe(units, &shown);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 76.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        for (i, closure) in shown.iter().enumerate() {
            let residual: Vec<f64> = closure
                .residual_m
                .iter()
                .map(|v| v / units.length.to_si)
                .collect();
            let noise = units.length(closure.expected_mm);
            let reach = residual
                .iter()
                .copied()
                .chain([2.5 * noise])
                .filter(|v| v.is_finite())
                .fold(0.0, |a: f64, v| a.max(v.abs()));
            let panel_top = top + STEP * i as f64;
            let panel = Panel::new(
                panel_top,
                panel_top + PANEL,
                x.clone(),
                Scale::linear([-reach, reach], 3),
            );
            let [low, high] = [-2.0 * noise, 2.0 * noise]
                .map(|v| panel.at_y(v).clamp(panel.area.top, panel.area.bottom));
            if low > high {
                canvas.fill(
                    Area {
                        top: high,
                        bottom: low,
                        ..panel.area
                    },
                    SHADE,
                )?;
            }
            let x_name = (i + 1 == shown.len()).then_some(time_name);
            panel.axes(
                canvas,
                x_name,
                &format!("{} gauge, {}", closure.gauge.words(), units.length.symbol),
            )?;
            let zero = panel.at_y(0.0);
            canvas.line(
                &[(panel.area.left, zero), (panel.area.right, zero)],
                panel.area,
                style::EDGE,
                style::HAIR,
            )?;
            canvas.line(
                &panel.points(&time, &residual),
                panel.area,
                style::series(0),
                style::CURVE,
            )?;
            let labels = vec![
                Label {
                    y: (panel.area.top + zero) / 2.0,
                    name: "left over".into(),
                    figure: rms(units, closure.rms_mm),
                    colour: INK,
                },
                Label {
                    y: (panel.area.bottom + zero) / 2.0,
                    name: "noise alone".into(),
                    figure: rms(units, closure.expected_mm),
                    colour: QUIET,
                },
            ];
            canvas.labels(labels, panel.area.top - 10.0, panel.area.bottom + 10.0)?;
        }
        let remark = "Shaded: twice what noise alone leaves.";
        canvas.text(
            remark,
            (style::EDGE_LEFT, bottom + 60.0),
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

fn rms(units: &Units, mm: f64) -> String {
    format!(
        "{}\u{a0}{} rms",
        significant(units.length(mm), 2),
        units.length.symbol
    )
}

fn describe(units: &Units, shown: &[&Closure]) -> String {
    let words: Vec<String> = shown
        .iter()
        .map(|c| {
            format!(
                "{} gauge {}, noise alone {}",
                c.gauge.words(),
                rms(units, c.rms_mm),
                rms(units, c.expected_mm)
            )
        })
        .collect();
    format!(
        "Difference between each displacement gauge and the sum of the parts found, over time. Root mean square: {}.",
        words.join("; ")
    )
}
