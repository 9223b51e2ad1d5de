//! Files: pull folders in, results out. An older result is replaced as a whole or not at all.

use std::fs::{self, File};
use std::io::Read as _;
use std::path::{Path, PathBuf};

use super::fault::Fault;
use super::leftovers;
#[cfg(feature = "parquet")]
use crate::analysis::Analysis;
#[cfg(feature = "parquet")]
use crate::export::{EveryRow, ExportError};
use crate::ingest::{self, FileNames};
use crate::pipeline::Inputs;
use crate::sheet::Sheet;

/// Name of the sheet in every pull folder.
pub(super) const SHEET: &str = "sheet.toml";
/// Name of the table of traces.
pub(super) const TRACES: &str = "traces.parquet";
/// Largest sheet that is read: a sheet is written by hand.
const SHEET_MAX: u64 = 1 << 20;

/// Reads a pull folder: the sheet, then the log and marks that it names.
///
/// # Errors
/// Anything missing or unreadable, with the path in the message.
pub(super) fn read_pull(folder: &Path) -> Result<Inputs, Fault> {
    read_pull_with(folder, None)
}

/// The same with another log in place of the one that the sheet names; `-` is stdin.
///
/// # Errors
/// As for [`read_pull`].
pub(super) fn read_pull_with(folder: &Path, log: Option<&Path>) -> Result<Inputs, Fault> {
    match fs::metadata(folder) {
        Ok(meta) if meta.is_dir() => {}
        Ok(_) => {
            return Err(Fault::new(
                format!(
                    "{}: this is a file, not the folder of a pull",
                    folder.display()
                ),
                format!("give the folder that holds {SHEET}"),
            ));
        }
        Err(error) => return Err(Fault::io(folder, "the folder cannot be read", &error)),
    }
    let (text, sheet_file) = read_sheet(folder)?;
    let sheet = Sheet::parse(&text, SHEET).map_err(|e| Fault::sheet(folder, &e))?;

    let mut log: Box<dyn std::io::Read> = match log {
        Some(log) if log == Path::new("-") => Box::new(std::io::stdin().lock()),
        Some(log) => Box::new(open(log, "log", folder)?),
        None => Box::new(open(&folder.join(&sheet.pull.log), "log", folder)?),
    };
    let mut marks = match &sheet.pull.marks {
        Some(name) => Some(open(&folder.join(name), "marks", folder)?),
        None => None,
    };
    let names = FileNames {
        log: &sheet.pull.log,
        marks: sheet.pull.marks.as_deref().unwrap_or_default(),
    };
    let marks = marks.as_mut().map(|m| m as &mut dyn std::io::Read);
    let (mut log, read) = ingest::read_log(log.as_mut(), marks, &sheet, names)
        .map_err(|e| Fault::ingest(folder, &e))?;
    let mut files = vec![sheet_file];
    files.extend(read);
    if let Some(second) = &sheet.second_log {
        let mut file = open(&folder.join(&second.file), "second log", folder)?;
        let input = ingest::join_second(&mut log, &mut file, &sheet, second);
        files.push(input.map_err(|e| Fault::ingest(folder, &e))?);
    }
    Ok(Inputs { sheet, log, files })
}

/// The sheet of a pull to come; its log is not asked for.
///
/// # Errors
/// There is no sheet, or it cannot be read.
pub(super) fn read_sheet_of(folder: &Path) -> Result<Sheet, Fault> {
    let (text, _) = read_sheet(folder)?;
    Sheet::parse(&text, SHEET).map_err(|e| Fault::sheet(folder, &e))
}

/// Whether a folder in it has a test sheet.
fn holds_pulls(folder: &Path) -> bool {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .into_iter()
        .any(|entry| entry.path().join(SHEET).is_file())
}

