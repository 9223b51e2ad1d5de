//! The command line: what was typed, files, the terminal, exit codes. Nothing below it touches any of them.
//!
//! `args` holds what was typed, `plan` where results go (proved writable before any work), `files` reads pull folders
//! and replaces results as a whole (`leftovers`: what killed runs left; `resume`: what stands already), `console` prints, `exit` knows the codes; one module per command.

mod analyse;
mod args;
mod check;
mod compare;
mod console;
mod exit;
mod fault;
mod files;
mod help;
mod leftovers;
mod new;
mod plan;
mod prepare;
mod resume;
mod seal;
mod simulate;
mod sources;

use std::ffi::OsString;

use clap::Parser as _;

pub use exit::Exit;

use args::{Args, Command};
use console::Console;

/// Runs the command that was typed.
#[must_use]
pub fn run(words: impl IntoIterator<Item = OsString>) -> Exit {
    let mut console = Console::new();
    let args = match Args::try_parse_from(words) {
        Ok(args) => args,
        Err(usage) => {
            // Help and version go to stdout, mistakes to stderr; a closed pipe is no mistake.
            let wrong = usage.use_stderr();
            let _ = usage.print();
            return if wrong { Exit::Nothing } else { Exit::Done };
        }
    };
    console.speak(args.quiet, args.verbose);
    let done = match args.command {
        Command::New { folder, log } => {
            new::run(&folder, log.as_deref(), &console).map(|()| Exit::Done)
        }
        Command::Check { folders } => Ok(check::run(&folders, &console)),
        Command::Analyse(wishes) => analyse::run(&wishes, &console),
        Command::Compare(wishes) => compare::run(&wishes, &console),
        Command::Plan(wishes) => prepare::run(&wishes, &console),
        Command::Seal(wishes) => seal::seal(&wishes, &console).map(|()| Exit::Done),
        Command::Reproduce {
            results,
            pull,
            signed_by,
        } => seal::reproduce(&results, pull.as_deref(), &signed_by, &console),
        Command::Simulate { folder, kind, seed } => {
            simulate::run(&folder, &kind, seed, &console).map(|()| Exit::Done)
        }
        Command::Explain { topic } => {
            help::explain(topic.as_deref(), &console).map(|()| Exit::Done)
        }
        Command::Completions { shell } => {
            console.result(help::completions(shell).trim_end());
            Ok(Exit::Done)
        }
        Command::Man => help::man().map(|text| {
            console.result(text.trim_end());
            Exit::Done
        }),
        Command::Schema { of } => help::schema(of).map(|text| {
            console.result(text.trim_end());
            Exit::Done
        }),
    };
    match done {
        Ok(_) if console.is_closed() => Exit::Done,
        Ok(exit) => exit,
        Err(fault) => {
            console.fault(&fault);
            Exit::Nothing
        }
    }
}
