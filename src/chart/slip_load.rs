//! Slip of each interface against load, with its interval, the limit with its interval, proof load and allowances.

use plotters::style::Color;
use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Canvas, Caption, Fault, Label, Panel};
use super::clip::{Area, Point};
use super::scale::{Scale, finite_range};
use super::style::{self, HEAD, LABEL, LIMIT, QUIET};
use crate::analysis::Analysis;
use crate::figures::Units;
use crate::separate::{Course, PartName};
use crate::sheet::Rule;
use crate::stats::{Measure, Status};

const TITLE: &str = "Slip against load";
const PANEL: f64 = 300.0;
/// Rows above the panel for the names of the limit and of the proof load.
const LIMIT_ROW: f64 = HEAD + 12.0;
const PROOF_ROW: f64 = HEAD + 34.0;

/// A curve of the chart.
struct Curve<'a> {
    part: PartName,
    course: &'a Course,
}

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let separated = &analysis.separated;
    let blocks = &separated.blocks;
    let n = blocks.len();
    let mut wanted = vec![PartName::StopperSlip, PartName::CoverSlip];
    if wanted.iter().all(|p| separated.course(*p).is_none()) {
        wanted = vec![PartName::NotRecovered];
    }
    let curves: Vec<Curve<'_>> = wanted
        .into_iter()
        .filter_map(|part| {
            Some(Curve {
                part,
                course: separated.course(part)?,
            })
        })
        .filter(|c| c.course.low.len() == n && c.course.high.len() == n)
        .collect();
    if curves.is_empty() || n == 0 {
        return Ok(None);
    }
    let load: Vec<f64> = blocks
        .load_n
        .iter()
        .map(|v| v / units.force.to_si)
        .collect();
    let rising = rising(&blocks.load_n, &blocks.highest_n);
    let slip = |m: f64| m / units.length.to_si;
    let limit = &analysis.limit.governing.load;
    let force = |n: Option<f64>| n.map(|v| v / units.force.to_si).filter(|v| v.is_finite());
    let proof = analysis
        .sheet
        .0
        .limits
        .as_ref()
        .and_then(|l| l.proof)
        .map(|p| p.si() / units.force.to_si);

    let reach = curves.iter().flat_map(|c| {
        c.course
            .high
            .iter()
            .chain(c.course.value.iter().flatten())
            .map(|v| slip(*v))
    });
    let highest = finite_range(reach.chain([0.0])).map_or(1.0, |r| r.1);
    let allowed = allowances(analysis, units, highest);
    let lowest = curves
        .iter()
        .flat_map(|c| c.course.value.as_ref().unwrap_or(&c.course.low))
        .map(|v| slip(*v));
    let y = Scale::linear(
        lowest
            .chain([0.0, highest])
            .chain(allowed.iter().map(|a| a.0)),
        5,
    );
    let x = Scale::linear(
        load.iter()
            .copied()
            .chain([0.0])
            .chain(force(limit.value))
            .chain(force(limit.high))
            .chain(proof),
        5,
    );
    // Without limit and proof load their two rows are not needed.
    let named = proof.is_some() || matches!(limit.status, Status::Measured | Status::NotReached);
    let top = if named { PROOF_ROW + 48.0 } else { HEAD + 34.0 };
    let bottom = top + PANEL;
    let panel = Panel::new(top, bottom, x, y);
    let description = describe(analysis, units, &curves);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 52.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        // The interval of the limit lies under everything else.
        if let (Status::Measured, Some(low), Some(high)) =
            (limit.status, force(limit.low), force(limit.high))
        {
            let [left, right] =
                [low, high].map(|v| panel.at_x(v).clamp(panel.area.left, panel.area.right));
            canvas.fill(
                Area {
                    left,
                    right,
                    ..panel.area
                },
                style::SHADE,
            )?;
        }
        panel.axes(
            canvas,
            Some(&format!("load, {}", units.force.symbol)),
            &format!("slip, {}", units.length.symbol),
        )?;
        let mut labels = Vec::new();
        for curve in &curves {
            labels.push(paint_curve(
                canvas, curve, &load, &rising, &panel, units, analysis,
            )?);
        }
        for (height, text) in &allowed {
            let y = panel.at_y(*height);
            canvas.dashed(
                (panel.area.left, y),
                (panel.area.right, y),
                panel.area,
                QUIET,
                style::HAIR,
            )?;
            labels.push(Label {
                y,
                name: text.clone(),
                figure: String::new(),
                colour: QUIET,
            });
        }
        paint_limit(canvas, &panel, analysis, units)?;
        if let Some(proof) = proof {
            let x = panel.at_x(proof);
            canvas.dashed(
                (x, PROOF_ROW - 8.0),
                (x, panel.area.bottom),
                Area {
                    top: 0.0,
                    ..panel.area
                },
                QUIET,
                style::CURVE,
            )?;
            // Away from the line of the limit, which passes this row.
            let left_of_limit = force(limit.value.or(limit.low)).is_some_and(|l| l > proof);
            let (side, align) = if left_of_limit {
                (-6.0, HPos::Right)
            } else {
                (6.0, HPos::Left)
            };
            canvas.text("proof load", (x + side, PROOF_ROW), align, LABEL, QUIET)?;
        }
        for part in [PartName::StopperSlip, PartName::CoverSlip] {
            if separated.course(part).is_none() {
                let figure = separated
                    .parts
                    .get(&part)
                    .map_or_else(|| "cannot tell".into(), |p| units.label(&p.end));
                labels.push(Label {
                    y: panel.area.bottom,
                    name: part.words().into(),
                    figure,
                    colour: QUIET,
                });
            }
        }
        canvas.labels(labels, top - 20.0, bottom)
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

