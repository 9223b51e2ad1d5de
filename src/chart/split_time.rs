//! Load and the stacked parts of the travel against time, with the phases of the pull.

use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Canvas, Caption, Fault, Panel};
use super::clip::{Area, Point};
use super::scale::{self, Scale};
use super::stack;
use super::style::{self, HEAD, INK, LABEL, LEFT, PAPER, RIGHT, SMALL};
use crate::analysis::{Analysis, TracePart};
use crate::figures::Units;
use crate::phases::PhaseKind;
use crate::separate::PartName;
use crate::stats::{Estimate, Status};

const TITLE: &str = "Where the travel went";
const LOAD_TOP: f64 = HEAD + 30.0;
const LOAD_BOTTOM: f64 = LOAD_TOP + 105.0;
const STRIP_TOP: f64 = LOAD_BOTTOM + 10.0;
const STRIP_BOTTOM: f64 = STRIP_TOP + 20.0;
const SPLIT_TOP: f64 = STRIP_BOTTOM + 40.0;
const SPLIT_BOTTOM: f64 = SPLIT_TOP + 230.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let traces = &analysis.traces;
    let Some(start) = traces
        .time_s
        .first()
        .copied()
        .filter(|_| traces.load_kn.len() == traces.time_s.len())
    else {
        return Ok(None);
    };
    let span = traces.time_s.last().map_or(0.0, |end| end - start);
    let (per_unit, time_name) = scale::clock(span);
    let clock = |t: f64| (t - start) / per_unit;
    let time: Vec<f64> = traces.time_s.iter().map(|t| clock(*t)).collect();
    let load: Vec<f64> = traces.load_kn.iter().map(|v| units.load(*v)).collect();
    let travel: Vec<f64> = traces.travel_mm.iter().map(|v| units.length(*v)).collect();
    let n = time.len();
    let usable = |p: &TracePart| p.value.as_ref().is_some_and(|v| v.len() == n);
    let parts: Vec<PartName> = stack::order(&traces.parts, usable);
    let sums = cumulated(analysis, &parts, units, n);

    let x = Scale::exact(0.0, clock(start + span), 6);
    let load_panel = Panel::new(
        LOAD_TOP,
        LOAD_BOTTOM,
        x.clone(),
        Scale::linear(load.iter().copied().chain([0.0]), 3),
    );
    let heights = sums
        .iter()
        .flatten()
        .copied()
        .chain(travel.iter().copied())
        .chain([0.0]);
    let split_panel = Panel::new(SPLIT_TOP, SPLIT_BOTTOM, x, Scale::linear(heights, 5));
    let kinds = kinds_present(analysis);

    let described = describe(analysis, units, &parts);
    let caption = Caption {
        name,
        title: TITLE,
        description: &described,
        height: SPLIT_BOTTOM + 50.0 + 22.0 * key_rows(&kinds) as f64,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        load_panel.axes(canvas, None, &format!("load, {}", units.force.symbol))?;
        canvas.line(
            &load_panel.points(&time, &load),
            load_panel.area,
            INK,
            style::CURVE,
        )?;
        phase_strip(canvas, analysis, &load_panel, &clock)?;
        split_panel.axes(
            canvas,
            Some(time_name),
            &format!("travel and its parts, {}", units.length.symbol),
        )?;
        for (i, part) in parts.iter().enumerate() {
            let below = split_panel.points(&time, &sums[i]);
            let above = split_panel.points(&time, &sums[i + 1]);
            canvas.band(&below, &above, split_panel.area, style::part(*part))?;
            if *part == PartName::SetAndCoverSlip || *part == PartName::NotRecovered {
                canvas.ribs(&below, &above, split_panel.area, PAPER)?;
            }
        }
        canvas.line(
            &split_panel.points(&time, &travel),
            split_panel.area,
            INK,
            style::CURVE,
        )?;
        let mut key: Vec<(String, String, RGBColor)> = Vec::new();
        if !travel.is_empty() {
            key.push(("travel".into(), String::new(), INK));
        }
        for part in parts.iter().rev() {
            let figure = analysis
                .separated
                .parts
                .get(part)
                .map_or(String::new(), |p| at_end(&p.end, *part, units));
            key.push((part.words().into(), figure, style::part(*part)));
        }
        for (part, found) in &analysis.separated.parts {
            let bracketed = found.end.status == Status::Bracket && found.end.high.is_some();
            if bracketed && !parts.contains(part) {
                key.push((part.words().into(), units.label(&found.end), PAPER));
            }
        }
        canvas.key(&key, LOAD_TOP + 8.0)?;
        bracket(canvas, analysis, units, &parts, &sums, &split_panel)?;
        phase_key(canvas, &kinds)
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description: described,
        svg,
    }))
}

