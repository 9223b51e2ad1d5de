//! Quantities with their units: parsed once on reading, SI inside, shown again in the unit the sheet used.
//!
//! One table per dimension lists every unit that a sheet, a header or a report may use, with its factor to SI and
//! where that factor comes from. Nothing else in the crate multiplies by a unit factor.

use std::fmt;
use std::marker::PhantomData;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error as _};

/// One unit: `value [SI] = value [unit] * to_si`.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// The symbol that reports print.
    pub symbol: &'static str,
    /// Other spellings that sheets and headers use, compared without regard to case.
    pub aliases: &'static [&'static str],
    /// Factor to the SI unit of the dimension.
    pub to_si: f64,
}

const fn unit(symbol: &'static str, aliases: &'static [&'static str], to_si: f64) -> Unit {
    Unit {
        symbol,
        aliases,
        to_si,
    }
}

/// A kind of quantity: its words, its units and the range a sheet may state.
pub trait Dimension: Copy + 'static {
    /// The word used in messages, such as "force".
    const WORD: &'static str;
    /// Every unit known; the first is the one used when nothing else is asked for.
    const UNITS: &'static [Unit];
    /// Legal range of a stated value in SI units, ends included.
    const RANGE: (f64, f64);
    /// Why the range ends where it does.
    const WHY: &'static str;
}

