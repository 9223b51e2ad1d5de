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

use std::ops::Range;
use std::rc::Rc;

use crate::condition::{Conditioned, ROUNDED_S};
use crate::ingest::GaugeKind;
use crate::phases::{EASED_SHARE, PhaseKind, Phased};
use crate::separate::bases::{self, Columns, History};
use crate::separate::nodes::{self, Node};
use crate::separate::points::Points;
use crate::separate::readings::{self, Reading};
use crate::separate::solve::{Fit, Prior, Problem, Rows, Sequence, SolveError, Weight};
use crate::sheet::{Against, BitterEnd, CoverAtEye, Sheet};

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

/// The load falls from one block to the next when it loses so many standard deviations.
const FALLS: f64 = 5.0;
/// A lag is taken out of the readings when it is so many times its standard uncertainty.
const LAG_SIGMAS: f64 = 2.0;
/// ... and lies within so many standard deviations of what was known of it before the fit.
const LAG_FAR: f64 = 3.0;
/// Standard deviation before the fit of a lag of a gauge behind the load where no corners show it, s.
const LAG_SD_S: f64 = 0.15;
/// The same for gauges other than the travel's: a part that is always open, s, and a share of the travel's lag.
const LAG_OF_OTHERS: (f64, f64) = (0.01, 1.0);
/// Half width of the mark's share if the sheet gives its distance only: a quarter (common practice, no source).
const SHARE_HALF_WIDTH: f64 = 0.25;
/// Distance of a mark whose distance is not stated: within this of the mouth, m.
pub(super) const MARK_NEAR_MOUTH_M: f64 = 0.05;
/// Free length assumed for that when the sheet states none, m.
const FREE_LENGTH_GUESS_M: f64 = 3.0;
/// Most that jaws give when the sheet does not say, mm (common practice, no source), and what a sheet that says none is
/// taken for.
const JAW_GIVE_MM: f64 = 2.0;
const JAW_GIVE_LEAST_MM: f64 = 0.01;
/// A column that moves by less than this (of one) over the record carries nothing.
const IDLE_COLUMN: f64 = 2e-3;
/// Scatter of the weights of lags where creep is even, as shares of their level: between neighbours, and around the mean of
/// all. Published creep spectra of polymers are flat within a factor of two over a decade (from memory).
const EVEN_SCATTER: (f64, f64) = (0.2, 0.25);
/// Most passes: slopes, lags, the scatter of the creep spectrum and misfits settle from one to the next.
const PASSES: usize = 4;
/// Share of [`Scene::left_open`] that is stretch: centre and half width. Between none and all of it, and a quarter more
/// either way for what the play operators do not show of the loop.
const LEFT_OPEN: (f64, f64) = (0.6, 0.75);
/// Beyond this variance of a gauge's residuals against its noise, the balance is lost.
const LOST: f64 = 100.0;
/// Rows further apart than this many periods leave a gap.
pub(super) const GAP_PERIODS: f64 = 10.0;
/// The pace of a slip falls to a third with this share of the load (common practice, no source: a twentieth to an eighth).
const SLIPS_ON_SCALE: f64 = 0.1;
/// That pace is taken from the last seconds of a hold, s.
const SLIPS_ON_S: f64 = 5.0;
/// A slip would be seen when it makes so many standard deviations of a block.
const SLIPS_ON_SIGMAS: f64 = 2.0;
/// Above this share of the highest load so far the load is about the highest.
const AT_HIGHEST_SHARE: f64 = 0.985;
/// A drift need not be even: half waves over the record, and the standard deviation of each as a share of the stated drift,
/// as of a random walk that ends within it (Karhunen and Loève's sum of its bridge: √2/(kπ√3)).
const UNEVEN_DRIFT: [(f64, f64); 3] = [(1.0, 0.26), (2.0, 0.13), (3.0, 0.09)];
/// Sources of what the cell makes of the stretch: its zero and its drift.
const OF_THE_CELL: [&str; 2] = ["zero of the load cell", "drift of the load cell"];
/// How the source of an uneven drift ends.
pub(super) const UNEVEN: &str = ", uneven";
/// It is taken for uneven where that lowers a gauge's sum of squares over the variance by so much.
const UNEVEN_LOSS: f64 = 40.0;
/// Creep may be uneven where that lowers the sum of squares over the variance by the first, and is taken for it beyond the
/// second. Even creep leaves 3 to 30, one time of 25 to 40 s 35 to 190, two times 9 to 50 (simulated pulls).
const UNEVEN_CREEP_LOSS: (f64, f64) = (30.0, 50.0);
/// Step of load for slopes, as a share of the peak.
const SLOPE_STEP: f64 = 2e-3;

