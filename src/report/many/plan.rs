//! A plan as a report: numbers, order, steps, candidates.

use super::super::view::{Block, Table, Tone, View, line};
use super::super::{Report, html, markdown};
use super::front::{cautions, line_long};
use super::{answer, section};
use crate::figures::{fixed, percent, significant, span_text};
use crate::prepare::Plan;

/// Writes a plan. Loads in kN: a plan has no gauges of its own.
#[must_use]
pub fn render_plan(plan: &Plan) -> Report {
    let view = build(plan);
    Report {
        markdown: markdown::write(&view, &[]),
        html: html::write(&view, &[]),
    }
}

fn table(caption: &str, head: &[&str], rows: Vec<Vec<String>>) -> Block {
    Block::Table(Table {
        caption: caption.into(),
        head: head.iter().map(|h| (*h).to_owned()).collect(),
        rows,
    })
}

fn share(v: f64) -> String {
    format!("{}\u{a0}%", significant(100.0 * v, 2))
}

fn build(p: &Plan) -> View {
    let n = &p.numbers;
    let s = &p.settings;
    let each = n.each.map_or_else(
        || "more than 100 lines of each: the difference is too small for this scatter".into(),
        |each| format!("{each} lines of each"),
    );
    let mut answers = vec![
        answer(
            "To tell two pairs apart",
            format!(
                "{each}, if one holds {} more than the other and pulls scatter by {} ({}); found with {}.",
                share(s.difference),
                share(n.spread),
                line_long(&p.spread_from),
                share(s.power)
            ),
        ),
        answer(
            "To prove a load",
            format!(
                "{} lines that all hold it prove that {} % of lines do, with {} % confidence.",
                n.passes,
                percent(s.share),
                percent(s.confidence)
            ),
        ),
    ];
    if let Some(schedule) = &p.schedule {
        answers.push(answer(
            "Highest load",
            match (schedule.highest_kn, &schedule.weakest) {
                (Some(load), Some(part)) => format!(
                    "{} kN: the weakest part is {}.",
                    significant(load, 3),
                    line(part)
                ),
                _ => "not known: the sheet lists no part of the chain.".into(),
            },
        ));
    }
    if let Some(best) = p.candidates.first() {
        answers.push(answer(
            "Stopper to try",
            format!(
                "{}: {} kN ({}, {} lines).",
                line(&best.name),
                significant(best.bound_kn, 3),
                best.basis,
                best.lines
            ),
        ));
    }
    View {
        title: "Plan for the dock".into(),
        subtitle: format!(
            "{} pairs compared jointly at {} %",
            n.pairs,
            percent(s.level)
        ),
        running: p.simulated.then_some("simulated data"),
        tone: Tone::Open,
        answers,
        sections: sections(p),
        colophon: format!("Written by bitterend {}.", line(&p.version)),
    }
}

fn sections(p: &Plan) -> Vec<super::Section> {
    let n = &p.numbers;
    let mut numbers = vec![table(
        "Probability of telling two pairs apart.",
        &["lines of each", "probability"],
        n.powers
            .iter()
            .map(|(n, w)| vec![n.to_string(), share(*w)])
            .collect(),
    )];
    if !n.for_bound.is_empty() {
        numbers.push(table(
            "Lines after which the tolerance bound lies above the load, with the probability asked for.",
            &["", "median over the load", "lines"],
            n.for_bound
                .iter()
                .map(|b| {
                    let lines = b.lines.map_or_else(
                        || if b.margin <= 1.0 { "never: the median is below it".into() } else { "more than 100".into() },
                        |l| l.to_string(),
                    );
                    vec![line(&b.name), fixed(b.margin, 2), lines]
                })
                .collect(),
        ));
    }
    let mut found = vec![section("numbers", "How many", numbers)];
    found.push(section(
        "order",
        "In which order",
        vec![
            Block::Text("Shuffled, the control first, in the middle and last; every pair in every session. A fresh length of a distinct line each time.".into()),
            table(
                "",
                &["turn", "session", "pair", "line"],
                p.order
                    .iter()
                    .enumerate()
                    .map(|(i, t)| {
                        let pair = if t.control { format!("{} (control)", line(&t.pair)) } else { line(&t.pair) };
                        vec![(i + 1).to_string(), t.session.to_string(), pair, t.line.to_string()]
                    })
                    .collect(),
            ),
        ],
    ));
    if let Some(s) = &p.schedule {
        let mut blocks = Vec::new();
        if !s.notes.is_empty() {
            blocks.push(Block::List(s.notes.iter().map(|t| line_long(t)).collect()));
        }
        blocks.push(table(
            "",
            &["what is done", "load, kN", "kept"],
            s.steps
                .iter()
                .map(|x| {
                    vec![
                        line(&x.what),
                        significant(x.load_kn, 3),
                        span_text(x.seconds),
                    ]
                })
                .collect(),
        ));
        found.push(section("steps", "Steps of one pull", blocks));
    }
    let mut blocks = vec![Block::Text(line_long(&p.candidates_note))];
    if !p.candidates.is_empty() {
        blocks.push(table(
            "",
            &["", "holds with confidence, kN", "basis", "lines", "enough"],
            p.candidates
                .iter()
                .map(|c| {
                    let enough = match c.holds {
                        Some(true) => "yes",
                        Some(false) => "not proven",
                        None => "no load stated",
                    };
                    vec![
                        line(&c.name),
                        significant(c.bound_kn, 3),
                        c.basis.clone(),
                        c.lines.to_string(),
                        enough.into(),
                    ]
                })
                .collect(),
        ));
    }
    found.push(section("candidates", "Which stopper for this line", blocks));
    found.push(cautions());
    found
}
