//! A pull whose travel was logged by a second logger, 3.7 s later and with a clock 50 ppm fast: `[second_log]` joins both.

use std::fs;
use std::path::Path;
use std::process::Command;

#[path = "common/pull.rs"]
mod pull;

use pull::{Row, rows};

/// The second logger's start after the first's, s.
const LATER: f64 = 3.7;
/// How fast its clock runs.
const FAST: f64 = 50e-6;

fn between(rows: &[Row], t: f64, of: fn(&Row) -> i64) -> f64 {
    let place = t * f64::from(pull::RATE);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a row"
    )]
    let at = (place.floor() as usize).min(rows.len() - 2);
    #[expect(clippy::cast_precision_loss, reason = "a few thousand")]
    let (a, b) = (of(&rows[at]) as f64, of(&rows[at + 1]) as f64);
    a + (place - at as f64) * (b - a)
}

/// Writes the folder; `tap` is the common column of the second log in mV.
fn make(folder: &Path, tap: &dyn Fn(f64) -> f64) {
    let rows = rows();
    let mut sheet = pull::SHEET[..pull::SHEET.find("\n[gauges.mark]").unwrap()].to_owned();
    sheet = sheet.replace("column = \"Travel\"", "column = \"Wire\"");
    sheet += "\n[second_log]\nfile = \"wire.csv\"\ncolumn = \"Bridge [mV]\"\n";
    fs::create_dir_all(folder).unwrap();
    fs::write(folder.join("sheet.toml"), sheet).unwrap();
    // The first logger's own travel gauge hung loose; the sheet does not name its column.
    let first = pull::table("Time,Load,Loose,Other", ",", '.', &rows);
    fs::write(folder.join("log.csv"), first).unwrap();
    let mut second = "Time,Bridge [mV],Wire\n".to_owned();
    for i in 0..1350_u32 {
        let since = f64::from(i) / 10.0;
        let wire = between(&rows, LATER + since, |r| r.travel) / 1000.0;
        second += &format!(
            "{:.5},{:.4},{wire:.3}\n",
            since * (1.0 + FAST),
            tap(LATER + since)
        );
    }
    fs::write(folder.join("wire.csv"), second).unwrap();
}

fn run(base: &Path, word: &str) -> (Option<i32>, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args([word, "pull"])
        .current_dir(base)
        .output()
        .unwrap();
    let mut text = String::from_utf8(output.stderr).unwrap();
    text += &String::from_utf8(output.stdout).unwrap();
    (output.status.code(), text)
}

#[test]
fn two_loggers_are_joined_by_the_load_that_both_saw() {
    let base = tempfile::tempdir().unwrap();
    let rows = rows();
    make(&base.path().join("pull"), &|t| {
        0.3 + 2e-3 * between(&rows, t, |r| r.load)
    });
    let (code, text) = run(base.path(), "analyse");
    assert_eq!(code, Some(0), "{text}");
    let json = fs::read_to_string(base.path().join("pull/results/analysis.json")).unwrap();
    let analysis: serde_json::Value = serde_json::from_str(&json).unwrap();
    let roles: Vec<&str> = analysis["inputs"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|i| i["role"].as_str())
        .collect();
    assert_eq!(roles, ["sheet", "log", "second log"]);

    // Offset and uncertainty as stated: within 0.05 s of the truth, and the truth within what is stated.
    let notes = analysis["understood"]["notes"].as_array().unwrap();
    let note = notes[0].as_str().unwrap();
    let figure = |before: &str, after: &str| -> f64 {
        let from = note.find(before).unwrap_or_else(|| panic!("{note}")) + before.len();
        let rest = &note[from..];
        rest[..rest.find(after).unwrap()].trim().parse().unwrap()
    };
    let offset = figure("its time 0 is ", " s,");
    let ppm = figure("its clock differs by ", " ppm");
    let stated = figure("agree within ", " s (95 %)");
    for since in [0.0, 134.9] {
        let shown = since * (1.0 + FAST);
        let error = (offset + (1.0 + 1e-6 * ppm) * shown - (LATER + since)).abs();
        assert!(
            error < 0.05 && error <= stated + 5e-4,
            "{error} s at {since} s: {note}"
        );
    }
    assert!(stated < 0.05, "{note}");
    let caveats = analysis["caveats"].as_array().unwrap();
    assert!(caveats.iter().any(|c| c["code"] == "log-as-understood"));

    // The travel is there, and as large as it was: 36.1 mm at the peak, from the first dwell.
    let travel = analysis["record"]["peak_travel_mm"].as_f64().unwrap();
    let truth = rows.iter().map(|r| r.travel).max().unwrap() - rows[60].travel;
    #[expect(clippy::cast_precision_loss, reason = "a few thousand")]
    let truth = truth as f64 / 1000.0;
    assert!((travel - truth).abs() < 0.1, "{travel} {truth}");
}

#[test]
fn without_a_common_event_they_are_refused() {
    let base = tempfile::tempdir().unwrap();
    make(&base.path().join("pull"), &|t| (t * 7.3).sin());
    let (code, text) = run(base.path(), "analyse");
    assert_eq!(code, Some(2), "{text}");
    assert!(
        text.starts_with(
            "error: pull/wire.csv, column Bridge [mV]: has no event in common with the load gauge"
        ),
        "{text}"
    );
    assert!(
        text.contains("\nhint: name under [second_log] a column"),
        "{text}"
    );
    assert!(!base.path().join("pull/results").exists());
}
