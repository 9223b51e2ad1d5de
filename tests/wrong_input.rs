//! Wrong input gets an error of the house's form, exit code 2, and nothing half-written.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const SHEET: &str = "\
[pull]
log = \"log.csv\"
[gauges.load]
column = \"Load\"
unit = \"kN\"
[gauges.travel]
column = \"Travel\"
unit = \"mm\"
";

/// Twenty good rows: a slow load and unload.
fn log() -> String {
    let mut text = String::from("Time,Load,Travel\n");
    for i in 0..20 {
        let load = f64::from(10 - (10_i32 - i).abs()) * 0.5;
        text += &format!("{i}.0,{:.2},{:.1}\n", load + 0.2, load * 4.0);
    }
    text
}

struct Pull {
    base: tempfile::TempDir,
}

impl Pull {
    fn new(sheet: &str, log: impl AsRef<[u8]>) -> Self {
        let base = tempfile::tempdir().unwrap();
        let pull = Self { base };
        fs::create_dir(pull.folder()).unwrap();
        fs::write(pull.folder().join("sheet.toml"), sheet).unwrap();
        fs::write(pull.folder().join("log.csv"), log).unwrap();
        pull
    }

    fn folder(&self) -> PathBuf {
        self.base.path().join("pull")
    }

    /// Runs `analyse` in the folder above, and gives the error text. Checks code, form, and that nothing was written.
    #[track_caller]
    fn refused(&self) -> String {
        let before = names(&self.folder());
        let output = run(self.base.path(), &["analyse", "pull"]);
        let text = stderr(&output);
        assert_eq!(output.status.code(), Some(2), "{text}");
        assert!(output.stdout.is_empty());
        assert!(text.starts_with("error: "), "{text}");
        assert_eq!(names(&self.folder()), before, "{text}");
        text.replace('\\', "/")
    }
}

