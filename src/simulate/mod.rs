//! A line in a stopper, with its truth. (Interface only.)

/// Kind of a simulated pull.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Mostly stretches.
    Stretch,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 1] = [Self::Stretch];

    /// The word for the command line.
    #[must_use]
    pub fn name(self) -> &'static str {
        "stretch"
    }

    /// The kind of this name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// Files of a simulated pull: relative names and bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PullFolder {
    /// Name and bytes of each file.
    pub files: Vec<(String, Vec<u8>)>,
}

/// Makes a pull.
#[must_use]
pub fn pull(_kind: Kind, _seed: u64) -> PullFolder {
    PullFolder { files: Vec::new() }
}
