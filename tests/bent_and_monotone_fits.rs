//! Bent lines and isotonic fits, held to independent answers.

use bitterend::stats::isotonic;
use bitterend::stats::segmented::{self, Bent, Left};

fn columns(name: &str) -> Vec<Vec<f64>> {
    let path = format!("{}/fixtures/oracles/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut columns: Vec<Vec<f64>> = Vec::new();
    for line in text.lines().skip(1) {
        for (i, cell) in line.split(',').enumerate() {
            if columns.len() <= i {
                columns.push(Vec::new());
            }
            columns[i].push(cell.parse().unwrap());
        }
    }
    columns
}

fn near(found: f64, wanted: f64, tolerance: f64) {
    assert!(
        (found - wanted).abs() <= tolerance,
        "{found} is not {wanted} ± {tolerance}"
    );
}

/// Break, slopes and sum of squares by exact search in numpy; standard error by R segmented 1.6-2.
struct Answer {
    at: f64,
    error: f64,
    before: f64,
    after: f64,
    rss: f64,
}

fn hold_to(found: &Bent, answer: &Answer) {
    near(found.at, answer.at, 1e-6 * answer.at.abs());
    near(
        found.slope_before,
        answer.before,
        1e-6 * answer.before.abs(),
    );
    near(found.slope_after, answer.after, 1e-6 * answer.after.abs());
    near(found.rss, answer.rss, 1e-8 * answer.rss);
    near(found.standard_error, answer.error, 1e-3 * answer.error);
    assert!(found.p_value < 1e-6);
}

/// The answers' intervals are the outermost members of a grid of 20,001 breaks between the second and the last but one
/// abscissa: the true end lies beyond them by less than one step of that grid.
fn hold_interval(found: &Bent, low: f64, high: f64, step: f64) {
    let (beyond_low, beyond_high) = (low - found.low.unwrap(), found.high.unwrap() - high);
    for beyond in [beyond_low, beyond_high] {
        assert!(
            (-1e-9..=step).contains(&beyond),
            "{beyond} is not within {step}"
        );
    }
}

/// Height of a stagnant band against flow (R. A. Cook 1978, in Bacon and Watts 1971's problem; printed by Carlin, Gelfand
/// and Smith 1992): 28 points, retyped. Published: break about 0.04, slopes −0.42 and −1.02.
#[test]
fn stagnant_band_bends_where_published() {
    let x = [
        -0.8, 0.01, -0.25, -0.25, -0.12, -0.12, -0.94, 0.11, 0.11, -0.63, -0.63, -1.39, -1.39, 0.7,
        0.7, 0.34, 1.19, 0.59, 0.85, 0.85, 0.99, 0.99, 0.25, -1.08, -1.08, 0.44, 0.34, 0.25,
    ];
    let y = [
        0.9, 0.51, 0.65, 0.67, 0.6, 0.59, 0.92, 0.43, 0.43, 0.81, 0.83, 1.12, 1.12, -0.13, -0.14,
        0.25, -0.65, -0.01, -0.3, -0.33, -0.46, -0.43, 0.33, 0.99, 1.03, 0.13, 0.24, 0.3,
    ];
    let found = segmented::fit(&x, &y, None, Left::Sloping, 0.95).unwrap();
    hold_to(
        &found,
        &Answer {
            at: 0.041_105_784_592_115_17,
            error: 0.022_834_806_8,
            before: -0.422_076_814_414_030_9,
            after: -1.020_567_545_010_136,
            rss: 0.009_140_197_232_088_2,
        },
    );
    hold_interval(&found, -0.028_129_5, 0.087_894, 1.035e-4);
}

#[test]
fn an_invented_slip_onset_is_found() {
    let data = columns("constructed_slip_onset.csv");
    let found = segmented::fit(&data[0], &data[1], None, Left::Sloping, 0.95).unwrap();
    hold_to(
        &found,
        &Answer {
            at: 6.156_539_796_399_153,
            error: 0.026_713_433,
            before: 0.787_348_467_678_979_7,
            after: 3.181_113_360_323_886,
            rss: 2.377_462_514_074_858_6,
        },
    );
    hold_interval(&found, 6.103_48, 6.210_3, 4.9e-4);
}

/// A constant, then a slope: level 0.96875, slope 1.69665 by exact search in numpy.
#[test]
fn an_invented_onset_after_a_flat_start_is_found() {
    let data = columns("constructed_hockey_flat_left.csv");
    let found = segmented::fit(&data[0], &data[1], None, Left::Flat, 0.95).unwrap();
    near(found.at, 3.960_988_271_987_848_6, 1e-6);
    near(found.intercept, 0.968_749_999_999_999_2, 1e-9);
    near(found.slope_after, 1.696_652_459_016_393_2, 1e-8);
    near(found.rss, 3.948_694_198_950_819_5, 1e-8);
    hold_interval(&found, 3.888_925, 4.033_475, 4.9e-4);
    assert_eq!(found.degrees_of_freedom, 98);
}

/// Water content of plants (34 measured points of the plant data in R segmented, typed here): the best break lies
/// exactly at one of the abscissae, 331.4, where searches that only look inside the gaps fail.
#[test]
fn a_break_exactly_at_a_point_is_found() {
    let x = [
        141.6, 141.6, 141.6, 183.2, 212.8, 227.0, 242.4, 271.5, 297.4, 312.3, 331.4, 342.4, 346.3,
        356.6, 371.6, 408.8, 408.8, 419.5, 434.4, 464.5, 492.6, 521.7, 550.5, 550.3, 565.4, 588.0,
        602.9, 623.7, 639.6, 647.9, 672.6, 680.6, 709.7, 709.7,
    ];
    let y = [
        0.54, 0.53, 0.5, 0.6, 0.7, 0.74, 0.78, 0.82, 0.88, 0.83, 1.0, 0.85, 0.96, 0.84, 0.86, 0.82,
        0.86, 0.84, 0.84, 0.84, 0.77, 0.69, 0.61, 0.67, 0.73, 0.65, 0.55, 0.58, 0.56, 0.6, 0.5,
        0.5, 0.42, 0.43,
    ];
    let found = segmented::fit(&x, &y, None, Left::Sloping, 0.95).unwrap();
    near(found.at, 331.4, 1e-9);
    near(found.rss, 0.052_511_705_838_478_15, 1e-10);
    near(found.slope_before, 0.002_167_978_227_275_363_6, 1e-9);
    near(found.slope_after, -0.001_258_278_114_997_684, 1e-9);
    // R segmented: 8.346; at a kink of the profile the linearised error depends on the side taken.
    near(found.standard_error, 8.346, 0.5);
}

#[test]
fn what_has_no_break_shows_none() {
    let x: Vec<f64> = (0..40).map(f64::from).collect();
    // A line with a regular wiggle that no bend explains.
    let y: Vec<f64> = x
        .iter()
        .map(|x| 2.0 + 0.3 * x + 0.05 * (2.4 * x).sin())
        .collect();
    let found = segmented::fit(&x, &y, None, Left::Sloping, 0.95).unwrap();
    assert!(found.p_value > 0.05, "{}", found.p_value);
    assert!(segmented::fit(&x[..4], &y[..4], None, Left::Sloping, 0.95).is_err());
    assert!(segmented::fit(&[1.0; 9], &y[..9], None, Left::Sloping, 0.95).is_err());
    assert!(segmented::fit(&x, &[f64::NAN; 40], None, Left::Sloping, 0.95).is_err());
}

/// Pool adjacent violators against R 4.2 `isoreg` (unweighted) and scipy 1.17.1 (weighted); the file prints 12 digits.
#[test]
fn isotonic_fits_equal_two_libraries() {
    let data = columns("isotonic_n40.csv");
    let plain = isotonic::non_decreasing(&data[1], None);
    let weighted = isotonic::non_decreasing(&data[1], Some(&data[2]));
    for i in 0..40 {
        near(plain[i], data[3][i], 1e-10);
        near(weighted[i], data[4][i], 1e-10);
    }
}
