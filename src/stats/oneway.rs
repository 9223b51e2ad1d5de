//! One-way analysis of variance: do the means of several groups differ at all, and do their spreads?
//!
//! Method: the F ratio with one common spread; Welch's ratio, which allows each group its own; Brown and Forsythe's test of
//! the spreads (F of the distances from the group's median).
//! Source: Welch 1951; Brown and Forsythe 1974; checked on answers of R.

use super::{median, quantile};

/// A ratio of mean squares with its degrees of freedom and the probability of a greater one by chance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// The ratio.
    pub f: f64,
    /// Degrees of freedom above.
    pub above: f64,
    /// Degrees of freedom below.
    pub below: f64,
    /// Probability of a greater one where nothing differs.
    pub p: f64,
}

impl Ratio {
    fn new(f: f64, above: f64, below: f64) -> Option<Self> {
        (f.is_finite() && above > 0.0 && below > 0.0).then(|| Self {
            f,
            above,
            below,
            p: quantile::fisher_exceeded(f, above, below),
        })
    }
}

/// The classical ratio; `None` with fewer than two groups, no value to spare or no scatter at all.
#[must_use]
pub fn classical(groups: &[Vec<f64>]) -> Option<Ratio> {
    let groups: Vec<&Vec<f64>> = groups.iter().filter(|g| !g.is_empty()).collect();
    let n: usize = groups.iter().map(|g| g.len()).sum();
    let k = groups.len();
    if k < 2 || n <= k {
        return None;
    }
    let all = groups.iter().flat_map(|g| g.iter()).sum::<f64>() / n as f64;
    let (mut between, mut within) = (0.0, 0.0);
    for group in groups {
        let (mean, squares) = mean_and_squares(group);
        between += group.len() as f64 * (mean - all).powi(2);
        within += squares;
    }
    let (above, below) = ((k - 1) as f64, (n - k) as f64);
    Ratio::new((between / above) / (within / below), above, below)
}

/// Welch's ratio; `None` where a group has fewer than two values or no scatter.
#[must_use]
pub fn welch(groups: &[Vec<f64>]) -> Option<Ratio> {
    let k = groups.len();
    if k < 2 || groups.iter().any(|g| g.len() < 2) {
        return None;
    }
    let parts: Vec<(f64, f64, f64)> = groups
        .iter()
        .map(|g| {
            let (mean, squares) = mean_and_squares(g);
            let n = g.len() as f64;
            (mean, n / (squares / (n - 1.0)), n - 1.0)
        })
        .collect();
    let weight: f64 = parts.iter().map(|p| p.1).sum();
    let all = parts.iter().map(|p| p.0 * p.1).sum::<f64>() / weight;
    let above = (k - 1) as f64;
    let between = parts.iter().map(|p| p.1 * (p.0 - all).powi(2)).sum::<f64>() / above;
    let lack: f64 = parts
        .iter()
        .map(|p| (1.0 - p.1 / weight).powi(2) / p.2)
        .sum();
    let k2 = (k * k - 1) as f64;
    Ratio::new(
        between / (1.0 + 2.0 * (k as f64 - 2.0) / k2 * lack),
        above,
        k2 / (3.0 * lack),
    )
}

/// Brown and Forsythe's test that the spreads differ.
#[must_use]
pub fn spreads(groups: &[Vec<f64>]) -> Option<Ratio> {
    let distances: Vec<Vec<f64>> = groups
        .iter()
        .filter_map(|g| {
            let middle = median(g)?;
            Some(g.iter().map(|v| (v - middle).abs()).collect())
        })
        .collect();
    classical(&distances)
}

fn mean_and_squares(values: &[f64]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (mean, values.iter().map(|v| (v - mean).powi(2)).sum())
}
