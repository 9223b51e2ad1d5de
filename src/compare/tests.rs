//! Made-up pulls with known answers, and the model against published ones.

use std::collections::BTreeMap;

use super::model::{self, Spread, Unit};
use super::*;
use crate::limit::AtRate;
use crate::pool::{Held, PullFigure};
use crate::stats::censored::Observed;
use crate::stats::studentized::StudentizedRange;

/// A pull with everything stated.
pub(crate) fn pull(kind: &str, stopper: &str, session: &str, number: usize, kn: f64) -> Pull {
    Pull {
        name: format!("{kind} {stopper} {session} {number}"),
        id: String::new(),
        line: format!("{kind} {stopper} {session} {number}"),
        line_kind: kind.into(),
        length: "first".into(),
        stopper: stopper.into(),
        stopper_kind: stopper.into(),
        treatment: "none".into(),
        session: session.into(),
        rig: "loft".into(),
        cell: "cell 1".into(),
        when: None,
        held: Held::Fresh,
        diameter_mm: Some(match kind {
            "thin" => 8.0,
            "middle" => 10.0,
            _ => 12.0,
        }),
        diameter_min_mm: Some(7.0),
        diameter_max_mm: Some(12.0),
        rated_kn: Some(12.0),
        loaded_releases: Some(0),
        hauls_closed: None,
        load_cycles: None,
        proof_kn: Some(3.0),
        peak_kn: kn + 1.0,
        cell_gain: Some(0.005),
        governing: Rule::FirstSlip,
        figures: vec![PullFigure {
            rule: Rule::FirstSlip,
            load: Some(Observed::At(kn)),
            reason: None,
            standard_error_kn: Some(0.05),
            rate: AtRate {
                loading_kn_per_s: Some(0.2),
                ..AtRate::default()
            },
        }],
        asked: (None, None),
        force_unit: "kN".into(),
        log_sha256: format!("{kind}{stopper}{session}{number}"),
        simulated: true,
        doubts: vec![],
        unusable: None,
    }
}

/// Scatter without chance: deviates that sum to nothing over four pulls.
const SCATTER: [f64; 4] = [0.02, -0.03, 0.035, -0.025];

fn load(kind: &str, stopper: &str, session: &str, number: usize) -> f64 {
    let kind: f64 = match kind {
        "thin" => 4.0,
        "middle" => 5.0,
        _ => 6.5,
    };
    let stopper = if stopper == "cam" { 1.0 } else { 1.3 };
    let day = if session == "monday" { 1.0 } else { 1.15 };
    kind * stopper * day * (SCATTER[number % 4]).exp()
}

/// Three kinds of line in two stoppers on two days; the thickest was never pulled in the jaws.
pub(crate) fn matrix() -> Vec<Pull> {
    let mut pulls = Vec::new();
    let mut turn = 0;
    for (kind, stopper) in [
        ("thin", "cam"),
        ("middle", "cam"),
        ("thick", "cam"),
        ("thin", "jaws"),
        ("middle", "jaws"),
    ] {
        for session in ["monday", "tuesday"] {
            for number in 0..2 {
                turn += 1;
                pulls.push(pull(
                    kind,
                    stopper,
                    session,
                    number,
                    load(kind, stopper, session, turn),
                ));
            }
        }
    }
    pulls
}

/// Two pairs, each on its own day.
pub(crate) fn confounded() -> Vec<Pull> {
    let mut pulls = Vec::new();
    for (kind, session) in [("thin", "monday"), ("middle", "tuesday")] {
        for number in 0..4 {
            pulls.push(pull(
                kind,
                "cam",
                session,
                number,
                load(kind, "cam", session, number),
            ));
        }
    }
    pulls
}

