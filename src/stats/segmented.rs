//! Where does a line bend? Two straights that meet in one point, fitted exactly.
//!
//! Method: for a given break the fit is linear, so the break is searched over every gap between neighbouring abscissae
//! (inside a gap the best break is where the two separate straights cross) and over every abscissa: the optimum is
//! exact, not the end of an iteration. Interval of the break: all breaks whose sum of squares is not significantly worse
//! (inversion of the F test), which holds where the linearised standard error does not. Whether there is a break at all
//! is judged by the F test against one straight, at a level that allows for the search over its position.
//! Source: Hudson 1966 (exact search); Muggeo 2003 for the linearised standard error.

use thiserror::Error;

use super::linear::{self, LinearFit};
use super::quantile;

/// What lies left of the break.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Left {
    /// A straight with its own slope.
    Sloping,
    /// A constant: slip before it starts.
    Flat,
}

/// A bent line `y = level [+ slope·x] + bend·(x − break)₊`.
#[derive(Debug, Clone, PartialEq)]
pub struct Bent {
    /// Abscissa of the break.
    pub at: f64,
    /// Linearised standard error of the break.
    pub standard_error: f64,
    /// Lower end of the interval by inversion; `None` if it runs out of the data.
    pub low: Option<f64>,
    /// Upper end likewise.
    pub high: Option<f64>,
    /// Value of the left line at x = 0.
    pub intercept: f64,
    /// Slope left of the break.
    pub slope_before: f64,
    /// Slope right of it.
    pub slope_after: f64,
    /// Weighted sum of squares of the bent line.
    pub rss: f64,
    /// The same of one straight (or one constant and its slope for a flat left side).
    pub rss_straight: f64,
    /// Probability of so large a gain without any break, Bonferroni over the breaks searched (an upper bound).
    pub p_value: f64,
    /// Points less parameters, the break counted.
    pub degrees_of_freedom: usize,
}

/// Why no bent line could be fitted.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum BentError {
    /// Too few points on either side of any break.
    #[error("{points} points are too few to find a break: at least {needed} are needed")]
    TooFewPoints { points: usize, needed: usize },
    /// All points at two abscissae or fewer, or values that are no numbers.
    #[error("the points do not determine a bent line")]
    Undetermined,
}

/// Fits a bent line; `weights` are relative inverse variances.
///
/// # Errors
/// Too few points, or points that do not determine a bent line.
pub fn fit(
    x: &[f64],
    y: &[f64],
    weights: Option<&[f64]>,
    left: Left,
    level: f64,
) -> Result<Bent, BentError> {
    let parameters = if left == Left::Flat { 3 } else { 4 };
    let points = x.len().min(y.len());
    if points <= parameters {
        return Err(BentError::TooFewPoints {
            points,
            needed: parameters + 1,
        });
    }
    if x.iter().chain(y).any(|v| !v.is_finite()) {
        return Err(BentError::Undetermined);
    }
    let data = Data::new(x, y, weights, left);
    let abscissae = data.distinct();
    if abscissae.len() < 4 {
        return Err(BentError::Undetermined);
    }
    let candidates = data.candidates(&abscissae);
    let Some((at, rss)) = candidates
        .iter()
        .filter_map(|psi| Some((*psi, data.bent(*psi)?.rss)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return Err(BentError::Undetermined);
    };
    let Some(best) = data.bent(at) else {
        return Err(BentError::Undetermined);
    };
    let freedom = points - parameters;
    let variance = rss / freedom as f64;
    let bend = best.coefficients[best.coefficients.len() - 1];
    let straight = data.straight().ok_or(BentError::Undetermined)?;
    let gained = (straight.rss - rss).max(0.0);
    // One straight has two parameters whatever the left side; a flat left side with its slope has one more.
    let extra = (parameters - 2) as f64;
    let p_value = if rss <= 0.0 {
        if gained > 0.0 { 0.0 } else { 1.0 }
    } else {
        let f = gained / extra / variance;
        (quantile::fisher_exceeded(f, extra, freedom as f64) * (abscissae.len() - 2) as f64)
            .min(1.0)
    };
    let worst = rss * (1.0 + quantile::fisher(level, 1.0, freedom as f64) / freedom as f64);
    let (low, high) = data.interval(&abscissae, &candidates, at, worst);
    let slope_before = if left == Left::Flat {
        0.0
    } else {
        best.coefficients[1]
    };
    Ok(Bent {
        at,
        standard_error: data.linearised_error(at, bend, variance),
        low,
        high,
        intercept: best.coefficients[0],
        slope_before,
        slope_after: slope_before + bend,
        rss,
        rss_straight: straight.rss,
        p_value,
        degrees_of_freedom: freedom,
    })
}

struct Data<'a> {
    x: &'a [f64],
    y: &'a [f64],
    weights: Option<&'a [f64]>,
    left: Left,
}

impl<'a> Data<'a> {
    fn new(x: &'a [f64], y: &'a [f64], weights: Option<&'a [f64]>, left: Left) -> Self {
        Self {
            x,
            y,
            weights,
            left,
        }
    }

