//! The dialect of a log, found in its first 64 KiB: separator, decimal mark, thousands mark, header, unit row.
//!
//! Method: the separator is the one that cuts most lines into the same number of cells that look like numbers, times or
//! words of loggers. The header is the line that bears the names the sheet asks for, else the text line above the
//! longest run of such rows. The decimal mark follows from cells that can be read in one way only; where every cell can
//! be read in two ways (1.234 or 1,234), nothing is guessed: that is an error that names both readings.

use super::cell::{Look, Marks, look};
use super::columns::{ColumnName, column_name, is_unit};
use super::error::{IngestError, shorten};
use super::source::to_text;
use crate::sheet::Reading;

/// Most metadata lines that are kept.
pub(super) const METADATA_MAX: usize = 50;

/// How cells are separated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Separator {
    /// One byte.
    Byte(u8),
    /// Any run of blanks.
    Blanks,
}

impl Separator {
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Byte(b'\t') => "tab",
            Self::Byte(b';') => ";",
            Self::Byte(b'|') => "|",
            Self::Byte(_) => ",",
            Self::Blanks => "space",
        }
    }

    fn from_word(word: &str) -> Self {
        match word {
            "tab" => Self::Byte(b'\t'),
            ";" => Self::Byte(b';'),
            "|" => Self::Byte(b'|'),
            "space" => Self::Blanks,
            _ => Self::Byte(b','),
        }
    }
}

/// The dialect.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Dialect {
    pub separator: Separator,
    pub marks: Marks,
    /// Line of the header, counted from 1; 0 without one.
    pub header_line: usize,
    /// The header's cells, to know it again after a restart.
    pub header: Vec<String>,
    /// The unit row's cells, if there is one.
    pub unit_row: Option<Vec<String>>,
    pub names: Vec<ColumnName>,
    pub metadata: Vec<String>,
    /// Lines before the first row.
    pub lines_before: u64,
    /// The first rows' cells.
    pub sample: Vec<Vec<Vec<u8>>>,
}

/// Cuts a line into cells. A quoted cell may hold the separator.
pub(super) fn split(line: &[u8], separator: Separator) -> Vec<Vec<u8>> {
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    match separator {
        Separator::Blanks => line
            .split(|b| b.is_ascii_whitespace())
            .filter(|c| !c.is_empty())
            .map(<[u8]>::to_vec)
            .collect(),
        Separator::Byte(byte) if line.contains(&b'"') => {
            let mut reader = csv::ReaderBuilder::new()
                .delimiter(byte)
                .has_headers(false)
                .flexible(true)
                .from_reader(line);
            let mut record = csv::ByteRecord::new();
            match reader.read_byte_record(&mut record) {
                Ok(true) => record.iter().map(|c| c.trim_ascii().to_vec()).collect(),
                _ => Vec::new(),
            }
        }
        Separator::Byte(byte) => line
            .split(|b| *b == byte)
            .map(|c| c.trim_ascii().to_vec())
            .collect(),
    }
}

struct Line {
    /// Counted from 1.
    number: usize,
    cells: Vec<Vec<u8>>,
}

impl Line {
    /// Cells up to the last that is not empty.
    fn width(&self) -> usize {
        self.cells
            .iter()
            .rposition(|c| !c.is_empty())
            .map_or(0, |at| at + 1)
    }

    fn looks(&self) -> impl Iterator<Item = Look> {
        self.cells.iter().map(|c| look(c))
    }

    /// A row of numbers: at least one number or time, and not more text than that.
    fn is_row(&self) -> bool {
        let (mut good, mut text) = (0, 0);
        let mut numbers = 0;
        for l in self.looks() {
            match l {
                Look::Text => text += 1,
                Look::Empty => {}
                Look::Word => good += 1,
                _ => {
                    good += 1;
                    numbers += 1;
                }
            }
        }
        numbers > 0 && good >= text
    }

    /// Text in every cell that is not empty.
    fn is_text(&self) -> bool {
        self.width() > 0 && self.looks().all(|l| matches!(l, Look::Text | Look::Empty))
    }

    fn texts(&self) -> Vec<String> {
        self.cells
            .iter()
            .map(|c| to_text(super::cell::unquoted(c)).trim().to_owned())
            .collect()
    }
}

