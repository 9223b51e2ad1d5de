//! `fixtures/dialects/<style>`: one and the same pull as many loggers would write it. Its analysis is the same to the byte
//! (but for the list of inputs and how they were understood) wherever the file carries the same decimals, and within
//! 1e-4 of each standard error where it carries others; a file that can be read in two ways is refused with both named.
//!
//! After a change that is meant, `BITTEREND_WRITE_FIXTURES=1 cargo test --release --test dialect_folders` writes the
//! folders anew; the change then shows in the diff.

use std::collections::BTreeSet;
use std::fs;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use bitterend::analysis::Settings;
use bitterend::export;
use bitterend::ingest::{FileNames, read_log};
use bitterend::pipeline::{self, Inputs};
use bitterend::sheet::Sheet;
use serde_json::Value;

#[path = "common/pull.rs"]
mod pull;

use pull::{Row, SHEET, decimal, rows, table};

/// How the analysis of a style stands to that of the plain one.
#[derive(Clone, Copy, PartialEq)]
enum Expected {
    Same,
    /// Other decimals: within 1e-4 of the standard errors.
    Close,
    /// Refused; both readings are named.
    Ambiguous,
}

struct Style {
    name: &'static str,
    expected: Expected,
    log_name: &'static str,
    sheet: String,
    log: Vec<u8>,
}

/// The sheet without the mark gauge, and changed.
fn sheet(changes: &[(&str, &str)]) -> String {
    let mut text = SHEET[..SHEET.find("\n[gauges.mark]").unwrap()].to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "{from}");
        text = text.replacen(from, to, 1);
    }
    text
}

const HEADER: &str = "Time,Load,Travel,Mark";
const UNITS: [(&str, &str); 2] = [
    ("column = \"Load\"\nunit = \"kN\"", "column = \"Load\""),
    ("column = \"Travel\"\nunit = \"mm\"", "column = \"Travel\""),
];

/// Rows with their own cells under a header.
fn lines(header: &str, end: &str, row: impl Fn(&Row) -> String) -> String {
    let mut text = format!("{header}{end}");
    for r in rows() {
        text += &row(&r);
        text += end;
    }
    text
}

/// Time of day in seconds of a row, from a start.
fn clock(row: &Row, start_s: u32) -> (u32, u32, u32, u32, u32) {
    let quarters = row.quarters + 4 * start_s;
    let s = quarters / 4;
    (
        s / 86_400,
        s / 3600 % 24,
        s / 60 % 60,
        s % 60,
        quarters % 4 * 25,
    )
}

fn thousands(value: i64, decimals: u32, group: char, mark: char) -> String {
    let mut text = decimal(value, decimals, mark);
    let digits = text.find(mark).unwrap_or(text.len());
    if digits > 3 && !text.starts_with('-') || digits > 4 {
        text.insert(digits - 3, group);
    }
    text
}

fn styles() -> Vec<Style> {
    let mut styles = separators();
    styles.extend(encodings());
    styles.extend(headers());
    styles.extend(times());
    styles.extend(numbers());
    styles
}

fn same(name: &'static str, changes: &[(&str, &str)], log: impl Into<Vec<u8>>) -> Style {
    Style {
        name,
        expected: Expected::Same,
        log_name: "log.csv",
        sheet: sheet(changes),
        log: log.into(),
    }
}

fn separators() -> Vec<Style> {
    let with =
        |separator: &str, mark| table(&HEADER.replace(',', separator), separator, mark, &rows());
    let aligned = lines("     Time      Load    Travel      Mark", "\n", |r| {
        r.cells('.')
            .iter()
            .map(|c| format!("{c:>10}"))
            .collect::<String>()
    });
    vec![
        same("comma", &[], with(",", '.')),
        same("comma-and-blank", &[], with(", ", '.')),
        same("semicolon", &[], with(";", '.')),
        same("semicolon-decimal-comma", &[], with(";", ',')),
        same("tab", &[], with("\t", '.')),
        same("upright-strokes", &[], with(" | ", '.')),
        same("tab-decimal-comma", &[], with("\t", ',')),
        same("aligned-with-blanks", &[], aligned),
        same(
            "separator-after-the-last-cell",
            &[],
            lines("Time;Load;Travel;Mark;", "\n", |r| {
                r.cells('.').join(";") + ";"
            }),
        ),
        same(
            "quoted-cells",
            &[],
            lines("\"Time\",\"Load\",\"Travel\",\"Mark\"", "\n", |r| {
                r.cells('.').map(|c| format!("\"{c}\"")).join(",")
            }),
        ),
        same(
            "quoted-decimal-commas",
            &[],
            lines("Time,Load,Travel,Mark", "\n", |r| {
                r.cells(',').map(|c| format!("\"{c}\"")).join(",")
            }),
        ),
    ]
}

