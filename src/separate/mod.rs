//! Phases to parts: where did the travel go?

use std::collections::BTreeMap;
use std::ops::Range;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::{Blocks, Phased};
use crate::sheet::Sheet;
use crate::stats::Estimate;

/// Shapes that come back.
mod bases;

/// Stretch and give between blocks.
mod between;

/// Loops between turning points.
mod branches;

/// What the fit leaves over.
mod closure;

/// Spreads to intervals.
mod interval;

/// The balance as a least-squares problem.
mod model;

/// Moments between blocks.
mod moment;

/// Parts and what supports them.
mod parts;

/// Where shapes of the load are computed.
mod points;

/// Where slips may change their pace.
mod nodes;
#[cfg(test)]
mod oracles;

/// Gauges over blocks.
mod readings;

/// Factor of narrow matrices.
mod skyline;

/// Least squares under constraints.
mod solve;

/// The record with a slip held at nothing.
mod tenable;

pub(crate) use parts::DRAWS_SEED;
pub use solve::SolveError;
pub use tenable::{Explanation, GaugeFit, Tenable, explanations};

/// A part of the travel.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum PartName {
    /// Elastic: comes back, at once or late.
    Stretch,
    /// Bedding-in: comes with new highest loads, does not come back, is no slip.
    Set,
    /// Line through the stopper.
    StopperSlip,
    /// Core inside the cover.
    CoverSlip,
    /// Reversible give of mount and jaws.
    Give,
    /// Set and cover slip together, where the gauges cannot tell them apart.
    SetAndCoverSlip,
    /// Set and every slip together: what did not come back.
    NotRecovered,
}

impl PartName {
    /// Every part.
    pub const ALL: [Self; 7] = [
        Self::Stretch,
        Self::Set,
        Self::StopperSlip,
        Self::CoverSlip,
        Self::Give,
        Self::SetAndCoverSlip,
        Self::NotRecovered,
    ];

    /// The name used in machine files and in the truth of a simulated pull.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Stretch => "stretch",
            Self::Set => "set",
            Self::StopperSlip => "stopper_slip",
            Self::CoverSlip => "cover_slip",
            Self::Give => "give",
            Self::SetAndCoverSlip => "set_and_cover_slip",
            Self::NotRecovered => "not_recovered",
        }
    }

    /// Whether a slack line no longer has it.
    #[must_use]
    pub fn comes_back(self) -> bool {
        matches!(self, Self::Stretch | Self::Give)
    }

    /// The words used in tables and charts.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Stretch => "stretch",
            Self::Set => "set",
            Self::StopperSlip => "stopper slip",
            Self::CoverSlip => "cover slip",
            Self::Give => "give of mount and jaws",
            Self::SetAndCoverSlip => "set and cover slip together",
            Self::NotRecovered => "what did not come back",
        }
    }
}

/// One part of the travel over the pull.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Part {
    /// At the end of the record (or where the line ran out).
    pub end: Estimate,
    /// When the indicated load first reached the proof load; absent with a reason without a proof load or below it.
    pub at_proof: Estimate,
    /// What the end figure's variance is made of.
    pub budget: Vec<BudgetLine>,
    /// Course over the blocks; not in JSON (see `traces.parquet`).
    #[serde(skip)]
    pub course: Option<Course>,
}

/// The course of a part: one element per block, SI.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Course {
    /// Best value; `None` for a bracket.
    pub value: Option<Vec<f64>>,
    /// Lower end of the 95 % interval.
    pub low: Vec<f64>,
    /// Upper end.
    pub high: Vec<f64>,
    /// Known at some blocks only, where its gauge was read by hand: in between it may do anything within its bounds.
    pub at_readings: bool,
    /// Standard uncertainty of one block's value from noise alone, independent between blocks: what a difference
    /// between two blocks is blurred by. Zeros, gains and other common errors are not in it.
    pub noise: Vec<f64>,
}

/// One source of uncertainty of a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BudgetLine {
    /// Such as `noise of the mark gauge`, `accuracy of the travel gauge`, `choice of stretch law`.
    pub source: String,
    /// `record`, `instrument` or `model`.
    pub kind: String,
    /// Standard uncertainty that this source alone causes, mm.
    pub standard_uncertainty_mm: f64,
}

/// What the fitted parts leave unexplained in one gauge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Closure {
    /// The gauge.
    pub gauge: GaugeKind,
    /// Root mean square of the residual per block, mm.
    pub rms_mm: f64,
    /// What noise alone would leave, mm: that of the gauge, and for the travel that of the load through the stretch.
    pub expected_mm: f64,
    /// Lag of the gauge behind the load that was found, s, if the record shows it.
    pub lag_s: Option<f64>,
    /// Residual per block in m; not in JSON.
    #[serde(skip)]
    pub residual_m: Vec<f64>,
}

/// The line's own stretch curve as found: strain against load.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct StretchCurve {
    /// Loads in kN, rising.
    pub load_kn: Vec<f64>,
    /// Stretch in mm on the way up, bedded in.
    pub loading_mm: Vec<f64>,
    /// Stretch in mm on the way down from the highest load.
    pub unloading_mm: Vec<f64>,
    /// Free length that these stretches belong to, mm; absent if the sheet does not say.
    pub free_length_mm: Option<f64>,
}

