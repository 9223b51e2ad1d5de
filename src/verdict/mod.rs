//! Limits and parts to a verdict: passes, fails, or not decided and what would decide it.
//!
//! Passes only if the proof load was reached (measured less its uncertainty), held for the sheet's time, and the one-sided
//! 95 % upper bound of slip (seating apart; a bracket counts whole) is within the allowance. Fails only if the lower
//! bound is beyond it. Otherwise not decided. Slip is judged where the hold was complete: what happens at higher loads is no
//! part of the proof, and what goes beyond the allowance later, at loads no higher, leaves it undecided. A hold that was cut
//! short is judged by all that slid at loads up to proof: a line that runs out on reaching it fails. A slip that no gauge bounds
//! to the moment judged lets nothing pass, by whatever rule. A caveat that allows no verdict leaves the pull undecided, whatever
//! the figures; one that allows no pass leaves it undecided unless it fails.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::limit::{Limit, LimitInputs, LoadErrors};

mod grounds;

use grounds::Case;

/// The verdict in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum VerdictWord {
    /// Proof load reached and held, slip surely within the allowance.
    #[serde(rename = "passes")]
    Passes,
    /// Slip surely beyond the allowance.
    #[serde(rename = "fails")]
    Fails,
    /// Neither is sure.
    #[serde(rename = "not decided")]
    NotDecided,
    /// The sheet states no limits.
    #[serde(rename = "no limits given")]
    NoLimits,
}

impl VerdictWord {
    /// The words used in reports and on the terminal.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Passes => "passes",
            Self::Fails => "fails",
            Self::NotDecided => "not decided",
            Self::NoLimits => "no limits given",
        }
    }
}

/// The verdict with its grounds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The word.
    pub word: VerdictWord,
    /// One sentence per ground, figures included.
    pub grounds: Vec<String>,
    /// What would decide it, or what to add to the sheet; empty when decided.
    pub would_decide: Vec<String>,
    /// The next thing to do, one sentence.
    pub next: String,
}

/// Decides. `caveats` are those of every stage: one that allows no verdict leaves the pull undecided.
#[must_use]
pub fn decide(inputs: &LimitInputs, limit: &Limit, caveats: &[Caveat]) -> Verdict {
    let Some((limits, proof)) = inputs
        .sheet
        .limits
        .as_ref()
        .and_then(|limits| Some((limits, limits.proof?)))
    else {
        return no_limits(inputs);
    };
    let case = Case {
        inputs,
        limits,
        proof,
        errors: LoadErrors::of(inputs.conditioned),
    };
    let carried = case.carried();
    let mut findings = vec![case.reached(&carried)];
    findings.extend(case.held(&carried, limit));
    findings.extend(case.slips(&carried));
    findings.extend(case.unlimited(&carried));
    findings.extend(case.unread(&carried));
    findings.extend(case.creep(limit));
    findings.extend(case.by_figure(limit));
    findings.extend(case.tail());
    findings.extend(caveats.iter().filter_map(|c| {
        let says = match c.weight {
            Weight::Note | Weight::Caution => return None,
            Weight::NoPass => Says::Open,
            Weight::NoVerdict => Says::Voids,
        };
        Some(Finding {
            says,
            ground: c.message.clone(),
            decide: c.advice.clone(),
        })
    }));
    let mut verdict = conclude(findings);
    if verdict.word == VerdictWord::Passes
        && let Some(margin) = case.margin(limit)
    {
        verdict.next = margin;
    }
    verdict
}

fn no_limits(inputs: &LimitInputs) -> Verdict {
    let what = if inputs.sheet.limits.is_some() {
        "Add `proof` to `[limits]` of the sheet: the load that must be carried."
    } else {
        "Add `[limits]` to the sheet: `proof`, `hold`, and what is allowed (`stopper_slip`, `cover_slip`, `rate` or `creep`)."
    };
    Verdict {
        word: VerdictWord::NoLimits,
        grounds: vec!["The sheet states no load that the line must carry, so there is nothing to pass or fail.".into()],
        would_decide: vec![what.into()],
        next: what.into(),
    }
}

/// What one ground says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Says {
    Passes,
    Fails,
    Open,
    /// No verdict can rest on the record, not even a failing one.
    Voids,
}

/// One ground with what would settle it.
struct Finding {
    says: Says,
    ground: String,
    decide: String,
}

fn conclude(findings: Vec<Finding>) -> Verdict {
    let any = |says: Says| findings.iter().any(|f| f.says == says);
    let word = if any(Says::Voids) {
        VerdictWord::NotDecided
    } else if any(Says::Fails) {
        VerdictWord::Fails
    } else if any(Says::Open) {
        VerdictWord::NotDecided
    } else {
        VerdictWord::Passes
    };
    let rank = |says: Says| match word {
        // What decided comes first.
        VerdictWord::Fails => usize::from(says != Says::Fails),
        _ => match says {
            Says::Voids => 0,
            Says::Open => 1,
            Says::Fails => 2,
            Says::Passes => 3,
        },
    };
    let mut sorted: Vec<&Finding> = findings.iter().collect();
    sorted.sort_by_key(|f| rank(f.says));
    let would_decide: Vec<String> = if word == VerdictWord::NotDecided {
        let mut list: Vec<String> = sorted
            .iter()
            .filter(|f| matches!(f.says, Says::Voids | Says::Open) && !f.decide.is_empty())
            .map(|f| f.decide.clone())
            .collect();
        list.dedup();
        list
    } else {
        vec![]
    };
    let next = match word {
        VerdictWord::Passes => {
            "Nothing more to prove on this pull: keep the record with the line.".into()
        }
        VerdictWord::Fails => {
            "Do not hand the line over: find the cause, mend it and pull again.".into()
        }
        _ => would_decide
            .first()
            .cloned()
            .unwrap_or_else(|| "Pull again with the gauges that the caveats name.".into()),
    };
    Verdict {
        word,
        grounds: sorted.iter().map(|f| f.ground.clone()).collect(),
        would_decide,
        next,
    }
}

#[cfg(test)]
mod tests;
