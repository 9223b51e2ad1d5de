//! What was typed.

use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};

use crate::compare::{By, Spread};
use crate::sheet::Rule;

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
    /// Compare many pulls: repeats, pairs, treatments, wear, diameter
    Compare(Matrix),
    /// Plan pulls: how many, in which order, with which steps, and which stopper to try
    Plan(PlanWishes),
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
    /// Print the JSON Schema of the sheet, of analysis.json, of comparison.json or of seal.json, or the columns of a table
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
    /// Keep results that were made by this version, with these settings, from the very same inputs: goes on with a batch
    /// that was interrupted
    #[arg(long, conflicts_with = "json")]
    pub resume: bool,
    /// Also print analysis.json to stdout, one document per pull
    #[arg(long)]
    pub json: bool,
}

/// `compare`
#[derive(Debug, ClapArgs)]
pub(super) struct Matrix {
    /// Folders of pulls, folders that hold them, results with an analysis.json, or tables of pulls (.parquet)
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// What is compared
    #[arg(long, value_name = "WHAT", default_value = "pair")]
    pub by: ByWord,
    /// Where the results go [default: ./comparison]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Rule whose loads are compared [default: the one that governs most pulls]
    #[arg(long, value_name = "RULE")]
    pub rule: Option<RuleWord>,
    /// Share of lines that must hold more than the tolerance bound [default: the sheets', else 90 %]
    #[arg(long, value_name = "SHARE")]
    pub share: Option<String>,
    /// Confidence of the tolerance bound [default: the sheets', else 95 %]
    #[arg(long, value_name = "SHARE")]
    pub confidence: Option<String>,
    /// Smallest difference that matters, such as "5 %"
    #[arg(long, value_name = "SHARE")]
    pub matters: Option<String>,
    /// Whether each group scatters in its own way; `common` assumes one scatter, which helps where pulls are few
    #[arg(long, value_name = "SCATTER", default_value = "own")]
    pub spread: SpreadWord,
    /// A diameter that was not tested, such as "9 mm": predicted from the others
    #[arg(long, value_name = "LENGTH")]
    pub diameter: Option<String>,
    /// Also print comparison.json to stdout
    #[arg(long)]
    pub json: bool,
}

/// `plan`
#[derive(Debug, ClapArgs)]
pub(super) struct PlanWishes {
    /// Pulls already made, as for `compare`: scatter, pairs and candidates come from them
    #[arg(value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Folder with the sheet of the pull to come; its log need not be there
    #[arg(long, value_name = "FOLDER")]
    pub sheet: Option<PathBuf>,
    /// Smallest difference to be found [default: 10 %]
    #[arg(long, value_name = "SHARE")]
    pub difference: Option<String>,
    /// Scatter between pulls of one pair [default: that of the pulls given]
    #[arg(long, value_name = "SHARE")]
    pub spread: Option<String>,
    /// Pairs to compare [default: those of the pulls given, else 2]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(usize))]
    pub pairs: Option<usize>,
    /// Probability of finding the difference [default: 80 %]
    #[arg(long, value_name = "SHARE")]
    pub power: Option<String>,
    /// Share of lines that must hold the load [default: 90 %]
    #[arg(long, value_name = "SHARE")]
    pub share: Option<String>,
    /// Confidence of that [default: 95 %]
    #[arg(long, value_name = "SHARE")]
    pub confidence: Option<String>,
    /// Load that must be held, such as "8 kN" [default: the proof load of the sheet]
    #[arg(long, value_name = "LOAD")]
    pub load: Option<String>,
    /// Diameter of the line that a stopper is sought for [default: that of the sheet]
    #[arg(long, value_name = "LENGTH")]
    pub diameter: Option<String>,
    /// Sessions to spread the pulls over
    #[arg(long, value_name = "N", default_value_t = 2)]
    pub sessions: usize,
    /// Seed of the order
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Write report.md, report.html and plan.json there instead of printing the plan
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum ByWord {
    /// Line, stopper and treatment together
    Pair,
    /// What was done to the line
    Treatment,
    /// The sort of line
    Line,
    /// The sort of stopper
    Stopper,
    /// The session
    Session,
    /// The rig
    Rig,
}

impl From<ByWord> for By {
    fn from(word: ByWord) -> Self {
        match word {
            ByWord::Pair => Self::Pair,
            ByWord::Treatment => Self::Treatment,
            ByWord::Line => Self::Line,
            ByWord::Stopper => Self::Stopper,
            ByWord::Session => Self::Session,
            ByWord::Rig => Self::Rig,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum RuleWord {
    /// First progressive slip
    FirstSlip,
    /// What the sheet allows
    Allowance,
    /// Mean load while the line runs through
    Running,
}

impl From<RuleWord> for Rule {
    fn from(word: RuleWord) -> Self {
        match word {
            RuleWord::FirstSlip => Self::FirstSlip,
            RuleWord::Allowance => Self::Allowance,
            RuleWord::Running => Self::Running,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum SpreadWord {
    /// Each group its own
    Own,
    /// One for all
    Common,
}

impl From<SpreadWord> for Spread {
    fn from(word: SpreadWord) -> Self {
        match word {
            SpreadWord::Own => Self::Own,
            SpreadWord::Common => Self::Common,
        }
    }
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
    /// comparison.json
    Comparison,
    /// Columns of traces.parquet
    #[cfg(feature = "parquet")]
    Traces,
    /// Columns of pulls.parquet
    #[cfg(feature = "parquet")]
    Pulls,
}

fn kinds() -> clap::builder::PossibleValuesParser {
    clap::builder::PossibleValuesParser::new(crate::simulate::Kind::ALL.iter().map(|k| k.name()))
}
