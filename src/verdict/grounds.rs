//! The grounds of a verdict, one by one: proof reached, held, slip in all, rate and creep, the limit by another rule, the tail.

use super::{Finding, Says};
use crate::condition::{FEW_ROWS, GAP_PERIODS};
use crate::limit::{
    HoldCreep, Interface, Known, LEAST_SLIP, Limit, LimitInputs, LoadErrors, Slip, governing_rule,
};
use crate::sheet::{Limits, Rule, TailState};
use crate::stats::Estimate;
use crate::stats::estimate::one_sided_share;
use crate::units::{Force, Length, Unit};
use crate::words::lower_first;

/// The stretch of the record in which the load less its uncertainty was at least the proof load.
pub(super) struct Carried {
    /// Highest load less its uncertainty, N.
    best: f64,
    /// Longest time above proof, s.
    time: f64,
    /// Block at which slip is judged: where the hold was complete, else the last one at proof, else the last of all.
    judged: usize,
    /// Last block up to there before the load went well beyond proof: what fails must fail here. Where the hold was cut
    /// short, the last such block of all: a line that runs out as soon as it carries proof was not held.
    fair: usize,
    /// Last block of all before the load went well beyond proof.
    later: usize,
    reached: bool,
    /// As long as the sheet asks for.
    complete: bool,
    /// Longest time at proof in which nothing was logged, s.
    unlogged: f64,
}

/// A stretch of the record at a load or above it.
#[derive(Default)]
struct Above {
    /// How long it is, s.
    time: f64,
    /// Block with which it is complete, or as long as it comes; `None` where the load was never reached.
    block: Option<usize>,
    complete: bool,
    /// Longest time within in which nothing was logged, s.
    unlogged: f64,
}

impl Above {
    /// A stretch that lasts so long up to this block: the longest counts.
    fn stretch(&mut self, block: usize, time: f64) {
        if self.block.is_none() || time > self.time {
            self.block = Some(block);
            self.time = time;
        }
    }
}

/// Rounds in which a load and its uncertainty settle: a gain of a hundredth leaves a share of 1e-16.
const ROUNDS: usize = 8;
/// Loads up to this share of proof (with its uncertainty) count as the proof load.
const OVERSHOOT: f64 = 1.05;
/// A limit that lies less than so many per cent above proof is told beside a pass.
const WIDE_MARGIN: f64 = 25.0;
/// A hold shorter than this share of the longest at proof is a stop on the way.
const SHORT_STOP: f64 = 0.5;

pub(super) struct Case<'a> {
    pub inputs: &'a LimitInputs<'a>,
    pub limits: &'a Limits,
    pub proof: Force,
    pub errors: LoadErrors,
}

