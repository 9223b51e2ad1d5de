//! Sequences of what never falls: slip in the stopper, slip of the core, and the rest, which is set and what no gauge shows.

use super::Sequences;
use super::gauges::GaugeReadings;
use super::pass::Pass;
use super::scene::Scene;
use crate::ingest::GaugeKind;
use crate::phases::PhaseKind;
use crate::separate::nodes::{self, Node};
use crate::separate::readings::Reading;
use crate::separate::solve::Sequence;
use crate::sheet::CoverAtEye;

/// A sequence that these gauges show.
struct Shown<'r> {
    /// The gauge that shows it best.
    by: &'r Reading,
    /// Whether it never falls.
    rising: bool,
    /// Whether set alone is in it, for every slip has its own gauge.
    set_alone: bool,
    /// Stages of the pull that it may change its pace at.
    stages: &'r [(PhaseKind, bool)],
}

impl Scene<'_> {
    /// The sequences that these gauges show, and the place of each in the problem.
    pub(super) fn sequences(
        &self,
        read: &GaugeReadings,
        pass: Option<&Pass>,
    ) -> (Vec<Sequence>, Sequences) {
        let stages = self.stages();
        let phases: Vec<_> = stages.iter().map(|(phase, _)| (*phase, false)).collect();
        let mut list = Vec::new();
        let mut add = |shown: Option<Shown>| {
            shown.map(|shown| {
                let nodes = match pass.and_then(|p| p.nodes.as_ref()) {
                    Some(nodes) => nodes[list.len()].clone(),
                    None => self.nodes(read, &shown),
                };
                let rising = shown.rising;
                list.push(Sequence { rising, nodes });
                list.len() - 1
            })
        };
        let slip = |by, rising| Shown {
            by,
            rising,
            set_alone: false,
            stages: &phases,
        };
        let locked = self.sheet.line.cover_at_eye == CoverAtEye::Locked;
        let places = Sequences {
            stopper: add(read.stopper().map(|by| slip(by, true))),
            // A locked cover may pull core back; between few readings nothing would show it fall.
            core: add(read.core.as_ref().map(|by| slip(by, !locked || by.sparse))),
            rest: add(read.travel.as_ref().map(|by| Shown {
                by,
                rising: true,
                set_alone: read.core.is_some() && read.stopper().is_some(),
                stages: &stages,
            })),
        };
        (list, places)
    }

    /// Where its pace may change: at the stages of the pull, and where its gauge bends.
    fn nodes(&self, read: &GaugeReadings, shown: &Shown) -> Vec<Node> {
        let Shown { by, .. } = *shown;
        let mut grows = if shown.rising {
            self.may_grow(by, shown.set_alone)
        } else {
            (0..self.blocks.len()).map(|k| k >= self.dwell).collect()
        };
        if let Some(stopper) = read.stopper()
            && by.kind == GaugeKind::Travel
        {
            let idle = self.only_the_stopper_runs(by, stopper);
            for (grows, idle) in grows.iter_mut().zip(idle) {
                *grows &= !idle;
            }
        }
        // Between few readings, and while a gauge is blank, only the travel shows where a pace changes.
        let shows = match &read.travel {
            Some(travel) if by.sparse => travel.clone(),
            Some(travel) => by.continued(travel, &self.time),
            None => by.clone(),
        };
        let runs_blank = |k: usize| {
            let phase = self.phased.blocks.phase[self.first + k];
            phase == PhaseKind::RunOut && !by.mean[k].is_finite()
        };
        let placed = nodes::place(
            &grows,
            shown.stages,
            &self.time,
            &shows.mean,
            &shows.variance,
        );
        nodes::cut(&placed, runs_blank)
    }
}
