//! From the fitted balance to parts: what each gauge set can tell, and no more.

use std::collections::BTreeMap;

use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::{CYCLE_SHARE, PhaseKind, Phased};
use crate::separate::bases;
use crate::separate::interval;
use crate::separate::model::{self, Balance, GAP_PERIODS, MARK_NEAR_MOUTH_M, Shape, UNEVEN};
use crate::separate::moment::Moment;
use crate::separate::solve::{Draw, Functional, Spread};
use crate::separate::{Course, Part, PartName, Support};
use crate::sheet::Sheet;
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, Status, mean_of_few};

/// What the gauges and the schedule allow to say.
#[derive(Debug, Clone, Copy)]
pub(super) struct Means {
    pub travel: bool,
    pub stopper: bool,
    /// Stopper slip is read at a few moments only.
    pub sparse: bool,
    pub core: bool,
    pub body: bool,
    pub mark: bool,
    /// The load came back down far enough to see what comes back.
    pub unloads: bool,
    /// The sheet says that the tail stores no core slip: draw-in follows cover slip one to one.
    pub stores_nothing: bool,
}

/// Parts and support.
pub(super) struct Split {
    pub parts: BTreeMap<PartName, Part>,
    pub support: Vec<Support>,
}

/// What the split leaves of a gauge, and its noise, per block, mm and mm².
struct Seen<'a> {
    left: &'a [f64],
    variance: &'a [f64],
}

impl Seen<'_> {
    fn left(&self, k: usize) -> f64 {
        if self.left[k].is_finite() {
            self.left[k]
        } else {
            0.0
        }
    }

    fn noise(&self, k: usize) -> f64 {
        if self.left[k].is_finite() {
            self.variance[k].sqrt()
        } else {
            0.0
        }
    }
}

/// A linear combination per block.
type PerBlock<'a> = Box<dyn Fn(usize) -> Functional + 'a>;

pub(super) fn means(balance: &Balance, phased: &Phased, sheet: &Sheet) -> Means {
    let has = |k: GaugeKind| balance.gauges.contains(&k);
    Means {
        travel: has(GaugeKind::Travel),
        stopper: balance.sequences.stopper.is_some(),
        sparse: balance
            .sequences
            .stopper
            .is_some_and(|s| shown_sparsely(balance, s)),
        core: balance.sequences.core.is_some(),
        body: has(GaugeKind::Body),
        mark: has(GaugeKind::Mark),
        unloads: phased.cycles > 0,
        stores_nothing: sheet.line.tail_stores.is_some_and(|s| s.si() == 0.0),
    }
}

/// True where the gauge that shows a sequence alone was read at a few moments only.
fn shown_sparsely(balance: &Balance, sequence: usize) -> bool {
    let mut rows = balance.problem.rows.iter().zip(&balance.gauges);
    rows.find(|(rows, _)| rows.sequences == [sequence])
        .and_then(|(_, kind)| balance.readings.iter().find(|r| r.kind == *kind))
        .is_some_and(|reading| reading.sparse)
}

/// Splits the travel.
pub(super) fn split(
    balance: &Balance,
    record: &Conditioned,
    phased: &Phased,
    sheet: &Sheet,
    means: &Means,
) -> Split {
    let reader = Reader::new(balance, record, phased, sheet);
    let read: Vec<_> = PartName::ALL
        .into_par_iter()
        .map(|name| {
            let (how, missing, part) = reader.part(name, means);
            let support = Support {
                part: name,
                how: how.to_owned(),
                missing: missing.to_owned(),
            };
            (support, (name, part))
        })
        .collect();
    let (support, parts): (_, Vec<_>) = read.into_iter().unzip();
    Split {
        parts: parts.into_iter().collect(),
        support,
    }
}

/// Reads parts out of a balance.
struct Reader<'a> {
    balance: &'a Balance,
    residuals: Vec<Vec<f64>>,
    last: usize,
    all_blocks: usize,
    /// The end of the pull: half a block after the last centre.
    end: Moment,
    /// When the load first reached the proof load.
    proof: Result<Moment, String>,
    /// The most that jaws give, mm.
    jaw_give_mm: f64,
    /// The most that set and cover slip move a mark without being slip in the stopper, mm.
    mark_drift_mm: f64,
    /// Noise of one block of the gauge behind each sequence, mm: bends smaller than it stand at no node.
    bend_mm: Vec<f64>,
    /// The winch was locked in holds.
    locked: bool,
    /// Gaps of the record after the first dwell, as the root of their number: each is a surprise of its own.
    gaps: f64,
    /// Stretch between the highest load that was seen to come down and the highest load, mm.
    uneased_mm: f64,
    /// Largest stretch, mm, which scales what the choice of shapes leaves open.
    whole_mm: f64,
    /// What slow recovery made of it at most, mm.
    slow_mm: f64,
    /// Refits with fresh noise: their scatter is the noise of every figure.
    draws: Vec<Draw>,
    /// Blocks in which the load rises to a new highest.
    rising_high: Vec<bool>,
    /// Blocks at which spreads are computed; between them they are interpolated.
    stations: Vec<usize>,
    /// Variance of what the load's noise makes of the stretch, per block, mm².
    load_in_stretch: Vec<f64>,
}

