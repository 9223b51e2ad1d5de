//! Text to [`Sheet`], with the place of every mistake.
//!
//! The TOML reader says what is wrong and where in the text; this module turns that into the line, the key and the
//! nearest valid key, then checks what types alone cannot: units of gauges, sizes, dates, and that the files named
//! lie inside the folder of the sheet.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::sheet::{GaugeKind, Sheet, StatedError};

/// What most lines that are no TOML lack.
const VALUES: &str = "amounts, words and texts stand in quotes, such as proof = \"3.5 kN\"; yes and no are true and false; a table begins with its name in square brackets";
/// A path as one system writes it.
const BACKSLASHES: &str = "files are named without a path, or with / between folders";
/// Sizes between which a line and its set-up lie, m: what is beyond is a slip of the unit.
const DIAMETERS: (f64, f64, &str) = (0.5e-3, 0.3, "0.5 to 300 mm");
const FREE_LENGTHS: (f64, f64, &str) = (0.05, 500.0, "0.05 to 500 m");
const ABOARD: (f64, f64, &str) = (0.05, 2000.0, "0.05 to 2000 m");

/// A mistake in a sheet, with its place.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}: {problem}", self.place())]
pub struct SheetError {
    /// Name of the sheet's file.
    pub file: String,
    /// Line, counted from 1, where it is known.
    pub line: Option<usize>,
    /// Key with its tables, such as `limits.proof`, where it is known.
    pub key: Option<String>,
    /// What is wrong.
    pub problem: SheetProblem,
}

/// What is wrong in a sheet.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SheetProblem {
    /// No TOML; the line as it is written.
    #[error("`{written}` cannot be read: {message}")]
    Syntax { written: String, message: String },
    /// A key that no sheet has.
    #[error("`{key}` is not a key of {table}{}", nearest.as_ref().map(|n| format!("; the nearest is `{n}`")).unwrap_or_default())]
    UnknownKey {
        key: String,
        table: String,
        nearest: Option<String>,
        known: Vec<String>,
    },
    /// A key that every sheet must have.
    #[error("`{key}` is missing from {table}")]
    MissingKey { key: String, table: String },
    /// A value that the key cannot have.
    #[error("{message}")]
    WrongValue { message: String },
    /// The unit of a gauge measures something else.
    #[error("`{unit}` is no unit of {word}; known are {known}")]
    WrongUnit {
        unit: String,
        word: &'static str,
        known: String,
    },
    /// Words about a gauge's errors that say nothing.
    #[error("{0}")]
    Stated(#[from] StatedError),
    /// A file outside the folder.
    #[error("`{path}` leads out of the folder of the sheet")]
    OutsideFolder { path: String },
    /// A file name that is a former result.
    #[error("`{path}` lies in `results`, which is never read as input")]
    FormerResult { path: String },
}

impl SheetError {
    /// File, line and key, as the error line begins.
    fn place(&self) -> String {
        let mut place = self.file.clone();
        if let Some(line) = self.line {
            place += &format!(", line {line}");
        }
        if let Some(key) = &self.key {
            place += &format!(", key {key}");
        }
        place
    }

    /// A thing that the user can do.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        Some(match &self.problem {
            SheetProblem::UnknownKey { known, .. } if !known.is_empty() => {
                format!("keys that may stand here: {}", known.join(", "))
            }
            SheetProblem::MissingKey { key, table } if key == "gauges" => format!(
                "add {table}: at least `[gauges.load]` with `column = \"…\"`; `bitterend new` writes a sheet to start from"
            ),
            SheetProblem::MissingKey { key, table } => {
                format!(
                    "add `{key} = \"…\"` under {table}; `bitterend new` writes a sheet to start from"
                )
            }
            SheetProblem::Syntax { written, .. } => if written.contains('\\') {
                BACKSLASHES
            } else {
                VALUES
            }
            .into(),
            SheetProblem::WrongValue { message } if message.contains("expected a boolean") => {
                "yes and no are written true and false, without quotes".into()
            }
            SheetProblem::WrongValue { message } if message == "wanted string or table" => {
                "a word in quotes belongs here, such as sign = \"-\"".into()
            }
            SheetProblem::WrongUnit { known, .. } => {
                format!("give the gauge its own column, or one of the units {known}")
            }
            SheetProblem::OutsideFolder { .. } => {
                "put the file into the folder of the sheet and name it without a path".into()
            }
            SheetProblem::FormerResult { .. } => {
                "keep what was measured outside of `results`: that folder is replaced as a whole"
                    .into()
            }
            SheetProblem::Stated(StatedError::NoCapacity { .. }) => {
                "add `capacity = \"…\"` to this gauge, the full scale with its unit".into()
            }
            _ => return None,
        })
    }
}

