//! Records of real testing machines, not made by any simulator: no lines in stoppers, so no slip of an interface may be
//! claimed; what came back and what did not is told, with what weakens it.
//!
//! Origin and licence of the records: `fixtures/measured/README.md`. The figures they are checked against are read off
//! the logs here, by arithmetic that the stages do not share.

use std::fs::File;
use std::path::{Path, PathBuf};

use bitterend::analysis::{Analysis, Settings};
use bitterend::chart;
use bitterend::diagnose::Moved;
use bitterend::ingest::{FileNames, read_log};
use bitterend::limit::Interface;
use bitterend::phases::PhaseKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::report;
use bitterend::separate::PartName;
use bitterend::sheet::Sheet;
use bitterend::stats::{Estimate, Status};
use bitterend::verdict::VerdictWord;

fn folder(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/measured")
        .join(name)
}

fn analysed(name: &str) -> Analysis {
    let text = std::fs::read_to_string(folder(name).join("sheet.toml")).unwrap();
    let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
    let mut log = File::open(folder(name).join(&sheet.pull.log)).unwrap();
    let names = FileNames {
        log: &sheet.pull.log,
        marks: "",
    };
    let (log, files) = read_log(&mut log, None, &sheet, names).unwrap();
    let inputs = Inputs { sheet, log, files };
    analyse(inputs, &Settings::default()).unwrap()
}

/// Two columns of a log, by plain splitting.
fn columns(name: &str, file: &str, load: usize, travel: usize) -> Vec<(f64, f64)> {
    std::fs::read_to_string(folder(name).join(file))
        .unwrap()
        .lines()
        .skip(1)
        .map(|l| {
            let cells: Vec<f64> = l.split(',').map(|c| c.parse().unwrap()).collect();
            (cells[load], cells[travel])
        })
        .collect()
}

/// No slip of either interface: not as a part, not as a bracket, not in the traces, not as a limit, cause or verdict,
/// and not in the words of the report.
fn claims_no_slip(analysis: &Analysis) {
    for part in [
        PartName::StopperSlip,
        PartName::CoverSlip,
        PartName::SetAndCoverSlip,
        PartName::Set,
        PartName::Give,
    ] {
        let found = &analysis.separated.parts[&part];
        for estimate in [&found.end, &found.at_proof] {
            assert_eq!(estimate.status, Status::CannotTell, "{part:?}");
            assert!(estimate.value.is_none() && estimate.low.is_none() && estimate.high.is_none());
            assert!(estimate.reason.as_ref().is_some_and(|r| !r.is_empty()));
        }
        assert!(!analysis.traces.parts.contains_key(&part), "{part:?}");
        assert!(analysis.steps.iter().all(|s| !s.parts.contains_key(&part)));
    }
    let limit = &analysis.limit;
    // Slip is at most what did not come back, so a load below which there was none may be told; never one at which it
    // began, nor the interface.
    for figure in limit.figures.iter().chain([&limit.governing]) {
        let place = format!("{:?} {:?}", figure.rule, figure.interface);
        assert_ne!(figure.load.status, Status::Measured, "{place}");
        assert!(figure.load.value.is_none(), "{place}");
        assert!(figure.load.high.is_none(), "{place}");
        assert_eq!(figure.reached_by, None, "{place}");
        assert!(figure.load.reason.is_some(), "{place}");
    }
    assert!(!limit.seating.is_known());
    assert!(limit.events.is_empty() && limit.projections.is_empty());
    assert!(
        limit
            .holds
            .iter()
            .all(|h| h.interface == Interface::Pair || !h.slip.is_known())
    );
    assert_eq!(analysis.diagnosis.moved, Moved::CannotTell);
    assert!(analysis.diagnosis.remedies.is_empty());
    assert_eq!(analysis.verdict.word, VerdictWord::NoLimits);
    assert!(analysis.aboard.is_none());
    let charts = chart::draw_all(analysis).unwrap();
    let text = report::render(analysis, &charts).markdown;
    assert!(text.contains("cannot tell"), "{text}");
    assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
}

