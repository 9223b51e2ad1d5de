//! Where a slip may change its pace: as many nodes as its gauge shows, and no more.
//!
//! A sequence that is free to rise at every block follows its gauge's noise upward, and drags with it everything that
//! could make the noise rise faster (an error of the mark's share, a slow recovery taken for slip). So a sequence runs
//! straight between nodes, and nodes stand where a phase begins or ends and where its gauge bends or jumps by more than
//! its noise. Where it must not grow it stays as it is.

use std::ops::Range;

use crate::phases::PhaseKind;

/// A sequence rises straight from block `from`, where it still has its former value, to block `at`, where it has a new
/// one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Node {
    pub from: usize,
    pub at: usize,
}

/// A stretch of blocks bends where its misfit to a straight line exceeds what noise leaves by this many standard
/// deviations.
const BEND_SIGMAS: f64 = 3.0;

/// Nodes over blocks that may grow; `reading` and `variance` of the gauge that shows the sequence best.
pub(super) fn place(
    grows: &[bool],
    phase: &[PhaseKind],
    time: &[f64],
    reading: &[f64],
    variance: &[f64],
) -> Vec<Node> {
    let mut nodes = Vec::new();
    let mut k = 0;
    while k < grows.len() {
        let end = (k + 1..grows.len())
            .find(|e| grows[*e] != grows[k] || phase[*e] != phase[k])
            .unwrap_or(grows.len());
        // Without a block before it there is nothing to rise from.
        if grows[k] && end > 1 {
            let from = k.max(1) - 1;
            let mut edges = Vec::new();
            bends(from..end, time, reading, variance, &mut edges);
            let mut last = from;
            for at in edges {
                nodes.push(Node { from: last, at });
                last = at;
            }
        }
        k = end;
    }
    nodes
}

/// Last blocks of the straight stretches that make up `span`, in order; neighbours share their ends.
fn bends(
    span: Range<usize>,
    time: &[f64],
    reading: &[f64],
    variance: &[f64],
    out: &mut Vec<usize>,
) {
    let last = span.end - 1;
    if span.len() <= 2 {
        if span.len() == 2 {
            out.push(last);
        }
        return;
    }
    let (misfit, n) = straight(span.clone(), time, reading, variance);
    let dof = n - 2.0;
    if dof <= 0.0 || misfit <= dof + BEND_SIGMAS * (2.0 * dof).sqrt() {
        out.push(last);
        return;
    }
    let cost = |cut: usize| {
        straight(span.start..cut + 1, time, reading, variance).0
            + straight(cut..span.end, time, reading, variance).0
    };
    let Some(cut) = (span.start + 1..last).min_by(|a, b| cost(*a).total_cmp(&cost(*b))) else {
        out.push(last);
        return;
    };
    bends(span.start..cut + 1, time, reading, variance, out);
    bends(cut..span.end, time, reading, variance, out);
}

/// Weighted sum of squares about the best straight line, and how many readings it has.
fn straight(span: Range<usize>, time: &[f64], reading: &[f64], variance: &[f64]) -> (f64, f64) {
    let origin = time[span.start];
    let (mut n, mut s) = (0.0, [0.0; 6]);
    let zero = span
        .clone()
        .map(|k| reading[k])
        .find(|y| y.is_finite())
        .unwrap_or(0.0);
    for k in span.filter(|k| reading[*k].is_finite()) {
        let (w, t, y) = (1.0 / variance[k], time[k] - origin, reading[k] - zero);
        n += 1.0;
        for (sum, term) in s.iter_mut().zip([1.0, t, y, t * t, t * y, y * y]) {
            *sum += w * term;
        }
    }
    if n < 3.0 {
        return (0.0, n);
    }
    let (t, y) = (s[1] / s[0], s[2] / s[0]);
    let (stt, sty, syy) = (s[3] - s[1] * t, s[4] - s[1] * y, s[5] - s[2] * y);
    (
        (syy - if stt > 0.0 { sty * sty / stt } else { 0.0 }).max(0.0),
        n,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_stand_at_phases_bends_and_jumps() {
        let time: Vec<f64> = (0..30).map(f64::from).collect();
        // Still, then a ramp that bends, then a jump in a hold.
        let reading: Vec<f64> = (0..30)
            .map(|k| match k {
                0..5 => 0.0,
                5..10 => f64::from(k - 4) * 0.1,
                10..15 => 0.5 + f64::from(k - 9) * 0.5,
                15..22 => 3.0,
                _ => 5.0,
            })
            .collect();
        let phase: Vec<PhaseKind> = (0..30)
            .map(|k| {
                if (5..15).contains(&k) {
                    PhaseKind::Ramp
                } else {
                    PhaseKind::Hold
                }
            })
            .collect();
        let grows: Vec<bool> = (0..30).map(|k| k >= 5).collect();
        let nodes = place(&grows, &phase, &time, &reading, &[1e-4; 30]);
        let ends: Vec<usize> = nodes.iter().map(|n| n.at).collect();
        assert_eq!(ends, [9, 14, 21, 22, 29]);
        assert_eq!(nodes[0].from, 4);
        assert!(nodes.windows(2).all(|w| w[0].at == w[1].from));
    }
}
