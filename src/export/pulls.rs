//! Pulls as a Parquet table: one row per pull, and back.
//!
//! The columns that people query stand by name; `facts` holds the same pull whole, as JSON, and is what is read back. So a
//! dataset of such tables, partitioned in any way, can be compared without the logs.

use std::io::Cursor;

use polars::prelude::{
    Column, DataFrame, NamedFrom, ParquetReader, ParquetWriter, SerReader, Series,
};

use super::ExportError;
use crate::pool::Pull;
use crate::stats::censored::Observed;

/// Column that holds a whole pull.
const FACTS: &str = "facts";

pub(super) fn write(pulls: &[Pull]) -> Result<Vec<u8>, ExportError> {
    let text = |name: &str, pick: &dyn Fn(&Pull) -> String| {
        let values: Vec<String> = pulls.iter().map(pick).collect();
        Column::from(Series::new(name.into(), values))
    };
    let number = |name: &str, pick: &dyn Fn(&Pull) -> Option<f64>| {
        let values: Vec<Option<f64>> = pulls
            .iter()
            .map(|p| pick(p).filter(|v| v.is_finite()))
            .collect();
        Column::from(Series::new(name.into(), values))
    };
    let load = |p: &Pull| p.figure(p.governing).and_then(|f| f.load);
    let facts: Vec<String> = pulls
        .iter()
        .map(serde_json::to_string)
        .collect::<Result<_, _>>()?;
    let columns = vec![
        text("name", &|p| p.name.clone()),
        text("pair", &Pull::pair),
        text("line", &|p| p.line.clone()),
        text("line_kind", &|p| p.line_kind.clone()),
        text("stopper_kind", &|p| p.stopper_kind.clone()),
        text("treatment", &|p| p.treatment.clone()),
        text("session", &|p| p.session.clone()),
        text("rig", &|p| p.rig.clone()),
        number("diameter_mm", &|p| p.diameter_mm),
        number("position", &Pull::position),
        number("limit_kn", &|p| match load(p) {
            Some(Observed::At(v)) => Some(v),
            _ => None,
        }),
        number("limit_kn_lo", &|p| load(p).map(Observed::start)),
        number("limit_kn_hi", &|p| match load(p) {
            Some(Observed::At(v) | Observed::Between(_, v)) => Some(v),
            _ => None,
        }),
        number("peak_load_kn", &|p| Some(p.peak_kn)),
        text("log_sha256", &|p| p.log_sha256.clone()),
        Column::from(Series::new(FACTS.into(), facts)),
    ];
    let mut frame = DataFrame::new(pulls.len(), columns)?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes).finish(&mut frame)?;
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
