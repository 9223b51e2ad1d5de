//! Verdicts on hand-made separations.

use super::*;
use crate::limit::handmade::{Errors, Pull, ramp, steps};
use crate::phases::PhaseKind;
use crate::separate::PartName::{CoverSlip, StopperSlip};
use crate::sheet::TailState;

const LIMITS: &str =
    "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nstopper_slip = \"1 mm\"\ncover_slip = \"1 mm\"\n";
const CELL: Errors = Errors {
    noise: 1e-6,
    common: 0.05,
    gain: 0.01,
    seed: 3,
};

fn decided(pull: &Pull) -> Verdict {
    let (limit, caveats) = pull.find();
    decide(&pull.inputs(), &limit, &caveats)
}

/// Stopper slip growing with the highest load past 3 kN; the cover stays.
fn slipping(schedule: &[(PhaseKind, f64, f64)], limits: &str, per_newton: f64) -> Pull {
    let pull = Pull::new(schedule, limits, CELL);
    let truth = pull.law(|_, _, h, _, _| per_newton * (h - 3e3).max(0.0));
    let still = pull.law(|_, _, _, _, _| 0.0);
    pull.with(StopperSlip, &truth).with(CoverSlip, &still)
}

#[test]
fn held_within_the_allowance_passes() {
    let verdict = decided(&slipping(&steps(&[4.2e3], 90.0), LIMITS, 0.3e-6));
    assert_eq!(verdict.word, VerdictWord::Passes, "{verdict:?}");
    assert!(verdict.would_decide.is_empty());
    assert_eq!(verdict.grounds.len(), 4);
}

#[test]
fn surely_beyond_the_allowance_fails() {
    let verdict = decided(&slipping(&steps(&[4.2e3], 90.0), LIMITS, 2e-6));
    assert_eq!(verdict.word, VerdictWord::Fails, "{verdict:?}");
    assert!(verdict.grounds[0].contains("at least"), "{verdict:?}");
}

#[test]
fn an_interval_about_the_allowance_is_not_decided() {
    let verdict = decided(&slipping(&steps(&[4.2e3], 90.0), LIMITS, 0.83e-6));
    assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
    assert!(!verdict.would_decide.is_empty());
}

/// Measured 4.00 kN with a cell good to 1 % does not prove 4 kN.
#[test]
fn proof_is_reached_only_with_the_uncertainty_taken_off() {
    let verdict = decided(&slipping(&steps(&[4.0e3], 90.0), LIMITS, 0.0));
    assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
    assert!(verdict.grounds[0].contains("Never tested to proof"));
    assert!(verdict.next.contains("4.0"), "{}", verdict.next);
}

/// The load to pull to next is one that proves: with a cell good to 7 % its own uncertainty is in it too.
#[test]
fn the_load_to_pull_to_is_enough() {
    let errors = Errors { gain: 0.07, ..CELL };
    let pulled_to = |load: f64| {
        let pull = Pull::new(&steps(&[load], 90.0), LIMITS, errors);
        let still = pull.law(|_, _, _, _, _| 0.0);
        pull.with(StopperSlip, &still).with(CoverSlip, &still)
    };
    let short = pulled_to(3.9e3);
    let advice = decided(&short).next;
    let number = advice.split("at least ").nth(1);
    let number = number.and_then(|rest| rest.split(['\u{a0}', ' ']).next());
    let enough: f64 = number.and_then(|n| n.parse().ok()).expect(&advice);
    // The cell of these pulls indicates more or less than is there by its own share.
    let indicated = short.separated.blocks.load_n.iter().copied();
    let scale = indicated.fold(0.0, f64::max) / 3.9e3;
    let proves = |indicated: f64| {
        !decided(&pulled_to(indicated / scale)).grounds[0].contains("Never tested")
    };
    assert!(proves(1e3 * enough), "{advice}");
    assert!(!proves(0.995e3 * enough), "{advice}");
}

