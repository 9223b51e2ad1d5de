//! The slip of one interface over the blocks, seating taken off, and where it reaches a level.
//!
//! Progressive slip never runs backwards, so every course is made non-decreasing (weighted isotonic fit) before a level is
//! looked for in it. What seating is, [`super::seating`] says.

use super::seating::Seating;
use super::{Interface, LimitInputs, SlipEvent, first};
use crate::ingest::GaugeKind;
use crate::phases::{EASED_SHARE, Phase, PhaseKind};
use crate::separate::{Course, PartName};
use crate::sheet::CoverAtEye;
use crate::stats::estimate::LEVEL;
use crate::stats::{autocorrelation, isotonic, linear, quantile};

/// Slip of the neighbours that refine a crossing, as shares of the level.
const NEIGHBOURS: (f64, f64) = (0.4, 2.0);
/// Most neighbours on either side.
const MOST_NEIGHBOURS: usize = 40;
/// Spread of readings against their noise, as a variance, from which a slip is taken to follow another law of time.
const OF_ANOTHER_LAW: f64 = 2.0;
/// A slip went back that did by so many standard deviations of a block's noise.
const RETURNED: f64 = 4.0;
/// Smallest noise of a block that weights count with, m: finer than any gauge of a dock.
pub(super) const NOISE_FLOOR: f64 = 1e-9;

/// How much is known of an interface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Known {
    /// A value with its interval.
    Value,
    /// Two ends.
    Bracket,
    /// Only that it cannot be more than what did not come back.
    AtMost,
}

/// Progressive slip of one interface over the blocks where it is defined, SI.
#[derive(Debug, Clone)]
pub(crate) struct Slip {
    pub interface: Interface,
    /// Why there is no course at all; then every list is empty.
    pub absent: Option<String>,
    pub known: Known,
    /// Blocks that the lists below refer to.
    pub block: Vec<usize>,
    pub time: Vec<f64>,
    pub load: Vec<f64>,
    pub highest: Vec<f64>,
    /// Best value; for brackets the upper end.
    pub value: Vec<f64>,
    pub low: Vec<f64>,
    pub high: Vec<f64>,
    pub noise: Vec<f64>,
    /// What the split leaves of the gauge that shows this slip best, m; zero where there is none. A course runs straight
    /// between few nodes: with this on it, it bends as its gauge (the core's for the cover) saw it.
    pub left: Vec<f64>,
    /// Noise that the elements carry beyond what the interval holds: none on the split's own course, that of the single
    /// readings once they are taken instead of it.
    scatter: Vec<f64>,
    /// Seating taken off.
    pub(super) seating: Option<Seating>,
    /// Standard uncertainty of the slip that comes from telling seating from it; empty where nothing was taken off.
    pub open: Vec<f64>,
    /// Jumps of this interface.
    pub jumps: Vec<SlipEvent>,
    /// Time between readings, s, and standard deviation of the noise of one reading of the load, N.
    period_s: f64,
    pub load_noise: f64,
    /// Known at readings by hand only.
    pub at_readings: bool,
    /// Rows behind each element.
    pub rows: Vec<usize>,
    /// What the pull was doing at each element.
    pub(super) phase: Vec<PhaseKind>,
    /// The line's stretch, m, where the slip is known by the travel alone; else none.
    pub stretch: Vec<f64>,
}

/// Where a course reaches a level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Crossing {
    pub time: f64,
    pub load: f64,
    /// Half the difference of load between the two neighbours: the place between them is not known better.
    pub gap: f64,
    /// It was reached in a jump.
    pub jumped: bool,
    /// The element that reached the level first.
    pub at: usize,
}