macro_rules! dimension {
    ($(#[$doc:meta])* $marker:ident, $alias:ident, $word:literal, $range:expr, $why:literal, [$($unit:expr),+ $(,)?]) => {
        #[doc = concat!("Marker of the dimension ", $word, ".")]
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct $marker;
        impl Dimension for $marker {
            const WORD: &'static str = $word;
            const UNITS: &'static [Unit] = &[$($unit),+];
            const RANGE: (f64, f64) = $range;
            const WHY: &'static str = $why;
        }
        $(#[$doc])*
        pub type $alias = Quantity<$marker>;
    };
}

/// Standard gravity in m/s² (ISO 80000-3), exact.
const G: f64 = 9.806_65;
/// International avoirdupois pound in kg, exact.
const LB: f64 = 0.453_592_37;
/// International inch in m, exact.
const INCH: f64 = 0.0254;

dimension!(
    /// A force, in N inside.
    ForceDim, Force, "force", (-1e8, 1e8), "no dock rig pulls 100 MN",
    [
        unit("kN", &["kilonewton", "kilonewtons"], 1e3),
        unit("N", &["newton", "newtons"], 1.0),
        unit("daN", &["decanewton"], 10.0),
        unit("MN", &[], 1e6),
        unit("kgf", &["kg", "kp", "kilopond"], G),
        unit("tf", &["t", "tonne", "tonnef"], 1e3 * G),
        unit("lbf", &["lb", "lbs", "pound", "pounds"], LB * G),
        unit("kip", &["klbf", "kips"], 1e3 * LB * G),
    ]
);
dimension!(
    /// A length or displacement, in m inside.
    LengthDim, Length, "length", (-1e5, 1e5), "no pull spans 100 km",
    [
        unit("mm", &["millimetre", "millimeter", "millimetres", "millimeters"], 1e-3),
        unit("m", &["metre", "meter", "metres", "meters"], 1.0),
        unit("cm", &["centimetre", "centimeter"], 1e-2),
        unit("µm", &["um", "μm", "micron", "microns"], 1e-6),
        unit("in", &["inch", "inches", "\""], INCH),
        unit("ft", &["foot", "feet"], 12.0 * INCH),
        unit("mil", &["mils", "thou"], 1e-3 * INCH),
    ]
);
dimension!(
    /// A span of time, in s inside.
    TimeDim, Duration, "time", (0.0, 1e9), "a pull lasts seconds to days",
    [
        unit("s", &["sec", "secs", "second", "seconds"], 1.0),
        unit("ms", &["msec", "millisecond", "milliseconds"], 1e-3),
        unit("us", &["\u{b5}s", "\u{3bc}s", "microsecond", "microseconds"], 1e-6),
        unit("ns", &["nanosecond", "nanoseconds"], 1e-9),
        unit("min", &["minute", "minutes"], 60.0),
        unit("h", &["hr", "hour", "hours"], 3600.0),
        unit("d", &["day", "days"], 86_400.0),
    ]
);
dimension!(
    /// A sampling rate, in Hz inside.
    RateDim, SampleRate, "sampling rate", (1e-6, 1e6), "loggers sample between once a day and 1 MHz",
    [unit("Hz", &["1/s", "hertz"], 1.0), unit("kHz", &[], 1e3), unit("1/min", &["/min"], 1.0 / 60.0)]
);
dimension!(
    /// Mass per length, in kg/m inside.
    LinearMassDim, LinearMass, "mass per length", (1e-6, 1e3), "from sewing thread to anchor chain",
    [
        unit("g/m", &["ktex"], 1e-3),
        unit("kg/m", &[], 1.0),
        unit("kg/100m", &["kg/100 m"], 1e-2),
        unit("lb/100ft", &["lb/100 ft"], LB / (1200.0 * INCH)),
    ]
);
dimension!(
    /// A stiffness, in N/m inside.
    StiffnessDim, Stiffness, "stiffness", (1.0, 1e15), "a rig softer than 1 N/m cannot be loaded",
    [
        unit("kN/mm", &[], 1e6),
        unit("N/mm", &[], 1e3),
        unit("kN/m", &[], 1e3),
        unit("N/m", &[], 1.0),
        unit("lbf/in", &["lb/in"], LB * G / INCH),
    ]
);
dimension!(
    /// A speed, in m/s inside.
    SpeedDim, Speed, "speed", (0.0, 1e3), "a line does not outrun sound",
    [
        unit("mm/min", &[], 1e-3 / 60.0),
        unit("mm/s", &[], 1e-3),
        unit("m/s", &[], 1.0),
        unit("in/min", &[], INCH / 60.0),
    ]
);
dimension!(
    /// Creep per decade of time, in m per decade inside.
    CreepDim, Creep, "creep per decade", (0.0, 1e2), "metres per decade is a run-out",
    [unit("mm/decade", &["mm per decade"], 1e-3), unit("in/decade", &["in per decade"], INCH)]
);
dimension!(
    /// A plane angle, in rad inside.
    AngleDim, Angle, "angle", (-100.0, 100.0), "more than fifteen turns is a spool",
    [unit("°", &["deg", "degree", "degrees"], std::f64::consts::PI / 180.0), unit("rad", &[], 1.0)]
);
dimension!(
    /// A share, dimensionless inside (1 = 100 %).
    ShareDim, Share, "share", (-10.0, 10.0), "shares are stated in per cent of a whole",
    [unit("%", &["percent", "per cent"], 1e-2), unit("1", &[], 1.0)]
);

/// A value of one dimension, with the unit it was written in.
#[derive(Clone, Copy, PartialEq)]
pub struct Quantity<D> {
    si: f64,
    unit: &'static Unit,
    dimension: PhantomData<D>,
}

/// Why a text is not a quantity of the dimension asked for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// No number at the start.
    #[error("`{text}` does not start with a number; write a {word} such as \"{example}\"")]
    NoNumber {
        text: String,
        word: &'static str,
        example: String,
    },
    /// A number without a unit.
    #[error("`{text}` has no unit; write a {word} such as \"{example}\"")]
    NoUnit {
        text: String,
        word: &'static str,
        example: String,
    },
    /// A decimal comma.
    #[error("`{text}` has a comma: decimals take a point in a sheet, thousands no mark")]
    Comma { text: String },
    /// A unit that measures something else, or nothing known.
    #[error("`{unit}` in `{text}` is no unit of {word}; known are {known}")]
    WrongUnit {
        text: String,
        unit: String,
        word: &'static str,
        known: String,
    },
    /// Outside the legal range.
    #[error("`{text}` is outside the range for a {word} ({why})")]
    OutOfRange {
        text: String,
        word: &'static str,
        why: &'static str,
    },
}

impl<D: Dimension> Quantity<D> {
    /// A quantity from its SI value, to be shown in `unit`.
    #[must_use]
    pub fn with_unit(si: f64, unit: &'static Unit) -> Self {
        Self {
            si,
            unit,
            dimension: PhantomData,
        }
    }

    /// The value in SI units.
    #[must_use]
    pub fn si(self) -> f64 {
        self.si
    }

    /// The unit it was written in.
    #[must_use]
    pub fn unit(self) -> &'static Unit {
        self.unit
    }

    /// Reads `"3.5 kN"`, `"2000 lbf"`, `"3/8 in"` or `"1 1/2 in"`.
    ///
    /// ```
    /// use bitterend::units::{ForceDim, LengthDim, Quantity};
    ///
    /// let load = Quantity::<ForceDim>::parse("2000 lbf")?;
    /// assert!((load.si() - 8896.443).abs() < 1e-3); // N
    /// let rope = Quantity::<LengthDim>::parse("3/8 in")?;
    /// assert!((rope.si() - 9.525e-3).abs() < 1e-12); // m
    /// assert!(Quantity::<ForceDim>::parse("2000 lbs of rope").is_err());
    /// # Ok::<(), bitterend::units::QuantityError>(())
    /// ```
    ///
    /// # Errors
    /// No number, no unit, a unit of another dimension, or a value outside the legal range.
    pub fn parse(text: &str) -> Result<Self, QuantityError> {
        let whole = text.trim();
        let example = format!("1.5 {}", D::UNITS[0].symbol);
        let split = number_end(whole);
        let Some(value) = parse_number(&whole[..split]) else {
            return Err(QuantityError::NoNumber {
                text: whole.into(),
                word: D::WORD,
                example,
            });
        };
        let symbol = whole[split..].trim();
        if symbol.is_empty() {
            return Err(QuantityError::NoUnit {
                text: whole.into(),
                word: D::WORD,
                example,
            });
        }
        let decimals = symbol.strip_prefix(',');
        if decimals.is_some_and(|d| d.starts_with(|c: char| c.is_ascii_digit())) {
            return Err(QuantityError::Comma { text: whole.into() });
        }
        let Some(unit) = find_unit::<D>(symbol) else {
            return Err(QuantityError::WrongUnit {
                text: whole.into(),
                unit: symbol.into(),
                word: D::WORD,
                known: D::UNITS
                    .iter()
                    .map(|u| u.symbol)
                    .collect::<Vec<_>>()
                    .join(", "),
            });
        };
        let si = value * unit.to_si;
        if !(D::RANGE.0..=D::RANGE.1).contains(&si) {
            return Err(QuantityError::OutOfRange {
                text: whole.into(),
                word: D::WORD,
                why: D::WHY,
            });
        }
        Ok(Self::with_unit(si, unit))
    }
}

