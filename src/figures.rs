//! How a figure is written for people: the report's units, and rounding by the uncertainty.
//!
//! Charts and reports show the standard error's first significant digit, and its second where the first is 1 or 2:
//! JCGM 100:2008, 7.2.6 gives two as the most that is useful. The ends of the interval follow the value. A share of
//! the load is shown to a tenth of a per cent at most, for nobody acts on less. A bracket or a bound has no standard error: its ends are rounded outward, so that
//! what is printed never claims more than what was found. Machine files carry full precision and do not come here.

use crate::sheet::{Gauge, ReportUnits, Sheet};
use crate::stats::{Estimate, Measure, Status};
use crate::units::{Dimension, ForceDim, LengthDim, Unit, find_unit};

/// Sentences in the report's units.
mod retold;

/// The units that a report and its charts speak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Units {
    /// Unit of loads.
    pub force: &'static Unit,
    /// Unit of travel and slip.
    pub length: &'static Unit,
}

impl Units {
    /// The units that the sheet asks for: those of its gauges unless it says `SI` or `US`.
    #[must_use]
    pub fn of(sheet: &Sheet) -> Self {
        let named = |force, length| Self {
            force: find_unit::<ForceDim>(force).unwrap_or(&ForceDim::UNITS[0]),
            length: find_unit::<LengthDim>(length).unwrap_or(&LengthDim::UNITS[0]),
        };
        match sheet.report.units {
            ReportUnits::Si => named("kN", "mm"),
            ReportUnits::Us => named("lbf", "in"),
            ReportUnits::Sheet => {
                let g = &sheet.gauges;
                let lengths = [&g.travel, &g.mark, &g.tail, &g.body, &g.core, &g.span];
                Self {
                    force: gauge_unit::<ForceDim>(&g.load).unwrap_or(&ForceDim::UNITS[0]),
                    length: lengths
                        .into_iter()
                        .flatten()
                        .find_map(gauge_unit::<LengthDim>)
                        .unwrap_or(&LengthDim::UNITS[0]),
                }
            }
        }
    }

    /// Symbol of the unit in which this measure is shown.
    #[must_use]
    pub fn symbol(&self, measure: Measure) -> String {
        match measure {
            Measure::Length => self.length.symbol.into(),
            Measure::Force => self.force.symbol.into(),
            Measure::Time => "s".into(),
            Measure::Speed => format!("{}/min", self.length.symbol),
            Measure::Creep => format!("{} per decade", self.length.symbol),
            Measure::Energy => "J".into(),
            Measure::Share => "%".into(),
        }
    }

    /// SI value of one shown unit of this measure.
    #[must_use]
    pub fn to_si(&self, measure: Measure) -> f64 {
        match measure {
            Measure::Length | Measure::Creep => self.length.to_si,
            Measure::Force => self.force.to_si,
            Measure::Speed => self.length.to_si / 60.0,
            Measure::Share => 0.01,
            Measure::Time | Measure::Energy => 1.0,
        }
    }

    /// A load given in kN as a plain number of the report's unit.
    #[must_use]
    pub fn load(&self, kilonewtons: f64) -> f64 {
        kilonewtons * 1e3 / self.force.to_si
    }

    /// A length given in mm as a plain number of the report's unit.
    #[must_use]
    pub fn length(&self, millimetres: f64) -> f64 {
        millimetres * 1e-3 / self.length.to_si
    }

    /// A load given in kN, three significant digits, with its unit.
    #[must_use]
    pub fn load_text(&self, kilonewtons: f64) -> String {
        with_unit(&significant(self.load(kilonewtons), 3), self.force.symbol)
    }

    /// A length given in mm, three significant digits, with its unit.
    #[must_use]
    pub fn length_text(&self, millimetres: f64) -> String {
        with_unit(
            &significant(self.length(millimetres), 3),
            self.length.symbol,
        )
    }