/// The progressive slip of an interface; `jumps` are those of all interfaces.
pub(super) fn slip_of(inputs: &LimitInputs, interface: Interface, jumps: &[SlipEvent]) -> Slip {
    let mut slip = Slip {
        interface,
        absent: None,
        known: Known::Value,
        block: vec![],
        time: vec![],
        load: vec![],
        highest: vec![],
        value: vec![],
        low: vec![],
        high: vec![],
        noise: vec![],
        left: vec![],
        scatter: vec![],
        seating: None,
        open: vec![],
        jumps: vec![],
        period_s: inputs.conditioned.period_s,
        load_noise: inputs.conditioned.load.noise,
        rows: vec![],
        phase: vec![],
        stretch: vec![],
        at_readings: false,
    };
    let part = interface.part();
    if let Some(course) = usable(inputs, part) {
        let own = jumps.iter().filter(|e| e.interface == interface);
        slip.jumps = own.cloned().collect();
        slip.take(inputs, course);
        if interface == Interface::Cover && slip.known != Known::Value && !slip.at_readings {
            slip.take_stretch(inputs);
        }
        let locked = inputs.sheet.line.cover_at_eye == CoverAtEye::Locked;
        if interface == Interface::Cover && locked {
            if slip.at_readings {
                slip.reach_the_readings();
            }
            slip.keep_what_had_slid();
        }
        if interface == Interface::Stopper {
            slip.take_off_seating();
        }
        return slip;
    }
    let bounds = match interface {
        Interface::Cover => &[PartName::SetAndCoverSlip, PartName::NotRecovered][..],
        _ => &[PartName::NotRecovered][..],
    };
    for bound in bounds {
        if let Some(course) = usable(inputs, *bound) {
            slip.take(inputs, course);
            slip.known = Known::AtMost;
            slip.take_stretch(inputs);
            slip.value.clone_from(&slip.high);
            slip.low = vec![0.0; slip.high.len()];
            return slip;
        }
    }
    let reason = inputs
        .separated
        .parts
        .get(&part)
        .and_then(|part| part.end.reason.clone())
        .unwrap_or_else(|| format!("the split gives no course of {}", part.words()));
    slip.absent = Some(reason);
    slip
}

/// A course whose lists have one element per block.
fn usable<'a>(inputs: &LimitInputs<'a>, part: PartName) -> Option<&'a Course> {
    let course = inputs.separated.course(part)?;
    let n = inputs.separated.blocks.len();
    let whole = course.low.len() == n
        && course.high.len() == n
        && course.value.as_ref().is_none_or(|v| v.len() == n);
    (n > 0 && whole).then_some(course)
}

impl Slip {
    fn take(&mut self, inputs: &LimitInputs, course: &Course) {
        let blocks = &inputs.separated.blocks;
        let kinds: &[GaugeKind] = match self.interface {
            Interface::Cover => &[GaugeKind::Core],
            _ => &[GaugeKind::Tail, GaugeKind::Mark],
        };
        let gauge = kinds
            .iter()
            .find_map(|kind| inputs.separated.closure.iter().find(|c| c.gauge == *kind));
        // The stopper feels what the tail does not hold.
        let (loads, highest) = match self.interface {
            Interface::Stopper => (&blocks.grip_n, &blocks.highest_grip_n),
            _ => (&blocks.load_n, &blocks.highest_n),
        };
        for i in 0..blocks.len() {
            let load = loads[i];
            let value = course.value.as_ref().map_or(course.high[i], |v| v[i]);
            let numbers = [value, course.low[i], course.high[i], blocks.time_s[i], load];
            if numbers.iter().any(|v| !v.is_finite()) {
                continue;
            }
            self.block.push(i);
            self.time.push(blocks.time_s[i]);
            self.load.push(load);
            self.rows.push(blocks.end[i] - blocks.first[i]);
            self.phase.push(blocks.phase[i]);
            self.highest.push(highest[i].max(load));
            self.value.push(value);
            self.low.push(course.low[i].min(value));
            self.high.push(course.high[i].max(value));
            let noise = course.noise.get(i).copied().unwrap_or(0.0);
            let left = gauge.and_then(|g| g.residual_m.get(i).copied());
            self.left
                .push(left.filter(|r| r.is_finite()).unwrap_or(0.0));
            self.noise.push(if noise.is_finite() {
                noise.max(0.0)
            } else {
                0.0
            });
            self.scatter.push(0.0);
        }
        self.at_readings = course.at_readings;
        if course.value.is_none() {
            self.known = Known::Bracket;
        }
        if self.block.is_empty() {
            self.absent = Some("the course of the slip holds no number".into());
        }
    }

