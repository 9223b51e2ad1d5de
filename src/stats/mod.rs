//! Statistics that several stages share: the shape of an estimate, curve fits, intervals, tolerance factors.

/// What neighbours that are not independent are worth.
pub mod autocorrelation;

/// A distribution fitted to values of which some are only bounded.
pub mod censored;

/// Half width that covers a share of normal and rectangular errors together.
pub mod coverage;

/// The curves that are fitted.
pub mod curves;

/// One shape for every estimate.
pub mod estimate;

/// Repeatability and reproducibility between laboratories.
pub mod interlaboratory;

/// Isotonic regression.
pub mod isotonic;

/// Linear least squares with covariance.
pub mod linear;

/// Random effects.
pub mod mixed;

/// Nonlinear least squares.
pub mod nonlinear;

/// One-way analysis of variance.
pub mod oneway;

/// Quantiles of the usual distributions.
pub mod quantile;

/// Bent lines.
pub mod segmented;

/// Straight lines between points.
pub mod straight;

/// Range of several means over their standard deviation.
pub mod studentized;

/// One-sided tolerance factors.
pub mod tolerance;

pub use estimate::{Estimate, Measure, Status};
pub use straight::straight;

/// The median; `None` of nothing. NaN must not be among the values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    (n > 0).then(|| (sorted[(n - 1) / 2] + sorted[n / 2]) / 2.0)
}
