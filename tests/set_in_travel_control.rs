//! A winch that pulls at one speed draws a travel without bends: set must begin where the load passes its highest all the
//! same, not drawn out over the whole ramp.

use bitterend::condition::condition;
use bitterend::phases::phases;
use bitterend::separate::{PartName, separate};
use bitterend::simulate::{self, Grade, Kind, SlipLaw, Step};

#[test]
fn set_at_the_proof_load_is_not_spread_over_the_ramp() {
    let mut square = 0.0;
    let seeds = 1..=8;
    for seed in seeds.clone() {
        let simulated = simulate::run(&Kind::LockedHold.scenario(Grade::Good, seed), seed);
        let sheet = simulated.sheet().unwrap();
        let (record, _) = condition(&simulated.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let found = separated.parts[&PartName::Set].at_proof.value.unwrap();
        let truth = simulated.truth.set[simulated.truth.at_proof.unwrap()];
        square += (1e3 * (found - truth)).powi(2);
    }
    let rmse = (square / seeds.count() as f64).sqrt();
    println!("set at the proof load is off by {rmse:.2} mm RMS");
    // Drawn out over the ramp it is off by 1.3 mm.
    assert!(rmse < 0.6, "{rmse} mm");
}

/// While a locked winch lets the load go, slow recovery would pass for set if set were free to grow.
#[test]
fn set_does_not_take_slow_recovery_in_locked_holds() {
    let mut square = 0.0;
    let seeds = 1..=8;
    for seed in seeds.clone() {
        let simulated = simulate::run(&Kind::HandWinched.scenario(Grade::Good, seed), seed);
        let sheet = simulated.sheet().unwrap();
        let (record, _) = condition(&simulated.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let found = separated.parts[&PartName::Set].end.value.unwrap();
        square += (1e3 * (found - simulated.truth.set[simulated.truth.end])).powi(2);
    }
    let rmse = (square / seeds.count() as f64).sqrt();
    println!("set at the end is off by {rmse:.2} mm RMS");
    assert!(rmse < 0.7, "{rmse} mm");
}

/// A winch that stops and eases at once: the line in the stopper slides on for a moment, which is a slip and not the jaws
/// giving back.
#[test]
fn a_slip_goes_on_while_the_load_is_eased_after_a_ramp() {
    let mut held = 0;
    let seeds = 1..=8;
    for seed in seeds.clone() {
        let mut scenario = Kind::StopperSlip.scenario(Grade::Good, seed);
        let proof = scenario.asked.proof;
        scenario.stopper.law = SlipLaw::Exponential {
            speed: 5e-5,
            load: proof,
            scale: 0.06 * proof,
            hardening: 0.0,
        };
        scenario.schedule.truncate(3);
        let pretension = scenario.asked.pretension;
        for share in [0.4, 0.7, 1.03] {
            scenario.schedule.extend([
                Step::Pull {
                    to: share * proof,
                    speed: 1e-3,
                },
                Step::Ramp {
                    to: pretension,
                    rate: 100.0,
                },
                Step::Hold { seconds: 15.0 },
            ]);
        }
        let simulated = simulate::run(&scenario, seed);
        let sheet = simulated.sheet().unwrap();
        let (record, _) = condition(&simulated.log(), &sheet).unwrap();
        let (phased, _) = phases(&record, &sheet);
        let (separated, _) = separate(&record, &phased, &sheet).unwrap();
        let found = &separated.parts[&PartName::StopperSlip].at_proof;
        let truth = simulated.truth.stopper_slip[simulated.truth.at_proof.unwrap()];
        println!("{seed}: {found:?} {truth}");
        held += usize::from((found.low.unwrap()..=found.high.unwrap()).contains(&truth));
    }
    // Taken to stand once the load is eased, TODO of eight are held.
    assert!(held >= 7, "{held} of eight");
}
