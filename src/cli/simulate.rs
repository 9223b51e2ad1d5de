//! `simulate`: a pull folder from a model, with its truth.

use std::path::Path;

use super::console::Console;
use super::fault::Fault;
use super::files;
use crate::simulate::{self, Kind};

/// Writes a simulated pull into a folder; overwrites nothing.
///
/// # Errors
/// A file exists already, or the system's.
pub(super) fn run(folder: &Path, kind: &str, seed: u64, console: &Console) -> Result<(), Fault> {
    let Some(kind) = Kind::from_name(kind) else {
        let known: Vec<_> = Kind::ALL.iter().map(|k| k.name()).collect();
        return Err(Fault::new(
            format!("`{kind}` is no kind of simulated pull"),
            format!("kinds: {}", known.join(", ")),
        ));
    };
    let pull = simulate::pull(kind, seed);
    files::write_new(folder, &pull.files)?;
    console.say(&format!(
        "{}: simulated pull, kind {}, seed {seed}",
        folder.display(),
        kind.name()
    ));
    Ok(())
}
