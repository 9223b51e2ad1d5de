//! A slip found on the dock to tension kept aboard, and a loss of tension aboard to the slip behind it.
//!
//! Method: strain, not millimetres. With `e_u` the strain of plain bedded line on the unloading branch, L the length under
//! load aboard, k the give of mast, sheave and sail (rigid if not stated, which overstates the loss) and q the slip,
//! `e_u(F1)·L + F1/k + q = e_u(F0)·L + F0/k` is solved for the tension F1 that is left. The same slip that a stretchy line
//! hardly notices empties a stiff one.
//! Assumptions: only within the loads measured; slip goes on at the creep of the holds, as if the tension did not fall; time is
//! projected at most a decade past the longest hold. The branch found below the highest load of the dock is taken for the one
//! that starts at the load aboard, and retarded stretch that comes back aboard is left out.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::limit::{Interface, Law, Limit, LimitInputs};
use crate::phases::PhaseKind;
use crate::separate::{Course, PartName};
use crate::sheet::Rule;
use crate::stats::coverage::half_width;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, Status};

mod branch;

pub use branch::{Branch, comparison_branches};

/// Tension kept aboard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AboardResult {
    /// Load that the stopper takes over, kN.
    pub load_kn: f64,
    /// Length under load aboard, mm.
    pub length_mm: f64,
    /// The slip taken from the dock pull at that load.
    pub slip: Estimate,
    /// Share of the load kept at once after transfer.
    pub kept_at_once: Estimate,
    /// Share kept after an hour: a projection where the longest hold was shorter, absent where it was shorter than a
    /// tenth of it.
    pub kept_after_hour: Estimate,
    /// Slip that explains the load found aboard, if the sheet states one.
    pub slip_behind_loss: Option<Estimate>,
    /// Tension kept (share) against slip (mm), for the chart: this line, a stretchier one, a stiffer one.
    pub curves: Vec<KeptCurve>,
}

/// Tension kept against slip for one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KeptCurve {
    /// `this line`, or the comparison line by its fibre.
    pub label: String,
    /// Slip in mm.
    pub slip_mm: Vec<f64>,
    /// Share of the load kept.
    pub kept: Vec<f64>,
}

/// Time after a transfer at which slip counts as that at once, s.
const AT_ONCE: f64 = 10.0;
/// Time of the projection, s.
const AN_HOUR: f64 = 3600.0;
/// Points of a chart curve.
const CURVE_POINTS: usize = 41;
/// How well the stretch curve is known where the split does not say, as a share of itself.
const STRETCH_UNKNOWN: f64 = 0.05;

/// Tension kept aboard; `None` where the sheet has no `[aboard]`.
#[must_use]
pub fn keep(inputs: &LimitInputs, limit: &Limit) -> (Option<AboardResult>, Vec<Caveat>) {
    let Some(aboard) = &inputs.sheet.aboard else {
        return (None, vec![]);
    };
    let mut caveats = Vec::new();
    let load = aboard.load.si();
    let length = aboard.length.si();
    let give = aboard.rig_stiffness.map_or(0.0, |k| 1.0 / k.si());
    if aboard.rig_stiffness.is_none() {
        caveats.push(Caveat::new(
            "rig-taken-as-rigid",
            Weight::Note,
            "The tension kept aboard is worked out for a rig without give, which overstates the loss.",
            "State `rig_stiffness` in `[aboard]` if it is known.",
        ));
    }
    let slip = slip_at(inputs, load);
    let branch = Branch::found(inputs.separated.stretch_curve.as_ref(), length, give);
    let mut curves = Vec::new();
    let (at_once, after_hour, behind) = match &branch {
        Ok(branch) => {
            curves.extend(curve("this line", branch, load));
            let within = stretch_error(inputs);
            let (at_once, after) = match ran_through(limit, load) {
                Some(reason) => {
                    let cannot = || Estimate::cannot_tell(Measure::Share, reason.clone());
                    (cannot(), cannot())
                }
                None => (
                    kept(branch, load, &slip, within, Status::Measured),
                    after_an_hour(branch, load, &slip, limit, within),
                ),
            };
            let behind = aboard
                .load_found
                .map(|found| slip_behind(branch, load, found.si(), within));
            (at_once, after, behind)
        }
        Err(reason) => {
            let cannot = || Estimate::cannot_tell(Measure::Share, reason.clone());
            let behind = aboard
                .load_found
                .map(|_| Estimate::cannot_tell(Measure::Length, reason.clone()));
            (cannot(), cannot(), behind)
        }
    };
    for (label, branch) in comparison_branches(length, load) {
        curves.extend(curve(label, &branch.with_give(give), load));
    }
    let result = AboardResult {
        load_kn: load / 1e3,
        length_mm: length * 1e3,
        slip,
        kept_at_once: at_once,
        kept_after_hour: after_hour,
        slip_behind_loss: behind,
        curves,
    };
    (Some(result), caveats)
}