/// Set and cover slip as a share of the free length at most, for a mark read without a travel gauge.
const MARK_STRAIN: f64 = 0.02;
/// What the choice of shapes and late set leave open, as a share of the largest stretch (standard uncertainty). Measured
/// on simulated lines with other laws than the columns: see the figures in DEVELOPERS.md.
const SHAPE_SHARE: f64 = 0.0025;
/// What recovery leaves open that is too slow to be seen, as a share of what it made of the stretch, and how many times the
/// longest rest it takes to be that slow. Measured like the share before.
const SLOW_SHARE: (f64, f64) = (0.35, 2.0);
/// Of what the other assumption on how creep spreads over time would do to a figure, this share is open.
const OTHER_CREEP_SHARE: f64 = 0.5;
/// What the choice of shapes leaves open of a give, as a share of itself, and its floor in mm.
const GIVE_SHARE: (f64, f64) = (0.15, 0.002);
/// What a gap leaves open, as a share of the largest stretch: half of what is retarded in most lines.
const GAP_SHARE: f64 = 0.02;
/// What holds of a locked winch leave open, as a share of the largest stretch: the load falls while the line creeps, and
/// set, which comes at the highest load, is told from slow recovery by the rests alone. Measured on simulated pulls.
const LOCKED_SHARE: f64 = 0.003;
/// What a load leaves open from which the line was never eased, as a share of the stretch beyond the last that was.
const UNEASED_SHARE: f64 = 0.1;
/// What bends between nodes leave open, as a share of one block's noise.
const BEND_SHARE: f64 = 0.7;
/// Source of that in the budget.
const BENDS: &str = "bends within the noise";
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
const DRAWS_SEED: u64 = 0x0b17_7e2e;
/// Spreads over the course are computed at about this many blocks.
const STATIONS: usize = 60;
/// Why draw-in is cover slip.
const AS_STATED: &str =
    "nothing stored in the tail, as the sheet states: draw-in follows cover slip one to one";
const UNSTATED: &str = "taken as nothing stored in the tail, which the sheet does not state: no gauge shows what else moved";
/// What would tell draw-in from cover slip.
const TAIL_UNKNOWN: &str = "a tail that cannot store core slip: short, or its cover milked back to the bitter end, and \
                            `tail_stores = \"0 mm\"` in [line] of the sheet";
/// The highest load rises when it grows by this share of the peak within a block.
const RISE_SHARE: f64 = 2e-4;
/// Late set is at most this share of the set that came at once (domain: a tenth to a third of the whole comes late).
const LATE_SET_SHARE: f64 = 0.5;

