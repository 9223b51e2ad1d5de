//! What holds show besides a figure: a hold that turns from slowing to running, and a locked line that relaxes.

use super::LimitInputs;
use super::course::{Known, Slip};
use super::holds::{Slope, Within, gauge_gain};
use crate::caveat::{Caveat, Weight};
use crate::phases::{Phase, PhaseKind};

/// A hold turns to running when its last third is this much faster than its middle third.
const TERTIARY: f64 = 2.0;

/// Holds that turn from slowing to running, and locked holds whose load fell without any slip.
pub(super) fn all(inputs: &LimitInputs, slips: &[Slip]) -> Vec<Caveat> {
    let mut found = Vec::new();
    for phase in inputs.phases.iter().filter(|p| p.kind == PhaseKind::Hold) {
        for slip in slips
            .iter()
            .filter(|s| s.absent.is_none() && s.known == Known::Value)
        {
            if let Some(within) = Within::of(inputs, slip, phase)
                && let Some((middle, last)) = thirds(&within, slip)
                && last.value - TERTIARY * middle.value
                    > 3.0 * last.error.hypot(TERTIARY * middle.error)
                && last.value > 0.0
            {
                found.push(Caveat::new(
                    "hold-turned-to-running",
                    Weight::Caution,
                    format!(
                        "In the hold at {:.2} kN the slip of the {} speeds up: {:.3} mm/min in the last third after {:.3} \
                         in the middle one.",
                        within.load / 1e3,
                        slip.interface.words(),
                        last.value * 6e4,
                        middle.value * 6e4
                    ),
                    "Take this load as beyond the limit; do not carry its creep forward in time.",
                ));
            }
        }
    }
    for phase in inputs
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::LockedHold)
    {
        found.extend(relaxation(inputs, slips, phase));
    }
    found
}

fn thirds(within: &Within, slip: &Slip) -> Option<(Slope, Slope)> {
    let third = |from: f64, to: f64| {
        let part = within.part(|share| share >= from && share < to);
        if part.since.len() < 4 {
            return None;
        }
        let (fit, scale) = part.fit(slip, &part.pick(&slip.value), &part.since)?;
        Some(Slope {
            value: fit.coefficients[1],
            error: fit.standard_error(1, scale),
        })
    };
    Some((third(1.0 / 3.0, 2.0 / 3.0)?, third(2.0 / 3.0, 1.01)?))
}

/// A locked line loses load by relaxation with no slip at all; that is not a failure.
fn relaxation(inputs: &LimitInputs, slips: &[Slip], phase: &Phase) -> Option<Caveat> {
    let fallen = phase.load_start_n - phase.load_end_n;
    if fallen <= 0.0 {
        return None;
    }
    let mut slipped = Vec::new();
    for slip in slips
        .iter()
        .filter(|s| s.absent.is_none() && s.known == Known::Value)
    {
        let within = Within::of(inputs, slip, phase)?;
        let change = within.slip(slip, gauge_gain(inputs));
        if change.low.is_some_and(|low| low > 0.0) {
            slipped.push(slip.interface);
        }
    }
    let known = slips
        .iter()
        .all(|s| s.absent.is_none() && s.known == Known::Value);
    if !slipped.is_empty() || !known {
        let who: Vec<&str> = slipped
            .iter()
            .map(|i: &super::Interface| i.words())
            .collect();
        return (!who.is_empty()).then(|| {
            Caveat::new(
                "slip-while-locked",
                Weight::Note,
                format!(
                    "With the winch locked the load fell by {:.2} kN and the {} slipped.",
                    fallen / 1e3,
                    who.join(" and the ")
                ),
                "Part of that loss of load is slip, the rest is relaxation of the line.",
            )
        });
    }
    Some(Caveat::new(
        "relaxation-of-a-locked-line",
        Weight::Note,
        format!(
            "With the winch locked the load fell by {:.2} kN over {:.0} s with no slip at either interface: the line relaxed.",
            fallen / 1e3,
            phase.end_s - phase.start_s
        ),
        "No failure: a locked line always loses some load.",
    ))
}
