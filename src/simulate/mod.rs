//! A line in a stopper, with its truth: pull folders for fixtures, demo and tests.
//!
//! A [`Scenario`](crate::simulate::Scenario) writes out line, grips, rig, schedule and instruments; [`run`](crate::simulate::run) marches it in time and returns what
//! the gauges show beside what really happened. [`Kind`](crate::simulate::Kind) draws scenarios of well-known troubles, [`pull`](crate::simulate::pull) writes one as
//! a pull folder. The estimator shares no code with this: its stretch basis, its set and its slips are not made here.
//!
//! Sources: the parts and their balance are common practice, no source; toe and stiffness ranges and retarded shares
//! are the orders of magnitude published for double braids (from memory), and nothing is fitted to a real line.

mod draw;
mod folder;
mod forms;
mod gauges;
mod kind;
mod limits;
mod line;
mod march;
mod memory;
mod scenario;
mod sheet_text;
mod slip;
#[cfg(test)]
mod tests;
mod truth;

use std::ops::Range;

pub use folder::{PullFolder, folder, pull};
pub use forms::{Form, forms};
pub use gauges::{Draws, GaugeDraw};
pub use kind::{Grade, Kind};
pub use limits::{FIRST_SLIP, HoldTruth, InterfaceTruth, Jumps, LimitTruth, Running, TrueLoad};
pub use march::Jump;
pub use scenario::{
    Asked, GaugeSpec, Instruments, Interface, Line, Logger, Mount, Rig, Scenario, Set, SlipLaw,
    Step, Stretch, Words,
};
pub use sheet_text::sheet_text;

use crate::ingest::GaugeKind;

/// A simulated pull.
#[derive(Debug, Clone, PartialEq)]
pub struct Simulated {
    /// What was simulated.
    pub scenario: Scenario,
    /// The seed.
    pub seed: u64,
    /// The systematic errors that this pull drew.
    pub draws: Draws,
    /// Time of each row, s.
    pub time_s: Vec<f64>,
    /// What the gauges show, in the order of the scenario; SI, rounded to the step of the gauge.
    pub channels: Vec<Indicated>,
    /// What was read by camera at the end of holds, in order of time.
    pub readings: Vec<Reading>,
    /// What really happened.
    pub truth: Truth,
    /// The true limits.
    pub limits: LimitTruth,
}

/// One channel as the log shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct Indicated {
    /// What it watches.
    pub kind: GaugeKind,
    /// One value per row, SI.
    pub values: Vec<f64>,
}

/// One reading by rule or camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// s
    pub time_s: f64,
    /// What was read.
    pub kind: GaugeKind,
    /// m
    pub value_m: f64,
}

/// Names of the true parts, as [`Truth::part`] takes them: those of the analysis.
pub const TRUE_PARTS: &[&str] = &[
    "stretch",
    "set",
    "stopper_slip",
    "cover_slip",
    "give",
    "set_and_cover_slip",
    "not_recovered",
];

/// The truth per row of the log, m and N. Every part of the travel is zero in the mean over the first dwell.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Truth {
    /// True load.
    pub load: Vec<f64>,
    /// Load that the winch keeps in the tail.
    pub tail_load: Vec<f64>,
    /// Travel P.
    pub travel: Vec<f64>,
    /// Stretch S.
    pub stretch: Vec<f64>,
    /// Set D.
    pub set: Vec<f64>,
    /// Seating, the first part of the stopper slip.
    pub seating: Vec<f64>,
    /// Stopper slip Q, seating included.
    pub stopper_slip: Vec<f64>,
    /// Cover slip C.
    pub cover_slip: Vec<f64>,
    /// Splice slip W.
    pub splice_slip: Vec<f64>,
    /// Give of the mount B.
    pub body: Vec<f64>,
    /// Give of the jaws J.
    pub jaws: Vec<f64>,
    /// Core draw-in K.
    pub draw_in: Vec<f64>,
    /// Index of the step in the schedule; one past the last after the operator let go early.
    pub step: Vec<usize>,
    /// Rows of the first dwell.
    pub reference: Range<usize>,
    /// First row at which the noise-free indicated load (the cell's gain in it, its zero not) reaches the proof load.
    pub at_proof: Option<usize>,
    /// The end that figures are compared at: the last row of the last hold or rest, before the line goes slack (there
    /// the travel holds slack, which is no part of the balance); where the line ran out, the row of `ran_out`.
    pub end: usize,
    /// Row at which the operator let go because the line ran.
    pub ran_out: Option<usize>,
    /// Jumps of stick-slip.
    pub jumps: Vec<Jump>,
    /// Mean absolute load of the first dwell, N.
    pub dwell_load: f64,
}