/// The unit of dimension `D` written as `symbol`, in any case and with any listed spelling.
#[must_use]
pub fn find_unit<D: Dimension>(symbol: &str) -> Option<&'static Unit> {
    let wanted = symbol.trim();
    // Exact spelling first, and no other for "MN": a thousandth of a newton differs from it only in case.
    D::UNITS.iter().find(|u| u.symbol == wanted).or_else(|| {
        D::UNITS.iter().find(|u| {
            u.symbol != "MN" && u.symbol.eq_ignore_ascii_case(wanted)
                || u.aliases.iter().any(|a| a.eq_ignore_ascii_case(wanted))
        })
    })
}

/// Where the number at the start of `text` ends: digits, sign, point, exponent, and a fraction such as `1 1/2`.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut end = 0;
    while end < bytes.len() {
        let c = bytes[end];
        let exponent = (c == b'e' || c == b'E')
            && end > 0
            && bytes.get(end + 1).is_some_and(|n| {
                n.is_ascii_digit()
                    || ((*n == b'-' || *n == b'+')
                        && bytes.get(end + 2).is_some_and(u8::is_ascii_digit))
            });
        let mixed_fraction = c == b' '
            && end > 0
            && bytes[end + 1..]
                .iter()
                .take_while(|b| b.is_ascii_digit())
                .count()
                > 0
            && text[end + 1..]
                .trim_start_matches(|d: char| d.is_ascii_digit())
                .starts_with('/');
        let sign_in_exponent =
            (c == b'-' || c == b'+') && end > 0 && matches!(bytes[end - 1], b'e' | b'E');
        let leading_sign = (c == b'-' || c == b'+') && end == 0;
        if c.is_ascii_digit()
            || c == b'.'
            || c == b'/'
            || exponent
            || mixed_fraction
            || sign_in_exponent
            || leading_sign
        {
            end += 1;
        } else {
            break;
        }
    }
    end
}

