//! One problem: columns, sequences and rows put together and solved.

use std::ops::Range;

use super::Balance;
use super::gauges::GaugeReadings;
use super::pass::{Creep, Pass};
use super::rows::RowBuilder;
use super::scene::Scene;
use crate::ingest::GaugeKind;
use crate::separate::solve::{Fit, Problem, Rows, SolveError, Tie};

/// Scatter of the weights of lags where creep is even, as shares of their level: between neighbours, and around the mean of
/// all. Published creep spectra of polymers are flat within a factor of two over a decade (from memory).
const EVEN_SCATTER: (f64, f64) = (0.2, 0.25);

impl Scene<'_> {
    /// The balance under these lags, with what an earlier `pass` tells, begun at a `similar` fit. `None` where no gauge shows
    /// the line move.
    pub(super) fn assemble(
        &self,
        lags: &[(GaugeKind, f64)],
        pass: Option<&Pass>,
        similar: Option<&Fit>,
    ) -> Result<Option<Balance>, SolveError> {
        let Some(read) = GaugeReadings::of(self, lags) else {
            return Ok(None);
        };
        let mut weights = Vec::new();
        let shapes = self.shapes(&read, pass, &mut weights);
        let (list, sequences) = self.sequences(&read, pass);
        let mut builder = RowBuilder::new(self, pass, &mut weights);
        builder.travel(&read, &shapes, sequences);
        builder.mark(&read, &shapes, sequences, similar);
        builder.tail(&read, &shapes, sequences);
        builder.body(&read, &shapes);
        builder.core(&read, sequences);
        let rows = builder.rows;

        let mut ties = self.creep_spectrum(&shapes.lagged, pass);
        ties.extend(self.most_give(&shapes.jaws, &mut weights));
        let unwritten = super::rows::unwritten(&read, &rows, &weights);
        let n = self.blocks.len();
        let problem = Problem {
            blocks: n,
            time: self.time.clone(),
            weights,
            sequences: list,
            rows,
            ties,
        };
        let fit = problem.solve(similar)?;
        let residuals = problem.residuals(&fit);
        let misfit = problem
            .rows
            .iter()
            .zip(&residuals)
            .map(|(rows, r)| misfit(rows, r))
            .collect();
        let readings = read.into_list();
        Ok(Some(Balance {
            problem,
            fit,
            sequences,
            stretch: shapes.stretch,
            lagged: shapes.lagged,
            unwritten,
            body: shapes.body,
            jaws: shapes.jaws,
            gauges: readings.iter().map(|reading| reading.kind).collect(),
            readings,
            lags: Vec::new(),
            first_block: self.first,
            start_entry: self.blocks[0].start,
            end_entry: self.blocks[n - 1].end,
            last_block: self.last,
            misfit,
            slope: vec![0.0; n],
            ranges: self.blocks.clone(),
            slack: self.slack.clone(),
            scale_n: self.scale_n(),
            seen_from: self.seen_from(),
            earlier: pass.map(|p| p.spline.clone()),
            wander: None,
            other_creep: None,
        }))
    }

    /// Creep of fibres spreads evenly over the decades of time: the lags of an image have weights alike, as closely as
    /// [`Creep`] says. This is what tells a slow recovery from set.
    fn creep_spectrum(&self, lags: &[Range<usize>], pass: Option<&Pass>) -> Vec<Tie> {
        let Some((spline, creep)) = pass.map(|p| (&p.spline, p.creep)) else {
            return Vec::new();
        };
        let mean = |range: &Range<usize>| {
            spline[range.clone()].iter().sum::<f64>() / range.len().max(1) as f64
        };
        let level: f64 = lags.iter().map(mean).sum();
        if level <= 0.0 {
            return Vec::new();
        }
        let neighbours = lags
            .iter()
            .flat_map(|range| (range.start + 1..range.end).map(|j| (j - 1, j)));
        match creep {
            Creep::Even => {
                let (near, around) = EVEN_SCATTER;
                let around = |range: &Range<usize>| around * level * (range.len() as f64).sqrt();
                let pairs = lags.iter().flat_map(|range| {
                    let sd = around(range);
                    range
                        .clone()
                        .flat_map(move |a| (a + 1..range.end).map(move |b| Tie::alike(a, b, sd)))
                });
                neighbours
                    .map(|(a, b)| Tie::alike(a, b, near * level))
                    .chain(pairs)
                    .collect()
            }
            Creep::Uneven => {
                let near = EVEN_SCATTER.0 * level;
                let found = |(a, b): (usize, usize)| (spline[a] - spline[b]).powi(2);
                neighbours
                    .map(|(a, b)| {
                        let sd = (near.powi(2) + found((a, b))).sqrt() / 2f64.sqrt();
                        Tie::alike(a, b, sd)
                    })
                    .collect()
            }
            Creep::Free => Vec::new(),
        }
    }
}

/// Variance of the residuals against what noise leaves, neighbours' likeness included.
///
/// With residuals r in standard deviations and autocorrelations ρ, slowly varying figures are blurred by
/// mean(r²)·(1 + 2Σρ) instead of 1 (Σ over the leading positive run).
fn misfit(rows: &Rows, residual: &[f64]) -> f64 {
    let standard: Vec<f64> = residual
        .iter()
        .zip(&rows.variance)
        .map(|(r, v)| r / v.sqrt())
        .filter(|r| r.is_finite())
        .collect();
    let n = standard.len();
    if n < 20 {
        return 1.0;
    }
    let square = standard.iter().map(|r| r * r).sum::<f64>() / n as f64;
    if square == 0.0 {
        return square;
    }
    let mut likeness = 1.0;
    for shift in 1..n / 4 {
        let product: f64 = (shift..n)
            .map(|i| standard[i] * standard[i - shift])
            .sum::<f64>()
            / n as f64;
        let rho = product / square;
        if rho < 2.0 / (n as f64).sqrt() {
            break;
        }
        likeness += 2.0 * rho;
    }
    square * likeness
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Residuals of half the stated noise and no likeness leave a quarter: a variance taken too large comes down again.
    #[test]
    fn a_misfit_below_the_noise_says_so() {
        let residual: Vec<f64> = (0..200_u32)
            .map(|i| {
                if i.wrapping_mul(2_654_435_761) >> 31 == 0 {
                    0.5
                } else {
                    -0.5
                }
            })
            .collect();
        let rows = Rows {
            reading: residual.clone(),
            variance: vec![1.0; 200],
            columns: Vec::new(),
            sequences: Vec::new(),
        };
        let found = misfit(&rows, &residual);
        assert!((0.2..0.5).contains(&found), "{found}");
    }
}
