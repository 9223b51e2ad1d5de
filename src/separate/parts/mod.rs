//! From the fitted balance to parts: what each gauge set can tell, and no more.
//!
//! Part by part: which gauges and cycles make a part a value, which leave a bracket, and what is
//! missing where there is neither. [`Reader`] evaluates combinations of the fit's unknowns; [`courses`] makes parts of them.

use std::collections::BTreeMap;

use rayon::iter::{IntoParallelIterator, ParallelIterator};

use crate::caveat::Caveat;
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::Phased;
use crate::separate::model::Balance;
use crate::separate::solve::Functional;
use crate::separate::{Part, PartName, Support};
use crate::sheet::Sheet;
use crate::stats::{Estimate, Measure};

/// Parts and their courses.
mod courses;

/// What a blank gauge leaves of its part.
mod dark;

/// What no fit can tell.
mod left_open;

/// Values and spreads.
mod reader;

pub(crate) use reader::DRAWS_SEED;
use reader::{PerBlock, Reader};

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
    /// Whether the tail stores core slip, where the sheet says so; if it stores none, draw-in follows cover slip.
    pub stores: Option<bool>,
}

/// Parts and support.
pub(super) struct Split {
    pub parts: BTreeMap<PartName, Part>,
    pub support: Vec<Support>,
    pub caveats: Vec<Caveat>,
}

/// Why draw-in is cover slip.
const AS_STATED: &str =
    "nothing stored in the tail, as the sheet states: draw-in follows cover slip one to one";
const UNSTATED: &str = "taken as nothing stored in the tail, which the sheet does not state: no gauge shows what else moved";
/// What would tell draw-in from cover slip.
const SHORTER_TAIL: &str = "a shorter tail, which cannot store core slip";
const TAIL_UNSTATED: &str = "a shorter tail (or, if the cover was milked back to the bitter end, `tail_stores = \"0 mm\"` in \
                             [line] of the sheet)";
/// Late set is at most this share of the set that came at once (a tenth to a third of the whole comes late: common practice, no source).
const LATE_SET_SHARE: f64 = 0.5;

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
        stores: sheet.line.tail_stores.map(|s| s.si() > 0.0),
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
            let (how, missing, mut part) = reader.part(name, means);
            if !name.comes_back() {
                reader.no_more_than_the_travel(&mut part);
            }
            let support = Support {
                part: name,
                how: how.to_owned(),
                missing: missing.to_owned(),
            };
            (support, (name, part))
        })
        .collect();
    let (support, parts): (_, Vec<_>) = read.into_iter().unzip();
    let mut parts: BTreeMap<PartName, Part> = parts.into_iter().collect();
    if let Some(whole) = parts.get(&PartName::NotRecovered).cloned() {
        for share in [PartName::StopperSlip, PartName::SetAndCoverSlip] {
            if let Some(part) = parts.get_mut(&share) {
                no_more_than(part, &whole);
            }
        }
    }
    Split {
        parts,
        support,
        caveats: reader
            .dark
            .iter()
            .filter_map(|d| d.caveat(balance))
            .collect(),
    }
}

/// A share is no more than the whole: a poor gauge of it must not say otherwise.
fn no_more_than(part: &mut Part, whole: &Part) {
    let cut = |figure: &mut Estimate, most: &Estimate| {
        if let (Some(high), Some(most)) = (figure.high, most.high) {
            let least = figure.value.or(figure.low).unwrap_or(most);
            figure.high = Some(high.min(most.max(least)));
        }
    };
    cut(&mut part.end, &whole.end);
    cut(&mut part.at_proof, &whole.at_proof);
    if let (Some(course), Some(most)) = (&mut part.course, &whole.course) {
        let least = course.value.as_ref().unwrap_or(&course.low);
        for ((high, most), least) in course.high.iter_mut().zip(&most.high).zip(least) {
            if *high > most.max(*least) {
                *high = most.max(*least);
            }
        }
    }
}

impl Reader<'_> {
    /// How far the gauges support a part, what is missing, and the part.
    fn part(&self, name: PartName, means: &Means) -> (&'static str, &'static str, Part) {
        let m = means;
        let cannot = |missing: &'static str, reason: &str| ("no", missing, absent(reason));
        let tail_missing = if m.stores.is_none() {
            TAIL_UNSTATED
        } else {
            SHORTER_TAIL
        };
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
                if m.core && m.stores == Some(false) {
                    ("throughout", "", self.core_part(AS_STATED))
                } else if m.core && m.travel {
                    ("bracketed", tail_missing, self.core_bracket(m.unloads))
                } else if m.core {
                    ("throughout", tail_missing, self.core_part(UNSTATED))
                } else if m.travel && m.stopper && m.unloads {
                    let (below, late) = (self.below_highest(self.balance.sequences.rest), self.late_set());
                    ("bracketed", "a core gauge at the bitter end", self.bracket(&below, &self.sum(&[self.balance.sequences.rest]), (late, 0.0), "from the slip below the highest load so far to that plus everything at new highest loads: set and cover slip fit alike there"))
                } else {
                    cannot(
                        "a mark at the mouth and a core gauge at the bitter end",
                        "these gauges do not tell cover slip from set and stopper slip",
                    )
                }
            }
            PartName::Set => {
                if m.core && m.stores == Some(false) && m.stopper && m.travel && m.unloads {
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
                        if m.core { tail_missing } else { "a core gauge at the bitter end" },
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

    /// Increments of a sequence where the load is below its highest so far; nothing where there is no sequence.
    fn below_highest(&self, sequence: Option<usize>) -> PerBlock<'_> {
        Box::new(move |k| {
            let mut f = Functional::default();
            let Some(sequence) = sequence else { return f };
            for j in (1..=k).filter(|j| !self.rising_high[*j]) {
                f.sequences.push((sequence, j, 1.0));
                if j > 1 {
                    f.sequences.push((sequence, j - 1, -1.0));
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

    /// Without an unloading, give and slip rise alike: from what moved while the load did not rise, to everything.
    fn stopper_without_cycle(&self) -> Part {
        let Some(s) = self.balance.sequences.stopper else {
            return absent("no gauge at the stopper");
        };
        let lower = self.below_highest(Some(s));
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

/// True when a stretch curve can be read off: the load came down by [`crate::phases::CYCLE_SHARE`] of its peak and the fall is in the record.
#[must_use]
pub(super) fn curve_is_known(phased: &Phased) -> bool {
    phased.cycles > 0 && phased.peak_n > 0.0
}
