//! Unknowns in one vector and the normal equations of the problem over it.
//!
//! Values of sequences stand in order of time over all sequences, so that neighbours in time are neighbours in the
//! matrix; between two nodes a sequence runs straight, so that each value of it has two terms at most.

use super::{Fit, Problem, Sequence};

/// Precision of every unknown's weak pull to zero, 1/mm²: a metre and more is as good as any, so that what no gauge
/// sees stays where it is.
const RIDGE: f64 = 1e-7;
/// Strength of the tie between neighbours of a sequence that may fall, 1/mm².
const LOOSE_TIE: f64 = 1e-3;
/// A constraint violated by less than this, in mm, holds.
pub(super) const ZERO: f64 = 1e-6;

/// Where each unknown stands in the vector of all: weights first, then the values of the sequences in order of time.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    /// `terms[s][k]`: unknowns that make the value of sequence s at block k, with their coefficients.
    pub terms: Vec<Vec<Terms>>,
    /// Sequence and block of each unknown after the weights.
    pub nodes: Vec<(usize, usize)>,
    /// Neighbouring values of sequences that may fall.
    pub loose: Vec<(usize, usize)>,
    pub weights: usize,
    pub unknowns: usize,
    /// Constraints: `x[upper] − x[lower] ≥ 0`, or `x[upper] ≥ 0` without a lower one.
    pub bounds: Vec<(usize, Option<usize>)>,
}

/// At most two unknowns with their coefficients.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Terms([Option<(usize, f64)>; 2]);

impl Layout {
    /// Constraints that bind where a similar problem ended: what did not grow there, and weights that were nothing.
    pub(super) fn held_in(&self, earlier: &Fit) -> Vec<bool> {
        let value = |unknown: usize| {
            let found = match unknown.checked_sub(self.weights) {
                Some(place) => {
                    let (s, at) = self.nodes[place];
                    earlier.sequences.get(s).and_then(|values| values.get(at))
                }
                None => earlier.weights.get(unknown),
            };
            found.copied().unwrap_or(0.0)
        };
        let grown =
            |(upper, lower): &(usize, Option<usize>)| value(*upper) - lower.map_or(0.0, value);
        self.bounds.iter().map(|b| grown(b) <= ZERO).collect()
    }
}

impl Terms {
    pub(super) fn iter(&self) -> impl Iterator<Item = (usize, f64)> + '_ {
        self.0.iter().flatten().copied()
    }

    pub(super) fn value(&self, values: &[f64]) -> f64 {
        self.iter().map(|(i, c)| c * values[i]).sum()
    }
}

/// Upper triangle by columns, sparse, and the right-hand side.
pub(super) struct Normal {
    pub columns: Vec<Vec<(usize, f64)>>,
    pub right: Vec<f64>,
}

impl Problem {
    pub(super) fn layout(&self) -> Layout {
        let mut bounds: Vec<(usize, Option<usize>)> = self
            .weights
            .iter()
            .enumerate()
            .filter(|(_, w)| w.non_negative)
            .map(|(i, _)| (i, None))
            .collect();
        // Unknowns in order of time over all sequences: neighbours in time are neighbours in the matrix.
        let mut order: Vec<(usize, usize, usize)> = Vec::new();
        for (s, sequence) in self.sequences.iter().enumerate() {
            order.extend(
                sequence
                    .nodes
                    .iter()
                    .enumerate()
                    .map(|(i, node)| (node.at, s, i)),
            );
        }
        order.sort_unstable();
        let mut unknown: Vec<Vec<usize>> = self
            .sequences
            .iter()
            .map(|s| vec![0; s.nodes.len()])
            .collect();
        let mut loose = Vec::new();
        for (place, (_, s, i)) in order.iter().enumerate() {
            unknown[*s][*i] = self.weights.len() + place;
            let before = i.checked_sub(1).map(|b| unknown[*s][b]);
            if self.sequences[*s].rising {
                bounds.push((unknown[*s][*i], before));
            } else if let Some(before) = before {
                loose.push((before, unknown[*s][*i]));
            }
        }
        let terms = self
            .sequences
            .iter()
            .zip(&unknown)
            .map(|(s, u)| self.terms(s, u))
            .collect();
        Layout {
            terms,
            nodes: order.iter().map(|(at, s, _)| (*s, *at)).collect(),
            loose,
            weights: self.weights.len(),
            unknowns: self.weights.len() + order.len(),
            bounds,
        }
    }

