//! How much of what the gauges could tell does the split find? Every pull is fitted a second time by a yardstick that is told
//! the true forms of stretch, set and slips and only asks for their sizes.
//!
//! `cargo run --release --example yardstick -- [--pulls N] [--grade good|coarse] [--ideal] [--line NAME]`. Per gauge set (all of them; travel,
//! mark and body; travel alone) and part, at the end of the pull and at the proof load: how many pulls, RMSE of the split and of
//! the yardstick with the bias in it, their ratio, and the mean stated standard uncertainty over the split's RMSE. Only pulls in
//! which the part is identified (a value, two-sided) and more than nothing are counted, in both columns.
//!
//! The yardstick: weighted least squares over all rows of all gauges. Unknown are the size of each term (never negative; the truth
//! is one), each gauge's zero, and within what its sheet states its gain, drift and the mark's distance. It is told the true load,
//! and knows nothing of lags: these kinds have none.

use std::collections::BTreeMap;
use std::process::ExitCode;

use bitterend::analysis::Settings;
use bitterend::ingest::GaugeKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::simulate::{self, GaugeSpec, Grade, Kind, Line, Simulated};
use bitterend::stats::estimate::Status;
use nalgebra::{DMatrix, DVector};

/// Gauge sets, by the kinds that have them.
const SETS: [(&str, &[Kind]); 3] = [
    (
        "travel, mark, body, core",
        &[Kind::CoreSlip, Kind::StopperSlip, Kind::Both, Kind::Halyard],
    ),
    ("travel, mark, body", &[Kind::NoCoreGauge]),
    ("travel", &[Kind::TravelOnly]),
];

/// A part that moved by less than this is taken as nothing, m.
const NOTHING: f64 = 1e-6;

struct Args {
    pulls: u64,
    grade: Grade,
    ideal: bool,
    change: Change,
}

type Change = fn(&mut Line);

/// Lines that move otherwise than those of the kinds.
const LINES: [(&str, Change); 7] = [
    ("as-drawn", |_| {}),
    ("no-loop-no-late-set", |line| {
        line.stretch.loop_share = 0.0;
        line.set.late = 0.0;
    }),
    ("no-recovery", |line| line.stretch.retarded.clear()),
    ("one-time", |line| recovers(line, &[(25.0, 1.0)])),
    ("two-times", |line| {
        recovers(line, &[(8.0, 0.5), (300.0, 0.5)])
    }),
    ("slow", |line| {
        recovers(
            line,
            &[
                (3.0, 0.1),
                (15.0, 0.15),
                (80.0, 0.2),
                (400.0, 0.25),
                (2000.0, 0.3),
            ],
        );
    }),
    ("quick", |line| {
        recovers(
            line,
            &[
                (3.0, 0.3),
                (15.0, 0.25),
                (80.0, 0.2),
                (400.0, 0.15),
                (2000.0, 0.1),
            ],
        );
    }),
];

/// Spreads the line's whole recovery over these times (s) in these shares.
fn recovers(line: &mut Line, spectrum: &[(f64, f64)]) {
    let whole: f64 = line.stretch.retarded.iter().map(|(_, share)| share).sum();
    line.stretch.retarded = spectrum
        .iter()
        .map(|(time, share)| (*time, share * whole))
        .collect();
}

fn main() -> ExitCode {
    let args = match args(std::env::args().skip(1)) {
        Ok(args) => args,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(2);
        }
    };
    println!(
        "gauges | part | pulls | RMSE, mm | bias, mm | yardstick, mm | ratio | stated over RMSE"
    );
    for (gauges, kinds) in SETS {
        for ((part, when), sums) in study(&args, kinds) {
            let n = f64::from(sums.pulls);
            let rms = |squares: f64| 1e3 * (squares / n).sqrt();
            println!(
                "{gauges} | {part}, {when} | {} | {:.4} | {:+.4} | {:.4} | {:.2} | {:.2}",
                sums.pulls,
                rms(sums.split),
                1e3 * sums.bias / n,
                rms(sums.yardstick),
                rms(sums.split) / rms(sums.yardstick),
                1e3 * sums.stated / n / rms(sums.split),
            );
        }
    }
    ExitCode::SUCCESS
}

