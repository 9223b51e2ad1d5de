//! What the model needs from the record before any fit: blocks in use, shapes of the load over them, readings.

use std::ops::Range;

use crate::condition::{Conditioned, instrument};
use crate::ingest::GaugeKind;
use crate::phases::{PhaseKind, Phased};
use crate::separate::bases::{self, Columns, History};
use crate::separate::points::Points;
use crate::separate::readings::{self, Reading};
use crate::sheet::Sheet;

/// The load falls from one block to the next when it loses so many standard deviations.
const FALLS: f64 = 5.0;
/// Half width of the mark's share, as a share of itself, beside what the sheet states of its distance: a quarter, for cover and
/// core do not stretch alike from the mouth on (common practice, no source).
const SHARE_HALF_WIDTH: f64 = 0.25;
/// Distance of a mark whose distance is not stated: within this of the mouth, m.
pub(in crate::separate) const MARK_NEAR_MOUTH_M: f64 = 0.05;
/// Free length assumed for that when the sheet states none, m.
const FREE_LENGTH_GUESS_M: f64 = 3.0;
/// A column that moves by less than this (of one) over the record carries nothing.
const IDLE_COLUMN: f64 = 2e-3;
/// Above this share of the highest load so far the load is about the highest.
pub(super) const AT_HIGHEST_SHARE: f64 = 0.985;
/// Step of load for slopes, as a share of the peak.
pub(super) const SLOPE_STEP: f64 = 2e-3;

/// What the model needs from the record, before any fit.
pub(super) struct Scene<'a> {
    pub record: &'a Conditioned,
    pub phased: &'a Phased,
    pub sheet: &'a Sheet,
    /// First block in use within all blocks.
    pub first: usize,
    /// Points at which shapes of the load are computed.
    pub points: Points,
    /// Ranges of entries of the blocks in use.
    pub blocks: Vec<Range<usize>>,
    /// Blocks of the first dwell, at the start of `blocks`.
    pub dwell: usize,
    /// Last of `blocks` that belongs to the pull.
    pub last: usize,
    /// Blocks where the line hung slack within the pull.
    pub slack: Vec<Range<usize>>,
    pub time: Vec<f64>,
    /// Rate of load per block, N/s.
    pub load_rate: Vec<f64>,
    /// Variance of the mean quiet load per block, N².
    pub load_variance: Vec<f64>,
}

impl<'a> Scene<'a> {
    pub(super) fn new(record: &'a Conditioned, phased: &'a Phased, sheet: &'a Sheet) -> Self {
        let all = &phased.blocks;
        let first = all
            .first
            .iter()
            .position(|f| *f >= phased.reference.start)
            .unwrap_or(0);
        // When the line goes slack at the end, the travel is no longer the line's: the pull ends before.
        let slack = phased.slack_n;
        let end = (first..all.len())
            .rev()
            .find(|k| all.load_n[*k] >= slack)
            .map_or(all.len(), |k| k + 1);
        // ... and the fall into slack is no longer the pull either: it ends with its last rest or hold.
        // A block that the fall had begun in is of the fall.
        let noise = |k: usize| record.load.noise / all.rows(k).sqrt();
        let falls = |k: usize| {
            all.phase[k] != PhaseKind::RunOut
                && all.load_n[k - 1] - all.load_n[k] > FALLS * noise(k).hypot(noise(k - 1))
        };
        let rest_ends = (first + 2..=end)
            .rev()
            .find(|k| all.phase[k - 1] != PhaseKind::Unload && !falls(k - 1))
            .unwrap_or(end);
        let rested = all.load_n[rest_ends - 1] < 2.0 * phased.pretension_n;
        let end = if end < all.len() && rested {
            rest_ends
        } else {
            end
        };
        // A pull that runs out ends there; the fall of the load after it tells what comes back.
        let ran_out = all.phase[rest_ends - 1] == PhaseKind::RunOut;
        let last = if ran_out { rest_ends } else { end } - first - 1;
        let blocks: Vec<Range<usize>> = (first..end).map(|k| all.first[k]..all.end[k]).collect();
        let dwell = blocks
            .iter()
            .take_while(|b| b.start < phased.reference.end)
            .count()
            .max(1);
        let quiet = &phased.quiet_load_n;
        let load_rate = blocks
            .iter()
            .map(|b| {
                let (a, z) = (b.start, b.end - 1);
                let (a, z) = if a == z {
                    (a.saturating_sub(1), (z + 1).min(quiet.len() - 1))
                } else {
                    (a, z)
                };
                (quiet[z] - quiet[a]) / (record.time_s[z] - record.time_s[a]).max(1e-9)
            })
            .collect();
        let load_variance = blocks
            .iter()
            .map(|b| record.load.noise.powi(2) / b.len() as f64)
            .collect();
        let time = all.time_s[first..end].to_vec();
        let mut scene = Self {
            first,
            record,
            phased,
            sheet,
            points: Points::of(&record.time_s, all, phased.reference.end),
            blocks,
            dwell,
            last,
            slack: Vec::new(),
            time,
            load_rate,
            load_variance,
        };
        scene.slack = scene.slack_spells();
        scene
    }

