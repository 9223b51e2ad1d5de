//! Times of day and dates, in whole nanoseconds so that differences are exact.

/// Nanoseconds of a second.
pub(super) const SECOND: i64 = 1_000_000_000;
/// Nanoseconds of a day.
pub(super) const DAY: i64 = 86_400 * SECOND;
/// Nanoseconds of an hour.
const HOUR: i64 = 3600 * SECOND;

/// Form of a time column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Form {
    /// Numbers; seconds = number × factor.
    Number { to_s: f64 },
    /// Time of day, perhaps behind a date; midnight is found by the fall.
    Clock,
    /// Minutes and seconds of a stopwatch; where it leaves hours out, a full one is found by the fall.
    Minutes,
    /// ISO 8601 date and time, perhaps with a zone.
    Iso,
    /// No column: rows at a fixed period in s.
    Rows { period_s: f64 },
}

/// The forms of time that are read, for messages.
pub(super) const FORMS: &str = "seconds, milliseconds or minutes as numbers, 09:30:05.2, 1:05.2, 14.05.2026 09:30:05.2 or 2026-05-14T09:30:05.2+02:00";
/// Years in which a number of fourteen digits is a date and a time.
const YEARS: std::ops::RangeInclusive<i64> = 1990..=2099;

impl Form {
    /// The word for messages.
    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Number { .. } => "numbers",
            Self::Clock => "clock times",
            Self::Minutes => "minutes and seconds",
            Self::Iso => "ISO dates and times",
            Self::Rows { .. } => "row numbers",
        }
    }

    /// Nanoseconds that a cell of clock times, or of minutes and seconds, says.
    pub(super) fn nanos(self, cell: &[u8]) -> Option<i64> {
        match self {
            Self::Clock => clock(cell),
            Self::Minutes => minutes(cell).or_else(|| clock(cell)),
            _ => None,
        }
    }

    /// Nanoseconds after which the hands stand where they stood.
    pub(super) fn turn(self) -> i64 {
        match self {
            Self::Minutes => HOUR,
            _ => DAY,
        }
    }
}

/// True for a time of day, a date, or both.
pub(super) fn looks_like_time(cell: &[u8]) -> bool {
    // Most cells are numbers: a glance spares them the rest.
    let timed = cell.contains(&b':')
        && (iso(cell).is_some() || clock(cell).is_some() || minutes(cell).is_some());
    timed || is_date(cell) || packed_date(cell).is_some()
}

/// Days since 1970 and nanoseconds of the day of `20260514093005`, `20260514T093005`, `20260514 093005.2`, or without the
/// century `260514093005`.
fn packed_date(cell: &[u8]) -> Option<(i64, i64)> {
    let digits = cell.iter().take_while(|b| b.is_ascii_digit()).count();
    let century: &[u8] = if digits == 12 { b"20" } else { b"" };
    let cell = [century, cell].concat();
    let (date, time) = cell.split_at_checked(8)?;
    let date = std::str::from_utf8(date).ok()?;
    if !date.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let nanos = packed(
        std::str::from_utf8(time)
            .ok()?
            .trim_start_matches(['T', 't', ' ', '_']),
    )?;
    let part = |range: std::ops::Range<usize>| date[range].parse::<i64>().ok();
    let year = part(0..4).filter(|y| YEARS.contains(y))?;
    let date = jiff::civil::Date::new(
        i16::try_from(year).ok()?,
        i8::try_from(part(4..6)?).ok()?,
        i8::try_from(part(6..8)?).ok()?,
    );
    Some((days(date.ok()?)?, nanos))
}

/// Nanoseconds of the day of `093005` or `093005.25`.
pub(super) fn packed(text: &str) -> Option<i64> {
    let (whole, _) = text.split_once(['.', ',']).unwrap_or((text, ""));
    if whole.len() != 6 || !whole.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let hours: i64 = whole[..2].parse().ok().filter(|h| *h < 24)?;
    let minutes: i64 = whole[2..4].parse().ok().filter(|m| *m < 60)?;
    Some((hours * 60 + minutes) * 60 * SECOND + seconds(&text[4..])?)
}

fn days(date: jiff::civil::Date) -> Option<i64> {
    let since = date.since(jiff::civil::date(1970, 1, 1)).ok()?;
    Some(i64::from(since.get_days()))
}

/// English months as loggers write them in dates.
const MONTHS: [&str; 12] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
];

