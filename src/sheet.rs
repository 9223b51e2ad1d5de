//! The test sheet: what a person knows about the pull and the log cannot say.
//!
//! A TOML file, `sheet.toml`, beside the log. Every key is optional but `[pull] log` and the columns of the gauges;
//! what is missing widens an answer or removes it, and the report says which. Unknown keys are errors.

/// Kinds of gauges, and what their sheet entries state.
pub mod gauge;

/// Text to sheet, with the place of every mistake.
pub mod read;

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::units::{
    Angle, Creep, Duration, Force, Length, LinearMass, SampleRate, Share, Speed, Stiffness,
};

pub use gauge::{GaugeKind, Stated, StatedError};
pub use read::{SheetError, SheetProblem};

/// The whole test sheet.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Sheet {
    /// The pull itself: when, where, who, and which files hold it.
    pub pull: Pull,
    /// The line that was pulled.
    #[serde(default)]
    pub line: Line,
    /// The stopper that held it.
    #[serde(default)]
    pub stopper: Stopper,
    /// The gauges, one table each.
    pub gauges: Gauges,
    /// How the log is written, where it cannot be told from the file.
    #[serde(default)]
    pub reading: Reading,
    /// The log of a second logger with gauges that the first lacks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second_log: Option<SecondLog>,
    /// What the line must hold. Without it there is no verdict.
    pub limits: Option<Limits>,
    /// Every part in the loaded chain with its working load.
    #[serde(default)]
    pub chain: Vec<ChainPart>,
    /// The line as it will be installed.
    pub aboard: Option<Aboard>,
    /// How the report is written.
    #[serde(default)]
    pub report: ReportWishes,
}

/// What the report is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Purpose {
    /// A spliced line is proved before it is handed over.
    #[default]
    Delivery,
    /// One pull of many, to compare pairs of line and stopper.
    Benchmark,
    /// A system that failed is documented.
    Survey,
}

/// A date in quotes, or as TOML writes one.
#[derive(Deserialize)]
#[serde(
    untagged,
    expecting = "expected a date such as 2026-03-01 or 2026-05-14T09:30:00+02:00"
)]
enum Date {
    Text(String),
    Plain(toml::value::Datetime),
}

fn date<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<String>, D::Error> {
    Ok(Option::<Date>::deserialize(from)?.map(|date| match date {
        Date::Text(text) => text,
        Date::Plain(date) => date.to_string(),
    }))
}

/// `[pull]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pull {
    /// Name of the pull, unique in its series.
    #[serde(default)]
    pub id: String,
    /// Date and time with zone, such as `2026-05-14T09:30:00+02:00`.
    #[serde(default, deserialize_with = "date")]
    pub when: Option<String>,
    /// Where the pull was made.
    pub place: Option<String>,
    /// What the report is for.
    #[serde(default)]
    pub purpose: Purpose,
    /// Who ran the winch.
    pub operator: Option<String>,
    /// Who watched.
    pub witness: Option<String>,
    /// File name of the log, in the folder of the sheet.
    pub log: String,
    /// File name of rule or camera readings of the marks: a CSV with a time column and one column per gauge read.
    pub marks: Option<String>,
    /// True for records made by `bitterend simulate`: every page then says so.
    #[serde(default)]
    pub simulated: bool,
    /// The rig that pulled, for comparing pulls made on several rigs.
    pub rig: Option<String>,
    /// The session (day, crew) that the pull belongs to, for comparing many pulls.
    pub session: Option<String>,
    /// Load of the first dwell, where every part of the travel is zero. Found in the log if not stated.
    pub pretension: Option<Force>,
    /// Load still on the tail because the winch was not freed; then this is no test of the stopper.
    pub load_left_in_tail: Option<Force>,
    /// Remarks, printed as written.
    pub notes: Option<String>,
}

/// Whether the cover can move against the core at the eye.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CoverAtEye {
    /// Spliced or knotted: the cover shares the core's movement at the far end.
    Locked,
    /// The cover ends before the eye or slides there.
    Free,
    /// Not known: both are considered.
    #[default]
    Unknown,
}

