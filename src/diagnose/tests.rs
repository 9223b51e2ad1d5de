//! Causes of hand-made separations.

use super::*;
use crate::limit::handmade::{Errors, Pull, ramp};
use crate::separate::PartName::{CoverSlip, StopperSlip};
use crate::verdict;

type Law = fn(f64, f64, f64, f64, f64) -> f64;

fn diagnosed(pull: &Pull) -> Diagnosis {
    let (limit, caveats) = pull.find();
    let verdict = verdict::decide(&pull.inputs(), &limit, &caveats);
    find(&pull.inputs(), &limit, &verdict)
}

fn slid(_: f64, _: f64, h: f64, _: f64, _: f64) -> f64 {
    2e-6 * (h - 4e3).max(0.0)
}

fn still(_: f64, _: f64, _: f64, _: f64, _: f64) -> f64 {
    0.0
}

fn with(stopper: Law, cover: Law) -> Pull {
    let pull = Pull::new(&ramp(7e3), "", Errors::NONE);
    let (s, c) = (pull.law(stopper), pull.law(cover));
    pull.with(StopperSlip, &s).with(CoverSlip, &c)
}

#[test]
fn the_interface_that_moved_is_named_with_its_remedies() {
    let stopper = diagnosed(&with(slid, still));
    assert_eq!(
        (stopper.moved, stopper.sure),
        (Moved::Stopper, Sureness::Measured)
    );
    assert!(stopper.remedies.iter().any(|r| r.what.contains("jaw")));
    assert!(stopper.remedies.iter().all(|r| !r.what.contains("Milk")));
    let cover = diagnosed(&with(still, slid));
    assert_eq!(
        (cover.moved, cover.sure),
        (Moved::Cover, Sureness::Measured)
    );
    assert!(cover.remedies.iter().any(|r| r.what.contains("Milk")));
    let both = diagnosed(&with(slid, |_, _, h, _, _| 6e-6 * (h - 4e3).max(0.0)));
    assert_eq!(both.moved, Moved::Both);
    // The interface that moved more comes first.
    assert!(both.remedies[0].what.contains("Bed") || both.remedies[0].what.contains("Milk"));
    for d in [&stopper, &cover, &both] {
        assert!(
            d.remedies
                .iter()
                .all(|r| !r.reason.is_empty() && r.proof.contains("ull")
                    || r.proof.contains("Repeat"))
        );
        assert!(!d.next_pull.is_empty());
    }
}

/// A slip that the sheet allows gets no remedy beside one that it does not allow.
#[test]
fn an_allowed_slip_is_named_but_not_mended() {
    let limits = "[limits]\nproof = \"6 kN\"\nstopper_slip = \"8 mm\"\ncover_slip = \"8 mm\"";
    let pull = Pull::new(&ramp(7e3), limits, Errors::NONE);
    let (s, c) = (
        pull.law(slid),
        pull.law(|_, _, h, _, _| 6e-6 * (h - 4e3).max(0.0)),
    );
    let found = diagnosed(&pull.with(StopperSlip, &s).with(CoverSlip, &c));
    assert_eq!(found.moved, Moved::Both);
    assert!(found.remedies.iter().any(|r| r.what.contains("Milk")));
    assert!(found.remedies.iter().all(|r| !r.what.contains("jaw")));
    assert!(
        found
            .notes
            .iter()
            .any(|n| n.contains("in the stopper moved too"))
    );
}

#[test]
fn a_line_that_only_stretched_needs_no_remedy() {
    let found = diagnosed(&with(still, still));
    assert_eq!(
        (found.moved, found.sure),
        (Moved::Neither, Sureness::Measured)
    );
    assert!(found.remedies.is_empty());
    assert_eq!(found.evidence.len(), 2);
}

