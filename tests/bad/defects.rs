//! The defects, each made from the same sound pull.

use std::io::Write as _;

use crate::pull::{Row, SHEET, rows, table};

/// What a defect must bring.
#[derive(Debug, Clone, Copy)]
pub enum Expected {
    /// An error, exit code 2, and nothing written.
    Refused,
    /// An analysis with this caveat.
    Caveat(&'static str),
}

/// One defect: the folder's name says which.
#[derive(Debug)]
pub struct Defect {
    pub name: &'static str,
    pub expected: Expected,
    pub files: Vec<(String, Vec<u8>)>,
}

type Files = Vec<(String, Vec<u8>)>;

fn files(sheet: impl Into<Vec<u8>>, log: impl Into<Vec<u8>>) -> Files {
    vec![
        ("sheet.toml".to_owned(), sheet.into()),
        ("log.csv".to_owned(), log.into()),
    ]
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    writer.write_all(text).unwrap();
    writer.finish().unwrap()
}

const HEADER: &str = "Time,Load,Travel,Mark";

fn log() -> String {
    table(HEADER, ",", '.', &rows())
}

/// The sound pull.
pub fn sound() -> Files {
    files(SHEET, log())
}

/// The first rows: what is refused on reading needs no more.
fn short() -> String {
    table(HEADER, ",", '.', &rows()[60..84])
}

/// The log with times of day written as one number, such as 101500.25, behind a day.
fn clock_as_a_number(day: &str) -> String {
    with_lines(&log(), |lines| {
        for (i, line) in lines.iter_mut().enumerate().skip(1) {
            let s = (i - 1) / 4;
            let part = 25 * ((i - 1) % 4);
            let time = format!("{day}10{:02}{:02}.{part:02}", 15 + s / 60, s % 60);
            set_cell(line, 0, &time);
        }
    })
}

/// The log of rows that something was done to.
fn with_rows(change: impl Fn(usize, &mut Row)) -> String {
    let mut rows = rows();
    for (i, row) in rows.iter_mut().enumerate() {
        change(i, row);
    }
    table(HEADER, ",", '.', &rows)
}

/// The log with lines that something was done to; the header is line 0.
fn with_lines(text: &str, change: impl Fn(&mut Vec<String>)) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    change(&mut lines);
    lines.join("\n") + "\n"
}

/// A line's cell replaced.
fn set_cell(line: &mut String, column: usize, text: &str) {
    let mut cells: Vec<&str> = line.split(',').collect();
    cells[column] = text;
    *line = cells.join(",");
}

/// The sheet with the mark gauge taken out.
fn without_mark() -> String {
    let at = SHEET.find("\n[gauges.mark]").unwrap();
    SHEET[..at].to_owned()
}

pub fn all() -> Vec<Defect> {
    let refused = sheets()
        .into_iter()
        .chain(logs())
        .chain(tables())
        .chain(clocks())
        .chain(more());
    let refused = refused.map(|(name, files)| Defect {
        name,
        expected: Expected::Refused,
        files,
    });
    let named = signals().into_iter().chain(reading());
    let named = named.map(|(name, code, files)| Defect {
        name,
        expected: Expected::Caveat(code),
        files,
    });
    refused.chain(named).collect()
}

