//! At which blocks a slip or set may grow.

use super::scene::{AT_HIGHEST_SHARE, Scene};
use crate::condition::GAP_PERIODS;
use crate::ingest::GaugeKind;
use crate::phases::{EASED_SHARE, PhaseKind};
use crate::separate::readings::Reading;

/// The pace of a slip falls to a third with this share of the load (common practice, no source: a twentieth to an eighth).
const SLIPS_ON_SCALE: f64 = 0.1;
/// That pace is taken from the last seconds of a hold, s.
const SLIPS_ON_S: f64 = 5.0;
/// A slip would be seen when it makes so many standard deviations of a block.
const SLIPS_ON_SIGMAS: f64 = 2.0;
/// After so many of these shares of the load nothing slips on.
const OVER_SCALES: f64 = 3.0;
/// A load that rises by no more than this share is kept.
const KEPT_SHARE: f64 = 0.02;
/// Time before and after a run at which its way is read, s: longer than a channel lags.
const AROUND_S: f64 = 1.0;

impl Scene<'_> {
    /// Blocks at which set and slips may grow: not while the load falls or rests well below its highest so far, unless
    /// the gauge itself grows then (a run-out). Friction that has held the higher load holds the lower one; without
    /// this, a stretch curve that fits badly on the way down would pass for slip, and noise in rests would add up.
    ///
    /// Set alone, where every slip has its gauge (`set_alone`), comes at new highest loads or, late, close to them.
    pub(super) fn may_grow(&self, gauge: &Reading, set_alone: bool) -> Vec<bool> {
        let blocks = &self.phased.blocks;
        (0..self.blocks.len())
            .map(|k| {
                if k < self.dwell {
                    return false;
                }
                let all = self.first + k;
                let eased = blocks.load_n[all] < EASED_SHARE * blocks.highest_n[all]
                    && !self.slips_on(gauge, k);
                let idle = matches!(blocks.phase[all], PhaseKind::Unload | PhaseKind::Rest);
                let runs = k > 0
                    && gauge.mean[k] - gauge.mean[k - 1]
                        > 6.0 * (gauge.variance[k] + gauge.variance[k - 1]).sqrt()
                    && blocks.load_n[all] < blocks.load_n[all - 1];
                // What happened while nothing was logged is not known.
                let gap = k > 0
                    && self.record.time_s[self.blocks[k].start]
                        - self.record.time_s[self.blocks[k - 1].end - 1]
                        > GAP_PERIODS * self.record.period_s;
                if set_alone {
                    return !eased || gap;
                }
                !(eased && idle) || runs || gap
            })
            .collect()
    }

    /// A line that slipped on before the load is eased goes on for a while, at a pace that dies away with the load: so long
    /// as what is still to come would be seen.
    fn slips_on(&self, gauge: &Reading, k: usize) -> bool {
        let phase = |k: usize| self.phased.blocks.phase[self.first + k];
        if gauge.kind == GaugeKind::Travel || phase(k) != PhaseKind::Unload {
            return false;
        }
        let Some(held) = (0..k).rev().find(|j| phase(*j) != PhaseKind::Unload) else {
            return false;
        };
        let since = self.time[held] - SLIPS_ON_S;
        let before = (0..held)
            .rev()
            .take_while(|j| phase(*j) != PhaseKind::Unload && self.time[*j] >= since)
            .last();
        let Some(before) = before else {
            return false;
        };
        let load = |k: usize| self.phased.blocks.load_n[self.first + k];
        let rose = load(held) - load(before);
        let give = match self.give_while_eased(gauge, held) {
            Some(give) => give,
            None if rose < KEPT_SHARE * load(held) => 0.0,
            None => return false,
        };
        let lasted = self.time[held] - self.time[before];
        let slid = gauge.mean[held] - gauge.mean[before] - give * rose;
        let noise = (gauge.variance[held] + gauge.variance[before]).sqrt();
        if slid < SLIPS_ON_SIGMAS * noise {
            return false;
        }
        let fallen = 1.0 - load(k) / load(held);
        let time = SLIPS_ON_SCALE * (self.time[k] - self.time[held]) / fallen;
        slid / lasted * time * (-fallen / SLIPS_ON_SCALE).exp()
            > SLIPS_ON_SIGMAS * gauge.variance[k].sqrt()
    }

    /// What mount and jaws give per load, mm/N, as the gauge moves back where the load falls so far after `held` that nothing
    /// slips on; `None` where it does not fall so far.
    fn give_while_eased(&self, gauge: &Reading, held: usize) -> Option<f64> {
        let blocks = &self.phased.blocks;
        let load = |k: usize| blocks.load_n[self.first + k];
        let eased = held + 1..self.blocks.len();
        let eased: Vec<usize> = eased
            .take_while(|j| blocks.phase[self.first + j] == PhaseKind::Unload)
            .filter(|j| load(*j) < (1.0 - OVER_SCALES * SLIPS_ON_SCALE) * load(held))
            .filter(|j| gauge.mean[*j].is_finite())
            .collect();
        let (high, low) = (*eased.first()?, *eased.last()?);
        let fell = load(high) - load(low);
        (fell > 0.0).then(|| (gauge.mean[high] - gauge.mean[low]) / fell)
    }

    /// Blocks of run-outs in which the travel made no more way than the line in the stopper did: what ran there was the
    /// line, and set has no part in it. A load that breaks away within a row or two would else leave a millimetre of set,
    /// which no later reading takes back.
    pub(super) fn only_the_stopper_runs(&self, travel: &Reading, stopper: &Reading) -> Vec<bool> {
        let blocks = &self.phased.blocks;
        let mut found = vec![false; self.blocks.len()];
        let mut k = 0;
        while k < found.len() {
            let end = (k..found.len())
                .find(|j| !self.runs(*j))
                .unwrap_or(found.len());
            if end > k {
                let around = (self.time[k] - AROUND_S, self.time[end - 1] + AROUND_S);
                let before = self.time.partition_point(|t| *t <= around.0).max(1) - 1;
                let after = self
                    .time
                    .partition_point(|t| *t < around.1)
                    .min(found.len() - 1);
                let way = |gauge: &Reading| gauge.mean[after] - gauge.mean[before];
                let below = |j: &usize| {
                    let all = self.first + *j;
                    blocks.load_n[all] < AT_HIGHEST_SHARE * blocks.highest_n[all]
                };
                if way(travel) <= way(stopper) {
                    (k..end).filter(below).for_each(|j| found[j] = true);
                }
            }
            k = end.max(k + 1);
        }
        found
    }
}
