//! Columns of a header: names, units in names, and which column a gauge of the sheet means.

use super::clock::Form;
use super::error::IngestError;
use super::{ClockKnown, GaugeKind, Understood};
use crate::sheet::{ClockColumn, Gauge, Sheet, read::nearest};
use crate::units::{ForceDim, LengthDim, TimeDim, Unit, find_unit};

/// A column name taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ColumnName {
    /// As written.
    pub raw: String,
    /// Without its unit.
    pub bare: String,
    /// The unit as written, if the name or a unit row says one.
    pub unit: Option<String>,
    /// Another unit that the name says where a unit row follows.
    pub other: Option<String>,
}

/// Takes `Load [kN]`, `Load (lbf)`, `Load/kN`, `Load, kN`, `load_kN` or `Load kN` apart.
#[must_use]
pub fn column_name(raw: &str) -> ColumnName {
    let raw = raw.trim();
    let name = |bare: &str, unit: Option<&str>| {
        let unit = unit.map(str::trim).filter(|u| !u.is_empty());
        let times = unit.and_then(|_| multiplier(bare));
        let bare = times.map_or(bare, |times| {
            bare.trim().strip_suffix(times).unwrap_or(bare)
        });
        ColumnName {
            raw: raw.to_owned(),
            bare: bare.trim_end_matches(['/', '_', ',']).trim().to_owned(),
            unit: unit.map(|unit| match times {
                Some(times) => format!("{times} {unit}"),
                None => unit.to_owned(),
            }),
            other: None,
        }
    };
    for (open, close) in BRACKETS {
        if let Some(inner) = raw.strip_suffix(close)
            && let Some((bare, unit)) = inner.rsplit_once(open)
            && !bare.is_empty()
        {
            return name(bare, Some(unit));
        }
    }
    for mark in ['/', ',', '_', ' '] {
        if let Some((bare, unit)) = raw.rsplit_once(mark)
            && !bare.trim().is_empty()
            && is_unit_word(unit.trim(), mark)
        {
            return name(bare, Some(unit));
        }
    }
    // In the midst of a name only what is surely a unit.
    for (open, close) in BRACKETS {
        if let Some((before, rest)) = raw.split_once(open)
            && let Some((unit, after)) = rest.split_once(close)
            && !before.is_empty()
            && is_unit(unit)
        {
            return name(&format!("{before}{after}"), Some(unit));
        }
    }
    name(raw, None)
}

/// A number at the end of a name that multiplies the unit behind it, as in `Load 0.1 kN` or `mark x10 mm`: such readings are
/// no readings in kN or mm. A whole number that is no power of ten counts gauges, and so may 1.2 (module and channel).
fn multiplier(bare: &str) -> Option<&str> {
    let word = bare.trim().rsplit([' ', '_', ',']).next()?;
    let behind = word.rsplit('/').next()?;
    [word, behind].into_iter().find(|last| multiplies(last))
}

/// True for `0.1`, `x10`, `100` or `1/100`.
fn multiplies(last: &str) -> bool {
    let bare_number = last.trim_start_matches(['x', 'X', '*', '\u{d7}']);
    let number = |text: &str| text.parse::<f64>().is_ok_and(f64::is_finite);
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let power =
        digits(bare_number) && bare_number.len() > 1 && bare_number.trim_end_matches('0') == "1";
    let part = bare_number
        .split_once('/')
        .is_some_and(|(a, b)| digits(a) && digits(b));
    let times = bare_number.len() < last.len() && number(bare_number);
    let fraction = number(bare_number) && bare_number.starts_with("0.");
    times || fraction || power || part
}

/// What units in names stand between, full-width ones included.
const BRACKETS: [(char, char); 3] = [('[', ']'), ('(', ')'), ('\u{ff08}', '\u{ff09}')];

/// True for a unit that may stand at the end of a name: short symbols only, so that `hold time in` or `mark A` stay names.
fn is_unit_word(word: &str, mark: char) -> bool {
    let exact = ["N", "m", "s", "h", "t"].contains(&word) && (word != "t" || mark == '/');
    let long = word.chars().count() >= 2
        && !["pound", "foot", "feet", "second", "metre", "meter"]
            .contains(&word.to_lowercase().as_str())
        && (word != "in" || mark != ' ')
        && is_unit(word);
    exact || long
}