fn sheets() -> Vec<(&'static str, Files)> {
    let changed = |from: &str, to: &str| {
        assert!(SHEET.contains(from), "{from}");
        files(SHEET.replacen(from, to, 1), short())
    };
    let mut not_utf8 = SHEET.as_bytes().to_vec();
    not_utf8.extend_from_slice(b"# Pr\xfcfstand\n");
    vec![
        (
            "sheet-not-there",
            vec![("log.csv".to_owned(), short().into_bytes())],
        ),
        ("sheet-empty", files("", short())),
        ("sheet-broken", changed("[gauges.load]", "[gauges.load")),
        ("sheet-unknown-key", changed("capacity =", "capacitty =")),
        ("sheet-unknown-table", changed("[line]", "[lines]")),
        ("sheet-without-the-log", changed("log = \"log.csv\"\n", "")),
        (
            "sheet-without-load-gauge",
            changed("[gauges.load]", "[gauges.tail_load]"),
        ),
        ("sheet-not-utf-8", files(not_utf8, short())),
        (
            "sheet-unit-of-the-wrong-kind",
            changed("unit = \"kN\"", "unit = \"mm\""),
        ),
        (
            "sheet-quantity-of-the-wrong-kind",
            changed("free_length = \"3.3 m\"", "free_length = \"3.3 kN\""),
        ),
        (
            "sheet-quantity-without-unit",
            changed("free_length = \"3.3 m\"", "free_length = \"3.3\""),
        ),
        (
            "sheet-log-outside-the-folder",
            changed("log = \"log.csv\"", "log = \"../log.csv\""),
        ),
        (
            "sheet-log-in-results",
            changed("log = \"log.csv\"", "log = \"results/log.csv\""),
        ),
        (
            "sheet-date-that-is-none",
            changed("2026-05-14T09:30:00+02:00", "last Thursday"),
        ),
        ("sheet-length-below-zero", changed("3.3 m", "-3.3 m")),
        (
            "sheet-length-of-the-wrong-unit",
            changed("\"3.3 m\"", "\"3300 m\""),
        ),
        ("sheet-decimal-comma", changed("\"3.3 m\"", "\"3,3 m\"")),
        (
            "sheet-quantity-without-quotes",
            changed("\"3.3 m\"", "3.3 m"),
        ),
        (
            "sheet-mark-beyond-the-free-length",
            changed("distance = \"20 mm\"", "distance = \"20 m\""),
        ),
        (
            "sheet-class-that-is-none",
            changed("0.5 % of reading", "class 7"),
        ),
        (
            "sheet-per-cent-of-an-unknown-scale",
            changed(
                "accuracy = \"0.05 mm\"",
                "accuracy = \"0.1 % of full scale\"",
            ),
        ),
        (
            "sheet-gap-at-no-line",
            files(
                format!("{SHEET}\n[reading.gaps]\nnoon = \"5 s\"\n"),
                short(),
            ),
        ),
        (
            "sheet-separator-that-is-none",
            files(format!("{SHEET}\n[reading]\nseparator = \"#\"\n"), short()),
        ),
        (
            "sheet-unit-a-thousandth-of-a-newton",
            changed("unit = \"kN\"", "unit = \"mN\""),
        ),
        (
            "sheet-one-column-for-two-gauges",
            changed("column = \"Mark\"", "column = \"Travel\""),
        ),
        (
            "sheet-decimal-comma-for-points",
            files(format!("{SHEET}\n[reading]\ndecimal = \",\"\n"), short()),
        ),
        (
            "sheet-word-that-is-none",
            changed("cover_at_eye = \"locked\"", "cover_at_eye = \"glued\""),
        ),
    ]
}

fn logs() -> Vec<(&'static str, Files)> {
    let zipped = SHEET.replace("log.csv", "log.csv.gz");
    let packed = |name: &'static str, bytes: Vec<u8>| {
        let files = vec![
            ("sheet.toml".to_owned(), zipped.clone().into_bytes()),
            ("log.csv.gz".to_owned(), bytes),
        ];
        (name, files)
    };
    let whole = gzip(log().as_bytes());
    let mut damaged = whole.clone();
    let middle = damaged.len() / 2;
    damaged[middle..middle + 40].fill(0x55);
    let long = format!("{}{}\n", short(), "7".repeat(3 << 20));
    let wide = {
        let line = |text: &str| vec![text; 100_000].join(",");
        format!("{}\n{}\n{}\n", line("Load"), line("1.0"), line("2.0"))
    };
    let mut nul = short().into_bytes();
    let at = nul.iter().position(|b| *b == b'\n').unwrap() + 30;
    nul[at] = 0;
    let picture: Vec<u8> = (0..=255_u8).cycle().take(2000).collect();
    vec![
        (
            "log-not-there",
            vec![("sheet.toml".to_owned(), SHEET.as_bytes().to_vec())],
        ),
        (
            "log-that-is-a-folder",
            vec![
                ("sheet.toml".to_owned(), SHEET.as_bytes().to_vec()),
                ("log.csv/part-1.csv".to_owned(), short().into_bytes()),
            ],
        ),
        ("log-empty", files(SHEET, "")),
        ("log-of-blank-lines", files(SHEET, "\n\n   \n\t\n")),
        (
            "log-with-a-header-only",
            files(SHEET, format!("{HEADER}\n")),
        ),
        (
            "log-that-is-a-letter",
            files(
                SHEET,
                "Dear harbour master,\n\nthe logger was not on.\n\nYours\n",
            ),
        ),
        ("log-that-is-no-text", files(SHEET, picture)),
        (
            "log-that-is-a-zip-archive",
            files(SHEET, b"PK\x03\x04\x14\0\0\0\x08\0".to_vec()),
        ),
        ("log-with-a-nul-byte", files(SHEET, nul)),
        packed("log-with-a-line-without-end", gzip(long.as_bytes())),
        packed("log-with-a-hundred-thousand-columns", gzip(wide.as_bytes())),
        packed(
            "log-packed-and-cut-off",
            whole[..whole.len() - 900].to_vec(),
        ),
        packed("log-packed-and-damaged", damaged),
        packed("log-said-to-be-packed-with-nothing-in-it", gzip(b"")),
    ]
}

