//! What the clock of a log is worth where nothing says its unit.
//!
//! Question: can the numbers of the time column be anything but seconds? Holds and rates hang on it. Fractions of a second
//! from row to row can be nothing else: as milliseconds the whole pull would be over in one. Whole numbers may count rows, and
//! long steps milliseconds.

use super::FEW_ROWS;
use crate::caveat::{Caveat, Weight};
use crate::ingest::{ClockKnown, Log};

/// No pull is over so soon, s.
const A_PULL: f64 = 1.0;
/// Steps of a clock from which a column may as well count milliseconds, s.
const LONG_STEP: f64 = 2.0;

/// Names a clock whose unit nothing in log or sheet states, unless it can only count seconds.
pub(super) fn doubt(log: &Log) -> Option<Caveat> {
    let time = &log.time_s;
    let lasts = time.last().zip(time.first()).map_or(0.0, |(z, a)| z - a);
    let step = lasts / (time.len().max(2) - 1) as f64;
    let whole = time.iter().all(|t| t.fract() == 0.0);
    let few = time.len() < FEW_ROWS;
    let message = match log.understood.clock {
        ClockKnown::Stated => return None,
        ClockKnown::RowsCounted => format!(
            "The log has no time column and the sheet no rate: one row a second was assumed, and with it {lasts:.0} s for the whole log."
        ),
        ClockKnown::Assumed => {
            if let Some((before, after)) = minute_passed(time) {
                format!(
                    "The time goes from {before} to {after}, as hours, minutes and seconds written together would; it was taken as seconds."
                )
            } else if few {
                return None;
            } else if lasts < A_PULL {
                format!(
                    "Neither header nor sheet says the unit of the time: taken as seconds the log lasts {lasts:.4} s, as minutes \
                     {:.2} s, as days {:.0} s.",
                    60.0 * lasts,
                    86_400.0 * lasts
                )
            } else if step >= LONG_STEP {
                let goes_up = if whole {
                    format!("goes up by whole numbers, {step:.0}")
                } else {
                    format!("goes up by {step:.3}")
                };
                format!(
                    "Neither header nor sheet says the unit of the time, which {goes_up} from row to row: taken as \
                     seconds the log lasts {lasts:.0} s, as milliseconds {:.1} s.",
                    lasts / 1e3
                )
            } else if counts_rows(time) {
                format!(
                    "Neither header nor sheet says the unit of the time, which goes up by one from row to row as a count of rows \
                     would: taken as seconds the log lasts {lasts:.0} s."
                )
            } else {
                return None;
            }
        }
    };
    Some(Caveat::new(
        "clock-assumed",
        Weight::NoPass,
        message,
        "State the rate of the log, rate = \"10 Hz\", or the unit of its time, unit = \"s\" (or \"ms\", or \"clock\"), under [gauges.time] in the sheet.",
    ))
}

/// Whole numbers that go up by one.
fn counts_rows(time: &[f64]) -> bool {
    let whole = time.first().is_some_and(|first| first.fract() == 0.0);
    whole && time.windows(2).all(|w| w[1] - w[0] == 1.0)
}

/// The first two times between which a minute passes, where all could be hours, minutes and seconds written as one number,
/// perhaps behind days and months: after 101059 comes 101100.
fn minute_passed(time: &[f64]) -> Option<(f64, f64)> {
    let is_clock = |t: &f64| t % 1e6 < 240e3 && t % 1e4 < 6e3 && t % 1e2 < 60.0;
    if time.last().is_none_or(|t| *t < 1e4) || !time.iter().all(is_clock) {
        return None;
    }
    let mut leaps = time.windows(2).filter(|w| w[1] - w[0] > 40.0).peekable();
    let first = leaps.peek().map(|w| (w[0], w[1]));
    let passes = |w: &[f64]| (w[0] / 1e2).floor() < (w[1] / 1e2).floor();
    first.filter(|_| leaps.all(passes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_without_colons_is_seen_where_a_minute_passes() {
        let clock: Vec<f64> = (0..200)
            .map(|s| 101_030 + s)
            .map(|s| f64::from(101_000 + (s - 101_000) / 60 * 100 + (s - 101_000) % 60))
            .collect();
        assert_eq!(minute_passed(&clock), Some((101_059.0, 101_100.0)));
        let seconds: Vec<f64> = (0..200).map(|s| 101_030.0 + f64::from(s)).collect();
        assert_eq!(minute_passed(&seconds), None);
        assert_eq!(minute_passed(&[0.0, 1.0, 45.0, 46.0]), None);
        assert_eq!(minute_passed(&clock[..20]), None);
        let dated: Vec<f64> = clock.iter().map(|t| 14e6 + t).collect();
        assert_eq!(minute_passed(&dated), Some((14_101_059.0, 14_101_100.0)));
    }
}