/// How the bitter end is finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum BitterEnd {
    /// Core and cover may move against each other there: core draw-in shows.
    Free,
    /// Whipped, sewn or fused: draw-in reads zero whatever the core does.
    Whipped,
    /// Not stated: taken as free when a core gauge is fitted.
    #[default]
    Unknown,
}

/// `[line]`
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Name of the line, unique: pulls of one line belong together.
    #[serde(default)]
    pub id: String,
    /// What sort of line it is, shared by lines that are alike: their pulls are repeats of each other. Taken from
    /// construction, fibres and diameter if absent.
    pub kind: Option<String>,
    /// Which length of the line was held, for pulls of several lengths of one line.
    pub length_id: Option<String>,
    /// Construction, such as `double braid`.
    pub construction: Option<String>,
    /// Fibre of the core by its generic name.
    pub core: Option<String>,
    /// Fibre of the cover by its generic name.
    pub cover: Option<String>,
    /// Nominal diameter.
    pub diameter: Option<Length>,
    /// Diameter measured under the stated reference tension.
    pub diameter_measured: Option<Length>,
    /// Least breaking load of the line.
    pub break_load: Option<Force>,
    /// Mass per length.
    pub mass: Option<LinearMass>,
    /// Free length from the mouth of the stopper to the point whose travel is read.
    pub free_length: Option<Length>,
    /// Tail between stopper and bitter end.
    pub tail_length: Option<Length>,
    /// How much core slip the tail can swallow before the core end moves, if known (`"0 mm"`: none).
    pub tail_stores: Option<Length>,
    /// The cover at the eye: locked, free or unknown.
    #[serde(default)]
    pub cover_at_eye: CoverAtEye,
    /// The bitter end: free, whipped or unknown.
    #[serde(default)]
    pub bitter_end: BitterEnd,
    /// True when the line was bedded in before this pull.
    pub bedded: Option<bool>,
    /// Highest load the line has seen before this pull.
    pub highest_past_load: Option<Force>,
    /// True when wet.
    pub wet: Option<bool>,
    /// What was done to the line where it is held.
    #[serde(default)]
    pub treatments: Vec<Treatment>,
    /// The splice, if the pulled end is spliced.
    pub splice: Option<Splice>,
    /// Stretch known beforehand from a fast reference pull.
    pub stretch: Option<KnownStretch>,
}

/// `[[line.treatments]]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Treatment {
    /// Such as `coating`, `core bulked`, `second cover`, `cover milked`.
    pub kind: String,
    /// Where it begins, measured from the mouth toward the bitter end.
    pub begins: Option<Length>,
    /// How long it is.
    pub length: Option<Length>,
}

/// `[line.splice]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Splice {
    /// Kind of splice.
    pub kind: Option<String>,
    /// Bury length.
    pub bury: Option<Length>,
    /// True when travel is read beyond the splice, so that the splice's own slip is in it.
    #[serde(default)]
    pub travel_beyond: bool,
}

/// `[line.stretch]`: rows of load and strain.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct KnownStretch {
    /// Loads, rising.
    pub load: Vec<Force>,
    /// Strain at each load, from the first dwell.
    pub strain: Vec<Share>,
    /// How well the strain is known, as a share of itself. Default 3 %.
    pub accuracy: Option<Share>,
}

/// `[stopper]`
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Stopper {
    /// Name of the stopper, unique in the series.
    #[serde(default)]
    pub id: String,
    /// What sort of stopper it is, shared by stoppers that are alike. Default: its `id`.
    pub kind: Option<String>,
    /// Another jaw or plate than the usual one, for comparing them.
    pub fitting: Option<String>,
    /// Grip: `cam`, `jaws`, …
    pub grip: Option<String>,
    /// Thinnest line it is made for.
    pub diameter_min: Option<Length>,
    /// Thickest line it is made for.
    pub diameter_max: Option<Length>,
    /// Rated holding load, as stated for the thickest line.
    pub rated_load: Option<Force>,
    /// The part of the line it holds: `fresh`, `re-used`, `after a run-out`.
    pub holds: Option<HeldPart>,
    /// Whether the tail behind the stopper is free or held.
    pub tail: Option<TailState>,
    /// Angle of the line at the mouth.
    pub lead_angle: Option<Angle>,
    /// Largest reversible give of the jaws to be expected. Default 2 mm.
    pub jaw_give: Option<Length>,
    /// Releases under load so far.
    pub loaded_releases: Option<u32>,
    /// Hauls through the closed grip so far.
    pub hauls_closed: Option<u32>,
    /// Load cycles of the held length so far.
    pub load_cycles: Option<u32>,
}

