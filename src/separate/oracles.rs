//! The solver of the balance against the answers of other programs: non-negative weights, and a sequence that only rises.

use crate::separate::nodes::Node;
use crate::separate::solve::{Fit, Prior, Problem, Rows, Sequence, Weight};

/// Variance of each reading: so small that the solver's weak pull to zero is below the digits compared.
const EXACT: f64 = 1e-8;

fn columns(name: &str) -> Vec<Vec<f64>> {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/oracles")
        .join(name);
    let text = std::fs::read_to_string(path).unwrap();
    let rows: Vec<Vec<f64>> = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect();
    (0..rows[0].len())
        .map(|c| rows.iter().map(|row| row[c]).collect())
        .collect()
}

fn solved(problem: &Problem) -> Fit {
    problem.solve(None).unwrap()
}

/// R 4.2 `nnls` (equal to scipy's): 15 readings of 4 shapes, two of which get nothing.
#[test]
fn non_negative_least_squares_equals_r() {
    let mut data = columns("nnls_15x4.csv");
    let reading = data.pop().unwrap();
    let blocks = reading.len();
    let problem = Problem {
        blocks,
        time: (0..blocks).map(|k| k as f64).collect(),
        weights: (0..data.len())
            .map(|_| Weight {
                non_negative: true,
                prior: Prior::None,
                centre: 0.0,
                source: String::new(),
            })
            .collect(),
        sequences: Vec::new(),
        rows: vec![Rows {
            variance: vec![EXACT; blocks],
            reading,
            columns: data.into_iter().enumerate().collect(),
            sequences: Vec::new(),
        }],
        ties: Vec::new(),
    };
    let answer = columns("nnls_15x4_answer_R.csv");
    for (found, wanted) in solved(&problem).weights.iter().zip(&answer[1]) {
        assert!((found - wanted).abs() < 1e-8, "{found} {wanted}");
    }
    let residual: f64 = problem.residuals(&solved(&problem))[0]
        .iter()
        .map(|r| r * r)
        .sum();
    assert!((residual - answer[2][0]).abs() < 1e-8, "{residual}");
}

/// R 4.2 `isoreg` and, weighted, scipy: forty readings, a new value wanted at each.
#[test]
fn a_rising_sequence_is_the_isotonic_fit() {
    let data = columns("isotonic_n40.csv");
    let blocks = data[1].len() + 1;
    let cases = [
        (None, &data[3], EXACT),
        (Some(&data[2]), &data[4], EXACT),
        // As exact as no gauge is: the interior point gives up.
        (None, &data[3], 1e-9 * EXACT),
    ];
    for (weights, wanted, exact) in cases {
        // Before the first reading a sequence is zero.
        let weight = |k: usize| weights.map_or(1.0, |w| w[k - 1]);
        let problem = Problem {
            blocks,
            time: (0..blocks).map(|k| k as f64).collect(),
            weights: Vec::new(),
            sequences: vec![Sequence {
                rising: true,
                nodes: (1..blocks).map(|at| Node { from: at - 1, at }).collect(),
            }],
            rows: vec![Rows {
                reading: std::iter::once(f64::NAN)
                    .chain(data[1].iter().copied())
                    .collect(),
                variance: std::iter::once(f64::INFINITY)
                    .chain((1..blocks).map(|k| exact / weight(k)))
                    .collect(),
                columns: Vec::new(),
                sequences: vec![0],
            }],
            ties: Vec::new(),
        };
        let found = &solved(&problem).sequences[0][1..];
        for (k, (found, wanted)) in found.iter().zip(wanted).enumerate() {
            assert!((found - wanted).abs() < 1e-8, "{k}: {found} {wanted}");
        }
    }
}