#[test]
fn differences_are_found_within_sessions() {
    let c = compare(matrix(), Vec::new(), &Settings::default());
    assert_eq!(c.groups.len(), 5);
    assert_eq!(c.differences.len(), 10);
    let d = c
        .differences
        .iter()
        .find(|d| d.first == "middle in cam" && d.second == "thin in cam")
        .unwrap();
    // The days cancel: 5/4 is left, whatever the two days did.
    assert!((d.ratio.unwrap() - 1.25).abs() < 0.06, "{d:?}");
    assert_eq!(d.told, Told::First);
    // 6.5 in the cam and 5·1.3 in the jaws are the same load: both may be first, and nobody else.
    let top: Vec<&str> = c
        .ranking
        .places
        .iter()
        .filter(|p| p.best == 1)
        .map(|p| p.name.as_str())
        .collect();
    assert_eq!(top.len(), 2);
    assert!(top.contains(&"thick in cam") && top.contains(&"middle in jaws"));
    let k = c.components.unwrap();
    // Half the days' ratio, as a standard deviation of two.
    assert!(
        (k.sessions.unwrap() - 1.15f64.ln() / 2f64.sqrt()).abs() < 0.03,
        "{:?}",
        k.sessions
    );
    // The missing pair, from line and stopper: 6.5·1.3 over both days.
    let missing = &c.untested[0];
    assert_eq!(
        (missing.line_kind.as_str(), missing.stopper_kind.as_str()),
        ("thick", "jaws")
    );
    // The scatter sums to nothing in every pair, so that the prediction is exact.
    assert!((missing.load_kn - 6.5 * 1.3 * 1.15f64.sqrt()).abs() < 1e-9);
    assert_eq!(c.precision.len(), 5);
}

#[test]
fn each_pair_on_its_own_day_is_not_ranked() {
    let c = compare(confounded(), Vec::new(), &Settings::default());
    assert!(c.ranking.places.is_empty() && c.ranking.refused.contains("never met"));
    assert!(c.ranking.to_add[0].contains("pull middle in cam again"));
    assert!(
        c.differences
            .iter()
            .all(|d| d.told == Told::NotCompared && d.ratio.is_none())
    );
    // One control pull on the other day is enough to compare, and the interval is wide.
    let mut pulls = confounded();
    pulls.push(pull("thin", "cam", "tuesday", 9, 4.6));
    let c = compare(pulls, Vec::new(), &Settings::default());
    assert_eq!(c.ranking.places.len(), 2);
}

#[test]
fn rates_that_differ_are_brought_together_or_not_ranked() {
    let mut pulls = confounded();
    for p in &mut pulls {
        p.session = "monday".into();
        if p.line_kind == "thin" {
            p.figures[0].rate.loading_kn_per_s = Some(0.5);
        }
    }
    let c = compare(pulls.clone(), Vec::new(), &Settings::default());
    assert!(
        c.rates.refused.contains("factor of 2.5"),
        "{}",
        c.rates.refused
    );
    assert!(c.ranking.places.is_empty());
    // The same pulls with each pair at both rates; the load grows with the rate to the power 0.05.
    for (i, p) in pulls.iter_mut().enumerate() {
        let rate: f64 = if i % 2 == 0 { 0.1 } else { 1.0 };
        p.figures[0].rate.loading_kn_per_s = Some(rate);
        let base = if p.line_kind == "thin" { 4.0 } else { 5.0 };
        let noise = [0.004, 0.001, -0.004, -0.001][i % 4];
        p.figures[0].load = Some(Observed::At(base * rate.powf(0.05) * f64::exp(noise)));
    }
    let c = compare(pulls, Vec::new(), &Settings::default());
    assert!(
        (c.rates.exponent.unwrap() - 0.05).abs() < 0.005,
        "{:?}",
        c.rates
    );
    assert_eq!(c.ranking.places.len(), 2);
}

