//! Values of combinations of the fit's unknowns, with all that is uncertain about them.

use super::dark::{self, Dark};
use super::left_open;
use crate::condition::{Conditioned, FEW_ROWS};
use crate::ingest::GaugeKind;
use crate::phases::{PhaseKind, Phased};
use crate::separate::model::{self, Balance, MARK_NEAR_MOUTH_M, Shape, UNEVEN};
use crate::separate::moment::Moment;
use crate::separate::solve::{Draw, Functional, Spread};
use crate::sheet::Sheet;
use crate::stats::mean_of_few;

/// Set and cover slip as a share of the free length at most, for a mark read without a travel gauge.
const MARK_STRAIN: f64 = 0.02;
/// What the choice of shapes and late set leave open, as a share of the largest stretch (standard uncertainty). Measured
/// on simulated lines with other laws than the columns: see the figures in DEVELOPERS.md.
const SHAPE_SHARE: f64 = 0.0025;
/// What recovery leaves open that is too slow to be seen, as a share of what it made of the stretch. Measured like the
/// share before.
const SLOW_SHARE: f64 = 0.35;
/// Of what the other assumption on how creep spreads over time would do to a figure, this share is open.
const OTHER_CREEP_SHARE: f64 = 0.5;
/// What the choice of shapes leaves open of a give, as a share of itself, and its floor in mm.
const GIVE_SHARE: (f64, f64) = (0.15, 0.002);
/// What a gap leaves open, as a share of the largest stretch: half of what is retarded in most lines.
const GAP_SHARE: f64 = 0.02;
/// What holds of a locked winch leave open, as a share of the largest stretch: the load falls while the line creeps, and
/// set, which comes at the highest load, is told from slow recovery by the rests alone. Measured on simulated pulls.
const LOCKED_SHARE: f64 = 0.003;
/// What a line leaves open that was eased once only, as a share of the largest stretch: nothing repeats in which recovery and
/// loop could be seen apart from set. Measured on simulated pulls of two simulators.
const ONCE_SHARE: f64 = 0.005;
/// What a load leaves open from which the line was never eased, as a share of the stretch beyond the last that was.
const UNEASED_SHARE: f64 = 0.1;
/// Where the travel alone tells what slid, a slip that goes on while the load is eased makes the line look stiff. Of what it would
/// make at its last pace until the load has halved so much is open, but no more than a share of the largest stretch: 17 and 18 %
/// were missing in lines of another simulator that ran.
const SLID_ON_SHARE: f64 = 0.5;
const STIFF_SHARE: f64 = 0.12;
/// What bends between nodes leave open, as a share of one block's noise.
const BEND_SHARE: f64 = 0.7;
/// Source of that in the budget.
const BENDS: &str = "bends within the noise";
/// Of what loop and recovery keep at the end of a pull that came down once, so much may as well be set: nothing shows it come
/// back, nor close on the next way up. Half width; measured on pulls of another simulator.
const KEPT_SHARE: f64 = 0.9;
/// Source of that.
const KEPT: &str = "what the line keeps against set, seen once";
/// Source of what a gauge's steps leave open where its reading stands still between them.
const STEPS: &str = "steps of the gauge";
/// Source of the uncertainty from lags that the readings hold too little of to be taken out.
const LAGS: &str = "lags of the gauges, too small to tell";
/// Source of the uncertainty from what noise adds to a slip that cannot fall; the figure has it taken out.
const LEAN: &str = "noise that a slip cannot give back";
/// It is taken out from so many standard errors.
const LEAN_SIGMAS: f64 = 3.0;
/// Refits behind the noise of the figures: their standard deviation is known to an eighth.
const DRAWS: usize = 30;
/// Student's factor for so many refits over the normal one (t(29) 0.975 = 2.045 against 1.960).
const FEW_DRAWS: f64 = 1.043;
/// Seed of the refits.
pub(crate) const DRAWS_SEED: u64 = 0x0b17_7e2e;
/// A load about that of the first dwell may leave the line shorter than there by this share of its largest stretch.
const AT_REST_SHARE: f64 = 0.01;
/// At low loads a line is at most so much softer than on average (common practice, no source).
const SOFT_TOE: f64 = 3.0;
/// Spreads over the course are computed at about this many blocks.
const STATIONS: usize = 60;
/// The highest load rises when it grows by this share of the peak within a block.
const RISE_SHARE: f64 = 2e-4;

