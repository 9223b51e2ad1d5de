//! Why a log or a marks file cannot be read: data and place.

/// Why a log or a marks file cannot be read. Lines are counted from 1.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    /// The bytes could not be read.
    #[error("{file}: cannot be read")]
    Io {
        file: String,
        source: std::io::Error,
    },
    /// No bytes.
    #[error("{file}: the file is empty")]
    Empty { file: String },
    /// A header, and no row.
    #[error("{file}, line {header_line}: no row of numbers follows the header")]
    NoRows { file: String, header_line: usize },
    /// No table of numbers.
    #[error("{file}: no table of numbers in the first {lines} lines")]
    NoTable { file: String, lines: usize },
    /// A line without end.
    #[error("{file}, line {line}: the line is longer than {most} bytes")]
    LongLine {
        file: String,
        line: u64,
        most: usize,
    },
    /// An archive, a workbook, a document.
    #[error("{file}: this is {kind}, no text")]
    NoText { file: String, kind: &'static str },
    /// Bytes that no text has.
    #[error("{file}, line {line}: a NUL byte; this is no text file")]
    Nul { file: String, line: u64 },
    /// One text, two readings.
    #[error(
        "{file}, line {line}, column {column}: `{text}` can be read as {first} or as {second}, and nothing in the file decides"
    )]
    Ambiguous {
        file: String,
        line: usize,
        column: String,
        text: String,
        first: String,
        second: String,
        /// What decides it.
        decide: String,
    },
    /// Both `.` and `,` as decimal marks.
    #[error(
        "{file}, line {line}, column {column}: `{text}` has another decimal mark than `{other}` in line {other_line}"
    )]
    MixedDecimals {
        file: String,
        line: usize,
        column: String,
        text: String,
        other: String,
        other_line: usize,
    },
    /// A forced reading that the file does not bear.
    #[error("{file}: [reading] {key} = {value} does not fit: {why}")]
    ForcedReading {
        file: String,
        key: &'static str,
        value: String,
        why: String,
    },
    /// A column that the sheet names and the file has not.
    #[error("{file}, line {line}: there is no column `{column}` for the {gauge} gauge{}", nearest.as_ref().map(|n| format!("; the nearest is `{n}`")).unwrap_or_default())]
    MissingColumn {
        file: String,
        line: usize,
        column: String,
        gauge: String,
        nearest: Option<String>,
        known: Vec<String>,
    },
    /// A name that two columns bear.
    #[error("{file}, line {line}: the column name `{column}` stands {times} times in the header")]
    TwoColumns {
        file: String,
        line: usize,
        column: String,
        times: usize,
    },
    /// One column for two gauges of the sheet.
    #[error(
        "{file}, line {line}: the column `{column}` is that of the {first} gauge and of the {second} gauge"
    )]
    TwoGauges {
        file: String,
        line: usize,
        column: String,
        first: &'static str,
        second: &'static str,
    },
    /// Neither header nor sheet says the unit.
    #[error(
        "{file}, line {line}, column {column}: no unit for the {gauge} gauge, neither in the header nor in the sheet"
    )]
    NoUnit {
        file: String,
        line: usize,
        column: String,
        gauge: &'static str,
        word: &'static str,
        known: String,
    },
    /// The header says a unit of something else.
    #[error(
        "{file}, line {line}, column {column}: `{unit}` is no unit of {word}, which the {gauge} gauge measures"
    )]
    WrongUnit {
        file: String,
        line: usize,
        column: String,
        unit: String,
        gauge: &'static str,
        word: &'static str,
        known: String,
    },
    /// Too many cells that are no numbers.
    #[error(
        "{file}, line {line}, column {column}: `{text}` is no number; {count} of {rows} rows cannot be read, {allowed} may be"
    )]
    Unreadable {
        file: String,
        line: u64,
        column: String,
        text: String,
        count: u64,
        rows: u64,
        allowed: u64,
    },
    /// A column without any number.
    #[error("{file}, column {column}: not one number for the {gauge} gauge in {rows} rows")]
    NoNumbers {
        file: String,
        column: String,
        gauge: &'static str,
        rows: u64,
    },
    /// Time that runs backwards.
    #[error(
        "{file}, line {line}, column {column}: time runs backwards, from {earlier} s in line {earlier_line} to {time} s"
    )]
    BackInTime {
        file: String,
        line: u64,
        column: String,
        time: f64,
        earlier: f64,
        earlier_line: u64,
    },
    /// Two different rows of one time.
    #[error(
        "{file}, line {line}, column {column}: the same time ({time} s) as line {earlier_line}, with other values"
    )]
    SameTime {
        file: String,
        line: u64,
        column: String,
        time: f64,
        earlier_line: u64,
    },
    /// A restart whose gap nobody knows.
    #[error(
        "{file}, line {line}: the logger restarted here (the header is repeated and its clock began anew), and the gap is not known"
    )]
    UnknownGap { file: String, line: u64 },
    /// A gap in the sheet for a line that has none.
    #[error("{file}: the sheet states a gap at line {line}, which the file does not have")]
    GapNotUsed { file: String, line: u64 },
    /// Restart upon restart.
    #[error("{file}, line {line}: more than {most} restarts; this is no record of one pull")]
    TooManyRestarts {
        file: String,
        line: u64,
        most: usize,
    },
    /// Two logs without a common event.
    #[error(
        "{file}, column {column}: has no event in common with the {gauge} gauge of the first log that puts both on one clock: {why}"
    )]
    NoCommonEvent {
        file: String,
        column: String,
        gauge: &'static str,
        why: String,
    },
    /// Whoever took the rows wanted no more.
    #[error("{file}: the rows were not all taken")]
    Stopped { file: String },
    /// A marks file as long as a log.
    #[error(
        "{file}, line {line}: a marks file holds at most {most} readings by hand; this is a log"
    )]
    TooManyReadings {
        file: String,
        line: u64,
        most: usize,
    },
    /// Marks without time.
    #[error("{file}, line {line}: no time column; every reading needs its time on the log's clock")]
    MarksWithoutTime { file: String, line: usize },
    /// Marks on another clock.
    #[error("{file}: the time is written as {marks} but that of the log as {log}")]
    MarksOnAnotherClock {
        file: String,
        marks: &'static str,
        log: &'static str,
    },
}

