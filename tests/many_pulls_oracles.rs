//! Statistics of many pulls against published data and answers computed by other libraries.
//! Origin of every file: `fixtures/oracles/README.md`.

use std::collections::BTreeMap;

use bitterend::stats::censored::{Family, Observed, fit};
use bitterend::stats::studentized::StudentizedRange;
use bitterend::stats::{interlaboratory, mixed, oneway};

type Row = BTreeMap<String, String>;

fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/fixtures/oracles/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(path).unwrap();
    let head = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|r| {
            let r = r.unwrap();
            head.iter()
                .map(String::from)
                .zip(r.iter().map(String::from))
                .collect()
        })
        .collect()
}

fn number(row: &Row, key: &str) -> f64 {
    row[key]
        .parse()
        .unwrap_or_else(|_| panic!("{key} in {row:?}"))
}

fn near(found: f64, wanted: f64, relative: f64, what: &str) {
    assert!(
        (found - wanted).abs() <= relative * wanted.abs().max(1e-300),
        "{what}: {found} for {wanted}"
    );
}

/// Values of each set by group, in the order of the file.
fn groups(rows: &[Row], set: &str) -> Vec<(String, Vec<f64>)> {
    let mut found: Vec<(String, Vec<f64>)> = Vec::new();
    for row in rows.iter().filter(|r| r["set"] == set) {
        let value = number(row, "value");
        match found.iter_mut().find(|g| g.0 == row["group"]) {
            Some(group) => group.1.push(value),
            None => found.push((row["group"].clone(), vec![value])),
        }
    }
    found
}

/// R 4.2 `survival::survreg`, confirmed by scipy to 5e-8: estimates and log likelihoods to 1e-5, standard errors to 1e-3.
#[test]
fn censored_fits_equal_those_of_r() {
    let sets = table("censored_sets.csv");
    let mut checked = 0;
    for row in table("censored_mle.csv") {
        let family = match row["dist"].as_str() {
            "weibull" => Family::Weibull,
            "lognormal" => Family::Lognormal,
            _ => Family::Normal,
        };
        let values: Vec<Observed> = sets
            .iter()
            .filter(|r| r["set"] == row["dataset"])
            .map(|r| {
                let v = number(r, "time");
                if r["failed"] == "1" {
                    Observed::At(v)
                } else {
                    Observed::Above(v)
                }
            })
            .collect();
        let what = format!("{} {}", row["dataset"], row["dist"]);
        assert_eq!(values.len(), number(&row, "n") as usize, "{what}");
        let f = fit(family, &values).unwrap();
        assert_eq!(f.reached, number(&row, "failures") as usize, "{what}");
        near(f.location, number(&row, "mu"), 1e-5, &what);
        near(f.scale, number(&row, "sigma"), 1e-5, &what);
        near(f.log_likelihood, number(&row, "loglik"), 1e-5, &what);
        near(f.covariance[0].sqrt(), number(&row, "se_mu"), 1e-3, &what);
        near(
            f.covariance[2].sqrt(),
            number(&row, "se_logsigma"),
            1e-3,
            &what,
        );
        // Without censoring a normal's covariance is zero but for rounding.
        let product = (f.covariance[0] * f.covariance[2]).sqrt();
        let off = (f.covariance[1] - number(&row, "cov_mu_logsigma")).abs();
        assert!(off < 1e-3 * product, "{what}: covariance off by {off}");
        for (p, key) in [(0.05, "q05"), (0.1, "q10"), (0.5, "q50")] {
            let (q, error) = f.quantile(p);
            near(q, number(&row, key), 2e-5, &what);
            near(error, number(&row, &format!("se_{key}")), 1e-3, &what);
        }
        checked += 1;
    }
    assert_eq!(checked, 42);
}

/// NIST/SEMATECH e-Handbook 8.4.1.3: characteristic life 606.5280, shape 1.7208, log likelihood −75.135, as printed.
#[test]
fn the_weibull_example_of_the_nist_handbook() {
    let values: Vec<Observed> = table("censored_sets.csv")
        .iter()
        .filter(|r| r["set"] == "nist_8413")
        .map(|r| {
            let v = number(r, "time");
            if r["failed"] == "1" {
                Observed::At(v)
            } else {
                Observed::Above(v)
            }
        })
        .collect();
    let f = fit(Family::Weibull, &values).unwrap();
    assert!((f.location.exp() - 606.5280).abs() < 1e-3);
    assert!((1.0 / f.scale - 1.7208).abs() < 5e-5);
    assert!((f.log_likelihood + 75.135).abs() < 5e-4);
}

/// Quantiles of the studentized range by scipy 1.17.1.
#[test]
fn studentized_range_quantiles() {
    let mut made: BTreeMap<usize, StudentizedRange> = BTreeMap::new();
    let mut checked = 0;
    for row in table("studentized_range_quantiles.csv") {
        let k = number(&row, "k") as usize;
        let range = made.entry(k).or_insert_with(|| StudentizedRange::new(k));
        let (p, df, q) = (number(&row, "prob"), number(&row, "df"), number(&row, "q"));
        near(
            range.quantile(p, df),
            q,
            2e-7,
            &format!("k {k}, df {df}, p {p}"),
        );
        checked += 1;
    }
    assert!(checked > 100);
}