/// A linear combination per block.
pub(super) type PerBlock<'a> = Box<dyn Fn(usize) -> Functional + 'a>;

/// Reads parts out of a balance.
pub(super) struct Reader<'a> {
    pub balance: &'a Balance,
    pub residuals: Vec<Vec<f64>>,
    pub last: usize,
    pub all_blocks: usize,
    /// The end of the pull: half a block after the last centre.
    pub end: Moment,
    /// When the load first reached the proof load.
    pub proof: Result<Moment, String>,
    /// The most that jaws give, mm.
    pub jaw_give_mm: f64,
    /// The most that set and cover slip move a mark without being slip in the stopper, mm.
    pub mark_drift_mm: f64,
    /// Noise of one block of the gauge behind each sequence, mm: bends smaller than it stand at no node.
    pub bend_mm: Vec<f64>,
    /// The winch was locked in holds.
    pub locked: bool,
    /// The record has so few rows that a person wrote them down.
    pub noted_by_hand: bool,
    /// By how much the line may be shorter than at the first dwell, mm; endless where it is slack.
    pub shorter_mm: Vec<f64>,
    /// The load came down once only.
    pub once: bool,
    /// What slip would make at its last pace while the highest load is halved, mm, where the travel alone tells what slid.
    pub slid_on_mm: f64,
    /// What loop and recovery keep of the stretch at the end, mm, where the load came down once only.
    pub kept_mm: f64,
    /// Gaps of the record after the first dwell, as the root of their number: each is a surprise of its own.
    pub gaps: f64,
    /// Stretch between the highest load that was seen to come down and the highest load, mm.
    pub uneased_mm: f64,
    /// Largest stretch, mm, which scales what the choice of shapes leaves open.
    pub whole_mm: f64,
    /// What slow recovery made of it at most, mm.
    pub slow_mm: f64,
    /// Refits with fresh noise: their scatter is the noise of every figure.
    pub draws: Vec<Draw>,
    /// Half the step of that gauge, where averaging leaves it, mm.
    pub half_step_mm: Vec<f64>,
    /// Spells in which a gauge showed nothing.
    pub dark: Vec<Dark>,
    /// Blocks in which the load rises to a new highest.
    pub rising_high: Vec<bool>,
    /// Blocks at which spreads are computed; between them they are interpolated.
    pub stations: Vec<usize>,
    /// Variance of what the load's noise makes of the stretch, per block, mm².
    pub load_in_stretch: Vec<f64>,
}

/// What the split leaves of a gauge, and its noise, per block, mm and mm².
pub(super) struct Seen<'a> {
    left: &'a [f64],
    variance: &'a [f64],
}

impl Seen<'_> {
    pub fn left(&self, k: usize) -> f64 {
        if self.left[k].is_finite() {
            self.left[k]
        } else {
            0.0
        }
    }

    pub fn noise(&self, k: usize) -> f64 {
        if self.left[k].is_finite() {
            self.variance[k].sqrt()
        } else {
            0.0
        }
    }
}

