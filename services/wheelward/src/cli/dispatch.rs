//! The command line of `wheelward orders`, `wheelward promise` and `wheelward dispatch`.

use std::path::PathBuf;

use chrono::NaiveDate;
use clap::{Args, Subcommand};
use facts::{CustomerId, Grade, OrderId, PersonId, RecipeId};

use super::SourceArgs;

/// Whose orders, whose wheels, and who buys.
#[derive(Args)]
pub struct OfficeArgs {
    #[command(flatten)]
    pub source: SourceArgs,
    /// The customers file: who ships, markets, lanes, customers.
    #[arg(long, env = "WHEELWARD_CUSTOMERS")]
    pub customers: PathBuf,
    /// How many days are looked ahead.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u16).range(1..=200))]
    pub days: u16,
}

/// Where facts that a person states are recorded, and whose they are.
#[derive(Args)]
pub struct RecordArgs {
    /// The badge of whoever enters it.
    #[arg(long)]
    pub badge: Option<PersonId>,
    /// The file that new facts are appended to, when a file of facts is looked at.
    #[arg(long, requires = "replay", value_name = "FILE")]
    pub record: Option<PathBuf>,
}

#[derive(Subcommand)]
pub enum OrdersCommand {
    /// Place the orders of a CSV table: one row a line of an order. Nothing is placed while
    /// a row is wrong, unless the rest is accepted.
    Import(OrdersImportArgs),
    /// What is ordered, and what is odd about it.
    List(OfficeArgs),
    /// Cancel an order.
    Cancel(OrdersCancelArgs),
}

#[derive(Args)]
pub struct OrdersImportArgs {
    /// The table. Its heads: order, customer, arrive_on, recipe, grade, wheels or kg, and
    /// where wanted each_least_kg, each_most_kg, age_least_days, age_most_days,
    /// least_life_days, most_batches, least_per_batch, every_weeks, until.
    pub table: PathBuf,
    /// Place the orders that are right although others are left out.
    #[arg(long)]
    pub accept_the_rest: bool,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct OrdersCancelArgs {
    /// The order.
    pub order: OrderId,
    /// Why.
    #[arg(long)]
    pub reason: String,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct PromiseArgs {
    /// Who asks.
    #[arg(long)]
    pub customer: CustomerId,
    /// The cheese.
    #[arg(long)]
    pub recipe: RecipeId,
    /// The least grade accepted.
    #[arg(long, default_value = "A", value_parser = grade)]
    pub grade: Grade,
    /// How many wheels.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    pub wheels: u32,
    /// The day it should arrive by.
    #[arg(long)]
    pub by: NaiveDate,
    /// How sure it must be, percent.
    #[arg(long, default_value_t = 90, value_parser = clap::value_parser!(u8).range(1..=100))]
    pub sure: u8,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Subcommand)]
pub enum DispatchCommand {
    /// Which wheels go to which order, on which day, and what will be short.
    Plan(DispatchPlanArgs),
    /// What is fetched for one day, in the order of the rooms.
    Pick(DispatchPickArgs),
    /// The dispatch note of an order's wheels that left on a day, as PDF.
    Note(DispatchNoteArgs),
    /// The allocation as plain data, for another solver to check.
    Export(DispatchExportArgs),
}

#[derive(Args)]
pub struct DispatchPlanArgs {
    /// Yesterday's allocation, as --json wrote it: kept to where nothing better is found.
    #[arg(long)]
    pub yesterday: Option<PathBuf>,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Args)]
pub struct DispatchPickArgs {
    /// The day it leaves; today if left out.
    #[arg(long)]
    pub day: Option<NaiveDate>,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Args)]
pub struct DispatchNoteArgs {
    /// The order.
    pub order: OrderId,
    /// The dairy day it left on; today if left out.
    #[arg(long)]
    pub day: Option<NaiveDate>,
    /// The lane it goes by; the customer's usual one if left out.
    #[arg(long)]
    pub lane: Option<facts::LaneId>,
    /// The file to write.
    #[arg(long)]
    pub pdf: PathBuf,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Args)]
pub struct DispatchExportArgs {
    /// The file to write.
    #[arg(long)]
    pub out: PathBuf,
    #[command(flatten)]
    pub office: OfficeArgs,
}

fn grade(text: &str) -> Result<Grade, String> {
    let sold = [Grade::A, Grade::B, Grade::C];
    let known = sold.into_iter().find(|grade| grade.to_string() == text);
    known.ok_or_else(|| format!("{text:?} is no grade that is sold: write A, B or C"))
}