fn parse_number(text: &str) -> Option<f64> {
    let text = text.trim();
    if let Some((left, denominator)) = text.split_once('/') {
        let (whole, numerator) = match left.trim().rsplit_once(' ') {
            Some((whole, numerator)) => (whole.trim().parse::<f64>().ok()?, numerator),
            None => (0.0, left.trim()),
        };
        let denominator = denominator.trim().parse::<f64>().ok()?;
        let value = whole + numerator.parse::<f64>().ok()? / denominator;
        return value.is_finite().then_some(value);
    }
    text.parse::<f64>().ok().filter(|v| v.is_finite())
}

impl<D: Dimension> fmt::Debug for Quantity<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

impl<D: Dimension> fmt::Display for Quantity<D> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Twelve significant digits undo the last-bit error of dividing by the factor.
        let value = self.si / self.unit.to_si;
        let rounded: f64 = format!("{value:.11e}").parse().unwrap_or(value);
        write!(f, "{rounded} {}", self.unit.symbol)
    }
}

impl<D: Dimension> Serialize for Quantity<D> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de, D: Dimension> Deserialize<'de> for Quantity<D> {
    fn deserialize<De: Deserializer<'de>>(deserializer: De) -> Result<Self, De::Error> {
        struct Visitor<D>(PhantomData<D>);
        impl<D: Dimension> serde::de::Visitor<'_> for Visitor<D> {
            type Value = Quantity<D>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(
                    f,
                    "a {} with its unit, in quotes, such as \"1.5 {}\"",
                    D::WORD,
                    D::UNITS[0].symbol
                )
            }
            fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Self::Value, E> {
                Quantity::parse(text).map_err(E::custom)
            }
        }
        deserializer
            .deserialize_any(Visitor(PhantomData))
            .map_err(De::Error::custom)
    }
}

impl<D: Dimension> JsonSchema for Quantity<D> {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        D::WORD.replace(' ', "_").into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "type": "string",
            "description": format!("A {} with its unit, such as \"1.5 {}\". Units: {}.", D::WORD, D::UNITS[0].symbol,
                D::UNITS.iter().map(|u| u.symbol).collect::<Vec<_>>().join(", ")),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Factors by definition: ISO 80000-3 (gravity, inch) and the international pound of 1959, both exact.
    #[test]
    fn written_quantities_become_si() {
        let cases: &[(&str, f64)] = &[
            ("3.5 kN", 3500.0),
            ("2000 lbf", 8_896.443_230_521),
            ("250daN", 2500.0),
            ("-1.5e2 N", -150.0),
            ("100 kgf", 980.665),
        ];
        for (text, newtons) in cases {
            let force = Force::parse(text).expect(text);
            assert!(
                (force.si() - newtons).abs() < 1e-9 * newtons.abs(),
                "{text}: {}",
                force.si()
            );
        }
        let lengths: &[(&str, f64)] = &[
            ("3/8 in", 0.009_525),
            ("1 1/2 in", 0.0381),
            ("6 ft", 1.8288),
            ("12 mm", 0.012),
            ("5 \"", 0.127),
        ];
        for (text, metres) in lengths {
            let length = Length::parse(text).expect(text);
            assert!(
                (length.si() - metres).abs() < 1e-12,
                "{text}: {}",
                length.si()
            );
        }
    }

    #[test]
    fn wrong_quantities_say_what_is_wrong() {
        assert!(matches!(
            Force::parse("3 mm"),
            Err(QuantityError::WrongUnit { .. })
        ));
        assert!(matches!(
            Force::parse("3"),
            Err(QuantityError::NoUnit { .. })
        ));
        assert!(matches!(
            Force::parse("much"),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!(matches!(
            Length::parse("1/0 in"),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!(matches!(
            Duration::parse("-3 s"),
            Err(QuantityError::OutOfRange { .. })
        ));
    }

    #[test]
    fn a_quantity_is_shown_as_it_was_written() {
        for text in ["3.5 kN", "0.1 in", "2000 lbf", "0.3 mm/decade"] {
            let shown = Force::parse(text)
                .map(|q| q.to_string())
                .or_else(|_| Length::parse(text).map(|q| q.to_string()))
                .or_else(|_| Creep::parse(text).map(|q| q.to_string()));
            assert_eq!(shown.as_deref(), Ok(text));
        }
    }
}