impl<'a> Reader<'a> {
    pub fn new(balance: &'a Balance, record: &Conditioned, phased: &Phased, sheet: &Sheet) -> Self {
        let n = balance.problem.blocks;
        let highest = &phased.blocks.highest_n[balance.first_block..balance.first_block + n];
        let rising_high = rising_high(highest, phased.peak_n);
        let proof = match sheet.limits.as_ref().and_then(|l| l.proof) {
            None => Err("the sheet states no proof load".to_owned()),
            Some(proof) => Moment::of_load(balance, record, phased, proof.si())
                .ok_or_else(|| format!("the load never reached the proof load of {proof}")),
        };
        let stations = (0..n)
            .step_by(n.div_ceil(STATIONS))
            .chain([n - 1])
            .collect();
        let bend_mm = left_open::bends(balance);
        let whole_mm = left_open::largest(balance, &balance.stretch);
        Self {
            balance,
            residuals: balance.problem.residuals(&balance.fit),
            last: n - 1,
            all_blocks: phased.blocks.len(),
            end: Moment::end(balance, record),
            proof,
            jaw_give_mm: model::jaw_give_mm(sheet),
            mark_drift_mm: MARK_STRAIN
                * 1e3
                * sheet
                    .gauges
                    .mark
                    .as_ref()
                    .and_then(|m| m.distance)
                    .map_or(MARK_NEAR_MOUTH_M, |d| d.si()),
            half_step_mm: left_open::half_steps(balance),
            dark: dark::find(balance, record, phased, &bend_mm),
            bend_mm,
            locked: phased.blocks.phase.contains(&PhaseKind::LockedHold),
            noted_by_hand: record.time_s.len() < FEW_ROWS,
            shorter_mm: phased.blocks.load_n[balance.first_block..][..n]
                .iter()
                .map(|load| {
                    let lower =
                        (phased.pretension_n - load) / (phased.peak_n - phased.pretension_n);
                    if *load < phased.slack_n {
                        f64::INFINITY
                    } else {
                        (AT_REST_SHARE + SOFT_TOE * lower.max(0.0)) * whole_mm
                    }
                })
                .collect(),
            once: phased.cycles == 1,
            slid_on_mm: if balance.sequences.stopper.is_none() {
                left_open::slid_on(balance, phased)
            } else {
                0.0
            },
            kept_mm: if phased.cycles == 1 {
                left_open::kept(balance)
            } else {
                0.0
            },
            gaps: (left_open::gaps(balance, record) as f64).sqrt(),
            uneased_mm: left_open::uneased(balance, phased),
            whole_mm,
            slow_mm: left_open::slow(balance, phased),
            draws: balance.problem.resample(&balance.fit, DRAWS, DRAWS_SEED),
            rising_high,
            stations,
            load_in_stretch: balance.load_in_stretch(record),
        }
    }

    /// Value and spread of a linear combination: noise from the refits, the rest by sensitivity.
    pub fn evaluate(&self, f: &Functional) -> (f64, Spread) {
        let mut spread = self.balance.fit.spread(f);
        let count = self.draws.len() as f64;
        if count > 8.0 {
            let values: Vec<f64> = self.draws.iter().map(|d| d.value(f)).collect();
            let mean = values.iter().sum::<f64>() / count;
            let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (count - 1.0);
            spread.noise = FEW_DRAWS * variance.sqrt();
        }
        let of = |shape: &Shape| f.weights.iter().any(|(i, _)| shape.weights.contains(i));
        let rests = f
            .sequences
            .iter()
            .any(|(s, _, _)| Some(*s) == self.balance.sequences.rest);
        if rests || of(&self.balance.stretch) {
            let open = [
                ("choice of shapes, late set", SHAPE_SHARE * self.whole_mm),
                ("slow recovery against set", SLOW_SHARE * self.slow_mm),
                (
                    "how creep spreads over time",
                    self.balance
                        .other_creep
                        .as_ref()
                        .map_or(0.0, |(other, open)| {
                            OTHER_CREEP_SHARE
                                * open
                                * (other.value(f) - self.balance.fit.value(f)).abs()
                        }),
                ),
                (
                    "what happened in gaps of the record",
                    GAP_SHARE * self.whole_mm * self.gaps,
                ),
                (
                    "slow recovery against set in locked holds",
                    if self.locked {
                        LOCKED_SHARE * self.whole_mm
                    } else {
                        0.0
                    },
                ),
                (
                    "recovery and loop against set, seen once",
                    if self.once {
                        ONCE_SHARE * self.whole_mm
                    } else {
                        0.0
                    },
                ),
                (
                    "slip that may have gone on while the load was eased",
                    (SLID_ON_SHARE * self.slid_on_mm).min(STIFF_SHARE * self.whole_mm),
                ),
                // Past the highest load that was seen to come down, stretch is told from set by its shape alone.
                (
                    "loads from which the line was never eased",
                    UNEASED_SHARE * self.uneased_mm,
                ),
            ];
            spread
                .rectangular
                .push((KEPT.to_owned(), KEPT_SHARE * self.kept_mm));
            spread
                .normal
                .extend(open.map(|(source, sd)| (source.to_owned(), sd)));
        } else if of(&self.balance.body) || of(&self.balance.jaws) {
            spread.normal.push((
                "shape of the give".to_owned(),
                GIVE_SHARE.0 * self.balance.fit.value(f).abs() + GIVE_SHARE.1,
            ));
        }
        let bend = f
            .sequences
            .iter()
            .map(|(s, _, c)| c * self.bend_mm[*s])
            .fold(0.0, f64::hypot);
        spread.normal.push((BENDS.to_owned(), BEND_SHARE * bend));
        let steps = f
            .sequences
            .iter()
            .map(|(s, _, c)| c.abs() * self.half_step_mm[*s]);
        spread
            .rectangular
            .push((STEPS.to_owned(), steps.fold(0.0, f64::max)));
        self.open_by_a_free_cover(f, &mut spread);
        if let Some(wander) = &self.balance.wander {
            let free = wander.spread(f).normal.into_iter();
            let seen = |source: &str| spread.normal.iter().any(|(s, _)| s == source);
            let more: Vec<_> = free
                .filter(|(s, _)| s.ends_with(UNEVEN) && !seen(s))
                .collect();
            spread.normal.extend(more);
        }
        let whole = rests || of(&self.balance.stretch);
        let gives = of(&self.balance.body);
        for (gauge, fixed) in self.fixed_errors(f, whole, gives) {
            let source = format!("accuracy of the {} gauge at single points", gauge.name());
            spread.rectangular.push((source, fixed));
        }
        let stands_in = self.stood_in_by_lags(f).abs();
        spread.normal.push((LAGS.to_owned(), stands_in));
        (self.balance.fit.value(f), spread)
    }

