//! One and the same pull in the styles of many loggers: every style must give the same numbers, bit for bit.
//!
//! The pull is invented: a hand-winched line, 240 rows at 10 Hz, three channels.

use std::fmt::Write as _;
use std::io::{Read, Write as _};

use bitterend::ingest::{FileNames, IngestError, Log, read_log};
use bitterend::sheet::Sheet;

/// Time in tenths of a second, load in N, travel in hundredths of a millimetre.
fn rows() -> Vec<(u32, i64, i64)> {
    (0..240u32)
        .map(|i| {
            let x = i64::from(i);
            (i, 150 + 37 * x - (x % 7) * 3, -12 + 41 * x + (x % 5))
        })
        .collect()
}

fn decimal(hundredths: i64, decimals: u32, mark: char) -> String {
    let unit = 10_i64.pow(decimals);
    let sign = if hundredths < 0 { "-" } else { "" };
    let (whole, rest) = (hundredths.abs() / unit, hundredths.abs() % unit);
    format!(
        "{sign}{whole}{mark}{rest:0width$}",
        width = decimals as usize
    )
}

/// A table with this header, separator and decimal mark; load in N with two decimals, travel in mm with two.
fn table(header: &str, separator: &str, mark: char) -> String {
    let mut text = format!("{header}\n");
    for (t, load, travel) in rows() {
        let cells = [
            decimal(i64::from(t), 1, mark),
            decimal(load * 100, 2, mark),
            decimal(travel, 2, mark),
        ];
        writeln!(text, "{}", cells.join(separator)).unwrap();
    }
    text
}

fn sheet(extra: &str) -> Sheet {
    sheet_with("Load", "N", "Travel", "mm", extra)
}

fn sheet_with(load: &str, load_unit: &str, travel: &str, travel_unit: &str, extra: &str) -> Sheet {
    let unit = |u: &str| {
        if u.is_empty() {
            String::new()
        } else {
            format!("unit = \"{u}\"\n")
        }
    };
    Sheet::parse(
        &format!(
            "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"{load}\"\n{}[gauges.travel]\ncolumn = \"{travel}\"\n{}{extra}",
            unit(load_unit),
            unit(travel_unit)
        ),
        "sheet.toml",
    )
    .unwrap()
}

fn read(bytes: &[u8], sheet: &Sheet) -> Result<Log, IngestError> {
    let mut input = bytes;
    let names = FileNames {
        log: "log.csv",
        marks: "marks.csv",
    };
    read_log(&mut input, None, sheet, names).map(|(log, _)| log)
}

/// Bits of everything measured; times counted from the first row.
fn numbers(log: &Log) -> Vec<Vec<u64>> {
    let bits = |v: &[f64]| v.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
    let mut all = vec![bits(&log.time_s)];
    all.extend(log.channels.iter().map(|c| bits(&c.values)));
    all
}

/// The decimal texts in SI, read by the standard library.
fn reference() -> Vec<Vec<u64>> {
    let rows = rows();
    let parse = |text: String| text.parse::<f64>().unwrap().to_bits();
    vec![
        rows.iter()
            .map(|r| parse(decimal(i64::from(r.0), 1, '.')))
            .collect(),
        rows.iter().map(|r| parse(format!("{}.0", r.1))).collect(),
        rows.iter().map(|r| parse(decimal(r.2, 5, '.'))).collect(),
    ]
}

/// Says where two sets of columns differ, without printing them all.
#[track_caller]
fn assert_same(style: &str, log: &Log) {
    for (c, (read, known)) in numbers(log).iter().zip(reference()).enumerate() {
        assert_eq!(read.len(), known.len(), "{style}: rows of column {c}");
        let differs = (0..read.len()).find(|i| read[*i] != known[*i]);
        assert!(
            differs.is_none(),
            "{style}: column {c}, row {differs:?}: {:?} {:?}",
            differs.map(|i| f64::from_bits(read[i])),
            differs.map(|i| f64::from_bits(known[i]))
        );
    }
    assert_eq!(log.channels.len(), 2, "{style}");
}

#[track_caller]
fn same(style: &str, bytes: &[u8], sheet: &Sheet) -> Log {
    let log = read(bytes, sheet).unwrap_or_else(|e| panic!("{style}: {e}"));
    assert_same(style, &log);
    assert!(log.understood.unreadable.is_empty(), "{style}");
    log
}

