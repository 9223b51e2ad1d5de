//! One-sided tolerance factors against tables.

use bitterend::stats::tolerance::one_sided;

/// The whole table, n 2 to 60, shares and confidences of 90, 95 and 99 %: scipy 1.17.1 `stats.nct`.
#[test]
fn every_factor_equals_the_exact_table() {
    let path = format!(
        "{}/fixtures/oracles/one_sided_normal_k.csv",
        env!("CARGO_MANIFEST_DIR")
    );
    let text = std::fs::read_to_string(path).unwrap();
    let mut checked = 0;
    for line in text.lines().skip(1) {
        let cells: Vec<f64> = line.split(',').map(|c| c.parse().unwrap()).collect();
        let k = one_sided(cells[0] as usize, cells[1], cells[2]).unwrap();
        assert!((k / cells[3] - 1.0).abs() < 1e-7, "{line}: {k}");
        checked += 1;
    }
    assert_eq!(checked, 59 * 9);
}

/// CMH-17-1G, kB (90 % share) and kA (99 %), confidence 95 %: printed to three decimals, within 0.002 of exact.
#[test]
fn printed_handbook_factors() {
    for (n, share, printed) in [
        (3, 0.9, 6.157),
        (5, 0.9, 3.408),
        (10, 0.9, 2.355),
        (20, 0.9, 1.927),
        (43, 0.9, 1.680),
        (100, 0.9, 1.527),
        (137, 0.9, 1.488),
        (3, 0.99, 10.553),
        (10, 0.99, 3.981),
        (43, 0.99, 2.914),
        (137, 0.99, 2.626),
    ] {
        let k = one_sided(n, share, 0.95).unwrap();
        assert!((k - printed).abs() < 2e-3, "n {n}: {k} {printed}");
    }
    // 95 % share at 75 % confidence (computed from the noncentral t): 3.15, 2.46, 2.10 at n 3, 5, 10.
    for (n, wanted) in [(3, 3.15), (5, 2.46), (10, 2.10)] {
        assert!((one_sided(n, 0.95, 0.75).unwrap() - wanted).abs() < 6e-3);
    }
}

/// NIST/SEMATECH e-Handbook 7.2.6.3 prints 1.8752 for n 43, 90 %/99 %: Natrella's approximation, not the exact factor.
#[test]
fn the_nist_example_is_an_approximation() {
    let exact = one_sided(43, 0.90, 0.99).unwrap();
    assert!((exact - 1.873_953_605_851_198_7).abs() < 1e-8);
    assert!((exact - 1.8752).abs() > 1e-3);
    // Natrella: k = (z_p + √(z_p² − a·b))/a with a = 1 − z_γ²/(2(n − 1)), b = z_p² − z_γ²/n.
    let (z_p, z_c) = (1.281_551_565_544_6, 2.326_347_874_040_841_f64);
    let a = 1.0 - z_c * z_c / 84.0;
    let b = z_p * z_p - z_c * z_c / 43.0;
    let natrella = (z_p + f64::sqrt(z_p * z_p - a * b)) / a;
    assert!((natrella - 1.8752).abs() < 5e-5);
}

#[test]
fn no_factor_where_there_is_none() {
    assert_eq!(one_sided(1, 0.9, 0.9), None);
    assert_eq!(one_sided(10, 1.0, 0.9), None);
    assert_eq!(one_sided(10, 0.9, f64::NAN), None);
}