/// Finds the dialect. `gauges` are the column names that the sheet asks for.
///
/// # Errors
/// No table, an ambiguous decimal mark, or a forced reading that the file does not bear.
pub(super) fn find(
    head: &[u8],
    file: &str,
    reading: &Reading,
    gauges: &[&str],
) -> Result<Dialect, IngestError> {
    let raw: Vec<&[u8]> = head.split(|b| *b == b'\n').collect();
    let separator = match &reading.separator {
        Some(word) => Separator::from_word(word),
        None => find_separator(&raw),
    };
    let lines: Vec<Line> = raw
        .iter()
        .enumerate()
        .filter(|(_, l)| !l.trim_ascii().is_empty())
        .map(|(i, l)| Line {
            number: i + 1,
            cells: split(l, separator),
        })
        .collect();
    let no_table = || IngestError::NoTable {
        file: file.into(),
        lines: raw.len(),
    };
    let (header, first_row) = find_header(&lines, file, reading, gauges)?.ok_or_else(no_table)?;
    let rows: Vec<&Line> = lines[first_row..]
        .iter()
        .filter(|l| l.is_row())
        .take(2000)
        .collect();
    if rows.is_empty() {
        return match header {
            Some(h) if gauges.is_empty() || first_row >= lines.len() => Err(IngestError::NoRows {
                file: file.into(),
                header_line: lines[h].number,
            }),
            _ => Err(no_table()),
        };
    }
    let width = rows.iter().take(100).map(|r| r.width()).max().unwrap_or(0);
    let mut header_cells: Vec<String> = header
        .map(|h| header_texts(&lines[h], raw[lines[h].number - 1], separator, width))
        .unwrap_or_default();
    let unit_row = header
        .and_then(|h| lines.get(h + 1))
        .filter(|l| l.number < lines[first_row].number && is_unit_row(l))
        .map(Line::texts);
    if header.is_none() {
        header_cells = (1..=width).map(|i| i.to_string()).collect();
    }
    let names = header_cells
        .iter()
        .enumerate()
        .map(|(i, raw)| {
            let mut name = column_name(raw);
            if let Some(unit) = unit_row
                .as_ref()
                .and_then(|u| u.get(i))
                .filter(|u| !u.is_empty())
            {
                name.bare = name.raw.clone();
                name.other = name.unit.take();
                name.unit = Some(unit.trim_matches(['[', ']', '(', ')']).trim().to_owned());
            }
            name
        })
        .collect();
    if header.is_some() && separator == Separator::Byte(b',') {
        refuse_double_commas(&rows, &header_cells, file)?;
    }
    let marks = find_marks(&rows, &header_cells, file, reading)?;
    let before = header.map_or(first_row, |h| h);
    let metadata = lines[..before]
        .iter()
        .take(METADATA_MAX)
        .map(|l| shorten_line(raw[l.number - 1]))
        .collect();
    Ok(Dialect {
        separator,
        marks,
        header_line: header.map_or(0, |h| lines[h].number),
        header: if header.is_some() {
            header_cells
        } else {
            Vec::new()
        },
        unit_row,
        names,
        metadata,
        lines_before: (lines[first_row].number - 1) as u64,
        sample: rows.iter().take(50).map(|r| r.cells.clone()).collect(),
    })
}

/// Twice as many cells as columns, all whole numbers: the comma separates and is the decimal mark as well.
fn refuse_double_commas(rows: &[&Line], header: &[String], file: &str) -> Result<(), IngestError> {
    let is_double = |row: &Line| {
        row.width() == 2 * header.len() && row.looks().all(|l| matches!(l, Look::Whole))
    };
    let all = rows.iter().all(|row| is_double(row));
    let Some(first) = rows.first().filter(|_| all) else {
        return Ok(());
    };
    let pair = [to_text(&first.cells[0]), to_text(&first.cells[1])];
    Err(IngestError::Ambiguous {
        file: file.into(),
        line: first.number,
        column: header[0].clone(),
        text: pair.join(","),
        first: pair.join("."),
        second: format!("two cells, {}", pair.join(" and ")),
        decide: "export the log with another separator (; or tab) or with decimal points".into(),
    })
}

/// A metadata line as kept: at most 200 characters.
pub(super) fn shorten_line(line: &[u8]) -> String {
    to_text(line).trim().chars().take(200).collect()
}

