//! What a gauge's sheet entry states about its errors, as numbers.
//!
//! Question: how wrong can this gauge be, before anything is read? Method: the words of a certificate (`class 1`,
//! `0.5 % of reading`, `0.1 % of full scale`, `0.2 mm`, several joined by `+`) become half widths in SI.
//! Assumption: joined terms act together, so half widths of one kind add up, which is the cautious reading.
//!
//! Sources: ISO 7500-1, class c of a force-measuring system: relative error at most ± c % of the reading (from memory);
//! ISO 9513, class c of an extensometer: ± c % of the reading or ± 3c µm, whichever is greater (class 0.5 read in a
//! public text, the others from memory). The greater of the two is never above their sum, which is what is used here.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::sheet::{Gauge, Gauges};
use crate::units::{
    Dimension, Force, ForceDim, Length, LengthDim, QuantityError, Share, Unit, find_unit,
};

/// A measuring channel by what it watches.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum GaugeKind {
    /// The load cell.
    Load,
    /// Travel of the pulled point.
    Travel,
    /// Mark on the cover at the mouth.
    Mark,
    /// Mark on the tail.
    Tail,
    /// Body of the stopper or its mount.
    Body,
    /// Core draw-in at the bitter end.
    Core,
    /// Two marks on plain line.
    Span,
    /// Load on the tail.
    TailLoad,
}

impl GaugeKind {
    /// The key of the gauge in the sheet, also its name in messages.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Load => "load",
            Self::Travel => "travel",
            Self::Mark => "mark",
            Self::Tail => "tail",
            Self::Body => "body",
            Self::Core => "core",
            Self::Span => "span",
            Self::TailLoad => "tail_load",
        }
    }

    /// The gauge in sentences and in heads of tables.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::TailLoad => "tail load",
            other => other.name(),
        }
    }

    /// True for the channels that measure a force; the others measure a length.
    #[must_use]
    pub fn is_force(self) -> bool {
        matches!(self, Self::Load | Self::TailLoad)
    }
}

impl GaugeKind {
    /// Every kind, in the order in which a log keeps its channels.
    pub const ALL: [Self; 8] = [
        Self::Load,
        Self::Travel,
        Self::Mark,
        Self::Tail,
        Self::Body,
        Self::Core,
        Self::Span,
        Self::TailLoad,
    ];

    /// The word of what it measures: "force" or "length".
    #[must_use]
    pub fn word(self) -> &'static str {
        if self.is_force() {
            ForceDim::WORD
        } else {
            LengthDim::WORD
        }
    }

    /// The unit of this gauge's kind written as `symbol`, if it is one.
    #[must_use]
    pub fn unit(self, symbol: &str) -> Option<&'static Unit> {
        if self.is_force() {
            find_unit::<ForceDim>(symbol)
        } else {
            find_unit::<LengthDim>(symbol)
        }
    }

    /// The symbols of every unit that this gauge may have, for messages.
    #[must_use]
    pub fn known_units(self) -> String {
        let units = if self.is_force() {
            ForceDim::UNITS
        } else {
            LengthDim::UNITS
        };
        let symbols: Vec<_> = units.iter().map(|u| u.symbol).collect();
        symbols.join(", ")
    }

    fn quantity(self, text: &str) -> Result<f64, QuantityError> {
        if self.is_force() {
            Force::parse(text).map(Force::si)
        } else {
            Length::parse(text).map(Length::si)
        }
    }
}

impl Gauges {
    /// The gauges that the sheet has, in the order of [`GaugeKind`].
    pub fn iter(&self) -> impl Iterator<Item = (GaugeKind, &Gauge)> {
        GaugeKind::ALL
            .into_iter()
            .filter_map(|kind| self.get(kind).map(|gauge| (kind, gauge)))
    }

    /// The gauge of this kind, if the sheet has it.
    #[must_use]
    pub fn get(&self, kind: GaugeKind) -> Option<&Gauge> {
        match kind {
            GaugeKind::Load => Some(&self.load),
            GaugeKind::Travel => self.travel.as_ref(),
            GaugeKind::Mark => self.mark.as_ref(),
            GaugeKind::Tail => self.tail.as_ref(),
            GaugeKind::Body => self.body.as_ref(),
            GaugeKind::Core => self.core.as_ref(),
            GaugeKind::Span => self.span.as_ref(),
            GaugeKind::TailLoad => self.tail_load.as_ref(),
        }
    }
}

