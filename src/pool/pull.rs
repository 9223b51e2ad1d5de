//! One pull among many: the facts by which it is compared, taken from a finished analysis.
//!
//! Who it was (line, stopper, treatment, session, rig), what its limit is by each rule and at which rate, and what the
//! load cell shares with other pulls. Names that the sheet leaves out are made from what it says; what is not said at all
//! is told apart from what is said.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::{Analysis, Record, SheetRecord};
use crate::caveat::{Caveat, Weight};
use crate::figures::Units;
use crate::ingest::{GaugeKind, InputFile};
use crate::limit::{AtRate, Interface, Limit, LimitFigure};
use crate::sheet::{HeldPart, Line, Rule, Sheet, Stopper};
use crate::stats::Status;
use crate::stats::censored::Observed;

/// The parts of an `analysis.json` that a comparison reads.
#[derive(Debug, Clone, Deserialize)]
pub struct Finished {
    /// Form of the file.
    pub schema_version: u32,
    /// The holding limit.
    pub limit: Limit,
    /// Facts of the record.
    pub record: Record,
    /// The input files with digests.
    pub inputs: Vec<InputFile>,
    /// The sheet as read.
    pub sheet: SheetRecord,
    /// What its reader had to know.
    pub caveats: Vec<Caveat>,
}

/// The part of the line that was held.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Held {
    /// Never held before, or not stated.
    Fresh,
    /// Held before: part of a wear series.
    Worn,
}

/// A limit of one pull by one rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PullFigure {
    /// The rule.
    pub rule: Rule,
    /// Load in kN, or its bounds; absent where the pull cannot tell.
    pub load: Option<Observed>,
    /// Why it is absent or only a bound.
    pub reason: Option<String>,
    /// Standard uncertainty within the pull, kN; already part of the scatter between pulls.
    pub standard_error_kn: Option<f64>,
    /// Rate or hold that belongs to it.
    pub rate: AtRate,
}

/// One pull, as far as it is compared. Loads in kN.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Pull {
    /// Folder or file it came from.
    pub name: String,
    /// Its name in its sheet.
    pub id: String,
    /// The line: the unit of repeats.
    pub line: String,
    /// What sort of line.
    pub line_kind: String,
    /// Which length of it.
    pub length: String,
    /// The stopper.
    pub stopper: String,
    /// What sort of stopper, with another fitting where it has one.
    pub stopper_kind: String,
    /// What was done to the line where it is held; `none`.
    pub treatment: String,
    /// Session, with its rig where both are stated; empty if neither it nor a date is.
    pub session: String,
    /// Rig; empty if not stated.
    pub rig: String,
    /// Load cell: its certificate, else the rig.
    pub cell: String,
    /// Date and time as stated.
    pub when: Option<String>,
    /// Fresh or worn.
    pub held: Held,
    /// Nominal diameter, mm.
    pub diameter_mm: Option<f64>,
    /// Thinnest line of the stopper, mm.
    pub diameter_min_mm: Option<f64>,
    /// Thickest line of the stopper, mm.
    pub diameter_max_mm: Option<f64>,
    /// Rated holding load, stated for the thickest line, kN.
    pub rated_kn: Option<f64>,
    /// Releases under load before this pull.
    pub loaded_releases: Option<u32>,
    /// Hauls through the closed grip before this pull.
    pub hauls_closed: Option<u32>,
    /// Load cycles of the held length before this pull.
    pub load_cycles: Option<u32>,
    /// Proof load of the sheet, kN.
    pub proof_kn: Option<f64>,
    /// Highest load of the record, kN.
    pub peak_kn: f64,
    /// Half width of the gain error of the load cell, share of the load; absent if not stated.
    pub cell_gain: Option<f64>,
    /// The rule that governs this pull.
    pub governing: Rule,
    /// The figure of every rule.
    pub figures: Vec<PullFigure>,
    /// Share and confidence that the sheet asks of a tolerance bound.
    pub asked: (Option<f64>, Option<f64>),
    /// Unit in which its sheet speaks of loads.
    pub force_unit: String,
    /// SHA-256 of the log: the same pull given twice shows here.
    pub log_sha256: String,
    /// Made by the simulator.
    pub simulated: bool,
    /// What its own analysis found that lets no pull pass, in words.
    #[serde(default)]
    pub doubts: Vec<String>,
    /// Why no verdict, and no comparison either, can rest on it.
    #[serde(default)]
    pub unusable: Option<String>,
}

/// What the name of a line begins with that its sheet does not name.
pub(crate) const UNNAMED: &str = "unnamed line of ";

/// Why an analysis is no part of a comparison.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WhyNot {
    /// Written by another version of the form.
    #[error("analysis.json has form {found}; this version reads form {known}")]
    Form {
        /// Form found.
        found: u32,
        /// Form known.
        known: u32,
    },
}

impl Pull {
    /// The facts of an analysis just made.
    #[must_use]
    pub fn of(name: &str, analysis: &Analysis) -> Self {
        Self::from_parts(
            name,
            &analysis.limit,
            &analysis.record,
            &analysis.inputs,
            &analysis.sheet.0,
            &analysis.caveats,
        )
    }