    /// Terms of one sequence per block.
    fn terms(&self, sequence: &Sequence, unknown: &[usize]) -> Vec<Terms> {
        let mut terms = vec![Terms::default(); self.blocks];
        let mut last = None;
        for (i, (node, new)) in sequence.nodes.iter().zip(unknown).enumerate() {
            let until = sequence
                .nodes
                .get(i + 1)
                .map_or(self.blocks, |n| n.from + 1);
            let span = self.time[node.at] - self.time[node.from];
            let until = until.max(node.at + 1);
            for (k, term) in terms.iter_mut().enumerate().take(until).skip(node.from + 1) {
                let share = if k >= node.at || span <= 0.0 {
                    1.0
                } else {
                    (self.time[k] - self.time[node.from]) / span
                };
                let old = last.map(|l| (l, 1.0 - share)).filter(|_| share < 1.0);
                *term = Terms([old, Some((*new, share))]);
            }
            last = Some(*new);
        }
        terms
    }

    pub(super) fn normal_equations(&self, layout: &Layout) -> Normal {
        let (p, n) = (self.weights.len(), layout.unknowns);
        let mut dense = vec![vec![0.0; p]; p];
        let mut cross = vec![vec![0.0; p]; n - p];
        let mut local: Vec<Vec<(usize, f64)>> = vec![Vec::new(); n];
        let mut right = vec![0.0; n];
        for rows in &self.rows {
            for k in 0..self.blocks {
                let y = rows.reading[k];
                if !y.is_finite() {
                    continue;
                }
                let w = 1.0 / rows.variance[k];
                for (a, (i, column)) in rows.columns.iter().enumerate() {
                    let wc = w * column[k];
                    if wc == 0.0 {
                        continue;
                    }
                    right[*i] += wc * y;
                    for (j, other) in &rows.columns[..=a] {
                        let (low, high) = (*i.min(j), *i.max(j));
                        dense[high][low] += wc * other[k];
                    }
                }
                let seen: Vec<(usize, f64)> = rows
                    .sequences
                    .iter()
                    .flat_map(|s| layout.terms[*s][k].iter())
                    .collect();
                for &(q, c) in &seen {
                    right[q] += w * c * y;
                    for (i, column) in &rows.columns {
                        cross[q - p][*i] += w * c * column[k];
                    }
                    for &(r, d) in seen.iter().filter(|(r, _)| *r <= q) {
                        add(&mut local, r, q, w * c * d);
                    }
                }
            }
        }
        // A sequence that may fall is tied weakly to its neighbour, so that a gap in its gauge does not leave it loose.
        for (a, b) in &layout.loose {
            add(&mut local, *a, *a, LOOSE_TIE);
            add(&mut local, *b, *b, LOOSE_TIE);
            add(&mut local, *a, *b, -LOOSE_TIE);
        }
        for tie in &self.ties {
            let precision = tie.sd.powi(-2);
            for (i, c) in &tie.terms {
                right[*i] += precision * c * tie.value;
                for (j, d) in tie.terms.iter().filter(|(j, _)| j <= i) {
                    dense[*i][*j] += precision * c * d;
                }
            }
        }
        let mut columns = local;
        for (i, weight) in self.weights.iter().enumerate() {
            dense[i][i] += weight.prior.precision() + RIDGE;
            right[i] += weight.prior.precision() * weight.centre;
            columns[i] = dense[i][..=i]
                .iter()
                .copied()
                .enumerate()
                .filter(|(j, v)| *v != 0.0 || *j == i)
                .collect();
        }
        for q in p..n {
            columns[q].extend(
                cross[q - p]
                    .iter()
                    .copied()
                    .enumerate()
                    .filter(|(_, v)| *v != 0.0),
            );
            add(&mut columns, q, q, RIDGE);
        }
        Normal { columns, right }
    }
}

impl Normal {
    /// The normal matrix times a vector.
    pub(super) fn times(&self, values: &[f64]) -> Vec<f64> {
        let mut product = vec![0.0; values.len()];
        for (j, column) in self.columns.iter().enumerate() {
            for &(i, v) in column {
                product[i] += v * values[j];
                if i != j {
                    product[j] += v * values[i];
                }
            }
        }
        product
    }
}

fn add(columns: &mut [Vec<(usize, f64)>], row: usize, column: usize, value: f64) {
    match columns[column].iter_mut().find(|(i, _)| *i == row) {
        Some((_, v)) => *v += value,
        None => columns[column].push((row, value)),
    }
}
