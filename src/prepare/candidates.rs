//! Which stopper for this line and load? Those pulled with lines of this diameter, ranked by what they hold with
//! confidence, not by what they held at best.
//!
//! The lower tolerance bound decides; a pair with too few pulls for one stands below, by the lowest load it held. A stopper
//! never pulled at this diameter enters by the diameter's law, labelled as prediction, and only inside what was tested.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::compare::{Comparison, Group, Settings, compare};
use crate::stats::Status;

/// One stopper for the line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Candidate {
    /// The pair, or the stopper of a prediction.
    pub name: String,
    /// What it holds with confidence, kN: a tolerance bound, the lowest load held, or the lower end of a prediction.
    pub bound_kn: f64,
    /// Which of the three.
    pub basis: String,
    /// Lines behind it.
    pub lines: usize,
    /// Whether the bound exceeds the load asked for; absent without one.
    pub holds: Option<bool>,
    /// True for a prediction.
    pub prediction: bool,
}

/// Diameters that differ by less are one, mm.
const SAME: f64 = 0.25;

/// Ranks the candidates; with a note on what is missing.
#[must_use]
pub fn rank(
    comparison: Option<&Comparison>,
    diameter_mm: Option<f64>,
    load_kn: Option<f64>,
) -> (Vec<Candidate>, String) {
    let Some(c) = comparison else {
        return (
            Vec::new(),
            "No pulls were given: candidates come from your own finished pulls.".into(),
        );
    };
    let Some(diameter) = diameter_mm else {
        return (
            Vec::new(),
            "No diameter is stated: give --diameter, or a sheet with [line] diameter.".into(),
        );
    };
    let fits = |g: &&Group| {
        c.pulls
            .iter()
            .filter(|p| g.pulls.contains(&p.name))
            .all(|p| p.diameter_mm.is_some_and(|d| (d - diameter).abs() < SAME))
    };
    let mut found: Vec<Candidate> = c
        .groups
        .iter()
        .filter(fits)
        .map(|g| of_group(g, load_kn))
        .collect();
    let predicted = compare(
        c.pulls.clone(),
        Vec::new(),
        &Settings {
            diameter_mm: Some(diameter),
            ..c.settings.clone()
        },
    );
    for law in &predicted.diameter {
        let tested = law
            .points
            .iter()
            .any(|p| (p.diameter_mm - diameter).abs() < SAME);
        if let Some(low) = law
            .predicted
            .as_ref()
            .and_then(|p| p.low_kn)
            .filter(|_| !tested)
        {
            found.push(Candidate {
                name: law.name.clone(),
                bound_kn: low,
                basis: "prediction from other diameters".into(),
                lines: law.points.iter().map(|p| p.pulls).sum(),
                holds: load_kn.map(|load| low >= load),
                prediction: true,
            });
        }
    }
    // A bound says more than a load that was held, and that more than a prediction.
    let weight = |c: &Candidate| (c.prediction, !c.basis.starts_with("tolerance"));
    found.sort_by(|a, b| {
        weight(a)
            .cmp(&weight(b))
            .then(b.bound_kn.total_cmp(&a.bound_kn))
            .then_with(|| a.name.cmp(&b.name))
    });
    let note = if found.is_empty() {
        format!(
            "None of these pulls was made with a line of {diameter:.1} mm, and no stopper was pulled with thinner and thicker ones."
        )
    } else {
        "Ranked by what they hold with confidence. A prediction is no test: pull it before it goes aboard.".into()
    };
    (found, note)
}

fn of_group(g: &Group, load_kn: Option<f64>) -> Candidate {
    let r = &g.repeats;
    let (bound_kn, basis) = match (r.tolerance.status, r.tolerance.low) {
        (Status::NotReached, Some(low)) => (low / 1e3, "tolerance bound"),
        _ => (
            r.values
                .iter()
                .map(|v| v.1.start())
                .fold(f64::INFINITY, f64::min),
            "lowest load held, no bound",
        ),
    };
    Candidate {
        name: g.name.clone(),
        bound_kn,
        basis: basis.into(),
        lines: r.lines,
        holds: load_kn.map(|load| basis == "tolerance bound" && bound_kn >= load),
        prediction: false,
    }
}
