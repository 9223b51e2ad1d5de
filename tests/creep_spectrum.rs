//! How creep spreads over the decades of time is all that tells slow recovery from set. Lines whose creep spreads otherwise than
//! the fit expects: how far its set is off, and whether its intervals know.

use bitterend::condition::condition;
use bitterend::phases::phases;
use bitterend::separate::{PartName, separate};
use bitterend::simulate::{self, Grade, Kind, Line};

/// What 24 pulls of lines that were changed gave for set and cover slip at the end: mean and root mean square of what it is off
/// by, mm, and how many intervals hold the truth.
fn set_of(kinds: [Kind; 2], change: impl Fn(&mut Line)) -> (f64, f64, usize) {
    let pulls = (1..=12).flat_map(|seed| kinds.map(|kind| (kind, seed)));
    let (mut sum, mut squares, mut held, mut count) = (0.0, 0.0, 0, 0.0);
    for (kind, seed) in pulls {
        let mut scenario = kind.scenario(Grade::Good, seed);
        change(&mut scenario.line);
        let pull = simulate::run(&scenario, seed);
        let sheet = pull.sheet().unwrap();
        let (record, _) = condition(&pull.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let found = &separated.parts[&PartName::SetAndCoverSlip].end;
        let end = pull.truth.end;
        let truth = pull.truth.set[end] + pull.truth.cover_slip[end];
        let off = 1e3 * (found.value.unwrap() - truth);
        sum += off;
        squares += off * off;
        count += 1.0;
        held += usize::from(found.low.unwrap() <= truth && truth <= found.high.unwrap());
    }
    println!(
        "off by {:.3}, {:.3} mm RMS, {held} held",
        sum / count,
        (squares / count).sqrt()
    );
    (sum / count, (squares / count).sqrt(), held)
}

const GAUGES: [Kind; 2] = [Kind::CoreSlip, Kind::NoCoreGauge];

/// How much the line creeps in the end, as a share of its strain.
fn whole(line: &Line) -> f64 {
    line.stretch.retarded.iter().map(|(_, share)| share).sum()
}

/// Late set does not stand in for the slowest recovery where there is none. It did: 0.8 mm too large, 11 held.
#[test]
fn slow_recovery_is_not_taken_for_late_set() {
    let (bias, rms, held) = set_of(GAUGES, |line| {
        line.stretch.loop_share = 0.0;
        line.set.late = 0.0;
    });
    assert!(
        bias.abs() < 0.5 && rms < 0.7 && held >= 21,
        "{bias} mm, {rms} mm, {held}"
    );
}

/// Half of the creep quick, half slow. Taken for as uneven as a first fit finds it, it was off by 1.3 mm, 12 held.
#[test]
fn two_times_of_recovery() {
    let (_, rms, held) = set_of(GAUGES, |line| {
        let half = 0.5 * whole(line);
        line.stretch.retarded = vec![(8.0, half), (300.0, half)];
    });
    assert!(rms < 0.7 && held >= 22, "{rms} mm, {held}");
}

/// All creep at one time: the record shows that nothing slow follows.
#[test]
fn one_time_of_recovery() {
    let (_, rms, held) = set_of(GAUGES, |line| {
        line.stretch.retarded = vec![(25.0, whole(line))];
    });
    assert!(rms < 1.1 && held >= 22, "{rms} mm, {held}");
}
