//! Well-known troubles of a line in a stopper, each drawn anew per seed.
//!
//! A kind fixes what happens and which gauges watch; fibre, lengths, laws and loads are drawn within the ranges below
//! (orders of magnitude, common practice, no source).

use super::draw::Draw;
use super::scenario::{Asked, Instruments, Interface, Mount, Rig, Scenario, Step, Words};
use crate::ingest::GaugeKind;
use crate::sheet::CoverAtEye;

/// Quality of the instruments.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// 20 Hz, 0.03 mm and 0.01 kN of noise.
    Good,
    /// 10 Hz, 0.25 mm of noise in steps of 0.5 mm, 0.05 kN.
    Coarse,
}

macro_rules! kinds {
    ($($(#[doc = $doc:literal])+ $variant:ident = $name:literal),+ $(,)?) => {
        /// What happens in a simulated pull.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        pub enum Kind {
            $($(#[doc = $doc])+ $variant),+
        }

        impl Kind {
            /// Every kind.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The name used on the command line and for fixtures.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name),+ }
            }

            /// What happens, in one sentence.
            #[must_use]
            pub fn story(self) -> &'static str {
                match self { $(Self::$variant => concat!($($doc),+).trim_ascii()),+ }
            }
        }
    };
}

kinds! {
    /// A double-braid polyester halyard that mostly stretches; nothing slips.
    Halyard = "halyard",
    /// The core of an HMPE line slips in its cover.
    CoreSlip = "core-slip",
    /// The whole line slips through the stopper.
    StopperSlip = "stopper-slip",
    /// Core in cover and line in stopper slip in one pull.
    Both = "both",
    /// Only load and travel are logged, with unloading cycles.
    TravelOnly = "travel-only",
    /// The line sticks and jumps in the stopper.
    StickSlip = "stick-slip",
    /// The winch is locked in the holds: travel is kept and the load relaxes.
    LockedHold = "locked-hold",
    /// The cell drifts and the displacement gauges lag behind the load.
    DriftAndLag = "drift-and-lag",
    /// Locked eye, giving jaws, soft mount, uncertain mark and gauges with gain errors.
    Disturbed = "disturbed",
    /// The tail swallows 6 mm of core slip before the core end moves.
    StoringTail = "storing-tail",
    /// Travel, mark and body only; the load is repeated in cycles.
    NoCoreGauge = "no-core-gauge",
    /// Three metres of polyester creep in long holds while the stopper holds.
    PerfectStopper = "perfect-stopper",
    /// The line runs through the stopper until the operator lets go.
    RunOut = "run-out",
    /// Twelve rows read by eye and written down.
    HandNoted = "hand-noted",
    /// The cover is locked at the eye and part of its slip goes back on unloading.
    ReturningCover = "returning-cover",
    /// Winched by hand in strokes.
    HandWinched = "hand-winched",
    /// The winch on the tail is eased and the stopper takes the load.
    Transfer = "transfer",
    /// Many stepped holds without hardening: the rate in a hold follows the load alone.
    SteppedHolds = "stepped-holds",
    /// Load and travel are logged; a camera reads the cover mark and the core end when each hold ends.
    CameraMarks = "camera-marks",
    /// The same load is held again and again while the grip is polished away: each hold slides more, the last may run.
    Wearing = "wearing",
    /// One long ramp to the top after a little bedding: first slip shows at the rate of the ramp alone.
    SingleRamp = "single-ramp",
}

impl Kind {
    /// The kind of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|k| k.name() == name)
    }

    /// Draws a scenario of this kind.
    #[must_use]
    pub fn scenario(self, grade: Grade, seed: u64) -> Scenario {
        let mut draw = Draw::new(self, seed);
        let hmpe = match self {
            Self::Halyard | Self::PerfectStopper => false,
            Self::CoreSlip | Self::Disturbed | Self::StoringTail | Self::ReturningCover => true,
            _ => draw.yes(),
        };
        let proof = libm::round(draw.between(35.0, 60.0)) * 100.0;
        let line = draw.line(hmpe, proof, self);
        let mut s = Scenario {
            name: self.name().into(),
            line,
            stopper: draw.stopper(self, proof),
            cover: draw.cover(self, proof),
            splice: Interface::holds(),
            mount: Mount {
                stiffness: draw.between(8.0, 30.0) * 1e6,
                jaw_give_stated: 0.2e-3,
                jaw_load: draw.between(0.5, 2.0) * 1e3,
                jaw_on_tail: draw.between(0.0, 1.0),
            },
            rig: Rig {
                // Fast enough for the softest toe at the fastest ramp, so that the load follows what is asked.
                top_speed: 40e-3,
                recovery: 600.0,
                ripple: 2.0,
                stop_after_slip: 0.12,
                tail_load: 0.0,
            },
            schedule: self.schedule(&mut draw, proof),
            instruments: self.instruments(grade),
            asked: Asked {
                pretension: PRETENSION,
                proof,
                hold: 45.0,
                stopper_slip: 5e-3,
                cover_slip: 5e-3,
                rate: Some(1e-3 / 60.0),
                creep: None,
                aboard_length: libm::round(draw.between(8.0, 22.0)),
                aboard_load: libm::round(proof / 1.25 / 100.0) * 100.0,
            },
            words: words(self, hmpe, proof),
        };
        self.particulars(&mut s);
        s
    }

    /// What sets the kind apart beyond its interfaces.
    fn particulars(self, s: &mut Scenario) {
        match self {
            Self::Disturbed => {
                s.line.cover_at_eye = CoverAtEye::Locked;
                s.mount.jaw_give_stated = 1.5e-3;
                s.mount.stiffness = 3e6;
                for g in &mut s.instruments.gauges {
                    if !g.kind.is_force() {
                        g.gain = 5e-3;
                    }
                    if g.kind == GaugeKind::Mark {
                        g.distance_u = 2e-3;
                    }
                }
            }
            Self::DriftAndLag => {
                for g in &mut s.instruments.gauges {
                    if g.kind.is_force() {
                        g.drift = 50.0;
                    } else {
                        g.drift = 0.1e-3;
                        g.lag = 0.3;
                    }
                }
            }
            Self::RunOut => s.rig.top_speed = 8e-3,
            Self::StoringTail => {
                s.line.tail_stores = 6e-3;
                s.line.tail_stores_stated = false;
            }
            Self::Transfer => {
                s.rig.tail_load = 1e6;
            }
            Self::CameraMarks => {
                for g in &mut s.instruments.gauges {
                    if matches!(g.kind, GaugeKind::Mark | GaugeKind::Core) {
                        g.by_camera = true;
                        (g.noise, g.step, g.gain) = (0.15e-3, 0.1e-3, 0.0);
                    }
                }
            }
            Self::HandNoted => {
                s.instruments.logger.by_hand = Some(12);
                s.instruments.logger.jitter = 0.0;
                for g in &mut s.instruments.gauges {
                    if g.kind.is_force() {
                        (g.noise, g.step) = (20.0, 50.0);
                    } else {
                        (g.noise, g.step) = (0.2e-3, 0.5e-3);
                    }
                }
            }
            Self::PerfectStopper => {
                s.line.free_length = 3.0;
                s.asked.creep = Some(1e-3);
                s.asked.rate = None;
                s.asked.hold = 600.0;
            }
            _ => {}
        }
    }

    fn instruments(self, grade: Grade) -> Instruments {
        use GaugeKind::{Body, Core, Load, Mark, Tail, TailLoad, Travel};
        let gauges: &[GaugeKind] = match self {
            Self::TravelOnly => &[Load, Travel],
            Self::NoCoreGauge => &[Load, Travel, Mark, Body],
            Self::CameraMarks => &[Load, Travel, Mark, Core],
            Self::HandNoted => &[Load, Travel, Mark],
            Self::Transfer => &[Load, Travel, Mark, Tail, Body, Core, TailLoad],
            _ => &[Load, Travel, Mark, Body, Core],
        };
        let mut i = match grade {
            Grade::Good => Instruments::good(gauges),
            Grade::Coarse => Instruments::coarse(gauges),
        };
        i.logger.jitter = 0.002;
        i.logger.dropped = 0.002;
        for g in &mut i.gauges {
            if g.kind.is_force() {
                (g.gain, g.zero, g.drift) = (5e-3, 20.0, 5.0);
            } else {
                g.gain = 1e-3;
            }
            if g.kind == GaugeKind::Mark {
                g.distance_u = 1e-3;
            }
        }
        i
    }

    fn schedule(self, draw: &mut Draw, proof: f64) -> Vec<Step> {
        // A slow ram runs after a line that lets go: it must not lag on the ramp already.
        let slow = if self == Self::RunOut { 0.25 } else { 1.0 };
        let rate = draw.between(0.1, 0.4) * slow * 1e3;
        let speed = draw.between(0.5, 2.0) * 1e-3;
        let top = 1.03 * proof;
        let hold = |seconds| Step::Hold { seconds };
        let ramp = |to, rate| Step::Ramp { to, rate };
        let slack = Step::Slack {
            seconds: 5.0,
            slack: 0.01,
        };
        let mut s = vec![slack, ramp(PRETENSION, 100.0), hold(15.0)];
        let down = ramp(PRETENSION, 600.0);
        let cycle = |s: &mut Vec<Step>, to: f64, held: f64, rest: f64| {
            s.extend([ramp(to, rate), hold(held), down, hold(rest)]);
        };
        match self {
            Self::PerfectStopper => {
                cycle(&mut s, 0.5 * proof, 120.0, 30.0);
                cycle(&mut s, top, 610.0, 300.0);
            }
            Self::NoCoreGauge => {
                for _ in 0..2 {
                    cycle(&mut s, 0.6 * top, 15.0, 10.0);
                }
                for _ in 0..4 {
                    cycle(&mut s, top, 20.0, 10.0);
                }
                cycle(&mut s, top, 45.0, 40.0);
            }
            Self::LockedHold | Self::HandWinched => {
                for share in [0.4, 0.65, 0.85, 1.0] {
                    let to = share * top;
                    let held = if share < 1.0 { 25.0 } else { 45.0 };
                    if self == Self::LockedHold {
                        s.extend([Step::Pull { to, speed }, Step::Lock { seconds: held }]);
                    } else {
                        let (stroke, period) = (speed * 1.5, 1.5);
                        s.extend([
                            Step::Winch { to, stroke, period },
                            Step::Lock { seconds: held },
                        ]);
                    }
                    s.extend([down, hold(if share < 1.0 { 12.0 } else { 45.0 })]);
                }
            }
            Self::Transfer => {
                s.extend([
                    ramp(0.8 * proof, rate),
                    Step::Lock { seconds: 10.0 },
                    Step::Ease { seconds: 2.0 },
                    Step::Lock { seconds: 600.0 },
                    down,
                    hold(60.0),
                ]);
            }
            Self::SteppedHolds => {
                for k in 0..8 {
                    s.extend([
                        ramp((0.5 + 0.53 * f64::from(k) / 7.0) * proof, rate),
                        hold(40.0),
                    ]);
                }
                s.extend([down, hold(40.0)]);
            }
            Self::SingleRamp => {
                for _ in 0..2 {
                    cycle(&mut s, 0.3 * proof, 3.0, 8.0);
                }
                cycle(&mut s, top, 5.0, 45.0);
            }
            Self::Wearing => {
                for _ in 0..6 {
                    cycle(&mut s, top, 40.0, 15.0);
                }
            }
            Self::HandNoted => {
                for (share, rest) in [(0.4, 45.0), (0.7, 45.0), (1.0, 30.0)] {
                    cycle(&mut s, share * top, 60.0, rest);
                }
            }
            _ => {
                for _ in 0..2 {
                    cycle(&mut s, 0.5 * top, 3.0, 8.0);
                }
                for share in [0.7, 0.85] {
                    cycle(&mut s, share * top, 25.0, 12.0);
                }
                cycle(&mut s, top, 45.0, 45.0);
            }
        }
        s.extend([ramp(0.0, 100.0), slack]);
        s
    }
}

/// Load of the first dwell, N.
const PRETENSION: f64 = 300.0;

fn words(kind: Kind, hmpe: bool, proof: f64) -> Words {
    Words {
        story: kind.story(),
        core: if hmpe { "HMPE" } else { "polyester" },
        cover: "polyester",
        diameter: if hmpe { 8e-3 } else { 10e-3 },
        break_load: libm::round(proof * if hmpe { 8.0 } else { 5.0 } / 1e3) * 1e3,
        grip: if hmpe { "jaws" } else { "cam" },
    }
}
