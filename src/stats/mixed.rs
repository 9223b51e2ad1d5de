//! Random effects: how much of the scatter comes from the session, how much from the line, how much from the pull?
//!
//! Method: restricted maximum likelihood. The ratios of the components to the residual are searched on the profiled
//! deviance (Nelder–Mead from several starts, each ratio bounded by zero); everything else follows in closed form from
//! Henderson's equations. A component may be zero and then is.
//! Assumptions: additive normal effects, independent of each other; one residual spread.
//! Source: Bates, Mächler, Bolker and Walker 2015 (profiled REML criterion); checked on answers of lme4.

use nalgebra::{DMatrix, DVector};

/// A fitted mixed model.
#[derive(Debug, Clone, PartialEq)]
pub struct Components {
    /// Fixed effects, in the order of the columns.
    pub fixed: Vec<f64>,
    /// Their standard errors.
    pub fixed_errors: Vec<f64>,
    /// Standard deviation of each random factor, in the order given.
    pub between: Vec<f64>,
    /// Residual standard deviation.
    pub within: f64,
    /// Restricted log likelihood.
    pub log_likelihood: f64,
}

/// Ratios searched from, in residual standard deviations.
const STARTS: [f64; 3] = [0.1, 1.0, 5.0];

/// Fits `y = X·fixed + Σ random + residual`. `fixed` holds one row per value; each random factor gives the level of every
/// value, counted from 0. `None` where there is no value to spare, a list has the wrong length, or the columns depend on
/// each other.
///
/// Cost: a few hundred Cholesky factors of the size of columns and levels together.
#[must_use]
pub fn restricted(fixed: &DMatrix<f64>, random: &[Vec<usize>], y: &[f64]) -> Option<Components> {
    let (n, p) = fixed.shape();
    if n != y.len() || n <= p || random.iter().any(|r| r.len() != n) {
        return None;
    }
    let problem = Problem::new(fixed, random, y);
    let m = random.len();
    let mut best: Option<(Vec<f64>, f64)> = None;
    for start in STARTS {
        let found = nelder_mead(&vec![start; m], |theta| {
            problem.at(theta).map_or(f64::INFINITY, |f| f.deviance)
        });
        if best.as_ref().is_none_or(|b| found.1 < b.1 - 1e-12) {
            best = Some(found);
        }
    }
    let (mut theta, mut deviance) = best?;
    // The edge itself: a search from inside only comes near it.
    for i in 0..m {
        let mut edge = theta.clone();
        edge[i] = 0.0;
        if let Some(f) = problem.at(&edge).filter(|f| f.deviance <= deviance + 1e-9) {
            (theta, deviance) = (edge, f.deviance);
        }
    }
    let f = problem.at(&theta)?;
    let within = f.variance.sqrt();
    Some(Components {
        fixed_errors: f
            .unscaled
            .iter()
            .map(|v| within * v.max(0.0).sqrt())
            .collect(),
        fixed: f.fixed,
        between: theta.iter().map(|t| t.abs() * within).collect(),
        within,
        log_likelihood: -0.5 * deviance,
    })
}

struct Problem {
    n: usize,
    p: usize,
    /// Levels of each factor.
    levels: Vec<usize>,
    /// Cross products of [Z X y].
    zz: DMatrix<f64>,
    zx: DMatrix<f64>,
    zy: DVector<f64>,
    xx: DMatrix<f64>,
    xy: DVector<f64>,
    yy: f64,
}

struct At {
    deviance: f64,
    variance: f64,
    fixed: Vec<f64>,
    unscaled: Vec<f64>,
}

impl Problem {
    fn new(x: &DMatrix<f64>, random: &[Vec<usize>], y: &[f64]) -> Self {
        let (n, p) = x.shape();
        let levels: Vec<usize> = random
            .iter()
            .map(|r| r.iter().max().map_or(0, |m| m + 1))
            .collect();
        let q: usize = levels.iter().sum();
        let mut z = DMatrix::zeros(n, q);
        let mut first = 0;
        for (r, count) in random.iter().zip(&levels) {
            for (row, level) in r.iter().enumerate() {
                z[(row, first + level)] = 1.0;
            }
            first += count;
        }
        let y = DVector::from_column_slice(y);
        Self {
            n,
            p,
            levels,
            zz: z.tr_mul(&z),
            zx: z.tr_mul(x),
            zy: z.tr_mul(&y),
            xx: x.tr_mul(x),
            xy: x.tr_mul(&y),
            yy: y.norm_squared(),
        }
    }