impl<'a> Reader<'a> {
    fn new(balance: &'a Balance, record: &Conditioned, phased: &Phased, sheet: &Sheet) -> Self {
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
            bend_mm: bends(balance),
            locked: phased.blocks.phase.contains(&PhaseKind::LockedHold),
            gaps: (gaps(balance, record) as f64).sqrt(),
            uneased_mm: uneased(balance, phased),
            whole_mm: largest(balance, &balance.stretch),
            slow_mm: slow(balance, phased),
            draws: balance.problem.resample(&balance.fit, DRAWS, DRAWS_SEED),
            rising_high,
            stations,
            load_in_stretch: balance.load_in_stretch(record),
        }
    }

    /// How far the gauges support a part, what is missing, and the part.
    fn part(&self, name: PartName, means: &Means) -> (&'static str, &'static str, Part) {
        let m = means;
        let cannot = |missing: &'static str, reason: &str| ("no", missing, absent(reason));
        let no_cycle =
            "the load never came back down: what comes back cannot be told from what does not";
        let cycle = "an unloading to pre-tension with a rest as long as the longest hold";
        match name {
            PartName::NotRecovered => match (m.travel, m.unloads) {
                (false, _) => cannot("a travel gauge", "no travel gauge"),
                (true, false) => cannot(cycle, no_cycle),
                (true, true) => (
                    "throughout",
                    "",
                    self.slip_part(
                        &self.sum(&[
                            self.balance.sequences.rest,
                            self.balance.sequences.stopper,
                            self.balance.sequences.core,
                        ]),
                        None,
                        "travel less what comes back",
                    ),
                ),
            },
            PartName::Stretch => match (m.travel, m.unloads) {
                (false, _) => cannot("a travel gauge", "no travel gauge"),
                (true, false) => cannot(cycle, no_cycle),
                (true, true) => (
                    "throughout",
                    if m.mark || m.body {
                        ""
                    } else {
                        "a body gauge: the give of the mount is within the stretch"
                    },
                    self.stretch_part(),
                ),
            },
            PartName::Give => match (m.mark, m.body) {
                (false, false) => cannot("a body gauge or a mark at the mouth", "no gauge at the stopper: any give is within the stretch"),
                (true, false) if !m.unloads => cannot(cycle, no_cycle),
                (true, _) if m.travel && m.unloads => (
                    "throughout",
                    if m.body { "" } else { "a body gauge, to tell mount from jaws" },
                    self.plain_part(&self.shape(&[&self.balance.body, &self.balance.jaws]), "what moves and comes back at the stopper"),
                ),
                (true, _) => (
                    "bracketed",
                    if m.travel { cycle } else { "a travel gauge, to take the line's stretch out of the mark" },
                    self.bracket(
                        &self.shape(&[&self.balance.body]),
                        &self.shape(&[&self.balance.body, &self.balance.jaws]),
                        (0.0, if m.unloads { 0.0 } else { self.jaw_give_mm }),
                        "from the give of the body to all that the mark moved and that may come back",
                    ),
                ),
                (false, true) => (
                    "bracketed",
                    "a mark at the mouth: the jaws may give too",
                    self.bracket(&self.shape(&[&self.balance.body]), &self.shape(&[&self.balance.body]), (0.0, self.jaw_give_mm), "from the give of the body to that plus the most that jaws give"),
                ),
            },
            PartName::StopperSlip => match (m.stopper, m.unloads) {
                (false, _) => cannot(
                    "a mark at the mouth, or on the tail",
                    "no gauge at the stopper tells the line's movement there",
                ),
                (true, false) => ("bracketed", cycle, self.stopper_without_cycle()),
                (true, true) if m.mark && !m.travel => {
                    let f = self.sum(&[self.balance.sequences.stopper]);
                    let part = self.bracket(&f, &f, (self.mark_drift_mm, 0.0), "without a travel gauge, set and cover slip between mouth and mark are within the mark's movement");
                    ("bracketed", "a travel gauge, or a mark on the tail", part)
                }
                (true, true) => {
                    let f = self.sum(&[self.balance.sequences.stopper]);
                    (
                        if m.sparse {
                            "at the readings"
                        } else {
                            "throughout"
                        },
                        if m.sparse { "a logged mark gauge" } else { "" },
                        self.slip_part(
                            &f,
                            self.seen(self.balance.sequences.stopper),
                            "mark less give and stretch before it",
                        ),
                    )
                }
            },
            PartName::SetAndCoverSlip => match (m.travel, m.stopper, m.unloads) {
                (false, _, _) => cannot("a travel gauge", "no travel gauge"),
                (_, false, _) => cannot(
                    "a mark at the mouth, or on the tail",
                    "the stopper slip is within what did not come back",
                ),
                (_, _, false) => cannot(cycle, no_cycle),
                _ => (
                    "throughout",
                    "",
                    self.slip_part(
                        &self.sum(&[self.balance.sequences.rest, self.balance.sequences.core]),
                        None,
                        "travel less stretch, give and stopper slip",
                    ),
                ),
            },
            PartName::CoverSlip => {
                if m.core && m.stores_nothing {
                    ("throughout", "", self.core_part(AS_STATED))
                } else if m.core && m.travel {
                    ("bracketed", TAIL_UNKNOWN, self.core_bracket(m.unloads))
                } else if m.core {
                    ("throughout", TAIL_UNKNOWN, self.core_part(UNSTATED))
                } else if m.travel && m.stopper && m.unloads {
                    let (below, late) = (self.below_highest(), self.late_set());
                    ("bracketed", "a core gauge at the bitter end", self.bracket(&below, &self.sum(&[self.balance.sequences.rest]), (late, 0.0), "from the slip below the highest load so far to that plus everything at new highest loads: set and cover slip fit alike there"))
                } else {
                    cannot(
                        "a mark at the mouth and a core gauge at the bitter end",
                        "these gauges do not tell cover slip from set and stopper slip",
                    )
                }
            }
            PartName::Set => {
                if m.core && m.stores_nothing && m.stopper && m.travel && m.unloads {
                    (
                        "throughout",
                        "",
                        assuming_nothing_stored(self.slip_part(
                            &self.sum(&[self.balance.sequences.rest]),
                            None,
                            "travel less everything else",
                        ), AS_STATED),
                    )
                } else if m.travel && m.stopper && m.unloads {
                    (
                        "bracketed",
                        if m.core { TAIL_UNKNOWN } else { "a core gauge at the bitter end" },
                        self.bracket(
                            &self.sum(&[]),
                            &self.sum(&[self.balance.sequences.rest]),
                            (0.0, 0.0),
                            "set and cover slip fit alike at new highest loads",
                        ),
                    )
                } else {
                    cannot(
                        "a mark at the mouth, a core gauge and an unloading",
                        "these gauges do not tell set from slip",
                    )
                }
            }
        }
    }

    /// Value and spread of a linear combination: noise from the refits, the rest by sensitivity.
    fn evaluate(&self, f: &Functional) -> (f64, Spread) {
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
                ("slow recovery against set", SLOW_SHARE.0 * self.slow_mm),
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
                // Past the highest load that was seen to come down, stretch is told from set by its shape alone.
                (
                    "loads from which the line was never eased",
                    UNEASED_SHARE * self.uneased_mm,
                ),
            ];
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
        if let Some(wander) = &self.balance.wander {
            let free = wander.spread(f).normal.into_iter();
            let seen = |source: &str| spread.normal.iter().any(|(s, _)| s == source);
            let more: Vec<_> = free
                .filter(|(s, _)| s.ends_with(UNEVEN) && !seen(s))
                .collect();
            spread.normal.extend(more);
        }
        let stands_in = self.stood_in_by_lags(f).abs();
        spread.normal.push((LAGS.to_owned(), stands_in));
        (self.balance.fit.value(f), spread)
    }

    /// How far the refits lie above the fit that they are drawn from, on average, mm: noise that makes a slip rise stays,
    /// noise that would make it fall does not, and a drift of its gauge gives way. The fit itself lies as far above the
    /// truth. Nothing where it is no more than chance.
    fn lean(&self, f: &Functional) -> f64 {
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
    fn at_moment(&self, f: &PerBlock, m: &Moment, seen: Option<&Seen>) -> (f64, Spread) {
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
    fn seen(&self, sequence: Option<usize>) -> Option<Seen<'_>> {
        let rows = &self.balance.problem.rows;
        let place = rows
            .iter()
            .position(|r| sequence.is_some_and(|s| r.sequences == [s]))?;
        Some(Seen {
            left: &self.residuals[place],
            variance: &rows[place].variance,
        })
    }

    fn sum(&self, sequences: &[Option<usize>]) -> PerBlock<'_> {
        let list: Vec<usize> = sequences.iter().flatten().copied().collect();
        Box::new(move |k| Functional {
            weights: Vec::new(),
            sequences: list.iter().map(|s| (*s, k, 1.0)).collect(),
        })
    }

    fn shape(&self, shapes: &[&Shape]) -> PerBlock<'_> {
        let list: Vec<(usize, Vec<f64>)> = shapes
            .iter()
            .flat_map(|s| s.weights.iter().copied().zip(s.columns.iter().cloned()))
            .collect();
        Box::new(move |k| Functional {
            weights: list.iter().map(|(w, c)| (*w, c[k])).collect(),
            sequences: Vec::new(),
        })
    }

    /// Increments of the rest where the load is below its highest so far.
    fn below_highest(&self) -> PerBlock<'_> {
        let rest = self.balance.sequences.rest;
        let first = 1;
        Box::new(move |k| {
            let mut f = Functional::default();
            let Some(rest) = rest else { return f };
            for j in first..=k {
                if !self.rising_high[j] {
                    f.sequences.push((rest, j, 1.0));
                    if j > first {
                        f.sequences.push((rest, j - 1, -1.0));
                    }
                }
            }
            f
        })
    }

    /// The most late set that may hide in slip below the highest load, mm.
    fn late_set(&self) -> f64 {
        let Some(rest) = self.balance.sequences.rest else {
            return 0.0;
        };
        let values = &self.balance.fit.sequences[rest];
        let at_highest: f64 = (1..values.len())
            .filter(|k| self.rising_high[*k])
            .map(|k| values[k] - values[k - 1])
            .sum();
        LATE_SET_SHARE * at_highest
    }

    /// A part that may have either sign.
    fn plain_part(&self, f: &PerBlock, method: &str) -> Part {
        let known = |m: &Moment| self.at_moment(f, m, None);
        let interval =
            |_: &Moment, value, spread: &Spread| interval::two_sided(value, spread, LEVEL, method);
        self.assemble(f, known, interval, |_| 0.0, false)
    }

    /// The stretch: what the shapes make of the load, and what the travel gauge saw of it beyond them.
    fn stretch_part(&self) -> Part {
        let f = self.shape(&[&self.balance.stretch, &self.balance.unwritten]);
        let seen = self.seen_of_stretch();
        let known = |m: &Moment| {
            let (value, mut spread) = self.at_moment(&f, m, None);
            let factors = m.factors(|k| self.balance.fit.value(&f(k)) + seen[k].0);
            let beyond: f64 = factors.iter().map(|(k, c)| c * seen[*k].0).sum();
            let own = factors.iter().map(|(k, c)| c * seen[*k].1);
            spread.noise = own.fold(spread.noise, f64::hypot);
            (value + beyond, spread)
        };
        let interval = |_: &Moment, value, spread: &Spread| {
            interval::two_sided(value, spread, LEVEL, "what comes back, at once and late")
        };
        self.assemble(&f, known, interval, |k| -seen[k].0, false)
    }

    /// What the fit leaves of the travel is mostly stretch: the line answers the load that was there, the shapes the load
    /// that the cell wrote, noise and all, and no shape is quite the line's. The gauge's own noise is its share of the
    /// variance. Per block: that stretch and the noise left in it, mm; nothing where there is no reading.
    fn seen_of_stretch(&self) -> Vec<(f64, f64)> {
        let of_travel = |kind: GaugeKind| kind == GaugeKind::Travel;
        let place = self.balance.gauges.iter().position(|g| of_travel(*g));
        let reading = self.balance.readings.iter().find(|r| of_travel(r.kind));
        let Some((place, reading)) = place.zip(reading) else {
            return vec![(0.0, 0.0); self.last + 1];
        };
        let left = &self.residuals[place];
        let blocks = || (0..=self.last).filter(|k| left[*k].is_finite());
        let excess =
            blocks().map(|k| left[k].powi(2) - reading.variance[k] - self.load_in_stretch[k]);
        let misfit = (excess.sum::<f64>() / blocks().count().max(1) as f64).max(0.0);
        let mut seen = vec![(0.0, 0.0); self.last + 1];
        for k in blocks() {
            let stretch = self.load_in_stretch[k] + misfit;
            let whole = stretch + reading.variance[k];
            let share = if whole > 0.0 { stretch / whole } else { 0.0 };
            seen[k] = (share * left[k], share * reading.variance[k].sqrt());
        }
        seen
    }

    /// A part that never falls.
    fn slip_part(&self, f: &PerBlock, seen: Option<Seen>, method: &str) -> Part {
        let known = |m: &Moment| self.at_moment(f, m, seen.as_ref());
        let interval = |m: &Moment, value, spread: &Spread| {
            let mut step = (0.0f64, 0.0f64);
            for (s, _, _) in &f(m.after).sequences {
                let (estimate, sd) =
                    self.balance
                        .problem
                        .late_step(&self.balance.fit, &self.residuals, *s, m.after);
                step = (step.0 + estimate.max(-3.0 * sd), step.1.hypot(sd));
            }
            interval::slip(value, spread, step, LEVEL, method)
        };
        if let Some(read) = self.read_at(f) {
            let at = |m: &Moment| {
                let (value, spread) = known(m);
                (interval(m, value, &spread), spread)
            };
            return self.between_readings(f, at, &read);
        }
        let lean = |k: usize| seen.as_ref().map_or(0.0, |_| self.lean(&f(k)));
        self.assemble(f, known, interval, lean, true)
    }

    /// Blocks at which a combination is known, if gauges that it needs were read by hand; `None` if all were logged.
    fn read_at(&self, f: &PerBlock) -> Option<Vec<usize>> {
        let problem = &self.balance.problem;
        let sequences = &self.balance.sequences;
        let of = |s: &Option<usize>| {
            let all = f(self.last).sequences;
            s.is_some() && all.iter().any(|(i, _, _)| Some(*i) == *s)
        };
        let rest = of(&sequences.rest);
        let sparse: Vec<usize> = [sequences.stopper, sequences.core]
            .into_iter()
            // The travel tells a slip and the rest together.
            .filter(|s| of(s) != rest)
            .flatten()
            .filter(|s| shown_sparsely(self.balance, *s))
            .collect();
        let rows: Vec<_> = problem
            .rows
            .iter()
            .filter(|r| sparse.iter().any(|s| r.sequences == [*s]))
            .collect();
        if rows.is_empty() {
            return None;
        }
        let read = |k: &usize| rows.iter().all(|rows| rows.reading[*k].is_finite());
        Some((0..=self.last).filter(read).collect())
    }

    /// A slip whose gauge was read at some blocks only: known there, and in between from the reading before to the one
    /// after. Past the last reading it is what the whole balance makes of it.
    fn between_readings(
        &self,
        f: &PerBlock,
        at: impl Fn(&Moment) -> (Estimate, Spread),
        read: &[usize],
    ) -> Part {
        let (end, spread) = at(&self.end);
        let known: Vec<(usize, Estimate)> = read
            .iter()
            .map(|k| (*k, at(&Moment::block(*k)).0))
            .chain([(self.last, end.clone())])
            .collect();
        let mut low = vec![0.0; self.last + 1];
        let mut high = vec![0.0; self.last + 1];
        let mut from = (0, 0.0);
        for (k, estimate) in &known {
            let (below, above) = (estimate.low.unwrap_or(0.0), estimate.high.unwrap_or(0.0));
            low[from.0..*k].fill(from.1);
            high[from.0..*k].fill(above);
            (low[*k], high[*k]) = (below, above);
            from = (*k, below.max(from.1));
        }
        let at_proof = match &self.proof {
            Ok(moment) if read.contains(&moment.before) && read.contains(&moment.after) => {
                at(moment).0
            }
            Ok(moment) => Estimate::bracket(
                Measure::Length,
                low[moment.before].min(low[moment.after]),
                high[moment.before].max(high[moment.after]),
                "from the reading before to the reading after",
                "the gauge was read by hand, not at the moment of the proof load",
            ),
            Err(reason) => Estimate::cannot_tell(Measure::Length, reason.clone()),
        };
        Part {
            end,
            at_proof,
            budget: spread.budget(),
            course: Some(self.padded(Course {
                value: None,
                low,
                high,
                at_readings: true,
                noise: self.block_noise(f),
            })),
        }
    }

    fn core_part(&self, why: &str) -> Part {
        assuming_nothing_stored(
            self.slip_part(
                &self.sum(&[self.balance.sequences.core]),
                self.seen(self.balance.sequences.core),
                "draw-in at the bitter end",
            ),
            why,
        )
    }

    /// Where the tail may have stored core slip: from the draw-in to everything in the travel that may be cover slip.
    fn core_bracket(&self, unloads: bool) -> Part {
        let sequences = self.balance.sequences;
        let lower = self.sum(&[sequences.core]);
        let seen = self.sum(&[sequences.rest, sequences.core]);
        let stretch = self.shape(&[&self.balance.stretch]);
        let (upper, reason): (PerBlock, _) = if unloads {
            (
                seen,
                "from the draw-in to draw-in and set together: the tail may have stored the rest",
            )
        } else {
            (
                Box::new(|k| Functional {
                    weights: stretch(k).weights,
                    sequences: seen(k).sequences,
                }),
                "from the draw-in to all that the travel may hold: the tail may have stored some, and without an unloading \
                 stretch is not told from it",
            )
        };
        self.bracket(&lower, &upper, (0.0, 0.0), reason)
    }

    /// Figures of the end and of the proof load, and the course between: `known` gives value and spread at a moment,
    /// `interval` what they make of it.
    fn assemble(
        &self,
        f: &PerBlock,
        known: impl Fn(&Moment) -> (f64, Spread),
        interval: impl Fn(&Moment, f64, &Spread) -> Estimate,
        lean: impl Fn(usize) -> f64,
        floor_at_zero: bool,
    ) -> Part {
        let at = |m: &Moment| {
            let (value, spread) = known(m);
            (interval(m, value, &spread), spread)
        };
        let (end, spread) = at(&self.end);
        let at_proof = match &self.proof {
            Ok(moment) => at(moment).0,
            Err(reason) => Estimate::cannot_tell(Measure::Length, reason.clone()),
        };
        let values: Vec<f64> = (0..=self.last)
            .map(|k| self.balance.fit.value(&f(k)) - lean(k))
            .collect();
        // Along the course the end's ratio of half width to standard uncertainty serves for all blocks.
        let standard = spread.standard().max(f64::MIN_POSITIVE);
        let ratio = 1e-3 * spread.half_width(LEVEL) / standard;
        let one_sided = match (end.status, end.high, end.value) {
            (Status::AtMost, Some(high), Some(value)) => high - value,
            _ => 0.0,
        };
        let stations: Vec<(usize, f64, f64, f64)> = self
            .stations
            .iter()
            .map(|k| {
                let half = ratio * known(&Moment::block(*k)).1.standard();
                (*k, half, half.max(one_sided), 0.0)
            })
            .collect();
        let below = interpolate(&stations, self.last, |s| s.1);
        let above = interpolate(&stations, self.last, |s| s.2);
        let value: Vec<f64> = values.iter().map(|v| 1e-3 * v).collect();
        let low = value
            .iter()
            .zip(&below)
            .map(|(v, b)| {
                if floor_at_zero {
                    (v - b).max(0.0)
                } else {
                    v - b
                }
            })
            .collect();
        let high = value.iter().zip(&above).map(|(v, a)| v + a).collect();
        Part {
            end,
            at_proof,
            budget: spread.budget(),
            course: Some(self.padded(Course {
                value: Some(value),
                low,
                high,
                at_readings: false,
                noise: self.block_noise(f),
            })),
        }
    }

    /// Noise of one block's value: the gauges that see the part, each block alone.
    fn block_noise(&self, f: &PerBlock) -> Vec<f64> {
        (0..=self.last)
            .map(|k| {
                let of = f(k);
                let information: f64 = self
                    .balance
                    .problem
                    .rows
                    .iter()
                    .filter(|rows| {
                        of.sequences
                            .iter()
                            .any(|(s, _, _)| rows.sequences.contains(s))
                            || of
                                .weights
                                .iter()
                                .any(|(w, _)| rows.columns.iter().any(|(c, _)| c == w))
                    })
                    .filter(|rows| rows.reading[k].is_finite())
                    .map(|rows| 1.0 / rows.variance[k])
                    .sum();
                if information > 0.0 {
                    1e-3 / information.sqrt()
                } else {
                    f64::INFINITY
                }
            })
            .collect()
    }

    /// A part between two combinations, moved apart by `off` (mm) below and above.
    fn bracket(&self, lower: &PerBlock, upper: &PerBlock, off: (f64, f64), reason: &str) -> Part {
        let at = |m: &Moment| {
            let (low, low_spread) = self.at_moment(lower, m, None);
            let (high, high_spread) = self.at_moment(upper, m, None);
            let mut allowed = 0.0f64;
            for (s, _, _) in &upper(m.after).sequences {
                let (estimate, sd) =
                    self.balance
                        .problem
                        .late_step(&self.balance.fit, &self.residuals, *s, m.after);
                allowed = allowed.max(estimate + 1.645 * sd);
            }
            // One-sided at either end: the truth is between them. A slip is not below zero, a give may be.
            let side = 2.0 * LEVEL - 1.0;
            let floor = if upper(m.after).sequences.is_empty() {
                f64::NEG_INFINITY
            } else {
                0.0
            };
            let low = (low - off.0 - low_spread.half_width(side)).max(floor);
            let high = high.max(floor) + off.1 + high_spread.half_width(side).max(allowed);
            (
                Estimate::bracket(
                    Measure::Length,
                    1e-3 * low,
                    1e-3 * high.max(low),
                    "bracket from the balance",
                    reason,
                ),
                high_spread,
            )
        };
        let (end, spread) = at(&self.end);
        let at_proof = match &self.proof {
            Ok(moment) => at(moment).0,
            Err(reason) => Estimate::cannot_tell(Measure::Length, reason.clone()),
        };
        let stations: Vec<(usize, f64, f64, f64)> = self
            .stations
            .iter()
            .map(|k| {
                let (e, _) = at(&Moment::block(*k));
                (*k, e.low.unwrap_or(0.0), e.high.unwrap_or(0.0), 0.0)
            })
            .collect();
        Part {
            end,
            at_proof,
            budget: spread.budget(),
            course: Some(self.padded(Course {
                value: None,
                low: interpolate(&stations, self.last, |s| s.1),
                high: interpolate(&stations, self.last, |s| s.2),
                at_readings: false,
                noise: self.block_noise(upper),
            })),
        }
    }

    /// Without an unloading, give and slip rise alike: from what moved while the load did not rise, to everything.
    fn stopper_without_cycle(&self) -> Part {
        let Some(s) = self.balance.sequences.stopper else {
            return absent("no gauge at the stopper");
        };
        let first = 1;
        let lower: PerBlock = Box::new(move |k| {
            let mut f = Functional::default();
            for j in first..=k {
                if !self.rising_high[j] {
                    f.sequences.push((s, j, 1.0));
                    if j > first {
                        f.sequences.push((s, j - 1, -1.0));
                    }
                }
            }
            f
        });
        let upper: PerBlock = Box::new(move |k| {
            let mut f = Functional {
                weights: Vec::new(),
                sequences: vec![(s, k, 1.0)],
            };
            for shape in [&self.balance.body, &self.balance.jaws] {
                f.weights.extend(
                    shape
                        .weights
                        .iter()
                        .zip(&shape.columns)
                        .map(|(w, c)| (*w, c[k])),
                );
            }
            f
        });
        self.bracket(
            &lower,
            &upper,
            (0.0, 0.0),
            "without an unloading, give of the jaws and slip rise alike",
        )
    }

    /// Courses over all blocks: zero before the first dwell, unchanged after the line went slack.
    fn padded(&self, course: Course) -> Course {
        let all = self.all_blocks;
        let pad = |v: Vec<f64>| {
            let last = v.last().copied().unwrap_or(0.0);
            let mut out = vec![0.0; self.balance.first_block];
            out.extend(v);
            out.resize(all, last);
            out
        };
        Course {
            value: course.value.map(pad),
            low: pad(course.low),
            high: pad(course.high),
            at_readings: course.at_readings,
            noise: pad(course.noise),
        }
    }
}

