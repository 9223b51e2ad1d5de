//! Signals that are no measurements, or not those that the sheet says.
//!
//! Question: is each channel what the sheet takes it for, and did it measure throughout? Method: plain tests, each on one
//! mistake that is made on a dock, with wide margins, so that an honest record passes them all. Single rows that leap
//! out and come back (spikes) and spells in which a lively channel stands still while the other moves (stuck) are
//! blanked and counted; everything else is only named, with its figures.
//!
//! Assumptions: noise is that of [`noise::of`](super::noise::of); a reading grows toward the puller (the sheet's sign
//! applied); travel, mark and tail count the same movement from the end that is pulled to the end that is free, so each
//! moves at least as far as the next (the balance of the pull).

use crate::caveat::{Caveat, Weight};
use crate::condition::{FEW_ROWS, Signal, range_of};
use crate::ingest::{GaugeKind, Log};
use crate::sheet::{Against, Sheet};

/// A spike stands out by this many standard deviations of the noise.
const SPIKE_SIGMAS: f64 = 12.0;
/// And by this many times what the rows beside it differ: the corner of a ramp and a slip are no spikes.
const SPIKE_STEPS: f64 = 6.0;
/// A word for a missing reading, such as 9999, may stand for so many rows.
const SPIKE_ROWS: usize = 5;
/// A channel stands still for at least this many rows, and for so many more that noise between two coarse steps repeats itself
/// as often with at most this probability.
const STUCK_ROWS: usize = 12;
const STUCK_CHANCE: f64 = 1e-6;
/// The same for all channels together, and for a gauge that repeats a reading no oftener than this share of the rows: nothing
/// need move meanwhile.
const FROZEN_CHANCE: f64 = 1e-12;
const LIVELY: f64 = 0.2;
/// A reading that runs backwards or past its neighbour does so by this many standard deviations of the noise.
const SURE_SIGMAS: f64 = 10.0;
/// And by this share of the movement.
const SURE_SHARE: f64 = 0.1;
/// Largest typical step of the load between two rows of a ramp, as a share of the peak.
const STEP_SHARE: f64 = 0.02;
/// A step between two rows is one of the load, not of its noise, from so many standard deviations: of the many rows of a
/// long log none differs by that much through noise alone.
const STEP_SIGMAS: f64 = 6.0;

/// Blanks spikes; says how many there were.
pub(super) fn blank_spikes(signal: &mut Signal, time_s: &[f64], caveats: &mut Vec<Caveat>) {
    if time_s.len() < FEW_ROWS {
        return;
    }
    let values = &signal.values;
    let found: Vec<usize> = (2..values.len().saturating_sub(2))
        .flat_map(|i| i..i + spike_at(values, i, signal.noise))
        .collect();
    let Some(&first) = found.first() else {
        return;
    };
    caveats.push(Caveat::new(
        "spikes",
        Weight::Caution,
        format!(
            "The {} gauge has {} rows that leap out and come back, the first at {:.1} s; they are not used.",
            signal.kind.words(),
            found.len(),
            time_s[first]
        ),
        "Check plugs, cable and the earth of the shield; keep the cable away from the winch's motor.",
    ));
    for i in found {
        signal.values[i] = f64::NAN;
    }
}

/// Rows from this one on, at most a few of one value, that leap out while the rows on both sides agree with each other.
fn spike_at(values: &[f64], at: usize, noise: f64) -> usize {
    let same = |v: &&f64| **v == values[at];
    let rows = values[at..]
        .iter()
        .take(SPIKE_ROWS + 1)
        .take_while(same)
        .count();
    let beside = at.checked_sub(2).map(|from| &values[from..at]);
    let (Some([a, b]), Some([c, d])) = (beside, values.get(at + rows..at + rows + 2)) else {
        return 0;
    };
    let leap = (values[at] - f64::midpoint(*b, *c)).abs();
    let beside = (b - a).abs().max((d - c).abs()).max((c - b).abs());
    // False for a missing row among them.
    if rows <= SPIKE_ROWS && leap > SPIKE_SIGMAS * noise + SPIKE_STEPS * beside {
        rows
    } else {
        0
    }
}