#[test]
fn separators_and_decimal_marks() {
    let plain = sheet("");
    for (separator, mark, word) in [
        (",", '.', ","),
        (";", '.', ";"),
        (";", ',', ";"),
        ("\t", '.', "tab"),
        ("\t", ',', "tab"),
        ("|", '.', "|"),
        (" | ", ',', "|"),
        ("  ", '.', "space"),
        (" ", ',', "space"),
        (", ", '.', ","),
        (" ; ", ',', ";"),
    ] {
        let style = format!("`{separator}` `{mark}`");
        let header = ["Time", "Load", "Travel"].join(separator);
        let log = same(&style, table(&header, separator, mark).as_bytes(), &plain);
        assert_eq!(log.understood.separator, word, "{style}");
        assert_eq!(log.understood.decimal, mark.to_string(), "{style}");
        assert_eq!(log.understood.header_line, 1, "{style}");
    }
}

#[test]
fn encodings_line_ends_and_compression() {
    let plain = sheet("");
    let text = table("Time;Load;Travel", ";", ',');
    let text = format!("# Prüfstand am Kai, 21 °C\n{text}");
    let utf16 = |big: bool| -> Vec<u8> {
        let units = text.encode_utf16();
        units
            .flat_map(|u| {
                if big {
                    u.to_be_bytes()
                } else {
                    u.to_le_bytes()
                }
            })
            .collect()
    };
    let latin1: Vec<u8> = text
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    gzip.write_all(text.as_bytes()).unwrap();
    let styles: Vec<(&str, Vec<u8>, &str)> = vec![
        ("UTF-8", text.clone().into_bytes(), "UTF-8"),
        (
            "UTF-8 with mark",
            [b"\xef\xbb\xbf", text.as_bytes()].concat(),
            "UTF-8 with mark",
        ),
        (
            "UTF-16 little-endian with mark",
            [b"\xff\xfe".to_vec(), utf16(false)].concat(),
            "UTF-16, little-endian with mark",
        ),
        (
            "UTF-16 big-endian with mark",
            [b"\xfe\xff".to_vec(), utf16(true)].concat(),
            "UTF-16, big-endian with mark",
        ),
        ("UTF-16 without mark", utf16(false), "UTF-16, little-endian"),
        ("Latin-1", latin1, "Latin-1"),
        ("CRLF", text.replace('\n', "\r\n").into_bytes(), "UTF-8"),
        ("CR alone", text.replace('\n', "\r").into_bytes(), "UTF-8"),
        (
            "no last line end",
            text.trim_end().as_bytes().to_vec(),
            "UTF-8",
        ),
        ("gzip", gzip.finish().unwrap(), "UTF-8, gzip"),
    ];
    for (style, bytes, encoding) in styles {
        let log = same(style, &bytes, &plain);
        assert_eq!(log.understood.encoding, encoding, "{style}");
        assert!(
            log.understood.metadata[0].contains("Prüfstand am Kai, 21 °C"),
            "{style}: {:?}",
            log.understood.metadata
        );
    }
}

#[test]
fn units_in_the_header_or_in_a_second_row() {
    for header in [
        "Time [s],Load [N],Travel [mm]",
        "Time (s),Load (N),Travel (mm)",
        "time_s,load_N,travel_mm",
        "Time/s,Load/N,Travel/mm",
    ] {
        let names = header.to_lowercase();
        let split = if names.contains('_') {
            ("load", "travel")
        } else {
            ("Load", "Travel")
        };
        let log = same(
            header,
            table(header, ",", '.').as_bytes(),
            &sheet_with(split.0, "", split.1, "", ""),
        );
        assert_eq!(log.understood.time, "seconds", "{header}");
    }
    let two = table("Time,Load,Travel\ns,N,mm", ",", '.');
    let log = same(
        "unit row",
        two.as_bytes(),
        &sheet_with("Load", "", "Travel", "", ""),
    );
    assert_eq!(log.channels[0].unit.symbol, "N");
    let two = table("Time,Load,Travel\n[s],[N],[mm]", ",", '.');
    same(
        "unit row in brackets",
        two.as_bytes(),
        &sheet_with("Load", "", "Travel", "", ""),
    );
}

#[test]
fn thousands_marks() {
    for (thousands, mark, separator) in [
        ('.', ',', ";"),
        (',', '.', ";"),
        ('\'', '.', ";"),
        (' ', ',', ";"),
        ('\u{a0}', ',', "\t"),
    ] {
        let mut text = format!("Time{separator}Load{separator}Travel\n");
        for (t, load, travel) in rows() {
            let mut load = decimal(load * 100, 2, mark);
            if load.len() > 6 {
                load.insert(load.len() - 6, thousands);
            }
            let cells = [
                decimal(i64::from(t), 1, mark),
                load,
                decimal(travel, 2, mark),
            ];
            writeln!(text, "{}", cells.join(separator)).unwrap();
        }
        let log = same(
            &format!("thousands `{thousands}`"),
            text.as_bytes(),
            &sheet(""),
        );
        assert!(log.understood.thousands.is_some());
    }
}

