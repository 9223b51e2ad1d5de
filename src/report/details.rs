//! How the figures were found, and with which instruments.

use super::view::{Block, Context, Section, Table, line};
use crate::figures::percent;
use crate::sheet::{Against, Gauge};

pub(super) fn method(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let mut blocks = vec![Block::Text(
        "Travel is balanced against load, time and the highest load so far: stretch comes back, set and slip do not; \
         set comes with new highest loads, slip does not need them. What the gauges cannot tell apart is given as one \
         figure or as a bracket, never as a guess. Intervals hold noise, the instruments' stated errors and the choice \
         of laws together."
            .into(),
    )];
    let mut rows: Vec<Vec<String>> = analysis
        .separated
        .parts
        .iter()
        .filter(|(_, p)| !p.end.method.is_empty())
        .map(|(name, p)| vec![name.words().to_owned(), cx.said_line(&p.end.method)])
        .collect();
    let governing = &analysis.limit.governing.load;
    if !governing.method.is_empty() {
        rows.push(vec!["limit".into(), cx.said_line(&governing.method)]);
    }
    if !rows.is_empty() {
        blocks.push(Block::Table(Table {
            caption: "How each figure was found.".into(),
            head: vec!["Figure".into(), "method".into()],
            rows,
        }));
    }
    let s = &analysis.settings;
    blocks.push(Block::Facts(vec![
        (
            "Coverage of intervals".into(),
            format!("{} %", percent(s.level)),
        ),
        ("Seed of the refits".into(), s.seed.to_string()),
        (
            "Rows of traces.parquet".into(),
            if s.all_traces {
                "every row, as asked for"
            } else {
                "every row up to 200,000, block means beyond"
            }
            .into(),
        ),
        (
            "Version of the form of analysis.json".into(),
            analysis.schema_version.to_string(),
        ),
    ]));
    Section::new("method", "How the figures were found", blocks)
}

pub(super) fn instruments(cx: &Context<'_>) -> Section {
    let g = &cx.analysis.sheet.0.gauges;
    let gauges: [(&str, Option<&Gauge>); 8] = [
        ("load", Some(&g.load)),
        ("travel", g.travel.as_ref()),
        ("mark", g.mark.as_ref()),
        ("tail", g.tail.as_ref()),
        ("body", g.body.as_ref()),
        ("core", g.core.as_ref()),
        ("span", g.span.as_ref()),
        ("tail load", g.tail_load.as_ref()),
    ];
    let said = |t: &Option<String>| t.as_deref().map_or_else(|| "—".into(), line);
    let rows = gauges
        .iter()
        .filter_map(|(name, gauge)| gauge.map(|gauge| (*name, gauge)))
        .map(|(name, gauge)| {
            let against = match gauge.against {
                Some(Against::Rig) => "rig",
                Some(Against::Stopper) => "stopper",
                Some(Against::CoverEnd) => "cover end",
                None => "—",
            };
            let errors = [
                gauge.accuracy.as_deref().map(line),
                gauge.zero.as_deref().map(|z| format!("zero {}", line(z))),
                gauge.drift.as_deref().map(|d| format!("drift {}", line(d))),
            ];
            let errors: Vec<String> = errors.into_iter().flatten().collect();
            let certificate: Vec<String> = [
                gauge.certificate.as_deref().map(line),
                gauge.certified.as_deref().map(line),
                gauge
                    .valid_until
                    .as_deref()
                    .map(|d| format!("valid until {}", line(d))),
            ]
            .into_iter()
            .flatten()
            .collect();
            let or_dash = |list: Vec<String>| {
                if list.is_empty() {
                    "—".into()
                } else {
                    list.join(", ")
                }
            };
            let column = match &gauge.unit {
                Some(unit) if !gauge.column.contains(unit.as_str()) => {
                    format!("{}, {}", line(&gauge.column), line(unit))
                }
                _ => line(&gauge.column),
            };
            vec![
                name.to_owned(),
                column,
                against.to_owned(),
                said(&gauge.capacity),
                said(&gauge.resolution),
                or_dash(errors),
                or_dash(certificate),
            ]
        })
        .collect();
    Section::new(
        "instruments",
        "Instruments, as the sheet states them",
        vec![Block::Table(Table {
            caption: "A dash: the sheet does not say.".into(),
            head: [
                "Gauge",
                "column",
                "read against",
                "full scale",
                "step",
                "accuracy",
                "certificate",
            ]
            .map(String::from)
            .to_vec(),
            rows,
        })]
        .into_iter()
        .chain(unstated(&gauges).map(Block::Text))
        .collect(),
    )
}

/// Silence about an accuracy would read as if there were no error.
fn unstated(gauges: &[(&str, Option<&Gauge>)]) -> Option<String> {
    let names: Vec<&str> = gauges
        .iter()
        .filter(|(_, g)| g.is_some_and(|g| g.accuracy.is_none()))
        .map(|(name, _)| *name)
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "The sheet states no accuracy of {}: no error of the instrument is counted there, and the intervals hold \
             noise and the choice of laws alone.",
            names.join(", ")
        )
    })
}
