//! The record behind the figures: what was read, how well the balance closes, what these gauges support.

use super::view::{Block, Context, Section, Table, line, rows_per_time};
use crate::figures::{fixed, significant, span_text};

pub(super) fn quality(cx: &Context<'_>) -> Section {
    let analysis = cx.analysis;
    let record = &analysis.record;
    let units = &cx.units;
    let mut facts = vec![
        (
            "Rows read".to_owned(),
            rows(
                record.rows,
                record.rows_per_entry,
                analysis.settings.all_traces,
            ),
        ),
        ("Span".into(), span_text(record.end_s - record.start_s)),
        ("Rate".into(), rows_per_time(record.rate_hz)),
        ("Highest load".into(), units.load_text(record.peak_load_kn)),
        ("Pre-tension".into(), units.load_text(record.pretension_kn)),
        ("Unloading cycles".into(), record.cycles.to_string()),
    ];
    if let Some(travel) = record.peak_travel_mm {
        facts.insert(4, ("Largest travel".into(), units.length_text(travel)));
    }
    if let Some(rate) = record.loading_rate_kn_per_s {
        facts.push((
            "Loading rate".into(),
            format!(
                "{}\u{a0}{}/s",
                significant(units.load(rate), 2),
                units.force.symbol
            ),
        ));
    }
    facts.push(("Zero of the load cell".into(), cx.told(&analysis.load_zero)));
    facts.push((
        "Drift of the load cell".into(),
        cx.told(&analysis.load_drift),
    ));
    for (gauge, noise) in &record.noise {
        let (size, unit) = if gauge.is_force() {
            (units.load(*noise), units.force.symbol)
        } else {
            (units.length(*noise), units.length.symbol)
        };
        facts.push((
            format!("Noise of the {} gauge", gauge.words()),
            format!("{}\u{a0}{unit} per row", significant(size, 2)),
        ));
    }
    let u = &analysis.understood;
    let read = [
        (!u.encoding.is_empty()).then(|| line(&u.encoding)),
        (!u.separator.is_empty()).then(|| format!("columns apart by `{}`", line(&u.separator))),
        (!u.decimal.is_empty()).then(|| format!("decimal mark `{}`", line(&u.decimal))),
        (!u.time.is_empty()).then(|| format!("time as {}", line(&u.time))),
        (u.reordered > 0).then(|| format!("{} late rows put in order", u.reordered)),
        (u.duplicates > 0).then(|| format!("{} repeated rows dropped", u.duplicates)),
        (!u.unreadable.is_empty()).then(|| {
            let first = &u.unreadable[0];
            format!(
                "some cells unreadable, first in line {}, column {}: {}",
                first.line,
                line(&first.column),
                line(&first.text)
            )
        }),
    ];
    let read: Vec<String> = read.into_iter().flatten().collect();
    if !read.is_empty() {
        facts.push(("How the log was read".into(), read.join(", ")));
    }
    let mut blocks = vec![Block::Facts(facts)];
    blocks.extend(support(cx));
    blocks.extend(closure(cx));
    blocks.extend(cx.chart("balance"));
    blocks.extend(cx.chart("uncertainty"));
    Section::new("quality", "How good the record is", blocks)
}

fn rows(rows: u64, per_entry: u64, all: bool) -> String {
    match per_entry {
        0 | 1 => rows.to_string(),
        n if all => {
            format!("{rows}; the analysis worked on means of {n} rows, the traces hold every row")
        }
        n => format!(
            "{rows}; because there are so many, the analysis and the traces hold means of {n} rows each"
        ),
    }
}

fn support(cx: &Context<'_>) -> Option<Block> {
    let support = &cx.analysis.separated.support;
    (!support.is_empty()).then(|| {
        Block::Table(Table {
            caption: "What these gauges and this schedule can tell, and what would tell more."
                .into(),
            head: vec!["Part".into(), "known".into(), "what would tell more".into()],
            rows: support
                .iter()
                .map(|s| {
                    let missing = cx.said_line(&s.missing);
                    vec![
                        s.part.words().into(),
                        line(&s.how),
                        if missing.is_empty() {
                            "nothing is missing".into()
                        } else {
                            missing
                        },
                    ]
                })
                .collect(),
        })
    })
}

fn closure(cx: &Context<'_>) -> Option<Block> {
    let closure = &cx.analysis.separated.closure;
    let unit = cx.units.length.symbol;
    let size = |mm: f64| significant(cx.units.length(mm), 2);
    (!closure.is_empty()).then(|| {
        Block::Table(Table {
            caption: "What the parts leave unexplained in each gauge, root mean square. Much more than noise alone means that something moved that is not in the balance.".into(),
            head: vec!["Gauge".into(), format!("left over, {unit}"), format!("noise alone, {unit}"), "lag behind the load, s".into()],
            rows: closure
                .iter()
                .map(|c| {
                    let lag = c.lag_s.map_or_else(|| "not seen".into(), |l| lag_text(l, cx.analysis.record.rate_hz));
                    vec![c.gauge.words().to_owned(), size(c.rms_mm), size(c.expected_mm), lag]
                })
                .collect(),
        })
    })
}

/// A lag to a tenth of the time between rows: finer it is not seen.
fn lag_text(lag_s: f64, rate_hz: f64) -> String {
    let places = match rate_hz {
        r if r >= 50.0 => 3,
        r if r >= 5.0 => 2,
        r if r >= 0.5 => 1,
        _ => 0,
    };
    fixed(lag_s, places)
}

pub(super) fn inputs(cx: &Context<'_>) -> Section {
    let rows = cx
        .analysis
        .inputs
        .iter()
        .map(|i| {
            vec![
                line(&i.name),
                line(&i.role),
                i.bytes.to_string(),
                line(&i.sha256),
            ]
        })
        .collect();
    Section::new(
        "inputs",
        "Files this report was made from",
        vec![Block::Table(Table {
            caption: "A file whose digest differs is another file.".into(),
            head: vec![
                "File".into(),
                "what it is".into(),
                "bytes".into(),
                "SHA-256".into(),
            ],
            rows,
        })],
    )
}