/// What the sheet states about a gauge: half widths and ranges in SI (N or m).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Stated {
    /// True when the sheet gives an accuracy; else `gain` and `fixed` are 0 because nothing is known, not because it is exact.
    pub accuracy_stated: bool,
    /// Share of the reading, half width.
    pub gain: f64,
    /// Error independent of the reading, half width.
    pub fixed: f64,
    /// Drift over the pull, half width; `None` if not stated.
    pub drift: Option<f64>,
    /// Zero error that may stand over the whole pull, half width; `None` if not stated.
    pub zero: Option<f64>,
    /// Smallest step of the reading; `None` if not stated.
    pub resolution: Option<f64>,
    /// Full scale; `None` if not stated.
    pub capacity: Option<f64>,
}

impl Gauge {
    /// The numbers behind the words of this gauge's entry.
    ///
    /// # Errors
    /// A text that is no such quantity, a unit of the wrong kind, a class that the standard does not have, per cent of
    /// full scale without a capacity, or per cent of nothing in particular.
    pub fn stated(&self, kind: GaugeKind) -> Result<Stated, StatedError> {
        let positive = |key: &'static str, text: &Option<String>| -> Result<_, StatedError> {
            let Some(text) = text else { return Ok(None) };
            let bare = text.trim().trim_start_matches(['±', '+']).trim_start();
            let value = kind
                .quantity(bare)
                .map_err(|source| StatedError::Quantity { key, source })?;
            if value < 0.0 || (value == 0.0 && key == "capacity") {
                return Err(StatedError::NotPositive {
                    key,
                    text: text.clone(),
                });
            }
            Ok(Some(value))
        };
        let capacity = positive("capacity", &self.capacity)?;
        let mut stated = Stated {
            accuracy_stated: self.accuracy.is_some(),
            gain: 0.0,
            fixed: 0.0,
            drift: positive("drift", &self.drift)?,
            zero: positive("zero", &self.zero)?,
            resolution: positive("resolution", &self.resolution)?,
            capacity,
        };
        for term in self.accuracy.iter().flat_map(|a| a.split('+')) {
            let (gain, fixed) = accuracy_term(kind, term, capacity)?;
            stated.gain += gain;
            stated.fixed += fixed;
        }
        Ok(stated)
    }
}

/// Why the words of a gauge's entry say nothing that can be used. `key` is the key of the gauge's table.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StatedError {
    /// No quantity of this gauge's kind.
    #[error("{source}")]
    Quantity {
        key: &'static str,
        source: QuantityError,
    },
    /// A size that must be positive.
    #[error("`{text}` must be greater than zero")]
    NotPositive { key: &'static str, text: String },
    /// No such class.
    #[error("`{text}` is no class of {standard}; known are {known}")]
    NoSuchClass {
        text: String,
        standard: &'static str,
        known: &'static str,
    },
    /// Per cent of full scale, and no full scale.
    #[error("`{text}` needs the gauge's `capacity`, which the sheet does not state")]
    NoCapacity { text: String },
    /// Per cent of what?
    #[error("`{text}` does not say of what; write `{text} of reading` or `{text} of full scale`")]
    PercentOfWhat { text: String },
    /// Nothing known.
    #[error(
        "`{text}` is no accuracy; write `class 1`, `0.5 % of reading`, `0.1 % of full scale` or a {word}, joined by `+`"
    )]
    NoAccuracy { text: String, word: &'static str },
}

impl StatedError {
    /// The key of the gauge's table that is wrong.
    #[must_use]
    pub fn key(&self) -> &'static str {
        match self {
            Self::Quantity { key, .. } | Self::NotPositive { key, .. } => key,
            _ => "accuracy",
        }
    }
}

/// Gain and fixed half width of one term of an accuracy.
fn accuracy_term(
    kind: GaugeKind,
    term: &str,
    capacity: Option<f64>,
) -> Result<(f64, f64), StatedError> {
    let text = term.trim().trim_start_matches('±').trim().to_owned();
    let lower = text.to_lowercase();
    if let Some(class) = lower.strip_prefix("class") {
        return class_term(kind, &text, class.trim());
    }
    if let Some(at) = lower.find('%') {
        let number = Share::parse(lower[..=at].trim()).map_err(|source| StatedError::Quantity {
            key: "accuracy",
            source,
        })?;
        if number.si() < 0.0 {
            return Err(StatedError::NotPositive {
                key: "accuracy",
                text,
            });
        }
        let of = lower[at + 1..].trim().trim_start_matches("of ").trim();
        return match of.trim_start_matches("the ") {
            "reading" | "rdg" | "rd" | "indicated" | "indicated value" | "measured value" => {
                Ok((number.si(), 0.0))
            }
            "full scale" | "fs" | "f.s." | "fso" | "range" | "capacity" | "rated output" => {
                capacity
                    .map(|c| (0.0, number.si() * c))
                    .ok_or(StatedError::NoCapacity { text })
            }
            "" => Err(StatedError::PercentOfWhat { text }),
            _ => Err(StatedError::NoAccuracy {
                text,
                word: kind.word(),
            }),
        };
    }
    match kind.quantity(&text) {
        Ok(value) if value >= 0.0 => Ok((0.0, value)),
        Ok(_) => Err(StatedError::NotPositive {
            key: "accuracy",
            text,
        }),
        Err(source @ QuantityError::WrongUnit { .. }) => Err(StatedError::Quantity {
            key: "accuracy",
            source,
        }),
        Err(_) => Err(StatedError::NoAccuracy {
            text,
            word: kind.word(),
        }),
    }
}