fn read_sheet(folder: &Path) -> Result<(String, ingest::InputFile), Fault> {
    let path = folder.join(SHEET);
    if !path.exists() {
        return Err(Fault::new(
            format!("{}: there is no test sheet in this folder", path.display()),
            if holds_pulls(folder) {
                format!(
                    "its folders are pulls, give those: bitterend analyse {}",
                    folder.join("*").display()
                )
            } else {
                format!(
                    "write one to start from: bitterend new {} --log FILE",
                    folder.display()
                )
            },
        ));
    }
    let mut bytes = Vec::new();
    let file = open(&path, "sheet", folder)?;
    file.take(SHEET_MAX + 1)
        .read_to_end(&mut bytes)
        .map_err(|e| Fault::io(&path, "cannot be read", &e))?;
    if bytes.len() as u64 > SHEET_MAX {
        return Err(Fault::new(
            format!(
                "{}: longer than {SHEET_MAX} bytes; this is no test sheet",
                path.display()
            ),
            "a sheet is a short text written by hand; the log is named in it",
        ));
    }
    let input = ingest::input_file("sheet", SHEET, &bytes);
    match String::from_utf8(bytes) {
        Ok(text) => Ok((text, input)),
        Err(error) => {
            let at = error.utf8_error().valid_up_to();
            let line = error.as_bytes()[..at]
                .iter()
                .filter(|b| **b == b'\n')
                .count()
                + 1;
            Err(Fault::new(
                format!("{}, line {line}: a byte that is no UTF-8", path.display()),
                "save the sheet as UTF-8 text",
            ))
        }
    }
}

/// Where the sheet names a file of this role.
fn key_of(role: &str) -> String {
    match role {
        "second log" => "[second_log] file".to_owned(),
        role => format!("[pull] {role}"),
    }
}

/// Every file below a folder, by its path with `/`. Links are not followed.
///
/// # Errors
/// A link or something else that is no file, or the system's.
pub(super) fn read_all(
    folder: &Path,
) -> Result<std::collections::BTreeMap<String, Vec<u8>>, Fault> {
    let mut files = std::collections::BTreeMap::new();
    let mut open = vec![(folder.to_owned(), String::new())];
    while let Some((dir, inside)) = open.pop() {
        let entries =
            fs::read_dir(&dir).map_err(|e| Fault::io(&dir, "the folder cannot be read", &e))?;
        for entry in entries {
            let entry = entry.map_err(|e| Fault::io(&dir, "the folder cannot be read", &e))?;
            let path = entry.path();
            let kind = entry
                .file_type()
                .map_err(|e| Fault::io(&path, "cannot be read", &e))?;
            let name = format!("{inside}{}", entry.file_name().to_string_lossy());
            if kind.is_dir() {
                open.push((path, format!("{name}/")));
            } else if kind.is_file() {
                let bytes = fs::read(&path).map_err(|e| Fault::io(&path, "cannot be read", &e))?;
                files.insert(name, bytes);
            } else {
                return Err(Fault::new(
                    format!(
                        "{}: no regular file, which is no result of an analysis",
                        path.display()
                    ),
                    "move it away: links are not followed",
                ));
            }
        }
    }
    Ok(files)
}

/// Opens a regular file. Anything else (a folder, a pipe) would block or fail without a word.
fn open(path: &Path, role: &str, folder: &Path) -> Result<File, Fault> {
    let meta = fs::metadata(path).map_err(|error| {
        let mut fault = Fault::io(path, &format!("the {role} cannot be read"), &error);
        if role != "sheet" && error.kind() == std::io::ErrorKind::NotFound {
            fault.hint = Some(format!(
                "{} names it under {}; correct the name or put the file there",
                folder.join(SHEET).display(),
                key_of(role)
            ));
        }
        fault
    })?;
    if !meta.is_file() {
        return Err(Fault::new(
            format!("{}: the {role} is no regular file", path.display()),
            format!("name the file itself under {}", key_of(role)),
        ));
    }
    File::open(path).map_err(|e| Fault::io(path, &format!("the {role} cannot be read"), &e))
}