/// What came back and what did not add up to the travel when the load was gone, read off the log by itself.
fn adds_up(analysis: &Analysis, rows: &[(f64, f64)], dwell: std::ops::Range<usize>) {
    let n = dwell.len() as f64;
    let pretension = rows[dwell.clone()].iter().map(|r| r.0).sum::<f64>() / n;
    let zero = rows[dwell].iter().map(|r| r.1).sum::<f64>() / n;
    let end = rows.iter().rposition(|r| r.0 >= 0.9 * pretension).unwrap();
    let travel = rows[end].1 - zero;
    let part = |name| &analysis.separated.parts[&name].end;
    let (back, stayed) = (part(PartName::Stretch), part(PartName::NotRecovered));
    for estimate in [back, stayed] {
        assert!(estimate.is_known(), "{estimate:?}");
        assert!(
            estimate.low.unwrap() < estimate.high.unwrap(),
            "{estimate:?}"
        );
    }
    // The last block is a mean over rows in which the travel still runs, and its residual is in neither part: the
    // larger of the two half widths is what the parts say of themselves.
    let sum = 1e3 * (back.value.unwrap() + stayed.value.unwrap());
    let half = |e: &Estimate| 500.0 * (e.high.unwrap() - e.low.unwrap());
    let room = half(back).max(half(stayed));
    println!(
        "{sum:.3} mm came back or stayed, the travel is {travel:.3} mm, half width {room:.3} mm"
    );
    assert!(
        (sum - travel).abs() < room,
        "{sum:.3} mm came back or stayed, the travel is {travel:.3} mm"
    );
    // An interval as wide as the travel would say nothing.
    assert!(room < 0.5 * travel, "{room:.3} mm of {travel:.3} mm");
    assert!(
        stayed.low.unwrap() > 0.0,
        "these coupons were damaged: {stayed:?}"
    );
}

/// The entries of the first dwell as the phases have it.
fn first_dwell(analysis: &Analysis) -> std::ops::Range<usize> {
    let dwell = analysis
        .phases
        .iter()
        .find(|p| p.kind == PhaseKind::Reference)
        .unwrap();
    dwell.first..dwell.end
}

/// One ramp and back: peak 12.18 kN, then the load goes to nothing and the machine runs back past its start.
#[test]
fn a_shear_coupon_tells_what_came_back_and_claims_no_slip() {
    let analysis = analysed("laminate-shear");
    claims_no_slip(&analysis);
    let rows = columns("laminate-shear", "laminate_shear_repeat_1.csv", 3, 2);
    assert_eq!(analysis.record.rows, rows.len() as u64);
    let peak = rows.iter().map(|r| r.0).fold(0.0, f64::max);
    assert!((analysis.record.peak_load_kn - peak).abs() < 0.01 * peak);
    assert!((analysis.record.rate_hz - 20.0).abs() < 0.1);
    assert_eq!(analysis.record.cycles, 1);
    assert!(!analysis.caveats.is_empty());
    adds_up(&analysis, &rows, first_dwell(&analysis));
    // The machine pauses at its largest travel for 66 rows while the load relaxes: that is a hold, no end of range.
    assert!(
        analysis.caveats.iter().all(|c| c.code != "gauge-clipped"),
        "{:?}",
        analysis.caveats
    );
}

/// Two hundred cycles of five hundred, load controlled, then broken; no time in the log, so the sheet gives the rate.
#[test]
fn a_cycled_coupon_takes_its_rate_from_the_sheet_and_claims_no_slip() {
    let analysis = analysed("laminate-cyclic");
    claims_no_slip(&analysis);
    assert_eq!(analysis.understood.time, "rate 60 Hz, rows counted");
    assert_eq!(analysis.understood.time_column, None);
    assert!((analysis.record.rate_hz - 60.0).abs() < 1e-6);
    let rows = columns("laminate-cyclic", "laminate_cyclic_tension.csv", 1, 2);
    assert_eq!(analysis.record.rows, rows.len() as u64);
    // The steps between rows at 60 Hz, one of which is the stated gap of 272 s.
    let expected = (rows.len() - 2) as f64 / 60.0 + 272.0;
    let span = analysis.record.end_s - analysis.record.start_s;
    assert!((span - expected).abs() < 0.1, "{span} s, {expected} s");
    // 100 cycles, then 98 to the break (the README counts them by the log's own column).
    assert!((190..=200).contains(&analysis.record.cycles));
    assert!(!analysis.caveats.is_empty());
    adds_up(&analysis, &rows, first_dwell(&analysis));
}