/// True for any unit of force, length, time, and a few of what loggers also keep.
pub(super) fn is_unit(word: &str) -> bool {
    let word = word.trim();
    find_unit::<ForceDim>(word).is_some()
        || find_unit::<LengthDim>(word).is_some()
        || find_unit::<TimeDim>(word).is_some()
        || [
            "°C", "degC", "°F", "K", "V", "mV", "mV/V", "%", "bar", "-", "Hz", "mA",
        ]
        .contains(&word)
        || colons(word).is_some()
}

/// What stands in the place of a unit where colons part the time: hours come first, or minutes.
fn colons(word: &str) -> Option<Form> {
    let word = word.to_lowercase();
    let whole = word.split(['.', ',']).next().unwrap_or_default();
    match whole {
        "hh:mm:ss" | "h:mm:ss" | "hms" | "hhmmss" | "hh:mm" | "h:mm" | "h:min" => Some(Form::Clock),
        "mm:ss" | "m:ss" | "m:s" | "min:s" | "min:ss" | "min:sec" => Some(Form::Minutes),
        _ => None,
    }
}

/// A column that the sheet asks for.
#[derive(Debug, Clone)]
pub(super) struct Wanted {
    pub kind: GaugeKind,
    pub column: usize,
    pub name: String,
    pub unit: &'static Unit,
    /// SI value = reading × factor, or reading / divisor where the unit is a decimal part of SI.
    pub scale: Scale,
}

/// From readings to SI. A decimal unit is a power of ten that joins the decimals of the reading, so that 300.7 mm is the
/// very double that 0.3007 m is; any other unit is a factor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    /// Power of ten.
    pub tens: i32,
    /// Factor on top of it; −1 for a reversed sign.
    pub factor: f64,
}

impl Scale {
    /// Readings as they are.
    pub(super) const ONE: Self = Self {
        tens: 0,
        factor: 1.0,
    };

    pub(super) fn new(to_si: f64, negative: bool) -> Self {
        let sign = if negative { -1.0 } else { 1.0 };
        let is_power = |tens: &i32| format!("1e{tens}").parse() == Ok(to_si);
        match (-9..=9).find(is_power) {
            Some(tens) => Self { tens, factor: sign },
            None => Self {
                tens: 0,
                factor: sign * to_si,
            },
        }
    }
}

/// The column of this name: as written, then without regard to case, then without its unit.
pub(super) fn find_column(
    wanted: &str,
    names: &[ColumnName],
    file: &str,
    line: usize,
) -> Result<Option<usize>, IngestError> {
    let wanted = super::source::plain_blanks(wanted);
    let wanted = wanted.trim();
    let lower = wanted.to_lowercase();
    let tries: [&dyn Fn(&ColumnName) -> bool; 3] = [
        &|n| n.raw == wanted,
        &|n| n.raw.to_lowercase() == lower,
        &|n| n.bare.to_lowercase() == lower,
    ];
    for matches in tries {
        let found: Vec<usize> = (0..names.len()).filter(|i| matches(&names[*i])).collect();
        match found.as_slice() {
            [] => {}
            [one] => return Ok(Some(*one)),
            more => {
                return Err(IngestError::TwoColumns {
                    file: file.into(),
                    line,
                    column: wanted.into(),
                    times: more.len(),
                });
            }
        }
    }
    Ok(None)
}