    /// A long length given in mm (a line, not a slip), in m or ft, with its unit.
    #[must_use]
    pub fn long_text(&self, millimetres: f64) -> String {
        let symbol = if matches!(self.length.symbol, "in" | "ft") {
            "ft"
        } else {
            "m"
        };
        let to_si = find_unit::<LengthDim>(symbol).map_or(1.0, |u| u.to_si);
        with_unit(&significant(millimetres * 1e-3 / to_si, 3), symbol)
    }

    /// The numbers of an estimate, rounded, without their unit.
    #[must_use]
    pub fn figure(&self, estimate: &Estimate) -> Figure {
        Figure::of(estimate, self.to_si(estimate.measure))
    }

    /// An estimate in words for running text, with its unit, such as `6.913 kN (95 % interval 6.750 to 7.076)`.
    #[must_use]
    pub fn words(&self, estimate: &Estimate) -> String {
        let unit = self.symbol(estimate.measure);
        let level = percent(estimate.level);
        match self.figure(estimate) {
            Figure::Value { value, low, high } => match (low, high) {
                (Some(low), Some(high)) => format!(
                    "{} ({level} % interval {low} to {high})",
                    with_unit(&value, &unit)
                ),
                (Some(low), None) => {
                    format!("{} ({level} %: at least {low})", with_unit(&value, &unit))
                }
                (None, Some(high)) => {
                    format!("{} ({level} %: at most {high})", with_unit(&value, &unit))
                }
                (None, None) => with_unit(&value, &unit),
            },
            bound @ Figure::AtMost(_) => format!("{} ({level} %)", bound.plain(&unit)),
            other => other.plain(&unit),
        }
    }

    /// An estimate for a table cell whose head names the unit, such as `6.913 (6.750 to 7.076)`.
    #[must_use]
    pub fn cell(&self, estimate: &Estimate) -> String {
        match self.figure(estimate) {
            Figure::Value {
                value,
                low: Some(low),
                high: Some(high),
            } => format!("{value} ({low} to {high})"),
            Figure::Value { value, .. } => value,
            Figure::CannotTell => "—".into(),
            other => other.plain(""),
        }
    }

    /// A sentence of a stage with its loads and slips in the units of the report.
    #[must_use]
    pub fn retold(&self, text: &str) -> String {
        retold::retold(self, text)
    }

    /// An estimate for a chart's label, with its unit and as short as it can be.
    #[must_use]
    pub fn label(&self, estimate: &Estimate) -> String {
        let unit = self.symbol(estimate.measure);
        match self.figure(estimate) {
            Figure::Value { value, .. } => with_unit(&value, &unit),
            other => other.plain(&unit),
        }
    }
}

/// The numbers of an estimate as they are printed.
#[derive(Debug, Clone, PartialEq)]
pub enum Figure {
    /// A value with the ends of its interval, where it has them.
    Value {
        value: String,
        low: Option<String>,
        high: Option<String>,
    },
    /// Zero as far as can be seen, and at most this.
    AtMost(String),
    /// Between these ends.
    Between(String, String),
    /// More than this.
    Above(String),
    /// A projection past the highest load.
    Projected(String),
    /// Nothing can be said.
    CannotTell,
}