    /// Errors that the gauges behind a combination may have anywhere, mm: between the first dwell and another reading they
    /// differ by up to twice as much, with the variance of a rectangular distribution that is the root of two wider.
    fn fixed_errors(
        &self,
        f: &Functional,
        of_travel: bool,
        of_body: bool,
    ) -> Vec<(GaugeKind, f64)> {
        let sequences = &self.balance.sequences;
        let of =
            |s: Option<usize>| s.is_some() && f.sequences.iter().any(|(i, _, _)| Some(*i) == s);
        let behind = |kind: GaugeKind| match kind {
            GaugeKind::Travel => of_travel,
            // The travel tells a slip and the rest together.
            GaugeKind::Mark | GaugeKind::Tail => of(sequences.stopper) != of(sequences.rest),
            GaugeKind::Core => of(sequences.core) != of(sequences.rest),
            GaugeKind::Body => of_body,
            _ => false,
        };
        let readings = self.balance.readings.iter();
        readings
            .filter(|r| r.errors.fixed > 0.0 && behind(r.kind))
            .map(|r| (r.kind, std::f64::consts::SQRT_2 * r.errors.fixed))
            .collect()
    }

    /// How much of what stayed is core slip, in which a free cover has no share, no gauge tells. The fit answers less than it
    /// might: a slip that would become smaller is held at nothing.
    fn open_by_a_free_cover(&self, f: &Functional, spread: &mut Spread) {
        let problem = &self.balance.problem;
        let mut weights = problem.weights.iter();
        let Some(open) = weights.position(|w| w.source == model::FREE_COVER) else {
            return;
        };
        let mut columns = problem.rows.iter().flat_map(|rows| &rows.columns);
        let Some((_, column)) = columns.find(|(i, _)| *i == open) else {
            return;
        };
        let slip = |(s, k, c): &(usize, usize, f64)| {
            let is_slip = Some(*s) == self.balance.sequences.stopper;
            if is_slip { c * column[*k] } else { 0.0 }
        };
        let half = 0.5 * f.sequences.iter().map(slip).sum::<f64>().abs();
        let mut sources = spread.rectangular.iter_mut();
        match sources.find(|(source, _)| source == model::FREE_COVER) {
            Some((_, found)) => *found = found.max(half),
            None => {
                let open = (model::FREE_COVER.to_owned(), half);
                spread.rectangular.push(open);
            }
        }
    }

    /// How far the refits lie above the fit that they are drawn from, on average, mm: noise that makes a slip rise stays,
    /// noise that would make it fall does not, and a drift of its gauge gives way. The fit itself lies as far above the
    /// truth. Nothing where it is no more than chance.
    pub fn lean(&self, f: &Functional) -> f64 {
        let value = self.balance.fit.value(f);
        let above: Vec<f64> = self.draws.iter().map(|d| d.value(f) - value).collect();
        let (mean, error) = mean_of_few(&above);
        if mean.abs() > LEAN_SIGMAS * error {
            mean
        } else {
            0.0
        }
    }