impl Case<'_> {
    pub fn carried(&self) -> Carried {
        let blocks = &self.inputs.separated.blocks;
        let highest = blocks.load_n.iter().copied();
        let highest = highest.fold(f64::NEG_INFINITY, f64::max);
        let last = blocks.len().saturating_sub(1);
        let surely = self.above(self.surely_proof());
        let mut carried = Carried {
            best: highest - self.errors.expanded(highest),
            time: surely.time,
            judged: surely.block.unwrap_or(last),
            fair: last,
            later: last,
            reached: surely.block.is_some(),
            complete: surely.complete,
            unlogged: surely.unlogged,
        };
        let most = self.most();
        let no_higher = |end: usize| (0..=end).rfind(|i| blocks.highest_n[*i] <= most);
        if carried.reached {
            carried.later = no_higher(last).unwrap_or(carried.judged);
            // What the cell may be wrong by makes the hold no longer for a pass, and no shorter for a failure.
            let perhaps = self.above(self.proof.si() - self.errors.expanded(self.proof.si()));
            let complete = perhaps.block.filter(|_| perhaps.complete);
            carried.fair = complete.map_or(carried.later, |end| no_higher(end).unwrap_or(end));
        }
        carried
    }

    /// The first stretch of the record at this load (N) or above that is as long as the sheet asks for, else the longest. Time
    /// in which nothing was logged is in none.
    fn above(&self, load: f64) -> Above {
        let blocks = &self.inputs.separated.blocks;
        let clock = &self.inputs.conditioned.time_s;
        let needed = self.limits.hold.map_or(0.0, |h| h.si());
        // Rows noted by hand stand apart by nature.
        let longest_step = if clock.len() < FEW_ROWS {
            f64::INFINITY
        } else {
            GAP_PERIODS * self.inputs.conditioned.period_s
        };
        let mut found = Above::default();
        let mut began: Option<usize> = None;
        for i in 0..blocks.len() {
            if blocks.load_n[i] < load {
                began = None;
                continue;
            }
            let (mut from, end) = (began.unwrap_or(blocks.first[i]), blocks.end[i]);
            let seen_to = if began.is_some() {
                blocks.first[i].max(1) - 1
            } else {
                from
            };
            for row in seen_to + 1..end.min(clock.len()) {
                let step = clock[row] - clock[row - 1];
                if step > longest_step {
                    found.unlogged = found.unlogged.max(step);
                    found.stretch(i, clock[row - 1] - clock[from]);
                    from = row;
                }
            }
            began = Some(from);
            let at = |row: usize| clock.get(row).copied().unwrap_or(blocks.time_s[i]);
            found.stretch(i, at(end.saturating_sub(1)) - at(from));
            if found.time >= needed {
                found.complete = true;
                break;
            }
        }
        found
    }

    /// Lowest measured load that is at least the proof load less its uncertainty, N. The uncertainty grows with the load by
    /// the cell's gain, a small share, so that a few rounds settle it.
    fn surely_proof(&self) -> f64 {
        let round = |load, _| self.proof.si() + self.errors.expanded(load);
        (0..ROUNDS).fold(self.proof.si(), round)
    }

    /// Highest load that still counts as the proof load, N.
    fn most(&self) -> f64 {
        OVERSHOOT * (self.proof.si() + self.errors.expanded(self.proof.si()))
    }

    pub fn reached(&self, carried: &Carried) -> Finding {
        let unit = self.proof.unit();
        if carried.reached {
            return Finding {
                says: Says::Passes,
                ground: if self.inputs.sheet.gauges.load.accuracy.is_some() {
                    format!(
                        "The proof load of {} was reached, the load cell's uncertainty allowed for.",
                        self.proof
                    )
                } else {
                    format!(
                        "The proof load of {} was reached by the cell's reading; the sheet states no accuracy of the \
                         cell, so none is allowed for.",
                        self.proof
                    )
                },
                decide: String::new(),
            };
        }
        let best = carried.best.max(0.0);
        Finding {
            says: Says::Open,
            ground: format!(
                "Never tested to proof: the highest load less its uncertainty is {}, the proof load {}.",
                load(best, unit, false),
                self.proof
            ) + &self.unstated(),
            decide: format!(
                "Pull to at least {} indicated, so that the proof load is reached with the cell's uncertainty taken off, \
                 if every part of the chain allows it.",
                load(self.surely_proof(), unit, true)
            ),
        }
    }

    /// What the sheet does not state cannot be taken off a reading; silence would read as if there were none.
    fn unstated(&self) -> String {
        if self.inputs.sheet.gauges.load.accuracy.is_some() {
            String::new()
        } else {
            " The sheet states no accuracy of the cell, so none is allowed for.".into()
        }
    }

    pub fn held(&self, carried: &Carried, limit: &Limit) -> Option<Finding> {
        let needed = self.limits.hold?;
        if !carried.reached {
            return None;
        }
        Some(if carried.time >= needed.si() {
            Finding {
                says: Says::Passes,
                ground: format!(
                    "The load stayed at or above it for the {needed} that the sheet asks for{}.",
                    self.level_part(limit, needed.si())
                ),
                decide: String::new(),
            }
        } else {
            Finding {
                says: Says::Open,
                ground: format!(
                    // Cut, not rounded: a hold just short of what is asked must not read as if it were not.
                    "The proof load was held for {:.1} s of the {needed} that the sheet asks for{}.",
                    (carried.time * 10.0).floor() / 10.0,
                    if carried.unlogged > 0.0 {
                        format!(
                            "; of {:.1} s at that load nothing was logged",
                            carried.unlogged
                        )
                    } else {
                        String::new()
                    }
                ),
                decide: format!("Hold at least {needed} above the proof load."),
            }
        })
    }

    /// The same hold is shorter in the table of holds, which reads slip from its level part alone.
    fn level_part(&self, limit: &Limit, needed: f64) -> String {
        let surely = self.surely_proof();
        let level = limit
            .holds
            .iter()
            .filter(|h| 1e3 * h.load_kn >= surely)
            .map(|h| h.duration_s)
            .fold(0.0, f64::max);
        if level > 0.0 && level < needed {
            format!(
                ", the end of the ramp counted; its level part, from which slip is read, lasts {:.0} s",
                level.floor()
            )
        } else {
            String::new()
        }
    }

    /// Slip in all, interface by interface, at the moment judged.
    pub fn slips(&self, carried: &Carried) -> Vec<Finding> {
        [
            (Interface::Stopper, self.limits.stopper_slip),
            (Interface::Cover, self.limits.cover_slip),
        ]
        .into_iter()
        .filter_map(|(interface, allowed)| Some(self.slip(interface, allowed?, carried)))
        .collect()
    }

    /// Interfaces of whose slip the sheet says nothing, while it allows some at the other: what slid there is said, and where it
    /// is more than is allowed there, it is for the sheet to say whether it may.
    pub fn unlimited(&self, carried: &Carried) -> Vec<Finding> {
        if self.limits.rate.is_some() || self.limits.creep.is_some() {
            return Vec::new();
        }
        let (stopper, cover) = (self.limits.stopper_slip, self.limits.cover_slip);
        let unlimited = match (stopper, cover) {
            (Some(allowed), None) => Some((Interface::Cover, allowed, "cover_slip")),
            (None, Some(allowed)) => Some((Interface::Stopper, allowed, "stopper_slip")),
            _ => None,
        };
        unlimited
            .into_iter()
            .filter_map(|(interface, allowed, key)| {
                let slip = self.inputs.slip(interface);
                let at = slip.block.iter().rposition(|b| *b <= carried.later)?;
                let (low, _) = bounds_at(slip, at);
                (low > LEAST_SLIP).then(|| Finding {
                    says: if low > allowed.si() { Says::Open } else { Says::Passes },
                    ground: format!(
                        "Slip of the {} is at least {} (one-sided 95 %); the sheet says nothing of it, and it is not judged.",
                        interface.words(),
                        rounded(low, allowed.unit(), 2, false)
                    ),
                    decide: format!("State in [limits] how much it may be: `{key}`."),
                })
            })
            .collect()
    }

    /// Interfaces whose slip no gauge bounds to the moment judged: by whatever rule, what slid since is not known.
    pub fn unread(&self, carried: &Carried) -> Vec<Finding> {
        let by_any = self.limits.rate.is_some()
            || self.limits.creep.is_some()
            || governing_rule(Some(self.limits)) != Rule::Allowance;
        [
            (Interface::Stopper, self.limits.stopper_slip),
            (Interface::Cover, self.limits.cover_slip),
        ]
        .into_iter()
        .filter(|(_, allowed)| by_any || allowed.is_some())
        .filter_map(|(interface, _)| {
            let slip = self.inputs.slip(interface);
            let last = slip.block.iter().rposition(|b| *b <= carried.judged)?;
            (slip.block[last] < carried.judged).then(|| Finding {
                says: Says::Open,
                ground: format!(
                    "From {:.1} s on no gauge bounds the slip of the {}.",
                    slip.time[last],
                    interface.words()
                ),
                decide: "A pull whose gauges are read to the end, with travel enough for all that slides.".into(),
            })
        })
        .collect()
    }

    fn slip(&self, interface: Interface, allowed: Length, carried: &Carried) -> Finding {
        let words = interface.words();
        let slip = self.inputs.slip(interface);
        let at = slip.block.iter().rposition(|b| *b <= carried.judged);
        let (None, Some(at)) = (&slip.absent, at) else {
            let reason = slip
                .absent
                .clone()
                .unwrap_or_else(|| "no block at the proof load".into());
            return Finding {
                says: Says::Open,
                ground: format!("Slip of the {words} is not known: {reason}."),
                decide: self.missing(interface),
            };
        };
        let fair = slip
            .block
            .iter()
            .rposition(|b| *b <= carried.fair)
            .unwrap_or(at);
        let (low, high) = (bounds_at(slip, fair).0, bounds_at(slip, at).1);
        let unit = allowed.unit();
        let seating = if interface == Interface::Stopper {
            " (seating apart)"
        } else {
            ""
        };
        let when = if slip.block[at] < carried.judged {
            "by the last reading"
        } else if carried.reached {
            "by the end of the proof hold"
        } else {
            "by the end of the pull"
        };
        let later = slip.block.iter().rposition(|b| *b <= carried.later);
        let later = later.map_or(low, |later| bounds_at(slip, later).0);
        if high <= allowed.si() && later > allowed.si() && carried.complete {
            return Finding {
                says: Says::Open,
                ground: format!(
                    "Slip of the {words}{seating} is at most {} {when} (one-sided 95 %), but later in the record, at loads no higher, \
                     it went on to at least {}, allowed {allowed}.",
                    at_most(high, unit),
                    at_least(later, unit, allowed.si())
                ),
                decide: "Find why it slid on. Is the line to stand one such hold or more? State the `hold` that it must stand, and pull again.".into(),
            };
        }
        if high <= allowed.si() && low <= allowed.si() {
            return Finding {
                // Slip within the allowance below proof load proves nothing; the ground on reaching says so.
                says: Says::Passes,
                ground: format!(
                    "Slip of the {words}{seating} is at most {} {when} (one-sided 95 %), allowed {allowed}.",
                    at_most(high, unit)
                ),
                decide: String::new(),
            };
        }
        if low > allowed.si() {
            return Finding {
                says: Says::Fails,
                ground: format!(
                    "Slip of the {words}{seating} is at least {} (one-sided 95 %), allowed {allowed}.",
                    at_least(low, unit, allowed.si())
                ),
                decide: String::new(),
            };
        }
        let (kind, decide) = if slip.known == Known::Value {
            (
                "is between",
                "A finer gauge on this interface, or more pulls.".into(),
            )
        } else {
            (
                "can be told no better than between",
                self.missing(interface),
            )
        };
        Finding {
            says: Says::Open,
            ground: format!(
                "Slip of the {words}{seating} {kind} {} and {}, allowed {allowed}.",
                rounded(low.max(0.0), unit, 2, false),
                at_most(high, unit)
            ),
            decide,
        }
    }

    /// The gauge or cycle that the split says is missing.
    fn missing(&self, interface: Interface) -> String {
        let part = interface.part();
        self.inputs
            .separated
            .support
            .iter()
            .find(|s| s.part == part && !s.missing.is_empty())
            .map_or_else(
                || format!("A gauge that watches the {}.", interface.words()),
                |s| {
                    format!(
                        "For the {}: {}.",
                        interface.words(),
                        s.missing.trim_end_matches('.')
                    )
                },
            )
    }

    /// Rate and creep in holds: at proof to pass, at any load up to it to fail.
    pub fn creep(&self, limit: &Limit) -> Vec<Finding> {
        let mut findings = Vec::new();
        if let Some(allowed) = self.limits.rate {
            findings.push(self.in_holds(
                limit,
                "rate of slip",
                |h| &h.rate,
                allowed.si(),
                &allowed.to_string(),
                allowed.unit(),
            ));
        }
        if let Some(allowed) = self.limits.creep {
            findings.push(self.in_holds(
                limit,
                "creep",
                |h| &h.creep,
                allowed.si(),
                &allowed.to_string(),
                allowed.unit(),
            ));
        }
        findings
    }

    fn in_holds(
        &self,
        limit: &Limit,
        what: &str,
        of: impl Fn(&HoldCreep) -> &Estimate,
        allowed: f64,
        allowed_words: &str,
        unit: &Unit,
    ) -> Finding {
        let surely = self.surely_proof();
        let mut at_proof = Vec::new();
        for hold in &limit.holds {
            let load = hold.load_kn * 1e3;
            let bounds = of(hold).one_sided();
            // A hold no higher than proof that is surely beyond the allowance fails.
            if let Some((low, _)) = bounds
                && low > allowed
                && load <= self.most()
            {
                return Finding {
                    says: Says::Fails,
                    ground: format!(
                        "In the hold at {} the {what} of the {} is at least {} (one-sided 95 %), allowed {allowed_words}.",
                        self::load(load, self.proof.unit(), false),
                        hold.interface.words(),
                        at_least(low, unit, allowed)
                    ),
                    decide: String::new(),
                };
            }
            if load >= surely {
                at_proof.push((hold, bounds));
            }
        }
        // Per interface the worst hold at proof counts: the first and a worn line's last slip faster than those between.
        let mut worst: Option<f64> = None;
        for interface in [Interface::Stopper, Interface::Cover] {
            let of_it: Vec<&(&HoldCreep, _)> = at_proof
                .iter()
                .filter(|(hold, _)| hold.interface == interface)
                .collect();
            let fastest = self
                .that_count(&of_it)
                .map(|bounds: Option<(f64, f64)>| bounds.map_or(f64::INFINITY, |(_, high)| high))
                .reduce(f64::max)
                .unwrap_or(f64::INFINITY);
            if !fastest.is_finite() || fastest > allowed {
                let why = if fastest.is_finite() {
                    format!(
                        "may be as much as {}, allowed {allowed_words}",
                        at_most(fastest, unit)
                    )
                } else {
                    "is not known in a hold at the proof load".into()
                };
                return Finding {
                    says: Says::Open,
                    ground: format!("The {what} of the {} {why}.", interface.words()),
                    decide: format!(
                        "A longer hold above the proof load; and {}",
                        lower_first(&self.missing(interface))
                    ),
                };
            }
            worst = Some(worst.map_or(fastest, |w: f64| w.max(fastest)));
        }
        Finding {
            says: Says::Passes,
            ground: format!(
                "The {what} at the proof load is at most {} (one-sided 95 %), allowed {allowed_words}.",
                at_most(worst.unwrap_or(0.0), unit)
            ),
            decide: String::new(),
        }
    }

    /// Of an interface's holds that surely were at proof, those that count: not beyond it, unless all are, then the lowest;
    /// and no short stop beside a long hold, whose rate noise leaves open.
    fn that_count<'h, T: Copy>(
        &self,
        holds: &[&'h (&HoldCreep, T)],
    ) -> impl Iterator<Item = T> + use<'h, T> {
        let lowest = holds
            .iter()
            .map(|(hold, _)| 1e3 * hold.load_kn)
            .fold(f64::INFINITY, f64::min);
        let most = self.most().max(lowest);
        let at_proof: Vec<&(&HoldCreep, T)> = holds
            .iter()
            .filter(|(hold, _)| 1e3 * hold.load_kn <= most)
            .copied()
            .collect();
        let longest = at_proof
            .iter()
            .map(|(hold, _)| hold.duration_s)
            .fold(0.0, f64::max);
        at_proof
            .into_iter()
            .filter(move |(hold, _)| hold.duration_s >= SHORT_STOP * longest)
            .map(|(_, bounds)| *bounds)
    }

    /// Where the sheet allows nothing in millimetres, or names another rule, the limit by that rule must reach proof.
    pub fn by_figure(&self, limit: &Limit) -> Option<Finding> {
        let rule = governing_rule(Some(self.limits));
        if rule == Rule::Allowance {
            return (!self.limits.allows_anything()).then(|| Finding {
                says: Says::Open,
                ground: "The sheet names the allowance as its rule but allows nothing.".into(),
                decide: "Add `stopper_slip`, `cover_slip`, `rate` or `creep` to `[limits]`.".into(),
            });
        }
        let words = words(rule);
        let figure = limit
            .figures
            .iter()
            .find(|f| f.rule == rule && f.interface == Interface::Pair)?;
        let unit = self.proof.unit();
        let load = &figure.load;
        let (low, high) = load
            .one_sided()
            .map_or((load.low, load.high), |(l, h)| (Some(l), Some(h)));
        Some(match (low, high) {
            (Some(low), _) if low >= self.proof.si() => Finding {
                says: Says::Passes,
                ground: format!(
                    "The limit by {words} is above {} (one-sided 95 %).",
                    self::load(low, unit, false)
                ),
                decide: String::new(),
            },
            (_, Some(high)) if high < self.proof.si() => Finding {
                says: Says::Fails,
                ground: format!(
                    "The limit by {words} is below {} (one-sided 95 %), the proof load {}.",
                    self::load(high, unit, true),
                    self.proof
                ),
                decide: String::new(),
            },
            _ => Finding {
                says: Says::Open,
                ground: format!(
                    "Whether the limit by {words} lies above the proof load is not told: {}.",
                    load.reason
                        .as_deref()
                        .unwrap_or("its interval holds the proof load")
                        .trim_end_matches('.')
                ),
                decide:
                    "A pull with the missing gauge, or a sheet that states what slip is allowed."
                        .into(),
            },
        })
    }

    /// What to keep beside a pass where the record holds the load at which the pair lets go, N.
    pub fn margin(&self, limit: &Limit) -> Option<String> {
        let load = &limit.governing.load;
        let (value, least, proof) = (load.value?, load.low?, self.proof.si());
        let share = 100.0 * (value / proof - 1.0);
        (least >= proof && share < WIDE_MARGIN).then(|| {
            format!(
                "Keep the record with the line, and its limit: {} by {}, {share:.0} % above proof, and it slid there.",
                self::load(value, self.proof.unit(), false),
                words(governing_rule(Some(self.limits)))
            )
        })
    }

    /// A load left in the tail holds the line: then it is no test of the stopper.
    pub fn tail(&self) -> Option<Finding> {
        let left = self
            .inputs
            .sheet
            .pull
            .load_left_in_tail
            .is_some_and(|l| l.si() > 0.0);
        let held = self.inputs.sheet.stopper.tail == Some(TailState::Held);
        (left || held).then(|| Finding {
            says: Says::Open,
            ground: "The tail behind the stopper carried load, so the stopper did not hold alone."
                .into(),
            decide: "A pull with the winch freed and the tail slack.".into(),
        })
    }
}