/// A date alone: three groups of digits with `-`, `/` or `.` between, one of them of four digits or all of two; the middle one
/// may be a month's name.
fn is_date(cell: &[u8]) -> bool {
    let other = cell.iter().filter(|b| !b.is_ascii_digit()).count();
    if other != 2 && other != 5 {
        return false;
    }
    let Ok(text) = std::str::from_utf8(cell) else {
        return false;
    };
    let mut text = text.to_ascii_lowercase();
    if let Some(month) = MONTHS.iter().find(|month| text.contains(*month)) {
        text = text.replace(month, "01");
    }
    for mark in ['-', '/', '.'] {
        let groups: Vec<&str> = text.split(mark).collect();
        if let [a, b, c] = groups.as_slice()
            && [a, b, c]
                .iter()
                .all(|g| (1..=4).contains(&g.len()) && g.bytes().all(|d| d.is_ascii_digit()))
            && (a.len() == 4 && b.len() <= 2 && c.len() <= 2
                || a.len() <= 2 && b.len() <= 2 && matches!(c.len(), 2 | 4))
        {
            return true;
        }
    }
    false
}

/// Two groups of digits with a colon between: hours and minutes to one, minutes and seconds to another.
pub(super) fn either(cell: &[u8]) -> bool {
    let groups: Vec<&[u8]> = cell.trim_ascii().split(|b| *b == b':').collect();
    let digits = |g: &&[u8]| matches!(g.len(), 1 | 2) && g.iter().all(u8::is_ascii_digit);
    groups.len() == 2 && groups.iter().all(digits)
}

/// Nanoseconds of `1:05`, `1:05.2` or `75:05`.
pub(super) fn minutes(cell: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(cell).ok()?.trim();
    let text = text.strip_prefix('+').unwrap_or(text);
    let (minutes, rest) = text.split_once(':')?;
    let whole = (1..=4).contains(&minutes.len()) && minutes.bytes().all(|b| b.is_ascii_digit());
    let seconds = seconds(rest).filter(|s| *s < 60 * SECOND)?;
    let minutes: i64 = minutes.parse().ok().filter(|_| whole)?;
    Some(minutes * 60 * SECOND + seconds)
}

/// Nanoseconds of the day of `9:30`, `09:30:01`, `09:30:01,25`, `9:30:01.5 PM`, also behind a date and a blank; and of
/// `093001`.
pub(super) fn clock(cell: &[u8]) -> Option<i64> {
    let text = std::str::from_utf8(cell).ok()?.trim();
    let text = text.strip_prefix('+').unwrap_or(text);
    let first = text.split(' ').next()?;
    let time = if is_date(first.as_bytes()) {
        text[first.len()..].trim_start()
    } else {
        text
    };
    let upper = time
        .to_ascii_uppercase()
        .replace(". ", ".")
        .replace("A.M.", "AM")
        .replace("P.M.", "PM");
    let (time, half) = match upper
        .strip_suffix("AM")
        .map(|t| (t, Some(0)))
        .or_else(|| upper.strip_suffix("PM").map(|t| (t, Some(12))))
    {
        Some((t, half)) => (t.trim_end(), half),
        None => (time, None),
    };
    if let Some(packed) = packed(time).filter(|_| half.is_none()) {
        return Some(packed);
    }
    let mut parts = time.split(':');
    let whole = |t: &str| {
        (!t.is_empty() && t.len() <= 2 && t.bytes().all(|b| b.is_ascii_digit()))
            .then(|| t.parse::<i64>().ok())
            .flatten()
    };
    let mut hours = whole(parts.next()?)?;
    let minutes = whole(parts.next()?)?;
    let mut nanos = parts.next().map_or(Some(0), seconds)?;
    // Some loggers set milliseconds off by a colon, always with three digits.
    if let Some(millis) = parts.clone().next().filter(|t| t.len() == 3)
        && nanos % SECOND == 0
    {
        parts.next();
        nanos += seconds(&format!("0.{millis}"))?;
    }
    if parts.next().is_some() || minutes > 59 || hours > 23 {
        return None;
    }
    if let Some(half) = half {
        if !(1..=12).contains(&hours) {
            return None;
        }
        hours = hours % 12 + half;
    }
    Some((hours * 60 + minutes) * 60 * SECOND + nanos)
}

