//! Probability plot: lines in order of their load against the share expected below, censored marks on the axis.

use plotters::style::Color;
use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault, Panel};
use super::super::scale::Scale;
use super::super::style::{self, CURVE, EDGE_LEFT, GRID, HAIR, HEAD, LABEL, QUIET, SMALL};
use super::rows::arrow;
use crate::compare::{Comparison, Group};
use crate::figures::Units;
use crate::stats::censored::{Family, Observed};
use crate::stats::quantile;

const TITLE: &str = "Probability plot";
/// Shares marked on the upright axis.
const MARKS: [f64; 7] = [0.02, 0.1, 0.25, 0.5, 0.75, 0.9, 0.98];
/// Groups shown: more curves cannot be told apart.
const GROUPS: usize = 5;
const LEAST: usize = 3;
const PANEL: f64 = 330.0;

pub(super) fn draw(c: &Comparison, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let groups: Vec<&Group> = c
        .groups
        .iter()
        .filter(|g| g.repeats.reached >= LEAST)
        .take(GROUPS)
        .collect();
    if groups.is_empty() {
        return Ok(None);
    }
    let loads = || {
        groups
            .iter()
            .flat_map(|g| g.repeats.values.iter().map(|v| units.load(v.1.start())))
    };
    let (low, high) = (
        loads().fold(f64::INFINITY, f64::min),
        loads().fold(0.0, f64::max),
    );
    let x = Scale::linear([0.92 * low, 1.06 * high], 5);
    let top = HEAD + 30.0;
    let bottom = top + PANEL;
    // The upright axis is linear in normal deviates; its marks are written as shares.
    let panel = Panel::new(top, bottom, x, Scale::exact(-2.3, 2.3, 4));
    let description = describe(&groups, units);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: bottom + 84.0,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        let area = panel.area;
        for p in MARKS {
            let y = panel.at_y(quantile::normal(p));
            canvas.line(&[(area.left, y), (area.right, y)], area, GRID, HAIR)?;
            canvas.text(
                &format!("{:.0}", 100.0 * p),
                (area.left - 7.0, y),
                HPos::Right,
                SMALL,
                QUIET,
            )?;
        }
        for (value, text) in panel.x.ticks() {
            let at = panel.at_x(value);
            canvas.line(&[(at, area.top), (at, area.bottom)], area, GRID, HAIR)?;
            canvas.text(&text, (at, area.bottom + 13.0), HPos::Center, SMALL, QUIET)?;
        }
        canvas.text(
            "lines that let go below, %",
            (EDGE_LEFT, top - 17.0),
            HPos::Left,
            LABEL,
            QUIET,
        )?;
        canvas.text(
            &format!("load, {}", units.force.symbol),
            ((area.left + area.right) / 2.0, bottom + 33.0),
            HPos::Center,
            LABEL,
            QUIET,
        )?;
        let mut entries = Vec::new();
        for (i, group) in groups.iter().enumerate() {
            let colour = style::series(i);
            let fitted = course(group, c.settings.family, &panel, units);
            canvas.line(&fitted, area, colour, CURVE)?;
            for (load, p) in plotted(group) {
                canvas.dots(
                    &[panel.at(units.load(load), quantile::normal(p))],
                    area,
                    colour,
                    3.6,
                )?;
            }
            for (_, load) in &group.repeats.values {
                if let Observed::Above(v) = load {
                    let at = (
                        panel.at_x(units.load(*v)),
                        area.bottom - 7.0 - 9.0 * i as f64,
                    );
                    canvas.shape(&arrow(at, 4.5), area, colour.mix(1.0))?;
                }
            }
            entries.push((
                group.name.clone(),
                format!("{} of {}", group.repeats.reached, group.repeats.lines),
                colour,
            ));
        }
        canvas.key(&entries, top + 6.0)?;
        canvas.text(
            "Straights: the distribution fitted. Arrows: lines that held this and did not let go.",
            (EDGE_LEFT, bottom + 62.0),
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

/// Loads reached with the share expected below: Kaplan and Meier's, the middle of each step (Meeker and Escobar 1998,
/// 6.4).
fn plotted(group: &Group) -> Vec<(f64, f64)> {
    let mut values: Vec<(f64, bool)> = group
        .repeats
        .values
        .iter()
        .map(|v| match v.1 {
            Observed::At(x) => (x, true),
            Observed::Between(a, b) => ((a * b).sqrt(), true),
            Observed::Above(x) => (x, false),
        })
        .collect();
    // Of equals those that let go come first.
    values.sort_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)));
    let n = values.len();
    let mut survive = 1.0;
    let mut points = Vec::new();
    for (i, (load, reached)) in values.iter().enumerate() {
        if *reached {
            let after = survive * (1.0 - 1.0 / (n - i) as f64);
            points.push((*load, 1.0 - 0.5 * (survive + after)));
            survive = after;
        }
    }
    points
}

fn course(group: &Group, family: Family, panel: &Panel, units: &Units) -> Vec<(f64, f64)> {
    let Some(fit) = group.repeats.families.iter().find(|f| f.family == family) else {
        return Vec::new();
    };
    (0..=80)
        .map(|i| {
            let z = -2.3 + 4.6 * f64::from(i) / 80.0;
            let p = quantile::normal_share(z);
            let load = match family {
                Family::Normal => fit.median_kn * (1.0 + fit.spread * z),
                Family::Lognormal => fit.median_kn * (fit.spread * z).exp(),
                Family::Weibull => {
                    let half = family.standard_quantile(0.5);
                    fit.median_kn * (fit.spread * (family.standard_quantile(p) - half)).exp()
                }
            };
            panel.at(units.load(load), z)
        })
        .collect()
}

fn describe(groups: &[&Group], units: &Units) -> String {
    let words: Vec<String> = groups
        .iter()
        .map(|g| {
            format!(
                "{}: {} of {} lines let go, median {}",
                g.name,
                g.repeats.reached,
                g.repeats.lines,
                units.label(&g.repeats.median)
            )
        })
        .collect();
    format!(
        "Loads of the lines of each group in order, against the share expected to let go below, with the fitted distribution. {}.",
        words.join("; ")
    )
}
