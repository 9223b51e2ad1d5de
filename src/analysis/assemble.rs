//! From what the stages found to one analysis: rows, steps, facts.

use std::collections::BTreeMap;

use super::rows::Spread;
use crate::aboard::AboardResult;
use crate::analysis::{
    Analysis, Energy, Inputs, Record, SCHEMA_VERSION, Settings, SheetRecord, StepRow, Traces, Zeros,
};
use crate::caveat::Caveat;
use crate::condition::Conditioned;
use crate::diagnose::Diagnosis;
use crate::ingest::GaugeKind;
use crate::limit::Limit;
use crate::phases::{PhaseKind, Phased};
use crate::separate::{Course, PartName, Separated};
use crate::stats::{Estimate, Measure};
use crate::verdict::Verdict;

/// What the stages after the separation found.
pub(crate) struct Parted {
    pub verdict: Verdict,
    pub limit: Limit,
    pub aboard: Option<AboardResult>,
    pub diagnosis: Diagnosis,
    pub explanations: Vec<crate::separate::Explanation>,
    pub caveats: Vec<Caveat>,
}

impl Analysis {
    /// Puts an analysis together.
    pub(crate) fn assemble(
        inputs: Inputs,
        settings: &Settings,
        record: &Conditioned,
        phased: &Phased,
        mut separated: Separated,
        parted: Parted,
    ) -> Self {
        end_with_the_line(&mut separated, phased);
        let facts = facts(&inputs, record, phased, &separated);
        Self {
            schema_version: SCHEMA_VERSION,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            verdict: parted.verdict,
            limit: parted.limit,
            aboard: parted.aboard,
            diagnosis: parted.diagnosis,
            explanations: parted.explanations,
            caveats: parted.caveats,
            phases: phased.phases.clone(),
            steps: steps(phased, &separated),
            energy: energy(phased, &separated),
            traces: traces(record, phased, &separated),
            record: facts,
            load_zero: record.load_zero.clone(),
            load_drift: record.load_drift.clone(),
            settings: settings.clone(),
            inputs: inputs.files,
            understood: inputs.log.understood,
            sheet: SheetRecord(inputs.sheet),
            separated,
        }
    }
}

fn facts(inputs: &Inputs, record: &Conditioned, phased: &Phased, separated: &Separated) -> Record {
    let noise = std::iter::once(&record.load)
        .chain(&record.gauges)
        .map(|g| {
            (
                g.kind,
                g.noise * 1e3_f64.powi(if g.kind.is_force() { -1 } else { 1 }),
            )
        })
        .collect();
    let travels = separated.travel_m.iter().copied().filter(|t| t.is_finite());
    Record {
        rows: inputs.log.rows,
        rows_per_entry: record.rows_per_entry as u64,
        start_s: record.time_s.first().copied().unwrap_or(0.0),
        end_s: record.time_s.last().copied().unwrap_or(0.0),
        rate_hz: record.rows_per_entry as f64 / record.period_s.max(f64::MIN_POSITIVE),
        peak_load_kn: phased.peak_n / 1e3,
        peak_travel_mm: travels.reduce(f64::max).map(|t| 1e3 * t),
        pretension_kn: phased.pretension_n / 1e3,
        loading_rate_kn_per_s: Some(phased.ramp_rate_n_per_s / 1e3).filter(|r| *r > 0.0),
        noise,
        cycles: phased.cycles,
    }
}

/// One row per hold and rest, at its end.
fn steps(phased: &Phased, separated: &Separated) -> Vec<StepRow> {
    let blocks = &separated.blocks;
    let mut counts: BTreeMap<PhaseKind, usize> = BTreeMap::new();
    let mut rows = Vec::new();
    for phase in &phased.phases {
        if !matches!(
            phase.kind,
            PhaseKind::Hold | PhaseKind::LockedHold | PhaseKind::Rest | PhaseKind::RunOut
        ) {
            continue;
        }
        let count = counts.entry(phase.kind).or_insert(0);
        *count += 1;
        let inside: Vec<usize> = (0..blocks.len())
            .filter(|k| blocks.first[*k] < phase.end && blocks.first[*k] >= phase.first)
            .collect();
        if inside.is_empty() {
            continue;
        }
        let end = End {
            time_s: &blocks.time_s,
            inside: &inside[inside.len().saturating_sub(3)..],
            end_s: phase.end_s,
        };
        rows.push(StepRow {
            label: format!("{} {count}", phase.kind.word()),
            time_s: phase.end_s,
            load_kn: end.of(&blocks.load_n) / 1e3,
            travel_mm: Some(1e3 * end.of(&separated.travel_m)).filter(|t| t.is_finite()),
            parts: separated
                .parts
                .iter()
                .filter_map(|(name, part)| Some((*name, at(*name, part.course.as_ref()?, &end)?)))
                .collect(),
        });
    }
    rows
}

