//! What went wrong, in the form that users see: one line, its causes, a blank line, a hint.

use std::error::Error;
use std::path::Path;

use crate::ingest::IngestError;
use crate::pipeline::Failure;
use crate::sheet::SheetError;

/// A mistake or mishap, ready to be shown.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fault {
    pub message: String,
    pub causes: Vec<String>,
    pub hint: Option<String>,
}

impl Fault {
    pub(super) fn new(message: impl Into<String>, hint: impl Into<String>) -> Self {
        Self {
            message: message.into(),
            causes: Vec::new(),
            hint: Some(hint.into()),
        }
    }

    /// The system refused something that has to do with `path`.
    pub(super) fn io(path: &Path, doing: &str, error: &std::io::Error) -> Self {
        use std::io::ErrorKind;
        let hint = match error.kind() {
            ErrorKind::PermissionDenied | ErrorKind::ReadOnlyFilesystem => {
                Some("check who may read and write there, or choose another folder with --out".to_owned())
            }
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
                Some("free some space, or choose another disk with --out; an older result was left as it was".to_owned())
            }
            ErrorKind::NotFound => Some("check the spelling of the path".to_owned()),
            _ => None,
        };
        Self {
            message: format!("{}: {doing}", path.display()),
            causes: vec![error.to_string()],
            hint,
        }
    }

    pub(super) fn sheet(folder: &Path, error: &SheetError) -> Self {
        Self {
            message: inside(folder, &error.to_string()),
            causes: causes(error),
            hint: error.hint(),
        }
    }

    pub(super) fn ingest(folder: &Path, error: &IngestError) -> Self {
        Self {
            message: inside(folder, &error.to_string()),
            causes: causes(error),
            hint: error.hint(),
        }
    }

    pub(super) fn pipeline(folder: &Path, error: &Failure) -> Self {
        Self {
            message: format!("{}: {error}", folder.display()),
            causes: causes(error),
            hint: error.hint(),
        }
    }

    pub(super) fn export(folder: &Path, error: &dyn Error) -> Self {
        Self {
            message: format!("{}: {error}", folder.display()),
            causes: causes(error),
            hint: None,
        }
    }
}

/// Errors of files begin with the name of the file in its folder.
fn inside(folder: &Path, message: &str) -> String {
    if folder.as_os_str().is_empty() {
        return message.to_owned();
    }
    // `join` puts the separator of this system.
    folder.join(message).display().to_string()
}

fn causes(error: &dyn Error) -> Vec<String> {
    let mut causes = Vec::new();
    let mut next = error.source();
    while let Some(cause) = next {
        causes.push(cause.to_string());
        next = cause.source();
    }
    causes
}