    /// The facts of a finished analysis.
    ///
    /// # Errors
    /// The file has another form than this version reads.
    pub fn of_finished(name: &str, finished: &Finished) -> Result<Self, WhyNot> {
        let known = crate::analysis::SCHEMA_VERSION;
        if finished.schema_version != known {
            return Err(WhyNot::Form {
                found: finished.schema_version,
                known,
            });
        }
        Ok(Self::from_parts(
            name,
            &finished.limit,
            &finished.record,
            &finished.inputs,
            &finished.sheet.0,
            &finished.caveats,
        ))
    }

    fn from_parts(
        name: &str,
        limit: &Limit,
        record: &Record,
        inputs: &[InputFile],
        sheet: &Sheet,
        caveats: &[Caveat],
    ) -> Self {
        let (pull, line, stopper) = (&sheet.pull, &sheet.line, &sheet.stopper);
        let mm = |length: Option<crate::units::Length>| length.map(|l| l.si() * 1e3);
        let rig = pull.rig.clone().unwrap_or_default();
        let load = &sheet.gauges.load;
        let limits = sheet.limits.as_ref();
        Self {
            name: name.into(),
            id: pull.id.clone(),
            // Without a name every pull counts as a line of its own.
            line: if line.id.is_empty() {
                format!("{UNNAMED}{name}")
            } else {
                line.id.clone()
            },
            line_kind: line_kind(line),
            length: line.length_id.clone().unwrap_or_default(),
            stopper: if stopper.id.is_empty() {
                stopper_kind(stopper)
            } else {
                stopper.id.clone()
            },
            stopper_kind: stopper_kind(stopper),
            treatment: treatment(line),
            session: session(pull.session.as_deref(), pull.when.as_deref(), &rig),
            cell: load.certificate.clone().unwrap_or_else(|| rig.clone()),
            rig,
            when: pull.when.clone(),
            held: match stopper.holds {
                None | Some(HeldPart::Fresh) => Held::Fresh,
                Some(HeldPart::ReUsed | HeldPart::AfterRunOut) => Held::Worn,
            },
            diameter_mm: mm(line.diameter),
            diameter_min_mm: mm(stopper.diameter_min),
            diameter_max_mm: mm(stopper.diameter_max),
            rated_kn: stopper.rated_load.map(|f| f.si() / 1e3),
            loaded_releases: stopper.loaded_releases,
            hauls_closed: stopper.hauls_closed,
            load_cycles: stopper.load_cycles,
            proof_kn: limits.and_then(|l| l.proof).map(|f| f.si() / 1e3),
            peak_kn: record.peak_load_kn,
            cell_gain: load
                .stated(GaugeKind::Load)
                .ok()
                .filter(|s| s.accuracy_stated)
                .map(|s| s.gain),
            governing: limit.governing.rule,
            figures: figures(limit),
            asked: (
                limits.and_then(|l| l.share).map(|s| s.si()),
                limits.and_then(|l| l.confidence).map(|s| s.si()),
            ),
            force_unit: Units::of(sheet).force.symbol.into(),
            log_sha256: inputs
                .iter()
                .find(|f| f.role == "log")
                .map(|f| f.sha256.clone())
                .unwrap_or_default(),
            simulated: pull.simulated,
            doubts: caveats
                .iter()
                .filter(|c| matches!(c.weight, Weight::NoPass | Weight::NoVerdict))
                .map(|c| c.message.clone())
                .collect(),
            unusable: caveats
                .iter()
                .find(|c| c.weight == Weight::NoVerdict)
                .map(|c| c.message.clone()),
        }
    }

    /// Line and stopper, with the treatment where there is one.
    #[must_use]
    pub fn pair(&self) -> String {
        if self.treatment == NO_TREATMENT {
            format!("{} in {}", self.line_kind, self.stopper_kind)
        } else {
            format!(
                "{} in {}, {}",
                self.line_kind, self.stopper_kind, self.treatment
            )
        }
    }

    /// Where the line's diameter lies in the stopper's span: 0 at the thinnest, 1 at the thickest.
    #[must_use]
    pub fn position(&self) -> Option<f64> {
        let (d, low, high) = (
            self.diameter_mm?,
            self.diameter_min_mm?,
            self.diameter_max_mm?,
        );
        (high > low).then(|| (d - low) / (high - low))
    }

    /// The figure by this rule.
    #[must_use]
    pub fn figure(&self, rule: Rule) -> Option<&PullFigure> {
        self.figures.iter().find(|f| f.rule == rule)
    }
}

/// What stands for an untreated line.
pub(crate) const NO_TREATMENT: &str = "none";

