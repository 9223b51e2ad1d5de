//! A survey reads each record without one slip or the other. The truth of the stored pulls is the simulator's.

use std::fs;
use std::path::Path;

use bitterend::analysis::{Analysis, Settings};
use bitterend::ingest::{FileNames, GaugeKind, read_log};
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::{Explanation, PartName, Tenable};
use bitterend::sheet::Sheet;
use bitterend::{chart, report};

fn survey(name: &str) -> Analysis {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("fixtures")
        .join(name);
    let text = fs::read_to_string(folder.join("sheet.toml"))
        .unwrap()
        .replace("purpose = \"delivery\"", "purpose = \"survey\"")
        .replace("purpose = \"benchmark\"", "purpose = \"survey\"");
    let sheet = Sheet::parse(&text, "sheet.toml").unwrap();
    let mut log = fs::File::open(folder.join("log.csv")).unwrap();
    let names = FileNames {
        log: "log.csv",
        marks: "",
    };
    let (log, files) = read_log(&mut log, None, &sheet, names).unwrap();
    analyse(Inputs { sheet, log, files }, &Settings::default()).unwrap()
}

fn without<'a>(analysis: &'a Analysis, parts: &[PartName]) -> &'a Explanation {
    analysis
        .explanations
        .iter()
        .find(|e| e.without == parts)
        .unwrap()
}

fn by(explanation: &Explanation) -> Vec<GaugeKind> {
    explanation
        .gauges
        .iter()
        .filter(|g| g.excludes)
        .map(|g| g.gauge)
        .collect()
}

use PartName::{CoverSlip, StopperSlip};

#[test]
fn the_gauge_that_saw_the_slip_excludes_that_there_was_none() {
    // Truth: millimetres of cover slip, and hardly any in the stopper.
    let core = survey("core-slip");
    let none = without(&core, &[CoverSlip]);
    assert_eq!(none.state, Tenable::Excluded);
    assert_eq!(by(none), [GaugeKind::Core]);
    assert!(none.loss > 100.0 * none.chance, "{none:?}");
    // Truth: the line runs through the stopper.
    let stopper = survey("stopper-slip");
    let none = without(&stopper, &[StopperSlip]);
    assert_eq!(none.state, Tenable::Excluded);
    assert!(by(none).contains(&GaugeKind::Mark), "{none:?}");
    let both = survey("both");
    for parts in [&[CoverSlip][..], &[StopperSlip], &[StopperSlip, CoverSlip]] {
        assert_eq!(without(&both, parts).state, Tenable::Excluded, "{parts:?}");
    }
    // Holding two slips at nothing cannot fit better than holding one.
    assert!(without(&both, &[StopperSlip, CoverSlip]).loss >= without(&both, &[CoverSlip]).loss);
}

/// An accuracy of 0.1 % is not stretched to 100 % so that a gauge may have read nothing.
#[test]
fn what_is_left_over_is_what_moved() {
    for (name, part, gauge) in [
        ("core-slip", CoverSlip, GaugeKind::Core),
        ("stopper-slip", StopperSlip, GaugeKind::Mark),
    ] {
        let analysis = survey(name);
        let slip = 1e3 * analysis.separated.parts[&part].end.value.unwrap();
        let none = without(&analysis, &[part]);
        let left = none.gauges.iter().find(|g| g.gauge == gauge).unwrap();
        println!(
            "{name}: {:.2} mm left over of {slip:.2} mm",
            left.left_over_mm
        );
        assert!(left.left_over_mm > 0.2 * slip, "{name}: {left:?}, {slip}");
    }
}

#[test]
fn what_happened_is_never_excluded() {
    // Truth: nothing slid.
    let halyard = survey("halyard");
    for explanation in &halyard.explanations {
        assert_eq!(explanation.state, Tenable::Fits, "{explanation:?}");
        assert_eq!(by(explanation), []);
    }
    // No gauge tells an interface apart: every reading fits alike, and that is said.
    let travel = survey("travel-only");
    for explanation in travel.explanations.iter().filter(|e| !e.without.is_empty()) {
        assert_eq!(explanation.state, Tenable::FitsAlike);
        assert_eq!(explanation.loss, 0.0);
    }
}

#[test]
fn the_survey_shows_the_readings_and_what_the_record_cannot_show() {
    let analysis = survey("core-slip");
    let report = report::render(&analysis, &chart::draw_all(&analysis).unwrap());
    let row = report
        .markdown
        .lines()
        .find(|l| l.starts_with("| the cover did not slide over the core |"))
        .unwrap();
    assert!(row.contains("| excluded | core |"), "{row}");
    for text in [&report.markdown, &report.html] {
        for heading in [
            "What happened, and when",
            "The record read under each explanation",
            "What this record cannot show",
            "A gain error of the load cell: it leaves no trace in the log.",
        ] {
            assert!(text.contains(heading), "{heading}");
        }
        // Every input by its digest, size and name.
        for input in &analysis.inputs {
            assert!(text.contains(&input.sha256) && text.contains(&input.bytes.to_string()));
        }
    }
    // A delivery is one page of answers, not of theories.
    assert!(analysis.explanations.len() == 4);
}
