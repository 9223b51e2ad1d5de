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
#[command(
    after_help = "Exit codes: 0 done, and no verdict is against the line; 1 analysed, but a verdict is \"fails\" or \
\"not decided\", or one of several pulls failed; 2 nothing could be done."
)]
pub(super) struct Args {
    #[command(subcommand)]
    pub command: Command,
}

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
    /// Print the JSON Schema of the sheet or of analysis.json
    Schema {
        /// Which one
        of: SchemaOf,
    },
}

/// `analyse`
#[derive(Debug, ClapArgs)]
pub(super) struct Wishes {
    /// Folders of pulls, each with a sheet.toml
    #[arg(required = true, value_name = "FOLDER")]
    pub folders: Vec<PathBuf>,
    /// Where results go: DIR for one folder, DIR/<folder name> for several [default: FOLDER/results]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
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

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum TraceRows {
    /// Means of blocks above 200,000 rows
    Blocks,
    /// Every row
    All,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum SchemaOf {
    /// sheet.toml
    Sheet,
    /// analysis.json
    Analysis,
}

fn kinds() -> clap::builder::PossibleValuesParser {
    clap::builder::PossibleValuesParser::new(crate::simulate::Kind::ALL.iter().map(|k| k.name()))
}
