//! Analysis to report.
