//! Inputs to analysis: one line per stage; what a failure tells the user, and a first look without figures.

use crate::aboard;
pub use crate::analysis::Inputs;
use crate::analysis::{Analysis, Parted, Settings};
use crate::condition::{self, ConditionError};
use crate::diagnose;
use crate::limit::{self, LimitInputs};
use crate::phases::{self, Phased};
use crate::separate::{self, SeparateError, Support};
use crate::sheet::Purpose;
use crate::verdict;

/// Why there is no analysis.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Failure {
    /// The log cannot be conditioned.
    #[error(transparent)]
    Condition(#[from] ConditionError),
    /// The travel cannot be split.
    #[error(transparent)]
    Separate(#[from] SeparateError),
}

impl Failure {
    /// A thing that the user can do.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Condition(ConditionError::TooFewLoads { .. }) => {
                "check the column and unit of [gauges.load] against the header of the log"
            }
            Self::Condition(ConditionError::LoadNeverMoves { .. }) => {
                "check that [gauges.load] names the column of the load cell and that the cell was connected"
            }
            Self::Condition(ConditionError::LoadBackwards { .. }) => {
                "if the cell reads pull as negative, write sign = \"-\" under [gauges.load]"
            }
            Self::Condition(ConditionError::Instrument { .. }) => {
                "write accuracies as in `bitterend new`, for example accuracy = \"0.5 % of reading\""
            }
            Self::Separate(SeparateError::NoDisplacement) => {
                "name at least one displacement gauge in the sheet: [gauges.travel], [gauges.mark], [gauges.tail] or [gauges.core]"
            }
            Self::Separate(SeparateError::Solve(_)) => {
                "run `bitterend check` on the folder and look for a gauge with a wrong unit, sign or column"
            }
        };
        Some(text.to_owned())
    }
}

/// Analyses one pull.
///
/// # Errors
/// See [`Failure`].
pub fn analyse(inputs: Inputs, settings: &Settings) -> Result<Analysis, Failure> {
    let (record, mut caveats) = condition::condition(&inputs.log, &inputs.sheet)?;
    let (phased, found) = phases::phases(&record, &inputs.sheet);
    caveats.extend(found);
    let (separated, found) = separate::separate(&record, &phased, &inputs.sheet)?;
    caveats.extend(found);
    let limit_inputs = LimitInputs::new(&record, &phased.phases, &separated, &inputs.sheet);
    let (limit, found) = limit::find(&limit_inputs);
    caveats.extend(found);
    let (aboard, found) = aboard::keep(&limit_inputs, &limit);
    caveats.extend(found);
    let verdict = verdict::decide(&limit_inputs, &limit, &caveats);
    let diagnosis = diagnose::find(&limit_inputs, &limit, &verdict);
    let explanations = if inputs.sheet.pull.purpose == Purpose::Survey {
        separate::explanations(&record, &phased, &inputs.sheet)?
    } else {
        Vec::new()
    };
    let parted = Parted {
        verdict,
        limit,
        aboard,
        diagnosis,
        explanations,
        caveats,
    };
    Ok(Analysis::assemble(
        inputs, settings, &record, &phased, separated, parted,
    ))
}

/// What a record can tell, without its figures.
#[derive(Debug, Clone)]
pub struct Inspection {
    phased: Phased,
    support: Vec<Support>,
    remarks: Vec<String>,
}

/// Looks at a pull without judging it.
///
/// # Errors
/// See [`Failure`].
pub fn inspect(inputs: &Inputs) -> Result<Inspection, Failure> {
    let (record, mut caveats) = condition::condition(&inputs.log, &inputs.sheet)?;
    let (phased, found) = phases::phases(&record, &inputs.sheet);
    caveats.extend(found);
    let (separated, found) = separate::separate(&record, &phased, &inputs.sheet)?;
    caveats.extend(found);
    Ok(Inspection {
        phased,
        support: separated.support,
        remarks: caveats
            .iter()
            .map(|c| format!("{}: {} {}", c.weight.words(), c.message, c.advice))
            .collect(),
    })
}

impl Inspection {
    /// Lines for `check`: phases, what the gauges can tell, remarks.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![format!(
            "phases: {} (first dwell at {:.3} kN, highest load {:.3} kN, unloaded {})",
            self.phased.phases.len(),
            self.phased.pretension_n / 1e3,
            self.phased.peak_n / 1e3,
            times(self.phased.cycles)
        )];
        for phase in &self.phased.phases {
            lines.push(format!(
                "  {:>9.1} s to {:>9.1} s  {:<12} {:>8.3} kN to {:>8.3} kN",
                phase.start_s,
                phase.end_s,
                phase.kind.word(),
                phase.load_start_n / 1e3,
                phase.load_end_n / 1e3
            ));
        }
        lines.push("these gauges and this schedule can tell:".to_owned());
        for support in &self.support {
            let missing = if support.missing.is_empty() {
                String::new()
            } else {
                format!(" (would tell more: {})", support.missing)
            };
            lines.push(format!(
                "  {}: {}{missing}",
                support.part.words(),
                support.how
            ));
        }
        lines.extend(self.remarks.iter().cloned());
        lines
    }
}

fn times(n: usize) -> String {
    match n {
        0 => "never".to_owned(),
        1 => "once".to_owned(),
        n => format!("{n} times"),
    }
}