/// The separator that cuts most lines into equal numbers of cells that all look like those of a logger.
fn find_separator(raw: &[&[u8]]) -> Separator {
    let mut best = (0.0, Separator::Byte(b','));
    for separator in [
        Separator::Byte(b'\t'),
        Separator::Byte(b';'),
        Separator::Byte(b','),
        Separator::Byte(b'|'),
        Separator::Blanks,
    ] {
        let mut widths = std::collections::BTreeMap::<usize, f64>::new();
        for line in raw
            .iter()
            .rev()
            .take(400)
            .filter(|l| !l.trim_ascii().is_empty())
        {
            let line = Line {
                number: 0,
                cells: split(line, separator),
            };
            let width = line.width();
            let good = line
                .looks()
                .take(width)
                .filter(|l| *l != Look::Text)
                .count();
            #[expect(clippy::cast_precision_loss, reason = "numbers of cells in a line")]
            let share = good as f64 / width.max(1) as f64;
            // One column is a table only where nothing else is.
            *widths.entry(width).or_default() += if width > 1 {
                share * share
            } else {
                0.01 * share
            };
        }
        let score = widths.values().copied().fold(0.0, f64::max);
        if score > best.0 {
            best = (score, separator);
        }
    }
    best.1
}

/// Index of the header among `lines` (if there is one) and of the first row.
type Found = (Option<usize>, usize);

fn find_header(
    lines: &[Line],
    file: &str,
    reading: &Reading,
    gauges: &[&str],
) -> Result<Option<Found>, IngestError> {
    let after = |h: usize| {
        let next = h + 1;
        // A row of units may follow.
        if lines.get(next).is_some_and(is_unit_row) {
            next + 1
        } else {
            next
        }
    };
    if let Some(number) = reading.header_line {
        let Some(h) = lines.iter().position(|l| l.number == number) else {
            return Err(IngestError::ForcedReading {
                file: file.into(),
                key: "header_line",
                value: number.to_string(),
                why: "no such line, or an empty one, at the beginning of the file".into(),
            });
        };
        return Ok(Some((Some(h), after(h).min(lines.len()))));
    }
    // The line that bears the most names the sheet asks for.
    let bears = |line: &Line| {
        let names: Vec<ColumnName> = line.texts().iter().map(|t| column_name(t)).collect();
        gauges
            .iter()
            .filter(|g| {
                let lower = g.trim().to_lowercase();
                names
                    .iter()
                    .any(|n| n.raw.to_lowercase() == lower || n.bare.to_lowercase() == lower)
            })
            .count()
    };
    let most = lines
        .iter()
        .enumerate()
        .filter(|(_, l)| !l.is_row())
        .map(|(i, l)| (bears(l), std::cmp::Reverse(i)))
        .max();
    if let Some((count, std::cmp::Reverse(h))) = most
        && count > 0
        && after(h) < lines.len()
    {
        return Ok(Some((Some(h), after(h))));
    }
    // The longest run of rows of one width.
    let mut best: Option<(usize, usize)> = None;
    let mut start = 0;
    while start < lines.len() {
        if !lines[start].is_row() {
            start += 1;
            continue;
        }
        let mut end = start + 1;
        while end < lines.len()
            && lines[end].is_row()
            && lines[end].width().abs_diff(lines[start].width()) <= 1
        {
            end += 1;
        }
        if best.is_none_or(|(_, length)| end - start > length) {
            best = Some((start, end - start));
        }
        start = end;
    }
    let Some((row, _)) = best else {
        let header = lines.iter().rposition(|l| l.is_text() && l.width() > 1);
        return Ok(header.map(|header| (Some(header), lines.len())));
    };
    let mut above = row;
    if above > 0 && is_unit_row(&lines[above - 1]) && above > 1 && lines[above - 2].is_text() {
        above -= 1;
    }
    if above > 0
        && lines[above - 1].is_text()
        && lines[above - 1].width() >= lines[row].width().min(2)
    {
        let h = above - 1;
        let texts = lines[h].texts();
        // After a restart the header stands again: the first one counts.
        let first = lines[..h]
            .iter()
            .position(|l| l.texts() == texts)
            .unwrap_or(h);
        return Ok(Some((Some(first), after(first))));
    }
    Ok(Some((None, row)))
}

/// Every cell that is not empty is a unit, with or without brackets, and at least one is.
fn is_unit_row(line: &Line) -> bool {
    let texts = line.texts();
    let filled: Vec<&String> = texts.iter().filter(|t| !t.is_empty()).collect();
    !filled.is_empty()
        && filled
            .iter()
            .all(|t| is_unit(t.trim_matches(['[', ']', '(', ')'])))
}

/// Header cells; a header between blanks whose names hold blanks is cut at wider gaps, or at its brackets.
fn header_texts(line: &Line, raw: &[u8], separator: Separator, width: usize) -> Vec<String> {
    let texts = line.texts();
    if separator != Separator::Blanks || texts.len() == width {
        return texts;
    }
    let text = to_text(raw);
    let wide: Vec<String> = text
        .trim()
        .split("  ")
        .map(str::trim)
        .filter(|t| !t.is_empty())
        .map(str::to_owned)
        .collect();
    if wide.len() == width {
        return wide;
    }
    let mut joined: Vec<String> = Vec::new();
    for cell in &texts {
        match joined.last_mut() {
            Some(last) if cell.starts_with(['[', '(']) => *last = format!("{last} {cell}"),
            _ => joined.push(cell.clone()),
        }
    }
    if joined.len() == width { joined } else { texts }
}

