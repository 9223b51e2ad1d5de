//! Passes of the problem: slopes, lags, the scatter of the creep spectrum and misfits settle from one to the next.

use std::rc::Rc;

use super::Balance;
use super::pass::{Creep, Pass};
use super::rows;
use super::scene::{SLOPE_STEP, Scene};
use crate::condition::ROUNDED_S;
use crate::ingest::GaugeKind;
use crate::separate::bases::Columns;
use crate::separate::solve::{Fit, Functional, Prior, SolveError};

/// A lag is taken out of the readings when it is so many times its standard uncertainty.
const LAG_SIGMAS: f64 = 2.0;
/// ... and lies within so many standard deviations of what was known of it before the fit.
const LAG_FAR: f64 = 3.0;
/// Most passes: slopes, lags, the scatter of the creep spectrum and misfits settle from one to the next.
const PASSES: usize = 5;
/// Beyond this variance of a gauge's residuals against its noise, the balance is lost.
const LOST: f64 = 100.0;
/// It is taken for uneven where that lowers a gauge's sum of squares over the variance by so much.
const UNEVEN_LOSS: f64 = 40.0;
/// Creep may be uneven where that lowers the sum of squares over the variance by the first, and is taken for it beyond the
/// second. Even creep leaves 3 to 30, one time of 25 to 40 s 35 to 190, two times 9 to 50 (simulated pulls).
pub(super) const UNEVEN_CREEP_LOSS: (f64, f64) = (30.0, 50.0);

/// A lag that is no more than its own uncertainty, or next to nothing beside the time between rows, stays: taking it out
/// blurs every jump.
fn worth_taking_out(lag_s: f64, uncertainty_s: f64, period_s: f64) -> bool {
    lag_s.abs() > (LAG_SIGMAS * uncertainty_s).max(0.1 * period_s)
}

/// The largest variance of a gauge's residuals against what its noise leaves.
fn far_off(balance: &Balance, pass: &Pass) -> f64 {
    let whole = balance.misfit.iter().zip(&pass.misfit);
    whole.map(|(new, old)| new * old).fold(0.0, f64::max)
}

