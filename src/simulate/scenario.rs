//! Everything that makes up a simulated pull, written out: line, grips, rig, schedule, instruments.
//!
//! All values SI (N, m, s) unless a field says otherwise. Nothing here is random: [`super::kind`] draws a scenario,
//! [`super::run`] draws the errors of its instruments within what its sheet states.

use serde::Serialize;

use crate::ingest::GaugeKind;
use crate::sheet::{Against, BitterEnd, CoverAtEye};

/// A pull: what is pulled, what holds it, how, and what watches.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scenario {
    /// Name of the kind, such as `halyard`.
    pub name: String,
    /// The line.
    pub line: Line,
    /// Line in the stopper.
    pub stopper: Interface,
    /// Core in the cover.
    pub cover: Interface,
    /// Splice, slipping before the travel point; only seen when travel is read beyond it.
    pub splice: Interface,
    /// Mount and jaws.
    pub mount: Mount,
    /// The rig that pulls.
    pub rig: Rig,
    /// What is done, in order. The first [`Step::Hold`] is the first dwell: every part is zero there.
    pub schedule: Vec<Step>,
    /// What watches.
    pub instruments: Instruments,
    /// What the sheet asks for.
    pub asked: Asked,
    /// What the sheet says about line and stopper in words.
    pub words: Words,
}

/// The line between mouth and travel point, and its tail.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// Free length L from the mouth to the travel point, m.
    pub free_length: f64,
    /// Tail behind the stopper, m.
    pub tail_length: f64,
    /// Core slip that the tail swallows before the core end moves, m.
    pub tail_stores: f64,
    /// True where the sheet states `tail_stores`.
    pub tail_stores_stated: bool,
    /// The cover at the eye.
    pub cover_at_eye: CoverAtEye,
    /// The bitter end.
    pub bitter_end: BitterEnd,
    /// Stretch.
    pub stretch: Stretch,
    /// Bedding set.
    pub set: Set,
}

/// Stretch: strain = F/EA + toe·(1 − exp(−F/toe_load)), a loop, and a retarded part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stretch {
    /// Stiffness EA beyond the toe, N.
    pub ea: f64,
    /// Strain that the soft toe adds.
    pub toe: f64,
    /// Load scale of the toe, N.
    pub toe_load: f64,
    /// Half height of the loop: bump of a branch at its middle over (span of the branch / EA).
    pub loop_share: f64,
    /// Retarded elements: (time constant in s, share of the instant strain it adds in the end).
    pub retarded: Vec<(f64, f64)>,
}

/// Set: D(F) = at_reference·(F/reference)^power for the highest load so far, part of it late.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Set {
    /// Set when the highest load is `reference`, m, late part included.
    pub at_reference: f64,
    /// Load it is stated for, N.
    pub reference: f64,
    /// Power of the load.
    pub power: f64,
    /// Share that arrives late, 0 to 0.3.
    pub late: f64,
    /// Time constant of the late part while held at the highest load, s.
    pub late_time: f64,
    /// Advance of the late part per climb from nothing to the highest load: 1 − exp(−late_per_cycle) of what is left.
    pub late_per_cycle: f64,
    /// Highest load before this pull, N: no set below it.
    pub past_load: f64,
    /// Share of the set that lies in plain line (a span gauge sees it); the rest is in the splice.
    pub in_plain_line: f64,
}

/// A place where something slides.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Interface {
    /// Seating (stopper) or slack of an unmilked cover (cover), m: comes with the highest load, never goes back.
    pub seating: f64,
    /// Load scale of it, N.
    pub seating_load: f64,
    /// Progressive slip.
    pub law: SlipLaw,
    /// Share of the slip that goes back on unloading (a cover locked at the eye), 0 for a stopper.
    pub returns: f64,
}