/// Why nothing can be kept: on the dock the line ran through at no more than this load.
fn ran_through(limit: &Limit, load: f64) -> Option<String> {
    limit
        .figures
        .iter()
        .filter(|f| f.rule == Rule::Running && f.load.high.is_some())
        .find(|f| f.load.low.is_some_and(|low| low <= load))
        .map(|f| {
            let at = match (f.load.value, f.load.low, f.load.high) {
                (None, Some(low), Some(high)) => {
                    format!(
                        "while the load fell from {:.2} to {:.2} kN",
                        high / 1e3,
                        low / 1e3
                    )
                }
                (mean, ..) => format!("at {:.2} kN", mean.unwrap_or(0.0) / 1e3),
            };
            format!(
                "on the dock the line ran through {at}: it does not hold what is handed over aboard"
            )
        })
}

/// Slip of both interfaces, seating included, when the load first reached `load` on the dock.
fn slip_at(inputs: &LimitInputs, load: f64) -> Estimate {
    let cannot = |reason: String| Estimate::cannot_tell(Measure::Length, reason);
    let blocks = &inputs.separated.blocks;
    // While a winch still keeps the tail the stopper has not taken the load over.
    let taken_over = inputs
        .phases
        .iter()
        .rfind(|p| p.kind == PhaseKind::Transfer)
        .map_or(f64::NEG_INFINITY, |p| p.end_s.max(p.start_s + AT_ONCE));
    let Some(at) =
        (0..blocks.len()).find(|i| blocks.highest_n[*i] >= load && blocks.time_s[*i] >= taken_over)
    else {
        return cannot(format!(
            "the pull never reached the {:.2} kN that the stopper takes over aboard",
            load / 1e3
        ));
    };
    let (mut value, mut low, mut high, mut below, mut above) = (0.0, 0.0, 0.0, 0.0_f64, 0.0_f64);
    // Best values of slips that may as well be nothing: each may be, so all of them may.
    let mut perhaps = 0.0;
    let mut bracket = false;
    let mut hidden = Vec::new();
    for part in [PartName::StopperSlip, PartName::CoverSlip] {
        let seen = |c: &&Course| c.high.get(at).is_none_or(|v| v.is_finite());
        let Some(course) = inputs.separated.course(part).filter(seen) else {
            hidden.push(part);
            continue;
        };
        let (Some(course_low), Some(course_high)) = (course.low.get(at), course.high.get(at))
        else {
            return cannot(format!("{} has no course at that load", part.words()));
        };
        match course.value.as_ref().and_then(|v| v.get(at)) {
            Some(v) if v.is_finite() => {
                value += v;
                if *course_low > 0.0 {
                    below = below.hypot(v - course_low);
                } else {
                    perhaps += v.max(0.0);
                }
                above = above.hypot(course_high - v);
            }
            _ => {
                bracket = true;
                low += course_low.max(0.0);
                high += course_high.max(0.0);
            }
        }
    }
    if let Some(part) = hidden.first() {
        // What hides is bounded by what did not come back: with the set alone, or all of it together.
        let bound = |part: PartName| {
            let high = inputs.separated.course(part)?.high.get(at).copied()?;
            high.is_finite().then_some(high.max(0.0))
        };
        let with_set = bound(PartName::SetAndCoverSlip).filter(|_| hidden == [PartName::CoverSlip]);
        let most = match (with_set, bound(PartName::NotRecovered)) {
            (Some(set_and_cover), _) => value + above + high + set_and_cover,
            (None, Some(all)) => all,
            (None, None) => {
                let reason = inputs
                    .separated
                    .parts
                    .get(part)
                    .and_then(|p| p.end.reason.clone())
                    .unwrap_or_else(|| "the split gives no course".into());
                return cannot(format!("{} is not known: {reason}", part.words()));
            }
        };
        let least = (value - perhaps - below + low).max(0.0);
        return Estimate::bracket(
            Measure::Length,
            least.min(most),
            most,
            "both slips of the dock pull: at most what did not come back",
            format!("{} is not known by itself", part.words()),
        );
    }
    let value = value.max(0.0);
    let method = "both slips of the dock pull, seating included, when it reached that load";
    let (low, high) = (
        (value - perhaps - below).max(0.0) + low,
        value + above + high,
    );
    if !low.is_finite() || !high.is_finite() {
        return cannot("the slips have no value at that load".into());
    }
    if bracket {
        return Estimate::bracket(
            Measure::Length,
            low,
            high,
            method,
            "the gauges bracket a slip",
        );
    }
    let error = (perhaps + below + above) / (2.0 * 1.96);
    if low <= 0.0 {
        return Estimate::at_most(Measure::Length, value, error, high, method);
    }
    Estimate::measured(Measure::Length, value, error, low, high, method)
}

