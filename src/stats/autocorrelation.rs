//! What a series of neighbours that are not independent is worth.
//!
//! Neighbours in a fast log share their noise: the standard error of a mean or of a slope taken as if they were
//! independent is too small. Method: the sum of autocorrelations over lags, cut where pairs of neighbouring lags turn
//! negative (Geyer 1992, initial positive sequence), gives the factor by which the variance grows.

/// Autocorrelation of `values` at `lag`, about their mean; zero where it cannot be formed.
#[must_use]
pub fn at_lag(values: &[f64], lag: usize) -> f64 {
    let n = values.len();
    if n < 2 || lag >= n {
        return 0.0;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let whole: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    if whole <= 0.0 {
        return 0.0;
    }
    let shared: f64 = values
        .iter()
        .zip(&values[lag..])
        .map(|(a, b)| (a - mean) * (b - mean))
        .sum();
    shared / whole
}

/// Factor (at least 1) by which the variance of a mean or slope of a series with these residuals exceeds that of
/// independent ones; at most a third of their number, beyond which a series tells nothing about itself.
#[must_use]
pub fn variance_factor(residuals: &[f64]) -> f64 {
    let n = residuals.len();
    if n < 4 {
        return 1.0;
    }
    let mut factor = 1.0;
    let mut lag = 1;
    while lag + 1 < n / 2 {
        let pair = at_lag(residuals, lag) + at_lag(residuals, lag + 1);
        if pair <= 0.0 {
            break;
        }
        factor += 2.0 * pair;
        lag += 2;
    }
    // A first autocorrelation within chance of zero is no evidence: two standard errors, 2/√n.
    if at_lag(residuals, 1) < 2.0 / (n as f64).sqrt() {
        return 1.0;
    }
    factor.clamp(1.0, n as f64 / 3.0)
}

/// Mean of a series and its standard error with the neighbours' dependence counted; `None` below two values.
#[must_use]
pub fn mean(values: &[f64]) -> Option<(f64, f64)> {
    let n = values.len() as f64;
    if values.len() < 2 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n;
    let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    Some((mean, (variance * variance_factor(values) / n).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First-order series with a known law: the variance of the mean grows by (1 + r)/(1 − r).
    #[test]
    fn a_first_order_series_gets_its_known_factor() {
        use rand::{RngExt, SeedableRng};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let r = 0.6;
        let mut value = 0.0;
        let series: Vec<f64> = (0..40_000)
            .map(|_| {
                value = r * value + random.random_range(-1.0..1.0);
                value
            })
            .collect();
        let factor = variance_factor(&series);
        let wanted = (1.0 + r) / (1.0 - r);
        assert!((factor / wanted - 1.0).abs() < 0.08, "{factor} {wanted}");
        assert!((at_lag(&series, 1) - r).abs() < 0.02);
    }

    #[test]
    fn short_or_constant_series_are_taken_as_they_are() {
        assert_eq!(variance_factor(&[1.0, 2.0]), 1.0);
        assert_eq!(variance_factor(&[1.0; 50]), 1.0);
        assert_eq!(mean(&[1.0]), None);
        let (value, error) = mean(&[1.0, 3.0]).unwrap();
        assert_eq!((value, error), (2.0, 1.0));
    }
}