#[test]
fn worn_lengths_are_wear_and_no_repeats() {
    let mut pulls = Vec::new();
    for n in 0..8u32 {
        let mut p = pull(
            "thin",
            "cam",
            "monday",
            n as usize,
            5.0 * (-0.02 * f64::from(n * 5) + 0.01 * f64::from(n % 2)).exp(),
        );
        p.line = "T1".into();
        p.loaded_releases = Some(n * 5);
        p.when = Some(format!("2026-05-14T{:02}:00:00Z", 8 + n));
        if n > 0 {
            p.held = Held::Worn;
        }
        pulls.push(p);
    }
    let c = compare(pulls, Vec::new(), &Settings::default());
    assert_eq!((c.groups[0].repeats.lines, c.set_aside.len()), (1, 7));
    let w = &c.wear[0];
    assert!((w.per_event - (-0.02f64).exp_m1()).abs() < 0.001);
    let x = w.crossing.as_ref().unwrap();
    let truth = (5.0f64 / 3.0).ln() / 0.02;
    assert!(x.low.unwrap() < truth && truth < x.high.unwrap(), "{x:?}");
    // A series that does not fall bounds nothing.
    let mut flat = c.pulls.clone();
    for (i, p) in flat.iter_mut().enumerate() {
        p.figures[0].load = Some(Observed::At(5.0 + 0.3 * ((i * 7 % 5) as f64 - 2.0)));
    }
    let c = compare(flat, Vec::new(), &Settings::default());
    let x = c.wear[0].crossing.as_ref().unwrap();
    assert!(x.high.is_none(), "{x:?}");
}

#[test]
fn a_diameter_is_predicted_inside_and_refused_outside() {
    let settings = |mm: f64| Settings {
        diameter_mm: Some(mm),
        ..Settings::default()
    };
    let ask = |mm: f64| {
        let c = compare(matrix(), Vec::new(), &settings(mm));
        c.diameter
            .into_iter()
            .find(|d| d.name == "cam")
            .unwrap()
            .predicted
            .unwrap()
    };
    let inside = ask(9.0);
    assert!(
        inside.low_kn.unwrap() < 4.8 && 4.8 < inside.high_kn.unwrap(),
        "{inside:?}"
    );
    assert!(
        ask(7.5)
            .refused
            .unwrap()
            .contains("outside the diameters tested")
    );
    assert!(
        ask(14.0)
            .refused
            .unwrap()
            .contains("outside the stopper's span")
    );
    // Two diameters make no straight with an uncertainty.
    let c = compare(matrix(), Vec::new(), &settings(9.0));
    let jaws = c.diameter.iter().find(|d| d.name == "jaws").unwrap();
    assert!(jaws.course.is_empty() && jaws.reason.as_ref().unwrap().contains("needs 3"));
    // Common practice, no source: a line at the small end is warned of.
    assert!(
        c.caveats
            .iter()
            .any(|k| k.code == "small-end-of-the-span" && k.message.contains("thin in cam"))
    );
}

#[test]
fn a_treatment_on_the_same_lines_is_paired() {
    let mut pulls = Vec::new();
    for (n, own) in [4.0, 5.5, 7.0, 3.1].into_iter().enumerate() {
        for (treatment, gain) in [("none", 1.0), ("coating", 1.1)] {
            let noise =
                1.0 + 0.01 * ((n % 2) as f64 - 0.5) * if treatment == "none" { 1.0 } else { -1.0 };
            let mut p = pull("thin", "cam", "monday", n, own * gain * noise);
            p.treatment = treatment.into();
            p.length = treatment.into();
            p.name = format!("{treatment} {n}");
            p.log_sha256.clone_from(&p.name);
            pulls.push(p);
        }
    }
    let by = |by| {
        let c = compare(
            pulls.clone(),
            Vec::new(),
            &Settings {
                by,
                ..Settings::default()
            },
        );
        assert!(c.ranking.paired);
        c.differences[0].clone()
    };
    let d = by(By::Treatment);
    // Lines differ by a factor of two; the coating's tenth shows all the same.
    assert!(
        (d.ratio.unwrap() - 1.1).abs() < 0.02 && d.told == Told::First,
        "{d:?}"
    );
}

#[test]
fn what_does_not_count_is_named() {
    let mut pulls = matrix();
    pulls[1].log_sha256 = pulls[0].log_sha256.clone();
    pulls[2].figures[0].load = None;
    pulls[2].figures[0].reason = Some("no gauge".into());
    let skipped = vec![SetAside {
        name: "broken".into(),
        why: "no sheet".into(),
    }];
    pulls[3].unusable = Some("two columns are swapped".into());
    let c = compare(pulls, skipped, &Settings::default());
    assert_eq!(c.set_aside.len(), 3);
    assert!(c.set_aside.iter().any(|s| s.why.contains("swapped")));
    assert!(
        c.set_aside
            .iter()
            .any(|s| s.why.contains("the same log as"))
    );
    assert!(c.set_aside.iter().any(|s| s.why.contains("no gauge")));
    assert_eq!(c.skipped[0].name, "broken");
    // Nothing at all is a comparison too.
    let none = compare(Vec::new(), Vec::new(), &Settings::default());
    assert!(none.groups.is_empty() && !none.ranking.refused.is_empty());
}

