//! A line in a stopper: where did the travel go, at what load does it let go, and what does that mean aboard?
//!
//! Data flows one way, from bytes to report; the modules below stand in that order.
//! Inside everything is SI (N, m, s); machine files speak kN, mm and s with the unit in the name.

/// Quantities with their units.
pub mod units;

/// Statistics shared by the stages.
pub mod stats;

/// What a reader must know, as values.
pub mod caveat;

/// The test sheet.
pub mod sheet;

/// Bytes to log.
pub mod ingest;

/// Log to conditioned record.
pub mod condition;

/// Record to phases and blocks.
pub mod phases;

/// Phases to parts of the travel.
pub mod separate;

/// Parts to the holding limit.
pub mod limit;

/// Slip to tension kept aboard.
pub mod aboard;

/// Passes, fails, not decided.
pub mod verdict;

/// Cause, remedy, next pull.
pub mod diagnose;

/// The finished analysis.
pub mod analysis;

/// Inputs to analysis, one line per stage.
pub mod pipeline;

/// What the words of a report mean.
pub mod explain;

/// How a figure is written for people.
pub mod figures;

/// Many pulls of one kind.
pub mod pool;

/// Pairs, treatments, wear: many pulls against each other.
pub mod compare;

/// Before the dock: how many pulls, which steps, which stopper.
pub mod prepare;

/// Analysis to charts.
pub mod chart;

/// Analysis to report.
pub mod report;

/// Analysis to machine files.
pub mod export;

/// Digests of a finished analysis, and the same made again.
pub mod seal;

/// A line in a stopper, with its truth.
pub mod simulate;

/// The command line: the only place that touches files and the terminal.
pub mod cli;
