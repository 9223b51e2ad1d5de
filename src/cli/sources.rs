//! Where the facts of many pulls come from: folders of pulls, folders that hold them, finished analyses, tables.

use std::fs;
use std::path::{Path, PathBuf};

use super::fault::Fault;
use super::files::SHEET;

/// Where the facts of pulls come from.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Source {
    /// A folder with a sheet and a log, to be analysed.
    Folder(PathBuf),
    /// A finished `analysis.json`.
    Analysis(PathBuf),
    /// A Parquet table of pulls.
    #[cfg(feature = "parquet")]
    Table(PathBuf),
}

impl Source {
    /// A short name: the folder of the pull, the file of a table.
    pub(super) fn name(&self) -> String {
        let part = |path: &Path| path.file_name().map(|n| n.to_string_lossy().into_owned());
        match self {
            Self::Folder(path) => super::plan::name_of(path),
            Self::Analysis(path) => {
                let folder = path.parent().unwrap_or(Path::new("."));
                match part(folder) {
                    // FOLDER/results/analysis.json belongs to FOLDER.
                    Some(name) if name == "results" => {
                        folder.parent().and_then(part).unwrap_or(name)
                    }
                    Some(name) => name,
                    None => path.display().to_string(),
                }
            }
            #[cfg(feature = "parquet")]
            Self::Table(path) => path.display().to_string(),
        }
    }
}

/// A finished analysis.
const ANALYSIS: &str = "analysis.json";
/// How the names of logs end.
const LOGS: [&str; 4] = [".csv", ".csv.gz", ".tsv", ".txt"];
/// How deep a folder of pulls is searched: a dataset may be partitioned twice.
const DEEPEST: usize = 4;

/// The pulls that were named: folders of pulls, folders that hold such folders, finished analyses, tables.
///
/// # Errors
/// A folder that cannot be read.
pub(super) fn pull_sources(named: &[PathBuf]) -> Result<Vec<Source>, Fault> {
    let mut sources = Vec::new();
    for path in named {
        let before = sources.len();
        if path.is_dir() {
            gather(path, 0, &mut sources)?;
        } else {
            sources.extend(of_file(path));
        }
        // A path without a pull is named and skipped like any broken one, when its turn comes.
        if sources.len() == before {
            sources.push(Source::Folder(path.clone()));
        }
    }
    Ok(sources)
}

fn of_file(path: &Path) -> Option<Source> {
    if path.file_name().is_some_and(|n| n == ANALYSIS) {
        return Some(Source::Analysis(path.to_owned()));
    }
    #[cfg(feature = "parquet")]
    if path.extension().is_some_and(|e| e == "parquet")
        && path.file_name().is_some_and(|n| n != "traces.parquet")
    {
        return Some(Source::Table(path.to_owned()));
    }
    None
}

/// A sheet makes a pull, and nothing below it is looked at: results are never read as input beside their pull.
fn gather(folder: &Path, depth: usize, sources: &mut Vec<Source>) -> Result<(), Fault> {
    if folder.join(SHEET).is_file() {
        sources.push(Source::Folder(folder.to_owned()));
        return Ok(());
    }
    if folder.join(ANALYSIS).is_file() {
        sources.push(Source::Analysis(folder.join(ANALYSIS)));
        return Ok(());
    }
    if folder.join("comparison.json").is_file() {
        // A comparison's own results.
        return Ok(());
    }
    let entries =
        fs::read_dir(folder).map_err(|e| Fault::io(folder, "the folder cannot be read", &e))?;
    let mut paths = Vec::new();
    for entry in entries {
        paths.push(
            entry
                .map_err(|e| Fault::io(folder, "the folder cannot be read", &e))?
                .path(),
        );
    }
    paths.sort();
    let before = sources.len();
    for path in &paths {
        if path.is_dir() && depth < DEEPEST {
            gather(path, depth + 1, sources)?;
        } else if path.is_file()
            && let Some(source) = of_file(path)
        {
            sources.push(source);
        }
    }
    // A log without a sheet is a pull that cannot be analysed, and is named as one.
    let is_log = |path: &PathBuf| {
        let name = path.file_name().map(|n| n.to_string_lossy().to_lowercase());
        name.is_some_and(|n| LOGS.iter().any(|end| n.ends_with(end)))
    };
    if sources.len() == before && paths.iter().any(is_log) {
        sources.push(Source::Folder(folder.to_owned()));
    }
    Ok(())
}

/// The facts of a finished analysis.
///
/// # Errors
/// The file cannot be read, is no analysis, or has another form than this version reads.
pub(super) fn read_finished(path: &Path, name: &str) -> Result<crate::pool::Pull, Fault> {
    let bytes = fs::read(path).map_err(|e| Fault::io(path, "the analysis cannot be read", &e))?;
    let again = "analyse the pull again with this version of bitterend";
    let finished: crate::pool::Finished = serde_json::from_slice(&bytes).map_err(|e| {
        let mut fault = Fault::new(
            format!("{}: this is no analysis of this version", path.display()),
            again,
        );
        fault.causes.push(e.to_string());
        fault
    })?;
    crate::pool::Pull::of_finished(name, &finished)
        .map_err(|e| Fault::new(format!("{}: {e}", path.display()), again))
}
