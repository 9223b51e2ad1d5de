//! Counts of a study: one line per figure.

use std::collections::BTreeMap;

use bitterend::stats::Estimate;
use bitterend::stats::estimate::Status;

/// Which figure, and how it is shown.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Figure {
    what: String,
    when: String,
    unit: &'static str,
    /// SI of one unit, as bits: an ordered key.
    to_si: u64,
}

impl Figure {
    /// A figure shown in `unit`, worth `to_si`.
    pub fn new(what: &str, when: &str, unit: &'static str, to_si: f64) -> Self {
        Self {
            what: what.into(),
            when: when.into(),
            unit,
            to_si: to_si.to_bits(),
        }
    }
}

/// Sums of one figure over the pulls.
#[derive(Debug, Clone, Default)]
struct Sums {
    /// Pulls with a truth.
    pulls: u32,
    /// Intervals that hold the truth, of those that have one.
    inside: u32,
    intervals: u32,
    /// Values that can be compared.
    values: u32,
    /// Of those, how many lie in an interval that holds the truth, and how far off each is.
    values_inside: u32,
    misses: Vec<f64>,
    miss: f64,
    miss_squared: f64,
    standard_error: f64,
    half_width: f64,
    high: f64,
    low_is_zero: u32,
    status: BTreeMap<&'static str, u32>,
    /// Statements where there is no truth (nothing slipped), by status.
    without: BTreeMap<&'static str, u32>,
    /// How far the truth lies outside, in half widths, with the seed.
    outside: Vec<(f64, u64)>,
}

/// Everything counted in one study.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    figures: BTreeMap<Figure, Sums>,
    courses: BTreeMap<String, Vec<(f64, f64)>>,
    failed: Vec<(u64, String)>,
    seconds: f64,
    analysed: u32,
    caveats: BTreeMap<String, u32>,
    /// Clear cases by their name: how many, and the seeds in which the opposite was stated.
    clear: BTreeMap<String, (u32, Vec<u64>)>,
}

impl Tally {
    /// A pull that gave no analysis.
    pub fn failed(&mut self, seed: u64, why: &str) {
        self.failed.push((seed, why.to_owned()));
    }

    /// A pull that was analysed in so many seconds.
    pub fn took(&mut self, seconds: f64) {
        self.seconds += seconds;
        self.analysed += 1;
    }

    /// A caveat that was raised.
    pub fn caveat(&mut self, code: &str) {
        *self.caveats.entry(code.to_owned()).or_default() += 1;
    }

    /// A figure with its truth (SI).
    pub fn figure(&mut self, figure: Figure, seed: u64, e: &Estimate, truth: f64) {
        let s = self.figures.entry(figure).or_default();
        s.pulls += 1;
        *s.status.entry(word(e.status)).or_default() += 1;
        if e.low.is_some() || e.high.is_some() {
            let (low, high) = (
                e.low.unwrap_or(f64::NEG_INFINITY),
                e.high.unwrap_or(f64::INFINITY),
            );
            s.intervals += 1;
            // Rounding apart: a truth of exactly zero lies in an interval that starts at zero.
            let slack = 1e-9 * truth.abs().max(1e-3);
            let half = 0.5 * (high - low);
            if low - slack <= truth && truth <= high + slack {
                s.inside += 1;
                s.values_inside += u32::from(e.is_known() && e.value.is_some());
            } else {
                let by = (low - truth).max(truth - high);
                s.outside.push((by / half.max(1e-12), seed));
            }
            if half.is_finite() {
                s.half_width += half;
                s.high += high;
            }
            s.low_is_zero += u32::from(low <= 0.0);
        }
        if let (true, Some(value)) = (e.is_known(), e.value) {
            s.values += 1;
            s.misses.push(value - truth);
            s.miss += value - truth;
            s.miss_squared += (value - truth) * (value - truth);
            s.standard_error += e.standard_error.unwrap_or(0.0);
        }
    }

    /// A statement about something that did not happen, so that there is no truth to compare with.
    pub fn without_truth(&mut self, figure: Figure, seed: u64, e: &Estimate) {
        let s = self.figures.entry(figure).or_default();
        *s.without.entry(word(e.status)).or_default() += 1;
        if matches!(e.status, Status::Measured) {
            s.outside.push((f64::INFINITY, seed));
        }
    }

    /// A case that is clear from the truth, and whether the opposite was stated.
    pub fn clear(&mut self, case: String, seed: u64, wrong: bool) {
        let (pulls, opposite) = self.clear.entry(case).or_default();
        *pulls += 1;
        if wrong {
            opposite.push(seed);
        }
    }

    /// A course: its root mean square against the truth and the size it is compared with, m.
    pub fn course(&mut self, label: &str, rms: f64, whole: f64) {
        self.courses
            .entry(label.to_owned())
            .or_default()
            .push((rms, whole));
    }

