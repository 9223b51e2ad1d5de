//! Log to conditioned record: clock, lag, zero and drift, range and clip checks, noise.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::caveat::{Caveat, Weight};
use crate::ingest::{Channel, GaugeKind, HandReading, Log};
use crate::sheet::Sheet;
use crate::stats::Estimate;

/// What the clock is worth.
mod clock;

/// Numbers that cannot both be true.
mod contradictions;

/// What the sheet states of an instrument.
pub(crate) mod instrument;

/// Lags between channels.
mod lag;

/// Noise of a channel.
pub mod noise;

/// Ends of range: clipped, stuck, over capacity.
mod range;

/// What comes back when the load is eased.
mod reversals;

/// Signals that are no measurements, or not those that the sheet says.
mod signals;

/// Zero and drift of the load cell.
mod zero;

pub use lag::Lag;
pub(crate) use lag::ROUNDED_S;
pub use zero::ZeroLine;

/// A channel ready for the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Signal {
    /// What it watches.
    pub kind: GaugeKind,
    /// One value per entry, SI; NaN = missing, clipped or stuck and so not to be used.
    pub values: Vec<f64>,
    /// Standard deviation of the noise of one entry, SI (quantisation included).
    pub noise: f64,
    /// Smallest step of the reading, SI; 0 if finer than the noise.
    pub step: f64,
    /// Instrument errors common to all entries.
    pub errors: InstrumentErrors,
    /// How far the channel runs behind the load, where the record's corners show it; not taken out of `values`.
    pub lag: Option<Lag>,
}

/// Half widths of the instrument's errors as its sheet states them; common to all entries, so never averaged away.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InstrumentErrors {
    /// Share of the reading, half width of a rectangular distribution.
    pub gain: f64,
    /// Error independent of the reading over the whole pull, SI, half width (common zero errors cancel in
    /// displacements, which are counted from the first dwell, but not in the load).
    pub fixed: f64,
    /// Drift from the first dwell to the end of the pull, SI, half width.
    pub drift: f64,
}

/// The record, ready for the fits.
#[derive(Debug, Clone, PartialEq)]
pub struct Conditioned {
    /// Time of each entry in s on the log's clock.
    pub time_s: Vec<f64>,
    /// Rows averaged into each entry.
    pub rows_per_entry: usize,
    /// Median period between entries, s.
    pub period_s: f64,
    /// The load in N, zero and drift taken out where the record shows them. NaN = missing.
    pub load: Signal,
    /// The displacement gauges and the tail load.
    pub gauges: Vec<Signal>,
    /// Hand readings of marks.
    pub readings: Vec<HandReading>,
    /// First entries of later segments (restarts, gaps).
    pub segments: Vec<usize>,
    /// Zero of the cell, from slack readings or carried as uncertainty.
    pub load_zero: Estimate,
    /// Drift of the cell's zero from start to end, likewise.
    pub load_drift: Estimate,
    /// What was taken out of the load for both.
    pub zero_line: ZeroLine,
    /// Whether a second of the log is surely one.
    pub clock_known: bool,
    /// Entries of slack at the start, before the line is taken up; 0 without any.
    pub slack_until: usize,
}

impl Conditioned {
    /// The signal of this kind, if the record has it.
    #[must_use]
    pub fn gauge(&self, kind: GaugeKind) -> Option<&Signal> {
        self.gauges.iter().find(|g| g.kind == kind)
    }
}

/// Why a log cannot be conditioned.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ConditionError {
    /// The load has too few readings.
    #[error("the load has {readable} readable rows of {rows}; at least {MIN_ROWS} are needed")]
    TooFewLoads {
        /// Rows with a load.
        readable: usize,
        /// All rows.
        rows: usize,
    },
    /// The load never moves.
    #[error("the load stays at {load_n:.1} N over the whole record")]
    LoadNeverMoves {
        /// That load.
        load_n: f64,
    },
    /// The load is mostly negative.
    #[error("the load goes down to {:.3} kN and up to {:.3} kN only: its sign is turned", low_n / 1e3, high_n / 1e3)]
    LoadBackwards {
        /// Lowest load.
        low_n: f64,
        /// Highest load.
        high_n: f64,
    },
    /// A gauge's statement in the sheet cannot be used.
    #[error("[gauges.{gauge}] {problem}")]
    Instrument {
        /// The gauge.
        gauge: &'static str,
        /// What is wrong with it.
        problem: String,
    },
}

/// Readings are kept to so many parts of a newton or a metre: what a conversion of units leaves in the last digits must not
/// decide between two solutions that are alike.
const GRID: f64 = 1e10;
/// Steps as written count as coarser than stated from this factor.
const COARSER: f64 = 3.0;
/// Below this many rows a log was noted by hand.
pub(crate) const FEW_ROWS: usize = 40;
/// A load that goes this many times further below zero than above it is turned.
const BACKWARDS: f64 = 2.0;
/// Fewest rows that make a pull.
const MIN_ROWS: usize = 3;

