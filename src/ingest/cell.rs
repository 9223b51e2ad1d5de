//! One cell: a number, a word for missing or overload, or something that cannot be read.

use std::borrow::Cow;

use super::columns::Scale;

/// What stands in a cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Cell {
    /// A finite number.
    Number(f64),
    /// Nothing, or a word for nothing.
    Missing,
    /// A logger's word for overload or open circuit.
    Overload,
    /// Neither.
    Bad,
}

/// Marks inside numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Marks {
    /// `.` or `,`.
    pub decimal: u8,
    /// Thousands mark: `,` `.` `'` or a space of any width.
    pub thousands: Option<u8>,
}

/// Words for nothing, lower case (common practice of loggers, no source).
const MISSING: &[&str] = &[
    "", "-", "--", "---", "nan", "na", "n/a", "#n/a", "null", "none", "missing", "no data",
    "nodata", "void", "?",
];
/// Words for a channel out of its range or without its gauge, lower case (common practice of loggers, no source).
const OVERLOAD: &[&str] = &[
    "ol",
    "o.l",
    "o.l.",
    "0l",
    "ovl",
    "ovld",
    "ovr",
    "over",
    "overload",
    "overrange",
    "over range",
    "over-range",
    "overflow",
    "ovf",
    "ovrng",
    "open",
    "open circuit",
    "opencircuit",
    "burnout",
    "burn out",
    "inf",
    "infinity",
    "1.#inf",
    "#ovl",
    "#over",
    "****",
    "*****",
    "******",
    "over load",
    "sat",
    "saturated",
    "clip",
    "clipped",
];
/// Loggers write about 9.9e37 for overload (the form SCPI instruments use; from memory).
const OVERLOAD_NUMBER: f64 = 9e36;

/// Reads a cell; a number comes out in SI.
pub(super) fn read(cell: &[u8], marks: Marks, scale: Scale) -> Cell {
    let cell = unquoted(cell);
    if let Some(digits) = plain(cell, marks.decimal)
        && digits.used == cell.len()
        && let Some(value) = times_ten_to(digits.mantissa, scale.tens - digits.decimals)
    {
        return Cell::Number(value * scale.factor);
    }
    if let Some(written) = number(cell, marks, 0) {
        return match number(cell, marks, scale.tens) {
            Some(value) if written.abs() < OVERLOAD_NUMBER => Cell::Number(value * scale.factor),
            _ => Cell::Overload,
        };
    }
    let text = super::source::to_text(cell).trim().to_lowercase();
    if MISSING.contains(&text.as_str()) {
        Cell::Missing
    } else if OVERLOAD.contains(&text.trim_start_matches(['+', '-', '<', '>', '!'])) {
        Cell::Overload
    } else {
        Cell::Bad
    }
}

/// Without surrounding blanks and quotes.
pub(super) fn unquoted(cell: &[u8]) -> &[u8] {
    let cell = cell.trim_ascii();
    match cell {
        [b'"', inner @ .., b'"'] | [b'\'', inner @ .., b'\''] => inner.trim_ascii(),
        _ => cell,
    }
}

/// Powers of ten that a double holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// Digits of a plain number: its value is `mantissa` × 10^−`decimals`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Digits {
    /// A whole number of at most 2^53, with the sign (of a zero, too).
    pub mantissa: f64,
    pub decimals: i32,
    /// Bytes read.
    pub used: usize,
}

/// `mantissa` × 10^`exponent`, correctly rounded: a whole number of at most 2^53 and a power of ten up to 22 are exact in
/// a double, so that their product or quotient is rounded once (Clinger 1990, "How to read floating point numbers
/// accurately"). `None` outside.
#[inline]
pub(super) fn times_ten_to(mantissa: f64, exponent: i32) -> Option<f64> {
    let power = *TENS.get(exponent.unsigned_abs() as usize)?;
    Some(if exponent < 0 {
        mantissa / power
    } else {
        mantissa * power
    })
}

/// The fast path: sign, digits, decimal mark, digits, and where they end. `None` where the exact path must look.
#[inline]
pub(super) fn plain(text: &[u8], decimal: u8) -> Option<Digits> {
    short(text, decimal).or_else(|| long(text, decimal))
}