/// The part of the line that the stopper holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum HeldPart {
    /// Never held before.
    #[serde(rename = "fresh")]
    Fresh,
    /// Held in an earlier pull.
    #[serde(rename = "re-used")]
    ReUsed,
    /// Held where the line ran through before.
    #[serde(rename = "after a run-out")]
    AfterRunOut,
}

/// What happens to the tail behind the stopper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum TailState {
    /// The winch is freed.
    Free,
    /// The tail carries load.
    Held,
}

/// `[gauges]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gauges {
    /// The clock of the log.
    pub time: Option<ClockColumn>,
    /// The load cell.
    pub load: Gauge,
    /// Travel of the pulled point.
    pub travel: Option<Gauge>,
    /// A mark on the cover at the mouth, on the loaded side.
    pub mark: Option<Gauge>,
    /// A mark on the tail, behind the stopper.
    pub tail: Option<Gauge>,
    /// The body of the stopper or its mount.
    pub body: Option<Gauge>,
    /// Core end against the cover's bitter end (draw-in).
    pub core: Option<Gauge>,
    /// Two marks on plain line: change of their distance.
    pub span: Option<Gauge>,
    /// Load on the tail.
    pub tail_load: Option<Gauge>,
    /// Temperature, kept as provenance.
    pub temperature: Option<PlainColumn>,
}

/// `[gauges.time]`
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ClockColumn {
    /// Column of the time; absent where the log has none and `rate` is given.
    pub column: Option<String>,
    /// Unit of the time: `s`, `ms`, `min`, `h`, or `clock` for times of day, `iso` for ISO 8601.
    pub unit: Option<String>,
    /// Rate of a log without a time column.
    pub rate: Option<SampleRate>,
}

/// What a displacement gauge is read against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Against {
    /// The rig or the dock.
    #[serde(rename = "rig")]
    Rig,
    /// The body of the stopper: the mount's give is not in the reading.
    #[serde(rename = "stopper")]
    Stopper,
    /// The cover's end (core draw-in only).
    #[serde(rename = "cover end")]
    CoverEnd,
}

/// One measuring channel.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gauge {
    /// Name of the column in the log (or in the marks file).
    pub column: String,
    /// Unit of the column; taken from the header if it says.
    pub unit: Option<String>,
    /// `+` (default) when the reading grows toward the puller, `-` when it shrinks.
    pub sign: Option<Sign>,
    /// What it is read against. Default: rig; the core gauge: cover end.
    pub against: Option<Against>,
    /// Full scale of the gauge: a force or a length with its unit.
    pub capacity: Option<String>,
    /// Smallest step of the reading, with its unit.
    pub resolution: Option<String>,
    /// Accuracy: `class 1`, `0.5 % of reading`, `0.1 % of full scale`, `0.2 mm`; several joined by `+`.
    pub accuracy: Option<String>,
    /// Zero error that may stand over the whole pull, with its unit.
    pub zero: Option<String>,
    /// Zero drift over the pull, with its unit.
    pub drift: Option<String>,
    /// Number of the calibration certificate.
    pub certificate: Option<String>,
    /// Date of the certificate, `2026-03-01`.
    #[serde(default, deserialize_with = "date")]
    pub certified: Option<String>,
    /// Date until which the certificate holds.
    #[serde(default, deserialize_with = "date")]
    pub valid_until: Option<String>,
    /// Mark: distance from the mouth. Span: distance between the marks.
    pub distance: Option<Length>,
    /// How well that distance is known (standard uncertainty).
    pub distance_uncertainty: Option<Length>,
}

/// Direction of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Sign {
    /// Grows toward the puller.
    #[serde(rename = "+")]
    Plus,
    /// Shrinks toward the puller.
    #[serde(rename = "-")]
    Minus,
}

