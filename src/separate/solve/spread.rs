//! How uncertain a combination of unknowns is: from the factor, from refits with fresh noise, and by what a step would do.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::iter::{IntoParallelIterator, ParallelIterator};

use super::normal::Normal;
use super::pivot::ROUNDS;
use super::{Fit, Functional, Prior, Problem};
use crate::separate::skyline::dot;

/// Unknowns of one refit.
pub(in crate::separate) struct Draw {
    weights: Vec<f64>,
    sequences: Vec<Vec<f64>>,
}

impl Draw {
    /// Value of a linear combination.
    pub(in crate::separate) fn value(&self, f: &Functional) -> f64 {
        f.value(&self.weights, &self.sequences)
    }
}

/// Uncertainty of a linear combination.
#[derive(Debug, Clone, Default)]
pub(in crate::separate) struct Spread {
    /// Standard deviation from the noise of the record.
    pub noise: f64,
    /// Contributions of normal priors: source, standard deviation.
    pub normal: Vec<(String, f64)>,
    /// Contributions of rectangular priors: source, half width.
    pub rectangular: Vec<(String, f64)>,
}

impl Fit {
    /// Uncertainty of a linear combination on the set of constraints that bind, by source.
    pub(in crate::separate) fn spread(&self, f: &Functional) -> Spread {
        let mut direction = vec![0.0; self.cholesky.len()];
        let mut put = |full: usize, c: f64| {
            if let Some(r) = self.reduced[full] {
                direction[r] += c;
            }
        };
        for (i, c) in &f.weights {
            put(*i, *c);
        }
        for (s, k, c) in &f.sequences {
            for (full, d) in self.layout.terms[*s][*k].iter() {
                put(full, c * d);
            }
        }
        let response = self.cholesky.solve(&direction);
        let total = dot(&direction, &response).max(0.0);
        let mut spread = Spread::default();
        let mut known = 0.0;
        for (i, prior, source) in &self.priors {
            let Some(r) = self.reduced[*i] else { continue };
            // How far the combination moves when the prior's centre moves by one.
            let sensitivity = response[r] * prior.precision();
            match prior {
                Prior::None => continue,
                Prior::Normal(sd) => {
                    let moved = (sensitivity * sd).abs();
                    spread.normal.push((source.clone(), moved));
                }
                Prior::Rectangular(half) | Prior::Held(half) => {
                    let moved = (sensitivity * half).abs();
                    spread.rectangular.push((source.clone(), moved));
                }
            }
            known += sensitivity.powi(2) / prior.precision();
        }
        spread.noise = (total - known).max(0.0).sqrt();
        spread
    }
}

impl Problem {
    /// Refits to records that the fit itself would make: its own readings with fresh noise, `count` times. Their scatter
    /// is the noise of every figure with all constraints at work; the covariance on the binding set alone forgets that
    /// shapes must not be negative and sequences not fall, and is several times too wide for flat combinations.
    /// Priors stay centred where the fit put them, so that instrument errors are not in the scatter.
    pub(in crate::separate) fn resample(&self, fit: &Fit, count: usize, seed: u64) -> Vec<Draw> {
        let layout = &fit.layout;
        let normal = self.normal_equations(layout);
        let expected = normal.times(&fit.values);
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut fresh = || {
            let mut right = expected.clone();
            for rows in &self.rows {
                for k in (0..self.blocks).filter(|k| rows.reading[*k].is_finite()) {
                    let z: f64 = StandardNormal.sample(&mut random);
                    let pull = z / rows.variance[k].sqrt();
                    for (i, column) in &rows.columns {
                        right[*i] += pull * column[k];
                    }
                    for (i, c) in rows
                        .sequences
                        .iter()
                        .flat_map(|s| layout.terms[*s][k].iter())
                    {
                        right[i] += c * pull;
                    }
                }
            }
            // What is known of a sum is so only within its scatter.
            for tie in &self.ties {
                let z: f64 = StandardNormal.sample(&mut random);
                for (i, c) in &tie.terms {
                    right[*i] += c * z / tie.sd;
                }
            }
            right
        };
        let rights: Vec<Vec<f64>> = (0..count).map(|_| fresh()).collect();
        let refit = |right| {
            let drawn = Normal {
                columns: normal.columns.clone(),
                right,
            };
            let settled = self.pivot(layout, &drawn, fit.binding.clone(), ROUNDS);
            settled.ok().map(|fit| Draw {
                weights: fit.weights,
                sequences: fit.sequences,
            })
        };
        rights.into_par_iter().filter_map(refit).collect()
    }

