//! The solver: weighted least squares over all gauges at once, with weights that must not be negative and sequences
//! that must not fall.
//!
//! Unknowns are `weights` (of columns; some must be ≥ 0, some have a prior) and `sequences` (one value per block each,
//! starting from zero, never falling unless said so). The convex problem becomes normal equations, goes to an
//! interior-point solver and from there to its exact solution by pivoting, whose factor gives the covariance.

use crate::separate::nodes::Node;
use crate::separate::skyline::Factor;

/// Normal equations.
mod normal;

/// Constrained solutions.
mod pivot;

/// Uncertainties.
mod spread;

use normal::Layout;
pub(super) use spread::{Draw, Spread};

/// A weight's own knowledge, independent of the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Prior {
    /// Nothing is known.
    None,
    /// The centre, normal with this standard deviation.
    Normal(f64),
    /// The centre, rectangular with this half width (weighed by its standard deviation, half width / √3).
    Rectangular(f64),
    /// Rectangular with this half width, and held at its centre whatever the readings say: what the shapes get wrong
    /// elsewhere would settle it, and does not know it.
    Held(f64),
}

/// A weight that is held may move by this share of its half width.
const HELD_SHARE: f64 = 0.01;

impl Prior {
    fn precision(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Normal(sd) => sd.powi(-2),
            Self::Rectangular(half) => 3.0 / half.powi(2),
            Self::Held(half) => 3.0 / (HELD_SHARE * half).powi(2),
        }
    }
}

/// One unknown weight.
#[derive(Debug, Clone)]
pub(super) struct Weight {
    pub non_negative: bool,
    pub prior: Prior,
    /// Where the prior is centred.
    pub centre: f64,
    /// Name of the source for the budget; empty for shapes and offsets, whose spread counts as noise.
    pub source: String,
}

/// A sum of weights that is known before the fit.
#[derive(Debug, Clone)]
pub(super) struct Tie {
    /// Weight, coefficient.
    pub terms: Vec<(usize, f64)>,
    /// What the sum is, normal with this standard deviation.
    pub value: f64,
    pub sd: f64,
}

impl Tie {
    /// Two weights that are alike but for this standard deviation.
    pub(super) fn alike(a: usize, b: usize, sd: f64) -> Self {
        Self {
            terms: vec![(a, 1.0), (b, -1.0)],
            value: 0.0,
            sd,
        }
    }
}

/// One unknown sequence.
#[derive(Debug, Clone)]
pub(super) struct Sequence {
    /// It must not fall.
    pub rising: bool,
    /// Where it takes new values, in order of time. It is zero before the first and stays after the last.
    pub nodes: Vec<Node>,
}

/// One gauge's rows: at most one per block.
#[derive(Debug, Clone)]
pub(super) struct Rows {
    /// Reading per block; NaN where the gauge has none.
    pub reading: Vec<f64>,
    /// Variance of each reading from noise.
    pub variance: Vec<f64>,
    /// Weights in this gauge: index of the weight and its column over the blocks.
    pub columns: Vec<(usize, Vec<f64>)>,
    /// Sequences in this gauge.
    pub sequences: Vec<usize>,
}

/// The whole problem.
#[derive(Debug, Clone)]
pub(super) struct Problem {
    pub blocks: usize,
    /// Time of each block, s.
    pub time: Vec<f64>,
    pub weights: Vec<Weight>,
    pub sequences: Vec<Sequence>,
    pub rows: Vec<Rows>,
    /// Sums of weights that are known before the fit.
    pub ties: Vec<Tie>,
}

/// The solution, with what is needed for uncertainties.
pub(super) struct Fit {
    pub weights: Vec<f64>,
    /// `sequences[s][k]`.
    pub sequences: Vec<Vec<f64>>,
    /// Constraints that bind, in the order of the layout.
    binding: Vec<bool>,
    /// All unknowns in the order of the layout.
    values: Vec<f64>,
    layout: Layout,
    /// Reduced unknown of each full unknown; `None` where it sits on its bound.
    reduced: Vec<Option<usize>>,
    cholesky: Factor,
    priors: Vec<(usize, Prior, String)>,
}

/// Why there is no solution.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SolveError {
    /// The interior-point solver stopped without a solution.
    #[error("the least-squares solver stopped without a solution ({0})")]
    NoSolution(String),
    /// The reduced normal matrix is not positive definite.
    #[error("the gauges leave a combination of parts undetermined")]
    Undetermined,
}

/// A linear combination of unknowns.
#[derive(Debug, Clone, Default)]
pub(super) struct Functional {
    /// Weight, coefficient.
    pub weights: Vec<(usize, f64)>,
    /// Sequence, block, coefficient.
    pub sequences: Vec<(usize, usize, f64)>,
}

impl Functional {
    fn value(&self, weights: &[f64], sequences: &[Vec<f64>]) -> f64 {
        let shapes: f64 = self.weights.iter().map(|(i, c)| c * weights[*i]).sum();
        let slips: f64 = self
            .sequences
            .iter()
            .map(|(s, k, c)| c * sequences[*s][*k])
            .sum();
        shapes + slips
    }

    /// A sum of combinations, each times a factor.
    pub(super) fn sum(terms: impl Iterator<Item = (Self, f64)>) -> Self {
        let mut sum = Self::default();
        for (f, factor) in terms {
            sum.weights
                .extend(f.weights.into_iter().map(|(i, c)| (i, factor * c)));
            sum.sequences
                .extend(f.sequences.into_iter().map(|(s, k, c)| (s, k, factor * c)));
        }
        sum
    }
}

impl Problem {
    /// Reading minus model per gauge and block; NaN where there is no reading.
    pub(super) fn residuals(&self, fit: &Fit) -> Vec<Vec<f64>> {
        self.rows
            .iter()
            .map(|rows| {
                (0..self.blocks)
                    .map(|k| {
                        let shapes: f64 = rows
                            .columns
                            .iter()
                            .map(|(i, c)| fit.weights[*i] * c[k])
                            .sum();
                        let slips: f64 = rows.sequences.iter().map(|s| fit.sequences[*s][k]).sum();
                        rows.reading[k] - shapes - slips
                    })
                    .collect()
            })
            .collect()
    }

    /// Sum of squares over the variance of what the fit leaves of each gauge.
    pub(super) fn squares(&self, fit: &Fit) -> Vec<f64> {
        let left = self.residuals(fit);
        left.iter()
            .zip(&self.rows)
            .map(|(left, rows)| {
                let known = left.iter().zip(&rows.variance);
                let known = known.filter(|(r, v)| r.is_finite() && **v > 0.0);
                known.map(|(r, v)| r * r / v).sum()
            })
            .collect()
    }
}

impl Fit {
    /// Value of a linear combination.
    pub(super) fn value(&self, f: &Functional) -> f64 {
        f.value(&self.weights, &self.sequences)
    }
}