/// The unit of a gauge's column: the sheet's, else the header's.
pub(super) fn unit_of(
    kind: GaugeKind,
    gauge: &Gauge,
    name: &ColumnName,
    file: &str,
    line: usize,
    doubts: &mut Vec<String>,
) -> Result<&'static Unit, IngestError> {
    let header = name.unit.as_deref();
    let known = |text: &Option<String>| text.as_deref().and_then(|text| kind.unit(text));
    if gauge.unit.is_none()
        && let (Some(of_row), Some(of_name)) = (known(&name.unit), known(&name.other))
        && of_row != of_name
    {
        return Err(IngestError::Ambiguous {
            file: file.into(),
            line,
            column: name.raw.clone(),
            text: name.raw.clone(),
            first: format!("a column in {}, as its name says", of_name.symbol),
            second: format!(
                "a column in {}, as the row of units below says",
                of_row.symbol
            ),
            decide: format!("state the unit in [gauges.{}] of the sheet", kind.name()),
        });
    }
    if let Some(unit) = gauge.unit.as_deref().and_then(|u| kind.unit(u)) {
        if let Some(other) = header
            && kind.unit(other) != Some(unit)
        {
            doubts.push(format!(
                "column `{}`: the header says `{other}`, the sheet says `{}`; the sheet was followed",
                name.raw, unit.symbol
            ));
        }
        return Ok(unit);
    }
    match header {
        Some(text) => kind.unit(text).ok_or_else(|| IngestError::WrongUnit {
            file: file.into(),
            line,
            column: name.raw.clone(),
            unit: text.into(),
            gauge: kind.name(),
            word: kind.word(),
            known: kind.known_units(),
        }),
        None => Err(IngestError::NoUnit {
            file: file.into(),
            line,
            column: name.raw.clone(),
            gauge: kind.name(),
            word: kind.word(),
            known: kind.known_units(),
        }),
    }
}

/// The gauges of the sheet that stand in this file, and those that do not.
pub(super) fn wanted_columns(
    sheet: &Sheet,
    names: &[ColumnName],
    file: &str,
    line: usize,
    doubts: &mut Vec<String>,
) -> Result<(Vec<Wanted>, Vec<GaugeKind>), IngestError> {
    let mut wanted: Vec<Wanted> = Vec::new();
    let mut absent = Vec::new();
    for (kind, gauge) in sheet.gauges.iter() {
        let Some(column) = find_column(&gauge.column, names, file, line)? else {
            absent.push(kind);
            continue;
        };
        if let Some(first) = wanted.iter().find(|w| w.column == column) {
            return Err(IngestError::TwoGauges {
                file: file.into(),
                line,
                column: names[column].raw.clone(),
                first: first.kind.name(),
                second: kind.name(),
            });
        }
        let unit = unit_of(kind, gauge, &names[column], file, line, doubts)?;
        let negative = gauge.sign == Some(crate::sheet::Sign::Minus);
        wanted.push(Wanted {
            kind,
            column,
            name: names[column].raw.clone(),
            unit,
            scale: Scale::new(unit.to_si, negative),
        });
    }
    Ok((wanted, absent))
}

/// The error for a column that is in no file.
pub(super) fn missing(
    column: &str,
    gauge: &str,
    names: &[ColumnName],
    file: &str,
    line: usize,
) -> IngestError {
    let known: Vec<String> = names
        .iter()
        .map(|n| n.raw.clone())
        .filter(|n| !n.is_empty())
        .collect();
    IngestError::MissingColumn {
        file: file.into(),
        line,
        column: column.into(),
        gauge: gauge.into(),
        nearest: nearest(column, known.iter().map(String::as_str)).map(str::to_owned),
        known,
    }
}

/// Where the time stands and how it is written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TimeColumn {
    /// `None` where rows are counted.
    pub column: Option<usize>,
    pub form: Form,
}