fn words(rule: Rule) -> &'static str {
    match rule {
        Rule::FirstSlip => "first slip",
        Rule::Allowance => "what the sheet allows",
        Rule::Running => "running load",
    }
}

/// One-sided 95 % bounds of progressive slip at one element: the course has no standard error of its own, so the wider,
/// rectangular share is taken; a bracket counts whole.
fn bounds_at(slip: &Slip, at: usize) -> (f64, f64) {
    let (low, high) = (slip.rising(&slip.low)[at], slip.rising(&slip.high)[at]);
    if slip.known != Known::Value {
        return (low, high);
    }
    let value = slip.rising(&slip.value)[at];
    let share = one_sided_share(0.0, None);
    (
        value - share * (value - low),
        value + share * (high - value),
    )
}

/// A load in a unit of the sheet, three significant digits, rounded down unless `up`.
fn load(newtons: f64, unit: &Unit, up: bool) -> String {
    rounded(newtons, unit, 3, up)
}

/// An upper bound: two significant digits, rounded up, so that it never claims more than was found.
fn at_most(si: f64, unit: &Unit) -> String {
    rounded(si.max(0.0), unit, 2, true)
}

/// A lower bound, rounded down; with more digits where two would no longer lie beyond what is allowed.
fn at_least(si: f64, unit: &Unit, allowed: f64) -> String {
    let digits = (2..6)
        .find(|d| floor_to(si / unit.to_si, *d) > allowed / unit.to_si)
        .unwrap_or(2);
    rounded(si, unit, digits, false)
}

fn places(value: f64, digits: i32) -> i32 {
    if value == 0.0 || !value.is_finite() {
        return digits;
    }
    #[expect(clippy::cast_possible_truncation, reason = "the exponent of a figure")]
    let exponent = value.abs().log10().floor() as i32;
    digits - 1 - exponent
}

fn floor_to(value: f64, digits: i32) -> f64 {
    let scale = 10f64.powi(places(value, digits));
    // The last bits of a unit conversion must not take a round figure down by a whole digit.
    (value * scale + 1e-9 * (value * scale).abs()).floor() / scale
}

fn rounded(si: f64, unit: &Unit, digits: i32, up: bool) -> String {
    let value = si / unit.to_si;
    let toward = if up {
        -floor_to(-value, digits)
    } else {
        floor_to(value, digits)
    };
    let places = places(value, digits).clamp(0, 9).unsigned_abs() as usize;
    // No zero with a sign.
    format!("{:.places$} {}", toward + 0.0, unit.symbol)
}
