//! The marks file: rule or camera readings at a few moments, on the log's clock.

use std::io::Read;

use super::cell::{self, Cell};
use super::clock::{self, DAY, Form, SECOND};
use super::columns::{Scale, TimeColumn, column_name, find_column, time_column, unit_of};
use super::dialect::{self, Dialect, split};
use super::error::{IngestError, shorten};
use super::source::Source;
use super::{GaugeKind, HandReading, InputFile, Understood};
use crate::sheet::Sheet;

/// A marks file, read whole: it is small by nature, and bounded here.
pub(super) struct MarksFile {
    pub input: InputFile,
    file: String,
    dialect: Dialect,
    time: TimeColumn,
    columns: Vec<(GaugeKind, usize, Scale)>,
    rows: Vec<Row>,
}

/// Line and cells of one row.
type Row = (u64, Vec<Vec<u8>>);

/// Most readings of a marks file.
const READINGS_MAX: usize = 100_000;

/// Reads a marks file.
///
/// # Errors
/// As for a log; also a file without a time column.
pub(super) fn open(
    reader: &mut dyn Read,
    file: &str,
    sheet: &Sheet,
) -> Result<MarksFile, IngestError> {
    let mut source = Source::open(reader, file, None)?;
    let lengths = || sheet.gauges.iter().filter(|(kind, _)| !kind.is_force());
    let mut asked: Vec<&str> = lengths().map(|(_, g)| g.column.as_str()).collect();
    asked.extend(lengths().map(|(kind, _)| kind.name()));
    // Written by a person, so perhaps in another dialect than the logger's; the sheet decides only what is open.
    let own = crate::sheet::Reading::default();
    let stated = crate::sheet::Reading {
        decimal: sheet.reading.decimal.clone(),
        thousands: sheet.reading.thousands.clone(),
        ..own.clone()
    };
    let dialect = match dialect::find(source.head(), file, &own, &asked) {
        Err(IngestError::Ambiguous { .. }) if stated.decimal.is_some() => {
            dialect::find(source.head(), file, &stated, &asked)?
        }
        found => found?,
    };
    let line = dialect.header_line.max(1);

    let mut notes = Vec::new();
    let mut columns = Vec::new();
    for (kind, gauge) in lengths() {
        let by_gauge = find_column(&gauge.column, &dialect.names, file, line)?;
        let column = match by_gauge {
            Some(column) => Some(column),
            None => find_column(kind.name(), &dialect.names, file, line)?,
        };
        if let Some(column) = column {
            // The unit of this header goes before that of the sheet, which may speak of the log's column.
            let mut own = gauge.clone();
            if dialect.names[column].unit.is_some() {
                own.unit = None;
            }
            let unit = unit_of(kind, &own, &dialect.names[column], file, line, &mut notes)?;
            columns.push((
                kind,
                column,
                Scale::new(unit.to_si, gauge.sign == Some(crate::sheet::Sign::Minus)),
            ));
        }
    }
    let taken: Vec<usize> = columns.iter().map(|c| c.1).collect();
    let sample = |column: usize| super::read::first_filled(&dialect, column);
    let mut understood = Understood {
        header_line: line,
        ..Understood::default()
    };
    let time = time_column(None, &dialect.names, &taken, &sample, file, &mut understood)?;
    if time.column.is_none() {
        return Err(IngestError::MarksWithoutTime {
            file: file.into(),
            line,
        });
    }
    let rows = rows(&mut source, &dialect, file)?;
    Ok(MarksFile {
        input: source.finish("marks")?,
        file: file.into(),
        dialect,
        time,
        columns,
        rows,
    })
}

