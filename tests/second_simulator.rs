//! Three pulls of another simulator whose laws are none of ours (`fixtures/second-simulator/README.md`): each was split
//! wrongly once, by far more than its interval.

use std::fs::File;
use std::path::Path;

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::{FileNames, read_log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::sheet::Sheet;

fn analysed(name: &str) -> Analysis {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures/second-simulator")
        .join(name);
    let text = std::fs::read_to_string(folder.join("sheet.toml")).unwrap();
    let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
    let mut log = File::open(folder.join(&sheet.pull.log)).unwrap();
    let names = FileNames {
        log: &sheet.pull.log,
        marks: "",
    };
    let (log, files) = read_log(&mut log, None, &sheet, names).unwrap();
    analyse(Inputs { sheet, log, files }, &Settings::default()).unwrap()
}

/// The interval holds the truth and is not so wide, in mm, that it says nothing.
fn holds(analysis: &Analysis, part: PartName, truth: f64, width: f64) {
    let end = &analysis.separated.parts[&part].end;
    let (low, high) = (1e3 * end.low.unwrap(), 1e3 * end.high.unwrap());
    assert!(
        (low..=high).contains(&truth) && high - low <= width,
        "{part:?}: {truth} mm, told {low:.3} to {high:.3}"
    );
}

/// The stretch that goes as the line breaks away does not turn into set, which no later reading would take back: the gauges
/// would then have to be wrong by far more than their accuracy.
#[test]
fn a_line_that_breaks_away_leaves_no_set() {
    let analysis = analysed("breaks-away");
    holds(&analysis, PartName::SetAndCoverSlip, 1.024, 0.7);
    // Half a per cent of 111 mm would be 1.1 mm; the mark is good to a fifth.
    let stopper = 1e3
        * analysis.separated.parts[&PartName::StopperSlip]
            .end
            .value
            .unwrap();
    assert!((stopper - 111.874).abs() < 0.12, "{stopper}");
}

/// A cover that is free at the eye takes no share in core slip, and the mark on it none of its 60 mm: how much core slipped
/// is open without the core's gauge, and so is a part of what the mark moved: half of its share of 12 mm either way, 0.13 mm.
#[test]
fn core_slip_that_no_gauge_shows_is_in_the_marks_uncertainty() {
    let analysis = analysed("free-at-the-eye");
    holds(&analysis, PartName::StopperSlip, 7.004, 0.35);
    holds(&analysis, PartName::SetAndCoverSlip, 12.548, 0.7);
    let budget = &analysis.separated.parts[&PartName::StopperSlip].budget;
    assert!(
        budget
            .iter()
            .any(|line| line.source.starts_with("core slip under a cover")),
        "{budget:?}"
    );
}

/// What a loop leaves open at pre-tension is not for the readings to settle: where the shapes fit the line badly it makes up
/// for that, and 6 mm of set were told where 2 are.
#[test]
fn a_loop_that_closes_leaves_no_set() {
    let analysis = analysed("bedded-and-soft");
    holds(&analysis, PartName::SetAndCoverSlip, 2.349, 7.0);
    let value = analysis.separated.parts[&PartName::SetAndCoverSlip]
        .end
        .value;
    let off = 1e3 * value.unwrap() - 2.349;
    assert!(off.abs() < 1.0, "{off} mm");
}