fn line_kind(line: &Line) -> String {
    if let Some(kind) = &line.kind {
        return kind.clone();
    }
    let fibres = match (&line.core, &line.cover) {
        (Some(core), Some(cover)) => Some(format!("{core}/{cover}")),
        (Some(one), None) | (None, Some(one)) => Some(one.clone()),
        (None, None) => None,
    };
    let parts: Vec<String> = [
        line.construction.clone(),
        fibres,
        line.diameter.map(|d| d.to_string()),
    ]
    .into_iter()
    .flatten()
    .collect();
    match (parts.is_empty(), line.id.is_empty()) {
        (false, _) => parts.join(" "),
        (true, false) => line.id.clone(),
        (true, true) => "a line that the sheet does not name".into(),
    }
}

fn stopper_kind(stopper: &Stopper) -> String {
    let kind = match (&stopper.kind, stopper.id.is_empty(), &stopper.grip) {
        (Some(kind), ..) => kind.clone(),
        (None, false, _) => stopper.id.clone(),
        (None, true, Some(grip)) => grip.clone(),
        (None, true, None) => "a stopper that the sheet does not name".into(),
    };
    match &stopper.fitting {
        Some(fitting) => format!("{kind} with {fitting}"),
        None => kind,
    }
}

fn treatment(line: &Line) -> String {
    let mut kinds: Vec<&str> = line.treatments.iter().map(|t| t.kind.as_str()).collect();
    kinds.sort_unstable();
    kinds.dedup();
    if kinds.is_empty() {
        NO_TREATMENT.into()
    } else {
        kinds.join(" and ")
    }
}

/// The session as stated, else the day; with its rig, for two rigs on one day are two sessions.
fn session(stated: Option<&str>, when: Option<&str>, rig: &str) -> String {
    let day = || when.and_then(|w| w.get(..10)).map(String::from);
    match (stated.map(String::from).or_else(day), rig.is_empty()) {
        (Some(session), false) if !session.contains(rig) => format!("{session}, {rig}"),
        (Some(session), _) => session,
        (None, _) => rig.into(),
    }
}

/// One figure per rule: that of the pair, or of the interface that governs where the pair's cannot be told.
fn figures(limit: &Limit) -> Vec<PullFigure> {
    let mut found: Vec<PullFigure> = limit
        .figures
        .iter()
        .filter(|f| f.interface == Interface::Pair)
        .map(figure)
        .collect();
    let governing = figure(&limit.governing);
    match found.iter_mut().find(|f| f.rule == governing.rule) {
        Some(of_pair) => *of_pair = governing,
        None => found.push(governing),
    }
    found
}

fn figure(found: &LimitFigure) -> PullFigure {
    let kn = |n: Option<f64>| n.map(|n| n / 1e3).filter(|v| *v > 0.0);
    let (value, low, high) = (
        kn(found.load.value),
        kn(found.load.low),
        kn(found.load.high),
    );
    let load = match found.load.status {
        Status::Measured => value.map(Observed::At),
        Status::NotReached => low.map(Observed::Above),
        Status::Bracket => match (low, high) {
            (Some(low), Some(high)) if high > low => Some(Observed::Between(low, high)),
            (Some(low), _) => Some(Observed::Above(low)),
            (None, _) => None,
        },
        Status::AtMost | Status::Projected | Status::CannotTell => None,
    };
    PullFigure {
        rule: found.rule,
        load,
        reason: found.load.reason.clone(),
        standard_error_kn: found.load.standard_error.map(|e| e / 1e3),
        rate: found.rate,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::sample;

    #[test]
    fn facts_of_a_fresh_and_of_a_read_analysis_are_the_same() {
        for (name, analysis) in sample::all() {
            let fresh = Pull::of(name, &analysis);
            let json = serde_json::to_vec(&analysis).unwrap();
            let read: Finished = serde_json::from_slice(&json).unwrap();
            let again = Pull::of_finished(name, &read).unwrap();
            let (a, b) = (format!("{fresh:?}"), format!("{again:?}"));
            // Loads differ in the last bits that unit conversion leaves.
            assert_eq!(a.len() / 50, b.len() / 50, "{a}\n{b}");
            assert_eq!(fresh.pair(), again.pair());
            for (x, y) in fresh.figures.iter().zip(&again.figures) {
                match (x.load, y.load) {
                    (Some(x), Some(y)) => assert!((x.start() / y.start() - 1.0).abs() < 1e-12),
                    (x, y) => assert_eq!(x, y),
                }
            }
        }
    }

    #[test]
    fn another_form_is_refused() {
        let (name, analysis) = sample::all().remove(0);
        let mut json = serde_json::to_value(&analysis).unwrap();
        json["schema_version"] = 999.into();
        let read: Finished = serde_json::from_value(json).unwrap();
        assert!(matches!(
            Pull::of_finished(name, &read),
            Err(WhyNot::Form { found: 999, .. })
        ));
    }

    #[test]
    fn names_are_made_from_what_the_sheet_says() {
        assert_eq!(
            session(None, Some("2026-05-14T09:30:00+02:00"), "loft"),
            "2026-05-14, loft"
        );
        assert_eq!(
            session(Some("loft, morning"), None, "loft"),
            "loft, morning"
        );
        assert_eq!(session(None, None, ""), "");
    }
}
