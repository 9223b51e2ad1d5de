//! The command in a shell: examples of the help, completions, man page, standard streams, what is said and how it ends.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

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

fn fixture(name: &str, to: &Path) -> PathBuf {
    let from = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name);
    fs::create_dir_all(to).unwrap();
    for file in ["sheet.toml", "log.csv"] {
        fs::copy(from.join(file), to.join(file)).unwrap();
    }
    to.to_owned()
}

/// Lines below `Examples:` or `Example:` of a help text, without their remarks.
fn examples(help: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut inside = false;
    for line in help.lines() {
        if line.starts_with("Example") {
            inside = true;
        } else if inside && line.trim().is_empty() {
            inside = false;
        } else if inside {
            let line = line.trim();
            // Two spaces and more set a remark apart.
            found.push(line.split("  ").next().unwrap().to_owned());
        }
    }
    found
}

#[test]
fn every_example_of_the_help_runs() {
    let base = tempfile::tempdir().unwrap();
    let home = base.path().join("home");
    for folder in [
        ".local/share/bash-completion/completions",
        ".local/share/man/man1",
    ] {
        fs::create_dir_all(home.join(folder)).unwrap();
    }
    fixture("core-slip", &base.path().join("pull-2"));
    let path = Path::new(env!("CARGO_BIN_EXE_bitterend")).parent().unwrap();
    let paths = std::env::join_paths(
        [path.to_owned()]
            .into_iter()
            .chain(std::env::split_paths(&std::env::var_os("PATH").unwrap())),
    )
    .unwrap();
    let mut run = 0;
    for sub in ["", "analyse", "explain", "completions", "man"] {
        let words: Vec<&str> = [sub, "--help"]
            .into_iter()
            .filter(|w| !w.is_empty())
            .collect();
        let help = bitterend(&words, base.path());
        assert_eq!(help.status.code(), Some(0));
        let help = text(&help.stdout);
        let list = examples(&help);
        assert!(!list.is_empty(), "no example in {help}");
        for line in list {
            let log = base.path().join("pull-1/log.csv");
            let stdin = match fs::File::open(log) {
                Ok(file) => Stdio::from(file),
                Err(_) => Stdio::null(),
            };
            let done = Command::new("sh")
                .args(["-c", &line])
                .env("PATH", &paths)
                .env("HOME", &home)
                .current_dir(base.path())
                .stdin(stdin)
                .output()
                .unwrap();
            // A verdict against the line is an answer, not a failure of the example.
            assert!(
                matches!(done.status.code(), Some(0 | 1)),
                "{line}: {}",
                text(&done.stderr)
            );
            run += 1;
        }
    }
    assert!(run >= 11, "{run} examples");
    assert!(base.path().join("pull-1/results/report.html").is_file());
    assert!(base.path().join("season/pull-2/report.md").is_file());
    assert!(home.join(".local/share/man/man1/bitterend.1").is_file());
}

#[test]
fn completions_can_be_sourced() {
    let base = tempfile::tempdir().unwrap();
    for (shell, check) in [
        (
            "bash",
            "source c.bash && complete -p bitterend | grep -q _bitterend",
        ),
        (
            "zsh",
            "autoload -Uz compinit && compinit -u -d dump && source c.zsh && (( $+functions[_bitterend] ))",
        ),
        (
            "fish",
            "source c.fish; and complete -C 'bitterend repro' | grep -q reproduce",
        ),
    ] {
        let made = bitterend(&["completions", shell], base.path());
        assert!(made.status.success());
        fs::write(base.path().join(format!("c.{shell}")), &made.stdout).unwrap();
        let run = Command::new(shell)
            .args(["-c", check])
            .current_dir(base.path())
            .env("HOME", base.path())
            .output();
        match run {
            Ok(run) => assert!(run.status.success(), "{shell}: {}", text(&run.stderr)),
            Err(_) => {
                assert!(
                    std::env::var_os("BITTEREND_CI").is_none(),
                    "{shell} is missing where nothing may be skipped"
                );
                eprintln!("skipped: there is no {shell} on this machine");
            }
        }
    }
    let power = bitterend(&["completions", "powershell"], base.path());
    assert!(text(&power.stdout).contains("Register-ArgumentCompleter"));
}

