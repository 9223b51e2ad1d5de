//! A line in a stopper, with its truth.
