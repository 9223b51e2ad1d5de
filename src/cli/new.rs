//! `new`: a commented test sheet to start from.

use std::fmt::Write as _;
use std::fs::File;
use std::path::Path;

use super::console::Console;
use super::fault::Fault;
use super::{files, plan};
use crate::figures::span_text;
use crate::ingest::{self, Found};
use crate::sheet::{GaugeKind, Reading};

/// Writes `sheet.toml`, with the columns, units and rate of the log if one is given. Overwrites nothing.
///
/// # Errors
/// The sheet exists, the log cannot be read, or the system's.
pub(super) fn run(folder: &Path, log: Option<&Path>, console: &Console) -> Result<(), Fault> {
    let sheet_path = folder.join(files::SHEET);
    if sheet_path.symlink_metadata().is_ok() {
        return Err(Fault::new(
            format!(
                "{}: exists already, and nothing is overwritten",
                sheet_path.display()
            ),
            "edit it, or move it away first",
        ));
    }
    let mut new = Vec::new();
    let mut found = None;
    let mut log_name = "log.csv".to_owned();
    if let Some(path) = log {
        let (name, copy) = log_in_folder(folder, path)?;
        let mut file =
            File::open(path).map_err(|e| Fault::io(path, "the log cannot be read", &e))?;
        let shown = path.display().to_string();
        found = Some(
            ingest::sniff(&mut file, &shown, &Reading::default())
                .map_err(|e| Fault::ingest(Path::new(""), &e))?,
        );
        if copy {
            let bytes =
                std::fs::read(path).map_err(|e| Fault::io(path, "the log cannot be read", &e))?;
            new.push((name.clone(), bytes));
        }
        log_name = name;
    }
    let text = template(&plan::name_of(folder), &log_name, found.as_ref());
    new.push((files::SHEET.to_owned(), text.into_bytes()));
    files::write_new(folder, &new)?;
    if new.len() > 1 {
        console.say(&format!(
            "{}: copied into the folder",
            folder.join(&log_name).display()
        ));
    }
    console.say(&format!(
        "{}: written; fill it in, then: bitterend check {}",
        sheet_path.display(),
        folder.display()
    ));
    Ok(())
}

/// The log's name within the folder, and whether it must be copied there.
fn log_in_folder(folder: &Path, log: &Path) -> Result<(String, bool), Fault> {
    let real = log
        .canonicalize()
        .map_err(|e| Fault::io(log, "the log cannot be read", &e))?;
    if !real.is_file() {
        return Err(Fault::new(
            format!("{}: the log is no regular file", log.display()),
            "name the file itself",
        ));
    }
    if let Some(inside) = folder
        .canonicalize()
        .ok()
        .and_then(|f| real.strip_prefix(f).ok().map(Path::to_owned))
    {
        // The sheet writes paths with / on every system.
        let parts: Vec<_> = inside.iter().map(|p| p.to_string_lossy()).collect();
        return Ok((parts.join("/"), false));
    }
    let name = log
        .file_name()
        .map_or_else(|| "log.csv".into(), |n| n.to_string_lossy().into_owned());
    Ok((name, true))
}

/// The sheet: what was found is filled in, the rest stands as comments with examples.
fn template(id: &str, log: &str, found: Option<&Found>) -> String {
    let mut text = String::new();
    // Writing into a text cannot fail.
    let _ = write_template(&mut text, id, log, found);
    text
}

fn write_template(t: &mut String, id: &str, log: &str, found: Option<&Found>) -> std::fmt::Result {
    writeln!(
        t,
        "# Test sheet of one pull. Lines that begin with # are comments: remove the # of what you know."
    )?;
    writeln!(
        t,
        "# Quantities carry their unit: \"3.5 kN\", \"2000 lbf\", \"3/8 in\". Positive is toward the puller.\n"
    )?;
    writeln!(t, "[pull]\nid = {}\nlog = {}", quoted(id), quoted(log))?;
    t.push_str(PULL);
    write_reading(t, found)?;
    t.push_str(LINE_AND_STOPPER);
    write_gauges(t, found)?;
    t.push_str(REST);
    Ok(())
}

