//! Exit codes.

use std::process::ExitCode;

/// How a run ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// Everything asked for was done, and no verdict is against the line. Also when the reader closed the pipe.
    Done = 0,
    /// Analysed, but a verdict is "fails" or "not decided", or one of several pulls could not be analysed.
    NotPassed = 1,
    /// Nothing could be done; wrong usage too.
    Nothing = 2,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}
