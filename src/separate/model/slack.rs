//! Where the line hung slack within the pull, and its travel is not the line's.
//!
//! Question: how far does the travel move while there is no load? A line that only lost its load comes back by its toe and its
//! late recovery; one that was let go hangs in a bight, and what draws it straight again is no stretch. Two pulls in one log
//! are such a record.

use std::ops::Range;

use super::scene::Scene;
use crate::condition::range_of;
use crate::ingest::GaugeKind;

/// There is no load below this share of the pre-tension.
const NO_LOAD_SHARE: f64 = 0.1;
/// A line without load moves by no more than this, mm (common practice, no source).
const LOOSE_MM: f64 = 5.0;

impl Scene<'_> {
    /// Blocks in use, after the first dwell and before the end, where the line hung slack: from where its load fell below the
    /// pre-tension to where it was back.
    pub(super) fn slack_spells(&self) -> Vec<Range<usize>> {
        let Some(travel) = self.reading(GaugeKind::Travel, &[]) else {
            return Vec::new();
        };
        let load = |k: &usize| self.phased.blocks.load_n[self.first + k];
        let low = |k: &usize| load(k) < self.phased.slack_n;
        let unloaded = |k: &&usize| load(k) < NO_LOAD_SHARE * self.phased.pretension_n;
        let places: Vec<usize> = (self.dwell..=self.last).collect();
        places
            .chunk_by(|a, b| low(a) == low(b))
            .filter(|spell| low(&spell[0]))
            .filter(|spell| {
                let moved: Vec<f64> = spell
                    .iter()
                    .filter(unloaded)
                    .map(|k| travel.mean[*k])
                    .collect();
                let (least, most) = range_of(&moved);
                most - least > LOOSE_MM
            })
            .map(|spell| spell[0]..spell[spell.len() - 1] + 1)
            .collect()
    }
}
