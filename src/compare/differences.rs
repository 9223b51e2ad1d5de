//! Which groups differ, by how much, and in which order do they stand?
//!
//! Intervals of all differences hold together with the stated probability: Welch's statistic at the level of Šidák where
//! each group scatters in its own way (Tamhane's T2; Games and Howell's, which are shorter, held jointly in 88 to 94 % of
//! simulated benchmarks of two to five lines a pair), Tukey's where one scatter is assumed. What the load cells of two groups share cancels in their ratio; what they do not share is added. A group's
//! place is the range that the differences leave. Nothing is ranked across groups that never met in a session, nor across
//! rates that cannot be brought together; it is said what to add.
//! Source: Tamhane 1979; Šidák 1967; Tukey 1953; Kramer 1956.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::gather::Gathered;
use super::model::{self, Model, Spread, Unit};
use super::{By, RateLaw, Settings};
use crate::caveat::{Caveat, Weight};
use crate::stats::quantile;
use crate::stats::studentized::StudentizedRange;

/// What can be said of two groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Told {
    /// The first holds more, by more than matters as far as that is stated.
    First,
    /// The second holds more.
    Second,
    /// They differ, but surely by less than matters.
    Alike,
    /// They cannot be told apart.
    NotApart,
    /// They cannot be compared.
    NotCompared,
}

/// Two groups against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Difference {
    /// One group.
    pub first: String,
    /// The other.
    pub second: String,
    /// Load of the first over that of the second.
    pub ratio: Option<f64>,
    /// Lower end of its interval; all intervals hold together.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Standard error of the logarithm of the ratio.
    pub standard_error: Option<f64>,
    /// Degrees of freedom.
    pub freedom: Option<f64>,
    /// Probability of so large a difference among all if nothing differed.
    pub p: Option<f64>,
    /// What can be said.
    pub told: Told,
    /// Why not, where nothing can.
    pub reason: Option<String>,
}

/// Where a group stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// The group.
    pub name: String,
    /// Best place that the differences leave.
    pub best: usize,
    /// Worst place.
    pub worst: usize,
}

/// The order, or why there is none.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ranking {
    /// Groups from the highest estimate down; empty where nothing is ranked.
    pub places: Vec<Place>,
    /// Why nothing is ranked; empty where it is.
    pub refused: String,
    /// What would allow it, first things first.
    pub to_add: Vec<String>,
    /// Groups left out of the order, with the reason.
    pub left_out: Vec<String>,
    /// Sessions are taken out as blocks, and lines too where they are held in several groups.
    pub paired: bool,
}

pub(super) fn all(
    gathered: &Gathered,
    law: &RateLaw,
    settings: &Settings,
) -> (Vec<Difference>, Ranking, Vec<Caveat>) {
    let names = &gathered.names;
    let count = names.len();
    let mut ranking = Ranking {
        paired: gathered.paired,
        ..Ranking::default()
    };
    let (units, blocks) = gathered.units(settings, |c| law.covariate(c));
    let mut reached = vec![0usize; count];
    for unit in units.iter().filter(|u| u.y.is_reached()) {
        reached[unit.level] += 1;
    }
    let usable: Vec<bool> = reached.iter().map(|r| *r > 0).collect();
    let units: Vec<Unit> = units.into_iter().filter(|u| usable[u.level]).collect();
    for (name, _) in names.iter().zip(&usable).filter(|(_, u)| !**u) {
        ranking.left_out.push(format!(
            "{name}: no line of it let go, so it has a lower bound and no place"
        ));
    }
    let compared = usable.iter().filter(|u| **u).count();
    if count < 2 || compared < 2 {
        ranking.refused = format!(
            "there are fewer than two {} with a limit that was reached",
            settings.by.plural()
        );
        ranking.to_add.push(
            "pull until it lets go, or up to a higher load within the chain's working loads".into(),
        );
        return (Vec::new(), ranking, Vec::new());
    }
    let Some(model) = model::fit(&units, count, blocks, settings.spread) else {
        ranking.refused = format!(
            "every one of the {} was pulled once, so nothing tells difference from scatter",
            settings.by.plural()
        );
        ranking.to_add.push(
            "repeat at least one of them on another line of its kind, in the same session".into(),
        );
        return (Vec::new(), ranking, Vec::new());
    };
    let joint = Joint::new(settings.spread, compared, settings.level);
    let gains = Gains::of(gathered, count);
    let mut differences = Vec::new();
    for a in 0..count {
        for b in a + 1..count {
            let names = (&names[a], &names[b]);
            differences.push(if law.refused.is_empty() {
                difference(names, (a, b), (&model, &usable), &joint, &gains, settings)
            } else {
                not_compared(names, law.refused.clone())
            });
        }
    }
    if law.refused.is_empty() {
        order(
            &mut ranking,
            gathered,
            &usable,
            &model,
            &differences,
            settings,
        );
    } else {
        ranking.refused.clone_from(&law.refused);
        ranking
            .to_add
            .push("pull at one rate, or one pair at both rates in one session".into());
    }
    let caveats = remarks(names, &reached, settings);
    (differences, ranking, caveats)
}

