//! `seal` and `reproduce`: a results folder with its digests, and the same made again.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write as _;
use std::path::{Component, Path, PathBuf};
use std::process::{Command, Stdio};

use super::analyse::stage;
use super::args::{SealWishes, SignedBy};
use super::console::Console;
use super::exit::Exit;
use super::fault::Fault;
use super::files::{self, Staging};
use super::plan::{self, Target};
use crate::analysis::{Analysis, Settings};
use crate::ingest::{InputFile, input_file};
use crate::seal::{self, Difference, NAMESPACE, Seal};
use crate::{export, pipeline};

const SEAL: &str = "seal.json";
const SIGNATURE: &str = "seal.json.sig";
const ANALYSIS: &str = "analysis.json";

/// Seals a results folder.
///
/// # Errors
/// Nothing to seal, something that does not come out the same, or the signature cannot be made.
pub(super) fn seal(wishes: &SealWishes, console: &Console) -> Result<(), Fault> {
    let (results, pull) = places(&wishes.results, wishes.pull.as_deref())?;
    let place = results.join(SEAL);
    if place.symlink_metadata().is_ok() {
        return Err(Fault::new(
            format!("{}: this folder is sealed already", place.display()),
            format!(
                "check it with `bitterend reproduce {}`, or analyse again for new results",
                results.display()
            ),
        ));
    }
    let outputs = files::read_all(&results)?;
    let analysis = stored(&results, &outputs)?;
    let sealed = seal::seal(&analysis, &outputs)
        .map_err(|e| Fault::new(format!("{}: {e}", results.display()), e.hint()))?;
    // What is sealed must be what the analysis writes, or the seal would vouch for a report that was typed over.
    let mut found = inputs(&sealed, &pull)?;
    if found.is_empty() {
        found = again(&sealed, &pull, &outputs);
    }
    if !found.is_empty() {
        let mut fault = Fault::new(
            format!(
                "{}: not what the analysis writes from {}",
                results.display(),
                pull.display()
            ),
            "run `bitterend analyse` again, then seal",
        );
        fault.causes = found.iter().map(ToString::to_string).collect();
        return Err(fault);
    }
    let mut text = serde_json::to_vec_pretty(&sealed).map_err(|e| Fault::export(&results, &e))?;
    text.push(b'\n');
    let mut new = vec![(SEAL.to_owned(), text.clone())];
    if let Some(key) = &wishes.key {
        new.push((SIGNATURE.to_owned(), sign(key, &text)?));
    }
    files::write_new(&results, &new)?;
    let signed = if wishes.key.is_some() {
        "signed"
    } else {
        "not signed"
    };
    console.say(&format!(
        "{}: sealed, {signed}; {} inputs, {} outputs",
        results.display(),
        sealed.inputs.len(),
        sealed.outputs.len()
    ));
    if wishes.key.is_none() {
        console.say(seal::MEANING);
    }
    Ok(())
}

/// Makes the results of a sealed folder again and says what differs.
///
/// # Errors
/// There is no seal, or it cannot be read.
pub(super) fn reproduce(
    results: &Path,
    pull: Option<&Path>,
    signed_by: &SignedBy,
    console: &Console,
) -> Result<Exit, Fault> {
    let (results, pull) = places(results, pull)?;
    let mut outputs = files::read_all(&results)?;
    let Some(text) = outputs.remove(SEAL) else {
        return Err(Fault::new(
            format!("{}: there is no {SEAL} in this folder", results.display()),
            format!("seal it first: bitterend seal {}", results.display()),
        ));
    };
    let signature = outputs.remove(SIGNATURE);
    let sealed: Seal = serde_json::from_slice(&text).map_err(|e| Fault {
        message: format!("{}: no seal of this version", results.join(SEAL).display()),
        causes: vec![e.to_string()],
        hint: Some("the seal was written over or belongs to another version of bitterend".into()),
    })?;
    let mut differences = Vec::new();
    let signer = match (&signature, signed_by) {
        (Some(signature), by) => match check_signature(&text, signature, by) {
            Ok(who) => who,
            Err(difference) => {
                differences.push(difference);
                "signed, but not validly".into()
            }
        },
        (None, by) if by.signers.is_some() => {
            differences.push(Difference::Signature("the seal is not signed".into()));
            "not signed".into()
        }
        (None, _) => "not signed".into(),
    };
    differences.extend(seal::version_difference(&sealed));
    let found: Vec<InputFile> = outputs
        .iter()
        .map(|(name, bytes)| input_file("output", name, bytes))
        .collect();
    differences.extend(seal::file_differences(&sealed.outputs, &found));
    if let Some(value) = outputs
        .get(ANALYSIS)
        .and_then(|bytes| serde_json::from_slice(bytes).ok())
    {
        differences.extend(seal::setting_differences(&sealed, &value));
    }
    differences.extend(inputs(&sealed, &pull)?);
    differences.extend(again(&sealed, &pull, &outputs));
    if differences.is_empty() {
        console.result(&format!(
            "{}: the same; {} inputs and {} outputs as sealed, every figure comes out again; {signer}",
            results.display(),
            sealed.inputs.len(),
            sealed.outputs.len()
        ));
        return Ok(Exit::Done);
    }
    console.result(&format!("{}: differs; {signer}", results.display()));
    for difference in &differences {
        console.result(&format!("  {difference}"));
    }
    Ok(Exit::NotPassed)
}