fn at_end(end: &Estimate, part: PartName, units: &Units) -> String {
    let figure = units.label(end);
    if part.comes_back() && end.is_known() {
        format!("{figure} left at the end")
    } else {
        format!("{figure} at the end")
    }
}

/// Heights between the bands: the first is zero, each next one part higher.
fn cumulated(analysis: &Analysis, parts: &[PartName], units: &Units, n: usize) -> Vec<Vec<f64>> {
    let mut sums = vec![vec![0.0; n]];
    for part in parts {
        let values = values_of(analysis, *part);
        let below = sums.last().map(Vec::as_slice).unwrap_or_default();
        sums.push(
            below
                .iter()
                .zip(values)
                .enumerate()
                .map(|(i, (b, v))| {
                    // A slack line has slipped but is not stretched: the part that is no longer there takes no height.
                    let gone = v.is_nan()
                        && part.comes_back()
                        && parts.iter().any(|p| values_of(analysis, *p)[i].is_finite());
                    b + if gone { 0.0 } else { units.length(*v) }
                })
                .collect(),
        );
    }
    sums
}

fn values_of(analysis: &Analysis, part: PartName) -> &[f64] {
    analysis
        .traces
        .parts
        .get(&part)
        .and_then(|p| p.value.as_deref())
        .unwrap_or_default()
}

/// A bracket beside the lump that a bracketed cover slip is part of.
fn bracket(
    canvas: &mut Canvas<'_>,
    analysis: &Analysis,
    units: &Units,
    parts: &[PartName],
    sums: &[Vec<f64>],
    panel: &Panel,
) -> Result<(), Fault> {
    let Some(place) = parts.iter().position(|p| *p == PartName::SetAndCoverSlip) else {
        return Ok(());
    };
    let Some(cover) = analysis.separated.parts.get(&PartName::CoverSlip) else {
        return Ok(());
    };
    let (Status::Bracket, Some(low), Some(high)) =
        (cover.end.status, cover.end.low, cover.end.high)
    else {
        return Ok(());
    };
    let Some(top) = sums[place + 1]
        .iter()
        .rev()
        .copied()
        .find(|v| v.is_finite())
    else {
        return Ok(());
    };
    let down = |m: f64| {
        panel
            .at_y(top - m / units.length.to_si)
            .clamp(panel.area.top, panel.area.bottom)
    };
    let colour = style::part(PartName::CoverSlip);
    let x = RIGHT + 3.0;
    let margin = Area {
        left: RIGHT,
        right: RIGHT + 12.0,
        ..panel.area
    };
    canvas.bracket(x, panel.at_y(top), down(high), margin, colour)?;
    canvas.line(
        &[(x, down(low)), (x + 5.0, down(low))],
        margin,
        colour,
        style::CURVE,
    )
}

