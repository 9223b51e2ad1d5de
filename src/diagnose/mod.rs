//! Cause and remedy: which interface moved, how sure is that, what does the trade do about it, and which pull would prove it?
//!
//! Never more certain than the split: an interface counts as moved only if its first slip was measured or both ends of its
//! bracket show slip, and as still only if it is known and stayed below first slip. Everything else is "cannot tell", and then
//! the next pull is the one with the missing gauge, not a remedy.
//! The remedies and their order are common practice of the trade, no source.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::limit::{Interface, Known, LEAST_SLIP, Limit, LimitInputs};
use crate::sheet::Rule;
use crate::stats::Status;
use crate::verdict::{Verdict, VerdictWord};
use crate::words::lower_first;

mod remedies;

/// What moved.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Moved {
    /// The line in the stopper.
    Stopper,
    /// The cover over the core.
    Cover,
    /// Both interfaces.
    Both,
    /// Neither: the line only stretched and bedded in.
    Neither,
    /// The gauges do not tell.
    CannotTell,
}

/// How sure that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Sureness {
    /// Both interfaces were measured.
    Measured,
    /// One interface was measured to move; the other is not told.
    InPart,
    /// A bracket lies wholly above nothing: that it moved is sure, how far is not.
    Bracketed,
    /// Not told.
    CannotTell,
}

/// One remedy.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Remedy {
    /// What to do.
    pub what: String,
    /// Why it helps against this cause.
    pub reason: String,
    /// The pull that would prove it.
    pub proof: String,
}

/// Cause, remedies in order, next pull.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Diagnosis {
    /// What moved.
    pub moved: Moved,
    /// How sure that is.
    pub sure: Sureness,
    /// The finding in a sentence.
    pub finding: String,
    /// What it rests on, one sentence each.
    pub evidence: Vec<String>,
    /// Remedies, the first one first; empty when nothing needs one or the cause is not told.
    pub remedies: Vec<Remedy>,
    /// Remarks on what the sheet says, such as a treatment that lies outside the held length.
    pub notes: Vec<String>,
    /// The next thing to do, one sentence.
    pub next_pull: String,
}

/// What is known of one interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Moved,
    /// Moved surely, how far is bracketed.
    MovedSomehow,
    Still,
    Open,
}

/// Finds cause, remedies and the next pull.
#[must_use]
pub fn find(inputs: &LimitInputs, limit: &Limit, verdict: &Verdict) -> Diagnosis {
    let mut evidence = Vec::new();
    let stopper = state(inputs, limit, Interface::Stopper, &mut evidence);
    let cover = state(inputs, limit, Interface::Cover, &mut evidence);
    let moves = |s: State| matches!(s, State::Moved | State::MovedSomehow);
    let moved = match (stopper, cover) {
        (s, c) if moves(s) && moves(c) => Moved::Both,
        (s, _) if moves(s) => Moved::Stopper,
        (_, c) if moves(c) => Moved::Cover,
        (State::Still, State::Still) => Moved::Neither,
        _ => Moved::CannotTell,
    };
    let sure = match moved {
        Moved::CannotTell => Sureness::CannotTell,
        _ if stopper == State::Open || cover == State::Open => Sureness::InPart,
        _ if stopper == State::MovedSomehow || cover == State::MovedSomehow => Sureness::Bracketed,
        _ => Sureness::Measured,
    };
    let mut remedies = match moved {
        Moved::Stopper => remedies::for_the_stopper(inputs.sheet),
        Moved::Cover => remedies::for_the_cover(inputs.sheet),
        Moved::Both => match within_allowance(inputs) {
            (true, false) => remedies::for_the_cover(inputs.sheet),
            (false, true) => remedies::for_the_stopper(inputs.sheet),
            _ => {
                let (mut a, mut b) = (
                    remedies::for_the_stopper(inputs.sheet),
                    remedies::for_the_cover(inputs.sheet),
                );
                if cover_moved_more(inputs) {
                    std::mem::swap(&mut a, &mut b);
                }
                a.into_iter().chain(b).collect()
            }
        },
        Moved::Neither | Moved::CannotTell => vec![],
    };
    if !remedies.is_empty() || moved == Moved::Neither {
        remedies.extend(remedies::for_the_handling(
            inputs.sheet,
            !remedies.is_empty(),
        ));
    }
    let mut notes = remedies::notes(inputs.sheet);
    if moved == Moved::Both {
        let spared = match within_allowance(inputs) {
            (true, false) => Some(Interface::Stopper),
            (false, true) => Some(Interface::Cover),
            _ => None,
        };
        notes.extend(spared.map(|interface| {
            format!(
                "The {} moved too, but by less than the sheet allows; no remedy for it is listed.",
                interface.words()
            )
        }));
    }
    let finding = finding(moved, stopper, cover);
    let next_pull = next_pull(inputs, verdict, moved, sure, &remedies);
    Diagnosis {
        moved,
        sure,
        finding,
        evidence,
        remedies,
        notes,
        next_pull,
    }
}