/// Names spells in which every channel repeats its last reading to the digit, as a logger does that has stopped. `all`: each
/// signal, and its readings as they were written: what stands still at the highest one may have been taken for an end stop.
pub(super) fn remark_frozen(all: &[(&Signal, &[f64])], time_s: &[f64], caveats: &mut Vec<Caveat>) {
    let chance: f64 = all.iter().map(|(signal, _)| repeats(signal).ln()).sum();
    let least = (FROZEN_CHANCE.ln() / chance).max(STUCK_ROWS as f64);
    let mut frozen = 0.0;
    let mut first = 0;
    for row in 1..=time_s.len() {
        let same = |(_, values): &(&Signal, &[f64])| values[row] == values[row - 1];
        if row < time_s.len() && all.iter().all(same) {
            continue;
        }
        if (row - first) as f64 >= least {
            frozen += time_s[row - 1] - time_s[first];
        }
        first = row;
    }
    if all.len() < 2 || time_s.len() < FEW_ROWS || frozen <= 0.0 {
        return;
    }
    caveats.push(Caveat::new(
        "logger-frozen",
        Weight::NoPass,
        format!(
            "For {frozen:.0} s every gauge repeats its last reading to the digit, which their noise never does: the logger had \
             stopped, and what happened meanwhile is in no row."
        ),
        "Look for a logger that repeats what it read last while it is busy; then pull again.",
    ));
}

/// Blanks spells in which a channel that flickers elsewhere gives one value while `other` moves, and of a gauge that flickers
/// by more than its steps those that noise surely never makes.
pub(super) fn blank_stuck(signal: &mut Signal, other: &Signal, caveats: &mut Vec<Caveat>) {
    let spells = still(signal, &other.values);
    let rows: usize = spells.iter().map(|(a, b)| b - a).sum();
    if rows == 0 {
        return;
    }
    caveats.push(Caveat::new(
        "gauge-stuck",
        Weight::Caution,
        format!(
            "The {} gauge gave one reading for {rows} of {} rows, while the {} moved or although it flickers elsewhere; these rows \
             are not used.",
            signal.kind.words(),
            signal.values.len(),
            other.kind.words()
        ),
        "Look for a jammed plunger or wire, or a logger that repeats its last reading; then pull again.",
    ));
    for (first, end) in spells {
        signal.values[first..end].fill(f64::NAN);
    }
}

/// Probability that noise in the middle of a step stays there, erf(step/(2√2 σ)); next to one where there is no noise.
fn repeats(signal: &Signal) -> f64 {
    let rounding = signal.step / 12f64.sqrt();
    let own = (signal.noise.powi(2) - rounding.powi(2)).max(rounding.powi(2) / 12.0);
    let stays = if own > 0.0 {
        statrs::function::erf::erf(signal.step / (8.0 * own).sqrt())
    } else {
        1.0
    };
    stays.clamp(f64::MIN_POSITIVE, 1.0 - 1e-9)
}

/// Rows of one value that make a spell.
fn stuck_rows(signal: &Signal) -> usize {
    if signal.noise <= 0.0 && signal.step <= 0.0 {
        return STUCK_ROWS;
    }
    let rows = STUCK_CHANCE.ln() / repeats(signal).ln();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a count of rows"
    )]
    let rows = rows.ceil() as usize;
    rows.max(STUCK_ROWS)
}

fn still(signal: &Signal, other: &[f64]) -> Vec<(usize, usize)> {
    let values = &signal.values;
    let least = stuck_rows(signal);
    let (low, high) = range_of(other);
    let mut changes = 0;
    let mut moving = 0;
    for (v, o) in values.windows(2).zip(other.windows(2)) {
        // Only where the other moves can standing still be a fault.
        if (o[1] - o[0]).abs() > 1e-4 * (high - low) {
            moving += 1;
            changes += usize::from(v[0] != v[1]);
        }
    }
    if values.len() < FEW_ROWS || changes * 2 < moving {
        return Vec::new();
    }
    let chance = repeats(signal);
    let never = if chance < LIVELY && !signal.kind.is_force() {
        FROZEN_CHANCE.ln() / chance.ln()
    } else {
        f64::INFINITY
    };
    let mut spells = Vec::new();
    let mut first = 0;
    while first < values.len() {
        let same = |v: &&f64| **v == values[first];
        let end = first + values[first..].iter().take_while(same).count().max(1);
        if end - first >= least {
            let (from, to) = range_of(&other[first..end]);
            if to - from > 0.05 * (high - low) || (end - first) as f64 >= never {
                spells.push((first, end));
            }
        }
        first = end;
    }
    spells
}

