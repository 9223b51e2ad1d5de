//! Temporary folders of results in the making: made, held while in use, and swept when whoever made them is gone.
//!
//! A run that is killed cannot clean up after itself. Each run holds a lock on its folder, which the system lets go with
//! the process, however it ends; the next run that writes beside it removes every folder that nobody holds.

use std::fs::{self, File};
use std::path::Path;

/// How names of temporary folders and files begin.
pub(super) const PREFIX: &str = ".bitterend-";
/// How the name of an older result ends that steps aside where two folders cannot be swapped in one step.
pub(super) const ASIDE: &str = "-old";
/// Tries at making a folder that another run does not sweep before it is held.
const TRIES: usize = 5;

/// A new temporary folder in `parent`, and the lock that holds it (none where folders cannot be locked).
///
/// # Errors
/// The system's.
pub(super) fn folder_in(parent: &Path) -> std::io::Result<(tempfile::TempDir, Option<File>)> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PREFIX);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        // As any new folder: the umask takes away what others may not.
        builder.permissions(fs::Permissions::from_mode(0o777));
    }
    for _ in 0..TRIES {
        let dir = builder.tempdir_in(parent)?;
        let held = hold(dir.path());
        if dir.path().exists() {
            return Ok((dir, held));
        }
    }
    builder.tempdir_in(parent).map(|dir| (dir, None))
}

/// Locks a folder; waits for a sweep that is just looking at it.
fn hold(folder: &Path) -> Option<File> {
    let file = File::open(folder).ok()?;
    file.lock().ok()?;
    Some(file)
}

/// Removes temporary folders in `parent` that nobody holds. What cannot be removed stays: it harms nobody.
pub(super) fn sweep(parent: &Path) {
    let Ok(entries) = fs::read_dir(parent) else {
        return;
    };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        // An older result that stands aside is somebody's result.
        if !name.starts_with(PREFIX) || name.ends_with(ASIDE) {
            continue;
        }
        let is_folder = entry.file_type().is_ok_and(|t| t.is_dir());
        if is_folder
            && let Ok(file) = File::open(entry.path())
            && file.try_lock().is_ok()
        {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;

    #[test]
    fn what_nobody_holds_is_swept() {
        let base = tempfile::tempdir().unwrap();
        let mine = folder_in(base.path()).unwrap();
        fs::write(mine.0.path().join("half"), "written").unwrap();
        let gone = base.path().join(".bitterend-gone");
        fs::create_dir_all(gone.join("charts")).unwrap();
        let aside = base.path().join(".bitterend-x-old");
        fs::create_dir(&aside).unwrap();
        let other = base.path().join("diary");
        fs::create_dir(&other).unwrap();
        sweep(base.path());
        assert!(mine.0.path().join("half").exists());
        assert!(!gone.exists());
        assert!(aside.exists() && other.exists());
        let path = mine.0.keep();
        drop(mine.1);
        sweep(base.path());
        assert!(!path.exists());
    }
}
