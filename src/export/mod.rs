//! Analysis to machine files.