/// The end of a phase, seen from its last three blocks or fewer.
struct End<'a> {
    time_s: &'a [f64],
    inside: &'a [usize],
    end_s: f64,
}

impl End<'_> {
    /// A value at the end from its means over the last blocks, NaN where there is none: on from the last mean by the
    /// flatter of the last two slopes. What jumped once between two blocks does not go on jumping.
    fn of(&self, values: &[f64]) -> f64 {
        let at = |k: usize| values.get(k).copied().unwrap_or(f64::NAN);
        let slope = |pair: &[usize]| {
            (at(pair[1]) - at(pair[0])) / (self.time_s[pair[1]] - self.time_s[pair[0]])
        };
        let last = self.inside[self.inside.len() - 1];
        let slopes: Vec<f64> = self.inside.windows(2).map(slope).collect();
        let on = match slopes[..] {
            [before, after] if before * after > 0.0 => {
                before.abs().min(after.abs()) * after.signum()
            }
            _ => 0.0,
        };
        at(last) + on * (self.end_s - self.time_s[last])
    }
}

/// A slack line is not stretched and presses on nothing: from there on stretch and give are absent, and after a run-out, which
/// goes on while the load falls, every part is. The split carries their last values on.
fn end_with_the_line(separated: &mut Separated, phased: &Phased) {
    let slack = slack_from(phased, separated);
    let before = slack
        .checked_sub(1)
        .and_then(|k| phased.blocks.phase.get(k));
    let ran = before == Some(&PhaseKind::RunOut);
    for (name, part) in &mut separated.parts {
        let ends = name.comes_back() || ran;
        let Some(course) = part.course.as_mut().filter(|_| ends) else {
            continue;
        };
        for values in [&mut course.low, &mut course.high]
            .into_iter()
            .chain(&mut course.value)
        {
            if let Some(after) = values.get_mut(slack..) {
                after.fill(f64::NAN);
            }
        }
    }
}

/// First block of the slack at the end: no travel belongs to the line any more, or, without a travel gauge, the load
/// stays below what holds it taut.
fn slack_from(phased: &Phased, separated: &Separated) -> usize {
    let blocks = &separated.blocks;
    let taut = |k: usize| {
        separated
            .travel_m
            .get(k)
            .map_or_else(|| blocks.load_n[k] >= phased.slack_n, |t| t.is_finite())
    };
    (0..blocks.len()).rfind(|k| taut(*k)).map_or(0, |k| k + 1)
}

/// A course at the end of a phase as an estimate; `None` where it has no value.
fn at(name: PartName, course: &Course, end: &End) -> Option<Estimate> {
    const METHOD: &str = "course of the part";
    // Carried on from three blocks each, ends that nearly meet may pass each other.
    let (low, high) = (end.of(&course.low), end.of(&course.high));
    let (low, high) = (low.min(high), high.max(low));
    if !low.is_finite() || !high.is_finite() {
        return None;
    }
    let Some(values) = &course.value else {
        return Some(Estimate::bracket(
            Measure::Length,
            low,
            high,
            METHOD,
            "see the part",
        ));
    };
    let value = Some(end.of(values)).filter(|v| v.is_finite())?;
    let error = (high - low) / (2.0 * 1.96);
    // What comes back may be either side of nothing; of what stays there is none or some.
    Some(if low <= 0.0 && !name.comes_back() {
        Estimate::at_most(
            Measure::Length,
            value.max(0.0),
            error,
            high.max(0.0),
            METHOD,
        )
    } else {
        Estimate::measured(Measure::Length, value, error, low, high, METHOD)
    })
}

