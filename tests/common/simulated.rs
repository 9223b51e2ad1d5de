//! Simulated pulls analysed from memory.

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::Log;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::simulate::Simulated;

/// What this log of a simulated pull tells under the pull's own sheet; the log may have been changed.
pub fn analysed(pull: &Simulated, log: Log) -> Analysis {
    let inputs = Inputs {
        sheet: pull.sheet().expect("the simulator's sheet is one"),
        log,
        files: pull.files(),
    };
    analyse(inputs, &Settings::default()).expect("a plain record")
}
