//! Curves carried past the highest load: never a limit, always with how far they leap and how far they disagree.
//!
//! Load against slip on the first loading, from where slip can be told from nothing: the rectangular hyperbola (Kondner,
//! Chin), the exponential approach (Van der Veen), both by least squares of the load itself, never by their linearised
//! forms; and the break of two straights in double-log paper (De Beer). Through the same points the first two differ by a
//! factor 1.83 in the certified pair Misra1d and Misra1a: that is the lesson, and the caveat.

use super::course::{Known, Slip};
use super::{Interface, LimitInputs, Projection};
use crate::caveat::{Caveat, Weight};
use crate::stats::curves::{Approach, Hyperbola};
use crate::stats::estimate::LEVEL;
use crate::stats::nonlinear::{self, Curve};
use crate::stats::segmented::{self, Left};
use crate::stats::{Estimate, Measure, Status, quantile};

/// Points that a projection needs.
const POINTS_NEEDED: usize = 8;
/// Projections further apart than this factor get a caveat.
const DISAGREE: f64 = 1.2;
/// A leap beyond this factor of the highest load is not printed: the curve then says nothing of a limit.
const LEAP_MOST: f64 = 20.0;

/// Projections of every interface with a value, and what to think of them.
pub(super) fn all(inputs: &LimitInputs, slips: &[Slip]) -> (Vec<Projection>, Vec<Caveat>) {
    let mut projections = Vec::new();
    let mut caveats = Vec::new();
    for slip in slips
        .iter()
        .filter(|s| s.absent.is_none() && s.known == Known::Value)
    {
        let picked: Vec<usize> = slip
            .on_first_loading()
            .into_iter()
            .filter(|i| slip.value[*i] > 3.0 * slip.uncertainty(*i) && slip.value[*i] > 0.0)
            .collect();
        let of = |list: &[f64]| picked.iter().map(|i| list[*i]).collect::<Vec<f64>>();
        let highest = inputs
            .separated
            .blocks
            .load_n
            .iter()
            .copied()
            .filter(|l| l.is_finite())
            .fold(0.0, f64::max);
        let (found, doubt) = project(slip.interface, &of(&slip.value), &of(&slip.load), highest);
        projections.extend(found);
        caveats.extend(doubt);
    }
    (projections, caveats)
}

/// Projections through points of slip (m) and load (N) of one interface; `highest` is the highest load of the record, N.
/// The caveat stands where they disagree.
#[must_use]
pub fn project(
    interface: Interface,
    slip: &[f64],
    load: &[f64],
    highest: f64,
) -> (Vec<Projection>, Option<Caveat>) {
    let mut found = Vec::new();
    if slip.len() < POINTS_NEEDED || load.len() != slip.len() || highest <= 0.0 {
        return (found, None);
    }
    found.extend(limit_of(
        &Hyperbola,
        "hyperbola",
        interface,
        slip,
        load,
        highest,
    ));
    found.extend(limit_of(
        &Approach,
        "exponential",
        interface,
        slip,
        load,
        highest,
    ));
    let limits: Vec<f64> = found.iter().filter_map(|p| p.load.value).collect();
    let (least, most) = limits
        .iter()
        .fold((f64::INFINITY, 0.0_f64), |(a, b), v| (a.min(*v), b.max(*v)));
    let caveat = (limits.len() > 1 && most > DISAGREE * least).then(|| {
        Caveat::new(
            "projections-disagree",
            Weight::Note,
            format!(
                "Curves carried past the highest load for the {} end between {:.2} and {:.2} kN, a factor {:.2} apart.",
                interface.words(),
                least / 1e3,
                most / 1e3,
                most / least
            ),
            "Do not use a projection as a limit; pull to a higher load within what every part of the chain allows.",
        )
    });
    found.extend(double_log(interface, slip, load, highest));
    (found, caveat)
}

