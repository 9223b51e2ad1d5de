//! The traces as a Parquet table.
//!
//! A part that the gauges cannot give is null throughout; of a bracket only `_lo` and `_hi` are given. Missing values
//! are null, never NaN, so that a mean over a column is a mean over what was measured.

use std::io::Write;

use polars::io::prelude::StatisticsOptions;
use polars::prelude::{
    BatchedWriter, Column, DataFrame, DataType, NamedFrom, ParquetWriter, Series,
};

use super::ExportError;
use super::columns::{self, End, TableColumn, TraceValues};
use crate::analysis::{Analysis, Traces};
use crate::ingest::RowGroup;

pub(super) fn write(analysis: &Analysis) -> Result<Vec<u8>, ExportError> {
    let traces = &analysis.traces;
    let mut frame = frame(traces, &rows(analysis, traces.time_s.len()))?;
    let mut bytes = Vec::new();
    writer(&mut bytes)?.finish(&mut frame)?;
    Ok(bytes)
}

/// `traces.parquet` of a log whose rows are read a second time, written group by group.
pub struct EveryRow<'a, W: Write> {
    analysis: &'a Analysis,
    writer: BatchedWriter<W>,
}

impl<'a, W: Write> EveryRow<'a, W> {
    /// Begins the file.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn begin(analysis: &'a Analysis, to: W) -> Result<Self, ExportError> {
        let none = frame(&Traces::default(), &[])?;
        let writer = writer(to)?.batched(none.schema())?;
        Ok(Self { analysis, writer })
    }

    /// Writes a group of rows as one row group.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn write(&mut self, group: &RowGroup) -> Result<(), ExportError> {
        let n = group.time_s.len();
        let frame = frame(&self.analysis.traces_of(group), &vec![1; n])?;
        Ok(self.writer.write_batch(&frame)?)
    }

    /// Ends the file.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn finish(self) -> Result<(), ExportError> {
        self.writer.finish()?;
        Ok(())
    }
}

/// A writer that puts what the columns mean into the file.
fn writer<W: Write>(to: W) -> Result<ParquetWriter<W>, ExportError> {
    let metadata = columns::metadata(&columns::traces())?;
    // Smallest and largest of every page would take a third of the time, and nobody searches a pull by them.
    Ok(ParquetWriter::new(to)
        .with_statistics(StatisticsOptions::empty())
        .with_key_value_metadata(Some(metadata)))
}

/// The table; `rows` are the rows of the log in each entry.
fn frame(traces: &Traces, rows: &[u64]) -> Result<DataFrame, ExportError> {
    let n = traces.time_s.len();
    let of_column = |column: &TableColumn<TraceValues>| {
        let name = column.name.as_str();
        match column.values {
            TraceValues::Time => numbers(name, Some(&traces.time_s), n),
            TraceValues::Load => numbers(name, Some(&traces.load_kn), n),
            TraceValues::Travel => {
                // Without a travel gauge there is no travel, and the column is null.
                let travel = (!traces.travel_mm.is_empty()).then_some(&traces.travel_mm);
                numbers(name, travel, n)
            }
            TraceValues::Part(part, end) => {
                let trace = traces.parts.get(&part);
                let values = match end {
                    End::Value => trace.and_then(|t| t.value.as_ref()),
                    End::Low => trace.map(|t| &t.low),
                    End::High => trace.map(|t| &t.high),
                };
                numbers(name, values, n)
            }
            TraceValues::Phase => {
                same_length(name, traces.phase.len(), n)?;
                let phase: Vec<&str> = traces.phase.iter().map(|p| p.word()).collect();
                Ok(Column::from(Series::new(name.into(), phase)))
            }
            TraceValues::Rows => {
                same_length(name, rows.len(), n)?;
                Ok(Column::from(Series::new(name.into(), rows)))
            }
        }
    };
    let columns: Result<_, ExportError> = columns::traces().iter().map(of_column).collect();
    Ok(DataFrame::new(n, columns?)?)
}

fn numbers(name: &str, values: Option<&Vec<f64>>, n: usize) -> Result<Column, ExportError> {
    let Some(values) = values else {
        return Ok(Column::full_null(name.into(), n, &DataType::Float64));
    };
    same_length(name, values.len(), n)?;
    let series = if values.iter().all(|v| v.is_finite()) {
        Series::new(name.into(), values)
    } else {
        let known = values.iter().map(|v| v.is_finite().then_some(*v));
        Series::new(name.into(), known.collect::<Vec<_>>())
    };
    Ok(Column::from(series))
}

