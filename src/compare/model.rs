//! The additive model behind every comparison: level + blocks + covariates, each level with its own scatter.
//!
//! Method: least squares on the logarithm of the load, so that a difference is a ratio; what blocks (sessions, lines held
//! twice) have in common is taken out, never compared. Variances per level follow from the residuals by solving the
//! equations of their expectations; the variance of a contrast is the sum of what each level adds, and its degrees of
//! freedom are Satterthwaite's. With one block this is exactly Welch's statistic, as in Games and Howell's and Tamhane's
//! intervals; with one common scatter it is Tukey's.
//! A load that is only a bound enters by its expectation, in steps until nothing moves (EM), and counts for as much
//! information as it carries. What that information is worth is first order.
//! A contrast that the blocks do not connect is not estimable, and is absent.
//! Assumptions: normal logarithms; independent units. Source: Games and Howell 1976; Satterthwaite 1946; Rao 1970 (MINQUE)
//! for the equations; Schmee and Hahn 1979 for the steps.

use nalgebra::{DMatrix, DVector};

use crate::stats::censored::{Observed, normal_tail};

/// One unit: a row of the model.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Unit {
    /// Index of the level compared.
    pub level: usize,
    /// Weights of the block columns, by index; those of a unit averaged over blocks are shares.
    pub blocks: Vec<(usize, f64)>,
    /// Covariates.
    pub covariates: Vec<f64>,
    /// Logarithm of the load.
    pub y: Observed,
}

/// Whether each level has its own scatter.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Spread {
    /// Each level its own.
    Own,
    /// One for all: an assumption, which helps where pulls are few.
    Common,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    /// Levels, then blocks, then covariates.
    coefficients: DVector<f64>,
    /// What each scatter adds to the covariance of the coefficients.
    parts: Vec<DMatrix<f64>>,
    /// Degrees of freedom of each scatter.
    freedom: Vec<f64>,
    /// Projector on what the rows span.
    spanned: DMatrix<f64>,
    levels: usize,
    blocks: usize,
    /// Standard deviation of each level.
    pub scatter: Vec<f64>,
    /// Residual degrees of freedom of all.
    pub residual_freedom: f64,
}

/// An estimable contrast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Contrast {
    pub value: f64,
    pub error: f64,
    pub freedom: f64,
}

/// Singular values below this share of the largest are none.
const RANK: f64 = 1e-9;
const EM_STEPS: usize = 2000;

/// Fits the model; `None` without a unit to spare or without any scatter.
pub(crate) fn fit(units: &[Unit], levels: usize, blocks: usize, spread: Spread) -> Option<Model> {
    let n = units.len();
    let covariates = units.first()?.covariates.len();
    let p = levels + blocks + covariates;
    let mut x = DMatrix::zeros(n, p);
    for (row, unit) in units.iter().enumerate() {
        x[(row, unit.level)] = 1.0;
        for (block, weight) in &unit.blocks {
            x[(row, levels + block)] += weight;
        }
        for (k, value) in unit.covariates.iter().enumerate() {
            x[(row, levels + blocks + k)] = *value;
        }
    }
    let inverse = pseudo_inverse(&x.tr_mul(&x));
    let maker = DMatrix::identity(n, n) - &x * &inverse * x.transpose();
    let groups: Vec<usize> = units
        .iter()
        .map(|u| if spread == Spread::Own { u.level } else { 0 })
        .collect();
    let count = if spread == Spread::Own { levels } else { 1 };
    let scatter = Scatter::new(&maker, &groups, count, units);
    if scatter.total < 1e-6 {
        return None;
    }
    let mut imputed: Vec<f64> = units.iter().map(|u| middle(u.y)).collect();
    let mut unknown = vec![0.0; n];
    let censored = units.iter().any(|u| !matches!(u.y, Observed::At(_)));
    let mut coefficients;
    let mut variances;
    let mut step = 0;
    loop {
        let y = DVector::from_column_slice(&imputed);
        coefficients = &inverse * x.tr_mul(&y);
        let fitted = &x * &coefficients;
        let residuals: Vec<f64> = (0..n).map(|i| imputed[i] - fitted[i]).collect();
        variances = scatter.variances(&residuals, &unknown);
        step += 1;
        if !censored || step > EM_STEPS {
            break;
        }
        let mut moved = 0f64;
        for (i, unit) in units.iter().enumerate() {
            let sd = variances[groups[i]].sqrt();
            let (mean, variance) = expected(unit.y, fitted[i], sd);
            moved = moved.max((mean - imputed[i]).abs() / sd.max(1e-300));
            (imputed[i], unknown[i]) = (mean, variance);
        }
        if moved < 1e-9 {
            break;
        }
    }
    if variances.iter().all(|v| *v <= 0.0) {
        return None;
    }
    // Share of its information that each unit carries.
    let carried: Vec<f64> = (0..n)
        .map(|i| {
            let v = variances[groups[i]];
            if v > 0.0 {
                (1.0 - unknown[i] / v).clamp(1e-3, 1.0)
            } else {
                1.0
            }
        })
        .collect();
    let bread = if censored {
        let mut weighted = x.clone();
        for (i, c) in carried.iter().enumerate() {
            weighted.row_mut(i).scale_mut(*c);
        }
        pseudo_inverse(&x.tr_mul(&weighted))
    } else {
        inverse.clone()
    };
    let parts = (0..count)
        .map(|g| {
            let mut meat = DMatrix::zeros(p, p);
            for i in (0..n).filter(|i| groups[*i] == g) {
                let row = x.row(i).transpose();
                meat += carried[i] * variances[g] * &row * row.transpose();
            }
            &bread * meat * &bread
        })
        .collect();
    let freedom = scatter.freedom(&carried);
    Some(Model {
        spanned: &inverse * x.tr_mul(&x),
        coefficients,
        parts,
        freedom,
        levels,
        blocks,
        scatter: (0..levels)
            .map(|l| variances[if spread == Spread::Own { l } else { 0 }].sqrt())
            .collect(),
        residual_freedom: scatter.total,
    })
}