#[test]
fn metadata_footer_and_repeated_header() {
    let plain = sheet("");
    let body = table("Time;Load;Travel", ";", '.');
    let framed =
        format!("Logger 7\nSample rate;10\nOperator;A. Nobody\n\n{body}End of record\nRows;240\n");
    let log = same("metadata and footer", framed.as_bytes(), &plain);
    assert_eq!(log.understood.header_line, 5);
    assert!(
        log.understood
            .metadata
            .iter()
            .any(|m| m == "Sample rate;10")
    );
    assert!(log.understood.metadata.iter().any(|m| m == "End of record"));

    // The logger wrote its header again and went on without losing a row: no break.
    let mut lines: Vec<&str> = body.lines().collect();
    lines.insert(101, "Time;Load;Travel");
    let log = same("repeated header", lines.join("\n").as_bytes(), &plain);
    assert!(log.segments.is_empty());
    // It restarted and lost rows; its clock went on.
    drop(lines.drain(102..110));
    let log = read(lines.join("\n").as_bytes(), &plain).unwrap();
    assert_eq!(log.segments, [100]);
}

#[test]
fn forms_of_time() {
    let clock = |form: &dyn Fn(u32) -> String, header: &str| {
        let mut text = format!("{header}\n");
        for (t, load, travel) in rows() {
            writeln!(
                text,
                "{};{};{}",
                form(t),
                decimal(load * 100, 2, '.'),
                decimal(travel, 2, '.')
            )
            .unwrap();
        }
        text
    };
    // Ten seconds before midnight, so that midnight lies within.
    let of_day = |t: u32| {
        let tenths = (t + 863_900) % 864_000;
        let s = tenths / 10;
        format!(
            "{:02}:{:02}:{:02}.{}",
            s / 3600,
            s / 60 % 60,
            s % 60,
            tenths % 10
        )
    };
    let day = |t: u32| if t + 863_900 >= 864_000 { 15 } else { 14 };
    let plain = sheet("");
    let log = same(
        "clock across midnight",
        clock(&of_day, "Time;Load;Travel").as_bytes(),
        &plain,
    );
    assert_eq!(log.understood.time, "clock");
    let iso = |t: u32| format!("2026-05-{}T{}+02:00", day(t), of_day(t));
    let log = same(
        "ISO with zone",
        clock(&iso, "Time;Load;Travel").as_bytes(),
        &plain,
    );
    assert_eq!(log.understood.time, "iso");
    let iso = |t: u32| format!("2026-05-{} {}", day(t), of_day(t));
    same(
        "ISO with a blank",
        clock(&iso, "Timestamp;Load;Travel").as_bytes(),
        &plain,
    );
    let german = |t: u32| format!("{}.05.2026 {}", day(t), of_day(t));
    same(
        "date and clock in one cell",
        clock(&german, "Time;Load;Travel").as_bytes(),
        &plain,
    );
    let two = |t: u32| format!("{}/05/2026;{}", day(t), of_day(t));
    same(
        "a date and a time column",
        clock(&two, "Date;Time;Load;Travel").as_bytes(),
        &plain,
    );
    let ms = |t: u32| format!("{}", t * 100);
    let log = same(
        "milliseconds",
        clock(&ms, "Time [ms];Load;Travel").as_bytes(),
        &plain,
    );
    assert_eq!(log.understood.time, "milliseconds");
    let none = |t: u32| format!("{}", t + 1);
    let log = same(
        "no time, rate from the sheet",
        clock(&none, "Row;Load;Travel").as_bytes(),
        &sheet("[gauges.time]\nrate = \"10 Hz\"\n"),
    );
    assert!(log.understood.time.contains("rate 10 Hz"));
}

#[test]
fn quotes_remarks_and_trailing_separators() {
    let plain = sheet("");
    let body = table("Time,Load,Travel", ",", '.');
    let quoted: String = body
        .lines()
        .map(|l| format!("\"{}\"\n", l.replace(',', "\",\"")))
        .collect();
    same("every cell in quotes", quoted.as_bytes(), &plain);
    let comma = table("Time;Load;Travel", ";", ',');
    let quoted: String = comma
        .lines()
        .map(|l| format!("\"{}\"\n", l.replace(';', "\",\"")))
        .collect();
    same(
        "quoted decimal commas between commas",
        quoted.as_bytes(),
        &plain,
    );
    let trailing: String = body.lines().map(|l| format!("{l},\n")).collect();
    same("trailing separator", trailing.as_bytes(), &plain);
    let mut lines: Vec<&str> = body.lines().collect();
    lines.insert(50, "# winch man changed");
    let log = same("remark", lines.join("\n").as_bytes(), &plain);
    assert_eq!(log.understood.metadata, ["# winch man changed"]);
    let blanks = body.replace('\n', "\n\n");
    same("blank lines between", blanks.as_bytes(), &plain);
}

