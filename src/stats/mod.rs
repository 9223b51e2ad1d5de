//! Statistics that several stages share: the shape of an estimate, curve fits, intervals, tolerance factors.

/// One shape for every estimate.
pub mod estimate;

/// Half width that covers a share of normal and rectangular errors together.
pub mod coverage;

pub use estimate::{Estimate, Measure, Status};
