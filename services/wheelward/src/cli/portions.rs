//! The command line of `wheelward portions`.

use std::path::PathBuf;

use chrono::{DateTime, Utc};
use clap::{Args, ValueEnum};
use facts::{BatchId, PersonId};

use super::FactsArgs;

#[derive(Args)]
pub struct PortionsArgs {
    /// The site file, whose recipes and clock are used.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// One vat, with its finished weights; without it, and without --person, every vat and
    /// everybody.
    #[arg(long)]
    pub batch: Option<BatchId>,
    /// One person's portions.
    #[arg(long, conflicts_with = "batch")]
    pub person: Option<PersonId>,
    /// How many dairy days are looked back, unless a vat is named.
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=3650))]
    pub days: u16,
    /// How many portions, weighed one after the other, make a sample: 2 to 10.
    #[arg(long, default_value = "5")]
    pub sample: control::Size,
    /// What a kilogram of curd is worth, in your money.
    #[arg(long, value_name = "MONEY", value_parser = price)]
    pub price_per_kg: Option<f64>,
    /// As things stood then (RFC 3339): later facts are left out. The last fact if left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    /// Which chart is written: of a vat or a person. Without either it is that of everybody.
    #[arg(long, value_enum, default_value_t = Chart::Means)]
    pub chart: Chart,
    /// Write the chart as SVG.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Write the chart as PNG.
    #[arg(long, value_name = "FILE")]
    pub png: Option<PathBuf>,
    /// Write the report on a vat as an A4 PDF.
    #[arg(long, value_name = "FILE", requires = "batch")]
    pub pdf: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Chart {
    /// Means and ranges of samples, with their limits.
    Means,
    /// Every portion, with its tolerance.
    Portions,
}

fn price(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(price) if price.is_finite() && price >= 0.0 => Ok(price),
        _ => Err(format!("{text:?} is no price: write a number such as 9.50")),
    }
}
