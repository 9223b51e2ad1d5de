//! One shape for every estimate: value, standard error, interval with its level, unit, method.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What an estimate measures. Inside values are SI; machine files show them in the unit named here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Measure {
    /// Length, slip, travel: m inside, mm in files.
    #[serde(rename = "mm")]
    Length,
    /// Force: N inside, kN in files.
    #[serde(rename = "kN")]
    Force,
    /// Time in s.
    #[serde(rename = "s")]
    Time,
    /// Speed: m/s inside, mm/min in files.
    #[serde(rename = "mm/min")]
    Speed,
    /// Creep: m per decade inside, mm/decade in files.
    #[serde(rename = "mm/decade")]
    Creep,
    /// Energy in J.
    #[serde(rename = "J")]
    Energy,
    /// A share, 1 = whole.
    #[serde(rename = "1")]
    Share,
}

impl Measure {
    /// SI value of one unit as shown in machine files.
    #[must_use]
    pub fn to_si(self) -> f64 {
        match self {
            Self::Length | Self::Creep => 1e-3,
            Self::Force => 1e3,
            Self::Speed => 1e-3 / 60.0,
            Self::Time | Self::Energy | Self::Share => 1.0,
        }
    }
}

/// What kind of statement an estimate is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// A value with an interval around it.
    Measured,
    /// Indistinguishable from zero: the interval is one-sided, from zero to `high`.
    AtMost,
    /// The gauges give two ends and nothing between: no value. Without an upper end nothing bounds it from above.
    Bracket,
    /// A load that was held without reaching the rule: `low` is a lower bound, no value.
    NotReached,
    /// A curve carried past the highest load: never enters a limit or a verdict.
    Projected,
    /// Absent, with a reason.
    CannotTell,
}

/// An estimate, or the reason why there is none. Values are SI inside and in the unit of `measure` in files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(from = "Shown", into = "Shown")]
pub struct Estimate {
    /// What is measured.
    pub measure: Measure,
    /// What kind of statement this is.
    pub status: Status,
    /// Best value; absent for brackets, bounds and what cannot be told.
    pub value: Option<f64>,
    /// Standard uncertainty of the value, all sources together.
    pub standard_error: Option<f64>,
    /// Lower end of the interval; absent where unbounded.
    pub low: Option<f64>,
    /// Upper end of the interval; absent where unbounded.
    pub high: Option<f64>,
    /// Coverage of the interval, such as 0.95.
    pub level: f64,
    /// How it was found, in a few words.
    pub method: String,
    /// Why there is no value, or what the statement assumes.
    pub reason: Option<String>,
}

/// Coverage of every interval unless a stage says otherwise.
pub const LEVEL: f64 = 0.95;

impl Estimate {
    /// A value with an interval.
    #[must_use]
    pub fn measured(
        measure: Measure,
        value: f64,
        standard_error: f64,
        low: f64,
        high: f64,
        method: impl Into<String>,
    ) -> Self {
        Self {
            measure,
            status: Status::Measured,
            value: Some(value),
            standard_error: Some(standard_error),
            low: Some(low),
            high: Some(high),
            level: LEVEL,
            method: method.into(),
            reason: None,
        }
    }

    /// Zero as far as can be seen, and at most `high`.
    #[must_use]
    pub fn at_most(
        measure: Measure,
        value: f64,
        standard_error: f64,
        high: f64,
        method: impl Into<String>,
    ) -> Self {
        Self {
            status: Status::AtMost,
            ..Self::measured(measure, value, standard_error, 0.0, high, method)
        }
    }

    /// Two ends and nothing between.
    #[must_use]
    pub fn bracket(
        measure: Measure,
        low: f64,
        high: f64,
        method: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        Self {
            measure,
            status: Status::Bracket,
            value: None,
            standard_error: None,
            low: Some(low),
            high: Some(high),
            level: LEVEL,
            method: method.into(),
            reason: Some(reason.into()),
        }
    }

    /// A lower end, and nothing that bounds it from above.
    #[must_use]
    pub fn at_least(
        measure: Measure,
        low: f64,
        method: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        Self {
            high: None,
            ..Self::bracket(measure, low, low, method, reason)
        }
    }

    /// Held without reaching the rule: a lower bound.
    #[must_use]
    pub fn not_reached(
        measure: Measure,
        low: f64,
        method: impl Into<String>,
        reason: impl Into<String>,
    ) -> Self {
        Self {
            status: Status::NotReached,
            ..Self::at_least(measure, low, method, reason)
        }
    }

    /// Absent, with a reason.
    #[must_use]
    pub fn cannot_tell(measure: Measure, reason: impl Into<String>) -> Self {
        Self {
            measure,
            status: Status::CannotTell,
            value: None,
            standard_error: None,
            low: None,
            high: None,
            level: LEVEL,
            method: String::new(),
            reason: Some(reason.into()),
        }
    }