/// Whether a question can be answered with these gauges and this schedule, and if not, what is missing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Support {
    /// The part asked for.
    pub part: PartName,
    /// `throughout`, `below the highest load`, `as one figure with set`, `bracketed`, `at the readings`, `no`.
    pub how: String,
    /// Which gauge or cycle would tell more; empty when nothing is missing.
    pub missing: String,
}

/// The travel, split.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Separated {
    /// Every part asked for, known or not.
    pub parts: BTreeMap<PartName, Part>,
    /// Time that the figures of the end belong to, s on the log's clock: the end of the pull, or of the last run-out.
    pub end_s: f64,
    /// What the gauges support.
    pub support: Vec<Support>,
    /// Residuals per gauge.
    pub closure: Vec<Closure>,
    /// The line's stretch curve, where it could be found.
    pub stretch_curve: Option<StretchCurve>,
    /// The blocks that courses and residuals refer to; not in JSON.
    #[serde(skip)]
    pub blocks: Blocks,
    /// Total travel per block, m, zero at the first dwell; not in JSON. Empty without a travel gauge.
    #[serde(skip)]
    pub travel_m: Vec<f64>,
    /// Parts between the blocks' centres; not in JSON.
    #[serde(skip)]
    pub between: Between,
}

/// Departures of parts from straight lines between the blocks' centres, where the load tells them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Between {
    /// Time of the record's entries, s.
    pub time_s: Vec<f64>,
    /// Departure per entry, m.
    pub departure_m: BTreeMap<PartName, Vec<f64>>,
}

impl Separated {
    /// The course of a part over the blocks, if there is one.
    #[must_use]
    pub fn course(&self, part: PartName) -> Option<&Course> {
        self.parts.get(&part)?.course.as_ref()
    }
}

/// Why the travel cannot be split at all.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SeparateError {
    /// The least-squares problem has no solution.
    #[error("the balance of the travel could not be fitted")]
    Solve(#[from] solve::SolveError),
    /// Only the load was logged.
    #[error("the log has no displacement gauge: nothing can be split")]
    NoDisplacement,
}

/// Splits the travel of a phased record.
///
/// # Errors
/// No displacement gauge, or a problem without a solution.
pub fn separate(
    record: &Conditioned,
    phased: &Phased,
    sheet: &Sheet,
) -> Result<(Separated, Vec<Caveat>), SeparateError> {
    let balance = model::fit(record, phased, sheet)?.ok_or(SeparateError::NoDisplacement)?;
    let means = parts::means(&balance, phased, sheet);
    let parts::Split {
        parts,
        support,
        mut caveats,
    } = parts::split(&balance, record, phased, sheet, &means);
    if sheet
        .gauges
        .mark
        .as_ref()
        .is_some_and(|m| m.distance.is_none())
    {
        caveats.push(Caveat::new(
            "mark-distance-unknown",
            Weight::Caution,
            "The sheet does not say how far the mark stands from the mouth; within 50 mm is assumed.",
            "Measure the distance and write it as distance in [gauges.mark].",
        ));
    }
    if sheet.line.splice.as_ref().is_some_and(|s| s.travel_beyond) {
        caveats.push(Caveat::new(
            "splice-in-travel",
            Weight::Caution,
            "The travel is read beyond the splice: what the splice itself slid and bedded in counts as set, and as what did not come back.",
            "Read the travel on the line below the splice, or put a gauge across its throat.",
        ));
    }
    caveats.extend(
        balance
            .slack
            .iter()
            .map(|spell| hung_slack(&balance, spell)),
    );
    caveats.extend(closure::shrinks(&parts, phased));
    let closure = closure::closure(&balance, record, phased, &mut caveats);
    Ok((
        Separated {
            parts,
            end_s: record.time_s[balance.ranges[balance.last_block].end - 1],
            support,
            closure,
            stretch_curve: closure::stretch_curve(&balance, phased, sheet),
            blocks: phased.blocks.clone(),
            travel_m: closure::travel(&balance, phased),
            between: between::between(&balance, record, phased),
        },
        caveats,
    ))
}

fn hung_slack(balance: &model::Balance, spell: &Range<usize>) -> Caveat {
    let time = &balance.problem.time;
    Caveat::new(
        "line-hung-slack",
        Weight::Caution,
        format!(
            "The line hung slack from {:.0} s to {:.0} s: what the travel gauge shows there is not the line's and is not used.",
            time[spell.start],
            time[spell.end - 1]
        ),
        "Keep the pre-tension on between the loads of one pull; two pulls make two logs.",
    )
}

#[cfg(test)]
mod tests {
    use super::PartName;

    #[test]
    fn a_part_has_one_name_in_every_file() {
        for part in PartName::ALL {
            assert_eq!(serde_json::to_value(part).unwrap(), part.key());
        }
        assert_eq!(
            PartName::ALL.map(PartName::key),
            crate::simulate::TRUE_PARTS
        );
    }
}