    /// Between readings by hand a course cannot fall, and lies between a reading and the lower one after the cover took slip back.
    /// It may have been as much as the first says, and so may what lies between that and the reading before.
    fn reach_the_readings(&mut self) {
        let mut next = f64::NEG_INFINITY;
        for i in (0..self.high.len()).rev() {
            if self.left[i] != 0.0 {
                next = self.high[i] + self.left[i].max(0.0);
            }
            self.high[i] = self.high[i].max(next);
        }
    }

    /// A cover locked at the eye takes back part of its slip when the load is eased. It had slid all the same: from there on the
    /// slip stands at the most that it had been. What noise may be is no return.
    fn keep_what_had_slid(&mut self) {
        let noise = self.noise.iter().copied().fold(0.0, f64::max);
        let sure = if self.at_readings {
            0.0
        } else {
            RETURNED * noise
        };
        let lists = [&mut self.value, &mut self.low, &mut self.high];
        for list in lists {
            let mut most = f64::NEG_INFINITY;
            for value in list.iter_mut() {
                most = most.max(*value);
                if most - *value > sure {
                    *value = most;
                }
            }
        }
        for (i, value) in self.value.iter().enumerate() {
            self.low[i] = self.low[i].min(*value);
            self.high[i] = self.high[i].max(*value);
        }
    }

    fn take_stretch(&mut self, inputs: &LimitInputs) {
        let stretch = usable(inputs, PartName::Stretch).and_then(|course| course.value.as_ref());
        if let Some(stretch) = stretch {
            self.stretch = self.block.iter().map(|block| stretch[*block]).collect();
        }
    }

    fn weights(&self) -> Vec<f64> {
        self.noise
            .iter()
            .map(|n| n.max(NOISE_FLOOR).powi(-2))
            .collect()
    }

    /// The same slip as its gauge saw it, block by block, instead of straight between nodes: a chord lies above slip that
    /// sets in slowly, and would reach a small level too early. Single readings that are noisier than what counts as slip
    /// would reach it by their noise: then the course stays. So it does while the load is eased: friction that has held the
    /// higher load holds the lower one, and in a rest noise alone would reach what a hold has nearly reached.
    pub fn as_read(&self) -> Self {
        let mut read = self.clone();
        let quiet = |noise: &f64| first::IN_UNCERTAINTIES * noise <= first::LEAST;
        if !self.noise.iter().all(quiet) {
            return read;
        }
        let taken: Vec<bool> = (0..self.value.len())
            .map(|i| self.load[i] >= EASED_SHARE * self.highest[i])
            .collect();
        for i in (0..taken.len()).filter(|i| taken[*i]) {
            read.value[i] += self.left[i];
            read.scatter[i] = self.noise[i];
        }
        let places: Vec<usize> = (0..taken.len()).collect();
        let in_hold = |i: &usize| {
            let holds = matches!(self.phase[*i], PhaseKind::Hold | PhaseKind::LockedHold);
            taken[*i] && holds
        };
        for hold in places.chunk_by(|a, b| in_hold(a) == in_hold(b)) {
            if in_hold(&hold[0]) {
                read.settle(hold);
            }
        }
        let factor = quantile::normal(0.5 + 0.5 * LEVEL);
        for i in (0..taken.len()).filter(|i| taken[*i]) {
            let scatter = factor * read.scatter[i];
            let [below, above] = [self.value[i] - self.low[i], self.high[i] - self.value[i]];
            read.low[i] = read.value[i] - below.hypot(scatter);
            read.high[i] = read.value[i] + above.hypot(scatter);
        }
        read
    }

    /// Readings of one hold as what they say together, where the slip goes as the logarithm of time, evenly, or both: one by
    /// one the noisiest would reach a level that the hold nearly reaches, and none would reach it late.
    fn settle(&mut self, hold: &[usize]) {
        let since = |i: usize| self.time[i] - self.time[hold[0]];
        let jumped = |jump: &SlipEvent| {
            jump.time_s >= self.time[hold[0]] && jump.time_s <= self.time[hold[hold.len() - 1]]
        };
        if self.jumps.iter().any(jumped) {
            return;
        }
        let rows: Vec<[f64; 3]> = hold
            .iter()
            .map(|i| [1.0, since(*i).ln_1p(), since(*i)])
            .collect();
        let columns = [0, 1, 2].map(|column| rows.iter().map(|row| row[column]).collect());
        let values: Vec<f64> = hold.iter().map(|i| self.value[*i]).collect();
        let weights = &self.weights()[hold[0]..hold[0] + hold.len()];
        let Ok(fit) = linear::fit(&columns, &values, Some(weights)) else {
            return;
        };
        let Some(spread) = fit.variance().filter(|spread| *spread < OF_ANOTHER_LAW) else {
            return;
        };
        let scale = spread.max(1.0) * autocorrelation::variance_factor(&fit.residuals);
        for (i, row) in hold.iter().zip(&rows) {
            self.value[*i] = fit.value(row);
            self.scatter[*i] = fit.value_error(row, scale).min(self.noise[*i]);
        }
    }