fn tables() -> Vec<(&'static str, Files)> {
    let header = |text: &str| files(SHEET, short().replacen(HEADER, text, 1));
    let no_unit = SHEET.replacen("unit = \"kN\"\n", "", 1);
    let cell = |line: usize, column: usize, text: &str| {
        files(
            SHEET,
            with_lines(&short(), |lines| set_cell(&mut lines[line], column, text)),
        )
    };
    let semicolon = |cells: &dyn Fn(&Row) -> String| {
        let mut text = "Time;Load;Travel;Mark\n".to_owned();
        for row in &rows()[60..84] {
            text += &cells(row);
            text.push('\n');
        }
        files(SHEET, text)
    };
    let thousand = |n: i64| format!("{}.{:03}", 1 + n % 7, n % 1000);
    vec![
        ("column-not-there", header("Time,Load,Travell,Mark")),
        ("column-name-twice", header("Time,Load,Travel,Load")),
        (
            "column-unit-of-the-wrong-kind",
            files(no_unit.clone(), short().replacen("Load", "Load [mm]", 1)),
        ),
        ("column-without-a-unit", files(no_unit, short())),
        (
            "column-of-words",
            files(
                SHEET,
                with_lines(&short(), |lines| {
                    for line in &mut lines[3..] {
                        set_cell(line, 2, "moving");
                    }
                }),
            ),
        ),
        (
            "column-without-a-number",
            files(
                SHEET,
                with_lines(&short(), |lines| {
                    for line in &mut lines[1..] {
                        set_cell(line, 3, "");
                    }
                }),
            ),
        ),
        ("cell-with-a-letter", cell(9, 1, "1.O52")),
        ("cell-with-two-points", cell(9, 2, "1.2.3")),
        ("cell-not-a-number", cell(9, 1, "0x1F")),
        (
            "row-too-short",
            files(
                SHEET,
                with_lines(&short(), |lines| lines[7] = "16.50,0.301".into()),
            ),
        ),
        (
            "row-with-a-cell-too-many",
            files(SHEET, with_lines(&short(), |lines| lines[7] += ",0.1,0.2")),
        ),
        (
            "row-with-decimal-commas",
            files(
                SHEET,
                with_lines(&short(), |lines| lines[7] = "16,50,0,301,3,21,0,04".into()),
            ),
        ),
        (
            "rows-unreadable-beyond-the-share",
            files(
                SHEET,
                with_lines(&log(), |lines| {
                    for line in lines.iter_mut().skip(100).step_by(40) {
                        set_cell(line, 1, "??");
                    }
                }),
            ),
        ),
        (
            "ambiguous-point",
            semicolon(&|row| {
                let n = i64::from(row.quarters);
                format!(
                    "{n};{};{};{}",
                    thousand(n),
                    thousand(3 * n),
                    thousand(5 * n)
                )
            }),
        ),
        (
            "ambiguous-comma",
            files(
                SHEET,
                format!(
                    "{HEADER}\n{}",
                    (0..24)
                        .map(|i| format!("{i},5,{},25,{},5,0,1\n", i % 4, i % 9))
                        .collect::<String>()
                ),
            ),
        ),
        (
            "unit-of-name-against-row-of-units",
            files(
                SHEET.replacen(
                    "column = \"Load\"\nunit = \"kN\"\n",
                    "column = \"Load (N)\"\n",
                    1,
                ),
                with_lines(&short(), |lines| {
                    lines[0] = "Time,Load (N),Travel,Mark".into();
                    lines.insert(1, "s,kN,mm,mm".into());
                }),
            ),
        ),
        (
            "decimal-marks-mixed",
            semicolon(&|row| {
                let [time, load, ..] = row.cells('.');
                let [.., travel, mark] = row.cells(',');
                [time, load, travel, mark].join(";")
            }),
        ),
        (
            "decimal-mark-stated-wrongly",
            files(format!("{SHEET}\n[reading]\ndecimal = \",\"\n"), short()),
        ),
        (
            "header-stated-where-none-is",
            files(format!("{SHEET}\n[reading]\nheader_line = 400\n"), short()),
        ),
    ]
}

