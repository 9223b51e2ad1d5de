//! Rows of the gauges in the problem: what each sees of the parts, with the errors of its instrument.

use super::gauges::GaugeReadings;
use super::pass::Pass;
use super::scene::Scene;
use super::shapes::Shapes;
use super::{Sequences, Shape};
use crate::ingest::GaugeKind;
use crate::separate::readings::{self, Reading};
use crate::separate::solve::{Prior, Rows, Weight};
use crate::sheet::Against;

/// Standard deviation before the fit of a lag of a gauge behind the load where no corners show it, s.
const LAG_SD_S: f64 = 0.15;
/// The same for gauges other than the travel's: a part that is always open, s, and a share of the travel's lag.
const LAG_OF_OTHERS: (f64, f64) = (0.01, 1.0);
/// A drift need not be even: half waves over the record, and the standard deviation of each as a share of the stated drift,
/// as of a random walk that ends within it (Karhunen and Loève's sum of its bridge: √2/(kπ√3)).
const UNEVEN_DRIFT: [(f64, f64); 3] = [(1.0, 0.26), (2.0, 0.13), (3.0, 0.09)];
/// Sources of what the cell makes of the stretch: its zero and its drift.
const OF_THE_CELL: [&str; 2] = ["zero of the load cell", "drift of the load cell"];
/// How the source of an uneven drift ends.
pub(in crate::separate) const UNEVEN: &str = ", uneven";

/// Builds the rows of one gauge after the other, with the errors of its instrument.
pub(super) struct RowBuilder<'s, 'a> {
    pub scene: &'s Scene<'a>,
    pub rows: Vec<Rows>,
    pass: Option<&'s Pass>,
    weights: &'s mut Vec<Weight>,
}

impl<'s, 'a> RowBuilder<'s, 'a> {
    pub(super) fn new(
        scene: &'s Scene<'a>,
        pass: Option<&'s Pass>,
        weights: &'s mut Vec<Weight>,
    ) -> Self {
        Self {
            scene,
            rows: Vec::new(),
            pass,
            weights,
        }
    }
}

impl RowBuilder<'_, '_> {
    /// travel = stretch + give of mount and jaws + rest + slip in the stopper + slip of the core.
    pub(super) fn travel(&mut self, read: &GaugeReadings, shapes: &Shapes, sequences: Sequences) {
        let Some(travel) = &read.travel else { return };
        let mut columns = Vec::new();
        for shape in [&shapes.stretch, &shapes.body, &shapes.jaws] {
            join(&mut columns, shape);
        }
        self.load_errors(&mut columns);
        let seen = [sequences.rest, sequences.stopper, sequences.core];
        self.add(travel, columns, &seen, 1.0);
    }

    /// tail = slip in the stopper + give of the tail.
    pub(super) fn tail(&mut self, read: &GaugeReadings, shapes: &Shapes, sequences: Sequences) {
        let Some(tail) = &read.tail else { return };
        let mut columns = Vec::new();
        join(&mut columns, &shapes.tail);
        self.add(tail, columns, &[sequences.stopper], 1.0);
    }

    /// body = give of the mount.
    pub(super) fn body(&mut self, read: &GaugeReadings, shapes: &Shapes) {
        let Some(body) = &read.body else { return };
        let mut columns = Vec::new();
        join(&mut columns, &shapes.body);
        self.add(body, columns, &[], 1.0);
    }

    /// core = slip of the core, and against the rig that in the stopper.
    pub(super) fn core(&mut self, read: &GaugeReadings, sequences: Sequences) {
        let Some(core) = &read.core else { return };
        let gauge = self.scene.sheet.gauges.core.as_ref();
        let against_rig = gauge.and_then(|c| c.against) == Some(Against::Rig);
        let slip = sequences.stopper.filter(|_| against_rig);
        self.add(core, Vec::new(), &[sequences.core, slip], 1.0);
    }

    /// A column of an error about zero, if it can be there at all.
    pub(super) fn nuisance(
        &mut self,
        columns: &mut Vec<(usize, Vec<f64>)>,
        column: Vec<f64>,
        prior: Prior,
        source: &str,
    ) {
        self.nuisance_about(0.0, columns, column, prior, source);
    }

    /// A column of an error about a centre, if it can be there at all.
    pub(super) fn nuisance_about(
        &mut self,
        centre: f64,
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
            centre,
            source: source.to_owned(),
        });
    }

    /// Zero and drift of the cell bend the stretch.
    fn load_errors(&mut self, columns: &mut Vec<(usize, Vec<f64>)>) {
        let Some(pass) = self.pass else { return };
        let errors = self.scene.record.load.errors;
        let dwell = self.scene.dwell;
        let zero = pass.slope[..dwell].iter().sum::<f64>() / dwell as f64;
        let time = &self.scene.time;
        let (first, last) = (time[0], time[time.len() - 1]);
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

    /// Adds the rows of one gauge. `enlarged`: by how much the reading and its instrument's errors were.
    pub(super) fn add(
        &mut self,
        reading: &Reading,
        mut columns: Vec<(usize, Vec<f64>)>,
        sequences: &[Option<usize>],
        enlarged: f64,
    ) {
        let place = self.rows.len();
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
                let corners = gauge.and_then(|g| g.lag).map_or(0.0, |l| l.lag_s);
                self.nuisance_about(
                    corners - pass.lag(reading.kind),
                    &mut columns,
                    lag,
                    Prior::Normal(known.unwrap_or(LAG_SD_S)),
                    &reading.kind.lag_source(),
                );
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
                    self.nuisance_about(common - taken, &mut columns, lag, sd, &source);
                }
            }
        }
        self.rows.push(Rows {
            reading: reading.mean.clone(),
            variance,
            columns,
            sequences: sequences.iter().flatten().copied().collect(),
        });
    }
}

/// What the travel gauge saw of the line that the shapes do not hold: columns of its own lag and of the cell's errors.
pub(super) fn unwritten(read: &GaugeReadings, rows: &[Rows], weights: &[Weight]) -> Shape {
    let mut unwritten = Shape::default();
    let lag = GaugeKind::Travel.lag_source();
    let of_travel = rows.first().filter(|_| read.travel.is_some());
    for (weight, column) in of_travel.into_iter().flat_map(|rows| &rows.columns) {
        let source = &weights[*weight].source;
        if *source == lag || OF_THE_CELL.contains(&source.as_str()) {
            unwritten.weights.push(*weight);
            unwritten.columns.push(column.clone());
        }
    }
    unwritten
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
