//! A pull from another maker's mind: thirty lines that share no code with `simulate` and none of its laws, split by
//! the same pipeline. Stretch is a power law with a viscous part of its own, set goes with the square root of the
//! highest load, the core slips by a power of the overload and the stopper in proportion to time under load.

use bitterend::analysis::Settings;
use bitterend::ingest::{Channel, GaugeKind, InputFile, Log, Understood};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::Sheet;
use bitterend::units::{Dimension, ForceDim, LengthDim};

/// Load in kN at each time: straight between these points (s, kN).
const COURSE: [(f64, f64); 22] = [
    (0.0, 0.0),
    (5.0, 0.0),
    (8.0, 0.3),
    (28.0, 0.3),
    (43.0, 2.0),
    (48.0, 2.0),
    (51.0, 0.3),
    (61.0, 0.3),
    (76.0, 2.0),
    (81.0, 2.0),
    (84.0, 0.3),
    (94.0, 0.3),
    (124.0, 3.5),
    (154.0, 3.5),
    (159.0, 0.3),
    (174.0, 0.3),
    (214.0, 4.6),
    (264.0, 4.6),
    (270.0, 0.3),
    (330.0, 0.3),
    (333.0, 0.0),
    (338.0, 0.0),
];

/// Time, load, travel, mark, body, core and the truths stretch, set, stopper slip, cover slip; kN and mm, 10 rows a
/// second, from the seed of a small linear congruential generator.
fn record(mut seed: u64) -> Vec<[f64; 10]> {
    let mut noise = move |sd: f64| {
        let mut next = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        // Twelve uniform numbers less six: near enough a normal law.
        sd * ((0..12).map(|_| next()).sum::<f64>() - 6.0)
    };
    let (length, a, dt) = (4000.0, 50.0, 0.1);
    let (mut highest, mut late, mut q, mut c) = (0.0_f64, 0.0, 0.0, 0.0);
    (1..=3380)
        .map(|k| {
            let t = f64::from(k) * dt;
            let i = COURSE.windows(2).position(|w| t <= w[1].0 + 1e-9).unwrap();
            let ((t0, f0), (t1, f1)) = (COURSE[i], COURSE[i + 1]);
            let f = f0 + (f1 - f0) * (t - t0) / (t1 - t0);
            highest = highest.max(f);
            late += (0.0008 * f - late) * dt / 25.0;
            let stretch = length * (0.0042 * f.powf(0.8) + late);
            let set = 2.4 * highest.sqrt();
            q += dt * 0.004 * (f - 2.6).max(0.0).powi(2);
            c += dt * 0.03 * (f - 2.9).max(0.0).powf(1.5) / (1.0 + 0.3 * c);
            let body = f / 12.0;
            let travel = body + stretch + set + q + c;
            let mark = body + q + a / length * (travel - body - q);
            [
                t,
                f + noise(0.01),
                travel + noise(0.03),
                mark + noise(0.03),
                body + noise(0.03),
                c + noise(0.03),
                stretch,
                set,
                q,
                c,
            ]
        })
        .collect()
}

const SHEET: &str = r#"
[pull]
id = "second generator"
log = "log.csv"
simulated = true
pretension = "0.3 kN"
[line]
free_length = "4 m"
tail_stores = "0 mm"
cover_at_eye = "locked"
bitter_end = "free"
[stopper]
jaw_give = "0 mm"
[gauges.load]
column = "load"
resolution = "0.001 kN"
accuracy = "0.2 % of reading"
[gauges.travel]
column = "travel"
resolution = "0.01 mm"
accuracy = "0.1 % of reading"
[gauges.mark]
column = "mark"
resolution = "0.01 mm"
accuracy = "0.1 % of reading"
distance = "50 mm"
distance_uncertainty = "1 mm"
[gauges.body]
column = "body"
resolution = "0.01 mm"
accuracy = "0.1 % of reading"
[gauges.core]
column = "core"
resolution = "0.01 mm"
accuracy = "0.1 % of reading"
[limits]
proof = "4.5 kN"
hold = "45 s"
stopper_slip = "5 mm"
cover_slip = "5 mm"
"#;

