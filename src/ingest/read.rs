//! The whole reading: dialect, columns, clock, rows, marks.

use std::io::Read;
use std::ops::ControlFlow;

use super::clock::{self, Form};
use super::columns::{ColumnName, TimeColumn, Wanted, missing, time_column, wanted_columns};
use super::dialect::{self, Dialect};
use super::error::IngestError;
use super::gather::Gather;
use super::rows::Plan;
use super::source::Source;
use super::{Channel, ClockKnown, GaugeKind, InputFile, Log, Understood, blocks, marks};
use crate::sheet::Sheet;

/// The rate of a sheet and that of a time column agree within this share.
const RATE_AGREES: f64 = 0.02;

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
    mut marks: Option<&mut dyn Read>,
    sheet: &Sheet,
    names: FileNames<'_>,
) -> Result<(Log, Vec<InputFile>), IngestError> {
    let mut marks_file = None;
    let mut opened = open(log, sheet, names.log, &mut |absent, columns, line| {
        if let Some(reader) = marks.take() {
            marks_file = Some(marks::open(reader, names.marks, sheet)?);
        }
        for kind in absent {
            let in_marks = marks_file.as_ref().is_some_and(|m| m.has(*kind));
            // What the first log lacks may stand in the second; only the load may not.
            let in_second = sheet.second_log.is_some() && *kind != GaugeKind::Load;
            if !in_marks
                && !in_second
                && let Some(gauge) = sheet.gauges.get(*kind)
            {
                return Err(missing(
                    &gauge.column,
                    kind.name(),
                    columns,
                    names.log,
                    line,
                ));
            }
        }
        Ok(())
    })?;
    let mut gather = opened.gather(names.log, sheet);
    opened.read(&mut gather, &mut |_| Ok(()))?;
    gather.finish(sheet.reading.unreadable.map(crate::units::Share::si))?;
    if gather.store.time.is_empty() {
        return Err(IngestError::NoRows {
            file: names.log.into(),
            header_line: opened.dialect.header_line.max(1),
        });
    }

    let mut files = vec![opened.source.finish("log")?];
    let mut readings = Vec::new();
    if let Some(file) = marks_file {
        readings = file.readings(opened.plan.time.form, opened.plan.origin)?;
        files.push(file.input);
    }
    let log = assemble(
        gather,
        opened.wanted,
        opened.understood,
        readings,
        names.log,
    )?;
    Ok((log, files))
}

/// Rows in order of time, as they were read: SI, sign applied, nothing averaged.
#[derive(Debug, Clone, PartialEq)]
pub struct RowGroup {
    /// Time of each row in s, on the clock of [`Log::time_s`].
    pub time_s: Vec<f64>,
    /// Values of each channel; NaN = missing or out of range.
    pub channels: Vec<(GaugeKind, Vec<f64>)>,
}

/// Hands out every row of a log, in groups of up to [`ENTRIES_MAX`](super::ENTRIES_MAX) rows: a second reading for logs
/// whose rows were merged by [`read_log`]. Memory does not grow with the log. `take` ends the reading with
/// [`ControlFlow::Break`].
///
/// Late rows are put in order as in the first reading, and the same rows are dropped as repeated, so that the rows
/// handed out are as many as [`Log::rows`].
///
/// # Errors
/// As for [`read_log`]; [`IngestError::Stopped`] if `take` ended it.
pub fn each_row(
    log: &mut dyn Read,
    sheet: &Sheet,
    name: &str,
    take: &mut (dyn FnMut(RowGroup) -> ControlFlow<()> + Send),
) -> Result<InputFile, IngestError> {
    let mut opened = open(log, sheet, name, &mut |_, _, _| Ok(()))?;
    let mut gather = opened.gather(name, sheet);
    gather.store.hand_out_rows();
    let kinds: Vec<GaugeKind> = opened.wanted.iter().map(|w| w.kind).collect();
    let mut hand = |gather: &mut Gather| {
        while let Some((time_s, values)) = gather.store.take_group() {
            let channels = kinds.iter().copied().zip(values).collect();
            if take(RowGroup { time_s, channels }).is_break() {
                return Err(IngestError::Stopped { file: name.into() });
            }
        }
        Ok(())
    };
    opened.read(&mut gather, &mut hand)?;
    gather.finish(sheet.reading.unreadable.map(crate::units::Share::si))?;
    gather.store.hand_out_rest();
    hand(&mut gather)?;
    opened.source.finish("log")
}

