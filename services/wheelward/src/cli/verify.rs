//! The command line of `wheelward verify`, `seal` and `archive`.

use std::path::PathBuf;

use clap::Args;

use super::FactsArgs;

/// The folder of records that was named, or the running floor's own.
pub fn records(named: Option<&PathBuf>, source: &FactsArgs) -> PathBuf {
    let own = || source.ask.data.join("records");
    named.cloned().unwrap_or_else(own)
}

#[derive(Args)]
pub struct VerifyArgs {
    /// An archive's folder, instead of a running floor or files.
    #[arg(long, conflicts_with = "facts", value_name = "FOLDER")]
    pub archive: Option<PathBuf>,
    /// The folder with ledger and seals; of an archive, its own; else `records` in the floor's
    /// data folder.
    #[arg(long, env = "WHEELWARD_RECORDS")]
    pub records: Option<PathBuf>,
    /// The site's public key, from a printed copy; may be given more than once. Without one
    /// the key in the folder is believed.
    #[arg(long)]
    pub key: Vec<seal::PublicKey>,
    /// A seal that lay elsewhere, as text scanned from its print; may be given more than
    /// once. It must be among those in the folder.
    #[arg(long, value_name = "FILE")]
    pub seal: Vec<PathBuf>,
    /// A folder of copies of the seals that lay elsewhere (`seal_copies` in the site file); may
    /// be given more than once. Each must be among those in the records folder.
    #[arg(long, value_name = "FOLDER")]
    pub seals: Vec<PathBuf>,
    /// A seal's mark as it was told on its day, for example 17-0a1b-2c3d-4e5f-6071; may be given
    /// more than once.
    #[arg(long)]
    pub mark: Vec<seal::Mark>,
    /// Say which files of an archive are older than so many months and may be deleted by a
    /// person; at least 24, as 21 CFR 1.1455 asks.
    #[arg(long, requires = "archive", value_parser = clap::value_parser!(u32).range(24..=1200))]
    pub keep_months: Option<u32>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Args)]
pub struct SealArgs {
    /// The folder with ledger, seals and key, made if it is not there; `records` in the
    /// floor's data folder if left out.
    #[arg(long, env = "WHEELWARD_RECORDS")]
    pub records: Option<PathBuf>,
    /// The dairy day that the seal is for; today if left out.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub day: Option<chrono::NaiveDate>,
    /// Also write the seal as a QR symbol (SVG), to be printed.
    #[arg(long, value_name = "FILE")]
    pub qr: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Args)]
pub struct ArchiveArgs {
    /// The new folder.
    #[arg(long)]
    pub out: PathBuf,
    /// The folder with ledger, seals and key; `records` in the floor's data folder if left
    /// out.
    #[arg(long, env = "WHEELWARD_RECORDS")]
    pub records: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}