impl Model {
    /// Difference of two levels, `None` where the blocks do not connect them or nothing bounds it.
    pub fn difference(&self, a: usize, b: usize) -> Option<Contrast> {
        let mut c = DVector::zeros(self.coefficients.len());
        c[a] = 1.0;
        c[b] = -1.0;
        self.contrast(&c)
    }

    /// True where some contrast compares the two levels, whatever its uncertainty.
    pub fn compares(&self, a: usize, b: usize) -> bool {
        let mut c = DVector::zeros(self.coefficients.len());
        c[a] = 1.0;
        c[b] = -1.0;
        self.estimable(&c)
    }

    fn estimable(&self, c: &DVector<f64>) -> bool {
        (self.spanned.transpose() * c - c).amax() <= 1e-6 * c.amax()
    }

    /// A covariate's coefficient.
    pub fn covariate(&self, k: usize) -> Option<Contrast> {
        let mut c = DVector::zeros(self.coefficients.len());
        c[self.levels + self.blocks + k] = 1.0;
        self.contrast(&c)
    }

    /// Level with no block, at this value of the only covariate: value and the covariance with the slope.
    pub fn line(&self, level: usize) -> Option<(Contrast, Contrast, f64)> {
        let mut a = DVector::zeros(self.coefficients.len());
        a[level] = 1.0;
        let mut b = DVector::zeros(self.coefficients.len());
        b[self.levels + self.blocks] = 1.0;
        let covariance: f64 = self
            .parts
            .iter()
            .map(|v| (a.transpose() * v * &b)[(0, 0)])
            .sum();
        Some((self.contrast(&a)?, self.contrast(&b)?, covariance))
    }

    /// A level in a block.
    pub fn sum(&self, level: usize, block: usize) -> Option<Contrast> {
        let mut c = DVector::zeros(self.coefficients.len());
        c[level] = 1.0;
        c[self.levels + block] = 1.0;
        self.contrast(&c)
    }

    /// A combination of coefficients (levels, blocks, covariates).
    pub fn contrast(&self, c: &DVector<f64>) -> Option<Contrast> {
        if !self.estimable(c) {
            return None;
        }
        let adds: Vec<f64> = self
            .parts
            .iter()
            .map(|v| (c.transpose() * v * c)[(0, 0)].max(0.0))
            .collect();
        let variance: f64 = adds.iter().sum();
        let doubt: f64 = adds.iter().zip(&self.freedom).map(|(a, f)| a * a / f).sum();
        if variance <= 0.0 || doubt <= 0.0 || !doubt.is_finite() {
            return None;
        }
        Some(Contrast {
            value: self.coefficients.dot(c),
            error: variance.sqrt(),
            freedom: variance * variance / doubt,
        })
    }
}

/// The equations from which variances follow.
struct Scatter {
    inverse: DMatrix<f64>,
    /// Diagonal of the residual maker.
    spared: Vec<f64>,
    groups: Vec<usize>,
    /// Groups that have no scatter of their own.
    poor: Vec<bool>,
    total: f64,
}