impl Sheet {
    /// Reads a sheet. `file_name` only names it in messages.
    ///
    /// A mistake is told with its place and the nearest key:
    ///
    /// ```
    /// use bitterend::sheet::Sheet;
    ///
    /// let error = Sheet::parse("[line]\nfree_lenght = \"3 m\"\n", "sheet.toml").unwrap_err();
    /// let text = error.to_string();
    /// assert!(text.contains("free_length"), "{text}");
    /// ```
    ///
    /// # Errors
    /// The first mistake found, with line and key: see [`SheetProblem`].
    pub fn parse(text: &str, file_name: &str) -> Result<Self, SheetError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let reader_error = |error: &toml::de::Error| from_reader(text, file_name, error);
        let sheet: Self = toml::from_str(text).map_err(|e| reader_error(&e))?;
        let tree = DeTable::parse(text).map_err(|e| reader_error(&e))?;
        sheet.check().map_err(|(key, problem)| SheetError {
            file: file_name.into(),
            line: find(tree.get_ref(), &key).map(|span| line_of(text, span.start)),
            key: Some(key.join(".")),
            problem,
        })?;
        Ok(sheet)
    }

    /// What types alone cannot say: units of gauges, sizes, dates, paths. The path of the wrong key, and what is wrong.
    fn check(&self) -> Result<(), (Vec<String>, SheetProblem)> {
        let wrong = |path: &str, message: String| {
            let path = path.split('.').map(str::to_owned).collect::<Vec<_>>();
            Err((path, SheetProblem::WrongValue { message }))
        };
        for (key, name) in [
            ("log", Some(&self.pull.log)),
            ("marks", self.pull.marks.as_ref()),
        ] {
            let Some(name) = name else { continue };
            if let Some(problem) = wrong_path(name) {
                return Err((vec!["pull".into(), key.into()], problem));
            }
        }
        if let Some(second) = &self.second_log
            && let Some(problem) = wrong_path(&second.file)
        {
            return Err((vec!["second_log".into(), "file".into()], problem));
        }
        if let Some(when) = &self.pull.when
            && !is_date_time(when)
        {
            return wrong(
                "pull.when",
                format!("`{when}` is no date and time; write 2026-05-14T09:30:00+02:00"),
            );
        }
        for (kind, gauge) in self.gauges.iter() {
            check_gauge(kind, gauge)?;
        }
        if let Some(unit) = self.gauges.time.as_ref().and_then(|t| t.unit.as_ref())
            && !["clock", "iso", "hh:mm", "mm:ss"].contains(&unit.as_str())
            && crate::units::find_unit::<crate::units::TimeDim>(unit).is_none()
        {
            return wrong(
                "gauges.time.unit",
                format!(
                    "`{unit}` is no unit of time; known are s, ms, min, h, clock, hh:mm, mm:ss, iso"
                ),
            );
        }
        let aboard = self.aboard.as_ref().map(|a| a.length);
        for (path, length, (least, most, told)) in [
            ("line.free_length", self.line.free_length, FREE_LENGTHS),
            ("line.diameter", self.line.diameter, DIAMETERS),
            (
                "line.diameter_measured",
                self.line.diameter_measured,
                DIAMETERS,
            ),
            ("aboard.length", aboard, ABOARD),
        ] {
            let Some(length) = length else { continue };
            if length.si() <= 0.0 {
                return wrong(path, format!("`{length}` must be greater than zero"));
            }
            if !(least..=most).contains(&length.si()) {
                return wrong(
                    path,
                    format!("`{length}` is outside of {told}; is its unit right?"),
                );
            }
        }
        if let Some((path, value)) = self.less_than_nothing() {
            return wrong(path, format!("`{value}` is less than nothing"));
        }
        if let Some(distance) = self.gauges.mark.as_ref().and_then(|m| m.distance) {
            let beyond = self.line.free_length.filter(|l| l.si() <= distance.si());
            if let Some(length) = beyond {
                return wrong(
                    "gauges.mark.distance",
                    format!(
                        "`{distance}` lies beyond the free length of {length}; a mark's distance is counted from the mouth of the stopper"
                    ),
                );
            }
            if distance.si() < 0.0 {
                return wrong(
                    "gauges.mark.distance",
                    format!(
                        "`{distance}` is less than nothing; it is counted from the mouth toward the puller"
                    ),
                );
            }
        }
        for (path, force) in [
            ("line.break_load", self.line.break_load),
            ("limits.proof", self.limits.as_ref().and_then(|l| l.proof)),
            ("aboard.load", self.aboard.as_ref().map(|a| a.load)),
        ] {
            if let Some(force) = force
                && force.si() <= 0.0
            {
                return wrong(path, format!("`{force}` must be greater than zero"));
            }
        }
        if let Some(stretch) = &self.line.stretch {
            if stretch.load.len() != stretch.strain.len() {
                return wrong(
                    "line.stretch.strain",
                    format!(
                        "{} loads but {} strains; one strain belongs to each load",
                        stretch.load.len(),
                        stretch.strain.len()
                    ),
                );
            }
            if stretch.load.windows(2).any(|w| w[1].si() <= w[0].si()) {
                return wrong(
                    "line.stretch.load",
                    "loads must rise from row to row".into(),
                );
            }
        }
        if let Some(decimal) = &self.reading.decimal
            && ![".", ","].contains(&decimal.as_str())
        {
            return wrong(
                "reading.decimal",
                format!("`{decimal}` is no decimal mark; known are . and ,"),
            );
        }
        for (key, known) in [
            (
                ("separator", &self.reading.separator),
                &[",", ";", "tab", "|", "space"][..],
            ),
            (
                ("thousands", &self.reading.thousands),
                &[",", ".", "'", "space", "none"][..],
            ),
            (
                ("encoding", &self.reading.encoding),
                &["utf-8", "utf-16", "latin-1"][..],
            ),
        ] {
            if let (name, Some(value)) = key
                && !known.contains(&value.as_str())
            {
                return wrong(
                    &format!("reading.{name}"),
                    format!("`{value}` is not known here; known are {}", known.join(" ")),
                );
            }
        }
        for key in self.reading.gaps.keys() {
            if key.parse::<u64>().is_err() {
                return wrong(
                    &format!("reading.gaps.{key}"),
                    format!("`{key}` is no line number of the log"),
                );
            }
        }
        Ok(())
    }
}

