//! The fits of `stats` on the oracle data, as JSON: one entry per figure. `notebooks/checked_against_outside.ipynb` sets
//! each beside the same figure of a library in Python; nothing is compared here.
//!
//! cargo run --release --example outside

use std::collections::BTreeMap;
use std::error::Error;

use bitterend::stats::censored::{self, Family, Observed};
use bitterend::stats::curves::{Approach, Decays, Hyperbola, Power};
use bitterend::stats::linear::{self, LinearFit};
use bitterend::stats::nonlinear::{self, Curve};
use bitterend::stats::segmented::{self, Left};
use bitterend::stats::studentized::StudentizedRange;
use bitterend::stats::{isotonic, mixed, oneway, quantile, tolerance};
use serde::Serialize;

type Done = Result<(), Box<dyn Error>>;

fn main() -> Done {
    let mut found = Found(Vec::new());
    nonlinear_sets(&mut found)?;
    lines(&mut found)?;
    bent_lines(&mut found)?;
    isotonic_fits(&mut found)?;
    censored_sets(&mut found)?;
    tolerance_factors(&mut found)?;
    quantiles(&mut found)?;
    studentized_ranges(&mut found)?;
    one_way(&mut found)?;
    random_effects(&mut found)?;
    println!("{}", serde_json::to_string_pretty(&found.0)?);
    Ok(())
}

/// One figure: the method, the data it was made from, its name there.
#[derive(Serialize)]
struct Figure {
    method: String,
    set: String,
    figure: String,
    value: f64,
}

struct Found(Vec<Figure>);

impl Found {
    fn add(&mut self, method: &str, set: &str, figure: impl Into<String>, value: f64) {
        self.0.push(Figure {
            method: method.into(),
            set: set.into(),
            figure: figure.into(),
            value,
        });
    }
}

fn read(name: &str) -> std::io::Result<String> {
    std::fs::read_to_string(format!(
        "{}/fixtures/oracles/{name}",
        env!("CARGO_MANIFEST_DIR")
    ))
}

/// Rows of a CSV, by the names of its header; lines before it that begin with `#` are no rows.
fn table(name: &str) -> Result<Vec<BTreeMap<String, String>>, Box<dyn Error>> {
    let text = read(name)?;
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(text.as_bytes());
    Ok(reader.deserialize().collect::<Result<_, _>>()?)
}

/// A column of numbers.
fn numbers(name: &str, column: &str) -> Result<Vec<f64>, Box<dyn Error>> {
    let rows = table(name)?;
    let cells = rows.iter().map(|row| {
        let cell = row.get(column).ok_or(format!("{name} has no {column}"))?;
        cell.parse()
            .map_err(|e| format!("{name}, {column}: {cell}: {e}"))
    });
    Ok(cells.collect::<Result<_, String>>()?)
}

/// Values by group, groups in the order of the file, of each set of a table of grouped values.
type Grouped = BTreeMap<String, Vec<(String, Vec<f64>)>>;

fn grouped(name: &str) -> Result<Grouped, Box<dyn Error>> {
    let mut sets = Grouped::new();
    for (row, value) in table(name)?.iter().zip(numbers(name, "value")?) {
        let groups = sets.entry(row["set"].clone()).or_default();
        match groups.iter_mut().find(|g| g.0 == row["group"]) {
            Some(group) => group.1.push(value),
            None => groups.push((row["group"].clone(), vec![value])),
        }
    }
    Ok(sets)
}

/// Numbers of a line of a NIST file.
fn words(line: &str) -> Vec<f64> {
    line.split_whitespace()
        .filter_map(|w| w.parse().ok())
        .collect()
}

/// Abscissae and ordinates of a NIST file.
fn points(text: &str) -> (Vec<f64>, Vec<f64>) {
    let start = text.rfind("\nData:").unwrap_or(text.len());
    let rows = text[start..].lines().skip(2).map(words);
    rows.filter_map(|row| <[f64; 2]>::try_from(row).ok())
        .map(|[y, x]| (x, y))
        .unzip()
}

