//! Does the record speak for core slip that the tail swallowed before the core end moved?
//!
//! Question: a long tail bunches its cover before the draw-in shows. Then the rest (set and everything unseen) grows
//! with the load, or in holds, faster than set does, until the draw-in begins. Method: over the highest loads so far,
//! the rest's growth in the last third before the draw-in begins (or before the peak if it never does) is held against
//! its steepest average slope elsewhere; and its growth while the load was below its highest against what late set may
//! bring. Assumption: set grows smoothly with the highest load. Either test failing makes cover slip a bracket.

/// The rest over the blocks, with what it is held against.
pub(super) struct Course<'a> {
    /// Rest per block, mm.
    pub rest: &'a [f64],
    /// Draw-in per block, mm.
    pub core: &'a [f64],
    /// Highest load so far per block, N.
    pub highest: &'a [f64],
    /// Blocks in which the highest load rises.
    pub rising_high: &'a [bool],
    /// Standard uncertainty of the rest at the end, mm.
    pub uncertainty: f64,
}

/// Draw-in counts as begun from this, mm.
const BEGUN_MM: f64 = 0.3;
/// Share of the load before the draw-in that is looked at.
const LAST_PART: f64 = 0.3;
/// An excess below this is left to set, mm, and below this share of the rest.
const EXCESS: (f64, f64) = (0.5, 0.2);
/// Late set is at most this share of the set at new highest loads.
const LATE_SHARE: f64 = 0.5;

/// True where storage explains the rest better than set does.
pub(super) fn suspected(course: &Course) -> bool {
    let n = course.rest.len();
    let begun = (0..n).find(|k| course.core[*k] > BEGUN_MM).unwrap_or(n - 1);
    let top = course.highest[begun];
    let at = |load: f64| -> f64 {
        let k = course.highest.partition_point(|h| *h < load).min(n - 1);
        course.rest[k]
    };
    let floor = course.highest[0];
    let start = top - LAST_PART * (top - floor);
    let peak = course.highest[n - 1];
    let slope_before = (at(start) - at(floor)) / (start - floor).max(f64::MIN_POSITIVE);
    let slope_after = if peak > 1.05 * top {
        (course.rest[n - 1] - course.rest[begun]) / (peak - top)
    } else {
        0.0
    };
    let grown = course.rest[begun] - at(start);
    let excess = grown - slope_before.max(slope_after) * (top - start);
    let below: f64 = (1..=begun)
        .filter(|k| !course.rising_high[*k])
        .map(|k| course.rest[k] - course.rest[k - 1])
        .sum();
    let at_highest = course.rest[begun] - below;
    let too_late = below - LATE_SHARE * at_highest;
    let threshold = EXCESS
        .0
        .max(EXCESS.1 * course.rest[n - 1])
        .max(3.0 * course.uncertainty);
    excess > threshold || too_late > threshold
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(stored: f64) -> bool {
        let n = 100;
        let highest: Vec<f64> = (0..n).map(|k| 300.0 + 40.0 * k as f64).collect();
        let slip: Vec<f64> = highest
            .iter()
            .map(|f| ((f - 2500.0) / 100.0).max(0.0))
            .collect();
        let core: Vec<f64> = slip.iter().map(|s| (s - stored).max(0.0)).collect();
        let rest: Vec<f64> = (0..n)
            .map(|k| 1e-3 * highest[k] + slip[k] - core[k])
            .collect();
        suspected(&Course {
            rest: &rest,
            core: &core,
            highest: &highest,
            rising_high: &vec![true; n],
            uncertainty: 0.1,
        })
    }

    #[test]
    fn six_stored_millimetres_are_seen_and_none_are_not() {
        assert!(course(6.0));
        assert!(!course(0.0));
    }
}