impl Sheet {
    /// The first quantity that may be nothing but not less, and is: a tail that stored -2 mm would count as one that stores
    /// none.
    fn less_than_nothing(&self) -> Option<(&'static str, String)> {
        fn told<D: crate::units::Dimension>(
            path: &'static str,
            value: Option<crate::units::Quantity<D>>,
        ) -> Option<(&'static str, String)> {
            let value = value.filter(|v| v.si() < 0.0)?;
            Some((path, value.to_string()))
        }
        let limits = self.limits.as_ref();
        told("pull.pretension", self.pull.pretension)
            .or_else(|| told("pull.load_left_in_tail", self.pull.load_left_in_tail))
            .or_else(|| told("line.tail_length", self.line.tail_length))
            .or_else(|| told("line.tail_stores", self.line.tail_stores))
            .or_else(|| told("line.highest_past_load", self.line.highest_past_load))
            .or_else(|| told("stopper.rated_load", self.stopper.rated_load))
            .or_else(|| told("stopper.jaw_give", self.stopper.jaw_give))
            .or_else(|| told("limits.stopper_slip", limits.and_then(|l| l.stopper_slip)))
            .or_else(|| told("limits.cover_slip", limits.and_then(|l| l.cover_slip)))
    }
}

fn check_gauge(
    kind: GaugeKind,
    gauge: &crate::sheet::Gauge,
) -> Result<(), (Vec<String>, SheetProblem)> {
    let path = |key: &str| vec!["gauges".to_owned(), kind.name().to_owned(), key.to_owned()];
    if let Some(unit) = &gauge.unit
        && kind.unit(unit).is_none()
    {
        return Err((
            path("unit"),
            SheetProblem::WrongUnit {
                unit: unit.clone(),
                word: kind.word(),
                known: kind.known_units(),
            },
        ));
    }
    gauge
        .stated(kind)
        .map_err(|e| (path(e.key()), SheetProblem::Stated(e)))?;
    for (key, date) in [
        ("certified", &gauge.certified),
        ("valid_until", &gauge.valid_until),
    ] {
        if let Some(date) = date
            && date.parse::<jiff::civil::Date>().is_err()
        {
            return Err((
                path(key),
                SheetProblem::WrongValue {
                    message: format!("`{date}` is no date; write it as 2026-03-01"),
                },
            ));
        }
    }
    Ok(())
}

