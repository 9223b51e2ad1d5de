//! Slip against load and time to the holding limit: which rule, which interface, which rate, how sure.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::sheet::Rule;
use crate::stats::Estimate;

/// Where something slides.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Interface {
    /// Line in the stopper.
    Stopper,
    /// Cover over core.
    Cover,
    /// Whichever comes first.
    Pair,
}

impl Interface {
    /// The words used in tables and charts.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Stopper => "line in the stopper",
            Self::Cover => "cover over the core",
            Self::Pair => "the pair",
        }
    }
}

/// At which rate or hold a limit was found: without it limits cannot be compared.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AtRate {
    /// Loading rate in kN/s while the load rose.
    pub loading_kn_per_s: Option<f64>,
    /// Length of the hold in s.
    pub hold_s: Option<f64>,
    /// Speed of the line in mm/min while it ran.
    pub speed_mm_per_min: Option<f64>,
}

/// A limit by one rule at one interface. The estimate is a force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LimitFigure {
    /// Value, interval, status, reason.
    #[serde(flatten)]
    pub load: Estimate,
    /// The rule.
    pub rule: Rule,
    /// The interface; for the pair, the one that reached the rule first is in `reached_by`.
    pub interface: Interface,
    /// Which interface decided a figure of the pair.
    pub reached_by: Option<Interface>,
    /// Rate or hold that belongs to it.
    pub rate: AtRate,
}

/// Creep of one interface in one hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HoldCreep {
    /// The interface.
    pub interface: Interface,
    /// Mean load of the hold, kN.
    pub load_kn: f64,
    /// Length of the hold, s.
    pub duration_s: f64,
    /// Slip within the hold.
    pub slip: Estimate,
    /// Creep per decade of time (log-linear law).
    pub creep: Estimate,
    /// Rate at the end of the hold (linear law).
    pub rate: Estimate,
    /// `log-linear`, `linear` or `cannot tell`.
    pub law: String,
    /// Times since the start of the hold and slips since then, s and mm, for the chart (at most 200 points).
    pub points: Vec<(f64, f64)>,
}

/// One jump of stick-slip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlipEvent {
    /// The interface.
    pub interface: Interface,
    /// When, s on the log's clock.
    pub time_s: f64,
    /// Load just before, kN.
    pub peak_kn: f64,
    /// Load just after, kN.
    pub trough_kn: f64,
    /// Size of the jump, mm.
    pub size_mm: f64,
}

/// A curve carried past the highest load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Projection {
    /// `hyperbola`, `exponential` or `double-log break`.
    pub curve: String,
    /// The interface.
    pub interface: Interface,
    /// Projected load (status `projected`).
    pub load: Estimate,
    /// Projected load over the highest load of the record.
    pub leap: f64,
}

/// What the transfer from winch to stopper cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Transfer {
    /// Tension before easing the winch, kN.
    pub before_kn: f64,
    /// Tension 10 s after, kN.
    pub after_10_s_kn: Option<f64>,
    /// Tension 10 min after, kN.
    pub after_10_min_kn: Option<f64>,
    /// Stopper slip of that moment.
    pub slip: Estimate,
}

/// Apparent free length from the stretch curve against the sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FreeLengthCheck {
    /// Apparent free length over the stated one.
    pub ratio: Estimate,
    /// What a ratio outside 0.8 to 1.1 means here; empty when inside.
    pub meaning: String,
}

/// Everything about the holding limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Limit {
    /// The figure by the governing rule for the pair.
    #[serde(flatten)]
    pub governing: LimitFigure,
    /// Every rule at every interface.
    pub figures: Vec<LimitFigure>,
    /// Seating: the first part of stopper slip.
    pub seating: Estimate,
    /// Transfer, if the record has one.
    pub transfer: Option<Transfer>,
    /// Creep per hold and interface.
    pub holds: Vec<HoldCreep>,
    /// Jumps.
    pub events: Vec<SlipEvent>,
    /// Projections, never part of a limit or verdict.
    pub projections: Vec<Projection>,
    /// Cross-check of the set-up.
    pub free_length: Option<FreeLengthCheck>,
}
