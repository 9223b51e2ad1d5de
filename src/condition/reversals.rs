//! Gauges told apart by what comes back when the load is eased.
//!
//! Question: does each gauge come back as its place on the line must? Method: at every unloading the reading before it
//! less the reading after it. A mark comes back by the give of the stopper and by its share of the line's stretch, a body
//! gauge by the give, draw-in of the core hardly at all. Where a mark stands still at most unloadings and the core gauge
//! moves as the mark must, or the body gauge keeps all of its movement and the core gauge gives its back, the columns are
//! swapped. Where it stands still and nothing else moves so, it does not follow the line, or is read in a wrong unit: what slid
//! would be told as set. An unloading in which what must come back is lost in the noise says nothing.
//!
//! Assumption: within one unloading slip goes on by less than what comes back; a cover locked at the eye may pull the core
//! back, but not while the mark stands still.

use std::ops::Range;

use crate::caveat::{Caveat, Weight};
use crate::condition::FEW_ROWS;
use crate::condition::signals::swapped;
use crate::condition::{Signal, range_of};
use crate::ingest::GaugeKind;
use crate::sheet::{Against, Sheet};
use crate::stats::median;

/// Above this share of the load's range an unloading begins, and below the other it has ended.
const FROM_TO: (f64, f64) = (0.6, 0.25);
/// The load before it is still within this share of its highest.
const STILL_HIGH: f64 = 0.95;
/// Rows before and after that a reading is the median of.
const ROWS: usize = 9;
/// What comes back is beyond so many standard deviations of one row's noise, and this, m.
const SURE: (f64, f64) = (3.0, 0.1e-3);
/// A gauge came back if it did by more than this share of what it must, and stood still below the other.
const BACK_STILL: (f64, f64) = (0.5, 0.2);
/// A mark that slid by more than this many times what it must come back by moves.
const ALIVE: f64 = 3.0;
/// A body gauge that keeps more than this kept it all, m.
const KEPT_M: f64 = 0.5e-3;

/// Last row before an unloading, and the first after it.
#[derive(Debug, Clone, Copy)]
struct Unloading {
    before: usize,
    after: usize,
}

/// Names a core gauge swapped with the mark or with the body gauge.
pub(super) fn remark_reversals(
    load: &Signal,
    gauges: &[Signal],
    sheet: &Sheet,
    caveats: &mut Vec<Caveat>,
) {
    let by = |kind: GaugeKind| gauges.iter().find(|g| g.kind == kind);
    if load.values.len() < FEW_ROWS {
        return;
    }
    let (core, body) = (by(GaugeKind::Core), by(GaugeKind::Body));
    let unloadings = unloadings(&load.values);
    if let Some(mark) = by(GaugeKind::Mark) {
        let of_mark = sheet.gauges.mark.as_ref();
        let against_rig = of_mark.and_then(|m| m.against) != Some(Against::Stopper);
        let length = sheet.line.free_length;
        let share = of_mark.and_then(|m| m.distance).zip(length);
        let must = Must {
            travel: by(GaugeKind::Travel),
            body: body.filter(|_| against_rig),
            share: share.map_or(0.0, |(a, l)| a.si() / l.si()),
        };
        let swapped = core.and_then(|core| core_for_mark(core, mark, &must, &unloadings));
        caveats.extend(swapped.or_else(|| stands_still(mark, &must, &unloadings)));
    }
    if let (Some(core), Some(body)) = (core, body) {
        caveats.extend(core_for_body(core, body, &unloadings));
    }
}

/// What a mark must come back by.
struct Must<'a> {
    travel: Option<&'a Signal>,
    /// The body gauge, if the mark is read against the rig and so shares its give.
    body: Option<&'a Signal>,
    /// The mark's share of the free length.
    share: f64,
}

impl Must<'_> {
    /// In m; `None` where a gauge has no reading.
    fn at(&self, at: Unloading) -> Option<f64> {
        let back = |gauge: Option<&Signal>| gauge.map_or(Some(0.0), |g| came_back(g, at));
        let give = back(self.body)?;
        Some(give + self.share * (back(self.travel)? - give).max(0.0))
    }
}