/// A column that is kept but not used in a calculation.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PlainColumn {
    /// Name of the column.
    pub column: String,
    /// Unit of the column.
    pub unit: Option<String>,
}

/// `[reading]`: forces how the log is read where the file leaves it open.
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// `,` `;` `tab` `|` or `space`.
    pub separator: Option<String>,
    /// `.` or `,`.
    pub decimal: Option<String>,
    /// Thousands mark: `,` `.` `'` `space` or `none`.
    pub thousands: Option<String>,
    /// `utf-8`, `utf-16`, `latin-1`.
    pub encoding: Option<String>,
    /// Line number of the header, counted from 1.
    pub header_line: Option<usize>,
    /// Largest share of rows per channel that may be unreadable. Default 1 %, none for a log of under 100 rows.
    pub unreadable: Option<Share>,
    /// Gap of a clock step or restart: key = line number in the file, value = seconds between the rows.
    #[serde(default)]
    pub gaps: BTreeMap<String, Duration>,
}

/// `[second_log]`: gauges that the log lacks are read from this file and put on the log's clock by what both loggers saw.
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SecondLog {
    /// File name, in the folder of the sheet.
    pub file: String,
    /// Column of this file that follows a gauge of the first log, in any unit: the load fed to both loggers, say.
    pub column: String,
    /// The gauge of the first log that it follows. Default: `load`.
    pub gauge: Option<GaugeKind>,
}

/// Which rule governs the limit.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
pub enum Rule {
    /// Load at which progressive slip has reached max(0.1 mm, 3 standard uncertainties).
    #[serde(rename = "first slip")]
    FirstSlip,
    /// Load at which slip, its rate or its creep reaches what the sheet allows.
    #[serde(rename = "allowance")]
    Allowance,
    /// Mean load while the line runs through.
    #[serde(rename = "running")]
    Running,
}

/// `[limits]`
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Load that must be reached and held.
    pub proof: Option<Force>,
    /// How long it must be held.
    pub hold: Option<Duration>,
    /// Slip allowed in the stopper, seating apart.
    pub stopper_slip: Option<Length>,
    /// Slip allowed of the cover over the core.
    pub cover_slip: Option<Length>,
    /// Rate of slip allowed in a hold.
    pub rate: Option<Speed>,
    /// Creep allowed per decade of time in a hold.
    pub creep: Option<Creep>,
    /// Which rule governs. Default: allowance if one is stated, else first slip.
    pub rule: Option<Rule>,
    /// Many pulls: the share of all pulls that must hold more than the tolerance bound. Default 90 %.
    pub share: Option<Share>,
    /// Many pulls: confidence of that bound. Default 95 %.
    pub confidence: Option<Share>,
}

impl Limits {
    /// Whether slip, rate or creep is allowed at all.
    #[must_use]
    pub fn allows_anything(&self) -> bool {
        let slip = self.stopper_slip.or(self.cover_slip);
        slip.is_some() || self.rate.is_some() || self.creep.is_some()
    }
}

/// `[[chain]]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChainPart {
    /// Such as `shackle at the ram`.
    pub part: String,
    /// Its working load limit.
    pub working_load: Force,
}

/// `[aboard]`
#[derive(Debug, Clone, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Aboard {
    /// Length of line under load aboard, from the stopper to the far end.
    pub length: Length,
    /// Load that the stopper takes over from the winch.
    pub load: Force,
    /// Give of mast, sheave and sail together; taken as rigid if absent, which overstates the loss.
    pub rig_stiffness: Option<Stiffness>,
    /// Tension found aboard after a time, for a surveyor: which slip must have happened?
    pub load_found: Option<Force>,
}

/// Units of the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
pub enum ReportUnits {
    /// The units that the sheet used for its gauges.
    #[default]
    #[serde(rename = "sheet")]
    Sheet,
    /// kN and mm.
    #[serde(rename = "SI")]
    Si,
    /// lbf and in.
    #[serde(rename = "US")]
    Us,
}

/// `[report]`
#[derive(Debug, Clone, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReportWishes {
    /// `sheet`, `SI` or `US`.
    #[serde(default)]
    pub units: ReportUnits,
}