fn args(mut typed: impl Iterator<Item = String>) -> Result<Args, String> {
    let mut args = Args {
        pulls: 200,
        grade: Grade::Good,
        ideal: false,
        change: LINES[0].1,
    };
    while let Some(word) = typed.next() {
        match word.as_str() {
            "--ideal" => args.ideal = true,
            "--pulls" => {
                let number = typed.next().and_then(|n| n.parse().ok());
                args.pulls = number.ok_or("--pulls needs a number")?;
            }
            "--grade" => {
                args.grade = match typed.next().as_deref() {
                    Some("good") => Grade::Good,
                    Some("coarse") => Grade::Coarse,
                    _ => return Err("--grade needs good or coarse".into()),
                }
            }
            "--line" => {
                let name = typed.next().unwrap_or_default();
                let known = LINES.iter().find(|(known, _)| *known == name);
                let known = known.ok_or_else(|| {
                    let names = LINES.map(|(name, _)| name).join(", ");
                    format!("--line needs one of {names}")
                })?;
                args.change = known.1;
            }
            other => return Err(format!("`{other}` is no option")),
        }
    }
    Ok(args)
}

/// Squares of misses, m², and stated standard uncertainties, m.
#[derive(Default)]
struct Sums {
    pulls: u32,
    split: f64,
    yardstick: f64,
    stated: f64,
    /// Misses with their sign, m.
    bias: f64,
}

/// How far one figure of one pull is off, m.
struct Miss {
    part: &'static str,
    when: &'static str,
    split: f64,
    yardstick: f64,
    stated: f64,
}

fn study(args: &Args, kinds: &[Kind]) -> BTreeMap<(&'static str, &'static str), Sums> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let one = |number: u64| {
        let kind = kinds[(number % kinds.len() as u64) as usize];
        let seed = 1 + number / kinds.len() as u64;
        misses(args, kind, seed).unwrap_or_else(|why| {
            eprintln!("{} {seed} is left out: {why}", kind.name());
            Vec::new()
        })
    };
    let found: Vec<Vec<Miss>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores)
            .map(|core| {
                let mine = (0..args.pulls).filter(move |n| n % cores == core);
                scope.spawn(move || mine.flat_map(one).collect())
            })
            .collect();
        let joined = workers.into_iter().map(|w| w.join());
        joined
            .map(|found| found.unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
            .collect()
    });
    let mut sums: BTreeMap<_, Sums> = BTreeMap::new();
    for miss in found.into_iter().flatten() {
        let sum = sums.entry((miss.part, miss.when)).or_default();
        sum.pulls += 1;
        sum.split += miss.split * miss.split;
        sum.yardstick += miss.yardstick * miss.yardstick;
        sum.stated += miss.stated;
        sum.bias += miss.split;
    }
    sums
}

fn misses(args: &Args, kind: Kind, seed: u64) -> Result<Vec<Miss>, String> {
    let scenario = kind.scenario(args.grade, seed);
    let scenario = if args.ideal {
        scenario.without_errors()
    } else {
        scenario
    };
    let mut scenario = scenario;
    (args.change)(&mut scenario.line);
    let pull = simulate::run(&scenario, seed);
    let inputs = Inputs {
        sheet: pull.sheet().map_err(|e| e.to_string())?,
        log: pull.log(),
        files: pull.files(),
    };
    let analysis = analyse(inputs, &Settings::default()).map_err(|e| e.to_string())?;
    let told = Yardstick::fit(&pull);
    let mut out = Vec::new();
    for part in PartName::ALL {
        let Some(found) = analysis.separated.parts.get(&part) else {
            continue;
        };
        let part = part.key();
        let moments = [
            ("at the end", Some(pull.truth.end), &found.end),
            ("at the proof load", pull.truth.at_proof, &found.at_proof),
        ];
        for (when, row, estimate) in moments {
            let (Some(row), Status::Measured) = (row, estimate.status) else {
                continue;
            };
            let truth = pull.truth.part(part, row);
            if truth.abs() < NOTHING {
                continue;
            }
            if let (Some(value), Some(stated)) = (estimate.value, estimate.standard_error) {
                out.push(Miss {
                    part,
                    when,
                    split: value - truth,
                    yardstick: told.miss(part, row),
                    stated,
                });
            }
        }
    }
    Ok(out)
}

/// Terms with their sizes as fitted.
struct Yardstick {
    terms: Vec<Term>,
    sizes: Vec<f64>,
}

