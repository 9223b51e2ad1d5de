//! How far points stray from a straight line, for any of their neighbourhoods at once.
//!
//! Question: where does a long record bend? That asks for the misfit of very many spans. Method: running sums over all points,
//! so that any span costs the same, however long it is. The sums start at the first point, so what a short span far from it
//! leaves is known to some 1e-16 of the whole's sum of squares.

use std::ops::Range;

/// Running sums over points in order.
#[derive(Debug, Clone)]
pub struct Pieces {
    /// Before each point and after the last: how many, and weighted sums of 1, t, y, t², ty, y².
    sums: Vec<[f64; 7]>,
}

impl Pieces {
    /// Of points (time, value, weight); a value that is not finite takes no part.
    #[must_use]
    pub fn of(points: impl Iterator<Item = (f64, f64, f64)>) -> Self {
        let (mut origin, mut zero) = (None, None);
        let mut sum = [0.0; 7];
        let mut sums = vec![sum];
        for (time, value, weight) in points {
            let t = time - *origin.get_or_insert(time);
            if value.is_finite() {
                let y = value - *zero.get_or_insert(value);
                let terms = [
                    1.0,
                    weight,
                    weight * t,
                    weight * y,
                    weight * t * t,
                    weight * t * y,
                    weight * y * y,
                ];
                for (sum, term) in sum.iter_mut().zip(terms) {
                    *sum += term;
                }
            }
            sums.push(sum);
        }
        Self { sums }
    }

    /// Weighted sum of squares about the best straight line through a span of the points, and how many values it has.
    #[must_use]
    pub fn misfit(&self, span: Range<usize>) -> (f64, f64) {
        let (before, after) = (&self.sums[span.start], &self.sums[span.end]);
        let count = after[0] - before[0];
        if count < 3.0 {
            return (0.0, count);
        }
        let [_, w, t, y, tt, ty, yy] = std::array::from_fn(|i| after[i] - before[i]);
        let (mean_t, mean_y) = (t / w, y / w);
        let (stt, sty, syy) = (tt - t * mean_t, ty - t * mean_y, yy - y * mean_y);
        let explained = if stt > 0.0 { sty * sty / stt } else { 0.0 };
        ((syy - explained).max(0.0), count)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::stats::linear;

    proptest! {
        /// The sums say what a fit of the span alone says.
        #[test]
        fn any_span_strays_as_far_as_its_own_fit_says(
            points in prop::collection::vec((0.1..3.0_f64, prop_oneof![9 => -5.0..5.0_f64, 1 => Just(f64::NAN)], 0.5..4.0_f64), 6..40),
            ends in (0.0..1.0_f64, 0.0..1.0_f64),
        ) {
            let timed: Vec<_> = points.iter().scan(7.0, |t, (step, y, w)| { *t += step; Some((*t, *y, *w)) }).collect();
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within 40")]
            let place = |share: f64| (share * timed.len() as f64) as usize;
            let span = place(ends.0.min(ends.1))..place(ends.0.max(ends.1));
            let (misfit, count) = Pieces::of(timed.iter().copied()).misfit(span.clone());
            let known: Vec<_> = timed[span].iter().filter(|p| p.1.is_finite()).collect();
            prop_assert_eq!(count, known.len() as f64);
            let expected = if known.len() < 3 { 0.0 } else {
                let columns = [vec![1.0; known.len()], known.iter().map(|p| p.0).collect()];
                let (y, w): (Vec<f64>, Vec<f64>) = known.iter().map(|p| (p.1, p.2)).unzip();
                linear::fit(&columns, &y, Some(&w)).unwrap().rss
            };
            prop_assert!((misfit - expected).abs() < 1e-9 * (1.0 + expected), "{} for {}", misfit, expected);
        }
    }
}