impl Scene<'_> {
    /// The settled balance, and what its last pass was told. A lag that was found wrongly tears every jump apart, and then
    /// nothing fits: where a gauge is left far from its noise, the passes run again with no lag but those that corners
    /// tell, and what closes better stands.
    pub(super) fn settle(
        &self,
        uneven: Vec<GaugeKind>,
        creep: Creep,
    ) -> Result<Option<(Balance, Pass)>, SolveError> {
        let found = self.passes(uneven.clone(), creep, true)?;
        match found {
            Some((balance, pass)) if far_off(&balance, &pass) > LOST => {
                let again = self.passes(uneven, creep, false).ok().flatten();
                let better = again.filter(|(b, p)| far_off(b, p) < far_off(&balance, &pass));
                Ok(better.or(Some((balance, pass))))
            }
            found => Ok(found),
        }
    }

    /// Passes until lags, slopes and misfits no longer change, and what the last of them was told; lags are looked for in
    /// the fit only where `seek` says so.
    fn passes(
        &self,
        uneven: Vec<GaugeKind>,
        creep: Creep,
        seek: bool,
    ) -> Result<Option<(Balance, Pass)>, SolveError> {
        let record = self.record;
        let mut lags: Vec<(GaugeKind, f64)> = record
            .gauges
            .iter()
            .filter_map(|g| Some((g.kind, g.lag?)))
            .filter(|(_, lag)| {
                worth_taking_out(lag.lag_s, lag.standard_uncertainty_s, record.period_s)
            })
            .map(|(kind, lag)| (kind, lag.lag_s))
            .collect();
        let Some(rough) = self.assemble(&lags, None, None)? else {
            return Ok(None);
        };
        // The rough fit does not know the load's noise in the travel yet: what it leaves says nothing about the model.
        let mut misfit = vec![1.0; rough.misfit.len()];
        let mut slope = self.slope(&rough, &self.stretch(&self.phased.quiet_load_n, None), None);
        let mut balance = rough;
        let mut passes = 0;
        loop {
            let spline: Vec<f64> = {
                let weights = balance.stretch.weights.iter();
                weights.map(|w| balance.fit.weights[*w]).collect()
            };
            let pass = Pass {
                slope,
                misfit,
                left: balance.problem.residuals(&balance.fit),
                lags: lags.clone(),
                uneven: uneven.clone(),
                creep,
                nodes: (passes > 0).then(|| balance.halved()),
                shapes: Rc::new(self.stretch(&self.phased.quiet_load_n, Some(&spline))),
                spline,
            };
            let Some(next) = self.assemble(&lags, Some(&pass), Some(&balance.fit))? else {
                return Ok(None);
            };
            slope = self.slope(&next, &pass.shapes, Some(&pass.spline));
            misfit = next
                .misfit
                .iter()
                .zip(&pass.misfit)
                .map(|(new, old)| (new * old).max(1.0))
                .collect();
            let found = if seek { self.lags(&next) } else { vec![] };
            balance = next;
            balance.slope.clone_from(&slope);
            balance.lags = found
                .iter()
                .map(|(kind, lag, se)| {
                    let taken = lags.iter().find(|(k, _)| k == kind).map_or(0.0, |l| l.1);
                    (*kind, lag + taken, *se)
                })
                .collect();
            let still = |(_, lag, se): &(_, f64, f64)| lag.abs() < se.max(0.1 * record.period_s);
            for (kind, lag, se) in &balance.lags {
                lags.retain(|(k, _)| k != kind);
                if worth_taking_out(*lag, *se, record.period_s) {
                    lags.push((*kind, *lag));
                }
            }
            // What was taken out of another gauge while the travel seemed to lag goes back when it does not.
            let taken = lags.len();
            if seek {
                let travels = lags.iter().find(|(kind, _)| *kind == GaugeKind::Travel);
                let common = travels.map_or(0.0, |(_, lag)| *lag);
                let far = LAG_FAR * rows::lag_of_others(common);
                lags.retain(|(kind, lag)| {
                    *kind == GaugeKind::Travel || (lag - common).abs() <= far
                });
            }
            let settled = lags.len() == taken && found.iter().all(still);
            let quiet = misfit
                .iter()
                .zip(&pass.misfit)
                .all(|(new, old)| new / old < 1.3);
            // The first pass weighs the travel by the rough fit's slopes.
            passes += 1;
            if passes == PASSES || passes > 1 && settled && quiet {
                return Ok(Some((balance, pass)));
            }
        }
    }

    /// By how much the sum of squares over the variance falls where creep may spread in any way; nothing where the record is
    /// too poor for that.
    pub(super) fn gain_of_free_creep(&self, balance: &Balance, pass: &Pass) -> f64 {
        let told = pass.told_of_no_misfit();
        let free = Pass {
            creep: Creep::Free,
            ..told.clone()
        };
        let squares = |pass: &Pass| -> Option<f64> {
            let fitted = self.assemble(&pass.lags, Some(pass), Some(&balance.fit));
            let fitted = fitted.ok().flatten()?;
            Some(fitted.problem.squares(&fitted.fit).iter().sum())
        };
        squares(&told)
            .zip(squares(&free))
            .map_or(0.0, |(told, free)| told - free)
    }

    /// The fit with every stated drift free to be uneven, and the gauges whose readings that explains far better. Free in
    /// every record, it would give way to slip that noise only adds to; where it is not seen, it is in the uncertainty
    /// only. `None` where the sheet states no drift.
    pub(super) fn wander(
        &self,
        balance: &Balance,
        pass: &Pass,
    ) -> Result<Option<(Fit, Vec<GaugeKind>)>, SolveError> {
        let drifting = self.record.gauges.iter();
        let drifting: Vec<GaugeKind> = drifting
            .filter(|gauge| gauge.errors.drift > 0.0)
            .map(|gauge| gauge.kind)
            .collect();
        if drifting.is_empty() {
            return Ok(None);
        }
        let lags = pass.lags.clone();
        let even = pass.told_of_no_misfit();
        let Some(without) = self.assemble(&lags, Some(&even), Some(&balance.fit))? else {
            return Ok(None);
        };
        let free = Pass {
            uneven: drifting,
            ..even
        };
        let Some(with) = self.assemble(&lags, Some(&free), Some(&without.fit))? else {
            return Ok(None);
        };
        let squares = |balance: &Balance| balance.problem.squares(&balance.fit);
        let gains = squares(&without).into_iter().zip(squares(&with));
        let seen = gains
            .zip(&with.misfit)
            .zip(&with.gauges)
            .filter(|(((without, with), misfit), gauge)| {
                without - with > UNEVEN_LOSS * misfit.max(1.0) && free.uneven.contains(gauge)
            })
            .map(|(_, gauge)| *gauge)
            .collect();
        Ok(Some((with.fit, seen)))
    }

    /// Slope of stretch against load per block, mm/N, from a small shift of the load.
    fn slope(&self, balance: &Balance, low: &Columns, spline: Option<&[f64]>) -> Vec<f64> {
        let step = SLOPE_STEP * self.phased.peak_n;
        let n = self.blocks.len();
        if balance.stretch.weights.is_empty() {
            return vec![0.0; n];
        }
        let load = &self.phased.quiet_load_n;
        let shifted: Vec<f64> = load.iter().map(|f| f + step).collect();
        let high = self.stretch(&shifted, spline);
        (0..n)
            .map(|k| {
                let at = |c: &Columns| -> f64 {
                    c.columns
                        .iter()
                        .zip(&balance.stretch.weights)
                        .map(|(c, w)| c[k] * balance.fit.weights[*w])
                        .sum()
                };
                ((at(&high) - at(low)) / step).max(0.0)
            })
            .collect()
    }

    /// Lags found in this fit, beyond those already taken out; none that lies far from what was known of it before, for it
    /// stands in for something else.
    fn lags(&self, balance: &Balance) -> Vec<(GaugeKind, f64, f64)> {
        let mut found = Vec::new();
        for (i, weight) in balance.problem.weights.iter().enumerate() {
            let Some(kind) = GaugeKind::from_lag_source(&weight.source) else {
                continue;
            };
            let far = match weight.prior {
                Prior::Normal(sd) => LAG_FAR * sd,
                Prior::None | Prior::Rectangular(_) | Prior::Held(_) => f64::INFINITY,
            };
            if (balance.fit.weights[i] - weight.centre).abs() > far {
                continue;
            }
            let spread = balance.fit.spread(&Functional {
                weights: vec![(i, 1.0)],
                sequences: Vec::new(),
            });
            // What the line's own quick recovery does to a corner, it does to a fit.
            let errors = spread.normal.iter().map(|(_, sd)| *sd);
            let se = errors.fold(spread.noise.hypot(ROUNDED_S), f64::hypot);
            found.push((kind, balance.fit.weights[i], se));
        }
        found
    }
}