/// The results folder and the folder of the pull, which holds it unless the user says where it is.
fn places(results: &Path, pull: Option<&Path>) -> Result<(PathBuf, PathBuf), Fault> {
    if !results.is_dir() {
        return Err(Fault::new(
            format!("{}: there is no such results folder", results.display()),
            "give the folder that `bitterend analyse` wrote, such as FOLDER/results",
        ));
    }
    let pull = match pull {
        Some(pull) => pull.to_owned(),
        None => results
            .canonicalize()
            .ok()
            .and_then(|p| p.parent().map(Path::to_owned))
            .unwrap_or_else(|| results.join("..")),
    };
    if !pull.join(files::SHEET).is_file() {
        return Err(Fault::new(
            format!("{}: there is no {} here", pull.display(), files::SHEET),
            "say where the folder of the pull is: --pull FOLDER",
        ));
    }
    Ok((results.to_owned(), pull))
}

fn stored(results: &Path, outputs: &BTreeMap<String, Vec<u8>>) -> Result<Analysis, Fault> {
    let path = results.join(ANALYSIS);
    let Some(bytes) = outputs.get(ANALYSIS) else {
        return Err(Fault::new(
            format!(
                "{}: there is no {ANALYSIS} in this folder",
                results.display()
            ),
            "give the folder that `bitterend analyse` wrote, such as FOLDER/results",
        ));
    };
    serde_json::from_slice(bytes).map_err(|e| Fault {
        message: format!("{}: no analysis of this version", path.display()),
        causes: vec![e.to_string()],
        hint: Some("run `bitterend analyse` again, then seal".into()),
    })
}

/// The sealed inputs against the files of the pull.
fn inputs(sealed: &Seal, pull: &Path) -> Result<Vec<Difference>, Fault> {
    let mut found = Vec::new();
    for file in &sealed.inputs {
        // A name in a seal is a text from outside.
        let inside = Path::new(&file.name)
            .components()
            .all(|c| matches!(c, Component::Normal(_)));
        let path = pull.join(&file.name);
        if !inside || !path.is_file() {
            continue;
        }
        let digest = File::open(&path).and_then(|f| seal::digest(&file.role, &file.name, f));
        found.push(digest.map_err(|e| Fault::io(&path, "cannot be read", &e))?);
    }
    Ok(seal::input_differences(&sealed.inputs, &found))
}

/// The results made again with the sealed settings, against those of the folder.
fn again(sealed: &Seal, pull: &Path, outputs: &BTreeMap<String, Vec<u8>>) -> Vec<Difference> {
    match made(&sealed.settings, pull) {
        Ok(made) => compared(outputs, &made),
        Err(fault) => vec![Difference::NotAgain(fault.message)],
    }
}

fn made(settings: &Settings, pull: &Path) -> Result<BTreeMap<String, Vec<u8>>, Fault> {
    let scratch = tempfile::tempdir()
        .map_err(|e| Fault::io(&std::env::temp_dir(), "nothing can be written there", &e))?;
    let inputs = files::read_pull(pull)?;
    let analysis = pipeline::analyse(inputs, settings).map_err(|e| Fault::pipeline(pull, &e))?;
    let json = export::json(&analysis).map_err(|e| Fault::export(pull, &e))?;
    let target = Target {
        folder: pull.to_owned(),
        name: plan::name_of(pull),
        results: scratch.path().join("results"),
    };
    let staging = Staging::begin(&target.results)?;
    stage(&target, &analysis, &json, &staging)?;
    files::read_all(staging.path())
}

