//! Two logs of two loggers on one clock, by an event that both saw.
//!
//! Question: at what moment of the first logger did the second read? Method: one column of the second log follows a gauge
//! of the first (the load fed to both, or two cells in one line). Its course is laid over that gauge's at every lag; from
//! the best lags on, offset and rate of the clock and gain and zero of the column are fitted by least squares. The fit must
//! explain nearly all that the column did, no other lag may do nearly as well, and the clocks may differ in rate by no
//! more than clocks do. The standard uncertainty of the offset, the residual's autocorrelation counted, goes to the
//! notes, and a join too blurred to be of use is refused.
//!
//! Assumption: one offset and one rate hold over the whole record.

use std::io::Read;

use nalgebra::{Matrix4, Vector4};

use super::error::IngestError;
use super::read::read_log;
use super::{Channel, FileNames, InputFile, Log};
use crate::sheet::{Gauge, GaugeKind, Gauges, Reading, SecondLog, Sheet};

/// Points per log on the grid on which lags are tried.
const GRID: usize = 3000;
/// Best lags from which the fit starts.
const STARTS: usize = 6;
/// Least share of the column's variance that the fit must explain.
const EXPLAINED: f64 = 0.95;
/// Another lag is a rival if it leaves less than this many times what the best leaves unexplained.
const RIVAL: f64 = 3.0;
/// And in any case if it leaves no more than this share.
const ALIKE: f64 = 1e-3;
/// Least share of the shorter log over which the two must overlap.
const OVERLAP: f64 = 0.5;
/// Largest difference in rate: clocks of loggers are good to 100 ppm or so (common practice, no source).
const RATE_MAX: f64 = 2e-3;
/// Largest expanded uncertainty of a join that is of use, s; with a slower logger, half its period.
const BLUR_MAX_S: f64 = 0.1;
/// Periods of the second log beyond which nothing is known of what went on between two of its rows.
const PAUSE: f64 = 10.0;
/// Steps of the fit.
const STEPS: usize = 30;

/// How the second clock stands to the first: first time = `offset_s` + (1 + `rate`)·second time.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Clocks {
    offset_s: f64,
    rate: f64,
    /// Expanded uncertainty (factor 2) where it is largest within the overlap, s.
    uncertainty_s: f64,
    /// Share of the column's variance that is left.
    unexplained: f64,
}

/// Reads the log of a second logger and adds its gauges to the first log, at the first log's times.
///
/// What was joined, and how surely, stands in [`Understood::notes`](super::Understood::notes).
///
/// # Errors
/// As for [`read_log`]; [`IngestError::NoCommonEvent`] where the clocks cannot be told.
pub fn join_second(
    log: &mut Log,
    second: &mut dyn Read,
    sheet: &Sheet,
    wish: &SecondLog,
) -> Result<InputFile, IngestError> {
    let follows = wish.gauge.unwrap_or(GaugeKind::Load);
    let refuse = |why: String| IngestError::NoCommonEvent {
        file: wish.file.clone(),
        column: wish.column.clone(),
        gauge: follows.name(),
        why,
    };
    let names = FileNames {
        log: &wish.file,
        marks: "",
    };
    let own = sheet_of_second(log, sheet, wish);
    let (read, files) = read_log(second, None, &own, names)?;
    let (Some(known), Some(column)) = (log.channel(follows), read.channel(GaugeKind::Load)) else {
        return Err(refuse(format!(
            "the first log has no {} gauge",
            follows.name()
        )));
    };
    let first = Course::new(&log.time_s, &known.values);
    let other = Course::new(&read.time_s, &column.values);
    let clocks = match_clocks(&first, &other).map_err(refuse)?;
    let at: Vec<f64> = log
        .time_s
        .iter()
        .map(|t| (t - clocks.offset_s) / (1.0 + clocks.rate))
        .collect();
    let gauges = read.channels.iter().filter(|c| c.kind != GaugeKind::Load);
    let joined: Vec<Channel> = gauges.map(|c| moved(c, &read.time_s, &at)).collect();
    let words: Vec<&str> = joined.iter().map(|c| c.kind.name()).collect();
    log.understood.notes.push(format!(
        "the gauges {} of the second log `{}` were put on the clock of the first by what its column `{}` and the {} have in common: its time 0 is {:.3} s, its clock differs by {:.0} ppm, and the two agree within {:.3} s (95 %)",
        words.join(", "),
        wish.file,
        wish.column,
        follows.name(),
        clocks.offset_s,
        1e6 * clocks.rate,
        clocks.uncertainty_s
    ));
    // The unit of the common column cancels.
    let own_note = format!("column `{}`:", column.column);
    let of_second = |said: &[String]| -> Vec<String> {
        let kept = said.iter().filter(|n| !n.starts_with(&own_note));
        kept.map(|n| format!("second log: {n}")).collect()
    };
    let understood = &mut log.understood;
    understood.notes.extend(of_second(&read.understood.notes));
    understood.doubts.extend(of_second(&read.understood.doubts));
    log.channels.extend(joined);
    log.channels.sort_by_key(|c| c.kind);
    let mut input = files.into_iter().next().ok_or_else(|| IngestError::Empty {
        file: wish.file.clone(),
    })?;
    input.role = "second log".into();
    Ok(input)
}