    fn at(&self, theta: &[f64]) -> Option<At> {
        let q: usize = self.levels.iter().sum();
        let lambda: Vec<f64> = self
            .levels
            .iter()
            .zip(theta)
            .flat_map(|(count, t)| std::iter::repeat_n(t.abs(), *count))
            .collect();
        let inner = DMatrix::from_fn(q, q, |i, j| {
            lambda[i] * self.zz[(i, j)] * lambda[j] + f64::from(u8::from(i == j))
        });
        let zx = DMatrix::from_fn(q, self.p, |i, j| lambda[i] * self.zx[(i, j)]);
        let zy = DVector::from_fn(q, |i, _| lambda[i] * self.zy[i]);
        let factor = inner.cholesky()?;
        let ln_inner = 2.0
            * factor
                .l_dirty()
                .diagonal()
                .iter()
                .map(|d| d.ln())
                .sum::<f64>();
        let solved = factor.solve(&zx);
        let xx = &self.xx - zx.tr_mul(&solved);
        let xy = &self.xy - solved.tr_mul(&zy);
        let x_factor = xx.cholesky()?;
        let diagonal = x_factor.l_dirty().diagonal();
        let scale = self.xx.diagonal().max();
        if diagonal.iter().any(|d| d * d < 1e-12 * scale) {
            return None;
        }
        let ln_x = 2.0 * diagonal.iter().map(|d| d.ln()).sum::<f64>();
        let fixed = x_factor.solve(&xy);
        let rss = self.yy - zy.dot(&factor.solve(&zy)) - xy.dot(&fixed);
        let freedom = (self.n - self.p) as f64;
        let variance = rss / freedom;
        if variance <= 0.0 || variance.is_nan() {
            return None;
        }
        let deviance =
            ln_inner + ln_x + freedom * (1.0 + (2.0 * std::f64::consts::PI * variance).ln());
        Some(At {
            deviance,
            variance,
            fixed: fixed.iter().copied().collect(),
            unscaled: x_factor.inverse().diagonal().iter().copied().collect(),
        })
    }
}

/// Smallest value of a function of a few parameters, and where.
fn nelder_mead(start: &[f64], f: impl Fn(&[f64]) -> f64) -> (Vec<f64>, f64) {
    let m = start.len();
    let mut simplex: Vec<(Vec<f64>, f64)> = (0..=m)
        .map(|i| {
            let mut at = start.to_vec();
            if i > 0 {
                at[i - 1] *= 2.0;
            }
            let value = f(&at);
            (at, value)
        })
        .collect();
    for _ in 0..600 * m.max(1) {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        let (best, worst) = (simplex[0].clone(), simplex[m].clone());
        let size = simplex
            .iter()
            .flat_map(|s| s.0.iter().zip(&best.0).map(|(a, b)| (a - b).abs()))
            .fold(0.0, f64::max);
        if m == 0 || size < 1e-9 * (1.0 + best.0.iter().map(|v| v.abs()).sum::<f64>()) {
            break;
        }
        let centre: Vec<f64> = (0..m)
            .map(|j| simplex[..m].iter().map(|s| s.0[j]).sum::<f64>() / m as f64)
            .collect();
        let along = |t: f64| -> (Vec<f64>, f64) {
            let at: Vec<f64> = centre
                .iter()
                .zip(&worst.0)
                .map(|(c, w)| c + t * (w - c))
                .collect();
            let value = f(&at);
            (at, value)
        };
        let mirrored = along(-1.0);
        if mirrored.1 < best.1 {
            let further = along(-2.0);
            simplex[m] = if further.1 < mirrored.1 {
                further
            } else {
                mirrored
            };
        } else if mirrored.1 < simplex[m - 1].1 {
            simplex[m] = mirrored;
        } else {
            let nearer = along(if mirrored.1 < worst.1 { -0.5 } else { 0.5 });
            if nearer.1 < worst.1.min(mirrored.1) {
                simplex[m] = nearer;
            } else {
                for s in &mut simplex[1..] {
                    let at: Vec<f64> =
                        s.0.iter()
                            .zip(&best.0)
                            .map(|(a, b)| 0.5 * (a + b))
                            .collect();
                    *s = (at.clone(), f(&at));
                }
            }
        }
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex.swap_remove(0)
}
