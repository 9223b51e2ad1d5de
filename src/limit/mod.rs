//! Slip against load and time to the holding limit: which rule, which interface, which rate, how sure?
//!
//! Method: every rule of the trade at every interface, each with its own figure; the sheet names the one that governs.
//! The slip of an interface is its course over the blocks, seating taken off; its whole interval (zeros, gains, choice of
//! law) goes through the curve of slip against load into the interval of the limit, and the load cell's own errors are
//! added once. What the gauges bracket stays a bracket; what the schedule cannot show is "cannot tell" with the reason.
//! Assumption: progressive slip never runs backwards. Source of the definitions: common practice of the trade
//! (no source), and ground-anchor practice (ISO 22477-5) for creep in holds and the apparent free length.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::condition::Conditioned;
use crate::phases::{Phase, PhaseKind};
use crate::separate::{PartName, Separated};
use crate::sheet::{Limits, Rule, Sheet};
use crate::stats::{Estimate, Status};

mod allowance;
mod bite;
mod course;
mod earliest;
mod events;
mod first;
mod holds;
mod load;
mod pace;
pub mod projection;
mod remarks;
mod running;
mod seating;
mod setup;

pub(crate) use course::{Known, Slip};
pub(crate) use first::LEAST as LEAST_SLIP;
pub(crate) use load::LoadErrors;
pub use pace::Law;

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

    /// The part of the travel that slides there; of the pair, what slides in the stopper.
    pub(crate) fn part(self) -> PartName {
        match self {
            Self::Cover => PartName::CoverSlip,
            Self::Stopper | Self::Pair => PartName::StopperSlip,
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
    /// First slip only: load at which slip against load bends, where a test says that it does.
    #[serde(default)]
    pub bend: Option<Estimate>,
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
    /// Slip of the last decade of the hold's time, per decade.
    pub creep: Estimate,
    /// Rate at the end of the hold.
    pub rate: Estimate,
    /// The law of time that the slip follows.
    pub law: Law,
    /// Times since the start of the hold and slips since then, s and mm, for the chart (at most 200 points).
    pub points: Vec<(f64, f64)>,
    /// The law found, on the scale of `points`, over the last decade of the hold's time; empty where none is named.
    #[serde(default)]
    pub fitted: Vec<(f64, f64)>,
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

/// An interface that moved in jumps: loads of sticking and after sliding, and whether the line's stiffness explains the
/// size of the jumps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StickSlip {
    /// The interface.
    pub interface: Interface,
    /// How many jumps.
    pub jumps: usize,
    /// Mean load just before the jumps: static friction F_s.
    pub peak: Estimate,
    /// Mean load just after: as far below sliding friction F_k as F_s lies above it.
    pub trough: Estimate,
    /// Mean size of the jumps.
    pub size: Estimate,
    /// Size to be expected: 2(F_s − F_k)/k, the fall of the load over the stiffness k of the line at standing travel.
    pub expected_size: Estimate,
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
    /// Interfaces that moved in three jumps or more.
    #[serde(default)]
    pub stick_slip: Vec<StickSlip>,
    /// Projections, never part of a limit or verdict.
    pub projections: Vec<Projection>,
    /// Cross-check of the set-up.
    pub free_length: Option<FreeLengthCheck>,
}

/// What the limit is found from, and what verdict and diagnosis look at beside it.
#[derive(Debug, Clone)]
pub struct LimitInputs<'a> {
    /// The record, for the load cell's errors and for events.
    pub conditioned: &'a Conditioned,
    /// What happened when.
    pub phases: &'a [Phase],
    /// The parts with their courses over the blocks.
    pub separated: &'a Separated,
    /// The allowances and the governing rule.
    pub sheet: &'a Sheet,
    /// Slip of the stopper and of the cover.
    slips: Vec<Slip>,
}

impl<'a> LimitInputs<'a> {
    /// Reads the slip of both interfaces from the split, once for all who ask.
    #[must_use]
    pub fn new(
        conditioned: &'a Conditioned,
        phases: &'a [Phase],
        separated: &'a Separated,
        sheet: &'a Sheet,
    ) -> Self {
        let mut inputs = Self {
            conditioned,
            phases,
            separated,
            sheet,
            slips: Vec::new(),
        };
        let jumps = events::find(&inputs);
        inputs.slips = [Interface::Stopper, Interface::Cover]
            .map(|interface| course::slip_of(&inputs, interface, &jumps))
            .into();
        inputs
    }