/// A plain number whose end lies within eight bytes, read side by side: which byte is the mark and which the end changes
/// from number to number, and a loop that guesses wrong there waits.
#[inline]
fn short(text: &[u8], decimal: u8) -> Option<Digits> {
    const EACH: u64 = 0x0101_0101_0101_0101;
    let bytes: &[u8; 9] = text.first_chunk()?;
    let negative = bytes[0] == b'-';
    let from = usize::from(negative);
    let word = u64::from_le_bytes(*bytes[from..].first_chunk()?);
    // Digits become 0 to 9; the highest bit of every other byte is set.
    let digits = word ^ (EACH * u64::from(b'0'));
    let others = (((digits & (EACH * 0x7f)) + EACH * 0x76) | digits) & (EACH * 0x80);
    let mark = others.trailing_zeros() & !7;
    if mark == 64 {
        return None;
    }
    let has_mark = word.to_le_bytes()[(mark / 8) as usize] == decimal;
    let (together, end, decimals) = if has_mark {
        let end = (others & (others - 1)).trailing_zeros() & !7;
        let before = (1_u64 << mark) - 1;
        let closed = digits & before | (digits >> 8) & !before;
        (closed, end, end - mark - 8)
    } else {
        (digits, mark, 0)
    };
    let count = end - if has_mark { 8 } else { 0 };
    if end == 64 || count == 0 {
        return None;
    }
    // Zeros before the digits make eight of them; then pairs, fours and all are joined.
    let eight = together << (64 - count);
    let pairs = (eight * 10 + (eight >> 8)) & 0x00ff_00ff_00ff_00ff;
    let fours = (pairs * 100 + (pairs >> 16)) & 0x0000_ffff_0000_ffff;
    let mantissa = (fours * 10_000 + (fours >> 32)) & 0xffff_ffff;
    Some(Digits {
        mantissa: signed(mantissa, negative),
        decimals: (decimals / 8) as i32,
        used: from + (end / 8) as usize,
    })
}

/// The same byte by byte, for numbers of any length.
fn long(text: &[u8], decimal: u8) -> Option<Digits> {
    let mut at = 0;
    let negative = match text.first()? {
        b'-' => {
            at = 1;
            true
        }
        b'+' => {
            at = 1;
            false
        }
        _ => false,
    };
    let start = at;
    let mut mantissa: u64 = 0;
    let digit_at = |at: usize| {
        text.get(at)
            .map(|b| b.wrapping_sub(b'0'))
            .filter(|d| *d < 10)
    };
    while let Some(digit) = digit_at(at) {
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    let mut digits = at - start;
    let mut decimals = 0;
    if text.get(at) == Some(&decimal) {
        at += 1;
        while let Some(digit) = digit_at(at) {
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
            at += 1;
            decimals += 1;
            digits += 1;
        }
    }
    // Nineteen digits never overflow 64 bits.
    if digits == 0 || digits > 19 || mantissa > 1 << 53 {
        return None;
    }
    Some(Digits {
        mantissa: signed(mantissa, negative),
        decimals,
        used: at,
    })
}

/// A whole number of at most 2^53 as a double.
#[inline]
fn signed(mantissa: u64, negative: bool) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_wrap,
        reason = "at most 2^53; a signed number converts faster"
    )]
    let value = mantissa as i64 as f64;
    if negative { -value } else { value }
}

/// The exact path, times 10^`tens`: thousands marks, exponents, long mantissas, the typographic minus.
fn number(cell: &[u8], marks: Marks, tens: i32) -> Option<f64> {
    let text = std::str::from_utf8(cell)
        .ok()?
        .trim()
        .replace('\u{2212}', "-");
    let (body, exponent) = match text.find(['e', 'E']) {
        Some(at) => (&text[..at], &text[at + 1..]),
        None => (text.as_str(), "0"),
    };
    let unsigned = body.strip_prefix(['+', '-']).unwrap_or(body);
    let sign = if body.starts_with('-') { "-" } else { "" };
    let decimal = char::from(marks.decimal);
    let (whole, fraction) = unsigned.split_once(decimal).unwrap_or((unsigned, ""));
    let whole = ungrouped(whole, marks.thousands)?;
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    let signless = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
    if whole.len() + fraction.len() == 0
        || !digits(&whole)
        || !digits(fraction)
        || signless.is_empty()
        || !digits(signless)
    {
        return None;
    }
    // An exponent too long for a number is no reading.
    let exponent = exponent.parse::<i32>().ok()?.checked_add(tens)?;
    let value: f64 = format!("{sign}{whole}.{fraction}e{exponent}")
        .parse()
        .ok()?;
    value.is_finite().then_some(value)
}

