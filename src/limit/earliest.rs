//! Which comes first? The pair's limit is that of the interface that reaches the rule first; an allowance of several
//! figures is reached by the first of them.

use super::{AtRate, Interface, LimitFigure};
use crate::sheet::Rule;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, Status};

/// The first of several loads, and which one it was.
struct First {
    load: Estimate,
    /// Index of the deciding one; `None` where a bracket leaves it open or none was reached.
    by: Option<usize>,
}

/// The first of several loads that all can be told.
fn first_of(loads: &[&Estimate]) -> Option<First> {
    let least = |pick: &dyn Fn(&Estimate) -> Option<f64>| {
        loads
            .iter()
            .filter_map(|e| pick(e))
            .fold(f64::INFINITY, f64::min)
    };
    let low = least(&|e| e.low);
    let high = least(&|e| e.high);
    let high = high.is_finite().then_some(high);
    if loads.is_empty() || !low.is_finite() {
        return None;
    }
    let measured = loads
        .iter()
        .enumerate()
        .filter(|(_, e)| e.status == Status::Measured)
        .filter_map(|(i, e)| Some((i, e.value?)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    let bracket = loads
        .iter()
        .enumerate()
        .filter(|(_, e)| e.status == Status::Bracket)
        .min_by(|a, b| a.1.low.unwrap_or(0.0).total_cmp(&b.1.low.unwrap_or(0.0)));
    if let Some((i, value)) = measured {
        let earlier_bracket = bracket.filter(|(_, b)| b.low.is_none_or(|low| low < value));
        if earlier_bracket.is_none() {
            let mut load = loads[i].clone();
            load.low = Some(low.min(value));
            load.high = high.map(|high| high.max(value));
            return Some(First { load, by: Some(i) });
        }
    }
    if let Some((i, b)) = bracket {
        let mut load = Estimate {
            high,
            ..Estimate::bracket(
                Measure::Force,
                low,
                low,
                b.method.clone(),
                b.reason.clone().unwrap_or_default(),
            )
        };
        load.level = LEVEL;
        let alone =
            measured.is_none() && loads.iter().filter(|e| e.status == Status::Bracket).count() == 1;
        return Some(First {
            load,
            by: alone.then_some(i),
        });
    }
    // None reached: the lowest bound holds for all.
    let (_, bound) = loads
        .iter()
        .enumerate()
        .min_by(|a, b| a.1.low.unwrap_or(0.0).total_cmp(&b.1.low.unwrap_or(0.0)))?;
    Some(First {
        load: (*bound).clone(),
        by: None,
    })
}

/// The allowance of one interface from its criteria; `None` without any.
pub(super) fn of_criteria(candidates: &[(Estimate, AtRate)]) -> Option<(Estimate, AtRate)> {
    let (told, untold): (Vec<_>, Vec<_>) = candidates
        .iter()
        .partition(|(load, _)| load.status != Status::CannotTell);
    let reasons: Vec<&str> = untold
        .iter()
        .filter_map(|(load, _)| load.reason.as_deref())
        .collect();
    let loads: Vec<&Estimate> = told.iter().map(|(load, _)| load).collect();
    let Some(first) = first_of(&loads) else {
        return untold.first().map(|_| {
            (
                Estimate::cannot_tell(Measure::Force, reasons.join("; ")),
                AtRate::default(),
            )
        });
    };
    // Loads are clones of the candidates, so the rate is that of the one with the same method.
    let rate = told
        .iter()
        .find(|(load, _)| load.method == first.load.method)
        .map_or(AtRate::default(), |(_, rate)| *rate);
    let load = first.load;
    if reasons.is_empty() {
        return Some((load, rate));
    }
    let untold = reasons.join("; ");
    let Some(high) = load.high else {
        let reason = format!("one allowance was not reached, another cannot be told: {untold}");
        return Some((
            Estimate::cannot_tell(Measure::Force, reason),
            AtRate::default(),
        ));
    };
    // What cannot be told may have been reached at any load below.
    let own = load.reason.map(|r| r + "; ").unwrap_or_default();
    let reason =
        format!("{own}another allowance, that may be reached earlier, cannot be told: {untold}");
    let load = Estimate::bracket(Measure::Force, 0.0, high, load.method, reason);
    Some((load, rate))
}

/// The pair's figure by one rule from those of its interfaces.
pub(super) fn of_the_pair(rule: Rule, figures: &[LimitFigure]) -> LimitFigure {
    let mut told: Vec<&LimitFigure> = Vec::new();
    let mut untold: Vec<&LimitFigure> = Vec::new();
    for figure in figures {
        if figure.load.status == Status::CannotTell {
            untold.push(figure);
        } else {
            told.push(figure);
        }
    }
    // An interface without an allowance of its own does not limit the pair by allowance.
    if rule == Rule::Allowance && !told.is_empty() {
        untold.retain(|f| f.load.reason.as_deref() != Some(NO_ALLOWANCE));
    }
    let loads: Vec<&Estimate> = told.iter().map(|f| &f.load).collect();
    let first = first_of(&loads);
    let deciding = first.as_ref().and_then(|f| f.by).map(|i| told[i]);
    let mut figure = LimitFigure {
        load: Estimate::cannot_tell(Measure::Force, ""),
        rule,
        interface: Interface::Pair,
        reached_by: deciding.map(|f| f.interface),
        rate: deciding
            .or(told.first().copied())
            .map_or(AtRate::default(), |f| f.rate),
        bend: deciding.and_then(|f| f.bend.clone()),
    };
    let reasons: Vec<String> = untold
        .iter()
        .map(|f| {
            format!(
                "{}: {}",
                f.interface.words(),
                f.load.reason.as_deref().unwrap_or("not known")
            )
        })
        .collect();
    match first {
        Some(first) if untold.is_empty() => figure.load = first.load,
        Some(first) => {
            let at_most = first
                .load
                .high
                .map(|high| format!("at most {:.2} kN; ", high / 1e3))
                .unwrap_or_default();
            figure.load =
                Estimate::cannot_tell(Measure::Force, format!("{at_most}{}", reasons.join("; ")));
            figure.reached_by = None;
            figure.bend = None;
        }
        None => {
            let mut distinct = reasons;
            distinct.dedup();
            figure.load = Estimate::cannot_tell(Measure::Force, distinct.join("; "));
        }
    }
    figure
}

/// Reason of an interface for which the sheet allows nothing in particular.
pub(super) const NO_ALLOWANCE: &str = "the sheet states no allowance for this interface";