fn compared(
    outputs: &BTreeMap<String, Vec<u8>>,
    made: &BTreeMap<String, Vec<u8>>,
) -> Vec<Difference> {
    let mut found = Vec::new();
    for (name, again) in made {
        let Some(sealed) = outputs.get(name).filter(|b| *b != again) else {
            continue;
        };
        match name.rsplit_once('.').map(|(_, kind)| kind) {
            Some("json") => match (
                serde_json::from_slice(sealed),
                serde_json::from_slice(again),
            ) {
                (Ok(sealed), Ok(again)) => {
                    found.extend(seal::figure_differences(name, &sealed, &again));
                }
                _ => found.push(Difference::Changed {
                    name: name.clone(),
                    role: "no JSON any more".into(),
                }),
            },
            #[cfg(feature = "parquet")]
            Some("parquet") => found.extend(seal::trace_differences(name, sealed, again)),
            _ => {
                let text = String::from_utf8_lossy;
                found.extend(seal::line_difference(name, &text(sealed), &text(again)));
            }
        }
    }
    found.extend(
        made.keys()
            .filter(|n| !outputs.contains_key(*n))
            .map(|name| Difference::Removed {
                name: name.clone(),
                role: "made again".into(),
            }),
    );
    found
}

/// A signature in the open format of OpenSSH (PROTOCOL.sshsig), made by its own tool: so agents and hardware keys work.
fn sign(key: &Path, text: &[u8]) -> Result<Vec<u8>, Fault> {
    if !key.is_file() {
        return Err(Fault::new(
            format!("{}: there is no such key", key.display()),
            "give a private SSH key, or a public one whose private half an agent holds",
        ));
    }
    let run = ssh_keygen(
        &[
            "-Y".as_ref(),
            "sign".as_ref(),
            "-n".as_ref(),
            NAMESPACE.as_ref(),
            "-f".as_ref(),
            key.as_os_str(),
        ],
        text,
    )?;
    if run.status.success() {
        Ok(run.stdout)
    } else {
        Err(Fault {
            message: format!("{}: ssh-keygen did not sign with this key", key.display()),
            causes: said(&run.stderr),
            hint: Some("nothing was sealed; seal without --key, or with another key".into()),
        })
    }
}

/// Who signed, as far as that can be told: a name where the user says whom to trust, else the key alone.
fn check_signature(text: &[u8], signature: &[u8], by: &SignedBy) -> Result<String, Difference> {
    let failed = |what: String| Difference::Signature(what);
    let file = tempfile::NamedTempFile::new()
        .and_then(|mut f| f.write_all(signature).map(|()| f))
        .map_err(|e| failed(e.to_string()))?;
    let mut words: Vec<&std::ffi::OsStr> = vec!["-Y".as_ref()];
    let identity = by.identity.as_deref().unwrap_or_default();
    match &by.signers {
        Some(signers) => {
            words.extend(["verify".as_ref(), "-f".as_ref(), signers.as_os_str()]);
            words.extend::<[&std::ffi::OsStr; 2]>(["-I".as_ref(), identity.as_ref()]);
        }
        None => words.push("check-novalidate".as_ref()),
    }
    words.extend([
        "-n".as_ref(),
        NAMESPACE.as_ref(),
        "-s".as_ref(),
        file.path().as_os_str(),
    ]);
    let run = ssh_keygen(&words, text).map_err(|f| failed(f.message))?;
    let words = said(if run.status.success() {
        &run.stdout
    } else {
        &run.stderr
    });
    if run.status.success() {
        Ok(words.first().cloned().unwrap_or_else(|| "signed".into()))
    } else {
        Err(failed(format!(
            "does not belong to this seal{}",
            words
                .first()
                .map_or_else(String::new, |w| format!(" ({w})"))
        )))
    }
}

fn ssh_keygen(words: &[&std::ffi::OsStr], text: &[u8]) -> Result<std::process::Output, Fault> {
    let missing = |e: std::io::Error| Fault {
        message: "ssh-keygen cannot be run".into(),
        causes: vec![e.to_string()],
        hint: Some("signatures need the OpenSSH client, version 8.2 or later".into()),
    };
    let mut child = Command::new("ssh-keygen")
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(missing)?;
    if let Some(mut input) = child.stdin.take() {
        // A tool that refuses before it reads closes the pipe; its own message says why.
        let _ = input.write_all(text);
    }
    child.wait_with_output().map_err(missing)
}

fn said(bytes: &[u8]) -> Vec<String> {
    String::from_utf8_lossy(bytes)
        .lines()
        .map(|l| l.trim().to_owned())
        .filter(|l| !l.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn names_in_a_seal_never_lead_outside_the_folder() {
        let base = tempfile::tempdir().unwrap();
        let pull = base.path().join("pull");
        fs::create_dir(&pull).unwrap();
        fs::write(base.path().join("secret"), "x").unwrap();
        let sealed = Seal {
            seal_version: 1,
            version: "0".into(),
            purpose: crate::sheet::Purpose::Survey,
            simulated: true,
            meaning: String::new(),
            settings: Settings::default(),
            inputs: vec![input_file("log", "../secret", b"x")],
            outputs: vec![],
        };
        let said: Vec<String> = inputs(&sealed, &pull)
            .unwrap()
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(said, ["removed: ../secret (log)"]);
    }
}