#[test]
fn what_never_reached_proof_never_passes_but_may_fail() {
    assert_eq!(
        decided(&slipping(&ramp(2e3), LIMITS, 0.0)).word,
        VerdictWord::NotDecided
    );
    assert_eq!(
        decided(&slipping(&ramp(3.5e3), LIMITS, 5e-6)).word,
        VerdictWord::Fails
    );
}

#[test]
fn a_hold_that_is_too_short_is_not_decided() {
    let verdict = decided(&slipping(&steps(&[4.2e3], 20.0), LIMITS, 0.0));
    assert_eq!(verdict.word, VerdictWord::NotDecided);
    assert!(verdict.grounds[0].contains("of the 60 s"), "{verdict:?}");
}

/// Nobody saw the load while nothing was logged: 60 s with 20 s missing in the middle are two holds of 20 s.
#[test]
fn time_that_was_not_logged_was_not_held() {
    let mut pull = slipping(&steps(&[4.2e3], 90.0), LIMITS, 0.0);
    assert_eq!(decided(&pull).word, VerdictWord::Passes);
    let clock = &mut pull.conditioned.time_s;
    let end = clock[clock.len() - 1];
    for time in clock.iter_mut().filter(|time| **time > end - 45.0) {
        *time += 20.0;
    }
    let verdict = decided(&pull);
    assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
    assert!(
        verdict.grounds[0].contains("nothing was logged"),
        "{verdict:?}"
    );
}

/// What the cell may be wrong by cuts 60 s of holding down to nothing for a pass; for a failure they count, and slip that came
/// after them does not.
#[test]
fn slip_after_a_hold_that_may_have_been_long_enough_fails_nothing() {
    let schedule = [steps(&[4.0e3], 70.0), vec![(PhaseKind::Hold, 60.0, 4.05e3)]].concat();
    let pull = Pull::new(&schedule, LIMITS, CELL);
    let late = pull.law(|time, _, _, _, _| if time > 120.0 { 1.5e-3 } else { 0.2e-3 });
    let still = pull.law(|_, _, _, _, _| 0.0);
    let verdict = decided(&pull.with(StopperSlip, &late).with(CoverSlip, &still));
    assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
}

/// The sheet allows 1 mm in the stopper and says nothing of the cover, which slid 0.6 mm, then 2.4 mm.
#[test]
fn slip_that_the_sheet_says_nothing_of_is_told_and_more_of_it_is_not_passed() {
    let limits = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nstopper_slip = \"1 mm\"\n";
    for (slid, word) in [
        (0.05e-3, VerdictWord::Passes),
        (0.6e-3, VerdictWord::Passes),
        (2.4e-3, VerdictWord::NotDecided),
    ] {
        let pull = Pull::new(&steps(&[4.2e3], 90.0), limits, CELL);
        let cover = pull.law(|_, _, h, _, _| slid * ((h - 3e3) / 1.2e3).clamp(0.0, 1.0));
        let still = pull.law(|_, _, _, _, _| 0.0);
        let verdict = decided(&pull.with(StopperSlip, &still).with(CoverSlip, &cover));
        assert_eq!(verdict.word, word, "{verdict:?}");
        let told = verdict
            .grounds
            .iter()
            .any(|g| g.contains("says nothing of it"));
        assert_eq!(told, slid > 0.1e-3, "{verdict:?}");
    }
}

/// A line that lets go 8 % above proof passes; the limit is kept beside it.
#[test]
fn a_narrow_margin_is_told_beside_a_pass() {
    let limits = "[limits]\nproof = \"4 kN\"\n";
    let pull = Pull::new(&ramp(5e3), limits, CELL);
    let lets_go = pull.law(|_, _, h, _, _| 5e-6 * (h - 4.3e3).max(0.0));
    let still = pull.law(|_, _, _, _, _| 0.0);
    let verdict = decided(&pull.with(StopperSlip, &lets_go).with(CoverSlip, &still));
    assert_eq!(verdict.word, VerdictWord::Passes, "{verdict:?}");
    assert!(verdict.next.contains("above proof"), "{}", verdict.next);
}

