//! The line's own movement: stretch with toe, loop and retarded part; set with a late part.
//!
//! The loop is made of branches between turning points. A branch from (F_a, e_a) to (F_b, e_b) is the straight between
//! them plus a bump 4·h·|F_b − F_a|·v·(1 − v), upward while the load falls and downward while it rises, so it closes
//! at both ends; passing the earlier turning point wipes out the inner loop (return-point memory). The virgin branch
//! has no bump. This form is our own; it is none of the play operators that a fit would use.

use super::scenario::{Set, Stretch};

/// Where the loop stands.
#[derive(Debug, Clone)]
struct Loop {
    /// Turning points (load, extra strain·EA), outermost first.
    turns: Vec<(f64, f64)>,
    now: (f64, f64),
    rising: bool,
}

impl Loop {
    fn new() -> Self {
        Self {
            turns: Vec::new(),
            now: (0.0, 0.0),
            rising: true,
        }
    }

    /// Turning points that remain when the load moves to `load`: how many of the stack, and whether `now` is one.
    fn walk(&self, load: f64) -> (usize, bool, bool) {
        let rising = if load == self.now.0 {
            self.rising
        } else {
            load > self.now.0
        };
        // On the virgin branch a further rise turns nothing; any change of direction makes `now` a turning point.
        let mut top = rising != self.rising;
        let mut depth = self.turns.len();
        loop {
            let len = depth + usize::from(top);
            if len < 2 {
                return (depth, top, rising);
            }
            let target = self.turns[len - 2];
            let passed = if rising {
                load >= target.0
            } else {
                load <= target.0
            };
            if !passed {
                return (depth, top, rising);
            }
            depth = len - 2;
            top = false;
        }
    }

    fn extra(&self, load: f64, share: f64) -> f64 {
        let (depth, top, rising) = self.walk(load);
        let len = depth + usize::from(top);
        let at = |i: usize| {
            if i < depth { self.turns[i] } else { self.now }
        };
        if len == 0 {
            return 0.0;
        }
        let from = at(len - 1);
        let to = if len >= 2 {
            at(len - 2)
        } else if rising {
            return 0.0;
        } else {
            (0.0, 0.0)
        };
        let span = to.0 - from.0;
        if span.abs() < 1e-9 {
            return from.1;
        }
        let v = ((load - from.0) / span).clamp(0.0, 1.0);
        let bump = 4.0 * share * span.abs() * v * (1.0 - v);
        from.1 + (to.1 - from.1) * v + if rising { -bump } else { bump }
    }

    fn go(&mut self, load: f64, share: f64) {
        let extra = self.extra(load, share);
        let (depth, top, rising) = self.walk(load);
        self.turns.truncate(depth);
        if top {
            self.turns.push(self.now);
        }
        self.now = (load, extra);
        self.rising = rising;
    }
}

/// State of the line. `trial` tells what a move to a load would give, `go` makes it.
#[derive(Debug, Clone)]
pub(super) struct LineState<'a> {
    stretch: &'a Stretch,
    set: &'a Set,
    length: f64,
    memory: Loop,
    instant: f64,
    retarded: Vec<f64>,
    decay: Vec<f64>,
    load: f64,
    highest: f64,
    late: f64,
    dt: f64,
}

/// Stretch and set at one moment, m.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct LineParts {
    pub stretch: f64,
    pub set: f64,
}

impl<'a> LineState<'a> {
    pub(super) fn new(stretch: &'a Stretch, set: &'a Set, length: f64, dt: f64) -> Self {
        Self {
            stretch,
            set,
            length,
            memory: Loop::new(),
            instant: 0.0,
            retarded: vec![0.0; stretch.retarded.len()],
            decay: stretch
                .retarded
                .iter()
                .map(|(tau, _)| libm::exp(-dt / tau))
                .collect(),
            load: 0.0,
            highest: 0.0,
            late: 0.0,
            dt,
        }
    }

    fn instant_strain(&self, load: f64) -> f64 {
        load / self.stretch.ea + self.stretch.toe * (1.0 - libm::exp(-load / self.stretch.toe_load))
    }

    /// Set (m) that a highest load brings in the end.
    fn full_set(&self, highest: f64) -> f64 {
        let law = |f: f64| {
            self.set.at_reference * libm::pow(f.max(0.0) / self.set.reference, self.set.power)
        };
        (law(highest) - law(self.set.past_load)).max(0.0)
    }

    fn late_after(&self, load: f64, highest: f64, full: f64) -> f64 {
        let left = self.set.late * full - self.late;
        if left <= 0.0 || highest <= 0.0 {
            return self.late;
        }
        let near = (load / highest).clamp(0.0, 1.0);
        let climbed = (load - self.load).max(0.0) / highest;
        let advance = near * near * near * near * self.dt / self.set.late_time
            + self.set.late_per_cycle * climbed;
        self.late + left * (1.0 - libm::exp(-advance))
    }

    /// Parts after one time step that ends at `load`.
    pub(super) fn trial(&self, load: f64) -> LineParts {
        let instant = self.instant_strain(load);
        let drive = 0.5 * (instant + self.instant);
        let mut strain =
            instant + self.memory.extra(load, self.stretch.loop_share) / self.stretch.ea;
        for ((x, decay), (_, share)) in self
            .retarded
            .iter()
            .zip(&self.decay)
            .zip(&self.stretch.retarded)
        {
            strain += share * drive + (x - share * drive) * decay;
        }
        let highest = self.highest.max(load);
        let full = self.full_set(highest);
        LineParts {
            stretch: strain * self.length,
            set: (1.0 - self.set.late) * full + self.late_after(load, highest, full),
        }
    }

    /// Makes the step.
    pub(super) fn go(&mut self, load: f64) {
        let instant = self.instant_strain(load);
        let drive = 0.5 * (instant + self.instant);
        for ((x, decay), (_, share)) in self
            .retarded
            .iter_mut()
            .zip(&self.decay)
            .zip(&self.stretch.retarded)
        {
            *x = share * drive + (*x - share * drive) * decay;
        }
        let highest = self.highest.max(load);
        self.late = self.late_after(load, highest, self.full_set(highest));
        self.highest = highest;
        self.memory.go(load, self.stretch.loop_share);
        self.instant = instant;
        self.load = load;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walked(loads: &[f64]) -> Loop {
        let mut l = Loop::new();
        for &f in loads {
            l.go(f, 0.05);
        }
        l
    }

    #[test]
    fn loops_close_at_their_turning_points() {
        let down = walked(&[0.0, 1.0, 2.0, 4.0, 3.0, 2.0]);
        assert!(down.now.1 > 0.1, "falling load lags behind: {:?}", down.now);
        let inner = walked(&[0.0, 4.0, 2.0, 3.0, 2.5, 3.0, 2.0]);
        assert!(
            (inner.now.1 - down.now.1).abs() < 1e-12,
            "an inner loop leaves nothing behind"
        );
        assert_eq!(inner.turns, vec![(4.0, 0.0)]);
        let virgin = walked(&[0.0, 4.0, 1.0, 4.5]);
        assert_eq!((virgin.now.1, virgin.turns.len()), (0.0, 0));
    }

    #[test]
    fn a_reload_lies_below_the_unloading() {
        let unload = walked(&[0.0, 4.0, 2.0]);
        let reload = walked(&[0.0, 4.0, 0.5, 2.0]);
        assert!(reload.now.1 < unload.now.1 - 0.1);
    }
}
