//! Cause and remedy: what moved, how sure that is and on what it rests, then what the trade does about it, in order.

use super::view::{Block, Context, Section};
use crate::diagnose::{Moved, Sureness};
use crate::words::lower_first;

/// Longest sentence of a diagnosis; treatments named in it come from the sheet.
const LONGEST: usize = 500;

pub(super) fn section(cx: &Context<'_>) -> Section {
    let found = &cx.analysis.diagnosis;
    let sentences = |list: &[String]| list.iter().map(|t| cx.said(t, LONGEST)).collect();
    let sure = match found.sure {
        Sureness::Measured => "Both interfaces were measured.",
        Sureness::InPart => "One interface was measured; the other is not told.",
        Sureness::Bracketed => "That it moved is sure; how far is known between two bounds only.",
        Sureness::CannotTell => "No cause can be named from this record.",
    };
    let mut blocks = vec![Block::Text(format!(
        "{} {sure}",
        cx.said(&found.finding, LONGEST)
    ))];
    if !found.evidence.is_empty() {
        blocks.push(Block::List(sentences(&found.evidence)));
    }
    if found.remedies.is_empty() {
        blocks.push(Block::Text(
            match found.moved {
                Moved::Neither => "Nothing slid, so there is nothing to mend.",
                Moved::CannotTell => {
                    "The wrong remedy costs more than another pull, so none is listed before the cause is known."
                }
                _ => "No remedy is known for this cause that the sheet does not name already.",
            }
            .into(),
        ));
    } else {
        blocks.push(Block::Text(
            "What the trade does about it, the first thing first (common practice, no source). Change one thing at a \
             time, and let a pull prove it:"
                .into(),
        ));
        let steps = found.remedies.iter().map(|r| {
            let what = cx.said(r.what.trim_end_matches('.'), LONGEST);
            let why = format!(
                "Why: {}. Proof: {}.",
                cx.said(r.reason.trim_end_matches('.'), LONGEST),
                lower_first(&cx.said(r.proof.trim_end_matches('.'), LONGEST))
            );
            (format!("{what}."), why)
        });
        blocks.push(Block::Steps(steps.collect()));
    }
    if !found.notes.is_empty() {
        blocks.push(Block::List(sentences(&found.notes)));
    }
    let next = cx.said(found.next_pull.trim_end_matches('.'), LONGEST);
    if !next.is_empty() && found.moved != Moved::Neither {
        blocks.push(Block::Text(format!("Next pull: {}.", lower_first(&next))));
    }
    Section::new("cause", "Cause and remedy", blocks)
}
