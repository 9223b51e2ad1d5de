//! Loops made of branches between turning points, with return-point memory.
//!
//! On its way from one turning point of the load to the one before it, a line departs from the straight between the
//! two by a bump that vanishes at both ends; when the load passes the earlier point the inner loop is forgotten
//! (Madelung's rules, from memory). The first rise has no bump. Each shape of bump, on the way down or on the way up,
//! is a column of its own: play operators cannot make a loop whose first rise lies inside it.

/// Which way of the load a bump belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Way {
    /// While the load falls: upward, the line is longer than on the way up.
    Down,
    /// While it rises again: downward.
    Up,
}

/// One loop per entry of `load` for the bump `shape(v)`, v from 0 at the last turning point to 1 at the one before it.
/// Load and loop in shares of the peak.
pub(super) fn walk(load: &[f64], way: Way, shape: fn(f64) -> f64) -> Vec<f64> {
    let mut branch = Branch {
        turns: Vec::new(),
        now: (load.first().copied().unwrap_or(0.0), 0.0),
        rising: true,
    };
    load.iter()
        .map(|f| {
            branch.go(*f, way, shape);
            branch.now.1
        })
        .collect()
}

struct Branch {
    /// Turning points (load, loop), outermost first; the last is where the present branch began.
    turns: Vec<(f64, f64)>,
    now: (f64, f64),
    rising: bool,
}

impl Branch {
    fn go(&mut self, load: f64, way: Way, shape: fn(f64) -> f64) {
        if load == self.now.0 {
            return;
        }
        let rising = load > self.now.0;
        if rising != self.rising {
            self.turns.push(self.now);
            self.rising = rising;
        }
        // Branches end where they meet the turning point before the one they began at.
        while self.turns.len() >= 2 {
            let target = self.turns[self.turns.len() - 2].0;
            if (rising && load >= target) || (!rising && load <= target) {
                self.turns.truncate(self.turns.len() - 2);
            } else {
                break;
            }
        }
        let height = match self.turns.as_slice() {
            [] => 0.0,
            [only] if rising || only.0 <= 0.0 => only.1,
            [only] => bumped(*only, (0.0, 0.0), load, rising, way, shape),
            [.., to, from] => bumped(*from, *to, load, rising, way, shape),
        };
        self.now = (load, height);
    }
}

fn bumped(
    from: (f64, f64),
    to: (f64, f64),
    load: f64,
    rising: bool,
    way: Way,
    shape: fn(f64) -> f64,
) -> f64 {
    let span = to.0 - from.0;
    if span == 0.0 {
        return from.1;
    }
    let v = ((load - from.0) / span).clamp(0.0, 1.0);
    let bump = match (way, rising) {
        (Way::Down, false) => span.abs() * shape(v),
        (Way::Up, true) => -span.abs() * shape(v),
        _ => 0.0,
    };
    from.1 + (to.1 - from.1) * v + bump
}

#[cfg(test)]
mod tests {
    use super::*;

    fn round(v: f64) -> f64 {
        v * (1.0 - v)
    }

    #[test]
    fn loops_close_at_their_turning_points_and_the_first_rise_is_straight() {
        let load: Vec<f64> = [0.0, 0.5, 1.0, 0.6, 0.2, 0.6, 1.0, 1.2].to_vec();
        let down = walk(&load, Way::Down, round);
        assert_eq!(&down[..3], &[0.0, 0.0, 0.0]);
        // Half-way from 1.0 to the origin: a quarter of the span of 1.
        assert!((down[3] - 0.4 * 0.6).abs() < 1e-12, "{down:?}");
        let up = walk(&load, Way::Up, round);
        assert_eq!(up[4], 0.0);
        assert!((up[5] + 0.8 * 0.25).abs() < 1e-12, "{up:?}");
        for closed in [&down, &up] {
            assert!(
                closed[6].abs() < 1e-12 && closed[7].abs() < 1e-12,
                "{closed:?}"
            );
        }
    }
}
