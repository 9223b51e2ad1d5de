//! What was typed.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};

/// Reads the log of a pull test on a line held by a stopper: where the travel went, at what load the pair lets go, and
/// what that means aboard.
#[derive(Debug, Parser)]
#[command(
    name = "bitterend",
    version,
    arg_required_else_help = true,
    max_term_width = 100
)]
#[command(after_help = AFTER)]
pub(super) struct Args {
    #[command(subcommand)]
    pub command: Command,
    /// Only errors on stderr
    #[arg(long, short, global = true, conflicts_with = "verbose")]
    pub quiet: bool,
    /// Notes too on stderr, and where each result was written
    #[arg(long, short, global = true)]
    pub verbose: bool,
}

/// The examples are run as tests (tests/shell.rs).
const AFTER: &str = "\
Examples:
  bitterend simulate pull-1 --kind halyard    make a pull folder to play with
  bitterend check pull-1                      what was understood
  bitterend analyse pull-1                    report in pull-1/results
  bitterend analyse pull-1 --out -            the report to stdout, nothing written
  bitterend explain cover-slip                what a word of the report means

Exit codes: 0 done, and no verdict is against the line; 1 analysed, but a verdict is \"fails\" or \"not decided\", or \
one of several pulls failed, or a reproduction differs; 2 nothing could be done, wrong usage too.

Colour: only on a terminal, never with NO_COLOR set. Results go to stdout only when asked for, all else to stderr.";

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Write a commented test sheet to start from
    New {
        /// Folder of the pull; made if it does not exist
        folder: PathBuf,
        /// Log of the pull: its columns, units and rate are filled in; copied into the folder if it lies elsewhere
        #[arg(long, value_name = "FILE")]
        log: Option<PathBuf>,
    },
    /// Read everything and say what was understood; writes nothing
    Check {
        /// Folders of pulls, each with a sheet.toml
        #[arg(required = true, value_name = "FOLDER")]
        folders: Vec<PathBuf>,
    },
    /// Analyse pulls and write their reports
    Analyse(Wishes),
    /// Record digests, settings and version of a results folder, so that it can be checked later
    Seal(SealWishes),
    /// Make the results of a sealed folder again and say what differs
    #[command(
        after_help = "Exit codes: 0 the same; 1 something differs; 2 nothing could be compared."
    )]
    Reproduce {
        /// Sealed results folder
        results: PathBuf,
        /// Folder of the pull [default: the folder that holds the results]
        #[arg(long, value_name = "FOLDER")]
        pull: Option<PathBuf>,
        #[command(flatten)]
        signed_by: SignedBy,
    },
    /// Make a pull folder from a physical model of a line in a stopper, with the truth beside it
    Simulate {
        /// Folder to make; nothing in it is overwritten
        folder: PathBuf,
        /// What the pull is like
        #[arg(long, value_name = "KIND", default_value = crate::simulate::Kind::ALL[0].name(), value_parser = kinds())]
        kind: String,
        /// Seed of everything random
        #[arg(long, value_name = "N", default_value_t = 1)]
        seed: u64,
    },
    /// Say in half a page what a word of the report means: a part, a rule, a caveat, a head of a table
    #[command(after_help = "Example:\n  bitterend explain stopper-slip")]
    Explain {
        /// The word; without one, all of them are listed
        topic: Option<String>,
    },
    /// Print the completions of a shell
    #[command(
        after_help = "Example:\n  bitterend completions bash > ~/.local/share/bash-completion/completions/bitterend"
    )]
    Completions {
        /// The shell
        shell: clap_complete::Shell,
    },
    /// Print the man page
    #[command(after_help = "Example:\n  bitterend man > ~/.local/share/man/man1/bitterend.1")]
    Man,
    /// Print the JSON Schema of the sheet or of analysis.json
    Schema {
        /// Which one
        of: SchemaOf,
    },
}

/// `analyse`
#[derive(Debug, ClapArgs)]
#[command(after_help = "\
Examples:
  bitterend analyse pull-1 pull-2 --out season     reports in season/pull-1 and season/pull-2
  bitterend analyse pull-1 --json                  analysis.json to stdout as well
  bitterend analyse pull-1 --log - --out -         the log from stdin, the report to stdout

Exit codes: 0 no verdict is against the line; 1 a verdict is \"fails\" or \"not decided\", or one of several pulls failed; \
2 nothing could be analysed.")]
pub(super) struct Wishes {
    /// Folders of pulls, each with a sheet.toml
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Where results go: DIR for one folder, DIR/<folder name> for several; `-`: report.md to stdout, nothing is written
    /// [default: FOLDER/results]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Log to read in place of the one that the sheet names; `-`: from stdin
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// Rows of traces.parquet: means of blocks above 200,000 rows, or all
    #[arg(long, value_name = "ROWS", default_value = "blocks")]
    pub traces: TraceRows,
    /// Also print analysis.json to stdout, one document per pull
    #[arg(long)]
    pub json: bool,
}

/// `seal`
#[derive(Debug, ClapArgs)]
pub(super) struct SealWishes {
    /// Results folder that `analyse` wrote
    pub results: PathBuf,
    /// Folder of the pull [default: the folder that holds the results]
    #[arg(long, value_name = "FOLDER")]
    pub pull: Option<PathBuf>,
    /// SSH key to sign with; `ssh-keygen -Y verify -n bitterend` checks it
    #[arg(long, value_name = "FILE")]
    pub key: Option<PathBuf>,
}

/// Whose signature is wanted.
#[derive(Debug, ClapArgs)]
pub(super) struct SignedBy {
    /// Whom to trust: a file of allowed signers, as ssh-keygen takes it
    #[arg(long, value_name = "FILE", requires = "identity")]
    pub signers: Option<PathBuf>,
    /// Who must have signed, by a name of that file
    #[arg(long, value_name = "NAME", requires = "signers")]
    pub identity: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum TraceRows {
    /// Means of blocks above 200,000 rows
    Blocks,
    /// Every row
    All,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum SchemaOf {
    /// seal.json
    Seal,
    /// sheet.toml
    Sheet,
    /// analysis.json
    Analysis,
}

fn kinds() -> clap::builder::PossibleValuesParser {
    clap::builder::PossibleValuesParser::new(crate::simulate::Kind::ALL.iter().map(|k| k.name()))
}
