//! Log to conditioned record: clock, lag, zero and drift, range and clip checks, noise.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::ingest::{GaugeKind, HandReading};
use crate::stats::Estimate;

/// A channel ready for the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// What it watches.
    pub kind: GaugeKind,
    /// One value per entry, SI; NaN = missing, clipped or stuck and so not to be used.
    pub values: Vec<f64>,
    /// Standard deviation of the noise of one entry, SI (quantisation included).
    pub noise: f64,
    /// Smallest step of the reading, SI; 0 if finer than the noise.
    pub step: f64,
    /// Instrument errors common to all entries.
    pub errors: InstrumentErrors,
}

/// Half widths of the instrument's errors as its sheet states them; common to all entries, so never averaged away.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InstrumentErrors {
    /// Share of the reading, half width of a rectangular distribution.
    pub gain: f64,
    /// Error independent of the reading over the whole pull, SI, half width (common zero errors cancel in
    /// displacements, which are counted from the first dwell, but not in the load).
    pub fixed: f64,
    /// Drift from the first dwell to the end of the pull, SI, half width.
    pub drift: f64,
}

/// The record, ready for the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Conditioned {
    /// Time of each entry in s on the log's clock.
    pub time_s: Vec<f64>,
    /// Rows averaged into each entry.
    pub rows_per_entry: usize,
    /// Median period between entries, s.
    pub period_s: f64,
    /// The load in N, zero and drift taken out where the record shows them. NaN = missing.
    pub load: Signal,
    /// The displacement gauges and the tail load.
    pub gauges: Vec<Signal>,
    /// Hand readings of marks.
    pub readings: Vec<HandReading>,
    /// First entries of later segments (restarts, gaps).
    pub segments: Vec<usize>,
    /// Zero of the cell, from slack readings or carried as uncertainty.
    pub load_zero: Estimate,
    /// Drift of the cell's zero from start to end, likewise.
    pub load_drift: Estimate,
}

impl Conditioned {
    /// The signal of this kind, if the record has it.
    #[must_use]
    pub fn gauge(&self, kind: GaugeKind) -> Option<&Signal> {
        self.gauges.iter().find(|g| g.kind == kind)
    }
}
