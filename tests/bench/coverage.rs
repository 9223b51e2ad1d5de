//! How good is the split? Simulates many pulls, analyses each from memory, and compares every figure with the truth.
//!
//! `cargo run --release --example coverage -- [--seeds N] [--from N] [--grade good|coarse|both] [--ideal] [--rate HERTZ]
//! [--ripple NEWTONS] [--worst N] KIND…` (no kind: all of them). Three tables per kind and grade:
//!
//! - figures: how many 95 % intervals hold the truth at the end of the pull and at the proof load, bias, RMSE, mean
//!   standard error, mean half width, and what kind of statement was made;
//! - courses: root mean square over the rows from the first dwell to the end of the last rest (or to 90 mm of slip
//!   when the line runs out; stopper slip outside one second around a jump), with the share of peak stretch or of peak travel;
//! - limits: the same as figures, for each rule and interface; and where the true rate in the highest hold is at most half or
//!   at least twice what the sheet allows, how often the opposite of what happened was stated.
//!
//! `--ideal` takes the systematic errors out of the instruments, `--rate 10` is the form of the stored fixtures, `--ripple`
//! makes the load restless (standard deviation), and `--worst N` names the N pulls whose interval misses the truth by most, so that they can be looked at.

mod tally;

use std::collections::BTreeMap;
use std::process::ExitCode;

use bitterend::analysis::{Analysis, Settings};
use bitterend::limit::{Interface, LimitFigure};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::Rule;
use bitterend::simulate::{Grade, InterfaceTruth, Kind, Scenario, Simulated, SlipLaw, run};
use bitterend::stats::estimate::Status;

use tally::{Figure, Tally};

/// What was typed.
struct Args {
    kinds: Vec<Kind>,
    grades: Vec<Grade>,
    first: u64,
    seeds: u64,
    ideal: bool,
    rate: Option<u64>,
    ripple: Option<u64>,
    worst: usize,
}

fn main() -> ExitCode {
    let args = match args(std::env::args().skip(1)) {
        Ok(args) => args,
        Err(message) => {
            eprintln!("error: {message}");
            return ExitCode::from(2);
        }
    };
    for &kind in &args.kinds {
        for &grade in &args.grades {
            let tallies = study(&args, kind, grade);
            println!(
                "\n{} · {} · {} pulls from seed {}{}",
                kind.name(),
                match grade {
                    Grade::Good => "good",
                    Grade::Coarse => "coarse",
                },
                args.seeds,
                args.first,
                if args.ideal {
                    " · no systematic errors"
                } else {
                    ""
                }
            );
            tallies.print(args.worst);
        }
    }
    ExitCode::SUCCESS
}

fn args(typed: impl Iterator<Item = String>) -> Result<Args, String> {
    let mut a = Args {
        kinds: Vec::new(),
        grades: vec![Grade::Good],
        first: 1,
        seeds: 100,
        ideal: false,
        rate: None,
        ripple: None,
        worst: 0,
    };
    let mut typed = typed.peekable();
    while let Some(word) = typed.next() {
        let mut number = |name: &str| {
            typed
                .next()
                .and_then(|n| n.parse::<u64>().ok())
                .ok_or(format!("{name} needs a number"))
        };
        match word.as_str() {
            "--seeds" => a.seeds = number("--seeds")?,
            "--from" => a.first = number("--from")?,
            "--worst" => a.worst = number("--worst")? as usize,
            "--ideal" => a.ideal = true,
            "--rate" => a.rate = Some(number("--rate")?),
            "--ripple" => a.ripple = Some(number("--ripple")?),
            "--grade" => {
                a.grades = match typed.next().as_deref() {
                    Some("good") => vec![Grade::Good],
                    Some("coarse") => vec![Grade::Coarse],
                    Some("both") => vec![Grade::Good, Grade::Coarse],
                    _ => return Err("--grade needs good, coarse or both".into()),
                }
            }
            name => a.kinds.push(Kind::from_name(name).ok_or_else(|| {
                let known: Vec<&str> = Kind::ALL.iter().map(|k| k.name()).collect();
                format!("`{name}` is no kind; known are {}", known.join(", "))
            })?),
        }
    }
    if a.kinds.is_empty() {
        a.kinds = Kind::ALL.to_vec();
    }
    Ok(a)
}

