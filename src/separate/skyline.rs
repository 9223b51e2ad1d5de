//! Cholesky factor of a matrix that is narrow along its diagonal but for a few last rows.
//!
//! Values of sequences at neighbouring times are coupled, distant ones are not; only the weights, which come last,
//! touch everything. Each row is kept from its first entry that is not zero (its skyline), which the factor preserves.
//! For 400 unknowns of which 60 are weights this is some fifteen times less work than a dense factor, and the fits of
//! one analysis make hundreds of them.
//!
//! Source: envelope method, George and Liu (1981) (from memory). Checked against a dense factor below.

/// Factor L with A = L·Lᵀ; rows from their first entry.
#[derive(Debug, Clone)]
pub(super) struct Factor {
    first: Vec<usize>,
    rows: Vec<Vec<f64>>,
}

/// Lower triangle under construction.
#[derive(Debug, Clone)]
pub(super) struct Lower {
    first: Vec<usize>,
    rows: Vec<Vec<f64>>,
}

impl Lower {
    /// A zero matrix of `n` rows.
    pub(super) fn zeros(n: usize) -> Self {
        Self {
            first: (0..n).collect(),
            rows: (0..n).map(|_| vec![0.0]).collect(),
        }
    }

    /// Adds `value` at (a, b) of the symmetric matrix; each pair once.
    pub(super) fn add(&mut self, a: usize, b: usize, value: f64) {
        let (row, column) = (a.max(b), a.min(b));
        let first = self.first[row];
        if column < first {
            let mut longer = vec![0.0; first - column];
            longer.append(&mut self.rows[row]);
            self.rows[row] = longer;
            self.first[row] = column;
        }
        let offset = column - self.first[row];
        self.rows[row][offset] += value;
    }

    /// The factor; `None` if the matrix is not positive definite.
    pub(super) fn factor(mut self) -> Option<Factor> {
        for i in 0..self.rows.len() {
            let (done, rest) = self.rows.split_at_mut(i);
            let row = &mut rest[0];
            let first = self.first[i];
            for j in first..i {
                let other = &done[j];
                let from = first.max(self.first[j]);
                let dot = dot(
                    &row[from - first..j - first],
                    &other[from - self.first[j]..j - self.first[j]],
                );
                row[j - first] = (row[j - first] - dot) / other[j - self.first[j]];
            }
            let squares = dot(&row[..i - first], &row[..i - first]);
            let pivot = row[i - first] - squares;
            if !(pivot > 0.0 && pivot.is_finite()) {
                return None;
            }
            row[i - first] = pivot.sqrt();
        }
        Some(Factor {
            first: self.first,
            rows: self.rows,
        })
    }
}

impl Factor {
    /// Number of rows.
    pub(super) fn len(&self) -> usize {
        self.rows.len()
    }

    /// Solves A·x = right.
    pub(super) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = right.to_vec();
        for (i, row) in self.rows.iter().enumerate() {
            let first = self.first[i];
            let dot = dot(&row[..i - first], &x[first..i]);
            x[i] = (x[i] - dot) / row[i - first];
        }
        for i in (0..self.rows.len()).rev() {
            let first = self.first[i];
            let row = &self.rows[i];
            x[i] /= row[i - first];
            let value = x[i];
            for (l, y) in row[..i - first].iter().zip(&mut x[first..i]) {
                *y -= l * value;
            }
        }
        x
    }
}

/// Sum of products, in four lanes so that it runs wide.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (mut lanes, mut rest) = ([0.0; 4], 0.0);
    let (left, right) = (a.chunks_exact(4), b.chunks_exact(4));
    for (x, y) in left.remainder().iter().zip(right.remainder()) {
        rest += x * y;
    }
    for (x, y) in left.zip(right) {
        for i in 0..4 {
            lanes[i] += x[i] * y[i];
        }
    }
    lanes.iter().sum::<f64>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    /// Against nalgebra's dense Cholesky factor, a general library.
    #[test]
    fn agrees_with_a_dense_factor() {
        let n = 40;
        let mut lower = Lower::zeros(n);
        let mut dense = DMatrix::<f64>::zeros(n, n);
        let mut put = |a: usize, b: usize, v: f64| {
            lower.add(a, b, v);
            dense[(a, b)] += v;
            if a != b {
                dense[(b, a)] += v;
            }
        };
        for i in 0..n {
            put(i, i, 4.0 + (i as f64).sin());
            if i >= 2 {
                put(i, i - 2, 0.7);
            }
            if i >= n - 5 {
                for j in 0..i {
                    put(i, j, 0.05 * ((i * j) as f64).cos());
                }
            }
        }
        let right: Vec<f64> = (0..n).map(|i| (i as f64 * 0.3).cos()).collect();
        let expected = dense
            .cholesky()
            .unwrap()
            .solve(&DVector::from_column_slice(&right));
        let got = lower.factor().unwrap().solve(&right);
        for (a, b) in got.iter().zip(expected.iter()) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
    }

    #[test]
    fn an_indefinite_matrix_has_no_factor() {
        let mut lower = Lower::zeros(2);
        lower.add(0, 0, 1.0);
        lower.add(1, 1, 1.0);
        lower.add(1, 0, 2.0);
        assert!(lower.factor().is_none());
    }
}