fn clocks() -> Vec<(&'static str, Files)> {
    let restart = with_lines(&short(), |lines| {
        let again = lines[1..9].to_vec();
        lines.push(HEADER.into());
        lines.extend(again);
    });
    vec![
        (
            "time-runs-backwards",
            files(
                SHEET,
                with_lines(&short(), |lines| set_cell(&mut lines[14], 0, "2.00")),
            ),
        ),
        (
            "time-twice-with-other-values",
            files(
                SHEET,
                with_lines(&short(), |lines| {
                    let time = lines[13].split(',').next().unwrap().to_owned();
                    set_cell(&mut lines[14], 0, &time);
                }),
            ),
        ),
        ("time-begins-anew", files(SHEET, restart)),
        (
            "time-not-a-time",
            files(
                SHEET,
                with_lines(&short(), |lines| set_cell(&mut lines[14], 0, "noon")),
            ),
        ),
        (
            "time-in-hours-or-in-minutes",
            files(
                SHEET,
                with_lines(&short(), |lines| {
                    for (i, line) in lines.iter_mut().enumerate().skip(1) {
                        set_cell(line, 0, &format!("{}:{:02}", i / 60, i % 60));
                    }
                }),
            ),
        ),
        (
            "gap-stated-where-none-is",
            files(format!("{SHEET}\n[reading.gaps]\n900 = \"5 s\"\n"), short()),
        ),
    ]
}

fn more() -> Vec<(&'static str, Files)> {
    let marks = |text: Option<&str>| {
        let sheet = SHEET
            .replacen(
                "log = \"log.csv\"",
                "log = \"log.csv\"\nmarks = \"marks.csv\"",
                1,
            )
            .replacen("column = \"Mark\"", "column = \"Mark by rule\"", 1);
        let mut files = files(sheet, short());
        files.extend(text.map(|t| ("marks.csv".to_owned(), t.as_bytes().to_vec())));
        files
    };
    let second = |log: Option<String>| {
        let sheet = SHEET
            .replacen("column = \"Mark\"", "column = \"Rule\"", 1)
            .replacen(
                "[gauges.load]",
                "[second_log]\nfile = \"second.csv\"\ncolumn = \"Tap\"\n\n[gauges.load]",
                1,
            );
        let mut files = files(sheet, table(HEADER, ",", '.', &rows()[..300]));
        files.extend(log.map(|t| ("second.csv".to_owned(), t.into_bytes())));
        files
    };
    let alone = with_rows(|i, row| {
        row.load = i64::from(((i as u32).wrapping_mul(2_654_435_761) >> 20) % 900);
    })
    .replacen(HEADER, "Time,Tap,Travel,Rule", 1);
    vec![
        ("marks-not-there", marks(None)),
        (
            "marks-without-time",
            marks(Some("Mark by rule\n1.5\n2.5\n")),
        ),
        (
            "marks-on-another-clock",
            marks(Some("Time,Mark by rule\n09:30:10,1.5\n09:31:00,2.5\n")),
        ),
        ("second-log-not-there", second(None)),
        ("second-log-with-nothing-in-common", second(Some(alone))),
        (
            "load-never-moves",
            files(SHEET, with_rows(|_, row| row.load = 312)),
        ),
        (
            "load-upside-down",
            files(SHEET, with_rows(|_, row| row.load = -row.load)),
        ),
        (
            "rows-too-few",
            files(SHEET, table(HEADER, ",", '.', &rows()[60..62])),
        ),
        (
            "no-gauge-but-the-load",
            files(
                SHEET[..SHEET.find("\n[gauges.travel]").unwrap()].to_owned(),
                log(),
            ),
        ),
    ]
}

