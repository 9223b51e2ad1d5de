//! Noise of a channel from the differences of entries next to each other or nearly so.

/// Share of second differences kept: ramps' corners and jumps fall into the rest.
const KEPT: f64 = 0.9;
/// Mean square of a standard normal variable cut at its central 90 %: 1 − 2·z·φ(z)/0.9 with z = 1.6449 (computed).
const KEPT_MEAN_SQUARE: f64 = 0.623_0;

/// Time, s, within which nothing but a jump moves a line: what comes and goes faster is hum of the mains or of a pump.
const HUM_S: f64 = 0.05;

/// Standard deviation of the noise of one entry, in the unit of `values`, from trimmed second differences (a straight
/// ramp cancels in them), for entries `period_s` apart: between neighbours and, in fast logs, between entries further
/// apart within a twentieth of a second, of which the largest counts. NaN entries are skipped. `None` with fewer than eight usable
/// triples.
#[must_use]
pub fn of(values: &[f64], period_s: f64) -> Option<f64> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "rows within a twentieth of a second"
    )]
    let reach = (HUM_S / period_s) as usize;
    std::iter::successors(Some(1), |stride| Some(2 * stride))
        .take_while(|stride| *stride <= reach.max(1))
        .filter_map(|stride| apart(values, stride))
        .max_by(f64::total_cmp)
}

/// The same from entries `stride` apart.
fn apart(values: &[f64], stride: usize) -> Option<f64> {
    let mut squares: Vec<f64> = values
        .windows(2 * stride + 1)
        .map(|w| w[0] - 2.0 * w[stride] + w[2 * stride])
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
        let noise = super::of(&values, 0.1).unwrap();
        assert!((noise / 0.03 - 1.0).abs() < 0.05, "{noise}");
    }

    /// Hum of 50 Hz in a log of 1 kHz: neighbours hardly differ, and yet no row is better than the hum.
    #[test]
    fn hum_is_noise_where_the_log_is_fast() {
        let values: Vec<f64> = (0..4000)
            .map(|i| f64::from(i) * 0.01 + (f64::from(i) * std::f64::consts::TAU / 20.0).sin())
            .collect();
        let spread = 0.5f64.sqrt();
        let fast = super::of(&values, 0.001).unwrap() / spread;
        assert!((0.9..2.0).contains(&fast), "{fast}");
        // The same rows a tenth of a second apart are movement.
        let slow = super::of(&values, 0.1).unwrap() / spread;
        assert!(slow < 0.05, "{slow}");
    }
}
