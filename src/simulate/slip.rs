//! The places where something slides: seating, progressive slip by its law, jumps.

use super::scenario::{Interface, SlipLaw};

/// State of one interface.
#[derive(Debug, Clone)]
pub(super) struct SlipState<'a> {
    interface: &'a Interface,
    highest: f64,
    progressive: f64,
    /// Highest load while it slid, for the share that goes back.
    slid_at: f64,
    dt: f64,
    top_speed: f64,
    /// Static friction of the next jump, N (stick-slip only).
    pub(super) sticks_at: f64,
    /// Jumps so far.
    pub(super) jumps: u32,
}

/// Slip at one moment, m.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Slip {
    pub seating: f64,
    pub progressive: f64,
    /// What has gone back for the moment.
    pub returned: f64,
}

impl Slip {
    pub(super) fn total(self) -> f64 {
        self.seating + self.progressive - self.returned
    }
}

impl<'a> SlipState<'a> {
    pub(super) fn new(interface: &'a Interface, dt: f64, top_speed: f64) -> Self {
        let sticks_at = match interface.law {
            SlipLaw::StickSlip { stick, .. } => stick,
            _ => f64::INFINITY,
        };
        Self {
            interface,
            highest: 0.0,
            progressive: 0.0,
            slid_at: 0.0,
            dt,
            top_speed,
            sticks_at,
            jumps: 0,
        }
    }

    /// Slip after one time step under `load`.
    pub(super) fn trial(&self, load: f64) -> Slip {
        let highest = self.highest.max(load);
        let seating = self.interface.seating
            * (1.0 - libm::exp(-highest.max(0.0) / self.interface.seating_load));
        let gain = advance(self.interface.law, load, self.progressive, self.dt)
            .min(4.0 * self.top_speed * self.dt);
        let progressive = self.progressive + gain;
        let slid_at = if gain > 1e-9 * self.dt {
            self.slid_at.max(load)
        } else {
            self.slid_at
        };
        let returned = if self.interface.returns > 0.0 && slid_at > 0.0 {
            self.interface.returns * progressive * (1.0 - load / slid_at).clamp(0.0, 1.0)
        } else {
            0.0
        };
        Slip {
            seating,
            progressive,
            returned,
        }
    }

    /// Makes the step.
    pub(super) fn go(&mut self, load: f64) {
        let after = self.trial(load);
        if after.progressive - self.progressive > 1e-9 * self.dt {
            self.slid_at = self.slid_at.max(load);
        }
        self.progressive = after.progressive;
        self.highest = self.highest.max(load);
    }

    /// A jump of stick-slip.
    pub(super) fn jump(&mut self, by: f64) {
        self.progressive += by;
        self.jumps += 1;
    }
}

/// Slip gained in `dt` under a standing load, exactly as the law integrates (m).
pub(super) fn advance(law: SlipLaw, load: f64, so_far: f64, dt: f64) -> f64 {
    match law {
        SlipLaw::None | SlipLaw::StickSlip { .. } => 0.0,
        SlipLaw::Yield {
            yield_at,
            viscosity,
            hardening,
        } => {
            let excess = load - yield_at - hardening * so_far;
            let decay = hardening * dt / viscosity;
            if excess <= 0.0 {
                0.0
            } else if decay.abs() < 1e-9 {
                excess * dt / viscosity
            } else {
                -excess / hardening * libm::expm1(-decay)
            }
        }
        SlipLaw::Exponential {
            speed,
            load: at,
            scale,
            hardening,
        } => {
            // Nothing slides at no load: the law's own value at zero is taken off.
            let now = speed
                * (libm::exp((load - at) / scale) - libm::exp(-at / scale)).max(0.0)
                * libm::exp(-hardening * so_far / scale);
            let x = now * dt * hardening / scale;
            if x.abs() < 1e-9 {
                now * dt
            } else if x <= -0.99 {
                // Runs away within the step: the ram's top speed decides.
                f64::INFINITY
            } else {
                scale / hardening * libm::log1p(x)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn laws_integrate_exactly_in_any_step() {
        let laws = [
            SlipLaw::Yield {
                yield_at: 3e3,
                viscosity: 4e7,
                hardening: 2e5,
            },
            SlipLaw::Exponential {
                speed: 1e-6,
                load: 4e3,
                scale: 300.0,
                hardening: 5e5,
            },
        ];
        for law in laws {
            let whole = advance(law, 4.2e3, 1e-4, 10.0);
            let mut parts = 1e-4;
            for _ in 0..1000 {
                parts += advance(law, 4.2e3, parts, 0.01);
            }
            assert!((whole - (parts - 1e-4)).abs() < 1e-9 * whole, "{law:?}");
        }
    }

    #[test]
    fn a_jump_waits_for_its_load() {
        let law = SlipLaw::StickSlip {
            stick: 4e3,
            slide: 3e3,
            scatter: 0.0,
            growth: 0.0,
        };
        assert_eq!(advance(law, 3.9e3, 0.0, 1.0), 0.0);
    }
}