/// Finds the time: as the sheet says, else by name, else the rows are counted. `sample` gives a column's first cell.
pub(super) fn time_column(
    clock: Option<&ClockColumn>,
    names: &[ColumnName],
    taken: &[usize],
    sample: &dyn Fn(usize) -> Option<Vec<u8>>,
    file: &str,
    understood: &mut Understood,
) -> Result<TimeColumn, IngestError> {
    let line = understood.header_line.max(1);
    let clock = clock.cloned().unwrap_or_default();
    if let Some(rate) = clock.rate {
        understood.time = format!("rate {rate}, rows counted");
        if clock.column.is_some() {
            understood.notes.push(
                "the sheet gives a rate: rows were counted and the time column was not read".into(),
            );
        }
        return Ok(TimeColumn {
            column: None,
            form: Form::Rows {
                period_s: 1.0 / rate.si(),
            },
        });
    }
    let column = match &clock.column {
        Some(name) => Some(
            find_column(name, names, file, line)?
                .ok_or_else(|| missing(name, "time", names, file, line))?,
        ),
        None => guess_time(names, taken),
    };
    let Some(column) = column else {
        understood.clock = ClockKnown::RowsCounted;
        understood.time =
            "row number counted as seconds: the log has no time column and the sheet no rate"
                .into();
        return Ok(TimeColumn {
            column: None,
            form: Form::Rows { period_s: 1.0 },
        });
    };
    understood.time_column = Some(names[column].raw.clone());
    let cell = sample(column).unwrap_or_default();
    let cell = super::cell::unquoted(&cell);
    let header = names[column].unit.as_deref();
    let unit = clock.unit.as_deref().or(header);
    let seconds = |text: &str| find_unit::<TimeDim>(text).map(|unit| unit.to_si);
    if clock.unit.is_none()
        && let (Some(of_row), Some(of_name)) = (header, names[column].other.as_deref())
        && seconds(of_row) != seconds(of_name)
    {
        return Err(IngestError::Ambiguous {
            file: file.into(),
            line,
            column: names[column].raw.clone(),
            text: names[column].raw.clone(),
            first: format!("a time in {of_name}, as its name says"),
            second: format!("a time in {of_row}, as the row of units below says"),
            decide: "state the unit in [gauges.time] of the sheet".into(),
        });
    }
    if let (Some(header), Some(stated)) = (header, &clock.unit)
        && let (Some(a), Some(b)) = (seconds(header), seconds(stated))
        && a != b
    {
        understood.doubts.push(format!(
            "column `{}`: the header says `{header}`, the sheet says `{stated}`; the sheet was followed",
            names[column].raw
        ));
    }
    let is_number = !super::clock::looks_like_time(cell);
    let form = match unit {
        Some("iso") => Form::Iso,
        Some("clock") => Form::Clock,
        Some(word) if colons(word).is_some() => colons(word).unwrap_or(Form::Clock),
        // A counter does not begin with a nought.
        None if cell.starts_with(b"0")
            && std::str::from_utf8(cell).is_ok_and(|c| super::clock::packed(c).is_some()) =>
        {
            Form::Clock
        }
        _ if super::clock::either(cell) => {
            let text = String::from_utf8_lossy(cell).into_owned();
            return Err(IngestError::Ambiguous {
                file: file.into(),
                line,
                column: names[column].raw.clone(),
                first: "hours and minutes of a clock".into(),
                second: "minutes and seconds of a stopwatch".into(),
                text,
                decide: "write [hh:mm] or [mm:ss] behind the column's name, or state it as unit in [gauges.time] of the sheet".into(),
            });
        }
        _ if !is_number && super::clock::iso(cell).is_some() => Form::Iso,
        _ if !is_number && super::clock::minutes(cell).is_some() => Form::Minutes,
        _ if !is_number => Form::Clock,
        Some(text) => match find_unit::<TimeDim>(text) {
            Some(unit) => Form::Number { to_s: unit.to_si },
            None => {
                return Err(IngestError::WrongUnit {
                    file: file.into(),
                    line,
                    column: names[column].raw.clone(),
                    unit: text.into(),
                    gauge: "time",
                    word: "time",
                    known: "s, ms, min, h, clock, hh:mm, mm:ss, iso".into(),
                });
            }
        },
        None => Form::Number {
            to_s: bare_unit(&names[column].bare),
        },
    };
    understood.time = match form {
        Form::Iso => "iso".into(),
        Form::Clock => "clock".into(),
        Form::Minutes => "minutes and seconds".into(),
        Form::Number { to_s } => {
            let word = match to_s {
                s if s > 80_000.0 => "days",
                s if s > 3000.0 => "hours",
                s if s > 30.0 => "minutes",
                s if s < 0.1 => "milliseconds",
                _ => "seconds",
            };
            if unit.is_none() && to_s == 1.0 {
                understood.clock = ClockKnown::Assumed;
                format!("{word}, assumed: neither header nor sheet says the unit")
            } else {
                word.into()
            }
        }
        Form::Rows { .. } => String::new(),
    };
    Ok(TimeColumn {
        column: Some(column),
        form,
    })
}