/// Blocks at (almost) the highest load so far: there the line is pushed, elsewhere it only goes to and fro.
fn rising(load: &[f64], highest: &[f64]) -> Vec<bool> {
    load.iter()
        .zip(highest)
        .map(|(l, h)| *l >= 0.985 * h)
        .collect()
}

fn paint_curve(
    canvas: &mut Canvas<'_>,
    curve: &Curve<'_>,
    load: &[f64],
    rising: &[bool],
    panel: &Panel,
    units: &Units,
    analysis: &Analysis,
) -> Result<Label, Fault> {
    let colour = style::part(curve.part);
    let course = curve.course;
    let points = |values: &[f64], only_rising: bool| -> Vec<Point> {
        let at = values.iter().zip(load).zip(rising);
        at.filter(|(_, r)| **r || !only_rising)
            .map(|((v, l), _)| panel.at(*l, v / units.length.to_si))
            .collect()
    };
    let low = monotone(&points(&course.low, true));
    let high = monotone(&points(&course.high, true));
    let last = match &course.value {
        Some(values) => {
            canvas.band(&low, &high, panel.area, colour.mix(0.20))?;
            canvas.line(
                &points(values, false),
                panel.area,
                colour.mix(0.35),
                style::HAIR,
            )?;
            let strong = points(values, true);
            canvas.line(&strong, panel.area, colour, style::STRONG)?;
            strong
                .into_iter()
                .rev()
                .find(|p| p.1.is_finite())
                .map(|p| p.1)
        }
        None => {
            canvas.ribs(&low, &high, panel.area, colour)?;
            canvas.line(&low, panel.area, colour, style::CURVE)?;
            canvas.line(&high, panel.area, colour, style::CURVE)?;
            let ends = low
                .iter()
                .zip(&high)
                .rev()
                .find(|(l, h)| l.1.is_finite() && h.1.is_finite());
            if let Some((l, h)) = ends {
                let x = l.0.min(panel.area.right - 6.0);
                canvas.bracket(x, l.1, h.1, panel.area, colour)?;
            }
            ends.map(|(l, h)| (l.1 + h.1) / 2.0)
        }
    };
    Ok(Label {
        y: last
            .unwrap_or(panel.area.bottom)
            .clamp(panel.area.top, panel.area.bottom),
        name: curve.part.words().into(),
        figure: analysis
            .separated
            .parts
            .get(&curve.part)
            .map_or(String::new(), |p| {
                format!("{} at the end", units.label(&p.end))
            }),
        colour,
    })
}

