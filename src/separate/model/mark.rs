//! The mark's row, and its reading without the stretch of the line between mouth and mark.
//!
//! Question: what did the line move in the stopper, where the mark also went by its share of the stretch? The travel tells the
//! stretch. Where its gauge was blank, the mark, the core, and what the load made of the line while it was read stand in for
//! it: a hundredth of it enters.
//!
//! How large that share is, the readings tell by what follows the load, as long as jaws do not give with the load as well: by as
//! much as they may, the share is known no better. What stayed follows it only by that much, else a share taken for give leaves
//! set behind as slip (0.13 mm of 0.5 in lines of another simulator).

use super::Sequences;
use super::gauges::GaugeReadings;
use super::rows::{RowBuilder, finite, join};
use super::scene::Scene;
use super::shapes::{Shapes, jaw_give_mm};
use crate::separate::readings::Reading;
use crate::separate::solve::{Fit, Prior};
use crate::sheet::{Against, CoverAtEye};
use crate::stats::linear;

/// A mark so far from the mouth (share of the free length) shows too much of the stretch for a straight line to tell it.
const MOST_SHARE: f64 = 0.1;
/// What stays at loads past all at which the travel was read, as a share of what the line went by with the load (standard
/// deviation).
const PAST_READ_SHARE: f64 = 0.5;

/// Source of what a mark leaves open whose cover may be free at the eye.
pub(in crate::separate) const FREE_COVER: &str =
    "core slip under a cover that may be free at the eye";

/// The travel as it enters the mark's reading, mm and mm² per block.
pub(super) struct Beside {
    pub mean: Vec<f64>,
    pub variance: Vec<f64>,
    /// What it may be off by where its gauge was blank, mm (standard deviations): by the scatter around the line, and by what
    /// stays at new highest loads.
    pub unread: Vec<Vec<f64>>,
}

impl Scene<'_> {
    /// The travel, a hundredth of which enters the mark's reading: where its gauge was blank, the mark, the core, and what the
    /// load made of the line beyond them while it was read. Not where the line hung slack.
    pub(super) fn travel_beside(
        &self,
        mark: &Reading,
        travel: &Reading,
        core: Option<&Reading>,
    ) -> Beside {
        let (mean, variance) = travel.bridged(&self.time);
        let blocks = self.dwell..self.time.len();
        let mut beside = Beside {
            mean,
            variance,
            unread: Vec::new(),
        };
        let load = |k: usize| self.phased.blocks.load_n[self.first + k];
        let highest = |k: usize| self.phased.blocks.highest_n[self.first + k];
        let shown = |k: usize| mark.mean[k] + core.map_or(0.0, |core| finite(core.mean[k]));
        let unread: Vec<usize> = blocks
            .clone()
            .filter(|k| !beside.mean[*k].is_finite() && shown(*k).is_finite())
            .filter(|k| !self.slack.iter().any(|spell| spell.contains(k)))
            .collect();
        if unread.is_empty() || self.mark_share().0 > MOST_SHARE {
            return beside;
        }
        let read: Vec<usize> = blocks
            .filter(|k| (travel.mean[*k] - shown(*k)).is_finite())
            .collect();
        let columns = [
            vec![1.0; read.len()],
            read.iter().map(|k| load(*k)).collect(),
        ];
        let values: Vec<f64> = read.iter().map(|k| travel.mean[*k] - shown(*k)).collect();
        let Some((line, variance)) = linear::fit(&columns, &values, None)
            .ok()
            .and_then(|line| Some((line.coefficients.clone(), line.variance()?)))
        else {
            return beside;
        };
        let before = read.iter().map(|k| highest(*k)).fold(0.0, f64::max);
        let mut scatter = vec![0.0; beside.mean.len()];
        let mut grown = scatter.clone();
        for k in unread {
            beside.mean[k] = shown(k) + line[0] + line[1] * load(k);
            beside.variance[k] = mark.variance[k] + variance;
            scatter[k] = variance.sqrt();
            grown[k] = PAST_READ_SHARE * line[1] * (highest(k) - before).max(0.0);
        }
        beside.unread = vec![scatter, grown];
        beside
    }

    /// The mark's reading without the stretch of the line between mouth and mark.
    pub(super) fn freed_mark(
        &self,
        mark: &Reading,
        travel: Option<&Beside>,
        core: Option<&Reading>,
        body: Option<&Reading>,
        share: f64,
    ) -> Reading {
        let Some(travel) = travel else {
            return mark.clone();
        };
        // With the cover free at the eye the mark does not share core slip; not known: half of it, with its error.
        let shared = match self.sheet.line.cover_at_eye {
            CoverAtEye::Locked => 0.0,
            CoverAtEye::Free => 1.0,
            CoverAtEye::Unknown => 0.5,
        };
        let mut freed = mark.clone();
        for k in 0..freed.mean.len() {
            let core = core.map_or(0.0, |c| finite(c.mean[k]));
            let body = body.map_or(0.0, |b| finite(b.mean[k]));
            freed.mean[k] =
                (mark.mean[k] - share * (travel.mean[k] - body - shared * core)) / (1.0 - share);
            freed.variance[k] =
                (mark.variance[k] + share.powi(2) * travel.variance[k]) / (1.0 - share).powi(2);
        }
        freed
    }
}

