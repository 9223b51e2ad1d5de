//! Isotonic regression: the non-decreasing sequence nearest to the data.
//!
//! Method: pool adjacent violators, exact, linear in the number of points. Progressive slip never runs backwards, so
//! this is the least that may be assumed about it. Source: Barlow, Bartholomew, Bremner and Brunk 1972.

/// Non-decreasing values nearest to `y` in weighted least squares. `weights` (all one if absent) must be positive;
/// others count as the smallest positive number. Same length as `y`.
#[must_use]
pub fn non_decreasing(y: &[f64], weights: Option<&[f64]>) -> Vec<f64> {
    // Pools of (mean, weight, members) with rising means.
    let mut pools: Vec<(f64, f64, usize)> = Vec::with_capacity(y.len());
    for (i, value) in y.iter().enumerate() {
        let weight = weights
            .and_then(|w| w.get(i).copied())
            .unwrap_or(1.0)
            .max(f64::MIN_POSITIVE);
        let mut pool = (*value, weight, 1);
        while let Some(before) = pools.last() {
            if before.0 < pool.0 {
                break;
            }
            let weight = before.1 + pool.1;
            pool = (
                (before.0 * before.1 + pool.0 * pool.1) / weight,
                weight,
                before.2 + pool.2,
            );
            pools.pop();
        }
        pools.push(pool);
    }
    pools
        .into_iter()
        .flat_map(|(mean, _, members)| std::iter::repeat_n(mean, members))
        .collect()
}