fn encodings() -> Vec<Style> {
    let text = format!(
        "# Prüfstand im Seilboden, 21 °C\n{}",
        table(HEADER, ",", '.', &rows())
    );
    let utf16 = |big: bool| -> Vec<u8> {
        let pair = |u: u16| {
            if big {
                u.to_be_bytes()
            } else {
                u.to_le_bytes()
            }
        };
        text.encode_utf16().flat_map(pair).collect()
    };
    let latin1: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    gzip.write_all(text.as_bytes()).unwrap();
    let mut packed = same(
        "packed",
        &[("log.csv", "log.csv.gz")],
        gzip.finish().unwrap(),
    );
    packed.log_name = "log.csv.gz";
    vec![
        same(
            "utf-8-with-mark",
            &[],
            [b"\xef\xbb\xbf", text.as_bytes()].concat(),
        ),
        same(
            "utf-16-little-with-mark",
            &[],
            [b"\xff\xfe".to_vec(), utf16(false)].concat(),
        ),
        same(
            "utf-16-big-with-mark",
            &[],
            [b"\xfe\xff".to_vec(), utf16(true)].concat(),
        ),
        same("utf-16-without-mark", &[], utf16(false)),
        same("latin-1", &[], latin1),
        same("crlf", &[], text.replace('\n', "\r\n")),
        same("cr-alone", &[], text.replace('\n', "\r")),
        packed,
    ]
}

fn headers() -> Vec<Style> {
    let body = table(HEADER, ",", '.', &rows());
    let under = |header: &str| body.replacen(HEADER, header, 1);
    let mut again: Vec<&str> = body.lines().collect();
    again.insert(301, HEADER);
    let no_header = [
        (
            "[gauges.load]",
            "[gauges.time]\ncolumn = \"1\"\n\n[gauges.load]",
        ),
        ("\"Load\"", "\"2\""),
        ("\"Travel\"", "\"3\""),
    ];
    let metadata = "Logger 7, channel block 2\nSample rate;4;Hz\nOperator;nobody in particular\nStart;14 May 2026\n\n";
    vec![
        same(
            "units-in-brackets",
            &UNITS,
            under("Time [s],Load [kN],Travel [mm],Mark [mm]"),
        ),
        same(
            "units-in-parentheses",
            &UNITS,
            under("Time (s),Load (kN),Travel (mm),Mark (mm)"),
        ),
        same(
            "units-after-a-stroke",
            &UNITS,
            under("Time/s,Load/kN,Travel/mm,Mark/mm"),
        ),
        same(
            "units-after-underscores",
            &[
                ("column = \"Load\"\nunit = \"kN\"", "column = \"load\""),
                ("column = \"Travel\"\nunit = \"mm\"", "column = \"travel\""),
            ],
            under("time_s,load_kN,travel_mm,mark_mm"),
        ),
        same(
            "units-in-a-second-row",
            &UNITS,
            under("Time,Load,Travel,Mark\ns,kN,mm,mm"),
        ),
        same(
            "metadata-before-the-header",
            &[],
            format!("{metadata}{}", body.replace(',', ";")),
        ),
        same("footer", &[], format!("{body}End of record\nRows: 573\n")),
        same("remarks-between-rows", &[], {
            let mut lines: Vec<&str> = body.lines().collect();
            lines.insert(250, "# trigger");
            lines.join("\n")
        }),
        same("header-again-in-mid-record", &[], again.join("\n")),
        same(
            "no-header",
            &no_header,
            body.replacen(&format!("{HEADER}\n"), "", 1),
        ),
        same(
            "columns-in-another-order",
            &[],
            lines("Number,Mark,Battery V,Travel,Load,Time", "\n", |r| {
                let [time, load, travel, mark] = r.cells('.');
                format!(
                    "{},{mark},12.{},{travel},{load},{time}",
                    r.quarters + 1,
                    r.quarters % 7
                )
            }),
        ),
    ]
}

