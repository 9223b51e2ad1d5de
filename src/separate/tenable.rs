//! The record read under each tenable explanation: what if nothing slid in the stopper, or inside the cover, or neither?
//!
//! Question: does the record exclude that an interface held? Method: the balance is fitted again with that slip held at
//! nothing, all other parts free to make up for it; what the fit then loses, as a sum of squares over noise and stated
//! errors, is set against the 99.9 % point of chi-squared with as many degrees of freedom as the slip had places to grow.
//! That is more than the loss can be by chance, for a slip that may only grow spends fewer (Silvapulle and Sen 2005,
//! chapter 3, from memory): an explanation is called excluded late rather than early.
//! Where no gauge sees an interface apart, its slip and the set fit alike to the digit, and that is said instead.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ChiSquared, ContinuousCDF as _};

use super::model::{self, Balance};
use super::solve::{Fit, Prior, Problem, SolveError};
use super::{PartName, SeparateError};
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::Phased;
use crate::sheet::Sheet;

/// A normal error is taken no further than this many standard deviations.
const FAR_SIGMAS: f64 = 3.0;
/// An error held at its bound may move by this share of it.
const HELD_SHARE: f64 = 1e-4;
/// Rounds in which errors beyond their bounds are held there.
const MOST_ROUNDS: usize = 6;

/// How an explanation stands to the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Tenable {
    /// It fits about as well as the best reading.
    Fits,
    /// It does not fit.
    Excluded,
    /// No gauge sees this interface apart: with it or without it the fit is the same.
    FitsAlike,
}

/// The record read with some slips held at nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Explanation {
    /// The slips held at nothing; none of them in the best reading.
    pub without: Vec<PartName>,
    /// How it stands.
    pub state: Tenable,
    /// Sum of squares over noise and stated errors that it loses against the best reading.
    pub loss: f64,
    /// What chance alone may lose, 99.9 %.
    pub chance: f64,
    /// What it leaves over in each gauge.
    pub gauges: Vec<GaugeFit>,
}

/// What an explanation leaves over in one gauge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct GaugeFit {
    /// The gauge.
    pub gauge: GaugeKind,
    /// Root mean square left over, mm.
    pub left_over_mm: f64,
    /// The same in the best reading, mm.
    pub best_mm: f64,
    /// This gauge alone speaks against it.
    pub excludes: bool,
}

/// Reads the record under each explanation: both may have slid, no cover slip, no stopper slip, neither.
///
/// # Errors
/// As for [`super::separate`].
pub fn explanations(
    record: &Conditioned,
    phased: &Phased,
    sheet: &Sheet,
) -> Result<Vec<Explanation>, SeparateError> {
    let balance = model::fit(record, phased, sheet)?.ok_or(SeparateError::NoDisplacement)?;
    [
        &[][..],
        &[PartName::CoverSlip],
        &[PartName::StopperSlip],
        &[PartName::StopperSlip, PartName::CoverSlip],
    ]
    .into_iter()
    .map(|without| read(&balance, without))
    .collect()
}

fn read(balance: &Balance, without: &[PartName]) -> Result<Explanation, SeparateError> {
    let mut problem = balance.problem.clone();
    let (mut places, mut unseen) = (0, false);
    for part in without {
        let sequence = match part {
            PartName::StopperSlip => balance.sequences.stopper,
            _ => balance.sequences.core,
        };
        match sequence {
            // Zero before its first place to grow: without any, zero throughout.
            Some(s) => places += std::mem::take(&mut problem.sequences[s].nodes).len(),
            None => unseen = true,
        }
    }
    let best = balance.problem.squares(&balance.fit);
    let (held, fit) = if places > 0 {
        let fit = within_stated(&mut problem)?;
        (problem.squares(&fit), Some(fit))
    } else {
        (best.clone(), None)
    };
    let fit = fit.as_ref().unwrap_or(&balance.fit);
    // Where nothing was held, nothing is lost: not even the last digit of a sum.
    let loss = if places == 0 {
        0.0
    } else {
        (held.iter().sum::<f64>() + prior(&balance.problem, fit)
            - best.iter().sum::<f64>()
            - prior(&balance.problem, &balance.fit))
        .max(0.0)
    };
    let chance = chance(places);
    let excluded = places > 0 && loss > chance;
    let left_over = |problem: &Problem, fit: &Fit| -> Vec<f64> {
        problem.residuals(fit).iter().map(|r| rms(r)).collect()
    };
    let (now, before) = (
        left_over(&problem, fit),
        left_over(&balance.problem, &balance.fit),
    );
    let gauges = balance
        .gauges
        .iter()
        .enumerate()
        .map(|(i, gauge)| GaugeFit {
            gauge: *gauge,
            left_over_mm: now[i],
            best_mm: before[i],
            excludes: excluded && held[i] - best[i] > chance,
        })
        .collect();
    Ok(Explanation {
        without: without.to_vec(),
        state: match (excluded, unseen) {
            (true, _) => Tenable::Excluded,
            (false, true) => Tenable::FitsAlike,
            (false, false) => Tenable::Fits,
        },
        loss,
        chance,
        gauges,
    })
}