impl Scatter {
    fn new(maker: &DMatrix<f64>, groups: &[usize], count: usize, units: &[Unit]) -> Self {
        let n = groups.len();
        let mut equations = DMatrix::zeros(count, count);
        for i in 0..n {
            for j in 0..n {
                equations[(groups[i], groups[j])] += maker[(i, j)].powi(2);
            }
        }
        let spared: Vec<f64> = (0..n).map(|i| maker[(i, i)].max(0.0)).collect();
        let poor = (0..count)
            .map(|g| {
                let own: f64 = (0..n).filter(|i| groups[*i] == g).map(|i| spared[i]).sum();
                let reached = (0..n)
                    .filter(|i| groups[*i] == g && units[*i].y.is_reached())
                    .count();
                own < 0.5 || reached < 2
            })
            .collect();
        Self {
            inverse: pseudo_inverse(&equations),
            total: spared.iter().sum(),
            spared,
            groups: groups.to_vec(),
            poor,
        }
    }

    /// Variance of each group. A group without a scatter of its own, and one whose equation gives none, take the mean
    /// over all.
    fn variances(&self, residuals: &[f64], unknown: &[f64]) -> Vec<f64> {
        let count = self.poor.len();
        let mut squares = DVector::zeros(count);
        for (i, g) in self.groups.iter().enumerate() {
            squares[*g] += residuals[i].powi(2) + unknown[i];
        }
        let common = squares.sum() / self.total;
        let solved = &self.inverse * &squares;
        (0..count)
            .map(|g| {
                if self.poor[g] || solved[g] <= 1e-4 * common {
                    common
                } else {
                    solved[g]
                }
            })
            .collect()
    }

    /// Degrees of freedom of each variance.
    fn freedom(&self, carried: &[f64]) -> Vec<f64> {
        let own: Vec<f64> = (0..self.poor.len())
            .map(|g| {
                (0..self.groups.len())
                    .filter(|i| self.groups[*i] == g)
                    .map(|i| self.spared[i] * carried[i])
                    .sum()
            })
            .collect();
        let all: f64 = own.iter().sum();
        own.iter()
            .zip(&self.poor)
            .map(|(f, poor)| if *poor { all } else { *f })
            .collect()
    }
}

/// The value, or a first guess at what is only bounded.
fn middle(y: Observed) -> f64 {
    match y {
        Observed::At(v) | Observed::Above(v) => v,
        Observed::Between(a, b) => 0.5 * (a + b),
    }
}

/// Mean and variance of a normal value given what is known of it.
fn expected(y: Observed, mean: f64, sd: f64) -> (f64, f64) {
    if sd <= 0.0 {
        return (middle(y).max(mean), 0.0);
    }
    match y {
        Observed::At(v) => (v, 0.0),
        Observed::Above(c) => {
            let z = (c - mean) / sd;
            let (_, hazard) = normal_tail(z);
            let variance = (1.0 - hazard * (hazard - z)).clamp(0.0, 1.0);
            (mean + sd * hazard, sd * sd * variance)
        }
        Observed::Between(a, b) => {
            let (za, zb) = ((a - mean) / sd, (b - mean) / sd);
            // The half with the shorter tail keeps its digits.
            let (za, zb, sign) = if za + zb < 0.0 {
                (-zb, -za, -1.0)
            } else {
                (za, zb, 1.0)
            };
            let ((sa, ha), (sb, hb)) = (normal_tail(za), normal_tail(zb));
            let ratio = (sb - sa).exp();
            let share = 1.0 - ratio;
            if share < 1e-9 {
                return (middle(y), (b - a).powi(2) / 12.0);
            }
            // Densities at the ends over the probability between them.
            let (da, db) = (ha / share, hb * ratio / share);
            let shift = da - db;
            let variance = (1.0 + za * da - zb * db - shift * shift).clamp(0.0, 1.0);
            (mean + sign * sd * shift, sd * sd * variance)
        }
    }
}

