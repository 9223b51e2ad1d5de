//! Nonlinear least squares: the one entry that every projection and rate law uses.
//!
//! Method: Levenberg–Marquardt as in MINPACK (crate `levenberg-marquardt`), with the curve's own gradient and parameters
//! scaled by their starting values, tried with several first step bounds: a long first step can throw an exponential
//! onto its flat end, where nothing calls it back. The lowest sum of squares wins and is started again from there.
//! Assumptions: independent errors of equal (or known relative) variance; what autocorrelation does to standard errors
//! is the caller's business (see [`crate::stats::autocorrelation`]).
//! Source: Moré 1978 for the algorithm; checked on certified NIST StRD fits.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};
use thiserror::Error;

/// A curve `y = f(x; parameters)` with its gradient.
pub trait Curve {
    /// Number of parameters.
    fn len(&self) -> usize;

    /// True for a curve without parameters, which cannot be fitted.
    fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Value at `x`; writes the derivative by each parameter into `gradient`.
    fn value(&self, x: f64, parameters: &[f64], gradient: &mut [f64]) -> f64;
}

/// A fitted curve.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveFit {
    /// Best parameters.
    pub parameters: Vec<f64>,
    /// Their covariance, from the residual scatter.
    pub covariance: DMatrix<f64>,
    /// Weighted sum of squared residuals.
    pub rss: f64,
    /// Residuals, data minus curve, unweighted.
    pub residuals: Vec<f64>,
    /// Number of points less number of parameters.
    pub degrees_of_freedom: usize,
}

impl CurveFit {
    /// Standard error of one parameter.
    #[must_use]
    pub fn standard_error(&self, parameter: usize) -> f64 {
        self.covariance[(parameter, parameter)].max(0.0).sqrt()
    }

    /// Standard error of a function of the parameters with this gradient (first order).
    #[must_use]
    pub fn propagated(&self, gradient: &[f64]) -> f64 {
        let g = DVector::from_column_slice(gradient);
        (g.transpose() * &self.covariance * g)[(0, 0)]
            .max(0.0)
            .sqrt()
    }
}

/// Why a curve could not be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CurveError {
    /// Not more points than parameters.
    #[error("{points} points do not determine {parameters} parameters with an uncertainty")]
    TooFewPoints { points: usize, parameters: usize },
    /// Lists of different length, or a value that is no number.
    #[error("the points are not usable: lists of unequal length or values that are no numbers")]
    BadPoints,
    /// No start converged.
    #[error("the fit did not converge: {why}")]
    NotConverged { why: String },
    /// The data leave a direction of the parameters open.
    #[error("the points do not determine every parameter")]
    Undetermined,
}

/// First step bounds tried, in units of the scaled parameters.
const STEP_BOUNDS: [f64; 4] = [100.0, 10.0, 1.0, 0.1];
/// Evaluations allowed per parameter and start.
const PATIENCE: usize = 2000;
/// Singular values of the scaled Jacobian below this share of the largest leave a direction open.
const OPEN_DIRECTION: f64 = 1e-13;

/// Fits `curve` to points by weighted least squares from the parameters `start`. `weights` are relative inverse
/// variances (all one if absent).
///
/// # Errors
/// Too few or unusable points, no convergence from any first step, or parameters that the points leave open.
pub fn fit<C: Curve>(
    curve: &C,
    x: &[f64],
    y: &[f64],
    weights: Option<&[f64]>,
    start: &[f64],
) -> Result<CurveFit, CurveError> {
    let (points, parameters) = (x.len(), curve.len());
    if y.len() != points
        || weights
            .is_some_and(|w| w.len() != points || w.iter().any(|v| !v.is_finite() || *v < 0.0))
        || start.len() != parameters
        || x.iter().chain(y).chain(start).any(|v| !v.is_finite())
    {
        return Err(CurveError::BadPoints);
    }
    if points <= parameters {
        return Err(CurveError::TooFewPoints { points, parameters });
    }
    let roots: Vec<f64> = match weights {
        Some(w) => w.iter().map(|w| w.sqrt()).collect(),
        None => vec![1.0; points],
    };
    let mut best: Option<(Vec<f64>, f64)> = None;
    let mut why = String::from("no start gave finite values");
    for bound in STEP_BOUNDS {
        let mut here = start.to_vec();
        let mut reached = f64::INFINITY;
        // A second run from the minimum found renews the scaling; it ends at once where nothing is left to gain.
        for _ in 0..6 {
            let problem = Problem::new(curve, x, y, &roots, &here);
            let (done, report) = LevenbergMarquardt::new()
                .with_stepbound(bound)
                .with_patience(PATIENCE)
                .minimize(problem);
            let rss = 2.0 * report.objective_function;
            if !rss.is_finite() {
                why = format!("{:?}", report.termination);
                break;
            }
            let gained = reached - rss;
            here = done.unscaled();
            reached = rss;
            if gained <= 1e-15 * rss {
                break;
            }
        }
        if reached.is_finite() && best.as_ref().is_none_or(|(_, rss)| reached < *rss) {
            best = Some((here, reached));
        }
    }
    let Some((parameters, rss)) = best else {
        return Err(CurveError::NotConverged { why });
    };
    finish(curve, x, y, &roots, parameters, rss)
}

