//! One gauge's rows in the problem, with the errors of its instrument.

use super::Shape;
use super::pass::Pass;
use super::scene::Scene;
use crate::ingest::GaugeKind;
use crate::separate::readings::{self, Reading};
use crate::separate::solve::{Prior, Rows, Weight};

/// Standard deviation before the fit of a lag of a gauge behind the load where no corners show it, s.
const LAG_SD_S: f64 = 0.15;
/// The same for gauges other than the travel's: a part that is always open, s, and a share of the travel's lag.
const LAG_OF_OTHERS: (f64, f64) = (0.01, 1.0);
/// A drift need not be even: half waves over the record, and the standard deviation of each as a share of the stated drift,
/// as of a random walk that ends within it (Karhunen and Loève's sum of its bridge: √2/(kπ√3)).
const UNEVEN_DRIFT: [(f64, f64); 3] = [(1.0, 0.26), (2.0, 0.13), (3.0, 0.09)];
/// Sources of what the cell makes of the stretch: its zero and its drift.
pub(super) const OF_THE_CELL: [&str; 2] = ["zero of the load cell", "drift of the load cell"];
/// How the source of an uneven drift ends.
pub(in crate::separate) const UNEVEN: &str = ", uneven";

/// Builds one gauge's rows with its instrument's errors.
pub(super) struct RowBuilder<'s, 'a> {
    pub scene: &'s Scene<'a>,
    pub weights: &'s mut Vec<Weight>,
    pub pass: Option<&'s Pass>,
}

impl RowBuilder<'_, '_> {
    pub(super) fn nuisance(
        &mut self,
        columns: &mut Vec<(usize, Vec<f64>)>,
        column: Vec<f64>,
        prior: Prior,
        source: &str,
    ) {
        let nothing = match prior {
            Prior::None => false,
            Prior::Normal(s) | Prior::Rectangular(s) | Prior::Held(s) => s <= 0.0,
        };
        if nothing {
            return;
        }
        columns.push((self.weights.len(), column));
        self.weights.push(Weight {
            non_negative: false,
            prior,
            centre: 0.0,
            source: source.to_owned(),
        });
    }

    /// Zero and drift of the cell bend the stretch.
    pub(super) fn load_errors(&mut self, columns: &mut Vec<(usize, Vec<f64>)>, n: usize) {
        let Some(pass) = self.pass else { return };
        let errors = self.scene.record.load.errors;
        let dwell = self.scene.dwell;
        let zero = pass.slope[..dwell].iter().sum::<f64>() / dwell as f64;
        let (first, last) = (self.scene.time[0], self.scene.time[n - 1]);
        let span = (last - first).max(1e-9);
        let shift: Vec<f64> = pass.slope.iter().map(|s| -(s - zero)).collect();
        let drift: Vec<f64> = pass
            .slope
            .iter()
            .zip(&self.scene.time)
            .map(|(s, t)| -s * (t - first) / span)
            .collect();
        self.nuisance(
            columns,
            shift,
            Prior::Rectangular(errors.fixed),
            OF_THE_CELL[0],
        );
        self.nuisance(
            columns,
            drift,
            Prior::Rectangular(errors.drift),
            OF_THE_CELL[1],
        );
    }