/// F, Welch and Brown–Forsythe by R; Levene's F of CTD, RTD and ETD is printed as 0.058 in CMH-17-1G, 8.3.11.1.1.
#[test]
fn one_way_answers() {
    let sets = table("oneway_sets.csv");
    for row in table("oneway_answers.csv") {
        let values: Vec<Vec<f64>> = groups(&sets, &row["dataset"])
            .into_iter()
            .map(|g| g.1)
            .collect();
        let what = &row["dataset"];
        let f = oneway::classical(&values).unwrap();
        near(f.f, number(&row, "F"), 1e-9, what);
        near(f.p, number(&row, "p"), 1e-6, what);
        let w = oneway::welch(&values).unwrap();
        near(w.f, number(&row, "welch_F"), 1e-9, what);
        near(w.below, number(&row, "welch_df2"), 1e-9, what);
        near(w.p, number(&row, "welch_p"), 1e-6, what);
        let s = oneway::spreads(&values).unwrap();
        near(
            s.f,
            number(&row, "brown_forsythe_levene_median_F"),
            1e-9,
            what,
        );
        near(s.p, number(&row, "bf_p"), 1e-6, what);
        if what == "cmh17_CTD_RTD_ETD" {
            assert!((s.f - 0.058).abs() < 5e-4);
        }
    }
}

/// Random effects of one factor by lme4 (restricted likelihood), the boundary of Dyestuff2 included.
#[test]
fn random_effects_of_one_factor() {
    let sets = table("random_effects_sets.csv");
    let mut checked = 0;
    for row in table("random_effects_answers.csv") {
        if row["method"] != "REML" {
            continue;
        }
        let what = &row["dataset"];
        let cells = groups(&sets, what);
        let y: Vec<f64> = cells.iter().flat_map(|c| c.1.iter().copied()).collect();
        let levels: Vec<usize> = cells
            .iter()
            .enumerate()
            .flat_map(|(i, c)| std::iter::repeat_n(i, c.1.len()))
            .collect();
        let ones = nalgebra::DMatrix::from_element(y.len(), 1, 1.0);
        let f = mixed::restricted(&ones, &[levels], &y).unwrap();
        near(f.fixed[0], number(&row, "mean"), 1e-6, what);
        near(f.fixed_errors[0], number(&row, "se_mean"), 1e-4, what);
        near(f.within, number(&row, "sd_within"), 1e-4, what);
        near(f.log_likelihood, number(&row, "loglik"), 1e-7, what);
        let between = number(&row, "sd_between");
        assert!(
            (f.between[0] - between).abs() <= 2e-4 * between,
            "{what}: {}",
            f.between[0]
        );
        checked += 1;
    }
    assert_eq!(checked, 6);
}

/// Two random factors, crossed (Penicillin) and nested (Pastes), by lme4.
#[test]
fn random_effects_of_two_factors() {
    let sets = table("crossed_nested_sets.csv");
    let answers = table("crossed_nested_answers.csv");
    for set in ["penicillin", "pastes"] {
        let rows: Vec<&Row> = sets.iter().filter(|r| r["set"] == set).collect();
        let level = |key: &str| -> Vec<usize> {
            let mut names: Vec<&str> = rows.iter().map(|r| r[key].as_str()).collect();
            names.sort_unstable();
            names.dedup();
            rows.iter()
                .map(|r| names.iter().position(|n| *n == r[key]).unwrap())
                .collect()
        };
        let y: Vec<f64> = rows.iter().map(|r| number(r, "value")).collect();
        let ones = nalgebra::DMatrix::from_element(y.len(), 1, 1.0);
        let f = mixed::restricted(&ones, &[level("a"), level("b")], &y).unwrap();
        let wanted = |component: &str| {
            let row = answers
                .iter()
                .find(|r| r["set"] == set && r["component"] == component);
            number(row.unwrap(), "sd")
        };
        let (a, b) = if set == "penicillin" {
            ("plate", "sample")
        } else {
            ("batch", "cask:batch")
        };
        near(f.between[0], wanted(a), 2e-4, set);
        near(f.between[1], wanted(b), 2e-4, set);
        near(f.within, wanted("Residual"), 2e-4, set);
    }
}

/// ASTM E691: every figure of both published studies, computed by R from the standard's formulas, to 1e-9; glucose A, D
/// and E also equal the standard's print (from memory). The packaged values of B and C are not those of the print.
#[test]
fn interlaboratory_studies() {
    let sets = table("e691_sets.csv");
    for row in table("e691_answers.csv") {
        let mut cells: BTreeMap<&str, Vec<f64>> = BTreeMap::new();
        for r in sets
            .iter()
            .filter(|r| r["set"] == row["dataset"] && r["material"] == row["material"])
        {
            cells
                .entry(&r["laboratory"])
                .or_default()
                .push(number(r, "value"));
        }
        let cells: Vec<Vec<f64>> = cells.into_values().collect();
        let what = format!("{} {}", row["dataset"], row["material"]);
        let f = interlaboratory::precision(&cells).unwrap();
        assert_eq!(f.cells.len(), number(&row, "p_labs") as usize);
        let largest =
            |pick: fn(&interlaboratory::Cell) -> f64| f.cells.iter().map(pick).fold(0.0, f64::max);
        for (key, found) in [
            ("grand_mean", f.mean),
            ("s_xbar", f.s_of_means),
            ("s_r", f.s_r),
            ("s_L", f.s_between),
            ("s_R", f.s_reproducibility),
            ("r", f.limit_r),
            ("R", f.limit_reproducibility),
            ("max_abs_h", largest(|c| c.h.abs())),
            ("max_k", largest(|c| c.k)),
            ("cochran_C", f.cochran()),
        ] {
            near(found, number(&row, key), 1e-9, &format!("{what} {key}"));
        }
        let printed = match what.as_str() {
            "glucose A" => Some((1.0632, 1.0632)),
            "glucose D" => Some((2.6251, 3.3657)),
            "glucose E" => Some((3.9350, 4.1923)),
            _ => None,
        };
        if let Some((s_r, s_big)) = printed {
            assert!(
                (f.s_r - s_r).abs() < 5.1e-5 && (f.s_reproducibility - s_big).abs() < 5.1e-5,
                "{what}"
            );
        }
    }
}
