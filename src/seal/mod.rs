//! Seal: digests, settings and version of a finished analysis, so that it can be made again later and compared.
//!
//! Question: is this results folder what the analysis wrote, from these inputs, and does the same come out today?
//! Method: SHA-256 (FIPS 180-4) of every input and output; then the analysis anew, compared file by file and figure by
//! figure. Assumption: whoever holds an unsigned seal may have made it. It shows change, not forgery; a signature over
//! `seal.json` shows who sealed it.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::{Analysis, Settings};
use crate::ingest::{InputFile, input_file};
use crate::sheet::Purpose;

/// What differs between two analyses.
mod figures;

/// What differs between two sets of files.
mod folder;

/// What differs between two tables of traces.
#[cfg(feature = "parquet")]
mod traces;

#[cfg(feature = "parquet")]
pub use traces::differences as trace_differences;

pub use figures::{differences as figure_differences, line_difference};
pub use folder::{differences as file_differences, input_differences};

/// Version of the form of `seal.json`.
pub const SEAL_VERSION: u32 = 1;

/// Name space of signatures over `seal.json`, as `ssh-keygen -Y` takes it.
pub const NAMESPACE: &str = "bitterend";

/// What every seal says about itself.
pub const MEANING: &str = "Without a signature a seal shows change, not forgery: whoever can change the files can \
seal them anew. A signature over this file shows which key sealed it.";

/// The content of `seal.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Seal {
    /// Version of this form.
    pub seal_version: u32,
    /// Version of bitterend that analysed and sealed.
    pub version: String,
    /// Why the pull was made.
    pub purpose: Purpose,
    /// The record is invented.
    pub simulated: bool,
    /// What a seal shows and what not.
    pub meaning: String,
    /// Settings of the analysis.
    pub settings: Settings,
    /// The files of the pull, with digests.
    pub inputs: Vec<InputFile>,
    /// The files of the results folder, by name, with digests.
    pub outputs: Vec<InputFile>,
}

/// Why nothing was sealed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// An invented record cannot be handed over with a line.
    #[error("simulated data cannot be sealed as a delivery record")]
    SimulatedDelivery,
    /// The folder was written by another version.
    #[error("analysis.json was written by version {found}, this is {own}")]
    Version {
        /// The one that wrote it.
        found: String,
        /// The one that runs.
        own: String,
    },
}

impl Refusal {
    /// A thing that the user can do.
    #[must_use]
    pub fn hint(&self) -> &'static str {
        match self {
            Self::SimulatedDelivery => {
                "no line was pulled, so there is nothing to deliver; a simulated pull with purpose = \"survey\" or \
                 \"benchmark\" can be sealed, and its seal says that it is simulated"
            }
            Self::Version { .. } => "run `bitterend analyse` again, then seal",
        }
    }
}

/// Something that is not as it was sealed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Difference {
    /// An input or output has other bytes.
    #[error("changed: {name} ({role})")]
    Changed {
        /// Its name.
        name: String,
        /// What it is.
        role: String,
    },
    /// It is gone.
    #[error("removed: {name} ({role})")]
    Removed {
        /// Its name.
        name: String,
        /// What it is.
        role: String,
    },
    /// It was not there.
    #[error("added: {name}")]
    Added {
        /// Its name.
        name: String,
    },
    /// The same bytes under another name.
    #[error("renamed: {from} is now {to}")]
    Renamed {
        /// Its name in the seal.
        from: String,
        /// Its name now.
        to: String,
    },
    /// Made by another version.
    #[error("version: sealed with {sealed}, made again with {own}")]
    Version {
        /// In the seal.
        sealed: String,
        /// Of this program.
        own: String,
    },
    /// A figure or text of the analysis.
    #[error("{file}, {path}: {sealed} in the folder, {again} made again")]
    Figure {
        /// The file.
        file: String,
        /// Where in it.
        path: String,
        /// In the folder.
        sealed: String,
        /// Made again.
        again: String,
    },
    /// A line of a text that is made from the analysis.
    #[error("{file}, line {line}: `{sealed}` in the folder, `{again}` made again")]
    Line {
        /// The file.
        file: String,
        /// Counted from one.
        line: usize,
        /// In the folder.
        sealed: String,
        /// Made again.
        again: String,
    },
    /// The analysis cannot be made again.
    #[error("cannot be made again: {0}")]
    NotAgain(String),
    /// The signature does not belong to this seal.
    #[error("signature: {0}")]
    Signature(String),
    /// A setting.
    #[error("setting {path}: {sealed} in the seal, {again} in analysis.json")]
    Setting {
        /// Which one.
        path: String,
        /// In the seal.
        sealed: String,
        /// In the analysis.
        again: String,
    },
}

