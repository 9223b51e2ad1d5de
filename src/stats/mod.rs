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

/// Misfit of any span of points to a straight line.
pub mod pieces;

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

/// The value at which half of the weight is passed, of (value, weight); `None` of nothing. NaN must not be among them.
#[must_use]
pub fn weighted_median(mut values: Vec<(f64, f64)>) -> Option<f64> {
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|(_, weight)| weight).sum::<f64>() / 2.0;
    let mut passed = 0.0;
    values.into_iter().find_map(|(value, weight)| {
        passed += weight;
        (passed >= half).then_some(value)
    })
}

/// Mean of a few independent values, and a standard error whose normal factor gives Student's 95 % interval; the error of
/// one value is infinite.
#[must_use]
pub fn mean_of_few(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    if values.len() < 2 {
        return (mean, f64::INFINITY);
    }
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let level = estimate::LEVEL;
    let few = quantile::two_sided(level, n - 1.0) / quantile::normal(0.5 + 0.5 * level);
    (mean, few * (variance / n).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: three values 1, 2, 3 have a mean of 2 ± 4.303·1/√3 (Student's t, 2 degrees of freedom).
    #[test]
    fn a_mean_of_few_has_students_interval() {
        let (mean, error) = mean_of_few(&[1.0, 2.0, 3.0]);
        assert!((mean - 2.0).abs() < 1e-12);
        assert!(
            (1.959_964 * error - 4.302_653 / 3f64.sqrt()).abs() < 1e-5,
            "{error}"
        );
        assert!(mean_of_few(&[5.0]).1.is_infinite());
    }

    #[test]
    fn half_of_the_weight_decides_the_median() {
        assert_eq!(
            weighted_median(vec![(3.0, 1.0), (1.0, 1.0), (2.0, 5.0)]),
            Some(2.0)
        );
        assert_eq!(weighted_median(vec![(9.0, 10.0), (1.0, 1.0)]), Some(9.0));
        assert_eq!(weighted_median(vec![]), None);
    }
}
