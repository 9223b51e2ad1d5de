//! Before the dock: how many pulls, in which order, with which steps and up to which load, and which stopper to try.
//!
//! Everything here is a plan: numbers rest on the scatter seen or stated, and hold if the pulls scatter like that.
//! `power` counts pulls, `order` shuffles them, `schedule` makes the steps of one, `candidates` ranks what was pulled.

pub mod candidates;
pub mod order;
pub mod power;
pub mod schedule;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::compare::{Comparison, Settings as Comparing, compare};
use crate::pool::Pull;
use crate::sheet::Sheet;
use candidates::Candidate;
use order::Turn;
use power::{Numbers, Wanted};
use schedule::Schedule;

/// What a plan is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Settings {
    /// Smallest difference that must be found, share of the load.
    pub difference: f64,
    /// Standard deviation between pulls of one pair, share of the load; that of the pulls given if absent.
    pub spread: Option<f64>,
    /// Number of pairs to compare; that of the pulls given if absent, else two.
    pub pairs: Option<usize>,
    /// Probability of finding the difference.
    pub power: f64,
    /// Joint coverage of the intervals.
    pub level: f64,
    /// Share that must hold.
    pub share: f64,
    /// Confidence of that.
    pub confidence: f64,
    /// Load that must be held, kN; the proof load of the sheet if absent.
    pub load_kn: Option<f64>,
    /// Diameter of the line that a stopper is sought for, mm; that of the sheet if absent.
    pub diameter_mm: Option<f64>,
    /// Sessions that the pulls are spread over.
    pub sessions: usize,
    /// Seed of the order.
    pub seed: u64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            difference: 0.10,
            spread: None,
            pairs: None,
            power: 0.80,
            level: crate::stats::estimate::LEVEL,
            share: 0.90,
            confidence: 0.95,
            load_kn: None,
            diameter_mm: None,
            sessions: 2,
            seed: 1,
        }
    }
}

/// Spread taken where nothing is stated and nothing was pulled: an assumption, said wherever it is used.
const SPREAD: f64 = 0.08;

/// More than these is no plan for a dock.
const MOST_PAIRS: usize = 200;
const MOST_SESSIONS: usize = 60;

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Plan {
    /// Version of bitterend.
    pub version: String,
    /// Settings.
    pub settings: Settings,
    /// Where the spread comes from.
    pub spread_from: String,
    /// How many pulls.
    pub numbers: Numbers,
    /// In which order.
    pub order: Vec<Turn>,
    /// Steps of one pull; absent without a sheet.
    pub schedule: Option<Schedule>,
    /// Stoppers for this line and load, the best lower bound first.
    pub candidates: Vec<Candidate>,
    /// Why there are none, or what to know about them.
    pub candidates_note: String,
    /// Any of the pulls behind it is simulated.
    pub simulated: bool,
}

/// Makes a plan from pulls already made (may be none) and the sheet of the pull to come (may be none).
#[must_use]
pub fn plan(pulls: Vec<Pull>, sheet: Option<&Sheet>, settings: &Settings) -> Plan {
    let simulated = pulls.iter().any(|p| p.simulated);
    let comparison = (!pulls.is_empty()).then(|| {
        let comparing = Comparing {
            share: Some(settings.share),
            confidence: Some(settings.confidence),
            ..Comparing::default()
        };
        compare(pulls, Vec::new(), &comparing)
    });
    let (spread, spread_from) = spread(settings, comparison.as_ref());
    let names: Vec<String> = comparison
        .iter()
        .flat_map(|c| c.groups.iter().map(|g| g.name.clone()))
        .collect();
    let pairs = settings.pairs.unwrap_or(names.len()).clamp(2, MOST_PAIRS);
    let load_kn = settings
        .load_kn
        .or_else(|| Some(sheet?.limits.as_ref()?.proof?.si() / 1e3));
    let wanted = Wanted {
        spread,
        difference: settings.difference,
        pairs,
        power: settings.power,
        level: settings.level,
        share: settings.share,
        confidence: settings.confidence,
    };
    let margins = comparison.iter().flat_map(|c| &c.groups).filter_map(|g| {
        let median = g.repeats.median.value? / 1e3;
        Some((g.name.clone(), median / load_kn?))
    });
    let numbers = power::numbers(&wanted, margins.collect());
    let each = numbers.each.unwrap_or(4).clamp(2, 12);
    let listed = order::names(names, pairs);
    let order = order::shuffled(
        &listed,
        each,
        settings.sessions.clamp(1, MOST_SESSIONS),
        settings.seed,
    );
    let diameter_mm = settings
        .diameter_mm
        .or_else(|| Some(sheet?.line.diameter?.si() * 1e3));
    let (candidates, candidates_note) = candidates::rank(comparison.as_ref(), diameter_mm, load_kn);
    Plan {
        version: env!("CARGO_PKG_VERSION").into(),
        settings: settings.clone(),
        spread_from,
        numbers,
        order,
        schedule: sheet.map(schedule::of),
        candidates,
        candidates_note,
        simulated: simulated || sheet.is_some_and(|s| s.pull.simulated),
    }
}

/// The spread stated, else that seen between pulls of one pair, else an assumption.
fn spread(settings: &Settings, comparison: Option<&Comparison>) -> (f64, String) {
    if let Some(spread) = settings.spread {
        return (spread, "as stated".into());
    }
    match comparison.and_then(|c| c.components.as_ref()) {
        Some(k) => (
            k.pulls.hypot(k.lines.unwrap_or(0.0)),
            format!("seen between {} pulls of one session", k.counts.2),
        ),
        None => (
            SPREAD,
            "assumed, for nothing is stated and nothing was pulled twice: state it with --spread, or give pulls".into(),
        ),
    }
}

#[cfg(test)]
mod tests;