/// Seals the outputs of an analysis. `outputs` holds every file of the results folder but the seal itself, by name.
///
/// # Errors
/// See [`Refusal`].
pub fn seal(analysis: &Analysis, outputs: &BTreeMap<String, Vec<u8>>) -> Result<Seal, Refusal> {
    let pull = &analysis.sheet.0.pull;
    if pull.simulated && pull.purpose == Purpose::Delivery {
        return Err(Refusal::SimulatedDelivery);
    }
    let own = env!("CARGO_PKG_VERSION");
    if analysis.version != own {
        return Err(Refusal::Version {
            found: analysis.version.clone(),
            own: own.into(),
        });
    }
    Ok(Seal {
        seal_version: SEAL_VERSION,
        version: own.into(),
        purpose: pull.purpose,
        simulated: pull.simulated,
        meaning: MEANING.into(),
        settings: analysis.settings.clone(),
        inputs: analysis.inputs.clone(),
        outputs: outputs
            .iter()
            .map(|(name, bytes)| input_file("output", name, bytes))
            .collect(),
    })
}

/// Name, size and digest of a file that may be too large for memory.
///
/// # Errors
/// The reader's.
pub fn digest(role: &str, name: &str, mut bytes: impl std::io::Read) -> std::io::Result<InputFile> {
    use sha2::{Digest as _, Sha256};

    let mut file = InputFile {
        role: role.into(),
        name: name.into(),
        bytes: 0,
        sha256: String::new(),
    };
    let mut sha = Sha256::new();
    let mut buffer = vec![0; 1 << 16];
    loop {
        match bytes.read(&mut buffer)? {
            0 => break,
            n => {
                file.bytes += n as u64;
                sha.update(&buffer[..n]);
            }
        }
    }
    file.sha256 = sha.finalize().iter().map(|b| format!("{b:02x}")).collect();
    Ok(file)
}

/// The version that sealed against the one that runs.
#[must_use]
pub fn version_difference(seal: &Seal) -> Option<Difference> {
    let own = env!("CARGO_PKG_VERSION");
    (seal.version != own).then(|| Difference::Version {
        sealed: seal.version.clone(),
        own: own.into(),
    })
}

/// Settings of the seal against those that stand in the analysis of the folder.
#[must_use]
pub fn setting_differences(seal: &Seal, analysis: &serde_json::Value) -> Vec<Difference> {
    let sealed = serde_json::to_value(&seal.settings).unwrap_or_default();
    figures::differences("", &sealed, &analysis["settings"])
        .into_iter()
        .filter_map(|d| match d {
            Difference::Figure {
                path,
                sealed,
                again,
                ..
            } => Some(Difference::Setting {
                path,
                sealed,
                again,
            }),
            _ => None,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::sample;

    #[test]
    fn an_invented_record_is_never_a_delivery() {
        let mut analysis = sample::passes();
        analysis.version = env!("CARGO_PKG_VERSION").into();
        analysis.sheet.0.pull.simulated = true;
        analysis.sheet.0.pull.purpose = Purpose::Delivery;
        assert_eq!(
            seal(&analysis, &BTreeMap::new()),
            Err(Refusal::SimulatedDelivery)
        );
        analysis.sheet.0.pull.purpose = Purpose::Survey;
        assert!(seal(&analysis, &BTreeMap::new()).unwrap().simulated);
        analysis.sheet.0.pull.simulated = false;
        analysis.sheet.0.pull.purpose = Purpose::Delivery;
        assert!(!seal(&analysis, &BTreeMap::new()).unwrap().simulated);
    }

    #[test]
    fn another_version_is_named() {
        let mut analysis = sample::passes();
        analysis.sheet.0.pull.simulated = false;
        analysis.version = "0.0.9".into();
        assert!(matches!(
            seal(&analysis, &BTreeMap::new()),
            Err(Refusal::Version { found, .. }) if found == "0.0.9"
        ));
        analysis.version = env!("CARGO_PKG_VERSION").into();
        let mut sealed = seal(&analysis, &BTreeMap::new()).unwrap();
        assert_eq!(version_difference(&sealed), None);
        sealed.version = "0.0.9".into();
        let said = version_difference(&sealed).unwrap().to_string();
        assert!(said.contains("0.0.9") && said.contains(env!("CARGO_PKG_VERSION")));
    }

    #[test]
    fn a_seal_reads_back_and_a_changed_setting_is_named() {
        let mut analysis = sample::passes();
        analysis.sheet.0.pull.simulated = false;
        analysis.version = env!("CARGO_PKG_VERSION").into();
        let outputs = BTreeMap::from([("report.md".to_owned(), b"text".to_vec())]);
        let mut sealed = seal(&analysis, &outputs).unwrap();
        let text = serde_json::to_string(&sealed).unwrap();
        assert_eq!(serde_json::from_str::<Seal>(&text).unwrap(), sealed);
        let json = serde_json::to_value(&analysis).unwrap();
        assert_eq!(setting_differences(&sealed, &json), vec![]);
        sealed.settings.seed += 1;
        let found = setting_differences(&sealed, &json);
        assert_eq!(found.len(), 1);
        assert!(
            found[0].to_string().starts_with("setting seed: "),
            "{}",
            found[0]
        );
    }
}