/// Relative standard uncertainty of the stretch curve, from the split's own figure.
fn stretch_error(inputs: &LimitInputs) -> f64 {
    let end = inputs
        .separated
        .parts
        .get(&PartName::Stretch)
        .and_then(|part| {
            Some((
                part.end.standard_error?,
                inputs.separated.stretch_curve.as_ref()?,
            ))
        });
    let relative = end.and_then(|(error, curve)| {
        let whole = (curve.unloading_mm.last()? - curve.unloading_mm.first()?) / 1e3;
        (whole > 0.0).then_some(error / whole)
    });
    relative
        .filter(|r| r.is_finite())
        .unwrap_or(STRETCH_UNKNOWN)
}

/// Share kept after a slip. A stretch curve wrong by a share works like a slip wrong by that share.
fn kept(branch: &Branch, load: f64, slip: &Estimate, stretch: f64, status: Status) -> Estimate {
    let (Some(low), Some(high)) = (slip.low, slip.high) else {
        return Estimate::cannot_tell(
            Measure::Share,
            slip.reason
                .clone()
                .unwrap_or_else(|| "the slip is not known".into()),
        );
    };
    let method = "strain equation over the unloading branch of the stretch curve";
    let solve = |q: f64| branch.tension_after(load, q.max(0.0)).map(|f| f / load);
    let middle = slip.value.unwrap_or(0.5 * (low + high));
    let widened = |end: f64| {
        let own = (end - middle).abs();
        own.hypot(half_width(stretch * middle, &[], LEVEL))
    };
    let (least_slip, most_slip) = ((middle - widened(low)).max(0.0), middle + widened(high));
    let (Ok(most), least) = (solve(least_slip), solve(most_slip)) else {
        return match solve(least_slip) {
            // The slip empties the line below what was measured: at most that.
            Err(below @ Beyond::BelowMeasured(lowest)) if lowest >= load => {
                Estimate::cannot_tell(Measure::Share, below.reason())
            }
            Err(Beyond::BelowMeasured(lowest)) => Estimate {
                reason: Some(
                    "the slip takes the line below the lowest load of the stretch curve".into(),
                ),
                ..Estimate::at_most(Measure::Share, 0.0, lowest / load, lowest / load, method)
            },
            Err(Beyond::AboveMeasured(highest)) => Estimate::cannot_tell(
                Measure::Share,
                format!(
                    "the load aboard lies above the {:.2} kN up to which the stretch curve was measured",
                    highest / 1e3
                ),
            ),
            Ok(_) => Estimate::cannot_tell(Measure::Share, "no solution"),
        };
    };
    // Below the measured loads only the ends 0 and the lowest load are known.
    let low_kept = least.unwrap_or(0.0);
    let (Some(_), Ok(value)) = (slip.value, solve(middle)) else {
        return Estimate::bracket(
            Measure::Share,
            low_kept,
            most,
            method,
            slip.reason.clone().unwrap_or_else(|| {
                "the slip may take the line below the lowest load of the stretch curve".into()
            }),
        );
    };
    let error = (most - low_kept) / (2.0 * 1.96);
    Estimate {
        status,
        ..Estimate::measured(Measure::Share, value, error, low_kept, most, method)
    }
}