/// The sheet as the second log is read with: the common column in the place of the load, and the gauges that the first
/// log lacks.
fn sheet_of_second(log: &Log, sheet: &Sheet, wish: &SecondLog) -> Sheet {
    let lacking = |kind: GaugeKind| {
        let found = log.channel(kind).is_some() || log.readings.iter().any(|r| r.kind == kind);
        sheet.gauges.get(kind).filter(|_| !found).cloned()
    };
    let mut own = sheet.clone();
    own.reading = Reading::default();
    own.gauges = Gauges {
        time: None,
        load: Gauge {
            column: wish.column.clone(),
            unit: Some("N".into()),
            ..Gauge::default()
        },
        travel: lacking(GaugeKind::Travel),
        mark: lacking(GaugeKind::Mark),
        tail: lacking(GaugeKind::Tail),
        body: lacking(GaugeKind::Body),
        core: lacking(GaugeKind::Core),
        span: lacking(GaugeKind::Span),
        tail_load: lacking(GaugeKind::TailLoad),
        temperature: None,
    };
    own
}

/// A channel at other times, by straight lines; missing outside of its log, beside what is missing and in pauses.
fn moved(channel: &Channel, time_s: &[f64], at: &[f64]) -> Channel {
    let steps: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
    let longest = PAUSE * crate::stats::median(&steps).unwrap_or(f64::INFINITY);
    let mut values = Vec::with_capacity(at.len());
    let mut clipped = Vec::new();
    let mut right = 0;
    for (i, t) in at.iter().enumerate() {
        while right < time_s.len() && time_s[right] < *t {
            right += 1;
        }
        let value = match right {
            r if r < time_s.len() && time_s[r] == *t => channel.values[r],
            0 => f64::NAN,
            r if r < time_s.len() && time_s[r] - time_s[r - 1] > longest => f64::NAN,
            r if r < time_s.len() => {
                let share = (t - time_s[r - 1]) / (time_s[r] - time_s[r - 1]);
                channel.values[r - 1] + share * (channel.values[r] - channel.values[r - 1])
            }
            _ => f64::NAN,
        };
        let beside = |r: usize| channel.clipped.binary_search(&r).is_ok();
        if value.is_nan() && (beside(right) || right > 0 && beside(right - 1)) {
            clipped.push(i);
        }
        values.push(value);
    }
    Channel {
        values,
        clipped,
        ..channel.clone()
    }
}

/// The readable part of a signal over time.
struct Course {
    time: Vec<f64>,
    value: Vec<f64>,
    period: f64,
}