/// Leaves out gauges that give one reading in every row, but for single rows: nothing tells one that worked and saw nothing
/// move from one that did not work, so nothing is read from it. A travel gauge on a loaded line must move, and one that does
/// not is named for that ([`remark_movement`]).
pub(super) fn leave_out_dead(gauges: &mut Vec<Signal>, caveats: &mut Vec<Caveat>) {
    gauges.retain(|gauge| {
        let may_stand = !gauge.kind.is_force() && gauge.kind != GaugeKind::Travel;
        let dead = may_stand && gauge.values.len() >= FEW_ROWS && lasting_range(&gauge.values) == 0.0;
        if dead {
            // A gauge that would have to show the slip and may be dead lets nothing pass.
            let weight = match gauge.kind {
                GaugeKind::Mark | GaugeKind::Tail | GaugeKind::Core => Weight::NoPass,
                _ => Weight::Caution,
            };
            caveats.push(Caveat::new(
                "gauge-never-moved",
                weight,
                format!(
                    "The {} gauge gives the same reading in every row, but for single rows if any: it saw nothing move, or it did not work. It is not used.",
                    gauge.kind.words()
                ),
                "Move the gauge by hand before the pull and look at the logger; then it is known to work.",
            ));
        }
        !dead
    });
}

/// Range (in the unit of `values`) of what five rows in a row agree on, counted from the end: a fault of a single row, or the
/// last digit that flickers, is no movement, and what moved and stays is.
fn lasting_range(values: &[f64]) -> f64 {
    let read: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let agreed: Vec<f64> = read
        .rchunks_exact(5)
        .filter_map(crate::stats::median)
        .collect();
    let (low, high) = range_of(&agreed);
    high - low
}

/// Names gauges that run backwards, past each other, or off the line, and a rate too low for the ramp.
pub(super) fn remark_gauges(
    load: &Signal,
    gauges: &[Signal],
    sheet: &Sheet,
    caveats: &mut Vec<Caveat>,
) {
    if load.values.len() < FEW_ROWS {
        return;
    }
    remark_rate(load, caveats);
    let moves: Vec<(&Signal, f64)> = gauges
        .iter()
        .filter(|g| !g.kind.is_force())
        .filter_map(|g| Some((g, movement(&load.values, &g.values)?)))
        .collect();
    for (gauge, moved) in &moves {
        remark_movement(gauge, *moved, caveats);
    }
    let by = |kind: GaugeKind| moves.iter().find(|(g, _)| g.kind == kind);
    let from_rig = |kind: GaugeKind| {
        let against = sheet.gauges.get(kind).and_then(|g| g.against);
        against.unwrap_or(Against::Rig) == Against::Rig
    };
    for (outer, inner) in [
        (GaugeKind::Travel, GaugeKind::Mark),
        (GaugeKind::Travel, GaugeKind::Tail),
        (GaugeKind::Travel, GaugeKind::Body),
        (GaugeKind::Mark, GaugeKind::Tail),
        (GaugeKind::Mark, GaugeKind::Body),
    ] {
        let (Some((a, far)), Some((b, near))) = (by(outer), by(inner)) else {
            continue;
        };
        let sure = SURE_SIGMAS * a.noise.hypot(b.noise) + SURE_SHARE * near.abs() + 0.5e-3;
        // One that runs backwards is named for that.
        if from_rig(outer) && from_rig(inner) && near - far > sure && *far > -sure {
            caveats.push(swapped(
                format!(
                    "From slack to the highest load the {} moved {:.1} mm and the {} only {:.1} mm, which no line can do: the columns of the two are swapped.",
                    inner.words(),
                    1e3 * near,
                    outer.words(),
                    1e3 * far
                ),
            ));
        }
    }
    if let Some(tail) = gauges.iter().find(|g| g.kind == GaugeKind::TailLoad) {
        let (peak, behind) = (range_of(&load.values).1, range_of(&tail.values).1);
        if behind > 1.1 * peak + SURE_SIGMAS * load.noise.hypot(tail.noise) {
            caveats.push(swapped(
                format!(
                    "The load behind the stopper went to {:.3} kN and that before it only to {:.3} kN: the columns of the two are swapped.",
                    behind / 1e3,
                    peak / 1e3
                ),
            ));
        }
    }
}

