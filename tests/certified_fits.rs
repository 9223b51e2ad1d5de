//! The solvers that the stages call, held to certified and published fits.
//!
//! Nonlinear: NIST StRD, both starting points, through `stats::nonlinear::fit` with the curves of `stats::curves`.
//! Linear: NIST StRD Norris and Pontius, GUM H.3, through `stats::linear::fit`.

use bitterend::stats::curves::{Approach, Decays, Hyperbola, Power};
use bitterend::stats::nonlinear::{self, Curve};
use bitterend::stats::{linear, quantile};

/// A certified fit as the file states it.
struct Certified {
    starts: [Vec<f64>; 2],
    values: Vec<f64>,
    errors: Vec<f64>,
    rss: f64,
    x: Vec<f64>,
    y: Vec<f64>,
}

fn read(name: &str) -> String {
    let path = format!("{}/fixtures/oracles/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn numbers(line: &str) -> Vec<f64> {
    line.split_whitespace()
        .filter_map(|w| w.parse().ok())
        .collect()
}

/// Rows of two numbers after the line that begins with `Data:` and names the columns.
fn rows(text: &str) -> Vec<(f64, f64)> {
    let start = text.rfind("\nData:").expect("a data section");
    text[start..]
        .lines()
        .skip(2)
        .filter_map(|line| match numbers(line)[..] {
            [a, b] => Some((a, b)),
            _ => None,
        })
        .collect()
}

fn nonlinear_set(name: &str) -> Certified {
    let text = read(&format!("{name}.dat"));
    let mut set = Certified {
        starts: [vec![], vec![]],
        values: vec![],
        errors: vec![],
        rss: f64::NAN,
        x: vec![],
        y: vec![],
    };
    for line in text.lines() {
        if let Some((left, right)) = line.split_once('=')
            && left
                .trim()
                .strip_prefix('b')
                .is_some_and(|n| n.parse::<u8>().is_ok())
            && let [start_1, start_2, value, error] = numbers(right)[..]
        {
            set.starts[0].push(start_1);
            set.starts[1].push(start_2);
            set.values.push(value);
            set.errors.push(error);
        }
        if let Some(rss) = line.strip_prefix("Residual Sum of Squares:") {
            set.rss = rss.trim().parse().unwrap();
        }
    }
    (set.y, set.x) = rows(&text).into_iter().unzip();
    assert!(
        set.values.len() >= 2 && set.x.len() >= 6,
        "{name} was not read"
    );
    set
}

/// Correct digits: −log10 of the relative difference.
fn digits(found: f64, certified: f64) -> f64 {
    -((found - certified) / certified).abs().max(1e-16).log10()
}

/// `order[i]` is the place of NIST's b(i+1) among the curve's parameters.
fn hold_to(name: &str, curve: &impl Curve, order: &[usize], least: f64) {
    let set = nonlinear_set(name);
    for start in &set.starts {
        let mut own_start = vec![0.0; order.len()];
        for (nist, own) in order.iter().enumerate() {
            own_start[*own] = start[nist];
        }
        let fit = nonlinear::fit(curve, &set.x, &set.y, None, &own_start).unwrap();
        for (nist, own) in order.iter().enumerate() {
            let value = digits(fit.parameters[*own], set.values[nist]);
            let error = digits(fit.standard_error(*own), set.errors[nist]);
            assert!(
                value >= least && error >= least,
                "{name} from {start:?}, b{}: {} and {} agree to {value:.1} and {error:.1} digits",
                nist + 1,
                fit.parameters[*own],
                fit.standard_error(*own)
            );
        }
        assert!(digits(fit.rss, set.rss) >= least, "{name}: rss {}", fit.rss);
    }
}

#[test]
fn misra1d_is_the_hyperbola() {
    hold_to("Misra1d", &Hyperbola, &[0, 1], 8.0);
}

#[test]
fn misra1a_is_the_exponential_approach() {
    hold_to("Misra1a", &Approach, &[0, 1], 8.0);
}

#[test]
fn boxbod_is_the_exponential_approach_from_far_starts() {
    hold_to("BoxBOD", &Approach, &[0, 1], 8.0);
}

#[test]
fn danwood_is_the_power_toe() {
    hold_to("DanWood", &Power, &[0, 1], 8.0);
}

#[test]
fn mgh17_is_two_decays_and_a_constant() {
    let curve = Decays {
        terms: 2,
        constant: true,
    };
    // NIST: b1 + b2·exp(−x·b4) + b3·exp(−x·b5).
    hold_to("MGH17", &curve, &[0, 1, 3, 2, 4], 6.0);
}

#[test]
fn lanczos3_is_three_decays() {
    let curve = Decays {
        terms: 3,
        constant: false,
    };
    hold_to("Lanczos3", &curve, &[0, 1, 2, 3, 4, 5], 6.0);
}

/// Fitting x/y = a·x + b is not least squares of y: its limit 1/a is another number.
#[test]
fn the_linearised_hyperbola_gives_another_limit() {
    let set = nonlinear_set("Misra1d");
    let ratio: Vec<f64> = set.x.iter().zip(&set.y).map(|(x, y)| x / y).collect();
    let line = linear::line(&set.x, &ratio, None).unwrap();
    let limit = 1.0 / line.coefficients[1];
    assert!((limit - 428.140).abs() < 5e-4, "{limit}");
    assert!((limit - set.values[0]).abs() > 2.0 * set.errors[0]);
}

/// The same points, two curves that fit about equally well: limits apart by 1.83 (both certified).
#[test]
fn two_curves_through_the_same_points_project_far_apart() {
    let (hyperbola, exponential) = (nonlinear_set("Misra1d"), nonlinear_set("Misra1a"));
    assert_eq!(hyperbola.x, exponential.x);
    let a = nonlinear::fit(
        &Hyperbola,
        &hyperbola.x,
        &hyperbola.y,
        None,
        &hyperbola.starts[0],
    )
    .unwrap();
    let b = nonlinear::fit(
        &Approach,
        &hyperbola.x,
        &hyperbola.y,
        None,
        &exponential.starts[0],
    )
    .unwrap();
    let factor = a.parameters[0] / b.parameters[0];
    assert!((factor - 1.83).abs() < 0.005, "{factor}");
}

/// Puromycin, treated cells (Treloar 1974, in Bates and Watts 1988): a hyperbola with limit Vm = 212.7, K = 0.0641.
/// Digits beyond the print from R 4.2 `nls`.
#[test]
fn puromycin_has_its_published_limit() {
    let x = [
        0.02, 0.02, 0.06, 0.06, 0.11, 0.11, 0.22, 0.22, 0.56, 0.56, 1.1, 1.1,
    ];
    let y = [
        76., 47., 97., 107., 123., 139., 159., 152., 191., 201., 207., 200.,
    ];
    let fit = nonlinear::fit(&Hyperbola, &x, &y, None, &[180.0, 10.0]).unwrap();
    assert!(digits(fit.parameters[0], 212.683_741_382_723) > 6.0);
    assert!(digits(1.0 / fit.parameters[1], 0.064_121_278_968_098_4) > 6.0);
    assert!(digits(fit.standard_error(0), 6.947_155_095_550_86) > 5.0);
}

/// NIST StRD Norris: a straight line.
#[test]
fn norris_is_a_line() {
    let (y, x): (Vec<f64>, Vec<f64>) = rows(&read("Norris.dat")).into_iter().unzip();
    let fit = linear::line(&x, &y, None).unwrap();
    assert_eq!(fit.residuals.len(), 36);
    let variance = fit.variance().unwrap();
    for (found, certified) in [
        (fit.coefficients[0], -0.262_323_073_774_029),
        (fit.coefficients[1], 1.002_116_818_020_45),
        (fit.standard_error(0, variance), 0.232_818_234_301_152),
        (fit.standard_error(1, variance), 0.429_796_848_199_937e-3),
        (variance.sqrt(), 0.884_796_396_144_373),
    ] {
        assert!(digits(found, certified) >= 9.0, "{found} {certified}");
    }
}

/// NIST StRD Pontius: the calibration of a load cell, a quadratic; a straight line fails the lack-of-fit test.
#[test]
fn pontius_is_a_quadratic_and_no_line() {
    let (y, x): (Vec<f64>, Vec<f64>) = rows(&read("Pontius.dat")).into_iter().unzip();
    let square: Vec<f64> = x.iter().map(|x| x * x).collect();
    let fit = linear::fit(&[vec![1.0; x.len()], x.clone(), square], &y, None).unwrap();
    assert_eq!(fit.residuals.len(), 40);
    let variance = fit.variance().unwrap();
    for (found, certified) in [
        (fit.coefficients[0], 0.673_565_789_473_684e-3),
        (fit.coefficients[1], 0.732_059_160_401_003e-6),
        (fit.coefficients[2], -0.316_081_871_345_029e-14),
        (fit.standard_error(0, variance), 0.107_938_612_033_077e-3),
        (fit.standard_error(1, variance), 0.157_817_399_981_659e-9),
        (fit.standard_error(2, variance), 0.486_652_849_992_036e-16),
        (variance.sqrt(), 0.205_177_424_076_185e-3),
    ] {
        assert!(digits(found, certified) >= 8.0, "{found} {certified}");
    }
    // Each load was read twice: pure error against the line's lack of fit.
    let line = linear::line(&x, &y, None).unwrap();
    let mut pure = 0.0;
    let half = x.len() / 2;
    for i in 0..half {
        assert_eq!(x[i], x[i + half]);
        pure += (y[i] - y[i + half]).powi(2) / 2.0;
    }
    let f = (line.rss - pure) / (half - 2) as f64 / (pure / half as f64);
    assert!(quantile::fisher_exceeded(f, (half - 2) as f64, half as f64) < 1e-6);
}

/// JCGM 100:2008, H.3: calibration line of a thermometer; intercept at 20 °C −0.1712(29), slope 0.00218(67),
/// correlation −0.930, prediction at 30 °C −0.1494(41), and 0.0073 where the correlation is left out.
#[test]
fn gum_h3_line_and_its_correlated_prediction() {
    let (t, b): (Vec<f64>, Vec<f64>) = read("gum_h3.csv")
        .lines()
        .filter_map(|line| {
            let (t, b) = line.split_once(',')?;
            Some((t.parse::<f64>().ok()? - 20.0, b.parse::<f64>().ok()?))
        })
        .unzip();
    assert_eq!(t.len(), 11);
    let fit = linear::line(&t, &b, None).unwrap();
    let variance = fit.variance().unwrap();
    let (u0, u1) = (
        fit.standard_error(0, variance),
        fit.standard_error(1, variance),
    );
    let near = |found: f64, printed: f64, half_digit: f64| {
        assert!(
            (found - printed).abs() <= half_digit,
            "{found} is not {printed}"
        );
    };
    near(fit.coefficients[0], -0.1712, 5e-5);
    near(u0, 0.0029, 5e-5);
    near(fit.coefficients[1], 0.00218, 5e-6);
    near(u1, 0.00067, 5e-6);
    near(fit.correlation(0, 1), -0.930, 5e-4);
    near(variance.sqrt(), 0.0035, 5e-5);
    near(fit.value(&[1.0, 10.0]), -0.1494, 5e-5);
    near(fit.value_error(&[1.0, 10.0], variance), 0.0041, 5e-5);
    near(u0.hypot(10.0 * u1), 0.0073, 5e-5);
}

/// Creep on log time of an invented hold: slope and error by two independent fits (scipy, numpy), 0.84527(109) mm per
/// decade; the two-point formula of ground-anchor practice (ISO 22477-5), (s2 − s1)/log10(t2/t1), gives 0.858.
#[test]
fn creep_per_decade_of_a_hold() {
    let (t, s): (Vec<f64>, Vec<f64>) = read("constructed_creep.csv")
        .lines()
        .skip(1)
        .filter_map(|line| {
            let (t, s) = line.split_once(',')?;
            Some((t.parse::<f64>().ok()?.log10(), s.parse::<f64>().ok()?))
        })
        .unzip();
    let fit = linear::line(&t, &s, None).unwrap();
    let variance = fit.variance().unwrap();
    assert!(digits(fit.coefficients[1], 0.845_273_485_760_587_8) > 9.0);
    assert!(digits(fit.standard_error(1, variance), 0.010_905_612_016_278_462) > 9.0);
    let half =
        quantile::two_sided(0.95, fit.degrees_of_freedom as f64) * fit.standard_error(1, variance);
    assert!((fit.coefficients[1] - half - 0.820_974_267_922).abs() < 1e-7);
}
