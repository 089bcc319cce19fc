//! The command line of `wheelward yield`.

use std::path::PathBuf;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use facts::BatchId;

use super::FactsArgs;

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct YieldArgs {
    #[command(subcommand)]
    pub command: Option<YieldCommand>,
    /// One make, with its balance; every make if left out.
    pub batch: Option<BatchId>,
    /// The site file, whose clock is used.
    #[arg(long, env = "WHEELWARD_SITE", required = true)]
    pub site: Option<PathBuf>,
    /// As things stood then (RFC 3339): later facts are left out. The last fact if left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    /// How many dairy days are looked back.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u16).range(1..=3650))]
    pub days: u16,
    /// Moisture of the finished cheese, %, for what the milk should give.
    #[arg(long, default_value_t = 43.0, value_parser = moisture)]
    pub moisture: f64,
    /// Share of the milk's fat that the cheese keeps, %.
    #[arg(long, default_value_t = 85.0, value_parser = moisture)]
    pub fat_kept: f64,
    /// Write the chart of yields as SVG.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Write the chart of yields as PNG.
    #[arg(long, value_name = "FILE")]
    pub png: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Subcommand)]
pub enum YieldCommand {
    /// How much of two milks, or of milk and cream, make a wanted fat (Pearson's square).
    Mix(MixArgs),
}

#[derive(Args)]
pub struct MixArgs {
    /// Fat of the first, % by mass.
    #[arg(long, value_name = "PERCENT")]
    pub first: f64,
    /// Fat of the second, % by mass.
    #[arg(long, value_name = "PERCENT")]
    pub second: f64,
    /// Fat that is wanted, % by mass.
    #[arg(long, value_name = "PERCENT")]
    pub wanted: f64,
    /// Kilograms of the mixture.
    #[arg(long, default_value_t = 100.0, value_parser = kilograms)]
    pub kg: f64,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

fn kilograms(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > 0.0 && value <= 100_000.0 => Ok(value),
        _ => Err(format!("{text:?} is not a mass up to 100 000 kg")),
    }
}

fn moisture(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if (1.0..=95.0).contains(&value) => Ok(value),
        _ => Err(format!("{text:?} is not from 1 to 95 %")),
    }
}