/// What says that the columns of two gauges are swapped.
pub(super) fn swapped(message: String) -> Caveat {
    Caveat::new(
        "gauges-swapped",
        Weight::NoVerdict,
        message,
        "Correct the columns in [gauges] and run again.",
    )
}

fn remark_movement(gauge: &Signal, moved: f64, caveats: &mut Vec<Caveat>) {
    let name = gauge.kind.words();
    let (low, high) = range_of(&gauge.values);
    if moved < -(SURE_SIGMAS * gauge.noise + SURE_SHARE * (high - low) + 0.05e-3) {
        caveats.push(Caveat::new(
            "gauge-runs-backwards",
            Weight::NoVerdict,
            format!(
                "The {name} gauge reads {:.2} mm less at the highest load than at the start: it runs backwards, or the sign in the sheet is wrong.",
                -1e3 * moved
            ),
            format!("If the reading shrinks toward the puller, write sign = \"-\" under [gauges.{}].", gauge.kind.name()),
        ));
    } else if gauge.kind == GaugeKind::Travel
        && lasting_range(&gauge.values) <= SURE_SIGMAS * gauge.noise
    {
        caveats.push(Caveat::new(
            "gauge-never-moved",
            Weight::NoVerdict,
            format!(
                "The travel stays within {:.2} mm over the whole pull, which is its noise, but for single rows if any: the gauge was not on the line.",
                1e3 * lasting_range(&gauge.values)
            ),
            "Fasten the travel gauge to the point that is pulled, and pull again.",
        ));
    }
}

/// How far a gauge moved from the low loads at the start to the highest loads; `None` if it was not read there.
fn movement(load: &[f64], values: &[f64]) -> Option<f64> {
    let (low, high) = range_of(load);
    let first = load
        .iter()
        .position(|f| *f > low + 0.1 * (high - low))
        .unwrap_or(0);
    let finite = |v: &&f64| v.is_finite();
    let start: Vec<f64> = values[..first].iter().filter(finite).copied().collect();
    let start =
        crate::stats::median(&start).or_else(|| values.iter().copied().find(|v| v.is_finite()))?;
    let top: Vec<f64> = load
        .iter()
        .zip(values)
        .filter(|(f, v)| **f > high - 0.05 * (high - low) && v.is_finite())
        .map(|(_, v)| *v)
        .collect();
    Some(crate::stats::median(&top)? - start)
}

/// The step of the load between two rows that a newton of the ramp typically lies in.
fn remark_rate(load: &Signal, caveats: &mut Vec<Caveat>) {
    let (_, peak) = range_of(&load.values);
    let rises: Vec<f64> = load
        .values
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > STEP_SIGMAS * load.noise)
        .collect();
    let (sum, squares) = rises
        .iter()
        .fold((0.0, 0.0), |(s, q), d| (s + d, q + d * d));
    // Where the rows of a ramp are lost in the noise there are more than enough of them.
    if sum < 0.5 * peak {
        return;
    }
    let step = squares / sum;
    if step > STEP_SHARE * peak {
        caveats.push(Caveat::new(
            "rate-too-low",
            Weight::Caution,
            format!(
                "On the ramp the load rises by {:.3} kN from row to row, {:.0} % of its peak: where the line lets go cannot be told finer than that.",
                step / 1e3,
                100.0 * step / peak
            ),
            "Log faster, or load more slowly: fifty rows per ramp at the least.",
        ));
    }
}

/// Names certificates that do not hold on the day of the pull.
pub(super) fn remark_certificates(sheet: &Sheet, caveats: &mut Vec<Caveat>) {
    let date = |text: &str| text.get(..10)?.parse::<jiff::civil::Date>().ok();
    let Some(day) = sheet.pull.when.as_deref().and_then(date) else {
        return;
    };
    for (kind, gauge) in sheet.gauges.iter() {
        let name = kind.words();
        if let Some(last) = gauge.valid_until.as_deref().and_then(date)
            && last < day
        {
            caveats.push(Caveat::new(
                "certificate-out-of-date",
                Weight::Caution,
                format!("The certificate of the {name} gauge ended on {last}; the pull was made on {day}."),
                "Have the gauge calibrated again: if it is still right, the new certificate vouches for this pull too.",
            ));
        }
        if let Some(first) = gauge.certified.as_deref().and_then(date)
            && first > day
        {
            caveats.push(Caveat::new(
                "certificate-later-than-pull",
                Weight::Note,
                format!(
                    "The certificate of the {name} gauge is of {first}, after the pull of {day}."
                ),
                "State in the report why the gauge may be trusted for the earlier day.",
            ));
        }
    }
}

