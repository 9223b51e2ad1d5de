//! Statistics that several stages share: the shape of an estimate, curve fits, intervals, tolerance factors.

/// One shape for every estimate.
pub mod estimate;

/// Half width that covers a share of normal and rectangular errors together.
pub mod coverage;

pub use estimate::{Estimate, Measure, Status};

/// The median; `None` of nothing. NaN must not be among the values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    (n > 0).then(|| (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0)
}