fn same_length(column: &str, found: usize, expected: usize) -> Result<(), ExportError> {
    if found == expected {
        Ok(())
    } else {
        Err(ExportError::Length {
            column: column.into(),
            found,
            expected,
        })
    }
}

/// Rows of the log in each entry: the same number in all but the last, which holds the rest.
fn rows(analysis: &Analysis, n: usize) -> Vec<u64> {
    let record = &analysis.record;
    let full = record.rows_per_entry.max(1);
    let mut rows = vec![full; n];
    let before = full * (n as u64).saturating_sub(1);
    if let Some(last) = rows.last_mut()
        && (1..=full).contains(&record.rows.saturating_sub(before))
    {
        *last = record.rows - before;
    }
    rows
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use polars::prelude::{ParquetReader, SerReader};

    use super::*;
    use crate::chart::sample;

    fn read(analysis: &Analysis) -> DataFrame {
        ParquetReader::new(Cursor::new(write(analysis).unwrap()))
            .finish()
            .unwrap()
    }

    #[test]
    fn traces_read_back_as_they_were() {
        let analysis = sample::passes();
        let frame = read(&analysis);
        let names: Vec<&str> = frame
            .get_column_names()
            .into_iter()
            .map(|n| n.as_str())
            .collect();
        assert_eq!(
            names[..6],
            [
                "time_s",
                "load_kn",
                "travel_mm",
                "stretch_mm",
                "stretch_mm_lo",
                "stretch_mm_hi"
            ]
        );
        assert_eq!(names[names.len() - 2..], ["phase", "rows"]);
        assert_eq!(frame.height(), analysis.traces.time_s.len());
        let load = frame.column("load_kn").unwrap().f64().unwrap();
        for (i, expected) in analysis.traces.load_kn.iter().enumerate() {
            assert_eq!(load.get(i), Some(*expected));
        }
        let phase = frame.column("phase").unwrap().str().unwrap();
        assert_eq!(
            (phase.get(0), phase.get(100)),
            (Some("take-up"), Some("first dwell"))
        );
        // Before the first dwell no part is defined: null, not NaN.
        let slip = frame.column("stopper_slip_mm").unwrap().f64().unwrap();
        assert_eq!((slip.get(0), slip.get(200).is_some()), (None, true));
    }

    #[test]
    fn a_bracket_has_ends_and_no_value_and_what_is_unknown_is_null() {
        let frame = read(&sample::bracket());
        let nulls = |name: &str| frame.column(name).unwrap().null_count();
        assert_eq!(nulls("cover_slip_mm"), frame.height());
        assert!(
            nulls("cover_slip_mm_lo") < frame.height()
                && nulls("cover_slip_mm_hi") < frame.height()
        );
        assert!(nulls("set_and_cover_slip_mm") < frame.height());
        let frame = read(&sample::cannot_tell());
        for name in [
            "stopper_slip_mm",
            "stopper_slip_mm_lo",
            "stopper_slip_mm_hi",
        ] {
            assert_eq!(
                frame.column(name).unwrap().null_count(),
                frame.height(),
                "{name}"
            );
        }
    }

    #[test]
    fn the_rows_of_all_entries_add_up() {
        let mut analysis = sample::passes();
        let n = analysis.traces.time_s.len() as u64;
        analysis.record.rows_per_entry = 4;
        analysis.record.rows = 4 * n - 3;
        let frame = read(&analysis);
        let column = frame.column("rows").unwrap().u64().unwrap();
        let rows: Vec<u64> = (0..frame.height())
            .map(|i| column.get(i).unwrap())
            .collect();
        assert_eq!(rows.iter().sum::<u64>(), analysis.record.rows);
        assert_eq!((rows[0], rows[rows.len() - 1]), (4, 1));
    }

    #[test]
    fn columns_of_unequal_length_are_refused() {
        let mut analysis = sample::passes();
        analysis.traces.travel_mm.pop();
        assert!(
            matches!(write(&analysis), Err(ExportError::Length { column, .. }) if column == "travel_mm")
        );
    }

    #[test]
    fn the_same_analysis_gives_the_same_bytes() {
        assert_eq!(
            write(&sample::bracket()).unwrap(),
            write(&sample::bracket()).unwrap()
        );
    }
}
