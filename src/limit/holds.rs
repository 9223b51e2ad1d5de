//! Slip within a hold: how much, by which law of time, how fast.
//!
//! Per hold and interface one family of laws is fitted to the blocks (`pace`): log-linear in time, as ground-anchor practice
//! counts creep (ISO 22477-5), linear, between the two, and speeding up. A law is named only if the others fit worse by a
//! chi-squared of more than 4, autocorrelation counted; else it cannot be told. The rate is that at the end of the hold, the
//! creep what its last decade of time made, whatever the law.
//! The line's own creep is not in it: the slip of an interface is what the split left after stretch and its retarded part.
//! What the split's own uncertainty changes within the hold is added to every slope.

use super::course::{Known, Slip};
use super::pace::{self, Law, Pace, Profiled};
use super::{HoldCreep, LimitInputs};
use crate::phases::{Phase, PhaseKind};
use crate::stats::estimate::LEVEL;
use crate::stats::linear::{self, LinearFit};
use crate::stats::{Estimate, Measure, autocorrelation, coverage, quantile, straight};

/// Blocks that a hold needs before a law is fitted to it.
const BLOCKS_NEEDED: usize = 5;
/// Share of the hold at its start that is left out: the ramp still rounds off there.
const START_LEFT_OUT: f64 = 0.01;
/// Points kept for the chart.
const CHART_POINTS: usize = 200;
/// Share of what bends a slip that no law of the family may have, as a standard uncertainty: in lines of other simulators, whose
/// laws are others, ends of bent slips are off by 3 to 8 % of it.
const BEYOND_THE_FAMILY: f64 = 0.04;
/// The same of a slip that hardly bends, as a share of the figure itself: off by 1 to 4 % where readings were so fine that noise
/// left a half per cent.
const BESIDE_THE_FAMILY: f64 = 0.015;
/// Share of the line's creep in a hold that may be slip where only the travel shows either: in lines of another simulator a
/// slip that died away in a hold passed for creep, up to 46 % of it.
const CREEP_OR_SLIP: f64 = 0.5;
/// How creep and rate were found.
const CREEP: &str = "slip of the last decade of the hold's time";
const RATE: &str = "rate at the end of the hold";
/// Smallest noise of a block, m.
const NOISE_FLOOR: f64 = 1e-9;

/// Every hold at every interface that has a course.
pub(super) fn all(inputs: &LimitInputs, slips: &[Slip]) -> Vec<HoldCreep> {
    inputs
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Hold)
        .flat_map(|phase| {
            slips
                .iter()
                .filter(|slip| slip.absent.is_none())
                .filter_map(|slip| Some(Within::of(inputs, slip, phase)?.creep(inputs, slip)))
        })
        .collect()
}

/// Holds of a locked winch, each at the highest load in it: kept there, the line would have slipped at least as fast.
pub(super) fn locked(inputs: &LimitInputs, slip: &Slip) -> Vec<HoldCreep> {
    let of = |phase| {
        let within = Within::of(inputs, slip, phase)?;
        let highest = within.pick(&slip.load).into_iter().fold(0.0, f64::max);
        Some(HoldCreep {
            load_kn: highest / 1e3,
            ..within.creep(inputs, slip)
        })
    };
    inputs
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::LockedHold)
        .filter_map(of)
        .collect()
}

/// The blocks of one hold.
pub(super) struct Within {
    /// Elements of the slip's lists.
    pub elements: Vec<usize>,
    /// Times since the start of the hold.
    pub since: Vec<f64>,
    /// Start and end of the hold, s.
    ends: [f64; 2],
    pub load: f64,
    pub duration: f64,
}

/// What a hold tells of how its slip goes on.
struct Told {
    creep: Estimate,
    rate: Estimate,
    law: Law,
    fitted: Vec<(f64, f64)>,
}

impl Told {
    fn cannot(reason: &str) -> Self {
        Self {
            creep: Estimate::cannot_tell(Measure::Creep, reason),
            rate: Estimate::cannot_tell(Measure::Speed, reason),
            law: Law::Unknown,
            fitted: Vec::new(),
        }
    }
}

/// A slope with its standard error.
#[derive(Clone, Copy)]
pub(super) struct Slope {
    pub value: f64,
    pub error: f64,
}

impl Within {
    pub fn of(inputs: &LimitInputs, slip: &Slip, phase: &Phase) -> Option<Self> {
        let blocks = &inputs.separated.blocks;
        let end = slip.seen_until(inputs, phase);
        let duration = end - phase.start_s;
        let elements: Vec<usize> = (0..slip.block.len())
            .filter(|e| {
                let block = slip.block[*e];
                blocks.first[block] >= phase.first && blocks.end[block] <= phase.end
            })
            .filter(|e| slip.time[*e] - phase.start_s >= START_LEFT_OUT * duration)
            .collect();
        if elements.len() < 2 || duration <= 0.0 {
            return None;
        }
        let since: Vec<f64> = elements
            .iter()
            .map(|e| slip.time[*e] - phase.start_s)
            .collect();
        let load = elements.iter().map(|e| slip.load[*e]).sum::<f64>() / elements.len() as f64;
        Some(Self {
            elements,
            since,
            ends: [phase.start_s, end],
            load,
            duration,
        })
    }

