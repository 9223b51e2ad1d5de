//! Marches a pull through its schedule: at every instant load, travel and every part of it fulfil the balance
//!
//! P = B + J + S + D + Q + C + W.
//!
//! In load control the load is given and the travel follows; in travel control the load is found at which the balance
//! gives the travel. The grip feels the load less what the winch keeps in the tail.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha12Rng;
use rand_distr::StandardNormal;

use super::line::{LineParts, LineState};
use super::scenario::{Scenario, SlipLaw, Step};
use super::slip::{Slip, SlipState};

/// Everything about one instant, absolute (not yet counted from the first dwell), m and N.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Instant {
    pub time: f64,
    pub load: f64,
    pub tail_load: f64,
    pub travel: f64,
    pub stretch: f64,
    pub set: f64,
    pub seating: f64,
    pub stopper_slip: f64,
    pub cover_slip: f64,
    pub cover_slack: f64,
    pub splice_slip: f64,
    pub body: f64,
    pub jaws: f64,
    pub step: usize,
}

/// A jump of stick-slip as it happened.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jump {
    /// s
    pub time: f64,
    /// Load before, N.
    pub peak: f64,
    /// Load after, N.
    pub trough: f64,
    /// m
    pub size: f64,
}

/// The course of the pull on the fine clock.
#[derive(Debug, Clone, Default)]
pub(super) struct Course {
    pub instants: Vec<Instant>,
    pub jumps: Vec<Jump>,
    pub stopped_at: Option<f64>,
}

/// One trial of a step.
#[derive(Debug, Clone, Copy, Default)]
struct Balance {
    line: LineParts,
    stopper: Slip,
    cover: Slip,
    splice: Slip,
    body: f64,
    jaws: f64,
}

impl Balance {
    fn travel(&self) -> f64 {
        self.line.stretch
            + self.line.set
            + self.stopper.total()
            + self.cover.total()
            + self.splice.total()
            + self.body
            + self.jaws
    }
}

struct March<'a> {
    scenario: &'a Scenario,
    jaw_give: f64,
    dt: f64,
    line: LineState<'a>,
    stopper: SlipState<'a>,
    cover: SlipState<'a>,
    splice: SlipState<'a>,
    load: f64,
    /// Share of the load in the tail that the winch still keeps: 1 before it is eased, 0 after.
    kept: f64,
    travel: f64,
    setpoint: f64,
    ripple: f64,
    time: f64,
    rng: ChaCha12Rng,
    course: Course,
    /// Slips at the end of the first dwell.
    start: Option<(f64, f64)>,
}

/// Marches the scenario with the fine step `dt` (s); `jaw_give` is the true one (m).
pub(super) fn march(scenario: &Scenario, jaw_give: f64, dt: f64, seed: u64) -> Course {
    let mut rng = ChaCha12Rng::seed_from_u64(seed);
    rng.set_stream(1);
    let line = &scenario.line;
    let top = scenario.rig.top_speed;
    let mut m = March {
        scenario,
        jaw_give,
        dt,
        line: LineState::new(&line.stretch, &line.set, line.free_length, dt),
        stopper: SlipState::new(&scenario.stopper, dt, top),
        cover: SlipState::new(&scenario.cover, dt, top),
        splice: SlipState::new(&scenario.splice, dt, top),
        load: 0.0,
        kept: 1.0,
        travel: 0.0,
        setpoint: 0.0,
        ripple: 0.0,
        time: 0.0,
        rng,
        course: Course::default(),
        start: None,
    };
    for (index, step) in scenario.schedule.iter().enumerate() {
        m.step(index, *step);
        if m.course.stopped_at.is_some() {
            break;
        }
        if matches!(step, Step::Hold { .. }) && m.start.is_none() {
            m.start = m.slips();
        }
    }
    if m.course.stopped_at.is_some() {
        let index = scenario.schedule.len();
        let rate = (m.load / 3.0).max(100.0);
        m.step(index, Step::Ramp { to: 0.0, rate });
        m.step(
            index,
            Step::Slack {
                seconds: 5.0,
                slack: 0.02,
            },
        );
    }
    m.course
}