/// Nanoseconds of `SS`, `SS.fff` or `SS,fff`.
fn seconds(text: &str) -> Option<i64> {
    let (whole, fraction) = text.split_once(['.', ',']).unwrap_or((text, ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    if whole.is_empty() || whole.len() > 2 || !digits(whole) || !digits(fraction) {
        return None;
    }
    let whole: i64 = whole.parse().ok()?;
    let nanos: i64 = format!("{:0<9.9}", fraction).parse().ok()?;
    (whole < 61).then_some(whole * SECOND + nanos)
}

/// Days since 1970 and nanoseconds of the day (which the zone may carry outside of the day) of an ISO 8601 date and time.
pub(super) fn iso(cell: &[u8]) -> Option<(i64, i64)> {
    if let Some(packed) = packed_date(cell.trim_ascii()) {
        return Some(packed);
    }
    let text = std::str::from_utf8(cell).ok()?.trim();
    let date = text.get(..10)?;
    let rest = text.get(10..)?;
    let rest = rest.strip_prefix(['T', 't', ' '])?;
    let days = days(date.parse().ok()?)?;
    let (time, offset) = zone(rest)?;
    let nanos = clock(time.as_bytes())?;
    Some((days, nanos - offset))
}

/// The time, and the zone's offset in nanoseconds.
fn zone(text: &str) -> Option<(&str, i64)> {
    let text = text.trim();
    if let Some(time) = text.strip_suffix(['Z', 'z']) {
        return Some((time.trim_end(), 0));
    }
    let Some(at) = text.rfind(['+', '-']) else {
        return Some((text, 0));
    };
    let sign = if text[at..].starts_with('-') { -1 } else { 1 };
    let digits: String = text[at + 1..].chars().filter(|c| *c != ':').collect();
    if !matches!(digits.len(), 2 | 4) || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let hours: i64 = digits[..2].parse().ok()?;
    let minutes: i64 = digits
        .get(2..)
        .filter(|m| !m.is_empty())
        .map_or(Ok(0), str::parse)
        .ok()?;
    Some((
        text[..at].trim_end(),
        sign * (hours * 60 + minutes) * 60 * SECOND,
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks_and_dates_are_exact() {
        assert_eq!(
            clock(b"09:30:01.25"),
            Some((9 * 3600 + 30 * 60 + 1) * SECOND + 250_000_000)
        );
        assert_eq!(
            clock(b"9:30:01,1 PM"),
            Some((21 * 3600 + 30 * 60 + 1) * SECOND + 100_000_000)
        );
        assert_eq!(clock(b"12:00:00 AM"), Some(0));
        assert_eq!(clock(b"14.05.2026 00:00:01"), Some(SECOND));
        assert_eq!(clock(b"25:00"), None);
        assert_eq!(clock(b"1.5"), None);
        // 2026-05-14 is 20,587 days after 1970-01-01 (56 years with 14 leap days, then 133 days).
        assert_eq!(
            iso(b"2026-05-14T09:30:00+02:00"),
            Some((20_587, (7 * 60 + 30) * 60 * SECOND))
        );
        assert_eq!(
            iso(b"2026-05-14 09:30:00.5"),
            Some((20_587, (9 * 60 + 30) * 60 * SECOND + SECOND / 2))
        );
        assert_eq!(iso(b"2026-05-14"), None);
        assert_eq!(clock(b"9:30:01 p.m."), clock(b"21:30:01"));
        assert_eq!(minutes(b"1:05.25"), Some(65 * SECOND + 250_000_000));
        assert_eq!(minutes(b"75:05"), Some(4505 * SECOND));
        assert_eq!(minutes(b"0:60.0"), None);
        assert_eq!(minutes(b"1:05:00"), None);
        // No clock writes a fraction of a minute.
        assert_eq!(clock(b"1:05.25"), None);
        assert!(either(b"1:05") && either(b"09:30"));
        assert!(!either(b"1:05.2") && !either(b"1:05:00") && !either(b"1.5"));
        assert_eq!(clock(b"093001.5"), clock(b"09:30:01.5"));
        assert_eq!(clock(b"096001"), None);
        for written in [
            &b"+09:30:01.25"[..],
            b"09:30:01:250",
            b"14-May-2026 09:30:01.25",
            b"9:30:01.25 a. m.",
        ] {
            assert_eq!(clock(written), clock(b"09:30:01.25"), "{written:?}");
            assert!(looks_like_time(written));
        }
        assert_eq!(clock(b"14-Mai-2026 09:30:01"), None);
        assert_eq!(iso(b"260514093000.5"), iso(b"2026-05-14 09:30:00.5"));
        assert_eq!(iso(b"261514093000"), None);
        for packed in [
            &b"20260514093000.5"[..],
            b"20260514T093000.5",
            b"20260514 093000.5",
        ] {
            assert_eq!(iso(packed), iso(b"2026-05-14 09:30:00.5"));
            assert!(looks_like_time(packed));
        }
        assert_eq!(iso(b"20261314093000"), None);
        assert!(!looks_like_time(b"093000"));
        assert!(looks_like_time(b"14/05/2026"));
        assert!(!looks_like_time(b"1.234.567"));
        assert!(!looks_like_time(b"12"));
    }
}
