//! Every two groups against each other: ratio of their loads with the joint interval.

use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault};
use super::super::clip::Area;
use super::super::scale::Scale;
use super::super::style::{self, EDGE, EDGE_LEFT, HAIR, LIMIT, QUIET, SHADE, SMALL, STRONG};
use super::rows::{Frame, MOST};
use crate::compare::{Comparison, Difference, Told};
use crate::figures::{Units, fixed};

const TITLE: &str = "Differences";
/// The axis ends here, percent; a wider interval runs out of the picture.
const WIDEST: f64 = 250.0;

pub(super) fn draw(c: &Comparison, _: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let mut shown: Vec<(&Difference, f64, f64, f64)> = c
        .differences
        .iter()
        .filter_map(|d| {
            let percent = |v: f64| 100.0 * (v - 1.0);
            // Written so that the first is the one that holds more.
            let (ratio, low, high) = (d.ratio?, d.low?, d.high?);
            Some(if ratio >= 1.0 {
                (d, percent(ratio), percent(low), percent(high))
            } else {
                (
                    d,
                    percent(1.0 / ratio),
                    percent(1.0 / high),
                    percent(1.0 / low),
                )
            })
        })
        .collect();
    if shown.is_empty() {
        return Ok(None);
    }
    // What can be told apart first, then by size.
    let apart = |d: &Difference| !matches!(d.told, Told::First | Told::Second);
    shown.sort_by(|a, b| {
        (apart(a.0), b.1)
            .partial_cmp(&(apart(b.0), a.1))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    shown.truncate(MOST);
    let clipped = |v: f64| v.clamp(-90.0, WIDEST);
    let x = Scale::linear(
        shown.iter().flat_map(|s| [clipped(s.2), clipped(s.3), 0.0]),
        6,
    );
    let frame = Frame::new(shown.len(), x, 1);
    let description = describe(&shown);
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: frame.height,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        let area = frame.panel.area;
        if let Some(matters) = c.settings.matters {
            let ends = (100.0 * (1.0 / (1.0 + matters) - 1.0), 100.0 * matters);
            let band = Area {
                left: frame.panel.at_x(ends.0).clamp(area.left, area.right),
                right: frame.panel.at_x(ends.1).clamp(area.left, area.right),
                ..area
            };
            canvas.fill(band, SHADE)?;
        }
        frame.axis(canvas, "holds more by, %")?;
        let zero = frame.panel.at_x(0.0);
        canvas.line(&[(zero, area.top), (zero, area.bottom)], area, LIMIT, HAIR)?;
        for (i, (d, ratio, low, high)) in shown.iter().enumerate() {
            let (above, below) = if d.ratio >= Some(1.0) {
                (&d.first, &d.second)
            } else {
                (&d.second, &d.first)
            };
            frame.name(canvas, i, &format!("{above} over {below}"))?;
            let y = frame.row(i);
            let colour = if apart(d) { EDGE } else { style::series(0) };
            canvas.line(
                &[(frame.panel.at_x(*low), y), (frame.panel.at_x(*high), y)],
                area,
                colour,
                STRONG,
            )?;
            canvas.dots(&[(frame.panel.at_x(*ratio), y)], area, colour, 4.2)?;
        }
        canvas.text(
            "Dark: told apart. Grey: not told apart. All intervals hold together with the stated probability.",
            (EDGE_LEFT, frame.foot()),
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

fn describe(shown: &[(&Difference, f64, f64, f64)]) -> String {
    let words: Vec<String> = shown
        .iter()
        .map(|(d, ratio, low, high)| {
            let (above, below) = if d.ratio >= Some(1.0) {
                (&d.first, &d.second)
            } else {
                (&d.second, &d.first)
            };
            format!(
                "{above} over {below}: {} % ({} to {})",
                fixed(*ratio, 0),
                fixed(*low, 0),
                fixed(*high, 0)
            )
        })
        .collect();
    format!(
        "How much more one group holds than another, with intervals that hold together. {}.",
        words.join("; ")
    )
}