#[test]
fn a_pull_noted_by_hand() {
    let sheet = sheet_with("load", "kN", "travel", "mm", "");
    let text = "load,travel\n0.2,0\n1,4\n2,7.5\n3,11\n2,9\n0.2,2\n";
    let log = read(text.as_bytes(), &sheet).unwrap();
    assert_eq!(log.time_s, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0]);
    assert!(
        log.understood.time.contains("row number"),
        "{}",
        log.understood.time
    );
    assert_eq!(log.channels[0].values[3].to_bits(), 3000.0_f64.to_bits());

    let timed = "t;load;travel\n0;0,2;0\n60;1;4\n120;2;7,5\n180;3;11\n240;2;9\n300;0,2;2\n";
    let log = read(timed.as_bytes(), &sheet).unwrap();
    assert_eq!(log.time_s, [0.0, 60.0, 120.0, 180.0, 240.0, 300.0]);
    assert_eq!(log.channels[1].values[2].to_bits(), 0.0075_f64.to_bits());
}

#[test]
fn a_small_reader_changes_nothing() {
    /// Gives one byte at a time.
    struct Drip<'a>(&'a [u8]);
    impl Read for Drip<'_> {
        fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
            let n = self.0.len().min(out.len()).min(1);
            out[..n].copy_from_slice(&self.0[..n]);
            self.0 = &self.0[n..];
            Ok(n)
        }
    }
    let text = table("Time;Load;Travel", ";", ',');
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let (log, files) = read_log(&mut Drip(text.as_bytes()), None, &sheet(""), names).unwrap();
    assert_same("changed", &log);
    assert_eq!(files[0].bytes, text.len() as u64);
}

#[test]
fn words_of_overload_and_missing() {
    let mut lines: Vec<String> = table("Time;Load;Travel", ";", '.')
        .lines()
        .map(str::to_owned)
        .collect();
    lines[10] = lines[10]
        .rsplit_once(';')
        .map(|(l, _)| format!("{l};OVL"))
        .unwrap();
    lines[20] = lines[20]
        .rsplit_once(';')
        .map(|(l, _)| format!("{l};"))
        .unwrap();
    let log = read(lines.join("\n").as_bytes(), &sheet("")).unwrap();
    let travel = &log.channels[1];
    assert_eq!(travel.clipped, [9]);
    assert!(travel.values[9].is_nan() && travel.values[19].is_nan());
    assert_eq!(travel.unreadable, 0);
    assert_eq!(log.rows, 240);
}

#[test]
fn late_and_repeated_rows_are_put_right_and_counted() {
    let mut lines: Vec<String> = table("Time;Load;Travel", ";", '.')
        .lines()
        .map(str::to_owned)
        .collect();
    lines.swap(30, 31);
    lines.insert(50, lines[49].clone());
    let log = read(lines.join("\n").as_bytes(), &sheet("")).unwrap();
    assert_same("changed", &log);
    assert_eq!(
        (log.understood.reordered, log.understood.duplicates),
        (1, 1)
    );
}

#[test]
fn a_restart_with_a_known_gap() {
    let body = table("Time;Load;Travel", ";", '.');
    let mut lines: Vec<String> = body.lines().take(101).map(str::to_owned).collect();
    lines.extend(body.lines().take(51).map(str::to_owned));
    let text = lines.join("\n");
    let error = read(text.as_bytes(), &sheet("")).unwrap_err();
    assert_eq!(
        error.to_string(),
        "log.csv, line 103: the logger restarted here (the header is repeated and its clock began anew), and the gap is not known"
    );
    let log = read(text.as_bytes(), &sheet("[reading.gaps]\n103 = \"5 s\"\n")).unwrap();
    assert_eq!(log.segments, [100]);
    assert!((log.time_s[100] - 14.9).abs() < 1e-9, "{}", log.time_s[100]);
    let error = read(
        text.as_bytes(),
        &sheet("[reading.gaps]\n103 = \"5 s\"\n900 = \"5 s\"\n"),
    )
    .unwrap_err();
    assert!(error.to_string().contains("a gap at line 900"), "{error}");
}

