//! At which rate was each limit found, and can limits of different rates be compared?
//!
//! Limits whose rates (kN/s of a ramp, s of a hold, mm/min of a run) agree within a factor of two are compared as they are.
//! Beyond that they are brought to one rate by the law that these very pulls show, a power of the rate common to all
//! groups, if pulls of one group in one session were made at different rates; its uncertainty goes into every difference.
//! Without such pulls, or with rates of different kinds, nothing is ranked.
//! Assumption of the law: one exponent for all groups (a limit grows by a few per cent per decade; common practice, no
//! source).

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::gather::{Counted, Gathered};
use super::{Settings, model};
use crate::caveat::{Caveat, Weight};

/// Rates of the pulls.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RateLaw {
    /// What kind of rate: `kN/s`, `s of hold` or `mm/min`; empty where none is known.
    pub unit: String,
    /// Slowest and fastest.
    pub low: Option<f64>,
    /// Fastest.
    pub high: Option<f64>,
    /// Pulls without a rate.
    pub unknown: usize,
    /// Rate that all were brought to, where it was needed and could be done.
    pub brought_to: Option<f64>,
    /// Exponent of the law: the load grows by this many per cent per per cent of rate.
    pub exponent: Option<f64>,
    /// Its standard error.
    pub exponent_error: Option<f64>,
    /// Why nothing may be ranked for the rates; empty where it may.
    pub refused: String,
}

impl RateLaw {
    /// Logarithm of the rate over the common one, the covariate of a pull; none where no law is used.
    pub(super) fn covariate(&self, c: &Counted) -> Vec<f64> {
        match (self.brought_to, rate_of(c)) {
            (Some(to), Some((_, rate))) => vec![(rate / to).ln()],
            (Some(_), None) => vec![0.0],
            (None, _) => Vec::new(),
        }
    }
}

/// Rates that differ by no more than this are one rate.
const ALIKE: f64 = 2.0;
/// Least residual degrees of freedom of the law.
const SPARE: f64 = 3.0;

/// A limit reached so soon after a ramp is that of the ramp, s.
const SOON: f64 = 10.0;

/// The rate that belongs to a figure, and its kind. A load that was only held has none: a bound from a hold bounds a
/// faster ramp too, for a limit does not fall with the rate.
fn rate_of(c: &Counted) -> Option<(&'static str, f64)> {
    if !c.load.is_reached() {
        return None;
    }
    let at = c.rate;
    let known = |v: &f64| *v > 0.0 && v.is_finite();
    let hold = at
        .hold_s
        .filter(|h| *h > SOON || at.loading_kn_per_s.is_none());
    [
        ("mm/min", at.speed_mm_per_min),
        ("s of hold", hold),
        ("kN/s", at.loading_kn_per_s),
    ]
    .into_iter()
    .find_map(|(unit, v)| Some((unit, v.filter(known)?)))
}

pub(super) fn law(gathered: &Gathered, settings: &Settings) -> (RateLaw, Vec<Caveat>) {
    let mut found = RateLaw::default();
    let mut caveats = Vec::new();
    let rates: Vec<(&str, f64)> = gathered.counted.iter().filter_map(rate_of).collect();
    let reached = gathered.counted.iter().filter(|c| c.load.is_reached());
    found.unknown = reached.count() - rates.len();
    let Some((unit, _)) = rates.first() else {
        return (found, caveats);
    };
    if rates.iter().any(|r| r.0 != *unit) {
        found.refused = "some limits belong to a ramp and some to a hold or a run: a limit without a common rate or hold time cannot be compared".into();
        return (found, caveats);
    }
    found.unit = (*unit).into();
    let low = rates.iter().map(|r| r.1).fold(f64::INFINITY, f64::min);
    let high = rates.iter().map(|r| r.1).fold(0.0, f64::max);
    (found.low, found.high) = (Some(low), Some(high));
    if found.unknown > 0 {
        caveats.push(Caveat::new(
            "rate-not-known",
            Weight::Caution,
            format!(
                "{} pulls have no rate; they are compared as if made at that of the others.",
                found.unknown
            ),
            "Pull at one stated rate.",
        ));
    }
    // Runs are compared at the stated speed; the line's own speed scatters with the slip itself.
    if high <= ALIKE * low {
        return (found, caveats);
    }
    let middle = (rates.iter().map(|r| r.1.ln()).sum::<f64>() / rates.len() as f64).exp();
    found.brought_to = Some(middle);
    let (units, blocks) = gathered.units(settings, |c| found.covariate(c));
    let reached: Vec<model::Unit> = units.into_iter().filter(|u| u.y.is_reached()).collect();
    let law = model::fit(
        &reached,
        gathered.names.len(),
        blocks,
        model::Spread::Common,
    )
    .filter(|m| m.residual_freedom >= SPARE)
    .and_then(|m| m.covariate(0));
    match law {
        Some(law) => {
            (found.exponent, found.exponent_error) = (Some(law.value), Some(law.error));
            caveats.push(Caveat::new(
                "brought-to-one-rate",
                Weight::Caution,
                format!(
                    "Rates differ by a factor of {:.1}; limits are compared at {middle:.2} {unit} by the law that these pulls show.",
                    high / low
                ),
                "Pull at one rate: what the law leaves is then out of every difference.",
            ));
        }
        None => {
            found.brought_to = None;
            found.refused = format!(
                "rates differ by a factor of {:.1} ({low:.3} to {high:.3} {unit}), and no group was pulled at several rates in one session, so the law that would bring them together is not known",
                high / low
            );
        }
    }
    (found, caveats)
}