/// Progressive slip against load. Never backwards.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub enum SlipLaw {
    /// Holds.
    None,
    /// v = (F − yield_at − hardening·q)/viscosity above zero.
    Yield {
        /// Load at which it starts, N.
        yield_at: f64,
        /// N·s/m.
        viscosity: f64,
        /// N/m; negative: the grip is polished away.
        hardening: f64,
    },
    /// v = speed·exp((F − load − hardening·q)/scale).
    Exponential {
        /// Speed at `load`, m/s.
        speed: f64,
        /// N.
        load: f64,
        /// N.
        scale: f64,
        /// N/m; negative: the grip is polished away.
        hardening: f64,
    },
    /// Sticks up to `stick`, then jumps: the load falls by 2·(stick − slide) at standing travel.
    StickSlip {
        /// Static friction, N.
        stick: f64,
        /// Kinetic friction, N.
        slide: f64,
        /// Scatter of the static friction from jump to jump, share (standard deviation).
        scatter: f64,
        /// Growth of both frictions with each jump, share: the jaws bite deeper.
        growth: f64,
    },
}

/// Reversible give.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Mount {
    /// Stiffness of the mount, N/m.
    pub stiffness: f64,
    /// Largest give of the jaws as the sheet states it, m; the true one is drawn between zero and this.
    pub jaw_give_stated: f64,
    /// Load scale of the jaws' give, N.
    pub jaw_load: f64,
    /// Share of the jaws' give that a tail mark shows.
    pub jaw_on_tail: f64,
}

/// The rig.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Rig {
    /// Top speed of the ram, m/s: a line that runs faster empties the load.
    pub top_speed: f64,
    /// How fast lost load is brought back in load control, N/s.
    pub recovery: f64,
    /// Ripple of the load in load control (standard deviation, N), correlated over a second.
    pub ripple: f64,
    /// The operator lets go when stopper or cover slip since the start exceeds this, m.
    pub stop_after_slip: f64,
    /// Load that the winch keeps in the tail until [`Step::Ease`], N.
    pub tail_load: f64,
}

/// One thing done.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub enum Step {
    /// Slack line, no load.
    Slack {
        /// s
        seconds: f64,
        /// Slack in the line, m.
        slack: f64,
    },
    /// Load control: to this load at this rate (N/s).
    Ramp {
        /// N
        to: f64,
        /// N/s
        rate: f64,
    },
    /// Load control: this load is kept (as far as the rig can).
    Hold {
        /// s
        seconds: f64,
    },
    /// Travel control: the ram moves until the load is reached.
    Pull {
        /// N
        to: f64,
        /// m/s
        speed: f64,
    },
    /// A hand winch: strokes with pauses until the load is reached.
    Winch {
        /// N
        to: f64,
        /// Line won per stroke, m.
        stroke: f64,
        /// Time per stroke, s; the handle moves in the first 40 % of it.
        period: f64,
    },
    /// The winch is locked: travel is kept.
    Lock {
        /// s
        seconds: f64,
    },
    /// The winch on the tail is eased with the travel kept: the stopper takes the load.
    Ease {
        /// s
        seconds: f64,
    },
}

/// What watches the pull.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Instruments {
    /// The clock of the log.
    pub logger: Logger,
    /// The gauges fitted; the load cell first.
    pub gauges: Vec<GaugeSpec>,
}

/// When rows are written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Logger {
    /// Rows per second.
    pub rate: f64,
    /// Standard deviation of a row's time around its place, s; the log states the true time.
    pub jitter: f64,
    /// Share of rows lost.
    pub dropped: f64,
    /// Written by hand: a row shortly before and after the end of each hold only, at most this many.
    pub by_hand: Option<usize>,
}

/// One gauge: what its sheet states, and its noise.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GaugeSpec {
    /// What it watches.
    pub kind: GaugeKind,
    /// Noise per row (standard deviation), N or m.
    pub noise: f64,
    /// Step of the reading, N or m.
    pub step: f64,
    /// Accuracy as a share of the reading, half width; the true error is drawn within it, rectangular.
    pub gain: f64,
    /// Zero error, half width, N or m (matters for the load; displacements count from the first dwell).
    pub zero: f64,
    /// Drift over the record, half width, N or m; the true one is linear in time.
    pub drift: f64,
    /// Largest delay behind the clock, s; the true one is drawn between zero and this. No sheet states it.
    pub lag: f64,
    /// Full scale: beyond it the reading clips. N or m.
    pub capacity: f64,
    /// Lower end of the range, N or m.
    pub floor: f64,
    /// Read against.
    pub against: Option<Against>,
    /// Mark: stated distance from the mouth; span: between the marks, m.
    pub distance: Option<f64>,
    /// Standard uncertainty of that distance, m; the true one is drawn from a normal law.
    pub distance_u: f64,
    /// Read by rule or camera at the end of each hold only, written to the marks file.
    pub by_camera: bool,
}