/// Digits without thousands marks, which must stand after every third digit, and after no leading zero.
fn ungrouped(whole: &str, thousands: Option<u8>) -> Option<String> {
    let Some(mark) = thousands else {
        return Some(whole.to_owned());
    };
    let is_mark = |c: char| match mark {
        b' ' => matches!(c, ' ' | '\u{a0}' | '\u{202f}' | '\u{2009}'),
        b'\'' => matches!(c, '\'' | '\u{2019}'),
        mark => c == char::from(mark),
    };
    let groups: Vec<&str> = whole.split(is_mark).collect();
    let regular = groups.len() == 1
        || (1..=3).contains(&groups[0].len())
            && !groups[0].starts_with('0')
            && groups[1..].iter().all(|g| g.len() == 3);
    regular.then(|| groups.concat())
}

/// What a cell looks like before the marks are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// A number without any mark.
    Whole,
    /// A number in which `mark` can only be the decimal mark.
    Decimal { mark: u8 },
    /// A number in which `mark` can only group thousands, by its repetition.
    Grouped { mark: u8 },
    /// A number with both: the last is the decimal mark.
    Both { thousands: u8, decimal: u8 },
    /// 1.234 or 1,234.
    Either { mark: u8 },
    /// A time of day or a date.
    Time,
    /// A word for missing or overload.
    Word,
    /// Nothing.
    Empty,
    /// Text.
    Text,
}

/// What a cell looks like.
pub(super) fn look(cell: &[u8]) -> Look {
    let cell = unquoted(cell);
    if cell.is_empty() {
        return Look::Empty;
    }
    if super::clock::looks_like_time(cell) {
        return Look::Time;
    }
    let Some(shape) = shape(cell) else {
        let plain = Marks {
            decimal: b'.',
            thousands: None,
        };
        return match read(cell, plain, Scale::ONE) {
            Cell::Missing | Cell::Overload => Look::Word,
            _ => Look::Text,
        };
    };
    shape
}