impl Course {
    fn new(time_s: &[f64], values: &[f64]) -> Self {
        let (time, value): (Vec<f64>, Vec<f64>) = time_s
            .iter()
            .zip(values)
            .filter(|(_, v)| v.is_finite())
            .unzip();
        let steps: Vec<f64> = time.windows(2).map(|w| w[1] - w[0]).collect();
        Self {
            period: crate::stats::median(&steps).unwrap_or(1.0),
            time,
            value,
        }
    }

    fn span(&self) -> f64 {
        match (self.time.first(), self.time.last()) {
            (Some(a), Some(b)) => b - a,
            _ => 0.0,
        }
    }

    /// The value and its slope at a time; `None` outside.
    fn at(&self, t: f64) -> Option<(f64, f64)> {
        let right = self.time.partition_point(|x| *x < t).max(1);
        if right >= self.time.len() || t < self.time[0] {
            return None;
        }
        let (a, b) = (right - 1, right);
        let share = (t - self.time[a]) / (self.time[b] - self.time[a]);
        let value = self.value[a] + share * (self.value[b] - self.value[a]);
        // The slope over a few rows: over one alone it would be mostly noise.
        let (from, to) = (a.saturating_sub(2), (b + 2).min(self.time.len() - 1));
        let slope = (self.value[to] - self.value[from]) / (self.time[to] - self.time[from]);
        Some((value, slope))
    }

    /// Values at the steps of a grid.
    fn grid(&self, step: f64) -> Vec<f64> {
        let start = self.time.first().copied().unwrap_or(0.0);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a few thousand steps"
        )]
        let n = (self.span() / step).floor() as usize + 1;
        (0..n)
            .map(|i| self.at(start + step * i as f64).map_or(f64::NAN, |v| v.0))
            .collect()
    }
}

fn match_clocks(first: &Course, second: &Course) -> Result<Clocks, String> {
    if first.time.len() < 20 || second.time.len() < 20 {
        return Err("one of them has fewer than twenty readings".into());
    }
    for (course, which) in [(first, "first"), (second, "second")] {
        if course.value.iter().all(|v| *v == course.value[0]) {
            return Err(format!("it stands still in the {which} log"));
        }
    }
    let mut fits: Vec<Clocks> = lags(first, second)
        .into_iter()
        .filter_map(|lag| fit(first, second, lag))
        .filter(|c| c.unexplained.is_finite())
        .collect();
    fits.sort_by(|a, b| a.unexplained.total_cmp(&b.unexplained));
    let Some(best) = fits.first().copied() else {
        return Err("at no lag do the two agree".into());
    };
    if best.unexplained > 1.0 - EXPLAINED {
        return Err(format!(
            "at the best lag they share {:.0} % of what they did, and {:.0} % are needed",
            100.0 * (1.0 - best.unexplained),
            100.0 * EXPLAINED
        ));
    }
    if best.rate.abs() > RATE_MAX {
        return Err(format!(
            "they agree only if one clock runs {:.1} % fast",
            100.0 * best.rate.abs()
        ));
    }
    let apart =
        |c: &&Clocks| (c.offset_s - best.offset_s).abs() > 10.0 * first.period.max(second.period);
    if let Some(rival) = fits
        .iter()
        .find(|c| apart(c) && c.unexplained < (RIVAL * best.unexplained).max(ALIKE))
    {
        return Err(format!(
            "they agree as well {:.1} s apart as {:.1} s apart",
            rival.offset_s, best.offset_s
        ));
    }
    let most = BLUR_MAX_S.max(0.5 * first.period.max(second.period));
    if best.uncertainty_s > most {
        return Err(format!(
            "they agree to {:.2} s only, and {most:.2} s are needed",
            best.uncertainty_s
        ));
    }
    Ok(best)
}

