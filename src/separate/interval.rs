//! From spreads by source to intervals: normal and rectangular errors together, one-sided where a part sits on zero.

use crate::separate::BudgetLine;
use crate::separate::solve::Spread;
use crate::stats::{Estimate, Measure, coverage};

/// A part counts as seen when it stands out of its noise by this many standard deviations. The end of a sequence that
/// must not fall is the highest of many averages, so two are not enough.
const SEEN: f64 = 3.5;
/// One-sided 95 % of the normal distribution.
const ONE_SIDED: f64 = 1.645;

impl Spread {
    /// Standard deviation of everything that is taken as normal.
    pub(super) fn normal_sd(&self) -> f64 {
        self.normal
            .iter()
            .fold(self.noise, |sum, (_, s)| sum.hypot(*s))
    }

    /// Half widths of everything rectangular.
    pub(super) fn rectangles(&self) -> Vec<f64> {
        self.rectangular.iter().map(|(_, h)| *h).collect()
    }

    /// Standard uncertainty, all sources.
    pub(super) fn standard(&self) -> f64 {
        self.rectangular
            .iter()
            .fold(self.normal_sd(), |sum, (_, h)| sum.hypot(h / 3f64.sqrt()))
    }

    /// Half width of the interval of this level.
    pub(super) fn half_width(&self, level: f64) -> f64 {
        coverage::half_width(self.normal_sd(), &self.rectangles(), level)
    }

    /// Budget lines in mm, the largest first; what is below a hundredth of the largest is left out.
    pub(super) fn budget(&self) -> Vec<BudgetLine> {
        let line = |source: &str, kind: &str, u: f64| BudgetLine {
            source: source.to_owned(),
            kind: kind.to_owned(),
            standard_uncertainty_mm: u,
        };
        let mut lines = vec![line("noise of the record", "record", self.noise)];
        let kind = |source: &str| {
            if source.starts_with("accuracy")
                || source.starts_with("drift")
                || source.starts_with("zero")
            {
                "instrument"
            } else {
                "model"
            }
        };
        lines.extend(self.normal.iter().map(|(s, sd)| line(s, kind(s), *sd)));
        lines.extend(
            self.rectangular
                .iter()
                .map(|(s, h)| line(s, kind(s), h / 3f64.sqrt())),
        );
        // One line for one source, however many weights it has.
        lines.sort_by(|a, b| a.source.cmp(&b.source));
        lines.dedup_by(|next, line| {
            let same = next.source == line.source;
            if same {
                line.standard_uncertainty_mm = line
                    .standard_uncertainty_mm
                    .hypot(next.standard_uncertainty_mm);
            }
            same
        });
        lines.sort_by(|a, b| {
            b.standard_uncertainty_mm
                .total_cmp(&a.standard_uncertainty_mm)
        });
        let floor = lines.first().map_or(0.0, |l| l.standard_uncertainty_mm) / 100.0;
        lines.retain(|l| l.standard_uncertainty_mm > floor);
        lines
    }
}

/// Estimate of a quantity that may have either sign, mm in, SI out.
pub(super) fn two_sided(value_mm: f64, spread: &Spread, level: f64, method: &str) -> Estimate {
    let half = spread.half_width(level);
    Estimate::measured(
        Measure::Length,
        1e-3 * value_mm,
        1e-3 * spread.standard(),
        1e-3 * (value_mm - half),
        1e-3 * (value_mm + half),
        method,
    )
}

/// Estimate of a slip, mm in, SI out: two-sided where it is seen, else zero to an upper bound.
///
/// `step` is the slip that the last blocks alone would still allow and its standard deviation: the bound inverts the
/// test "a step of this size late in the record would have been noticed".
pub(super) fn slip(
    value_mm: f64,
    spread: &Spread,
    step: (f64, f64),
    level: f64,
    method: &str,
) -> Estimate {
    // What is taken out of a slip as noise may be more than there was: less than nothing did not slide.
    let value_mm = value_mm.max(0.0);
    let noise = spread.normal_sd().max(step.1);
    if value_mm > SEEN * noise && value_mm > spread.half_width(level) {
        return two_sided(value_mm, spread, level, method);
    }
    let (allowed, sd) = step;
    let systematic = coverage::half_width(0.0, &spread.rectangles(), 2.0 * level - 1.0);
    let own = value_mm + ONE_SIDED * spread.normal_sd();
    let late = value_mm + (allowed + ONE_SIDED * sd).max(0.0);
    let high = own.max(late) + systematic;
    Estimate::at_most(
        Measure::Length,
        1e-3 * value_mm,
        1e-3 * spread.standard().hypot(sd),
        1e-3 * high,
        format!("{method}; one-sided, by inverting a test for a late step"),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A slip of less than nothing is none, up to what its noise would hide.
    #[test]
    fn an_upper_bound_is_never_below_nothing() {
        let spread = Spread {
            noise: 0.02,
            ..Spread::default()
        };
        let found = slip(-0.06, &spread, (0.0, 0.0), 0.95, "hand-made");
        assert_eq!((found.value, found.low), (Some(0.0), Some(0.0)));
        assert!((found.high.unwrap() - 1.645 * 0.02e-3).abs() < 1e-12);
    }
}