#[test]
fn the_man_page_names_every_command_and_the_exit_codes() {
    let base = tempfile::tempdir().unwrap();
    let page = text(&bitterend(&["man"], base.path()).stdout);
    assert!(page.contains(".TH bitterend 1"), "{}", &page[..200]);
    for word in [
        "analyse",
        "seal",
        "reproduce",
        "explain",
        "completions",
        "check",
    ] {
        assert!(page.contains(word), "{word}");
    }
    assert!(page.contains("Exit codes"));
}

#[test]
fn words_are_explained_and_slips_of_the_pen_led_on() {
    let base = tempfile::tempdir().unwrap();
    let list = text(&bitterend(&["explain"], base.path()).stdout);
    for line in list.lines() {
        let slug = line.split_whitespace().next().unwrap();
        let said = bitterend(&["explain", slug], base.path());
        assert!(said.status.success() && said.stdout.len() > 100, "{slug}");
        assert!(
            text(&said.stdout).lines().all(|l| l.chars().count() <= 100),
            "{slug}"
        );
    }
    assert!(list.lines().count() > 20);
    let caveat = bitterend(&["explain", "cell-zero-shifted"], base.path());
    assert!(text(&caveat.stdout).starts_with("The load cell"));
    let wrong = bitterend(&["explain", "cover slop"], base.path());
    assert_eq!(wrong.status.code(), Some(2));
    assert!(text(&wrong.stderr).contains("hint: nearest: cover-slip"));
}

#[test]
fn streams_carry_what_was_asked_for() {
    let base = tempfile::tempdir().unwrap();
    let pull = fixture("halyard", &base.path().join("pull"));
    let before = fs::read_dir(&pull).unwrap().count();
    let words = ["analyse", "pull", "--log", "-", "--out", "-"];
    let piped = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(words)
        .current_dir(base.path())
        .stdin(fs::File::open(pull.join("log.csv")).unwrap())
        .output()
        .unwrap();
    assert_eq!(piped.status.code(), Some(0), "{}", text(&piped.stderr));
    let report = text(&piped.stdout);
    assert!(report.starts_with("# Pull test for delivery"));
    assert_eq!(
        fs::read_dir(&pull).unwrap().count(),
        before,
        "something was written"
    );
    let json = bitterend(&["analyse", "pull", "--json", "--quiet"], base.path());
    assert!(json.stderr.is_empty(), "{}", text(&json.stderr));
    let value: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(value["verdict"]["word"], "passes");
    // The report on stdout is the one in the folder.
    let written = fs::read_to_string(pull.join("results/report.md")).unwrap();
    assert_eq!(written.trim_end(), report.trim_end());
    let quiet = text(&bitterend(&["analyse", "pull"], base.path()).stderr);
    let more = text(&bitterend(&["analyse", "pull", "--verbose"], base.path()).stderr);
    assert!(
        more.contains("note: ") && !quiet.contains("note: "),
        "{more}"
    );
    for words in [
        &["analyse", "pull", "--out", "-", "--json"][..],
        &["analyse", "pull", "pull", "--log", "x"],
        &["analyse", "pull", "--quiet", "--verbose"],
        &["analyse", "nowhere"],
        &["nonsense"],
    ] {
        assert_eq!(
            bitterend(words, base.path()).status.code(),
            Some(2),
            "{words:?}"
        );
    }
}

/// A reader that goes away is no error.
#[test]
fn a_closed_pipe_ends_quietly() {
    let base = tempfile::tempdir().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(["schema", "analysis"])
        .current_dir(base.path())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    let run = child.wait_with_output().unwrap();
    assert_eq!(run.status.code(), Some(0));
    assert!(run.stderr.is_empty(), "{}", text(&run.stderr));
}