    fn creep(&self, inputs: &LimitInputs, slip: &Slip) -> HoldCreep {
        let gain = gauge_gain(inputs);
        let mut told = if slip.at_readings {
            Told {
                rate: self.most_between_readings(slip),
                ..Told::cannot(
                    "the gauge was read by hand: how the slip went within the hold is not known",
                )
            }
        } else if self.elements.len() < BLOCKS_NEEDED {
            Told::cannot(&format!(
                "{} readings in the hold are too few to fit a law of time",
                self.elements.len()
            ))
        } else {
            let told = match slip.known {
                Known::Value => self.told(slip, gain),
                _ => self.told_by_both_ends(slip, gain),
            };
            told.unwrap_or_else(|| {
                Told::cannot("the hold's readings do not determine a law of time")
            })
        };
        if !inputs.conditioned.clock_known {
            told.rate = Estimate::cannot_tell(
                Measure::Speed,
                "nothing says the unit of the log's time: what is counted as a second may be none",
            );
        }
        HoldCreep {
            interface: slip.interface,
            load_kn: self.load / 1e3,
            duration_s: self.duration,
            slip: self.slip(slip, gain),
            creep: told.creep,
            rate: told.rate,
            law: told.law,
            points: self.points(&self.pick(&slip.value)),
            fitted: told.fitted,
        }
    }

    /// Rate of a slip that was read by hand: from nothing to all of it within the second half of the hold.
    fn most_between_readings(&self, slip: &Slip) -> Estimate {
        let (first, last) = (self.elements[0], self.elements[self.elements.len() - 1]);
        Estimate::bracket(
            Measure::Speed,
            0.0,
            (slip.high[last] - slip.low[first]).max(0.0) / (0.5 * self.duration),
            "from nothing to all of it within the second half of the hold",
            "the gauge was read by hand",
        )
    }

    pub fn pick(&self, list: &[f64]) -> Vec<f64> {
        self.elements.iter().map(|e| list[*e]).collect()
    }

    /// Standard uncertainty of the change of slip over the hold that noise does not explain: the split's interval
    /// opens or closes meanwhile.
    fn opening(&self, slip: &Slip) -> f64 {
        slip.opening(self.elements[0], self.elements[self.elements.len() - 1])
    }

    pub fn slip(&self, slip: &Slip, gain: f64) -> Estimate {
        let (first, last) = (self.elements[0], self.elements[self.elements.len() - 1]);
        let method = "difference between the end and the start of the hold";
        // From the very start: a slip that dies away makes most of its way before the first block's middle.
        let change = |list: &[f64]| {
            let at = straight(&slip.time, list, &self.ends);
            at[1] - at[0]
        };
        if slip.known != Known::Value {
            let (a, b) = (change(&slip.low), change(&slip.high));
            let blur = 1.96 * slip.noise[first].hypot(slip.noise[last]);
            let blur = if blur.is_finite() { blur } else { 0.0 };
            return Estimate::bracket(
                Measure::Length,
                (a.min(b) - blur).max(0.0),
                a.max(b).max(0.0) + blur + self.taken_for_creep(slip),
                method,
                "the gauges bracket this slip",
            );
        }
        let value = change(&slip.value);
        let noise = slip.noise[first]
            .hypot(slip.noise[last])
            .hypot(self.opening(slip));
        interval(
            Measure::Length,
            Slope {
                value,
                error: noise,
            },
            gain,
            method,
        )
    }

    /// The most of the line's creep in this hold that may be slip, m, where no gauge of its own shows the slip.
    fn taken_for_creep(&self, slip: &Slip) -> f64 {
        let at = straight(&slip.time, &slip.stretch, &self.ends);
        (CREEP_OR_SLIP * (at[1] - at[0])).max(0.0)
    }

    /// Weighted fit of one list against `x`.
    pub fn fit(&self, slip: &Slip, y: &[f64], x: &[f64]) -> Option<LinearFit> {
        let weights: Vec<f64> = self
            .elements
            .iter()
            .map(|e| slip.noise[*e].max(NOISE_FLOOR).powi(-2))
            .collect();
        linear::line(x, y, Some(&weights)).ok()
    }

