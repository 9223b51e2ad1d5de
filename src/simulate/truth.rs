//! What really happened, per row of the log.

use super::Truth;
use super::gauges::{self, Draws};
use super::march::{Course, Instant};
use super::scenario::{Scenario, Step};
use crate::ingest::GaugeKind;

/// The truth at the rows, every part counted from the mean over the first dwell.
pub(super) fn truth(scenario: &Scenario, draws: &Draws, course: &Course, times: &[f64]) -> Truth {
    let rows: Vec<Instant> = times
        .iter()
        .map(|&t| gauges::at(&course.instants, t))
        .collect();
    let dwell = scenario
        .schedule
        .iter()
        .position(|s| matches!(s, Step::Hold { .. }));
    let first = rows.iter().position(|r| Some(r.step) == dwell).unwrap_or(0);
    let end = rows
        .iter()
        .rposition(|r| Some(r.step) == dwell)
        .map_or(0, |r| r + 1);
    let from_zero = |of: fn(&Instant) -> f64| -> Vec<f64> {
        let dwell = rows.get(first..end).unwrap_or_default();
        let zero = dwell.iter().map(of).sum::<f64>() / dwell.len().max(1) as f64;
        rows.iter().map(|r| of(r) - zero).collect()
    };
    let gain = draws.gauge(GaugeKind::Load).map_or(0.0, |d| d.gain);
    let draw_in: Vec<f64> = {
        let of = |r: &Instant| gauges::draw_in(scenario, r.cover_slip);
        let dwell = rows.get(first..end).unwrap_or_default();
        let zero = dwell.iter().map(of).sum::<f64>() / dwell.len().max(1) as f64;
        rows.iter().map(|r| of(r) - zero).collect()
    };
    let ran_out = course
        .stopped_at
        .and_then(|t| times.iter().position(|&x| x >= t));
    let held = |r: &Instant| {
        matches!(
            scenario.schedule.get(r.step),
            Some(Step::Hold { .. } | Step::Lock { .. } | Step::Ease { .. })
        )
    };
    let last_held = rows.iter().rposition(held);
    let dwell_rows = rows.get(first..end).unwrap_or_default();
    Truth {
        load: rows.iter().map(|r| r.load).collect(),
        tail_load: rows.iter().map(|r| r.tail_load).collect(),
        travel: from_zero(|r| r.travel),
        stretch: from_zero(|r| r.stretch),
        set: from_zero(|r| r.set),
        seating: from_zero(|r| r.seating),
        stopper_slip: from_zero(|r| r.stopper_slip),
        cover_slip: from_zero(|r| r.cover_slip),
        splice_slip: from_zero(|r| r.splice_slip),
        body: from_zero(|r| r.body),
        jaws: from_zero(|r| r.jaws),
        draw_in,
        step: rows.iter().map(|r| r.step).collect(),
        reference: first..end,
        at_proof: rows
            .iter()
            .position(|r| r.load * (1.0 + gain) >= scenario.asked.proof),
        end: ran_out
            .or(last_held)
            .unwrap_or(rows.len().saturating_sub(1)),
        ran_out,
        jumps: course.jumps.clone(),
        dwell_load: dwell_rows.iter().map(|r| r.load).sum::<f64>() / dwell_rows.len().max(1) as f64,
    }
}