impl IngestError {
    /// A thing that the user can do.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        let text = match self {
            Self::Io { .. } | Self::Stopped { .. } => return None,
            Self::NoRows { .. } => {
                "if rows do stand there, see whether their decimal mark and separator are those of [reading] in the sheet, if it forces them; else export the log again".into()
            }
            Self::Empty { .. } => {
                "export the log again from the logger; the sheet names the file under [pull] log".into()
            }
            Self::NoTable { .. } => {
                "the log must be a text table (CSV); state [reading] header_line and separator in the sheet if it is one".into()
            }
            Self::LongLine { .. } => "check that the file is a text table with one row per line".into(),
            Self::NoText { .. } => {
                "export the log as text (CSV); a text packed with gzip (.csv.gz) is read as it is".into()
            }
            Self::Nul { .. } => {
                "export the log as text (CSV); a damaged file must be read anew from the logger".into()
            }
            Self::Ambiguous { decide, .. } => decide.clone(),
            Self::MixedDecimals { .. } => {
                "export the log with one decimal mark, or state [reading] decimal and thousands in the sheet".into()
            }
            Self::ForcedReading { key, .. } => {
                format!("remove {key} from [reading] to have it found in the file, or correct it")
            }
            Self::MissingColumn { known, .. } => {
                format!("columns of the file: {}", list(known))
            }
            Self::TwoColumns { .. } => {
                "rename one of them in the log's header, or delete the header and name columns by number, such as column = \"2\"".into()
            }
            Self::TwoGauges { first, second, .. } => format!(
                "each gauge has a column of its own: correct column under [gauges.{first}] or [gauges.{second}], or remove one of them"
            ),
            Self::NoUnit { gauge, known, .. } => {
                format!("add unit = \"…\" under [gauges.{gauge}], one of {known}")
            }
            Self::WrongUnit { gauge, known, .. } => {
                format!("name another column under [gauges.{gauge}], or state unit there, one of {known}")
            }
            Self::Unreadable { count, rows, .. } if count == rows => format!(
                "not one row can be read so: check that the header has as many cells as the rows, and the separator, the decimal \
                 mark and the form of the cells; times may be {}",
                super::clock::FORMS
            ),
            Self::Unreadable { .. } => {
                "correct these cells, or allow a share of them: [reading] unreadable = \"5 %\"".into()
            }
            Self::NoNumbers { gauge, .. } => {
                format!("name another column under [gauges.{gauge}], or remove the gauge from the sheet")
            }
            Self::BackInTime { line, .. } => format!(
                "if the logger was restarted or its clock set here, state the gap in the sheet: [reading.gaps] \"{line}\" = \"5 s\"; \
                 if the file runs from the last row to the first, or one time is garbled, correct it in a copy of the log"
            ),
            Self::SameTime { .. } => {
                "if the clock is coarser than the rows, state rate = \"10 Hz\" (the true one) under [gauges.time]; the rows are then counted".into()
            }
            Self::UnknownGap { line, .. } => {
                format!("state the seconds between the rows in the sheet: [reading.gaps] \"{line}\" = \"5 s\"")
            }
            Self::GapNotUsed { line, .. } => format!("remove \"{line}\" from [reading.gaps], or correct the line number"),
            Self::TooManyRestarts { .. } => "cut the log to the pull that the sheet describes".into(),
            Self::NoCommonEvent { .. } => {
                "name under [second_log] a column that follows a gauge of the first log throughout, such as the load fed to both loggers".into()
            }
            Self::TooManyReadings { .. } => {
                "name it in the sheet under [pull] log, or under [second_log] beside another".into()
            }
            Self::MarksWithoutTime { .. } => {
                "begin the marks file with a header such as time_s,mark_mm".into()
            }
            Self::MarksOnAnotherClock { log, .. } => format!("write the times of the readings as {log}, as the log does"),
        };
        Some(text)
    }
}

/// Names for a message; not more than twenty.
fn list(names: &[String]) -> String {
    let mut text = names
        .iter()
        .take(20)
        .map(|n| format!("`{n}`"))
        .collect::<Vec<_>>()
        .join(", ");
    if names.len() > 20 {
        text += &format!(" and {} more", names.len() - 20);
    }
    text
}

/// A text from a file for a message: one line, at most forty characters.
pub(super) fn shorten(bytes: &[u8]) -> String {
    let text = super::source::to_text(bytes);
    let clean: String = text
        .trim()
        .chars()
        .map(|c| if c.is_control() { '\u{fffd}' } else { c })
        .take(41)
        .collect();
    if clean.chars().count() > 40 {
        clean.chars().take(39).chain(std::iter::once('…')).collect()
    } else {
        clean
    }
}
