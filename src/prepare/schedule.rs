//! The steps of one pull: bedding, loads, holds, rests, and the load that nothing in the chain may exceed.
//!
//! Bedding: three cycles to half the least breaking load (ISO 2307), or to what the chain and the proof load allow.
//! Reference tension d²/8 daN with d in mm (ISO 2307, from memory). Steps stand far enough apart that the load cell tells
//! them, and holds are long enough that the allowed creep or rate stands out of the gauge's resolution threefold; a rest
//! is as long as the longest hold, so that late recovery is not taken for set.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::sheet::{GaugeKind, Sheet};

/// One step.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    /// What is done.
    pub what: String,
    /// Load, kN.
    pub load_kn: f64,
    /// How long it is kept, s.
    pub seconds: f64,
}

/// The steps of one pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Schedule {
    /// Highest load that every part allows, kN; absent where the sheet states none.
    pub highest_kn: Option<f64>,
    /// The part that sets it.
    pub weakest: Option<String>,
    /// The steps in order.
    pub steps: Vec<Step>,
    /// What a reader must know.
    pub notes: Vec<String>,
}

/// Shares of the proof load at which a hold is made.
const SHARES: [f64; 6] = [0.4, 0.55, 0.7, 0.85, 1.0, 1.15];
/// Hold where nothing asks for another, s.
const HOLD: f64 = 60.0;
/// A difference counts when it is this many steps of resolution.
const RESOLVED: f64 = 3.0;

/// The steps that a sheet asks for.
#[must_use]
pub fn of(sheet: &Sheet) -> Schedule {
    let mut notes = Vec::new();
    let (highest_kn, weakest) = highest(sheet, &mut notes);
    let break_kn = sheet.line.break_load.map(|f| f.si() / 1e3);
    let proof_kn = sheet
        .limits
        .as_ref()
        .and_then(|l| l.proof)
        .map(|f| f.si() / 1e3);
    let Some(target) = proof_kn.or(break_kn.map(|b| 0.3 * b)).or(highest_kn) else {
        notes.push("The sheet states no proof load, no break load and no chain: no steps can be made. State [limits] proof and [[chain]].".into());
        return Schedule {
            highest_kn,
            weakest,
            steps: Vec::new(),
            notes,
        };
    };
    let cap = highest_kn.unwrap_or(f64::INFINITY);
    if let (Some(proof), Some(highest)) = (proof_kn, highest_kn)
        && proof > highest
    {
        notes.push(format!(
            "The proof load of {proof:.2} kN is MORE than the chain allows ({highest:.2} kN): it cannot be reached with this chain."
        ));
    }
    let reference = reference(sheet, target);
    let hold = hold_seconds(sheet, &mut notes);
    let mut steps = vec![Step {
        what: "first dwell at reference tension: every part of the travel is zero here".into(),
        load_kn: reference,
        seconds: 15.0,
    }];
    if sheet.line.bedded == Some(true) {
        notes.push("The line is bedded in: no bedding cycles.".into());
    } else {
        let wanted = break_kn.map_or(target, |b| 0.5 * b);
        // Bedding above the proof load would be the test itself.
        let bedding = wanted.min(cap).min(0.6 * target);
        if bedding < wanted {
            notes.push(format!(
                "ISO 2307 beds in to half the break load ({wanted:.2} kN); here to {bedding:.2} kN, so that stopper and chain are not tried before the test. Set that comes above it is part of the answer."
            ));
        }
        for cycle in 1..=3 {
            steps.push(Step {
                what: format!("bedding cycle {cycle}, up"),
                load_kn: bedding,
                seconds: 5.0,
            });
            steps.push(Step {
                what: format!("bedding cycle {cycle}, back"),
                load_kn: reference,
                seconds: 10.0,
            });
        }
    }
    let apart = load_resolution(sheet, target);
    let mut last = 0.0;
    for share in SHARES {
        let load = (share * target).min(cap);
        if load <= last || load - last < apart || load <= reference {
            continue;
        }
        last = load;
        steps.push(Step {
            what: format!("hold at {:.0} % of {target:.2} kN", 100.0 * load / target),
            load_kn: load,
            seconds: hold,
        });
        steps.push(Step {
            what: "back".into(),
            load_kn: reference,
            seconds: 0.2 * hold,
        });
    }
    steps.push(Step {
        what: "last rest, as long as the longest hold".into(),
        load_kn: reference,
        seconds: hold,
    });
    steps.push(Step {
        what: "slack, for the zero of the cell".into(),
        load_kn: 0.0,
        seconds: 10.0,
    });
    Schedule {
        highest_kn,
        weakest,
        steps,
        notes,
    }
}

