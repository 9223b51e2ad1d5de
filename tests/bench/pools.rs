//! Studies of many pulls with known truth: coverage of tolerance bounds, joint coverage and false alarms of differences,
//! power against what `plan` says.
//!
//! cargo run --release --example pools -- bounds 5000
//! cargo run --release --example pools -- joint 2000
//! cargo run --release --example pools -- equal 4000
//! cargo run --release --example pools -- power 4000

use bitterend::compare::{Settings, Spread, Told, tell_apart};
use bitterend::limit::AtRate;
use bitterend::pool::{Held, Pull, PullFigure, lower_bound};
use bitterend::prepare::power;
use bitterend::sheet::Rule;
use bitterend::stats::censored::{Family, Observed};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

fn main() {
    let mut words = std::env::args().skip(1);
    let (what, runs) = (words.next(), words.next().and_then(|n| n.parse().ok()));
    match (what.as_deref(), runs) {
        (Some("bounds"), Some(runs)) => bounds(runs),
        (Some("joint"), Some(runs)) => joint(runs),
        (Some("equal"), Some(runs)) => equal(runs),
        (Some("power"), Some(runs)) => power_study(runs),
        _ => {
            eprintln!("usage: pools bounds|joint|equal|power RUNS");
            std::process::exit(2);
        }
    }
}

struct Chance(ChaCha8Rng);

impl Chance {
    fn new(seed: usize) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed as u64))
    }

    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// Share of samples whose bound lies below the true quantile: it should be the confidence.
fn bounds(runs: usize) {
    println!(
        "| family | lines | held without letting go | samples with a bound | bound below the true 10 % point |"
    );
    println!("| --- | --- | --- | --- | --- |");
    for family in Family::ALL {
        for (n, censored) in [(4, 0.0), (10, 0.0), (8, 0.3), (12, 0.5), (20, 0.3)] {
            // The load at which pulls end without letting go, so that this share does on average.
            let end = if censored > 0.0 {
                family.standard_quantile(1.0 - censored)
            } else {
                f64::INFINITY
            };
            let truth = family.standard_quantile(0.1);
            let work = |seed: usize| -> Option<bool> {
                let mut chance = Chance::new(seed);
                // A location of 10 scales keeps normal loads positive; logarithms are small numbers.
                let scale = 0.1;
                let at = |z: f64| match family {
                    Family::Normal => 10.0 + z,
                    Family::Lognormal | Family::Weibull => (1.0 + scale * z).exp(),
                };
                let values: Vec<Observed> = (0..n)
                    .map(|_| {
                        let u = bitterend::stats::quantile::normal_share(chance.normal());
                        let z = family.standard_quantile(u);
                        if z < end {
                            Observed::At(at(z))
                        } else {
                            Observed::Above(at(end))
                        }
                    })
                    .collect();
                let bound = lower_bound(family, &values, 0.9, 0.95, seed as u64 + 1).ok()?;
                Some(bound.low <= at(truth))
            };
            let found: Vec<bool> = on_all_cores(runs, work).into_iter().flatten().collect();
            let held = found.iter().filter(|b| **b).count();
            println!(
                "| {} | {n} | {:.0} % | {} | {:.2} % |",
                family.word(),
                censored * 100.0,
                found.len(),
                100.0 * held as f64 / found.len() as f64
            );
        }
    }
}

fn made(pair: usize, session: usize, line: usize, load: Observed) -> Pull {
    let name = format!("pair {pair} session {session} line {line}");
    Pull {
        name: name.clone(),
        id: name.clone(),
        line: name.clone(),
        line_kind: format!("line {pair}"),
        length: String::new(),
        stopper: "cam".into(),
        stopper_kind: "cam".into(),
        treatment: "none".into(),
        session: format!("session {session}"),
        rig: String::new(),
        cell: "cell".into(),
        when: None,
        held: Held::Fresh,
        diameter_mm: None,
        diameter_min_mm: None,
        diameter_max_mm: None,
        rated_kn: None,
        loaded_releases: None,
        hauls_closed: None,
        load_cycles: None,
        proof_kn: None,
        peak_kn: 0.0,
        cell_gain: Some(0.0),
        governing: Rule::Allowance,
        figures: vec![PullFigure {
            rule: Rule::Allowance,
            load: Some(load),
            reason: None,
            standard_error_kn: None,
            rate: AtRate::default(),
        }],
        asked: (None, None),
        force_unit: "kN".into(),
        log_sha256: name,
        simulated: true,
        unusable: None,
        doubts: Vec::new(),
    }
}

