//! Analysis to machine files: JSON, Parquet and the schemas of sheet and analysis.
//!
//! Full precision, units in names, the same bytes for the same analysis. Nothing is rounded here.
//!
//! # Columns of the tables
//!
#![doc = include_str!("columns.md")]

#[cfg(feature = "parquet")]
mod columns;
#[cfg(feature = "parquet")]
mod pulls;
#[cfg(feature = "parquet")]
mod traces;

#[cfg(feature = "parquet")]
pub use traces::EveryRow;

use schemars::JsonSchema;
use schemars::generate::SchemaSettings;

use crate::analysis::Analysis;
use crate::compare::Comparison;
#[cfg(feature = "parquet")]
use crate::pool::Pull;
use crate::sheet::Sheet;

/// A machine file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The analysis could not be turned into JSON.
    #[error("the analysis could not be written as JSON")]
    Json(#[from] serde_json::Error),
    /// Columns of the traces differ in length: a fault of this program.
    #[error("column `{column}` of the traces has {found} entries where there should be {expected}")]
    Length {
        /// The column.
        column: String,
        /// Its entries.
        found: usize,
        /// Entries of the time column.
        expected: usize,
    },
    /// The Parquet writer fails.
    #[cfg(feature = "parquet")]
    #[error("the table could not be written or read as Parquet")]
    Parquet(#[from] polars::error::PolarsError),
}

/// `analysis.json`: everything but the traces, indented, with a newline at the end.
///
/// # Errors
/// The analysis holds something that JSON cannot say.
pub fn json(analysis: &Analysis) -> Result<Vec<u8>, ExportError> {
    let mut bytes = serde_json::to_vec_pretty(analysis)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// `traces.parquet`: one row per entry of the traces, parts with their `_lo` and `_hi`, null where nothing can be given.
///
/// # Errors
/// Columns of unequal length, or the Parquet writer fails.
#[cfg(feature = "parquet")]
pub fn parquet(analysis: &Analysis) -> Result<Vec<u8>, ExportError> {
    traces::write(analysis)
}

/// `comparison.json`: everything, indented, with a newline at the end.
///
/// # Errors
/// The comparison holds something that JSON cannot say.
pub fn comparison_json(comparison: &Comparison) -> Result<Vec<u8>, ExportError> {
    let mut bytes = serde_json::to_vec_pretty(comparison)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// `plan.json`: a plan, indented, with a newline at the end.
///
/// # Errors
/// The plan holds something that JSON cannot say.
pub fn plan_json(plan: &crate::prepare::Plan) -> Result<Vec<u8>, ExportError> {
    let mut bytes = serde_json::to_vec_pretty(plan)?;
    bytes.push(b'\n');
    Ok(bytes)
}

/// `pulls.parquet`: one row per pull with the facts it was compared by.
///
/// # Errors
/// The Parquet writer fails.
#[cfg(feature = "parquet")]
pub fn pulls_parquet(comparison: &Comparison) -> Result<Vec<u8>, ExportError> {
    pulls::write(&comparison.pulls)
}

/// Pulls from the bytes of a `pulls.parquet`, or of one part of a dataset of them.
///
/// # Errors
/// No Parquet, or a column that is missing or of another kind.
#[cfg(feature = "parquet")]
pub fn read_pulls(bytes: Vec<u8>) -> Result<Vec<Pull>, ExportError> {
    pulls::read(bytes)
}

/// Columns of `traces.parquet` as JSON: name, unit, meaning; with a newline at the end.
///
/// # Errors
/// None in practice: there is nothing in it that JSON cannot say.
#[cfg(feature = "parquet")]
pub fn columns_of_traces() -> Result<String, ExportError> {
    Ok(serde_json::to_string_pretty(&columns::traces())? + "\n")
}

/// Columns of `pulls.parquet` as JSON: name, unit, meaning; with a newline at the end.
///
/// # Errors
/// None in practice: there is nothing in it that JSON cannot say.
#[cfg(feature = "parquet")]
pub fn columns_of_pulls() -> Result<String, ExportError> {
    Ok(serde_json::to_string_pretty(&columns::pulls())? + "\n")
}

/// JSON Schema of `comparison.json`, indented, with a newline at the end.
#[must_use]
pub fn schema_comparison() -> String {
    schema::<Comparison>(SchemaSettings::draft2020_12().for_serialize())
}

/// JSON Schema of the sheet, indented, with a newline at the end.
#[must_use]
pub fn schema_sheet() -> String {
    schema::<Sheet>(SchemaSettings::draft2020_12().for_deserialize())
}

/// JSON Schema of `analysis.json`, indented, with a newline at the end.
#[must_use]
pub fn schema_analysis() -> String {
    schema::<Analysis>(SchemaSettings::draft2020_12().for_serialize())
}

/// JSON Schema of `seal.json`, indented, with a newline at the end.
#[must_use]
pub fn schema_seal() -> String {
    schema::<crate::seal::Seal>(SchemaSettings::draft2020_12().for_serialize())
}

fn schema<T: JsonSchema>(settings: SchemaSettings) -> String {
    let schema = settings.into_generator().into_root_schema_for::<T>();
    format!("{:#}\n", schema.as_value())
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use serde_json::Value;

    use super::*;
    use crate::chart::sample;
    use crate::stats::Status;

    #[test]
    fn json_holds_what_is_promised_and_reads_back() {
        for (name, analysis) in sample::all() {
            let bytes = json(&analysis).unwrap();
            assert_eq!(bytes.last(), Some(&b'\n'));
            let value: Value = serde_json::from_slice(&bytes).unwrap();
            assert!(value["verdict"]["word"].is_string(), "{name}");
            for key in [
                "value",
                "low",
                "high",
                "unit",
                "rule",
                "interface",
                "rate",
                "status",
            ] {
                assert!(value["limit"].get(key).is_some(), "{name}: limit.{key}");
            }
            for (part, found) in value["parts"].as_object().unwrap() {
                for when in ["end", "at_proof"] {
                    for key in ["value", "low", "high", "unit", "status"] {
                        assert!(
                            found[when].get(key).is_some(),
                            "{name}: parts.{part}.{when}.{key}"
                        );
                    }
                }
            }
            assert!(value["caveats"].is_array() && value["settings"].is_object());
            assert_eq!(value["inputs"][0]["sha256"].as_str().unwrap().len(), 64);
            assert!(value.get("traces").is_none());
            // What is read back differs only in what is not in the file, and in the last bits of unit conversion.
            let back: Analysis = serde_json::from_value(value.clone()).unwrap();
            assert_eq!(back.verdict, analysis.verdict);
            let again: Value = serde_json::from_slice(&json(&back).unwrap()).unwrap();
            assert!(same(&again, &value), "{name}");
        }
    }

    /// Equal but for rounding in the last bits of a number.
    fn same(a: &Value, b: &Value) -> bool {
        match (a, b) {
            (Value::Number(a), Value::Number(b)) => {
                let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
                (a - b).abs() <= 1e-12 * a.abs().max(b.abs())
            }
            (Value::Array(a), Value::Array(b)) => {
                a.len() == b.len() && a.iter().zip(b).all(|(a, b)| same(a, b))
            }
            (Value::Object(a), Value::Object(b)) => {
                a.len() == b.len() && a.iter().all(|(k, v)| b.get(k).is_some_and(|w| same(v, w)))
            }
            _ => a == b,
        }
    }

    /// Keys that a schema knows at this place, following references and `allOf`-like parts.
    fn known<'s>(root: &'s Value, schema: &'s Value, keys: &mut BTreeSet<&'s str>) -> bool {
        if let Some(name) = schema["$ref"]
            .as_str()
            .and_then(|r| r.strip_prefix("#/$defs/"))
        {
            return known(root, &root["$defs"][name], keys);
        }
        let mut open = schema
            .get("additionalProperties")
            .is_some_and(Value::is_object);
        if let Some(properties) = schema["properties"].as_object() {
            keys.extend(properties.keys().map(String::as_str));
        }
        for key in ["allOf", "anyOf", "oneOf"] {
            for part in schema[key].as_array().into_iter().flatten() {
                open |= known(root, part, keys);
            }
        }
        open
    }

    #[test]
    fn the_schema_of_the_analysis_knows_every_key_that_is_written() {
        let root: Value = serde_json::from_str(&schema_analysis()).unwrap();
        let value: Value = serde_json::from_slice(&json(&sample::bracket()).unwrap()).unwrap();
        let check = |schema: &Value, value: &Value, place: &str| {
            let mut keys = BTreeSet::new();
            known(&root, schema, &mut keys);
            for key in value.as_object().unwrap().keys() {
                assert!(
                    keys.contains(key.as_str()),
                    "{place}.{key} is not in the schema, which knows {keys:?}"
                );
            }
        };
        check(&root, &value, "analysis");
        check(&root["properties"]["limit"], &value["limit"], "limit");
        check(&root["properties"]["verdict"], &value["verdict"], "verdict");
        check(
            &root["$defs"]["Part"],
            &value["parts"]["cover_slip"],
            "parts.cover_slip",
        );
        check(
            &root["$defs"]["Estimate"],
            &value["parts"]["cover_slip"]["end"],
            "parts.cover_slip.end",
        );
        check(
            &root["$defs"]["HoldCreep"],
            &value["limit"]["holds"][0],
            "limit.holds",
        );
    }

    #[test]
    fn the_schema_of_the_sheet_knows_its_tables_and_no_others() {
        let root: Value = serde_json::from_str(&schema_sheet()).unwrap();
        let tables: BTreeSet<&str> = root["properties"]
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect();
        let expected = [
            "aboard",
            "chain",
            "gauges",
            "limits",
            "line",
            "pull",
            "reading",
            "report",
            "second_log",
            "stopper",
        ];
        assert_eq!(tables, BTreeSet::from(expected));
        assert_eq!(root["additionalProperties"], Value::Bool(false));
        assert!(
            root["required"]
                .as_array()
                .unwrap()
                .contains(&"pull".into())
        );
    }

    #[test]
    fn a_bracket_has_no_value_in_json() {
        let analysis = sample::bracket();
        let value: Value = serde_json::from_slice(&json(&analysis).unwrap()).unwrap();
        let end = &value["parts"]["cover_slip"]["end"];
        assert_eq!(
            analysis.separated.parts[&crate::separate::PartName::CoverSlip]
                .end
                .status,
            Status::Bracket
        );
        assert!(
            end["value"].is_null() && end["low"].is_number() && end["high"].is_number(),
            "{end}"
        );
        assert_eq!(end["unit"], "mm");
    }
}
