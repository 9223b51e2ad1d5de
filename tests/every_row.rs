//! `analyse --traces all`: every row of a log too long to be kept row by row stands in `traces.parquet`.
#![cfg(feature = "parquet")]

use std::fmt::Write as _;
use std::fs::{self, File};
use std::path::Path;
use std::process::Command;

use polars::prelude::{DataFrame, ParquetReader, SerReader};

/// More than are kept row by row (200,000).
const ROWS: u32 = 250_000;
/// A row with a word of overload, one with an empty cell, one that comes a place too late.
const OVERLOAD: u32 = 120_001;
const EMPTY: u32 = 130_001;
const LATE: u32 = 230_001;

const SHEET: &str = "\
[pull]
log = \"log.csv\"
[gauges.load]
column = \"Load\"
unit = \"N\"
[gauges.travel]
column = \"Travel\"
unit = \"mm\"
";

/// Load in N and travel in µm of a row: slack, a dwell, two steps up and down, a dwell. 1 kHz.
fn row(i: u32) -> (f64, i64) {
    let points = [
        (0, 0.0),
        (10_000, 0.0),
        (15_000, 300.0),
        (30_000, 300.0),
        (60_000, 3000.0),
        (80_000, 3000.0),
        (100_000, 300.0),
        (120_000, 300.0),
        (160_000, 5000.0),
        (180_000, 5000.0),
        (210_000, 300.0),
        (ROWS, 300.0),
    ];
    let at = points.partition_point(|p| p.0 <= i).min(points.len() - 1);
    let ((a, from), (b, to)) = (points[at - 1], points[at]);
    let load = from + (to - from) * f64::from(i - a) / f64::from(b - a);
    // Noise of a few newtons that never repeats, from a multiplicative hash.
    let noise = f64::from(i.wrapping_mul(2_654_435_761) >> 22) / 512.0 - 1.0;
    let load = (100.0 * (load + 2.0 * noise)).round() / 100.0;
    let travel = 2.0 * load + f64::from(i.wrapping_mul(40_503) >> 8 & 15);
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a few thousand micrometres"
    )]
    (load, travel.round() as i64)
}

fn log() -> String {
    let mut text = String::from("Time,Load,Travel\n");
    let order = (0..ROWS).map(|i| match i {
        LATE => LATE + 1,
        i if i == LATE + 1 => LATE,
        i => i,
    });
    for i in order {
        let (load, travel) = row(i);
        let load = match i {
            OVERLOAD => "OVERLOAD".to_owned(),
            EMPTY => String::new(),
            _ => format!("{load:.2}"),
        };
        #[expect(clippy::cast_precision_loss, reason = "a few thousand micrometres")]
        let travel = travel as f64 / 1000.0;
        writeln!(text, "{}.{:03},{load},{travel:.3}", i / 1000, i % 1000).unwrap();
    }
    text
}

fn analyse(folder: &Path, traces: &str, out: &str) -> DataFrame {
    let output = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(["analyse", "pull", "--traces", traces, "--out", out])
        .current_dir(folder)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{said}");
    let file = File::open(folder.join(out).join("traces.parquet")).unwrap();
    ParquetReader::new(file).finish().unwrap()
}

fn numbers(frame: &DataFrame, name: &str) -> Vec<Option<f64>> {
    let column = frame.column(name).unwrap();
    column.f64().unwrap().iter().collect()
}

#[test]
fn every_row_of_a_long_log_is_written() {
    let base = tempfile::tempdir().unwrap();
    let folder = base.path().join("pull");
    fs::create_dir(&folder).unwrap();
    fs::write(folder.join("sheet.toml"), SHEET).unwrap();
    fs::write(folder.join("log.csv"), log()).unwrap();

    let blocks = analyse(base.path(), "blocks", "blocks");
    let rows = analyse(base.path(), "all", "all");
    assert_eq!(blocks.height(), ROWS as usize / 2);
    assert_eq!(rows.height(), ROWS as usize);
    assert_eq!(blocks.schema(), rows.schema());

    // Time, load and travel of every row as they were written, counted from one zero each.
    let (time, load, travel) = (
        numbers(&rows, "time_s"),
        numbers(&rows, "load_kn"),
        numbers(&rows, "travel_mm"),
    );
    let zero = |i: usize| row(i as u32).0 - 1e3 * load[i].unwrap();
    // The slack readings have a mean near zero; the drift between two slack ends cannot be seen here.
    assert!(zero(0).abs() < 0.5, "{}", zero(0));
    let travel_zero = row(0).1 as f64 / 1e3 - travel[0].unwrap();
    for i in 0..ROWS {
        let at = i as usize;
        let (newtons, micrometres) = row(i);
        assert_eq!(time[at], Some(f64::from(i) / 1000.0), "row {i}");
        match i {
            OVERLOAD | EMPTY => assert_eq!(load[at], None, "row {i}"),
            _ => assert!((zero(at) - zero(0)).abs() < 1e-9, "row {i}: {newtons}"),
        }
        let expected = micrometres as f64 / 1e3 - travel_zero;
        assert!((travel[at].unwrap() - expected).abs() < 1e-9, "row {i}");
    }
    let counts = rows.column("rows").unwrap().u64().unwrap();
    assert!(counts.iter().all(|n| n == Some(1)));

    // The parts of a pair of rows are those of the entry that holds both: straight lines between the same blocks.
    for name in ["stretch_mm", "not_recovered_mm", "not_recovered_mm_hi"] {
        let (entries, single) = (numbers(&blocks, name), numbers(&rows, name));
        let mut compared = 0;
        for (k, entry) in entries.iter().enumerate() {
            let around: Vec<f64> = single[(2 * k).saturating_sub(2)..(2 * k + 4).min(single.len())]
                .iter()
                .filter_map(|v| *v)
                .collect();
            let (Some(entry), 6) = (entry, around.len()) else {
                continue;
            };
            // Where a block's centre lies between the rows the line bends, by less than what it spans here.
            let low = around.iter().copied().fold(f64::INFINITY, f64::min);
            let high = around.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let mean = (around[2] + around[3]) / 2.0;
            assert!(
                (mean - entry).abs() <= high - low + 1e-9,
                "{name}, entry {k}: {entry} {around:?}"
            );
            compared += 1;
        }
        assert!(compared > 100_000, "{name}: {compared}");
    }
    let phase = |frame: &DataFrame, i: usize| {
        let column = frame.column("phase").unwrap();
        column.str().unwrap().get(i).map(str::to_owned)
    };
    for k in (0..blocks.height()).step_by(97) {
        assert_eq!(phase(&blocks, k), phase(&rows, 2 * k), "entry {k}");
    }

    let report = fs::read_to_string(base.path().join("all/report.md")).unwrap();
    assert!(report.contains("the traces hold every row"));
}