/// Lowest working load of the chain and the capacity of the cell.
fn highest(sheet: &Sheet, notes: &mut Vec<String>) -> (Option<f64>, Option<String>) {
    let cell = sheet
        .gauges
        .load
        .stated(GaugeKind::Load)
        .ok()
        .and_then(|s| s.capacity)
        .map(|c| (c, "load cell (its capacity)".to_owned()));
    let found = sheet
        .chain
        .iter()
        .map(|p| (p.working_load.si(), p.part.clone()))
        .chain(cell)
        .min_by(|a, b| a.0.total_cmp(&b.0));
    if sheet.chain.is_empty() {
        notes.push("The sheet lists no [[chain]]: name every part under load with its working load before anyone pulls.".into());
    }
    match found {
        Some((load, part)) => (Some(load / 1e3), Some(part)),
        None => (None, None),
    }
}

fn reference(sheet: &Sheet, target: f64) -> f64 {
    sheet
        .pull
        .pretension
        .map(|f| f.si() / 1e3)
        .or_else(|| {
            let d = sheet.line.diameter?.si() * 1e3;
            // d²/8 daN.
            Some(d * d / 8.0 * 0.01)
        })
        .unwrap_or(0.03 * target)
}

/// Long enough that what is allowed stands out of the resolution of the slip gauges.
fn hold_seconds(sheet: &Sheet, notes: &mut Vec<String>) -> f64 {
    let limits = sheet.limits.as_ref();
    let asked = limits.and_then(|l| l.hold).map_or(HOLD, |d| d.si());
    let resolution = [GaugeKind::Tail, GaugeKind::Mark, GaugeKind::Core]
        .into_iter()
        .filter_map(|kind| sheet.gauges.get(kind)?.stated(kind).ok()?.resolution)
        .fold(0.0, f64::max);
    let rate = limits
        .and_then(|l| l.rate)
        .map(|s| s.si())
        .filter(|r| *r > 0.0);
    // Slip at the allowed rate over half the hold must be seen.
    let needed = rate.map_or(0.0, |r| 2.0 * RESOLVED * resolution / r);
    let creep = limits
        .and_then(|l| l.creep)
        .map(|c| c.si())
        .filter(|c| *c > 0.0);
    if let Some(creep) = creep
        && creep < RESOLVED * resolution
    {
        notes.push(format!(
            "The allowed creep of {:.2} mm per decade is less than three steps of the gauge ({:.2} mm): no hold is long enough, a finer gauge is needed.",
            creep * 1e3,
            resolution * 1e3
        ));
    }
    if needed > asked {
        notes.push(format!(
            "Holds of {needed:.0} s instead of {asked:.0} s: at the allowed rate the gauge, which reads to {:.2} mm, needs so long.",
            resolution * 1e3
        ));
    }
    needed.max(asked)
}

/// Loads closer than this are one load to the cell, kN.
fn load_resolution(sheet: &Sheet, target: f64) -> f64 {
    sheet.gauges.load.stated(GaugeKind::Load).map_or(0.0, |s| {
        let fixed = s.fixed + s.zero.unwrap_or(0.0) + s.resolution.unwrap_or(0.0);
        RESOLVED * (fixed / 1e3).hypot(s.gain * target)
    })
}
