//! Where a slip may change its pace: as many nodes as its gauge shows, and no more.
//!
//! A sequence that is free to rise at every block follows its gauge's noise upward, and drags with it everything that
//! could make the noise rise faster (an error of the mark's share, a slow recovery taken for slip). So a sequence runs
//! straight between nodes, and nodes stand where a phase begins or ends and where its gauge bends or jumps by more than
//! its noise; an earlier fit tells where more are wanted. Where it must not grow it stays as it is.

use crate::stats::pieces::Pieces;

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
            let points = (from..end).map(|b| (time[b], reading[b], 1.0 / variance[b]));
            let mut last = from;
            for at in bends(&Pieces::of(points), end - from) {
                let at = from + at;
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

/// The same nodes, cut at each block of which `unseen` is true: a line that runs out while no gauge shows it runs as it
/// likes, though the travel, which takes in what the line springs back, may go straight.
pub(super) fn cut(nodes: &[Node], unseen: impl Fn(usize) -> bool) -> Vec<Node> {
    let mut pieces = Vec::new();
    for node in nodes {
        let mut from = node.from;
        for at in (node.from + 1..node.at)
            .filter(|k| unseen(*k))
            .chain([node.at])
        {
            pieces.push(Node { from, at });
            from = at;
        }
    }
    pieces
}

/// Last of each straight stretch of `count` points, in order; neighbours share their ends.
fn bends(pieces: &Pieces, count: usize) -> Vec<usize> {
    let mut edges = Vec::new();
    let mut pending = vec![(0, count)];
    while let Some((start, end)) = pending.pop() {
        let last = end - 1;
        let (misfit, n) = pieces.misfit(start..end);
        let dof = n - 2.0;
        let bent = dof > 0.0 && misfit > dof + BEND_SIGMAS * (2.0 * dof).sqrt();
        let cost = |cut: usize| pieces.misfit(start..cut + 1).0 + pieces.misfit(cut..end).0;
        let cuts = (start + 1..last).filter(|_| bent);
        let best = cuts
            .map(|cut| (cost(cut), cut))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        match best {
            Some((_, cut)) => {
                // Last in, first out: the earlier part must come out first.
                pending.push((cut, end));
                pending.push((start, cut + 1));
            }
            None if last > start => edges.push(last),
            None => {}
        }
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phases::PhaseKind;

    #[test]
    fn nodes_are_cut_at_each_block_that_nothing_shows() {
        let node = |from, at| Node { from, at };
        let nodes = [node(0, 4), node(6, 9)];
        let cut = cut(&nodes, |k| k == 2 || k == 4 || k >= 7);
        assert_eq!(
            cut,
            [node(0, 2), node(2, 4), node(6, 7), node(7, 8), node(8, 9)]
        );
    }

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
