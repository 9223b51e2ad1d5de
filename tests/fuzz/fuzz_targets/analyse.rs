//! A sheet and a log through the whole of `analyse`, up to JSON, charts and report: analysed or refused, never a panic.
//!
//! The sheet ends at the first NUL byte and the log begins behind it; without one the sheet is a plain one.
#![no_main]

use bitterend::analysis::Settings;
use bitterend::ingest::{FileNames, read_log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::sheet::Sheet;
use bitterend::{chart, export, report};
use libfuzzer_sys::fuzz_target;

const SHEET: &str = "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"Load\"\nunit = \"kN\"\n[gauges.travel]\ncolumn = \"Travel\"\nunit = \"mm\"\n[reading]\nunreadable = \"50 %\"\n";

fuzz_target!(|data: &[u8]| {
    let (sheet, mut log) = match data.iter().position(|b| *b == 0) {
        Some(at) => (String::from_utf8_lossy(&data[..at]).into_owned(), &data[at + 1..]),
        None => (SHEET.to_owned(), data),
    };
    let Ok(sheet) = Sheet::parse(&sheet, "sheet.toml") else {
        return;
    };
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let Ok((log, files)) = read_log(&mut log, None, &sheet, names) else {
        return;
    };
    let inputs = Inputs { sheet, log, files };
    let Ok(analysis) = analyse(inputs, &Settings::default()) else {
        return;
    };
    let json = export::json(&analysis);
    assert!(json.is_ok());
    if let Ok(charts) = chart::draw_all(&analysis) {
        let _ = report::render(&analysis, &charts);
    }
});