fn not_compared(names: (&String, &String), reason: String) -> Difference {
    Difference {
        first: names.0.clone(),
        second: names.1.clone(),
        ratio: None,
        low: None,
        high: None,
        standard_error: None,
        freedom: None,
        p: None,
        told: Told::NotCompared,
        reason: Some(reason),
    }
}

fn difference(
    names: (&String, &String),
    (a, b): (usize, usize),
    (model, usable): (&Model, &[bool]),
    joint: &Joint,
    gains: &Gains,
    settings: &Settings,
) -> Difference {
    if !usable[a] || !usable[b] {
        return not_compared(names, "no line of one of them let go".into());
    }
    if !model.compares(a, b) {
        return not_compared(
            names,
            "they never met: nothing tells their difference from that of the days".into(),
        );
    }
    let Some(d) = model.difference(a, b) else {
        return not_compared(names, "too few pulls to know their scatter".into());
    };
    // The statistical half width and the gains that do not cancel, as root of the sum of squares.
    let half = (joint.factor(d.freedom) * d.error).hypot(gains.between(a, b));
    let (low, high) = ((d.value - half).exp(), (d.value + half).exp());
    let matters = settings.matters.unwrap_or(0.0);
    let told = if low > 1.0 / (1.0 + matters) && high < 1.0 + matters {
        Told::Alike
    } else if low > 1.0 {
        Told::First
    } else if high < 1.0 {
        Told::Second
    } else {
        Told::NotApart
    };
    Difference {
        first: names.0.clone(),
        second: names.1.clone(),
        ratio: Some(d.value.exp()),
        low: low.is_finite().then_some(low),
        high: high.is_finite().then_some(high),
        standard_error: Some(d.error),
        freedom: Some(d.freedom),
        p: Some(joint.p(d.value / d.error, d.freedom)),
        told,
        reason: None,
    }
}

/// What makes all intervals hold together.
pub(crate) enum Joint {
    /// Each group its own scatter: Šidák's level for so many comparisons.
    Own {
        /// Comparisons.
        comparisons: f64,
        /// Joint coverage.
        level: f64,
    },
    /// One scatter: the range of so many means.
    Common {
        /// The range.
        range: Box<StudentizedRange>,
        /// Joint coverage.
        level: f64,
    },
}

impl Joint {
    /// For so many groups.
    pub(crate) fn new(spread: Spread, groups: usize, level: f64) -> Self {
        match spread {
            Spread::Own => Self::Own {
                comparisons: (groups * (groups - 1)) as f64 / 2.0,
                level,
            },
            Spread::Common => Self::Common {
                range: Box::new(StudentizedRange::new(groups)),
                level,
            },
        }
    }

    /// Factor of the standard error of a difference.
    pub(crate) fn factor(&self, freedom: f64) -> f64 {
        match self {
            Self::Own { comparisons, level } => {
                quantile::two_sided(level.powf(1.0 / comparisons), freedom)
            }
            Self::Common { range, level } => {
                range.quantile(*level, freedom) / std::f64::consts::SQRT_2
            }
        }
    }

    /// Probability of so large a ratio among all where nothing differs.
    fn p(&self, t: f64, freedom: f64) -> f64 {
        match self {
            Self::Own { comparisons, .. } => {
                let single = quantile::fisher_exceeded(t * t, 1.0, freedom);
                -(comparisons * (-single).ln_1p()).exp_m1()
            }
            Self::Common { range, .. } => {
                1.0 - range.share(std::f64::consts::SQRT_2 * t.abs(), freedom)
            }
        }
    }
}