/// How the log is written, stated where it was found.
fn write_reading(t: &mut String, found: Option<&Found>) -> std::fmt::Result {
    if let Some(found) = found {
        let u = &found.understood;
        writeln!(
            t,
            "\n# The log as found: {}, separator `{}`, decimal mark `{}`, {}.",
            u.encoding,
            u.separator,
            u.decimal,
            if u.header_line == 0 {
                "no header (columns are named 1, 2, …)".into()
            } else {
                format!("header in line {}", u.header_line)
            }
        )?;
        if u.decimal == "," || u.thousands.is_some() {
            writeln!(t, "[reading]\ndecimal = {}", quoted(&u.decimal))?;
            writeln!(
                t,
                "thousands = {}",
                quoted(u.thousands.as_deref().unwrap_or("none"))
            )?;
        }
    }
    Ok(())
}

fn write_gauges(t: &mut String, found: Option<&Found>) -> std::fmt::Result {
    writeln!(
        t,
        "\n# The gauges. Each needs the name of its column; its unit, where the header does not say it."
    )?;
    match found {
        Some(found) => match (found.time, found.rate_hz) {
            (Some(time), rate) => {
                let rate = rate
                    .map(|r| match r {
                        r if r > 0.0 && r < 0.5 => {
                            format!(
                                " About one row every {}.",
                                span_text(1.0 / r).replace('\u{a0}', " ")
                            )
                        }
                        r => format!(" About {r} rows per second."),
                    })
                    .unwrap_or_default();
                writeln!(
                    t,
                    "[gauges.time]  # read as {}.{rate}",
                    found.understood.time
                )?;
                writeln!(t, "column = {}", quoted(&found.columns[time].name))?;
            }
            (None, _) => {
                writeln!(
                    t,
                    "# No time column was found. State the rate, or rows are taken as seconds:"
                )?;
                writeln!(t, "# [gauges.time]\n# rate = \"10 Hz\"")?;
            }
        },
        None => writeln!(
            t,
            "# [gauges.time]\n# column = \"time\"  # or, without one: rate = \"10 Hz\""
        )?,
    }
    for kind in GaugeKind::ALL {
        let column = found.and_then(|f| f.columns.iter().find(|c| c.guess == Some(kind)));
        match column {
            Some(column) => {
                writeln!(t, "\n[gauges.{}]  # {}", kind.name(), about(kind))?;
                writeln!(
                    t,
                    "column = {}  # first reading: {}",
                    quoted(&column.name),
                    column.first
                )?;
                match &column.unit {
                    Some(unit) if kind.unit(unit).is_some() => {
                        writeln!(t, "unit = {}", quoted(unit))?
                    }
                    _ => writeln!(
                        t,
                        "# unit = \"{}\"  # the header does not say it",
                        example_unit(kind)
                    )?,
                }
                t.push_str(if kind.is_force() { CELL } else { GAUGE });
                t.push_str(distance(kind));
            }
            None if kind == GaugeKind::Load => {
                writeln!(t, "\n[gauges.load]  # {}", about(kind))?;
                writeln!(t, "column = \"load\"\nunit = \"kN\"")?;
                t.push_str(CELL);
            }
            None => {
                writeln!(
                    t,
                    "\n# [gauges.{}]  # {}\n# column = \"{}\"",
                    kind.name(),
                    about(kind),
                    kind.name()
                )?;
                writeln!(t, "# unit = \"{}\"", example_unit(kind))?;
                t.push_str(distance(kind));
            }
        }
    }
    if let Some(found) = found {
        let free: Vec<String> = (0..found.columns.len())
            .filter(|i| Some(*i) != found.time && found.columns[*i].guess.is_none())
            .map(|i| comment(&found.columns[i].name))
            .filter(|n| !n.is_empty())
            .collect();
        if !free.is_empty() {
            writeln!(
                t,
                "\n# Columns of the log that are no gauge yet: {}",
                free.join(", ")
            )?;
        }
    }
    Ok(())
}