/// Reads the log of an analysed pull once more, and writes the traces of every row.
///
/// # Errors
/// The log can no longer be read or has changed, or the system's.
#[cfg(feature = "parquet")]
pub(super) fn write_every_row(
    folder: &Path,
    analysis: &Analysis,
    staging: &Staging,
) -> Result<(), Fault> {
    use std::ops::ControlFlow;

    let sheet = &analysis.sheet.0;
    let name = &sheet.pull.log;
    let mut log = open(&folder.join(name), "log", folder)?;
    let file = staging.create(TRACES)?;
    let failed = |e: ExportError| Fault::export(&staging.place.join(TRACES), &e);
    let mut writer = EveryRow::begin(analysis, file).map_err(failed)?;
    let mut refused = None;
    let read = ingest::each_row(
        &mut log,
        sheet,
        name,
        &mut |group| match writer.write(&group) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                refused = Some(error);
                ControlFlow::Break(())
            }
        },
    );
    if let Some(error) = refused {
        return Err(failed(error));
    }
    let read = read.map_err(|e| Fault::ingest(folder, &e))?;
    if !analysis.inputs.contains(&read) {
        return Err(Fault::new(
            format!(
                "{}: the log changed while it was read",
                folder.join(name).display()
            ),
            "wait until nothing writes to it any more, and run again",
        ));
    }
    writer.finish().map_err(failed)
}

/// Size and SHA-256 of a file, read in pieces.
///
/// # Errors
/// The system's.
pub(super) fn digest(path: &Path) -> std::io::Result<(u64, String)> {
    use sha2::Digest as _;
    let mut file = File::open(path)?;
    let mut sha = sha2::Sha256::new();
    let mut piece = vec![0; 1 << 20];
    let mut bytes = 0;
    loop {
        match file.read(&mut piece)? {
            0 => break,
            n => {
                sha.update(&piece[..n]);
                bytes += n as u64;
            }
        }
    }
    let text = sha.finalize().iter().map(|b| format!("{b:02x}")).collect();
    Ok((bytes, text))
}

/// Results being written beside their place, to be put there in one step.
#[derive(Debug)]
pub(super) struct Staging {
    dir: tempfile::TempDir,
    /// Says to other runs that the folder is in use.
    held: Option<File>,
    place: PathBuf,
}

impl Staging {
    /// Makes the folder beside the place of the results.
    ///
    /// # Errors
    /// The place holds something that is no former result, or nothing can be written there.
    pub(super) fn begin(place: &Path) -> Result<Self, Fault> {
        refuse_foreign(place)?;
        let parent = match place.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        fs::create_dir_all(parent)
            .map_err(|e| Fault::io(parent, "the folder for results cannot be made", &e))?;
        leftovers::sweep(parent);
        let (dir, held) = leftovers::folder_in(parent)
            .map_err(|e| Fault::io(place, "results cannot be written here", &e))?;
        Ok(Self {
            dir,
            held,
            place: place.to_owned(),
        })
    }

    /// Writes one file; `name` may hold one folder, such as `charts/parts.svg`.
    ///
    /// # Errors
    /// The system's.
    pub(super) fn write(&self, name: &str, bytes: &[u8]) -> Result<(), Fault> {
        let path = self.dir.path().join(name);
        let written = match path.parent() {
            Some(parent) => fs::create_dir_all(parent).and_then(|()| fs::write(&path, bytes)),
            None => fs::write(&path, bytes),
        };
        written.map_err(|e| Fault::io(&self.place.join(name), "cannot be written", &e))
    }

    /// Where the files lie until then.
    pub(super) fn path(&self) -> &Path {
        self.dir.path()
    }

    /// Makes one file that is written piece by piece.
    ///
    /// # Errors
    /// The system's.
    #[cfg(feature = "parquet")]
    fn create(&self, name: &str) -> Result<File, Fault> {
        File::create(self.dir.path().join(name))
            .map_err(|e| Fault::io(&self.place.join(name), "cannot be written", &e))
    }

