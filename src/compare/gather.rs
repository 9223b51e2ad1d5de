//! Which pulls count, in which group, in which block?
//!
//! Left out, each with its reason: pulls without a figure by the rule, worn lengths (they are wear), and a log given twice.
//! A later pull of a length that has been held in this series is worn, whatever its sheet says.

use std::collections::{BTreeMap, BTreeSet};

use super::model::Unit;
use super::settings::{CONFIDENCE, SHARE};
use super::{By, Group, SetAside, Settings};
use crate::caveat::{Caveat, Weight};
use crate::limit::AtRate;
use crate::pool::{Basis, Held, Pull, UNNAMED, repeats};
use crate::sheet::Rule;
use crate::stats::censored::Observed;

/// A pull that counts.
#[derive(Debug, Clone)]
pub(super) struct Counted<'a> {
    pub pull: &'a Pull,
    pub load: Observed,
    pub rate: AtRate,
    /// Index of its group.
    pub group: usize,
}

/// Pulls that count, by group.
#[derive(Debug, Clone)]
pub(super) struct Gathered<'a> {
    pub rule: Rule,
    /// Names of the groups, in order.
    pub names: Vec<String>,
    pub counted: Vec<Counted<'a>>,
    pub set_aside: Vec<SetAside>,
    pub caveats: Vec<Caveat>,
    pub share: f64,
    pub confidence: f64,
    /// True where lines held in several groups are compared with themselves.
    pub paired: bool,
}

pub(super) fn gather<'a>(pulls: &'a [Pull], settings: &Settings) -> Gathered<'a> {
    let mut set_aside = Vec::new();
    let mut caveats = Vec::new();
    let rule = settings.rule.unwrap_or_else(|| usual_rule(pulls));
    let mut logs: BTreeMap<&str, &str> = BTreeMap::new();
    let worn = worn_by_order(pulls);
    let mut rows = Vec::new();
    for (i, pull) in pulls.iter().enumerate() {
        let mut aside = |why: String| {
            set_aside.push(SetAside {
                name: pull.name.clone(),
                why,
            })
        };
        if !pull.log_sha256.is_empty()
            && let Some(first) = logs.insert(&pull.log_sha256, &pull.name)
        {
            logs.insert(&pull.log_sha256, first);
            aside(format!("the same log as {first}"));
            continue;
        }
        if let Some(why) = &pull.unusable {
            aside(format!("no verdict rests on it: {why}"));
            continue;
        }
        if pull.held == Held::Worn {
            aside(
                "a length that was held before is no repeat; it counts in the wear series".into(),
            );
            continue;
        }
        if let Some(first) = worn[i] {
            aside(format!(
                "the same length of the line as {first}, which was pulled earlier"
            ));
            continue;
        }
        let figure = pull.figure(rule);
        match figure.and_then(|f| Some((f, f.load?))) {
            Some((figure, load)) => rows.push((pull, load, figure.rate)),
            None => {
                let reason = figure.and_then(|f| f.reason.clone());
                aside(format!(
                    "no load by the rule \"{}\": {}",
                    rule_word(rule),
                    reason.unwrap_or_else(|| "its analysis has no such figure".into())
                ));
            }
        }
    }
    let names: Vec<String> = rows
        .iter()
        .map(|(pull, ..)| key(pull, settings.by))
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let counted: Vec<Counted> = rows
        .into_iter()
        .map(|(pull, load, rate)| Counted {
            group: names.binary_search(&key(pull, settings.by)).unwrap_or(0),
            pull,
            load,
            rate,
        })
        .collect();
    let (share, confidence) = asked(&counted, settings, &mut caveats);
    remarks(&counted, &mut caveats);
    Gathered {
        rule,
        paired: held_in_several(&counted),
        names,
        counted,
        set_aside,
        caveats,
        share,
        confidence,
    }
}

/// Pools every group.
pub(super) fn groups(gathered: &Gathered, settings: &Settings) -> Vec<Group> {
    gathered
        .names
        .iter()
        .enumerate()
        .map(|(g, name)| {
            let own: Vec<&Counted> = gathered.counted.iter().filter(|c| c.group == g).collect();
            let loads: Vec<(String, Observed)> =
                own.iter().map(|c| (c.pull.line.clone(), c.load)).collect();
            let basis = Basis {
                share: gathered.share,
                confidence: gathered.confidence,
                level: settings.level,
                family: settings.family,
                gain: common_gain(&own),
                seed: settings.seed,
            };
            let repeats = repeats(&loads, &basis);
            let positions: Vec<f64> = own.iter().filter_map(|c| c.pull.position()).collect();
            let position = (positions.len() == own.len())
                .then(|| positions.iter().sum::<f64>() / positions.len() as f64);
            let rated: BTreeSet<u64> = own
                .iter()
                .map(|c| c.pull.rated_kn.unwrap_or(0.0).to_bits())
                .collect();
            let of_rated = match (rated.len(), own[0].pull.rated_kn, repeats.median.value) {
                (1, Some(rated), Some(median)) if rated > 0.0 => Some(median / 1e3 / rated),
                _ => None,
            };
            Group {
                name: name.clone(),
                pulls: own.iter().map(|c| c.pull.name.clone()).collect(),
                sessions: own
                    .iter()
                    .map(|c| c.pull.session.clone())
                    .collect::<BTreeSet<_>>()
                    .into_iter()
                    .collect(),
                repeats,
                position,
                of_rated,
            }
        })
        .collect()
}

