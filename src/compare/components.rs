//! Where does the scatter come from: from the session, from the line, or from the pull?
//!
//! Method: random effects of session and line beside the groups, restricted likelihood ([`crate::stats::mixed`]); and for
//! each group pulled in several sessions repeatability and reproducibility ([`crate::stats::interlaboratory`]).
//! Only loads that were reached enter. A component without repeats of its own is left out, not set to nothing.

use std::collections::BTreeMap;

use nalgebra::DMatrix;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::gather::{Counted, Gathered};
use crate::stats::censored::Observed;
use crate::stats::interlaboratory::{Precision, precision as interlaboratory};
use crate::stats::mixed;

/// Standard deviations of the logarithm: shares of the load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Components {
    /// Between sessions; absent where sessions do not share groups.
    pub sessions: Option<f64>,
    /// Between lines of one kind; absent where no line was pulled twice.
    pub lines: Option<f64>,
    /// Between pulls of one session (and line).
    pub pulls: f64,
    /// Numbers of sessions, lines and pulls.
    pub counts: (usize, usize, usize),
    /// Residual of each pull by session, share of the load: what is left when its group's mean is taken off.
    pub residuals: Vec<(String, Vec<f64>)>,
}

/// Precision of one group over sessions, kN.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SessionPrecision {
    /// The group.
    pub name: String,
    /// The sessions, in the order of the cells.
    pub sessions: Vec<String>,
    /// The figures, kN.
    pub figures: Precision,
}

fn log_load(load: Observed) -> Option<f64> {
    match load {
        Observed::At(v) => Some(v.ln()),
        Observed::Between(a, b) => Some(0.5 * (a.ln() + b.ln())),
        Observed::Above(_) => None,
    }
}

/// Indices by name in order, and how many there are.
fn indexed<'a>(names: impl Iterator<Item = &'a str>) -> (Vec<usize>, Vec<&'a str>) {
    let names: Vec<&str> = names.collect();
    let mut known = names.clone();
    known.sort_unstable();
    known.dedup();
    let index = names
        .iter()
        .map(|n| known.binary_search(n).unwrap_or(0))
        .collect();
    (index, known)
}

pub(super) fn of(gathered: &Gathered) -> Option<Components> {
    let rows: Vec<(&Counted, f64)> = gathered
        .counted
        .iter()
        .filter_map(|c| Some((c, log_load(c.load)?)))
        .collect();
    let (session, sessions) = indexed(rows.iter().map(|r| r.0.pull.session.as_str()));
    let (line, lines) = indexed(rows.iter().map(|r| r.0.pull.line.as_str()));
    let used: std::collections::BTreeSet<usize> = rows.iter().map(|r| r.0.group).collect();
    let columns: BTreeMap<usize, usize> = used.iter().enumerate().map(|(i, g)| (*g, i)).collect();
    let mut x = DMatrix::zeros(rows.len(), columns.len());
    for (i, (c, _)) in rows.iter().enumerate() {
        x[(i, columns[&c.group])] = 1.0;
    }
    let y: Vec<f64> = rows.iter().map(|r| r.1).collect();
    // A factor counts if some group saw two of its levels; lines need a second pull somewhere.
    let session_counts = sessions.len() > 1
        && used.iter().any(|g| {
            let mut own: Vec<usize> = (0..rows.len())
                .filter(|i| rows[*i].0.group == *g)
                .map(|i| session[i])
                .collect();
            own.sort_unstable();
            own.dedup();
            own.len() > 1
        });
    let line_counts = lines.len() < rows.len() && lines.len() > 1;
    let mut random = Vec::new();
    if session_counts {
        random.push(session.clone());
    }
    if line_counts {
        random.push(line);
    }
    let fitted = mixed::restricted(&x, &random, &y)?;
    let mut between = fitted.between.iter().copied();
    let mut residuals: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
    for (i, (c, value)) in rows.iter().enumerate() {
        residuals
            .entry(sessions[session[i]])
            .or_default()
            .push(value - fitted.fixed[columns[&c.group]]);
    }
    Some(Components {
        sessions: session_counts.then(|| between.next()).flatten(),
        lines: line_counts.then(|| between.next()).flatten(),
        pulls: fitted.within,
        counts: (sessions.len(), lines.len(), rows.len()),
        residuals: residuals
            .into_iter()
            .map(|(s, r)| (s.to_owned(), r))
            .collect(),
    })
}

pub(super) fn precision(gathered: &Gathered) -> Vec<SessionPrecision> {
    let mut found = Vec::new();
    for (g, name) in gathered.names.iter().enumerate() {
        let mut cells: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        for c in gathered.counted.iter().filter(|c| c.group == g) {
            if let Some(y) = log_load(c.load) {
                cells.entry(&c.pull.session).or_default().push(y.exp());
            }
        }
        let values: Vec<Vec<f64>> = cells.values().cloned().collect();
        if let Some(figures) = interlaboratory(&values) {
            found.push(SessionPrecision {
                name: name.clone(),
                sessions: cells.keys().map(|s| (*s).to_owned()).collect(),
                figures,
            });
        }
    }
    found
}