/// One design: medians (kN), spreads and lines per session of each pair, sessions with their own spread, and the load at
/// which pulls end.
struct Design {
    name: &'static str,
    pairs: Vec<(f64, f64, usize)>,
    sessions: usize,
    between: f64,
    ends: f64,
    spread: Spread,
}

impl Design {
    fn draw(&self, seed: usize) -> Vec<Pull> {
        let mut chance = Chance::new(seed);
        let mut pulls = Vec::new();
        for session in 0..self.sessions {
            let day = self.between * chance.normal();
            for (pair, (median, spread, lines)) in self.pairs.iter().enumerate() {
                for line in 0..*lines {
                    let load = median * (day + spread * chance.normal()).exp();
                    let seen = if load < self.ends {
                        Observed::At(load)
                    } else {
                        Observed::Above(self.ends)
                    };
                    pulls.push(made(pair, session, line, seen));
                }
            }
        }
        pulls
    }

    fn settings(&self) -> Settings {
        Settings {
            spread: self.spread,
            ..Settings::default()
        }
    }
}

fn number(name: &str) -> usize {
    let digits: String = name.chars().filter(char::is_ascii_digit).collect();
    digits.parse().unwrap_or(0)
}

/// Share of benchmarks in which every interval holds its true ratio.
fn joint(runs: usize) {
    let free = f64::INFINITY;
    let own = Spread::Own;
    let even = vec![
        (5.0, 0.06, 2),
        (5.5, 0.06, 2),
        (6.0, 0.06, 2),
        (6.0, 0.06, 2),
        (7.0, 0.06, 2),
        (8.0, 0.06, 2),
    ];
    let uneven = vec![
        (5.0, 0.03, 3),
        (5.5, 0.12, 2),
        (6.0, 0.06, 4),
        (6.0, 0.09, 2),
        (8.0, 0.05, 3),
    ];
    let designs = [
        Design {
            name: "6 pairs, 2 lines in each of 2 sessions",
            pairs: even.clone(),
            sessions: 2,
            between: 0.05,
            ends: free,
            spread: own,
        },
        Design {
            name: "6 pairs, 2 lines in each of 3 sessions",
            pairs: even.clone(),
            sessions: 3,
            between: 0.05,
            ends: free,
            spread: own,
        },
        Design {
            name: "5 pairs, unequal spreads and numbers, 2 sessions",
            pairs: uneven.clone(),
            sessions: 2,
            between: 0.05,
            ends: free,
            spread: own,
        },
        Design {
            name: "5 pairs, unequal spreads and numbers, 1 session",
            pairs: uneven.clone(),
            sessions: 1,
            between: 0.0,
            ends: free,
            spread: own,
        },
        Design {
            name: "6 pairs, one scatter assumed, 2 sessions",
            pairs: even,
            sessions: 2,
            between: 0.05,
            ends: free,
            spread: Spread::Common,
        },
        Design {
            name: "5 pairs, unequal, 2 sessions, pulls end at 8 kN",
            pairs: uneven,
            sessions: 2,
            between: 0.05,
            ends: 8.0,
            spread: own,
        },
    ];
    println!(
        "| design | benchmarks | all intervals hold the truth | single intervals that hold it |"
    );
    println!("| --- | --- | --- | --- |");
    for design in &designs {
        let work = |seed: usize| {
            let (differences, _) = tell_apart(&design.draw(seed), &design.settings());
            let (mut all, mut held, mut n) = (true, 0, 0);
            for d in &differences {
                let (Some(low), Some(high)) = (d.low, d.high) else {
                    continue;
                };
                let truth = design.pairs[number(&d.first)].0 / design.pairs[number(&d.second)].0;
                n += 1;
                if low <= truth && truth <= high {
                    held += 1
                } else {
                    all = false
                }
            }
            (all, held, n)
        };
        let found = on_all_cores(runs, work);
        let all = found.iter().filter(|f| f.0).count();
        let (held, n) = found.iter().fold((0, 0), |s, f| (s.0 + f.1, s.1 + f.2));
        println!(
            "| {} | {runs} | {:.1} % | {:.2} % |",
            design.name,
            100.0 * all as f64 / runs as f64,
            100.0 * f64::from(held) / f64::from(n)
        );
    }
}