    /// The list made non-decreasing.
    pub fn rising(&self, list: &[f64]) -> Vec<f64> {
        isotonic::non_decreasing(list, Some(&self.weights()))
    }

    /// Standard uncertainty of the slip at each block, all sources but the scatter of single readings.
    pub fn uncertainty(&self, i: usize) -> f64 {
        let all = (self.high[i] - self.low[i]) / (2.0 * quantile::normal(0.5 + 0.5 * LEVEL));
        (all * all - self.scatter[i].powi(2)).max(0.0).sqrt()
    }

    /// Standard uncertainty that the split's interval gains or loses between two elements.
    pub fn opening(&self, first: usize, last: usize) -> f64 {
        (self.uncertainty(last) - self.uncertainty(first)).abs()
    }

    /// One end of the interval without the scatter of single readings: what neighbours share. `side` is +1 or −1.
    fn shared_end(&self, side: f64) -> Vec<f64> {
        let factor = quantile::normal(0.5 + 0.5 * LEVEL);
        (0..self.value.len())
            .map(|i| {
                let end = if side > 0.0 {
                    self.high[i]
                } else {
                    self.low[i]
                };
                let half = end - self.value[i];
                let scatter = factor * self.scatter[i];
                self.value[i] + side * (half * half - scatter * scatter).max(0.0).sqrt()
            })
            .collect()
    }

    /// Upper end of what neighbours share.
    pub fn shared_high(&self) -> Vec<f64> {
        self.shared_end(1.0)
    }

    /// Lower end of what neighbours share.
    pub fn shared_low(&self) -> Vec<f64> {
        self.shared_end(-1.0)
    }

    /// Load of a crossing between few elements on a ramp, where the slip bends upward between the two next to it: the chord
    /// between them lies above such a course, and reaches the level too early. From the parabola through those two and the
    /// one on either side; the chord's where the slip does not bend so.
    pub fn bent(&self, crossing: &Crossing, level: f64) -> f64 {
        let at = crossing.at;
        let chord = crossing.load;
        let Some(around) = at.checked_sub(2).map(|first| first..=at + 1) else {
            return chord;
        };
        let rises = |list: &[f64]| {
            let four = list.get(around.clone());
            four.is_some_and(|four| four.windows(2).all(|pair| pair[0] < pair[1]))
        };
        if crossing.jumped || !rises(&self.load) || !rises(&self.value) {
            return chord;
        }
        let (from, reach) = (self.load[at - 1], self.load[at] - self.load[at - 1]);
        let x: Vec<f64> = around
            .clone()
            .map(|i| (self.load[i] - from) / reach)
            .collect();
        let squares = x.iter().map(|x| x * x).collect();
        let columns = [vec![1.0; 4], x, squares];
        let Ok(fit) = linear::fit(&columns, &self.value[around], None) else {
            return chord;
        };
        let inside = |z: &f64| fit.coefficients[2] > 0.0 && (0.0..=1.0).contains(z);
        parabola_reaches(&fit.coefficients, level)
            .filter(inside)
            .map_or(chord, |z| chord.max(from + z * reach))
    }