impl March<'_> {
    fn slips(&self) -> Option<(f64, f64)> {
        self.course
            .instants
            .last()
            .map(|i| (i.stopper_slip, i.cover_slip))
    }

    fn step(&mut self, index: usize, step: Step) {
        let from = self.load;
        match step {
            Step::Slack { seconds, slack } => {
                let first = self.course.instants.is_empty();
                let n = self.steps_in(seconds);
                for k in 1..=n {
                    let done = k as f64 / n as f64;
                    let out = if first {
                        (2.0 - 2.0 * done).clamp(0.0, 1.0)
                    } else {
                        (2.0 * done).clamp(0.0, 1.0)
                    };
                    self.commit(0.0, index, -slack * out);
                }
                self.setpoint = 0.0;
            }
            Step::Ramp { to, rate } => {
                let n = self.steps_in((to - self.setpoint).abs() / rate);
                let start = self.setpoint;
                for k in 1..=n {
                    self.setpoint = start + (to - start) * k as f64 / n as f64;
                    if self.by_load(index) {
                        return;
                    }
                }
            }
            Step::Hold { seconds } => {
                for _ in 0..self.steps_in(seconds) {
                    if self.by_load(index) {
                        return;
                    }
                }
            }
            Step::Pull { to, speed } => {
                let speed = if to < from { -speed.abs() } else { speed.abs() };
                self.until(to, from, |_| speed, index);
            }
            Step::Winch { to, stroke, period } => {
                let sign = if to < from { -1.0 } else { 1.0 };
                let swing = 0.4 * period;
                self.until(
                    to,
                    from,
                    |t| {
                        if t % period < swing {
                            sign * stroke / swing
                        } else {
                            0.0
                        }
                    },
                    index,
                );
            }
            Step::Lock { seconds } => {
                for _ in 0..self.steps_in(seconds) {
                    if self.by_travel(self.travel, index) {
                        return;
                    }
                }
                self.setpoint = self.load;
            }
            Step::Ease { seconds } => {
                let n = self.steps_in(seconds);
                for k in 1..=n {
                    self.kept = 1.0 - k as f64 / n as f64;
                    if self.by_travel(self.travel, index) {
                        return;
                    }
                }
                self.setpoint = self.load;
            }
        }
    }

    fn steps_in(&self, seconds: f64) -> usize {
        (seconds / self.dt).round().max(1.0) as usize
    }

    /// Travel control with a speed over time (s since its start) until the load is reached, at most 15 minutes.
    fn until(&mut self, to: f64, from: f64, speed: impl Fn(f64) -> f64, index: usize) {
        for k in 0..self.steps_in(900.0) {
            let target = self.travel + speed(k as f64 * self.dt) * self.dt;
            if self.by_travel(target, index) {
                return;
            }
            if (to >= from && self.load >= to) || (to < from && self.load <= to) {
                break;
            }
        }
        self.setpoint = self.load;
    }

    /// One instant in load control; true when the operator lets go.
    fn by_load(&mut self, index: usize) -> bool {
        if self.jump(index) {
            return self.lets_go();
        }
        let rig = &self.scenario.rig;
        let kick: f64 = self.rng.sample(StandardNormal);
        self.ripple += -self.ripple * self.dt + rig.ripple * libm::sqrt(2.0 * self.dt) * kick;
        let wanted = (self.setpoint + self.ripple)
            .min(self.load + rig.recovery * self.dt)
            .max(0.0);
        let limit = self.travel + rig.top_speed * self.dt;
        if self.balance(wanted).travel() > limit {
            return self.by_travel(limit, index);
        }
        self.commit(wanted, index, 0.0);
        self.lets_go()
    }

    /// One instant in travel control; true when the operator lets go.
    fn by_travel(&mut self, target: f64, index: usize) -> bool {
        if self.jump(index) {
            return self.lets_go();
        }
        let load = self.load_for(target);
        self.commit(load, index, 0.0);
        self.lets_go()
    }

    fn lets_go(&mut self) -> bool {
        let (Some(start), Some(now)) = (self.start, self.slips()) else {
            return false;
        };
        let slipped = (now.0 - start.0).max(now.1 - start.1);
        if slipped > self.scenario.rig.stop_after_slip && self.course.stopped_at.is_none() {
            self.course.stopped_at = Some(self.time);
            self.setpoint = self.load;
            return true;
        }
        false
    }

    /// The load at which the balance gives this travel: a bracket around the present load, then false position with
    /// halving (Illinois), to 1 nm.
    fn load_for(&self, target: f64) -> f64 {
        let miss = |f: f64| self.balance(f).travel() - target;
        let mut width = 20.0;
        let (mut low, mut high) = (self.load, self.load);
        let (mut miss_low, mut miss_high) = (miss(low), miss(high));
        while miss_low > 0.0 && low > 0.0 {
            (high, miss_high) = (low, miss_low);
            low = (low - width).max(0.0);
            miss_low = miss(low);
            width *= 3.0;
        }
        if miss_low > 0.0 {
            return 0.0;
        }
        while miss_high < 0.0 && high < 1e7 {
            (low, miss_low) = (high, miss_high);
            high += width;
            miss_high = miss(high);
            width *= 3.0;
        }
        let mut last = 0;
        for _ in 0..80 {
            if miss_high - miss_low <= 0.0 || high - low < 1e-9 {
                break;
            }
            let mid = (low * miss_high - high * miss_low) / (miss_high - miss_low);
            let at = miss(mid);
            if at.abs() < 1e-9 {
                return mid;
            }
            if at > 0.0 {
                (high, miss_high) = (mid, at);
                if last == 1 {
                    miss_low *= 0.5;
                }
                last = 1;
            } else {
                (low, miss_low) = (mid, at);
                if last == -1 {
                    miss_high *= 0.5;
                }
                last = -1;
            }
        }
        0.5 * (low + high)
    }

    fn tail_load(&self, load: f64) -> f64 {
        self.kept * self.scenario.rig.tail_load.min(load)
    }

    fn balance(&self, load: f64) -> Balance {
        let grip = load - self.tail_load(load);
        let mount = &self.scenario.mount;
        Balance {
            line: self.line.trial(load),
            stopper: self.stopper.trial(grip),
            cover: self.cover.trial(grip),
            splice: self.splice.trial(load),
            body: grip / mount.stiffness,
            jaws: self.jaw_give * (1.0 - libm::exp(-grip / mount.jaw_load)),
        }
    }

    /// Lets an interface jump when its load is reached: the load drops by 2·(stick − slide) at standing travel.
    fn jump(&mut self, index: usize) -> bool {
        let grip = self.load - self.tail_load(self.load);
        for stopper in [true, false] {
            let (state, law) = if stopper {
                (&self.stopper, self.scenario.stopper.law)
            } else {
                (&self.cover, self.scenario.cover.law)
            };
            let SlipLaw::StickSlip {
                stick,
                slide,
                scatter,
                growth,
            } = law
            else {
                continue;
            };
            if grip < state.sticks_at {
                continue;
            }
            let grown = libm::pow(1.0 + growth, f64::from(state.jumps));
            let trough = (self.load - 2.0 * (state.sticks_at - slide * grown)).max(0.0);
            let size = (self.travel - self.balance(trough).travel()).max(0.0);
            let peak = self.load;
            let kick: f64 = self.rng.sample(StandardNormal);
            let next = grown * (1.0 + growth) * (stick * (1.0 + scatter * kick)).max(slide * 1.02);
            let state = if stopper {
                &mut self.stopper
            } else {
                &mut self.cover
            };
            state.jump(size);
            state.sticks_at = next;
            self.commit(trough, index, 0.0);
            self.course.jumps.push(Jump {
                time: self.time,
                peak,
                trough,
                size,
            });
            return true;
        }
        false
    }

    fn commit(&mut self, load: f64, index: usize, slack: f64) {
        let b = self.balance(load);
        let tail_load = self.tail_load(load);
        let grip = load - tail_load;
        self.line.go(load);
        self.stopper.go(grip);
        self.cover.go(grip);
        self.splice.go(load);
        self.time += self.dt;
        self.load = load;
        self.travel = b.travel();
        self.course.instants.push(Instant {
            time: self.time,
            load,
            tail_load,
            travel: self.travel + slack,
            stretch: b.line.stretch,
            set: b.line.set,
            seating: b.stopper.seating,
            stopper_slip: b.stopper.total(),
            cover_slip: b.cover.total(),
            cover_slack: b.cover.seating,
            splice_slip: b.splice.total(),
            body: b.body,
            jaws: b.jaws,
            step: index,
        });
    }
}