    /// One-sided 95 % bounds, below and above, of a two-sided 95 % interval: the value lies above the first, or below the
    /// second, with that confidence. A bracket counts whole. `None` where an end is missing.
    #[must_use]
    pub fn one_sided(&self) -> Option<(f64, f64)> {
        let (low, high) = (self.low?, self.high?);
        let Some(value) = self.value else {
            return Some((low, high));
        };
        let share = one_sided_share(0.5 * (high - low), self.standard_error);
        Some((
            value - share * (value - low),
            value + share * (high - value),
        ))
    }

    /// True where there is a value with an interval (measured or at most).
    #[must_use]
    pub fn is_known(&self) -> bool {
        matches!(self.status, Status::Measured | Status::AtMost)
    }
}

/// Share of a two-sided 95 % half width that a one-sided 95 % bound takes: 1.645/1.960 for a normal error, 0.90/0.95
/// for a rectangular one, between them by how many standard errors the half width holds. Without a standard error the
/// wider, rectangular one.
#[must_use]
pub fn one_sided_share(half_width: f64, standard_error: Option<f64>) -> f64 {
    const NORMAL: (f64, f64) = (1.959_964, 0.839_255);
    const RECTANGULAR: (f64, f64) = (1.645_448, 0.947_368);
    let Some(error) = standard_error.filter(|e| *e > 0.0) else {
        return RECTANGULAR.1;
    };
    let toward_normal = (half_width / error - RECTANGULAR.0) / (NORMAL.0 - RECTANGULAR.0);
    RECTANGULAR.1 + toward_normal.clamp(0.0, 1.0) * (NORMAL.1 - RECTANGULAR.1)
}

/// The form of an estimate in machine files.
#[derive(Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Estimate")]
struct Shown {
    /// Best value in `unit`; null for brackets, bounds and what cannot be told.
    value: Option<f64>,
    /// Standard uncertainty in `unit`.
    standard_error: Option<f64>,
    /// Lower end of the interval in `unit`; null where unbounded.
    low: Option<f64>,
    /// Upper end of the interval in `unit`; null where unbounded.
    high: Option<f64>,
    /// Coverage of the interval.
    level: f64,
    /// Unit of value, standard_error, low and high.
    unit: Measure,
    /// What kind of statement this is.
    status: Status,
    /// How it was found.
    method: String,
    /// Why there is no value, or what the statement assumes.
    reason: Option<String>,
}

impl From<Estimate> for Shown {
    fn from(e: Estimate) -> Self {
        let scale = |v: Option<f64>| v.map(|v| v / e.measure.to_si());
        Self {
            value: scale(e.value),
            standard_error: scale(e.standard_error),
            low: scale(e.low),
            high: scale(e.high),
            level: e.level,
            unit: e.measure,
            status: e.status,
            method: e.method,
            reason: e.reason,
        }
    }
}

impl From<Shown> for Estimate {
    fn from(s: Shown) -> Self {
        let scale = |v: Option<f64>| v.map(|v| v * s.unit.to_si());
        Self {
            measure: s.unit,
            status: s.status,
            value: scale(s.value),
            standard_error: scale(s.standard_error),
            low: scale(s.low),
            high: scale(s.high),
            level: s.level,
            method: s.method,
            reason: s.reason,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bounds of a pure normal and a pure rectangular error, exact: 1.644854 and 0.9·√3 standard errors.
    #[test]
    fn one_sided_bounds_of_the_two_extremes() {
        let bound = |half: f64| {
            let e = Estimate::measured(Measure::Length, 0.0, 1.0, -half, half, "test");
            e.one_sided().unwrap().1
        };
        assert!((bound(1.959_964) - 1.644_854).abs() < 1e-4);
        assert!((bound(0.95 * 3f64.sqrt()) - 0.9 * 3f64.sqrt()).abs() < 1e-4);
    }

    #[test]
    fn files_show_kilonewtons_and_millimetres() {
        let limit = Estimate::measured(Measure::Force, 8000.0, 100.0, 7800.0, 8200.0, "test");
        let json = serde_json::to_value(&limit).unwrap();
        assert_eq!(json["value"], 8.0);
        assert_eq!(json["unit"], "kN");
        let back: Estimate = serde_json::from_value(json).unwrap();
        assert_eq!(back, limit);
        let slip = Estimate::at_most(Measure::Length, 0.0, 1e-4, 2e-4, "test");
        let json = serde_json::to_value(&slip).unwrap();
        assert_eq!(
            (json["low"].as_f64(), json["high"].as_f64()),
            (Some(0.0), Some(0.2))
        );
        assert_eq!(json["status"], "at-most");
    }
}
