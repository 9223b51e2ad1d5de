//! Load against travel, with the line's own stretch: what lies between the two is give, set and slip.

use plotters::style::text_anchor::HPos;
use plotters::style::{Color, RGBColor};

use super::Drawn;
use super::canvas::{self, Caption, Fault, Panel};
use super::clip::{Area, Point};
use super::scale::{Scale, finite_range};
use super::stack;
use super::style::{self, HEAD, INK, QUIET, SMALL};
use crate::analysis::Analysis;
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
    let shares = shares_at(analysis, peak, units);
    let description = describe(
        analysis,
        units,
        &shares,
        travel[peak],
        load[peak],
        !loading.is_empty(),
    );
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: BOTTOM + 52.0,
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

        // The travel at the highest load, cut into its parts.
        let mut left = 0.0;
        let bar_y = panel.at_y(load[peak]) - 13.0;
        for (_, share, colour) in &shares {
            let [from, to] = [left, left + share]
                .map(|v| panel.at_x(v).clamp(panel.area.left, panel.area.right));
            canvas.fill(
                Area {
                    left: from,
                    top: bar_y - 5.0,
                    right: to,
                    bottom: bar_y + 5.0,
                },
                colour.mix(1.0),
            )?;
            left += share;
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
            for line in style::wrap(
                "Bar: parts at the highest load",
                SMALL,
                style::WIDTH - style::GUTTER - 6.0,
            ) {
                canvas.text(&line, (style::GUTTER, y), HPos::Left, SMALL, QUIET)?;
                y += style::LEADING;
            }
            let rows: Vec<(String, String, RGBColor)> = shares
                .iter()
                .rev()
                .map(|(part, _, colour)| (part.words().to_owned(), String::new(), *colour))
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

/// The parts at one block, in the order they are stacked.
fn shares_at(analysis: &Analysis, block: usize, units: &Units) -> Vec<(PartName, f64, RGBColor)> {
    let parts = &analysis.separated.parts;
    let value = |part: PartName| -> Option<f64> {
        let course = analysis.separated.course(part)?;
        course
            .value
            .as_ref()?
            .get(block)
            .copied()
            .filter(|v| v.is_finite())
    };
    stack::order(parts, |p| {
        p.course
            .as_ref()
            .and_then(|c| c.value.as_ref()?.get(block))
            .is_some_and(|v| v.is_finite())
    })
    .into_iter()
    .filter_map(|part| {
        Some((
            part,
            (value(part)? / units.length.to_si).max(0.0),
            style::part(part),
        ))
    })
    .collect()
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
    shares: &[(PartName, f64, RGBColor)],
    travel: f64,
    load: f64,
    has_curve: bool,
) -> String {
    let mut text = format!(
        "Load against travel. At the highest load, {}, the travel is {}.",
        units.load_text(load * units.force.to_si * 1e-3),
        units.length_text(travel * units.length.to_si * 1e3)
    );
    if has_curve {
        text += " The thick line is the line's own stretch as found from the unloadings; the tinted area right of it is travel that is not stretch.";
    } else {
        text += " No stretch curve could be found from this record.";
    }
    if shares.len() > 1 {
        let words: Vec<String> = shares
            .iter()
            .map(|s| {
                format!(
                    "{} {}",
                    s.0.words(),
                    units.length_text(s.1 * units.length.to_si * 1e3)
                )
            })
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