/// A log whose table was found and understood, before its first row.
struct Opened<'r> {
    source: Source<'r>,
    dialect: Dialect,
    understood: Understood,
    wanted: Vec<Wanted>,
    plan: Plan,
}

/// Is asked about gauges without a column here: the gauges, the columns, the line of the header.
type Settle<'a> = dyn FnMut(&[GaugeKind], &[ColumnName], usize) -> Result<(), IngestError> + 'a;

/// Finds dialect, columns and clock. `settle` is asked about gauges that have no column here.
fn open<'r>(
    log: &'r mut dyn Read,
    sheet: &Sheet,
    name: &str,
    settle: &mut Settle<'_>,
) -> Result<Opened<'r>, IngestError> {
    let reading = &sheet.reading;
    let source = Source::open(log, name, reading.encoding.as_deref())?;
    let mut asked: Vec<&str> = sheet
        .gauges
        .iter()
        .map(|(_, g)| g.column.as_str())
        .collect();
    asked.extend(sheet.gauges.time.as_ref().and_then(|t| t.column.as_deref()));
    let dialect = dialect::find(source.head(), name, reading, &asked)?;
    let mut understood = begin_understood(&source, &dialect);
    let line = dialect.header_line.max(1);
    let (wanted, absent) =
        wanted_columns(sheet, &dialect.names, name, line, &mut understood.doubts)?;
    settle(&absent, &dialect.names, line)?;
    let taken: Vec<usize> = wanted.iter().map(|w| w.column).collect();
    let sample = |column: usize| first_filled(&dialect, column);
    let time = time_column(
        sheet.gauges.time.as_ref(),
        &dialect.names,
        &taken,
        &sample,
        name,
        &mut understood,
    )?;
    let stated = sheet.gauges.time.as_ref().and_then(|t| t.rate);
    if let Some(stated) = stated
        && let Some((name, told)) = rate_by_column(sheet, &source, &dialect, &taken)
        && (told / stated.si()).ln().abs() > RATE_AGREES
    {
        understood.doubts.push(format!(
            "the sheet gives a rate of {stated}, the column `{name}` tells {told} Hz; the sheet was followed"
        ));
    }
    let plan = plan(&dialect, time, origin(&dialect, time), &wanted);
    Ok(Opened {
        source,
        dialect,
        understood,
        wanted,
        plan,
    })
}

impl Opened<'_> {
    fn gather(&self, file: &str, sheet: &Sheet) -> Gather {
        let time = self.plan.time;
        let time_name = time
            .column
            .and_then(|c| self.dialect.names.get(c))
            .map_or_else(|| "time".to_owned(), |n| n.raw.clone());
        let gaps = sheet
            .reading
            .gaps
            .iter()
            .filter_map(|(line, gap)| Some((line.parse().ok()?, gap.si())))
            .collect();
        let channels = self.wanted.iter().map(|w| w.name.clone()).collect();
        Gather::new(file, time.form, time_name, channels, gaps)
    }

    fn read(
        &mut self,
        gather: &mut Gather,
        after: &mut blocks::After<'_>,
    ) -> Result<(), IngestError> {
        blocks::read_all(
            &mut self.source,
            &self.plan,
            self.dialect.lines_before,
            gather,
            after,
        )
    }
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

/// The time column and the rows per second that it tells, for a sheet that gives a rate instead; `None` without such a
/// column, or where nothing says its unit.
fn rate_by_column(
    sheet: &Sheet,
    source: &Source<'_>,
    dialect: &Dialect,
    taken: &[usize],
) -> Option<(String, f64)> {
    let mut clock = sheet.gauges.time.clone()?;
    clock.rate = None;
    let mut understood = Understood::default();
    let sample = |column: usize| first_filled(dialect, column);
    let time = time_column(
        Some(&clock),
        &dialect.names,
        taken,
        &sample,
        "",
        &mut understood,
    )
    .ok()?;
    let name = understood
        .time_column
        .filter(|_| understood.clock == ClockKnown::Stated)?;
    Some((name, super::sniff::rate_told(source, dialect, time)?))
}

/// Day and nanosecond of the first row, from which clock and ISO times are counted.
pub(super) fn origin(dialect: &Dialect, time: TimeColumn) -> (i64, i64) {
    let mut cells = dialect
        .sample
        .iter()
        .filter_map(|row| row.get(time.column?));
    match time.form {
        form @ (Form::Clock | Form::Minutes) => cells
            .find_map(|c| form.nanos(super::cell::unquoted(c)))
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
    understood.rows_without_time = gather.unreadable.last().copied().unwrap_or(0);
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