fn rows(source: &mut Source<'_>, dialect: &Dialect, file: &str) -> Result<Vec<Row>, IngestError> {
    let mut rows = Vec::new();
    let mut line = 0;
    while let Some(chunk) = source.next()? {
        for text in chunk.split(|b| *b == b'\n') {
            line += 1;
            if line > dialect.lines_before
                && !text.trim_ascii().is_empty()
                && !text.starts_with(b"#")
            {
                if rows.len() == READINGS_MAX {
                    return Err(IngestError::TooManyReadings {
                        file: file.into(),
                        line,
                        most: READINGS_MAX,
                    });
                }
                rows.push((line, split(text, dialect.separator)));
            }
        }
        // The split counts one line after the last line end.
        line -= u64::from(chunk.last() == Some(&b'\n'));
    }
    Ok(rows)
}

impl MarksFile {
    /// True when this gauge has a column here.
    pub(super) fn has(&self, kind: GaugeKind) -> bool {
        self.columns.iter().any(|c| c.0 == kind)
    }

    /// The readings, in order of time, on the clock of a log of this form and origin.
    ///
    /// # Errors
    /// A cell that cannot be read (none may be in hand readings), or a clock unlike the log's.
    pub(super) fn readings(
        &self,
        log: Form,
        origin: (i64, i64),
    ) -> Result<Vec<HandReading>, IngestError> {
        let counted = matches!(log, Form::Number { .. } | Form::Rows { .. });
        let fits = match self.time.form {
            Form::Number { .. } => counted,
            Form::Minutes => counted || log == Form::Minutes,
            form => form == log,
        };
        if !fits {
            return Err(IngestError::MarksOnAnotherClock {
                file: self.file.clone(),
                marks: self.time.form.word(),
                log: log.word(),
            });
        }
        let mut readings = Vec::new();
        for (line, cells) in &self.rows {
            let Some(time_s) = self.time_of(cells, origin) else {
                return Err(self.unreadable(*line, self.time.column.unwrap_or(0), cells));
            };
            for (kind, column, scale) in &self.columns {
                let bytes = cells.get(*column).map_or(&b""[..], Vec::as_slice);
                match cell::read(bytes, self.dialect.marks, *scale) {
                    Cell::Number(value) => readings.push(HandReading {
                        time_s,
                        kind: *kind,
                        value_m: value,
                    }),
                    Cell::Missing | Cell::Overload => {}
                    Cell::Bad => return Err(self.unreadable(*line, *column, cells)),
                }
            }
        }
        readings.sort_by(|a, b| a.time_s.total_cmp(&b.time_s).then(a.kind.cmp(&b.kind)));
        Ok(readings)
    }

    #[expect(
        clippy::cast_precision_loss,
        reason = "nanoseconds of one pull stay below 2^53"
    )]
    fn time_of(&self, cells: &[Vec<u8>], origin: (i64, i64)) -> Option<f64> {
        let bytes = cell::unquoted(cells.get(self.time.column?)?);
        match self.time.form {
            Form::Number { to_s } => {
                match cell::read(bytes, self.dialect.marks, Scale::new(to_s, false)) {
                    Cell::Number(value) => Some(value),
                    _ => None,
                }
            }
            form @ (Form::Clock | Form::Minutes) => {
                let mut ticks = form.nanos(bytes)? - origin.1;
                if ticks < -form.turn() / 2 {
                    ticks += form.turn();
                }
                Some(ticks as f64 / SECOND as f64)
            }
            Form::Iso => {
                let (days, nanos) = clock::iso(bytes)?;
                let days = days.checked_sub(origin.0).filter(|d| d.abs() < 100_000)?;
                Some((days * DAY + nanos - origin.1) as f64 / SECOND as f64)
            }
            Form::Rows { .. } => None,
        }
    }

    fn unreadable(&self, line: u64, column: usize, cells: &[Vec<u8>]) -> IngestError {
        IngestError::Unreadable {
            file: self.file.clone(),
            line,
            column: self
                .dialect
                .names
                .get(column)
                .map_or_else(|| column_name("").raw, |n| n.raw.clone()),
            text: cells.get(column).map(|c| shorten(c)).unwrap_or_default(),
            count: 1,
            rows: self.rows.len() as u64,
            allowed: 0,
        }
    }
}
