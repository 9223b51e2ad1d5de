//! From values to places on the paper: round ticks, linear or logarithmic axes.
//!
//! A scale is always finite and never empty, whatever the data: plotters hangs on an infinite range and draws a
//! constant series at the top edge, so ranges are settled here.

use crate::figures::fixed;

/// An axis: the range it shows and its ticks.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    logarithmic: bool,
    ticks: Vec<f64>,
    places: i32,
}

impl Scale {
    /// A linear axis that holds all finite values, with about `wanted` round steps.
    pub(super) fn linear(values: impl IntoIterator<Item = f64>, wanted: usize) -> Self {
        let (mut low, mut high) = finite_range(values).unwrap_or((0.0, 1.0));
        let reach = low.abs().max(high.abs());
        // A constant lies in the middle of a range of its own size (or of one, where it is zero).
        if high - low <= 1e-9 * reach || high <= low {
            let half = if reach > 0.0 { 0.5 * reach } else { 0.5 };
            (low, high) = (low - half, high + half);
        }
        let step = round_step((high - low) / wanted.max(1) as f64);
        // A little noise below zero does not deserve a whole step: the axis then ends where the data do.
        let shallow = low < 0.0 && -low < 0.1 * high;
        let first = if shallow {
            0.0
        } else {
            (low / step + 1e-9).floor()
        };
        let last = (high / step - 1e-9).ceil();
        let ticks = (0..=(last - first) as usize)
            .map(|i| (first + i as f64) * step)
            .collect();
        Self {
            low: if shallow { low } else { first * step },
            high: last * step,
            logarithmic: false,
            ticks,
            places: (i32::from(is_quarter(step)) - (step.log10() + 1e-9).floor() as i32).max(0),
        }
    }

    /// A linear axis whose range is kept as it is, with round ticks inside.
    pub(super) fn exact(low: f64, high: f64, wanted: usize) -> Self {
        let mut scale = Self::linear([low, high], wanted);
        if low.is_finite() && high.is_finite() && high > low {
            let slack = 1e-9 * (high - low);
            scale
                .ticks
                .retain(|t| (low - slack..=high + slack).contains(t));
            (scale.low, scale.high) = (low, high);
        }
        scale
    }

    /// A logarithmic axis over whole decades that hold all positive values.
    pub(super) fn decades(values: impl IntoIterator<Item = f64>) -> Self {
        let (low, high) =
            finite_range(values.into_iter().filter(|v| *v > 0.0)).unwrap_or((1.0, 10.0));
        let first = (low.log10() + 1e-9).floor() as i32;
        let last = ((high.log10() - 1e-9).ceil() as i32).max(first + 1);
        Self {
            low: 10f64.powi(first),
            high: 10f64.powi(last),
            logarithmic: true,
            ticks: (first..=last).map(|e| 10f64.powi(e)).collect(),
            places: (-first).max(0),
        }
    }

    /// Place of a value: 0 at the low end, 1 at the high end, outside for values outside. NaN for what has no place.
    pub(super) fn share(&self, value: f64) -> f64 {
        if self.logarithmic {
            if value > 0.0 {
                (value / self.low).log10() / (self.high / self.low).log10()
            } else {
                f64::NAN
            }
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }

    /// Ends of the range.
    #[cfg(test)]
    fn range(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    /// Values at the ticks and what stands there.
    pub(super) fn ticks(&self) -> impl Iterator<Item = (f64, String)> {
        self.ticks.iter().map(|t| {
            let places = if self.logarithmic {
                (-(t.log10().round() as i32)).max(0)
            } else {
                self.places
            };
            (*t, fixed(*t, places))
        })
    }
}

/// Seconds in the unit that suits a record of this length, and the name of an axis in it.
pub(super) fn clock(span_s: f64) -> (f64, &'static str) {
    match span_s {
        s if s > 3.0 * 3600.0 => (3600.0, "time since the start, h"),
        s if s > 600.0 => (60.0, "time since the start, min"),
        _ => (1.0, "time since the start, s"),
    }
}

/// Smallest and largest finite value.
pub(super) fn finite_range(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .into_iter()
        .filter(|v| v.is_finite())
        .fold(None, |range, v| match range {
            None => Some((v, v)),
            Some((low, high)) => Some((low.min(v), high.max(v))),
        })
}

/// The round step (1, 2, 2.5 or 5 times a power of ten) at or above `rough`.
fn round_step(rough: f64) -> f64 {
    let power = 10f64.powf(rough.log10().floor());
    let lead = rough / power;
    power
        * [1.0, 2.0, 2.5, 5.0]
            .into_iter()
            .find(|s| lead <= s * (1.0 + 1e-9))
            .unwrap_or(10.0)
}

fn is_quarter(step: f64) -> bool {
    let lead = step / 10f64.powf((step.log10() + 1e-9).floor());
    (lead - 2.5).abs() < 1e-6
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(scale: &Scale) -> Vec<String> {
        scale.ticks().map(|(_, text)| text).collect()
    }

    #[test]
    fn ticks_are_round_and_hold_the_data() {
        let scale = Scale::linear([0.03, 7.2], 4);
        assert_eq!(labels(&scale), ["0", "2", "4", "6", "8"]);
        assert_eq!(
            labels(&Scale::linear([0.0, 1.0], 4)),
            ["0.00", "0.25", "0.50", "0.75", "1.00"]
        );
        assert_eq!(
            labels(&Scale::linear([-0.04, 0.05], 4)),
            ["−0.050", "−0.025", "0.000", "0.025", "0.050"]
        );
        assert_eq!(
            labels(&Scale::linear([0.0, 4000.0], 4)),
            ["0", "1000", "2000", "3000", "4000"]
        );
        assert_eq!(
            labels(&Scale::decades([0.3, 700.0])),
            ["0.1", "1", "10", "100", "1000"]
        );
    }

    #[test]
    fn noise_below_zero_takes_no_whole_step() {
        let scale = Scale::linear([-0.4, 35.0], 4);
        assert_eq!(labels(&scale), ["0", "10", "20", "30", "40"]);
        assert_eq!(scale.range(), (-0.4, 40.0));
        assert_eq!(
            labels(&Scale::exact(0.0, 100.0, 4)),
            ["0", "25", "50", "75", "100"]
        );
    }

    #[test]
    fn odd_data_still_gives_a_finite_axis() {
        let cases: [&[f64]; 5] = [
            &[],
            &[f64::NAN],
            &[3.0, 3.0],
            &[f64::INFINITY, 1.0],
            &[0.0, 0.0],
        ];
        for values in cases {
            for scale in [
                Scale::linear(values.iter().copied(), 4),
                Scale::decades(values.iter().copied()),
            ] {
                let (low, high) = scale.range();
                assert!(
                    low.is_finite() && high.is_finite() && low < high,
                    "{values:?} {scale:?}"
                );
                assert!(scale.ticks().count() >= 2, "{scale:?}");
            }
        }
        let constant = Scale::linear([3.0, 3.0], 4);
        assert!((constant.share(3.0) - 0.5).abs() < 0.2);
    }
}
