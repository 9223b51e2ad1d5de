//! How many pulls decide between two pairs, or prove that most lines hold a load?
//!
//! Two pairs: `compare` tells them apart when their joint interval (Tamhane's T2) leaves out equality. For equal numbers and
//! one spread σ, both sample variances give their sum S (chi-squared, 2ν degrees of freedom) and the share B of the first
//! in it (beta, ν/2 each), independent of each other; Welch's degrees of freedom are ν/(B² + (1 − B)²). So the
//! probability of telling them apart is a noncentral t probability averaged over B, without approximation.
//! A bound above a load: the tolerance bound of n lines exceeds it with a noncentral t probability.
//! A success run: n lines that all hold prove the share R with confidence 1 − Rⁿ.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::function::gamma::ln_gamma;

use crate::compare::{Joint, Spread};
use crate::pool::passes_wanted;
use crate::stats::tolerance::{self, GAUSS_10, noncentral_t};

/// What the numbers are asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wanted {
    /// Standard deviation of the logarithm between pulls of one pair.
    pub spread: f64,
    /// Difference to be found, share of the load.
    pub difference: f64,
    /// Pairs compared jointly.
    pub pairs: usize,
    /// Probability of finding it.
    pub power: f64,
    /// Joint coverage of the intervals.
    pub level: f64,
    /// Share that must hold.
    pub share: f64,
    /// Confidence of that.
    pub confidence: f64,
}

/// Lines that a bound above the load needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ForBound {
    /// The pair.
    pub name: String,
    /// Its median over the load.
    pub margin: f64,
    /// Lines after which the bound exceeds the load with the power asked for; absent where a hundred are too few.
    pub lines: Option<usize>,
}

/// How many pulls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Numbers {
    /// Spread used, share of the load.
    pub spread: f64,
    /// Pairs compared jointly.
    pub pairs: usize,
    /// Lines per pair that find the difference with the power asked for; absent where a hundred are too few.
    pub each: Option<usize>,
    /// Probability of finding it with so many; and with two lines more or fewer.
    pub powers: Vec<(usize, f64)>,
    /// Lines that must all hold to prove the share.
    pub passes: usize,
    /// Lines for a tolerance bound above the load, per pair pulled.
    pub for_bound: Vec<ForBound>,
}

/// Most lines per pair that are considered.
const MOST: usize = 100;

/// The numbers of a plan. `margins` are medians over the load that must be held.
#[must_use]
pub fn numbers(wanted: &Wanted, margins: Vec<(String, f64)>) -> Numbers {
    let joint = joint(wanted.pairs, wanted.level);
    let at = |n: usize| power_with(&joint, n, wanted.spread, wanted.difference);
    let each = smallest(|n| at(n) >= wanted.power);
    let around = each.unwrap_or(MOST);
    let powers = (around.saturating_sub(2).max(2)..=around + 2)
        .map(|n| (n, at(n)))
        .collect();
    let for_bound = margins
        .into_iter()
        .map(|(name, margin)| ForBound {
            name,
            margin,
            lines: smallest(|n| bound_power(n, wanted, margin) >= wanted.power),
        })
        .collect();
    Numbers {
        spread: wanted.spread,
        pairs: wanted.pairs,
        each,
        powers,
        passes: passes_wanted(wanted.share, wanted.confidence),
        for_bound,
    }
}

/// Smallest number that is enough, by doubling and halving: more is never worse.
fn smallest(enough: impl Fn(usize) -> bool) -> Option<usize> {
    let mut high = 2;
    while !enough(high) {
        if high >= MOST {
            return None;
        }
        high = (2 * high).min(MOST);
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = usize::midpoint(low, high);
        if middle >= 2 && enough(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Some(high)
}

/// Probability that `n` lines of each of two pairs among `pairs` are told apart at joint coverage `level`, when one holds
/// more than the other by the share `difference` and both scatter by `spread`.
#[must_use]
pub fn power(n: usize, spread: f64, difference: f64, pairs: usize, level: f64) -> f64 {
    power_with(&joint(pairs, level), n, spread, difference)
}

fn joint(pairs: usize, level: f64) -> Joint {
    Joint::new(Spread::Own, pairs.max(2), level)
}

fn power_with(joint: &Joint, n: usize, spread: f64, difference: f64) -> f64 {
    if n < 2 || spread <= 0.0 {
        return 0.0;
    }
    let freedom = (n - 1) as f64;
    let shift = difference.ln_1p() / (spread * (2.0 / n as f64).sqrt());
    let half = 0.5 * freedom;
    let ln_beta = 2.0 * ln_gamma(half) - ln_gamma(freedom);
    // B = sin²(a): the density stays finite at the ends even with one degree of freedom.
    let density = |a: f64| {
        let (s, c) = (a.sin(), a.cos());
        (2.0f64.ln() + (freedom - 1.0) * (s.ln() + c.ln()) - ln_beta).exp()
    };
    let quarter = std::f64::consts::FRAC_PI_4;
    // By symmetry half of the range is enough, twice.
    const PANELS: usize = 3;
    let width = quarter / (2.0 * PANELS as f64);
    let mut sum = 0.0;
    for panel in 0..PANELS {
        let middle = width * (2 * panel + 1) as f64;
        for (node, weight) in GAUSS_10
            .iter()
            .flat_map(|(node, weight)| [(*node, *weight), (-*node, *weight)])
        {
            let a = middle + width * node;
            let b = a.sin().powi(2);
            let welch = freedom / (b * b + (1.0 - b).powi(2));
            let q = joint.factor(welch);
            if !q.is_finite() {
                continue;
            }
            let both = 2.0 * freedom;
            let apart = 1.0 - noncentral_t(q, both, shift) + noncentral_t(-q, both, shift);
            sum += 2.0 * weight * width * density(a) * apart;
        }
    }
    sum.clamp(0.0, 1.0)
}

/// Probability that the lower tolerance bound of `n` lines lies above the load.
fn bound_power(n: usize, wanted: &Wanted, margin: f64) -> f64 {
    let Some(k) = tolerance::one_sided(n, wanted.share, wanted.confidence) else {
        return 0.0;
    };
    let root = (n as f64).sqrt();
    if margin <= 1.0 || wanted.spread <= 0.0 {
        return 0.0;
    }
    1.0 - noncentral_t(k * root, (n - 1) as f64, root * margin.ln() / wanted.spread)
}