impl Figure {
    fn of(estimate: &Estimate, to_si: f64) -> Self {
        let shown = |v: Option<f64>| v.map(|v| v / to_si).filter(|v| v.is_finite());
        let (value, low, high) = (
            shown(estimate.value),
            shown(estimate.low),
            shown(estimate.high),
        );
        let width = low.zip(high).map(|(l, h)| h - l);
        let error = shown(estimate.standard_error).filter(|e| *e > 0.0);
        let most = most_places(estimate.measure, to_si);
        match (estimate.status, value, low, high) {
            (Status::Measured | Status::Projected, Some(value), ..) => {
                // Without a standard error the interval stands in for it: a 95 % interval is about four wide.
                let size = error.or(width.map(|w| w / 4.0)).filter(|s| *s > 0.0);
                let places = size
                    .map_or_else(|| places_of(value, 3), places_by)
                    .min(most);
                let share = estimate.measure == Measure::Share;
                let text = fixed(value, places);
                // "100.0 %" would say that nothing was lost.
                if share && value < 100.0 && text == fixed(100.0, places) {
                    let least = low.unwrap_or(value);
                    return Self::Above(fixed_down(least, SHARE_PLACES));
                }
                if estimate.status == Status::Projected {
                    return Self::Projected(text);
                }
                Self::Value {
                    value: text,
                    low: low.map(|v| fixed(v, places)),
                    high: high.map(|v| fixed(v, places)),
                }
            }
            (Status::AtMost, _, _, Some(high)) | (Status::Bracket, _, None, Some(high)) => {
                Self::AtMost(fixed_up(high, places_of(high, 2).min(most)))
            }
            (Status::Bracket, _, Some(low), Some(high)) => {
                // The lower end may not be rounded to nothing: that it lies above zero can be the whole message.
                let told = low > 0.0 && low >= 10f64.powi(-most);
                let first_of_low = if told { places_of(low, 1) } else { 0 };
                let places =
                    places_of(((high - low) / 4.0).max(high.abs() * 1e-3), 2).max(first_of_low);
                let places = places.min(most);
                Self::Between(fixed_down(low, places), fixed_up(high, places))
            }
            // Above nothing is no bound.
            (Status::Bracket, _, Some(low), None) if low < 10f64.powi(-most) => Self::CannotTell,
            (Status::Bracket, _, Some(low), None) | (Status::NotReached, _, Some(low), _) => {
                Self::Above(fixed_down(low, places_of(low, 3)))
            }
            _ => Self::CannotTell,
        }
    }

    fn plain(&self, unit: &str) -> String {
        match self {
            Self::Value { value, .. } => with_unit(value, unit),
            Self::AtMost(high) => format!("at most {}", with_unit(high, unit)),
            Self::Between(low, high) => format!("between {low} and {}", with_unit(high, unit)),
            Self::Above(low) => format!("above {}", with_unit(low, unit)),
            Self::Projected(value) => format!("projected {}", with_unit(value, unit)),
            Self::CannotTell => "cannot tell".into(),
        }
    }
}

/// A span of time for reading: `45 s`, `12 min`, `3.5 h`.
#[must_use]
pub fn span_text(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "an unknown time".into();
    }
    match seconds {
        s if s < 120.0 => with_unit(&significant(s, 2), "s"),
        s if s < 7200.0 => with_unit(&significant(s / 60.0, 2), "min"),
        s => with_unit(&significant(s / 3600.0, 2), "h"),
    }
}

/// A coverage such as 0.95 as `95`, without needless decimals.
#[must_use]
pub fn percent(level: f64) -> String {
    let text = significant(100.0 * level, 3);
    text.strip_suffix(".0").map_or(text.clone(), String::from)
}

/// A number with so many significant digits, never in exponent form.
#[must_use]
pub fn significant(value: f64, digits: i32) -> String {
    if value == 0.0 {
        return "0".into();
    }
    fixed(value, places_of(value, digits))
}

/// A number with so many decimal places (negative: rounded to tens, hundreds, …). Not finite: a dash.
#[must_use]
pub fn fixed(value: f64, places: i32) -> String {
    rounded(value, places, f64::round)
}

fn fixed_up(value: f64, places: i32) -> String {
    // The last bits of a unit conversion must not push a round figure up by a whole digit.
    rounded(value, places, |v| (v - 1e-9 * v.abs()).ceil())
}

fn fixed_down(value: f64, places: i32) -> String {
    rounded(value, places, |v| (v + 1e-9 * v.abs()).floor())
}

fn rounded(value: f64, places: i32, toward: impl Fn(f64) -> f64) -> String {
    if !value.is_finite() {
        return "—".into();
    }
    let places = places.clamp(-12, 9);
    let scale = 10f64.powi(places);
    let text = format!(
        "{:.*}",
        places.max(0).unsigned_abs() as usize,
        toward(value * scale) / scale
    );
    match text.strip_prefix('-') {
        // A rounded zero has no sign; a true minus is longer than a hyphen.
        Some(rest) if rest.bytes().all(|b| matches!(b, b'0' | b'.')) => rest.into(),
        Some(rest) => format!("−{rest}"),
        None => text,
    }
}

