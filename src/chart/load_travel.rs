//! Load against travel, with the line's own stretch: what lies between the two is give, set and slip.

use plotters::style::text_anchor::HPos;
use plotters::style::{Color, RGBColor};

use super::Drawn;
use super::canvas::{self, Caption, Fault, Panel};
use super::clip::{Area, Point};
use super::scale::{Scale, finite_range};
use super::stack;
use super::style::{self, HEAD, INK, QUIET, SMALL};
use crate::analysis::{Analysis, StepRow};
use crate::figures::Units;
use crate::separate::PartName;

const TITLE: &str = "Load against travel, and what is not stretch";
const TOP: f64 = HEAD + 30.0;
const BOTTOM: f64 = TOP + 330.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let separated = &analysis.separated;
    let blocks = &separated.blocks;
    let n = blocks.len();
    if n == 0 || separated.travel_m.len() != n {
        return Ok(None);
    }
    let travel: Vec<f64> = separated
        .travel_m
        .iter()
        .map(|v| v / units.length.to_si)
        .collect();
    let load: Vec<f64> = blocks
        .load_n
        .iter()
        .map(|v| v / units.force.to_si)
        .collect();
    let Some(peak) = (0..n)
        .filter(|i| load[*i].is_finite() && travel[*i].is_finite())
        .max_by(|a, b| load[*a].total_cmp(&load[*b]))
    else {
        return Ok(None);
    };
    let curve = separated.stretch_curve.as_ref();
    let loading: Vec<(f64, f64)> = curve.map_or(Vec::new(), |c| {
        c.loading_mm
            .iter()
            .zip(&c.load_kn)
            .map(|(s, l)| (units.length(*s), units.load(*l)))
            .collect()
    });
    let unloading: Vec<(f64, f64)> = curve.map_or(Vec::new(), |c| {
        c.unloading_mm
            .iter()
            .zip(&c.load_kn)
            .map(|(s, l)| (units.length(*s), units.load(*l)))
            .collect()
    });

    let x = Scale::linear(
        travel
            .iter()
            .copied()
            .chain(loading.iter().map(|p| p.0))
            .chain([0.0]),
        6,
    );
    let highest = finite_range(load.iter().copied()).map_or(1.0, |r| r.1);
    let y = Scale::linear(load.iter().copied().chain([0.0, 1.08 * highest]), 5);
    let panel = Panel::new(TOP, BOTTOM, x, y);
    let (step, shares) =
        shares(analysis, units).map_or((None, Vec::new()), |(step, shares)| (Some(step), shares));
    let description = describe(analysis, units, step, &shares, !loading.is_empty());
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: BOTTOM + 84.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        panel.axes(
            canvas,
            Some(&format!("travel, {}", units.length.symbol)),
            &format!("load, {}", units.force.symbol),
        )?;
        let to_paper = |points: &[(f64, f64)]| {
            points
                .iter()
                .map(|(s, l)| panel.at(*s, *l))
                .collect::<Vec<Point>>()
        };
        let stretch = to_paper(&loading);
        if !stretch.is_empty() {
            canvas.shape(
                &between(&stretch, &rising(&panel, &travel, &load, peak)),
                panel.area,
                style::part(PartName::StopperSlip).mix(0.13),
            )?;
        }
        canvas.line(&panel.points(&travel, &load), panel.area, INK, style::CURVE)?;
        canvas.line(
            &to_paper(&unloading),
            panel.area,
            style::part(PartName::Stretch).mix(0.55),
            style::CURVE,
        )?;
        canvas.line(
            &stretch,
            panel.area,
            style::part(PartName::Stretch),
            1.3 * style::STRONG,
        )?;

        // The travel at the end of the highest step, cut into its parts.
        let mut left = 0.0;
        let bar_y = panel.at_y(load[peak]) - 13.0;
        for share in &shares {
            let [from, to] = [left, left + share.size]
                .map(|v| panel.at_x(v).clamp(panel.area.left, panel.area.right));
            canvas.fill(
                Area {
                    left: from,
                    top: bar_y - 5.0,
                    right: to,
                    bottom: bar_y + 5.0,
                },
                style::part(share.part).mix(1.0),
            )?;
            left += share.size;
        }
        let mut key = vec![("this pull".to_owned(), String::new(), INK)];
        if !stretch.is_empty() {
            key.push((
                "the line's own stretch".into(),
                "bedded in; pale: on the way down".into(),
                style::part(PartName::Stretch),
            ));
        }
        let mut y = canvas.key(&key, TOP + 8.0)?;
        if !shares.is_empty() {
            y += 6.0;
            let words = step.map_or_else(String::new, |s| {
                format!("Bar: parts at the end of {}", s.label)
            });
            for line in style::wrap(&words, SMALL, style::WIDTH - style::GUTTER - 6.0) {
                canvas.text(&line, (style::GUTTER, y), HPos::Left, SMALL, QUIET)?;
                y += style::LEADING;
            }
            let rows: Vec<(String, String, RGBColor)> = shares
                .iter()
                .rev()
                .map(|s| {
                    (
                        s.part.words().to_owned(),
                        s.figure.clone(),
                        style::part(s.part),
                    )
                })
                .collect();
            canvas.key(&rows, y + 4.0)?;
        }
        Ok(())
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

