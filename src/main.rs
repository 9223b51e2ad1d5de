//! The binary: hands the words typed to the library and its answer to the shell.
//!
//! Exit codes: 0 everything asked for was done and no verdict is against the line; 1 it was done, but a verdict is
//! "fails" or "not decided", or one of several pulls could not be analysed; 2 nothing could be done.

use std::process::ExitCode;

fn main() -> ExitCode {
    bitterend::cli::run(std::env::args_os()).into()
}