/// The unit of a column whose whole name is one, such as `ms`; else seconds.
fn bare_unit(name: &str) -> f64 {
    let known = |n: &str| (n != "t").then(|| find_unit::<TimeDim>(n)).flatten();
    known(name).map_or(1.0, |u| u.to_si)
}

/// The time column by its name: a word for time alone, else the only name with such a word in it.
fn guess_time(names: &[ColumnName], taken: &[usize]) -> Option<usize> {
    const WORDS: &[&str] = &[
        "time",
        "t",
        "elapsed",
        "elapsed time",
        "timestamp",
        "time stamp",
        "clock",
        "datetime",
        "date time",
        "date/time",
        "zeit",
        "uhrzeit",
        "zeitstempel",
        "temps",
        "heure",
        "tiempo",
        "hora",
        "tempo",
        "ora",
        "klokkeslett",
        "aika",
        "tijd",
        "tid",
        "s",
        "ms",
        "sec",
        "seconds",
        "min",
        "minutes",
        "milliseconds",
        "millis",
    ];
    let free = || (0..names.len()).filter(|i| !taken.contains(i));
    if let Some(exact) = free().find(|i| WORDS.contains(&names[*i].bare.to_lowercase().as_str())) {
        return Some(exact);
    }
    let with_word: Vec<usize> = free()
        .filter(|i| {
            names[*i]
                .bare
                .to_lowercase()
                .split(|c: char| !c.is_alphanumeric())
                .any(|w| ["time", "timestamp", "elapsed", "zeit"].contains(&w))
        })
        .collect();
    // A unit of time tells what a word in another tongue does not.
    let with_unit: Vec<usize> = free()
        .filter(|i| {
            let name = &names[*i];
            // In brackets or in a row of units: a word at the end of a name may be no unit, as in `Load min`.
            let set_apart = name.bare == name.raw
                || BRACKETS.iter().any(|(_, close)| name.raw.ends_with(*close));
            let unit = name.unit.as_deref().filter(|_| set_apart);
            unit.is_some_and(|u| find_unit::<TimeDim>(u).is_some() || colons(u).is_some())
        })
        .collect();
    match (with_word.as_slice(), with_unit.as_slice()) {
        ([one], _) | ([], [one]) => Some(*one),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_are_found_in_names() {
        let cases = [
            ("Load [kN]", "Load", Some("kN")),
            ("Load (lbf)", "Load", Some("lbf")),
            ("load_kN", "load", Some("kN")),
            ("Load/kN", "Load", Some("kN")),
            ("Load kN", "Load", Some("kN")),
            ("Travel, mm", "Travel", Some("mm")),
            ("time_s", "time", Some("s")),
            ("tail_load", "tail_load", None),
            ("Machine_Load", "Machine_Load", None),
            ("Mark A", "Mark A", None),
            ("Pulled in", "Pulled in", None),
            ("[kN]", "[kN]", None),
            ("Load 2 [kN]", "Load 2", Some("kN")),
            ("Load 12 kN", "Load 12", Some("kN")),
            ("Load 1.2 [kN]", "Load 1.2", Some("kN")),
            ("Load 0.1 kN", "Load", Some("0.1 kN")),
            ("Load/0.1 kN", "Load", Some("0.1 kN")),
            ("mark x10 mm", "mark", Some("x10 mm")),
            ("Load x100 [N]", "Load", Some("x100 N")),
            ("Load 10 N", "Load", Some("10 N")),
            ("Travel 1/100 mm", "Travel", Some("1/100 mm")),
        ];
        for (raw, bare, unit) in cases {
            let name = column_name(raw);
            assert_eq!(
                (name.bare.as_str(), name.unit.as_deref()),
                (bare, unit),
                "{raw}"
            );
        }
    }

    #[test]
    fn decimal_units_are_powers_of_ten() {
        assert_eq!(
            Scale::new(1e-3, false),
            Scale {
                tens: -3,
                factor: 1.0
            }
        );
        assert_eq!(
            Scale::new(1e3, true),
            Scale {
                tens: 3,
                factor: -1.0
            }
        );
        assert_eq!(
            Scale::new(0.0254, false),
            Scale {
                tens: 0,
                factor: 0.0254
            }
        );
    }
}
