//! The demo benchmark: simulated pulls of an invented rope loft, as the simulator makes them, and what `compare` says.
//!
//! `BITTEREND_WRITE_FIXTURES=1 cargo test --release --test benchmark` writes `fixtures/benchmark/` anew.
//!
//! Setting (invented): the racing team of Sandgrind Quay benchmarks halyards on the loft's bench in two sessions. Lines of
//! 8, 10 and 12 mm in a cam made for 7 to 12 mm and in jaws made for 8 to 14 mm; the 10 mm also with a coating. Four lines
//! of each pair, two in each session. One length of the 10 mm was pulled again and again in the cam.

use std::path::{Path, PathBuf};

use bitterend::simulate::{Grade, Interface, Kind, Scenario, SlipLaw, Step, folder, run};

/// One pull of the benchmark.
struct Planned {
    name: String,
    line: String,
    line_kind: &'static str,
    length: &'static str,
    diameter: f64,
    treatment: Option<&'static str>,
    stopper: &'static str,
    session: &'static str,
    hour: usize,
    cycles: Option<usize>,
    worn: bool,
    /// Load at which the line begins to run in the stopper, N.
    yields: f64,
    /// Load at which the pull is ended, N.
    top: f64,
    seed: u64,
}

const SESSIONS: [(&str, &str, f64); 2] = [
    ("loft bench, first day", "2026-05-14", 1.0),
    ("loft bench, second day", "2026-05-15", 1.05),
];

/// Scatter of the lines, shares of the load: written out, so that the truth is read at a glance.
const LINES: [f64; 8] = [0.035, -0.05, 0.02, -0.015, 0.06, -0.03, -0.045, 0.04];

fn planned() -> Vec<Planned> {
    let mut pulls = Vec::new();
    let mut seed = 100;
    // Kind of line, diameter, treatment, stopper, median load in kN, name.
    let pairs = [
        ("braid 8", 8.0, None, "cam 7-12", 3.1, "b8-cam"),
        ("braid 10", 10.0, None, "cam 7-12", 4.4, "b10-cam"),
        ("braid 12", 12.0, None, "cam 7-12", 5.6, "b12-cam"),
        (
            "braid 10",
            10.0,
            Some("coating"),
            "cam 7-12",
            5.2,
            "b10-coated-cam",
        ),
        ("braid 10", 10.0, None, "jaws 8-14", 4.6, "b10-jaws"),
        ("braid 12", 12.0, None, "jaws 8-14", 6.9, "b12-jaws"),
    ];
    for (p, (line_kind, diameter, treatment, stopper, median, name)) in
        pairs.into_iter().enumerate()
    {
        for (s, (session, _, day)) in SESSIONS.into_iter().enumerate() {
            for l in 0..2 {
                seed += 1;
                let line = 2 * s + l;
                pulls.push(Planned {
                    name: format!("{name}-{}", line + 1),
                    line: format!("{name} {}", line + 1),
                    line_kind,
                    length: "first",
                    diameter,
                    treatment,
                    stopper,
                    session,
                    hour: (5 * p + 3 * l) % 10,
                    cycles: None,
                    worn: false,
                    yields: median * 1e3 * day * (1.0 + LINES[(3 * p + line) % 8]),
                    // The chain allows 7.2 kN: the strongest pair is not always brought to let go.
                    top: 7200.0,
                    seed,
                });
            }
        }
    }
    for n in 0..4usize {
        seed += 1;
        pulls.push(Planned {
            name: format!("b10-cam-again-{}", n + 1),
            line: "b10-cam 4".into(),
            line_kind: "braid 10",
            length: "first",
            diameter: 10.0,
            treatment: None,
            stopper: "cam 7-12",
            session: SESSIONS[1].0,
            hour: 11 + n,
            cycles: Some(25 * (n + 1)),
            worn: true,
            yields: 4550.0 * (1.0 - 0.06 * (n + 1) as f64 + [0.01, -0.01, 0.005, -0.008][n]),
            top: 7200.0,
            seed,
        });
    }
    pulls
}