fn phase_strip(
    canvas: &mut Canvas<'_>,
    analysis: &Analysis,
    panel: &Panel,
    clock: &impl Fn(f64) -> f64,
) -> Result<(), Fault> {
    for phase in &analysis.phases {
        let [left, right] =
            [phase.start_s, phase.end_s].map(|t| panel.at_x(clock(t)).clamp(LEFT, RIGHT));
        if right.is_nan() || left.is_nan() || right <= left {
            continue;
        }
        let (colour, ink) = phase_colour(phase.kind);
        canvas.fill(
            Area {
                left,
                top: STRIP_TOP,
                right,
                bottom: STRIP_BOTTOM,
            },
            colour,
        )?;
        if style::text_width(phase.kind.word(), SMALL) + 6.0 < right - left {
            let middle: Point = ((left + right) / 2.0, (STRIP_TOP + STRIP_BOTTOM) / 2.0);
            canvas.text(phase.kind.word(), middle, HPos::Center, SMALL, ink)?;
        }
    }
    Ok(())
}

fn kinds_present(analysis: &Analysis) -> Vec<PhaseKind> {
    let mut kinds: Vec<PhaseKind> = analysis.phases.iter().map(|p| p.kind).collect();
    kinds.sort_unstable();
    kinds.dedup();
    kinds
}

/// Places of the key entries: row and left edge.
fn key_places(kinds: &[PhaseKind]) -> Vec<(usize, f64)> {
    let (mut row, mut x) = (0, LEFT);
    kinds
        .iter()
        .map(|kind| {
            let width = 20.0 + style::text_width(kind.word(), LABEL) + 14.0;
            if x + width > style::WIDTH {
                (row, x) = (row + 1, LEFT);
            }
            let place = (row, x);
            x += width;
            place
        })
        .collect()
}

fn key_rows(kinds: &[PhaseKind]) -> usize {
    key_places(kinds).last().map_or(0, |(row, _)| row + 1)
}

fn phase_key(canvas: &mut Canvas<'_>, kinds: &[PhaseKind]) -> Result<(), Fault> {
    for (kind, (row, x)) in kinds.iter().zip(key_places(kinds)) {
        let y = SPLIT_BOTTOM + 56.0 + 22.0 * row as f64;
        canvas.fill(
            Area {
                left: x,
                top: y - 7.0,
                right: x + 14.0,
                bottom: y + 7.0,
            },
            phase_colour(*kind).0,
        )?;
        canvas.text(kind.word(), (x + 20.0, y), HPos::Left, LABEL, INK)?;
    }
    Ok(())
}

/// Colour of a phase in the strip, and of a word on it.
pub(super) fn phase_colour(kind: PhaseKind) -> (RGBColor, RGBColor) {
    match kind {
        PhaseKind::TakeUp => (RGBColor(236, 238, 242), INK),
        PhaseKind::Reference => (RGBColor(198, 204, 214), INK),
        PhaseKind::Ramp => (RGBColor(160, 206, 196), INK),
        PhaseKind::Hold => (RGBColor(30, 92, 98), PAPER),
        PhaseKind::LockedHold => (RGBColor(96, 84, 150), PAPER),
        PhaseKind::Unload => (RGBColor(226, 196, 150), INK),
        PhaseKind::Rest => (RGBColor(244, 236, 214), INK),
        PhaseKind::Transfer => (RGBColor(224, 142, 84), INK),
        PhaseKind::RunOut => (RGBColor(150, 36, 30), PAPER),
    }
}

fn describe(analysis: &Analysis, units: &Units, parts: &[PartName]) -> String {
    let mut text = format!(
        "Above, the load over time; it reaches {}. Below, the travel",
        units.load_text(analysis.record.peak_load_kn)
    );
    if let Some(peak) = analysis.record.peak_travel_mm {
        text += &format!(", at most {}", units.length_text(peak));
    }
    if parts.is_empty() {
        text += ", which these gauges do not split.";
    } else {
        text += ", split into bands. At the end of the record: ";
        let figures: Vec<String> = parts
            .iter()
            .filter_map(|p| {
                Some(format!(
                    "{} {}",
                    p.words(),
                    units.label(&analysis.separated.parts.get(p)?.end)
                ))
            })
            .collect();
        text += &figures.join(", ");
        text.push('.');
    }
    text
}
