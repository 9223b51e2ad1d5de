//! `analyse --resume`: pulls that were finished before an interruption are kept.
//!
//! A former result is kept if it was made by this version, with the same settings, from the very same bytes of every
//! input. Since results appear whole or not at all, a result that is there is complete.

use serde::Deserialize;

use super::files;
use super::plan::Target;
use crate::analysis::Settings;
use crate::ingest::InputFile;
use crate::verdict::VerdictWord;

/// What of a former `analysis.json` decides.
#[derive(Debug, Deserialize)]
struct Former {
    version: String,
    settings: Settings,
    inputs: Vec<InputFile>,
    verdict: FormerVerdict,
}

#[derive(Debug, Deserialize)]
struct FormerVerdict {
    word: VerdictWord,
}

/// The verdict of a former result that still stands, or `None` if the pull must be analysed.
pub(super) fn standing(target: &Target, settings: &Settings) -> Option<VerdictWord> {
    let text = std::fs::read(target.results.join("analysis.json")).ok()?;
    let former: Former = serde_json::from_slice(&text).ok()?;
    let same = former.version == env!("CARGO_PKG_VERSION")
        && former.settings == *settings
        && !former.inputs.is_empty()
        && former.inputs.iter().all(|input| {
            // A name in a former result is only ever a name in this folder.
            let path = target.folder.join(&input.name);
            files::digest(&path).is_ok_and(|now| now == (input.bytes, input.sha256.clone()))
        });
    same.then_some(former.verdict.word)
}