/// What the model needs from the record, before any fit.
struct Scene<'a> {
    record: &'a Conditioned,
    phased: &'a Phased,
    sheet: &'a Sheet,
    /// First block in use within all blocks.
    first: usize,
    /// Points at which shapes of the load are computed.
    points: Points,
    /// Ranges of entries of the blocks in use.
    blocks: Vec<Range<usize>>,
    /// Blocks of the first dwell, at the start of `blocks`.
    dwell: usize,
    /// Last of `blocks` that belongs to the pull.
    last: usize,
    time: Vec<f64>,
    /// Rate of load per block, N/s.
    load_rate: Vec<f64>,
    /// Variance of the mean quiet load per block, N².
    load_variance: Vec<f64>,
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

fn uneven_drift(gauge: GaugeKind) -> String {
    format!("drift of the {} gauge{UNEVEN}", gauge.name())
}

/// A lag that is no more than its own uncertainty, or next to nothing beside the time between rows, stays: taking it out
/// blurs every jump.
fn worth_taking_out(lag_s: f64, uncertainty_s: f64, period_s: f64) -> bool {
    lag_s.abs() > (LAG_SIGMAS * uncertainty_s).max(0.1 * period_s)
}

/// The largest variance of a gauge's residuals against what its noise leaves.
fn far_off(balance: &Balance, pass: &Pass) -> f64 {
    let whole = balance.misfit.iter().zip(&pass.misfit);
    whole.map(|(new, old)| new * old).fold(0.0, f64::max)
}

/// How creep is taken to spread over the decades of time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Creep {
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
struct Pass {
    slope: Vec<f64>,
    misfit: Vec<f64>,
    /// Weights of the stretch columns, the splines first.
    spline: Vec<f64>,
    /// The stretch columns that they lead to: the longest to compute, and the same in fits that are compared.
    shapes: Rc<Columns>,
    /// Lags taken out of the gauges, s.
    lags: Vec<(GaugeKind, f64)>,
    /// Gauges whose drift was seen to be uneven.
    uneven: Vec<GaugeKind>,
    creep: Creep,
    /// Nodes of the sequences, where the earlier pass already knows their paces.
    nodes: Option<Vec<Vec<Node>>>,
}

impl Pass {
    /// For comparing fits: what the one of them cannot explain would have made a misfit.
    fn told_of_no_misfit(&self) -> Self {
        Self {
            misfit: vec![1.0; self.misfit.len()],
            ..self.clone()
        }
    }

    /// The lag taken out of a gauge, s.
    fn lag(&self, kind: GaugeKind) -> f64 {
        let found = self.lags.iter().find(|(k, _)| *k == kind);
        found.map_or(0.0, |(_, lag)| *lag)
    }
}

