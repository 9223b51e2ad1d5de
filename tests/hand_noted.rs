//! A pull noted by hand, a dozen rows of readings by eye, is a log too: counted from its first row, honest about the rest.

use bitterend::analysis::Settings;
use bitterend::phases::PhaseKind;
use bitterend::pipeline::{Inputs, analyse};
use bitterend::separate::PartName;
use bitterend::simulate::{self, Grade, Kind};
use bitterend::stats::Status;

/// Truth by construction of the simulated pull. Twelve rows still give bounds that hold it.
#[test]
fn twelve_rows_still_give_bounds() {
    let (mut held, mut asked) = (0, 0);
    for seed in 1..=40 {
        let pull = simulate::run(&Kind::HandNoted.scenario(Grade::Coarse, seed), seed);
        let inputs = Inputs {
            sheet: pull.sheet().unwrap(),
            log: pull.log(),
            files: Vec::new(),
        };
        let analysis = analyse(inputs, &Settings::default()).unwrap();
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
