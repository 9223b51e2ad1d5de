//! The solver: weighted least squares over all gauges at once, with weights that must not be negative and sequences
//! that must not fall.
//!
//! Unknowns are `weights` (of columns; some must be ≥ 0, some have a prior) and `sequences` (one value per block each,
//! starting from zero, never falling unless said so). The convex problem goes to an interior-point solver; the set of
//! constraints that bind is then read off its multipliers and the rest solved exactly, which also gives the covariance
//! on that set.

use clarabel::algebra::CscMatrix;
use clarabel::solver::{
    DefaultSettingsBuilder, DefaultSolver, IPSolver, NonnegativeConeT, SolverStatus,
};
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

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
    /// Name of the source for the budget; empty for shapes.
    pub source: String,
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
    /// Blocks below this one are the first dwell: every sequence is zero there.
    pub first_free: usize,
    pub weights: Vec<Weight>,
    /// One element per sequence: true if it must not fall.
    pub rising: Vec<bool>,
    pub rows: Vec<Rows>,
}

/// The solution, with what is needed for uncertainties.
pub(super) struct Fit {
    pub weights: Vec<f64>,
    /// `sequences[s][k]`.
    pub sequences: Vec<Vec<f64>>,
    /// Reduced unknown of each full unknown; `None` where it sits on its bound.
    reduced: Vec<Option<usize>>,
    cholesky: Cholesky<f64, Dyn>,
    priors: Vec<(usize, Prior, String)>,
    first_free: usize,
    blocks: usize,
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
    pub weights: Vec<(usize, f64)>,
    pub sequences: Vec<(usize, usize, f64)>,
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

/// Diagonal added so that an unknown without any information stays where it is; far below any real weight.
const RIDGE: f64 = 1e-9;

impl Problem {
    fn unknowns(&self) -> usize {
        self.weights.len() + self.rising.len() * self.free_blocks()
    }

    fn free_blocks(&self) -> usize {
        self.blocks - self.first_free
    }

    /// Index of the value of sequence `s` at block `k`; block-major, so that neighbours in time are near. `None` in
    /// the first dwell.
    fn index(&self, s: usize, k: usize) -> Option<usize> {
        (k >= self.first_free)
            .then(|| self.weights.len() + (k - self.first_free) * self.rising.len() + s)
    }