fn projection(
    curve: &str,
    interface: Interface,
    value: f64,
    error: f64,
    factor: f64,
    highest: f64,
) -> Option<Projection> {
    let usable =
        value.is_finite() && error.is_finite() && value > 0.0 && value <= LEAP_MOST * highest;
    usable.then(|| Projection {
        curve: curve.into(),
        interface,
        load: Estimate {
            status: Status::Projected,
            reason: Some(if value > highest {
                format!(
                    "a curve carried to {:.2} times the highest load; its interval is that of the curve, if the curve is right",
                    value / highest
                )
            } else {
                "a curve within the loads of this record; its interval is that of the curve, if the curve is right"
                    .into()
            }),
            ..Estimate::measured(
                Measure::Force,
                value,
                error,
                (value - factor * error).max(0.0),
                value + factor * error,
                format!("least squares of load against slip, {curve}"),
            )
        },
        leap: value / highest,
    })
}

/// The end of a curve that approaches its highest load; none where the line has carried more than the curve's end, for
/// such a curve is refuted by the record.
fn limit_of(
    law: &impl Curve,
    name: &str,
    interface: Interface,
    slip: &[f64],
    load: &[f64],
    highest: f64,
) -> Option<Projection> {
    let middle = slip[slip.len() / 2];
    let start = [1.5 * highest, 1.0 / middle.abs().max(f64::MIN_POSITIVE)];
    let fit = nonlinear::fit(law, slip, load, None, &start).ok()?;
    if fit.parameters[1] <= 0.0 {
        return None;
    }
    let factor = quantile::two_sided(LEVEL, fit.degrees_of_freedom as f64);
    if fit.parameters[0] + factor * fit.standard_error(0) < highest {
        return None;
    }
    projection(
        name,
        interface,
        fit.parameters[0],
        fit.standard_error(0),
        factor,
        highest,
    )
}

/// Break of two straights in log slip against log load: the load where slip starts to grow faster.
fn double_log(
    interface: Interface,
    slip: &[f64],
    load: &[f64],
    highest: f64,
) -> Option<Projection> {
    let (x, y): (Vec<f64>, Vec<f64>) = load
        .iter()
        .zip(slip)
        .filter(|(load, slip)| **load > 0.0 && **slip > 0.0)
        .map(|(load, slip)| (load.ln(), slip.ln()))
        .unzip();
    let size = x.len().div_ceil(100).max(1);
    let means = |list: &[f64]| {
        list.chunks(size)
            .map(|c| c.iter().sum::<f64>() / c.len() as f64)
            .collect::<Vec<f64>>()
    };
    let (x, y) = (means(&x), means(&y));
    let bent = segmented::fit(&x, &y, None, Left::Sloping, LEVEL).ok()?;
    if bent.p_value > 0.01 || bent.slope_after <= bent.slope_before {
        return None;
    }
    let value = bent.at.exp();
    let factor = quantile::two_sided(LEVEL, bent.degrees_of_freedom as f64);
    projection(
        "double-log break",
        interface,
        value,
        value * bent.standard_error,
        factor,
        highest,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_that_ends_below_a_load_that_was_carried_is_not_shown() {
        let slip: Vec<f64> = (1..=20).map(f64::from).collect();
        let load: Vec<f64> = slip.iter().map(|s| 100.0 * s / (s + 3.0)).collect();
        let shown = |highest: f64| {
            let (found, _) = project(Interface::Stopper, &slip, &load, highest);
            found.iter().any(|p| p.curve == "hyperbola")
        };
        assert!(shown(90.0) && !shown(120.0));
    }

    /// Misra1d and Misra1a of NIST StRD: the same fourteen points, certified limits 437.37 and 238.94 (factor 1.83).
    /// Volume stands for load, pressure for slip.
    #[test]
    fn the_certified_pair_raises_the_caveat() {
        let x = [
            77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
            689.1, 760.0,
        ];
        let y = [
            10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
            75.47, 81.78,
        ];
        let (found, caveat) = project(Interface::Stopper, &x, &y, 81.78);
        let of = |name: &str| {
            found
                .iter()
                .find(|p| p.curve == name)
                .and_then(|p| p.load.value)
                .unwrap()
        };
        assert!((of("hyperbola") / 437.369_707_54 - 1.0).abs() < 1e-8);
        assert!((of("exponential") / 238.942_129_18 - 1.0).abs() < 1e-8);
        let caveat = caveat.unwrap();
        assert_eq!(caveat.code, "projections-disagree");
        assert!(caveat.message.contains("1.83"), "{}", caveat.message);
        assert!(found.iter().all(|p| p.load.status == Status::Projected));
    }
}
