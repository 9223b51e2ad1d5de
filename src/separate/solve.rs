//! The solver: weighted least squares over all gauges at once, with weights that must not be negative and sequences
//! that must not fall.
//!
//! Unknowns are `weights` (of columns; some must be ≥ 0, some have a prior) and `sequences` (one value per block each,
//! starting from zero, never falling unless said so). The convex problem goes to an interior-point solver, which finds
//! the set of constraints that bind; from there (or from the set of an earlier, similar problem) block principal
//! pivoting ends at the exact solution on that set, and its factor gives the covariance.
//!
//! Source of the pivoting rule: Júdice and Pires (1994), block principal pivoting for strictly convex programs with
//! bounds (from memory).

use clarabel::algebra::CscMatrix;
use clarabel::solver::{
    DefaultSettingsBuilder, DefaultSolver, IPSolver, NonnegativeConeT, SolverStatus,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::separate::nodes::Node;
use crate::separate::skyline::{Factor, Lower, dot};

/// A weight's own knowledge, independent of the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Prior {
    /// Nothing is known.
    None,
    /// Zero, normal with this standard deviation.
    Normal(f64),
    /// Zero, rectangular with this half width (weighed by its standard deviation, half width / √3).
    Rectangular(f64),
}

impl Prior {
    fn precision(self) -> f64 {
        match self {
            Self::None => 0.0,
            Self::Normal(sd) => sd.powi(-2),
            Self::Rectangular(half) => 3.0 / half.powi(2),
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
    /// Pairs of weights that are alike before the fit: their difference is normal with this standard deviation.
    pub alike: Vec<(usize, usize, f64)>,
}

/// Where each unknown stands in the vector of all: weights first, then the values of the sequences in order of time.
#[derive(Debug, Clone)]
struct Layout {
    /// `terms[s][k]`: unknowns that make the value of sequence s at block k, with their coefficients.
    terms: Vec<Vec<Terms>>,
    /// Sequence and block of each unknown after the weights.
    nodes: Vec<(usize, usize)>,
    /// Neighbouring values of sequences that may fall.
    loose: Vec<(usize, usize)>,
    weights: usize,
    unknowns: usize,
    /// Constraints: `x[upper] − x[lower] ≥ 0`, or `x[upper] ≥ 0` without a lower one.
    bounds: Vec<(usize, Option<usize>)>,
}

/// At most two unknowns with their coefficients.
#[derive(Debug, Clone, Copy, Default)]
struct Terms([Option<(usize, f64)>; 2]);

impl Layout {
    /// Constraints that bind where a similar problem ended: what did not grow there, and weights that were nothing.
    fn held_in(&self, earlier: &Fit) -> Vec<bool> {
        let value = |unknown: usize| {
            let found = match unknown.checked_sub(self.weights) {
                Some(place) => {
                    let (s, at) = self.nodes[place];
                    earlier.sequences.get(s).and_then(|values| values.get(at))
                }
                None => earlier.weights.get(unknown),
            };
            found.copied().unwrap_or(0.0)
        };
        let grown =
            |(upper, lower): &(usize, Option<usize>)| value(*upper) - lower.map_or(0.0, value);
        self.bounds.iter().map(|b| grown(b) <= ZERO).collect()
    }
}

impl Terms {
    fn iter(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.0.iter().flatten().copied()
    }

    fn value(&self, values: &[f64]) -> f64 {
        self.iter().map(|(i, c)| c * values[i]).sum()
    }
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

/// Unknowns of one refit.
pub(super) struct Draw {
    weights: Vec<f64>,
    sequences: Vec<Vec<f64>>,
}

impl Draw {
    /// Value of a linear combination.
    pub(super) fn value(&self, f: &Functional) -> f64 {
        f.value(&self.weights, &self.sequences)
    }
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

/// Uncertainty of a linear combination.
#[derive(Debug, Clone, Default)]
pub(super) struct Spread {
    /// Standard deviation from the noise of the record.
    pub noise: f64,
    /// Contributions of normal priors: source, standard deviation.
    pub normal: Vec<(String, f64)>,
    /// Contributions of rectangular priors: source, half width.
    pub rectangular: Vec<(String, f64)>,
}

/// Precision of every unknown's weak pull to zero, 1/mm²: a metre and more is as good as any, so that what no gauge
/// sees stays where it is.
const RIDGE: f64 = 1e-7;
/// Strength of the tie between neighbours of a sequence that may fall, 1/mm².
const LOOSE_TIE: f64 = 1e-3;
/// Most rounds of pivoting; a handful is usual.
const ROUNDS: usize = 600;
/// Most of them from what binds in a similar problem: beyond that the interior point is quicker.
const FEW_ROUNDS: usize = 40;
/// A constraint violated by less than this, in mm, holds.
const ZERO: f64 = 1e-6;
/// A constraint whose multiplier is no more negative than this, in mm of slack that it asks for, binds: where columns are
/// nearly alike, a thousand times that would leave a set a hundredth of a millimetre from the solution.
const NO_PULL: f64 = 1e-9;
/// After so many rounds, where columns alike to the last digits keep changing places, a tenth of a micrometre will do.
const PATIENT: usize = 200;
/// That, in mm.
const NEARLY_ZERO: f64 = 1e-4;

/// Upper triangle by columns, sparse, and the right-hand side.
struct Normal {
    columns: Vec<Vec<(usize, f64)>>,
    right: Vec<f64>,
}

impl Problem {
    fn layout(&self) -> Layout {
        let mut bounds: Vec<(usize, Option<usize>)> = self
            .weights
            .iter()
            .enumerate()
            .filter(|(_, w)| w.non_negative)
            .map(|(i, _)| (i, None))
            .collect();
        // Unknowns in order of time over all sequences: neighbours in time are neighbours in the matrix.
        let mut order: Vec<(usize, usize, usize)> = Vec::new();
        for (s, sequence) in self.sequences.iter().enumerate() {
            order.extend(
                sequence
                    .nodes
                    .iter()
                    .enumerate()
                    .map(|(i, node)| (node.at, s, i)),
            );
        }
        order.sort_unstable();
        let mut unknown: Vec<Vec<usize>> = self
            .sequences
            .iter()
            .map(|s| vec![0; s.nodes.len()])
            .collect();
        let mut loose = Vec::new();
        for (place, (_, s, i)) in order.iter().enumerate() {
            unknown[*s][*i] = self.weights.len() + place;
            let before = i.checked_sub(1).map(|b| unknown[*s][b]);
            if self.sequences[*s].rising {
                bounds.push((unknown[*s][*i], before));
            } else if let Some(before) = before {
                loose.push((before, unknown[*s][*i]));
            }
        }
        let terms = self
            .sequences
            .iter()
            .zip(&unknown)
            .map(|(s, u)| self.terms(s, u))
            .collect();
        Layout {
            terms,
            nodes: order.iter().map(|(at, s, _)| (*s, *at)).collect(),
            loose,
            weights: self.weights.len(),
            unknowns: self.weights.len() + order.len(),
            bounds,
        }
    }

    /// Terms of one sequence per block.
    fn terms(&self, sequence: &Sequence, unknown: &[usize]) -> Vec<Terms> {
        let mut terms = vec![Terms::default(); self.blocks];
        let mut last = None;
        for (i, (node, new)) in sequence.nodes.iter().zip(unknown).enumerate() {
            let until = sequence
                .nodes
                .get(i + 1)
                .map_or(self.blocks, |n| n.from + 1);
            let span = self.time[node.at] - self.time[node.from];
            let until = until.max(node.at + 1);
            for (k, term) in terms.iter_mut().enumerate().take(until).skip(node.from + 1) {
                let share = if k >= node.at || span <= 0.0 {
                    1.0
                } else {
                    (self.time[k] - self.time[node.from]) / span
                };
                let old = last.map(|l| (l, 1.0 - share)).filter(|_| share < 1.0);
                *term = Terms([old, Some((*new, share))]);
            }
            last = Some(*new);
        }
        terms
    }

    fn normal_equations(&self, layout: &Layout) -> Normal {
        let (p, n) = (self.weights.len(), layout.unknowns);
        let mut dense = vec![vec![0.0; p]; p];
        let mut cross = vec![vec![0.0; p]; n - p];
        let mut local: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n];
        let mut right = vec![0.0; n];
        for rows in &self.rows {
            for k in 0..self.blocks {
                let y = rows.reading[k];
                if !y.is_finite() {
                    continue;
                }
                let w = 1.0 / rows.variance[k];
                for (a, (i, column)) in rows.columns.iter().enumerate() {
                    let wc = w * column[k];
                    if wc == 0.0 {
                        continue;
                    }
                    right[*i] += wc * y;
                    for (j, other) in &rows.columns[..=a] {
                        let (low, high) = (*i.min(j), *i.max(j));
                        dense[high][low] += wc * other[k];
                    }
                }
                let seen: Vec<(usize, f64)> = rows
                    .sequences
                    .iter()
                    .flat_map(|s| layout.terms[*s][k].iter())
                    .collect();
                for &(q, c) in &seen {
                    right[q] += w * c * y;
                    for (i, column) in &rows.columns {
                        cross[q - p][*i] += w * c * column[k];
                    }
                    for &(r, d) in seen.iter().filter(|(r, _)| *r <= q) {
                        add(&mut local, r, q, w * c * d);
                    }
                }
            }
        }
        // A sequence that may fall is tied weakly to its neighbour, so that a gap in its gauge does not leave it loose.
        for (a, b) in &layout.loose {
            add(&mut local, *a, *a, LOOSE_TIE);
            add(&mut local, *b, *b, LOOSE_TIE);
            add(&mut local, *a, *b, -LOOSE_TIE);
        }
        for (a, b, sd) in &self.alike {
            let precision = sd.powi(-2);
            dense[*a][*a] += precision;
            dense[*b][*b] += precision;
            dense[*a.max(b)][*a.min(b)] -= precision;
        }
        let mut columns = local;
        for (i, weight) in self.weights.iter().enumerate() {
            dense[i][i] += weight.prior.precision() + RIDGE;
            right[i] += weight.prior.precision() * weight.centre;
            columns[i] = dense[i][..=i]
                .iter()
                .copied()
                .enumerate()
                .filter(|(j, v)| *v != 0.0 || *j == i)
                .collect();
        }
        for q in p..n {
            columns[q].extend(
                cross[q - p]
                    .iter()
                    .copied()
                    .enumerate()
                    .filter(|(_, v)| *v != 0.0),
            );
            add(&mut columns, q, q, RIDGE);
        }
        Normal { columns, right }
    }

    /// Solves the problem; what binds in the solution of a similar one, if there is any, is a start.
    pub(super) fn solve(&self, similar: Option<&Fit>) -> Result<Fit, SolveError> {
        let layout = self.layout();
        let normal = self.normal_equations(&layout);
        if let Some(similar) = similar
            && let Ok(fit) = self.pivot(&layout, &normal, layout.held_in(similar), FEW_ROUNDS)
        {
            return Ok(fit);
        }
        let (binding, values) = match interior_point(&layout, &normal) {
            Ok(found) => found,
            // Readings without any noise are beyond its numbers; from nothing sliding pivoting takes longer, but arrives.
            Err(error) => {
                let held = vec![true; layout.bounds.len()];
                return self
                    .pivot(&layout, &normal, held, ROUNDS)
                    .map_err(|_| error);
            }
        };
        match self.pivot(&layout, &normal, binding.clone(), ROUNDS) {
            // Columns alike to the last digits keep changing places: the interior point is the solution as well as any.
            Err(SolveError::NoSolution(_)) => {
                let held = solve_held(&layout, &normal, &binding)?;
                Ok(self.fit(layout, &values, held.reduced, held.cholesky, binding))
            }
            settled => settled,
        }
    }

    /// Block principal pivoting from a binding set to the exact solution.
    fn pivot(
        &self,
        layout: &Layout,
        normal: &Normal,
        mut binding: Vec<bool>,
        rounds: usize,
    ) -> Result<Fit, SolveError> {
        let (mut fewest, mut patience) = (usize::MAX, 3);
        let curvature: Vec<f64> = normal
            .columns
            .iter()
            .enumerate()
            .map(|(j, c)| c.iter().find(|(i, _)| *i == j).map_or(1.0, |(_, v)| *v))
            .collect();
        for round in 0..rounds {
            let (holds, binds) = if round < PATIENT {
                (ZERO, NO_PULL)
            } else {
                (NEARLY_ZERO, NEARLY_ZERO)
            };
            let Held {
                reduced,
                cholesky,
                values,
            } = solve_held(layout, normal, &binding)?;
            let gradient = gradient(layout, normal, &values);
            // Constraints on the wrong side: by a slack in mm, or by a multiplier in the slack that it asks for.
            let wrong: Vec<usize> = (0..binding.len())
                .filter(|&c| {
                    let (upper, lower) = layout.bounds[c];
                    let (off, allowed) = if binding[c] {
                        (-gradient[c] / curvature[upper], binds)
                    } else {
                        (lower.map_or(0.0, |l| values[l]) - values[upper], holds)
                    };
                    off > allowed
                })
                .collect();
            if wrong.is_empty() {
                return Ok(self.fit(layout.clone(), &values, reduced, cholesky, binding));
            }
            let exchange_all = if wrong.len() < fewest {
                (fewest, patience) = (wrong.len(), 3);
                true
            } else {
                patience -= i32::from(patience > 0);
                patience > 0
            };
            // All at once while that helps; else only the last, which always ends (Murty's rule).
            let from = if exchange_all { 0 } else { wrong.len() - 1 };
            for c in &wrong[from..] {
                binding[*c] = !binding[*c];
            }
        }
        Err(SolveError::NoSolution(
            "the set of binding constraints did not settle".into(),
        ))
    }

    fn fit(
        &self,
        layout: Layout,
        values: &[f64],
        reduced: Vec<Option<usize>>,
        cholesky: Factor,
        binding: Vec<bool>,
    ) -> Fit {
        let sequences = layout
            .terms
            .iter()
            .map(|terms| terms.iter().map(|t| t.value(values)).collect())
            .collect();
        let priors = self
            .weights
            .iter()
            .enumerate()
            .filter(|(_, w)| w.prior != Prior::None && !w.source.is_empty())
            .map(|(i, w)| (i, w.prior, w.source.clone()))
            .collect();
        Fit {
            weights: values[..self.weights.len()].to_vec(),
            sequences,
            binding,
            values: values.to_vec(),
            layout,
            reduced,
            cholesky,
            priors,
        }
    }

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

    /// Refits to records that the fit itself would make: its own readings with fresh noise, `count` times. Their scatter
    /// is the noise of every figure with all constraints at work; the covariance on the binding set alone forgets that
    /// shapes must not be negative and sequences not fall, and is several times too wide for flat combinations.
    /// Priors stay centred where the fit put them, so that instrument errors are not in the scatter.
    pub(super) fn resample(&self, fit: &Fit, count: usize, seed: u64) -> Vec<Draw> {
        let layout = &fit.layout;
        let normal = self.normal_equations(layout);
        let expected = normal.times(&fit.values);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut fresh = || {
            let mut right = expected.clone();
            for rows in &self.rows {
                for k in (0..self.blocks).filter(|k| rows.reading[*k].is_finite()) {
                    let z: f64 = StandardNormal.sample(&mut random);
                    let pull = z / rows.variance[k].sqrt();
                    for (i, column) in &rows.columns {
                        right[*i] += pull * column[k];
                    }
                    for (i, c) in rows
                        .sequences
                        .iter()
                        .flat_map(|s| layout.terms[*s][k].iter())
                    {
                        right[i] += c * pull;
                    }
                }
            }
            // What is assumed alike is so only within its scatter.
            for (a, b, sd) in &self.alike {
                let z: f64 = StandardNormal.sample(&mut random);
                right[*a] += z / sd;
                right[*b] -= z / sd;
            }
            right
        };
        let rights: Vec<Vec<f64>> = (0..count).map(|_| fresh()).collect();
        let refit = |right| {
            let drawn = Normal {
                columns: normal.columns.clone(),
                right,
            };
            let settled = self.pivot(layout, &drawn, fit.binding.clone(), ROUNDS);
            settled.ok().map(|fit| Draw {
                weights: fit.weights,
                sequences: fit.sequences,
            })
        };
        rights.into_par_iter().filter_map(refit).collect()
    }

    /// The largest step that sequence `s` might still take at or shortly before block `at` without being noticed:
    /// over dyadic numbers of last blocks, the step's estimate given everything else, and its standard deviation;
    /// the pair with the highest one-sided bound. (0, 0) where no step can be told from what is free anyway.
    pub(super) fn late_step(
        &self,
        fit: &Fit,
        residuals: &[Vec<f64>],
        s: usize,
        at: usize,
    ) -> (f64, f64) {
        let mut best = (0.0, 0.0);
        let mut best_bound = f64::NEG_INFINITY;
        let mut length = 1;
        while length <= at {
            if let Some((estimate, sd)) = self.step(fit, residuals, s, at + 1 - length) {
                let bound = estimate + 1.645 * sd;
                if bound > best_bound {
                    best_bound = bound;
                    best = (estimate, sd);
                }
            }
            length *= 2;
        }
        best
    }

    /// Estimate and standard deviation of an added step of sequence `s` from block `from` to the end of the record.
    fn step(&self, fit: &Fit, residuals: &[Vec<f64>], s: usize, from: usize) -> Option<(f64, f64)> {
        let mut cross = vec![0.0; fit.cholesky.len()];
        let (mut own, mut pull) = (0.0, 0.0);
        for (rows, residual) in self.rows.iter().zip(residuals) {
            if !rows.sequences.contains(&s) {
                continue;
            }
            for k in (from..self.blocks).filter(|k| residual[*k].is_finite()) {
                let w = 1.0 / rows.variance[k];
                own += w;
                pull += w * residual[k];
                for (i, column) in &rows.columns {
                    if let Some(r) = fit.reduced[*i] {
                        cross[r] += w * column[k];
                    }
                }
                for (full, c) in rows
                    .sequences
                    .iter()
                    .flat_map(|o| fit.layout.terms[*o][k].iter())
                {
                    if let Some(r) = fit.reduced[full] {
                        cross[r] += w * c;
                    }
                }
            }
        }
        let information = own - dot(&cross, &fit.cholesky.solve(&cross));
        // Where the step can be made up by what is free already, that freedom's spread is the figure that counts.
        (own > 0.0 && information > 1e-3 * own)
            .then(|| (pull / information, information.sqrt().recip()))
    }
}

/// A solution with some constraints held.
struct Held {
    reduced: Vec<Option<usize>>,
    cholesky: Factor,
    values: Vec<f64>,
}

/// Solution with the binding constraints held: reduced unknowns, factor of their normal matrix, all values.
fn solve_held(layout: &Layout, normal: &Normal, binding: &[bool]) -> Result<Held, SolveError> {
    let reduced = reduce(layout, binding);
    let count = reduced.iter().flatten().max().map_or(0, |m| m + 1);
    let mut matrix = Lower::zeros(count);
    let mut right = vec![0.0; count];
    for (j, column) in normal.columns.iter().enumerate() {
        let Some(b) = reduced[j] else { continue };
        right[b] += normal.right[j];
        for &(i, v) in column {
            let Some(a) = reduced[i] else { continue };
            // Two unknowns tied together meet twice in the full matrix.
            matrix.add(a, b, if i != j && a == b { 2.0 * v } else { v });
        }
    }
    let cholesky = matrix.factor().ok_or(SolveError::Undetermined)?;
    let solved = cholesky.solve(&right);
    let values = reduced
        .iter()
        .map(|r| r.map_or(0.0, |r| solved[r]))
        .collect();
    Ok(Held {
        reduced,
        cholesky,
        values,
    })
}

impl Normal {
    /// The normal matrix times a vector.
    fn times(&self, values: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; values.len()];
        for (j, column) in self.columns.iter().enumerate() {
            for &(i, v) in column {
                product[i] += v * values[j];
                if i != j {
                    product[j] += v * values[i];
                }
            }
        }
        product
    }
}

/// Derivative of the objective by each constrained increment: what its multiplier is where it binds.
fn gradient(layout: &Layout, normal: &Normal, values: &[f64]) -> Vec<f64> {
    let mut by_value = normal.times(values);
    for (product, right) in by_value.iter_mut().zip(&normal.right) {
        *product -= right;
    }
    // An increment lifts its own value and all that follow in its sequence: sum from the end.
    let mut by_increment = vec![0.0; layout.bounds.len()];
    for c in (0..layout.bounds.len()).rev() {
        let (upper, lower) = layout.bounds[c];
        by_increment[c] = by_value[upper];
        if let Some(lower) = lower {
            let carried = by_value[upper];
            by_value[lower] += carried;
        }
    }
    by_increment
}

fn add(columns: &mut [Vec<(usize, f64)>], row: usize, column: usize, value: f64) {
    match columns[column].iter_mut().find(|(i, _)| *i == row) {
        Some((_, v)) => *v += value,
        None => columns[column].push((row, value)),
    }
}

/// Reduced unknowns: tied by binding constraints, absent where they are bound to zero.
fn reduce(layout: &Layout, binding: &[bool]) -> Vec<Option<usize>> {
    let mut tied_to: Vec<Option<usize>> = (0..layout.unknowns).map(Some).collect();
    for ((upper, lower), held) in layout.bounds.iter().zip(binding) {
        if *held {
            // Bounds come in order of time, so the lower one is already resolved.
            tied_to[*upper] = lower.and_then(|l| tied_to[l]);
        }
    }
    // Sequences in order of time first, weights last: the factor's skyline stays low.
    let mut next = 0;
    let mut number = vec![None; layout.unknowns];
    for i in (layout.weights..layout.unknowns).chain(0..layout.weights) {
        if tied_to[i] == Some(i) {
            number[i] = Some(next);
            next += 1;
        }
    }
    tied_to.iter().map(|t| t.and_then(|t| number[t])).collect()
}

/// The binding set and all values by the interior-point solver.
fn interior_point(layout: &Layout, normal: &Normal) -> Result<(Vec<bool>, Vec<f64>), SolveError> {
    let n = layout.unknowns;
    // Scaled so that every unknown has unit curvature: the solver's tolerances then mean the same for all.
    let scale: Vec<f64> = normal
        .columns
        .iter()
        .enumerate()
        .map(|(j, c)| {
            c.iter()
                .find(|(i, _)| *i == j)
                .map_or(1.0, |(_, v)| v.sqrt().recip())
        })
        .collect();
    let quadratic = sparse(
        n,
        n,
        normal.columns.iter().enumerate().map(|(j, c)| {
            c.iter()
                .map(|(i, v)| (*i, v * scale[*i] * scale[j]))
                .collect()
        }),
    );
    let linear: Vec<f64> = normal
        .right
        .iter()
        .zip(&scale)
        .map(|(r, s)| -r * s)
        .collect();
    let mut columns: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n];
    for (row, (upper, lower)) in layout.bounds.iter().enumerate() {
        columns[*upper].push((row, -1.0));
        if let Some(lower) = lower {
            columns[*lower].push((row, scale[*lower] / scale[*upper]));
        }
    }
    let count = layout.bounds.len();
    let constraints = sparse(count, n, columns.into_iter());
    let settings = DefaultSettingsBuilder::default()
        .verbose(false)
        .max_iter(100)
        .max_threads(1)
        .build()
        .map_err(|e| SolveError::NoSolution(e.to_string()))?;
    let cones = [NonnegativeConeT(count)];
    let mut solver = DefaultSolver::new(
        &quadratic,
        &linear,
        &constraints,
        &vec![0.0; count],
        &cones,
        settings,
    )
    .map_err(|e| SolveError::NoSolution(e.to_string()))?;
    solver.solve();
    let solution = &solver.solution;
    // A solution short of full accuracy will do: pivoting ends at the exact one.
    if matches!(
        solution.status,
        SolverStatus::Solved
            | SolverStatus::AlmostSolved
            | SolverStatus::InsufficientProgress
            | SolverStatus::MaxIterations
    ) {
        let binding = solution
            .z
            .iter()
            .zip(&solution.s)
            .map(|(z, s)| z > s)
            .collect();
        let values = solution.x.iter().zip(&scale).map(|(x, s)| x * s).collect();
        Ok((binding, values))
    } else {
        Err(SolveError::NoSolution(format!("{:?}", solution.status)))
    }
}

fn sparse(
    rows: usize,
    columns: usize,
    entries: impl Iterator<Item = Vec<(usize, f64)>>,
) -> CscMatrix<f64> {
    let (mut starts, mut places, mut values) = (vec![0], Vec::new(), Vec::new());
    for mut column in entries {
        column.sort_by_key(|(i, _)| *i);
        for (i, v) in column {
            places.push(i);
            values.push(v);
        }
        starts.push(places.len());
    }
    CscMatrix::new(rows, columns, starts, places, values)
}

impl Fit {
    /// Value of a linear combination.
    pub(super) fn value(&self, f: &Functional) -> f64 {
        f.value(&self.weights, &self.sequences)
    }

