//! Any bytes as a log: read or refused, never a panic; what is read is in order of time, and every row is accounted for.
#![no_main]

use std::ops::ControlFlow;

use bitterend::ingest::{FileNames, each_row, read_log, sniff};
use bitterend::sheet::{Reading, Sheet};
use libfuzzer_sys::fuzz_target;

const SHEET: &str = "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"Load\"\nunit = \"N\"\n[gauges.travel]\ncolumn = \"Travel\"\nunit = \"mm\"\n[reading]\nunreadable = \"50 %\"\n";

fuzz_target!(|data: &[u8]| {
    let Ok(sheet) = Sheet::parse(SHEET, "sheet.toml") else {
        return;
    };
    let _ = sniff(&mut &*data, "log.csv", &Reading::default());
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let Ok((log, _)) = read_log(&mut &*data, None, &sheet, names) else {
        return;
    };
    assert!(log.time_s.windows(2).all(|w| w[1] > w[0]));
    assert!(log.channels.iter().all(|c| c.values.len() == log.time_s.len()));
    let mut rows = 0;
    let again = each_row(&mut &*data, &sheet, "log.csv", &mut |group| {
        rows += group.time_s.len() as u64;
        ControlFlow::Continue(())
    });
    assert!(again.is_ok());
    assert_eq!(rows, log.rows);
});