    /// Variance of a point of weight one, as its residuals and their dependence say.
    pub fn scale(fit: &LinearFit) -> Option<f64> {
        Some(fit.variance()?.max(1.0) * autocorrelation::variance_factor(&fit.residuals))
    }

    /// The elements from a share of the hold's time on.
    pub fn since_share(&self, share: f64) -> Self {
        let kept = || (0..self.since.len()).filter(|i| self.since[*i] >= share * self.duration);
        Self {
            elements: kept().map(|i| self.elements[i]).collect(),
            since: kept().map(|i| self.since[i]).collect(),
            ..*self
        }
    }

    /// What the pace of a slip that has a value tells.
    fn told(&self, slip: &Slip, gain: f64) -> Option<Told> {
        // As the gauge read it: the split's course runs straight between nodes, and so does its pace.
        let read: Vec<f64> = slip
            .value
            .iter()
            .zip(&slip.left)
            .map(|(v, l)| v + l)
            .collect();
        let pace = pace::of(self, slip, &read)?;
        let opening = self.opening(slip);
        let start = slip.value[self.elements[0]];
        let fitted = pace.curve.iter().map(|(t, s)| (*t, (s - start) * 1e3));
        Some(Told {
            creep: figure(Measure::Creep, pace.decade, opening, gain, CREEP),
            rate: figure(Measure::Speed, pace.rate, opening, gain, RATE),
            law: pace.law,
            fitted: if pace.law == Law::Unknown {
                Vec::new()
            } else {
                fitted.collect()
            },
        })
    }

    /// What both ends of a bracket tell. What lies between may go on as neither of them does: their mean rates count as well.
    fn told_by_both_ends(&self, slip: &Slip, gain: f64) -> Option<Told> {
        let paces = [
            pace::of(self, slip, &slip.low)?,
            pace::of(self, slip, &slip.high)?,
        ];
        let whole = self.slip(slip, gain);
        let either = |measure: Measure, of: fn(&Pace) -> Profiled, share: f64, method: &str| {
            let ends = paces
                .each_ref()
                .map(|pace| figure(measure, of(pace), 0.0, gain, method));
            let mean = [whole.low, whole.high].map(|end| end.map(|slip| slip * share));
            let all = ends.iter().flat_map(|e| [e.low, e.high]).chain(mean);
            let (low, high) = crate::condition::range_of(&all.flatten().collect::<Vec<f64>>());
            Estimate::bracket(
                measure,
                low.max(0.0),
                high.max(0.0),
                format!("{method}, of both ends of the slip"),
                "the gauges bracket this slip",
            )
        };
        Some(Told {
            creep: either(Measure::Creep, |p| p.decade, 1.0, CREEP),
            rate: either(Measure::Speed, |p| p.rate, 1.0 / self.duration, RATE),
            law: Law::Unknown,
            fitted: Vec::new(),
        })
    }

    fn points(&self, value: &[f64]) -> Vec<(f64, f64)> {
        let step = value.len().div_ceil(CHART_POINTS).max(1);
        (0..value.len())
            .step_by(step)
            .map(|i| (self.since[i], (value[i] - value[0]) * 1e3))
            .collect()
    }
}

/// Largest gain error among the displacement gauges: common to all readings of a hold.
pub(super) fn gauge_gain(inputs: &LimitInputs) -> f64 {
    inputs
        .conditioned
        .gauges
        .iter()
        .filter(|g| !g.kind.is_force())
        .map(|g| g.errors.gain)
        .fold(0.0, f64::max)
}

/// A figure of a pace; `opening` is what the split's own uncertainty changes over the hold, m.
fn figure(measure: Measure, of: Profiled, opening: f64, gain: f64, method: &str) -> Estimate {
    let box_half = gain * of.value.abs();
    let factor = quantile::normal(0.5 + 0.5 * LEVEL);
    let of_bend = BEYOND_THE_FAMILY * (of.value - of.even);
    let other = (opening * of.per_slip)
        .hypot(of_bend)
        .hypot(BESIDE_THE_FAMILY * of.value);
    let error = |side: f64| (side / factor).hypot(other);
    let [below, above] = [of.value - of.low, of.high - of.value].map(error);
    let half = |error: f64| coverage::half_width(error, &[box_half], LEVEL);
    Estimate::measured(
        measure,
        of.value,
        below.max(above).hypot(box_half / 3f64.sqrt()),
        of.value - half(below),
        of.value + half(above),
        method,
    )
}

fn interval(measure: Measure, slope: Slope, gain: f64, method: &str) -> Estimate {
    let box_half = gain * slope.value.abs();
    let half = coverage::half_width(slope.error, &[box_half], LEVEL);
    let standard = slope.error.hypot(box_half / 3f64.sqrt());
    Estimate::measured(
        measure,
        slope.value,
        standard,
        slope.value - half,
        slope.value + half,
        method,
    )
}