/// The look of a number; `None` if it is none.
fn shape(cell: &[u8]) -> Option<Look> {
    let mut text = Cow::Borrowed(std::str::from_utf8(cell).ok()?);
    if !text.is_ascii() {
        let plain = text.replace('\u{2212}', "-").replace('\u{2019}', "'");
        text = plain
            .replace(['\u{a0}', '\u{202f}', '\u{2009}'], " ")
            .into();
    }
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(&text);
    let (body, exponent) = match unsigned.find(['e', 'E']) {
        Some(at) => (&unsigned[..at], Some(&unsigned[at + 1..])),
        None => (unsigned, None),
    };
    if let Some(exponent) = exponent {
        let digits = exponent.strip_prefix(['+', '-']).unwrap_or(exponent);
        if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return None;
        }
    }
    if !body.bytes().any(|b| b.is_ascii_digit())
        || !body
            .bytes()
            .all(|b| b.is_ascii_digit() || b".,' ".contains(&b))
    {
        return None;
    }
    let marks: Vec<u8> = body.bytes().filter(|b| !b.is_ascii_digit()).collect();
    let last = *marks.last().unwrap_or(&0);
    let groups: Vec<&str> = body.split(['.', ',', '\'', ' ']).collect();
    let grouped = |groups: &[&str]| {
        (1..=3).contains(&groups[0].len()) && groups[1..].iter().all(|g| g.len() == 3)
    };
    match marks.as_slice() {
        [] => Some(Look::Whole),
        [mark @ (b'.' | b',')] => {
            let three = exponent.is_none() && grouped(&groups) && groups[0] != "0";
            Some(if three {
                Look::Either { mark: *mark }
            } else {
                Look::Decimal { mark: *mark }
            })
        }
        [mark] => grouped(&groups).then_some(Look::Grouped { mark: *mark }),
        [first, .., _] if marks.iter().all(|m| m == first) => {
            grouped(&groups).then_some(Look::Grouped { mark: *first })
        }
        [first, others @ .., _] => (matches!(last, b'.' | b',')
            && last != *first
            && others.iter().all(|m| m == first)
            && grouped(&groups[..groups.len() - 1]))
        .then_some(Look::Both {
            thousands: *first,
            decimal: last,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const POINT: Marks = Marks {
        decimal: b'.',
        thousands: None,
    };

    fn read1(cell: &[u8], marks: Marks) -> Cell {
        read(cell, marks, Scale::ONE)
    }

    #[test]
    fn cells_are_numbers_words_or_bad() {
        let comma = Marks {
            decimal: b',',
            thousands: Some(b'.'),
        };
        assert_eq!(read1(b" 1.5 ", POINT), Cell::Number(1.5));
        assert_eq!(read1(b"\"-1.5e3\"", POINT), Cell::Number(-1500.0));
        assert_eq!(read1(b"1.234,5", comma), Cell::Number(1234.5));
        assert_eq!(
            read1(
                "1\u{a0}234.5".as_bytes(),
                Marks {
                    decimal: b'.',
                    thousands: Some(b' ')
                }
            ),
            Cell::Number(1234.5)
        );
        assert_eq!(read1("\u{2212}2".as_bytes(), POINT), Cell::Number(-2.0));
        // A mark in the wrong place is never skipped in silence.
        assert_eq!(read1(b"1,5", POINT), Cell::Bad);
        assert_eq!(read1(b"12.34,5", comma), Cell::Bad);
        assert_eq!(
            read1(
                b"1.5",
                Marks {
                    decimal: b',',
                    thousands: None
                }
            ),
            Cell::Bad
        );
        for word in ["", "NaN", "--", "n/a"] {
            assert_eq!(read1(word.as_bytes(), POINT), Cell::Missing, "{word}");
        }
        for word in [
            "OVL",
            "+OL",
            "-Over",
            "Open Circuit",
            "inf",
            "9.9E+37",
            "-INF",
        ] {
            assert_eq!(read1(word.as_bytes(), POINT), Cell::Overload, "{word}");
        }
        for word in ["abc", "1.2.3", "1e", "0x10", "5 kN", "."] {
            assert_eq!(read1(word.as_bytes(), POINT), Cell::Bad, "{word}");
        }
    }

    #[test]
    fn a_loggers_usual_numbers_are_read_side_by_side() {
        for text in [
            "0.125;1.5;0",
            "-12.5\n000000",
            "7;;;;;;;;",
            "1234567;1",
            "-0.0003;1",
        ] {
            assert!(short(text.as_bytes(), b'.').is_some(), "{text}");
        }
        for text in [
            "12345678;0",
            "+1.5;0000",
            "0.125",
            ";1.5;1.5;",
            ".;1.5;1.5;",
            "-;1.5;1.5;",
        ] {
            assert_eq!(short(text.as_bytes(), b'.'), None, "{text}");
        }
    }

    #[test]
    fn looks_tell_decimals_from_thousands() {
        let cases = [
            ("12", Look::Whole),
            ("0.125", Look::Decimal { mark: b'.' }),
            ("1,25", Look::Decimal { mark: b',' }),
            ("1,234", Look::Either { mark: b',' }),
            ("1.234.567", Look::Grouped { mark: b'.' }),
            ("1'234", Look::Grouped { mark: b'\'' }),
            (
                "1,234.5",
                Look::Both {
                    thousands: b',',
                    decimal: b'.',
                },
            ),
            ("1234.567", Look::Decimal { mark: b'.' }),
            ("09:30:01", Look::Time),
            ("OVL", Look::Word),
            ("", Look::Empty),
            ("Load", Look::Text),
            ("1.2,3.4", Look::Text),
        ];
        for (text, expected) in cases {
            assert_eq!(look(text.as_bytes()), expected, "{text}");
        }
    }

    proptest! {
        /// Side by side or byte by byte: the same number ends at the same place.
        #[test]
        fn short_numbers_are_read_alike_both_ways(text in "[-+]?[0-9]{0,9}[.,]?[0-9]{0,9}[,;\n -~\u{fc}.]{0,9}") {
            for decimal in [b'.', b','] {
                if let Some(found) = short(text.as_bytes(), decimal) {
                    prop_assert_eq!(Some(found), long(text.as_bytes(), decimal));
                }
            }
        }

        /// The fast path and the standard library's exact reader agree to the bit.
        #[test]
        fn fast_and_exact_reading_agree(
            whole in 0u64..1_000_000_000,
            fraction in "[0-9]{0,9}",
            tens in -6i32..=6,
            negative: bool,
        ) {
            let text = format!("{}{whole}.{fraction}", if negative { "-" } else { "" });
            let exact: f64 = format!("{text}0e{tens}").parse().unwrap();
            let Cell::Number(read) = read(text.as_bytes(), POINT, Scale { tens, factor: 1.0 }) else {
                panic!("{text}");
            };
            prop_assert_eq!(read.to_bits(), exact.to_bits());
            prop_assert_eq!(number(text.as_bytes(), POINT, tens).map(f64::to_bits), Some(exact.to_bits()));
            if let Some(digits) = plain(text.as_bytes(), b'.') {
                prop_assert_eq!(digits.used, text.len());
                let fast = times_ten_to(digits.mantissa, tens - digits.decimals);
                prop_assert_eq!(fast.map(f64::to_bits), Some(exact.to_bits()));
            }
        }
    }
}
