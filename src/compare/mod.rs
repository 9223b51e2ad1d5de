//! Many pulls against each other: which pair holds more, by how much, and who cannot be told apart?
//!
//! Pulls are grouped (by pair unless asked otherwise); each group is pooled ([`crate::pool`]), differences are found
//! within sessions (`model`), ranked only where the sessions connect the groups and the rates agree, and the wear, the
//! diameter and pairs never tested are told where the pulls allow it. What is left out is named with the reason.
//! Assumptions: lognormal loads; additive effects of session and group on the logarithm.

mod components;
mod diameter;
mod differences;
mod gather;
pub(crate) mod model;
mod rates;
mod settings;
mod untested;
mod wear;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use components::{Components, SessionPrecision};
pub use diameter::{DiameterLaw, DiameterPoint, Predicted};
pub(crate) use differences::Joint;
pub use differences::{Difference, Place, Ranking, Told};
pub use model::Spread;
pub use rates::RateLaw;
pub use settings::{By, Settings};
pub use untested::Untested;
pub use wear::{Counter, Crossing, Wear};

use crate::caveat::Caveat;
use crate::figures::Units;
use crate::pool::{Pull, Repeats};
use crate::sheet::Rule;
use crate::units::{Dimension as _, ForceDim, LengthDim, find_unit};

/// Version of the form of `comparison.json`.
pub const SCHEMA_VERSION: u32 = 1;

/// Everything found about many pulls.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Comparison {
    /// Version of this form.
    pub schema_version: u32,
    /// Version of bitterend.
    pub version: String,
    /// Settings.
    pub settings: Settings,
    /// The rule whose loads are compared.
    pub rule: Rule,
    /// Share that the tolerance bounds are for.
    pub share: f64,
    /// Their confidence.
    pub confidence: f64,
    /// Who can be told apart, or why nobody is ranked.
    pub ranking: Ranking,
    /// Groups, the highest median first.
    pub groups: Vec<Group>,
    /// Every two groups.
    pub differences: Vec<Difference>,
    /// Where the scatter comes from.
    pub components: Option<Components>,
    /// Repeatability and reproducibility of groups pulled in several sessions.
    pub precision: Vec<SessionPrecision>,
    /// Rates, and the law that brought them together.
    pub rates: RateLaw,
    /// Wear series.
    pub wear: Vec<Wear>,
    /// Holding load against the position in the stopper's span.
    pub diameter: Vec<DiameterLaw>,
    /// Pairs that were not tested, predicted from their line and their stopper.
    pub untested: Vec<Untested>,
    /// What a reader must know first.
    pub caveats: Vec<Caveat>,
    /// Pulls that could be read but not compared, with the reason.
    pub set_aside: Vec<SetAside>,
    /// Folders that could not be analysed, with the error.
    pub skipped: Vec<SetAside>,
    /// The pulls.
    pub pulls: Vec<Pull>,
}

/// A group with its pooled figures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// Names of its pulls.
    pub pulls: Vec<String>,
    /// Sessions in which it was pulled.
    pub sessions: Vec<String>,
    /// What repeats say together.
    pub repeats: Repeats,
    /// Position of its line in the stopper's span: 0 at the thinnest, 1 at the thickest; the mean over pulls.
    pub position: Option<f64>,
    /// Median over the rated load.
    pub of_rated: Option<f64>,
}

/// A pull that is no part of the comparison.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SetAside {
    /// Folder or file.
    pub name: String,
    /// Why.
    pub why: String,
}

/// Compares pulls. `skipped` are folders that could not be analysed; they are only named. Never fails: what cannot be
/// found is absent with its reason.
#[must_use]
pub fn compare(pulls: Vec<Pull>, skipped: Vec<SetAside>, settings: &Settings) -> Comparison {
    let gathered = gather::gather(&pulls, settings);
    let mut caveats = gathered.caveats.clone();
    let (law, found) = rates::law(&gathered, settings);
    caveats.extend(found);
    let mut groups = gather::groups(&gathered, settings);
    let (differences, ranking, found) = differences::all(&gathered, &law, settings);
    caveats.extend(found);
    let components = components::of(&gathered);
    let precision = components::precision(&gathered);
    let wear = wear::all(&pulls, gathered.rule, settings);
    let (diameter, found) = diameter::all(&gathered, &groups, settings);
    caveats.extend(found);
    let untested = untested::all(&gathered, settings);
    groups.sort_by(|a, b| {
        let middle = |g: &Group| g.repeats.median.value.or(g.repeats.median.low);
        middle(b)
            .unwrap_or(0.0)
            .total_cmp(&middle(a).unwrap_or(0.0))
            .then_with(|| a.name.cmp(&b.name))
    });
    caveats.sort_by_key(|c| std::cmp::Reverse(c.weight));
    Comparison {
        schema_version: SCHEMA_VERSION,
        version: env!("CARGO_PKG_VERSION").into(),
        settings: settings.clone(),
        rule: gathered.rule,
        share: gathered.share,
        confidence: gathered.confidence,
        ranking,
        groups,
        differences,
        components,
        precision,
        rates: law,
        wear,
        diameter,
        untested,
        caveats,
        set_aside: gathered.set_aside,
        skipped,
        pulls,
    }
}

/// Only the differences and the order of [`compare`], for studies that need nothing else.
#[must_use]
pub fn tell_apart(pulls: &[Pull], settings: &Settings) -> (Vec<Difference>, Ranking) {
    let gathered = gather::gather(pulls, settings);
    let (law, _) = rates::law(&gathered, settings);
    let (differences, ranking, _) = differences::all(&gathered, &law, settings);
    (differences, ranking)
}

impl Comparison {
    /// The units that reports and charts speak: those of the sheets where they agree, else kN.
    #[must_use]
    pub fn units(&self) -> Units {
        let mut symbols = self.pulls.iter().map(|p| p.force_unit.as_str());
        let first = symbols.next().unwrap_or("kN");
        let symbol = if symbols.all(|s| s == first) {
            first
        } else {
            "kN"
        };
        let us = matches!(symbol, "lbf" | "kip");
        Units {
            force: find_unit::<ForceDim>(symbol).unwrap_or(&ForceDim::UNITS[0]),
            length: find_unit::<LengthDim>(if us { "in" } else { "mm" })
                .unwrap_or(&LengthDim::UNITS[0]),
        }
    }

    /// True where any pull was made by the simulator.
    #[must_use]
    pub fn simulated(&self) -> bool {
        self.pulls.iter().any(|p| p.simulated)
    }
}

#[cfg(test)]
pub(crate) mod tests;