fn scenario(p: &Planned) -> Scenario {
    let mut s = Kind::StopperSlip.scenario(Grade::Good, p.seed);
    s.name.clone_from(&p.name);
    s.words.story = "A benchmark of halyards in an invented loft.";
    s.words.diameter = p.diameter * 1e-3;
    s.words.break_load = 400.0 * p.diameter * p.diameter;
    s.line.free_length = 3.0;
    s.line.set.past_load = 0.0;
    s.stopper = Interface {
        seating: 0.4e-3,
        seating_load: 800.0,
        law: SlipLaw::Yield {
            yield_at: p.yields,
            viscosity: 6e4,
            hardening: 2e4,
        },
        returns: 0.0,
    };
    s.cover = Interface::holds();
    s.rig.stop_after_slip = 8e-3;
    s.instruments.logger.rate = 2.0;
    (s.asked.proof, s.asked.stopper_slip, s.asked.cover_slip) = (4000.0, 2e-3, 2e-3);
    (s.asked.rate, s.asked.creep) = (None, None);
    s.asked.hold = 30.0;
    let hold = |seconds| Step::Hold { seconds };
    let ramp = |to, rate| Step::Ramp { to, rate };
    let slack = Step::Slack {
        seconds: 5.0,
        slack: 0.01,
    };
    let mut steps = vec![slack, ramp(300.0, 100.0), hold(15.0)];
    for _ in 0..2 {
        steps.extend([
            ramp(1800.0, 200.0),
            hold(5.0),
            ramp(300.0, 600.0),
            hold(10.0),
        ]);
    }
    steps.extend([
        ramp(p.top, 200.0),
        hold(30.0),
        ramp(300.0, 600.0),
        hold(40.0),
        ramp(0.0, 100.0),
        slack,
    ]);
    s.schedule = steps;
    s
}

/// The simulator's sheet with what a benchmark states beside it.
fn sheet(text: &str, p: &Planned) -> String {
    let date = SESSIONS.iter().find(|s| s.0 == p.session).unwrap().1;
    let (low, high) = if p.stopper.starts_with("cam") {
        (7, 12)
    } else {
        (8, 14)
    };
    let mut out = String::new();
    for line in text.lines() {
        let key = line.split(" = ").next().unwrap_or_default();
        let new = match key {
            "id" if line.contains("line of") => {
                format!("id = \"{}\"\nkind = \"{}\"", p.line, p.line_kind)
            }
            "id" if line.contains("stopper A") => {
                format!("id = \"{s}, no. 1\"\nkind = \"{s}\"", s = p.stopper)
            }
            "id" => format!("id = \"{}\"", p.name),
            "length_id" => format!("length_id = \"{}\"", p.length),
            "when" => format!("when = \"{date}T{:02}:30:00+02:00\"", 8 + p.hour),
            "purpose" => "purpose = \"benchmark\"".into(),
            "rig" => "rig = \"loft bench\"".into(),
            "session" => format!("session = \"{}\"", p.session),
            "grip" => format!("grip = \"{}\"", if low == 7 { "cam" } else { "jaws" }),
            "diameter_min" => format!("diameter_min = \"{low} mm\""),
            "diameter_max" => format!("diameter_max = \"{high} mm\""),
            "rated_load" => format!("rated_load = \"{} kN\"", if low == 7 { 6 } else { 8 }),
            "holds" if p.worn => "holds = \"re-used\"".into(),
            "loaded_releases" => match p.cycles {
                Some(n) => format!("load_cycles = {n}"),
                None if p.line == "b10-cam 4" => "load_cycles = 0".into(),
                None => continue,
            },
            "hauls_closed" => continue,
            _ if line.starts_with("# The truth stands") => {
                "# The truth stands in ../truth.csv; no analysis reads it.".into()
            }
            _ => line.to_owned(),
        };
        out += &new;
        out.push('\n');
    }
    if let Some(treatment) = p.treatment {
        out += &format!(
            "\n[[line.treatments]]\nkind = \"{treatment}\"\nbegins = \"-100 mm\"\nlength = \"400 mm\"\n"
        );
    }
    out
}

fn place() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/benchmark")
}