/// Never more certain than the split.
#[test]
fn what_the_gauges_hide_is_not_diagnosed() {
    let pull = Pull::new(&ramp(7e3), "", Errors::NONE);
    let truth = pull.law(slid);
    let hidden = pull
        .without(StopperSlip, "no tail mark")
        .without(CoverSlip, "no cover mark");
    let found = diagnosed(&hidden);
    assert_eq!(
        (found.moved, found.sure),
        (Moved::CannotTell, Sureness::CannotTell)
    );
    assert!(found.remedies.is_empty());
    let half = Pull::new(&ramp(7e3), "", Errors::NONE)
        .with(StopperSlip, &truth)
        .without(CoverSlip, "no cover mark");
    let found = diagnosed(&half);
    assert_eq!(
        (found.moved, found.sure),
        (Moved::Stopper, Sureness::InPart)
    );
    assert!(found.finding.contains("not told"));
    // A bracket that may be nothing is not told; one that is surely something moved, no matter how far.
    let pull = Pull::new(&ramp(7e3), "", Errors::NONE);
    let (zero, most) = (pull.law(still), pull.law(slid));
    let open = pull
        .with(StopperSlip, &zero)
        .with_bracket(CoverSlip, &zero, &most);
    assert_eq!(diagnosed(&open).moved, Moved::CannotTell);
    let pull = Pull::new(&ramp(7e3), "", Errors::NONE);
    let least = pull.law(|_, _, h, _, _| 1e-6 * (h - 4e3).max(0.0));
    let sure = pull
        .with(StopperSlip, &zero)
        .with_bracket(CoverSlip, &least, &most);
    let found = diagnosed(&sure);
    assert_eq!(
        (found.moved, found.sure),
        (Moved::Cover, Sureness::Bracketed)
    );
}

#[test]
fn the_sheet_orders_the_remedies_and_odd_treatments_are_pointed_out() {
    let mut pull = with(slid, still);
    let sheet = &mut pull.sheet;
    sheet.line.diameter = Some(crate::units::Length::parse("8 mm").unwrap());
    sheet.stopper.diameter_min = Some(crate::units::Length::parse("8 mm").unwrap());
    sheet.stopper.diameter_max = Some(crate::units::Length::parse("12 mm").unwrap());
    sheet.stopper.loaded_releases = Some(20);
    sheet.line.treatments.push(crate::sheet::Treatment {
        kind: "core bulked".into(),
        begins: Some(crate::units::Length::parse("0.6 m").unwrap()),
        length: Some(crate::units::Length::parse("0.5 m").unwrap()),
    });
    let found = diagnosed(&pull);
    assert!(
        found.remedies[0].what.contains("jaw") && found.remedies[0].reason.contains("thin third")
    );
    assert!(found.remedies.last().unwrap().what.contains("winch"));
    // Bulked already, though in the wrong place: said so.
    assert!(
        found
            .notes
            .iter()
            .any(|n| n.contains("core bulked") && n.contains("outside"))
    );
    assert!(found.notes.iter().any(|n| n.contains("two fifths")));
}

#[test]
fn an_empty_record_is_not_diagnosed() {
    let found = diagnosed(&Pull::new(&[], "", Errors::NONE));
    assert_eq!(found.moved, Moved::CannotTell);
}

/// Seating and slip overlap: the load at which slip began is a bracket, yet centimetres of it were measured.
#[test]
fn a_slip_is_measured_whether_or_not_its_beginning_is() {
    let pull = Pull::new(&ramp(7e3), "", Errors::NONE);
    let (s, c) = (pull.law(slid), pull.law(still));
    let pull = pull.with(StopperSlip, &s).with(CoverSlip, &c);
    let (mut limit, caveats) = pull.find();
    let verdict = verdict::decide(&pull.inputs(), &limit, &caveats);
    for figure in &mut limit.figures {
        if figure.interface == Interface::Stopper && figure.rule == Rule::FirstSlip {
            figure.load = crate::stats::Estimate::bracket(
                crate::stats::Measure::Force,
                2e3,
                4.2e3,
                "hand-made",
                "seating and progressive slip overlap",
            );
        }
    }
    let found = find(&pull.inputs(), &limit, &verdict);
    assert_eq!(
        (found.moved, found.sure),
        (Moved::Stopper, Sureness::Measured)
    );
    let evidence = &found.evidence[0];
    assert!(
        evidence.contains("first seen between 2.00 kN and 4.20 kN"),
        "{evidence}"
    );
    assert!(!found.remedies.is_empty());
}

/// What is missing is said once, however many ask for it.
#[test]
fn what_the_verdict_names_already_is_not_named_again() {
    let limits = "[limits]\nproof = \"6 kN\"\ncover_slip = \"1 mm\"";
    let pull = Pull::new(&ramp(7e3), limits, Errors::NONE);
    let (zero, most) = (pull.law(still), pull.law(slid));
    let mut pull = pull
        .with(StopperSlip, &zero)
        .with_bracket(CoverSlip, &zero, &most);
    pull.separated.support.push(crate::separate::Support {
        part: CoverSlip,
        how: "bracketed".into(),
        missing: "a shorter tail".into(),
    });
    let (limit, caveats) = pull.find();
    let verdict = verdict::decide(&pull.inputs(), &limit, &caveats);
    assert!(verdict.next.contains("a shorter tail"), "{}", verdict.next);
    let found = find(&pull.inputs(), &limit, &verdict);
    assert_eq!(found.next_pull, verdict.next);
}