/// Why a file name in the sheet cannot be used: it must stay inside the folder, on every system alike.
fn wrong_path(name: &str) -> Option<SheetProblem> {
    let path = name.to_owned();
    let parts: Vec<_> = name.split(['/', '\\']).collect();
    if name.trim().is_empty() {
        return Some(SheetProblem::WrongValue {
            message: "the file name is empty".into(),
        });
    }
    if parts.contains(&"..") || parts[0].is_empty() || name.contains(':') {
        return Some(SheetProblem::OutsideFolder { path });
    }
    let first = parts.iter().find(|p| **p != ".")?;
    (*first == "results" && parts.len() > 1).then_some(SheetProblem::FormerResult { path })
}

fn is_date_time(text: &str) -> bool {
    text.parse::<jiff::Timestamp>().is_ok()
        || text.parse::<jiff::civil::DateTime>().is_ok()
        || text.parse::<jiff::civil::Date>().is_ok()
}

/// The reader's error with line, key and nearest key.
fn from_reader(text: &str, file_name: &str, error: &toml::de::Error) -> SheetError {
    let span = error.span();
    let line = span.as_ref().map(|s| line_of(text, s.start));
    let message = error.message().trim().replace('\n', "; ");
    let quoted: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    // The whole table is the span of a missing key; the key itself of an unknown one.
    let path = span.as_ref().and_then(|span| {
        let tree = DeTable::parse(text).ok()?;
        if message.starts_with("missing field") && *span == tree.span() {
            return Some(Vec::new());
        }
        enclosing(tree.get_ref(), span)
    });
    let table = |path: &[String]| match path {
        [] => "the sheet".to_owned(),
        path => format!("[{}]", path.join(".")),
    };
    let (key, problem) = if message.starts_with("unknown field") {
        let path = path.unwrap_or_default();
        let key = quoted.first().copied().unwrap_or_default().to_owned();
        let parent = path
            .split_last()
            .map(|(_, parent)| parent.to_vec())
            .unwrap_or_default();
        let known: Vec<String> = quoted.iter().skip(1).map(|k| (*k).to_owned()).collect();
        let problem = SheetProblem::UnknownKey {
            nearest: nearest(&key, known.iter().map(String::as_str)).map(str::to_owned),
            table: table(&parent),
            key,
            known,
        };
        (Some(path), problem)
    } else if message.starts_with("missing field") {
        let path = path.unwrap_or_default();
        let problem = SheetProblem::MissingKey {
            key: quoted.first().copied().unwrap_or_default().to_owned(),
            table: table(&path),
        };
        (None, problem)
    } else if let Some(path) = path {
        (Some(path), SheetProblem::WrongValue { message })
    } else {
        let written = line.and_then(|line| text.lines().nth(line - 1));
        let written = written.unwrap_or_default().trim().chars();
        let written = written.filter(|c| !c.is_control()).take(60).collect();
        (None, SheetProblem::Syntax { written, message })
    };
    SheetError {
        file: file_name.into(),
        line,
        key: key.filter(|k| !k.is_empty()).map(|k| k.join(".")),
        problem,
    }
}