    /// Puts the results in their place. Until the one step that does it, the older result stands untouched.
    ///
    /// # Errors
    /// The system's; the older result is then left as it was.
    pub(super) fn commit(self) -> Result<(), Fault> {
        let Self { dir, place, held } = self;
        let staged = dir.path().to_owned();
        let done = if place.exists() {
            exchange(&staged, &place)
        } else {
            fs::rename(&staged, &place)
        };
        done.map_err(|e| Fault::io(&place, "results cannot be put in their place", &e))?;
        // After an exchange the older result lies in the staging folder and goes with it; after a rename nothing does.
        drop(dir);
        drop(held);
        Ok(())
    }
}

/// Swaps two folders in one step.
#[cfg(any(target_os = "linux", target_os = "macos"))]
fn exchange(staged: &Path, place: &Path) -> std::io::Result<()> {
    use rustix::fs::{CWD, RenameFlags, renameat_with};
    match renameat_with(CWD, staged, CWD, place, RenameFlags::EXCHANGE) {
        // A file system that cannot swap, such as some network shares.
        Err(rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS | rustix::io::Errno::NOTSUP) => {
            exchange_in_steps(staged, place)
        }
        other => other.map_err(Into::into),
    }
}

#[cfg(not(any(target_os = "linux", target_os = "macos")))]
fn exchange(staged: &Path, place: &Path) -> std::io::Result<()> {
    exchange_in_steps(staged, place)
}

/// Where no single step does it: the older result steps aside and comes back if the new one cannot take its place.
fn exchange_in_steps(staged: &Path, place: &Path) -> std::io::Result<()> {
    let mut aside = staged.as_os_str().to_owned();
    aside.push(leftovers::ASIDE);
    let aside = PathBuf::from(aside);
    fs::rename(place, &aside)?;
    match fs::rename(staged, place) {
        Ok(()) => fs::remove_dir_all(&aside),
        Err(error) => fs::rename(&aside, place).and(Err(error)),
    }
}

/// What a results folder may hold.
const OURS: &[&str] = &[
    "analysis.json",
    "charts",
    "comparison.json",
    "plan.json",
    "pulls.parquet",
    "report.html",
    "report.md",
    "seal.json",
    "seal.json.sig",
    TRACES,
];

