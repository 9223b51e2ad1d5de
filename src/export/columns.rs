//! Columns of the tables, in one place: the writers take names and values from here, and what a column means and in which
//! unit goes from here into the tables' own metadata, `bitterend schema` and `columns.md`.

use polars::io::prelude::KeyValueMetadata;
use serde::Serialize;

use crate::pool::Pull;
use crate::separate::PartName;
use crate::stats::censored::Observed;

/// One column of a table.
#[derive(Debug, Clone, Serialize)]
pub struct TableColumn<V> {
    /// Its name; a unit stands in it.
    pub name: String,
    /// Unit as in the name; empty for texts and plain numbers.
    pub unit: &'static str,
    /// What it holds.
    pub meaning: String,
    /// Where its values come from.
    #[serde(skip)]
    pub(super) values: V,
}

/// Which values of the traces.
#[derive(Debug, Clone, Copy)]
pub enum TraceValues {
    /// The log's clock.
    Time,
    /// Indicated load.
    Load,
    /// Travel.
    Travel,
    /// One part of it.
    Part(PartName, End),
    /// What was done.
    Phase,
    /// Rows of the log.
    Rows,
}

/// Best value or an end of the interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// Best value.
    Value,
    /// Lower end.
    Low,
    /// Upper end.
    High,
}

/// Which values of a pull.
#[derive(Debug, Clone, Copy)]
pub enum PullValues {
    /// A text.
    Text(fn(&Pull) -> String),
    /// A number; null where there is none.
    Number(fn(&Pull) -> Option<f64>),
    /// The pull whole, as JSON.
    Facts,
}

fn column<V>(name: &str, unit: &'static str, meaning: &str, values: V) -> TableColumn<V> {
    TableColumn {
        name: name.to_owned(),
        unit,
        meaning: meaning.to_owned(),
        values,
    }
}

/// Columns of `traces.parquet`: one row per row of the log, or per block of rows of a long log.
#[must_use]
pub fn traces() -> Vec<TableColumn<TraceValues>> {
    use TraceValues::{Load, Part, Phase, Rows, Time, Travel};
    let mut columns = vec![
        column(
            "time_s",
            "s",
            "time on the log's clock; the mean where rows are joined",
            Time,
        ),
        column(
            "load_kn",
            "kN",
            "load as the cell indicates it, its zero and drift taken out",
            Load,
        ),
        column(
            "travel_mm",
            "mm",
            "travel since the first dwell; null without a travel gauge",
            Travel,
        ),
    ];
    for part in PartName::ALL {
        let name = part.key();
        let words = match part {
            PartName::Stretch => "elastic: comes back, at once or late, as far as the record tells",
            PartName::Set => "bedding-in: comes with new highest loads, stays, is no slip",
            PartName::StopperSlip => "line through the stopper",
            PartName::CoverSlip => "core inside the cover",
            PartName::Give => "reversible give of mount and jaws",
            PartName::SetAndCoverSlip => {
                "the two together, where the gauges cannot tell them apart"
            }
            PartName::NotRecovered => "set and every slip together",
        };
        for (end, suffix, what) in [
            (
                End::Value,
                "",
                "since the first dwell; null for a bracket and where the gauges cannot tell",
            ),
            (
                End::Low,
                "_lo",
                "lower end of its 95 % interval, or of the bracket",
            ),
            (
                End::High,
                "_hi",
                "upper end of its 95 % interval, or of the bracket",
            ),
        ] {
            let (name, what) = (format!("{name}_mm{suffix}"), format!("{words}; {what}"));
            columns.push(column(&name, "mm", &what, Part(part, end)));
        }
    }
    columns.push(column("phase", "", "what was done: take-up, first dwell, ramp, hold, locked hold, unload, rest, transfer, run-out", Phase));
    columns.push(column(
        "rows",
        "",
        "rows of the log joined in this one",
        Rows,
    ));
    columns
}