    /// What the fit made a matter of lags that were not well enough known to be taken out of the readings, and that may
    /// as well belong to the sequences, mm.
    fn stood_in_by_lags(&self, f: &Functional) -> f64 {
        let problem = &self.balance.problem;
        let of = |sequence: usize, block: usize| -> f64 {
            let seeing = problem
                .rows
                .iter()
                .filter(|r| r.sequences.contains(&sequence));
            let Some(rows) = seeing.min_by_key(|r| r.sequences.len()) else {
                return 0.0;
            };
            let lags = rows
                .columns
                .iter()
                .filter(|(i, _)| GaugeKind::from_lag_source(&problem.weights[*i].source).is_some());
            lags.map(|(i, column)| self.balance.fit.weights[*i] * column[block])
                .sum()
        };
        f.sequences.iter().map(|(s, k, c)| c * of(*s, *k)).sum()
    }

    /// Like [`Self::evaluate`] at a moment, whose own uncertainty moves a part that is moving. A course runs straight
    /// between few nodes; with what the split `left` of the gauge that shows the part alone, it bends as the gauge saw it.
    /// Where the part hardly moves, the course is straight, and single readings would only add their noise.
    pub fn at_moment(&self, f: &PerBlock, m: &Moment, seen: Option<&Seen>) -> (f64, Spread) {
        let fit = &self.balance.fit;
        let alone = seen.is_some();
        let moved = (fit.value(&f(m.after)) - fit.value(&f(m.before))).abs();
        let seen = seen.filter(|seen| moved > seen.noise(m.after));
        let left = |k: usize| seen.map_or(0.0, |seen| seen.left(k));
        let factors = m.factors(|k| fit.value(&f(k)) + left(k));
        let there = Functional::sum(factors.iter().map(|(k, c)| (f(*k), *c)));
        let (value, mut spread) = self.evaluate(&there);
        let bends: f64 = factors.iter().map(|(k, c)| c * left(*k)).sum();
        if let Some(seen) = seen {
            let noise = factors
                .iter()
                .map(|(k, c)| c * seen.noise(*k))
                .fold(0.0, f64::hypot);
            for (source, sd) in &mut spread.normal {
                if source == BENDS {
                    *sd = noise;
                }
            }
        }
        let lean = if alone { self.lean(&there) } else { 0.0 };
        spread.normal.push((LEAN.to_owned(), lean.abs()));
        let leeway = m.leeway(fit, f, self.last);
        if leeway > 0.0 {
            spread
                .rectangular
                .push(("moment of the proof load".to_owned(), leeway));
        }
        (value + bends - lean, spread)
    }

    /// The gauge that shows a sequence alone.
    pub fn seen(&self, sequence: Option<usize>) -> Option<Seen<'_>> {
        let rows = &self.balance.problem.rows;
        let place = rows
            .iter()
            .position(|r| sequence.is_some_and(|s| r.sequences == [s]))?;
        Some(Seen {
            left: &self.residuals[place],
            variance: &rows[place].variance,
        })
    }

    pub fn sum(&self, sequences: &[Option<usize>]) -> PerBlock<'_> {
        let list: Vec<usize> = sequences.iter().flatten().copied().collect();
        Box::new(move |k| Functional {
            weights: Vec::new(),
            sequences: list.iter().map(|s| (*s, k, 1.0)).collect(),
        })
    }

    pub fn shape(&self, shapes: &[&Shape]) -> PerBlock<'_> {
        let list: Vec<(usize, Vec<f64>)> = shapes
            .iter()
            .flat_map(|s| s.weights.iter().copied().zip(s.columns.iter().cloned()))
            .collect();
        Box::new(move |k| Functional {
            weights: list.iter().map(|(w, c)| (*w, c[k])).collect(),
            sequences: Vec::new(),
        })
    }
}

/// Blocks in which the load rises to a new highest.
fn rising_high(highest: &[f64], peak_n: f64) -> Vec<bool> {
    (0..highest.len())
        .map(|k| k > 0 && highest[k] - highest[k - 1] > RISE_SHARE * peak_n)
        .collect()
}