/// Places of all groups, or the refusal.
fn order(
    ranking: &mut Ranking,
    gathered: &Gathered,
    usable: &[bool],
    model: &Model,
    differences: &[Difference],
    settings: &Settings,
) {
    let ranked: Vec<usize> = (0..gathered.names.len()).filter(|g| usable[*g]).collect();
    let mut sets: Vec<Vec<usize>> = Vec::new();
    for &g in &ranked {
        match sets.iter_mut().find(|s| model.compares(s[0], g)) {
            Some(set) => set.push(g),
            None => sets.push(vec![g]),
        }
    }
    if sets.len() > 1 {
        refuse(ranking, gathered, &sets, settings);
        return;
    }
    // From the estimates themselves: the difference to the first of them.
    let mut order: Vec<(usize, f64)> = ranked
        .iter()
        .map(|&g| {
            let d = if g == ranked[0] {
                0.0
            } else {
                model.difference(g, ranked[0]).map_or(0.0, |d| d.value)
            };
            (g, d)
        })
        .collect();
    order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    ranking.places = order
        .iter()
        .map(|(g, _)| {
            let name = &gathered.names[*g];
            let (mut above, mut below) = (0, 0);
            for d in differences {
                match (d.told, &d.first == name, &d.second == name) {
                    (Told::First, true, _) | (Told::Second, _, true) => below += 1,
                    (Told::First, _, true) | (Told::Second, true, _) => above += 1,
                    _ => {}
                }
            }
            Place {
                name: name.clone(),
                best: 1 + above,
                worst: ranked.len() - below,
            }
        })
        .collect();
}

fn refuse(ranking: &mut Ranking, gathered: &Gathered, sets: &[Vec<usize>], settings: &Settings) {
    let listed: Vec<String> = sets
        .iter()
        .map(|s| {
            s.iter()
                .map(|g| gathered.names[*g].as_str())
                .collect::<Vec<_>>()
                .join(" and ")
        })
        .collect();
    let what = if settings.by == By::Pair {
        "session"
    } else {
        "session or in one setting"
    };
    ranking.refused = format!(
        "{} never met in one {what}, so their difference cannot be told from that of the days",
        listed.join("; ")
    );
    let control = &gathered.names[sets[0][0]];
    ranking.to_add.push(format!(
        "pull {} again, on a fresh line, in every other session: as a control it connects the sessions",
        control
    ));
    for set in &sets[1..] {
        let session = gathered.counted.iter().find(|c| set.contains(&c.group));
        if let Some(session) = session.map(|c| &c.pull.session) {
            ranking
                .to_add
                .push(format!("that is at least in the session {session}"));
        }
    }
    ranking.to_add.push(
        "next time pull every one of them in every session, in random order, with a control first, middle and last".into(),
    );
}

fn remarks(names: &[String], reached: &[usize], settings: &Settings) -> Vec<Caveat> {
    let single: Vec<&str> = names
        .iter()
        .zip(reached)
        .filter(|(_, r)| **r == 1)
        .map(|(name, _)| name.as_str())
        .collect();
    let mut caveats = Vec::new();
    if !single.is_empty() && settings.spread == Spread::Own {
        caveats.push(Caveat::new(
            "scatter-borrowed",
            Weight::Caution,
            format!(
                "Only one line let go of: {}. Their scatter is taken from the others.",
                single.join("; ")
            ),
            "Pull at least two lines of each, better four: a pair may scatter more than its neighbours.",
        ));
    }
    caveats
}

/// Gain errors of the load cells, by the share of each cell in each group.
struct Gains {
    shares: Vec<BTreeMap<String, f64>>,
    gains: BTreeMap<String, f64>,
}

impl Gains {
    fn of(gathered: &Gathered, count: usize) -> Self {
        let mut shares = vec![BTreeMap::<String, f64>::new(); count];
        let mut gains = BTreeMap::<String, f64>::new();
        for c in &gathered.counted {
            *shares[c.group].entry(c.pull.cell.clone()).or_default() += 1.0;
            let gain = gains.entry(c.pull.cell.clone()).or_default();
            *gain = gain.max(c.pull.cell_gain.unwrap_or(0.0));
        }
        for group in &mut shares {
            let n: f64 = group.values().sum();
            group.values_mut().for_each(|v| *v /= n);
        }
        Self { shares, gains }
    }

    /// Half width of what does not cancel between two groups.
    fn between(&self, a: usize, b: usize) -> f64 {
        self.gains
            .iter()
            .map(|(cell, gain)| {
                let share = |g: usize| self.shares[g].get(cell).copied().unwrap_or(0.0);
                (gain * (share(a) - share(b))).powi(2)
            })
            .sum::<f64>()
            .sqrt()
    }
}
