//! Tension kept aboard against slip: this line beside a stretchier and a stiffer one.

use plotters::style::text_anchor::HPos;

use super::Drawn;
use super::canvas::{self, Caption, Fault, Label, Panel};
use super::clip::Area;
use super::scale::Scale;
use super::style::{self, HEAD, INK, QUIET, SHADE};
use crate::analysis::Analysis;
use crate::figures::Units;
use crate::stats::Status;

const TITLE: &str = "Tension kept aboard after the winch is freed";
const TOP: f64 = HEAD + 54.0;
const BOTTOM: f64 = TOP + 270.0;

pub(super) fn draw(analysis: &Analysis, units: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let Some(aboard) = analysis.aboard.as_ref().filter(|a| !a.curves.is_empty()) else {
        return Ok(None);
    };
    let slip = |v: Option<f64>| v.map(|v| v / units.length.to_si).filter(|v| v.is_finite());
    let (low, high) = (slip(aboard.slip.low), slip(aboard.slip.high));
    let reach = aboard
        .curves
        .iter()
        .flat_map(|c| c.slip_mm.iter().map(|v| units.length(*v)));
    let panel = Panel::new(
        TOP,
        BOTTOM,
        Scale::linear(reach.chain([0.0]).chain(high), 6),
        Scale::exact(0.0, 100.0, 4),
    );
    let description = describe(analysis, units);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: BOTTOM + 52.0,
        simulated: analysis.sheet.0.pull.simulated,
    };
    let svg = canvas::draw(&caption, |canvas| {
        if let (Some(low), Some(high)) = (low, high) {
            let [left, right] =
                [low, high].map(|v| panel.at_x(v).clamp(panel.area.left, panel.area.right));
            canvas.fill(
                Area {
                    left,
                    right: right.max(left + 1.0),
                    ..panel.area
                },
                SHADE,
            )?;
        }
        panel.axes(
            canvas,
            Some(&format!("slip, {}", units.length.symbol)),
            &format!(
                "share of {} kept on {} of line, %",
                units.load_text(aboard.load_kn),
                units.long_text(aboard.length_mm)
            ),
        )?;
        let mut labels = Vec::new();
        for (i, curve) in aboard.curves.iter().enumerate() {
            let (colour, width) = if i == 0 {
                (style::series(1), style::STRONG)
            } else {
                (style::series([0, 2, 3, 4][(i - 1) % 4]), style::CURVE)
            };
            let points: Vec<(f64, f64)> = curve
                .slip_mm
                .iter()
                .zip(&curve.kept)
                .map(|(s, k)| panel.at(units.length(*s), 100.0 * k))
                .collect();
            canvas.line(&points, panel.area, colour, width)?;
            let last = points
                .iter()
                .rev()
                .find(|p| p.1.is_finite())
                .map_or(panel.area.bottom, |p| p.1);
            labels.push(Label {
                y: last.clamp(panel.area.top, panel.area.bottom),
                name: curve.label.clone(),
                figure: String::new(),
                colour,
            });
        }
        if let (Some(slip), Some(kept)) = (slip(aboard.slip.value), aboard.kept_at_once.value) {
            canvas.dots(&[panel.at(slip, 100.0 * kept)], panel.area, INK, 4.0)?;
        }
        if aboard.slip.status == Status::Bracket
            && let (Some(low), Some(high)) = (low, high)
        {
            let y = panel.area.bottom - 10.0;
            let [left, right] = [low, high].map(|v| panel.at_x(v));
            canvas.line(
                &[(left, y - 5.0), (left, y), (right, y), (right, y - 5.0)],
                panel.area,
                INK,
                style::CURVE,
            )?;
        }
        let words = format!(
            "slip on the dock: {}; kept at once: {}",
            units.label(&aboard.slip),
            units.label(&aboard.kept_at_once)
        );
        let words = style::shorten(&words, style::LABEL, style::WIDTH - 26.0);
        canvas.text(
            &words,
            (style::EDGE_LEFT, HEAD + 12.0),
            HPos::Left,
            style::LABEL,
            QUIET,
        )?;
        canvas.labels(labels, TOP - 10.0, BOTTOM + 10.0)
    })?;
    Ok(Some(Drawn {
        title: TITLE.into(),
        description,
        svg,
    }))
}

fn describe(analysis: &Analysis, units: &Units) -> String {
    let Some(aboard) = &analysis.aboard else {
        return String::new();
    };
    let ends: Vec<String> = aboard
        .curves
        .iter()
        .filter_map(|c| {
            Some(format!(
                "{}: {:.0} % at {}",
                c.label,
                100.0 * c.kept.last()?,
                units.length_text(*c.slip_mm.last()?)
            ))
        })
        .collect();
    let found = match (aboard.slip.status, aboard.kept_at_once.status) {
        (Status::CannotTell, _) => {
            "How far the line slid on the dock at that load cannot be told.".to_owned()
        }
        (_, Status::CannotTell) => format!(
            "Slip found on the dock: {}; what it leaves of the load cannot be told.",
            units.words(&aboard.slip)
        ),
        _ => format!(
            "Slip found on the dock: {}; of the load stays at once: {}.",
            units.words(&aboard.slip),
            units.words(&aboard.kept_at_once)
        ),
    };
    format!(
        "Share of a load of {} that stays on {} of line, against slip. {found} {}.",
        units.load_text(aboard.load_kn),
        units.long_text(aboard.length_mm),
        ends.join("; ")
    )
}
