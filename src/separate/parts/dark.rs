//! Where a gauge was blank: what the others still tell of its part.
//!
//! Question: how far may a slip have gone while the gauge that shows it read nothing? Method: it stood at least where it was
//! last read, went at most to where it was read next, and took at most all that did not come back meanwhile, which the travel
//! tells. The balance itself would share that out between slip and set as evenly as it can, with an interval that knows nothing
//! of it. While the travel gauge is blank itself, nothing tells what did not come back: of what is not read again, it is known
//! that a slip stays, and no more.

use std::ops::Range;

use super::absent;
use super::reader::{PerBlock, Reader};
use crate::caveat::{Caveat, Weight};
use crate::condition::Conditioned;
use crate::ingest::GaugeKind;
use crate::phases::{PhaseKind, Phased};
use crate::separate::model::Balance;
use crate::separate::moment::Moment;
use crate::separate::solve::Functional;
use crate::separate::{Course, Part};
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure};

/// What moved meanwhile matters beyond so many times the noise of a block, and beyond this, mm.
const MATTERS: (f64, f64) = (3.0, 0.02);
/// Without a travel gauge nothing tells what moved: more blocks than this matter.
const FEW_BLOCKS: usize = 3;
/// A blank travel gauge matters where the load moved by this share of its peak meanwhile, or for this share of the time.
const TRAVEL_MATTERS: f64 = 0.1;

/// A spell in which no gauge showed a sequence.
pub(super) struct Dark {
    gauge: GaugeKind,
    sequence: usize,
    blocks: Range<usize>,
    /// Not once read in the first dwell: where it counts from is not known.
    unzeroed: bool,
    /// Read by hand at some moments: between them it is meant to show nothing.
    by_hand: bool,
}

/// The spells that matter.
pub(super) fn find(
    balance: &Balance,
    record: &Conditioned,
    phased: &Phased,
    bend_mm: &[f64],
) -> Vec<Dark> {
    let sequences = &balance.sequences;
    let shown_by: [(Option<usize>, &[GaugeKind]); 3] = [
        (sequences.stopper, &[GaugeKind::Mark, GaugeKind::Tail]),
        (sequences.core, &[GaugeKind::Core]),
        (sequences.rest, &[GaugeKind::Travel]),
    ];
    let blind = blind_from(balance, phased, &shown_by);
    let mut found = Vec::new();
    for (sequence, kinds) in shown_by {
        let gauge = balance.gauges.iter().find(|kind| kinds.contains(kind));
        let (Some(sequence), Some(gauge)) = (sequence, gauge) else {
            continue;
        };
        let blank = unread(balance, kinds);
        let by_hand = kinds.iter().all(|kind| record.gauge(*kind).is_none());
        let places: Vec<usize> = (0..blank.len()).collect();
        let runs = places.chunk_by(|a, b| blank[*a] == blank[*b]);
        found.extend(
            runs.filter(|run| blank[run[0]])
                .map(|run| Dark {
                    gauge: *gauge,
                    sequence,
                    blocks: run[0]..run[0] + run.len(),
                    unzeroed: run[0] == 0
                        && balance.ranges[run.len() - 1].end >= phased.reference.end,
                    by_hand,
                })
                .filter(|dark| {
                    dark.unzeroed
                        || dark.blocks.contains(&blind)
                        || dark.matters(balance, phased, bend_mm)
                }),
        );
    }
    found
}

/// Per block, whether none of these gauges was read.
fn unread(balance: &Balance, kinds: &[GaugeKind]) -> Vec<bool> {
    let rows = balance.problem.rows.iter().zip(&balance.gauges);
    let rows: Vec<_> = rows.filter(|(_, kind)| kinds.contains(kind)).collect();
    (0..balance.problem.blocks)
        .map(|k| rows.iter().all(|(rows, _)| !rows.reading[k].is_finite()))
        .collect()
}

/// First block from which to the end neither the travel nor a gauge that shows a slip was read, where that matters; else one
/// past the last. What moved there is in no reading, so that how far the fit grew says nothing.
fn blind_from(
    balance: &Balance,
    phased: &Phased,
    shown_by: &[(Option<usize>, &[GaugeKind])],
) -> usize {
    let blocks = balance.problem.blocks;
    let travel = unread(balance, &[GaugeKind::Travel]);
    let slips = shown_by
        .iter()
        .filter(|(s, _)| s.is_some() && *s != balance.sequences.rest);
    let from = slips
        .map(|(_, kinds)| {
            let slip = unread(balance, kinds);
            let read = (0..blocks).rfind(|k| !travel[*k] || !slip[*k]);
            read.map_or(0, |k| k + 1)
        })
        .min()
        .unwrap_or(blocks);
    let runs = |k: usize| phased.blocks.phase[balance.first_block + k] == PhaseKind::RunOut;
    if blocks - from > FEW_BLOCKS || (from..blocks).any(runs) {
        from
    } else {
        blocks
    }
}

