//! The true forms of a pull: what a fit would be told that knows how the line and its grips move, but not by how much.
//!
//! Question: how well could the parts be told by somebody who knows their forms? Each term here carries its true size, so that
//! such a fit should find one for each. Studies measure the estimator against it (`tests/bench/yardstick.rs`).

use super::Simulated;
use super::line::{LineParts, LineState};
use super::scenario::{Set, Stretch};

/// One term of a part, per row of the log, m; zero in the mean over the first dwell.
#[derive(Debug, Clone, PartialEq)]
pub struct Form {
    /// Name of the part that it belongs to, as [`super::TRUE_PARTS`] has it.
    pub part: &'static str,
    /// Its course.
    pub values: Vec<f64>,
}

/// Terms of stretch (straight, toe, loop, each retarded element) and of set (at once, late) under the true load.
///
/// The terms of a part add up to it, as finely as rows show the load.
#[must_use]
pub fn forms(pull: &Simulated) -> Vec<Form> {
    let stretch = &pull.scenario.line.stretch;
    let with = |toe: bool, looped: bool, retarded: &[(f64, f64)]| Stretch {
        toe: if toe { stretch.toe } else { 0.0 },
        loop_share: if looped { stretch.loop_share } else { 0.0 },
        retarded: retarded.to_vec(),
        ..stretch.clone()
    };
    let course = |stretch: &Stretch| walked(pull, stretch, &pull.scenario.line.set).0;
    let straight = course(&with(false, false, &[]));
    let instant = course(&with(true, false, &[]));
    let mut terms = vec![
        ("stretch", straight.clone()),
        ("stretch", less(&instant, &straight)),
        ("stretch", less(&course(&with(true, true, &[])), &instant)),
    ];
    for element in &stretch.retarded {
        let late = course(&with(true, false, &[*element]));
        terms.push(("stretch", less(&late, &instant)));
    }
    let set = &pull.scenario.line.set;
    let whole = walked(pull, stretch, set).1;
    // Without a late part the whole set comes at once.
    let prompt = walked(
        pull,
        stretch,
        &Set {
            late: 0.0,
            ..set.clone()
        },
    )
    .1;
    let at_once: Vec<f64> = prompt.iter().map(|v| (1.0 - set.late) * v).collect();
    terms.push(("set", at_once.clone()));
    terms.push(("set", less(&whole, &at_once)));
    terms
        .into_iter()
        .map(|(part, values)| Form {
            part,
            values: from_dwell(pull, &values),
        })
        .collect()
}

fn less(whole: &[f64], part: &[f64]) -> Vec<f64> {
    whole.iter().zip(part).map(|(w, p)| w - p).collect()
}

fn from_dwell(pull: &Simulated, values: &[f64]) -> Vec<f64> {
    let dwell = &values[pull.truth.reference.clone()];
    let zero = dwell.iter().sum::<f64>() / dwell.len().max(1) as f64;
    values.iter().map(|v| v - zero).collect()
}

/// Stretch and set of such a line at the rows, walked in even steps through the load that the rows show; that rows are a
/// little early or late is lost.
fn walked(pull: &Simulated, stretch: &Stretch, set: &Set) -> (Vec<f64>, Vec<f64>) {
    let dt = 0.5 / pull.scenario.instruments.logger.rate;
    let mut line = LineState::new(stretch, set, pull.scenario.line.free_length, dt);
    let (mut time, mut from) = (0.0, 0.0);
    let mut out = (Vec::new(), Vec::new());
    for (&row, &load) in pull.time_s.iter().zip(&pull.truth.load) {
        let steps = libm::round((row - time) / dt).max(1.0) as u32;
        let mut there = LineParts::default();
        for step in 1..=steps {
            let now = from + (load - from) * f64::from(step) / f64::from(steps);
            there = line.trial(now);
            line.go(now);
        }
        out.0.push(there.stretch);
        out.1.push(there.set);
        time += f64::from(steps) * dt;
        from = load;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::{Grade, Kind, run};

    #[test]
    fn the_terms_add_up_to_the_part() {
        let pull = run(&Kind::Both.scenario(Grade::Good, 3), 3);
        let terms = forms(&pull);
        let until = pull.truth.reference.start..pull.truth.end;
        for (part, truth) in [("stretch", &pull.truth.stretch), ("set", &pull.truth.set)] {
            let of: Vec<&Form> = terms.iter().filter(|f| f.part == part).collect();
            assert!(of.len() > 1);
            let sum = |i: usize| of.iter().map(|f| f.values[i]).sum::<f64>();
            let off = until.clone().map(|i| (sum(i) - truth[i]).abs());
            let off = off.fold(0.0, f64::max);
            assert!(off < 0.02e-3, "{part}: {off}");
        }
    }
}
