//! From normal equations to the exact solution under the constraints.
//!
//! The interior-point solver finds the set of constraints that bind; from there (or from the set of an earlier, similar
//! problem) block principal pivoting ends at the exact solution on that set.
//!
//! Source of the pivoting rule: Júdice and Pires (1994), block principal pivoting for strictly convex programs with
//! bounds (from memory).

use clarabel::algebra::CscMatrix;
use clarabel::solver::{
    DefaultSettingsBuilder, DefaultSolver, IPSolver, NonnegativeConeT, SolverStatus,
};

use super::normal::{Layout, Normal, ZERO};
use super::{Fit, Prior, Problem, SolveError};
use crate::separate::skyline::{Factor, Lower};

/// Most rounds of pivoting; a handful is usual.
pub(super) const ROUNDS: usize = 600;
/// Most of them from what binds in a similar problem: beyond that the interior point is quicker.
const FEW_ROUNDS: usize = 40;
/// A constraint whose multiplier is no more negative than this, in mm of slack that it asks for, binds: where columns are
/// nearly alike, a thousand times that would leave a set a hundredth of a millimetre from the solution.
const NO_PULL: f64 = 1e-9;
/// After so many rounds, where columns alike to the last digits keep changing places, a tenth of a micrometre will do.
const PATIENT: usize = 200;
/// That, in mm.
const NEARLY_ZERO: f64 = 1e-4;

impl Problem {
    /// Solves the problem; what binds in the solution of a similar one, if there is any, is a start.
    pub(in crate::separate) fn solve(&self, similar: Option<&Fit>) -> Result<Fit, SolveError> {
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
    pub(super) fn pivot(
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