fn nonlinear_sets(found: &mut Found) -> Done {
    let decays = |terms, constant| Decays { terms, constant };
    nonlinear_set(found, "Misra1a", &Approach, &[0, 1])?;
    nonlinear_set(found, "Misra1d", &Hyperbola, &[0, 1])?;
    nonlinear_set(found, "BoxBOD", &Approach, &[0, 1])?;
    nonlinear_set(found, "DanWood", &Power, &[0, 1])?;
    // NIST: b1 + b2·exp(−x·b4) + b3·exp(−x·b5).
    nonlinear_set(found, "MGH17", &decays(2, true), &[0, 1, 3, 2, 4])?;
    nonlinear_set(found, "Lanczos3", &decays(3, false), &[0, 1, 2, 3, 4, 5])
}

/// From NIST's first start, the far one. `order[i]` is the place of NIST's b(i+1) among the curve's parameters.
fn nonlinear_set(found: &mut Found, set: &str, curve: &impl Curve, order: &[usize]) -> Done {
    let text = read(&format!("{set}.dat"))?;
    let starts: Vec<f64> = text
        .lines()
        .filter_map(|line| line.trim_start().strip_prefix('b')?.split_once('='))
        .filter_map(|(_, right)| <[f64; 4]>::try_from(words(right)).ok())
        .map(|[far, ..]| far)
        .collect();
    let mut start = vec![0.0; order.len()];
    for (own, value) in order.iter().zip(&starts) {
        start[*own] = *value;
    }
    let (x, y) = points(&text);
    let fit = nonlinear::fit(curve, &x, &y, None, &start)?;
    for (i, own) in order.iter().enumerate() {
        let b = format!("b{}", i + 1);
        found.add("nonlinear", set, &b, fit.parameters[*own]);
        found.add(
            "nonlinear",
            set,
            format!("error of {b}"),
            fit.standard_error(*own),
        );
    }
    found.add("nonlinear", set, "sum of squares", fit.rss);
    Ok(())
}

fn lines(found: &mut Found) -> Done {
    let (x, y) = points(&read("Norris.dat")?);
    linear_fit(found, "Norris", &linear::line(&x, &y, None)?);
    let (x, y) = points(&read("Pontius.dat")?);
    let square = x.iter().map(|x| x * x).collect();
    let quadratic = linear::fit(&[vec![1.0; x.len()], x, square], &y, None)?;
    linear_fit(found, "Pontius", &quadratic);
    let t = numbers("gum_h3.csv", "t_degC")?;
    let from_20: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
    let b = numbers("gum_h3.csv", "b_degC")?;
    linear_fit(found, "gum_h3", &linear::line(&from_20, &b, None)?);
    let column = |name| numbers("isotonic_n40.csv", name);
    let (x, y, w) = (column("x")?, column("y")?, column("w")?);
    linear_fit(found, "isotonic_n40", &linear::line(&x, &y, Some(&w))?);
    Ok(())
}

fn linear_fit(found: &mut Found, set: &str, fit: &LinearFit) {
    let variance = fit.variance().unwrap_or(f64::NAN);
    for (i, value) in fit.coefficients.iter().enumerate() {
        found.add("linear", set, format!("b{i}"), *value);
        let error = fit.standard_error(i, variance);
        found.add("linear", set, format!("error of b{i}"), error);
    }
    found.add("linear", set, "correlation", fit.correlation(0, 1));
    found.add("linear", set, "variance", variance);
}

fn bent_lines(found: &mut Found) -> Done {
    let set = "constructed_slip_onset";
    let column = |name| numbers(&format!("{set}.csv"), name);
    let bent = segmented::fit(&column("x")?, &column("y")?, None, Left::Sloping, 0.95)?;
    for (name, value) in [
        ("break", bent.at),
        ("error of break", bent.standard_error),
        ("intercept", bent.intercept),
        ("slope before", bent.slope_before),
        ("slope after", bent.slope_after),
        ("sum of squares", bent.rss),
    ] {
        found.add("bent", set, name, value);
    }
    Ok(())
}

fn isotonic_fits(found: &mut Found) -> Done {
    let y = numbers("isotonic_n40.csv", "y")?;
    let w = numbers("isotonic_n40.csv", "w")?;
    for (set, weights) in [("plain", None), ("weighted", Some(w.as_slice()))] {
        for (i, value) in isotonic::non_decreasing(&y, weights).iter().enumerate() {
            found.add("isotonic", set, format!("{i}"), *value);
        }
    }
    Ok(())
}