impl Dark {
    fn matters(&self, balance: &Balance, phased: &Phased, bend_mm: &[f64]) -> bool {
        let last = balance.problem.blocks - 1;
        let (before, after) = (self.before(), self.blocks.end.min(last));
        match balance.sequences.rest {
            Some(rest) if rest == self.sequence => {
                let first = balance.first_block;
                let loads = &phased.blocks.load_n[first + before..=first + after];
                let (low, high) = crate::condition::range_of(loads);
                let time = &balance.problem.time;
                high - low > TRAVEL_MATTERS * phased.peak_n
                    || time[after] - time[before] > TRAVEL_MATTERS * (time[last] - time[0])
            }
            Some(rest) => {
                let grew: f64 = [self.sequence, rest]
                    .map(|s| balance.fit.sequences[s][after] - balance.fit.sequences[s][before])
                    .iter()
                    .sum();
                grew > MATTERS.0 * bend_mm[self.sequence] + MATTERS.1
            }
            None => self.blocks.len() > FEW_BLOCKS,
        }
    }

    /// Last block before it that was read; the first of all, where every part is zero.
    fn before(&self) -> usize {
        self.blocks.start.saturating_sub(1)
    }

    /// Says so of a gauge that was meant to be read throughout.
    pub(super) fn caveat(&self, balance: &Balance) -> Option<Caveat> {
        if self.by_hand && self.unzeroed {
            return Some(Caveat::new(
                "gauge-blank",
                Weight::Caution,
                format!(
                    "No reading of the {} falls into the first dwell, where every part is zero: from where it counts is not known.",
                    self.gauge.words()
                ),
                "Read it once in the first dwell, when the pre-tension has settled, and once at the end of each hold; then pull again.",
            ));
        }
        let slack = |k| balance.slack.iter().any(|spell| spell.contains(&k));
        if self.by_hand || self.blocks.clone().all(slack) {
            return None;
        }
        let time = &balance.problem.time;
        let last = self.blocks.end.min(time.len()) - 1;
        Some(Caveat::new(
            "gauge-blank",
            Weight::Caution,
            format!(
                "The {} gauge shows nothing from {:.1} s to {:.1} s: what it watches is known there only as far as other gauges bound it.",
                self.gauge.words(),
                time[self.blocks.start],
                time[last]
            ),
            "Look for a plug that came loose, a gauge at its end stop, or a logger that dropped the channel; then pull again.",
        ))
    }
}

/// What a blank gauge leaves of a part at a block.
struct Shade {
    gauge: GaugeKind,
    /// Last block before that was read, and first after it.
    before: usize,
    after: Option<usize>,
    /// Sequences that may share what moved; `None` if nothing bounds it.
    sharing: Option<Vec<usize>>,
}

