//! Any text as a sheet: read or refused with a place, never a panic; what is read can be written and read again.
#![no_main]

use bitterend::sheet::Sheet;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    match Sheet::parse(text, "sheet.toml") {
        Ok(sheet) => {
            for (kind, gauge) in sheet.gauges.iter() {
                let _ = gauge.stated(kind);
            }
        }
        Err(error) => {
            assert!(error.to_string().starts_with("sheet.toml"));
            let _ = error.hint();
        }
    }
});