    fn distinct(&self) -> Vec<f64> {
        let mut abscissae = self.x.to_vec();
        abscissae.sort_by(f64::total_cmp);
        abscissae.dedup();
        abscissae
    }

    fn straight(&self) -> Option<LinearFit> {
        linear::line(self.x, self.y, self.weights).ok()
    }

    fn bent(&self, psi: f64) -> Option<LinearFit> {
        let hinge: Vec<f64> = self.x.iter().map(|x| (x - psi).max(0.0)).collect();
        let mut columns = vec![vec![1.0; self.x.len()]];
        if self.left == Left::Sloping {
            columns.push(self.x.to_vec());
        }
        columns.push(hinge);
        linear::fit(&columns, self.y, self.weights).ok()
    }

    /// Every inner abscissa, and in every gap the crossing of the two separate straights if it lies there.
    fn candidates(&self, abscissae: &[f64]) -> Vec<f64> {
        let mut candidates: Vec<f64> = abscissae[1..abscissae.len() - 1].to_vec();
        for gap in abscissae.windows(2) {
            if let Some(psi) = self.crossing(gap[0])
                && psi > gap[0]
                && psi < gap[1]
            {
                candidates.push(psi);
            }
        }
        candidates.sort_by(f64::total_cmp);
        candidates
    }

    /// Where the straights through the points up to `last_left` and beyond it cross.
    fn crossing(&self, last_left: f64) -> Option<f64> {
        let side = |left: bool| {
            let pick: Vec<usize> = (0..self.x.len())
                .filter(|i| (self.x[*i] <= last_left) == left)
                .collect();
            let of = |v: &[f64]| pick.iter().map(|i| v[*i]).collect::<Vec<f64>>();
            (of(self.x), of(self.y), self.weights.map(of))
        };
        let (x, y, w) = side(true);
        let before = match self.left {
            Left::Flat => {
                let fit = linear::fit(&[vec![1.0; x.len()]], &y, w.as_deref()).ok()?;
                (fit.coefficients[0], 0.0)
            }
            Left::Sloping => {
                let fit = linear::line(&x, &y, w.as_deref()).ok()?;
                (fit.coefficients[0], fit.coefficients[1])
            }
        };
        let (x, y, w) = side(false);
        let after = linear::line(&x, &y, w.as_deref()).ok()?;
        let psi = (before.0 - after.coefficients[0]) / (after.coefficients[1] - before.1);
        psi.is_finite().then_some(psi)
    }

    /// Ends of the set of breaks with a sum of squares up to `worst`: the outermost ones, for the profile may have
    /// several valleys.
    fn interval(
        &self,
        abscissae: &[f64],
        candidates: &[f64],
        at: f64,
        worst: f64,
    ) -> (Option<f64>, Option<f64>) {
        let rss = |psi: f64| self.bent(psi).map_or(f64::INFINITY, |fit| fit.rss);
        // Grid: candidates and the middles of all gaps; with no hinge point left or right the break says nothing.
        let mut grid: Vec<f64> = abscissae
            .windows(2)
            .skip(1)
            .take(abscissae.len().saturating_sub(3))
            .map(|gap| 0.5 * (gap[0] + gap[1]))
            .chain(candidates.iter().copied())
            .collect();
        grid.sort_by(f64::total_cmp);
        let inside: Vec<usize> = (0..grid.len()).filter(|i| rss(grid[*i]) <= worst).collect();
        let edge = |mut good: f64, mut bad: f64| {
            for _ in 0..100 {
                let middle = 0.5 * (good + bad);
                if rss(middle) <= worst {
                    good = middle;
                } else {
                    bad = middle;
                }
                if (good - bad).abs()
                    <= 1e-12 * at.abs().max((grid[grid.len() - 1] - grid[0]).abs())
                {
                    break;
                }
            }
            good
        };
        let (Some(first), Some(last)) = (inside.first().copied(), inside.last().copied()) else {
            return (None, None);
        };
        let low = (first > 0).then(|| edge(grid[first], grid[first - 1]));
        let high = (last + 1 < grid.len()).then(|| edge(grid[last], grid[last + 1]));
        (low, high)
    }

    /// Standard error of the break from the fit linearised in it: the column −bend·[x > break].
    fn linearised_error(&self, at: f64, bend: f64, variance: f64) -> f64 {
        let hinge: Vec<f64> = self.x.iter().map(|x| (x - at).max(0.0)).collect();
        let step: Vec<f64> = self
            .x
            .iter()
            .map(|x| if *x > at { -bend } else { 0.0 })
            .collect();
        let mut columns = vec![vec![1.0; self.x.len()]];
        if self.left == Left::Sloping {
            columns.push(self.x.to_vec());
        }
        columns.push(hinge);
        columns.push(step);
        let last = columns.len() - 1;
        linear::fit(&columns, self.y, self.weights)
            .map_or(f64::INFINITY, |fit| fit.standard_error(last, variance))
    }
}
