//! What an earlier pass tells the next.

use std::rc::Rc;

use crate::ingest::GaugeKind;
use crate::separate::bases::Columns;
use crate::separate::nodes::Node;

/// How creep is taken to spread over the decades of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Creep {
    /// As most fibres do.
    Even,
    /// Evenly but for a few leaps, as a line's whose creep has one time only: neighbours differ as by Student's t with one
    /// degree of freedom, whose scatter each pair takes from the earlier pass (iteratively reweighted, from memory).
    Uneven,
    /// In any way.
    Free,
}

/// What an earlier pass tells the next.
#[derive(Clone)]
pub(super) struct Pass {
    pub slope: Vec<f64>,
    pub misfit: Vec<f64>,
    /// What the earlier fit left of each gauge, per block, mm.
    pub left: Vec<Vec<f64>>,
    /// Weights of the stretch columns, the splines first.
    pub spline: Vec<f64>,
    /// The stretch columns that they lead to: the longest to compute, and the same in fits that are compared.
    pub shapes: Rc<Columns>,
    /// Lags taken out of the gauges, s.
    pub lags: Vec<(GaugeKind, f64)>,
    /// Gauges whose drift was seen to be uneven.
    pub uneven: Vec<GaugeKind>,
    pub creep: Creep,
    /// Nodes of the sequences, where the earlier pass already knows their paces.
    pub nodes: Option<Vec<Vec<Node>>>,
}

impl Pass {
    /// For comparing fits: what the one of them cannot explain would have made a misfit.
    pub(super) fn told_of_no_misfit(&self) -> Self {
        Self {
            misfit: vec![1.0; self.misfit.len()],
            ..self.clone()
        }
    }

    /// The lag taken out of a gauge, s.
    pub(super) fn lag(&self, kind: GaugeKind) -> f64 {
        let found = self.lags.iter().find(|(k, _)| *k == kind);
        found.map_or(0.0, |(_, lag)| *lag)
    }
}
