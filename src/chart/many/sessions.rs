//! Scatter by session: what each pull deviates from its group.

use plotters::style::text_anchor::HPos;

use super::super::Drawn;
use super::super::canvas::{self, Caption, Fault};
use super::super::scale::Scale;
use super::super::style::{self, EDGE_LEFT, HAIR, LIMIT, QUIET, SMALL, STRONG};
use super::rows::{Frame, MOST};
use crate::compare::Comparison;
use crate::figures::{Units, significant};

const TITLE: &str = "Scatter by session";

pub(super) fn draw(c: &Comparison, _: &Units, name: &str) -> Result<Option<Drawn>, Fault> {
    let Some(components) = &c.components else {
        return Ok(None);
    };
    let rows = &components.residuals[..components.residuals.len().min(MOST)];
    if rows.len() < 2 {
        return Ok(None);
    }
    let percent = |y: f64| 100.0 * y.exp_m1();
    let x = Scale::linear(
        rows.iter()
            .flat_map(|r| r.1.iter().map(|y| percent(*y)))
            .chain([0.0]),
        6,
    );
    let frame = Frame::new(rows.len(), x, 1);
    let between = components.sessions.map_or_else(
        || "not known: no group was pulled in two sessions".into(),
        |s| format!("{} %", significant(100.0 * s, 2)),
    );
    let description = format!(
        "Deviation of every pull from the mean of its group, one row per session. Standard deviation between sessions: {between}; between pulls of one session: {} %.",
        significant(100.0 * components.pulls, 2)
    );
    let caption = Caption {
        name,
        title: TITLE,
        description: &description,
        height: frame.height,
        simulated: c.simulated(),
    };
    let svg = canvas::draw(&caption, |canvas| {
        let area = frame.panel.area;
        frame.axis(canvas, "deviation from the mean of its group, %")?;
        let zero = frame.panel.at_x(0.0);
        canvas.line(&[(zero, area.top), (zero, area.bottom)], area, LIMIT, HAIR)?;
        for (i, (session, residuals)) in rows.iter().enumerate() {
            let session = if session.is_empty() {
                "session not stated"
            } else {
                session
            };
            frame.name(canvas, i, session)?;
            let y = frame.row(i);
            let points: Vec<(f64, f64)> = residuals
                .iter()
                .map(|r| (frame.panel.at_x(percent(*r)), y))
                .collect();
            canvas.dots(&points, area, style::series(2), 3.4)?;
            let mean = residuals.iter().sum::<f64>() / residuals.len().max(1) as f64;
            let at = frame.panel.at_x(percent(mean));
            canvas.line(
                &[(at, y - 11.0), (at, y + 11.0)],
                area,
                style::series(0),
                STRONG,
            )?;
        }
        canvas.text(
            "Dots: pulls. Upright strokes: mean of the session.",
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
