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

/// Eight rows, one a level, under a gauge read to a sixteenth of an inch: 5.6 in once stood open of a travel of 0.85 in.
#[test]
fn no_more_stays_than_the_travel_shows() {
    let sheet = "[pull]\nid = 's'\nlog = 'log.csv'\n[line]\nfree_length = '118 in'\n\
        [gauges.load]\ncolumn = 'load'\nunit = 'lbf'\naccuracy = '1 % of reading'\n\
        [gauges.travel]\ncolumn = 'travel'\nunit = 'in'\naccuracy = '1/16 in'\n";
    let log = "time [hh:mm];load;travel\n10:00;60;0\n10:02;400;0,3\n10:04;60;0,05\n10:06;600;0,45\n10:08;60;0,1\n\
        10:10;820;0,75\n10:11;820;0,85\n10:14;60;0,35\n";
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("sheet.toml"), sheet).unwrap();
    std::fs::write(folder.path().join("log.csv"), log).unwrap();
    let program = env!("CARGO_BIN_EXE_bitterend");
    let run = std::process::Command::new(program)
        .arg("analyse")
        .arg(folder.path())
        .output()
        .unwrap();
    let json = std::fs::read_to_string(folder.path().join("results/analysis.json"))
        .unwrap_or_else(|e| panic!("{e}: {run:?}"));
    let analysis: serde_json::Value = serde_json::from_str(&json).unwrap();
    let high = analysis["parts"]["not_recovered"]["end"]["high"].as_f64();
    let inches = high.unwrap() / 25.4;
    assert!((0.3..0.7).contains(&inches), "{inches} in");
}