/// A line that holds proof and slips at twice the load was not proved to twice the load: it passes.
#[test]
fn slip_beyond_proof_is_no_part_of_the_proof() {
    let pull = Pull::new(&steps(&[4.2e3, 8e3], 90.0), LIMITS, CELL);
    let truth = pull.law(|_, _, h, _, _| 5e-6 * (h - 6e3).max(0.0));
    let still = pull.law(|_, _, _, _, _| 0.0);
    let pull = pull.with(StopperSlip, &truth).with(CoverSlip, &still);
    assert_eq!(decided(&pull).word, VerdictWord::Passes);
    // The same slip on a ramp that runs straight through proof: held too short, so not decided, and not failed either.
    let pull = Pull::new(&ramp(8e3), LIMITS, CELL);
    let truth = pull.law(|_, _, h, _, _| 5e-6 * (h - 6e3).max(0.0));
    let still = pull.law(|_, _, _, _, _| 0.0);
    let pull = pull.with(StopperSlip, &truth).with(CoverSlip, &still);
    assert_eq!(decided(&pull).word, VerdictWord::NotDecided);
}

/// A line that runs out as soon as it carries proof was not held, and to hold it longer is no advice.
#[test]
fn a_run_out_on_reaching_proof_fails() {
    let pull = Pull::new(
        &[
            (PhaseKind::Reference, 20.0, 300.0),
            (PhaseKind::Ramp, 40.0, 4.2e3),
            (PhaseKind::Hold, 1.0, 4.2e3),
            (PhaseKind::RunOut, 2.0, 3.2e3),
            (PhaseKind::Unload, 10.0, 300.0),
        ],
        LIMITS,
        CELL,
    );
    let run = pull.phases[3].start_s;
    let truth = pull.law(|t, _, _, _, _| 30e-3 * (t - run).clamp(0.0, 2.0));
    let still = pull.law(|_, _, _, _, _| 0.0);
    let verdict = decided(&pull.with(StopperSlip, &truth).with(CoverSlip, &still));
    assert_eq!(verdict.word, VerdictWord::Fails, "{verdict:?}");
    assert!(verdict.grounds[0].contains("in the stopper"), "{verdict:?}");
}

/// A pull that held as long as the sheet asks for, and slides on in a later hold at the same load, is no line to keep.
#[test]
fn slip_that_goes_on_at_the_proof_load_is_not_decided() {
    let slid = |later: f64| {
        let pull = Pull::new(&steps(&[4.05e3, 4.1e3], 90.0), LIMITS, CELL);
        let second = pull.phases.iter().rfind(|p| p.kind == PhaseKind::Hold);
        let start = second.unwrap().start_s;
        let truth = pull.law(|t, _, _, _, _| later * ((t - start) / 90.0).clamp(0.0, 1.0));
        let still = pull.law(|_, _, _, _, _| 0.0);
        decided(&pull.with(StopperSlip, &truth).with(CoverSlip, &still))
    };
    let verdict = slid(20e-3);
    assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
    assert!(
        verdict.grounds[0].contains("later in the record"),
        "{verdict:?}"
    );
    assert_eq!(slid(0.1e-3).word, VerdictWord::Passes);
}

#[test]
fn seating_is_apart() {
    let pull = Pull::new(&steps(&[4.2e3], 90.0), LIMITS, CELL);
    let truth = pull.law(|_, _, h, _, _| 3e-3 * (1.0 - (-(h - 300.0) / 200.0).exp()));
    let still = pull.law(|_, _, _, _, _| 0.0);
    let pull = pull.with(StopperSlip, &truth).with(CoverSlip, &still);
    let (limit, _) = pull.find();
    assert!(
        (limit.seating.value.unwrap() - 3e-3).abs() < 4e-4,
        "{:?}",
        limit.seating
    );
    let verdict = decided(&pull);
    assert_eq!(verdict.word, VerdictWord::Passes, "{verdict:?}");
}