fn core_for_mark(
    core: &Signal,
    mark: &Signal,
    must: &Must,
    unloadings: &[Unloading],
) -> Option<Caveat> {
    let told: Vec<[f64; 3]> = unloadings
        .iter()
        .filter_map(|at| Some([must.at(*at)?, came_back(core, *at)?, came_back(mark, *at)?]))
        .filter(|[must, _, _]| *must > sure(core, mark))
        .collect();
    let says =
        |[must, core, mark]: &[f64; 3]| *core > BACK_STILL.0 * must && *mark < BACK_STILL.1 * must;
    let most = told
        .iter()
        .filter(|t| says(t))
        .max_by(|a, b| a[0].total_cmp(&b[0]));
    let [must, core, mark] = most.filter(|_| mostly(&told, says))?.map(|m| 1e3 * m);
    Some(swapped(format!(
        "When the load was eased the core came back by {core:.2} mm and the mark by {mark:.2} mm, where the mark must come back by {must:.2} mm with the give of the stopper and the line before it: the columns of the two are swapped.",
    )))
}

/// A mark that does not come back with the line.
fn stands_still(mark: &Signal, must: &Must, unloadings: &[Unloading]) -> Option<Caveat> {
    let told: Vec<[f64; 2]> = unloadings
        .iter()
        .filter_map(|at| Some([must.at(*at)?, came_back(mark, *at)?]))
        .filter(|[must, _]| *must > sure(mark, mark))
        .collect();
    let says = |[must, back]: &[f64; 2]| back.abs() < BACK_STILL.1 * must;
    let most = told
        .iter()
        .filter(|t| says(t))
        .max_by(|a, b| a[0].total_cmp(&b[0]));
    let [must, back] = *most.filter(|_| mostly(&told, says))?;
    // One that slid by much more works: it may have slid on while the load was eased.
    let after = unloadings.last()?.after;
    let slid = rested(mark, after..after + ROWS)? - rested(mark, 0..ROWS)?;
    if slid > ALIVE * must {
        return None;
    }
    let [must, back] = [1e3 * must, 1e3 * back];
    Some(Caveat::new(
        "mark-stands-still",
        Weight::NoPass,
        format!(
            "When the load was eased the mark came back by {back:.2} mm, where it must come back by {must:.2} mm with the give of the \
             stopper and the line before it: the gauge does not follow the line, or its unit is wrong, and what slid may be told as set.",
        ),
        "See that the gauge of the mark moves with the line by hand, and by as much as it says; then pull again.",
    ))
}

fn core_for_body(core: &Signal, body: &Signal, unloadings: &[Unloading]) -> Option<Caveat> {
    let told: Vec<[f64; 2]> = unloadings
        .iter()
        .filter_map(|at| Some([came_back(core, *at)?, came_back(body, *at)?]))
        .filter(|[back, _]| *back > sure(core, body))
        .collect();
    let last = unloadings.last()?;
    let kept = rested(body, last.after..last.after + ROWS)? - rested(body, 0..ROWS)?;
    let says = |[core, body]: &[f64; 2]| *body < BACK_STILL.1 * core;
    (mostly(&told, says) && kept > sure(core, body) + KEPT_M).then(|| {
        swapped(format!(
            "The body of the stopper moved by {:.2} mm and never came back when the load was eased, while the core did each time: the columns of the two are swapped.",
            1e3 * kept
        ))
    })
}

/// More than that is no noise, m.
fn sure(a: &Signal, b: &Signal) -> f64 {
    SURE.0 * a.noise.hypot(b.noise) + SURE.1
}

/// More than half of the unloadings say so: in one of them slip may go on.
fn mostly<T>(told: &[T], says: impl Fn(&T) -> bool) -> bool {
    2 * told.iter().filter(|t| says(t)).count() > told.len()
}

/// Falls of the load from high to low, in order of time.
fn unloadings(load: &[f64]) -> Vec<Unloading> {
    let (low, high) = range_of(load);
    let share = |i: usize| (load[i] - low) / (high - low);
    let mut found = Vec::new();
    // Highest share since the load was low, and the last row that is about as high.
    let mut top: Option<(f64, usize)> = None;
    for i in (0..load.len()).filter(|i| load[*i].is_finite()) {
        let now = share(i);
        let highest = top.map_or(FROM_TO.0, |(highest, _)| highest).max(now);
        if now >= FROM_TO.0 && now >= STILL_HIGH * highest {
            top = Some((highest, i));
        }
        if now <= FROM_TO.1
            && let Some((_, before)) = top.take()
        {
            found.push(Unloading { before, after: i });
        }
    }
    found
}

/// Reading before an unloading less that after it, m; `None` where either is missing.
fn came_back(gauge: &Signal, at: Unloading) -> Option<f64> {
    let before = rested(gauge, (at.before + 1).saturating_sub(ROWS)..at.before + 1)?;
    Some(before - rested(gauge, at.after..at.after + ROWS)?)
}

