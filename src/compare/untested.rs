//! A pair never tested: what would this line hold in that stopper?
//!
//! Method: the logarithm of each pair's mean as the sum of an effect of the line and one of the stopper; what the tested
//! pairs deviate from such a sum is part of the prediction interval. Only where the tested pairs connect line and stopper
//! and leave something to judge the sum by. It is a prediction, and is labelled as one wherever it is shown.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Settings;
use super::gather::{Counted, Gathered};
use super::model::{self, Spread, Unit};
use crate::stats::censored::Observed;
use crate::stats::quantile;

/// A predicted pair.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Untested {
    /// The kind of line, with its treatment.
    pub line_kind: String,
    /// The kind of stopper.
    pub stopper_kind: String,
    /// Predicted mean load of the pair, kN.
    pub load_kn: f64,
    /// Lower end of the prediction interval, kN.
    pub low_kn: f64,
    /// Upper end, kN.
    pub high_kn: f64,
    /// Degrees of freedom behind it.
    pub freedom: f64,
}

/// Most predictions told.
const MOST: usize = 24;

pub(super) fn all(gathered: &Gathered, settings: &Settings) -> Vec<Untested> {
    let line_of = |c: &Counted| {
        if c.pull.treatment == crate::pool::NO_TREATMENT {
            c.pull.line_kind.clone()
        } else {
            format!("{}, {}", c.pull.line_kind, c.pull.treatment)
        }
    };
    let mut cells: BTreeMap<(String, String), Vec<Observed>> = BTreeMap::new();
    for c in &gathered.counted {
        cells
            .entry((line_of(c), c.pull.stopper_kind.clone()))
            .or_default()
            .push(c.load);
    }
    let lines: Vec<String> = cells
        .keys()
        .map(|k| k.0.clone())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let stoppers: Vec<String> = cells
        .keys()
        .map(|k| k.1.clone())
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    // A diameter that a stopper is not made for is not predicted.
    let fits = |line: &String, stopper: &String| {
        let diameter = gathered
            .counted
            .iter()
            .find(|c| line_of(c) == *line)
            .and_then(|c| c.pull.diameter_mm);
        let span = gathered
            .counted
            .iter()
            .find(|c| c.pull.stopper_kind == *stopper)
            .and_then(|c| Some((c.pull.diameter_min_mm?, c.pull.diameter_max_mm?)));
        match (diameter, span) {
            (Some(d), Some((low, high))) => (low - 1e-6..=high + 1e-6).contains(&d),
            _ => true,
        }
    };
    let units: Vec<Unit> = cells
        .iter()
        .filter_map(|((line, stopper), loads)| {
            let Observed::At(load) = crate::pool::mean_observed(loads) else {
                return None;
            };
            Some(Unit {
                level: lines.binary_search(line).ok()?,
                blocks: vec![(stoppers.binary_search(stopper).ok()?, 1.0)],
                covariates: Vec::new(),
                y: Observed::At(load.ln()),
            })
        })
        .collect();
    let Some(model) = model::fit(&units, lines.len(), stoppers.len(), Spread::Common) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    for (i, line) in lines.iter().enumerate() {
        for (j, stopper) in stoppers.iter().enumerate() {
            if cells.contains_key(&(line.clone(), stopper.clone())) || !fits(line, stopper) {
                continue;
            }
            let Some(sum) = model.sum(i, j) else { continue };
            let half = quantile::two_sided(settings.level, sum.freedom)
                * sum.error.hypot(model.scatter[i]);
            found.push(Untested {
                line_kind: line.clone(),
                stopper_kind: stopper.clone(),
                load_kn: sum.value.exp(),
                low_kn: (sum.value - half).exp(),
                high_kn: (sum.value + half).exp(),
                freedom: sum.freedom,
            });
        }
    }
    found.truncate(MOST);
    found
}