/// Gain error that the pulls of a group share: one cell's own; of several cells, what the worst combination of their
/// independent errors leaves is below the root of the sum of squares of their shares.
fn common_gain(own: &[&Counted]) -> f64 {
    let mut cells: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    for c in own {
        let entry = cells.entry(&c.pull.cell).or_default();
        entry.0 += 1.0 / own.len() as f64;
        entry.1 = entry.1.max(c.pull.cell_gain.unwrap_or(0.0));
    }
    cells
        .values()
        .map(|(share, gain)| (share * gain).powi(2))
        .sum::<f64>()
        .sqrt()
}

impl<'a> Gathered<'a> {
    /// Rows of the additive model and the number of blocks: one row per line in a group, its pulls averaged. `extra` gives
    /// the covariates of a pull.
    pub fn units(
        &self,
        settings: &Settings,
        extra: impl Fn(&Counted) -> Vec<f64>,
    ) -> (Vec<Unit>, usize) {
        let mut blocks: BTreeMap<String, usize> = BTreeMap::new();
        for c in &self.counted {
            for b in self.blocks_of(c.pull, settings.by) {
                let next = blocks.len();
                blocks.entry(b).or_insert(next);
            }
        }
        let mut lines: BTreeMap<(usize, &str), Vec<&Counted>> = BTreeMap::new();
        for c in &self.counted {
            lines
                .entry((c.group, c.pull.line.as_str()))
                .or_default()
                .push(c);
        }
        let units = lines
            .into_iter()
            .map(|((group, _), own)| {
                let n = own.len() as f64;
                let mut weights: BTreeMap<usize, f64> = BTreeMap::new();
                let mut covariates: Vec<f64> = Vec::new();
                for c in &own {
                    for b in self.blocks_of(c.pull, settings.by) {
                        if let Some(i) = blocks.get(&b) {
                            *weights.entry(*i).or_default() += 1.0 / n;
                        }
                    }
                    let values = extra(c);
                    covariates.resize(values.len(), 0.0);
                    for (sum, v) in covariates.iter_mut().zip(values) {
                        *sum += v / n;
                    }
                }
                let loads: Vec<Observed> = own.iter().map(|c| c.load).collect();
                let y = match crate::pool::mean_observed(&loads) {
                    Observed::At(v) => Observed::At(v.ln()),
                    Observed::Above(v) => Observed::Above(v.ln()),
                    Observed::Between(a, b) => Observed::Between(a.ln(), b.ln()),
                };
                Unit {
                    level: group,
                    blocks: weights.into_iter().collect(),
                    covariates,
                    y,
                }
            })
            .collect();
        (units, blocks.len())
    }

    /// What a pull has in common with others apart from its group.
    fn blocks_of(&self, pull: &Pull, by: By) -> Vec<String> {
        let mut blocks = Vec::new();
        if !matches!(by, By::Session | By::Rig) {
            blocks.push(format!("session {}", pull.session));
        }
        match by {
            _ if self.paired => blocks.push(format!("line {}", pull.line)),
            By::Pair => {}
            By::Treatment => blocks.push(format!("{} in {}", pull.line_kind, pull.stopper_kind)),
            By::Line => blocks.push(format!("{}, {}", pull.stopper_kind, pull.treatment)),
            By::Stopper => blocks.push(format!("{}, {}", pull.line_kind, pull.treatment)),
            By::Session | By::Rig => blocks.push(pull.pair()),
        }
        blocks
    }
}

fn key(pull: &Pull, by: By) -> String {
    let stated = |text: &str| {
        if text.is_empty() {
            "not stated".to_owned()
        } else {
            text.to_owned()
        }
    };
    match by {
        By::Pair => pull.pair(),
        By::Treatment => pull.treatment.clone(),
        By::Line => pull.line_kind.clone(),
        By::Stopper => pull.stopper_kind.clone(),
        By::Session => stated(&pull.session),
        By::Rig => stated(&pull.rig),
    }
}