/// The known word most like `wanted`.
pub(crate) fn nearest<'a>(wanted: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let wanted = wanted.to_lowercase();
    let likeness = |k: &str| strsim::normalized_damerau_levenshtein(&wanted, &k.to_lowercase());
    known.fold(None, |best: Option<&str>, k| match best {
        Some(b) if likeness(b) >= likeness(k) => best,
        _ => Some(k),
    })
}

/// Line of a byte offset, counted from 1.
fn line_of(text: &str, at: usize) -> usize {
    let at = at.min(text.len());
    text.as_bytes()[..at]
        .iter()
        .filter(|b| **b == b'\n')
        .count()
        + 1
}

/// Where the key at `path` stands; the deepest part of the path that exists, if not all of it does.
fn find(table: &DeTable<'_>, path: &[String]) -> Option<Range<usize>> {
    let (first, rest) = path.split_first()?;
    let (key, value) = table.iter().find(|(k, _)| k.get_ref() == first)?;
    let deeper = match value.get_ref() {
        DeValue::Table(inner) => find(inner, rest),
        _ => None,
    };
    deeper.or(Some(key.span()))
}

/// The path of the innermost key whose own place or whose value contains `span`.
fn enclosing(table: &DeTable<'_>, span: &Range<usize>) -> Option<Vec<String>> {
    let within = |outer: Range<usize>| outer.start <= span.start && span.end <= outer.end;
    for (key, value) in table {
        let name = || key.get_ref().to_string();
        if within(key.span()) {
            return Some(vec![name()]);
        }
        if let Some(inner) = enclosing_value(value, span) {
            return Some(std::iter::once(name()).chain(inner).collect());
        }
        if within(value.span()) {
            return Some(vec![name()]);
        }
    }
    None
}

