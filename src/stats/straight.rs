//! Straight lines between points.

/// Values at the times `at` on the straight lines between the points (`time`, `values`), the first and the last value
/// beyond them. Both times rise; NaN at a point is NaN beside it. NaN where there is no point.
#[must_use]
pub fn straight(time: &[f64], values: &[f64], at: &[f64]) -> Vec<f64> {
    let n = time.len().min(values.len());
    let mut right = 0;
    at.iter()
        .map(|t| {
            while right < n && time[right] < *t {
                right += 1;
            }
            let Some(last) = n.checked_sub(1) else {
                return f64::NAN;
            };
            let (a, b) = (right.saturating_sub(1), right.min(last));
            let gap = time[b] - time[a];
            if gap > 0.0 {
                let share = ((t - time[a]) / gap).clamp(0.0, 1.0);
                values[a] + share * (values[b] - values[a])
            } else {
                values[b]
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_run_through_the_points_and_stay_level_beyond() {
        let found = straight(
            &[1.0, 2.0, 4.0],
            &[10.0, 20.0, 0.0],
            &[0.0, 1.0, 1.25, 2.0, 3.0, 9.0],
        );
        assert_eq!(found, [10.0, 10.0, 12.5, 20.0, 10.0, 0.0]);
        assert!(straight(&[], &[], &[1.0])[0].is_nan());
        assert_eq!(straight(&[1.0], &[7.0], &[0.0, 2.0]), [7.0, 7.0]);
    }
}