/// Inverse of a symmetric matrix on what it spans.
fn pseudo_inverse(m: &DMatrix<f64>) -> DMatrix<f64> {
    let eigen = m.clone().symmetric_eigen();
    let largest = eigen.eigenvalues.amax();
    let inverse = eigen
        .eigenvalues
        .map(|v| if v > RANK * largest { 1.0 / v } else { 0.0 });
    &eigen.eigenvectors * DMatrix::from_diagonal(&inverse) * eigen.eigenvectors.transpose()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(level: usize, block: Option<usize>, y: f64) -> Unit {
        Unit {
            level,
            blocks: block.map(|b| (b, 1.0)).into_iter().collect(),
            covariates: Vec::new(),
            y: Observed::At(y),
        }
    }

    /// Two levels, one block: Welch's test by hand.
    #[test]
    fn one_block_is_welch() {
        let (a, b) = ([1.0, 1.4, 1.1, 1.9], [2.0, 2.1, 2.4]);
        let units: Vec<Unit> = a
            .iter()
            .map(|y| unit(0, None, *y))
            .chain(b.iter().map(|y| unit(1, None, *y)))
            .collect();
        let model = fit(&units, 2, 0, Spread::Own).unwrap();
        let d = model.difference(1, 0).unwrap();
        let part = |v: &[f64]| {
            let n = v.len() as f64;
            let mean = v.iter().sum::<f64>() / n;
            (
                mean,
                v.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (n - 1.0) / n,
                n - 1.0,
            )
        };
        let ((ma, va, fa), (mb, vb, fb)) = (part(&a), part(&b));
        assert!((d.value - (mb - ma)).abs() < 1e-12);
        assert!((d.error - (va + vb).sqrt()).abs() < 1e-12);
        let freedom = (va + vb).powi(2) / (va * va / fa + vb * vb / fb);
        assert!((d.freedom - freedom).abs() < 1e-9);
    }

    /// Blocks that share no level compare nothing; a control in both compares all.
    #[test]
    fn confounded_levels_have_no_contrast() {
        let apart: Vec<Unit> = [(0, 0, 1.0), (0, 0, 1.1), (1, 1, 2.0), (1, 1, 2.3)]
            .map(|(l, b, y)| unit(l, Some(b), y))
            .to_vec();
        let model = fit(&apart, 2, 2, Spread::Own).unwrap();
        assert!(model.difference(0, 1).is_none() && !model.compares(0, 1));
        let mut joined = apart;
        joined.extend([
            unit(2, Some(0), 3.0),
            unit(2, Some(1), 3.6),
            unit(2, Some(1), 3.5),
        ]);
        let model = fit(&joined, 3, 2, Spread::Own).unwrap();
        assert!(model.difference(0, 1).is_some());
    }

    /// A bound far below says nothing of the mean but "somewhere above"; a bracket of no width is its value.
    #[test]
    fn bounds_move_the_mean_up() {
        let mut units: Vec<Unit> = [1.0, 1.2, 0.9, 1.1, 1.05]
            .iter()
            .map(|y| unit(0, None, *y))
            .collect();
        units.extend([2.0, 2.1, 1.9].iter().map(|y| unit(1, None, *y)));
        let plain = fit(&units, 2, 0, Spread::Own)
            .unwrap()
            .difference(0, 1)
            .unwrap();
        units[1].y = Observed::Above(1.2);
        let above = fit(&units, 2, 0, Spread::Own)
            .unwrap()
            .difference(0, 1)
            .unwrap();
        assert!(above.value > plain.value && above.error > plain.error);
        units[1].y = Observed::Between(1.2 - 1e-7, 1.2 + 1e-7);
        let narrow = fit(&units, 2, 0, Spread::Own)
            .unwrap()
            .difference(0, 1)
            .unwrap();
        assert!(
            (narrow.value - plain.value).abs() < 1e-6 && (narrow.error - plain.error).abs() < 1e-5
        );
    }

    /// Moments of a truncated normal by plain sums.
    #[test]
    fn expectations_of_bounded_values() {
        for (y, from, to) in [
            (Observed::Above(0.7), 0.7, 9.0),
            (Observed::Between(-0.4, 1.3), -0.4, 1.3),
            (Observed::Between(-2.5, -1.0), -2.5, -1.0),
        ] {
            let n = 200_000;
            let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
            for i in 0..n {
                let v: f64 = from + (to - from) * (f64::from(i) + 0.5) / f64::from(n);
                let d = (-0.5 * ((v - 0.2) / 0.8).powi(2)).exp();
                (s0, s1, s2) = (s0 + d, s1 + d * v, s2 + d * v * v);
            }
            let (mean, variance) = expected(y, 0.2, 0.8);
            assert!((mean - s1 / s0).abs() < 1e-6, "{mean} {}", s1 / s0);
            assert!((variance - (s2 / s0 - (s1 / s0).powi(2))).abs() < 1e-6);
        }
    }
}