#[test]
fn marks_are_read_on_the_clock_of_the_log() {
    let log = table("Time;Load;Travel", ";", '.');
    let sheet = sheet("[gauges.mark]\ncolumn = \"mark\"\nunit = \"mm\"\nsign = \"-\"\n");
    let (mut log, mut marks) = (
        log.as_bytes(),
        &b"time_s,mark_cm\n0,0\n5.5,-0.25\n12,-1\n"[..],
    );
    let names = FileNames {
        log: "log.csv",
        marks: "marks.csv",
    };
    let (log, files) = read_log(&mut log, Some(&mut marks), &sheet, names).unwrap();
    let read: Vec<(f64, f64)> = log.readings.iter().map(|r| (r.time_s, r.value_m)).collect();
    assert_eq!(read, [(0.0, -0.0), (5.5, 0.0025), (12.0, 0.01)]);
    assert_eq!(
        files.iter().map(|f| f.role.as_str()).collect::<Vec<_>>(),
        ["log", "marks"]
    );
}

#[test]
fn a_long_log_is_merged_and_no_reading_is_lost() {
    let rows: u32 = 500_001;
    let mut text = String::from("time_s,load_N,travel_mm\n");
    for i in 0..rows {
        writeln!(
            text,
            "{}.{:03},{},{}.5",
            i / 1000,
            i % 1000,
            i % 4000,
            i % 300
        )
        .unwrap();
    }
    let log = read(text.as_bytes(), &sheet_with("load", "", "travel", "", "")).unwrap();
    assert_eq!((log.rows, log.rows_per_entry), (u64::from(rows), 4));
    assert_eq!(log.time_s.len(), 125_001);
    assert!((log.time_s[0] - 0.0015).abs() < 1e-12);
    assert!(log.time_s.windows(2).all(|w| w[1] > w[0]));
    // The mean of the first four rows, and the sum of all, in whole numbers.
    assert_eq!(log.channels[0].values[0].to_bits(), 1.5_f64.to_bits());
    let full: f64 = log.channels[0].values[..125_000]
        .iter()
        .map(|v| v * 4.0)
        .sum::<f64>()
        + log.channels[0].values[125_000];
    let exact: u64 = (0..u64::from(rows)).map(|i| i % 4000).sum();
    #[expect(clippy::cast_precision_loss, reason = "below 2^53")]
    let exact = exact as f64;
    assert!((full - exact).abs() < 1e-3, "{full} {exact}");
    assert_eq!(log.channels[0].extremes, Some((0.0, 3999.0)));
}

/// A log that is read has rising times and finite readings, whatever the bytes; nothing panics.
#[track_caller]
fn sound(bytes: &[u8], sheet: &Sheet) -> bool {
    let Ok(log) = read(bytes, sheet) else {
        return false;
    };
    assert!(log.time_s.iter().all(|t| t.is_finite()));
    assert!(log.time_s.windows(2).all(|w| w[1] > w[0]));
    for channel in &log.channels {
        assert_eq!(channel.values.len(), log.time_s.len());
        assert!(channel.values.iter().all(|v| !v.is_infinite()));
        assert!(
            channel
                .clipped
                .iter()
                .all(|c| channel.values[*c].is_nan() || log.rows_per_entry > 1)
        );
        assert!(channel.extremes.is_some_and(|(low, high)| low <= high));
    }
    true
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config { cases: 1000, failure_persistence: None, ..Default::default() })]

    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..400)) {
        sound(&bytes, &sheet(""));
    }

    #[test]
    fn any_text_of_a_logger_is_read_or_refused(text in "(Time[;,]Load[;,]Travel\n)?([0-9:;,.eE+\\-T \"#OVL\n]{0,200}\n){0,4}") {
        sound(text.as_bytes(), &sheet(""));
    }

    /// A good log with a few bytes changed.
    #[test]
    fn damaged_logs_are_read_or_refused(changes in proptest::collection::vec((0usize..4000, "[0-9:;,.\\-\n a\"]"), 1..6), clock: bool) {
        let mut text = table("Time;Load;Travel", ";", '.').into_bytes();
        if clock {
            let rows = String::from_utf8(text).unwrap();
            text = rows.replace('\n', "\n23:59:5").into_bytes();
        }
        for (at, byte) in &changes {
            let at = at % text.len();
            text[at] = byte.as_bytes()[0];
        }
        sound(&text, &sheet("[reading]\nunreadable = \"10 %\"\n"));
    }
}

#[test]
fn a_damaged_log_is_still_read() {
    // The property above must not hold merely because everything is refused.
    let text = table("Time;Load;Travel", ";", '.').replace("\n12.0;", "\nx;");
    assert!(sound(text.as_bytes(), &sheet("")));
}
