//! Pulls as a Parquet table: one row per pull, and back.
//!
//! The columns that people query stand by name; `facts` holds the same pull whole, as JSON, and is what is read back. So a
//! dataset of such tables, partitioned in any way, can be compared without the logs.

use std::io::Cursor;

use polars::prelude::{
    Column, DataFrame, NamedFrom, ParquetReader, ParquetWriter, SerReader, Series,
};

use super::ExportError;
use super::columns::{self, PullValues};
use crate::pool::Pull;

/// Column that holds a whole pull.
const FACTS: &str = "facts";

pub(super) fn write(pulls: &[Pull]) -> Result<Vec<u8>, ExportError> {
    let columns = columns::pulls();
    let series = columns
        .iter()
        .map(|column| {
            let name = column.name.as_str().into();
            Ok(match column.values {
                PullValues::Text(pick) => {
                    Series::new(name, pulls.iter().map(pick).collect::<Vec<String>>())
                }
                PullValues::Number(pick) => {
                    let finite = |p| pick(p).filter(|v: &f64| v.is_finite());
                    Series::new(name, pulls.iter().map(finite).collect::<Vec<_>>())
                }
                PullValues::Facts => {
                    let facts: Result<Vec<String>, _> =
                        pulls.iter().map(serde_json::to_string).collect();
                    Series::new(name, facts?)
                }
            })
        })
        .map(|series| series.map(Column::from))
        .collect::<Result<_, ExportError>>()?;
    let mut frame = DataFrame::new(pulls.len(), series)?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_key_value_metadata(Some(columns::metadata(&columns)?))
        .finish(&mut frame)?;
    Ok(bytes)
}

pub(super) fn read(bytes: Vec<u8>) -> Result<Vec<Pull>, ExportError> {
    let frame = ParquetReader::new(Cursor::new(bytes)).finish()?;
    let facts = frame.column(FACTS)?.str()?;
    (0..frame.height())
        .filter_map(|i| facts.get(i))
        .map(|text| serde_json::from_str(text).map_err(ExportError::Json))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::tests::matrix;

    #[test]
    fn pulls_read_back_as_they_were() {
        let pulls = matrix();
        assert_eq!(read(write(&pulls).unwrap()).unwrap(), pulls);
        assert!(read(b"no parquet".to_vec()).is_err());
    }
}