/// Something of unknown size: a term of a part, whose true size is one, or an error of a gauge.
struct Term {
    part: Option<&'static str>,
    /// Its course, m; nothing for an error.
    values: Vec<f64>,
    /// How much of it each displacement gauge shows.
    shown: Vec<Vec<f64>>,
    /// Standard deviation around nothing before the fit; parts and zeros have none.
    known: Option<f64>,
}

/// Displacement gauges of a pull.
fn gauges(pull: &Simulated) -> Vec<&GaugeSpec> {
    let all = pull.scenario.instruments.gauges.iter();
    all.filter(|g| !g.kind.is_force()).collect()
}

impl Yardstick {
    fn fit(pull: &Simulated) -> Self {
        let gauges = gauges(pull);
        let mut terms = parts(pull, &gauges);
        let errors: Vec<Term> = (0..gauges.len())
            .flat_map(|place| errors(pull, &gauges, place, &terms))
            .collect();
        terms.extend(errors);
        let sizes = sizes(pull, &gauges, &terms);
        Self { terms, sizes }
    }

    /// How far the yardstick is off in a part at a row, m.
    fn miss(&self, name: &str, row: usize) -> f64 {
        let members: &[&str] = match name {
            "set_and_cover_slip" => &["set", "cover_slip"],
            "not_recovered" => &["set", "cover_slip", "stopper_slip"],
            _ => &[name],
        };
        let of_part = self.terms.iter().zip(&self.sizes);
        of_part
            .filter(|(t, _)| t.part.is_some_and(|p| members.contains(&p)))
            .map(|(t, size)| (size - 1.0) * t.values[row])
            .sum()
    }
}

/// The terms of the parts that moved, and what each gauge shows of them.
fn parts(pull: &Simulated, gauges: &[&GaugeSpec]) -> Vec<Term> {
    let truth = &pull.truth;
    let length = pull.scenario.line.free_length;
    let term = |part, values: Vec<f64>, of_body: bool| {
        let share = |gauge: &GaugeSpec| match (gauge.kind, part) {
            (GaugeKind::Travel, _) | (GaugeKind::Mark, "stopper_slip" | "give") => 1.0,
            (GaugeKind::Mark, _) => gauge.distance.unwrap_or(0.0) / length,
            (GaugeKind::Body, _) if of_body => 1.0,
            (GaugeKind::Core, "cover_slip") => 1.0,
            _ => 0.0,
        };
        Term {
            part: Some(part),
            shown: gauges
                .iter()
                .map(|gauge| values.iter().map(|v| share(gauge) * v).collect())
                .collect(),
            values,
            known: None,
        }
    };
    let forms = simulate::forms(pull).into_iter();
    let mut terms: Vec<Term> = forms.map(|f| term(f.part, f.values, false)).collect();
    terms.push(term("stopper_slip", truth.stopper_slip.clone(), false));
    terms.push(term("cover_slip", truth.cover_slip.clone(), false));
    // By the travel alone a give is a stretch.
    if gauges.len() > 1 {
        terms.push(term("give", truth.body.clone(), true));
        terms.push(term("give", truth.jaws.clone(), false));
    }
    terms.retain(|t| t.values.iter().any(|x| x.abs() > NOTHING));
    terms
}

/// What may be wrong with the gauge at this place: its zero, its gain, its drift, the mark's distance.
fn errors(pull: &Simulated, gauges: &[&GaugeSpec], place: usize, terms: &[Term]) -> Vec<Term> {
    let gauge = gauges[place];
    let truth = &pull.truth;
    let rows = 0..pull.time_s.len();
    let whole = pull.time_s.last().copied().unwrap_or(1.0);
    let uniform = |half: f64| half / 3f64.sqrt();
    let seen = |i: usize| terms.iter().map(|t| t.shown[place][i]).sum();
    let along = |i: usize| truth.stretch[i] + truth.set[i] + truth.cover_slip[i];
    let length = pull.scenario.line.free_length;
    let mut found: Vec<(Vec<f64>, Option<f64>)> = vec![
        (rows.clone().map(|_| 1.0).collect(), None),
        (rows.clone().map(seen).collect(), Some(uniform(gauge.gain))),
        (
            rows.clone().map(|i| pull.time_s[i] / whole).collect(),
            Some(uniform(gauge.drift)),
        ),
    ];
    if gauge.kind == GaugeKind::Mark {
        let per_metre = rows.clone().map(|i| along(i) / length).collect();
        found.push((per_metre, Some(gauge.distance_u)));
    }
    found.retain(|(_, known)| known.is_none_or(|sd| sd > 0.0));
    let term = |(values, known)| {
        let mut shown = vec![vec![0.0; rows.len()]; gauges.len()];
        shown[place] = values;
        Term {
            part: None,
            values: Vec::new(),
            shown,
            known,
        }
    };
    found.into_iter().map(term).collect()
}