/// The same after an hour: creep of the hold nearest to the load goes on over log time at the full tension.
fn after_an_hour(
    branch: &Branch,
    load: f64,
    slip: &Estimate,
    limit: &Limit,
    stretch: f64,
) -> Estimate {
    let cannot = |reason: String| Estimate::cannot_tell(Measure::Share, reason);
    let longest = limit.holds.iter().map(|h| h.duration_s).fold(0.0, f64::max);
    if longest <= 0.0 {
        return cannot("the pull has no hold, so nothing is known of slip over time".into());
    }
    if AN_HOUR > 10.0 * longest {
        return cannot(format!(
            "an hour is more than a decade past the longest hold of {longest:.0} s: nothing is said of it"
        ));
    }
    let mut low = slip.low;
    let mut high = slip.high;
    let mut value = slip.value;
    for interface in [Interface::Stopper, Interface::Cover] {
        let Some(hold) = limit
            .holds
            .iter()
            .filter(|h| h.interface == interface && h.creep.status != Status::CannotTell)
            .min_by(|a, b| {
                let far = |kn: f64| (kn * 1e3 - load).abs();
                far(a.load_kn).total_cmp(&far(b.load_kn))
            })
        else {
            return cannot(format!(
                "creep of the {} is not known in any hold",
                interface.words()
            ));
        };
        let unsettled = match hold.law {
            Law::Linear => Some("slips at a constant rate"),
            Law::Speeding => Some("speeds up"),
            Law::LogLinear | Law::Slowing | Law::Unknown => None,
        };
        if let Some(how) = unsettled {
            return cannot(format!(
                "in the hold at {:.2} kN the {} {how}: it does not settle, and no hour is projected",
                hold.load_kn,
                interface.words(),
            ));
        }
        // A slip that slows gently makes more in later decades than in the last of the hold: what its end promises.
        let slowing = hold.law == Law::Slowing;
        let per_decade = hold.duration_s * std::f64::consts::LN_10;
        let creep = |of: fn(&Estimate) -> Option<f64>| {
            let last = of(&hold.creep)?;
            let end = of(&hold.rate).map(|rate| rate * per_decade);
            Some(
                end.filter(|_| slowing)
                    .map_or(last, |end| end.max(last))
                    .max(0.0),
            )
        };
        // From where the slip at once is read to the hour; never backwards.
        let decades = (AN_HOUR / AT_ONCE).log10();
        low = low.zip(creep(|e| e.low)).map(|(s, c)| s + c * decades);
        high = high.zip(creep(|e| e.high)).map(|(s, c)| s + c * decades);
        value = value.zip(creep(|e| e.value)).map(|(s, c)| s + c * decades);
    }
    let later = Estimate {
        value,
        low,
        high,
        ..slip.clone()
    };
    let status = if AN_HOUR > longest {
        Status::Projected
    } else {
        Status::Measured
    };
    let mut result = kept(branch, load, &later, stretch, status);
    result.reason = result.reason.or_else(|| {
        (AN_HOUR > longest).then(|| {
            format!(
                "creep of holds of up to {longest:.0} s carried to an hour on log time, at the full tension (overstates the loss)"
            )
        })
    });
    result
}

/// The slip that explains a loss of tension.
fn slip_behind(branch: &Branch, load: f64, found: f64, stretch: f64) -> Estimate {
    let method = "strain equation over the unloading branch of the stretch curve, inverted";
    if found > load {
        return Estimate::cannot_tell(
            Measure::Length,
            "the load found is higher than the load handed over",
        );
    }
    match branch.slip_between(load, found) {
        Ok(slip) => {
            let error = stretch * slip;
            let half = half_width(error, &[], LEVEL);
            Estimate::measured(
                Measure::Length,
                slip,
                error,
                (slip - half).max(0.0),
                slip + half,
                method,
            )
        }
        Err(beyond) => Estimate::cannot_tell(Measure::Length, beyond.reason()),
    }
}

/// Tension kept against slip, from none to what empties the line.
fn curve(label: &str, branch: &Branch, load: f64) -> Option<KeptCurve> {
    let lowest = branch.lowest().max(0.0);
    let most = branch.slip_between(load, lowest).ok()?;
    let slips: Vec<f64> = (0..CURVE_POINTS)
        .map(|i| most * i as f64 / (CURVE_POINTS - 1) as f64)
        .collect();
    let kept: Vec<f64> = slips
        .iter()
        .map(|q| {
            branch
                .tension_after(load, *q)
                .map_or(lowest / load, |f| f / load)
        })
        .collect();
    Some(KeptCurve {
        label: label.into(),
        slip_mm: slips.iter().map(|q| q * 1e3).collect(),
        kept,
    })
}

/// Why a load has no strain on the branch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Beyond {
    /// Below the lowest load, N, of the curve.
    BelowMeasured(f64),
    /// Above the highest.
    AboveMeasured(f64),
}

impl Beyond {
    fn reason(self) -> String {
        match self {
            Self::BelowMeasured(lowest) => format!(
                "below the lowest load of the stretch curve, {:.2} kN, nothing is known",
                lowest / 1e3
            ),
            Self::AboveMeasured(highest) => format!(
                "above the highest load of the stretch curve, {:.2} kN, nothing is known",
                highest / 1e3
            ),
        }
    }
}

#[cfg(test)]
mod tests;