/// Most decimal places of a share in per cent.
const SHARE_PLACES: i32 = 1;
/// Finest length that is shown, m: no gauge of a dock tells less, however many rows are averaged.
const FINEST: f64 = 1e-6;

/// Decimal places beyond which nothing is shown, whatever its uncertainty.
fn most_places(measure: Measure, to_si: f64) -> i32 {
    match measure {
        Measure::Share => SHARE_PLACES,
        #[expect(clippy::cast_possible_truncation, reason = "an exponent")]
        Measure::Length => ((to_si / FINEST).log10() - 1e-9).ceil() as i32,
        _ => i32::MAX,
    }
}

/// Decimal places that a standard error asks for: its first digit, and its second where the first, once rounded, is 1
/// or 2, for there a single digit would be rounded by up to a half of itself.
fn places_by(error: f64) -> i32 {
    let written = format!("{error:.0e}");
    let exponent = written
        .split_once('e')
        .and_then(|(_, e)| e.parse::<i32>().ok())
        .unwrap_or(0);
    i32::from(written.starts_with(['1', '2'])) - exponent
}

/// Decimal places that show so many significant digits of `size`, which is rounded first (0.0996 has two in `0.10`).
fn places_of(size: f64, digits: i32) -> i32 {
    let digits = digits.max(1);
    let written = format!("{:.*e}", (digits - 1).unsigned_abs() as usize, size);
    let exponent = written
        .split_once('e')
        .and_then(|(_, e)| e.parse::<i32>().ok())
        .unwrap_or(0);
    digits - 1 - exponent
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() {
        number.into()
    } else {
        // A no-break space keeps number and unit on one line.
        format!("{number}\u{a0}{unit}")
    }
}