fn log(rows: &[[f64; 10]]) -> Log {
    let kinds = [
        GaugeKind::Load,
        GaugeKind::Travel,
        GaugeKind::Mark,
        GaugeKind::Body,
        GaugeKind::Core,
    ];
    let channel = |(i, kind): (usize, &GaugeKind)| {
        let unit = if kind.is_force() {
            &ForceDim::UNITS[0]
        } else {
            &LengthDim::UNITS[0]
        };
        let (step, decimals) = if kind.is_force() {
            (1.0, 1e3)
        } else {
            (1e-5, 1e2)
        };
        let values: Vec<f64> = rows
            .iter()
            .map(|r| (r[i + 1] * decimals).round() / decimals * unit.to_si)
            .collect();
        Channel {
            kind: *kind,
            column: kind.name().into(),
            unit,
            clipped: Vec::new(),
            extremes: Some(
                values
                    .iter()
                    .fold((f64::MAX, f64::MIN), |e, &v| (e.0.min(v), e.1.max(v))),
            ),
            values,
            unreadable: 0,
            step: Some(step),
        }
    };
    Log {
        time_s: rows.iter().map(|r| r[0]).collect(),
        rows_per_entry: 1,
        rows: rows.len() as u64,
        channels: kinds.iter().enumerate().map(channel).collect(),
        readings: Vec::new(),
        segments: Vec::new(),
        understood: Understood::default(),
    }
}

/// Mean over the first dwell of column `i`: where every part is zero.
fn zero(rows: &[[f64; 10]], i: usize) -> f64 {
    let dwell: Vec<f64> = rows
        .iter()
        .filter(|r| r[0] > 8.05 && r[0] < 27.95)
        .map(|r| r[i])
        .collect();
    dwell.iter().sum::<f64>() / dwell.len() as f64
}

/// The record is what its head says: the balance closes and nothing slips backwards.
#[test]
fn the_record_keeps_the_balance() {
    let rows = record(1);
    for w in rows.windows(2) {
        assert!(w[1][8] >= w[0][8] && w[1][9] >= w[0][9] && w[1][7] >= w[0][7]);
        let r = w[1];
        let parts = r[6] + r[7] + r[8] + r[9];
        // Four noises of 0.03 mm at most six deviations each.
        assert!((r[2] - r[4] - parts).abs() < 0.4, "{r:?}");
    }
    let last = rows[rows.len() - 1];
    assert!(last[8] > 0.5 && last[9] > 2.0, "both slip: {last:?}");
}

/// Three parts of twenty records: at least nine of ten intervals hold the truth, and none is so wide that it
/// says nothing.
#[test]
fn the_second_generator_is_split_as_well() {
    let parts = [
        (PartName::StopperSlip, 8, 0),
        (PartName::CoverSlip, 9, 0),
        (PartName::SetAndCoverSlip, 7, 9),
    ];
    let (mut held, mut asked, mut missed) = (0, 0, Vec::new());
    for seed in 1..=20 {
        let rows = record(seed);
        let sheet: Sheet = toml::from_str(SHEET).unwrap();
        let files: Vec<InputFile> = Vec::new();
        let inputs = Inputs {
            sheet,
            log: log(&rows),
            files,
        };
        let analysis = analyse(inputs, &Settings::default()).expect("this record can be analysed");
        let last = rows[rows.len() - 1];
        for (part, one, two) in parts {
            let mut truth = last[one] - zero(&rows, one);
            if two > 0 {
                truth += last[two] - zero(&rows, two);
            }
            let end = &analysis.separated.parts[&part].end;
            let (Some(low), Some(high)) = (end.low, end.high) else {
                panic!("seed {seed}: {part:?} has no interval: {:?}", end.reason);
            };
            // Wider than two millimetres would say nothing; neither would an interval as wide as the part itself.
            let width = 1e3 * (high - low);
            assert!(
                width < truth.min(2.0),
                "seed {seed}: {part:?} from {low} to {high}, truth {truth} mm"
            );
            asked += 1;
            if (low * 1e3..=high * 1e3).contains(&truth) {
                held += 1;
            } else {
                missed.push(format!(
                    "seed {seed} {part:?}: {truth:.3} mm not in {:.3}..{:.3}",
                    low * 1e3,
                    high * 1e3
                ));
            }
        }
    }
    assert!(
        held * 10 >= asked * 9,
        "{held} of {asked} intervals hold the truth: {missed:#?}"
    );
}