/// Every seed of one kind, on all cores. The tallies are joined in the order of the seeds, so the print is the same on
/// any number of cores.
fn study(args: &Args, kind: Kind, grade: Grade) -> Tally {
    let cores = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    let per_core = args.seeds.div_ceil(cores).max(1);
    let parts: Vec<Tally> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..cores)
            .map(|core| {
                let from = args.first + core * per_core;
                let to = (from + per_core).min(args.first + args.seeds);
                scope.spawn(move || {
                    let mut tally = Tally::default();
                    for seed in from..to {
                        one(&mut tally, &scenario(args, kind, grade, seed), seed);
                    }
                    tally
                })
            })
            .collect();
        workers
            .into_iter()
            .map(|w| w.join().unwrap_or_default())
            .collect()
    });
    parts.into_iter().fold(Tally::default(), Tally::join)
}

fn scenario(args: &Args, kind: Kind, grade: Grade, seed: u64) -> Scenario {
    let mut s = kind.scenario(grade, seed);
    if let Some(rate) = args.rate {
        s.instruments.logger.rate = rate as f64;
    }
    if let Some(ripple) = args.ripple {
        s.rig.ripple = ripple as f64;
    }
    if args.ideal { s.without_errors() } else { s }
}

/// Simulates, analyses and compares one pull.
fn one(tally: &mut Tally, scenario: &Scenario, seed: u64) {
    let pull = run(scenario, seed);
    let sheet = match pull.sheet() {
        Ok(sheet) => sheet,
        Err(e) => return tally.failed(seed, &e.to_string()),
    };
    let inputs = Inputs {
        sheet,
        log: pull.log(),
        files: pull.files(),
    };
    let started = std::time::Instant::now();
    let analysis = match analyse(inputs, &Settings::default()) {
        Ok(analysis) => analysis,
        Err(e) => return tally.failed(seed, &e.to_string()),
    };
    tally.took(started.elapsed().as_secs_f64());
    for caveat in &analysis.caveats {
        tally.caveat(&caveat.code);
    }
    figures(tally, &analysis, &pull);
    courses(tally, &analysis, &pull);
    limits(tally, &analysis, &pull);
}

fn figures(tally: &mut Tally, analysis: &Analysis, pull: &Simulated) {
    let t = &pull.truth;
    for part in PartName::ALL {
        let Some(found) = analysis.separated.parts.get(&part) else {
            continue;
        };
        let mut add = |when: &str, row: usize, estimate| {
            tally.figure(
                Figure::new(part.key(), when, "mm", 1e-3),
                pull.seed,
                estimate,
                t.part(part.key(), row),
            );
        };
        add("end", end_row(analysis, pull), &found.end);
        if let Some(row) = t.at_proof {
            add("at proof", row, &found.at_proof);
        }
    }
}

/// One true limit, kN.
fn true_limit(truth: &InterfaceTruth, rule: Rule) -> Option<f64> {
    match rule {
        Rule::FirstSlip => truth.first_slip.map(|l| l.load_kn),
        Rule::Allowance => truth.allowance.map(|l| l.load_kn),
        Rule::Running => truth.running.map(|r| r.load.load_kn).or(truth
            .jumps
            .filter(|j| j.count >= 3)
            .map(|j| 0.5 * (j.peak.load_kn + j.trough.load_kn))),
    }
}

/// The row that the tool's figures of the end belong to: where the line ran through there is no other end.
fn end_row(analysis: &Analysis, pull: &Simulated) -> usize {
    match pull.truth.ran_out {
        Some(_) => {
            let after = pull
                .time_s
                .partition_point(|t| *t <= analysis.separated.end_s);
            after.max(1) - 1
        }
        None => pull.truth.end,
    }
}

fn limits(tally: &mut Tally, analysis: &Analysis, pull: &Simulated) {
    for figure in &analysis.limit.figures {
        let (truth, law) = match figure.interface {
            Interface::Stopper => (&pull.limits.stopper, &pull.scenario.stopper.law),
            Interface::Cover => (&pull.limits.cover, &pull.scenario.cover.law),
            Interface::Pair => continue,
        };
        let law = match law {
            SlipLaw::None => "",
            SlipLaw::Yield { .. } => ", sharp yield",
            SlipLaw::Exponential { .. } => ", exponential",
            SlipLaw::StickSlip { .. } => ", stick-slip",
        };
        let rule = match figure.rule {
            Rule::FirstSlip => "first slip",
            Rule::Allowance => "allowance",
            Rule::Running => "running",
        };
        let of = Figure::new(
            &format!("{}{law}", interface(figure.interface)),
            rule,
            "kN",
            1e3,
        );
        match true_limit(truth, figure.rule) {
            Some(load) => tally.figure(of, pull.seed, &figure.load, load * 1e3),
            None => tally.without_truth(of, pull.seed, &figure.load),
        }
        if figure.rule == Rule::Allowance {
            clear(tally, figure, truth, pull);
        }
    }
}