/// One part of the bar.
struct Share {
    part: PartName,
    /// In the report's unit.
    size: f64,
    /// The figure as the table of the split prints it.
    figure: String,
}

/// The step of the table at the highest load: its label, and its parts in the order they are stacked.
fn shares<'a>(analysis: &'a Analysis, units: &Units) -> Option<(&'a StepRow, Vec<Share>)> {
    let step = analysis
        .steps
        .iter()
        .filter(|s| s.travel_mm.is_some() && s.load_kn.is_finite())
        .max_by(|a, b| a.load_kn.total_cmp(&b.load_kn))?;
    let shares = stack::order(&step.parts, |e| e.value.is_some())
        .into_iter()
        .filter_map(|part| {
            let estimate = step.parts.get(&part)?;
            Some(Share {
                part,
                size: (estimate.value? / units.length.to_si).max(0.0),
                figure: units.label(estimate),
            })
        })
        .collect();
    Some((step, shares))
}

/// The record up to the highest load, without its unloadings: points at which the load is the highest so far.
fn rising(panel: &Panel, travel: &[f64], load: &[f64], peak: usize) -> Vec<Point> {
    let mut highest = f64::NEG_INFINITY;
    let mut points = Vec::new();
    for (t, l) in travel.iter().zip(load).take(peak + 1) {
        if *l >= highest && t.is_finite() {
            highest = *l;
            points.push(panel.at(*t, *l));
        }
    }
    points
}

/// Outline of the area between the stretch curve and the record.
fn between(stretch: &[Point], record: &[Point]) -> Vec<Point> {
    let top = record.last().map_or(f64::NEG_INFINITY, |p| p.1);
    stretch
        .iter()
        .copied()
        .filter(|p| p.1 >= top)
        .chain(record.iter().copied().rev())
        .collect()
}

fn describe(
    analysis: &Analysis,
    units: &Units,
    step: Option<&StepRow>,
    shares: &[Share],
    has_curve: bool,
) -> String {
    let mut text = "Load against travel.".to_owned();
    if let Some(step) = step
        && let Some(travel) = step.travel_mm
    {
        text += &format!(
            " At the end of {}, at {}, the travel is {}.",
            step.label,
            units.load_text(step.load_kn),
            units.length_text(travel)
        );
    }
    if has_curve {
        text += " The thick line is the line's own stretch as found from the unloadings; the tinted area right of it is travel that is not stretch.";
    } else {
        text += " No stretch curve could be found from this record.";
    }
    if shares.len() > 1 {
        let words: Vec<String> = shares
            .iter()
            .map(|s| format!("{} {}", s.part.words(), s.figure))
            .collect();
        text += &format!(" The bar cuts that travel into {}.", words.join(", "));
    }
    if let Some(curve) = &analysis.separated.stretch_curve
        && let Some(length) = curve.free_length_mm
    {
        text += &format!(
            " The stretch belongs to a free length of {}.",
            units.long_text(length)
        );
    }
    text
}
