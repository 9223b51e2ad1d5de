//! Hand-made separations with known laws, for the tests of the stages that follow the split.
//!
//! A pull is a list of phases; the slip of each interface is a law of time and true load. The course is the law plus noise
//! and one error common to the whole pull; the load cell indicates the true load times its gain.

use std::collections::BTreeMap;

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::{Interface, Limit, LimitFigure, LimitInputs, find};
use crate::caveat::Caveat;
use crate::condition::{Conditioned, InstrumentErrors, Signal};
use crate::ingest::GaugeKind;
use crate::phases::{Blocks, Phase, PhaseKind};
use crate::separate::{Between, Course, Part, PartName, Separated};
use crate::sheet::{Rule, Sheet};
use crate::stats::{Estimate, Measure};

/// Entries per second.
const RATE: f64 = 4.0;
/// Entries per block.
const PER_BLOCK: usize = 2;

/// Errors that a pull is made with.
#[derive(Clone, Copy)]
pub(crate) struct Errors {
    /// Noise of a block's slip, m.
    pub noise: f64,
    /// Standard deviation of the error of slip that the whole pull shares, as a share of the slip.
    pub common: f64,
    /// Half width of the cell's gain error.
    pub gain: f64,
    pub seed: u64,
}

impl Errors {
    pub(crate) const NONE: Self = Self {
        noise: 1e-6,
        common: 0.0,
        gain: 0.0,
        seed: 1,
    };
}

/// A pull in the making.
pub(crate) struct Pull {
    pub conditioned: Conditioned,
    pub phases: Vec<Phase>,
    pub separated: Separated,
    pub sheet: Sheet,
    /// True load of each entry, N.
    true_load: Vec<f64>,
    errors: Errors,
    random: ChaCha8Rng,
}

fn normal(random: &mut ChaCha8Rng) -> f64 {
    // Sum of twelve rectangulars: good to three standard deviations.
    (0..12).map(|_| random.random_range(-0.5..0.5)).sum()
}

pub(crate) fn sheet(limits: &str) -> Sheet {
    let text = format!(
        "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"load\"\nunit = \"kN\"\n{limits}"
    );
    toml::from_str(&text).unwrap()
}

