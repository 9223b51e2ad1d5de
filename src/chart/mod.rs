//! Analysis to charts.