/// Median noise of one block of the gauge that shows each sequence best.
fn bends(balance: &Balance) -> Vec<f64> {
    (0..balance.problem.sequences.len())
        .map(|s| {
            let quietest = balance
                .problem
                .rows
                .iter()
                .filter(|r| r.sequences.contains(&s))
                .filter_map(|rows| {
                    let noise: Vec<f64> = rows
                        .variance
                        .iter()
                        .filter(|v| v.is_finite())
                        .map(|v| v.sqrt())
                        .collect();
                    crate::stats::median(&noise)
                });
            quietest.fold(f64::INFINITY, f64::min)
        })
        .map(|noise| if noise.is_finite() { noise } else { 0.0 })
        .collect()
}

/// Gaps between the blocks in use.
fn gaps(balance: &Balance, record: &Conditioned) -> usize {
    let span = balance.start_entry..balance.end_entry;
    record.time_s[span]
        .windows(2)
        .filter(|w| w[1] - w[0] > GAP_PERIODS * record.period_s)
        .count()
}

/// Stretch beyond the highest load from which the line was eased by [`CYCLE_SHARE`] of the peak, mm.
fn uneased(balance: &Balance, phased: &Phased) -> f64 {
    let loads =
        &phased.blocks.load_n[balance.first_block..balance.first_block + balance.problem.blocks];
    let (mut lowest_after, mut eased) = (f64::INFINITY, 0.0f64);
    for load in loads.iter().rev() {
        if lowest_after < load - CYCLE_SHARE * phased.peak_n {
            eased = eased.max(*load);
        }
        lowest_after = lowest_after.min(*load);
    }
    let top = loads.iter().copied().fold(0.0, f64::max);
    let steepest = balance.slope.iter().copied().fold(0.0, f64::max);
    let slope = loads
        .iter()
        .zip(&balance.slope)
        .max_by(|a, b| a.0.total_cmp(b.0))
        .map_or(steepest, |(_, s)| *s);
    slope * (top - eased).max(0.0)
}