/// Where a cell was seen.
#[derive(Clone)]
struct Seen {
    line: usize,
    column: usize,
    text: String,
}

fn find_marks(
    rows: &[&Line],
    header: &[String],
    file: &str,
    reading: &Reading,
) -> Result<Marks, IngestError> {
    let mut decimal: [Option<Seen>; 2] = [None, None];
    let mut either: [Option<Seen>; 2] = [None, None];
    let mut thousands: Option<u8> = None;
    let index = |mark: u8| usize::from(mark == b',');
    for row in rows {
        for (column, cell) in row.cells.iter().enumerate() {
            let seen = || Seen {
                line: row.number,
                column,
                text: shorten(cell),
            };
            match look(cell) {
                Look::Decimal { mark } => {
                    decimal[index(mark)].get_or_insert_with(seen);
                }
                Look::Both {
                    thousands: t,
                    decimal: d,
                } => {
                    decimal[index(d)].get_or_insert_with(seen);
                    thousands.get_or_insert(t);
                }
                Look::Grouped { mark } => {
                    thousands.get_or_insert(mark);
                }
                Look::Either { mark } => {
                    either[index(mark)].get_or_insert_with(seen);
                }
                _ => {}
            }
        }
    }
    let name = |s: &Seen| {
        header
            .get(s.column)
            .cloned()
            .unwrap_or_else(|| (s.column + 1).to_string())
    };
    let forced_thousands = reading.thousands.as_deref().map(|t| match t {
        "none" => None,
        "space" => Some(b' '),
        t => t.bytes().next(),
    });
    if let Some(forced) = &reading.decimal {
        let mark = if forced == "," { b',' } else { b'.' };
        let other = if mark == b',' { b'.' } else { b',' };
        let grouped = either[index(other)].is_some().then_some(other);
        return Ok(Marks {
            decimal: mark,
            thousands: forced_thousands.unwrap_or(thousands.or(grouped)),
        });
    }
    let mixed = |a: &Seen, b: &Seen| IngestError::MixedDecimals {
        file: file.into(),
        line: b.line,
        column: name(b),
        text: b.text.clone(),
        other: a.text.clone(),
        other_line: a.line,
    };
    let mark = match &decimal {
        [Some(point), Some(comma)] => {
            let (a, b) = if point.line <= comma.line {
                (point, comma)
            } else {
                (comma, point)
            };
            return Err(mixed(a, b));
        }
        [Some(_), None] => b'.',
        [None, Some(_)] => b',',
        [None, None] => match (thousands, &either) {
            (Some(b','), _) => b'.',
            (Some(b'.'), _) => b',',
            (_, [None, None]) => b'.',
            (_, [point, comma]) if forced_thousands.is_some() => {
                // The sheet says which mark groups; the other is the decimal mark.
                match forced_thousands.flatten() {
                    Some(b'.') => b',',
                    Some(b',') => b'.',
                    _ if comma.is_some() && point.is_none() => b',',
                    _ => b'.',
                }
            }
            (_, [Some(point), Some(comma)]) => {
                let (a, b) = if point.line <= comma.line {
                    (point, comma)
                } else {
                    (comma, point)
                };
                return Err(mixed(a, b));
            }
            (_, [one, two]) => {
                let Some(seen) = one.as_ref().or(two.as_ref()) else {
                    return Ok(Marks {
                        decimal: b'.',
                        thousands,
                    });
                };
                let own = if one.is_some() { '.' } else { ',' };
                let other = if own == '.' { ',' } else { '.' };
                let digits = seen.text.replace(['.', ','], "");
                let decimals = seen.text.replace(',', ".");
                return Err(IngestError::Ambiguous {
                    file: file.into(),
                    line: seen.line,
                    column: name(seen),
                    text: seen.text.clone(),
                    first: decimals,
                    second: digits,
                    decide: format!(
                        "add to the sheet under [reading]: decimal = \"{own}\" for the first, decimal = \"{other}\" for the second"
                    ),
                });
            }
        },
    };
    let other = if mark == b',' { b'.' } else { b',' };
    let grouped = either[index(other)].is_some().then_some(other);
    let thousands = forced_thousands.unwrap_or(thousands.or(grouped));
    Ok(Marks {
        decimal: mark,
        thousands,
    })
}
