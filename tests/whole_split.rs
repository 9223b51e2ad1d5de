//! What must hold of every split, whatever the pull: other units, another start of the clock, another zero of a gauge change
//! nothing; fewer rows and one more gauge that agrees change little.

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::{FileNames, GaugeKind, read_log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::Sheet;
use bitterend::simulate::{self, Grade, Kind, pull};
use bitterend::stats::Estimate;

#[path = "common/simulated.rs"]
mod simulated;
use simulated::analysed;

/// Sheet and log of a simulated pull as text.
fn texts(kind: Kind, seed: u64) -> (String, String) {
    let files = pull(kind, seed).files;
    let text = |file: &str| {
        let (_, bytes) = files.iter().find(|(name, _)| name == file).unwrap();
        String::from_utf8(bytes.clone()).unwrap()
    };
    (text("sheet.toml"), text("log.csv"))
}

fn analysed_text(sheet: &str, log: &str) -> Analysis {
    let sheet = Sheet::parse(sheet, "sheet.toml").unwrap();
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let (log, files) = read_log(&mut log.as_bytes(), None, &sheet, names).unwrap();
    analyse(Inputs { sheet, log, files }, &Settings::default()).unwrap()
}

/// Every number of every part at the end and at the proof load, m.
fn numbers(analysis: &Analysis) -> Vec<(PartName, &'static str, f64)> {
    let of = |name: PartName, when, e: &Estimate| {
        [e.value, e.low, e.high, e.standard_error]
            .into_iter()
            .flatten()
            .map(move |v| (name, when, v))
            .collect::<Vec<_>>()
    };
    analysis
        .separated
        .parts
        .iter()
        .flat_map(|(name, part)| {
            let mut both = of(*name, "end", &part.end);
            both.extend(of(*name, "proof", &part.at_proof));
            both
        })
        .collect()
}

/// The same numbers, to a share of the largest.
fn same(a: &Analysis, b: &Analysis, share: f64, change: &str) {
    let (a, b) = (numbers(a), numbers(b));
    assert_eq!(a.len(), b.len(), "{change}");
    assert!(a.len() > 12, "{change}: only {} numbers", a.len());
    let scale = a.iter().map(|(_, _, v)| v.abs()).fold(0.0, f64::max);
    for ((part, when, x), (_, _, y)) in a.iter().zip(&b) {
        assert!(
            (x - y).abs() <= share * scale,
            "{change}: {part:?} at {when}: {x:e} and {y:e}"
        );
    }
}

/// Cells of a log, changed column by column, written so that every bit comes back.
fn rewritten(log: &str, header: &str, change: impl Fn(usize, f64) -> f64) -> String {
    let mut out = header.to_owned();
    for line in log.lines().skip(1) {
        let cells: Vec<String> = line
            .split(',')
            .enumerate()
            .map(|(column, cell)| match cell.parse::<f64>() {
                Ok(value) => format!("{}", change(column, value)),
                Err(_) => cell.to_owned(),
            })
            .collect();
        out.push('\n');
        out.push_str(&cells.join(","));
    }
    out.push('\n');
    out
}

/// The fits work on blocks of rows: every row is in one of them, and in one only.
#[test]
fn every_row_is_in_one_block() {
    let pull = simulate::run(&Kind::Both.scenario(Grade::Good, 2), 2);
    let analysis = analysed(&pull, pull.log());
    let blocks = &analysis.separated.blocks;
    assert_eq!(blocks.first[0], 0);
    for (end, next) in blocks.end.iter().zip(&blocks.first[1..]) {
        assert_eq!(end, next);
    }
    assert_eq!(blocks.end[blocks.len() - 1], pull.time_s.len());
}

/// Pounds and inches, by the definitions of 1959: 4.4482216152605 N and 25.4 mm.
#[test]
fn other_units_give_the_same_split() {
    for kind in [Kind::Both, Kind::TravelOnly] {
        let (sheet, log) = texts(kind, 2);
        let before = analysed_text(&sheet, &log);
        let header = log.lines().next().unwrap();
        let imperial = rewritten(
            &log,
            &header.replace("[kN]", "[lbf]").replace("[mm]", "[in]"),
            |column, value| match column {
                0 => value,
                1 => value * 1e3 / 4.448_221_615_260_5,
                _ => value / 25.4,
            },
        );
        let sheet = sheet
            .replace("[kN]\"\nunit = \"kN\"", "[lbf]\"\nunit = \"lbf\"")
            .replace("[mm]\"\nunit = \"mm\"", "[in]\"\nunit = \"in\"");
        assert!(sheet.contains("\"in\"") && sheet.contains("\"lbf\""));
        same(
            &before,
            &analysed_text(&sheet, &imperial),
            1e-9,
            kind.name(),
        );
    }
}

/// A clock that starts elsewhere, and gauges whose zero lies elsewhere. Binary fractions, so that nothing is rounded.
#[test]
fn where_clock_and_gauges_start_changes_nothing() {
    let (sheet, log) = texts(Kind::Both, 2);
    let header = log.lines().next().unwrap();
    let before = analysed_text(&sheet, &log);
    let later = rewritten(
        &log,
        header,
        |column, v| if column == 0 { v + 4096.0 } else { v },
    );
    same(&before, &analysed_text(&sheet, &later), 1e-9, "later");
    let shifted = rewritten(&log, header, |column, v| match column {
        2 => v + 64.0,
        3 => v - 4.0,
        _ => v,
    });
    same(&before, &analysed_text(&sheet, &shifted), 1e-9, "shifted");
}

/// Every second row left out: parts move by less than their standard uncertainty in nearly all of twelve pulls.
#[test]
fn half_of_the_rows_tell_the_same() {
    let (mut figures, mut moved) = (0, Vec::new());
    for seed in 1..=6 {
        for kind in [Kind::CoreSlip, Kind::Both] {
            let (sheet, log) = texts(kind, seed);
            let kept: Vec<&str> = log
                .lines()
                .enumerate()
                .filter(|(i, _)| *i == 0 || i % 2 == 1)
                .map(|(_, line)| line)
                .collect();
            let (all, half) = (
                analysed_text(&sheet, &log),
                analysed_text(&sheet, &(kept.join("\n") + "\n")),
            );
            for (name, part) in &all.separated.parts {
                let (a, b) = (&part.end, &half.separated.parts[name].end);
                if let (Some(x), Some(y), Some(u), Some(w)) =
                    (a.value, b.value, a.standard_error, b.standard_error)
                {
                    figures += 1;
                    if (x - y).abs() > u.max(w) {
                        moved.push(format!(
                            "{} {seed} {name:?}: {x:e} {y:e} ± {u:e}",
                            kind.name()
                        ));
                    }
                }
            }
        }
    }
    println!("{} of {figures} moved: {moved:#?}", moved.len());
    assert!(figures >= 72, "{figures}");
    assert!(20 * moved.len() <= figures, "{moved:#?}");
}

/// A second gauge of stopper slip that agrees: the interval of that slip does not grow by more than a fiftieth on average.
#[test]
fn a_gauge_that_agrees_does_no_harm() {
    let (mut with, mut without) = (0.0, 0.0);
    for seed in 1..=8 {
        let pull = simulate::run(&Kind::Transfer.scenario(Grade::Good, seed), seed);
        let mut fewer = pull.log();
        assert!(fewer.channels.iter().any(|g| g.kind == GaugeKind::Mark));
        fewer.channels.retain(|g| g.kind != GaugeKind::Mark);
        let width = |analysis: &Analysis| {
            let end = &analysis.separated.parts[&PartName::StopperSlip].end;
            end.high.unwrap() - end.low.unwrap()
        };
        with += width(&analysed(&pull, pull.log()));
        let mut sheet = pull.sheet().unwrap();
        sheet.gauges.mark = None;
        let inputs = Inputs {
            sheet,
            log: fewer,
            files: pull.files(),
        };
        without += width(&analyse(inputs, &Settings::default()).unwrap());
    }
    println!(
        "mean width {:.4} mm with, {:.4} mm without",
        125.0 * with,
        125.0 * without
    );
    assert!(with <= 1.02 * without, "{with} {without}");
}