type Named = (&'static str, &'static str, Files);

/// Signals that are no measurements, or not what the sheet says.
fn signals() -> Vec<Named> {
    let alone = without_mark();
    let sheet = |from: &str, to: &str| {
        assert!(SHEET.contains(from), "{from}");
        SHEET.replacen(from, to, 1)
    };
    let travel = |change: &dyn Fn(usize, &mut Row)| files(alone.clone(), with_rows(change));
    let dated = |key: &str, day: &str| {
        alone.replacen(
            "capacity = \"10 kN\"",
            &format!("capacity = \"10 kN\"\n{key} = \"{day}\""),
            1,
        )
    };
    vec![
        (
            "travel-with-spikes",
            "spikes",
            travel(&|i, row| {
                if i % 90 == 50 {
                    row.travel += 60_000;
                }
            }),
        ),
        (
            "load-with-spikes",
            "spikes",
            travel(&|i, row| {
                if i == 111 || i == 333 {
                    row.load -= 900;
                }
            }),
        ),
        (
            "travel-stuck",
            "gauge-stuck",
            travel(&|i, row| {
                if (310..350).contains(&i) {
                    row.travel = 18_300;
                }
            }),
        ),
        (
            "travel-at-its-end-stop",
            "gauge-clipped",
            travel(&|_, row| row.travel = row.travel.min(25_000)),
        ),
        (
            "load-with-words-of-overload",
            "gauge-clipped",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in &mut lines[400..406] {
                        set_cell(line, 1, "OVL");
                    }
                }),
            ),
        ),
        (
            "travel-with-words-of-open-circuit",
            "gauge-clipped",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in &mut lines[300..309] {
                        set_cell(line, 2, "OPEN");
                    }
                }),
            ),
        ),
        (
            "cell-over-capacity",
            "cell-over-capacity",
            files(alone.replacen("10 kN", "3.9 kN", 1), log()),
        ),
        (
            "cell-far-too-large",
            "cell-too-large",
            files(alone.replacen("10 kN", "50 kN", 1), log()),
        ),
        (
            "travel-upside-down",
            "gauge-runs-backwards",
            travel(&|_, row| row.travel = -row.travel),
        ),
        (
            "mark-upside-down",
            "gauge-runs-backwards",
            files(SHEET, with_rows(|_, row| row.mark = -row.mark)),
        ),
        (
            "travel-and-mark-swapped",
            "gauges-swapped",
            files(
                SHEET,
                with_rows(|_, row| std::mem::swap(&mut row.travel, &mut row.mark)),
            ),
        ),
        (
            "travel-off-the-line",
            "gauge-never-moved",
            travel(&|i, row| row.travel = i64::from(i as u32 * 7 % 3) * 10),
        ),
        (
            "mark-blank-from-the-middle",
            "gauge-blank",
            files(
                SHEET,
                with_lines(&log(), |lines| {
                    for line in &mut lines[300..] {
                        set_cell(line, 3, "");
                    }
                }),
            ),
        ),
        (
            "mark-in-steps-of-half-a-millimetre",
            "steps-coarser-than-stated",
            files(
                sheet(
                    "column = \"Mark\"",
                    "column = \"Mark\"\nresolution = \"0.01 mm\"",
                ),
                with_rows(|_, row| row.mark = (row.mark + 250).div_euclid(500) * 500),
            ),
        ),
        (
            "log-begins-under-load",
            "log-begins-under-load",
            files(
                alone.clone(),
                with_lines(&log(), |lines| drop(lines.drain(1..400))),
            ),
        ),
        (
            "travel-ahead-of-the-load",
            "stretch-negative",
            travel(&|_, row| row.travel = 40_000 - row.travel - 20 * row.load.max(0)),
        ),
        (
            "mark-dead",
            "gauge-never-moved",
            files(SHEET, with_rows(|_, row| row.mark = 40)),
        ),
        (
            "mark-dead-but-for-one-row",
            "gauge-never-moved",
            files(
                SHEET,
                with_rows(|i, row| row.mark = if i == 300 { 80_000 } else { 40 }),
            ),
        ),
        (
            "cell-zero-shifted",
            "cell-zero-shifted",
            travel(&|i, row| row.load += i64::try_from(i / 12).unwrap()),
        ),
        (
            "no-slack-at-the-start",
            "no-slack-reading",
            files(alone.clone(), table(HEADER, ",", '.', &rows()[36..])),
        ),
        (
            "rate-too-low-for-the-ramp",
            "rate-too-low",
            files(
                alone.clone(),
                table(
                    HEADER,
                    ",",
                    '.',
                    &rows().into_iter().step_by(12).collect::<Vec<_>>(),
                ),
            ),
        ),
        (
            "load-never-came-back",
            "no-unloading",
            files(alone.clone(), table(HEADER, ",", '.', &rows()[..180])),
        ),
        (
            "gap-in-the-record",
            "record-has-gaps",
            files(
                alone.clone(),
                with_lines(&log(), |lines| drop(lines.drain(200..230))),
            ),
        ),
        (
            "load-mostly-missing",
            "load-missing",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in &mut lines[300..400] {
                        set_cell(line, 1, "");
                    }
                }),
            ),
        ),
        (
            "certificate-out-of-date",
            "certificate-out-of-date",
            files(dated("valid_until", "2026-05-01"), log()),
        ),
        (
            "certificate-of-a-later-day",
            "certificate-later-than-pull",
            files(dated("certified", "2026-06-01"), log()),
        ),
        (
            "mark-at-an-unknown-distance",
            "mark-distance-unknown",
            files(sheet("distance = \"20 mm\"\n", ""), log()),
        ),
    ]
}