/// Median reading of some rows; `None` where there is none.
fn rested(gauge: &Signal, rows: Range<usize>) -> Option<f64> {
    let end = rows.end.min(gauge.values.len());
    let finite: Vec<f64> = gauge.values[rows.start..end]
        .iter()
        .copied()
        .filter(|v| v.is_finite())
        .collect();
    median(&finite)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::InstrumentErrors;

    /// Three pulls up and down; slips grow on the way up.
    const ROW: usize = 300;

    fn load(i: usize) -> f64 {
        let phase = (i % 100) as f64;
        40.0 * (50.0 - (50.0 - phase).abs())
    }

    fn signal(kind: GaugeKind, of: impl Fn(usize) -> f64) -> Signal {
        let noise = 1e-5;
        let wiggle = |i: usize| if i.is_multiple_of(2) { noise } else { -noise };
        Signal {
            kind,
            values: (0..ROW).map(|i| of(i) + wiggle(i)).collect(),
            noise,
            step: 0.0,
            errors: InstrumentErrors::default(),
            lag: None,
        }
    }

    /// Slip of a millimetre on each way up.
    fn slip(i: usize) -> f64 {
        let (cycle, phase) = ((i / 100) as f64, (i % 100) as f64);
        1e-3 * (cycle + (phase / 50.0).min(1.0))
    }

    fn give(i: usize) -> f64 {
        3e-7 * load(i)
    }

    fn found(gauges: &[Signal]) -> Vec<String> {
        let text = "[pull]\nlog = \"log.csv\"\n[line]\nfree_length = \"4 m\"\n[gauges.load]\ncolumn = \"Load\"\n[gauges.mark]\ncolumn = \"Mark\"\ndistance = \"40 mm\"\n";
        let sheet = Sheet::parse(text, "sheet.toml").unwrap();
        let mut caveats = Vec::new();
        let load = signal(GaugeKind::Load, load);
        remark_reversals(&load, gauges, &sheet, &mut caveats);
        caveats.into_iter().map(|c| c.message).collect()
    }

    fn gauges(
        mark: &dyn Fn(usize) -> f64,
        body: &dyn Fn(usize) -> f64,
        core: &dyn Fn(usize) -> f64,
    ) -> [Signal; 4] {
        [
            signal(GaugeKind::Travel, |i| 2e-5 * load(i) + 3.0 * slip(i)),
            signal(GaugeKind::Mark, mark),
            signal(GaugeKind::Body, body),
            signal(GaugeKind::Core, core),
        ]
    }

    #[test]
    fn a_core_gauge_that_comes_back_is_the_mark_or_the_body() {
        let mark = |i: usize| give(i) + 2e-7 * load(i) + slip(i);
        let core = |i: usize| 2.0 * slip(i);
        assert_eq!(found(&gauges(&mark, &give, &core)), [""; 0]);
        let swapped = found(&gauges(&core, &give, &mark));
        assert_eq!(swapped.len(), 1);
        assert!(
            swapped[0].contains("the mark must come back by"),
            "{swapped:?}"
        );
        let still = found(&gauges(&|i| 0.1 * slip(i), &give, &|i| 0.5 * slip(i)));
        assert!(still[0].contains("does not follow the line"), "{still:?}");
        let swapped = found(&gauges(&mark, &core, &give));
        assert!(swapped[0].contains("never came back"), "{swapped:?}");
    }

    /// A gauge without readings after an unloading says nothing of it, and least of all that it came back.
    #[test]
    fn readings_that_are_missing_come_back_by_nothing() {
        let mark = |i: usize| 5e-3 + slip(i);
        let core = |i: usize| 5e-3 + 2.0 * slip(i);
        let mut lost = gauges(&mark, &give, &core);
        let at = unloadings(&signal(GaugeKind::Load, load).values);
        assert_eq!(at.len(), 3);
        for at in at {
            lost[3].values[at.after..(at.after + ROWS).min(ROW)].fill(f64::NAN);
        }
        assert_eq!(found(&lost), [""; 0]);
    }

    /// The same movement of the body, kept or not, beside a core that returns.
    #[test]
    fn a_body_that_stands_still_is_no_swap() {
        let mark = |i: usize| 2e-7 * load(i) + slip(i);
        let returning = |i: usize| 2.0 * slip(i) + 1e-6 * load(i);
        assert_eq!(found(&gauges(&mark, &|_| 0.0, &returning)), [""; 0]);
    }

    /// A cover locked at the eye pulls the core back; the mark comes back beside it.
    #[test]
    fn a_core_that_returns_is_no_swap() {
        let mark = |i: usize| give(i) + 2e-7 * load(i) + slip(i);
        let returning = |i: usize| 2.0 * slip(i) + 1e-6 * load(i);
        assert_eq!(found(&gauges(&mark, &give, &returning)), [""; 0]);
    }
}
