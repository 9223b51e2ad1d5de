//! Wear: how does the limit fall with loaded releases, hauls through the closed grip, or load cycles, and after how many
//! does it cross the proof load?
//!
//! Method: the logarithm of the load against the number, one straight per series (one stopper with one kind of line; or
//! one length held again and again). Where it crosses the proof load follows by Fieller's theorem, so that a flat slope
//! gives "not bounded" and not a number. Source: Fieller 1954.
//! Assumption: wear takes a constant share per event, within the numbers pulled; nothing is carried beyond ten times them.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Settings;
use super::model::{self, Spread, Unit};
use crate::pool::{Held, Pull};
use crate::sheet::Rule;
use crate::stats::censored::Observed;
use crate::stats::quantile;

/// What wears.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Counter {
    /// Releases under load.
    LoadedReleases,
    /// Hauls through the closed grip.
    HaulsClosed,
    /// Load cycles of the held length.
    LoadCycles,
}

impl Counter {
    /// Every counter.
    pub const ALL: [Self; 3] = [Self::LoadedReleases, Self::HaulsClosed, Self::LoadCycles];

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::LoadedReleases => "loaded releases",
            Self::HaulsClosed => "hauls through the closed grip",
            Self::LoadCycles => "load cycles",
        }
    }

    fn of(self, pull: &Pull) -> Option<f64> {
        match self {
            Self::LoadedReleases => pull.loaded_releases,
            Self::HaulsClosed => pull.hauls_closed,
            Self::LoadCycles => pull.load_cycles,
        }
        .map(f64::from)
    }
}

/// Where the limit crosses the proof load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Crossing {
    /// The proof load, kN.
    pub proof_kn: f64,
    /// Best number, where the straight crosses at all.
    pub at: Option<f64>,
    /// Not before this number (95 %, one of two ends); absent where nothing bounds it.
    pub low: Option<f64>,
    /// Not after this number; absent where nothing bounds it.
    pub high: Option<f64>,
    /// What that means in words.
    pub words: String,
}

/// One wear series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Wear {
    /// What wore: stopper with a kind of line, or a length of a line.
    pub name: String,
    /// What was counted.
    pub counter: Counter,
    /// Number and load (kN) of each pull.
    pub points: Vec<(f64, Observed)>,
    /// Load at none, kN.
    pub fresh_kn: f64,
    /// Change of the load per event, share: negative where it falls.
    pub per_event: f64,
    /// Ends of its 95 % interval.
    pub per_event_low: f64,
    /// Upper end.
    pub per_event_high: f64,
    /// The straight with its band: number, load, low, high (kN), for the chart.
    pub course: Vec<(f64, f64, f64, f64)>,
    /// Where it crosses the proof load, if one is stated.
    pub crossing: Option<Crossing>,
}

/// Different numbers that make a series.
const LEAST: usize = 3;
/// How far beyond the numbers pulled a crossing is told.
const BEYOND: f64 = 10.0;

pub(super) fn all(pulls: &[Pull], rule: Rule, settings: &Settings) -> Vec<Wear> {
    let worn: BTreeSet<(&str, &str)> = pulls
        .iter()
        .filter(|p| p.held == Held::Worn)
        .map(|p| (p.line.as_str(), p.length.as_str()))
        .collect();
    let mut series: BTreeMap<String, Vec<&Pull>> = BTreeMap::new();
    for pull in pulls {
        let name = if worn.contains(&(pull.line.as_str(), pull.length.as_str())) {
            format!("{} {} in {}", pull.line, pull.length, pull.stopper)
        } else {
            let name = format!("{} with {}", pull.stopper, pull.line_kind);
            if pull.treatment == crate::pool::NO_TREATMENT {
                name
            } else {
                format!("{name}, {}", pull.treatment)
            }
        };
        series.entry(name).or_default().push(pull);
    }
    let mut found = Vec::new();
    for (name, own) in series {
        for counter in Counter::ALL {
            let points: Vec<(f64, Observed, &Pull)> = own
                .iter()
                .filter_map(|p| Some((counter.of(p)?, p.figure(rule)?.load?, *p)))
                .collect();
            found.extend(one(&name, counter, &points, settings));
        }
    }
    found
}

