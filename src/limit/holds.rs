//! Slip within a hold: how much, by which law of time, how fast.
//!
//! Per hold and interface two laws with two parameters each are fitted to the same blocks: log-linear in time
//! (`s = a + c·log10 t`, c in mm per decade, as ground-anchor practice counts creep, ISO 22477-5) and linear. The better one
//! is named only if the difference of chi-squared exceeds 4, autocorrelation counted; else the law cannot be told.
//! The line's own creep is not in it: the slip of an interface is what the split left after stretch and its retarded part.
//! What the split's own uncertainty changes within the hold is added to every slope.

use super::course::{Known, Slip};
use super::{HoldCreep, LimitInputs};
use crate::phases::{Phase, PhaseKind};
use crate::stats::estimate::LEVEL;
use crate::stats::linear::{self, LinearFit};
use crate::stats::{Estimate, Measure, autocorrelation, coverage, straight};

/// Blocks that a hold needs before a law is fitted to it.
const BLOCKS_NEEDED: usize = 5;
/// Share of the hold at its start that is left out: the ramp still rounds off there.
const START_LEFT_OUT: f64 = 0.01;
/// Difference of chi-squared that decides between the two laws.
const DECISIVE: f64 = 4.0;
/// Share of the hold's time from which it is late.
const LATE_FROM: f64 = 0.3;
/// Slopes differ surely by so many standard errors.
const APART_SIGMAS: f64 = 2.0;
/// Points kept for the chart.
const CHART_POINTS: usize = 200;
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

/// A slope with its standard error.
#[derive(Clone, Copy)]
pub(super) struct Slope {
    pub value: f64,
    pub error: f64,
}