    /// Normal matrix (upper triangle, sparse by columns of the upper triangle) and right-hand side.
    fn normal_equations(&self) -> (Vec<Vec<(usize, f64)>>, Vec<f64>) {
        let (p, n) = (self.weights.len(), self.unknowns());
        let mut dense = vec![vec![0.0; p]; p];
        let per_block = self.rising.len();
        let mut cross = vec![vec![0.0; p]; n - p];
        let mut local = vec![vec![0.0; per_block]; n - p];
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
                    right[*i] += wc * y;
                    for (j, other) in &rows.columns[..=a] {
                        let (low, high) = (*i.min(j), *i.max(j));
                        dense[high][low] += wc * other[k];
                    }
                }
                for &s in &rows.sequences {
                    let Some(q) = self.index(s, k) else { continue };
                    right[q] += w * y;
                    for (i, column) in &rows.columns {
                        cross[q - p][*i] += w * column[k];
                    }
                    for &other in &rows.sequences {
                        if other <= s {
                            local[q - p][other] += w;
                        }
                    }
                }
            }
        }
        let mut columns = vec![Vec::new(); n];
        for (i, weight) in self.weights.iter().enumerate() {
            dense[i][i] += weight.prior.precision() + RIDGE;
            columns[i] = (0..=i)
                .map(|j| (j, dense[i][j]))
                .filter(|(j, v)| *v != 0.0 || *j == i)
                .collect();
        }
        for q in p..n {
            let column = &mut columns[q];
            column.extend(
                cross[q - p]
                    .iter()
                    .copied()
                    .enumerate()
                    .filter(|(_, v)| *v != 0.0),
            );
            let s = (q - p) % per_block;
            for other in 0..=s {
                let mut v = local[q - p][other];
                if other == s {
                    v += RIDGE;
                }
                if v != 0.0 {
                    column.push((q - s + other, v));
                }
            }
        }
        // A sequence that may fall is tied weakly to its neighbour, so that a gap in its gauge does not leave it loose.
        for (s, rising) in self.rising.iter().enumerate() {
            if *rising {
                continue;
            }
            for k in self.first_free + 1..self.blocks {
                if let (Some(a), Some(b)) = (self.index(s, k - 1), self.index(s, k)) {
                    add(&mut columns, a, a, LOOSE_TIE);
                    add(&mut columns, b, b, LOOSE_TIE);
                    add(&mut columns, a, b, -LOOSE_TIE);
                }
            }
        }
        (columns, right)
    }

    /// Solves the problem.
    pub(super) fn solve(&self) -> Result<Fit, SolveError> {
        let (columns, right) = self.normal_equations();
        let n = self.unknowns();
        // Scaled so that every unknown has unit curvature: the solver's tolerances then mean the same for all.
        let scale: Vec<f64> = columns
            .iter()
            .enumerate()
            .map(|(j, c)| {
                c.iter()
                    .find(|(i, _)| *i == j)
                    .map_or(1.0, |(_, v)| v.sqrt().recip())
            })
            .collect();
        let quadratic = matrix(n, &columns, &scale);
        let linear: Vec<f64> = right.iter().zip(&scale).map(|(r, s)| -r * s).collect();
        let bounds = self.bounds();
        let constraint = constraint_matrix(n, &bounds, &scale);
        let settings = DefaultSettingsBuilder::default()
            .verbose(false)
            .tol_gap_abs(1e-9)
            .tol_gap_rel(1e-9)
            .tol_feas(1e-9)
            .max_iter(200)
            .max_threads(1)
            .build()
            .map_err(|e| SolveError::NoSolution(e.to_string()))?;
        let cones = [NonnegativeConeT(bounds.len())];
        let mut solver = DefaultSolver::new(
            &quadratic,
            &linear,
            &constraint,
            &vec![0.0; bounds.len()],
            &cones,
            settings,
        )
        .map_err(|e| SolveError::NoSolution(e.to_string()))?;
        solver.solve();
        let solution = &solver.solution;
        if !matches!(
            solution.status,
            SolverStatus::Solved
                | SolverStatus::AlmostSolved
                | SolverStatus::InsufficientProgress
                | SolverStatus::MaxIterations
        ) {
            return Err(SolveError::NoSolution(format!("{:?}", solution.status)));
        }
        let values: Vec<f64> = solution.x.iter().zip(&scale).map(|(x, s)| x * s).collect();
        let binding: Vec<bool> = solution
            .z
            .iter()
            .zip(&solution.s)
            .map(|(z, s)| z > s)
            .collect();
        self.polish(&columns, &right, &bounds, binding, &values)
    }

    /// Constraints: `x[upper] − x[lower] ≥ 0`, or `x[upper] ≥ 0` without a lower one.
    fn bounds(&self) -> Vec<(usize, Option<usize>)> {
        let mut bounds: Vec<(usize, Option<usize>)> = self
            .weights
            .iter()
            .enumerate()
            .filter(|(_, w)| w.non_negative)
            .map(|(i, _)| (i, None))
            .collect();
        for (s, rising) in self.rising.iter().enumerate() {
            if !rising {
                continue;
            }
            for k in self.first_free..self.blocks {
                if let Some(upper) = self.index(s, k) {
                    let lower = if k > self.first_free {
                        self.index(s, k - 1)
                    } else {
                        None
                    };
                    bounds.push((upper, lower));
                }
            }
        }
        bounds
    }

    /// Solves exactly with the binding constraints held, and drops those that the exact solution violates.
    fn polish(
        &self,
        columns: &[Vec<(usize, f64)>],
        right: &[f64],
        bounds: &[(usize, Option<usize>)],
        mut binding: Vec<bool>,
        start: &[f64],
    ) -> Result<Fit, SolveError> {
        let n = self.unknowns();
        for _ in 0..20 {
            let reduced = reduce(n, bounds, &binding);
            let count = reduced.iter().flatten().max().map_or(0, |m| m + 1);
            let mut normal = DMatrix::<f64>::zeros(count, count);
            let mut rhs = DVector::<f64>::zeros(count);
            for (j, column) in columns.iter().enumerate() {
                let Some(b) = reduced[j] else { continue };
                rhs[b] += right[j];
                for &(i, v) in column {
                    let Some(a) = reduced[i] else { continue };
                    normal[(a, b)] += v;
                    if i != j {
                        normal[(b, a)] += v;
                    }
                }
            }
            let cholesky = Cholesky::new(normal).ok_or(SolveError::Undetermined)?;
            let solved = cholesky.solve(&rhs);
            let values: Vec<f64> = reduced
                .iter()
                .map(|r| r.map_or(0.0, |r| solved[r]))
                .collect();
            let mut violated = false;
            for (bound, held) in bounds.iter().zip(binding.iter_mut()) {
                let slack = values[bound.0] - bound.1.map_or(0.0, |l| values[l]);
                let size = start[bound.0].abs().max(1e-6);
                if !*held && slack < -1e-7 * size {
                    *held = true;
                    violated = true;
                }
            }
            if !violated {
                return Ok(self.fit(values, reduced, cholesky));
            }
        }
        Err(SolveError::NoSolution(
            "the set of binding constraints did not settle".into(),
        ))
    }

    fn fit(
        &self,
        values: Vec<f64>,
        reduced: Vec<Option<usize>>,
        cholesky: Cholesky<f64, Dyn>,
    ) -> Fit {
        let sequences = (0..self.rising.len())
            .map(|s| {
                (0..self.blocks)
                    .map(|k| self.index(s, k).map_or(0.0, |i| values[i]))
                    .collect()
            })
            .collect();
        let priors = self
            .weights
            .iter()
            .enumerate()
            .filter(|(_, w)| w.prior != Prior::None)
            .map(|(i, w)| (i, w.prior, w.source.clone()))
            .collect();
        Fit {
            weights: values[..self.weights.len()].to_vec(),
            sequences,
            reduced,
            cholesky,
            priors,
            first_free: self.first_free,
            blocks: self.blocks,
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
}

/// Strength of the tie between neighbours of a sequence that may fall, 1/mm².
const LOOSE_TIE: f64 = 1e-3;

fn add(columns: &mut [Vec<(usize, f64)>], row: usize, column: usize, value: f64) {
    match columns[column].iter_mut().find(|(i, _)| *i == row) {
        Some((_, v)) => *v += value,
        None => columns[column].push((row, value)),
    }
}

/// Reduced unknowns: tied by binding constraints, absent where they are bound to zero.
fn reduce(n: usize, bounds: &[(usize, Option<usize>)], binding: &[bool]) -> Vec<Option<usize>> {
    let mut tied_to: Vec<Option<usize>> = (0..n).map(Some).collect();
    for ((upper, lower), held) in bounds.iter().zip(binding) {
        if *held {
            // Bounds of a sequence come in order of time, so the lower one is already resolved.
            tied_to[*upper] = lower.and_then(|l| tied_to[l]);
        }
    }
    let mut next = 0;
    let mut number = vec![None; n];
    for i in 0..n {
        if tied_to[i] == Some(i) {
            number[i] = Some(next);
            next += 1;
        }
    }
    tied_to.iter().map(|t| t.and_then(|t| number[t])).collect()
}

fn matrix(n: usize, columns: &[Vec<(usize, f64)>], scale: &[f64]) -> CscMatrix<f64> {
    let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
    for (j, column) in columns.iter().enumerate() {
        let mut sorted = column.clone();
        sorted.sort_by_key(|(i, _)| *i);
        for (i, v) in sorted {
            rows.push(i);
            values.push(v * scale[i] * scale[j]);
        }
        starts.push(rows.len());
    }
    CscMatrix::new(n, n, starts, rows, values)
}

/// `−x[upper] + x[lower] + slack = 0`, slack ≥ 0, in scaled unknowns (each row divided by the upper one's scale).
fn constraint_matrix(n: usize, bounds: &[(usize, Option<usize>)], scale: &[f64]) -> CscMatrix<f64> {
    let mut columns: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n];
    for (row, (upper, lower)) in bounds.iter().enumerate() {
        columns[*upper].push((row, -1.0));
        if let Some(lower) = lower {
            columns[*lower].push((row, scale[*lower] / scale[*upper]));
        }
    }
    let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
    for mut column in columns {
        column.sort_by_key(|(i, _)| *i);
        for (i, v) in column {
            rows.push(i);
            values.push(v);
        }
        starts.push(rows.len());
    }
    CscMatrix::new(bounds.len(), n, starts, rows, values)
}