    /// Both studies together, `self` first.
    pub fn join(mut self, other: Self) -> Self {
        for (figure, o) in other.figures {
            let s = self.figures.entry(figure).or_default();
            s.pulls += o.pulls;
            s.inside += o.inside;
            s.intervals += o.intervals;
            s.values += o.values;
            s.values_inside += o.values_inside;
            s.misses.extend(o.misses);
            s.miss += o.miss;
            s.miss_squared += o.miss_squared;
            s.standard_error += o.standard_error;
            s.half_width += o.half_width;
            s.high += o.high;
            s.low_is_zero += o.low_is_zero;
            s.outside.extend(o.outside);
            for (mine, theirs) in [(&mut s.status, o.status), (&mut s.without, o.without)] {
                for (word, n) in theirs {
                    *mine.entry(word).or_default() += n;
                }
            }
        }
        for (label, more) in other.courses {
            self.courses.entry(label).or_default().extend(more);
        }
        for (code, n) in other.caveats {
            *self.caveats.entry(code).or_default() += n;
        }
        for (case, (pulls, opposite)) in other.clear {
            let mine = self.clear.entry(case).or_default();
            mine.0 += pulls;
            mine.1.extend(opposite);
        }
        self.failed.extend(other.failed);
        self.seconds += other.seconds;
        self.analysed += other.analysed;
        self
    }

    /// Prints the tables.
    pub fn print(&self, worst: usize) {
        if !self.failed.is_empty() {
            let (seed, why) = &self.failed[0];
            println!(
                "  {} pulls gave no analysis; seed {seed}: {why}",
                self.failed.len()
            );
        }
        if self.analysed == 0 {
            return;
        }
        println!(
            "  {:24} {:10} {:>11} {:>7} {:>11} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>6}  statements",
            "figure",
            "when",
            "inside",
            "%",
            "of values",
            "bias",
            "median",
            "RMSE",
            "mean SE",
            "half",
            "high",
            "low=0"
        );
        for (figure, s) in &self.figures {
            line(figure, s, worst);
        }
        for (case, (pulls, opposite)) in &self.clear {
            let seeds: Vec<String> = opposite.iter().take(worst).map(u64::to_string).collect();
            println!(
                "  {case}: the opposite stated in {} of {pulls} {}",
                opposite.len(),
                seeds.join(", ")
            );
        }
        if !self.courses.is_empty() {
            println!(
                "  {:24} {:>10} {:>10} {:>10} {:>12}",
                "course", "RMS mm", "median", "largest", "% of whole"
            );
        }
        for (label, all) in &self.courses {
            let mut rms: Vec<f64> = all.iter().map(|(r, _)| *r).collect();
            rms.sort_by(f64::total_cmp);
            let square = |of: fn(&(f64, f64)) -> f64| {
                (all.iter().map(of).sum::<f64>() / all.len() as f64).sqrt()
            };
            println!(
                "  {label:24} {:10.4} {:10.4} {:10.4} {:12.3}",
                1e3 * square(|(r, _)| r * r),
                1e3 * rms[rms.len() / 2],
                1e3 * rms[rms.len() - 1],
                1e2 * square(|(r, w)| (r / w) * (r / w)),
            );
        }
        let caveats: Vec<String> = self
            .caveats
            .iter()
            .map(|(c, n)| format!("{c} {n}"))
            .collect();
        println!("  caveats: {}", caveats.join(", "));
        println!(
            "  {:.1} ms per analysis",
            1e3 * self.seconds / f64::from(self.analysed)
        );
    }
}

fn line(figure: &Figure, s: &Sums, worst: usize) {
    let scale = f64::from_bits(figure.to_si);
    let mean = |sum: f64, n: u32| {
        if n == 0 {
            "-".to_owned()
        } else {
            format!("{:.3}", sum / f64::from(n) / scale)
        }
    };
    let rmse = if s.values == 0 {
        "-".into()
    } else {
        format!(
            "{:.3}",
            (s.miss_squared / f64::from(s.values)).sqrt() / scale
        )
    };
    let share = if s.intervals == 0 {
        "-".into()
    } else {
        format!(
            "{:.1}",
            100.0 * f64::from(s.inside) / f64::from(s.intervals)
        )
    };
    let median = bitterend::stats::median(&s.misses)
        .map_or("-".into(), |miss| format!("{:.3}", miss / scale));
    let said = |of: &BTreeMap<&str, u32>| -> String {
        of.iter()
            .map(|(w, n)| format!("{w} {n}"))
            .collect::<Vec<_>>()
            .join(", ")
    };
    let mut words = said(&s.status);
    if !s.without.is_empty() {
        words += &format!(" | no truth: {}", said(&s.without));
    }
    println!(
        "  {:24} {:10} {:>11} {:>7} {:>11} {:>8} {:>8} {:>8} {:>8} {:>8} {:>8} {:>6}  {words} [{}]",
        figure.what,
        figure.when,
        format!("{}/{}", s.inside, s.intervals),
        share,
        format!("{}/{}", s.values_inside, s.values),
        mean(s.miss, s.values),
        median,
        rmse,
        mean(s.standard_error, s.values),
        mean(s.half_width, s.intervals),
        mean(s.high, s.intervals),
        s.low_is_zero,
        figure.unit,
    );
    if worst > 0 && !s.outside.is_empty() {
        let mut far = s.outside.clone();
        far.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let named: Vec<String> = far
            .iter()
            .take(worst)
            .map(|(by, seed)| format!("seed {seed} ({by:.1} half widths out)"))
            .collect();
        println!("    worst: {}", named.join(", "));
    }
}

fn word(status: Status) -> &'static str {
    match status {
        Status::Measured => "measured",
        Status::AtMost => "at most",
        Status::Bracket => "bracket",
        Status::NotReached => "not reached",
        Status::Projected => "projected",
        Status::CannotTell => "cannot tell",
    }
}