fn times() -> Vec<Style> {
    let timed = |header: &str, time: &dyn Fn(&Row) -> String| {
        lines(header, "\n", |r| {
            let [_, load, travel, mark] = r.cells('.');
            format!("{};{load};{travel};{mark}", time(r))
        })
    };
    let plain = "Time;Load;Travel;Mark";
    // Less than a minute before midnight, which then lies within the record.
    let evening = 86_400 - 40;
    let of_day = |r: &Row| {
        let (_, h, m, s, c) = clock(r, evening);
        format!("{h:02}:{m:02}:{s:02}.{c:02}")
    };
    vec![
        same(
            "milliseconds",
            &[],
            timed("Time [ms];Load;Travel;Mark", &|r| {
                (r.quarters * 250).to_string()
            }),
        ),
        same(
            "milliseconds-said-by-the-sheet",
            &[(
                "[gauges.load]",
                "[gauges.time]\ncolumn = \"Tick\"\nunit = \"ms\"\n\n[gauges.load]",
            )],
            timed("Tick;Load;Travel;Mark", &|r| (r.quarters * 250).to_string()),
        ),
        same(
            "minutes",
            &[],
            timed("Time [min];Load;Travel;Mark", &|r| {
                format!("{:.12}", f64::from(r.quarters) / 240.0)
            }),
        )
        .close(),
        same("time-of-day-across-midnight", &[], timed(plain, &of_day)),
        same(
            "time-of-day-with-decimal-comma",
            &[],
            timed(plain, &|r| of_day(r).replace('.', ",")),
        ),
        same(
            "time-of-day-in-halves",
            &[],
            timed(plain, &|r| {
                let (_, h, m, s, c) = clock(r, 12 * 3600 - 30);
                let half = if h < 12 { "AM" } else { "PM" };
                format!(
                    "{}:{m:02}:{s:02}.{c:02} {half}",
                    if h % 12 == 0 { 12 } else { h % 12 }
                )
            }),
        ),
        same(
            "time-of-day-in-halves-with-points",
            &[],
            timed(plain, &|r| {
                let (_, h, m, s, c) = clock(r, 9 * 3600);
                format!("{h}:{m:02}:{s:02}.{c:02} a.m.")
            }),
        ),
        same(
            "time-of-day-without-colons",
            &[],
            timed(plain, &|r| {
                let (_, h, m, s, c) = clock(r, 9 * 3600 + 59 * 60 + 30);
                format!("{h:02}{m:02}{s:02}.{c:02}")
            }),
        ),
        same(
            "date-and-time-without-marks",
            &[],
            timed(plain, &|r| {
                let (d, h, m, s, c) = clock(r, evening);
                format!("202605{:02}{h:02}{m:02}{s:02}.{c:02}", 14 + d)
            }),
        ),
        same(
            "stopwatch",
            &[],
            timed(plain, &|r| {
                let (_, h, m, s, c) = clock(r, 0);
                format!("{}:{s:02}.{c:02}", 60 * h + m)
            }),
        ),
        same(
            "iso-with-zone",
            &[],
            timed(plain, &|r| {
                let (d, h, m, s, c) = clock(r, evening);
                format!("2026-05-{:02}T{h:02}:{m:02}:{s:02}.{c:02}+02:00", 14 + d)
            }),
        ),
        same(
            "iso-with-a-blank",
            &[],
            timed(plain, &|r| {
                let (d, h, m, s, c) = clock(r, evening);
                format!("2026-05-{:02} {h:02}:{m:02}:{s:02}.{c:02}", 14 + d)
            }),
        ),
        same(
            "date-and-time-apart",
            &[],
            timed("Date;Time;Load;Travel;Mark", &|r| {
                let (d, ..) = clock(r, evening);
                format!("{:02}.05.2026;{}", 14 + d, of_day(r))
            }),
        ),
        same(
            "date-before-time",
            &[],
            timed(plain, &|r| {
                let (d, ..) = clock(r, evening);
                format!("{:02}/05/2026 {}", 14 + d, of_day(r))
            }),
        ),
        same(
            "rate-said-by-the-sheet",
            &[(
                "[gauges.load]",
                "[gauges.time]\nrate = \"4 Hz\"\n\n[gauges.load]",
            )],
            lines("Load;Travel;Mark", "\n", |r| r.cells('.')[1..].join(";")),
        ),
        same(
            "clock-begins-elsewhere",
            &[],
            timed(plain, &|r| {
                decimal(i64::from(r.quarters) * 25 + 1_234_500, 2, '.')
            }),
        )
        .close(),
    ]
}