fn one(
    name: &str,
    counter: Counter,
    points: &[(f64, Observed, &Pull)],
    settings: &Settings,
) -> Option<Wear> {
    let numbers: BTreeSet<u64> = points.iter().map(|p| p.0.to_bits()).collect();
    let reached = points.iter().filter(|p| p.1.is_reached()).count();
    if numbers.len() < LEAST || reached < LEAST {
        return None;
    }
    let largest = points.iter().map(|p| p.0).fold(0.0, f64::max);
    // Numbers as shares of the largest keep the equations well scaled.
    let units: Vec<Unit> = points
        .iter()
        .map(|(x, load, _)| Unit {
            level: 0,
            blocks: Vec::new(),
            covariates: vec![x / largest],
            y: match *load {
                Observed::At(v) => Observed::At(v.ln()),
                Observed::Above(v) => Observed::Above(v.ln()),
                Observed::Between(a, b) => Observed::Between(a.ln(), b.ln()),
            },
        })
        .collect();
    let model = model::fit(&units, 1, 0, Spread::Common)?;
    let (a, b, covariance) = model.line(0)?;
    let t = quantile::two_sided(settings.level, b.freedom);
    let straight = Straight {
        a: a.value,
        b: b.value,
        vaa: a.error.powi(2),
        vbb: b.error.powi(2),
        vab: covariance,
        t,
    };
    let course = (0..=40)
        .map(|i| {
            let x = f64::from(i) / 40.0;
            let (y, half) = straight.at(x);
            (x * largest, y.exp(), (y - half).exp(), (y + half).exp())
        })
        .collect();
    let proof = points
        .iter()
        .filter_map(|p| p.2.proof_kn)
        .fold(0.0, f64::max);
    let share = |slope: f64| (slope / largest).exp_m1();
    Some(Wear {
        name: name.into(),
        counter,
        points: points.iter().map(|p| (p.0, p.1)).collect(),
        fresh_kn: a.value.exp(),
        per_event: share(b.value),
        per_event_low: share(b.value - t * b.error),
        per_event_high: share(b.value + t * b.error),
        course,
        crossing: (proof > 0.0).then(|| straight.crossing(proof, largest, counter)),
    })
}

/// A fitted straight y = a + b·x with its covariance and the factor of its intervals.
struct Straight {
    a: f64,
    b: f64,
    vaa: f64,
    vbb: f64,
    vab: f64,
    t: f64,
}

impl Straight {
    fn at(&self, x: f64) -> (f64, f64) {
        let variance = self.vaa + 2.0 * x * self.vab + x * x * self.vbb;
        (self.a + self.b * x, self.t * variance.max(0.0).sqrt())
    }

    /// Set of x at which the level is not refuted: Fieller's quadratic.
    fn crossing(&self, proof_kn: f64, largest: f64, counter: Counter) -> Crossing {
        let level = proof_kn.ln();
        let d = self.a - level;
        let t2 = self.t * self.t;
        let (q2, q1, q0) = (
            self.b * self.b - t2 * self.vbb,
            self.b * d - t2 * self.vab,
            d * d - t2 * self.vaa,
        );
        let within = |x: f64| (0.0..=BEYOND).contains(&x).then_some(x * largest);
        let falls = self.b < 0.0;
        let at = (self.b != 0.0).then(|| -d / self.b).and_then(within);
        let root = q1 * q1 - q2 * q0;
        let (mut low, mut high) = (None, None);
        if q0 <= 0.0 && d > 0.0 || d <= 0.0 {
            // The fresh load itself is not surely above the proof load.
            low = Some(0.0);
        }
        if root > 0.0 {
            let (x1, x2) = ((-q1 - root.sqrt()) / q2, (-q1 + root.sqrt()) / q2);
            let (x1, x2) = (x1.min(x2), x1.max(x2));
            if q2 > 0.0 && falls {
                low = low.or(within(x1.max(0.0)));
                high = within(x2);
            } else if q2 < 0.0 {
                // Only one end: the level is refuted between the roots.
                low = low.or(within(x2));
            }
        }
        let (word, digits) = (counter.words(), |v: f64| format!("{v:.0}"));
        let words = match (at, low, high) {
            _ if d <= 0.0 => format!(
                "fresh, it does not reach the proof load on average (best figure {:.2} kN)",
                self.a.exp()
            ),
            (Some(at), Some(low), Some(high)) => format!(
                "crosses the proof load after {} {word} (95 % interval {} to {})",
                digits(at),
                digits(low),
                digits(high)
            ),
            (_, Some(low), None) if low > 0.0 => format!(
                "holds the proof load up to {} {word} at least (one-sided); no upper number is bounded by these pulls",
                digits(low)
            ),
            _ => format!(
                "the number of {word} at which it crosses the proof load is not bounded by these pulls"
            ),
        };
        Crossing {
            proof_kn,
            at,
            low,
            high,
            words,
        }
    }
}