/// Marks need a place: their share of the stretch follows from it.
fn distance(kind: GaugeKind) -> &'static str {
    match kind {
        GaugeKind::Mark => {
            "# distance = \"100 mm\"  # from the mouth of the stopper at the first dwell; its share of the stretch follows from it\n"
        }
        GaugeKind::Span => "# distance = \"1 m\"  # between the marks at the first dwell\n",
        _ => "",
    }
}

fn example_unit(kind: GaugeKind) -> &'static str {
    if kind.is_force() { "kN" } else { "mm" }
}

fn about(kind: GaugeKind) -> &'static str {
    match kind {
        GaugeKind::Load => "the load cell at the working end",
        GaugeKind::Travel => "travel of the pulled point, read against the rig",
        GaugeKind::Mark => "a mark on the cover at the mouth, on the loaded side",
        GaugeKind::Tail => {
            "a mark on the tail, behind the stopper: the cleanest gauge of stopper slip"
        }
        GaugeKind::Body => "the body of the stopper or its mount",
        GaugeKind::Core => "core end against the cover's bitter end (draw-in)",
        GaugeKind::Span => "two marks on plain line: change of their distance",
        GaugeKind::TailLoad => "load on the tail",
    }
}

/// A text as a TOML string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A text inside a comment: nothing in it may end the line.
fn comment(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}

const PULL: &str = r#"# when = "2026-05-14T09:30:00+02:00"
# place = "north quay"
purpose = "delivery"  # or benchmark, survey
# rig = "dock ram"  # for comparing many pulls
# session = "14 May, morning"
# operator = ""
# witness = ""
# marks = "marks.csv"  # rule or camera readings: a time column and one column per gauge
# pretension = "0.2 kN"  # load of the first dwell; found in the log if not stated
"#;

const LINE_AND_STOPPER: &str = r#"
[line]
# id = "H-1"  # pulls of one line belong together
# kind = "double braid, HMPE, 10 mm"  # lines of one kind are repeats of each other
# length_id = "first"  # which length of it was held
# construction = "double braid"
# core = "HMPE"
# cover = "polyester"
# diameter = "10 mm"
# break_load = "42 kN"
# free_length = "3.00 m"  # from the mouth of the stopper to the point whose travel is read
# tail_length = "0.5 m"
# tail_stores = "0 mm"  # core slip that the tail swallows before the core end moves: none if the cover was milked back
# cover_at_eye = "locked"  # or free, unknown
# bitter_end = "free"  # or whipped, unknown
# bedded = false
# highest_past_load = "0 kN"

[stopper]
# id = "S-1"
# kind = "cam 8-12"  # stoppers of one kind are repeats of each other
# grip = "cam"  # or jaws
# rated_load = "12 kN"
# holds = "fresh"  # or "re-used", "after a run-out"
# tail = "free"  # or held
# jaw_give = "0.2 mm"  # the most that the jaws move and come back
"#;

const CELL: &str = r#"# sign = "-"  # when the reading shrinks toward the puller
# capacity = "20 kN"
# accuracy = "class 1"  # or "0.5 % of reading", "0.1 % of full scale", "5 N", joined by +
# certificate = ""
# certified = "2026-03-01"
"#;

const GAUGE: &str = r#"# sign = "-"  # when the reading shrinks toward the puller
# against = "rig"  # or stopper, "cover end"
# resolution = "0.01 mm"
# accuracy = "0.2 mm"
"#;

const REST: &str = r#"
# What the line must hold. Without it there is no verdict.
# [limits]
# proof = "8 kN"
# hold = "5 min"
# stopper_slip = "3 mm"  # seating apart
# cover_slip = "2 mm"
# creep = "1 mm/decade"  # or rate = "1 mm/min", in a hold

