//! Creep in the holds against the load held, with what the sheet allows.

use plotters::style::Color;
use plotters::style::RGBColor;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Label, Panel};
use super::clip::Point;
use super::scale::Scale;
use super::style::{self, HEAD, LIMIT, QUIET};
use crate::analysis::Analysis;
use crate::figures::Units;
use crate::limit::{HoldCreep, Interface};
use crate::separate::PartName;
use crate::sheet::Rule;
use crate::stats::{Estimate, Measure, Status};

const TITLE: &str = "Creep against the load held";
const TOP: f64 = HEAD + 50.0;
const BOTTOM: f64 = TOP + 260.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let limits = analysis.sheet.0.limits.as_ref();
    // A sheet that allows a rate is answered in rates, any other in creep per decade.
    let by_rate = limits.is_some_and(|l| l.rate.is_some() && l.creep.is_none());
    let measure = if by_rate {
        Measure::Speed
    } else {
        Measure::Creep
    };
    let to_si = units.to_si(measure);
    let allowed = limits.and_then(|l| {
        if by_rate {
            l.rate.map(|v| v.si())
        } else {
            l.creep.map(|v| v.si())
        }
    });
    let estimate = |h: &HoldCreep| -> Estimate {
        if by_rate {
            h.rate.clone()
        } else {
            h.creep.clone()
        }
    };
    let groups: Vec<(Interface, Vec<(f64, Estimate)>)> = [Interface::Stopper, Interface::Cover]
        .into_iter()
        .map(|interface| {
            let holds = analysis
                .limit
                .holds
                .iter()
                .filter(|h| h.interface == interface);
            (
                interface,
                holds
                    .map(|h| (units.load(h.load_kn), estimate(h)))
                    .filter(|(_, e)| e.is_known())
                    .collect::<Vec<_>>(),
            )
        })
        .filter(|(_, holds)| holds.len() > 1)
        .collect();
    if groups.is_empty() {
        return Ok(None);
    }
    let shown = |v: Option<f64>| v.map(|v| v / to_si).filter(|v| v.is_finite());
    let all = || groups.iter().flat_map(|g| &g.1);
    let heights = all()
        .flat_map(|(_, e)| [shown(e.value), shown(e.low), shown(e.high)])
        .flatten();
    let limit = &analysis.limit.governing;
    let limit_at = (limit.rule == Rule::Allowance && limit.load.status == Status::Measured)
        .then(|| limit.load.value.map(|v| v / units.force.to_si))
        .flatten();
    let x = Scale::linear(all().map(|(l, _)| *l).chain([0.0]).chain(limit_at), 5);
    let y = Scale::linear(heights.chain([0.0]).chain(allowed.map(|a| a / to_si)), 4);
    let panel = Panel::new(TOP, BOTTOM, x, y);
    let description = describe(
        units,
        &groups,
        allowed
            .map(|a| Estimate::measured(measure, a, 0.0, a, a, "sheet"))
            .as_ref(),
    );
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: BOTTOM + 52.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        let y_name = format!(
            "{}, {}",
            if by_rate {
                "rate at the end of the hold"
            } else {
                "creep"
            },
            units.symbol(measure)
        );
        panel.axes(
            canvas,
            Some(&format!("load, {}", units.force.symbol)),
            &y_name,
        )?;
        let mut labels = Vec::new();
        for (i, (interface, holds)) in groups.iter().enumerate() {
            let colour = colour(*interface);
            // Two interfaces at one load would hide each other's intervals.
            let aside = if i == 0 { -3.0 } else { 3.0 };
            let points: Vec<Point> = holds
                .iter()
                .filter_map(|(l, e)| Some(panel.at(*l, shown(e.value)?)))
                .map(|p| (p.0 + aside, p.1))
                .collect();
            canvas.line(&points, panel.area, colour.mix(0.4), style::HAIR)?;
            canvas.dots(&points, panel.area, colour, 3.4)?;
            for (load, e) in holds {
                if let (Some(low), Some(high)) = (shown(e.low), shown(e.high)) {
                    let x = panel.at_x(*load) + aside;
                    canvas.line(
                        &[(x, panel.at_y(low)), (x, panel.at_y(high))],
                        panel.area,
                        colour,
                        style::CURVE,
                    )?;
                }
            }
            let y = points.last().map_or(panel.area.bottom, |p| p.1);
            labels.push(Label {
                y,
                name: interface.words().into(),
                figure: String::new(),
                colour,
            });
        }
        if let Some(allowed) = allowed {
            let y = panel.at_y(allowed / to_si);
            canvas.dashed(
                (panel.area.left, y),
                (panel.area.right, y),
                panel.area,
                QUIET,
                style::CURVE,
            )?;
            labels.push(Label {
                y,
                name: "allowed".into(),
                figure: String::new(),
                colour: QUIET,
            });
        }
        if let Some(limit) = limit_at {
            let x = panel.at_x(limit);
            canvas.line(
                &[(x, panel.area.top), (x, panel.area.bottom)],
                panel.area,
                LIMIT,
                style::CURVE,
            )?;
            let text = format!("limit: {}", units.label(&analysis.limit.governing.load));
            let half = style::text_width(&text, style::LABEL) / 2.0;
            let at = x.clamp(260.0 + half, style::WIDTH - 6.0 - half);
            canvas.text(
                &text,
                (at, TOP - 17.0),
                plotters::style::text_anchor::HPos::Center,
                style::LABEL,
                LIMIT,
            )?;
        }
        canvas.labels(labels, TOP - 6.0, BOTTOM + 10.0)
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

fn colour(interface: Interface) -> RGBColor {
    style::part(if interface == Interface::Cover {
        PartName::CoverSlip
    } else {
        PartName::StopperSlip
    })
}

fn describe(
    units: &Units,
    groups: &[(Interface, Vec<(f64, Estimate)>)],
    allowed: Option<&Estimate>,
) -> String {
    let words: Vec<String> = groups
        .iter()
        .filter_map(|(interface, holds)| {
            let (load, e) = holds.last()?;
            let load = units.load_text(load * units.force.to_si * 1e-3);
            Some(format!(
                "{} at {load}: {}",
                interface.words(),
                units.words(e)
            ))
        })
        .collect();
    let allowed = allowed.map_or_else(String::new, |a| {
        format!(" The sheet allows {}.", units.label(a))
    });
    format!(
        "Creep found in each hold against the load held, with 95 % intervals. {}.{allowed}",
        words.join("; ")
    )
}
