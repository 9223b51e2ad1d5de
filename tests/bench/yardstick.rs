//! How much of what the gauges could tell does the split find? Every pull is fitted a second time by a yardstick that is told
//! the true forms of stretch, set and slips and only asks for their sizes.
//!
//! `cargo run --release --example yardstick -- [--pulls N] [--grade good|coarse] [--ideal]`. Per gauge set (all of them; travel,
//! mark and body; travel alone) and part, at the end of the pull and at the proof load: how many pulls, RMSE of the split and of
//! the yardstick with the bias in it, their ratio, and the mean stated standard uncertainty over the split's RMSE. Only pulls in
//! which the part is identified (a value, two-sided) and more than nothing are counted, in both columns.
//!
//! The yardstick: weighted least squares over all rows of all gauges. Unknown are the size of each term (never negative; the truth
//! is one), each gauge's zero, and within what its sheet states its gain, drift and the mark's distance. It is told the true load.

mod parts;

use std::collections::BTreeMap;
use std::process::ExitCode;

use bitterend::analysis::Settings;
use bitterend::ingest::GaugeKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::simulate::{self, Grade, Kind, Simulated};
use bitterend::stats::estimate::Status;
use nalgebra::{DMatrix, DVector};

use parts::{PARTS, name};

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
}

fn main() -> ExitCode {
    let args = match args(std::env::args().skip(1)) {
        Ok(args) => args,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(2);
        }
    };
    println!("gauges | part | pulls | RMSE, mm | yardstick, mm | ratio | stated over RMSE");
    for (gauges, kinds) in SETS {
        for ((part, when), sums) in study(&args, kinds) {
            let n = f64::from(sums.pulls);
            let rms = |squares: f64| 1e3 * (squares / n).sqrt();
            println!(
                "{gauges} | {part}, {when} | {} | {:.4} | {:.4} | {:.2} | {:.2}",
                sums.pulls,
                rms(sums.split),
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
}

/// Misses of one pull: part, moment, of the split, of the yardstick, stated.
type Miss = (&'static str, &'static str, f64, f64, f64);

fn study(args: &Args, kinds: &[Kind]) -> BTreeMap<(&'static str, &'static str), Sums> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let one = |number: u64| {
        let kind = kinds[(number % kinds.len() as u64) as usize];
        misses(args, kind, 1 + number / kinds.len() as u64)
    };
    let found: Vec<Vec<Miss>> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores)
            .map(|core| {
                let mine = (0..args.pulls).filter(move |n| n % cores == core);
                scope.spawn(move || mine.flat_map(one).collect())
            })
            .collect();
        workers.into_iter().flat_map(|w| w.join()).collect()
    });
    let mut sums: BTreeMap<_, Sums> = BTreeMap::new();
    for (part, when, split, yardstick, stated) in found.into_iter().flatten() {
        let sum = sums.entry((part, when)).or_default();
        sum.pulls += 1;
        sum.split += split * split;
        sum.yardstick += yardstick * yardstick;
        sum.stated += stated;
    }
    sums
}

fn misses(args: &Args, kind: Kind, seed: u64) -> Vec<Miss> {
    let scenario = kind.scenario(args.grade, seed);
    let scenario = if args.ideal {
        scenario.without_errors()
    } else {
        scenario
    };
    let pull = simulate::run(&scenario, seed);
    let Ok(sheet) = pull.sheet() else {
        return Vec::new();
    };
    let inputs = Inputs {
        sheet,
        log: pull.log(),
        files: pull.files(),
    };
    let Ok(analysis) = analyse(inputs, &Settings::default()) else {
        return Vec::new();
    };
    let told = Yardstick::fit(&pull);
    let mut out = Vec::new();
    for part in PARTS {
        let Some(found) = analysis.separated.parts.get(&part) else {
            continue;
        };
        let name = name(part);
        let moments = [
            ("at the end", Some(pull.truth.end), &found.end),
            ("at the proof load", pull.truth.at_proof, &found.at_proof),
        ];
        for (when, row, estimate) in moments {
            let (Some(row), Status::Measured) = (row, estimate.status) else {
                continue;
            };
            let truth = pull.truth.part(name, row);
            if truth.abs() < NOTHING {
                continue;
            }
            if let (Some(value), Some(stated)) = (estimate.value, estimate.standard_error) {
                out.push((name, when, value - truth, told.miss(name, row), stated));
            }
        }
    }
    out
}

/// Terms with their sizes as fitted.
struct Yardstick {
    terms: Vec<Term>,
    sizes: Vec<f64>,
}

/// Something of unknown size: a term of a part, or an error of a gauge.
struct Term {
    part: Option<&'static str>,
    /// Its course, m.
    values: Vec<f64>,
    /// How much of it each displacement gauge shows.
    shown: Vec<Vec<f64>>,
    /// Most likely size and how sure that is; parts have none.
    known: Option<(f64, f64)>,
}

