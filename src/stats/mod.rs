//! Statistics that several stages share: the shape of an estimate, curve fits, intervals, tolerance factors.

/// One shape for every estimate.
pub mod estimate;

pub use estimate::{Estimate, Measure, Status};
