//! Parts from combinations: figures at the end and at the proof load, and the course between, as a value, between two
//! readings by hand, or as a bracket.

use super::reader::{PerBlock, Reader, Seen};
use super::shown_sparsely;
use crate::ingest::GaugeKind;
use crate::separate::moment::Moment;
use crate::separate::solve::Spread;
use crate::separate::{Course, Part, interval};
use crate::stats::estimate::LEVEL;
use crate::stats::{Estimate, Measure, Status};

/// The travel bounds what stays to so many standard deviations of its noise.
const MOST_SIGMAS: f64 = 3.0;

impl Reader<'_> {
    /// A part that may have either sign.
    pub fn plain_part(&self, f: &PerBlock, method: &str) -> Part {
        let known = |m: &Moment| self.at_moment(f, m, None);
        let interval =
            |_: &Moment, value, spread: &Spread| interval::two_sided(value, spread, LEVEL, method);
        self.assemble(f, known, interval, |_| 0.0, false)
    }

    /// The stretch: what the shapes make of the load, and what the travel gauge saw of it beyond them.
    pub fn stretch_part(&self) -> Part {
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
        self.shaded(
            &f,
            self.assemble(&f, known, interval, |k| -seen[k].0, false),
        )
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
    pub fn slip_part(&self, f: &PerBlock, seen: Option<Seen>, method: &str) -> Part {
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
            return self.shaded(f, self.between_readings(f, at, &read));
        }
        let lean = |k: usize| seen.as_ref().map_or(0.0, |_| self.lean(&f(k)));
        self.shaded(f, self.assemble(f, known, interval, lean, true))
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
    /// after; past the last reading it is what [`Self::shaded`] leaves of what the whole balance makes of it.
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
        let at_proof = self.at_proof(|moment| {
            if read.contains(&moment.before) && read.contains(&moment.after) {
                return at(moment).0;
            }
            Estimate::bracket(
                Measure::Length,
                low[moment.before].min(low[moment.after]),
                high[moment.before].max(high[moment.after]),
                "from the reading before to the reading after",
                "the gauge was read by hand, not at the moment of the proof load",
            )
        });
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

    /// Where the line is loaded it is not shorter than at the first dwell: what stays is no more than the travel there. A dozen
    /// rows leave the fit free to say otherwise.
    pub fn no_more_than_the_travel(&self, part: &mut Part) {
        let mut readings = self.balance.readings.iter();
        let Some(travel) = readings.find(|r| r.kind == GaugeKind::Travel) else {
            return;
        };
        // A logged record tells it better, and a travel that begins later counts from there.
        if !self.noted_by_hand || !travel.mean[0].is_finite() {
            return;
        }
        let most = |k: usize| {
            let noise = MOST_SIGMAS * travel.variance[k].sqrt();
            let gain = travel.errors.gain * travel.mean[k].abs();
            let sure =
                travel.mean[k] + noise + gain + 2.0 * travel.errors.fixed + travel.errors.drift;
            if sure.is_finite() {
                1e-3 * (sure.max(0.0) + self.shorter_mm[k])
            } else {
                f64::INFINITY
            }
        };
        let cut = |figure: &mut Estimate, most: f64| {
            figure.high = figure.high.map(|high| high.min(most));
            figure.low = figure.low.map(|low| low.min(most));
            figure.value = figure.value.map(|value| value.min(most));
        };
        // Every row is a block, and the end is the last.
        cut(&mut part.end, most(self.last));
        if let Ok(proof) = &self.proof {
            cut(
                &mut part.at_proof,
                most(proof.before).max(most(proof.after)),
            );
        }
        if let Some(course) = &mut part.course {
            let first = self.balance.first_block;
            for k in 0..=self.last {
                let most = most(k);
                // What follows the pull goes on as its last block.
                let blocks = if k == self.last {
                    first + k..self.all_blocks
                } else {
                    first + k..first + k + 1
                };
                let lists = [&mut course.low, &mut course.high];
                for list in lists.into_iter().chain(&mut course.value) {
                    // Past its last reading a course has no value, and gets none here.
                    for value in list[blocks.clone()].iter_mut().filter(|v| **v > most) {
                        *value = most;
                    }
                }
            }
        }
    }

    /// A figure at the proof load, or why there is none.
    fn at_proof(&self, at: impl Fn(&Moment) -> Estimate) -> Estimate {
        match &self.proof {
            Ok(moment) => at(moment),
            Err(reason) => Estimate::cannot_tell(Measure::Length, reason.clone()),
        }
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
        let at_proof = self.at_proof(|moment| at(moment).0);
        // What chance gave is taken out, but no slip falls below nothing for it.
        let least = if floor_at_zero {
            0.0
        } else {
            f64::NEG_INFINITY
        };
        let values: Vec<f64> = (0..=self.last)
            .map(|k| (self.balance.fit.value(&f(k)) - lean(k)).max(least))
            .collect();
        // Along the course the end's ratio of half width to standard uncertainty serves for all blocks.
        let standard = spread.standard().max(f64::MIN_POSITIVE);
        let ratio = 1e-3 * spread.half_width(LEVEL) / standard;
        let one_sided = match (end.status, end.high, end.value) {
            (Status::AtMost, Some(high), Some(value)) => high - value,
            _ => 0.0,
        };
        let stations: Vec<Station> = self
            .stations
            .iter()
            .map(|k| {
                let half = ratio * known(&Moment::block(*k)).1.standard();
                Station {
                    block: *k,
                    below: half,
                    above: half.max(one_sided),
                }
            })
            .collect();
        let below = interpolate(&stations, self.last, |s| s.below);
        let above = interpolate(&stations, self.last, |s| s.above);
        let value: Vec<f64> = values.iter().map(|v| 1e-3 * v).collect();
        let low = value.iter().zip(&below);
        let low = low.map(|(v, b)| (v - b).max(least)).collect();
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
    pub fn bracket(
        &self,
        lower: &PerBlock,
        upper: &PerBlock,
        off: (f64, f64),
        reason: &str,
    ) -> Part {
        // A slip is not below zero, a give may be.
        let floor = if upper(self.last).sequences.is_empty() {
            f64::NEG_INFINITY
        } else {
            0.0
        };
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
            // One-sided at either end: the truth is between them.
            let side = 2.0 * LEVEL - 1.0;
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
        let at_proof = self.at_proof(|moment| at(moment).0);
        // The two ends go with their own courses; how far the interval lies beyond them changes slowly.
        let value = |f: &PerBlock, k: usize| 1e-3 * self.balance.fit.value(&f(k));
        let stations: Vec<Station> = self
            .stations
            .iter()
            .map(|k| {
                let (e, _) = at(&Moment::block(*k));
                let (low, high) = (e.low.unwrap_or(0.0), e.high.unwrap_or(0.0));
                Station {
                    block: *k,
                    below: value(lower, *k) - low,
                    above: high - value(upper, *k),
                }
            })
            .collect();
        let rises = floor == 0.0;
        let ends = interpolate(&stations, self.last, |s| s.below)
            .into_iter()
            .zip(interpolate(&stations, self.last, |s| s.above))
            .enumerate();
        let (mut low, high): (Vec<f64>, Vec<f64>) = ends
            .map(|(k, (below, above))| {
                let low = (value(lower, k) - below).max(floor);
                (low, (value(upper, k) + above).max(low))
            })
            .unzip();
        // A slip never falls. Lower ends that say otherwise contradict each other, and the cautious one is told throughout.
        let mut at_proof = at_proof;
        if rises {
            let mut later = end.low.unwrap_or(f64::INFINITY);
            for low in low.iter_mut().rev() {
                later = later.min(*low);
                *low = later;
            }
            if let Ok(proof) = &self.proof {
                at_proof.low = at_proof.low.map(|at| at.min(low[proof.after]));
            }
        }
        let part = Part {
            end,
            at_proof,
            budget: spread.budget(),
            course: Some(self.padded(Course {
                value: None,
                low,
                high,
                at_readings: false,
                noise: self.block_noise(upper),
            })),
        };
        if upper(self.last).sequences.is_empty() {
            part
        } else {
            self.shaded(upper, part)
        }
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

/// How far an interval reaches beyond its values at a block, m.
struct Station {
    block: usize,
    below: f64,
    above: f64,
}

/// Straight lines between the stations.
fn interpolate(stations: &[Station], last: usize, of: impl Fn(&Station) -> f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(last + 1);
    let mut i = 0;
    for k in 0..=last {
        while i + 2 < stations.len() && stations[i + 1].block <= k {
            i += 1;
        }
        let (a, b) = (&stations[i], &stations[(i + 1).min(stations.len() - 1)]);
        let gap = b.block.saturating_sub(a.block) as f64;
        let share = if gap > 0.0 {
            ((k - a.block) as f64 / gap).clamp(0.0, 1.0)
        } else {
            0.0
        };
        out.push(of(a) + share * (of(b) - of(a)));
    }
    out
}
