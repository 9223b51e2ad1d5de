//! What holds show besides a figure: a slip that speeds up toward running, and a locked line that relaxes.

use super::course::{Known, Slip};
use super::holds::{Within, gauge_gain};
use super::{HoldCreep, Law, LimitInputs, first};
use crate::caveat::{Caveat, Weight};
use crate::figures::significant;
use crate::phases::{Phase, PhaseKind};

/// A slip in a locked hold is named from so many of its standard errors.
const SURE_SIGMAS: f64 = 3.0;

/// Holds in which a slip speeds up, and locked holds whose load fell without any slip.
pub(super) fn all(inputs: &LimitInputs, slips: &[Slip], holds: &[HoldCreep]) -> Vec<Caveat> {
    let mut found: Vec<Caveat> = holds.iter().filter_map(speeding_up).collect();
    for phase in inputs
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::LockedHold)
    {
        found.extend(relaxation(inputs, slips, phase));
    }
    found
}

/// A slip that speeds up under an even load is on its way to running, however little it made so far.
fn speeding_up(hold: &HoldCreep) -> Option<Caveat> {
    let (made, rate) = hold.slip.value.zip(hold.rate.value)?;
    (hold.law == Law::Speeding).then(|| {
        Caveat::new(
            "hold-turned-to-running",
            if made >= first::LEAST {
                Weight::NoPass
            } else {
                Weight::Caution
            },
            format!(
                "In the hold at {:.2} kN the slip of the {} speeds up: {} mm/min at its end, {} mm/min on average.",
                hold.load_kn,
                hold.interface.words(),
                significant(rate * 6e4, 2),
                significant(made / hold.duration_s * 6e4, 2)
            ),
            "Take this load as beyond the limit; do not carry its creep forward in time.",
        )
    })
}

/// A locked line loses load by relaxation with no slip at all; that is not a failure.
fn relaxation(inputs: &LimitInputs, slips: &[Slip], phase: &Phase) -> Option<Caveat> {
    let fallen = phase.load_start_n - phase.load_end_n;
    if fallen <= 0.0 {
        return None;
    }
    let mut slipped = Vec::new();
    let mut perhaps = false;
    for slip in slips
        .iter()
        .filter(|s| s.absent.is_none() && s.known == Known::Value)
    {
        let within = Within::of(inputs, slip, phase)?;
        let change = within.slip(slip, gauge_gain(inputs));
        // Of the holds and interfaces of a few pulls, one lies beyond its 95 % interval by chance.
        let sure = change
            .value
            .zip(change.standard_error)
            .is_some_and(|(value, error)| value > SURE_SIGMAS * error);
        if sure {
            slipped.push(slip.interface);
        } else {
            perhaps |= change.low.is_some_and(|low| low > 0.0);
        }
    }
    let known = slips
        .iter()
        .all(|s| s.absent.is_none() && s.known == Known::Value);
    if !slipped.is_empty() || perhaps || !known {
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