impl Within {
    pub fn of(inputs: &LimitInputs, slip: &Slip, phase: &Phase) -> Option<Self> {
        let blocks = &inputs.separated.blocks;
        let duration = phase.end_s - phase.start_s;
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
            ends: [phase.start_s, phase.end_s],
            load,
            duration,
        })
    }

    fn creep(&self, inputs: &LimitInputs, slip: &Slip) -> HoldCreep {
        let gain = gauge_gain(inputs);
        let value = self.pick(&slip.value);
        let decades: Vec<f64> = self.since.iter().map(|t| t.log10()).collect();
        let (creep, rate, law) = if slip.at_readings {
            (
                Estimate::cannot_tell(
                    Measure::Creep,
                    "the gauge was read by hand: how the slip went within the hold is not known",
                ),
                self.most_between_readings(slip),
                Law::Unknown,
            )
        } else if self.elements.len() < BLOCKS_NEEDED {
            let reason = format!(
                "{} readings in the hold are too few to fit a law of time",
                self.elements.len()
            );
            (
                Estimate::cannot_tell(Measure::Creep, reason.clone()),
                Estimate::cannot_tell(Measure::Speed, reason),
                Law::Unknown,
            )
        } else {
            match slip.known {
                Known::Value => self.laws(slip, &value, &decades, gain),
                _ => self.bracketed_laws(slip, &decades, gain),
            }
        };
        HoldCreep {
            interface: slip.interface,
            load_kn: self.load / 1e3,
            duration_s: self.duration,
            slip: self.slip(slip, gain),
            creep,
            rate,
            law: law.word().into(),
            points: self.points(&value),
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
                a.max(b).max(0.0) + blur,
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

    /// Weighted fit of one list against `x`, its errors scaled by what the residuals and their dependence say.
    pub fn fit(&self, slip: &Slip, y: &[f64], x: &[f64]) -> Option<(LinearFit, f64)> {
        let weights: Vec<f64> = self
            .elements
            .iter()
            .map(|e| slip.noise[*e].max(NOISE_FLOOR).powi(-2))
            .collect();
        let fit = linear::line(x, y, Some(&weights)).ok()?;
        let factor = autocorrelation::variance_factor(&fit.residuals);
        let scale = fit.variance()?.max(1.0) * factor;
        Some((fit, scale))
    }

    fn laws(
        &self,
        slip: &Slip,
        value: &[f64],
        decades: &[f64],
        gain: f64,
    ) -> (Estimate, Estimate, Law) {
        let (Some((log, log_scale)), Some((linear, linear_scale))) = (
            self.fit(slip, value, decades),
            self.fit(slip, value, &self.since),
        ) else {
            let reason = "the hold's readings do not determine a law of time";
            return (
                Estimate::cannot_tell(Measure::Creep, reason),
                Estimate::cannot_tell(Measure::Speed, reason),
                Law::Unknown,
            );
        };
        let scale = if log.rss < linear.rss {
            log_scale
        } else {
            linear_scale
        };
        let gain_of_log = (linear.rss - log.rss) / scale;
        let law = if gain_of_log > DECISIVE {
            Law::LogLinear
        } else if gain_of_log < -DECISIVE {
            Law::Linear
        } else {
            Law::Unknown
        };
        let opening = self.opening(slip);
        let span = |x: &[f64]| x[x.len() - 1] - x[0];
        let slope = |fit: &LinearFit, scale: f64, x: &[f64]| Slope {
            value: fit.coefficients[1],
            error: fit.standard_error(1, scale).hypot(opening / span(x)),
        };
        let whole = slope(&log, log_scale, decades);
        let late = (law == Law::LogLinear)
            .then(|| self.late_creep(slip, whole))
            .flatten();
        let (creep, how) = match late {
            Some(late) => (
                late,
                "slope of slip against log10 of time, late in the hold",
            ),
            None => (whole, "slope of slip against log10 of time"),
        };
        let (rate, method) = match law {
            Law::LogLinear => {
                let per_second = 1.0 / (std::f64::consts::LN_10 * self.duration);
                let rate = Slope {
                    value: creep.value * per_second,
                    error: creep.error * per_second,
                };
                (rate, "at the end of the hold, from creep per decade")
            }
            Law::Linear => (
                slope(&linear, linear_scale, &self.since),
                "slope of slip against time",
            ),
            Law::Unknown => (
                self.late_slope(slip)
                    .unwrap_or_else(|| slope(&linear, linear_scale, &self.since)),
                "slope over the second half of the hold",
            ),
        };
        (
            interval(Measure::Creep, creep, gain, how),
            interval(Measure::Speed, rate, gain, method),
            law,
        )
    }

    /// The elements of a part of the hold.
    pub fn part(&self, keep: impl Fn(f64) -> bool) -> Self {
        let kept = || (0..self.since.len()).filter(|i| keep(self.since[*i] / self.duration));
        Self {
            elements: kept().map(|i| self.elements[i]).collect(),
            since: kept().map(|i| self.since[i]).collect(),
            ..*self
        }
    }

    /// Slope against log10 of time late in the hold, where it is surely another than over the whole of it: a slip that
    /// did not begin with the hold bends against the logarithm, and its end is what goes on.
    fn late_creep(&self, slip: &Slip, whole: Slope) -> Option<Slope> {
        let late = self.part(|share| share >= LATE_FROM);
        if late.since.len() < BLOCKS_NEEDED {
            return None;
        }
        let decades: Vec<f64> = late.since.iter().map(|t| t.log10()).collect();
        let (fit, scale) = late.fit(slip, &late.pick(&slip.value), &decades)?;
        let span = decades[decades.len() - 1] - decades[0];
        let slope = Slope {
            value: fit.coefficients[1],
            error: fit
                .standard_error(1, scale)
                .hypot(late.opening(slip) / span),
        };
        let apart = (slope.value - whole.value).abs();
        (apart > APART_SIGMAS * slope.error.hypot(whole.error)).then_some(slope)
    }

    /// Slope over the second half of the hold's time.
    fn late_slope(&self, slip: &Slip) -> Option<Slope> {
        let late = self.part(|share| share >= 0.5);
        if late.since.len() < 4 {
            return None;
        }
        let y = late.pick(&slip.value);
        let (fit, scale) = late.fit(slip, &y, &late.since)?;
        let opening = late.opening(slip) / (late.since[late.since.len() - 1] - late.since[0]);
        Some(Slope {
            value: fit.coefficients[1],
            error: fit.standard_error(1, scale).hypot(opening),
        })
    }

    fn bracketed_laws(&self, slip: &Slip, decades: &[f64], gain: f64) -> (Estimate, Estimate, Law) {
        let ends = |x: &[f64], measure: Measure, method: &str| {
            let slopes: Vec<Estimate> = [&slip.low, &slip.high]
                .into_iter()
                .filter_map(|list| {
                    let (fit, scale) = self.fit(slip, &self.pick(list), x)?;
                    let slope = Slope {
                        value: fit.coefficients[1],
                        error: fit.standard_error(1, scale),
                    };
                    Some(interval(measure, slope, gain, method))
                })
                .collect();
            let low = slopes
                .iter()
                .filter_map(|s| s.low)
                .fold(f64::INFINITY, f64::min);
            let high = slopes
                .iter()
                .filter_map(|s| s.high)
                .fold(f64::NEG_INFINITY, f64::max);
            if slopes.len() < 2 {
                return Estimate::cannot_tell(
                    measure,
                    "the hold's readings do not determine a law of time",
                );
            }
            Estimate::bracket(
                measure,
                low.max(0.0),
                high.max(0.0),
                method,
                "the gauges bracket this slip",
            )
        };
        (
            ends(
                decades,
                Measure::Creep,
                "slopes of both ends against log10 of time",
            ),
            ends(
                &self.since,
                Measure::Speed,
                "slopes of both ends against time",
            ),
            Law::Unknown,
        )
    }

    fn points(&self, value: &[f64]) -> Vec<(f64, f64)> {
        let step = value.len().div_ceil(CHART_POINTS).max(1);
        (0..value.len())
            .step_by(step)
            .map(|i| (self.since[i], (value[i] - value[0]) * 1e3))
            .collect()
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Law {
    LogLinear,
    Linear,
    Unknown,
}

impl Law {
    fn word(self) -> &'static str {
        match self {
            Self::LogLinear => "log-linear",
            Self::Linear => "linear",
            Self::Unknown => "cannot tell",
        }
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