/// What the reading of the log had to put right or leave out, from its counts.
pub(super) fn remark_reading(log: &Log, caveats: &mut Vec<Caveat>) {
    let understood = &log.understood;
    for channel in log.channels.iter().filter(|c| c.unreadable > 0) {
        let first = understood
            .unreadable
            .iter()
            .find(|u| u.column == channel.column);
        let first = first.map_or_else(String::new, |u| {
            format!(", the first in line {}: `{}`", u.line, u.text)
        });
        caveats.push(Caveat::new(
            "cells-unreadable",
            Weight::Caution,
            format!(
                "{} of {} rows of column {} cannot be read{first}; they are left out.",
                channel.unreadable, log.rows, channel.column
            ),
            "Look at these lines of the log; correct them only from the logger's own memory.",
        ));
    }
    let counted = |n: u64, one: &str, many: &str| match n {
        1 => format!("1 {one}"),
        n => format!("{n} {many}"),
    };
    if understood.reordered > 0 {
        caveats.push(Caveat::new(
            "rows-put-in-order",
            Weight::Note,
            format!(
                "{} late and put in order of time.",
                counted(
                    understood.reordered,
                    "row of the log was",
                    "rows of the log were"
                )
            ),
            "Nothing is lost; a logger that writes late may be overloaded.",
        ));
    }
    if understood.duplicates > 0 {
        caveats.push(Caveat::new(
            "rows-repeated",
            Weight::Note,
            format!(
                "{} once more and dropped.",
                counted(
                    understood.duplicates,
                    "row of the log stood there",
                    "rows of the log stood there"
                )
            ),
            "Nothing is lost; find out why the logger writes rows twice.",
        ));
    }
    if !log.segments.is_empty() {
        caveats.push(Caveat::new(
            "logger-restarted",
            Weight::Caution,
            format!("The logger paused or began anew {} within the record: what moved meanwhile is told only as a whole.", counted(log.segments.len() as u64, "time", "times")),
            "Check plugs and batteries of the logger; pull again if a load step falls into a pause.",
        ));
    }
    if understood.rows_without_time > 0 {
        caveats.push(Caveat::new(
            "rows-without-time",
            Weight::Caution,
            format!(
                "{} a time that cannot be read and {} left out.",
                counted(
                    understood.rows_without_time,
                    "row of the log has",
                    "rows of the log have"
                ),
                if understood.rows_without_time == 1 {
                    "is"
                } else {
                    "are"
                }
            ),
            "Look at these lines of the log; correct them only from the logger's own memory.",
        ));
    }
    for doubt in &understood.doubts {
        caveats.push(Caveat::new(
            "header-against-sheet",
            Weight::NoVerdict,
            format!("{}.", sentence(doubt)),
            "Correct the one that is wrong: every length, load or time hangs on it.",
        ));
    }
    for note in &understood.notes {
        let text = sentence(note);
        caveats.push(Caveat::new(
            "log-as-understood",
            Weight::Note,
            format!("{}.", text.trim_end_matches('.')),
            "Check that this is meant; the sheet decides how the log is read.",
        ));
    }
}

