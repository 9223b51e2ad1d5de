//! The holding limit by every rule, what happened in the holds, and what it means aboard.

use super::front::{rate, rule_words};
use super::view::{Block, Context, Section, Table, line, once};
use crate::figures::{significant, span_text};
use crate::limit::StickSlip;
use crate::stats::{Estimate, Status};

pub(super) fn section(cx: &Context<'_>) -> Section {
    let limit = &cx.analysis.limit;
    let unit = cx.units.force.symbol;
    let mut blocks = Vec::new();
    let rows = limit
        .figures
        .iter()
        .map(|f| {
            vec![
                rule_words(f.rule).to_owned(),
                f.interface.words().to_owned(),
                cx.units.cell(&f.load),
                rate(cx, f.rate).unwrap_or_else(|| "—".into()),
                match (f.load.status, &f.load.reason) {
                    (Status::NotReached, Some(reason)) => {
                        format!("not reached: {}", cx.said_line(reason))
                    }
                    (_, Some(reason)) => cx.said(&once(reason), 300),
                    (_, None) => cx.said_line(&f.load.method),
                },
            ]
        })
        .collect::<Vec<_>>();
    if !rows.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "Load at which each rule was reached, with 95 % intervals. A load not reached is a lower bound, never a limit.".into(),
            head: vec!["Rule".into(), "where".into(), format!("load, {unit}"), "rate or hold".into(), "remark".into()],
            rows,
        }));
    }
    let mut facts = vec![(
        "Seating (the jaws biting)".to_owned(),
        cx.told(&limit.seating),
    )];
    if let Some(transfer) = &limit.transfer {
        let after = |v: Option<f64>, when: &str| match v {
            Some(v) => format!("{} {when}", cx.units.load_text(v)),
            None => format!("not recorded {when}"),
        };
        facts.push((
            "Transfer from winch to stopper".into(),
            format!(
                "{} before, {}, {}; slip {}",
                cx.units.load_text(transfer.before_kn),
                after(transfer.after_10_s_kn, "10 s after"),
                after(transfer.after_10_min_kn, "10 min after"),
                cx.told(&transfer.slip)
            ),
        ));
    }
    if let Some(check) = &limit.free_length {
        let meaning = cx.said_line(&check.meaning);
        let meaning = if meaning.is_empty() {
            "as it should be".to_owned()
        } else {
            meaning
        };
        facts.push((
            "Free length found, against the sheet".into(),
            format!("{}: {meaning}", cx.told(&check.ratio)),
        ));
    }
    blocks.push(Block::Facts(facts));
    blocks.extend(cx.chart("slip-and-limit"));
    // A curve that ends below the highest load was overtaken by the record and projects nothing.
    let mut projected = limit.projections.iter().filter(|p| p.leap > 1.0).peekable();
    if projected.peek().is_some() {
        blocks.push(Block::Text("Projections past the highest load. They are curves, not measurements, and enter neither the limit nor the verdict:".into()));
        let list = projected.map(|p| {
            // The leap stands in the reason.
            format!(
                "{}, {}: {}",
                line(&p.curve),
                p.interface.words(),
                cx.told(&p.load)
            )
        });
        blocks.push(Block::List(list.collect()));
    }
    Section::new("limit", "At what load the pair lets go", blocks)
}

pub(super) fn holds(cx: &Context<'_>) -> Option<Section> {
    let limit = &cx.analysis.limit;
    let length = cx.units.length.symbol;
    let mut blocks = Vec::new();
    if !limit.holds.is_empty() {
        let rows = limit
            .holds
            .iter()
            .map(|h| {
                vec![
                    h.interface.words().to_owned(),
                    significant(cx.units.load(h.load_kn), 3),
                    span_text(h.duration_s),
                    cx.units.cell(&h.slip),
                    h.law.word().to_owned(),
                    cx.units.cell(&h.creep),
                    cx.units.cell(&h.rate),
                ]
            })
            .collect();
        blocks.push(Block::Table(Table {
            caption: "Slip within each hold, the law of time that it follows, what its last decade of time made (creep), and its rate at the end.".into(),
            head: vec![
                "Where".into(),
                format!("load, {}", cx.units.force.symbol),
                "held for".into(),
                format!("slip, {length}"),
                "law".into(),
                format!("creep, {length} per decade"),
                format!("rate at the end, {length}/min"),
            ],
            rows,
        }));
    }
    blocks.extend(cx.chart("creep-in-holds"));
    blocks.extend(cx.chart("creep-and-load"));
    if !limit.events.is_empty() {
        let largest = limit
            .events
            .iter()
            .map(|e| e.size_mm)
            .filter(|v| v.is_finite())
            .fold(0.0, f64::max);
        blocks.push(Block::Text(format!(
            "The line moved in {}, the largest of {}.",
            match limit.events.len() {
                1 => "one jump".to_owned(),
                jumps => format!("{jumps} jumps"),
            },
            cx.units.length_text(largest)
        )));
        for moved in &limit.stick_slip {
            blocks.push(Block::Text(stick_slip(cx, moved)));
        }
        blocks.extend(cx.chart("slip-events"));
    }
    (!blocks.is_empty()).then(|| Section::new("holds", "What happened in the holds", blocks))
}

/// Loads and sizes of stick-slip in words.
fn stick_slip(cx: &Context<'_>, moved: &StickSlip) -> String {
    let figure = |estimate: &Estimate| cx.units.words(estimate);
    let mut text = format!(
        "The {} stuck and jumped {} times: it held up to {} and slid down to {}, {} a jump.",
        moved.interface.words(),
        moved.jumps,
        figure(&moved.peak),
        figure(&moved.trough),
        figure(&moved.size)
    );
    if moved.expected_size.is_known() {
        text.push_str(&format!(
            " The fall of the load over the stiffness of the line, 2(Fs − Fk)/k, asks for {}.",
            figure(&moved.expected_size)
        ));
    }
    text
}

pub(super) fn aboard(cx: &Context<'_>) -> Option<Section> {
    let aboard = cx.analysis.aboard.as_ref()?;
    let mut facts = vec![
        (
            "Load taken over from the winch".to_owned(),
            cx.units.load_text(aboard.load_kn),
        ),
        (
            "Length under load aboard".into(),
            cx.units.long_text(aboard.length_mm),
        ),
        (
            "Slip at that load, from this pull".into(),
            cx.told(&aboard.slip),
        ),
        ("Tension kept at once".into(), cx.told(&aboard.kept_at_once)),
        (
            "Tension kept after an hour".into(),
            cx.told(&aboard.kept_after_hour),
        ),
    ];
    if let Some(behind) = &aboard.slip_behind_loss {
        let found = cx
            .analysis
            .sheet
            .0
            .aboard
            .as_ref()
            .and_then(|a| a.load_found)
            .map(|f| f.to_string());
        facts.push((
            format!(
                "Slip that explains the {} found aboard",
                found.unwrap_or_else(|| "load".into())
            ),
            cx.told(behind),
        ));
    }
    let rigid = cx
        .analysis
        .sheet
        .0
        .aboard
        .as_ref()
        .is_some_and(|a| a.rig_stiffness.is_none());
    let mut blocks = vec![Block::Facts(facts)];
    if rigid {
        blocks.push(Block::Text("The sheet states no give of mast, sheave and sail; they are taken as rigid, which overstates the loss.".into()));
    }
    blocks.extend(cx.chart("tension-aboard"));
    Some(Section::new("aboard", "What it means aboard", blocks))
}
