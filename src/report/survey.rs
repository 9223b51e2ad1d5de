//! For a survey: what happened when, and which explanations the record leaves open.

use super::view::{Block, Context, Section, Table, line};
use crate::figures::{fixed, significant};
use crate::separate::{Explanation, PartName, Tenable};
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

fn held(explanation: &Explanation) -> &'static str {
    let has = |part| explanation.without.contains(&part);
    match (has(PartName::StopperSlip), has(PartName::CoverSlip)) {
        (false, false) => "both may have slid (the best reading)",
        (false, true) => "the cover did not slide over the core",
        (true, false) => "the line did not slide through the stopper",
        (true, true) => "nothing slid at all",
    }
}

/// The record read again with one slip or both held at nothing.
pub(super) fn readings(cx: &Context<'_>) -> Option<Section> {
    let found = &cx.analysis.explanations;
    if found.is_empty() {
        return None;
    }
    let unit = cx.units.length.symbol;
    let size = |mm: f64| significant(cx.units.length(mm), 2);
    let parts = &cx.analysis.separated.parts;
    let surely = |part: &PartName| {
        parts
            .get(part)
            .is_some_and(|p| excluded(&p.end) == "excluded")
    };
    let rows = found
        .iter()
        .map(|e| {
            let against: Vec<&str> = e
                .gauges
                .iter()
                .filter(|g| g.excludes)
                .map(|g| g.gauge.words())
                .collect();
            let (state, by) = match e.state {
                Tenable::Excluded if against.is_empty() => {
                    ("excluded", "all gauges together".into())
                }
                Tenable::Excluded => ("excluded", against.join(", ")),
                Tenable::FitsAlike if e.without.iter().any(surely) => (
                    "excluded",
                    "slip where no set can come, below the highest load so far".into(),
                ),
                Tenable::FitsAlike => (
                    "cannot be told apart",
                    "none: no gauge sees this interface apart from set".into(),
                ),
                Tenable::Fits => ("fits", "none".into()),
            };
            let left: Vec<String> = e
                .gauges
                .iter()
                .map(|g| {
                    let now = size(g.left_over_mm);
                    let best = size(g.best_mm);
                    if e.without.is_empty() || now == best {
                        format!("{} {now}", g.gauge.words())
                    } else {
                        format!("{} {now} (best reading {best})", g.gauge.words())
                    }
                })
                .collect();
            vec![held(e).to_owned(), state.to_owned(), by, left.join("; ")]
        })
        .collect();
    Some(Section::new(
        "readings",
        "The record read under each explanation",
        vec![
            Block::Table(Table {
                caption: "Each row holds a slip at nothing and lets all other parts make up for it. Excluded: what the \
                          gauges then leave over is more than noise and their stated errors can do (99.9 %). Left over: \
                          root mean square in each gauge."
                    .into(),
                head: vec![
                    "If".into(),
                    "the record".into(),
                    "gauge that speaks against it".into(),
                    format!("left over, {unit}"),
                ],
                rows,
            }),
            Block::Text("A reading that fits is not thereby true. What fits alike cannot be told apart by any fitting, only by another gauge.".into()),
        ],
    ))
}

/// What no reading of the record can show.
pub(super) fn limits_of_the_record(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let sheet = &analysis.sheet.0;
    let mut list: Vec<String> = vec![
        "Why something moved: the record shows what moved between the gauges and when. Causes stand under \"Cause and remedy\" as what the trade holds likely, not as findings.".into(),
        "What happened before the log began, after it ended, or while it had gaps.".into(),
        "What happened in lengths that no gauge watched, such as a splice beyond the point whose travel is read.".into(),
        "A gain error of the load cell: it leaves no trace in the log. Its certificate, as the sheet states it, is all that stands for it.".into(),
        "Whether this line and stopper stand for others of their kind: one pull describes one sample.".into(),
        "Who wrote the sheet and whether it is true: digests show that files are the same as when they were read, not that they are honest.".into(),
    ];
    for s in analysis
        .separated
        .support
        .iter()
        .filter(|s| !s.missing.is_empty())
    {
        list.push(format!(
            "{}, any better than \"{}\": {} would tell more.",
            s.part.words(),
            line(&s.how),
            cx.said_line(&s.missing)
        ));
    }
    if sheet.gauges.load.accuracy.is_none() {
        list.push("How true the loads are: the sheet states no accuracy of the cell.".into());
    }
    if sheet.stopper.tail.is_none() {
        list.push("Whether the tail was free: the sheet does not say, and a held tail would make this no test of the stopper.".into());
    }
    Section::new(
        "cannot-show",
        "What this record cannot show",
        vec![Block::List(list)],
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
