//! A pull noted by hand, a dozen rows of readings by eye, is a log too: counted from its first row, honest about the rest.

use bitterend::analysis::{Analysis, Settings};
use bitterend::phases::PhaseKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::simulate::{self, Grade, Kind, Simulated};
use bitterend::stats::Status;

/// A simulated pull of a dozen rows, noted by hand.
fn noted(seed: u64) -> (Simulated, Analysis) {
    let pull = simulate::run(&Kind::HandNoted.scenario(Grade::Coarse, seed), seed);
    let inputs = Inputs {
        sheet: pull.sheet().unwrap(),
        log: pull.log(),
        files: Vec::new(),
    };
    let analysis = analyse(inputs, &Settings::default()).unwrap();
    (pull, analysis)
}

/// Truth by construction of the simulated pull. Twelve rows still give bounds that hold it.
#[test]
fn twelve_rows_still_give_bounds() {
    let (mut held, mut asked) = (0, 0);
    for seed in 1..=40 {
        let (pull, analysis) = noted(seed);
        assert_eq!(analysis.phases[0].kind, PhaseKind::Reference, "seed {seed}");
        let parts = &analysis.separated.parts;
        assert_eq!(parts[&PartName::CoverSlip].end.status, Status::Bracket);
        let end = pull.truth.end;
        for (part, truth) in [
            (PartName::StopperSlip, pull.truth.stopper_slip[end]),
            (PartName::CoverSlip, pull.truth.cover_slip[end]),
            (
                PartName::SetAndCoverSlip,
                pull.truth.set_and_cover_slip(end),
            ),
        ] {
            let figure = &parts[&part].end;
            let (low, high) = (figure.low.unwrap(), figure.high.unwrap());
            asked += 1;
            held += usize::from((low..=high).contains(&truth));
        }
    }
    println!("{held} of {asked}");
    assert!(
        held * 10 >= asked * 9,
        "{held} of {asked} intervals hold the truth"
    );
}

/// What stays is no more than the travel shows where the line is loaded as at first: a dozen rows leave the fit free to say so.
#[test]
fn no_more_stays_than_the_travel_shows() {
    for seed in 1..=40 {
        let (_, analysis) = noted(seed);
        let travel = analysis.separated.travel_m.iter().copied();
        let most = travel.filter(|t| t.is_finite()).fold(0.0, f64::max);
        let stayed = &analysis.separated.parts[&PartName::NotRecovered].end;
        let high = stayed.high.unwrap();
        assert!(high < 1.1 * most, "seed {seed}: {high} of {most}");
    }
}