impl Yardstick {
    fn fit(pull: &Simulated) -> Self {
        let truth = &pull.truth;
        let specs = &pull.scenario.instruments.gauges;
        let gauges: Vec<usize> = (0..specs.len())
            .filter(|g| !specs[*g].kind.is_force())
            .collect();
        let mut parts: Vec<(&'static str, Vec<f64>)> = simulate::forms(pull)
            .into_iter()
            .map(|f| (f.part, f.values))
            .collect();
        parts.push(("stopper_slip", truth.stopper_slip.clone()));
        parts.push(("cover_slip", truth.cover_slip.clone()));
        // By the travel alone a give is a stretch.
        if gauges.len() > 1 {
            parts.push(("give", truth.body.clone()));
            parts.push(("give", truth.jaws.clone()));
        }
        parts.retain(|(_, v)| v.iter().any(|x| x.abs() > NOTHING));
        let mut terms: Vec<Term> = Vec::new();
        for (part, values) in parts {
            let is_body = part == "give" && values == truth.body;
            let shown = gauges.iter().map(|g| {
                let spec = &specs[*g];
                let share = spec.distance.unwrap_or(0.0) / pull.scenario.line.free_length;
                let share = match (spec.kind, part) {
                    (GaugeKind::Travel, _) => 1.0,
                    (GaugeKind::Mark, "stopper_slip" | "give") => 1.0,
                    (GaugeKind::Mark, _) => share,
                    (GaugeKind::Body, _) if is_body => 1.0,
                    (GaugeKind::Core, "cover_slip") => 1.0,
                    _ => 0.0,
                };
                values.iter().map(|v| share * v).collect()
            });
            let shown = shown.collect();
            terms.push(Term {
                part: Some(part),
                values,
                shown,
                known: None,
            });
        }
        let rows = pull.time_s.len();
        let whole = pull.time_s[rows - 1];
        for (place, g) in gauges.iter().enumerate() {
            let spec = &specs[*g];
            let seen: Vec<f64> = (0..rows)
                .map(|i| terms.iter().map(|t| t.shown[place][i]).sum())
                .collect();
            let along = (0..rows).map(|i| truth.stretch[i] + truth.set[i] + truth.cover_slip[i]);
            let along: Vec<f64> = along.collect();
            let time: Vec<f64> = pull.time_s.iter().map(|t| t / whole).collect();
            let uniform = |half: f64| half / 3f64.sqrt();
            let length = pull.scenario.line.free_length;
            let mut errors = vec![
                (vec![1.0; rows], None),
                (seen, Some((0.0, uniform(spec.gain)))),
                (time, Some((0.0, uniform(spec.drift)))),
            ];
            if spec.kind == GaugeKind::Mark {
                errors.push((
                    along.iter().map(|v| v / length).collect(),
                    Some((0.0, spec.distance_u)),
                ));
            }
            for (values, known) in errors {
                if known.is_some_and(|(_, sd)| sd <= 0.0) {
                    continue;
                }
                let mut shown = vec![vec![0.0; rows]; gauges.len()];
                shown[place] = values;
                terms.push(Term {
                    part: None,
                    values: Vec::new(),
                    shown,
                    known,
                });
            }
        }
        let weights: Vec<f64> = gauges
            .iter()
            .map(|g| 1.0 / specs[*g].noise.hypot(specs[*g].step / 12f64.sqrt()))
            .collect();
        let used = truth.reference.start..truth.end + 1;
        let priors = terms.iter().filter(|t| t.known.is_some()).count();
        let count = used.len() * gauges.len() + priors;
        let mut matrix = DMatrix::zeros(count, terms.len());
        let mut wanted = DVector::zeros(count);
        for (place, g) in gauges.iter().enumerate() {
            let kind = specs[*g].kind;
            let channel = pull.channels.iter().find(|c| c.kind == kind);
            for (k, i) in used.clone().enumerate() {
                let row = place * used.len() + k;
                let reading = channel.map_or(0.0, |c| c.values[i]);
                wanted[row] = weights[place] * reading;
                for (column, term) in terms.iter().enumerate() {
                    matrix[(row, column)] = weights[place] * term.shown[place][i];
                }
            }
        }
        let mut row = used.len() * gauges.len();
        for (column, term) in terms.iter().enumerate() {
            if let Some((size, sd)) = term.known {
                matrix[(row, column)] = 1.0 / sd;
                wanted[row] = size / sd;
                row += 1;
            }
        }
        let bound: Vec<bool> = terms.iter().map(|t| t.part.is_some()).collect();
        let sizes = bounded(matrix, wanted, &bound);
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

/// Least squares in which the marked unknowns are not below zero: those that would be are held there and let go when that
/// lowers the sum of squares (the active-set method of Lawson and Hanson, from memory).
fn bounded(matrix: DMatrix<f64>, wanted: DVector<f64>, bound: &[bool]) -> Vec<f64> {
    let n = matrix.ncols();
    let scale: Vec<f64> = (0..n)
        .map(|c| matrix.column(c).norm().max(f64::MIN_POSITIVE))
        .collect();
    let mut matrix = matrix;
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
        let mut out = vec![0.0; n];
        for (k, c) in free.iter().enumerate() {
            out[*c] = found.as_ref().map_or(0.0, |f| f[k]);
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
        let Some(next) = next else { break };
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
    x.iter().zip(&scale).map(|(x, s)| x / s).collect()
}