/// Stretch at most of lags longer than [`SLOW_SHARE`] times the longest rest, mm.
fn slow(balance: &Balance, phased: &Phased) -> f64 {
    let phases = &phased.blocks.phase[balance.first_block..][..balance.problem.blocks];
    let mut longest = 0.0f64;
    let mut begun = None;
    for (phase, time) in phases.iter().zip(&balance.problem.time) {
        begun = begun
            .filter(|_| *phase == PhaseKind::Rest)
            .or((*phase == PhaseKind::Rest).then_some(*time));
        longest = longest.max(begun.map_or(0.0, |begun| time - begun));
    }
    let from = bases::slower_than(SLOW_SHARE.1 * longest);
    let stretch = &balance.stretch;
    let mut shape = Shape::default();
    for image in &balance.lagged {
        let slow = image.start + from..image.end;
        shape.weights.extend(&stretch.weights[slow.clone()]);
        shape.columns.extend_from_slice(&stretch.columns[slow]);
    }
    largest(balance, &shape)
}

/// Largest value of a shape over the blocks, mm.
fn largest(balance: &Balance, shape: &Shape) -> f64 {
    (0..balance.problem.blocks)
        .map(|k| {
            shape
                .weights
                .iter()
                .zip(&shape.columns)
                .map(|(w, c)| balance.fit.weights[*w] * c[k])
                .sum::<f64>()
                .abs()
        })
        .fold(0.0, f64::max)
}