/// Energy for the cautions: half the highest load times the travel that came back; the area under the
/// unloading curve over the gauge length beside it.
fn energy(phased: &Phased, separated: &Separated) -> Energy {
    let peak_travel = separated
        .travel_m
        .iter()
        .copied()
        .filter(|t| t.is_finite())
        .reduce(f64::max);
    let stayed = separated
        .course(PartName::NotRecovered)
        .and_then(|c| c.value.as_ref()?.last().copied())
        .filter(|v| v.is_finite());
    let back = peak_travel.map(|peak| (peak - stayed.unwrap_or(0.0)).max(0.0));
    let area = separated.stretch_curve.as_ref().map(|curve| {
        let points: Vec<(f64, f64)> = curve
            .load_kn
            .iter()
            .copied()
            .zip(curve.unloading_mm.iter().copied())
            .collect();
        // kN times mm is J.
        points
            .windows(2)
            .map(|w| (w[0].0 + w[1].0) / 2.0 * (w[1].1 - w[0].1))
            .sum::<f64>()
    });
    let measured_j = area.filter(|a| *a > 0.0);
    // Where what stayed is told too high, more was measured than came back: then all of the travel counts.
    let upper = |x: f64| 0.5 * phased.peak_n * x;
    let enough = |upper: &f64| measured_j.is_none_or(|measured| *upper >= measured);
    let all = peak_travel.map(upper).into_iter().chain(measured_j);
    Energy {
        upper_j: back.map(upper).filter(enough).or(all.reduce(f64::max)),
        measured_j,
    }
}

/// Rows: indicated load and travel, the parts between the blocks' centres by straight lines.
fn traces(record: &Conditioned, phased: &Phased, separated: &Separated) -> Traces {
    let mut phase = vec![PhaseKind::TakeUp; record.time_s.len()];
    for p in &phased.phases {
        phase[p.first..p.end].fill(p.kind);
    }
    let travel = record.gauge(GaugeKind::Travel);
    let zero = travel.map(|travel| {
        let dwell: Vec<f64> = travel.values[phased.reference.clone()]
            .iter()
            .copied()
            .filter(|v| v.is_finite())
            .collect();
        dwell.iter().sum::<f64>() / dwell.len().max(1) as f64
    });
    let travel_mm = match (travel, zero) {
        (Some(travel), Some(zero)) => travel.values.iter().map(|v| 1e3 * (v - zero)).collect(),
        _ => Vec::new(),
    };
    let parts_from_s = record
        .time_s
        .get(phased.reference.start)
        .copied()
        .unwrap_or(f64::INFINITY);
    let rows = Spread {
        blocks: &separated.blocks,
        time_s: &record.time_s,
        from_s: parts_from_s,
    };
    let parts = rows.parts(separated);
    Traces {
        time_s: record.time_s.clone(),
        load_kn: record.load.values.iter().map(|f| f / 1e3).collect(),
        travel_mm,
        phase,
        parts,
        zeros: Zeros {
            load: record.zero_line,
            travel_m: zero,
            parts_from_s,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn end(values: &[f64]) -> f64 {
        let blocks: Vec<usize> = (0..values.len()).collect();
        let time_s: Vec<f64> = (0..values.len()).map(|k| 2.0 * k as f64 + 1.0).collect();
        End {
            time_s: &time_s,
            inside: &blocks[values.len().saturating_sub(3)..],
            end_s: 2.0 * values.len() as f64,
        }
        .of(values)
    }

    /// Blocks of two seconds: what slides at 3 mm/s is 3 mm further at the end than in the middle of the last of them.
    #[test]
    fn a_step_is_told_at_its_end() {
        assert_eq!(end(&[6.0, 12.0, 18.0]), 21.0);
        // It slows down, it jumped, it swings, it began here: no further than is sure.
        assert_eq!(end(&[6.0, 12.0, 14.0]), 15.0);
        assert_eq!(end(&[6.0, 6.0, 18.0]), 18.0);
        assert_eq!(end(&[6.0, 18.0, 12.0]), 12.0);
        assert_eq!(end(&[6.0, 12.0]), 12.0);
    }
}
