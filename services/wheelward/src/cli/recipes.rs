//! The command line of `wheelward recipe`.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use facts::{BatchId, RecipeId};

use super::{RecordArgs, SourceArgs};

#[derive(Subcommand)]
pub enum RecipeCommand {
    /// Check recipe files; errors name line and column.
    Check {
        /// Recipe files.
        #[arg(required = true)]
        files: Vec<PathBuf>,
    },
    /// A recipe drawn over a wheel's age, and its rules in words.
    Show {
        /// The recipe file.
        file: PathBuf,
        /// Print JSON for machines.
        #[arg(long)]
        json: bool,
    },
    /// What differs between two recipes, and what that changes for the wheels on a floor.
    Compare(CompareArgs),
    /// Let a batch in a file of facts ripen by another recipe or version from then on. On a
    /// running floor a manager who may release holds does it in the browser, under Write down.
    Move(Box<MoveArgs>),
}

#[derive(Args)]
pub struct CompareArgs {
    /// The recipe that wheels go by.
    pub a: PathBuf,
    /// The recipe that they would go by instead.
    pub b: PathBuf,
    /// A file of facts, one CloudEvent a line: whose wheels would change.
    #[arg(long, requires = "at", requires = "site")]
    pub replay: Option<PathBuf>,
    /// The instant to look from (RFC 3339). Later facts are left out.
    #[arg(long, requires = "replay", value_parser = quantity::calendar::read_instant)]
    pub at: Option<chrono::DateTime<chrono::Utc>>,
    /// The site file, whose clock and other recipes are used.
    #[arg(long, requires = "replay")]
    pub site: Option<PathBuf>,
    /// Print JSON for machines.
    #[arg(long)]
    pub json: bool,
}

#[derive(Args)]
pub struct MoveArgs {
    /// The batch.
    pub batch: BatchId,
    /// The recipe it ripens by from now on.
    #[arg(long)]
    pub to: RecipeId,
    /// That recipe's version.
    #[arg(long)]
    pub version: u32,
    /// Why, in a few words; it is kept with the batch.
    #[arg(long, value_parser = clap::builder::NonEmptyStringValueParser::new())]
    pub reason: String,
    #[command(flatten)]
    pub source: SourceArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}