impl Style {
    fn close(self) -> Self {
        Self {
            expected: Expected::Close,
            ..self
        }
    }

    fn ambiguous(self) -> Self {
        Self {
            expected: Expected::Ambiguous,
            ..self
        }
    }
}

fn numbers() -> Vec<Style> {
    let row = |cells: &dyn Fn(&Row) -> String| lines("Time;Load;Travel;Mark", "\n", cells);
    let newtons = ("unit = \"kN\"", "unit = \"N\"");
    let grouped = |group: char, mark: char| {
        row(&|r| {
            let [time, _, travel, m] = r.cells(mark);
            format!(
                "{time};{};{travel};{m}",
                thousands(r.load * 10, 1, group, mark)
            )
        })
    };
    vec![
        same(
            "newtons",
            &[newtons],
            row(&|r| {
                let [time, _, travel, mark] = r.cells('.');
                format!("{time};{};{travel};{mark}", r.load)
            }),
        ),
        same(
            "metres",
            &[("unit = \"mm\"", "unit = \"m\"")],
            row(&|r| {
                let [time, load, _, mark] = r.cells('.');
                format!("{time};{load};{};{mark}", decimal(r.travel / 10, 5, '.'))
            }),
        ),
        same(
            "powers-of-ten",
            &[],
            row(&|r| {
                let [time, _, travel, mark] = r.cells('.');
                format!("{time};{}E-3;{travel};{mark}", r.load)
            }),
        ),
        same(
            "plus-signs",
            &[],
            row(&|r| {
                r.cells('.')
                    .map(|c| {
                        if c.starts_with('-') {
                            c
                        } else {
                            format!("+{c}")
                        }
                    })
                    .join(";")
            }),
        ),
        same(
            "thousands-point-decimal-comma",
            &[newtons],
            grouped('.', ','),
        ),
        same(
            "thousands-comma-decimal-point",
            &[newtons],
            grouped(',', '.'),
        ),
        same("thousands-apostrophe", &[newtons], grouped('\'', '.')),
        same("thousands-blank", &[newtons], grouped(' ', ',')),
        same(
            "pound-force",
            &[("unit = \"kN\"", "unit = \"lbf\"")],
            row(&|r| {
                let [time, _, travel, mark] = r.cells('.');
                #[expect(clippy::cast_precision_loss, reason = "a few thousand")]
                let pounds = r.load as f64 / 4.448_221_615_260_5;
                format!("{time};{pounds:.9};{travel};{mark}")
            }),
        )
        .close(),
        same(
            "inches",
            &[("unit = \"mm\"", "unit = \"in\"")],
            row(&|r| {
                let [time, load, _, mark] = r.cells('.');
                #[expect(clippy::cast_precision_loss, reason = "a few thousand")]
                let inches = r.travel as f64 / 25_400.0;
                format!("{time};{load};{inches:.10};{mark}")
            }),
        )
        .close(),
        same(
            "ambiguous-point",
            &[],
            row(&|r| {
                format!(
                    "{};{};{}.{:03};1.500",
                    r.quarters,
                    decimal(r.load.abs().max(1000), 3, '.'),
                    1 + r.quarters % 7,
                    r.quarters
                )
            }),
        )
        .ambiguous(),
        same(
            "ambiguous-comma",
            &[],
            row(&|r| {
                format!(
                    "{};{};{},{:03};1,500",
                    r.quarters,
                    decimal(r.load.abs().max(1000), 3, ','),
                    1 + r.quarters % 7,
                    r.quarters
                )
            }),
        )
        .ambiguous(),
        same(
            "ambiguous-comma-as-both",
            &[],
            lines(HEADER, "\n", |r| {
                let cells = r.cells(',');
                [&cells[0], &cells[1], &cells[2], &cells[3]]
                    .map(|c| c.replace('-', ""))
                    .join(",")
            }),
        )
        .ambiguous(),
    ]
}

fn stored() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/dialects")
}