/// The offsets at which the two courses are most alike.
fn lags(first: &Course, second: &Course) -> Vec<f64> {
    let longest = first.span().max(second.span());
    let step = (longest / GRID as f64).max(first.period.max(second.period) / 2.0);
    let (a, b) = (first.grid(step), second.grid(step));
    let shorter = a.len().min(b.len()) as f64;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a share of a few thousand"
    )]
    let least = (OVERLAP * shorter).ceil() as usize;
    let least = least.max(8);
    #[expect(clippy::cast_possible_wrap, reason = "a few thousand")]
    let (na, nb, least) = (a.len() as i64, b.len() as i64, least as i64);
    let likeness: Vec<(i64, f64)> = (least - nb..=na - least)
        .map(|lag| {
            let (from, to) = (lag.max(0), (lag + nb).min(na));
            let pairs = (from..to).map(|i| {
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "within both"
                )]
                let at = |k: i64| k as usize;
                (a[at(i)], b[at(i - lag)])
            });
            (lag, correlation(pairs).powi(2))
        })
        .collect();
    let mut peaks: Vec<(f64, i64)> = (0..likeness.len())
        .filter(|&i| {
            let here = likeness[i].1;
            (i == 0 || likeness[i - 1].1 < here)
                && (i + 1 == likeness.len() || likeness[i + 1].1 <= here)
        })
        .map(|i| (likeness[i].1, likeness[i].0))
        .collect();
    peaks.sort_by(|x, y| y.0.total_cmp(&x.0));
    peaks.truncate(STARTS);
    let start = first.time[0] - second.time[0];
    peaks
        .into_iter()
        .map(|(_, lag)| start + step * lag as f64)
        .collect()
}

