//! The command line of `wheelward orders`, `wheelward promise` and `wheelward dispatch`.

use std::path::PathBuf;

use chrono::NaiveDate;
use clap::{Args, Subcommand};
use facts::{CustomerId, Grade, OrderId, PersonId, RecipeId, WheelId};
use quantity::Grams;

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
    #[arg(long, default_value_t = dispatcher::AHEAD_DAYS, value_parser = clap::value_parser!(u16).range(1..=200))]
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
    /// Place one order of one line.
    Place(OrdersPlaceArgs),
    /// Change an order: what is said here replaces its day, its lines and how it comes
    /// again.
    Change(OrdersChangeArgs),
    /// What is ordered, and what is odd about it.
    List(OfficeArgs),
    /// Cancel an order.
    Cancel(OrdersCancelArgs),
    /// Note that the customer was told what comes, as it is allocated now. From then on it
    /// is kept to.
    Confirm(OrdersConfirmArgs),
    /// Note that wheels arrived: how long the road took is learned from it.
    Delivered(OrdersDeliveredArgs),
    /// Note that the customer did not take wheels that arrived.
    Refused(OrdersRefusedArgs),
    /// Note that wheels came back. They are graded again before they are promised again.
    Returned(OrdersRefusedArgs),
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
    /// The rows say what orders are changed to that are there already.
    #[arg(long)]
    pub change: bool,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct OrdersPlaceArgs {
    /// The order's number.
    pub order: OrderId,
    /// Who orders.
    #[arg(long)]
    pub customer: CustomerId,
    #[command(flatten)]
    pub says: OrderSays,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct OrdersChangeArgs {
    /// The order.
    pub order: OrderId,
    #[command(flatten)]
    pub says: OrderSays,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

/// What an order of one line says.
#[derive(Args)]
pub struct OrderSays {
    /// The day it must arrive by; of a standing order, the first.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub arrive_on: NaiveDate,
    /// The cheese.
    #[arg(long)]
    pub recipe: RecipeId,
    /// The least grade accepted.
    #[arg(long, default_value = "A", value_parser = grade)]
    pub grade: Grade,
    /// How many wheels.
    #[arg(long, required_unless_present = "kg", conflicts_with = "kg")]
    pub wheels: Option<u32>,
    /// How many kilograms in all, instead of wheels.
    #[arg(long, value_parser = kilograms)]
    pub kg: Option<Grams>,
    /// What each wheel may weigh at least, kg.
    #[arg(long, value_parser = kilograms, requires = "each_most_kg")]
    pub each_least_kg: Option<Grams>,
    /// What each wheel may weigh at most, kg.
    #[arg(long, value_parser = kilograms, requires = "each_least_kg")]
    pub each_most_kg: Option<Grams>,
    /// The least age on arrival, days; the market's own if left out.
    #[arg(long, requires = "age_most_days")]
    pub age_least_days: Option<u16>,
    /// The greatest age on arrival, days.
    #[arg(long, requires = "age_least_days")]
    pub age_most_days: Option<u16>,
    /// Days that must be left before best-before on arrival.
    #[arg(long)]
    pub least_life_days: Option<u16>,
    /// From how many batches at most.
    #[arg(long)]
    pub most_batches: Option<u16>,
    /// How many wheels of any one batch at least.
    #[arg(long)]
    pub least_per_batch: Option<u16>,
    /// It comes again every so many weeks.
    #[arg(long)]
    pub every_weeks: Option<u8>,
    /// The last day it comes again.
    #[arg(long, requires = "every_weeks", value_parser = quantity::calendar::read_date)]
    pub until: Option<NaiveDate>,
    /// Arrivals that are left out.
    #[arg(long, requires = "every_weeks", value_delimiter = ',', value_parser = quantity::calendar::read_date)]
    pub except: Vec<NaiveDate>,
}

#[derive(Args)]
pub struct OrdersConfirmArgs {
    /// The order.
    pub order: OrderId,
    /// Which arrival; the next one that is open if left out.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub arrive_on: Option<NaiveDate>,
    /// Also when wheels are missing: the customer was told of those that are there.
    #[arg(long)]
    pub partly: bool,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct OrdersDeliveredArgs {
    /// The order.
    pub order: OrderId,
    /// Which wheels; all that left and did not arrive yet if left out.
    #[arg(long, value_delimiter = ',')]
    pub wheels: Vec<WheelId>,
    /// When they arrived (RFC 3339); now if left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub arrived: Option<chrono::DateTime<chrono::Utc>>,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct OrdersRefusedArgs {
    /// The order.
    pub order: OrderId,
    /// Which wheels.
    #[arg(long, value_delimiter = ',', required = true)]
    pub wheels: Vec<WheelId>,
    /// Why.
    #[arg(long)]
    pub reason: String,
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
    #[arg(long, value_parser = quantity::calendar::read_date)]
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
    /// Put an order's fetched wheels into cases and pallets, each with a number of its own.
    Pack(DispatchPackArgs),
    /// The dispatch note of an order's wheels that left on a day, as PDF.
    Note(DispatchNoteArgs),
    /// How many vats to make in the coming twelve weeks.
    Makes(DispatchMakesArgs),
    /// How it went: ages on arrival, what came of what was ordered, what is left over.
    Report(DispatchReportArgs),
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
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub day: Option<NaiveDate>,
    /// Fetch this order, wheel by wheel: each line read from standard input is a scanned
    /// wheel, or the kilograms that the last one weighs.
    #[arg(long)]
    pub scan: Option<OrderId>,
    /// The scale that wheels are weighed on.
    #[arg(long, requires = "scan")]
    pub scale: Option<facts::ToolId>,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct DispatchPackArgs {
    /// The order.
    pub order: OrderId,
    /// Which wheels; all that were fetched for it and are in no case yet if left out.
    #[arg(long, value_delimiter = ',')]
    pub wheels: Vec<WheelId>,
    /// A folder that labels of cases and pallets are written to, as PNG of 203 dpi. Case
    /// labels are printed by the label printer as well.
    #[arg(long)]
    pub labels: Option<PathBuf>,
    #[command(flatten)]
    pub office: OfficeArgs,
    #[command(flatten)]
    pub record: RecordArgs,
}

#[derive(Args)]
pub struct DispatchMakesArgs {
    /// Vats that are planned already, and how many wheels a stillage takes.
    #[arg(long)]
    pub makes: Option<PathBuf>,
    /// The crew file: without it, people's minutes are not counted.
    #[arg(long, env = "WHEELWARD_CREW")]
    pub crew: Option<PathBuf>,
    /// What a vat gives; what the last vats gave if left out.
    #[arg(long)]
    pub wheels_per_vat: Option<u32>,
    /// Most vats in a week.
    #[arg(long)]
    pub most_vats: Option<usize>,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Args)]
pub struct DispatchReportArgs {
    /// The first day of arrival that counts; twelve weeks before the last if left out.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub from: Option<NaiveDate>,
    /// The last; yesterday if left out.
    #[arg(long, value_parser = quantity::calendar::read_date)]
    pub until: Option<NaiveDate>,
    #[command(flatten)]
    pub office: OfficeArgs,
}

#[derive(Args)]
pub struct DispatchNoteArgs {
    /// The order.
    pub order: OrderId,
    /// The dairy day it left on; today if left out.
    #[arg(long, value_parser = quantity::calendar::read_date)]
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

/// `4.215`, or `4,215` where people write it so.
pub fn kilograms(text: &str) -> Result<Grams, String> {
    let wrong = || format!("{text:?}: write kilograms such as 4.215");
    let kilograms: f64 = text.replace(',', ".").parse().map_err(|_| wrong())?;
    if !(0.001..=2_000.0).contains(&kilograms) {
        return Err(wrong());
    }
    Grams::new((kilograms * 1_000.0).round() as u32).map_err(|_| wrong())
}