/// Names the assumption behind a value inside the bracket that a tail leaves.
fn assuming_nothing_stored(mut part: Part, why: &str) -> Part {
    for figure in [&mut part.end, &mut part.at_proof] {
        if figure.is_known() {
            figure.reason = Some(why.into());
        }
    }
    part
}

fn absent(reason: &str) -> Part {
    Part {
        end: Estimate::cannot_tell(Measure::Length, reason),
        at_proof: Estimate::cannot_tell(Measure::Length, reason),
        budget: Vec::new(),
        course: None,
    }
}

/// Straight lines between the stations.
fn interpolate<T>(stations: &[T], last: usize, of: impl Fn(&T) -> f64) -> Vec<f64>
where
    T: Station,
{
    let mut out = Vec::with_capacity(last + 1);
    let mut i = 0;
    for k in 0..=last {
        while i + 2 < stations.len() && stations[i + 1].block() <= k {
            i += 1;
        }
        let (a, b) = (&stations[i], &stations[(i + 1).min(stations.len() - 1)]);
        let gap = b.block().saturating_sub(a.block()) as f64;
        let share = if gap > 0.0 {
            ((k - a.block()) as f64 / gap).clamp(0.0, 1.0)
        } else {
            0.0
        };
        out.push(of(a) + share * (of(b) - of(a)));
    }
    out
}

/// Something that belongs to a block.
trait Station {
    fn block(&self) -> usize;
}

impl Station for (usize, f64, f64, f64) {
    fn block(&self) -> usize {
        self.0
    }
}

/// True when a stretch curve can be read off: the load came down by a third.
#[must_use]
pub(super) fn curve_is_known(phased: &Phased) -> bool {
    phased.cycles > 0 && phased.peak_n > 0.0 && CYCLE_SHARE > 0.0
}

/// Blocks in which the load rises to a new highest.
fn rising_high(highest: &[f64], peak_n: f64) -> Vec<bool> {
    (0..highest.len())
        .map(|k| k > 0 && highest[k] - highest[k - 1] > RISE_SHARE * peak_n)
        .collect()
}
