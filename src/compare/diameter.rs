//! Diameter: how does the holding load depend on where the line lies in the stopper's span, and what would a diameter
//! never tested hold?
//!
//! Method: per kind of stopper (and treatment) a straight of the logarithm of the load against the position in the span,
//! through the means of the kinds of line, which are the units here: what one kind of line deviates from the straight is
//! part of the prediction. Refused outside the positions tested.
//! Common practice, no source: a line at the small end of a span may hold only two fifths to three quarters of the rated
//! figure, which is stated for the thickest line. The report warns of such lines; the model is not tuned to this.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::gather::{Counted, Gathered};
use super::model::{self, Spread, Unit};
use super::{Group, Settings};
use crate::caveat::{Caveat, Weight};
use crate::stats::censored::Observed;
use crate::stats::quantile;

/// One kind of line in the stopper.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DiameterPoint {
    /// The kind of line.
    pub line_kind: String,
    /// Its diameter, mm.
    pub diameter_mm: f64,
    /// Its position in the span.
    pub position: f64,
    /// Geometric mean load, kN.
    pub load_kn: f64,
    /// Pulls behind it.
    pub pulls: usize,
}

/// A prediction for a diameter never tested.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Predicted {
    /// The diameter, mm.
    pub diameter_mm: f64,
    /// Its position in the span.
    pub position: f64,
    /// Load, kN; absent where refused.
    pub load_kn: Option<f64>,
    /// Lower end of the prediction interval for the mean of a kind of line, kN.
    pub low_kn: Option<f64>,
    /// Upper end, kN.
    pub high_kn: Option<f64>,
    /// Why it is refused.
    pub refused: Option<String>,
}

/// Holding load against position.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DiameterLaw {
    /// The stopper.
    pub name: String,
    /// Thinnest and thickest line it is made for, mm.
    pub span_mm: (f64, f64),
    /// Rated load, stated for the thickest line, kN.
    pub rated_kn: Option<f64>,
    /// Kinds of line tested.
    pub points: Vec<DiameterPoint>,
    /// Load at the thickest over load at the thinnest position tested.
    pub ratio: Option<f64>,
    /// The straight with its prediction band: position, load, low, high (kN), for the chart; empty without a law.
    pub course: Vec<(f64, f64, f64, f64)>,
    /// A diameter asked for.
    pub predicted: Option<Predicted>,
    /// Why there is no law.
    pub reason: Option<String>,
}

/// Below this position a line counts as at the small end.
const SMALL_END: f64 = 0.25;
/// Kinds of line that a straight with an uncertainty needs.
const LEAST: usize = 3;

pub(super) fn all(
    gathered: &Gathered,
    groups: &[Group],
    settings: &Settings,
) -> (Vec<DiameterLaw>, Vec<Caveat>) {
    let mut stoppers: BTreeMap<String, Vec<&Counted>> = BTreeMap::new();
    for c in &gathered.counted {
        if c.pull.position().is_none() {
            continue;
        }
        let mut name = c.pull.stopper_kind.clone();
        if c.pull.treatment != crate::pool::NO_TREATMENT {
            name = format!("{name}, {}", c.pull.treatment);
        }
        stoppers.entry(name).or_default().push(c);
    }
    let laws = stoppers
        .into_iter()
        .filter_map(|(name, own)| law(name, &own, settings))
        .collect();
    (laws, small_end(groups))
}