fn state(
    inputs: &LimitInputs,
    limit: &Limit,
    interface: Interface,
    evidence: &mut Vec<String>,
) -> State {
    let words = interface.words();
    let slip = inputs.slip(interface);
    let figure = limit
        .figures
        .iter()
        .find(|f| f.rule == Rule::FirstSlip && f.interface == interface);
    let Some(figure) = figure else {
        return State::Open;
    };
    let kn = |newtons: f64| format!("{:.2} kN", newtons / 1e3);
    // As fine as the width of its interval bears: a slip of hundredths and one of centimetres need other digits.
    let mm = |metres: f64, width: f64| {
        let places =
            usize::from(width < 0.4e-3) + usize::from(width < 4e-3) + usize::from(width < 0.04e-3);
        format!("{:.places$} mm", metres * 1e3)
    };
    let seating = if interface == Interface::Stopper {
        ", seating apart"
    } else {
        ""
    };
    let end = slip.value.last().zip(slip.low.last().zip(slip.high.last()));
    let surely = end.is_some_and(|(_, (low, _))| *low > LEAST_SLIP);
    // That a slip was measured does not hang on whether the load is known at which it began.
    let measured = slip.absent.is_none() && slip.known == Known::Value && surely;
    match figure.load.status {
        status if status == Status::Measured || measured => {
            let (value, (low, high)) = end.unwrap_or((&0.0, (&0.0, &0.0)));
            let began = match (figure.load.value, figure.load.low, figure.load.high) {
                (Some(at), ..) => format!(", first seen at {}", kn(at)),
                (None, Some(from), Some(to)) => {
                    format!(", first seen between {} and {}", kn(from), kn(to))
                }
                _ => "; the load at which it began is not told".into(),
            };
            evidence.push(format!(
                "The {words} moved: {} at the end ({} to {}){seating}{began}.",
                mm(*value, high - low),
                mm(low.max(0.0), high - low),
                mm(*high, high - low),
            ));
            State::Moved
        }
        Status::NotReached => {
            evidence.push(format!(
                "The {words} stayed below first slip up to at least {}{}.",
                kn(figure.load.low.unwrap_or(0.0)),
                end.map_or(String::new(), |(_, (low, high))| format!(
                    ": at most {} at the end{seating}",
                    mm(high.max(0.0), high - low)
                ))
            ));
            State::Still
        }
        Status::Bracket if slip.known == Known::Bracket && figure.load.high.is_some() && surely => {
            let (_, (low, high)) = end.unwrap_or((&0.0, (&0.0, &0.0)));
            evidence.push(format!(
                "The {words} moved by something between {} and {}{seating}; the gauges tell no better.",
                mm(low.max(0.0), high - low),
                mm(*high, high - low)
            ));
            State::MovedSomehow
        }
        _ => {
            let why = figure
                .load
                .reason
                .clone()
                .or_else(|| slip.absent.clone())
                .unwrap_or_else(|| "the gauges do not tell".into());
            evidence.push(format!(
                "Whether the {words} moved is not told: {}.",
                why.trim_end_matches('.')
            ));
            State::Open
        }
    }
}