#[test]
fn a_bracket_counts_whole() {
    let with = |high: f64| {
        let pull = Pull::new(&steps(&[4.2e3], 90.0), LIMITS, CELL);
        let still = pull.law(|_, _, _, _, _| 0.0);
        let most = pull.law(|_, _, h, _, _| high * (h - 300.0) / 3.9e3);
        decided(
            &pull
                .with(StopperSlip, &still)
                .with_bracket(CoverSlip, &still, &most),
        )
    };
    assert_eq!(with(0.9e-3).word, VerdictWord::Passes);
    let verdict = with(1.2e-3);
    assert_eq!(verdict.word, VerdictWord::NotDecided);
    assert!(verdict.grounds[0].contains("no better than"), "{verdict:?}");
}

/// No gauge is read to the end of the proof hold: what slid before is known, and whether it slid on is not.
#[test]
fn a_course_that_breaks_off_does_not_pass() {
    let with = |per_newton: f64, limits: &str| {
        let mut pull = slipping(&steps(&[4.2e3], 90.0), limits, per_newton);
        let hold = |k: &PhaseKind| *k == PhaseKind::Hold;
        let from = pull.separated.blocks.phase.iter().position(hold).unwrap() + 30;
        let course = pull.separated.parts.get_mut(&StopperSlip).unwrap();
        let course = course.course.as_mut().unwrap();
        let best = course.value.as_mut().unwrap();
        for values in [best, &mut course.low, &mut course.high] {
            values[from..].fill(f64::NAN);
        }
        decided(&pull)
    };
    let by_rate = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nrate = \"5 mm/min\"\n";
    let by_first_slip = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nrule = \"first slip\"\n";
    for (per_newton, limits) in [(0.3e-6, LIMITS), (0.0, by_rate), (0.0, by_first_slip)] {
        let whole = slipping(&steps(&[4.2e3], 90.0), limits, per_newton);
        assert_eq!(decided(&whole).word, VerdictWord::Passes, "{limits}");
        let verdict = with(per_newton, limits);
        assert_eq!(verdict.word, VerdictWord::NotDecided, "{verdict:?}");
        assert!(
            verdict.grounds[0].contains("no gauge bounds"),
            "{verdict:?}"
        );
    }
    assert_eq!(with(2e-6, LIMITS).word, VerdictWord::Fails);
}

#[test]
fn a_missing_interface_is_not_decided() {
    let pull = Pull::new(&steps(&[4.2e3], 90.0), LIMITS, CELL);
    let still = pull.law(|_, _, _, _, _| 0.0);
    let pull = pull
        .with(StopperSlip, &still)
        .without(CoverSlip, "no cover mark");
    let verdict = decided(&pull);
    assert_eq!(verdict.word, VerdictWord::NotDecided);
    assert!(verdict.grounds[0].contains("no cover mark"));
}

#[test]
fn a_caveat_that_voids_leaves_even_a_failure_undecided() {
    let pull = slipping(&steps(&[4.2e3], 90.0), LIMITS, 2e-6);
    let (limit, mut caveats) = pull.find();
    caveats.push(Caveat::new(
        "gauge-fault",
        Weight::NoVerdict,
        "The mark gauge jumped.",
        "Refit the gauge.",
    ));
    let verdict = decide(&pull.inputs(), &limit, &caveats);
    assert_eq!(verdict.word, VerdictWord::NotDecided);
    assert_eq!(verdict.would_decide, ["Refit the gauge."]);
}

#[test]
fn without_limits_there_is_no_verdict_and_it_says_what_to_add() {
    for limits in ["", "[limits]\nstopper_slip = \"1 mm\"\n"] {
        let verdict = decided(&slipping(&ramp(5e3), limits, 0.0));
        assert_eq!(verdict.word, VerdictWord::NoLimits);
        assert!(verdict.next.contains("Add"));
    }
}

