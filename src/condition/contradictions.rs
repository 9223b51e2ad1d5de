//! Numbers of the sheet that contradict each other or the record.
//!
//! Question: can the sheet be true? A load past the break load, or a line too thick for its stopper, is a slip of the pen at
//! best. Which of the two numbers is wrong is for whoever wrote them to say; here they are only named.

use crate::caveat::{Caveat, Weight};
use crate::sheet::Sheet;
use crate::units::{Dimension, Quantity};

/// Names them. `peak`: highest load of the record, N.
pub(super) fn remark(sheet: &Sheet, peak: f64, caveats: &mut Vec<Caveat>) {
    let (line, stopper) = (&sheet.line, &sheet.stopper);
    let proof = sheet.limits.as_ref().and_then(|l| l.proof);
    let mut name = |weight: Weight, message: String, advice: &str| {
        caveats.push(Caveat::new("sheet-contradicts", weight, message, advice));
    };
    if let Some(breaks) = line.break_load.filter(|b| peak > b.si()) {
        name(
            Weight::NoPass,
            format!(
                "The record reaches {:.2} kN, beyond the break load of {breaks} that the sheet gives the line.",
                peak / 1e3
            ),
            "Check `break_load` in [line], and unit, decimal mark and scale of the load in log and sheet.",
        );
    }
    if let (Some(breaks), Some(proof)) = (line.break_load, proof)
        && above(proof, breaks)
    {
        name(
            Weight::Caution,
            format!(
                "The proof load of {proof} is above the break load of {breaks} that the sheet gives the line."
            ),
            "Correct `proof` in [limits] or `break_load` in [line]; never prove a line past what breaks it.",
        );
    }
    let limits = sheet.limits.as_ref();
    for (key, allowed) in [
        ("stopper_slip", limits.and_then(|l| l.stopper_slip)),
        ("cover_slip", limits.and_then(|l| l.cover_slip)),
    ] {
        if let (Some(allowed), Some(length)) = (allowed, line.free_length)
            && above(allowed, length)
        {
            name(
                Weight::NoPass,
                format!(
                    "The sheet allows a slip of {allowed}, more than the free length of {length}."
                ),
                &format!("Correct `{key}` in [limits]: the unit, most likely."),
            );
        }
    }
    for part in &sheet.chain {
        if peak > part.working_load.si() {
            name(
                Weight::Caution,
                format!(
                    "The record reaches {:.2} kN, and the sheet gives {} a working load of {}.",
                    peak / 1e3,
                    part.part,
                    part.working_load
                ),
                "Never load a chain past the working load of its weakest part; have it looked at before it carries load again.",
            );
        }
    }
    if let (Some(rated), Some(proof)) = (stopper.rated_load, proof)
        && above(proof, rated)
    {
        name(
            Weight::Caution,
            format!("The proof load of {proof} is above what the stopper is rated for, {rated}."),
            "Prove no more than the stopper is made for, or correct the sheet.",
        );
    }
    if let (Some(pretension), Some(proof)) = (sheet.pull.pretension, proof)
        && !above(proof, pretension)
    {
        name(
            Weight::NoPass,
            format!("The proof load of {proof} is no more than the pre-tension of {pretension}."),
            "Check the units and decimal marks of `proof` in [limits] and of `pretension` in [pull].",
        );
    }
    if let (Some(least), Some(most)) = (stopper.diameter_min, stopper.diameter_max)
        && above(least, most)
    {
        name(
            Weight::Caution,
            format!("The stopper takes lines from {least} to {most}, which is none."),
            "Correct `diameter_min` and `diameter_max` in [stopper].",
        );
    } else if let Some(own) = line.diameter
        && (stopper.diameter_min.is_some_and(|least| above(least, own))
            || stopper.diameter_max.is_some_and(|most| above(own, most)))
    {
        name(
            Weight::Caution,
            format!("A line of {own} is not one that the stopper is made for."),
            "Test the line in a stopper of its size, or correct the diameters in the sheet.",
        );
    }
}

/// Units may differ in the last bits: `a` is above `b` by more than these.
fn above<D: Dimension>(a: Quantity<D>, b: Quantity<D>) -> bool {
    a.si() > b.si() * (1.0 + 1e-9)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(extra: &str, peak: f64) -> Vec<(Weight, String)> {
        let sheet: Sheet = toml::from_str(&format!(
            "{extra}\n[gauges.load]\ncolumn = \"load\"\nunit = \"kN\"\n"
        ))
        .unwrap();
        let mut caveats = Vec::new();
        remark(&sheet, peak, &mut caveats);
        caveats.into_iter().map(|c| (c.weight, c.message)).collect()
    }

    #[test]
    fn numbers_that_cannot_both_be_true_are_named() {
        let pull = "[pull]\nlog = \"log.csv\"\n";
        for (extra, weight, says) in [
            (
                "[line]\nbreak_load = \"3 kN\"",
                Weight::NoPass,
                "break load",
            ),
            (
                "[[chain]]\npart = \"shackle\"\nworking_load = \"4 kN\"",
                Weight::Caution,
                "shackle",
            ),
            (
                "[stopper]\nrated_load = \"2 kN\"\n[limits]\nproof = \"4 kN\"",
                Weight::Caution,
                "rated",
            ),
            (
                "[line]\nbreak_load = \"30 kN\"\n[limits]\nproof = \"40 kN\"",
                Weight::Caution,
                "above the break load",
            ),
            (
                "[line]\nfree_length = \"2.7 m\"\n[limits]\ncover_slip = \"5 m\"",
                Weight::NoPass,
                "more than the free length",
            ),
            (
                "[stopper]\ndiameter_min = \"14 mm\"\ndiameter_max = \"12 mm\"",
                Weight::Caution,
                "none",
            ),
            (
                "[line]\ndiameter = \"16 mm\"\n[stopper]\ndiameter_max = \"12 mm\"",
                Weight::Caution,
                "16 mm",
            ),
        ] {
            let found = found(&format!("{pull}{extra}"), 4.12e3);
            assert_eq!(found.len(), 1, "{extra}: {found:?}");
            assert_eq!(found[0].0, weight);
            assert!(found[0].1.contains(says), "{}", found[0].1);
        }
        let pretension =
            "[pull]\nlog = \"log.csv\"\npretension = \"4 kN\"\n[limits]\nproof = \"4 kN\"";
        assert_eq!(found(pretension, 4.12e3)[0].0, Weight::NoPass);
    }

    /// 5 kN is what 500 daN are; 12 mm fit where up to 12 mm do.
    #[test]
    fn what_fits_is_not_named() {
        let sheet = "[pull]\nlog = \"log.csv\"\npretension = \"0.3 kN\"\n[line]\nbreak_load = \"20 kN\"\ndiameter = \"12 mm\"\n\
                     [stopper]\nrated_load = \"500 daN\"\ndiameter_min = \"8 mm\"\ndiameter_max = \"1.2 cm\"\n[limits]\nproof = \"5 kN\"";
        assert_eq!(found(sheet, 5.1e3), []);
    }
}
