//! Draws of line and grips: what a kind leaves open, within orders of magnitude (common practice, no source).

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;

use super::kind::Kind;
use super::scenario::{Interface, Line, Set, SlipLaw, Stretch};
use crate::sheet::{BitterEnd, CoverAtEye};

/// The same law with a grip that loses what it would have gained, at half the pace; it lets go late, so that wear is
/// seen before it runs.
fn softening(law: SlipLaw) -> SlipLaw {
    match law {
        SlipLaw::Exponential {
            speed,
            load,
            scale,
            hardening,
        } => SlipLaw::Exponential {
            speed: 0.2 * speed,
            load: 1.1 * load,
            scale,
            hardening: -0.5 * hardening,
        },
        SlipLaw::Yield {
            yield_at,
            viscosity,
            hardening,
        } => SlipLaw::Yield {
            yield_at: 1.05 * yield_at,
            viscosity: 3.0 * viscosity,
            hardening: -0.5 * hardening,
        },
        other => other,
    }
}

/// Draws of line and grips.
pub(super) struct Draw {
    rng: ChaCha12Rng,
}

impl Draw {
    pub(super) fn new(kind: Kind, seed: u64) -> Self {
        let mut rng = ChaCha12Rng::seed_from_u64(seed);
        rng.set_stream(64 + kind as u64);
        Self { rng }
    }

    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.rng.random::<f64>()
    }

    pub(super) fn yes(&mut self) -> bool {
        self.rng.random::<f64>() < 0.5
    }

    pub(super) fn line(&mut self, hmpe: bool, proof: f64, kind: Kind) -> Line {
        let (ea, toe) = if hmpe {
            (
                self.between(350.0, 900.0) * 1e3,
                self.between(0.1e-2, 0.3e-2),
            )
        } else {
            (
                self.between(150.0, 280.0) * 1e3,
                self.between(0.3e-2, 0.8e-2),
            )
        };
        let free_length = libm::round(self.between(25.0, 60.0)) / 10.0;
        let retarded_share = self.between(0.05, 0.12);
        // Six elements from 2 s to an hour with uneven weights: an almost logarithmic creep.
        let times = [2.0, 9.0, 40.0, 180.0, 800.0, 3600.0];
        let weights: Vec<f64> = times.iter().map(|_| self.between(0.5, 1.5)).collect();
        let sum: f64 = weights.iter().sum();
        let set_share = if kind == Kind::PerfectStopper {
            self.between(0.5e-3, 1.5e-3)
        } else if hmpe {
            self.between(0.4e-3, 1.2e-3)
        } else {
            self.between(0.8e-3, 2.5e-3)
        };
        Line {
            free_length,
            tail_length: libm::round(self.between(8.0, 20.0)) / 10.0,
            tail_stores: 0.0,
            tail_stores_stated: true,
            cover_at_eye: CoverAtEye::Locked,
            bitter_end: BitterEnd::Free,
            stretch: Stretch {
                ea,
                toe,
                toe_load: self.between(0.06, 0.2) * proof,
                loop_share: self.between(0.02, 0.07),
                retarded: times
                    .iter()
                    .zip(&weights)
                    .map(|(t, w)| (*t, retarded_share * w / sum))
                    .collect(),
            },
            set: Set {
                at_reference: set_share * free_length + self.between(0.2e-3, 2e-3),
                reference: proof,
                power: self.between(0.6, 1.4),
                late: self.between(0.0, 0.3),
                late_time: self.between(60.0, 600.0),
                late_per_cycle: self.between(0.2, 1.0),
                past_load: 0.0,
                in_plain_line: self.between(0.5, 0.9),
            },
        }
    }

    /// One of the two laws, letting go at about `at` (N): some 1 mm/min there, slowing as it bites.
    fn law(&mut self, at: f64, slows: bool) -> SlipLaw {
        let hardening_length = self.between(3e-3, 8e-3);
        if self.yes() {
            let scale = at * self.between(0.05, 0.12);
            SlipLaw::Exponential {
                speed: 1e-3 / 60.0,
                load: at,
                scale,
                hardening: if slows { scale / hardening_length } else { 0.0 },
            }
        } else {
            let rise = at * self.between(0.05, 0.12);
            SlipLaw::Yield {
                yield_at: at,
                viscosity: rise / (self.between(3e-3, 8e-3) / 60.0),
                hardening: if slows { rise / hardening_length } else { 0.0 },
            }
        }
    }

    pub(super) fn stopper(&mut self, kind: Kind, proof: f64) -> Interface {
        let seating = self.between(0.3e-3, 1.2e-3);
        let seating_load = self.between(0.1, 0.3) * proof;
        let at = proof * self.between(0.7, 0.95);
        let (slide, scatter) = (self.between(0.88, 0.96), self.between(0.0, 0.03));
        let law = match kind {
            Kind::StopperSlip
            | Kind::Both
            | Kind::CameraMarks
            | Kind::TravelOnly
            | Kind::LockedHold
            | Kind::DriftAndLag
            | Kind::Disturbed
            | Kind::NoCoreGauge
            | Kind::HandNoted
            | Kind::HandWinched
            | Kind::Transfer
            | Kind::StoringTail => self.law(at, true),
            // Half of them let go beyond the top load: the allowance is then not reached.
            Kind::SteppedHolds => {
                let beyond = if self.yes() { 1.45 } else { 1.0 };
                self.law(beyond * at, false)
            }
            Kind::SingleRamp => self.law(0.8 * at, false),
            Kind::Wearing => softening(self.law(at, true)),
            Kind::StickSlip => {
                let stick = proof * self.between(0.5, 0.7);
                SlipLaw::StickSlip {
                    stick,
                    slide: stick * slide,
                    scatter,
                    growth: 0.1,
                }
            }
            // Sharp: it runs at the ram's speed a few per cent above the load at which it lets go.
            Kind::RunOut if self.yes() => SlipLaw::Yield {
                yield_at: 0.95 * at,
                viscosity: at * self.between(0.01, 0.05) / 8e-3,
                hardening: 0.0,
            },
            Kind::RunOut => SlipLaw::Exponential {
                speed: 1e-3 / 60.0,
                load: 0.85 * at,
                scale: at * self.between(0.05, 0.08),
                hardening: -at * 0.1 / self.between(5e-3, 15e-3),
            },
            Kind::Halyard | Kind::PerfectStopper | Kind::CoreSlip | Kind::ReturningCover => {
                SlipLaw::None
            }
        };
        let holds_perfectly = matches!(kind, Kind::Halyard | Kind::PerfectStopper);
        Interface {
            seating: if holds_perfectly { 0.0 } else { seating },
            seating_load,
            law,
            returns: 0.0,
        }
    }

    pub(super) fn cover(&mut self, kind: Kind, proof: f64) -> Interface {
        let at = proof * self.between(0.7, 0.95);
        let returns = self.between(0.05, 0.2);
        match kind {
            Kind::CoreSlip
            | Kind::Both
            | Kind::CameraMarks
            | Kind::DriftAndLag
            | Kind::Disturbed
            | Kind::StoringTail
            | Kind::NoCoreGauge
            | Kind::LockedHold
            | Kind::HandWinched => Interface {
                law: self.law(at, true),
                ..Interface::holds()
            },
            Kind::ReturningCover => Interface {
                law: self.law(at, true),
                returns,
                ..Interface::holds()
            },
            _ => Interface::holds(),
        }
    }
}