/// Correlation of pairs; 0 where one of them stands still.
fn correlation(pairs: impl Iterator<Item = (f64, f64)>) -> f64 {
    let (mut n, mut x, mut y, mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (a, b) in pairs.filter(|(a, b)| a.is_finite() && b.is_finite()) {
        n += 1.0;
        x += a;
        y += b;
        xx += a * a;
        yy += b * b;
        xy += a * b;
    }
    let (sx, sy) = (n * xx - x * x, n * yy - y * y);
    if sx <= 0.0 || sy <= 0.0 {
        return 0.0;
    }
    (n * xy - x * y) / (sx * sy).sqrt()
}

/// One pass over the second log at a trial of the clocks.
struct Pass {
    normal: Matrix4<f64>,
    right: Vector4<f64>,
    residual: Vec<f64>,
    total: f64,
    ends: (f64, f64),
}

impl Pass {
    /// Mean square of what is left.
    fn misfit(&self) -> f64 {
        let sum: f64 = self.residual.iter().map(|r| r * r).sum();
        sum / self.residual.len().max(1) as f64
    }
}

/// Fits gain and zero of the column and offset and rate of the clock; the rate about the middle of the second log.
fn fit(first: &Course, second: &Course, lag: f64) -> Option<Clocks> {
    let middle = f64::midpoint(second.time[0], second.time[second.time.len() - 1]);
    let half = (second.span() / 2.0).max(f64::MIN_POSITIVE);
    // The offset at the middle, and the change of it from there to the end.
    let (shift, turn) = (lag, 0.0);
    let (gain, zero) = line(first, second, middle, half, shift, turn)?;
    let mut at = [zero, gain, shift, turn];
    let mut pass = pass(first, second, middle, half, at)?;
    for _ in 0..STEPS {
        let step = pass.normal.lu().solve(&pass.right)?;
        // Between noisy rows the misfit has small corners: a step that does not lessen it is halved, and at last left.
        let better = (0..6).find_map(|halvings| {
            let share = 0.5_f64.powi(halvings);
            let next = [0, 1, 2, 3].map(|k| at[k] + share * step[k]);
            let tried = self::pass(first, second, middle, half, next)?;
            (tried.misfit() < pass.misfit()).then_some((next, tried))
        });
        let Some((next, tried)) = better else {
            break;
        };
        let moved = (next[2] - at[2]).abs() + (next[3] - at[3]).abs();
        (at, pass) = (next, tried);
        if moved < 1e-4 * first.period.min(second.period) {
            break;
        }
    }
    let [_, _, shift, turn] = at;
    let n = pass.residual.len() as f64;
    let left: f64 = pass.residual.iter().map(|r| r * r).sum();
    let neighbours: f64 = pass.residual.windows(2).map(|w| w[0] * w[1]).sum();
    // Residuals that hang together count for fewer (a first-order process).
    let likeness = (neighbours / left.max(f64::MIN_POSITIVE)).clamp(0.0, 0.98);
    let weight = (1.0 + likeness) / (1.0 - likeness);
    let covariance = pass.normal.try_inverse()? * (left / (n - 4.0).max(1.0) * weight);
    let variance_at = |end: f64| {
        let w = (end - middle) / half;
        covariance[(2, 2)] + 2.0 * w * covariance[(2, 3)] + w * w * covariance[(3, 3)]
    };
    // Straight lines between rows and stamps of finite fineness blur by a part of a period.
    let grain = 0.05 * first.period.max(second.period);
    let variance = variance_at(pass.ends.0).max(variance_at(pass.ends.1)) + grain * grain;
    let rate = turn / half;
    Some(Clocks {
        offset_s: shift - rate * middle,
        rate,
        uncertainty_s: 2.0 * variance.sqrt(),
        unexplained: left / pass.total.max(f64::MIN_POSITIVE),
    })
}

/// Gain and zero at the start.
fn line(
    first: &Course,
    second: &Course,
    middle: f64,
    half: f64,
    shift: f64,
    turn: f64,
) -> Option<(f64, f64)> {
    let (mut n, mut x, mut y, mut xx, mut xy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, v) in second.time.iter().zip(&second.value) {
        let Some((f, _)) = first.at(t + shift + turn * (t - middle) / half) else {
            continue;
        };
        n += 1.0;
        x += f;
        y += v;
        xx += f * f;
        xy += f * v;
    }
    let spread = n * xx - x * x;
    if n < 8.0 || spread <= 0.0 {
        return None;
    }
    let gain = (n * xy - x * y) / spread;
    Some((gain, (y - gain * x) / n))
}

fn pass(
    first: &Course,
    second: &Course,
    middle: f64,
    half: f64,
    [zero, gain, shift, turn]: [f64; 4],
) -> Option<Pass> {
    let mut normal = Matrix4::zeros();
    let mut right = Vector4::zeros();
    let mut residual = Vec::with_capacity(second.time.len());
    let (mut sum, mut squares) = (0.0, 0.0);
    let mut ends: Option<(f64, f64)> = None;
    for (t, v) in second.time.iter().zip(&second.value) {
        let w = (t - middle) / half;
        let Some((f, slope)) = first.at(t + shift + turn * w) else {
            continue;
        };
        let r = v - zero - gain * f;
        let row = Vector4::new(1.0, f, gain * slope, gain * slope * w);
        normal += row * row.transpose();
        right += row * r;
        residual.push(r);
        sum += v;
        squares += v * v;
        ends = Some((ends.map_or(*t, |e| e.0), *t));
    }
    let n = residual.len() as f64;
    (n >= 0.25 * second.time.len().min(first.time.len()) as f64 && n >= 8.0).then_some(())?;
    Some(Pass {
        normal,
        right,
        residual,
        total: squares - sum * sum / n,
        ends: ends?,
    })
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// A pull in kN at a time in s: up, a hold, down, up higher, down.
    fn load(t: f64) -> f64 {
        let points = [
            (0.0, 0.3),
            (20.0, 0.3),
            (60.0, 3.0),
            (90.0, 3.0),
            (120.0, 0.3),
            (150.0, 0.3),
            (210.0, 5.0),
            (250.0, 5.0),
            (290.0, 0.3),
            (330.0, 0.3),
        ];
        let at = points
            .partition_point(|p| p.0 <= t)
            .clamp(1, points.len() - 1);
        let ((a, x), (b, y)) = (points[at - 1], points[at]);
        x + (y - x) * ((t - a) / (b - a)).clamp(0.0, 1.0)
    }

    fn course(
        rate_hz: f64,
        clock: impl Fn(f64) -> f64,
        value: impl FnMut(f64) -> f64,
        until: f64,
    ) -> Course {
        let n = (until * rate_hz) as usize;
        let true_s: Vec<f64> = (0..n).map(|i| i as f64 / rate_hz).collect();
        let time: Vec<f64> = true_s.iter().map(|t| clock(*t)).collect();
        let values: Vec<f64> = true_s.iter().copied().map(value).collect();
        Course::new(&time, &values)
    }

    /// Truth by construction: the second logger began 3.7 s later and its clock is 50 ppm fast; another rate, another
    /// gain, noise on both. The stated uncertainty must cover the error in at least 18 of 20 records, and 0.05 s in all.
    #[test]
    fn clocks_are_joined_within_the_stated_uncertainty() {
        let normal = Normal::new(0.0, 0.01).unwrap();
        let mut covered = 0;
        for seed in 0..20 {
            let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
            let first = course(10.0, |t| t, |t| load(t) + normal.sample(&mut random), 320.0);
            let second = course(
                7.0,
                |t| t * (1.0 + 50e-6),
                |t| 0.2 + 0.4 * (load(t + 3.7) + normal.sample(&mut random)),
                310.0,
            );
            let found = match_clocks(&first, &second).unwrap();
            let worst = [0.0, 310.0]
                .map(|t: f64| {
                    let shown = t * (1.0 + 50e-6);
                    (found.offset_s + (1.0 + found.rate) * shown - (t + 3.7)).abs()
                })
                .into_iter()
                .fold(0.0, f64::max);
            assert!(worst < 0.05, "seed {seed}: {worst} {found:?}");
            covered += usize::from(worst <= found.uncertainty_s);
        }
        assert!(covered >= 18, "{covered} of 20");
    }

    /// A second logger that paused for half a minute: nothing is drawn across.
    #[test]
    fn a_pause_of_the_second_logger_stays_one() {
        let time: Vec<f64> = (0..100)
            .map(|i| f64::from(i) + if i < 50 { 0.0 } else { 30.0 })
            .collect();
        let channel = Channel {
            kind: GaugeKind::Mark,
            column: "mark".into(),
            unit: crate::units::find_unit::<crate::units::LengthDim>("mm").unwrap(),
            values: time.clone(),
            clipped: Vec::new(),
            extremes: None,
            unreadable: 0,
            step: None,
        };
        let joined = moved(&channel, &time, &[10.5, 60.0, 79.5, 90.5]);
        assert_eq!((joined.values[0], joined.values[3]), (10.5, 90.5));
        assert!(joined.values[1..3].iter().all(|v| v.is_nan()));
    }

    #[test]
    fn without_a_common_event_nothing_is_joined() {
        let first = course(10.0, |t| t, load, 320.0);
        let still = course(10.0, |t| t, |_| 1.0, 320.0);
        assert!(
            match_clocks(&first, &still)
                .unwrap_err()
                .contains("stands still")
        );
        let normal = Normal::new(0.0, 1.0).unwrap();
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        let noise = course(10.0, |t| t, |_| normal.sample(&mut random), 320.0);
        assert!(match_clocks(&first, &noise).is_err());
        // Something that returns again and again: which of the times is not told.
        let again = |t: f64| (std::f64::consts::TAU * t / 40.0).sin();
        let (a, b) = (
            course(10.0, |t| t, again, 320.0),
            course(10.0, |t| t, again, 320.0),
        );
        let why = match_clocks(&a, &b).unwrap_err();
        assert!(why.contains("as well"), "{why}");
    }
}