/// What the reading puts right, leaves out, or decides.
fn reading() -> Vec<Named> {
    let alone = without_mark();
    vec![
        (
            "row-late",
            "rows-put-in-order",
            files(
                alone.clone(),
                with_lines(&log(), |lines| lines.swap(200, 201)),
            ),
        ),
        (
            "row-repeated",
            "rows-repeated",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    let again = lines[200].clone();
                    lines.insert(201, again);
                }),
            ),
        ),
        (
            "rows-unreadable-within-the-share",
            "cells-unreadable",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in [101, 202, 303] {
                        set_cell(&mut lines[line], 1, "#Err");
                    }
                }),
            ),
        ),
        (
            "logger-restarted",
            "logger-restarted",
            files(
                format!("{alone}\n[reading.gaps]\n302 = \"2.5 s\"\n"),
                with_lines(&log(), |lines| {
                    for (i, line) in lines.iter_mut().enumerate().skip(301) {
                        let time = format!("{:.2}", (i - 301) as f64 * 0.25);
                        set_cell(line, 0, &time);
                    }
                    lines.insert(301, HEADER.into());
                }),
            ),
        ),
        (
            "time-in-whole-milliseconds-without-a-unit",
            "clock-assumed",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for (i, line) in lines.iter_mut().enumerate().skip(1) {
                        set_cell(line, 0, &format!("{}", 250 * (i - 1)));
                    }
                }),
            ),
        ),
        (
            "time-in-milliseconds-with-fractions-without-a-unit",
            "clock-assumed",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for (i, line) in lines.iter_mut().enumerate().skip(1) {
                        set_cell(line, 0, &format!("{}.{}", 250 * (i - 1), i % 10));
                    }
                }),
            ),
        ),
        (
            "rows-counted-under-the-name-of-time",
            "clock-assumed",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for (i, line) in lines.iter_mut().enumerate().skip(1) {
                        set_cell(line, 0, &i.to_string());
                    }
                }),
            ),
        ),
        (
            "day-and-time-of-day-as-one-number",
            "clock-assumed",
            files(alone.clone(), clock_as_a_number("14")),
        ),
        (
            "travel-in-millimetres-stated-in-inches",
            "gauge-clipped",
            files(
                SHEET.replacen(
                    "column = \"Travel\"\nunit = \"mm\"",
                    "column = \"Travel\"\nunit = \"in\"\ncapacity = \"100 mm\"",
                    1,
                ),
                log(),
            ),
        ),
        (
            "break-load-below-the-highest",
            "sheet-contradicts",
            files(
                SHEET.replacen("[line]\n", "[line]\nbreak_load = \"3 kN\"\n", 1),
                log(),
            ),
        ),
        (
            "line-too-thick-for-the-stopper",
            "sheet-contradicts",
            files(
                format!(
                    "{}\n[stopper]\ndiameter_max = \"8 mm\"\n",
                    SHEET.replacen("[line]\n", "[line]\ndiameter = \"10 mm\"\n", 1)
                ),
                log(),
            ),
        ),
        (
            "travel-read-beyond-the-splice",
            "splice-in-travel",
            files(
                format!("{SHEET}\n[line.splice]\ntravel_beyond = true\n"),
                log(),
            ),
        ),
        (
            "time-of-day-without-colons-or-unit",
            "clock-assumed",
            files(alone.clone(), clock_as_a_number("")),
        ),
        (
            "rate-against-the-time-column",
            "header-against-sheet",
            files(
                alone.replacen(
                    "[gauges.load]",
                    "[gauges.time]\nrate = \"10 Hz\"\n\n[gauges.load]",
                    1,
                ),
                log().replacen("Time", "Time [s]", 1),
            ),
        ),
        (
            "no-time-and-no-rate",
            "clock-assumed",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in lines.iter_mut() {
                        *line = line.split_once(',').unwrap().1.to_owned();
                    }
                }),
            ),
        ),
        (
            "times-unreadable-within-the-share",
            "rows-without-time",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in [101, 202, 303] {
                        set_cell(&mut lines[line], 0, "Err");
                    }
                }),
            ),
        ),
        (
            "unit-of-header-and-sheet-differ",
            "header-against-sheet",
            files(alone.clone(), log().replacen("Load", "Load [N]", 1)),
        ),
        (
            "unit-times-a-number-in-the-name",
            "header-against-sheet",
            files(alone.clone(), log().replacen("Load", "Load 0.1 kN", 1)),
        ),
        (
            "logger-that-repeats-its-last-row",
            "logger-frozen",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    let kept: Vec<String> = lines[400].split(',').map(str::to_owned).collect();
                    for line in &mut lines[401..520] {
                        for (column, cell) in kept.iter().enumerate().skip(1) {
                            set_cell(line, column, cell);
                        }
                    }
                }),
            ),
        ),
        (
            "mark-still-but-for-its-noise",
            "mark-stands-still",
            files(
                SHEET.replacen("distance = \"20 mm\"", "distance = \"80 mm\"", 1),
                with_rows(|i, row| row.mark = 10 * i64::try_from(i * 37 % 17).unwrap()),
            ),
        ),
        (
            "two-pulls-in-one-log",
            "record-has-gaps",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    let half = lines.len() / 2;
                    for line in &mut lines[half..] {
                        let time: f64 = line.split(',').next().unwrap().parse().unwrap();
                        set_cell(line, 0, &format!("{:.2}", time + 86_400.0));
                    }
                }),
            ),
        ),
        (
            "load-of-9999-in-three-rows",
            "spikes",
            files(
                alone.clone(),
                with_lines(&log(), |lines| {
                    for line in &mut lines[400..403] {
                        set_cell(line, 1, "9.999");
                    }
                }),
            ),
        ),
        (
            "sheet-proof-below-the-pretension",
            "sheet-contradicts",
            files(
                format!("{alone}\n[limits]\nproof = \"0.1 kN\"\n").replacen(
                    "[line]",
                    "pretension = \"0.3 kN\"\n\n[line]",
                    1,
                ),
                log(),
            ),
        ),
    ]
}