    /// The largest step that sequence `s` might still take at or shortly before block `at` without being noticed:
    /// over dyadic numbers of last blocks, the step's estimate given everything else, and its standard deviation;
    /// the pair with the highest one-sided bound. (0, 0) where no step can be told from what is free anyway.
    pub(in crate::separate) fn late_step(
        &self,
        fit: &Fit,
        residuals: &[Vec<f64>],
        s: usize,
        at: usize,
    ) -> (f64, f64) {
        let mut best = (0.0, 0.0);
        let mut best_bound = f64::NEG_INFINITY;
        let mut length = 1;
        while length <= at {
            if let Some((estimate, sd)) = self.step(fit, residuals, s, at + 1 - length) {
                let bound = estimate + 1.645 * sd;
                if bound > best_bound {
                    best_bound = bound;
                    best = (estimate, sd);
                }
            }
            length *= 2;
        }
        best
    }

    /// Estimate and standard deviation of an added step of sequence `s` from block `from` to the end of the record.
    fn step(&self, fit: &Fit, residuals: &[Vec<f64>], s: usize, from: usize) -> Option<(f64, f64)> {
        let mut cross = vec![0.0; fit.cholesky.len()];
        let (mut own, mut pull) = (0.0, 0.0);
        for (rows, residual) in self.rows.iter().zip(residuals) {
            if !rows.sequences.contains(&s) {
                continue;
            }
            for k in (from..self.blocks).filter(|k| residual[*k].is_finite()) {
                let w = 1.0 / rows.variance[k];
                own += w;
                pull += w * residual[k];
                for (i, column) in &rows.columns {
                    if let Some(r) = fit.reduced[*i] {
                        cross[r] += w * column[k];
                    }
                }
                for (full, c) in rows
                    .sequences
                    .iter()
                    .flat_map(|o| fit.layout.terms[*o][k].iter())
                {
                    if let Some(r) = fit.reduced[full] {
                        cross[r] += w * c;
                    }
                }
            }
        }
        let information = own - dot(&cross, &fit.cholesky.solve(&cross));
        // Where the step can be made up by what is free already, that freedom's spread is the figure that counts.
        (own > 0.0 && information > 1e-3 * own)
            .then(|| (pull / information, information.sqrt().recip()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::separate::solve::{Rows, Weight};

    /// Readings of 2 in hundred blocks: an error of at most 0.5 either way is drawn to them, and they tell it to a tenth; one
    /// that is held stays where it is, and counts whole.
    #[test]
    fn what_is_held_does_not_follow_the_readings_and_counts_whole() {
        let fitted = |prior: Prior| {
            let problem = Problem {
                blocks: 100,
                time: (0..100).map(f64::from).collect(),
                weights: vec![Weight {
                    non_negative: false,
                    prior,
                    centre: 0.5,
                    source: "an error".to_owned(),
                }],
                sequences: Vec::new(),
                rows: vec![Rows {
                    reading: vec![2.0; 100],
                    variance: vec![1.0; 100],
                    columns: vec![(0, vec![1.0; 100])],
                    sequences: Vec::new(),
                }],
                ties: Vec::new(),
            };
            let fit = problem.solve(None).unwrap();
            let spread = fit.spread(&Functional {
                weights: vec![(0, 1.0)],
                sequences: Vec::new(),
            });
            (fit.weights[0], spread.rectangular[0].1, spread.noise)
        };
        let (drawn, open, noise) = fitted(Prior::Rectangular(0.5));
        assert!(drawn > 1.8 && open < 0.06 && noise > 0.05, "{drawn} {open}");
        let (held, open, noise) = fitted(Prior::Held(0.5));
        assert!((held - 0.5).abs() < 0.01 && noise < 0.01, "{held} {noise}");
        assert!((open - 0.5).abs() < 1e-3, "{open}");
    }
}
