//! One problem: columns, sequences and rows put together and solved.

use std::ops::Range;

use super::pass::{Creep, Pass};
use super::rows::{OF_THE_CELL, RowBuilder, finite, join};
use super::scene::Scene;
use super::{Balance, Sequences, Shape};
use crate::ingest::GaugeKind;
use crate::phases::PhaseKind;
use crate::separate::bases::{self, Columns};
use crate::separate::nodes;
use crate::separate::readings::Reading;
use crate::separate::solve::{Fit, Prior, Problem, Rows, Sequence, SolveError, Weight};
use crate::sheet::{Against, BitterEnd, CoverAtEye, Sheet};

/// Most that jaws give when the sheet does not say, mm (common practice, no source), and what a sheet that says none is
/// taken for.
const JAW_GIVE_MM: f64 = 2.0;
const JAW_GIVE_LEAST_MM: f64 = 0.01;
/// Scatter of the weights of lags where creep is even, as shares of their level: between neighbours, and around the mean of
/// all. Published creep spectra of polymers are flat within a factor of two over a decade (from memory).
const EVEN_SCATTER: (f64, f64) = (0.2, 0.25);
/// Share of [`Scene::left_open`] that is stretch: centre and half width. Between none and all of it, and a quarter more
/// either way for what the play operators do not show of the loop. Readings do not settle it: where the shapes fit a line
/// badly it would make up for that, with 4 % of the stretch in lines of another simulator.
const LEFT_OPEN: (f64, f64) = (0.6, 0.75);