/// With nothing allowed in millimetres, first slip must lie above proof.
#[test]
fn without_an_allowance_first_slip_decides() {
    let limits = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\n";
    assert_eq!(
        decided(&slipping(&steps(&[4.2e3], 90.0), limits, 0.0)).word,
        VerdictWord::Passes
    );
    assert_eq!(
        decided(&slipping(&steps(&[4.2e3], 90.0), limits, 1e-6)).word,
        VerdictWord::Fails
    );
}

/// Rate and creep are judged in holds at proof.
#[test]
fn rate_in_the_proof_hold_decides() {
    let limits = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nrate = \"0.5 mm/min\"\n";
    let with = |rate: f64| {
        let pull = Pull::new(&steps(&[4.2e3], 90.0), limits, CELL);
        let truth = pull.law(|_, load, _, slip, dt| {
            if load > 4.1e3 {
                slip + dt * rate / 6e4
            } else {
                slip
            }
        });
        let still = pull.law(|_, _, _, _, _| 0.0);
        decided(&pull.with(StopperSlip, &truth).with(CoverSlip, &still)).word
    };
    assert_eq!(with(0.2), VerdictWord::Passes);
    assert_eq!(with(1.0), VerdictWord::Fails);
    assert_eq!(with(0.5), VerdictWord::NotDecided);
}

/// Of two holds at proof the worse one counts, whichever comes first; a short stop on the way does not.
#[test]
fn the_worst_hold_at_proof_counts() {
    use PhaseKind::{Hold, Ramp, Reference, Unload};
    let limits = "[limits]\nproof = \"4 kN\"\nhold = \"60 s\"\nrate = \"0.5 mm/min\"\n";
    // Slip in mm/min in the first and in the second hold at proof, 90 s each or the first of 20 s.
    let with = |first: f64, second: f64, seconds: f64| {
        let schedule = [
            (Reference, 10.0, 300.0),
            (Ramp, 39.0, 4.2e3),
            (Hold, seconds, 4.2e3),
            (Unload, 39.0, 300.0),
            (Ramp, 39.0, 4.2e3),
            (Hold, 90.0, 4.2e3),
        ];
        let pull = Pull::new(&schedule, limits, CELL);
        let truth = pull.law(|t, load, _, slip, dt| {
            let rate = if t < 49.0 + seconds + 1.0 {
                first
            } else {
                second
            };
            slip + if load > 4.1e3 { dt * rate / 6e4 } else { 0.0 }
        });
        let still = pull.law(|_, _, _, _, _| 0.0);
        decided(&pull.with(StopperSlip, &truth).with(CoverSlip, &still))
    };
    assert_eq!(with(0.2, 0.2, 90.0).word, VerdictWord::Passes);
    let open = with(0.5, 0.1, 90.0);
    assert_eq!(open.word, VerdictWord::NotDecided, "{open:?}");
    assert!(
        open.grounds[0].contains("may be as much as 0.5"),
        "{open:?}"
    );
    assert_eq!(with(0.1, 0.5, 90.0).word, VerdictWord::NotDecided);
    assert_eq!(with(0.5, 0.1, 20.0).word, VerdictWord::Passes);
}

#[test]
fn a_loaded_tail_is_no_stopper_test() {
    let mut pull = slipping(&steps(&[4.2e3], 90.0), LIMITS, 0.0);
    pull.sheet.stopper.tail = Some(TailState::Held);
    let verdict = decided(&pull);
    assert_eq!(verdict.word, VerdictWord::NotDecided);
    assert!(verdict.next.contains("winch freed"));
}

#[test]
fn an_empty_record_is_not_decided() {
    assert_eq!(
        decided(&Pull::new(&[], LIMITS, Errors::NONE)).word,
        VerdictWord::NotDecided
    );
}