impl Fit {
    /// Value of a linear combination.
    pub(super) fn value(&self, f: &Functional) -> f64 {
        let shapes: f64 = f.weights.iter().map(|(i, c)| c * self.weights[*i]).sum();
        let slips: f64 = f
            .sequences
            .iter()
            .map(|(s, k, c)| c * self.sequences[*s][*k])
            .sum();
        shapes + slips
    }

    /// Uncertainty of a linear combination on the set of constraints that bind, by source.
    pub(super) fn spread(&self, f: &Functional) -> Spread {
        let mut direction = DVector::<f64>::zeros(self.cholesky.l_dirty().nrows());
        let mut put = |full: usize, c: f64| {
            if let Some(r) = self.reduced[full] {
                direction[r] += c;
            }
        };
        for (i, c) in &f.weights {
            put(*i, *c);
        }
        let per_block = self.sequences.len();
        for (s, k, c) in &f.sequences {
            if *k >= self.first_free && *k < self.blocks {
                put(
                    self.weights.len() + (k - self.first_free) * per_block + s,
                    *c,
                );
            }
        }
        let response = self.cholesky.solve(&direction);
        let total = direction.dot(&response).max(0.0);
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

/// Something that holds a fit.
pub(super) trait Balanced {
    /// The fit.
    fn fit(&self) -> &Fit;
}

impl Problem {
    /// The largest step that sequence `s` might still take at or shortly before block `at` without being noticed:
    /// over dyadic numbers of last blocks, the step's estimate given everything else, and its standard deviation;
    /// the pair with the highest one-sided bound.
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
        while length <= at + 1 - self.first_free.min(at) {
            let from = at + 1 - length;
            if from < self.first_free {
                break;
            }
            if let Some((estimate, sd)) = self.step(fit, residuals, s, from) {
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
        let size = fit.cholesky.l_dirty().nrows();
        let mut cross = DVector::<f64>::zeros(size);
        let (mut own, mut pull) = (0.0, 0.0);
        let per_block = self.rising.len();
        for (rows, residual) in self.rows.iter().zip(residuals) {
            if !rows.sequences.contains(&s) {
                continue;
            }
            for k in from..self.blocks {
                if !residual[k].is_finite() {
                    continue;
                }
                let w = 1.0 / rows.variance[k];
                own += w;
                pull += w * residual[k];
                for (i, column) in &rows.columns {
                    if let Some(r) = fit.reduced[*i] {
                        cross[r] += w * column[k];
                    }
                }
                for other in &rows.sequences {
                    let full = self.weights.len() + (k - self.first_free) * per_block + other;
                    if let Some(r) = fit.reduced[full] {
                        cross[r] += w;
                    }
                }
            }
        }
        let information = own - cross.dot(&fit.cholesky.solve(&cross));
        // Where the step can be made up entirely by what is already free it is that freedom's spread that counts.
        (information > 1e-9 * own && own > 0.0)
            .then(|| (pull / information, information.sqrt().recip()))
    }
}