    /// The slip of an interface; the pair has none of its own and answers with its first.
    pub(crate) fn slip(&self, interface: Interface) -> &Slip {
        &self.slips[usize::from(interface == Interface::Cover)]
    }
}

/// The rule that governs: the sheet's, else the allowance if it states one, else first slip.
#[must_use]
pub fn governing_rule(limits: Option<&Limits>) -> Rule {
    match limits {
        Some(Limits {
            rule: Some(rule), ..
        }) => *rule,
        Some(limits) if limits.allows_anything() => Rule::Allowance,
        _ => Rule::FirstSlip,
    }
}

/// Finds the holding limit by every rule, with what a reader must know about it. Never fails: what cannot be found is
/// "cannot tell" with the reason.
#[must_use]
pub fn find(inputs: &LimitInputs) -> (Limit, Vec<Caveat>) {
    let mut caveats = Vec::new();
    let slips = &inputs.slips;
    let stopper = inputs.slip(Interface::Stopper);
    let seating = seating::estimate(inputs, stopper);
    let holds = holds::all(inputs, slips);
    let mut figures = Vec::new();
    for rule in [Rule::FirstSlip, Rule::Allowance, Rule::Running] {
        let mut of_rule = Vec::new();
        for slip in slips {
            let figure = match rule {
                Rule::FirstSlip => first::figure(inputs, slip),
                Rule::Allowance => allowance::figure(inputs, slip, &holds),
                Rule::Running => running::figure(inputs, slip),
            };
            of_rule.push(figure);
        }
        of_rule.push(earliest::of_the_pair(rule, &of_rule));
        figures.extend(of_rule);
    }
    let governing = governing_figure(inputs, &figures, &mut caveats);
    let mut events: Vec<SlipEvent> = slips.iter().flat_map(|slip| slip.jumps.clone()).collect();
    events.sort_by(|a, b| a.time_s.total_cmp(&b.time_s));
    let (projections, doubts) = projection::all(inputs, slips);
    caveats.extend(doubts);
    caveats.extend(remarks::all(inputs, slips, &holds));
    caveats.extend(running::wear(inputs));
    let limit = Limit {
        governing,
        figures,
        seating,
        transfer: setup::transfer(inputs, stopper),
        holds,
        stick_slip: events::summary(inputs, &events),
        events,
        projections,
        free_length: setup::free_length(inputs),
    };
    (limit, caveats)
}

/// The pair's figure by the governing rule; where one interface hides, the figure of the interface that is known.
fn governing_figure(
    inputs: &LimitInputs,
    figures: &[LimitFigure],
    caveats: &mut Vec<Caveat>,
) -> LimitFigure {
    let rule = governing_rule(inputs.sheet.limits.as_ref());
    let of_rule = |interface: Interface| {
        figures
            .iter()
            .find(|f| f.rule == rule && f.interface == interface)
            .cloned()
    };
    let missing = || LimitFigure {
        load: Estimate::cannot_tell(
            crate::stats::Measure::Force,
            "no figure by the governing rule",
        ),
        rule,
        interface: Interface::Pair,
        reached_by: None,
        rate: AtRate::default(),
        bend: None,
    };
    let pair = of_rule(Interface::Pair).unwrap_or_else(missing);
    if pair.load.status != Status::CannotTell {
        return pair;
    }
    for interface in [Interface::Stopper, Interface::Cover] {
        if let Some(figure) = of_rule(interface)
            && figure.load.status == Status::Measured
        {
            caveats.push(Caveat::new(
                "limit-of-one-interface",
                Weight::Caution,
                format!(
                    "The limit is that of the {} alone; the other interface could not be told.",
                    interface.words()
                ),
                "Fit the gauge that the table of the split names, and the limit of the pair is known.",
            ));
            return figure;
        }
    }
    pair
}

/// The phase of this kind that holds the time, else the last one before it.
fn phase_at(phases: &[Phase], kind: PhaseKind, time_s: f64) -> Option<&Phase> {
    phases
        .iter()
        .rfind(|p| p.kind == kind && p.start_s <= time_s)
}

#[cfg(test)]
pub(crate) mod handmade;

#[cfg(test)]
mod coverage;

#[cfg(test)]
mod tests;