fn files() -> Vec<(PathBuf, Vec<u8>)> {
    let mut files = Vec::new();
    let mut truth = String::from("pull,pair,session,yields_kn,slip_2_mm_at_kn\n");
    for p in planned() {
        let made = folder(run(&scenario(&p), p.seed));
        let at = made.simulated.limits.stopper.allowance_slip;
        truth += &format!(
            "{},{} in {}{},{},{:.4},{}\n",
            p.name,
            p.line_kind,
            p.stopper,
            p.treatment
                .map_or_else(String::new, |t| format!(" with {t}")),
            p.session.replace(',', ""),
            p.yields / 1e3,
            at.map_or_else(String::new, |l| format!("{:.4}", l.load_kn))
        );
        for (name, bytes) in made.files {
            let bytes = match name.as_str() {
                "sheet.toml" => sheet(&String::from_utf8(bytes).unwrap(), &p).into_bytes(),
                "log.csv" => bytes,
                _ => continue,
            };
            files.push((Path::new(&p.name).join(name), bytes));
        }
    }
    files.push(("truth.csv".into(), truth.into_bytes()));
    files
}

#[test]
fn the_stored_benchmark_is_what_the_simulator_makes() {
    let write = std::env::var_os("BITTEREND_WRITE_FIXTURES").is_some();
    let mut size = 0;
    let files = files();
    for (name, bytes) in &files {
        let path = place().join(name);
        if write {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, bytes).unwrap();
        }
        let stored = std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        assert!(
            stored == *bytes,
            "{} differs from what the simulator makes",
            path.display()
        );
        size += bytes.len();
    }
    assert!(size < 900_000, "{size} bytes");
    let folders = std::fs::read_dir(place()).unwrap().count();
    assert_eq!(
        folders,
        planned().len() + 1,
        "something in the benchmark is made by nothing"
    );
}

fn bitterend(words: &[&str]) -> std::process::Output {
    std::process::Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(words)
        .output()
        .unwrap()
}

