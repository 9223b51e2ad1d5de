//! For a survey: what happened when, and which explanations the record leaves open.

use super::view::{Block, Context, Section, Table, line};
use crate::figures::fixed;
use crate::separate::PartName;
use crate::stats::{Estimate, Status};

pub(super) fn time_line(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let start = analysis.record.start_s;
    let time = |t: f64| fixed(t - start, 1);
    let load = |newtons: f64| cx.load_cell(newtons * 1e-3);
    let mut rows: Vec<(f64, Vec<String>)> = analysis
        .phases
        .iter()
        .map(|p| {
            let loads = format!("{} to {}", load(p.load_start_n), load(p.load_end_n));
            (
                p.start_s,
                vec![
                    time(p.start_s),
                    p.kind.word().to_owned(),
                    loads,
                    format!("lasts {} s", fixed(p.end_s - p.start_s, 1)),
                ],
            )
        })
        .collect();
    // Many jumps would drown the phases: the first and the last are named, the chart shows all.
    let events = &analysis.limit.events;
    let named: Vec<usize> = if events.len() > 4 {
        vec![0, events.len() - 1]
    } else {
        (0..events.len()).collect()
    };
    for i in named {
        let e = &events[i];
        rows.push((
            e.time_s,
            vec![
                time(e.time_s),
                format!("jump {} of {}", i + 1, events.len()),
                format!("{} to {}", load(e.peak_kn * 1e3), load(e.trough_kn * 1e3)),
                format!(
                    "{} in {}",
                    cx.units.length_text(e.size_mm),
                    line(e.interface.words())
                ),
            ],
        ));
    }
    rows.sort_by(|a, b| a.0.total_cmp(&b.0));
    Section::new(
        "time-line",
        "What happened, and when",
        vec![Block::Table(Table {
            caption: "Time since the start of the log. Loads and times are readings; what they mean is told below with its evidence.".into(),
            head: vec!["Time, s".into(), "what".into(), format!("load, {}", cx.units.force.symbol), "remark".into()],
            rows: rows.into_iter().map(|r| r.1).collect(),
        })],
    )
}

/// Each explanation of the loss, and whether the record excludes it.
pub(super) fn explanations(cx: &Context<'_>) -> Section {
    let parts = &cx.analysis.separated.parts;
    let end = |name| parts.get(&name).map(|p| &p.end);
    let support = |name| {
        cx.analysis
            .separated
            .support
            .iter()
            .find(|s| s.part == name)
    };
    let rows = [
        (
            "the line did not slip in the stopper",
            PartName::StopperSlip,
        ),
        (
            "the core did not slip inside the cover",
            PartName::CoverSlip,
        ),
        (
            "all travel came back; the line only stretched",
            PartName::NotRecovered,
        ),
    ]
    .into_iter()
    .map(|(claim, part)| {
        let (state, evidence) = match end(part) {
            Some(e) => (excluded(e), cx.told(e)),
            None => ("open", "not asked for".to_owned()),
        };
        let more = support(part).map(|s| line(&s.missing)).unwrap_or_default();
        vec![
            claim.to_owned(),
            state.to_owned(),
            format!("{}: {evidence}", part.words()),
            more,
        ]
    })
    .collect();
    Section::new(
        "explanations",
        "Which explanations the record leaves open",
        vec![
            Block::Table(Table {
                caption: "An explanation is excluded only where the whole 95 % interval speaks against it.".into(),
                head: vec!["Explanation".into(), "state".into(), "evidence".into(), "what would tell more".into()],
                rows,
            }),
            Block::Text("The record shows what moved between the gauges, and when. It does not show why, nor what happened before the log began or in lengths that no gauge watched.".into()),
        ],
    )
}

fn excluded(estimate: &Estimate) -> &'static str {
    match (estimate.status, estimate.low) {
        (Status::Measured | Status::Bracket, Some(low)) if low > 0.0 => "excluded",
        (Status::Measured | Status::AtMost, _) => "fits the record",
        _ => "open",
    }
}
