//! Two tables of traces compared column by column.

use std::io::Cursor;

use polars::prelude::{DataFrame, DataType, ParquetReader, SerReader};

use super::Difference;

/// As for the figures of the analysis; a row of the traces is a mean of readings and no finer.
const SAME: f64 = 1e-9;

/// The first entry that differs in each column.
#[must_use]
pub fn differences(file: &str, sealed: &[u8], again: &[u8]) -> Vec<Difference> {
    let differs = |path: &str, sealed: String, again: String| Difference::Figure {
        file: file.to_owned(),
        path: path.to_owned(),
        sealed,
        again,
    };
    let (sealed, again) = match (read(sealed), read(again)) {
        (Ok(sealed), Ok(again)) => (sealed, again),
        (Err(error), _) => {
            return vec![differs(
                "table",
                format!("unreadable ({error})"),
                "a table".into(),
            )];
        }
        (_, Err(error)) => {
            return vec![differs(
                "table",
                "a table".into(),
                format!("unreadable ({error})"),
            )];
        }
    };
    if (sealed.height(), sealed.get_column_names()) != (again.height(), again.get_column_names()) {
        let shape = |t: &DataFrame| format!("{} rows of {} columns", t.height(), t.width());
        return vec![differs("table", shape(&sealed), shape(&again))];
    }
    let mut found = Vec::new();
    for (a, b) in sealed.columns().iter().zip(again.columns()) {
        for row in 0..sealed.height() {
            let (Ok(x), Ok(y)) = (a.get(row), b.get(row)) else {
                continue;
            };
            let close = *a.dtype() == DataType::Float64
                && x.extract::<f64>()
                    .zip(y.extract::<f64>())
                    .is_some_and(|(x, y)| (x - y).abs() <= SAME * x.abs().max(y.abs()).max(1e-3));
            if x != y && !close {
                let path = format!("column {}, row {}", a.name(), row + 1);
                found.push(differs(&path, x.to_string(), y.to_string()));
                break;
            }
        }
    }
    found
}

fn read(bytes: &[u8]) -> Result<DataFrame, String> {
    ParquetReader::new(Cursor::new(bytes))
        .finish()
        .map_err(|e| e.to_string().lines().next().unwrap_or_default().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::sample;
    use crate::export::parquet;

    #[test]
    fn the_entry_that_differs_is_named() {
        let analysis = sample::passes();
        let table = parquet(&analysis).unwrap();
        assert_eq!(differences("traces.parquet", &table, &table), vec![]);
        let mut other = analysis.clone();
        other.traces.load_kn[7] += 0.001;
        let found = differences("traces.parquet", &table, &parquet(&other).unwrap());
        assert_eq!(found.len(), 1);
        let said = found[0].to_string();
        assert!(said.contains("column load_kn, row 8"), "{said}");
        other.traces.load_kn[7] = analysis.traces.load_kn[7] * (1.0 + 1e-15);
        let close = differences("traces.parquet", &table, &parquet(&other).unwrap());
        assert_eq!(close, vec![]);
        let broken = differences("traces.parquet", b"no table", &table);
        assert!(broken[0].to_string().contains("unreadable"));
    }
}