    /// Room above the peak for the step of load that slopes need.
    pub(super) fn scale_n(&self) -> f64 {
        self.phased.peak_n * (1.0 + 2.0 * SLOPE_STEP)
    }

    pub(super) fn seen_from(&self) -> f64 {
        self.phased.pretension_n / self.scale_n()
    }

    pub(super) fn columns(
        &self,
        of: impl Fn(&History) -> Columns,
        load_n: &[f64],
        spline: Option<&[f64]>,
    ) -> Columns {
        let curve = spline.and_then(|weights| bases::spline_curve(weights, self.seen_from()));
        let used = self.first..self.first + self.blocks.len();
        of(&History {
            time_s: &self.points.time_s,
            load_n: &self.points.means(load_n),
            rows: &self.points.rows,
            peak_n: self.scale_n(),
            blocks: &self.points.blocks[used],
            dwelt: self.points.dwelt,
            curve: curve.as_ref().map(|c| c as &dyn Fn(f64) -> f64),
        })
    }

    /// Columns of the stretch under a load, with the lags and the open loop of the pass before.
    pub(super) fn stretch(&self, load_n: &[f64], spline: Option<&[f64]>) -> Columns {
        self.columns(bases::stretch, load_n, spline)
    }

    /// Columns counted from the first dwell; those that hardly move (shapes below the pre-tension) are blanked.
    pub(super) fn zeroed(&self, mut columns: Columns) -> Vec<Vec<f64>> {
        for column in &mut columns.columns {
            let zero = column[..self.dwell].iter().sum::<f64>() / self.dwell as f64;
            for v in column.iter_mut() {
                *v -= zero;
            }
            if column.iter().all(|v| v.abs() < IDLE_COLUMN) {
                column.fill(0.0);
            }
        }
        columns.columns
    }

    /// What the loops found so far would keep at pre-tension if the line had never been loaded before, against none if it
    /// was loaded and eased: the record can hardly tell it from set, so a part of it is stretch, and the rest is open.
    pub(super) fn left_open(&self, weights: &[f64]) -> Vec<f64> {
        self.zeroed(self.columns(
            |history| Columns {
                columns: vec![bases::averaged(history, bases::left_open(history, weights))],
                lags: Vec::new(),
            },
            &self.phased.quiet_load_n,
            None,
        ))
        .swap_remove(0)
    }

    pub(super) fn reading(&self, kind: GaugeKind, lags: &[(GaugeKind, f64)]) -> Option<Reading> {
        let lag = lags.iter().find(|(k, _)| *k == kind).map_or(0.0, |l| l.1);
        let stated = instrument::stated(kind, self.sheet).ok();
        let half_step = stated.and_then(|s| s.resolution).map(|step| 0.5e3 * step);
        let (record, phased) = (self.record, self.phased);
        let mut read = readings::reading(kind, record, phased, &self.blocks, lag, half_step)?;
        if kind == GaugeKind::Travel {
            for k in self.slack.iter().cloned().flatten() {
                (read.mean[k], read.variance[k]) = (f64::NAN, f64::INFINITY);
            }
        }
        Some(read)
    }

    /// The mark's share a/L and the half width and standard deviation of its error.
    pub(super) fn mark_share(&self) -> (f64, f64, f64) {
        let mark = self.sheet.gauges.mark.as_ref();
        // A sheet that states the length was checked for a mark beyond it.
        let least = 2.0 * mark.and_then(|m| m.distance).map_or(0.0, |d| d.si());
        let length = self.sheet.line.free_length;
        let length = length.map_or(FREE_LENGTH_GUESS_M.max(least), |l| l.si());
        match mark.and_then(|m| m.distance) {
            Some(distance) => {
                let share = distance.si() / length;
                let sd = mark
                    .and_then(|m| m.distance_uncertainty)
                    .map_or(0.0, |u| u.si() / length);
                (share, SHARE_HALF_WIDTH * share, sd)
            }
            None => (0.0, MARK_NEAR_MOUTH_M / length, 0.0),
        }
    }

    /// True where the line or its core runs out.
    pub(super) fn runs(&self, k: usize) -> bool {
        self.phased.blocks.phase[self.first + k] == PhaseKind::RunOut
    }

    /// Phase of each block in use, and whether its load is about the highest so far: where a ramp passes the highest load
    /// before it, set begins to grow. The travel, full of stretch, does not show where; gauges of slip do.
    pub(super) fn stages(&self) -> Vec<(PhaseKind, bool)> {
        let blocks = &self.phased.blocks;
        (self.first..self.first + self.blocks.len())
            .map(|k| {
                let highest = blocks.load_n[k] >= AT_HIGHEST_SHARE * blocks.highest_n[k];
                (blocks.phase[k], highest)
            })
            .collect()
    }
}
