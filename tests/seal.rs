//! Sealing and making again: the same on another place, and each change caught and named.
//!
//! The pull is a stored fixture with a few readings by hand beside it, re-labelled as a survey: an invented record cannot
//! be sealed as a delivery.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn bitterend(words: &[&str], folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(words)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn change(path: &Path, from: &str, to: &str) {
    let old = fs::read_to_string(path).unwrap();
    assert!(old.contains(from), "{}: no {from}", path.display());
    fs::write(path, old.replacen(from, to, 1)).unwrap();
}

/// A pull folder with sheet, log and marks, analysed.
fn pull(base: &Path, purpose: &str) -> PathBuf {
    let fixture = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/travel-only");
    let folder = base.join("pull");
    fs::create_dir_all(&folder).unwrap();
    for name in ["sheet.toml", "log.csv"] {
        fs::copy(fixture.join(name), folder.join(name)).unwrap();
    }
    change(
        &folder.join("sheet.toml"),
        "purpose = \"delivery\"",
        &format!("purpose = \"{purpose}\"\nmarks = \"marks.csv\""),
    );
    change(
        &folder.join("sheet.toml"),
        "[gauges.travel]",
        "[gauges.tail]\ncolumn = \"tail\"\nunit = \"mm\"\nagainst = \"rig\"\n\n[gauges.travel]",
    );
    fs::write(
        folder.join("marks.csv"),
        "time [s],tail [mm]\n15,0.0\n60,0.0\n120,0.1\n",
    )
    .unwrap();
    let run = bitterend(&["analyse", "pull"], base);
    assert!(
        folder.join("results/analysis.json").is_file(),
        "{}",
        text(&run.stderr)
    );
    folder
}

fn reproduce(base: &Path) -> (Option<i32>, String) {
    let run = bitterend(&["reproduce", "pull/results"], base);
    (run.status.code(), text(&run.stdout) + &text(&run.stderr))
}

