//! Bytes to [`Log`](crate::ingest::Log): dialect, header and units, rows, marks.
//!
//! A stream: the file is read in chunks and never held whole. A log of up to [`ENTRIES_MAX`](crate::ingest::ENTRIES_MAX) rows is kept row by row;
//! a longer one is merged pairwise into means as it grows, so that memory stays bounded (see [`Log::rows_per_entry`](crate::ingest::Log::rows_per_entry)).
//! Every row of such a log is had by reading it again, with [`each_row`](crate::ingest::each_row).

mod blocks;
mod cell;
mod clock;
mod columns;
mod dialect;
mod error;
mod gather;
mod join;
mod marks;
mod read;
mod rows;
mod sniff;
mod source;
mod store;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use crate::sheet::GaugeKind;
pub use columns::{ColumnName, column_name};
pub use error::IngestError;
pub use join::join_second;
pub use read::{FileNames, RowGroup, each_row, read_log};
pub use sniff::{Found, FoundColumn, sniff};

use crate::units::Unit;

/// Size and SHA-256 of bytes that are held whole, such as the sheet.
#[must_use]
pub fn input_file(role: &str, name: &str, bytes: &[u8]) -> InputFile {
    use sha2::Digest as _;
    InputFile {
        role: role.into(),
        name: name.into(),
        bytes: bytes.len() as u64,
        sha256: source::hex(&sha2::Sha256::digest(bytes)),
    }
}

/// Most entries a [`Log`] holds. Beyond it, neighbours are merged into means of 2, 4, 8, … rows.
pub const ENTRIES_MAX: usize = 200_000;

/// One channel of a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// What it watches.
    pub kind: GaugeKind,
    /// Name of its column.
    pub column: String,
    /// The unit it was written in.
    pub unit: &'static Unit,
    /// One value per entry in SI units, the sheet's sign applied. NaN = missing.
    pub values: Vec<f64>,
    /// Entries in which a word of overload or open circuit stood.
    pub clipped: Vec<usize>,
    /// Smallest and largest single reading, before any merging. `None` when nothing could be read.
    pub extremes: Option<(f64, f64)>,
    /// Rows whose cell could not be read.
    pub unreadable: u64,
    /// Smallest step between different readings as written (for the resolution), SI; `None` if never two differ.
    pub step: Option<f64>,
}

/// A rule or camera reading from the marks file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HandReading {
    /// Time in the log's clock, s.
    pub time_s: f64,
    /// The gauge read.
    pub kind: GaugeKind,
    /// Reading in m, sign applied.
    pub value_m: f64,
}

/// A log as read: all values SI, rows in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Log {
    /// Time of each entry in s, strictly rising, the first row at its own stated time.
    pub time_s: Vec<f64>,
    /// Rows averaged into each entry: 1 for logs of up to [`ENTRIES_MAX`] rows.
    pub rows_per_entry: usize,
    /// Rows read.
    pub rows: u64,
    /// Channels in the order of [`GaugeKind`]; the load first.
    pub channels: Vec<Channel>,
    /// Readings of the marks file, in order of time.
    pub readings: Vec<HandReading>,
    /// First entries of segments after a restart or a stated gap (the first segment's 0 not listed).
    pub segments: Vec<usize>,
    /// How the file was understood.
    pub understood: Understood,
}

/// How a log was understood: printed by `check` and kept in the analysis.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Understood {
    /// Encoding, such as `UTF-8`.
    pub encoding: String,
    /// Separator, such as `;`.
    pub separator: String,
    /// Decimal mark, `.` or `,`.
    pub decimal: String,
    /// Thousands mark, if any.
    pub thousands: Option<String>,
    /// Line of the header, counted from 1; 0 if the file has none.
    pub header_line: usize,
    /// All column names as written.
    pub columns: Vec<String>,
    /// Name of the time column; `None` where rows are counted.
    #[serde(default)]
    pub time_column: Option<String>,
    /// Form of the time column: `seconds`, `milliseconds`, `clock`, `iso`, `rate`, …
    pub time: String,
    /// Metadata lines before the header, and footer lines, kept as provenance.
    pub metadata: Vec<String>,
    /// First few cells that could not be read.
    pub unreadable: Vec<UnreadableCell>,
    /// Rows that were late and put in order.
    pub reordered: u64,
    /// Rows repeated and dropped.
    pub duplicates: u64,
    /// Choices that a reader should know of, such as a unit in the sheet that differs from the header's.
    #[serde(default)]
    pub notes: Vec<String>,
    /// What was contradicted or left open, and how it was read all the same.
    #[serde(skip)]
    pub doubts: Vec<String>,
    /// Nothing says how long a second of the clock is.
    #[serde(skip)]
    pub clock: ClockKnown,
    /// Rows whose time could not be read; they are left out.
    #[serde(skip)]
    pub rows_without_time: u64,
}

/// How well the unit of the clock is known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum ClockKnown {
    /// Header, sheet or the form of the times say it.
    #[default]
    Stated,
    /// A column of time without a unit, taken as seconds.
    Assumed,
    /// No time column and no rate: one row a second.
    RowsCounted,
}

/// A cell that could not be read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UnreadableCell {
    /// Line in the file, counted from 1.
    pub line: u64,
    /// Name of the column.
    pub column: String,
    /// The text that stood there, shortened to 40 characters.
    pub text: String,
}

/// One input file of an analysis.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputFile {
    /// `sheet`, `log`, `marks`, `second log` or `reference`.
    pub role: String,
    /// File name, relative to the folder.
    pub name: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 of the bytes, lower-case hexadecimal.
    pub sha256: String,
}

impl Log {
    /// The channel of this kind, if the log has it.
    #[must_use]
    pub fn channel(&self, kind: GaugeKind) -> Option<&Channel> {
        self.channels.iter().find(|c| c.kind == kind)
    }
}