    /// The crossing of the value refined by a parabola through its neighbours on the ramp, with the standard error
    /// that noise leaves in it (load, error); `None` in a hold, at a jump, or with too few neighbours.
    pub fn refined(&self, crossing: &Crossing, level: f64) -> Option<(f64, f64)> {
        let rising = self.rising(&self.value);
        let at = crossing.at;
        let before = at.checked_sub(1)?;
        let inside =
            |i: usize| rising[i] >= NEIGHBOURS.0 * level && rising[i] <= NEIGHBOURS.1 * level;
        let first = (0..=before)
            .rev()
            .take_while(|i| inside(*i) && self.load[*i] < self.load[*i + 1])
            .last()?;
        let last = (at..self.load.len())
            .take_while(|i| inside(*i) && self.load[*i] > self.load[*i - 1])
            .last()?;
        let count = last + 1 - first;
        if at - first < 3 || last - at < 2 || count < 7 {
            return None;
        }
        // A long window is more than a parabola follows.
        let first = first.max(at.saturating_sub(MOST_NEIGHBOURS));
        let last = last.min(at + MOST_NEIGHBOURS);
        let reach = self.load[last] - self.load[first];
        let x: Vec<f64> = (first..=last)
            .map(|i| (self.load[i] - crossing.load) / reach)
            .collect();
        let squares: Vec<f64> = x.iter().map(|x| x * x).collect();
        let weights: Vec<f64> = (first..=last)
            .map(|i| self.noise[i].max(NOISE_FLOOR).powi(-2))
            .collect();
        let columns = [vec![1.0; x.len()], x, squares];
        let fit = linear::fit(&columns, &self.value[first..=last], Some(&weights)).ok()?;
        let scale = fit.variance()?.max(1.0) * autocorrelation::variance_factor(&fit.residuals);
        let z = parabola_reaches(&fit.coefficients, level)?;
        let slope = fit.coefficients[1] + 2.0 * fit.coefficients[2] * z;
        if z.abs() > 0.5 || slope <= 0.0 {
            return None;
        }
        let error = fit.value_error(&[1.0, z, z * z], scale) / slope;
        Some((crossing.load + z * reach, error * reach))
    }

    /// Where `list`, made non-decreasing, first reaches `level(i)`.
    pub fn crossing(&self, list: &[f64], level: impl Fn(usize) -> f64) -> Option<Crossing> {
        let rising = self.rising(list);
        let at = (0..rising.len()).find(|i| rising[*i] >= level(*i))?;
        if at == 0 {
            return Some(Crossing {
                time: self.time[0],
                load: self.load[0],
                gap: 0.0,
                jumped: false,
                at,
            });
        }
        let (before, after) = (level(at - 1) - rising[at - 1], rising[at] - level(at));
        let share = before / (before + after).max(f64::MIN_POSITIVE);
        if let Some(jump) = self.jump(at) {
            return Some(jump);
        }
        let between =
            |list: &[f64]| list[at - 1] + share.clamp(0.0, 1.0) * (list[at] - list[at - 1]);
        Some(Crossing {
            time: between(&self.time),
            load: between(&self.load),
            gap: 0.5 * (self.load[at] - self.load[at - 1]).abs(),
            jumped: false,
            at,
        })
    }

    /// The jump between the element before this one and this one, if there was one: the line let go between the last
    /// reading before it and the next, up to which the load rose on.
    fn jump(&self, at: usize) -> Option<Crossing> {
        let before = at.checked_sub(1)?;
        let span = self.time[before]..=self.time[at];
        let jump = self.jumps.iter().find(|e| span.contains(&e.time_s))?;
        let pace = before.checked_sub(1).map_or(0.0, |earlier| {
            (self.load[before] - self.load[earlier])
                / (self.time[before] - self.time[earlier]).max(f64::MIN_POSITIVE)
        });
        let risen = 0.5 * (pace * self.period_s).max(0.0);
        Some(Crossing {
            time: jump.time_s,
            load: 1e3 * jump.peak_kn + risen,
            gap: risen.hypot(3f64.sqrt() * self.load_noise),
            jumped: true,
            at,
        })
    }

    /// End of a phase, or of the course where it breaks off before, s.
    pub fn seen_until(&self, inputs: &LimitInputs, phase: &Phase) -> f64 {
        let rows = self
            .block
            .last()
            .map(|last| inputs.separated.blocks.end[*last]);
        let last_row = rows.and_then(|rows| inputs.conditioned.time_s.get(rows.checked_sub(1)?));
        last_row.map_or(phase.end_s, |last| phase.end_s.min(*last))
    }

    /// Whether the load was being eased at an element, by the winch and not by the line itself.
    pub fn eased_at(&self, at: usize) -> bool {
        let idle = matches!(self.phase[at], PhaseKind::Unload | PhaseKind::Rest);
        idle && self.load[at] < EASED_SHARE * self.highest[at]
    }