/// Share of runs in which two equal pairs are called different.
fn equal(runs: usize) {
    println!("| design | runs | called different |");
    println!("| --- | --- | --- |");
    for (name, pairs) in [
        ("2 pairs, 4 lines", vec![(6.0, 0.07, 2), (6.0, 0.07, 2)]),
        (
            "2 pairs, 3 and 6 lines, spreads 1 to 3",
            vec![(6.0, 0.04, 3), (6.0, 0.12, 6)],
        ),
        (
            "2 of 5 pairs, 4 lines",
            vec![
                (6.0, 0.07, 2),
                (6.0, 0.07, 2),
                (8.0, 0.07, 2),
                (9.0, 0.07, 2),
                (10.0, 0.07, 2),
            ],
        ),
    ] {
        let sessions = if pairs[0].2 == 2 { 2 } else { 1 };
        let design = Design {
            name,
            pairs,
            sessions,
            between: 0.05,
            ends: f64::INFINITY,
            spread: Spread::Own,
        };
        let work = |seed: usize| {
            let (differences, _) = tell_apart(&design.draw(seed), &design.settings());
            differences
                .iter()
                .find(|d| number(&d.first) == 0 && number(&d.second) == 1)
                .is_some_and(|d| matches!(d.told, Told::First | Told::Second))
        };
        let called = on_all_cores(runs, work).into_iter().filter(|d| *d).count();
        println!(
            "| {name} | {runs} | {:.1} % |",
            100.0 * called as f64 / runs as f64
        );
    }
}

/// Share of runs in which a difference is found, beside what `plan` says.
fn power_study(runs: usize) {
    println!("| pairs | lines of each | scatter | difference | planned | found |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (pairs, lines, spread, difference) in [
        (2, 4, 0.08, 0.20),
        (2, 6, 0.08, 0.15),
        (2, 10, 0.08, 0.10),
        (3, 5, 0.06, 0.15),
        (6, 6, 0.08, 0.25),
        (6, 10, 0.06, 0.12),
    ] {
        let mut medians = vec![(6.0, spread, lines); pairs];
        medians[0].0 = 6.0 * (1.0 + difference);
        let design = Design {
            name: "",
            pairs: medians,
            sessions: 1,
            between: 0.05,
            ends: f64::INFINITY,
            spread: Spread::Own,
        };
        let work = |seed: usize| {
            let (differences, _) = tell_apart(&design.draw(seed), &design.settings());
            differences
                .iter()
                .find(|d| number(&d.first) == 0 && number(&d.second) == 1)
                .is_some_and(|d| d.told == Told::First)
        };
        let found = on_all_cores(runs, work).into_iter().filter(|d| *d).count();
        println!(
            "| {pairs} | {lines} | {:.0} % | {:.0} % | {:.1} % | {:.1} % |",
            100.0 * spread,
            100.0 * difference,
            100.0 * power::power(lines, spread, difference, pairs, 0.95),
            100.0 * found as f64 / runs as f64
        );
    }
}

/// Runs the work for each seed on all cores; results in the order of the seeds.
fn on_all_cores<T: Send>(runs: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let workers = std::thread::available_parallelism().map_or(1, |n| n.get());
    let mut parts: Vec<(usize, T)> = std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers)
            .map(|w| {
                let work = &work;
                scope.spawn(move || {
                    (w..runs)
                        .step_by(workers)
                        .map(|seed| (seed, work(seed)))
                        .collect::<Vec<_>>()
                })
            })
            .collect();
        handles
            .into_iter()
            .flat_map(|h| h.join().unwrap_or_default())
            .collect()
    });
    parts.sort_by_key(|p| p.0);
    parts.into_iter().map(|p| p.1).collect()
}