/// The rule in the words of the sheet.
pub(super) fn rule_word(rule: Rule) -> &'static str {
    match rule {
        Rule::FirstSlip => "first slip",
        Rule::Allowance => "allowance",
        Rule::Running => "running",
    }
}

/// The rule that governs most pulls; of equals the first.
fn usual_rule(pulls: &[Pull]) -> Rule {
    let mut counts: BTreeMap<Rule, usize> = BTreeMap::new();
    for pull in pulls {
        *counts.entry(pull.governing).or_default() += 1;
    }
    counts
        .into_iter()
        .max_by_key(|(rule, n)| (*n, std::cmp::Reverse(*rule)))
        .map_or(Rule::FirstSlip, |(rule, _)| rule)
}

/// For every pull the earlier pull of the same length, if it is not the first. Only where line and length are both named.
fn worn_by_order(pulls: &[Pull]) -> Vec<Option<&str>> {
    let mut order: Vec<usize> = (0..pulls.len()).collect();
    order.sort_by(|a, b| {
        (&pulls[*a].when, &pulls[*a].name).cmp(&(&pulls[*b].when, &pulls[*b].name))
    });
    let mut first: BTreeMap<(&str, &str), (&str, &str)> = BTreeMap::new();
    let mut worn = vec![None; pulls.len()];
    for i in order {
        let pull = &pulls[i];
        if pull.length.is_empty() || pull.line.is_empty() {
            continue;
        }
        let place = (pull.line.as_str(), pull.length.as_str());
        match first.get(&place) {
            // One log given twice is told elsewhere.
            Some((name, log)) if *log != pull.log_sha256 || log.is_empty() => worn[i] = Some(*name),
            Some(_) => {}
            None => {
                first.insert(place, (&pull.name, &pull.log_sha256));
            }
        }
    }
    worn
}

/// True where at least half of the lines were held in two groups or more.
fn held_in_several(counted: &[Counted]) -> bool {
    let mut lines: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    for c in counted {
        lines.entry(&c.pull.line).or_default().insert(c.group);
    }
    let several = lines.values().filter(|g| g.len() > 1).count();
    several >= 2 && 2 * several >= lines.len()
}

/// Share and confidence: the flag, else the sheets' where they agree, else the usual.
fn asked(counted: &[Counted], settings: &Settings, caveats: &mut Vec<Caveat>) -> (f64, f64) {
    let mut agreed = |flag: Option<f64>, pick: fn(&Pull) -> Option<f64>, usual: f64, word: &str| {
        if let Some(value) = flag {
            return value;
        }
        let stated: Vec<f64> = counted.iter().filter_map(|c| pick(c.pull)).collect();
        match stated.first() {
            Some(first) if stated.iter().all(|v| v == first) => *first,
            None => usual,
            Some(_) => {
                let most = stated.iter().copied().fold(0.0, f64::max);
                caveats.push(Caveat::new(
                    "sheets-ask-differently",
                    Weight::Caution,
                    format!("The sheets ask for different {word}s of the tolerance bound; the highest is used."),
                    format!("State one with --{word}."),
                ));
                most
            }
        }
    };
    (
        agreed(settings.share, |p| p.asked.0, SHARE, "share"),
        agreed(settings.confidence, |p| p.asked.1, CONFIDENCE, "confidence"),
    )
}

fn remarks(counted: &[Counted], caveats: &mut Vec<Caveat>) {
    for pull in counted.iter().map(|c| c.pull) {
        if let Some(first) = pull.doubts.first() {
            caveats.push(Caveat::new(
                "pull-in-doubt",
                Weight::Caution,
                format!("{}: {first}", pull.name),
                "Read its own report before its figure is trusted; leave the pull out if it cannot be.",
            ));
        }
    }
    let unnamed = counted
        .iter()
        .filter(|c| c.pull.line.starts_with(UNNAMED))
        .count();
    if unnamed > 0 {
        caveats.push(Caveat::new(
            "lines-not-named",
            Weight::Caution,
            format!("{unnamed} pulls do not name their line; each counts as a line of its own."),
            "State [line] id: lengths of one line are alike and must not count as several lines.",
        ));
    }
    let without = counted.iter().filter(|c| c.pull.session.is_empty()).count();
    if without > 0 {
        caveats.push(Caveat::new(
            "sessions-not-stated",
            Weight::Caution,
            format!("{without} pulls state neither session nor date; they count as one session."),
            "State [pull] session or when: pulls of different days must not be compared as if made on one.",
        ));
    }
    let unknown = counted
        .iter()
        .filter(|c| c.pull.cell_gain.is_none())
        .count();
    if unknown > 0 {
        caveats.push(Caveat::new(
            "cell-gain-not-stated",
            Weight::Caution,
            format!("{unknown} pulls do not state the accuracy of their load cell; its error is in no interval."),
            "State [gauges.load] accuracy.",
        ));
    }
}