/// Whether stopper and cover slip, at their upper bounds at the end, lie within what the sheet allows. Without an
/// allowance nothing is within it.
fn within_allowance(inputs: &LimitInputs) -> (bool, bool) {
    let limits = inputs.sheet.limits.as_ref();
    let within = |interface, allowed: Option<crate::units::Length>| {
        let slip = inputs.slip(interface);
        slip.high
            .last()
            .zip(allowed)
            .is_some_and(|(high, allowed)| *high <= allowed.si())
    };
    (
        within(Interface::Stopper, limits.and_then(|l| l.stopper_slip)),
        within(Interface::Cover, limits.and_then(|l| l.cover_slip)),
    )
}

fn cover_moved_more(inputs: &LimitInputs) -> bool {
    let end = |interface| {
        let slip = &inputs.slip(interface).value;
        slip.last().copied().unwrap_or(0.0)
    };
    end(Interface::Cover) > end(Interface::Stopper)
}

fn finding(moved: Moved, stopper: State, cover: State) -> String {
    let open = |s: State| s == State::Open;
    match moved {
        Moved::Both => "The line slid through the stopper and the cover slid over the core.".into(),
        Moved::Stopper if open(cover) => {
            "The line slid through the stopper; whether the cover slid over the core is not told."
                .into()
        }
        Moved::Stopper => "The line slid through the stopper; the cover held on the core.".into(),
        Moved::Cover if open(stopper) => {
            "The cover slid over the core; whether the line slid through the stopper is not told."
                .into()
        }
        Moved::Cover => "The cover slid over the core; the stopper held the line.".into(),
        Moved::Neither => "Nothing slid: the line only stretched and bedded in.".into(),
        Moved::CannotTell => match (stopper, cover) {
            (State::Still, _) => {
                "The stopper held the line; whether the cover slid over the core is not told."
                    .into()
            }
            (_, State::Still) => {
                "The cover held on the core; whether the line slid through the stopper is not told."
                    .into()
            }
            _ => "Which interface moved, if any, is not told by these gauges.".into(),
        },
    }
}

fn next_pull(
    inputs: &LimitInputs,
    verdict: &Verdict,
    moved: Moved,
    sure: Sureness,
    remedies: &[Remedy],
) -> String {
    let missing = || {
        let part = |interface: Interface| {
            inputs
                .separated
                .support
                .iter()
                .find(|s| s.part == interface.part() && !s.missing.is_empty())
                .map(|s| s.missing.trim_end_matches('.').to_string())
        };
        part(Interface::Cover)
            .or_else(|| part(Interface::Stopper))
            .map_or_else(
                || "Pull again with a mark on the cover at the mouth and one on the tail.".into(),
                |what| {
                    // The verdict may have named it already.
                    if verdict.next.contains(&what) {
                        verdict.next.clone()
                    } else {
                        format!("Pull again with what is missing: {what}.")
                    }
                },
            )
    };
    match (moved, remedies.first()) {
        (Moved::CannotTell, _) => missing(),
        (Moved::Neither, _) if verdict.word == VerdictWord::NotDecided => verdict.next.clone(),
        (Moved::Neither, _) => "No remedy is needed: the line came back or bedded in.".into(),
        (_, _) if verdict.word == VerdictWord::Passes => {
            "Within what the sheet allows: keep the record; the remedies below are for more margin."
                .into()
        }
        (_, _) if sure == Sureness::InPart && verdict.word == VerdictWord::NotDecided => missing(),
        (_, Some(first)) => format!("{}; then {}", first.what, lower_first(&first.proof)),
        (_, None) => verdict.next.clone(),
    }
}

#[cfg(test)]
mod tests;