    pub(super) fn rows(
        &mut self,
        reading: &Reading,
        place: usize,
        mut columns: Vec<(usize, Vec<f64>)>,
        sequences: &[Option<usize>],
        enlarged: f64,
    ) -> Rows {
        let n = reading.mean.len();
        let name = reading.kind.name();
        self.weights.push(Weight {
            non_negative: false,
            prior: Prior::None,
            centre: 0.0,
            source: String::new(),
        });
        columns.push((self.weights.len() - 1, vec![1.0; n]));
        // Of what an earlier fit made of the reading: of the reading itself it would take along what no part explains, and
        // pay the less for that the smaller it made all parts.
        let left = self.pass.and_then(|p| p.left.get(place));
        let gained: Vec<f64> = match left {
            Some(left) => reading
                .mean
                .iter()
                .zip(left)
                .map(|(m, l)| finite(m - l))
                .collect(),
            None => vec![0.0; n],
        };
        self.nuisance(
            &mut columns,
            gained,
            Prior::Rectangular(reading.errors.gain),
            &format!("accuracy of the {name} gauge"),
        );
        let (first, last) = (self.scene.time[0], self.scene.time[n - 1]);
        let drifted: Vec<f64> = self
            .scene
            .time
            .iter()
            .map(|t| (t - first) / (last - first).max(1e-9))
            .collect();
        self.nuisance(
            &mut columns,
            drifted,
            Prior::Rectangular(enlarged * reading.errors.drift),
            &format!("drift of the {name} gauge"),
        );
        if self.pass.is_some_and(|p| p.uneven.contains(&reading.kind)) {
            for (waves, share) in UNEVEN_DRIFT {
                let wander = |t: &f64| {
                    (waves * std::f64::consts::PI * (t - first) / (last - first).max(1e-9)).sin()
                };
                self.nuisance(
                    &mut columns,
                    self.scene.time.iter().map(wander).collect(),
                    Prior::Normal(share * enlarged * reading.errors.drift),
                    &uneven_drift(reading.kind),
                );
            }
        }
        let mut variance = reading.variance.clone();
        if let Some(pass) = self.pass {
            if reading.kind == GaugeKind::Travel {
                for ((v, slope), load) in variance
                    .iter_mut()
                    .zip(&pass.slope)
                    .zip(&self.scene.load_variance)
                {
                    *v += slope.powi(2) * load;
                }
                let gauge = self.scene.record.gauge(reading.kind);
                let known = gauge.and_then(|g| g.lag).map(|l| l.standard_uncertainty_s);
                let lag: Vec<f64> = (0..n)
                    .map(|k| -pass.slope[k] * self.scene.load_rate[k])
                    .collect();
                self.nuisance(
                    &mut columns,
                    lag,
                    Prior::Normal(known.unwrap_or(LAG_SD_S)),
                    &reading.kind.lag_source(),
                );
                if let Some(weight) = self.weights.last_mut() {
                    let corners = gauge.and_then(|g| g.lag).map_or(0.0, |l| l.lag_s);
                    weight.centre = corners - pass.lag(reading.kind);
                }
            }
            let factor = pass.misfit.get(place).copied().unwrap_or(1.0);
            for v in &mut variance {
                *v *= factor;
            }
            if reading.kind != GaugeKind::Travel {
                let taken = pass.lag(reading.kind);
                let rate =
                    readings::rate(reading.kind, self.scene.record, &self.scene.blocks, taken);
                if let Some(rate) = rate {
                    // Channels of one logger mostly pass one filter: what lags the travel shows, others may have too.
                    let common = pass.lag(GaugeKind::Travel);
                    let lag = rate.iter().map(|r| -enlarged * r).collect();
                    let source = reading.kind.lag_source();
                    let sd = Prior::Normal(lag_of_others(common));
                    self.nuisance(&mut columns, lag, sd, &source);
                    if let Some(weight) = self.weights.last_mut() {
                        weight.centre = common - taken;
                    }
                }
            }
        }
        Rows {
            reading: reading.mean.clone(),
            variance,
            columns,
            sequences: sequences.iter().flatten().copied().collect(),
        }
    }
}

impl GaugeKind {
    pub(super) fn lag_source(self) -> String {
        format!("lag of the {} gauge", self.name())
    }

    pub(in crate::separate) fn from_lag_source(source: &str) -> Option<Self> {
        let name = source.strip_prefix("lag of the ")?.strip_suffix(" gauge")?;
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// Standard deviation before the fit of the lag of a gauge other than the travel's, which lags by `common`, s.
pub(super) fn lag_of_others(common: f64) -> f64 {
    LAG_OF_OTHERS.0 + LAG_OF_OTHERS.1 * common.abs()
}

fn uneven_drift(gauge: GaugeKind) -> String {
    format!("drift of the {} gauge{UNEVEN}", gauge.name())
}

pub(super) fn finite(v: f64) -> f64 {
    if v.is_finite() { v } else { 0.0 }
}

pub(super) fn join(columns: &mut Vec<(usize, Vec<f64>)>, shape: &Shape) {
    columns.extend(
        shape
            .weights
            .iter()
            .copied()
            .zip(shape.columns.iter().cloned()),
    );
}