#[test]
fn held_pulls_count_as_bounds() {
    let mut pulls = matrix();
    for p in pulls.iter_mut().filter(|p| p.line_kind == "thick") {
        p.figures[0].load = Some(Observed::Above(7.0));
    }
    let c = compare(pulls, Vec::new(), &Settings::default());
    let thick = c.groups.iter().find(|g| g.name == "thick in cam").unwrap();
    assert!(thick.repeats.success.is_some() && thick.repeats.median.value.is_none());
    assert!(c.ranking.left_out[0].contains("no line of it let go"));
    assert_eq!(c.ranking.places.len(), 4);
}

fn rows(text: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    text.lines().skip(1).map(|l| l.split(',').collect())
}

fn units(set: &str) -> (Vec<String>, Vec<Unit>) {
    let mut names: Vec<String> = Vec::new();
    let mut found = Vec::new();
    for r in rows(include_str!("../../fixtures/oracles/oneway_sets.csv")).filter(|r| r[0] == set) {
        let level = names.iter().position(|n| n == r[1]).unwrap_or_else(|| {
            names.push(r[1].into());
            names.len() - 1
        });
        found.push(Unit {
            level,
            blocks: Vec::new(),
            covariates: Vec::new(),
            y: Observed::At(r[2].parse().unwrap()),
        });
    }
    (names, found)
}

/// Every pairwise answer of R's `TukeyHSD` and of scipy's Games–Howell, through the model that compares pulls.
#[test]
fn pairwise_answers_of_tukey_and_of_games_and_howell() {
    let mut ranges: BTreeMap<usize, StudentizedRange> = BTreeMap::new();
    let mut checked = 0;
    let mut check = |set: &str, pair: &str, spread: Spread, wanted: [f64; 4], within: f64| {
        let (names, units) = units(set);
        let model = model::fit(&units, names.len(), 0, spread).unwrap();
        // Names may hold hyphens: the pair is the one that joins to this text.
        let (a, b) = (0..names.len())
            .flat_map(|a| (0..names.len()).map(move |b| (a, b)))
            .find(|(a, b)| format!("{}-{}", names[*a], names[*b]) == pair)
            .unwrap();
        let d = model.difference(a, b).unwrap();
        let range = ranges
            .entry(names.len())
            .or_insert_with(|| StudentizedRange::new(names.len()));
        let root2 = 2f64.sqrt();
        let half = range.quantile(0.95, d.freedom) / root2 * d.error;
        let p = 1.0 - range.share(root2 * (d.value / d.error).abs(), d.freedom);
        let size = d.error;
        for (found, wanted) in [
            (d.value, wanted[0]),
            (d.value - half, wanted[1]),
            (d.value + half, wanted[2]),
        ] {
            assert!(
                (found - wanted).abs() < within * size,
                "{set} {pair} {spread:?}: {found} {wanted}"
            );
        }
        assert!(
            (p - wanted[3]).abs() < 1e-8 + 1e-5 * wanted[3],
            "{set} {pair} {spread:?}: p {p} {}",
            wanted[3]
        );
        checked += 1;
    };
    let number = |t: &str| t.parse::<f64>().unwrap();
    for r in rows(include_str!("../../fixtures/oracles/tukey_answers.csv")) {
        check(
            r[0],
            r[1],
            Spread::Common,
            [number(r[2]), number(r[3]), number(r[4]), number(r[5])],
            1e-6,
        );
    }
    for r in rows(include_str!(
        "../../fixtures/oracles/games_howell_answers.csv"
    )) {
        check(
            r[0],
            r[1],
            Spread::Own,
            [number(r[2]), number(r[7]), number(r[8]), number(r[6])],
            1e-6,
        );
    }
    assert_eq!(checked, 122);
}