#[test]
fn each_change_is_caught_and_named() {
    let base = tempfile::tempdir().unwrap();
    let folder = pull(base.path(), "survey");
    let run = bitterend(&["seal", "pull/results"], base.path());
    assert!(run.status.success(), "{}", text(&run.stderr));
    assert!(text(&run.stderr).contains("shows change, not forgery"));
    let (code, said) = reproduce(base.path());
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("the same; 3 inputs"), "{said}");
    // Sealing what is sealed would hide what happened since.
    let twice = bitterend(&["seal", "pull/results"], base.path());
    assert_eq!(twice.status.code(), Some(2));

    let results = folder.join("results");
    let chart = fs::read_dir(results.join("charts"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .min()
        .unwrap();
    let log = fs::read_to_string(folder.join("log.csv")).unwrap();
    let row = log.lines().nth(1000).unwrap().to_owned();
    // One digit of the load in one row.
    let cell = row.split(',').nth(1).unwrap();
    let last = cell.chars().last().unwrap();
    let other = if last == '1' { '2' } else { '1' };
    let row_changed = row.replacen(cell, &format!("{}{other}", &cell[..cell.len() - 1]), 1);
    let analysis = fs::read_to_string(results.join("analysis.json")).unwrap();
    let peak = analysis
        .lines()
        .find(|l| l.contains("\"peak_load_kn\""))
        .unwrap()
        .to_owned();
    let peak_changed = peak.replacen(": ", ": 1", 1);

    type Tamper<'a> = Box<dyn Fn(&Path) + 'a>;
    let cases: Vec<(&str, Tamper, Vec<String>)> = vec![
        (
            "one digit in the log",
            Box::new(|f| change(&f.join("log.csv"), &row, &row_changed)),
            vec!["changed: log.csv (log)".into()],
        ),
        (
            "one digit in the sheet",
            Box::new(|f| change(&f.join("sheet.toml"), "2.9 m", "2.8 m")),
            vec![
                "changed: sheet.toml (sheet)".into(),
                // Down to the figure.
                "analysis.json, sheet.line.free_length: \"2.9 m\" in the folder, \"2.8 m\" made again".into(),
            ],
        ),
        (
            "one digit in the marks",
            Box::new(|f| change(&f.join("marks.csv"), "120,0.1", "120,0.2")),
            vec!["changed: marks.csv (marks)".into()],
        ),
        (
            "a word of the report",
            Box::new(|f| change(&f.join("results/report.md"), "**Verdict:**", "**Verdict:** passes")),
            vec![
                "changed: report.md (output)".into(),
                "report.md, line ".into(),
            ],
        ),
        (
            "a word of the page",
            Box::new(|f| change(&f.join("results/report.html"), "</title>", "!</title>")),
            vec!["changed: report.html (output)".into()],
        ),
        (
            "one digit in the analysis",
            Box::new(|f| change(&f.join("results/analysis.json"), &peak, &peak_changed)),
            vec![
                "changed: analysis.json (output)".into(),
                "analysis.json, record.peak_load_kn: 1".into(),
            ],
        ),
        (
            "a chart",
            Box::new(|f| change(&f.join("results/charts").join(&chart), "</title>", "!</title>")),
            vec![format!("changed: charts/{chart} (output)")],
        ),
        (
            "one byte of the traces",
            Box::new(|f| {
                let path = f.join("results/traces.parquet");
                let mut bytes = fs::read(&path).unwrap();
                let middle = bytes.len() / 2;
                bytes[middle] ^= 1;
                fs::write(path, bytes).unwrap();
            }),
            vec!["changed: traces.parquet (output)".into()],
        ),
        (
            "a file more",
            Box::new(|f| fs::write(f.join("results/notes.txt"), "x").unwrap()),
            vec!["added: notes.txt".into()],
        ),
        (
            "a file less",
            Box::new(|f| fs::remove_file(f.join("results/report.html")).unwrap()),
            vec!["removed: report.html (output)".into()],
        ),
        (
            "another name",
            Box::new(|f| {
                fs::rename(f.join("results/report.md"), f.join("results/rapport.md")).unwrap();
            }),
            vec!["renamed: report.md is now rapport.md".into()],
        ),
        (
            "an input gone",
            Box::new(|f| fs::remove_file(f.join("marks.csv")).unwrap()),
            vec![
                "removed: marks.csv (marks)".into(),
                "cannot be made again: ".into(),
            ],
        ),
        (
            "other settings in the seal",
            Box::new(|f| change(&f.join("results/seal.json"), "\"seed\": 1", "\"seed\": 2")),
            vec!["setting seed: 286089006 in the seal, 186089006 in analysis.json".into()],
        ),
        (
            "another version",
            Box::new(|f| {
                let own = format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION"));
                change(&f.join("results/seal.json"), &own, "\"version\": \"0.0.9\"");
            }),
            vec![format!(
                "version: sealed with 0.0.9, made again with {}",
                env!("CARGO_PKG_VERSION")
            )],
        ),
        (
            "another digest in the seal",
            Box::new(|f| change(&f.join("results/seal.json"), "\"sha256\": \"", "\"sha256\": \"0")),
            vec!["changed: sheet.toml (sheet)".into()],
        ),
    ];
    for (what, tamper, expected) in cases {
        let other = tempfile::tempdir().unwrap();
        copy(&folder, &other.path().join("pull"));
        tamper(&other.path().join("pull"));
        let (code, said) = reproduce(other.path());
        assert_eq!(code, Some(1), "{what}: {said}");
        for line in expected {
            assert!(
                said.contains(&line),
                "{what}: `{line}` is missing in\n{said}"
            );
        }
    }
}

/// Another checkout: nothing of the place is in the files, so the same comes out there.
#[test]
fn another_place_gives_the_same() {
    let base = tempfile::tempdir().unwrap();
    let folder = pull(base.path(), "survey");
    let results = base.path().join("kept elsewhere ü");
    copy(&folder.join("results"), &results);
    fs::remove_dir_all(folder.join("results")).unwrap();
    let words = ["seal", "kept elsewhere ü", "--pull", "pull"];
    let run = bitterend(&words, base.path());
    assert!(run.status.success(), "{}", text(&run.stderr));
    let other = tempfile::tempdir().unwrap();
    copy(&folder, &other.path().join("here"));
    copy(&results, &other.path().join("here/results"));
    let run = bitterend(&["reproduce", "here/results"], other.path());
    assert_eq!(run.status.code(), Some(0), "{}", text(&run.stdout));
}

#[test]
fn an_invented_record_is_not_sealed_as_a_delivery_nor_is_what_was_typed_over() {
    let base = tempfile::tempdir().unwrap();
    pull(base.path(), "delivery");
    let run = bitterend(&["seal", "pull/results"], base.path());
    assert_eq!(run.status.code(), Some(2));
    let said = text(&run.stderr);
    assert!(
        said.contains("simulated data cannot be sealed as a delivery record"),
        "{said}"
    );
    assert!(!base.path().join("pull/results/seal.json").exists());

    let base = tempfile::tempdir().unwrap();
    let folder = pull(base.path(), "survey");
    // The purpose typed over after the analysis would get round it.
    change(
        &folder.join("sheet.toml"),
        "simulated = true",
        "simulated = false",
    );
    let run = bitterend(&["seal", "pull/results"], base.path());
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("changed: sheet.toml (sheet)"));
    change(
        &folder.join("sheet.toml"),
        "simulated = false",
        "simulated = true",
    );
    change(&folder.join("results/report.md"), "Verdict", "verdict");
    let run = bitterend(&["seal", "pull/results"], base.path());
    assert_eq!(run.status.code(), Some(2));
    assert!(text(&run.stderr).contains("report.md, line "));
}