fn enclosing_value(value: &Spanned<DeValue<'_>>, span: &Range<usize>) -> Option<Vec<String>> {
    match value.get_ref() {
        DeValue::Table(inner) => enclosing(inner, span),
        DeValue::Array(items) => items.iter().find_map(|item| enclosing_value(item, span)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEAST: &str = "[pull]\nlog = \"log.csv\"\n[gauges.load]\ncolumn = \"Load\"\n";

    fn error(text: &str) -> (String, Option<String>) {
        let error = Sheet::parse(text, "sheet.toml").unwrap_err();
        (error.to_string(), error.hint())
    }

    #[test]
    fn the_least_sheet_is_read() {
        let sheet = Sheet::parse(LEAST, "sheet.toml").unwrap();
        assert_eq!(sheet.gauges.load.column, "Load");
        assert!(Sheet::parse(&format!("\u{feff}{LEAST}"), "sheet.toml").is_ok());
    }

    #[test]
    fn less_than_nothing_is_no_quantity_of_a_sheet() {
        for (table, key, value) in [
            ("line", "tail_stores", "-2 mm"),
            ("line", "tail_length", "-0.5 m"),
            ("line", "highest_past_load", "-1 kN"),
            ("stopper", "jaw_give", "-1 mm"),
            ("stopper", "rated_load", "-4 kN"),
            ("limits", "cover_slip", "-5 mm"),
            ("limits", "stopper_slip", "-5 mm"),
        ] {
            let (line, _) = error(&format!("{LEAST}[{table}]\n{key} = \"{value}\"\n"));
            let told =
                format!("sheet.toml, line 6, key {table}.{key}: `{value}` is less than nothing");
            assert_eq!(line, told);
            let nothing = value.replace(|c: char| c == '-' || c.is_ascii_digit() || c == '.', "");
            let text = format!("{LEAST}[{table}]\n{key} = \"0{nothing}\"\n");
            assert!(Sheet::parse(&text, "sheet.toml").is_ok(), "{text}");
        }
        for key in ["pretension", "load_left_in_tail"] {
            let text = LEAST.replacen('\n', &format!("\n{key} = \"-1 kN\"\n"), 1);
            assert!(error(&text).0.ends_with("is less than nothing"), "{key}");
        }
    }

    #[test]
    fn an_unknown_key_names_the_nearest() {
        let (line, hint) = error(&format!("{LEAST}[limits]\nprof = \"3 kN\"\n"));
        assert_eq!(
            line,
            "sheet.toml, line 6, key limits.prof: `prof` is not a key of [limits]; the nearest is `proof`"
        );
        assert!(hint.unwrap().contains("stopper_slip"));
        let (line, _) = error("[pul]\nlog = \"log.csv\"\n");
        assert_eq!(
            line,
            "sheet.toml, line 1, key pul: `pul` is not a key of the sheet; the nearest is `pull`"
        );
        let (line, _) = error(&format!("{LEAST}colum = \"x\"\n"));
        assert_eq!(
            line,
            "sheet.toml, line 5, key gauges.load.colum: `colum` is not a key of [gauges.load]; the nearest is `column`"
        );
    }

    #[test]
    fn a_missing_key_names_its_table() {
        let (line, _) = error("[pull]\nid = \"1\"\n[gauges.load]\ncolumn = \"Load\"\n");
        assert_eq!(line, "sheet.toml, line 1: `log` is missing from [pull]");
        let (line, hint) = error("[pull]\nlog = \"log.csv\"\n");
        assert_eq!(
            line,
            "sheet.toml, line 1: `gauges` is missing from the sheet"
        );
        assert!(hint.unwrap().contains("[gauges.load]"));
    }

    #[test]
    fn quantities_of_the_wrong_kind_name_line_and_key() {
        let (line, _) = error(&format!("{LEAST}[limits]\nproof = \"3 mm\"\n"));
        assert_eq!(
            line,
            "sheet.toml, line 6, key limits.proof: `mm` in `3 mm` is no unit of force; known are kN, N, daN, MN, kgf, tf, lbf, kip"
        );
        let (line, _) = error(&format!("{LEAST}[limits]\nproof = 3\n"));
        assert_eq!(
            line,
            "sheet.toml, line 6, key limits.proof: invalid type: integer `3`, expected a force with its unit, in quotes, such as \"1.5 kN\""
        );
        let (line, _) = error(&format!("{LEAST}unit = \"mm\"\n"));
        assert_eq!(
            line,
            "sheet.toml, line 5, key gauges.load.unit: `mm` is no unit of force; known are kN, N, daN, MN, kgf, tf, lbf, kip"
        );
        let (line, hint) = error(&format!("{LEAST}accuracy = \"0.1 % of full scale\"\n"));
        assert!(line.starts_with(
            "sheet.toml, line 5, key gauges.load.accuracy: `0.1 % of full scale` needs"
        ));
        assert!(hint.unwrap().contains("capacity"));
        let (line, _) = error(&format!(
            "{LEAST}[[chain]]\npart = \"shackle\"\nworking_load = \"2 m\"\n"
        ));
        assert!(
            line.starts_with("sheet.toml, line 7, key chain.working_load: `m` in `2 m`"),
            "{line}"
        );
    }

    #[test]
    fn files_stay_inside_the_folder() {
        for log in [
            "../log.csv",
            "/etc/passwd",
            "a/../../b.csv",
            "..\\\\log.csv",
            "C:\\\\log.csv",
        ] {
            let (line, _) = error(&LEAST.replace("log.csv", log));
            assert!(line.contains("leads out of the folder"), "{line}");
            assert!(
                line.starts_with("sheet.toml, line 2, key pull.log"),
                "{line}"
            );
        }
        let (line, _) = error(&LEAST.replace("log.csv", "results/traces.csv"));
        assert!(line.contains("never read as input"), "{line}");
        assert!(Sheet::parse(&LEAST.replace("log.csv", "raw/log.csv"), "sheet.toml").is_ok());
    }

    #[test]
    fn broken_toml_shows_the_line_and_what_it_lacks() {
        let (line, hint) = error("[pull\nlog = \"log.csv\"\n");
        assert!(
            line.starts_with("sheet.toml, line 1: `[pull` cannot be read"),
            "{line}"
        );
        assert!(hint.unwrap().contains("square brackets"));
        let (line, hint) = error(&format!("{LEAST}[line]\nbedded = no\n"));
        assert!(
            line.starts_with("sheet.toml, line 6: `bedded = no` cannot"),
            "{line}"
        );
        assert!(hint.unwrap().contains("true and false"));
        let (_, hint) = error(&format!("{LEAST}[line]\nbedded = \"no\"\n"));
        assert!(hint.unwrap().contains("without quotes"));
        let (_, hint) = error(&LEAST.replace("log.csv", "C:\\logs\\log.csv"));
        assert!(hint.unwrap().contains("named without a path"));
        let (_, hint) = error(&format!("{LEAST}sign = -1\n"));
        assert!(hint.unwrap().contains("sign = \"-\""));
        let (line, _) = error(&format!("{LEAST}[line]\ndiameter = \"9,5 mm\"\n"));
        assert!(
            line.contains("`9,5 mm` has a comma: decimals take a point"),
            "{line}"
        );
    }

    /// A date is a date with quotes and without.
    #[test]
    fn dates_need_no_quotes() {
        let dated = "[pull]\nlog = \"log.csv\"\nwhen = 2026-05-14T09:30:00+02:00\n[gauges.load]\ncolumn = \"Load\"\ncertified = 2026-03-01\n";
        let sheet = Sheet::parse(dated, "sheet.toml").unwrap();
        assert_eq!(
            sheet.pull.when.as_deref(),
            Some("2026-05-14T09:30:00+02:00")
        );
        assert_eq!(sheet.gauges.load.certified.as_deref(), Some("2026-03-01"));
        let (line, _) = error(&dated.replace("2026-03-01", "20260301"));
        assert!(
            line.contains("line 6, key gauges.load.certified: ") && line.contains("a date"),
            "{line}"
        );
    }

    #[test]
    fn a_length_of_the_wrong_unit_is_refused() {
        for (table, key, value) in [
            ("line", "free_length", "3300 m"),
            ("line", "free_length", "3.3 mm"),
            ("line", "diameter", "10 m"),
            ("line", "diameter_measured", "0.01 mm"),
        ] {
            let (line, _) = error(&format!("{LEAST}[{table}]\n{key} = \"{value}\"\n"));
            assert!(
                line.contains("line 6") && line.ends_with("is its unit right?"),
                "{line}"
            );
        }
        let (line, _) = error(&format!(
            "{LEAST}[aboard]\nload = \"1 kN\"\nlength = \"16000 m\"\n"
        ));
        assert!(
            line.contains("aboard.length: `16000 m` is outside"),
            "{line}"
        );
    }

    #[test]
    fn dates_and_sizes_are_checked() {
        let (line, _) = error(&LEAST.replace("[gauges", "when = \"yesterday\"\n[gauges"));
        assert!(
            line.starts_with("sheet.toml, line 3, key pull.when: `yesterday` is no date"),
            "{line}"
        );
        let (line, _) = error(&format!("{LEAST}certified = \"1.3.2026\"\n"));
        assert!(line.contains("`1.3.2026` is no date"), "{line}");
        let (line, _) = error(&format!("{LEAST}[line]\nfree_length = \"0 m\"\n"));
        assert!(line.contains("must be greater than zero"), "{line}");
        let mark = |distance: &str| {
            let length = "[line]\nfree_length = \"3 m\"\n";
            error(&format!(
                "{LEAST}[gauges.mark]\ncolumn = \"m\"\ndistance = \"{distance}\"\n{length}"
            ))
            .0
        };
        assert!(
            mark("3 m").contains("beyond the free length of 3 m"),
            "{}",
            mark("3 m")
        );
        assert!(
            mark("-1 mm").contains("less than nothing"),
            "{}",
            mark("-1 mm")
        );
    }

    proptest::proptest! {
        /// Whatever the text, it is a sheet or an error with a place: nothing panics.
        #[test]
        fn any_text_is_read_or_refused(
            text in "[a-z\\[\\].=\"# \n0-9,{}µ]{0,80}",
            value in "[0-9a-zA-Z% +./±µ°-]{0,20}",
        ) {
            let _ = Sheet::parse(&text, "sheet.toml");
            for key in ["accuracy", "capacity", "unit", "certified", "colum"] {
                let sheet = format!("{LEAST}{key} = \"{value}\"\n");
                if let Err(error) = Sheet::parse(&sheet, "sheet.toml") {
                    proptest::prop_assert_eq!(error.line, Some(5));
                }
            }
        }
    }
}