struct Problem<'a, C> {
    curve: &'a C,
    x: &'a [f64],
    y: &'a [f64],
    roots: &'a [f64],
    scale: Vec<f64>,
    at: DVector<f64>,
}

impl<'a, C: Curve> Problem<'a, C> {
    fn new(curve: &'a C, x: &'a [f64], y: &'a [f64], roots: &'a [f64], start: &[f64]) -> Self {
        let scale: Vec<f64> = start
            .iter()
            .map(|s| if *s == 0.0 { 1.0 } else { s.abs() })
            .collect();
        let at = DVector::from_iterator(
            start.len(),
            start.iter().zip(&scale).map(|(value, scale)| value / scale),
        );
        Self {
            curve,
            x,
            y,
            roots,
            scale,
            at,
        }
    }

    fn unscaled(&self) -> Vec<f64> {
        self.at
            .iter()
            .zip(&self.scale)
            .map(|(v, s)| v * s)
            .collect()
    }
}

impl<C: Curve> LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_, C> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, x: &DVector<f64>) {
        self.at.copy_from(x);
    }

    fn params(&self) -> DVector<f64> {
        self.at.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        let parameters = self.unscaled();
        let mut gradient = vec![0.0; parameters.len()];
        let residuals = DVector::from_iterator(
            self.x.len(),
            self.x
                .iter()
                .zip(self.y)
                .zip(self.roots)
                .map(|((x, y), root)| {
                    // Beyond 1e150 a square overflows; so far off, how far does not matter.
                    let value = self.curve.value(*x, &parameters, &mut gradient);
                    let residual = root * (value - y);
                    if residual.is_nan() {
                        1e100
                    } else {
                        residual.clamp(-1e100, 1e100)
                    }
                }),
        );
        Some(residuals)
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        let parameters = self.unscaled();
        let mut gradient = vec![0.0; parameters.len()];
        let mut jacobian = DMatrix::zeros(self.x.len(), parameters.len());
        for (row, (x, root)) in self.x.iter().zip(self.roots).enumerate() {
            self.curve.value(*x, &parameters, &mut gradient);
            for (column, slope) in gradient.iter().enumerate() {
                let value = root * slope * self.scale[column];
                jacobian[(row, column)] = if value.is_finite() { value } else { 0.0 };
            }
        }
        Some(jacobian)
    }
}

fn finish<C: Curve>(
    curve: &C,
    x: &[f64],
    y: &[f64],
    roots: &[f64],
    parameters: Vec<f64>,
    rss: f64,
) -> Result<CurveFit, CurveError> {
    let degrees_of_freedom = x.len() - parameters.len();
    let problem = Problem::new(curve, x, y, roots, &parameters);
    let Some(mut jacobian) = problem.jacobian() else {
        return Err(CurveError::Undetermined);
    };
    let mut norms = Vec::with_capacity(parameters.len());
    for mut column in jacobian.column_iter_mut() {
        let norm = column.norm();
        if norm <= 0.0 || !norm.is_finite() {
            return Err(CurveError::Undetermined);
        }
        column /= norm;
        norms.push(norm);
    }
    let svd = jacobian.svd(false, true);
    let Some(v_t) = svd.v_t else {
        return Err(CurveError::Undetermined);
    };
    let largest = svd.singular_values.max();
    if svd
        .singular_values
        .iter()
        .any(|s| *s <= OPEN_DIRECTION * largest)
    {
        return Err(CurveError::Undetermined);
    }
    let variance = rss / degrees_of_freedom as f64;
    let n = parameters.len();
    let covariance = DMatrix::from_fn(n, n, |i, j| {
        let sum: f64 = svd
            .singular_values
            .iter()
            .enumerate()
            .map(|(k, s)| v_t[(k, i)] * v_t[(k, j)] / (s * s))
            .sum();
        variance * sum * problem.scale[i] * problem.scale[j] / (norms[i] * norms[j])
    });
    let mut gradient = vec![0.0; n];
    let residuals = x
        .iter()
        .zip(y)
        .map(|(x, y)| y - curve.value(*x, &parameters, &mut gradient))
        .collect();
    Ok(CurveFit {
        parameters,
        covariance,
        rss,
        residuals,
        degrees_of_freedom,
    })
}