# Every part in the loaded chain with its working load.
# [[chain]]
# part = "shackle at the ram"
# working_load = "20 kN"

# The line as it will be installed.
# [aboard]
# length = "15 m"
# load = "4 kN"

[report]
units = "sheet"  # or SI, US
"#;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::Sheet;

    fn uncommented(text: &str) -> String {
        // Every example of the template, made real: comments that hold a key or a table.
        text.lines()
            .map(|l| match l.strip_prefix("# ") {
                Some(key)
                    if key.starts_with('[')
                        || key.split_once(" = ").is_some_and(|(k, _)| !k.contains(' ')) =>
                {
                    key
                }
                _ => l,
            })
            .collect::<Vec<_>>()
            .join("\n")
    }

    #[test]
    fn the_template_is_a_sheet_and_so_are_its_examples() {
        let text = template("pull \"1\"", "log.csv", None);
        let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
        assert_eq!(sheet.pull.id, "pull \"1\"");
        let all = uncommented(&text);
        let sheet = Sheet::parse(&all, "sheet.toml").unwrap();
        assert!(sheet.gauges.tail.is_some() && sheet.limits.is_some() && sheet.aboard.is_some());
        assert_eq!(sheet.chain.len(), 1);
    }

    #[test]
    fn what_the_log_says_is_filled_in() {
        let mut log = &b"# dock\nTime [s];Load [kN];Travel [mm];Temp\n0,00;0,15;0,0;21,5\n0,10;0,25;1,5;21,5\n0,20;0,35;2,5;21,5\n"[..];
        let found = ingest::sniff(&mut log, "log.csv", &Reading::default()).unwrap();
        assert_eq!(found.rate_hz, Some(10.0));
        let text = template("1", "log.csv", Some(&found));
        let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
        assert_eq!(sheet.gauges.load.column, "Load [kN]");
        assert_eq!(sheet.gauges.load.unit.as_deref(), Some("kN"));
        assert_eq!(
            sheet.gauges.travel.map(|g| g.column).as_deref(),
            Some("Travel [mm]")
        );
        assert_eq!(
            sheet.gauges.time.and_then(|g| g.column).as_deref(),
            Some("Time [s]")
        );
        assert!(text.contains("no gauge yet: Temp"));
        assert!(text.contains("About 10 rows per second"));
    }
    /// Loggers are set up in the language of the loft; and the only length is the travel, whatever it is called.
    #[test]
    fn columns_are_found_in_other_languages() {
        for header in [
            "Temps (s);Effort (kN);D\u{e9}placement (mm);Marque (mm)",
            "Tiempo [s];Carga [kN];Recorrido [mm];Marca [mm]",
            "Uhrzeit [s];Kraft [kN];Weg [mm];Marke [mm]",
            "Tid [s];Kraft [kN];Forskydning [mm];M\u{e6}rke [mm]",
        ] {
            let log = format!("{header}\n0,00;0,15;0,0;2,5\n0,10;0,25;1,5;2,5\n");
            let found = ingest::sniff(&mut log.as_bytes(), "log.csv", &Reading::default()).unwrap();
            let guesses: Vec<_> = found.columns.iter().map(|c| c.guess).collect();
            assert_eq!(found.time, Some(0), "{header}");
            assert_eq!(
                guesses,
                [
                    None,
                    Some(GaugeKind::Load),
                    Some(GaugeKind::Travel),
                    Some(GaugeKind::Mark)
                ],
                "{header}"
            );
        }
        let log = "Time [s],Load [kN],Channel 3 [mm]\n0.0,0.15,0.0\n0.1,0.25,1.5\n";
        let found = ingest::sniff(&mut log.as_bytes(), "log.csv", &Reading::default()).unwrap();
        assert_eq!(found.columns[2].guess, Some(GaugeKind::Travel));
    }
}
