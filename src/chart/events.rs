//! Jumps of stick-slip: the load before and after each, and its size.

use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Panel};
use super::clip::{Area, Point};
use super::scale::{Scale, finite_range};
use super::style::{self, HEAD};
use crate::analysis::Analysis;
use crate::figures::Units;
use crate::limit::{Interface, SlipEvent};
use crate::separate::PartName;

const TITLE: &str = "Jumps";
const LOADS: f64 = HEAD + 30.0;
const LOADS_END: f64 = LOADS + 150.0;
const SIZES: f64 = LOADS_END + 44.0;
const SIZES_END: f64 = SIZES + 130.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let finite = |e: &&SlipEvent| {
        [e.time_s, e.peak_kn, e.trough_kn, e.size_mm]
            .iter()
            .all(|v| v.is_finite())
    };
    let events: Vec<&SlipEvent> = analysis.limit.events.iter().filter(finite).collect();
    if events.is_empty() {
        return Ok(None);
    }
    let start = analysis.record.start_s;
    let times = || events.iter().map(|e| e.time_s - start);
    let (first, last) = finite_range(times()).unwrap_or((0.0, 1.0));
    let margin = (0.03 * (last - first)).max(0.5);
    let x = Scale::exact((first - margin).max(0.0), last + margin, 5);
    let loads = events
        .iter()
        .flat_map(|e| [units.load(e.peak_kn), units.load(e.trough_kn)]);
    let upper = Panel::new(LOADS, LOADS_END, x.clone(), Scale::linear(loads, 4));
    let lower = Panel::new(
        SIZES,
        SIZES_END,
        x,
        Scale::linear(
            events.iter().map(|e| units.length(e.size_mm)).chain([0.0]),
            4,
        ),
    );
    let description = describe(units, &events);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: SIZES_END + 52.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        upper.axes(
            canvas,
            None,
            &format!("load before and after each jump, {}", units.force.symbol),
        )?;
        lower.axes(
            canvas,
            Some("time since the start, s"),
            &format!("size of the jump, {}", units.length.symbol),
        )?;
        for event in &events {
            let time = event.time_s - start;
            let colour = colour(event.interface);
            let ends: [Point; 2] = [
                upper.at(time, units.load(event.peak_kn)),
                upper.at(time, units.load(event.trough_kn)),
            ];
            canvas.line(&ends, upper.area, colour, style::CURVE)?;
            canvas.dots(&ends[..1], upper.area, colour, 2.6)?;
            let top = lower
                .at_y(units.length(event.size_mm))
                .clamp(lower.area.top, lower.area.bottom);
            let at = lower.at_x(time);
            canvas.fill(
                Area {
                    left: at - 1.5,
                    top,
                    right: at + 1.5,
                    bottom: lower.area.bottom,
                },
                colour,
            )?;
        }
        let mut key = Vec::new();
        for interface in [Interface::Stopper, Interface::Cover, Interface::Pair] {
            let count = events.iter().filter(|e| e.interface == interface).count();
            if count > 0 {
                key.push((
                    interface.words().to_owned(),
                    format!("{count} jumps"),
                    colour(interface),
                ));
            }
        }
        let below = canvas.key(&key, LOADS + 8.0)?;
        canvas.text(
            "disc: load before",
            (style::GUTTER, below + 6.0),
            HPos::Left,
            style::SMALL,
            style::QUIET,
        )
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

fn colour(interface: Interface) -> plotters::style::RGBColor {
    match interface {
        Interface::Stopper => style::part(PartName::StopperSlip),
        Interface::Cover => style::part(PartName::CoverSlip),
        Interface::Pair => style::part(PartName::NotRecovered),
    }
}

fn describe(units: &Units, events: &[&SlipEvent]) -> String {
    let largest = events.iter().map(|e| e.size_mm).fold(0.0, f64::max);
    let peak = events.iter().map(|e| e.peak_kn).fold(0.0, f64::max);
    format!(
        "{} jumps over time, with the load before and after each and their size. The largest is {}, the highest load before one {}.",
        events.len(),
        units.length_text(largest),
        units.load_text(peak)
    )
}
