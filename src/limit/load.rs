//! Errors of the load cell, put into a figure once.
//!
//! A gain error of the cell is invisible in the log and common to all rows: it is never averaged away. Its half widths
//! are rectangular; together with the statistical error of the figure they go through the distribution of the sum.

use crate::condition::Conditioned;
use crate::stats::coverage::half_width;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure};

/// Half widths of the cell's errors.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LoadErrors {
    gain: f64,
    fixed: f64,
    drift: f64,
}

impl LoadErrors {
    #[cfg(test)]
    pub(crate) const NONE: Self = Self {
        gain: 0.0,
        fixed: 0.0,
        drift: 0.0,
    };

    pub(crate) fn of(conditioned: &Conditioned) -> Self {
        let errors = conditioned.load.errors;
        Self {
            gain: errors.gain,
            fixed: errors.fixed,
            drift: errors.drift,
        }
    }

    fn boxes(&self, load: f64) -> [f64; 3] {
        [self.gain * load.abs(), self.fixed, self.drift]
    }

    /// Half width at `level` of a load with the statistical standard error `normal`.
    pub(crate) fn half_width(&self, load: f64, normal: f64, level: f64) -> f64 {
        half_width(normal, &self.boxes(load), level)
    }

    /// Half width of the cell alone at 95 %: the U of a measured load.
    pub(crate) fn expanded(&self, load: f64) -> f64 {
        self.half_width(load, 0.0, LEVEL)
    }

    /// Standard uncertainty of a load with the statistical standard error `normal`.
    pub(crate) fn standard(&self, load: f64, normal: f64) -> f64 {
        let boxes: f64 = self.boxes(load).iter().map(|a| a * a / 3.0).sum();
        (normal * normal + boxes).sqrt()
    }

    /// A limit with different statistical errors below and above; `above` absent where nothing bounds it.
    pub(crate) fn limit(
        &self,
        load: f64,
        below: f64,
        above: Option<f64>,
        method: impl Into<String>,
    ) -> Estimate {
        let normal = above.map_or(below, |above| 0.5 * (below + above));
        let low = (load - self.half_width(load, below, LEVEL)).max(0.0);
        let high = above.map(|above| load + self.half_width(load, above, LEVEL));
        Estimate {
            high,
            ..Estimate::measured(
                Measure::Force,
                load,
                self.standard(load, normal),
                low,
                load,
                method,
            )
        }
    }

    /// Two loads with nothing known between, each widened by the cell; `high` absent where nothing bounds it.
    pub(crate) fn bracket(
        &self,
        low: f64,
        high: Option<f64>,
        method: impl Into<String>,
        reason: impl Into<String>,
    ) -> Estimate {
        let low = (low - self.expanded(low)).max(0.0);
        Estimate {
            high: high.map(|high| high + self.expanded(high)),
            ..Estimate::bracket(Measure::Force, low, low, method, reason)
        }
    }

    /// A load that was carried without reaching the rule: the lower bound less the cell's errors.
    pub(crate) fn not_reached(
        &self,
        load: f64,
        method: impl Into<String>,
        reason: impl Into<String>,
    ) -> Estimate {
        let low = (load - self.expanded(load)).max(0.0);
        Estimate::not_reached(Measure::Force, low, method, reason)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: half a per cent of 4 kN is a box of 20 N; 95 % of it lie within 19 N.
    #[test]
    fn the_gain_of_the_cell_is_in_once() {
        let cell = LoadErrors {
            gain: 0.005,
            fixed: 0.0,
            drift: 0.0,
        };
        assert!((cell.expanded(4e3) - 19.0).abs() < 1e-9);
        assert!((cell.standard(4e3, 0.0) - 20.0 / 3f64.sqrt()).abs() < 1e-9);
    }
}