/// Conditions a log: noise, ends of range, zero and drift of the cell.
///
/// # Errors
/// See [`ConditionError`].
pub fn condition(log: &Log, sheet: &Sheet) -> Result<(Conditioned, Vec<Caveat>), ConditionError> {
    let mut caveats = Vec::new();
    let load_channel = log.channel(GaugeKind::Load);
    let readable = load_channel.map_or(0, |c| c.values.iter().filter(|v| v.is_finite()).count());
    let Some(load_channel) = load_channel.filter(|_| readable >= MIN_ROWS) else {
        return Err(ConditionError::TooFewLoads {
            readable,
            rows: log.time_s.len(),
        });
    };
    let period_s = median_period(&log.time_s);
    let mut load = signal(load_channel, log, period_s, sheet, &mut caveats)?;
    let (low, high) = range_of(&load.values);
    if high - low <= 0.0 {
        return Err(ConditionError::LoadNeverMoves { load_n: low });
    }
    if -low > BACKWARDS * high.max(0.0) && -low > 10.0 * load.noise {
        return Err(ConditionError::LoadBackwards {
            low_n: low,
            high_n: high,
        });
    }
    signals::blank_spikes(&mut load, &log.time_s, &mut caveats);
    let mut gauges = Vec::new();
    let mut readings = log.readings.clone();
    for channel in log.channels.iter().filter(|c| c.kind != GaugeKind::Load) {
        let at_stopper = !channel.kind.is_force() && channel.kind != GaugeKind::Travel;
        if at_stopper && stands_alone(&channel.values) {
            readings.extend(by_hand(channel, &log.time_s));
            continue;
        }
        let mut gauge = signal(channel, log, period_s, sheet, &mut caveats)?;
        signals::blank_spikes(&mut gauge, &log.time_s, &mut caveats);
        gauges.push(gauge);
    }
    let written = |s: &'_ Signal| log.channel(s.kind).map(|c| c.values.as_slice());
    let all: Vec<(&Signal, &[f64])> = std::iter::once(&load)
        .chain(&gauges)
        .filter_map(|s| Some((s, written(s)?)))
        .collect();
    signals::remark_frozen(&all, &log.time_s, &mut caveats);
    for gauge in gauges.iter_mut().filter(|g| !g.kind.is_force()) {
        signals::blank_stuck(gauge, &load, &mut caveats);
    }
    if let Some(travel) = gauges.iter().find(|g| g.kind == GaugeKind::Travel) {
        signals::blank_stuck(&mut load, travel, &mut caveats);
    }
    let high = range_of(&load.values).1;
    signals::leave_out_dead(&mut gauges, &mut caveats);
    signals::remark_gauges(&load, &gauges, sheet, &mut caveats);
    reversals::remark_reversals(&load, &gauges, sheet, &mut caveats);
    signals::remark_certificates(sheet, &mut caveats);
    signals::remark_reading(log, &mut caveats);
    let doubt = clock::doubt(log);
    let clock_known = doubt.is_none();
    caveats.extend(doubt);
    let zero::Zero {
        at_start,
        drift,
        slack,
    } = zero::find(&log.time_s, &load, sheet);
    let stated_zero = instrument::stated(GaugeKind::Load, sheet)
        .ok()
        .and_then(|s| s.zero)
        .unwrap_or(0.0);
    let zero_line = zero::take_out(
        &log.time_s,
        &mut load,
        &at_start,
        &drift,
        slack.as_ref(),
        stated_zero,
    );
    let corners = lag::Corners::of(&log.time_s, period_s, &load);
    for gauge in gauges.iter_mut().filter(|g| !g.kind.is_force()) {
        gauge.lag = corners.lag(gauge);
    }
    contradictions::remark(sheet, range_of(&load.values).1, &mut caveats);
    zero::remark(&at_start, &drift, high, &mut caveats);
    range::remark_load(&load, sheet, high, &mut caveats);
    remark_gaps(&log.time_s, period_s, &mut caveats);
    Ok((
        Conditioned {
            time_s: log.time_s.clone(),
            rows_per_entry: log.rows_per_entry,
            period_s,
            load,
            gauges,
            readings,
            segments: log.segments.clone(),
            load_zero: at_start,
            load_drift: drift,
            zero_line,
            clock_known,
            slack_until: slack.map_or(0, |s| s.start.end),
        },
        caveats,
    ))
}