/// The fit in which no error of an instrument is larger than its sheet states: a slip that is held at nothing would else be
/// told as a gauge that reads a tenth of what moves.
fn within_stated(problem: &mut Problem) -> Result<Fit, SolveError> {
    let mut fit = problem.solve(None)?;
    for _ in 0..MOST_ROUNDS {
        let mut beyond = false;
        for (weight, value) in problem.weights.iter_mut().zip(&fit.weights) {
            let most = match weight.prior {
                Prior::Normal(sd) => FAR_SIGMAS * sd,
                Prior::Rectangular(half) | Prior::Held(half) => half,
                Prior::None => f64::INFINITY,
            };
            let off = value - weight.centre;
            if !weight.source.is_empty() && off.abs() > most * (1.0 + HELD_SHARE) {
                weight.centre += most.copysign(off);
                weight.prior = Prior::Normal(HELD_SHARE * most);
                beyond = true;
            }
        }
        if !beyond {
            break;
        }
        fit = problem.solve(None)?;
    }
    Ok(fit)
}

/// What the stated errors of gauges would have to stretch to.
fn prior(problem: &Problem, fit: &Fit) -> f64 {
    problem
        .weights
        .iter()
        .zip(&fit.weights)
        .map(|(weight, value)| match weight.prior {
            Prior::None => 0.0,
            Prior::Normal(sd) => square((value - weight.centre) / sd),
            Prior::Rectangular(half) | Prior::Held(half) => {
                3.0 * square((value - weight.centre) / half)
            }
        })
        .filter(|v| v.is_finite())
        .sum()
}

fn square(v: f64) -> f64 {
    v * v
}

fn rms(residual: &[f64]) -> f64 {
    let (sum, n) = residual
        .iter()
        .filter(|r| r.is_finite())
        .fold((0.0, 0.0), |(s, n), r| (s + r * r, n + 1.0));
    if n > 0.0 { f64::sqrt(sum / n) } else { 0.0 }
}

/// 99.9 % point of chi-squared.
fn chance(places: usize) -> f64 {
    ChiSquared::new(places.max(1) as f64).map_or(f64::INFINITY, |chi| chi.inverse_cdf(0.999))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separate::solve::{Rows, Weight};

    /// Readings of 2 with an error of at most 0.5 either way: it stays at its bound, on the side to which it was drawn.
    #[test]
    fn an_error_is_held_at_its_bound_on_its_own_side() {
        for reading in [2.0, -2.0] {
            let mut problem = Problem {
                blocks: 3,
                time: vec![0.0, 1.0, 2.0],
                weights: vec![Weight {
                    non_negative: false,
                    prior: Prior::Rectangular(0.5),
                    centre: 0.0,
                    source: "an error".to_owned(),
                }],
                sequences: Vec::new(),
                rows: vec![Rows {
                    reading: vec![reading; 3],
                    variance: vec![1e-4; 3],
                    columns: vec![(0, vec![1.0; 3])],
                    sequences: Vec::new(),
                }],
                ties: Vec::new(),
            };
            let held = within_stated(&mut problem).unwrap().weights[0];
            let bound = 0.5_f64.copysign(reading);
            assert!((held - bound).abs() < 0.05, "{held} for {bound}");
        }
    }

    /// NIST/SEMATECH e-Handbook, table of upper critical values of chi-squared, 0.999: 10.828 and 59.703 for 1 and 30
    /// degrees of freedom.
    #[test]
    fn what_chance_may_lose() {
        assert!((chance(1) - 10.828).abs() < 5e-3);
        assert!((chance(30) - 59.703).abs() < 5e-3);
    }
}
