//! Ends of range: readings that are no measurements are blanked and named.

use crate::caveat::{Caveat, Weight};
use crate::condition::Signal;
use crate::condition::instrument;
use crate::ingest::{Channel, GaugeKind};
use crate::sheet::Sheet;

/// Entries that a gauge may rest at its extreme before it counts as at its end stop (when it is noisy elsewhere).
const STUCK_ENTRIES: usize = 12;
/// Share of the rows at an end of range from which the sheet may be wrong about the gauge.
const MOSTLY: f64 = 0.5;

/// Blanks entries in which the gauge was over range or at its end stop.
pub(super) fn blank_unusable(
    channel: &Channel,
    capacity: Option<f64>,
    values: &mut [f64],
    load: Option<&[f64]>,
    caveats: &mut Vec<Caveat>,
) {
    let mut blanked = vec![false; values.len()];
    for &entry in &channel.clipped {
        if let Some(b) = blanked.get_mut(entry) {
            *b = true;
        }
    }
    if let Some(capacity) = capacity.filter(|c| *c > 0.0) {
        // A reading beyond 110 % of full scale is no reading; up to there most gauges still read.
        for (b, v) in blanked.iter_mut().zip(values.iter()) {
            *b |= v.abs() > 1.1 * capacity;
        }
    }
    for (first, end) in end_stops(values) {
        // A pause at standing travel is no end stop: there the load does not rise.
        if load.is_none_or(|load| rises(load, first, end)) {
            blanked[first..end].fill(true);
        }
    }
    let count = blanked.iter().filter(|b| **b).count();
    if count == 0 {
        return;
    }
    for (value, blank) in values.iter_mut().zip(&blanked) {
        if *blank {
            *value = f64::NAN;
        }
    }
    // A gauge that is mostly beyond its range is not the one that the sheet describes, or not in its unit.
    let (weight, advice) = if count as f64 > MOSTLY * values.len() as f64 {
        (
            Weight::NoPass,
            "Check `unit` and `capacity` of the gauge in the sheet; else set it so that the whole travel fits, and pull again.",
        )
    } else {
        (
            Weight::Caution,
            "Set the gauge so that the whole travel fits, or use one with more travel, and pull again.",
        )
    };
    caveats.push(Caveat::new(
        "gauge-clipped",
        weight,
        format!("The {} gauge stood at an end of its range in {count} of {} rows; these rows are not used.", channel.kind.words(), values.len()),
        advice,
    ));
}

/// True where the load rises over a run by more than a hundredth of its range.
fn rises(load: &[f64], first: usize, end: usize) -> bool {
    let (low, high) = super::range_of(load);
    let run = &load[first..end];
    let (_, top) = super::range_of(run);
    let at_first = run.iter().find(|load| load.is_finite());
    at_first.is_some_and(|at_first| top - at_first > 0.01 * (high - low))
}

/// Runs of exactly the largest or smallest reading, long for a gauge that is noisy elsewhere.
fn end_stops(values: &[f64]) -> Vec<(usize, usize)> {
    let (low, high) = super::range_of(values);
    if high - low <= 0.0 {
        return Vec::new();
    }
    let changes = values
        .windows(2)
        .filter(|w| w[0] != w[1] && w[0].is_finite() && w[1].is_finite())
        .count();
    // A coarse gauge repeats itself everywhere; only one that normally flickers can be seen to stand still.
    if changes * 4 < values.len() {
        return Vec::new();
    }
    let mut runs = Vec::new();
    let mut first = 0;
    while first < values.len() {
        let value = values[first];
        let end = first
            + values[first..]
                .iter()
                .take_while(|v| **v == value)
                .count()
                .max(1);
        if end - first >= STUCK_ENTRIES && (value == low || value == high) {
            runs.push((first, end));
        }
        first = end;
    }
    runs
}

/// Says what is wrong with the range of the load cell.
pub(super) fn remark_load(load: &Signal, sheet: &Sheet, peak: f64, caveats: &mut Vec<Caveat>) {
    let capacity = instrument::stated(GaugeKind::Load, sheet)
        .ok()
        .and_then(|s| s.capacity);
    let Some(capacity) = capacity.filter(|c| *c > 0.0) else {
        return;
    };
    let share = 100.0 * peak / capacity;
    if peak > capacity {
        caveats.push(Caveat::new(
            "cell-over-capacity",
            Weight::NoVerdict,
            format!("The load went to {share:.0} % of the cell's capacity."),
            "Have the cell checked before it is used again; repeat the pull with a larger one.",
        ));
    } else if share < 20.0 {
        // ISO 7500-1: the calibrated range commonly begins at 20 % of capacity (from memory).
        caveats.push(Caveat::new(
            "cell-too-large",
            Weight::Caution,
            format!("The highest load is {share:.0} % of the cell's capacity; cells are commonly calibrated from 20 % up."),
            "Use a smaller cell, or a certificate that covers this range.",
        ));
    }
    let missing = load.values.iter().filter(|v| v.is_nan()).count();
    if missing * 10 > load.values.len() {
        caveats.push(Caveat::new(
            "load-missing",
            Weight::NoVerdict,
            format!(
                "The load is missing or out of range in {missing} of {} rows.",
                load.values.len()
            ),
            "Find out why the cell dropped out and repeat the pull.",
        ));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A gauge may reach its end in a row in which the load was not read.
    #[test]
    fn a_load_that_is_not_read_in_the_first_row_of_a_run_rises_over_it_all_the_same() {
        let load = [0.0, 1e3, f64::NAN, 2.1e3, f64::NAN, 2.6e3, 3e3];
        assert!(rises(&load, 2, 6));
        assert!(!rises(&load, 4, 6));
        assert!(!rises(&load, 2, 3));
    }
}