/// A text that begins like a sentence.
fn sentence(text: &str) -> String {
    let mut text = text.to_owned();
    if let Some(first) = text.get(..1).map(str::to_uppercase) {
        text.replace_range(..1, &first);
    }
    text
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::Distribution;

    use super::*;

    /// Noise that never repeats, of about one unit.
    fn wiggle(i: usize) -> f64 {
        (i as f64 * 12.9898).sin() * 1.3
    }

    fn signal(kind: GaugeKind, values: Vec<f64>, noise: f64) -> Signal {
        Signal {
            kind,
            values,
            noise,
            step: 0.0,
            errors: crate::condition::InstrumentErrors::default(),
            lag: None,
        }
    }

    /// A load up and down over 200 rows, N.
    fn load() -> Signal {
        let up = |i: usize| 40.0 * (100.0 - (100.0 - i as f64).abs());
        let values = (0..200).map(|i| up(i) + wiggle(i)).collect();
        signal(GaugeKind::Load, values, 1.0)
    }

    fn gauge(kind: GaugeKind, per_load: f64) -> Signal {
        let values = load().values.iter().map(|f| per_load * f).collect();
        signal(kind, values, 1e-5)
    }

    fn codes(caveats: &[Caveat]) -> Vec<&str> {
        caveats.iter().map(|c| &*c.code).collect()
    }

    fn sheet() -> Sheet {
        let text = "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"Load\"\n";
        Sheet::parse(text, "sheet.toml").unwrap()
    }

    #[test]
    fn a_spike_is_found_and_corners_and_slips_are_none() {
        let time: Vec<f64> = (0..200).map(|i| i as f64).collect();
        let mut clean = load();
        let mut caveats = Vec::new();
        blank_spikes(&mut clean, &time, &mut caveats);
        assert!(caveats.is_empty());
        // A slip: the travel jumps and stays.
        let mut slip = gauge(GaugeKind::Travel, 1e-5);
        slip.values[80..].iter_mut().for_each(|v| *v += 0.005);
        blank_spikes(&mut slip, &time, &mut caveats);
        assert!(caveats.is_empty());
        let mut leaps = load();
        leaps.values[50] += 900.0;
        leaps.values[120] -= 4000.0;
        blank_spikes(&mut leaps, &time, &mut caveats);
        assert_eq!(codes(&caveats), ["spikes"]);
        assert!(caveats[0].message.contains("has 2 rows"));
        assert!(leaps.values[50].is_nan() && leaps.values[120].is_nan());
        assert_eq!(leaps.values.iter().filter(|v| v.is_nan()).count(), 2);
    }

    #[test]
    fn a_spell_of_standing_still_is_found() {
        let load = load();
        let mut travel = gauge(GaugeKind::Travel, 1e-5);
        let mut caveats = Vec::new();
        blank_stuck(&mut travel, &load, &mut caveats);
        assert!(caveats.is_empty());
        let at = travel.values[40];
        travel.values[40..60].fill(at);
        blank_stuck(&mut travel, &load, &mut caveats);
        assert_eq!(codes(&caveats), ["gauge-stuck"]);
        assert!(
            caveats[0]
                .message
                .contains("gave one reading for 20 of 200 rows")
        );
    }

    #[test]
    fn a_few_rows_of_one_value_far_off_are_spikes() {
        let mut signal = load();
        signal.values[100..103].fill(9999.0);
        let mut caveats = Vec::new();
        let time: Vec<f64> = (0..200).map(f64::from).collect();
        blank_spikes(&mut signal, &time, &mut caveats);
        assert_eq!(codes(&caveats), ["spikes"]);
        assert!(signal.values[100..103].iter().all(|v| v.is_nan()));
        assert_eq!(signal.values.iter().filter(|v| v.is_nan()).count(), 3);
        // For longer it is a reading: what reads it is elsewhere.
        let mut signal = load();
        signal.values[100..106].fill(9999.0);
        blank_spikes(&mut signal, &time, &mut caveats);
        assert!(signal.values.iter().all(|v| v.is_finite()));
    }

    #[test]
    fn a_logger_that_repeats_every_reading_has_stopped() {
        let named = |load: &Signal, travel: &Signal| {
            let time: Vec<f64> = (0..200).map(f64::from).collect();
            let all = [load, travel].map(|s| (s, s.values.as_slice()));
            let mut caveats = Vec::new();
            remark_frozen(&all, &time, &mut caveats);
            caveats
        };
        let (mut load, mut travel) = (load(), gauge(GaugeKind::Travel, 1e-5));
        assert_eq!(codes(&named(&load, &travel)), [""; 0]);
        let kept = load.values[120];
        load.values[121..150].fill(kept);
        // The travel goes on.
        assert_eq!(codes(&named(&load, &travel)), [""; 0]);
        let kept = travel.values[120];
        travel.values[121..150].fill(kept);
        let found = named(&load, &travel);
        assert_eq!(codes(&found), ["logger-frozen"]);
        assert!(
            found[0].message.contains("For 29 s"),
            "{}",
            found[0].message
        );
    }

    #[test]
    fn gauges_that_run_backwards_past_each_other_or_off_the_line() {
        let named = |gauges: &[Signal]| {
            let mut caveats = Vec::new();
            remark_gauges(&load(), gauges, &sheet(), &mut caveats);
            caveats
        };
        let travel = gauge(GaugeKind::Travel, 1e-5);
        let mark = gauge(GaugeKind::Mark, 1e-6);
        assert!(named(&[travel.clone(), mark.clone()]).is_empty());
        assert_eq!(
            codes(&named(&[gauge(GaugeKind::Travel, -1e-5)])),
            ["gauge-runs-backwards"]
        );
        assert_eq!(
            codes(&named(&[gauge(GaugeKind::Travel, -1e-5), mark.clone()])),
            ["gauge-runs-backwards"]
        );
        let swapped = [gauge(GaugeKind::Travel, 1e-6), gauge(GaugeKind::Mark, 1e-5)];
        assert_eq!(codes(&named(&swapped)), ["gauges-swapped"]);
        let loose: Vec<f64> = (0..200).map(|i| 1e-5 * wiggle(i)).collect();
        let mut leaps = vec![0.002; 200];
        leaps[90] = 0.080;
        for still in [loose, leaps] {
            let found = named(&[signal(GaugeKind::Travel, still, 1e-5)]);
            assert_eq!(codes(&found), ["gauge-never-moved"]);
            assert_eq!(found[0].weight, Weight::NoVerdict);
        }
    }

    #[test]
    fn a_gauge_of_one_reading_is_left_out() {
        let dead = |rows: usize| signal(GaugeKind::Mark, vec![0.002; rows], 1e-6);
        let mut gauges = vec![gauge(GaugeKind::Travel, 1e-5), dead(200)];
        let mut caveats = Vec::new();
        leave_out_dead(&mut gauges, &mut caveats);
        assert_eq!(gauges.len(), 1);
        assert_eq!(gauges[0].kind, GaugeKind::Travel);
        assert_eq!(codes(&caveats), ["gauge-never-moved"]);
        assert_eq!(caveats[0].weight, Weight::NoPass);
        // A row that leaps out, or the last digit that flickers, is no sign of life; what stays is.
        let mut leaps = dead(200);
        leaps.values[90] = 0.080;
        leaps.values[91] = f64::NAN;
        for value in leaps.values.iter_mut().step_by(7) {
            *value += 1e-5;
        }
        let mut slid = dead(200);
        slid.values[197..].fill(0.012);
        let mut both = vec![leaps, slid.clone()];
        leave_out_dead(&mut both, &mut Vec::new());
        assert_eq!(both, [slid]);
        // A few readings noted by hand may well be alike.
        let mut few = vec![dead(12)];
        leave_out_dead(&mut few, &mut caveats);
        assert_eq!((few.len(), caveats.len()), (1, 1));
    }

    #[test]
    fn a_rate_too_low_for_the_ramp() {
        let values = (0..60)
            .map(|i| 200.0 * (30.0 - (30.0 - f64::from(i)).abs()))
            .collect();
        let mut caveats = Vec::new();
        remark_rate(&signal(GaugeKind::Load, values, 1.0), &mut caveats);
        assert_eq!(codes(&caveats), ["rate-too-low"]);
        caveats.clear();
        remark_rate(&load(), &mut caveats);
        assert!(caveats.is_empty());
        // Two hours at rest: of so many rows some differ by three standard deviations of the noise, and none is a ramp.
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let normal = rand_distr::Normal::new(4e3, 50.0).unwrap();
        let rest = (0..144_000).map(|_| normal.sample(&mut random)).collect();
        remark_rate(&signal(GaugeKind::Load, rest, 50.0), &mut caveats);
        assert!(caveats.is_empty(), "{caveats:?}");
    }

    #[test]
    fn certificates_hold_on_the_day_or_are_named() {
        let text = "[pull]\nlog = \"log.csv\"\nwhen = \"2026-05-14T09:30:00+02:00\"\n[gauges.load]\ncolumn = \"Load\"\ncertified = \"2026-05-15\"\nvalid_until = \"2026-05-13\"\n";
        let mut caveats = Vec::new();
        remark_certificates(&Sheet::parse(text, "sheet.toml").unwrap(), &mut caveats);
        assert_eq!(
            codes(&caveats),
            ["certificate-out-of-date", "certificate-later-than-pull"]
        );
        caveats.clear();
        let good = text.replace("05-15", "05-14").replace("05-13", "05-14");
        remark_certificates(&Sheet::parse(&good, "sheet.toml").unwrap(), &mut caveats);
        assert!(caveats.is_empty());
    }
}
