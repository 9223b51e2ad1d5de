//! A line in a stopper: where did the travel go, at what load does it let go, and what does that mean aboard?
//!
//! Data flows one way, from bytes to report; the modules below stand in that order.
//! Inside everything is SI (N, m, s); machine files speak kN, mm and s with the unit in the name.
//!
//! # The course of an analysis
//!
//! | stage | question | from | to |
//! | --- | --- | --- | --- |
//! | [`ingest`] | what did the logger write? | bytes, [`sheet::Sheet`] | [`ingest::Log`], one row per time |
//! | [`condition`] | which of it is measured, from which zero, with which noise? | `Log` | [`condition::Conditioned`] |
//! | [`phases`] | what was the pull doing? | `Conditioned` | [`phases::Phased`], blocks of rows |
//! | [`separate`] | where did the travel go? | `Phased` | [`separate::Separated`], parts with intervals, m |
//! | [`limit`] | at what load does it let go? | `Separated` | [`limit::Limit`], loads by rule, N |
//! | [`aboard`], [`verdict`], [`diagnose`] | what does that mean, and what to do? | `Limit` | [`analysis::Analysis`] |
//! | [`chart`], [`report`], [`export`] | how is it told? | `Analysis` | SVG, Markdown, HTML, JSON, Parquet |
//!
//! Everything that the command does to one pull is done from memory by [`pipeline::analyse`]:
//!
//! ```
//! use bitterend::analysis::Settings;
//! use bitterend::pipeline::{Inputs, analyse};
//! use bitterend::separate::PartName;
//! use bitterend::simulate::{Grade, Kind, run};
//! use bitterend::{chart, report};
//!
//! // A pull with a truth: a stopper that slips, logged 20 times a second.
//! let pull = run(&Kind::StopperSlip.scenario(Grade::Good, 1), 1);
//! let inputs = Inputs {
//!     sheet: pull.sheet()?,
//!     log: pull.log(),
//!     files: pull.files(),
//! };
//! let analysis = analyse(inputs, &Settings::default())?;
//!
//! let slip = &analysis.separated.parts[&PartName::StopperSlip].end;
//! let truth = pull.truth.stopper_slip[pull.truth.end];
//! assert!(slip.low.unwrap() <= truth && truth <= slip.high.unwrap());
//!
//! let charts = chart::draw_all(&analysis)?;
//! let report = report::render(&analysis, &charts);
//! assert!(report.markdown.contains("The line in the stopper"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

/// Quantities with their units.
pub mod units;

/// Statistics shared by the stages.
pub mod stats;

/// What a reader must know, as values.
pub mod caveat;

/// Words put into a sentence.
mod words;

/// The test sheet.
pub mod sheet;

/// How a figure is written for people.
pub mod figures;

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

/// Many pulls of one kind.
pub mod pool;

/// Pairs, treatments, wear: many pulls against each other.
pub mod compare;

/// Before the dock: how many pulls, which steps, which stopper.
pub mod prepare;

/// What the words of a report mean.
pub mod explain;

/// Analysis to charts.
pub mod chart;

/// Analysis to report.
pub mod report;

/// Digests of a finished analysis, and the same made again.
pub mod seal;

/// Analysis to machine files.
pub mod export;

/// A line in a stopper, with its truth.
pub mod simulate;

/// The command line: the only place that touches files and the terminal.
pub mod cli;