/// The unit of a gauge: what the sheet states, else what the name of its column ends with.
fn gauge_unit<D: Dimension>(gauge: &Gauge) -> Option<&'static Unit> {
    gauge.unit.as_deref().and_then(find_unit::<D>).or_else(|| {
        let column = gauge.column.trim_end_matches([')', ']']);
        column
            .rsplit(['(', '[', '_', ' ', '/'])
            .next()
            .and_then(find_unit::<D>)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SI: Units = Units {
        force: &ForceDim::UNITS[0],
        length: &LengthDim::UNITS[0],
    };

    fn slip(mm: f64, error: f64, low: f64, high: f64) -> Estimate {
        Estimate::measured(
            Measure::Length,
            mm * 1e-3,
            error * 1e-3,
            low * 1e-3,
            high * 1e-3,
            "test",
        )
    }

    /// At most two digits of the standard uncertainty: JCGM 100:2008, 7.2.6; the mass of its 7.2.2, 100.021 47 g with
    /// 0.35 mg, is shown with one.
    #[test]
    fn a_figure_is_rounded_by_its_standard_error() {
        assert_eq!(
            SI.cell(&slip(3.456_78, 0.082_9, 3.290_1, 3.620_4)),
            "3.46 (3.29 to 3.62)"
        );
        assert_eq!(
            SI.cell(&slip(345.678, 12.34, 321.2, 370.1)),
            "346 (321 to 370)"
        );
        assert_eq!(
            SI.cell(&slip(3456.78, 123.4, 3210.0, 3704.0)),
            "3460 (3210 to 3700)"
        );
        assert_eq!(SI.cell(&slip(0.5, 0.0996, 0.3, 0.7)), "0.50 (0.30 to 0.70)");
        assert_eq!(
            SI.cell(&slip(-0.001, 0.2, -0.4, 0.4)),
            "0.00 (−0.40 to 0.40)"
        );
        assert_eq!(
            SI.cell(&slip(6.4769, 0.0093, 6.4586, 6.4952)),
            "6.477 (6.459 to 6.495)"
        );
        let mass = Estimate::measured(
            Measure::Energy,
            100.021_47,
            0.000_35,
            100.020_7,
            100.022_2,
            "test",
        );
        assert_eq!(SI.label(&mass), "100.0215\u{a0}J");
    }

    /// Averages of many rows tell nanometres that no gauge of a dock has.
    #[test]
    fn no_length_is_shown_finer_than_a_micrometre() {
        assert_eq!(
            SI.cell(&slip(-0.000_21, 0.002, -0.0041, 0.0038)),
            "0.000 (−0.004 to 0.004)"
        );
        let bound = Estimate::at_most(Measure::Length, 0.0, 1e-8, 2.1e-7, "test");
        assert_eq!(SI.cell(&bound), "at most 0.001");
        let bracket = Estimate::bracket(Measure::Length, 3e-7, 11e-3, "test", "lumped");
        assert_eq!(SI.cell(&bracket), "between 0.0 and 11.0");
        assert_eq!(most_places(Measure::Length, 0.0254), 5);
    }

    #[test]
    fn ends_without_a_standard_error_are_rounded_outward() {
        let bracket = Estimate::bracket(Measure::Length, 0.213e-3, 3.442e-3, "test", "lumped");
        assert_eq!(SI.cell(&bracket), "between 0.21 and 3.45");
        let bound = Estimate::at_most(Measure::Length, 0.0, 1e-4, 0.2309e-3, "test");
        assert_eq!(SI.words(&bound), "at most 0.24\u{a0}mm (95 %)");
        let held = Estimate::not_reached(Measure::Force, 5019.0, "test", "held");
        assert_eq!(SI.words(&held), "above 5.01\u{a0}kN");
        let none = Estimate::cannot_tell(Measure::Length, "no gauge");
        assert_eq!(
            (SI.words(&none).as_str(), SI.cell(&none).as_str()),
            ("cannot tell", "—")
        );
    }

    #[test]
    fn a_share_is_shown_to_a_tenth_of_a_per_cent_and_never_as_the_whole() {
        let kept = |value: f64, low: f64, high: f64| {
            Estimate::measured(
                Measure::Share,
                value,
                (high - low) / 3.92,
                low,
                high,
                "test",
            )
        };
        assert_eq!(
            SI.words(&kept(0.999_934, 0.999_726, 0.999_982)),
            "above 99.9\u{a0}%"
        );
        assert_eq!(
            SI.words(&kept(0.996_48, 0.996_08, 0.996_80)),
            "99.6\u{a0}% (95 % interval 99.6 to 99.7)"
        );
        assert_eq!(
            SI.words(&kept(0.83, 0.75, 0.91)),
            "83\u{a0}% (95 % interval 75 to 91)"
        );
    }

    #[test]
    fn units_follow_the_sheet_or_its_wish() {
        let sheet = |report: &str, travel: &str| -> Sheet {
            toml::from_str(&format!(
                "[pull]\nlog = 'log.csv'\n[gauges.load]\ncolumn = 'load_lbf'\n[gauges.travel]\ncolumn = '{travel}'\n{report}"
            ))
            .unwrap()
        };
        let units = Units::of(&sheet("", "travel [in]"));
        assert_eq!((units.force.symbol, units.length.symbol), ("lbf", "in"));
        let units = Units::of(&sheet("[report]\nunits = 'SI'", "travel [in]"));
        assert_eq!((units.force.symbol, units.length.symbol), ("kN", "mm"));
        let units = Units::of(&sheet("", "draw wire"));
        assert_eq!((units.force.symbol, units.length.symbol), ("lbf", "mm"));
        assert_eq!(units.load_text(8.896_443_230_521), "2000\u{a0}lbf");
    }

    #[test]
    fn nothing_infinite_is_printed_as_a_number() {
        let odd = slip(f64::INFINITY, 0.1, 0.0, 1.0);
        assert_eq!(SI.words(&odd), "cannot tell");
        assert_eq!(fixed(f64::NAN, 2), "—");
    }
}