fn censored_sets(found: &mut Found) -> Done {
    let file = "censored_sets.csv";
    let mut sets: BTreeMap<String, Vec<Observed>> = BTreeMap::new();
    for (row, time) in table(file)?.iter().zip(numbers(file, "time")?) {
        let reached = row["failed"] == "1";
        sets.entry(row["set"].clone())
            .or_default()
            .push(if reached {
                Observed::At(time)
            } else {
                Observed::Above(time)
            });
    }
    for (set, values) in &sets {
        for family in Family::ALL {
            let fit = censored::fit(family, values)?;
            for (name, value) in [
                ("location", fit.location),
                ("scale", fit.scale),
                ("log likelihood", fit.log_likelihood),
                ("error of location", fit.covariance[0].sqrt()),
                ("error of log scale", fit.covariance[2].sqrt()),
            ] {
                found.add(&format!("censored {}", family.word()), set, name, value);
            }
        }
    }
    Ok(())
}

fn tolerance_factors(found: &mut Found) -> Done {
    for n in [2, 3, 5, 10, 20, 43, 60, 137] {
        for coverage in [0.9, 0.95, 0.99] {
            for confidence in [0.75, 0.9, 0.95, 0.99] {
                let factor = tolerance::one_sided(n, coverage, confidence).ok_or("no factor")?;
                let figure = format!("{coverage} {confidence}");
                found.add("tolerance", &n.to_string(), figure, factor);
            }
        }
    }
    Ok(())
}

fn quantiles(found: &mut Found) -> Done {
    for p in [0.005, 0.025, 0.05, 0.5, 0.9, 0.95, 0.975, 0.995] {
        found.add("quantile", "normal", format!("{p}"), quantile::normal(p));
        for below in [1.0, 2.0, 4.5, 10.0, 30.0, 200.0] {
            let figure = format!("{p} {below}");
            let (student, chi) = (quantile::student(p, below), quantile::chi_squared(p, below));
            found.add("quantile", "student", &figure, student);
            found.add("quantile", "chi squared", &figure, chi);
            for above in [1.0, 3.0, 7.0] {
                let fisher = quantile::fisher(p, above, below);
                found.add("quantile", "fisher", format!("{p} {above} {below}"), fisher);
            }
        }
    }
    Ok(())
}

fn studentized_ranges(found: &mut Found) -> Done {
    for k in [2, 3, 6, 10, 20] {
        let range = StudentizedRange::new(k);
        for freedom in [3.0, 8.0, 24.0, 120.0] {
            for p in [0.9, 0.95, 0.99] {
                let figure = format!("{p} {freedom}");
                let q = range.quantile(p, freedom);
                found.add("studentized range", &k.to_string(), figure, q);
            }
        }
    }
    Ok(())
}

fn one_way(found: &mut Found) -> Done {
    for (set, groups) in grouped("oneway_sets.csv")? {
        let values: Vec<Vec<f64>> = groups.into_iter().map(|g| g.1).collect();
        for (name, ratio) in [
            ("classical", oneway::classical(&values)),
            ("Welch", oneway::welch(&values)),
            ("spreads", oneway::spreads(&values)),
        ] {
            let ratio = ratio.ok_or(format!("{set}: no {name}"))?;
            found.add("one-way", &set, format!("{name} F"), ratio.f);
            found.add("one-way", &set, format!("{name} p"), ratio.p);
        }
    }
    Ok(())
}

fn random_effects(found: &mut Found) -> Done {
    for (set, groups) in grouped("random_effects_sets.csv")? {
        let y: Vec<f64> = groups.iter().flat_map(|g| g.1.clone()).collect();
        let level = |(i, g): (usize, &(String, Vec<f64>))| vec![i; g.1.len()];
        let levels = groups.iter().enumerate().flat_map(level).collect();
        let ones = nalgebra::DMatrix::from_element(y.len(), 1, 1.0);
        let fit = mixed::restricted(&ones, &[levels], &y).ok_or(format!("{set}: no fit"))?;
        for (name, value) in [
            ("mean", fit.fixed[0]),
            ("error of mean", fit.fixed_errors[0]),
            ("between", fit.between[0]),
            ("within", fit.within),
            ("log likelihood", fit.log_likelihood),
        ] {
            found.add("random effects", &set, name, value);
        }
    }
    Ok(())
}
