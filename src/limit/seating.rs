//! Seating: the first part of stopper slip, the jaws biting.
//!
//! It dies out with load before the progressive part starts, so it ends where slip against load is flattest within the
//! lower half of the loads, and only if slip per load has fallen there to a quarter of its mean before. Where a saturating law
//! `A·(1 − exp(−k·load))` fits up to there, its whole is the seating; else the level reached.

use super::LimitInputs;
use super::course::{Known, NOISE_FLOOR, Slip};
use crate::stats::curves::Approach;
use crate::stats::estimate::LEVEL;
use crate::stats::nonlinear::{self, Curve};
use crate::stats::{Estimate, Measure};

/// Least slip that can be called seating, m.
const SEATING_LEAST: f64 = 5e-5;
/// Seating has ended only where slip per load has fallen to this share of its mean before.
const SEATING_FLATTENS: f64 = 0.25;
/// Share of the highest load within which seating must end.
const SEATING_WITHIN: f64 = 0.5;
/// Bins of load in which the slope of slip is looked at.
const SEATING_BINS: usize = 20;

struct Seating {
    level: f64,
    error: f64,
    course: Vec<f64>,
}

impl Slip {
    pub(super) fn take_off_seating(&mut self) {
        if self.known == Known::Bracket {
            // Each end loses the seating that it shows itself.
            let taken = self.seating_of(&self.high);
            let low = self.seating_of(&self.low);
            if let Some(seating) = &taken {
                subtract(&mut self.high, &seating.course);
                subtract(&mut self.value, &seating.course);
            }
            if let Some(seating) = &low {
                subtract(&mut self.low, &seating.course);
            }
            self.seating = taken.map(|s| (s.level, s.error));
            return;
        }
        if let Some(seating) = self.seating_of(&self.value) {
            for list in [&mut self.value, &mut self.low, &mut self.high] {
                subtract(list, &seating.course);
            }
            self.seating = Some((seating.level, seating.error));
        }
    }

    fn seating_of(&self, list: &[f64]) -> Option<Seating> {
        let rising = self.rising(list);
        let top = self.top();
        let first = *self.highest.first()?;
        if self.never_loaded() {
            return None;
        }
        let edge = |j: usize| first + (top - first) * j as f64 / SEATING_BINS as f64;
        // Slip when the highest load passes each edge.
        let mut at_edge = Vec::with_capacity(SEATING_BINS + 1);
        for j in 0..=SEATING_BINS {
            let i = self.highest.partition_point(|h| *h <= edge(j)).max(1) - 1;
            at_edge.push(i);
        }
        let bins = (SEATING_WITHIN * SEATING_BINS as f64) as usize;
        let slope = |j: usize| rising[at_edge[j + 1]] - rising[at_edge[j]];
        let flattest = (0..=bins).map(slope).fold(f64::INFINITY, f64::min);
        let noise = self.noise.iter().copied().fold(0.0, f64::max);
        let end = (0..=bins).find(|j| slope(*j) <= flattest + 2.0 * noise)?;
        let level = rising[at_edge[end]] - rising[0];
        let error = self.noise[at_edge[end]].max(NOISE_FLOOR);
        if end == 0
            || level < SEATING_LEAST.max(3.0 * error)
            || slope(end) > SEATING_FLATTENS * level / end as f64
        {
            return None;
        }
        Some(self.seating_law(&rising, at_edge[end], level, error))
    }

    /// Seating as `A·(1 − exp(−k·(load − first)))` where that fits, else the level reached at its end.
    fn seating_law(&self, rising: &[f64], end: usize, level: f64, error: f64) -> Seating {
        let first = self.highest[0];
        let x: Vec<f64> = self.highest[..=end].iter().map(|h| h - first).collect();
        let y: Vec<f64> = rising[..=end].iter().map(|s| s - rising[0]).collect();
        let reach = x.last().copied().unwrap_or(1.0).max(1.0);
        let fit = nonlinear::fit(&Approach, &x, &y, None, &[level, 3.0 / reach]);
        if let Ok(fit) = fit
            && fit.parameters[0] >= 0.8 * level
            && fit.parameters[0] <= 1.3 * level
            && fit.parameters[1] > 0.0
            && fit.residual_sd() <= (0.1 * level).max(3.0 * error)
        {
            let mut unused = [0.0; 2];
            let course = self
                .highest
                .iter()
                .map(|h| Approach.value(h - first, &fit.parameters, &mut unused))
                .collect();
            return Seating {
                level: fit.parameters[0],
                error: fit.standard_error(0).hypot(error),
                course,
            };
        }
        let course = (0..rising.len())
            .map(|i| (rising[i] - rising[0]).min(level))
            .collect();
        Seating {
            level,
            error,
            course,
        }
    }
}

fn subtract(list: &mut [f64], course: &[f64]) {
    for (value, seating) in list.iter_mut().zip(course) {
        *value -= seating;
    }
}

/// Seating as a figure.
pub(super) fn estimate(inputs: &LimitInputs, slip: &Slip) -> Estimate {
    if let Some(reason) = &slip.absent {
        return Estimate::cannot_tell(Measure::Length, reason.clone());
    }
    if slip.known == Known::AtMost {
        return Estimate::cannot_tell(
            Measure::Length,
            "stopper slip is not measured: a mark on the cover or on the tail would show seating",
        );
    }
    let gain = inputs
        .conditioned
        .gauges
        .iter()
        .map(|g| g.errors.gain)
        .fold(0.0, f64::max);
    let method = "flattest part of slip against load below half the highest load";
    let noise = slip.noise.iter().copied().fold(NOISE_FLOOR, f64::max);
    let Some((level, error)) = slip.seating else {
        let high = SEATING_LEAST.max(3.0 * noise);
        return Estimate::at_most(Measure::Length, 0.0, high / 3.0, high, method);
    };
    let half = crate::stats::coverage::half_width(error, &[gain * level], LEVEL);
    let standard = error.hypot(gain * level / 3f64.sqrt());
    Estimate::measured(
        Measure::Length,
        level,
        standard,
        (level - half).max(0.0),
        level + half,
        method,
    )
}
