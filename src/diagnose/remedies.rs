//! The trade's remedies for each cause, in order, with the reason and the pull that proves each. Common practice, no source.

use super::Remedy;
use crate::sheet::{HeldPart, Sheet};

/// Line thinner than this share of the stopper's span counts as small for it.
const SMALL_SHARE: f64 = 1.0 / 3.0;
/// Length from the mouth that a stopper holds, where nothing better is known: taken as 150 mm, from memory.
const HELD_LENGTH: f64 = 0.15;

fn remedy(what: &str, reason: &str, proof: &str) -> Remedy {
    Remedy {
        what: what.into(),
        reason: reason.into(),
        proof: proof.into(),
    }
}

/// Share of the stopper's span at which the line's diameter lies (0 thinnest, 1 thickest).
fn place_in_span(sheet: &Sheet) -> Option<f64> {
    let diameter = sheet.line.diameter_measured.or(sheet.line.diameter)?.si();
    let (min, max) = (
        sheet.stopper.diameter_min?.si(),
        sheet.stopper.diameter_max?.si(),
    );
    (max > min).then(|| (diameter - min) / (max - min))
}

/// Worn jaws are likely where the stopper was released or hauled through under load.
fn jaws_have_worked(sheet: &Sheet) -> bool {
    sheet.stopper.loaded_releases.unwrap_or(0) > 0 || sheet.stopper.hauls_closed.unwrap_or(0) > 0
}

fn treated_with(sheet: &Sheet, words: &[&str]) -> bool {
    sheet
        .line
        .treatments
        .iter()
        .any(|t| words.iter().any(|w| t.kind.to_lowercase().contains(w)))
}

pub(super) fn for_the_stopper(sheet: &Sheet) -> Vec<Remedy> {
    let small = place_in_span(sheet).is_some_and(|place| place < SMALL_SHARE);
    let jaw = remedy(
        "Fit another jaw or plate for this diameter",
        if small {
            "the line lies in the thin third of the stopper's span, where the jaws press least"
        } else {
            "worn jaws, or jaws for a thicker line, press less on it"
        },
        "Pull a fresh length to proof in the new jaws, with the same gauges and ramp",
    );
    let bulk = remedy(
        "Bulk the core over the held length",
        "a thicker line fills the jaws and is pressed harder",
        "Pull the bulked length and a plain fresh length of the same line, in turn, on the same day",
    );
    let cover = remedy(
        "Put a second cover over the held length",
        "it thickens the line and gives the jaws a fresh, rougher surface",
        "Pull the covered length and a plain fresh length of the same line, in turn, on the same day",
    );
    let mut list = vec![jaw];
    if !treated_with(sheet, &["bulk"]) {
        list.push(bulk);
    }
    if !treated_with(sheet, &["second cover"]) {
        list.push(cover);
    }
    if sheet.stopper.holds.is_some_and(|h| h != HeldPart::Fresh) {
        list.insert(
            0,
            remedy(
                "Hold a fresh length of the line",
                "the length held here was held before and is polished or cut",
                "Pull a fresh length with nothing else changed",
            ),
        );
    }
    if !small && !jaws_have_worked(sheet) && list.len() > 2 {
        // With the line well within the span and jaws that have not worked, the line is the likelier partner to change.
        let jaw_at = list
            .iter()
            .position(|r| r.what.starts_with("Fit another"))
            .unwrap_or(0);
        let jaw = list.remove(jaw_at);
        list.push(jaw);
    }
    list
}

pub(super) fn for_the_cover(sheet: &Sheet) -> Vec<Remedy> {
    let mut list = Vec::new();
    if sheet.line.bedded != Some(true) {
        list.push(remedy(
            "Bed the line in",
            "a new line sets and its cover settles on the core; part of what looks like slip does not come again",
            "Repeat the same cycles: what shrinks was bedding, what does not is slip",
        ));
    }
    if !treated_with(sheet, &["milk"]) {
        list.push(remedy(
            "Milk the slack out of the cover toward the bitter end, trim it, renew the whipping",
            "a loose cover does not press on the core, and the jaws hold the cover only",
            "Pull a fresh length after milking, to the same load",
        ));
    }
    if !treated_with(sheet, &["coat"]) {
        list.push(remedy(
            "Bind cover to core with a penetrating coating over the held length",
            "it joins the two where the jaws press, so that the core cannot slide inside",
            "Pull the coated length when cured and a plain fresh length, in turn, on the same day",
        ));
    }
    list.push(remedy(
        "Fit a tighter, harder-wearing blended cover",
        "it grips the core better and lasts longer in the jaws",
        "Pull the new cover to proof on a fresh length",
    ));
    list
}

/// Loaded releases and hauls through the closed grip wear cover and jaws. `slipped`: whether anything slid at all.
pub(super) fn for_the_handling(sheet: &Sheet, slipped: bool) -> Vec<Remedy> {
    if !jaws_have_worked(sheet) || !slipped {
        return vec![];
    }
    vec![remedy(
        "Take the whole load on the winch before the stopper is opened or closed",
        "releases under load and hauls through the closed grip cut the cover and wear the jaws",
        "Count releases from now on and pull again after as many as this line has had",
    )]
}

/// Remarks on what the sheet says.
pub(super) fn notes(sheet: &Sheet) -> Vec<String> {
    let mut notes = Vec::new();
    for treatment in &sheet.line.treatments {
        let (Some(begins), Some(length)) = (treatment.begins, treatment.length) else {
            continue;
        };
        if begins.si() >= HELD_LENGTH || begins.si() + length.si() <= 0.0 {
            notes.push(format!(
                "The treatment `{}` begins {begins} from the mouth and is {length} long: it lies outside the held length \
                 (taken as the first 150 mm) and cannot help there.",
                treatment.kind
            ));
        }
    }
    if let Some(place) = place_in_span(sheet) {
        if !(0.0..=1.0).contains(&place) {
            notes.push(
                "The line's diameter lies outside the span that the stopper is made for.".into(),
            );
        } else if place < SMALL_SHARE {
            notes.push(
                "The line lies in the thin third of the stopper's span: it may hold only two fifths to three quarters of the \
                 rated load, which is stated for the thickest line (common practice, no source)."
                    .into(),
            );
        }
    }
    notes
}
