//! Where the travel went: the split per load step, as a table and as charts.

use super::view::{Block, Context, Section, Table, line};
use crate::separate::PartName;
use crate::stats::Status;

const ORDER: [PartName; 7] = [
    PartName::Stretch,
    PartName::Set,
    PartName::StopperSlip,
    PartName::CoverSlip,
    PartName::SetAndCoverSlip,
    PartName::Give,
    PartName::NotRecovered,
];

/// The name of a part at the head of a row or column.
pub(super) fn heading(name: PartName) -> String {
    match name {
        PartName::StopperSlip => format!("{} with seating", name.words()),
        name => name.words().into(),
    }
}

/// Set and cover slip as one figure say nothing new where both are known by themselves.
pub(super) fn needless(cx: &Context<'_>, name: PartName) -> bool {
    let known = |p| {
        cx.analysis
            .separated
            .parts
            .get(&p)
            .is_some_and(|p| p.end.is_known())
    };
    name == PartName::SetAndCoverSlip && known(PartName::Set) && known(PartName::CoverSlip)
}

pub(super) fn section(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let mut blocks = Vec::new();
    let told = |name: &PartName| {
        let known = |e: &crate::stats::Estimate| e.status != Status::CannotTell;
        analysis
            .separated
            .parts
            .get(name)
            .is_some_and(|p| known(&p.end))
            || analysis
                .steps
                .iter()
                .any(|s| s.parts.get(name).is_some_and(known))
    };
    let columns: Vec<PartName> = ORDER
        .into_iter()
        .filter(told)
        .filter(|p| !needless(cx, *p))
        .collect();
    if !analysis.steps.is_empty() {
        let unit = cx.units.length.symbol;
        let mut head = vec![
            "Step".to_owned(),
            format!("load, {}", cx.units.force.symbol),
            format!("travel, {unit}"),
        ];
        head.extend(columns.iter().map(|c| format!("{}, {unit}", heading(*c))));
        let rows = analysis
            .steps
            .iter()
            .map(|step| {
                let mut row = vec![
                    line(&step.label),
                    cx.load_cell(step.load_kn),
                    step.travel_mm
                        .map_or_else(|| "—".into(), |t| cx.travel_cell(t)),
                ];
                row.extend(columns.iter().map(|c| {
                    step.parts
                        .get(c)
                        .map_or_else(|| "—".into(), |e| cx.units.cell(e))
                }));
                row
            })
            .collect();
        let caption = "Travel and its parts at the end of each step, counted from the first dwell, with 95 % intervals. Stopper slip counts the seating of the jaws here; the verdict and the holding limit take it apart. A dash: cannot tell, or no longer there once the line is slack.".into();
        blocks.push(Block::Table(Table {
            caption,
            head,
            rows,
        }));
    }
    let unknown: Vec<String> = [
        PartName::Stretch,
        PartName::Set,
        PartName::StopperSlip,
        PartName::CoverSlip,
    ]
    .into_iter()
    .filter(|p| !columns.contains(p))
    .filter_map(|p| {
        let part = analysis.separated.parts.get(&p)?;
        Some(format!(
            "{}: {}",
            p.words(),
            cx.said_line(part.end.reason.as_deref().unwrap_or("cannot tell"))
        ))
    })
    .collect();
    if !unknown.is_empty() {
        blocks.push(Block::Text("Not told apart by these gauges:".into()));
        blocks.push(Block::List(unknown));
    }
    blocks.extend(cx.chart("split-over-time"));
    blocks.extend(cx.chart("load-and-travel"));
    if blocks.is_empty() {
        blocks.push(Block::Text(
            "This record does not show where the travel went.".into(),
        ));
    }
    Section::new("split", "Where the travel went", blocks)
}