/// Refuses to replace anything but a former result.
fn refuse_foreign(place: &Path) -> Result<(), Fault> {
    if !place.exists() {
        return Ok(());
    }
    let hint = "choose an empty or new folder with --out, or move these files away: the folder is replaced as a whole";
    if !place.is_dir() {
        return Err(Fault::new(
            format!("{}: a file stands where results would go", place.display()),
            hint,
        ));
    }
    let entries = fs::read_dir(place)
        .map_err(|e| Fault::io(place, "the folder for results cannot be read", &e))?;
    let mut names = Vec::new();
    for entry in entries {
        let entry =
            entry.map_err(|e| Fault::io(place, "the folder for results cannot be read", &e))?;
        names.push(entry.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    match names.iter().find(|n| !OURS.contains(&n.as_str())) {
        Some(foreign) => Err(Fault::new(
            format!(
                "{}: holds `{foreign}`, which is no result of an analysis",
                place.display()
            ),
            hint,
        )),
        None => Ok(()),
    }
}

/// Writes files that must not exist yet, all or none of them.
///
/// # Errors
/// One exists, or the system's.
pub(super) fn write_new(folder: &Path, new: &[(String, Vec<u8>)]) -> Result<(), Fault> {
    for (name, _) in new {
        let path = folder.join(name);
        if path.symlink_metadata().is_ok() {
            return Err(Fault::new(
                format!(
                    "{}: exists already, and nothing is overwritten",
                    path.display()
                ),
                "choose another folder, or move the file away",
            ));
        }
    }
    let made_folder = !folder.exists();
    let mut done: Vec<PathBuf> = Vec::new();
    for (name, bytes) in new {
        let path = folder.join(name);
        let written = write_whole(&path, bytes);
        if let Err(error) = written {
            for path in done {
                let _ = fs::remove_file(path);
            }
            if made_folder {
                // Only if it is empty.
                let _ = fs::remove_dir(folder);
            }
            return Err(Fault::io(&path, "cannot be written", &error));
        }
        done.push(path);
    }
    Ok(())
}

/// A file appears whole or not at all, and never in place of another.
fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    use std::io::Write as _;
    let parent = path.parent().unwrap_or(Path::new("."));
    fs::create_dir_all(parent)?;
    let mut builder = tempfile::Builder::new();
    builder.prefix(leftovers::PREFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(parent)?;
    file.write_all(bytes)?;
    file.persist_noclobber(path)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(folder: &Path) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(folder)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn an_older_result_is_replaced_whole() {
        let base = tempfile::tempdir().unwrap();
        let place = base.path().join("results");
        let first = Staging::begin(&place).unwrap();
        first.write("report.md", b"old").unwrap();
        first.write("charts/old.svg", b"old").unwrap();
        assert!(!place.exists());
        first.commit().unwrap();
        assert_eq!(names(&place), ["charts", "report.md"]);

        let second = Staging::begin(&place).unwrap();
        second.write("report.md", b"new").unwrap();
        assert_eq!(fs::read(place.join("report.md")).unwrap(), b"old");
        second.commit().unwrap();
        assert_eq!(names(&place), ["report.md"]);
        assert_eq!(fs::read(place.join("report.md")).unwrap(), b"new");
        assert_eq!(names(base.path()), ["results"]);
    }

    #[test]
    fn a_run_that_stops_halfway_leaves_the_older_result() {
        let base = tempfile::tempdir().unwrap();
        let place = base.path().join("results");
        let first = Staging::begin(&place).unwrap();
        first.write("report.md", b"old").unwrap();
        first.commit().unwrap();
        let second = Staging::begin(&place).unwrap();
        second.write("report.md", b"half").unwrap();
        drop(second);
        assert_eq!(fs::read(place.join("report.md")).unwrap(), b"old");
        assert_eq!(names(base.path()), ["results"]);
    }

    #[test]
    fn swapping_in_steps_gives_the_same() {
        let base = tempfile::tempdir().unwrap();
        let (staged, place) = (base.path().join("new"), base.path().join("old"));
        for (folder, text) in [(&staged, "new"), (&place, "old")] {
            fs::create_dir(folder).unwrap();
            fs::write(folder.join("report.md"), text).unwrap();
        }
        exchange_in_steps(&staged, &place).unwrap();
        assert_eq!(fs::read(place.join("report.md")).unwrap(), b"new");
        assert_eq!(names(base.path()), ["old"]);
    }

    #[test]
    fn files_that_are_no_results_are_never_replaced() {
        let base = tempfile::tempdir().unwrap();
        fs::write(base.path().join("diary.txt"), "mine").unwrap();
        let fault = Staging::begin(base.path()).unwrap_err();
        assert!(
            fault.message.contains("holds `diary.txt`"),
            "{}",
            fault.message
        );
        assert_eq!(names(base.path()), ["diary.txt"]);
    }

    #[test]
    fn nothing_is_overwritten_and_all_or_none_is_written() {
        let base = tempfile::tempdir().unwrap();
        fs::write(base.path().join("b"), "mine").unwrap();
        let files = [("a".to_owned(), vec![1]), ("b".to_owned(), vec![2])];
        assert!(write_new(base.path(), &files).is_err());
        assert_eq!(names(base.path()), ["b"]);
        assert_eq!(fs::read(base.path().join("b")).unwrap(), b"mine");
    }
}
