//! The command line of `wheelward papers`.

use std::path::PathBuf;

use chrono::{DateTime, NaiveDate, Utc};
use clap::{Args, Subcommand};
use facts::{BatchId, LotId, PersonId};

use super::FactsArgs;

#[derive(Subcommand)]
pub enum PapersCommand {
    /// Traceability records as sortable sheets: CSV and XLSX, with the key to read them.
    Sheets(SheetsArgs),
    /// A batch's file: lots, readings, checks, deviations, results, wheels, signatures (PDF).
    Batch(BatchFileArgs),
    /// Drafts of what customers are told in a recall.
    Notices(NoticesArgs),
    /// Facts as an EPCIS 2.0 document (JSON-LD).
    Epcis(EpcisArgs),
    /// A supplier's EPCIS message: what came in, and what has to be looked at.
    Import(ImportArgs),
    /// The checks of the HACCP plan: done, missed, out of limits.
    Checks(ChecksArgs),
}

/// Whose papers.
#[derive(Args)]
pub struct DairyArgs {
    /// The papers file: addresses, product descriptions, keys.
    #[arg(long, env = "WHEELWARD_PAPERS", value_name = "FILE")]
    pub papers: PathBuf,
    /// The site file, whose clock is used.
    #[arg(long, env = "WHEELWARD_SITE", value_name = "FILE")]
    pub site: PathBuf,
    /// As things stood then (RFC 3339): later facts are left out. Now if left out; of files,
    /// the last fact.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Args)]
pub struct SheetsArgs {
    /// Where the sheets go: a folder, made if it is not there.
    #[arg(long)]
    pub out: PathBuf,
    /// The first date asked for.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub from: Option<NaiveDate>,
    /// The last date asked for.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub to: Option<NaiveDate>,
    /// Only this lot code; may be given more than once.
    #[arg(long)]
    pub lot: Vec<LotId>,
    #[command(flatten)]
    pub dairy: DairyArgs,
}

#[derive(Args)]
pub struct BatchFileArgs {
    /// The batch.
    pub batch: BatchId,
    /// The PDF.
    #[arg(long)]
    pub out: PathBuf,
    /// The safety file, whose checks go into it.
    #[arg(long, env = "WHEELWARD_SAFETY", value_name = "FILE")]
    pub safety: Option<PathBuf>,
    #[command(flatten)]
    pub dairy: DairyArgs,
}

#[derive(Args)]
pub struct NoticesArgs {
    /// The lot that is recalled.
    #[arg(long, required_unless_present = "batch", conflicts_with = "batch")]
    pub lot: Option<LotId>,
    /// The batch that is recalled.
    #[arg(long)]
    pub batch: Option<BatchId>,
    /// Where the drafts go: a folder, made if it is not there.
    #[arg(long)]
    pub out: PathBuf,
    /// Leave out what only touched a suspect wheel.
    #[arg(long)]
    pub no_contact: bool,
    #[command(flatten)]
    pub dairy: DairyArgs,
}

#[derive(Args)]
pub struct EpcisArgs {
    /// The document; standard output if none.
    #[arg(long)]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub dairy: DairyArgs,
}

#[derive(Args)]
pub struct ImportArgs {
    /// The message.
    pub message: PathBuf,
    /// The papers file, which says what suppliers' messages speak of.
    #[arg(long, env = "WHEELWARD_PAPERS", value_name = "FILE")]
    pub papers: PathBuf,
    /// Record what was taken on the running floor, under this badge. Without it nothing is
    /// recorded: look first.
    #[arg(long, value_name = "BADGE")]
    pub record: Option<PersonId>,
    #[command(flatten)]
    pub ask: super::AskArgs,
}

#[derive(Args)]
pub struct ChecksArgs {
    /// The safety file.
    #[arg(long, env = "WHEELWARD_SAFETY", value_name = "FILE")]
    pub safety: PathBuf,
    /// The site file, whose clock is used.
    #[arg(long, env = "WHEELWARD_SITE", value_name = "FILE")]
    pub site: PathBuf,
    /// As things stood then (RFC 3339).
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    /// List every check, also those in order.
    #[arg(long)]
    pub all: bool,
    #[command(flatten)]
    pub source: FactsArgs,
}
