//! Quantiles and shares of the normal, Student's t, F and chi-squared distributions.
//!
//! `statrs` gives the distributions; its quantiles have been wrong before, so each one used is held to printed values below.

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Quantile of the standard normal distribution; infinite at 0 and 1.
#[must_use]
pub fn normal(p: f64) -> f64 {
    match Normal::new(0.0, 1.0) {
        Ok(normal) if p > 0.0 && p < 1.0 => normal.inverse_cdf(p),
        _ if p >= 1.0 => f64::INFINITY,
        _ => f64::NEG_INFINITY,
    }
}

/// Distribution function of the standard normal distribution.
#[must_use]
pub fn normal_share(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Quantile of Student's t. Above a million degrees of freedom, or with none stated, the normal's.
#[must_use]
pub fn student(p: f64, degrees_of_freedom: f64) -> f64 {
    if degrees_of_freedom.is_nan() || degrees_of_freedom > 1e6 {
        return normal(p);
    }
    match StudentsT::new(0.0, 1.0, degrees_of_freedom) {
        Ok(t) if p > 0.0 && p < 1.0 => t.inverse_cdf(p),
        _ if p > 0.5 => f64::INFINITY,
        _ => f64::NEG_INFINITY,
    }
}

/// Factor of the standard error for a two-sided interval at `level`.
#[must_use]
pub fn two_sided(level: f64, degrees_of_freedom: f64) -> f64 {
    student(0.5 + 0.5 * level, degrees_of_freedom)
}

/// Quantile of F with `above` and `below` degrees of freedom.
#[must_use]
pub fn fisher(p: f64, above: f64, below: f64) -> f64 {
    match FisherSnedecor::new(above, below) {
        Ok(f) if p > 0.0 && p < 1.0 => f.inverse_cdf(p),
        _ => f64::INFINITY,
    }
}

/// Probability that F with `above` and `below` degrees of freedom exceeds `value`.
#[must_use]
pub fn fisher_exceeded(value: f64, above: f64, below: f64) -> f64 {
    match FisherSnedecor::new(above, below) {
        Ok(f) if value > 0.0 => f.sf(value),
        _ => 1.0,
    }
}

/// Probability that chi-squared with these degrees of freedom exceeds `value`.
#[must_use]
pub fn chi_squared_exceeded(value: f64, degrees_of_freedom: f64) -> f64 {
    match ChiSquared::new(degrees_of_freedom) {
        Ok(chi) if value > 0.0 => chi.sf(value),
        _ => 1.0,
    }
}

/// Quantile of chi-squared with these degrees of freedom.
#[must_use]
pub fn chi_squared(p: f64, degrees_of_freedom: f64) -> f64 {
    match ChiSquared::new(degrees_of_freedom) {
        Ok(chi) if p > 0.0 && p < 1.0 => chi.inverse_cdf(p),
        _ if p > 0.5 => f64::INFINITY,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook 1.3.6.7.2 (t) and 1.3.6.7.3 (F), printed to three decimals; t(0.975, 1) = tan(0.475π),
    /// and F(1, n) = t(n)² exactly.
    #[test]
    fn quantiles_equal_the_printed_tables() {
        for (p, dof, printed) in [
            (0.95, 1.0, 6.314),
            (0.975, 2.0, 4.303),
            (0.975, 5.0, 2.571),
            (0.975, 10.0, 2.228),
            (0.95, 30.0, 1.697),
            (0.99, 60.0, 2.390),
        ] {
            assert!((student(p, dof) - printed).abs() < 5.1e-4, "t({p}, {dof})");
        }
        let exact = (0.475 * std::f64::consts::PI).tan();
        assert!((student(0.975, 1.0) - exact).abs() < 1e-8 * exact);
        for (p, above, below, printed) in [(0.95, 1.0, 10.0, 4.965), (0.95, 3.0, 20.0, 3.098)] {
            assert!((fisher(p, above, below) - printed).abs() < 5.1e-4);
        }
        for dof in [4.0, 24.0, 97.0] {
            let squared = student(0.975, dof).powi(2);
            assert!((fisher(0.95, 1.0, dof) - squared).abs() < 1e-7 * squared);
        }
        assert!((normal(0.975) - 1.959_963_984_540_054).abs() < 1e-9);
        assert!((normal_share(1.959_963_984_540_054) - 0.975).abs() < 1e-12);
        // e-Handbook 1.3.6.7.4: upper 5 % of chi-squared, 1 and 10 degrees of freedom: 3.841 and 18.307.
        assert!((chi_squared_exceeded(3.841, 1.0) - 0.05).abs() < 2e-5);
        assert!((chi_squared_exceeded(18.307, 10.0) - 0.05).abs() < 2e-6);
        assert!((chi_squared(0.95, 10.0) - 18.307).abs() < 5e-4);
        assert!((chi_squared(0.95, 1.0) - 3.841).abs() < 5e-4);
        // The same handbook, lower 5 %, 10 degrees of freedom: 3.940.
        assert!((chi_squared(0.05, 10.0) - 3.940).abs() < 5e-4);
        assert!((fisher_exceeded(4.964_602_743_730_711, 1.0, 10.0) - 0.05).abs() < 1e-9);
    }
}