/// Columns of `pulls.parquet`: one row per pull.
#[must_use]
pub fn pulls() -> Vec<TableColumn<PullValues>> {
    use PullValues::{Facts, Number, Text};
    vec![
        column(
            "name",
            "",
            "folder or file that the pull came from",
            Text(|p| p.name.clone()),
        ),
        column(
            "pair",
            "",
            "line and stopper, with the treatment where there is one",
            Text(Pull::pair),
        ),
        column(
            "line",
            "",
            "the line: the unit of repeats",
            Text(|p| p.line.clone()),
        ),
        column(
            "line_kind",
            "",
            "what sort of line",
            Text(|p| p.line_kind.clone()),
        ),
        column(
            "stopper_kind",
            "",
            "what sort of stopper, with another fitting where it has one",
            Text(|p| p.stopper_kind.clone()),
        ),
        column(
            "treatment",
            "",
            "what was done to the line where it is held; `none`",
            Text(|p| p.treatment.clone()),
        ),
        column(
            "session",
            "",
            "day and rig; empty where the sheet states neither",
            Text(|p| p.session.clone()),
        ),
        column(
            "rig",
            "",
            "rig; empty where not stated",
            Text(|p| p.rig.clone()),
        ),
        column(
            "diameter_mm",
            "mm",
            "nominal diameter of the line",
            Number(|p| p.diameter_mm),
        ),
        column(
            "position",
            "",
            "where the diameter lies in the stopper's span: 0 thinnest, 1 thickest",
            Number(Pull::position),
        ),
        column(
            "limit_kn",
            "kN",
            "holding limit by the rule that governs the pull; null where not reached, a bracket or unknown",
            Number(|p| match limit(p) {
                Some(Observed::At(v)) => Some(v),
                _ => None,
            }),
        ),
        column(
            "limit_kn_lo",
            "kN",
            "lower end of what is known of it; the value itself where there is one",
            Number(|p| limit(p).map(Observed::start)),
        ),
        column(
            "limit_kn_hi",
            "kN",
            "upper end of what is known of it; null where not reached",
            Number(|p| match limit(p) {
                Some(Observed::At(v) | Observed::Between(_, v)) => Some(v),
                _ => None,
            }),
        ),
        column(
            "peak_load_kn",
            "kN",
            "highest load of the record",
            Number(|p| Some(p.peak_kn)),
        ),
        column(
            "log_sha256",
            "",
            "digest of the log: a pull given twice shows here",
            Text(|p| p.log_sha256.clone()),
        ),
        column(
            "facts",
            "",
            "the same pull whole, as JSON: what is read back",
            Facts,
        ),
    ]
}

fn limit(pull: &Pull) -> Option<Observed> {
    pull.figure(pull.governing).and_then(|f| f.load)
}

/// What a table says of its columns in its own metadata, under `columns`: JSON with name, unit and meaning.
pub(super) fn metadata<V>(
    columns: &[TableColumn<V>],
) -> Result<KeyValueMetadata, serde_json::Error> {
    let text = serde_json::to_string(columns)?;
    Ok(KeyValueMetadata::from_static(vec![(
        "columns".to_owned(),
        text,
    )]))
}

/// `columns.md`: both tables for people to read.
#[cfg(test)]
fn page() -> String {
    fn rows<V>(columns: &[TableColumn<V>]) -> String {
        let row = |c: &TableColumn<V>| format!("| `{}` | {} | {} |\n", c.name, c.unit, c.meaning);
        columns.iter().map(row).collect()
    }
    let head = "| column | unit | meaning |\n| --- | --- | --- |\n";
    format!(
        "`traces.parquet`, one row per row of the log, or per block of rows of a long log:\n\n{head}{}\n\
         `pulls.parquet`, one row per pull:\n\n{head}{}",
        rows(&traces()),
        rows(&pulls())
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_of_columns_is_what_the_writers_use() {
        let place = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/export/columns.md");
        if std::env::var_os("BITTEREND_WRITE_FIXTURES").is_some() {
            std::fs::write(&place, page()).unwrap();
        }
        assert_eq!(std::fs::read_to_string(place).unwrap(), page());
    }

    #[test]
    fn a_unit_stands_in_the_name_of_every_column_that_has_one() {
        let named = |name: &str, unit: &str| {
            let plain = name.trim_end_matches("_lo").trim_end_matches("_hi");
            unit.is_empty() || plain.ends_with(&format!("_{}", unit.to_lowercase()))
        };
        assert!(traces().iter().all(|c| named(&c.name, c.unit)));
        assert!(pulls().iter().all(|c| named(&c.name, c.unit)));
    }
}