fn run(folder: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_bitterend"))
        .args(words)
        .current_dir(folder)
        .output()
        .unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_folder_without_a_sheet() {
    let pull = Pull::new(SHEET, log());
    fs::remove_file(pull.folder().join("sheet.toml")).unwrap();
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/sheet.toml: there is no test sheet in this folder

    hint: write one to start from: bitterend new pull --log FILE
    "#);
}

#[test]
fn no_folder_at_all() {
    let pull = Pull::new(SHEET, log());
    let output = run(pull.base.path(), &["analyse", "nowhere"]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(stderr(&output), @r#"
    error: nowhere: the folder cannot be read
      cause: No such file or directory (os error 2)

    hint: check the spelling of the path
    "#);
    let output = run(pull.base.path(), &["analyse", "pull/sheet.toml"]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(stderr(&output), @r#"
    error: pull/sheet.toml: this is a file, not the folder of a pull

    hint: give the folder that holds sheet.toml
    "#);
}

#[test]
fn an_unknown_key() {
    let pull = Pull::new(
        &SHEET.replace(
            "column = \"Load\"",
            "column = \"Load\"\naccurracy = \"class 1\"",
        ),
        log(),
    );
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/sheet.toml, line 5, key gauges.load.accurracy: `accurracy` is not a key of [gauges.load]; the nearest is `accuracy`

    hint: keys that may stand here: column, unit, sign, against, capacity, resolution, accuracy, zero, drift, certificate, certified, valid_until, distance, distance_uncertainty
    "#);
}

#[test]
fn a_column_that_is_not_there() {
    let pull = Pull::new(&SHEET.replace("\"Travel\"", "\"Travell\""), log());
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 1: there is no column `Travell` for the travel gauge; the nearest is `Travel`

    hint: columns of the file: `Time`, `Load`, `Travel`
    "#);
}

#[test]
fn a_unit_of_the_wrong_kind() {
    let pull = Pull::new(&SHEET.replace("\"kN\"", "\"mm\""), log());
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/sheet.toml, line 5, key gauges.load.unit: `mm` is no unit of force; known are kN, N, daN, MN, kgf, tf, lbf, kip

    hint: give the gauge its own column, or one of the units kN, N, daN, MN, kgf, tf, lbf, kip
    "#);
    let pull = Pull::new(
        &SHEET.replace("unit = \"kN\"\n", ""),
        log().replace("Load", "Load [mm]"),
    );
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 1, column Load [mm]: `mm` is no unit of force, which the load gauge measures

    hint: name another column under [gauges.load], or state unit there, one of kN, N, daN, MN, kgf, tf, lbf, kip
    "#);
    let pull = Pull::new(&SHEET.replace("unit = \"kN\"\n", ""), log());
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 1, column Load: no unit for the load gauge, neither in the header nor in the sheet

    hint: add unit = "…" under [gauges.load], one of kN, N, daN, MN, kgf, tf, lbf, kip
    "#);
    let pull = Pull::new(&format!("{SHEET}[limits]\nproof = \"3 s\"\n"), log());
    insta::assert_snapshot!(pull.refused(), @r#"error: pull/sheet.toml, line 10, key limits.proof: `s` in `3 s` is no unit of force; known are kN, N, daN, MN, kgf, tf, lbf, kip"#);
}

#[test]
fn an_empty_log() {
    insta::assert_snapshot!(Pull::new(SHEET, "").refused(), @r#"
    error: pull/log.csv: the file is empty

    hint: export the log again from the logger; the sheet names the file under [pull] log
    "#);
    insta::assert_snapshot!(Pull::new(SHEET, "\n\n  \n").refused(), @r#"
    error: pull/log.csv: the file is empty

    hint: export the log again from the logger; the sheet names the file under [pull] log
    "#);
    insta::assert_snapshot!(Pull::new(SHEET, "Time,Load,Travel\n").refused(), @r#"
    error: pull/log.csv, line 1: no row of numbers follows the header

    hint: if rows do stand there, see whether their decimal mark and separator are those of [reading] in the sheet, if it forces them; else export the log again
    "#);
    insta::assert_snapshot!(Pull::new(SHEET, "Dear harbour master,\nno log today.\n").refused(), @r#"
    error: pull/log.csv: no table of numbers in the first 3 lines

    hint: the log must be a text table (CSV); state [reading] header_line and separator in the sheet if it is one
    "#);
}

#[test]
fn a_column_that_is_mostly_no_numbers() {
    let mut lines: Vec<String> = log().lines().map(str::to_owned).collect();
    for (i, line) in lines.iter_mut().enumerate().skip(3) {
        let cells: Vec<&str> = line.split(',').collect();
        *line = format!("{},slack {i},{}", cells[0], cells[2]);
    }
    insta::assert_snapshot!(Pull::new(SHEET, lines.join("\n")).refused(), @r#"
    error: pull/log.csv, line 4, column Load: `slack 3` is no number; 18 of 20 rows cannot be read, 0 may be

    hint: correct these cells, or allow a share of them: [reading] unreadable = "5 %"
    "#);
}

#[test]
fn one_cell_that_is_no_number_in_a_short_log() {
    let text = log().replace("\n5.0,2.70,10.0", "\n5.0,2.7O,10.0");
    insta::assert_snapshot!(Pull::new(SHEET, text).refused(), @r#"
    error: pull/log.csv, line 7, column Load: `2.7O` is no number; 1 of 20 rows cannot be read, 0 may be

    hint: correct these cells, or allow a share of them: [reading] unreadable = "5 %"
    "#);
    let pull = Pull::new(SHEET, log().replace("\n5.0,2.70,10.0\n", "\n5.0,2.70\n"));
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 7, column Travel: `5.0,2.70` is no number; 1 of 20 rows cannot be read, 0 may be

    hint: correct these cells, or allow a share of them: [reading] unreadable = "5 %"
    "#);
    let pull = Pull::new(
        SHEET,
        log().replace("\n5.0,2.70,10.0\n", "\n5.0,2,70,10.0\n"),
    );
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 7, column Load: `5.0,2,70,10.0` is no number; 1 of 20 rows cannot be read, 0 may be

    hint: correct these cells, or allow a share of them: [reading] unreadable = "5 %"
    "#);
}

#[test]
fn time_that_runs_backwards() {
    let text = log().replace("12.0,", "2.0,");
    insta::assert_snapshot!(Pull::new(SHEET, text).refused(), @r#"
    error: pull/log.csv, line 14, column Time: time runs backwards, from 11 s in line 13 to 2 s

    hint: if the logger was restarted or its clock set here, state the gap in the sheet: [reading.gaps] "14" = "5 s"; if the file runs from the last row to the first, or one time is garbled, correct it in a copy of the log
    "#);
    let text = log().replace("12.0,", "11.0,");
    insta::assert_snapshot!(Pull::new(SHEET, text).refused(), @r#"
    error: pull/log.csv, line 14, column Time: the same time (11 s) as line 13, with other values

    hint: if the clock is coarser than the rows, state rate = "10 Hz" (the true one) under [gauges.time]; the rows are then counted
    "#);
}

#[test]
fn a_text_with_two_readings() {
    let rows: String = (1..30).map(|i| format!("{i};{i}.250;{i}.500\n")).collect();
    insta::assert_snapshot!(Pull::new(SHEET, format!("Time;Load;Travel\n{rows}")).refused(), @r#"
    error: pull/log.csv, line 2, column Load: `1.250` can be read as 1.250 or as 1250, and nothing in the file decides

    hint: add to the sheet under [reading]: decimal = "." for the first, decimal = "," for the second
    "#);
    // The comma as separator and as decimal mark.
    let rows = "0,5,1,25,3,5\n1,0,1,35,3,7\n1,5,1,45,4,1\n";
    insta::assert_snapshot!(Pull::new(SHEET, format!("Time,Load,Travel\n{rows}")).refused(), @r#"
    error: pull/log.csv, line 2, column Time: `0,5` can be read as 0.5 or as two cells, 0 and 5, and nothing in the file decides

    hint: export the log with another separator (; or tab) or with decimal points
    "#);
    let rows = "1;0.25;1,5\n2;0.35;2,5\n3;0.45;3,5\n";
    insta::assert_snapshot!(Pull::new(SHEET, format!("Time;Load;Travel\n{rows}")).refused(), @r#"
    error: pull/log.csv, line 2, column Travel: `1,5` has another decimal mark than `0.25` in line 2

    hint: export the log with one decimal mark, or state [reading] decimal and thousands in the sheet
    "#);
}

#[test]
fn bytes_that_are_no_text() {
    let mut bytes = log().into_bytes();
    bytes[60] = 0;
    insta::assert_snapshot!(Pull::new(SHEET, bytes).refused(), @r#"
    error: pull/log.csv, line 5: a NUL byte; this is no text file

    hint: export the log as text (CSV); a damaged file must be read anew from the logger
    "#);
    let long = format!("{}{}", log(), "9".repeat(3 << 20));
    insta::assert_snapshot!(Pull::new(SHEET, long).refused(), @r#"
    error: pull/log.csv, line 22: the line is longer than 1048576 bytes

    hint: check that the file is a text table with one row per line
    "#);
    let mut sheet = SHEET.as_bytes().to_vec();
    sheet.extend(b"# caf\xe9\n");
    let pull = Pull::new(SHEET, log());
    fs::write(pull.folder().join("sheet.toml"), sheet).unwrap();
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/sheet.toml, line 9: a byte that is no UTF-8

    hint: save the sheet as UTF-8 text
    "#);
}

#[test]
fn a_log_elsewhere_or_a_folder_in_its_place() {
    let pull = Pull::new(&SHEET.replace("\"log.csv\"", "\"../log.csv\""), log());
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/sheet.toml, line 2, key pull.log: `../log.csv` leads out of the folder of the sheet

    hint: put the file into the folder of the sheet and name it without a path
    "#);
    let pull = Pull::new(SHEET, log());
    fs::remove_file(pull.folder().join("log.csv")).unwrap();
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv: the log cannot be read
      cause: No such file or directory (os error 2)

    hint: pull/sheet.toml names it under [pull] log; correct the name or put the file there
    "#);
    fs::create_dir(pull.folder().join("log.csv")).unwrap();
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv: the log is no regular file

    hint: name the file itself under [pull] log
    "#);
}

/// A log by its length: readings past a bound were left out in silence.
#[test]
fn a_marks_file_that_is_a_log() {
    let sheet = SHEET.replace("log.csv\"", "log.csv\"\nmarks = \"marks.csv\"")
        + "[gauges.mark]\ncolumn = \"Mark\"\nunit = \"mm\"\ndistance = \"20 mm\"\n";
    let pull = Pull::new(&sheet, log());
    let mut marks = String::from("Time,Mark\n");
    for i in 0..100_001 {
        marks += &format!("{}.{:04},0\n", i / 10_000, i % 10_000);
    }
    fs::write(pull.folder().join("marks.csv"), marks).unwrap();
    insta::assert_snapshot!(pull.refused(), @r"
    error: pull/marks.csv, line 100002: a marks file holds at most 100000 readings by hand; this is a log

    hint: name it in the sheet under [pull] log, or under [second_log] beside another
    ");
}

#[test]
fn two_columns_of_one_name() {
    let pull = Pull::new(
        SHEET,
        log()
            .replace("Time,Load,Travel", "Time,Load,Load")
            .replace("Travel", "Load"),
    );
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/log.csv, line 1: the column name `Load` stands 2 times in the header

    hint: rename one of them in the log's header, or delete the header and name columns by number, such as column = "2"
    "#);
}

#[test]
fn a_hundred_thousand_columns() {
    let header: Vec<String> = (0..100_000).map(|i| format!("c{i}")).collect();
    let row = vec!["1"; 100_000].join(",");
    let text = pull_error(&format!("{}\n{row}\n", header.join(",")));
    assert!(
        text.contains("there is no column `Load`"),
        "{}",
        &text[..200]
    );
    assert!(text.len() < 1000, "{}", text.len());
}

fn pull_error(log: &str) -> String {
    Pull::new(SHEET, log).refused()
}

#[test]
fn results_that_cannot_be_written() {
    // A file stands where the results would go: refused for every user, root too.
    let pull = Pull::new(SHEET, log());
    fs::write(pull.folder().join("results"), "mine").unwrap();
    insta::assert_snapshot!(pull.refused(), @r#"
    error: pull/results: a file stands where results would go

    hint: choose an empty or new folder with --out, or move these files away: the folder is replaced as a whole
    "#);
    assert_eq!(fs::read(pull.folder().join("results")).unwrap(), b"mine");
    // Other files in the folder for results.
    let pull = Pull::new(SHEET, log());
    let output = run(pull.base.path(), &["analyse", "pull", "--out", "pull"]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(stderr(&output), @r#"
    error: pull: holds `log.csv`, which is no result of an analysis

    hint: choose an empty or new folder with --out, or move these files away: the folder is replaced as a whole
    "#);
    assert_eq!(names(&pull.folder()), ["log.csv", "sheet.toml"]);
    // Below a file no folder can be made.
    let output = run(
        pull.base.path(),
        &["analyse", "pull", "--out", "pull/log.csv/results"],
    );
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).starts_with("error: pull/log.csv: the folder for results cannot be made"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn two_folders_of_one_name() {
    let pull = Pull::new(SHEET, log());
    let other = pull.base.path().join("monday/pull");
    fs::create_dir_all(&other).unwrap();
    let output = run(
        pull.base.path(),
        &["analyse", "pull", "monday/pull", "--out", "out"],
    );
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(stderr(&output), @r#"
    error: pull and monday/pull: the results of both would go to out/pull

    hint: give each folder once; folders of one name need separate runs with separate --out
    "#);
    assert!(!pull.base.path().join("out").exists());
    let output = run(pull.base.path(), &["analyse", "pull", "./pull/"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("the results of both would go to"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn wrong_usage() {
    let base = tempfile::tempdir().unwrap();
    for words in [&["analyse"][..], &["frobnicate"], &["schema", "shoe"], &[]] {
        let output = run(base.path(), words);
        assert_eq!(output.status.code(), Some(2), "{words:?}");
        assert!(output.stdout.is_empty(), "{words:?}");
    }
    assert_eq!(run(base.path(), &["--version"]).status.code(), Some(0));
}

#[test]
fn new_overwrites_nothing_and_check_writes_nothing() {
    let pull = Pull::new(SHEET, log());
    let output = run(pull.base.path(), &["new", "pull"]);
    assert_eq!(output.status.code(), Some(2));
    insta::assert_snapshot!(stderr(&output), @r#"
    error: pull/sheet.toml: exists already, and nothing is overwritten

    hint: edit it, or move it away first
    "#);
    assert_eq!(
        fs::read_to_string(pull.folder().join("sheet.toml")).unwrap(),
        SHEET
    );

    let output = run(
        pull.base.path(),
        &["new", "second", "--log", "pull/log.csv"],
    );
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let second = pull.base.path().join("second");
    assert_eq!(names(&second), ["log.csv", "sheet.toml"]);
    // Units are not in this header: `check` says what to add.
    let output = run(pull.base.path(), &["check", "second"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("no unit for the load gauge"),
        "{}",
        stderr(&output)
    );

    let output = run(pull.base.path(), &["check", "pull"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(
        text.contains("load: column `Load` in kN, 0.2 to 5.2 kN, smallest step 0.5 kN"),
        "{text}"
    );
    assert_eq!(names(&pull.folder()), ["log.csv", "sheet.toml"]);
    // One of two that cannot be read.
    let output = run(pull.base.path(), &["check", "pull", "second"]);
    assert_eq!(output.status.code(), Some(1));
}
