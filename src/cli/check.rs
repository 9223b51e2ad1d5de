//! `check`: what was understood, and nothing written.

use std::path::PathBuf;

use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::{files, plan};
use crate::figures::span_text;
use crate::ingest::Channel;
use crate::pipeline::{self, Inputs};

/// Checks every folder; one that fails does not stop the rest.
pub(super) fn run(folders: &[PathBuf], console: &Console) -> Exit {
    let mut failed = 0;
    for folder in folders {
        let checked = files::read_pull(folder).and_then(|inputs| {
            let inspection = pipeline::inspect(&inputs).map_err(|e| Fault::pipeline(folder, &e))?;
            let mut lines = lines(&inputs);
            lines.extend(inspection.lines());
            Ok(lines)
        });
        match checked {
            Ok(lines) => {
                console.result(&plan::name_of(folder));
                for line in lines {
                    console.result(&format!("  {line}"));
                }
            }
            Err(fault) => {
                failed += 1;
                console.fault(&fault);
            }
        }
    }
    match failed {
        0 => Exit::Done,
        n if n == folders.len() => Exit::Nothing,
        _ => Exit::NotPassed,
    }
}

/// What the reading understood.
fn lines(inputs: &Inputs) -> Vec<String> {
    let (log, sheet) = (&inputs.log, &inputs.sheet);
    let understood = &log.understood;
    let mut lines = Vec::new();
    let header = match understood.header_line {
        0 => "no header".to_owned(),
        line => format!("header in line {line}"),
    };
    lines.push(format!(
        "log: {}, {} rows, {}, separator `{}`, decimal mark `{}`{}, {header}",
        sheet.pull.log,
        log.rows,
        understood.encoding,
        understood.separator,
        understood.decimal,
        understood
            .thousands
            .as_ref()
            .map(|t| format!(", thousands mark `{t}`"))
            .unwrap_or_default(),
    ));
    if let (Some(first), Some(last)) = (log.time_s.first(), log.time_s.last()) {
        lines.push(format!(
            "time: {}; {first} s to {last} s{}",
            understood.time,
            rate(log)
        ));
    }
    lines.extend(log.channels.iter().map(channel));
    for kind in crate::sheet::GaugeKind::ALL {
        let n = log.readings.iter().filter(|r| r.kind == kind).count();
        if n > 0 {
            lines.push(format!("{}: {n} readings by hand", kind.name()));
        }
    }
    let unused: Vec<String> = understood
        .columns
        .iter()
        .filter(|c| {
            !c.is_empty()
                && understood.time_column.as_ref() != Some(*c)
                && log.channels.iter().all(|used| used.column != **c)
        })
        .map(|c| format!("`{c}`"))
        .collect();
    if !unused.is_empty() {
        lines.push(format!("columns that are no gauge: {}", unused.join(", ")));
    }
    if log.rows_per_entry > 1 {
        lines.push(format!(
            "long log: means of {} rows are kept",
            log.rows_per_entry
        ));
    }
    if !log.segments.is_empty() {
        lines.push(format!("the logger restarted {} times", log.segments.len()));
    }
    if understood.reordered > 0 {
        lines.push(format!(
            "{} late rows were put in order",
            understood.reordered
        ));
    }
    if understood.duplicates > 0 {
        lines.push(format!(
            "{} repeated rows were dropped",
            understood.duplicates
        ));
    }
    for cell in &understood.unreadable {
        lines.push(format!(
            "unreadable: line {}, column {}: `{}`",
            cell.line, cell.column, cell.text
        ));
    }
    lines.extend(understood.notes.iter().map(|n| format!("note: {n}")));
    lines
}

fn channel(channel: &Channel) -> String {
    let unit = channel.unit;
    let shown = |si: f64| {
        format!("{:.6e}", si / unit.to_si)
            .parse::<f64>()
            .unwrap_or(f64::NAN)
    };
    let range = channel
        .extremes
        .map(|(low, high)| format!(", {} to {} {}", shown(low), shown(high), unit.symbol))
        .unwrap_or_default();
    let step = channel
        .step
        .map(|s| format!(", smallest step {} {}", shown(s), unit.symbol))
        .unwrap_or_default();
    let clipped = match channel.clipped.len() {
        0 => String::new(),
        n => format!(", out of range {n} times"),
    };
    format!(
        "{}: column `{}` in {}{range}{step}{clipped}",
        channel.kind.name(),
        channel.column,
        unit.symbol
    )
}

/// Rows per second from the median step.
fn rate(log: &crate::ingest::Log) -> String {
    let mut steps: Vec<f64> = log.time_s.windows(2).map(|w| w[1] - w[0]).collect();
    steps.sort_by(f64::total_cmp);
    let Some(step) = steps.get(steps.len() / 2) else {
        return String::new();
    };
    #[expect(clippy::cast_precision_loss, reason = "rows in one entry")]
    let rows = log.rows_per_entry as f64;
    if *step > 2.0 * rows {
        return format!(
            ", one row every {}",
            span_text(step / rows).replace('\u{a0}', " ")
        );
    }
    let shown: f64 = format!("{:.3e}", rows / step).parse().unwrap_or(f64::NAN);
    format!(", {shown} rows per second")
}
