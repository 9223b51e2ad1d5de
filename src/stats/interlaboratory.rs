//! Repeatability and reproducibility: how far do pulls of one kind scatter within a session, and between sessions?
//!
//! Method: ASTM E691 (ISO 5725-2): standard deviations of cells, of cell means, and from them s_r, s_L, s_R; the
//! consistency statistics h (a session's mean against all) and k (its scatter against all). Cells of unequal size take the
//! weights of ISO 5725-2, 7.4.5 (formulas from memory; equal to E691 where sizes are equal).
//! Assumption: one level of one material; sessions drawn from one population.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What several sessions (laboratories, rigs) say about one kind of pull. In the unit of the values.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Precision {
    /// Mean of the cell means.
    pub mean: f64,
    /// Standard deviation of the cell means.
    pub s_of_means: f64,
    /// Repeatability standard deviation s_r: within a session.
    pub s_r: f64,
    /// Standard deviation between sessions, zero where the cells do not show any.
    pub s_between: f64,
    /// Reproducibility standard deviation s_R.
    pub s_reproducibility: f64,
    /// Repeatability limit r = 2.8·s_r.
    pub limit_r: f64,
    /// Reproducibility limit R = 2.8·s_R.
    pub limit_reproducibility: f64,
    /// Per session: mean, standard deviation, h, k.
    pub cells: Vec<Cell>,
}

/// One session.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Cell {
    /// Values in it.
    pub n: usize,
    /// Their mean.
    pub mean: f64,
    /// Their standard deviation.
    pub sd: f64,
    /// Deviation of its mean over the standard deviation of the means.
    pub h: f64,
    /// Its standard deviation over s_r.
    pub k: f64,
}

impl Precision {
    /// Cochran's C: largest variance over the sum of the variances.
    #[must_use]
    pub fn cochran(&self) -> f64 {
        let largest = self.cells.iter().map(|c| c.sd * c.sd).fold(0.0, f64::max);
        let sum: f64 = self.cells.iter().map(|c| c.sd * c.sd).sum();
        if sum > 0.0 { largest / sum } else { 0.0 }
    }
}

/// Factor of the 95 % limits, 1.96·√2 rounded as both standards print it.
const LIMIT_FACTOR: f64 = 2.8;

/// The precision figures of these cells; `None` for fewer than two cells or with no cell of two values, or no scatter.
#[must_use]
pub fn precision(cells: &[Vec<f64>]) -> Option<Precision> {
    let cells: Vec<&Vec<f64>> = cells.iter().filter(|c| !c.is_empty()).collect();
    let p = cells.len();
    if p < 2 {
        return None;
    }
    let stats: Vec<(usize, f64, f64)> = cells
        .iter()
        .map(|c| {
            let n = c.len();
            let mean = c.iter().sum::<f64>() / n as f64;
            let squares: f64 = c.iter().map(|v| (v - mean).powi(2)).sum();
            (n, mean, squares)
        })
        .collect();
    let total: usize = stats.iter().map(|s| s.0).sum();
    let freedom = total.checked_sub(p).filter(|f| *f > 0)? as f64;
    let within = stats.iter().map(|s| s.2).sum::<f64>() / freedom;
    if within <= 0.0 {
        return None;
    }
    let mean = stats.iter().map(|s| s.1).sum::<f64>() / p as f64;
    let s_of_means =
        (stats.iter().map(|s| (s.1 - mean).powi(2)).sum::<f64>() / (p - 1) as f64).sqrt();
    // Mean weighted by size and the size that stands for all, both those of E691 where sizes are equal.
    let total = total as f64;
    let weighted = stats.iter().map(|s| s.0 as f64 * s.1).sum::<f64>() / total;
    let between_square = stats
        .iter()
        .map(|s| s.0 as f64 * (s.1 - weighted).powi(2))
        .sum::<f64>()
        / (p - 1) as f64;
    let squares: f64 = stats.iter().map(|s| (s.0 * s.0) as f64).sum();
    let size = (total - squares / total) / (p - 1) as f64;
    let between = ((between_square - within) / size).max(0.0);
    let (s_r, s_reproducibility) = (within.sqrt(), (within + between).sqrt());
    let cells = stats
        .iter()
        .map(|(n, m, squares)| {
            let sd = if *n > 1 {
                (squares / (n - 1) as f64).sqrt()
            } else {
                0.0
            };
            Cell {
                n: *n,
                mean: *m,
                sd,
                h: if s_of_means > 0.0 {
                    (m - mean) / s_of_means
                } else {
                    0.0
                },
                k: sd / s_r,
            }
        })
        .collect();
    Some(Precision {
        mean,
        s_of_means,
        s_r,
        s_between: between.sqrt(),
        s_reproducibility,
        limit_r: LIMIT_FACTOR * s_r,
        limit_reproducibility: LIMIT_FACTOR * s_reproducibility,
        cells,
    })
}