impl Scene<'_> {
    /// The settled balance, and what its last pass was told. A lag that was found wrongly tears every jump apart, and then
    /// nothing fits: where a gauge is left far from its noise, the passes run again with no lag but those that corners
    /// tell, and what closes better stands.
    fn settle(
        &self,
        uneven: Vec<GaugeKind>,
        creep: Creep,
    ) -> Result<Option<(Balance, Pass)>, SolveError> {
        let found = self.passes(uneven.clone(), creep, true)?;
        match found {
            Some((balance, pass)) if far_off(&balance, &pass) > LOST => {
                let again = self.passes(uneven, creep, false).ok().flatten();
                let better = again.filter(|(b, p)| far_off(b, p) < far_off(&balance, &pass));
                Ok(better.or(Some((balance, pass))))
            }
            found => Ok(found),
        }
    }

    /// Passes until lags, slopes and misfits no longer change, and what the last of them was told; lags are looked for in
    /// the fit only where `seek` says so.
    fn passes(
        &self,
        uneven: Vec<GaugeKind>,
        creep: Creep,
        seek: bool,
    ) -> Result<Option<(Balance, Pass)>, SolveError> {
        let record = self.record;
        let mut lags: Vec<(GaugeKind, f64)> = record
            .gauges
            .iter()
            .filter_map(|g| Some((g.kind, g.lag?)))
            .filter(|(_, lag)| {
                worth_taking_out(lag.lag_s, lag.standard_uncertainty_s, record.period_s)
            })
            .map(|(kind, lag)| (kind, lag.lag_s))
            .collect();
        let Some(rough) = self.assemble(&lags, None, None)? else {
            return Ok(None);
        };
        // The rough fit does not know the load's noise in the travel yet: what it leaves says nothing about the model.
        let mut misfit = vec![1.0; rough.misfit.len()];
        let mut slope = self.slope(&rough, &self.stretch(&self.phased.quiet_load_n, None), None);
        let mut balance = rough;
        let mut passes = 0;
        loop {
            let spline: Vec<f64> = {
                let weights = balance.stretch.weights.iter();
                weights.map(|w| balance.fit.weights[*w]).collect()
            };
            let pass = Pass {
                slope,
                misfit,
                lags: lags.clone(),
                uneven: uneven.clone(),
                creep,
                nodes: (passes > 0).then(|| balance.halved()),
                shapes: Rc::new(self.stretch(&self.phased.quiet_load_n, Some(&spline))),
                spline,
            };
            let Some(next) = self.assemble(&lags, Some(&pass), Some(&balance.fit))? else {
                return Ok(None);
            };
            slope = self.slope(&next, &pass.shapes, Some(&pass.spline));
            misfit = next
                .misfit
                .iter()
                .zip(&pass.misfit)
                .map(|(new, old)| (new * old).max(1.0))
                .collect();
            let found = if seek { self.lags(&next) } else { vec![] };
            balance = next;
            balance.slope.clone_from(&slope);
            balance.lags = found
                .iter()
                .map(|(kind, lag, se)| {
                    let taken = lags.iter().find(|(k, _)| k == kind).map_or(0.0, |l| l.1);
                    (*kind, lag + taken, *se)
                })
                .collect();
            let settled = found
                .iter()
                .all(|(_, lag, se)| lag.abs() < se.max(0.1 * record.period_s));
            for (kind, lag, se) in &balance.lags {
                lags.retain(|(k, _)| k != kind);
                if worth_taking_out(*lag, *se, record.period_s) {
                    lags.push((*kind, *lag));
                }
            }
            let quiet = misfit
                .iter()
                .zip(&pass.misfit)
                .all(|(new, old)| new / old < 1.3);
            // The first pass weighs the travel by the rough fit's slopes.
            passes += 1;
            if passes == PASSES || passes > 1 && settled && quiet {
                return Ok(Some((balance, pass)));
            }
        }
    }

    /// By how much the sum of squares over the variance falls where creep may spread in any way; nothing where the record is
    /// too poor for that.
    fn gain_of_free_creep(&self, balance: &Balance, pass: &Pass) -> f64 {
        let told = pass.told_of_no_misfit();
        let free = Pass {
            creep: Creep::Free,
            ..told.clone()
        };
        let squares = |pass: &Pass| -> Option<f64> {
            let fitted = self.assemble(&pass.lags, Some(pass), Some(&balance.fit));
            let fitted = fitted.ok().flatten()?;
            Some(fitted.problem.squares(&fitted.fit).iter().sum())
        };
        squares(&told)
            .zip(squares(&free))
            .map_or(0.0, |(told, free)| told - free)
    }

    /// The fit with every stated drift free to be uneven, and the gauges whose readings that explains far better. Free in
    /// every record, it would give way to slip that noise only adds to; where it is not seen, it is in the uncertainty
    /// only. `None` where the sheet states no drift.
    fn wander(
        &self,
        balance: &Balance,
        pass: &Pass,
    ) -> Result<Option<(Fit, Vec<GaugeKind>)>, SolveError> {
        let drifting = self.record.gauges.iter();
        let drifting: Vec<GaugeKind> = drifting
            .filter(|gauge| gauge.errors.drift > 0.0)
            .map(|gauge| gauge.kind)
            .collect();
        if drifting.is_empty() {
            return Ok(None);
        }
        let lags = pass.lags.clone();
        let even = pass.told_of_no_misfit();
        let Some(without) = self.assemble(&lags, Some(&even), Some(&balance.fit))? else {
            return Ok(None);
        };
        let free = Pass {
            uneven: drifting,
            ..even
        };
        let Some(with) = self.assemble(&lags, Some(&free), Some(&without.fit))? else {
            return Ok(None);
        };
        let squares = |balance: &Balance| balance.problem.squares(&balance.fit);
        let gains = squares(&without).into_iter().zip(squares(&with));
        let seen = gains
            .zip(&with.misfit)
            .zip(&with.gauges)
            .filter(|(((without, with), misfit), gauge)| {
                without - with > UNEVEN_LOSS * misfit.max(1.0) && free.uneven.contains(gauge)
            })
            .map(|(_, gauge)| *gauge)
            .collect();
        Ok(Some((with.fit, seen)))
    }
}

impl<'a> Scene<'a> {
    fn new(record: &'a Conditioned, phased: &'a Phased, sheet: &'a Sheet) -> Self {
        let all = &phased.blocks;
        let first = all
            .first
            .iter()
            .position(|f| *f >= phased.reference.start)
            .unwrap_or(0);
        // When the line goes slack at the end, the travel is no longer the line's: the pull ends before.
        let slack = phased.slack_n();
        let end = (first..all.len())
            .rev()
            .find(|k| all.load_n[*k] >= slack)
            .map_or(all.len(), |k| k + 1);
        // ... and the fall into slack is no longer the pull either: it ends with its last rest or hold.
        // A block that the fall had begun in is of the fall.
        let noise = |k: usize| record.load.noise / ((all.end[k] - all.first[k]) as f64).sqrt();
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
        Self {
            first,
            record,
            phased,
            sheet,
            points: Points::of(&record.time_s, all, phased.reference.end),
            blocks,
            dwell,
            last,
            time,
            load_rate,
            load_variance,
        }
    }

    /// Room above the peak for the step of load that slopes need.
    fn scale_n(&self) -> f64 {
        self.phased.peak_n * (1.0 + 2.0 * SLOPE_STEP)
    }

    fn seen_from(&self) -> f64 {
        self.phased.pretension_n / self.scale_n()
    }