/// One channel: unusable entries to NaN, noise, instrument errors.
fn signal(
    channel: &Channel,
    log: &Log,
    period_s: f64,
    sheet: &Sheet,
    caveats: &mut Vec<Caveat>,
) -> Result<Signal, ConditionError> {
    let stated =
        instrument::stated(channel.kind, sheet).map_err(|problem| ConditionError::Instrument {
            gauge: channel.kind.name(),
            problem,
        })?;
    let mut values: Vec<f64> = channel.values.iter().map(|v| on_grid(*v)).collect();
    let load = log
        .channel(GaugeKind::Load)
        .filter(|_| channel.kind != GaugeKind::Load)
        .map(|c| c.values.as_slice());
    range::blank_unusable(channel, stated.capacity, &mut values, load, caveats);
    // Displacements count from where the gauge started: where its zero lies must not show in the last digits either.
    let start = values.iter().copied().find(|v| v.is_finite());
    if let Some(start) = start.filter(|_| !channel.kind.is_force()) {
        for value in &mut values {
            *value = on_grid(*value - start);
        }
    }
    // The smallest difference as written bounds the noise from below as well: rows noted by hand have no noise that
    // their differences could show.
    let written = channel
        .step
        .map_or(0.0, |step| (step * GRID).round() / GRID);
    let step = stated.resolution.unwrap_or(0.0).max(written);
    if let Some(resolution) = stated.resolution.filter(|r| written > COARSER * r) {
        let unit = if channel.kind.is_force() {
            ("kN", 1e3)
        } else {
            ("mm", 1e-3)
        };
        caveats.push(Caveat::new(
            "steps-coarser-than-stated",
            Weight::Caution,
            format!(
                "The {} gauge was written in steps of {} {}, the sheet states a resolution of {} {}: the steps were reckoned with.",
                channel.kind.words(),
                written / unit.1,
                unit.0,
                resolution / unit.1,
                unit.0
            ),
            "Set the logger to write all the digits that the gauge has, or correct the resolution in the sheet.",
        ));
    }
    let few = log.time_s.len() < FEW_ROWS;
    // A reading taken by eye may be a whole step off either way; a logger's is rounded to the nearest.
    let floor = step / if few { 3f64.sqrt() } else { 12f64.sqrt() };
    let noise = if few {
        None
    } else {
        noise::of(&values, period_s).or_else(|| {
            // A slower logger's gauge, of which every so many rows hold a reading.
            let read: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
            let every = values.len() as f64 / read.len().max(1) as f64;
            noise::of(&read, every * period_s)
        })
    };
    let noise = noise.unwrap_or(0.0).max(floor).max(f64::MIN_POSITIVE);
    Ok(Signal {
        kind: channel.kind,
        values,
        noise,
        step,
        errors: stated.errors,
        lag: None,
    })
}

/// True of a column whose readings have no neighbours: nothing shows their noise, and they are worth what readings by hand are.
fn stands_alone(values: &[f64]) -> bool {
    let read = values.iter().filter(|v| v.is_finite()).count();
    let pairs = values
        .windows(2)
        .filter(|w| w[0].is_finite() && w[1].is_finite());
    read > 0 && 2 * read < values.len() && 2 * pairs.count() < read
}

fn by_hand<'a>(channel: &'a Channel, time_s: &'a [f64]) -> impl Iterator<Item = HandReading> + 'a {
    time_s
        .iter()
        .zip(&channel.values)
        .filter(|(_, value)| value.is_finite())
        .map(|(time_s, value)| HandReading {
            time_s: *time_s,
            kind: channel.kind,
            value_m: *value,
        })
}

fn on_grid(value: f64) -> f64 {
    (value * GRID).round() / GRID
}

/// Rows further apart than this many periods leave a gap.
pub(crate) const GAP_PERIODS: f64 = 10.0;

/// Names gaps in the record.
fn remark_gaps(time_s: &[f64], period_s: f64, caveats: &mut Vec<Caveat>) {
    let gaps: Vec<f64> = time_s
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > GAP_PERIODS * period_s)
        .collect();
    let longest = gaps.iter().copied().fold(0.0, f64::max);
    let whole = time_s
        .last()
        .zip(time_s.first())
        .map_or(0.0, |(z, a)| z - a);
    if longest > whole - gaps.iter().sum::<f64>() && time_s.len() >= 40 {
        caveats.push(Caveat::new(
            "record-has-gaps",
            Weight::NoPass,
            format!(
                "Nothing was logged for {:.1} min, longer than all that was: this may be two pulls, and what moved in between is told \
                 only as a whole.",
                longest / 60.0
            ),
            "Two pulls make two logs: cut them apart, and analyse each by itself.",
        ));
    } else if longest > 0.0 && time_s.len() >= 40 {
        caveats.push(Caveat::new(
            "record-has-gaps",
            Weight::Caution,
            format!(
                "The record has {}{longest:.1} s: what moved in {} is told only as a whole.",
                match gaps.len() {
                    1 => "a gap of ".to_owned(),
                    n => format!("{n} gaps, the longest of "),
                },
                if gaps.len() == 1 { "it" } else { "them" }
            ),
            "Find out why the logger paused; pull again if a load step falls into a gap.",
        ));
    }
}

fn median_period(time_s: &[f64]) -> f64 {
    let mut steps: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
    let middle = steps.len() / 2;
    if steps.is_empty() {
        return 1.0;
    }
    *steps.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Smallest and largest finite value; (0, 0) if there is none.
pub(crate) fn range_of(values: &[f64]) -> (f64, f64) {
    let finite = values.iter().copied().filter(|v| v.is_finite());
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
        (l.min(v), h.max(v))
    });
    if low > high { (0.0, 0.0) } else { (low, high) }
}