fn json(path: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// The whole way: raw folders with a broken one among them, then the table that came out in place of the folders.
#[test]
fn the_demo_is_compared_and_a_broken_folder_is_named_and_skipped() {
    let scratch = tempfile::tempdir().unwrap();
    let broken = scratch.path().join("broken");
    std::fs::create_dir(&broken).unwrap();
    std::fs::write(
        broken.join("sheet.toml"),
        "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"load\"\n",
    )
    .unwrap();
    // A log whose sheet was forgotten.
    let forgotten = scratch.path().join("others");
    std::fs::create_dir_all(forgotten.join("no-sheet")).unwrap();
    std::fs::write(forgotten.join("no-sheet/log.csv"), "load\n1\n").unwrap();
    let out = scratch.path().join("out");
    let (demo, broken, out_word) = (
        place(),
        broken.display().to_string(),
        out.display().to_string(),
    );
    let run = bitterend(&[
        "compare",
        demo.to_str().unwrap(),
        &broken,
        forgotten.to_str().unwrap(),
        "--out",
        &out_word,
        "--diameter",
        "9 mm",
    ]);
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(1), "{said}");
    assert!(
        said.contains("broken") && said.contains("log.csv"),
        "{said}"
    );
    assert!(said.contains("pulls read: 30 of 30"), "{said}");
    let c = json(&out.join("comparison.json"));
    assert_eq!(c["skipped"][0]["name"], "broken");
    assert_eq!(c["skipped"][1]["name"], "no-sheet");
    assert_eq!(
        (
            c["pulls"].as_array().unwrap().len(),
            c["set_aside"].as_array().unwrap().len()
        ),
        (28, 4)
    );
    assert_eq!(c["groups"].as_array().unwrap().len(), 6);
    assert_eq!(c["ranking"]["refused"], "");

    // The true load of every pull is known: each limit that was reached lies within 2 % of it (the cell's 0.5 %, and the
    // separation's own error), and no bound lies above it.
    let truth = std::fs::read_to_string(place().join("truth.csv")).unwrap();
    let mut checked = 0;
    for pull in c["pulls"].as_array().unwrap() {
        let row = truth
            .lines()
            .find(|l| l.split(',').next() == pull["name"].as_str())
            .unwrap();
        let load = &pull["figures"]
            .as_array()
            .unwrap()
            .iter()
            .find(|f| f["rule"] == "allowance")
            .unwrap()["load"];
        match (
            row.split(',').nth(4).unwrap().parse::<f64>(),
            load["At"].as_f64(),
            load["Above"].as_f64(),
        ) {
            (Ok(true_kn), Some(found), _) => {
                assert!((found / true_kn - 1.0).abs() < 0.02, "{row}: {load}")
            }
            (Ok(true_kn), _, Some(bound)) => assert!(bound < 1.005 * true_kn, "{row}: {load}"),
            (Err(_), _, Some(_)) => {}
            _ => panic!("{row}: {load}"),
        }
        checked += 1;
    }
    assert_eq!(checked, 28);
    // The medians were 3.1, 4.4 and 5.6 kN by design: their true ratios lie in the joint intervals.
    let median = |name: &str| match name {
        "braid 8 in cam 7-12" => 3.1,
        "braid 10 in cam 7-12" => 4.4,
        "braid 12 in cam 7-12" => 5.6,
        "braid 10 in cam 7-12, coating" => 5.2,
        "braid 10 in jaws 8-14" => 4.6,
        _ => 6.9,
    };
    for d in c["differences"].as_array().unwrap() {
        let true_ratio =
            median(d["first"].as_str().unwrap()) / median(d["second"].as_str().unwrap());
        let (low, high) = (d["low"].as_f64().unwrap(), d["high"].as_f64().unwrap());
        assert!(low < true_ratio && true_ratio < high, "{d}");
    }

    // The table of pulls stands in for the folders.
    let again = scratch.path().join("again");
    let table = out.join("pulls.parquet");
    let run = bitterend(&[
        "compare",
        table.to_str().unwrap(),
        "--out",
        again.to_str().unwrap(),
        "--diameter",
        "9 mm",
    ]);
    assert_eq!(
        run.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let second = json(&again.join("comparison.json"));
    for key in ["groups", "differences", "ranking", "wear", "diameter"] {
        assert_eq!(c[key], second[key], "{key}");
    }
    // And so do finished analyses: exported by `analyse`, read back by `compare`.
    let results = scratch.path().join("results");
    let folder = place().join("b8-cam-1");
    let run = bitterend(&[
        "analyse",
        folder.to_str().unwrap(),
        "--out",
        results.to_str().unwrap(),
    ]);
    assert!(run.status.code() <= Some(1));
    let one = scratch.path().join("one");
    let run = bitterend(&[
        "compare",
        results.to_str().unwrap(),
        "--out",
        one.to_str().unwrap(),
    ]);
    assert_eq!(
        run.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    let load = |c: &serde_json::Value| {
        let pull = c["pulls"]
            .as_array()
            .unwrap()
            .iter()
            .find(|p| p["id"] == "b8-cam-1")
            .unwrap();
        pull["figures"]
            .as_array()
            .unwrap()
            .iter()
            .find(|f| f["rule"] == "allowance")
            .unwrap()["load"]["At"]
            .as_f64()
            .unwrap()
    };
    assert!((load(&json(&one.join("comparison.json"))) / load(&c) - 1.0).abs() < 1e-12);

    // A plan from the same table: a stopper for 10 mm and 3.5 kN.
    let run = bitterend(&[
        "plan",
        table.to_str().unwrap(),
        "--sheet",
        folder.to_str().unwrap(),
        "--diameter",
        "10 mm",
        "--load",
        "3.5 kN",
    ]);
    let plan = String::from_utf8_lossy(&run.stdout).into_owned();
    assert_eq!(
        run.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    for words in [
        "# Plan for the dock",
        "To tell two pairs apart",
        "the weakest part is",
        "(control)",
        "braid 10 in cam 7-12, coating",
    ] {
        assert!(plan.contains(words), "{words}: {plan}");
    }
}

#[test]
fn wrong_wishes_are_told() {
    for (words, part) in [
        (
            vec!["compare", "nowhere"],
            "none of 1 pull could be analysed",
        ),
        (
            vec!["compare", "nowhere", "--share", "110 %"],
            "--share 110 %",
        ),
        (
            vec!["compare", "nowhere", "--diameter", "9 kN"],
            "--diameter 9 kN",
        ),
        (vec!["plan", "--load", "8 mm"], "--load 8 mm"),
        (vec!["plan", "--sheet", "nowhere"], "nowhere"),
    ] {
        let scratch = tempfile::tempdir().unwrap();
        let run = std::process::Command::new(env!("CARGO_BIN_EXE_bitterend"))
            .args(&words)
            .current_dir(scratch.path())
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert_eq!(run.status.code(), Some(2), "{words:?}: {said}");
        assert!(said.contains(part), "{words:?}: {said}");
        assert_eq!(
            std::fs::read_dir(scratch.path()).unwrap().count(),
            0,
            "{words:?}"
        );
    }
}