/// Needs the OpenSSH client, which is how a user signs and checks too; .ci/run installs it and so never skips.
#[test]
fn a_signature_is_checked_by_plain_ssh_keygen() {
    let has = Command::new("ssh-keygen").arg("-?").output().is_ok();
    if !has {
        assert!(
            std::env::var_os("BITTEREND_CI").is_none(),
            "ssh-keygen is missing where nothing may be skipped"
        );
        eprintln!("skipped: there is no ssh-keygen on this machine");
        return;
    }
    let base = tempfile::tempdir().unwrap();
    let folder = pull(base.path(), "survey");
    let key = base.path().join("key");
    let made = Command::new("ssh-keygen")
        .args(["-q", "-t", "ed25519", "-N", "", "-C", "", "-f"])
        .arg(&key)
        .status()
        .unwrap();
    assert!(made.success());
    let run = bitterend(&["seal", "pull/results", "--key", "key"], base.path());
    assert!(run.status.success(), "{}", text(&run.stderr));
    let public = fs::read_to_string(base.path().join("key.pub")).unwrap();
    fs::write(
        base.path().join("signers"),
        format!("yard@quay.invalid {public}"),
    )
    .unwrap();

    // Without any help of ours.
    let seal = fs::File::open(folder.join("results/seal.json")).unwrap();
    let plain = Command::new("ssh-keygen")
        .args([
            "-Y",
            "verify",
            "-n",
            "bitterend",
            "-I",
            "yard@quay.invalid",
            "-f",
        ])
        .arg(base.path().join("signers"))
        .arg("-s")
        .arg(folder.join("results/seal.json.sig"))
        .stdin(seal)
        .output()
        .unwrap();
    assert!(plain.status.success(), "{}", text(&plain.stderr));

    let by = |who: &str| {
        let words = [
            "reproduce",
            "pull/results",
            "--signers",
            "signers",
            "--identity",
            who,
        ];
        let run = bitterend(&words, base.path());
        (run.status.code(), text(&run.stdout))
    };
    let (code, said) = by("yard@quay.invalid");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("yard@quay.invalid"), "{said}");
    let (code, said) = by("somebody@else.invalid");
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("signature: "), "{said}");
    // A seal changed after signing.
    change(
        &folder.join("results/seal.json"),
        "\"seed\": 1",
        "\"seed\": 2",
    );
    let (code, said) = reproduce(base.path());
    assert_eq!(code, Some(1));
    assert!(
        said.contains("signature: does not belong to this seal"),
        "{said}"
    );
    // A seal without a signature where one is wanted.
    change(
        &folder.join("results/seal.json"),
        "\"seed\": 2",
        "\"seed\": 1",
    );
    fs::remove_file(folder.join("results/seal.json.sig")).unwrap();
    let (code, said) = by("yard@quay.invalid");
    assert_eq!(code, Some(1));
    assert!(said.contains("the seal is not signed"), "{said}");
}