/// The sizes that fit the readings from the first dwell to the end best.
fn sizes(pull: &Simulated, gauges: &[&GaugeSpec], terms: &[Term]) -> Vec<f64> {
    let used = pull.truth.reference.start..pull.truth.end + 1;
    let readings = used.len() * gauges.len();
    let known: Vec<(usize, f64)> = (0..terms.len())
        .filter_map(|column| Some((column, terms[column].known?)))
        .collect();
    let mut matrix = DMatrix::zeros(readings + known.len(), terms.len());
    let mut wanted = DVector::zeros(readings + known.len());
    for (place, gauge) in gauges.iter().enumerate() {
        let weight = 1.0 / gauge.noise.hypot(gauge.step / 12f64.sqrt());
        let channel = pull.channels.iter().find(|c| c.kind == gauge.kind);
        let channel = channel.expect("a gauge that is logged");
        for (k, i) in used.clone().enumerate() {
            let row = place * used.len() + k;
            wanted[row] = weight * channel.values[i];
            for (column, term) in terms.iter().enumerate() {
                matrix[(row, column)] = weight * term.shown[place][i];
            }
        }
    }
    for (k, (column, sd)) in known.into_iter().enumerate() {
        matrix[(readings + k, column)] = 1.0 / sd;
    }
    let bound: Vec<bool> = terms.iter().map(|t| t.part.is_some()).collect();
    bounded(matrix, wanted, &bound)
}

/// Least squares in which the marked unknowns are not below zero: those that would be are held there and let go when that
/// lowers the sum of squares (the active-set method of Lawson and Hanson, from memory).
///
/// # Panics
///
/// Where it does not settle: a yardstick that is not the best fit measures nothing.
fn bounded(mut matrix: DMatrix<f64>, wanted: DVector<f64>, bound: &[bool]) -> Vec<f64> {
    let n = matrix.ncols();
    let scale: Vec<f64> = (0..n)
        .map(|c| matrix.column(c).norm().max(f64::MIN_POSITIVE))
        .collect();
    for (c, s) in scale.iter().enumerate() {
        matrix.column_mut(c).scale_mut(1.0 / s);
    }
    let qr = matrix.qr();
    let mut rotated = wanted;
    qr.q_tr_mul(&mut rotated);
    let (r, d) = (qr.r(), rotated.rows(0, n).into_owned());
    let solve = |free: &[usize]| -> Vec<f64> {
        let part = r.select_columns(free);
        let qr = part.qr();
        let mut right = d.clone();
        qr.q_tr_mul(&mut right);
        let top = right.rows(0, free.len()).into_owned();
        let found = qr.r().solve_upper_triangular(&top);
        let found = found.expect("terms that differ");
        let mut out = vec![0.0; n];
        for (k, c) in free.iter().enumerate() {
            out[*c] = found[k];
        }
        out
    };
    let mut free: Vec<usize> = (0..n).filter(|c| !bound[*c]).collect();
    let mut x = solve(&free);
    for _ in 0..20 * n {
        let left = &d - &r * DVector::from_vec(x.clone());
        let pull = r.transpose() * left;
        let next = (0..n)
            .filter(|c| !free.contains(c) && pull[*c] > 1e-10)
            .max_by(|a, b| pull[*a].total_cmp(&pull[*b]));
        let Some(next) = next else {
            return x.iter().zip(&scale).map(|(x, s)| x / s).collect();
        };
        free.push(next);
        loop {
            let new = solve(&free);
            let blocking = free
                .iter()
                .filter(|c| bound[**c] && new[**c] <= 0.0)
                .map(|c| x[*c] / (x[*c] - new[*c]).max(f64::MIN_POSITIVE))
                .min_by(f64::total_cmp);
            let Some(share) = blocking else {
                x = new;
                break;
            };
            for c in 0..n {
                x[c] += share * (new[c] - x[c]);
            }
            free.retain(|c| !bound[*c] || x[*c] > 1e-14);
        }
    }
    panic!("the terms that are held at nothing did not settle");
}
