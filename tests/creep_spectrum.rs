//! How creep spreads over the decades of time is all that tells slow recovery from set. Lines whose creep spreads otherwise than
//! the fit expects: how far its set is off, and whether its intervals know.

use bitterend::condition::condition;
use bitterend::phases::phases;
use bitterend::separate::{BudgetLine, PartName, separate};
use bitterend::simulate::{self, Grade, Kind, Line};

/// What 24 pulls of lines that were changed gave for set and cover slip at the end.
struct Found {
    /// Mean and root mean square of what it is off by, mm.
    bias: f64,
    rms: f64,
    /// How many intervals hold the truth.
    held: usize,
    /// In how many budgets stands that creep may be spread otherwise.
    otherwise: usize,
}

fn set_of(kinds: [Kind; 2], change: impl Fn(&mut Line)) -> Found {
    let pulls = (1..=12).flat_map(|seed| kinds.map(|kind| (kind, seed)));
    let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
    let (mut held, mut otherwise) = (0, 0);
    for (kind, seed) in pulls {
        let mut scenario = kind.scenario(Grade::Good, seed);
        change(&mut scenario.line);
        let pull = simulate::run(&scenario, seed);
        let sheet = pull.sheet().unwrap();
        let (record, _) = condition(&pull.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let part = &separated.parts[&PartName::SetAndCoverSlip];
        let named = |line: &BudgetLine| line.source == "how creep spreads over time";
        otherwise += usize::from(part.budget.iter().any(named));
        let found = &part.end;
        let end = pull.truth.end;
        let truth = pull.truth.set[end] + pull.truth.cover_slip[end];
        let off = 1e3 * (found.value.unwrap() - truth);
        sum += off;
        squares += off * off;
        count += 1.0;
        held += usize::from(found.low.unwrap() <= truth && truth <= found.high.unwrap());
    }
    let (bias, rms) = (sum / count, (squares / count).sqrt());
    println!("off by {bias:.3}, {rms:.3} mm RMS, {held} held, {otherwise} otherwise");
    Found {
        bias,
        rms,
        held,
        otherwise,
    }
}

const GAUGES: [Kind; 2] = [Kind::CoreSlip, Kind::NoCoreGauge];

/// How much the line creeps in the end, as a share of its strain.
fn whole(line: &Line) -> f64 {
    line.stretch.retarded.iter().map(|(_, share)| share).sum()
}

/// Late set does not stand in for the slowest recovery where there is none. It did: 0.8 mm too large, 11 held.
#[test]
fn slow_recovery_is_not_taken_for_late_set() {
    let found = set_of(GAUGES, |line| {
        line.stretch.loop_share = 0.0;
        line.set.late = 0.0;
    });
    assert!(found.bias.abs() < 0.5 && found.rms < 0.7 && found.held >= 21);
}

/// Half of the creep quick, half slow. Taken for as uneven as a first fit finds it, it was off by 1.3 mm, 12 held.
#[test]
fn two_times_of_recovery() {
    let found = set_of(GAUGES, |line| {
        let half = 0.5 * whole(line);
        line.stretch.retarded = vec![(8.0, half), (300.0, half)];
    });
    assert!(found.rms < 0.7 && found.held >= 22);
}

/// All creep at one time: the record shows that nothing slow follows.
#[test]
fn one_time_of_recovery() {
    let found = set_of(GAUGES, |line| {
        line.stretch.retarded = vec![(25.0, whole(line))];
    });
    assert!(found.rms < 1.1 && found.held >= 22 && found.otherwise >= 12);
}

/// Eased once, a line repeats nothing in which recovery or loop could be seen apart from set; eased after each step, it does.
#[test]
fn one_unloading_leaves_more_open_than_several() {
    let open = |kind: Kind| -> f64 {
        let pull = simulate::run(&kind.scenario(Grade::Good, 3), 3);
        let sheet = pull.sheet().unwrap();
        let (record, _) = condition(&pull.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let budget = &separated.parts[&PartName::SetAndCoverSlip].budget;
        let largest = pull.truth.stretch.iter().copied().fold(0.0, f64::max);
        let line = budget
            .iter()
            .find(|line| line.source.ends_with("seen once"));
        line.map_or(0.0, |line| line.standard_uncertainty_mm / (1e3 * largest))
    };
    let once = open(Kind::SteppedHolds);
    assert!((0.005..0.05).contains(&once), "{once}");
    assert!(open(Kind::StopperSlip) < 1e-9);
}
