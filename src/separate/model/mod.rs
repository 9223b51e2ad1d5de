//! The balance as a least-squares problem: which gauge sees which part.
//!
//! ```text
//! travel  P = stretch + body give + jaw give + rest + stopper slip + core draw-in
//! mark    (M − αP)/(1 − α) = body give + jaw give + stopper slip          α = a/L, the mark's share
//! tail    T = its own give + stopper slip
//! body    B = body give
//! core    K = core draw-in (+ stopper slip if read against the rig)
//! ```
//!
//! "Rest" is everything in the travel that does not come back and that no other gauge sees: set and cover slip with
//! mark or tail; with travel alone also the stopper slip. It never falls, like every slip.
//!
//! [`scene`] looks at the record, [`rows`] writes what a gauge sees, [`assemble`] solves one problem, [`passes`] repeat it
//! until slopes, lags and misfits settle.

use std::ops::Range;

use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::Phased;
use crate::separate::nodes::{self, Node};
use crate::separate::readings::Reading;
use crate::separate::solve::{Fit, Problem, SolveError};
use crate::sheet::Sheet;

/// One problem.
mod assemble;

/// When slips may grow.
mod grows;

/// What the gauges read.
mod gauges;

/// The mark's row.
mod mark;

/// What a pass is told.
mod pass;

/// Problems until they settle.
mod passes;

/// Rows of a gauge.
mod rows;

/// The record before any fit.
mod scene;

/// What never falls.
mod sequences;

/// What follows the load.
mod shapes;

/// Slack within the pull.
mod slack;

pub(super) use mark::FREE_COVER;
use pass::Creep;
use passes::UNEVEN_CREEP_LOSS;
pub(super) use rows::UNEVEN;
pub(super) use scene::MARK_NEAR_MOUTH_M;
use scene::Scene;
pub(super) use shapes::jaw_give_mm;

/// The sequences of a problem: what never falls.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sequences {
    pub stopper: Option<usize>,
    pub core: Option<usize>,
    pub rest: Option<usize>,
}

/// A range of weights that belong to one part, with their columns over the blocks.
#[derive(Debug, Clone, Default)]
pub(super) struct Shape {
    pub weights: Vec<usize>,
    pub columns: Vec<Vec<f64>>,
}

/// The fitted balance.
pub(super) struct Balance {
    pub problem: Problem,
    pub fit: Fit,
    pub sequences: Sequences,
    pub stretch: Shape,
    /// Columns of the stretch that are the lags of one image each, the shortest first.
    pub lagged: Vec<Range<usize>>,
    /// What the travel gauge saw of the line that the shapes do not hold: of a load that the cell did not write, by its
    /// zero and drift, and a lag too small to be told from the line's own quick creep.
    pub unwritten: Shape,
    pub body: Shape,
    pub jaws: Shape,
    /// Gauge behind each element of `problem.rows`.
    pub gauges: Vec<GaugeKind>,
    /// Readings in use, for the travel and the checks.
    pub readings: Vec<Reading>,
    /// Lag found per gauge, s, with its standard error.
    pub lags: Vec<(GaugeKind, f64, f64)>,
    /// First block in use (the first of the first dwell) within all blocks.
    pub first_block: usize,
    /// First entry in use, and one past the last.
    pub start_entry: usize,
    pub end_entry: usize,
    /// Last block of the pull among those in use; what follows a run-out only tells what came back.
    pub last_block: usize,
    /// How much wider than its noise each gauge's residuals are, as a factor on the variance.
    pub misfit: Vec<f64>,
    /// Slope of stretch against load per block, mm/N.
    pub slope: Vec<f64>,
    /// Ranges of entries of the blocks in use.
    pub ranges: Vec<Range<usize>>,
    /// Blocks in use where the line hung slack, whose travel is left out.
    pub slack: Vec<Range<usize>>,
    /// Load that the shapes are scaled by, N.
    pub scale_n: f64,
    /// Load share of the first dwell, below which the record shows nothing of the line.
    pub seen_from: f64,
    /// Weights of the stretch columns in the pass before, from which the lagged image and the open loop were made.
    pub earlier: Option<Vec<f64>>,
    /// The fit with every stated drift free to be uneven: what that would do to a figure.
    pub wander: Option<Fit>,
    /// The fit with the other assumption on how creep spreads over time, where the readings do not settle it, and how much
    /// of it they leave open: the less, the more clearly they show leaps.
    pub other_creep: Option<(Fit, f64)>,
}

