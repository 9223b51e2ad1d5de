//! What the gauges of a balance read, per block.

use super::rows::finite;
use super::scene::Scene;
use crate::ingest::GaugeKind;
use crate::separate::readings::Reading;
use crate::sheet::BitterEnd;

/// Smallest movement that a balance is scaled by, mm.
const LEAST_MOVEMENT_MM: f64 = 1e-3;

/// The readings that a balance is made of, lags taken out.
pub(super) struct GaugeReadings {
    pub travel: Option<Reading>,
    pub mark: Option<Reading>,
    pub tail: Option<Reading>,
    pub body: Option<Reading>,
    pub core: Option<Reading>,
}

impl GaugeReadings {
    /// `None` where no gauge shows the line move.
    pub(super) fn of(scene: &Scene<'_>, lags: &[(GaugeKind, f64)]) -> Option<Self> {
        let core = scene.reading(GaugeKind::Core, lags);
        let read = Self {
            travel: scene.reading(GaugeKind::Travel, lags),
            mark: scene.reading(GaugeKind::Mark, lags),
            tail: scene.reading(GaugeKind::Tail, lags),
            body: scene.reading(GaugeKind::Body, lags),
            core: core.filter(|_| scene.sheet.line.bitter_end != BitterEnd::Whipped),
        };
        let line = [&read.travel, &read.mark, &read.tail, &read.core];
        line.iter().any(|r| r.is_some()).then_some(read)
    }

    /// The gauge that shows what slid in the stopper.
    pub(super) fn stopper(&self) -> Option<&Reading> {
        self.mark.as_ref().or(self.tail.as_ref())
    }

    /// The largest movement that any of them shows, mm.
    pub(super) fn whole(&self) -> f64 {
        let moved = |r: &Reading| r.mean.iter().map(|m| finite(*m).abs()).fold(0.0, f64::max);
        let gauges = [&self.travel, &self.mark, &self.tail, &self.body];
        let moved = gauges.into_iter().flatten().map(moved);
        moved.fold(LEAST_MOVEMENT_MM, f64::max)
    }

    /// In the order of their rows in the problem.
    pub(super) fn into_list(self) -> Vec<Reading> {
        [self.travel, self.mark, self.tail, self.body, self.core]
            .into_iter()
            .flatten()
            .collect()
    }
}