fn class_term(kind: GaugeKind, text: &str, class: &str) -> Result<(f64, f64), StatedError> {
    let (standard, known, classes): (_, _, &[&str]) = if kind.is_force() {
        ("ISO 7500-1", "0.5, 1, 2, 3", &["0.5", "1", "2", "3"])
    } else {
        ("ISO 9513", "0.2, 0.5, 1, 2", &["0.2", "0.5", "1", "2"])
    };
    let number = classes
        .contains(&class)
        .then(|| class.parse::<f64>().ok())
        .flatten();
    let Some(class) = number else {
        return Err(StatedError::NoSuchClass {
            text: text.into(),
            standard,
            known,
        });
    };
    let fixed = if kind.is_force() { 0.0 } else { 3e-6 * class };
    Ok((class / 100.0, fixed))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gauge(accuracy: &str, capacity: Option<&str>) -> Gauge {
        let mut text = format!("column = \"x\"\naccuracy = \"{accuracy}\"\n");
        if let Some(capacity) = capacity {
            text += &format!("capacity = \"{capacity}\"\n");
        }
        toml::from_str(&text).unwrap()
    }

    /// Figures of ISO 7500-1 (± c % of reading) and ISO 9513 (class 0.5: 0.5 % or 1.5 µm; class 1: 1 % or 3 µm).
    #[test]
    fn words_of_certificates_become_half_widths() {
        let cases = [
            (GaugeKind::Load, "class 1", None, 0.01, 0.0),
            (GaugeKind::Travel, "class 0.5", None, 0.005, 1.5e-6),
            (GaugeKind::Travel, "Class 1", None, 0.01, 3e-6),
            (GaugeKind::Load, "0.5 % of reading", None, 0.005, 0.0),
            (
                GaugeKind::Load,
                "0.1 % of full scale",
                Some("50 kN"),
                0.0,
                50.0,
            ),
            (GaugeKind::Load, "± 0.1% FS", Some("50 kN"), 0.0, 50.0),
            (GaugeKind::Mark, "0.2 mm", None, 0.0, 2e-4),
            (
                GaugeKind::Mark,
                "0.5 % of reading + 0.2 mm",
                None,
                0.005,
                2e-4,
            ),
            (GaugeKind::Load, "class 2 + 10 N", None, 0.02, 10.0),
        ];
        for (kind, accuracy, capacity, gain, fixed) in cases {
            let stated = gauge(accuracy, capacity).stated(kind).unwrap();
            assert!((stated.gain - gain).abs() < 1e-12, "{accuracy}");
            assert!((stated.fixed - fixed).abs() < 1e-9, "{accuracy}");
            assert!(stated.accuracy_stated);
        }
        let bare: Gauge = toml::from_str("column = \"x\"").unwrap();
        assert_eq!(bare.stated(GaugeKind::Load).unwrap(), Stated::default());
    }

    #[test]
    fn unclear_words_say_what_is_unclear() {
        let says = |kind: GaugeKind, accuracy: &str| {
            gauge(accuracy, None).stated(kind).unwrap_err().to_string()
        };
        assert_eq!(
            says(GaugeKind::Load, "0.5 %"),
            "`0.5 %` does not say of what; write `0.5 % of reading` or `0.5 % of full scale`"
        );
        assert_eq!(
            says(GaugeKind::Load, "0.1 % of full scale"),
            "`0.1 % of full scale` needs the gauge's `capacity`, which the sheet does not state"
        );
        assert_eq!(
            says(GaugeKind::Travel, "class 7"),
            "`class 7` is no class of ISO 9513; known are 0.2, 0.5, 1, 2"
        );
        assert_eq!(
            says(GaugeKind::Load, "3 mm"),
            "`mm` in `3 mm` is no unit of force; known are kN, N, daN, MN, kgf, tf, lbf, kip"
        );
        assert!(says(GaugeKind::Load, "good").contains("is no accuracy"));
    }
}