impl Balance {
    /// Nodes of the sequences, more of them where their paces change.
    fn halved(&self) -> Vec<Vec<Node>> {
        self.problem
            .sequences
            .iter()
            .enumerate()
            .map(|(s, sequence)| {
                let quietest = self
                    .problem
                    .rows
                    .iter()
                    .filter(|r| r.sequences.contains(&s));
                let variance: Vec<f64> = (0..self.problem.blocks)
                    .map(|k| {
                        quietest
                            .clone()
                            .map(|r| r.variance[k])
                            .fold(f64::INFINITY, f64::min)
                    })
                    .collect();
                let values = &self.fit.sequences[s];
                nodes::halve(&sequence.nodes, values, &self.problem.time, &variance)
            })
            .collect()
    }

    /// Variance of what the load's noise makes of the stretch, per block in use, mm².
    pub(super) fn load_in_stretch(&self, record: &Conditioned) -> Vec<f64> {
        let blocks = self.slope.iter().zip(&self.ranges);
        let variance = |(slope, rows): (&f64, &Range<usize>)| {
            (slope * record.load.noise).powi(2) / rows.len() as f64
        };
        blocks.map(variance).collect()
    }

    /// Value of shapes per block in use, mm.
    pub(super) fn value_of(&self, shapes: &[&Shape]) -> Vec<f64> {
        (0..self.problem.blocks)
            .map(|k| {
                shapes
                    .iter()
                    .flat_map(|s| s.weights.iter().zip(&s.columns))
                    .map(|(w, c)| self.fit.weights[*w] * c[k])
                    .sum()
            })
            .collect()
    }
}

/// Fits the balance. `None` if no displacement gauge is there.
pub(super) fn fit(
    record: &Conditioned,
    phased: &Phased,
    sheet: &Sheet,
) -> Result<Option<Balance>, SolveError> {
    let scene = Scene::new(record, phased, sheet);
    let mut creep = Creep::Even;
    let Some((mut balance, mut pass)) = scene.settle(Vec::new(), creep)? else {
        return Ok(None);
    };
    let gain = scene.gain_of_free_creep(&balance, &pass);
    let mut other_creep = None;
    if gain > UNEVEN_CREEP_LOSS.0
        && let Some((mut other, of_other)) = scene.settle(Vec::new(), Creep::Uneven)?
    {
        if gain > UNEVEN_CREEP_LOSS.1 {
            creep = Creep::Uneven;
            pass = of_other;
            std::mem::swap(&mut balance, &mut other);
        }
        other_creep = Some((other.fit, (UNEVEN_CREEP_LOSS.1 / gain).min(1.0)));
    }
    if let Some((wander, uneven)) = scene.wander(&balance, &pass)? {
        if !uneven.is_empty()
            && let Some((again, _)) = scene.settle(uneven, creep)?
        {
            balance = again;
        }
        balance.wander = Some(wander);
    }
    balance.other_creep = other_creep;
    for gauge in &record.gauges {
        if let Some(lag) = gauge.lag
            && balance.lags.iter().all(|(k, _, _)| *k != gauge.kind)
        {
            let found = (gauge.kind, lag.lag_s, lag.standard_uncertainty_s);
            balance.lags.push(found);
        }
    }
    Ok(Some(balance))
}