/// What the sheet asks.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Asked {
    /// Load of the first dwell, N.
    pub pretension: f64,
    /// Proof load, N.
    pub proof: f64,
    /// Time it must be held, s.
    pub hold: f64,
    /// Allowed stopper slip, m.
    pub stopper_slip: f64,
    /// Allowed cover slip, m.
    pub cover_slip: f64,
    /// Allowed rate in a hold, m/s.
    pub rate: Option<f64>,
    /// Allowed creep, m per decade.
    pub creep: Option<f64>,
    /// Length aboard, m.
    pub aboard_length: f64,
    /// Load aboard, N.
    pub aboard_load: f64,
}

/// What the sheet says in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Words {
    /// One sentence on the pull.
    pub story: &'static str,
    /// Fibre of the core.
    pub core: &'static str,
    /// Fibre of the cover.
    pub cover: &'static str,
    /// Diameter, m.
    pub diameter: f64,
    /// Break load, N.
    pub break_load: f64,
    /// `cam` or `jaws`.
    pub grip: &'static str,
}

impl Instruments {
    /// Good: 20 Hz, 0.03 mm and 0.01 kN of noise. All gauges of `kinds`, nothing disturbing them.
    #[must_use]
    pub fn good(kinds: &[GaugeKind]) -> Self {
        Self::like(kinds, 20.0, (0.03e-3, 0.01e-3), (10.0, 1.0))
    }

    /// Coarse: 10 Hz, 0.25 mm of noise in 0.5 mm steps, 0.05 kN.
    #[must_use]
    pub fn coarse(kinds: &[GaugeKind]) -> Self {
        Self::like(kinds, 10.0, (0.25e-3, 0.5e-3), (50.0, 10.0))
    }

    fn like(kinds: &[GaugeKind], rate: f64, length: (f64, f64), force: (f64, f64)) -> Self {
        let gauges = kinds
            .iter()
            .map(|&kind| {
                let (noise, step) = if kind.is_force() { force } else { length };
                GaugeSpec {
                    kind,
                    noise,
                    step,
                    gain: 0.0,
                    zero: 0.0,
                    drift: 0.0,
                    lag: 0.0,
                    capacity: if kind.is_force() { 20e3 } else { 0.5 },
                    floor: if kind.is_force() { -1e3 } else { -0.5 },
                    against: match kind {
                        GaugeKind::Core => Some(Against::CoverEnd),
                        GaugeKind::Tail => Some(Against::Stopper),
                        k if k.is_force() => None,
                        _ => Some(Against::Rig),
                    },
                    distance: match kind {
                        GaugeKind::Mark => Some(0.04),
                        GaugeKind::Span => Some(1.0),
                        _ => None,
                    },
                    distance_u: 0.0,
                    by_camera: false,
                }
            })
            .collect();
        Self {
            logger: Logger {
                rate,
                jitter: 0.0,
                dropped: 0.0,
                by_hand: None,
            },
            gauges,
        }
    }

    /// The gauge of this kind.
    #[must_use]
    pub fn gauge(&self, kind: GaugeKind) -> Option<&GaugeSpec> {
        self.gauges.iter().find(|g| g.kind == kind)
    }
}

impl Scenario {
    /// The same pull seen by instruments without systematic errors, and jaws that do not give.
    #[must_use]
    pub fn without_errors(mut self) -> Self {
        self.mount.jaw_give_stated = 0.0;
        for g in &mut self.instruments.gauges {
            (g.gain, g.zero, g.drift, g.lag, g.distance_u) = (0.0, 0.0, 0.0, 0.0, 0.0);
        }
        self
    }
}

impl Interface {
    /// Holds for ever.
    #[must_use]
    pub fn holds() -> Self {
        Self {
            seating: 0.0,
            seating_load: 1e3,
            law: SlipLaw::None,
            returns: 0.0,
        }
    }
}
