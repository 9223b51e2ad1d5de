//! The whole reading: dialect, columns, clock, rows, marks.

use std::io::Read;

use super::clock::{self, Form};
use super::columns::{TimeColumn, Wanted, missing, time_column, wanted_columns};
use super::dialect::{self, Dialect};
use super::error::IngestError;
use super::gather::Gather;
use super::rows::Plan;
use super::source::Source;
use super::{Channel, InputFile, Log, Understood, blocks, marks};
use crate::sheet::Sheet;

/// Names of the files, for messages and for the list of inputs.
#[derive(Debug, Clone, Copy)]
pub struct FileNames<'a> {
    /// The log.
    pub log: &'a str,
    /// The marks file; unused without one.
    pub marks: &'a str,
}

/// Reads a log, and the readings of a marks file, as the sheet says.
///
/// The log is read in chunks and digested on the way; memory does not grow with it. Values come out in SI with the
/// sheet's signs applied; time rises strictly (see [`Log`]).
///
/// # Errors
/// See [`IngestError`]: every error names the file and, where there is one, line, column and the offending text.
pub fn read_log(
    log: &mut dyn Read,
    marks: Option<&mut dyn Read>,
    sheet: &Sheet,
    names: FileNames<'_>,
) -> Result<(Log, Vec<InputFile>), IngestError> {
    let reading = &sheet.reading;
    let mut source = Source::open(log, names.log, reading.encoding.as_deref())?;
    let mut asked: Vec<&str> = sheet
        .gauges
        .iter()
        .map(|(_, g)| g.column.as_str())
        .collect();
    asked.extend(sheet.gauges.time.as_ref().and_then(|t| t.column.as_deref()));
    let dialect = dialect::find(source.head(), names.log, reading, &asked)?;
    let mut understood = begin_understood(&source, &dialect);
    let line = dialect.header_line.max(1);

    let (wanted, absent) = wanted_columns(
        sheet,
        &dialect.names,
        names.log,
        line,
        &mut understood.notes,
    )?;
    let marks_file = match marks {
        Some(reader) => Some(marks::open(reader, names.marks, sheet)?),
        None => None,
    };
    for kind in absent {
        let in_marks = marks_file.as_ref().is_some_and(|m| m.has(kind));
        if !in_marks && let Some(gauge) = sheet.gauges.get(kind) {
            return Err(missing(
                &gauge.column,
                kind.name(),
                &dialect.names,
                names.log,
                line,
            ));
        }
    }
    let taken: Vec<usize> = wanted.iter().map(|w| w.column).collect();
    let sample = |column: usize| first_filled(&dialect, column);
    let time = time_column(
        sheet,
        &dialect.names,
        &taken,
        &sample,
        names.log,
        &mut understood,
    )?;
    let origin = origin(&dialect, time);
    let plan = plan(&dialect, time, origin, &wanted);

    let time_name = time
        .column
        .and_then(|c| dialect.names.get(c))
        .map_or_else(|| "time".to_owned(), |n| n.raw.clone());
    let gaps = reading
        .gaps
        .iter()
        .filter_map(|(line, gap)| Some((line.parse().ok()?, gap.si())))
        .collect();
    let channels = wanted.iter().map(|w| w.name.clone()).collect();
    let mut gather = Gather::new(names.log, time.form, time_name, channels, gaps);
    blocks::read_all(&mut source, &plan, dialect.lines_before, &mut gather)?;
    gather.finish(reading.unreadable.map(crate::units::Share::si))?;
    if gather.store.time.is_empty() {
        return Err(IngestError::NoRows {
            file: names.log.into(),
            header_line: line,
        });
    }

    let mut files = vec![source.finish("log")?];
    let mut readings = Vec::new();
    if let Some(file) = marks_file {
        readings = file.readings(time.form, origin)?;
        files.push(file.input);
    }
    let log = assemble(gather, wanted, understood, readings, names.log)?;
    Ok((log, files))
}

/// What the dialect says, for `check` and the analysis.
pub(super) fn begin_understood(source: &Source<'_>, dialect: &Dialect) -> Understood {
    Understood {
        encoding: source.encoding(),
        separator: dialect.separator.word().into(),
        decimal: char::from(dialect.marks.decimal).to_string(),
        thousands: dialect.marks.thousands.map(|m| {
            if m == b' ' {
                "space".into()
            } else {
                char::from(m).to_string()
            }
        }),
        header_line: dialect.header_line,
        columns: dialect.names.iter().map(|n| n.raw.clone()).collect(),
        metadata: dialect.metadata.clone(),
        ..Understood::default()
    }
}

/// The first filled cell of a column.
pub(super) fn first_filled(dialect: &Dialect, column: usize) -> Option<Vec<u8>> {
    dialect
        .sample
        .iter()
        .filter_map(|row| row.get(column))
        .find(|c| !c.is_empty())
        .cloned()
}

/// Day and nanosecond of the first row, from which clock and ISO times are counted.
pub(super) fn origin(dialect: &Dialect, time: TimeColumn) -> (i64, i64) {
    let mut cells = dialect
        .sample
        .iter()
        .filter_map(|row| row.get(time.column?));
    match time.form {
        Form::Clock => cells
            .find_map(|c| clock::clock(super::cell::unquoted(c)))
            .map(|n| (0, n)),
        Form::Iso => cells.find_map(|c| clock::iso(super::cell::unquoted(c))),
        _ => None,
    }
    .unwrap_or((0, 0))
}

pub(super) fn plan(
    dialect: &Dialect,
    time: TimeColumn,
    origin: (i64, i64),
    wanted: &[Wanted],
) -> Plan {
    Plan {
        separator: dialect.separator,
        marks: dialect.marks,
        time,
        origin,
        channels: wanted.iter().map(|w| (w.column, w.scale)).collect(),
        columns: dialect.header.len(),
        header: dialect.header.clone(),
        unit_row: dialect.unit_row.clone(),
    }
}

fn assemble(
    gather: Gather,
    wanted: Vec<Wanted>,
    mut understood: Understood,
    readings: Vec<super::HandReading>,
    file: &str,
) -> Result<Log, IngestError> {
    let store = gather.store;
    let mut channels = Vec::with_capacity(wanted.len());
    for (i, (wanted, column)) in wanted.into_iter().zip(store.channels).enumerate() {
        if column.extremes.is_none() {
            return Err(IngestError::NoNumbers {
                file: file.into(),
                column: wanted.name,
                gauge: wanted.kind.name(),
                rows: store.rows,
            });
        }
        channels.push(Channel {
            kind: wanted.kind,
            column: wanted.name,
            unit: wanted.unit,
            values: column.values,
            clipped: column.clipped,
            extremes: column.extremes,
            unreadable: gather.unreadable[i],
            step: column.step.is_finite().then(|| nine_digits(column.step)),
        });
    }
    understood.metadata.extend(gather.metadata);
    understood.metadata.truncate(2 * dialect::METADATA_MAX);
    understood.unreadable = gather.shown;
    understood.reordered = gather.reordered;
    understood.duplicates = gather.duplicates;
    Ok(Log {
        time_s: store.time,
        rows_per_entry: store.per,
        rows: store.rows,
        channels,
        readings,
        segments: store.segments,
        understood,
    })
}

/// Nine significant digits: what is left of 0.3 − 0.2 beyond them is rounding.
fn nine_digits(value: f64) -> f64 {
    format!("{value:.8e}").parse().unwrap_or(value)
}