/// What stayed of the line before the mark in an earlier fit, mm per block: the rest, and the core's slip where the cover goes
/// with it. Half of the rest where it may be core slip of a cover that does not.
fn stayed(sequences: Sequences, similar: &Fit, cover: CoverAtEye, blocks: usize) -> Vec<f64> {
    let core = sequences.core.filter(|_| cover != CoverAtEye::Free);
    let told = sequences.core.is_some() || cover == CoverAtEye::Locked;
    let of_rest = if told { 1.0 } else { 0.5 };
    let mut stayed = vec![0.0; blocks];
    for (sequence, share) in [(sequences.rest, of_rest), (core, 1.0)] {
        let values = sequence.iter().flat_map(|s| &similar.sequences[*s]);
        for (stayed, value) in stayed.iter_mut().zip(values) {
            *stayed += share * value;
        }
    }
    stayed
}

impl RowBuilder<'_, '_> {
    /// mark = slip in the stopper + give of mount and jaws, and its share of the line's stretch.
    pub(super) fn mark(
        &mut self,
        read: &GaugeReadings,
        shapes: &Shapes,
        sequences: Sequences,
        similar: Option<&Fit>,
    ) {
        let Some(mark) = &read.mark else { return };
        let sheet = self.scene.sheet;
        let (core, cover) = (read.core.as_ref(), sheet.line.cover_at_eye);
        let relative = sheet.gauges.mark.as_ref().and_then(|m| m.against) == Some(Against::Stopper);
        let mut columns = Vec::new();
        if !relative {
            join(&mut columns, &shapes.body);
        }
        join(&mut columns, &shapes.jaws);
        let beside = read
            .travel
            .as_ref()
            .map(|travel| self.scene.travel_beside(mark, travel, core));
        let (share, half, sd) = if beside.is_some() {
            self.scene.mark_share()
        } else {
            (0.0, 0.0, 0.0)
        };
        let body = read.body.as_ref().filter(|_| relative);
        let freed = self
            .scene
            .freed_mark(mark, beside.as_ref(), core, body, share);
        if let Some(beside) = &beside {
            // M − αP moves by −P + M per unit of α, over 1 − α twice.
            let column: Vec<f64> = mark
                .mean
                .iter()
                .zip(&beside.mean)
                .map(|(mark, travel)| -finite((mark - travel) / (1.0 - share).powi(2)))
                .collect();
            let mut of_share = column.clone();
            if let (Some(similar), true) = (similar, half > 0.0) {
                let stayed = stayed(sequences, similar, cover, mark.mean.len());
                let stretch = column.iter().zip(&stayed).map(|(all, stayed)| all - stayed);
                let most = stretch.fold(f64::MIN_POSITIVE, f64::max);
                let known = half.powi(2) / 3.0;
                let read = (jaw_give_mm(sheet) / most).powi(2) / 3.0;
                let follows = known / (known + read);
                for (column, stayed) in of_share.iter_mut().zip(&stayed) {
                    *column -= (1.0 - follows) * stayed;
                }
                self.nuisance(
                    &mut columns,
                    stayed,
                    Prior::Held((3.0 * follows * read).sqrt()),
                    "the mark's share of what stayed",
                );
            }
            self.nuisance(
                &mut columns,
                of_share,
                Prior::Rectangular(half),
                "the mark's share of the free length",
            );
            self.nuisance(
                &mut columns,
                column,
                Prior::Normal(sd),
                "distance of the mark",
            );
            for unread in &beside.unread {
                let column = unread.iter().map(|mm| share / (1.0 - share) * mm);
                self.nuisance(
                    &mut columns,
                    column.collect(),
                    Prior::Normal(1.0),
                    "the mark's share of a travel that was not read",
                );
            }
        }
        // Without a core gauge nothing tells how much of what stays is core slip, in which a free cover has no share.
        if let (Some(rest), Some(similar), None, CoverAtEye::Free | CoverAtEye::Unknown) =
            (sequences.rest, similar, core, cover)
        {
            let stayed = &similar.sequences[rest];
            let column = stayed.iter().map(|r| -share / (1.0 - share) * r).collect();
            self.nuisance_about(
                0.5,
                &mut columns,
                column,
                Prior::Rectangular(0.5),
                FREE_COVER,
            );
        }
        if let (Some(core), CoverAtEye::Unknown) = (core, cover) {
            let column = core.mean.iter().map(|c| share * finite(*c)).collect();
            self.nuisance(
                &mut columns,
                column,
                Prior::Rectangular(0.5),
                "cover at the eye, locked or free",
            );
        }
        self.add(&freed, columns, &[sequences.stopper], 1.0 / (1.0 - share));
    }
}