fn analyse(style: &Style) -> Result<Value, String> {
    let folder = stored().join(style.name);
    let text = fs::read_to_string(folder.join("sheet.toml")).unwrap();
    let sheet = Sheet::parse(&text, "sheet.toml").map_err(|e| format!("{}: {e}", style.name))?;
    let mut log = fs::File::open(folder.join(&sheet.pull.log)).unwrap();
    let names = FileNames {
        log: &sheet.pull.log,
        marks: "",
    };
    let (log, files) = read_log(&mut log, None, &sheet, names).map_err(|e| e.to_string())?;
    let inputs = Inputs { sheet, log, files };
    let analysis = pipeline::analyse(inputs, &Settings::default()).map_err(|e| e.to_string())?;
    let mut value: Value = serde_json::from_slice(&export::json(&analysis).unwrap()).unwrap();
    let whole = value.as_object_mut().unwrap();
    // The section of the inputs: which files, how they were understood, and the sheet that says how to read them.
    for key in ["inputs", "understood", "sheet"] {
        assert!(whole.remove(key).is_some(), "{key}");
    }
    Ok(value)
}

#[test]
fn the_stored_folders_are_what_is_made() {
    let write = std::env::var_os("BITTEREND_WRITE_FIXTURES").is_some();
    let styles = styles();
    assert!(
        styles
            .iter()
            .filter(|s| s.expected != Expected::Ambiguous)
            .count()
            >= 25
    );
    let names: BTreeSet<&str> = styles.iter().map(|s| s.name).collect();
    assert_eq!(names.len(), styles.len());
    for style in &styles {
        let folder = stored().join(style.name);
        for (name, bytes) in [
            ("sheet.toml", style.sheet.as_bytes()),
            (style.log_name, &style.log),
        ] {
            if write {
                fs::create_dir_all(&folder).unwrap();
                fs::write(folder.join(name), bytes).unwrap();
            }
            let path = folder.join(name);
            let found = fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            assert!(found == bytes, "{} is not what is made", path.display());
        }
    }
    for entry in fs::read_dir(stored()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(names.contains(name.as_str()), "{name} is made by nothing");
    }
}

#[test]
fn every_style_gives_the_same_analysis() {
    let styles = styles();
    let plain = analyse(styles.iter().find(|s| s.name == "comma").unwrap()).unwrap();
    let bytes = serde_json::to_string_pretty(&plain).unwrap();
    assert!(bytes.len() > 3000, "there is something to compare");
    let mut wrong = Vec::new();
    for style in &styles {
        let found = analyse(style);
        let fault = match (style.expected, found) {
            (Expected::Ambiguous, Ok(_)) => Some("was read".to_owned()),
            (Expected::Ambiguous, Err(error)) => {
                let named = error.contains(" can be read as ") && error.contains(" or as ");
                (!named).then_some(error)
            }
            (_, Err(error)) => Some(error),
            (Expected::Same, Ok(value)) => {
                let text = serde_json::to_string_pretty(&value).unwrap();
                let differ = text.lines().zip(bytes.lines()).find(|(a, b)| a != b);
                (text != bytes).then(|| format!("differs: {differ:?}"))
            }
            (Expected::Close, Ok(value)) => match far(&value, &plain, "") {
                (_, Some(place)) => Some(place),
                (compared, None) => {
                    (compared <= 10).then(|| format!("{compared} figures compared"))
                }
            },
        };
        wrong.extend(fault.map(|f| format!("{}: {f}", style.name)));
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Compares every estimate that has a standard error; says how many there were, and the first that is far off.
fn far(found: &Value, plain: &Value, place: &str) -> (usize, Option<String>) {
    match (found, plain) {
        (Value::Object(a), Value::Object(b)) => {
            if !a.keys().eq(b.keys()) {
                return (0, Some(format!("{place}: other keys")));
            }
            let mut compared = 0;
            let figure =
                |of: &serde_json::Map<String, Value>, key| of.get(key).and_then(Value::as_f64);
            if let (Some(error), Some(x), Some(y)) = (
                figure(b, "standard_error").filter(|e| *e > 0.0),
                figure(a, "value"),
                figure(b, "value"),
            ) {
                if (x - y).abs() > 1e-4 * error {
                    return (0, Some(format!("{place}: {x} and {y} ± {error}")));
                }
                compared += 1;
            }
            for (key, value) in a {
                let (n, wrong) = far(value, &b[key], &format!("{place}.{key}"));
                if wrong.is_some() {
                    return (0, wrong);
                }
                compared += n;
            }
            (compared, None)
        }
        (Value::Array(a), Value::Array(b)) => {
            if a.len() != b.len() {
                return (0, Some(format!("{place}: other lengths")));
            }
            let mut compared = 0;
            for (a, b) in a.iter().zip(b) {
                let (n, wrong) = far(a, b, place);
                if wrong.is_some() {
                    return (0, wrong);
                }
                compared += n;
            }
            (compared, None)
        }
        _ => (0, None),
    }
}
