//! Noise of a channel from the differences of neighbouring entries.

/// Share of second differences kept: ramps' corners and jumps fall into the rest.
const KEPT: f64 = 0.9;
/// Mean square of a standard normal variable cut at its central 90 %: 1 − 2·z·φ(z)/0.9 with z = 1.6449 (computed).
const KEPT_MEAN_SQUARE: f64 = 0.623_0;

/// Standard deviation of the noise of one entry, in the unit of `values`, from trimmed second differences (a straight
/// ramp cancels in them). NaN entries are skipped. `None` with fewer than eight usable triples.
#[must_use]
pub fn of(values: &[f64]) -> Option<f64> {
    let mut squares: Vec<f64> = values
        .windows(3)
        .map(|w| w[0] - 2.0 * w[1] + w[2])
        .filter(|d| d.is_finite())
        .map(|d| d * d / 6.0)
        .collect();
    if squares.len() < 8 {
        return None;
    }
    let keep = ((squares.len() as f64) * KEPT).ceil() as usize;
    squares.select_nth_unstable_by(keep - 1, f64::total_cmp);
    let mean = squares[..keep].iter().sum::<f64>() / keep as f64;
    Some((mean / KEPT_MEAN_SQUARE).sqrt())
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    /// Truth by construction: a ramp with a corner and known noise.
    #[test]
    fn noise_on_a_ramp_is_found() {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        let normal = Normal::new(0.0, 0.03).unwrap();
        let values: Vec<f64> = (0..4000)
            .map(|i| (f64::from(i).min(2000.0)) * 0.01 + normal.sample(&mut random))
            .collect();
        let noise = super::of(&values).unwrap();
        assert!((noise / 0.03 - 1.0).abs() < 0.05, "{noise}");
    }
}
