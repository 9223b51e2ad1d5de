//! Where results go, settled and proved before any work.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::fault::Fault;
use super::files;

/// One pull and the folder of its results.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Target {
    pub folder: PathBuf,
    /// Name of the folder, for lines on the terminal.
    pub name: String,
    pub results: PathBuf,
}

/// `FOLDER/results`, or `DIR` for one folder and `DIR/<folder name>` for several.
///
/// # Errors
/// Two folders whose results would go to the same place.
pub(super) fn targets(folders: &[PathBuf], out: Option<&Path>) -> Result<Vec<Target>, Fault> {
    let mut seen: BTreeMap<PathBuf, &Path> = BTreeMap::new();
    let mut targets = Vec::with_capacity(folders.len());
    for folder in folders {
        let name = name_of(folder);
        let results = match out {
            None => folder.join("results"),
            Some(out) if folders.len() == 1 => out.to_owned(),
            Some(out) => out.join(&name),
        };
        // The same folder may be typed in two ways.
        let place = match out {
            None => folder.canonicalize().unwrap_or_else(|_| folder.clone()),
            Some(_) => results.clone(),
        };
        if let Some(other) = seen.insert(place, folder) {
            return Err(Fault::new(
                format!(
                    "{} and {}: the results of both would go to {}",
                    other.display(),
                    folder.display(),
                    results.display()
                ),
                "give each folder once; folders of one name need separate runs with separate --out",
            ));
        }
        targets.push(Target {
            folder: folder.clone(),
            name,
            results,
        });
    }
    Ok(targets)
}

/// Proves that results can be written: the place is free or holds a former result, and a file can be made beside it.
///
/// # Errors
/// Other files in the way, or no right to write.
pub(super) fn prove(target: &Target) -> Result<(), Fault> {
    // A folder that is not there fails when it is read, with a better message.
    if !target.folder.is_dir() {
        return Ok(());
    }
    files::Staging::begin(&target.results).map(drop)
}

/// The last part of the folder's real path; `.` has a name too.
pub(super) fn name_of(folder: &Path) -> String {
    folder
        .canonicalize()
        .ok()
        .as_deref()
        .and_then(Path::file_name)
        .or_else(|| folder.file_name())
        .map_or_else(
            || folder.display().to_string(),
            |n| n.to_string_lossy().into_owned(),
        )
}