fn law(name: String, own: &[&Counted], settings: &Settings) -> Option<DiameterLaw> {
    let first = own.first()?.pull;
    let span = (first.diameter_min_mm?, first.diameter_max_mm?);
    let mut kinds: BTreeMap<&str, Vec<&Counted>> = BTreeMap::new();
    for c in own {
        kinds.entry(&c.pull.line_kind).or_default().push(c);
    }
    let points: Vec<DiameterPoint> = kinds
        .into_iter()
        .filter_map(|(kind, pulls)| {
            let logs: Vec<f64> = pulls
                .iter()
                .filter_map(|c| match c.load {
                    Observed::At(v) => Some(v.ln()),
                    Observed::Between(a, b) => Some(0.5 * (a.ln() + b.ln())),
                    Observed::Above(_) => None,
                })
                .collect();
            // A mean over those that let go alone would be too low; such a kind is left out.
            (logs.len() == pulls.len()).then_some(())?;
            Some(DiameterPoint {
                line_kind: kind.into(),
                diameter_mm: pulls[0].pull.diameter_mm?,
                position: pulls[0].pull.position()?,
                load_kn: (logs.iter().sum::<f64>() / logs.len() as f64).exp(),
                pulls: logs.len(),
            })
        })
        .collect();
    let mut places: Vec<f64> = points.iter().map(|p| p.position).collect();
    places.sort_by(f64::total_cmp);
    places.dedup_by(|a, b| (*a - *b).abs() < 1e-9);
    if places.len() < 2 {
        return None;
    }
    let mut found = DiameterLaw {
        name,
        span_mm: span,
        rated_kn: first.rated_kn,
        ratio: None,
        course: Vec::new(),
        predicted: None,
        reason: None,
        points,
    };
    let (low, high) = (places[0], places[places.len() - 1]);
    let straight =
        Straight::through(&found.points, settings.level).filter(|_| places.len() >= LEAST);
    match &straight {
        Some(s) => {
            found.ratio = Some((s.b * (high - low)).exp());
            found.course = (0..=40)
                .map(|i| {
                    let x = low + (high - low) * f64::from(i) / 40.0;
                    let (y, half) = s.predict(x);
                    (x, y.exp(), (y - half).exp(), (y + half).exp())
                })
                .collect();
        }
        None => {
            found.reason = Some(format!(
                "{} diameters were tested; a straight with an uncertainty needs {LEAST}",
                places.len()
            ));
        }
    }
    found.predicted = settings.diameter_mm.map(|d| {
        predicted(
            d,
            span,
            (low, high),
            straight.as_ref(),
            found.reason.as_deref(),
        )
    });
    Some(found)
}

fn predicted(
    diameter_mm: f64,
    span: (f64, f64),
    tested: (f64, f64),
    straight: Option<&Straight>,
    reason: Option<&str>,
) -> Predicted {
    let position = (diameter_mm - span.0) / (span.1 - span.0);
    let mut found = Predicted {
        diameter_mm,
        position,
        load_kn: None,
        low_kn: None,
        high_kn: None,
        refused: None,
    };
    let slack = 1e-9;
    if !(-slack..=1.0 + slack).contains(&position) {
        found.refused = Some(format!(
            "outside the stopper's span of {} to {} mm",
            span.0, span.1
        ));
    } else if !(tested.0 - slack..=tested.1 + slack).contains(&position) {
        found.refused =
            Some("outside the diameters tested; a straight is not carried beyond them".into());
    } else if let Some(s) = straight {
        let (y, half) = s.predict(position);
        found.load_kn = Some(y.exp());
        found.low_kn = Some((y - half).exp());
        found.high_kn = Some((y + half).exp());
    } else {
        found.refused = reason.map(String::from);
    }
    found
}

/// A straight through the means of kinds of line, with the deviation of a kind in its predictions.
struct Straight {
    a: f64,
    b: f64,
    vaa: f64,
    vbb: f64,
    vab: f64,
    variance: f64,
    t: f64,
}

impl Straight {
    fn through(points: &[DiameterPoint], level: f64) -> Option<Self> {
        let units: Vec<Unit> = points
            .iter()
            .map(|p| Unit {
                level: 0,
                blocks: Vec::new(),
                covariates: vec![p.position],
                y: Observed::At(p.load_kn.ln()),
            })
            .collect();
        let model = model::fit(&units, 1, 0, Spread::Common)?;
        let (a, b, vab) = model.line(0)?;
        Some(Self {
            a: a.value,
            b: b.value,
            vaa: a.error.powi(2),
            vbb: b.error.powi(2),
            vab,
            variance: model.scatter[0].powi(2),
            t: quantile::two_sided(level, b.freedom),
        })
    }

    fn predict(&self, x: f64) -> (f64, f64) {
        let variance = self.vaa + 2.0 * x * self.vab + x * x * self.vbb + self.variance;
        (self.a + self.b * x, self.t * variance.max(0.0).sqrt())
    }
}

/// Groups whose line lies at the small end of the span.
fn small_end(groups: &[Group]) -> Vec<Caveat> {
    groups
        .iter()
        .filter(|g| g.position.is_some_and(|p| p < SMALL_END))
        .map(|g| {
            let held = g.of_rated.map_or_else(String::new, |share| {
                format!(" Here the median is {:.0} % of it.", share * 100.0)
            });
            Caveat::new(
                "small-end-of-the-span",
                Weight::Caution,
                format!(
                    "{}: the line lies at the small end of the stopper's span. The rated load is stated for the thickest line; a thin one may hold two fifths to three quarters of it (common practice, no source).{held}",
                    g.name
                ),
                "Rate this pair by its own pulls; a thicker line, a bulked core or a second cover where it is held, or a stopper with a smaller span would bring it toward the rated load.",
            )
        })
        .collect()
}