fn interface(of: Interface) -> &'static str {
    match of {
        Interface::Stopper => "stopper",
        Interface::Cover => "cover",
        Interface::Pair => "pair",
    }
}

/// A limit where the line held well within the allowance, or "not reached" where it was well beyond.
fn clear(tally: &mut Tally, figure: &LimitFigure, truth: &InterfaceTruth, pull: &Simulated) {
    let Some(allowed) = pull.scenario.asked.rate.map(|r| r * 60e3) else {
        return;
    };
    let top = truth
        .holds
        .iter()
        .max_by(|a, b| a.load_kn.total_cmp(&b.load_kn));
    let Some(top) = top else { return };
    let slid: f64 = truth.holds.iter().map(|h| h.slip_mm).sum();
    let in_all = 1e3
        * match figure.interface {
            Interface::Stopper => pull.scenario.asked.stopper_slip,
            _ => pull.scenario.asked.cover_slip,
        };
    let within = truth
        .holds
        .iter()
        .all(|h| h.rate_mm_per_min <= 0.5 * allowed)
        && truth.allowance_slip.is_none()
        && slid <= 0.5 * in_all;
    let case = |words: &str| format!("{}, {words}", interface(figure.interface));
    let load = &figure.load;
    if within {
        let stated = load.status == Status::Measured
            || load.status == Status::Bracket && load.high.is_some();
        tally.clear(case("at most half the allowance"), pull.seed, stated);
    } else if top.rate_mm_per_min >= 2.0 * allowed {
        let stated = load.status == Status::NotReached;
        tally.clear(case("at least twice the allowance"), pull.seed, stated);
    }
}

/// Root mean square of each course against the truth.
fn courses(tally: &mut Tally, analysis: &Analysis, pull: &Simulated) {
    let t = &pull.truth;
    let values: BTreeMap<&str, Vec<f64>> = PartName::ALL
        .into_iter()
        .filter_map(|p| {
            let value = analysis.traces.parts.get(&p)?.value.clone()?;
            Some((p.key(), value))
        })
        .collect();
    let rows = t.load.len();
    // A merged log has other rows than the truth: such pulls are not simulated here.
    if analysis.traces.time_s.len() != rows {
        return;
    }
    let gone = |row: usize| t.stopper_slip.get(row).is_some_and(|q| *q > 0.09);
    let end = (0..rows).find(|&row| gone(row)).unwrap_or(t.end + 1);
    let near_jump = |row: usize| {
        let time = pull.time_s.get(row).copied().unwrap_or(0.0);
        t.jumps.iter().any(|j| (j.time - time).abs() < 1.0)
    };
    let peak = |v: &[f64]| v.iter().copied().fold(0.0, f64::max);
    let mut add = |label: &str, value: &[f64], truth: &dyn Fn(usize) -> f64, whole: f64| {
        let (mut sum, mut n) = (0.0, 0_u32);
        for row in t.reference.start..end {
            if label == "stopper_slip" && near_jump(row) {
                continue;
            }
            // The first rows before the dwell and merged rows have no value.
            let Some(v) = value.get(row).filter(|v| v.is_finite()) else {
                continue;
            };
            let miss = v * 1e-3 - truth(row);
            sum += miss * miss;
            n += 1;
        }
        if n > 0 {
            tally.course(label, (sum / f64::from(n)).sqrt(), whole);
        }
    };
    let stretch = peak(&t.stretch);
    let travel = peak(&t.travel);
    for (label, value) in &values {
        let whole = if *label == "not_recovered" {
            travel
        } else {
            stretch
        };
        add(label, value, &|row| t.part(label, row), whole);
    }
    if let (Some(s), Some(d)) = (values.get("stretch"), values.get("set")) {
        let sum: Vec<f64> = s.iter().zip(d).map(|(s, d)| s + d).collect();
        add(
            "stretch + set",
            &sum,
            &|row| t.part("stretch", row) + t.part("set", row),
            stretch,
        );
    }
}