/// Points whose place along the load never goes back, so that a band between two such courses does not fold.
fn monotone(points: &[Point]) -> Vec<Point> {
    let mut furthest = f64::NEG_INFINITY;
    points
        .iter()
        .map(|(x, y)| {
            furthest = furthest.max(*x);
            (furthest, *y)
        })
        .collect()
}

fn paint_limit(
    canvas: &mut Canvas<'_>,
    panel: &Panel,
    analysis: &Analysis,
    units: &Units,
) -> Result<(), Fault> {
    let governing = &analysis.limit.governing;
    let rule = rule_word(governing.rule);
    let force = |n: f64| panel.at_x(n / units.force.to_si);
    let reach = Area {
        top: 0.0,
        ..panel.area
    };
    match (
        governing.load.status,
        governing.load.value,
        governing.load.low,
    ) {
        (Status::Measured, Some(value), _) => {
            let x = force(value);
            canvas.line(
                &[(x, LIMIT_ROW + 9.0), (x, panel.area.bottom)],
                reach,
                LIMIT,
                style::CURVE,
            )?;
            let text = format!("limit ({rule}): {}", units.label(&governing.load));
            centred(canvas, &text, x, LIMIT_ROW, LIMIT)
        }
        (Status::NotReached, _, Some(low)) => {
            let x = force(low);
            canvas.dashed(
                (x, LIMIT_ROW + 9.0),
                (x, panel.area.bottom),
                reach,
                LIMIT,
                style::CURVE,
            )?;
            let text = format!(
                "limit ({rule}) not reached: {} →",
                units.label(&governing.load)
            );
            centred(canvas, &text, x, LIMIT_ROW, LIMIT)
        }
        _ => Ok(()),
    }
}

/// A text over a place, moved inward where it would leave the drawing.
fn centred(
    canvas: &mut Canvas<'_>,
    text: &str,
    x: f64,
    y: f64,
    colour: RGBColor,
) -> Result<(), Fault> {
    let half = style::text_width(text, LABEL) / 2.0;
    let x = x.clamp(16.0 + half, (style::WIDTH - 6.0 - half).max(16.0 + half));
    canvas.text(text, (x, y), HPos::Center, LABEL, colour)
}

/// Heights of the allowances that fit the picture, each with its name.
fn allowances(analysis: &Analysis, units: &Units, highest: f64) -> Vec<(f64, String)> {
    let Some(limits) = &analysis.sheet.0.limits else {
        return Vec::new();
    };
    let seating = analysis
        .limit
        .seating
        .value
        .filter(|_| analysis.limit.seating.measure == Measure::Length)
        .unwrap_or(0.0);
    [
        (
            limits.stopper_slip,
            seating,
            "allowed in the stopper, after seating",
        ),
        (limits.cover_slip, 0.0, "allowed of the cover"),
    ]
    .into_iter()
    .filter_map(|(allowed, from, name)| {
        Some(((allowed?.si() + from) / units.length.to_si, name.to_owned()))
    })
    // An allowance far above the curves would squeeze them flat.
    .filter(|(height, _)| *height <= 4.0 * highest)
    .collect()
}

pub(super) fn rule_word(rule: Rule) -> &'static str {
    match rule {
        Rule::FirstSlip => "first slip",
        Rule::Allowance => "allowance",
        Rule::Running => "running",
    }
}

fn describe(analysis: &Analysis, units: &Units, curves: &[Curve<'_>]) -> String {
    let mut text = String::from(
        "Slip against load, bold where the load is the highest so far. At the end of the record: ",
    );
    let words: Vec<String> = curves
        .iter()
        .filter_map(|c| {
            let end = &analysis.separated.parts.get(&c.part)?.end;
            let how = if end.status == Status::Bracket {
                ", drawn as a bracket"
            } else {
                ""
            };
            Some(format!("{} {}{how}", c.part.words(), units.words(end)))
        })
        .collect();
    text += &words.join("; ");
    let governing = &analysis.limit.governing;
    text += &format!(
        ". Limit by the rule {}: {}.",
        rule_word(governing.rule),
        units.words(&governing.load)
    );
    text
}