    /// Uncertainty of a linear combination on the set of constraints that bind, by source.
    pub(super) fn spread(&self, f: &Functional) -> Spread {
        let mut direction = vec![0.0; self.cholesky.len()];
        let mut put = |full: usize, c: f64| {
            if let Some(r) = self.reduced[full] {
                direction[r] += c;
            }
        };
        for (i, c) in &f.weights {
            put(*i, *c);
        }
        for (s, k, c) in &f.sequences {
            for (full, d) in self.layout.terms[*s][*k].iter() {
                put(full, c * d);
            }
        }
        let response = self.cholesky.solve(&direction);
        let total = dot(&direction, &response).max(0.0);
        let mut spread = Spread::default();
        let mut known = 0.0;
        for (i, prior, source) in &self.priors {
            let Some(r) = self.reduced[*i] else { continue };
            // How far the combination moves when the prior's centre moves by one.
            let sensitivity = response[r] * prior.precision();
            match prior {
                Prior::None => {}
                Prior::Normal(sd) => {
                    spread
                        .normal
                        .push((source.clone(), (sensitivity * sd).abs()));
                    known += (sensitivity * sd).powi(2);
                }
                Prior::Rectangular(half) => {
                    spread
                        .rectangular
                        .push((source.clone(), (sensitivity * half).abs()));
                    known += (sensitivity * half).powi(2) / 3.0;
                }
            }
        }
        spread.noise = (total - known).max(0.0).sqrt();
        spread
    }
}
