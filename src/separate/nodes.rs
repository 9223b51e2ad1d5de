//! Where a slip may change its pace: as many nodes as its gauge shows, and no more.
//!
//! A sequence that is free to rise at every block follows its gauge's noise upward, and drags with it everything that
//! could make the noise rise faster (an error of the mark's share, a slow recovery taken for slip). So a sequence runs
//! straight between nodes, and nodes stand where a phase begins or ends and where its gauge bends or jumps by more than
//! its noise; an earlier fit tells where more are wanted. Where it must not grow it stays as it is.

use std::ops::Range;

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

/// Nodes over blocks that may grow; `stages` differ where a new part of the schedule begins; `reading` and `variance` are
/// of the gauge that shows the sequence best.
pub(super) fn place<T: PartialEq>(
    grows: &[bool],
    stages: &[T],
    time: &[f64],
    reading: &[f64],
    variance: &[f64],
) -> Vec<Node> {
    let mut nodes = Vec::new();
    let mut k = 0;
    while k < grows.len() {
        let end = (k + 1..grows.len())
            .find(|e| grows[*e] != grows[k] || stages[*e] != stages[k])
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

/// A curve that runs straight between nodes cuts its corners: a span is halved where the paces of its neighbours in an
/// earlier fit say that this costs more than this share of a block's noise.
const CORNER_SHARE: f64 = 0.5;

/// The same nodes and one more in the middle of each span whose neighbours run at another pace; `values` of the sequence
/// per block as an earlier fit found it, `variance` of the gauge that shows it. A neighbour of a single block is a jump
/// and says nothing about the pace.
pub(super) fn halve(nodes: &[Node], values: &[f64], time: &[f64], variance: &[f64]) -> Vec<Node> {
    let span = |n: &Node| time[n.at] - time[n.from];
    let pace = |n: &Node| (values[n.at] - values[n.from]) / span(n).max(1e-9);
    let mut halved = Vec::new();
    for (i, node) in nodes.iter().enumerate() {
        let neighbours = [
            i.checked_sub(1)
                .map(|b| nodes[b])
                .filter(|b| b.at == node.from),
            nodes.get(i + 1).copied().filter(|a| a.from == node.at),
        ];
        let cut = neighbours
            .iter()
            .flatten()
            .filter(|n| n.at - n.from > 1)
            .map(|n| {
                (pace(n) - pace(node)).abs() * span(node).powi(2) / (4.0 * (span(node) + span(n)))
            })
            .fold(0.0, f64::max);
        let middle = node.from.midpoint(node.at);
        let noise = variance[middle].sqrt();
        if middle > node.from && noise.is_finite() && cut > CORNER_SHARE * noise {
            halved.push(Node {
                from: node.from,
                at: middle,
            });
            halved.push(Node {
                from: middle,
                at: node.at,
            });
        } else {
            halved.push(*node);
        }
    }
    halved
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
    use crate::phases::PhaseKind;

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

    /// A slip that begins slowly gets nodes where it curves; a still span beside a jump gets none.
    #[test]
    fn spans_are_halved_where_the_pace_changes_and_not_beside_jumps() {
        let time: Vec<f64> = (0..40).map(f64::from).collect();
        let nodes: Vec<Node> = [(0, 10), (10, 20), (20, 30), (30, 31), (31, 39)]
            .map(|(from, at)| Node { from, at })
            .to_vec();
        let values: Vec<f64> = (0..40)
            .map(|k| match k {
                0..=10 => 0.0,
                11..=20 => 0.1 * f64::from(k - 10),
                21..=30 => 1.0,
                _ => 9.0,
            })
            .collect();
        let halved = halve(&nodes, &values, &time, &[1e-4; 40]);
        let ends: Vec<usize> = halved.iter().map(|n| n.at).collect();
        assert_eq!(ends, [5, 10, 15, 20, 25, 30, 31, 39]);
    }
}
