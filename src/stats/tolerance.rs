//! One-sided tolerance factors: how many sample standard deviations below the mean lies a bound that a stated share of
//! all future values exceeds, with a stated confidence?
//!
//! Method: the factor is a quantile of the noncentral t distribution over √n. Its distribution function is the mean of
//! `Φ(t·w − δ)` over `w = χ/√ν`, taken by Gauss–Legendre quadrature on panels (statrs has no noncentral t).
//! Assumption: independent values of one normal distribution (of logarithms, for a lognormal).
//! Source: Owen 1968; checked on tables of scipy and CMH-17-1G. The factor 1.8752 printed in the NIST handbook for
//! n 43, 90 %/99 % is an approximation; the exact one is 1.87395.

use statrs::function::gamma::ln_gamma;

use super::quantile;

/// Factor k such that `mean − k·sd` of `n` values lies below the share `coverage` of the distribution with probability
/// `confidence`. `None` below two values or for a share or confidence outside (0, 1).
#[must_use]
pub fn one_sided(n: usize, coverage: f64, confidence: f64) -> Option<f64> {
    let inside = |p: f64| p > 0.0 && p < 1.0;
    if n < 2 || !inside(coverage) || !inside(confidence) {
        return None;
    }
    let root_n = (n as f64).sqrt();
    let delta = quantile::normal(coverage) * root_n;
    let freedom = (n - 1) as f64;
    let share = |k: f64| noncentral_t(k * root_n, freedom, delta);
    let (mut low, mut high) = (-10.0, 10.0);
    while share(high) < confidence {
        low = high;
        high *= 4.0;
        if high > 1e9 {
            return None;
        }
    }
    while share(low) > confidence {
        high = low;
        low *= 4.0;
        if low < -1e9 {
            return None;
        }
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if high - low <= 1e-12 * middle.abs() || middle <= low || middle >= high {
            break;
        }
        if share(middle) < confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

/// Distribution function of the noncentral t with `freedom` degrees of freedom and noncentrality `delta`.
#[must_use]
pub fn noncentral_t(t: f64, freedom: f64, delta: f64) -> f64 {
    // Density of w = χ/√ν: 2·(ν/2)^(ν/2)/Γ(ν/2)·w^(ν−1)·exp(−νw²/2).
    let half = 0.5 * freedom;
    let ln_factor = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
    let density = |w: f64| (ln_factor + (freedom - 1.0) * w.ln() - half * w * w).exp();
    // w has mean near 1 and standard deviation near 1/√(2ν); 12 of them hold all but 1e-30.
    let spread = 12.0 / (2.0 * freedom).sqrt();
    let (start, end) = ((1.0 - spread).max(0.0), 1.0 + spread);
    // Φ(t·w − δ) climbs within 1/t of δ/t: panels are cut there too.
    let mut cuts = vec![start, end];
    cuts.extend((0..=40).map(|i| start + (end - start) * f64::from(i) / 40.0));
    if t != 0.0 {
        cuts.extend(
            (-10..=10)
                .map(|i| (delta + f64::from(i)) / t)
                .filter(|w| *w > start && *w < end),
        );
    }
    cuts.sort_by(f64::total_cmp);
    cuts.windows(2)
        .map(|panel| {
            let (middle, half_panel) = (0.5 * (panel[0] + panel[1]), 0.5 * (panel[1] - panel[0]));
            if half_panel <= 0.0 {
                return 0.0;
            }
            GAUSS_10
                .iter()
                .flat_map(|(node, weight)| [(*node, *weight), (-*node, *weight)])
                .map(|(node, weight)| {
                    let w = middle + half_panel * node;
                    weight * density(w) * quantile::normal_share(t * w - delta)
                })
                .sum::<f64>()
                * half_panel
        })
        .sum()
}

/// Positive nodes and weights of ten-point Gauss–Legendre quadrature (Abramowitz and Stegun, table 25.4).
pub(crate) const GAUSS_10: [(f64, f64); 5] = [
    (0.148_874_338_981_631_22, 0.295_524_224_714_752_87),
    (0.433_395_394_129_247_2, 0.269_266_719_309_996_35),
    (0.679_409_568_299_024_4, 0.219_086_362_515_982_04),
    (0.865_063_366_688_984_5, 0.149_451_349_150_580_6),
    (0.973_906_528_517_171_7, 0.066_671_344_308_688_14),
];
