//! Rows of the traces: the parts between the blocks' centres by straight lines, at any times that are asked for.
//!
//! The entries of a log of up to [`ENTRIES_MAX`](crate::ingest::ENTRIES_MAX) rows are its rows. Of a longer one they are
//! means; its rows come from a second reading, in groups, and get the parts at their own times here.

use std::collections::BTreeMap;

use super::{Analysis, TracePart, Traces};
use crate::ingest::{GaugeKind, RowGroup};
use crate::phases::{Blocks, PhaseKind};
use crate::separate::{PartName, Separated};
use crate::stats::straight;

impl Analysis {
    /// Traces of rows that the record holds only as means: load and travel as read, counted from the same zeros as the
    /// entries; parts by straight lines between the blocks; the phase of the nearest entry.
    #[must_use]
    pub fn traces_of(&self, group: &RowGroup) -> Traces {
        let zeros = self.traces.zeros;
        let values = |kind| {
            let found = group.channels.iter().find(|(k, _)| *k == kind);
            found.map(|(_, values)| values.as_slice())
        };
        let load = values(GaugeKind::Load).unwrap_or_default();
        let travel_mm = match (values(GaugeKind::Travel), zeros.travel_m) {
            (Some(travel), Some(zero)) => travel.iter().map(|v| 1e3 * (v - zero)).collect(),
            // Read by the second logger, and known at the entries.
            (None, Some(_)) => straight(&self.traces.time_s, &self.traces.travel_mm, &group.time_s),
            _ => Vec::new(),
        };
        let spread = Spread {
            blocks: &self.separated.blocks,
            time_s: &group.time_s,
            from_s: zeros.parts_from_s,
        };
        Traces {
            time_s: group.time_s.clone(),
            load_kn: load
                .iter()
                .zip(&group.time_s)
                .map(|(f, t)| (f - zeros.load.at(*t)) / 1e3)
                .collect(),
            travel_mm,
            phase: phases(&self.traces, &group.time_s),
            parts: spread.parts(&self.separated),
            zeros,
        }
    }
}

/// The phase of the entry nearest in time.
fn phases(entries: &Traces, time_s: &[f64]) -> Vec<PhaseKind> {
    let mut at = 0;
    time_s
        .iter()
        .map(|t| {
            while at + 1 < entries.time_s.len()
                && (entries.time_s[at + 1] - t).abs() < (entries.time_s[at] - t).abs()
            {
                at += 1;
            }
            entries.phase.get(at).copied().unwrap_or(PhaseKind::TakeUp)
        })
        .collect()
}

/// Spreads values of blocks over rows.
pub(super) struct Spread<'a> {
    pub blocks: &'a Blocks,
    /// Times of the rows, rising, s.
    pub time_s: &'a [f64],
    /// Time from which there are parts, s.
    pub from_s: f64,
}

impl Spread<'_> {
    /// Every part that has a course.
    pub(super) fn parts(&self, separated: &Separated) -> BTreeMap<PartName, TracePart> {
        let parts = separated.parts.iter();
        let found = parts.filter_map(|(name, part)| {
            let course = part.course.as_ref()?;
            let between = self.between(separated, *name);
            let rows = |values: &Vec<f64>| {
                let mut rows = self.rows(values);
                for (row, between) in rows.iter_mut().zip(&between) {
                    *row += between;
                }
                rows
            };
            let part = TracePart {
                value: course.value.as_ref().map(rows),
                low: rows(&course.low),
                high: rows(&course.high),
            };
            Some((*name, part))
        });
        found.collect()
    }

    /// Departure from straight lines between the blocks per row, mm; empty where there is none.
    fn between(&self, separated: &Separated, name: PartName) -> Vec<f64> {
        let Some(departure) = separated.between.departure_m.get(&name) else {
            return Vec::new();
        };
        let rows = straight(&separated.between.time_s, departure, self.time_s);
        rows.into_iter().map(|v| 1e3 * v).collect()
    }

    /// mm per row from m per block.
    fn rows(&self, values: &[f64]) -> Vec<f64> {
        let rows = straight(&self.blocks.time_s, values, self.time_s);
        rows.into_iter()
            .zip(self.time_s)
            .map(|(v, t)| if *t < self.from_s { f64::NAN } else { 1e3 * v })
            .collect()
    }
}