impl Pull {
    /// Phases as (kind, seconds, load at the end in N), from 300 N on.
    pub(crate) fn new(schedule: &[(PhaseKind, f64, f64)], limits: &str, errors: Errors) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(errors.seed);
        let gain = 1.0 + errors.gain * random.random_range(-1.0..1.0);
        let (mut time, mut true_load, mut kinds) = (vec![], vec![], vec![]);
        let mut phases = Vec::new();
        let (mut start, mut from) = (0.0, 300.0);
        for (kind, seconds, to) in schedule {
            let first = time.len();
            let n = (seconds * RATE).round().max(1.0) as usize;
            for i in 0..n {
                let share = (i + 1) as f64 / n as f64;
                time.push(start + seconds * share);
                true_load.push(from + (to - from) * share);
                kinds.push(*kind);
            }
            phases.push(Phase {
                kind: *kind,
                first,
                end: time.len(),
                start_s: start,
                end_s: start + seconds,
                load_start_n: from * gain,
                load_end_n: to * gain,
            });
            start += seconds;
            from = *to;
        }
        let load: Vec<f64> = true_load.iter().map(|l| l * gain).collect();
        let mut blocks = Blocks::default();
        let mut highest = f64::NEG_INFINITY;
        for phase in &phases {
            let mut first = phase.first;
            while first < phase.end {
                let end = (first + PER_BLOCK).min(phase.end);
                let n = (end - first) as f64;
                let mean = load[first..end].iter().sum::<f64>() / n;
                highest = mean.max(highest);
                blocks.first.push(first);
                blocks.end.push(end);
                blocks.time_s.push(time[first..end].iter().sum::<f64>() / n);
                blocks.load_n.push(mean);
                blocks.grip_n.push(mean);
                blocks.highest_n.push(highest);
                blocks.highest_grip_n.push(highest);
                blocks.phase.push(phase.kind);
                first = end;
            }
        }
        let signal = Signal {
            kind: GaugeKind::Load,
            values: load,
            noise: 1.0,
            step: 0.0,
            errors: InstrumentErrors {
                gain: errors.gain,
                ..InstrumentErrors::default()
            },
            lag: None,
        };
        let conditioned = Conditioned {
            clock_known: true,
            slack_until: 0,
            time_s: time,
            rows_per_entry: 1,
            period_s: 1.0 / RATE,
            load: signal,
            gauges: vec![],
            readings: vec![],
            segments: vec![],
            load_zero: Estimate::cannot_tell(Measure::Force, "hand-made"),
            load_drift: Estimate::cannot_tell(Measure::Force, "hand-made"),
            zero_line: crate::condition::ZeroLine::default(),
        };
        let separated = Separated {
            parts: BTreeMap::new(),
            end_s: 0.0,
            support: vec![],
            closure: vec![],
            stretch_curve: None,
            blocks,
            between: Between::default(),
            travel_m: vec![],
        };
        Self {
            conditioned,
            phases,
            separated,
            sheet: sheet(limits),
            true_load,
            errors,
            random,
        }
    }

    /// True slip of each entry by a law of (time, true load, highest true load, slip so far, seconds per entry).
    pub(crate) fn law(&self, law: impl Fn(f64, f64, f64, f64, f64) -> f64) -> Vec<f64> {
        let (mut slip, mut highest) = (0.0, 0.0);
        let mut before = 0.0;
        self.conditioned
            .time_s
            .iter()
            .zip(&self.true_load)
            .map(|(t, load)| {
                highest = load.max(highest);
                slip = law(*t, *load, highest, slip, t - before);
                before = *t;
                slip
            })
            .collect()
    }

    fn means(&self, truth: &[f64]) -> Vec<f64> {
        let blocks = &self.separated.blocks;
        (0..blocks.len())
            .map(|i| {
                let range = blocks.first[i]..blocks.end[i];
                let n = range.len() as f64;
                truth[range].iter().sum::<f64>() / n
            })
            .collect()
    }

    /// Gives a part a course with noise and a common error.
    pub(crate) fn with(mut self, part: PartName, truth: &[f64]) -> Self {
        let common = 1.0 + self.errors.common * normal(&mut self.random);
        let noise = self.errors.noise;
        let value: Vec<f64> = self
            .means(truth)
            .iter()
            .map(|s| s * common + noise * normal(&mut self.random))
            .collect();
        let half = |v: &f64| 1.959_964 * noise.hypot(self.errors.common * v);
        let course = Course {
            low: value.iter().map(|v| v - half(v)).collect(),
            high: value.iter().map(|v| v + half(v)).collect(),
            at_readings: false,
            noise: vec![noise; value.len()],
            value: Some(value),
        };
        self.put(part, Some(course), None);
        self
    }

    /// Gives a part a bracket.
    pub(crate) fn with_bracket(mut self, part: PartName, low: &[f64], high: &[f64]) -> Self {
        let course = Course {
            value: None,
            low: self.means(low),
            high: self.means(high),
            at_readings: false,
            noise: vec![self.errors.noise; self.separated.blocks.len()],
        };
        self.put(part, Some(course), None);
        self
    }

    pub(crate) fn without(mut self, part: PartName, reason: &str) -> Self {
        self.put(part, None, Some(reason));
        self
    }

    fn put(&mut self, part: PartName, course: Option<Course>, reason: Option<&str>) {
        let end = Estimate::cannot_tell(Measure::Length, reason.unwrap_or("hand-made"));
        self.separated.parts.insert(
            part,
            Part {
                at_proof: end.clone(),
                end,
                budget: vec![],
                course,
            },
        );
    }

    /// Adds a gauge to the record.
    pub(crate) fn with_gauge(mut self, kind: GaugeKind, values: Vec<f64>, noise: f64) -> Self {
        self.conditioned.gauges.push(Signal {
            kind,
            values,
            noise,
            step: 0.0,
            errors: InstrumentErrors::default(),
            lag: None,
        });
        self
    }

    pub(crate) fn inputs(&self) -> LimitInputs<'_> {
        LimitInputs::new(
            &self.conditioned,
            &self.phases,
            &self.separated,
            &self.sheet,
        )
    }

    pub(crate) fn find(&self) -> (Limit, Vec<Caveat>) {
        find(&self.inputs())
    }

    pub(crate) fn figure(&self, rule: Rule, interface: Interface) -> LimitFigure {
        let (limit, _) = self.find();
        limit
            .figures
            .into_iter()
            .find(|f| f.rule == rule && f.interface == interface)
            .unwrap()
    }
}

/// A ramp from 300 N to `top` at 100 N/s after a dwell.
pub(crate) fn ramp(top: f64) -> Vec<(PhaseKind, f64, f64)> {
    vec![
        (PhaseKind::Reference, 10.0, 300.0),
        (PhaseKind::Ramp, (top - 300.0) / 100.0, top),
    ]
}

/// Stepped holds of `seconds` at these loads.
pub(crate) fn steps(loads: &[f64], seconds: f64) -> Vec<(PhaseKind, f64, f64)> {
    let mut list = vec![(PhaseKind::Reference, 10.0, 300.0)];
    let mut before = 300.0;
    for load in loads {
        list.push((PhaseKind::Ramp, (load - before) / 100.0, *load));
        list.push((PhaseKind::Hold, seconds, *load));
        before = *load;
    }
    list
}