    fn columns(
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
    fn stretch(&self, load_n: &[f64], spline: Option<&[f64]>) -> Columns {
        self.columns(bases::stretch, load_n, spline)
    }

    /// Columns counted from the first dwell; those that hardly move (shapes below the pre-tension) are blanked.
    fn zeroed(&self, mut columns: Columns) -> Vec<Vec<f64>> {
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
    fn left_open(&self, weights: &[f64]) -> Vec<f64> {
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

    fn reading(&self, kind: GaugeKind, lags: &[(GaugeKind, f64)]) -> Option<Reading> {
        let lag = lags.iter().find(|(k, _)| *k == kind).map_or(0.0, |l| l.1);
        readings::reading(kind, self.record, self.phased, &self.blocks, lag)
    }

    /// The mark's share a/L and the half width and standard deviation of its error.
    fn mark_share(&self) -> (f64, f64, f64) {
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

    fn assemble(
        &self,
        lags: &[(GaugeKind, f64)],
        pass: Option<&Pass>,
        similar: Option<&Fit>,
    ) -> Result<Option<Balance>, SolveError> {
        let n = self.blocks.len();
        let travel = self.reading(GaugeKind::Travel, lags);
        let mark = self.reading(GaugeKind::Mark, lags);
        let tail = self.reading(GaugeKind::Tail, lags);
        let body = self.reading(GaugeKind::Body, lags);
        let core = self
            .reading(GaugeKind::Core, lags)
            .filter(|_| self.sheet.line.bitter_end != BitterEnd::Whipped);
        if travel.is_none() && mark.is_none() && tail.is_none() && core.is_none() {
            return Ok(None);
        }
        let spline = pass.map(|p| p.spline.as_slice());
        let mut weights = Vec::new();
        // No shape makes more than the whole movement: far from binding, but it settles combinations that fit alike.
        let widest = |r: &Option<Reading>| {
            r.as_ref().map_or(0.0, |r| {
                r.mean.iter().map(|m| finite(*m).abs()).fold(0.0, f64::max)
            })
        };
        let whole = [&travel, &mark, &tail, &body]
            .into_iter()
            .map(widest)
            .fold(1e-3, f64::max);
        let mut shape = |columns: Vec<Vec<f64>>, most: f64| {
            let first = weights.len();
            weights.extend(columns.iter().map(|_| Weight {
                non_negative: true,
                prior: Prior::Normal(most),
                centre: 0.0,
                source: String::new(),
            }));
            Shape {
                weights: (first..first + columns.len()).collect(),
                columns,
            }
        };
        let give = self.zeroed(self.columns(bases::give, &self.phased.quiet_grip_n, None));
        let columns = match pass {
            Some(pass) => Columns::clone(&pass.shapes),
            None => self.stretch(&self.phased.quiet_load_n, None),
        };
        let lagged = if travel.is_some() {
            columns.lags.clone()
        } else {
            Vec::new()
        };
        let mut stretch = if travel.is_some() {
            shape(self.zeroed(columns), whole)
        } else {
            Shape::default()
        };
        let body_shape = if body.is_some() {
            shape(give.clone(), whole)
        } else {
            Shape::default()
        };
        let jaws = if mark.is_some() {
            shape(give.clone(), jaw_give_mm(self.sheet))
        } else {
            Shape::default()
        };
        let tail_shape = if tail.is_some() {
            shape(give, whole)
        } else {
            Shape::default()
        };
        if let Some(spline) = spline.filter(|_| travel.is_some()) {
            stretch.weights.push(weights.len());
            stretch.columns.push(self.left_open(spline));
            weights.push(Weight {
                non_negative: false,
                prior: Prior::Rectangular(LEFT_OPEN.1),
                centre: LEFT_OPEN.0,
                source: "what the loop leaves open at pre-tension".to_owned(),
            });
        }

        let stages = self.stages();
        let phases: Vec<_> = stages.iter().map(|(phase, _)| (*phase, false)).collect();
        let mut list = Vec::new();
        let mut sequence = |shown_by: Option<&Reading>,
                            rising: bool,
                            set_alone: bool,
                            stages: &[(PhaseKind, bool)]| {
            shown_by.map(|reading| {
                let grows = if rising {
                    self.may_grow(reading, set_alone)
                } else {
                    (0..n).map(|k| k >= self.dwell).collect()
                };
                // Between few readings only the travel shows where a pace changes.
                let shows = travel
                    .as_ref()
                    .filter(|_| reading.sparse)
                    .unwrap_or(reading);
                let nodes = match pass.and_then(|p| p.nodes.as_ref()) {
                    Some(nodes) => nodes[list.len()].clone(),
                    None => nodes::place(&grows, stages, &self.time, &shows.mean, &shows.variance),
                };
                list.push(Sequence { rising, nodes });
                list.len() - 1
            })
        };
        let sequences = Sequences {
            stopper: sequence(mark.as_ref().or(tail.as_ref()), true, false, &phases),
            core: sequence(
                core.as_ref(),
                // Between few readings nothing would show it fall.
                self.sheet.line.cover_at_eye != CoverAtEye::Locked
                    || core.as_ref().is_some_and(|c| c.sparse),
                false,
                &phases,
            ),
            rest: sequence(
                travel.as_ref(),
                true,
                core.is_some() && (mark.is_some() || tail.is_some()),
                &stages,
            ),
        };

        let mut rows = Vec::new();
        let mut gauges = Vec::new();
        let mut kept = Vec::new();
        let mut unwritten = Shape::default();
        let mut builder = RowBuilder {
            scene: self,
            weights: &mut weights,
            pass,
        };
        if let Some(travel) = &travel {
            let mut columns = Vec::new();
            join(&mut columns, &stretch);
            join(&mut columns, &body_shape);
            join(&mut columns, &jaws);
            builder.load_errors(&mut columns, n);
            let seen = [sequences.rest, sequences.stopper, sequences.core];
            let of_travel = builder.rows(travel, rows.len(), columns, &seen, 1.0);
            let lag = GaugeKind::Travel.lag_source();
            for (weight, column) in &of_travel.columns {
                let source = &builder.weights[*weight].source;
                if *source == lag || OF_THE_CELL.contains(&source.as_str()) {
                    unwritten.weights.push(*weight);
                    unwritten.columns.push(column.clone());
                }
            }
            rows.push(of_travel);
            gauges.push(GaugeKind::Travel);
        }
        if let Some(mark) = &mark {
            let (share, half, sd) = if travel.is_some() {
                self.mark_share()
            } else {
                (0.0, 0.0, 0.0)
            };
            let relative =
                self.sheet.gauges.mark.as_ref().and_then(|m| m.against) == Some(Against::Stopper);
            let mut columns = Vec::new();
            if !relative {
                join(&mut columns, &body_shape);
            }
            join(&mut columns, &jaws);
            let freed = self.freed_mark(
                mark,
                travel.as_ref(),
                core.as_ref(),
                body.as_ref().filter(|_| relative),
                share,
            );
            if let Some(travel) = &travel {
                // M − αP moves by −P + M per unit of α, over 1 − α twice.
                let column: Vec<f64> = (0..n)
                    .map(|k| (mark.mean[k] - travel.mean[k]) / (1.0 - share).powi(2))
                    .map(finite)
                    .collect();
                let negated: Vec<f64> = column.iter().map(|c| -c).collect();
                builder.nuisance(
                    &mut columns,
                    negated.clone(),
                    Prior::Rectangular(half),
                    "the mark's share of the free length",
                );
                builder.nuisance(
                    &mut columns,
                    negated,
                    Prior::Normal(sd),
                    "distance of the mark",
                );
            }
            if let (Some(core), CoverAtEye::Unknown) = (&core, self.sheet.line.cover_at_eye) {
                let column: Vec<f64> = core.mean.iter().map(|c| share * finite(*c)).collect();
                builder.nuisance(
                    &mut columns,
                    column,
                    Prior::Rectangular(0.5),
                    "cover at the eye, locked or free",
                );
            }
            rows.push(builder.rows(
                &freed,
                rows.len(),
                columns,
                &[sequences.stopper],
                1.0 / (1.0 - share),
            ));
            gauges.push(GaugeKind::Mark);
        }
        if let Some(tail) = &tail {
            let mut columns = Vec::new();
            join(&mut columns, &tail_shape);
            rows.push(builder.rows(tail, rows.len(), columns, &[sequences.stopper], 1.0));
            gauges.push(GaugeKind::Tail);
        }
        if let Some(body) = &body {
            let mut columns = Vec::new();
            join(&mut columns, &body_shape);
            rows.push(builder.rows(body, rows.len(), columns, &[], 1.0));
            gauges.push(GaugeKind::Body);
        }
        if let Some(core) = &core {
            let against_rig =
                self.sheet.gauges.core.as_ref().and_then(|c| c.against) == Some(Against::Rig);
            let slip = if against_rig { sequences.stopper } else { None };
            rows.push(builder.rows(core, rows.len(), Vec::new(), &[sequences.core, slip], 1.0));
            gauges.push(GaugeKind::Core);
        }
        kept.extend([travel, mark, tail, body, core].into_iter().flatten());

        let problem = Problem {
            blocks: n,
            time: self.time.clone(),
            weights,
            sequences: list,
            rows,
            alike: self.creep_spectrum(&lagged, pass),
        };
        let fit = problem.solve(similar)?;
        let residuals = problem.residuals(&fit);
        let misfit = problem
            .rows
            .iter()
            .zip(&residuals)
            .map(|(rows, r)| misfit(rows, r))
            .collect();
        Ok(Some(Balance {
            problem,
            fit,
            sequences,
            stretch,
            lagged,
            unwritten,
            body: body_shape,
            jaws,
            gauges,
            readings: kept,
            lags: Vec::new(),
            first_block: self.first,
            start_entry: self.blocks[0].start,
            end_entry: self.blocks[n - 1].end,
            last_block: self.last,
            misfit,
            slope: vec![0.0; n],
            ranges: self.blocks.clone(),
            scale_n: self.scale_n(),
            seen_from: self.seen_from(),
            earlier: spline.map(<[f64]>::to_vec),
            wander: None,
            other_creep: None,
        }))
    }

    /// Creep of fibres spreads evenly over the decades of time: the lags of an image have weights alike, as closely as
    /// [`Creep`] says. This is what tells a slow recovery from set.
    fn creep_spectrum(
        &self,
        lags: &[Range<usize>],
        pass: Option<&Pass>,
    ) -> Vec<(usize, usize, f64)> {
        let Some((spline, creep)) = pass.map(|p| (&p.spline, p.creep)) else {
            return Vec::new();
        };
        let mean = |range: &Range<usize>| {
            spline[range.clone()].iter().sum::<f64>() / range.len().max(1) as f64
        };
        let level: f64 = lags.iter().map(mean).sum();
        if level <= 0.0 {
            return Vec::new();
        }
        let neighbours = lags
            .iter()
            .flat_map(|range| (range.start + 1..range.end).map(|j| (j - 1, j)));
        match creep {
            Creep::Even => {
                let (near, around) = EVEN_SCATTER;
                let around = |range: &Range<usize>| around * level * (range.len() as f64).sqrt();
                let pairs = lags.iter().flat_map(|range| {
                    let sd = around(range);
                    range
                        .clone()
                        .flat_map(move |a| (a + 1..range.end).map(move |b| (a, b, sd)))
                });
                neighbours
                    .map(|(a, b)| (a, b, near * level))
                    .chain(pairs)
                    .collect()
            }
            Creep::Uneven => {
                let near = EVEN_SCATTER.0 * level;
                let found = |(a, b): (usize, usize)| (spline[a] - spline[b]).powi(2);
                neighbours
                    .map(|(a, b)| (a, b, (near.powi(2) + found((a, b))).sqrt() / 2f64.sqrt()))
                    .collect()
            }
            Creep::Free => Vec::new(),
        }
    }

    /// Phase of each block in use, and whether its load is about the highest so far: where a ramp passes the highest load
    /// before it, set begins to grow. The travel, full of stretch, does not show where; gauges of slip do.
    fn stages(&self) -> Vec<(PhaseKind, bool)> {
        let blocks = &self.phased.blocks;
        (self.first..self.first + self.blocks.len())
            .map(|k| {
                let highest = blocks.load_n[k] >= AT_HIGHEST_SHARE * blocks.highest_n[k];
                (blocks.phase[k], highest)
            })
            .collect()
    }

    /// Blocks at which set and slips may grow: not while the load falls or rests well below its highest so far, unless
    /// the gauge itself grows then (a run-out). Friction that has held the higher load holds the lower one; without
    /// this, a stretch curve that fits badly on the way down would pass for slip, and noise in rests would add up.
    ///
    /// Set alone, where every slip has its gauge (`set_alone`), comes at new highest loads or, late, close to them.
    fn may_grow(&self, gauge: &Reading, set_alone: bool) -> Vec<bool> {
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

    /// A line that slipped on in the hold before goes on for a while when the load is eased, at a pace that dies away with
    /// the load: so long as what is still to come would be seen.
    fn slips_on(&self, gauge: &Reading, k: usize) -> bool {
        let blocks = &self.phased.blocks;
        let phase = |k: usize| blocks.phase[self.first + k];
        if gauge.kind == GaugeKind::Travel || phase(k) != PhaseKind::Unload {
            return false;
        }
        let Some(held) = (0..k).rev().find(|j| phase(*j) != PhaseKind::Unload) else {
            return false;
        };
        if phase(held) == PhaseKind::Ramp {
            return false;
        }
        let since = self.time[held] - SLIPS_ON_S;
        let before = (0..held)
            .rev()
            .take_while(|j| phase(*j) == phase(held) && self.time[*j] >= since)
            .last();
        let Some(before) = before else {
            return false;
        };
        let pace = (gauge.mean[held] - gauge.mean[before]) / (self.time[held] - self.time[before]);
        let load = |k: usize| blocks.load_n[self.first + k];
        let fallen = 1.0 - load(k) / load(held);
        let time = SLIPS_ON_SCALE * (self.time[k] - self.time[held]) / fallen;
        pace * time * (-fallen / SLIPS_ON_SCALE).exp() > SLIPS_ON_SIGMAS * gauge.variance[k].sqrt()
    }

    /// The mark's reading without the stretch of the line between mouth and mark.
    fn freed_mark(
        &self,
        mark: &Reading,
        travel: Option<&Reading>,
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

    /// Slope of stretch against load per block, mm/N, from a small shift of the load.
    fn slope(&self, balance: &Balance, low: &Columns, spline: Option<&[f64]>) -> Vec<f64> {
        let step = SLOPE_STEP * self.phased.peak_n;
        let n = self.blocks.len();
        if balance.stretch.weights.is_empty() {
            return vec![0.0; n];
        }
        let load = &self.phased.quiet_load_n;
        let shifted: Vec<f64> = load.iter().map(|f| f + step).collect();
        let high = self.stretch(&shifted, spline);
        (0..n)
            .map(|k| {
                let at = |c: &Columns| -> f64 {
                    c.columns
                        .iter()
                        .zip(&balance.stretch.weights)
                        .map(|(c, w)| c[k] * balance.fit.weights[*w])
                        .sum()
                };
                ((at(&high) - at(low)) / step).max(0.0)
            })
            .collect()
    }

    /// Lags found in this fit, beyond those already taken out; none that lies far from what was known of it before, for it
    /// stands in for something else.
    fn lags(&self, balance: &Balance) -> Vec<(GaugeKind, f64, f64)> {
        let mut found = Vec::new();
        for (i, weight) in balance.problem.weights.iter().enumerate() {
            let Some(kind) = GaugeKind::from_lag_source(&weight.source) else {
                continue;
            };
            let far = match weight.prior {
                Prior::Normal(sd) => LAG_FAR * sd,
                Prior::None | Prior::Rectangular(_) => f64::INFINITY,
            };
            if (balance.fit.weights[i] - weight.centre).abs() > far {
                continue;
            }
            let spread = balance.fit.spread(&super::solve::Functional {
                weights: vec![(i, 1.0)],
                sequences: Vec::new(),
            });
            // What the line's own quick recovery does to a corner, it does to a fit.
            let errors = spread.normal.iter().map(|(_, sd)| *sd);
            let se = errors.fold(spread.noise.hypot(ROUNDED_S), f64::hypot);
            found.push((kind, balance.fit.weights[i], se));
        }
        found
    }
}

/// The most that jaws give, mm.
pub(super) fn jaw_give_mm(sheet: &Sheet) -> f64 {
    sheet
        .stopper
        .jaw_give
        .map_or(JAW_GIVE_MM, |give| 1e3 * give.si())
        .max(JAW_GIVE_LEAST_MM)
}

fn finite(v: f64) -> f64 {
    if v.is_finite() { v } else { 0.0 }
}

fn join(columns: &mut Vec<(usize, Vec<f64>)>, shape: &Shape) {
    columns.extend(
        shape
            .weights
            .iter()
            .copied()
            .zip(shape.columns.iter().cloned()),
    );
}

/// Variance of the residuals against what noise leaves, neighbours' likeness included; at least 1.
///
/// With residuals r in standard deviations and autocorrelations ρ, slowly varying figures are blurred by
/// mean(r²)·(1 + 2Σρ) instead of 1 (Σ over the leading positive run).
fn misfit(rows: &Rows, residual: &[f64]) -> f64 {
    let standard: Vec<f64> = residual
        .iter()
        .zip(&rows.variance)
        .map(|(r, v)| r / v.sqrt())
        .filter(|r| r.is_finite())
        .collect();
    let n = standard.len();
    if n < 20 {
        return 1.0;
    }
    let square = standard.iter().map(|r| r * r).sum::<f64>() / n as f64;
    let mut likeness = 1.0;
    for shift in 1..n / 4 {
        let product: f64 = (shift..n)
            .map(|i| standard[i] * standard[i - shift])
            .sum::<f64>()
            / n as f64;
        let rho = product / square;
        if rho < 2.0 / (n as f64).sqrt() {
            break;
        }
        likeness += 2.0 * rho;
    }
    square * likeness
}

impl GaugeKind {
    fn lag_source(self) -> String {
        format!("lag of the {} gauge", self.name())
    }

    pub(super) fn from_lag_source(source: &str) -> Option<Self> {
        let name = source.strip_prefix("lag of the ")?.strip_suffix(" gauge")?;
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// Builds one gauge's rows with its instrument's errors.
struct RowBuilder<'s, 'a> {
    scene: &'s Scene<'a>,
    weights: &'s mut Vec<Weight>,
    pass: Option<&'s Pass>,
}

impl RowBuilder<'_, '_> {
    fn nuisance(
        &mut self,
        columns: &mut Vec<(usize, Vec<f64>)>,
        column: Vec<f64>,
        prior: Prior,
        source: &str,
    ) {
        let nothing = match prior {
            Prior::None => false,
            Prior::Normal(s) | Prior::Rectangular(s) => s <= 0.0,
        };
        if nothing {
            return;
        }
        columns.push((self.weights.len(), column));
        self.weights.push(Weight {
            non_negative: false,
            prior,
            centre: 0.0,
            source: source.to_owned(),
        });
    }

    /// Zero and drift of the cell bend the stretch.
    fn load_errors(&mut self, columns: &mut Vec<(usize, Vec<f64>)>, n: usize) {
        let Some(pass) = self.pass else { return };
        let errors = self.scene.record.load.errors;
        let dwell = self.scene.dwell;
        let zero = pass.slope[..dwell].iter().sum::<f64>() / dwell as f64;
        let (first, last) = (self.scene.time[0], self.scene.time[n - 1]);
        let span = (last - first).max(1e-9);
        let shift: Vec<f64> = pass.slope.iter().map(|s| -(s - zero)).collect();
        let drift: Vec<f64> = pass
            .slope
            .iter()
            .zip(&self.scene.time)
            .map(|(s, t)| -s * (t - first) / span)
            .collect();
        self.nuisance(
            columns,
            shift,
            Prior::Rectangular(errors.fixed),
            OF_THE_CELL[0],
        );
        self.nuisance(
            columns,
            drift,
            Prior::Rectangular(errors.drift),
            OF_THE_CELL[1],
        );
    }

    fn rows(
        &mut self,
        reading: &Reading,
        place: usize,
        mut columns: Vec<(usize, Vec<f64>)>,
        sequences: &[Option<usize>],
        enlarged: f64,
    ) -> Rows {
        let n = reading.mean.len();
        let name = reading.kind.name();
        self.weights.push(Weight {
            non_negative: false,
            prior: Prior::None,
            centre: 0.0,
            source: String::new(),
        });
        columns.push((self.weights.len() - 1, vec![1.0; n]));
        let gained: Vec<f64> = reading.mean.iter().map(|m| finite(*m)).collect();
        self.nuisance(
            &mut columns,
            gained,
            Prior::Rectangular(reading.errors.gain),
            &format!("accuracy of the {name} gauge"),
        );
        let (first, last) = (self.scene.time[0], self.scene.time[n - 1]);
        let drifted: Vec<f64> = self
            .scene
            .time
            .iter()
            .map(|t| (t - first) / (last - first).max(1e-9))
            .collect();
        self.nuisance(
            &mut columns,
            drifted,
            Prior::Rectangular(enlarged * reading.errors.drift),
            &format!("drift of the {name} gauge"),
        );
        if self.pass.is_some_and(|p| p.uneven.contains(&reading.kind)) {
            for (waves, share) in UNEVEN_DRIFT {
                let wander = |t: &f64| {
                    (waves * std::f64::consts::PI * (t - first) / (last - first).max(1e-9)).sin()
                };
                self.nuisance(
                    &mut columns,
                    self.scene.time.iter().map(wander).collect(),
                    Prior::Normal(share * enlarged * reading.errors.drift),
                    &uneven_drift(reading.kind),
                );
            }
        }
        let mut variance = reading.variance.clone();
        if let Some(pass) = self.pass {
            if reading.kind == GaugeKind::Travel {
                for ((v, slope), load) in variance
                    .iter_mut()
                    .zip(&pass.slope)
                    .zip(&self.scene.load_variance)
                {
                    *v += slope.powi(2) * load;
                }
                let gauge = self.scene.record.gauge(reading.kind);
                let known = gauge.and_then(|g| g.lag).map(|l| l.standard_uncertainty_s);
                let lag: Vec<f64> = (0..n)
                    .map(|k| -pass.slope[k] * self.scene.load_rate[k])
                    .collect();
                self.nuisance(
                    &mut columns,
                    lag,
                    Prior::Normal(known.unwrap_or(LAG_SD_S)),
                    &reading.kind.lag_source(),
                );
                if let Some(weight) = self.weights.last_mut() {
                    let corners = gauge.and_then(|g| g.lag).map_or(0.0, |l| l.lag_s);
                    weight.centre = corners - pass.lag(reading.kind);
                }
            }
            let factor = pass.misfit.get(place).copied().unwrap_or(1.0);
            for v in &mut variance {
                *v *= factor;
            }
            if reading.kind != GaugeKind::Travel {
                let taken = pass.lag(reading.kind);
                let rate =
                    readings::rate(reading.kind, self.scene.record, &self.scene.blocks, taken);
                if let Some(rate) = rate {
                    // Channels of one logger mostly pass one filter: what lags the travel shows, others may have too.
                    let common = pass.lag(GaugeKind::Travel);
                    let lag = rate.iter().map(|r| -enlarged * r).collect();
                    let sd = LAG_OF_OTHERS.0 + LAG_OF_OTHERS.1 * common.abs();
                    let source = reading.kind.lag_source();
                    self.nuisance(&mut columns, lag, Prior::Normal(sd), &source);
                    if let Some(weight) = self.weights.last_mut() {
                        weight.centre = common - taken;
                    }
                }
            }
        }
        Rows {
            reading: reading.mean.clone(),
            variance,
            columns,
            sequences: sequences.iter().flatten().copied().collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Residuals of half the stated noise and no likeness leave a quarter: a variance taken too large comes down again.
    #[test]
    fn a_misfit_below_the_noise_says_so() {
        let residual: Vec<f64> = (0..200_u32)
            .map(|i| {
                if i.wrapping_mul(2_654_435_761) >> 31 == 0 {
                    0.5
                } else {
                    -0.5
                }
            })
            .collect();
        let rows = Rows {
            reading: residual.clone(),
            variance: vec![1.0; 200],
            columns: Vec::new(),
            sequences: Vec::new(),
        };
        let found = misfit(&rows, &residual);
        assert!((0.2..0.5).contains(&found), "{found}");
    }
}