impl Reader<'_> {
    /// Whether a spell hides a part: the travel tells a slip and the rest together.
    fn hides(&self, f: &Functional, dark: &Dark) -> bool {
        let rest = self.balance.sequences.rest;
        let of = |s: usize| f.sequences.iter().any(|(i, _, _)| *i == s);
        let of_travel = f.sequences.is_empty() || rest.is_some_and(of);
        if Some(dark.sequence) == rest {
            of_travel
        } else {
            !f.sequences.is_empty() && of(dark.sequence) != of_travel
        }
    }

    fn shade(&self, f: &Functional, k: usize) -> Option<Shade> {
        let rest = self.balance.sequences.rest;
        let here = || self.dark.iter().filter(move |d| d.blocks.contains(&k));
        let hides = |d: &&Dark| self.hides(f, d);
        let gauge = here().find(hides)?.gauge;
        let before = here().filter(hides).map(Dark::before).min()?;
        let after = here().filter(hides).map(|d| d.blocks.end).max()?;
        let mut sharing: Vec<usize> = f.sequences.iter().map(|(s, _, _)| *s).collect();
        sharing.extend(here().map(|d| d.sequence).chain(rest));
        sharing.sort_unstable();
        sharing.dedup();
        let travel_reads = rest.is_some_and(|rest| here().all(|d| d.sequence != rest));
        Some(Shade {
            gauge,
            before,
            after: (after <= self.last).then_some(after),
            sharing: travel_reads.then_some(sharing),
        })
    }

    /// The most that all who share it moved between two blocks, mm, to the very end if the second is the last: each end with
    /// its own uncertainty, for while nothing tells stretch from slip their errors need not be the same.
    fn most_between(&self, sharing: &[usize], before: usize, k: usize) -> f64 {
        let at = |moment: &Moment| {
            let blocks = moment.factors(|_| 0.0);
            let (value, spread) = self.evaluate(&Functional {
                weights: Vec::new(),
                sequences: blocks
                    .iter()
                    .flat_map(|(k, c)| sharing.iter().map(|s| (*s, *k, *c)))
                    .collect(),
            });
            (value, spread.half_width(2.0 * LEVEL - 1.0))
        };
        let (stood, stood_within) = at(&Moment::block(before));
        let (stands, stands_within) = if k == self.last {
            at(&self.end)
        } else {
            at(&Moment::block(k))
        };
        (stands - stood).max(0.0) + stands_within.hypot(stood_within)
    }

    /// A part as it was found, but for the spells in which no gauge showed it.
    pub(super) fn shaded(&self, f: &PerBlock, mut part: Part) -> Part {
        let whole = f(self.last);
        if let Some(dark) = self
            .dark
            .iter()
            .find(|d| d.unzeroed && self.hides(&whole, d))
        {
            return absent(&format!(
                "the {} was not read in the first dwell: from where it counts is not known",
                dark.gauge.words()
            ));
        }
        let shades: Vec<Option<Shade>> = (0..=self.last).map(|k| self.shade(&whole, k)).collect();
        if shades.iter().all(Option::is_none) {
            return part;
        }
        // From here on nothing bounds it, and it is not read again.
        let bounded = |s: &Option<Shade>| s.as_ref().is_none_or(|s| s.sharing.is_some());
        let seen_to = if bounded(&shades[self.last]) {
            self.last + 1
        } else {
            shades.iter().rposition(bounded).map_or(0, |k| k + 1)
        };
        let bracketed = shades[..seen_to].iter().any(Option::is_some);
        if bracketed {
            self.bound(&mut part, &shades[..seen_to]);
        }
        if let Some(Some(shade)) = shades.get(seen_to) {
            let reason = format!(
                "the {} gauge shows nothing there, and no other gauge bounds what moved",
                shade.gauge.words()
            );
            self.break_off(&mut part, seen_to, !whole.sequences.is_empty(), &reason);
        }
        part
    }

    /// Makes a bracket of a part where it is shaded.
    fn bound(&self, part: &mut Part, shades: &[Option<Shade>]) {
        let Some(course) = &mut part.course else {
            return;
        };
        let first = self.balance.first_block;
        let (low, high) = (course.low.clone(), course.high.clone());
        let mut most = 0.0;
        for k in (0..shades.len()).rev() {
            let Some(shade) = &shades[k] else { continue };
            let next = shades.get(k + 1).is_some_and(Option::is_some);
            if let Some(sharing) = &shade.sharing
                && (!next || self.stations.contains(&k))
            {
                most =
                    high[first + shade.before] + 1e-3 * self.most_between(sharing, shade.before, k);
            }
            let read_next = shade
                .after
                .map_or(f64::INFINITY, |after| high[first + after]);
            let bounded = if shade.sharing.is_some() {
                most.min(read_next)
            } else {
                read_next
            };
            course.low[first + k] = low[first + shade.before];
            course.high[first + k] = bounded.max(low[first + shade.before]);
        }
        let bracket = |moment: &Moment, course: &Course| {
            let ends = [moment.before, moment.after];
            let shade = ends.iter().find_map(|k| shades.get(*k)?.as_ref())?;
            let [a, b] = ends.map(|k| first + k);
            Some(Estimate::bracket(
                Measure::Length,
                course.low[a].min(course.low[b]),
                course.high[a].max(course.high[b]),
                "from the last reading to that and all that did not come back since",
                format!("the {} gauge shows nothing there", shade.gauge.words()),
            ))
        };
        let end = Moment::block(self.last);
        if let Some(end) = bracket(&end, course) {
            part.end = end;
        }
        if let Ok(moment) = &self.proof
            && let Some(at_proof) = bracket(moment, course)
        {
            part.at_proof = at_proof;
        }
        // Beyond the last block nothing changes.
        let last = first + self.last;
        for values in [&mut course.low, &mut course.high] {
            let stays = values[last];
            values[last..].fill(stays);
        }
        // A bracket counts whole.
        course.value = None;
    }

    /// Ends a part at a block from which on nothing bounds it: what slid stays, what stretched may have come back.
    fn break_off(&self, part: &mut Part, seen_to: usize, slides: bool, reason: &str) {
        let from = self.balance.first_block + seen_to;
        let last_read = |course: &Course| course.low.get(from.checked_sub(1)?).copied();
        let least = part.course.as_ref().and_then(last_read);
        part.end = match least.filter(|least| slides && seen_to > 0 && *least > 0.0) {
            Some(least) => Estimate::at_least(Measure::Length, least, "the last reading", reason),
            None => Estimate::cannot_tell(Measure::Length, reason),
        };
        part.budget.clear();
        if let Ok(moment) = &self.proof
            && moment.before.max(moment.after) >= seen_to
        {
            part.at_proof = Estimate::cannot_tell(Measure::Length, reason);
        }
        if let Some(course) = &mut part.course {
            for values in [&mut course.low, &mut course.high]
                .into_iter()
                .chain(&mut course.value)
            {
                values[from..].fill(f64::NAN);
            }
        }
    }
}