    /// Whether the load was eased between two elements.
    pub fn eased_between(&self, from: usize, to: usize) -> bool {
        (from..=to).any(|i| self.load[i] < EASED_SHARE * self.highest[i])
    }

    /// Elements on the first loading: the load is at its highest so far (within 2 %) and rises past every earlier one.
    pub fn on_first_loading(&self) -> Vec<usize> {
        let mut reached = f64::NEG_INFINITY;
        let mut picked = Vec::new();
        for i in 0..self.load.len() {
            if self.load[i] >= 0.98 * self.highest[i] && self.load[i] > reached {
                reached = self.load[i];
                picked.push(i);
            }
        }
        picked
    }

    /// Highest load over the elements.
    pub fn top(&self) -> f64 {
        self.highest
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// True where the load never rises by more than a twentieth above the first.
    pub fn never_loaded(&self) -> bool {
        self.highest
            .first()
            .is_none_or(|first| self.top() <= 1.05 * first)
    }
}

/// Where a rising parabola a + b·z + c·z² reaches a level, nearest to z = 0: its root in the form that keeps its digits.
fn parabola_reaches(coefficients: &[f64], level: f64) -> Option<f64> {
    let &[a, b, c] = coefficients else {
        return None;
    };
    let discriminant = b * b - 4.0 * (a - level) * c;
    (b > 0.0 && discriminant > 0.0).then(|| 2.0 * (level - a) / (b + discriminant.sqrt()))
}

#[cfg(test)]
impl Slip {
    /// A slip that stands at `value` under these loads, within intervals of these half widths.
    pub(super) fn standing(value: f64, load: &[f64], half: &[f64]) -> Self {
        let n = load.len();
        Self {
            interface: Interface::Cover,
            absent: None,
            known: Known::Value,
            block: (0..n).collect(),
            time: (0..n).map(|i| 10.0 * i as f64).collect(),
            load: load.to_vec(),
            highest: vec![3e3; n],
            value: vec![value; n],
            low: half.iter().map(|h| value - h).collect(),
            high: half.iter().map(|h| value + h).collect(),
            noise: vec![1e-5; n],
            left: vec![0.0; n],
            scatter: vec![0.0; n],
            seating: None,
            open: vec![],
            jumps: vec![],
            period_s: 0.1,
            load_noise: 10.0,
            rows: vec![100; n],
            phase: vec![PhaseKind::Ramp; n],
            stretch: vec![],
            at_readings: false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rule readings of 9 and 8 mm, and a course that cannot fall at 8.5 between: the first may have been as much as it says.
    #[test]
    fn a_course_by_hand_reaches_its_highest_reading() {
        let mut slip = Slip::standing(8.5e-3, &[3e3, 3e3, 3e2], &[5e-4; 3]);
        slip.left = vec![0.0, 5e-4, -5e-4];
        slip.at_readings = true;
        slip.reach_the_readings();
        slip.keep_what_had_slid();
        for high in slip.high {
            assert!((high - 9.5e-3).abs() < 1e-12, "{high}");
        }
    }

    /// A locked cover that slid 9.6 mm and took 2 mm back when the load was eased had slid 9.6 mm; a hundredth of that is noise.
    #[test]
    fn what_a_locked_cover_takes_back_had_slid() {
        let mut slip = Slip::standing(0.0, &[3e3; 5], &[1e-4; 5]);
        slip.value = vec![0.0, 9.6e-3, 9.59e-3, 7.6e-3, 8e-3];
        slip.low = slip.value.iter().map(|v| v - 1e-4).collect();
        slip.high = slip.value.iter().map(|v| v + 1e-4).collect();
        slip.keep_what_had_slid();
        assert_eq!(slip.value, [0.0, 9.6e-3, 9.59e-3, 9.6e-3, 9.6e-3]);
        let rising = slip.rising(&slip.value);
        assert!((rising[1] - 9.6e-3).abs() < 1e-5, "{rising:?}");
        for i in 0..5 {
            let half = [slip.value[i] - slip.low[i], slip.high[i] - slip.value[i]];
            assert!(half.iter().all(|h| (h - 1e-4).abs() < 1e-9), "{half:?}");
        }
    }

    /// A hold leaves 0.09 mm; in the rest after it one reading lies at 0.11 mm. It is not taken; those at the load are.
    #[test]
    fn readings_are_not_taken_while_the_load_is_eased() {
        let mut slip = Slip::standing(9e-5, &[3e3, 3e2, 3e2, 3e3], &[1e-5; 4]);
        slip.left = vec![-1e-6, 0.0, 2e-5, 3e-6];
        let read = slip.as_read();
        let expected = [8.9e-5, 9e-5, 9e-5, 9.3e-5];
        for (found, wanted) in read.value.iter().zip(expected) {
            assert!((found - wanted).abs() < 1e-12, "{:?}", read.value);
        }
        assert_eq!(read.scatter, [1e-5, 0.0, 0.0, 1e-5]);
        assert!(read.high[3] - read.value[3] > 2e-5, "scatter widens");
        assert!((read.high[2] - read.value[2] - 1e-5).abs() < 1e-12);
        // What neighbours share is the interval without the scatter.
        for (high, value) in read.shared_high().iter().zip(&read.value) {
            assert!((high - value - 1e-5).abs() < 1e-9, "{high} {value}");
        }
        for (low, value) in read.shared_low().iter().zip(&read.value) {
            assert!((value - low - 1e-5).abs() < 1e-9, "{low} {value}");
        }
        assert_eq!(read.crossing(&read.value, |_| 1e-4), None);
    }

    /// A hold that creeps from 0.060 to 0.094 mm by the logarithm of time, read with noise that lifts one reading over
    /// 0.1 mm. Together the readings do not reach it, and are known better than any one of them.
    #[test]
    fn readings_of_a_hold_count_together() {
        let n = 40;
        let mut slip = Slip::standing(0.0, &vec![3e3; n], &vec![1e-6; n]);
        let crept = |i: usize| 60e-6 + 34e-6 * (10.0 * i as f64).ln_1p() / 390_f64.ln_1p();
        slip.value = (0..n).map(crept).collect();
        slip.low = slip.value.clone();
        slip.high = slip.value.clone();
        // Noise that never repeats, from a multiplicative hash, of the blocks' 0.01 mm.
        let noise = |i: usize| {
            let hash = (i as u32 + 1).wrapping_mul(2_654_435_761);
            1.7e-5 * (f64::from(hash >> 8) / f64::from(1 << 23) - 1.0)
        };
        slip.left = (0..n).map(noise).collect();
        let one_by_one = slip.as_read();
        assert!(one_by_one.crossing(&one_by_one.value, |_| 1e-4).is_some());
        slip.phase = vec![PhaseKind::Hold; n];
        let read = slip.as_read();
        for i in 0..n {
            let off = (read.value[i] - crept(i)).abs();
            assert!(off < 3.0 * read.scatter[i], "{i}: {off}");
            assert!(read.scatter[i] <= 1e-5);
        }
        assert!(read.scatter[n / 2] < 0.4e-5, "{}", read.scatter[n / 2]);
        assert_eq!(read.crossing(&read.value, |_| 1e-4), None);
    }

    /// What slides in a hold by leaps follows no such law, and is left as it was read.
    #[test]
    fn a_hold_that_leaps_is_left_as_read() {
        let n = 40;
        let mut slip = Slip::standing(0.0, &vec![3e3; n], &vec![1e-6; n]);
        slip.value = (0..n).map(|i| if i < 20 { 0.0 } else { 2e-4 }).collect();
        slip.low = slip.value.clone();
        slip.high = slip.value.clone();
        slip.phase = vec![PhaseKind::Hold; n];
        let read = slip.as_read();
        assert_eq!(read.value, slip.value);
        assert_eq!(read.scatter, slip.noise);
    }

    /// What an interval opens by is the change of its standard uncertainty.
    #[test]
    fn an_interval_opens_by_the_change_of_its_uncertainty() {
        let factor = quantile::normal(0.5 + 0.5 * LEVEL);
        let slip = Slip::standing(0.0, &[3e3; 2], &[1e-5 * factor, 4e-5 * factor]);
        assert!((slip.opening(0, 1) - 3e-5).abs() < 1e-12);
        assert!((slip.opening(1, 0) - 3e-5).abs() < 1e-12);
    }
}