impl Truth {
    /// A part by its name in the analysis, m; zero for a name that is none.
    ///
    /// `set_and_cover_slip` is D + C, `not_recovered` D + Q + C + W, `give` B + J. What a loop or a late recovery leaves
    /// of the stretch at the end of a record stays in `stretch`.
    #[must_use]
    pub fn part(&self, name: &str, row: usize) -> f64 {
        match name {
            "stretch" => at(&self.stretch, row),
            "set" => at(&self.set, row),
            "stopper_slip" => at(&self.stopper_slip, row),
            "cover_slip" => at(&self.cover_slip, row),
            "give" => self.give(row),
            "set_and_cover_slip" => self.set_and_cover_slip(row),
            "not_recovered" => self.not_recovered(row),
            _ => 0.0,
        }
    }

    /// Set and cover slip together, D + C.
    #[must_use]
    pub fn set_and_cover_slip(&self, row: usize) -> f64 {
        at(&self.set, row) + at(&self.cover_slip, row)
    }

    /// Set and every slip, D + C + Q + W.
    #[must_use]
    pub fn not_recovered(&self, row: usize) -> f64 {
        self.set_and_cover_slip(row) + at(&self.stopper_slip, row) + at(&self.splice_slip, row)
    }

    /// Give of mount and jaws, B + J.
    #[must_use]
    pub fn give(&self, row: usize) -> f64 {
        at(&self.body, row) + at(&self.jaws, row)
    }
}

fn at(values: &[f64], row: usize) -> f64 {
    values.get(row).copied().unwrap_or(0.0)
}

/// Simulates one pull: draws the instruments' errors for `seed`, marches, reads the gauges.
///
/// The same scenario and seed give the same pull. A pull of ten minutes takes a few milliseconds in load control and
/// some tens in travel control.
#[must_use]
pub fn run(scenario: &Scenario, seed: u64) -> Simulated {
    run_with(scenario, Draws::new(scenario, seed), seed)
}

/// Like [`run`], with the systematic errors given.
#[must_use]
pub fn run_with(scenario: &Scenario, draws: Draws, seed: u64) -> Simulated {
    // Fine enough that a ramp of 1 kN/s moves by 50 N at most per step; rows interpolate between.
    let dt = 0.05_f64.min(1.0 / scenario.instruments.logger.rate);
    let course = march::march(scenario, draws.jaw_give_m, dt, seed);
    let time_s = gauges::row_times(scenario, &course.instants, seed);
    let fitted = || scenario.instruments.gauges.iter().zip(&draws.gauges);
    let channels = fitted()
        .filter(|(spec, _)| !spec.by_camera)
        .map(|(spec, draw)| Indicated {
            kind: spec.kind,
            values: gauges::indicate(scenario, spec, draw, &course.instants, &time_s, seed),
        })
        .collect();
    let read_at = gauges::reading_times(scenario, &course.instants);
    let mut readings: Vec<Reading> = fitted()
        .filter(|(spec, _)| spec.by_camera)
        .flat_map(|(spec, draw)| {
            gauges::indicate(scenario, spec, draw, &course.instants, &read_at, seed)
                .into_iter()
                .zip(&read_at)
                .map(|(value_m, &time_s)| Reading {
                    time_s,
                    kind: spec.kind,
                    value_m,
                })
                .collect::<Vec<_>>()
        })
        .collect();
    readings.sort_by(|a, b| a.time_s.total_cmp(&b.time_s).then(a.kind.cmp(&b.kind)));
    let truth = truth::truth(scenario, &draws, &course, &time_s);
    let limits = limits::limits(scenario, &draws, &course);
    Simulated {
        scenario: scenario.clone(),
        seed,
        draws,
        time_s,
        channels,
        readings,
        truth,
        limits,
    }
}