impl Scene<'_> {
    pub(super) fn assemble(
        &self,
        lags: &[(GaugeKind, f64)],
        pass: Option<&Pass>,
        similar: Option<&Fit>,
    ) -> Result<Option<Balance>, SolveError> {
        let n = self.blocks.len();
        let travel = self.reading(GaugeKind::Travel, lags);
        let mark = self.reading(GaugeKind::Mark, lags);
        let tail = self.reading(GaugeKind::Tail, lags);
        let body = self.reading(GaugeKind::Body, lags);
        let core = self
            .reading(GaugeKind::Core, lags)
            .filter(|_| self.sheet.line.bitter_end != BitterEnd::Whipped);
        if travel.is_none() && mark.is_none() && tail.is_none() && core.is_none() {
            return Ok(None);
        }
        let spline = pass.map(|p| p.spline.as_slice());
        let mut weights = Vec::new();
        // No shape makes more than the whole movement: far from binding, but it settles combinations that fit alike.
        let widest = |r: &Option<Reading>| {
            r.as_ref().map_or(0.0, |r| {
                r.mean.iter().map(|m| finite(*m).abs()).fold(0.0, f64::max)
            })
        };
        let whole = [&travel, &mark, &tail, &body]
            .into_iter()
            .map(widest)
            .fold(1e-3, f64::max);
        let mut shape = |columns: Vec<Vec<f64>>, most: f64| {
            let first = weights.len();
            weights.extend(columns.iter().map(|_| Weight {
                non_negative: true,
                prior: Prior::Normal(most),
                centre: 0.0,
                source: String::new(),
            }));
            Shape {
                weights: (first..first + columns.len()).collect(),
                columns,
            }
        };
        let give = self.zeroed(self.columns(bases::give, &self.phased.quiet_grip_n, None));
        let columns = match pass {
            Some(pass) => Columns::clone(&pass.shapes),
            None => self.stretch(&self.phased.quiet_load_n, None),
        };
        let lagged = if travel.is_some() {
            columns.lags.clone()
        } else {
            Vec::new()
        };
        let mut stretch = if travel.is_some() {
            shape(self.zeroed(columns), whole)
        } else {
            Shape::default()
        };
        let body_shape = if body.is_some() {
            shape(give.clone(), whole)
        } else {
            Shape::default()
        };
        let jaws = if mark.is_some() {
            shape(give.clone(), jaw_give_mm(self.sheet))
        } else {
            Shape::default()
        };
        let tail_shape = if tail.is_some() {
            shape(give, whole)
        } else {
            Shape::default()
        };
        if let Some(spline) = spline.filter(|_| travel.is_some()) {
            stretch.weights.push(weights.len());
            stretch.columns.push(self.left_open(spline));
            weights.push(Weight {
                non_negative: false,
                prior: Prior::Held(LEFT_OPEN.1),
                centre: LEFT_OPEN.0,
                source: "loop left open at pre-tension".to_owned(),
            });
        }

        let stages = self.stages();
        let phases: Vec<_> = stages.iter().map(|(phase, _)| (*phase, false)).collect();
        let mut list = Vec::new();
        let shows_stopper = mark.as_ref().or(tail.as_ref());
        let mut sequence = |shown_by: Option<&Reading>,
                            rising: bool,
                            set_alone: bool,
                            stages: &[(PhaseKind, bool)]| {
            shown_by.map(|reading| {
                let of_travel = reading.kind == GaugeKind::Travel;
                let grows = if rising {
                    let mut grows = self.may_grow(reading, set_alone);
                    if let Some(stopper) = shows_stopper.filter(|_| of_travel) {
                        let idle = self.only_the_stopper_runs(reading, stopper);
                        for (grows, idle) in grows.iter_mut().zip(idle) {
                            *grows &= !idle;
                        }
                    }
                    grows
                } else {
                    (0..n).map(|k| k >= self.dwell).collect()
                };
                // Between few readings, and while a gauge is blank, only the travel shows where a pace changes.
                let shows = match &travel {
                    Some(travel) if reading.sparse => travel.clone(),
                    Some(travel) => reading.continued(travel, &self.time),
                    None => reading.clone(),
                };
                let nodes = match pass.and_then(|p| p.nodes.as_ref()) {
                    Some(nodes) => nodes[list.len()].clone(),
                    None => nodes::cut(
                        &nodes::place(&grows, stages, &self.time, &shows.mean, &shows.variance),
                        |k| {
                            let runs = self.phased.blocks.phase[self.first + k];
                            runs == PhaseKind::RunOut && !reading.mean[k].is_finite()
                        },
                    ),
                };
                list.push(Sequence { rising, nodes });
                list.len() - 1
            })
        };
        let sequences = Sequences {
            stopper: sequence(shows_stopper, true, false, &phases),
            core: sequence(
                core.as_ref(),
                // Between few readings nothing would show it fall.
                self.sheet.line.cover_at_eye != CoverAtEye::Locked
                    || core.as_ref().is_some_and(|c| c.sparse),
                false,
                &phases,
            ),
            rest: sequence(
                travel.as_ref(),
                true,
                core.is_some() && (mark.is_some() || tail.is_some()),
                &stages,
            ),
        };

        let mut rows = Vec::new();
        let mut gauges = Vec::new();
        let mut kept = Vec::new();
        let mut unwritten = Shape::default();
        let mut builder = RowBuilder {
            scene: self,
            weights: &mut weights,
            pass,
        };
        if let Some(travel) = &travel {
            let mut columns = Vec::new();
            join(&mut columns, &stretch);
            join(&mut columns, &body_shape);
            join(&mut columns, &jaws);
            builder.load_errors(&mut columns, n);
            let seen = [sequences.rest, sequences.stopper, sequences.core];
            let of_travel = builder.rows(travel, rows.len(), columns, &seen, 1.0);
            let lag = GaugeKind::Travel.lag_source();
            for (weight, column) in &of_travel.columns {
                let source = &builder.weights[*weight].source;
                if *source == lag || OF_THE_CELL.contains(&source.as_str()) {
                    unwritten.weights.push(*weight);
                    unwritten.columns.push(column.clone());
                }
            }
            rows.push(of_travel);
            gauges.push(GaugeKind::Travel);
        }
        if let Some(mark) = &mark {
            let (share, half, sd) = if travel.is_some() {
                self.mark_share()
            } else {
                (0.0, 0.0, 0.0)
            };
            let relative =
                self.sheet.gauges.mark.as_ref().and_then(|m| m.against) == Some(Against::Stopper);
            let mut columns = Vec::new();
            if !relative {
                join(&mut columns, &body_shape);
            }
            join(&mut columns, &jaws);
            let beside = travel
                .as_ref()
                .map(|travel| self.travel_beside(mark, travel, core.as_ref()));
            let freed = self.freed_mark(
                mark,
                beside.as_ref(),
                core.as_ref(),
                body.as_ref().filter(|_| relative),
                share,
            );
            if let Some(beside) = &beside {
                // M − αP moves by −P + M per unit of α, over 1 − α twice.
                let column: Vec<f64> = (0..n)
                    .map(|k| (mark.mean[k] - beside.mean[k]) / (1.0 - share).powi(2))
                    .map(finite)
                    .collect();
                let negated: Vec<f64> = column.iter().map(|c| -c).collect();
                builder.nuisance(
                    &mut columns,
                    negated.clone(),
                    Prior::Rectangular(half),
                    "the mark's share of the free length",
                );
                builder.nuisance(
                    &mut columns,
                    negated,
                    Prior::Normal(sd),
                    "distance of the mark",
                );
                for unread in &beside.unread {
                    let column = unread.iter().map(|mm| share / (1.0 - share) * mm);
                    builder.nuisance(
                        &mut columns,
                        column.collect(),
                        Prior::Normal(1.0),
                        "the mark's share of a travel that was not read",
                    );
                }
            }
            // Without a core gauge nothing tells how much of what stays is core slip, in which a free cover has no share.
            if let (Some(rest), Some(similar), None, CoverAtEye::Free | CoverAtEye::Unknown) =
                (sequences.rest, similar, &core, self.sheet.line.cover_at_eye)
            {
                let stayed = &similar.sequences[rest];
                let column = stayed.iter().map(|r| -share / (1.0 - share) * r).collect();
                builder.nuisance(
                    &mut columns,
                    column,
                    Prior::Rectangular(0.5),
                    "core slip under a cover that may be free at the eye",
                );
                if let Some(weight) = builder.weights.last_mut() {
                    weight.centre = 0.5;
                }
            }
            if let (Some(core), CoverAtEye::Unknown) = (&core, self.sheet.line.cover_at_eye) {
                let column: Vec<f64> = core.mean.iter().map(|c| share * finite(*c)).collect();
                builder.nuisance(
                    &mut columns,
                    column,
                    Prior::Rectangular(0.5),
                    "cover at the eye, locked or free",
                );
            }
            rows.push(builder.rows(
                &freed,
                rows.len(),
                columns,
                &[sequences.stopper],
                1.0 / (1.0 - share),
            ));
            gauges.push(GaugeKind::Mark);
        }
        if let Some(tail) = &tail {
            let mut columns = Vec::new();
            join(&mut columns, &tail_shape);
            rows.push(builder.rows(tail, rows.len(), columns, &[sequences.stopper], 1.0));
            gauges.push(GaugeKind::Tail);
        }
        if let Some(body) = &body {
            let mut columns = Vec::new();
            join(&mut columns, &body_shape);
            rows.push(builder.rows(body, rows.len(), columns, &[], 1.0));
            gauges.push(GaugeKind::Body);
        }
        if let Some(core) = &core {
            let against_rig =
                self.sheet.gauges.core.as_ref().and_then(|c| c.against) == Some(Against::Rig);
            let slip = if against_rig { sequences.stopper } else { None };
            rows.push(builder.rows(core, rows.len(), Vec::new(), &[sequences.core, slip], 1.0));
            gauges.push(GaugeKind::Core);
        }
        kept.extend([travel, mark, tail, body, core].into_iter().flatten());

        let problem = Problem {
            blocks: n,
            time: self.time.clone(),
            weights,
            sequences: list,
            rows,
            alike: self.creep_spectrum(&lagged, pass),
        };
        let fit = problem.solve(similar)?;
        let residuals = problem.residuals(&fit);
        let misfit = problem
            .rows
            .iter()
            .zip(&residuals)
            .map(|(rows, r)| misfit(rows, r))
            .collect();
        Ok(Some(Balance {
            problem,
            fit,
            sequences,
            stretch,
            lagged,
            unwritten,
            body: body_shape,
            jaws,
            gauges,
            readings: kept,
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
            earlier: spline.map(<[f64]>::to_vec),
            wander: None,
            other_creep: None,
        }))
    }

    /// Creep of fibres spreads evenly over the decades of time: the lags of an image have weights alike, as closely as
    /// [`Creep`] says. This is what tells a slow recovery from set.
    fn creep_spectrum(
        &self,
        lags: &[Range<usize>],
        pass: Option<&Pass>,
    ) -> Vec<(usize, usize, f64)> {
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
                        .flat_map(move |a| (a + 1..range.end).map(move |b| (a, b, sd)))
                });
                neighbours
                    .map(|(a, b)| (a, b, near * level))
                    .chain(pairs)
                    .collect()
            }
            Creep::Uneven => {
                let near = EVEN_SCATTER.0 * level;
                let found = |(a, b): (usize, usize)| (spline[a] - spline[b]).powi(2);
                neighbours
                    .map(|(a, b)| (a, b, (near.powi(2) + found((a, b))).sqrt() / 2f64.sqrt()))
                    .collect()
            }
            Creep::Free => Vec::new(),
        }
    }
}

/// The most that jaws give, mm.
pub(in crate::separate) fn jaw_give_mm(sheet: &Sheet) -> f64 {
    sheet
        .stopper
        .jaw_give
        .map_or(JAW_GIVE_MM, |give| 1e3 * give.si())
        .max(JAW_GIVE_LEAST_MM)
}

/// Variance of the residuals against what noise leaves, neighbours' likeness included; at least 1.
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
