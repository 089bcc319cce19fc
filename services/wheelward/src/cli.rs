//! The command line.

mod dispatch;
mod forecast;
mod labels;
mod listen;
mod papers;
mod portions;
mod recall;
mod recipes;
mod verify;
mod yields;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};
use facts::{BatchId, RoomId, WheelId};

pub use self::dispatch::{
    DispatchCommand, DispatchExportArgs, DispatchMakesArgs, DispatchNoteArgs, DispatchPackArgs,
    DispatchPickArgs, DispatchPlanArgs, DispatchReportArgs, OfficeArgs, OrderSays,
    OrdersCancelArgs, OrdersChangeArgs, OrdersCommand, OrdersConfirmArgs, OrdersDeliveredArgs,
    OrdersImportArgs, OrdersPlaceArgs, OrdersRefusedArgs, PromiseArgs, RecordArgs, kilograms,
};
pub use self::forecast::{ForecastArgs, ForecastChart, ForecastCommand, ScoreArgs};
pub use labels::{
    AnswerArgs, LabelCommand, LabelKind, PreviewArgs, ReprintArgs, Said, SheetArgs, SheetKind,
};
pub use listen::ListenArgs;
pub use papers::{
    BatchFileArgs, ChecksArgs, DairyArgs, EpcisArgs, ImportArgs, NoticesArgs, PapersCommand,
    SheetsArgs,
};
pub use portions::{Chart, PortionsArgs};
pub use recall::{FactsArgs, RecallArgs};
pub use recipes::{CompareArgs, MoveArgs, RecipeCommand};
pub use verify::{ArchiveArgs, SealArgs, VerifyArgs, records as records_folder};
pub use yields::{MixArgs, YieldArgs, YieldCommand};

/// Something went wrong; the message says what to do.
pub const FAILED: u8 = 1;
/// Nobody answered: no broker, or no scheduler.
pub const NO_ANSWER: u8 = 3;
/// A file is wrong; the message names line and column.
pub const BAD_FILE: u8 = 4;

/// Raised when a file that a person wrote is wrong.
#[derive(Debug)]
pub struct BadFile(pub String);

impl std::fmt::Display for BadFile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for BadFile {}

/// The exit code for an error.
pub fn exit_code(error: &anyhow::Error) -> u8 {
    if error.is::<BadFile>() {
        return BAD_FILE;
    }
    match error.downcast_ref::<bus::BusError>() {
        Some(
            bus::BusError::NobodyAnswers { .. }
            | bus::BusError::Unanswered { .. }
            | bus::BusError::Unread { .. }
            | bus::BusError::StillReading { .. },
        ) => NO_ANSWER,
        _ => FAILED,
    }
}

/// What every wheel on a blue-cheese dairy's floor needs next, from scans, weighings and
/// room sensors.
///
/// Wheelward advises and records; it never releases food by itself. Follow the dairy's
/// own HACCP plan and the local codes.
///
/// Exit codes: 0 done; 1 failed; 2 wrong usage; 3 nobody answered (no broker, no
/// scheduler, or one that is still reading); 4 a file is wrong (the message names line and column).
#[derive(Parser)]
#[command(name = "wheelward", version)]
pub struct Cli {
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Subcommand)]
pub enum Command {
    /// Run every worker of a site, with a broker of its own unless one is given.
    Up(UpArgs),
    /// Run one worker alone against a broker.
    Worker(WorkerArgs),
    /// What a broker of the dairy's own has to know.
    #[command(subcommand)]
    Broker(BrokerCommand),
    /// What is due: by room, by time.
    Due(DueArgs),
    /// One wheel's whole life and what it needs next.
    Wheel(WheelArgs),
    /// One batch: its make record and its wheels.
    Batch(BatchArgs),
    /// The floor at a glance.
    Floor(FloorArgs),
    /// Fold a file of facts, without a broker, and show the same views.
    Replay(ReplayArgs),
    /// The plan for the day, over a rolling fortnight.
    Plan(PlanArgs),
    /// How full the rooms will be.
    Rooms(RoomsArgs),
    /// What was missed today, or this week.
    RollCall(RollCallArgs),
    /// Portion weights: by vat and by person, in control or not, and the curd given away.
    Portions(PortionsArgs),
    /// Everything made of a lot, everything that touched that, and who has it; or a drill.
    Recall(RecallArgs),
    /// What others ask for: traceability sheets, batch files, notices, EPCIS, checks.
    #[command(subcommand)]
    Papers(PapersCommand),
    /// Whether the records are as they were sealed; names every fact that is not.
    Verify(VerifyArgs),
    /// Write the ledger up to now and seal it.
    Seal(SealArgs),
    /// Put the records into plain files that can be read and checked without this program.
    Archive(ArchiveArgs),
    /// When batches and wheels are ready and what they will weigh, how sure that is, and
    /// what if.
    Forecast(ForecastArgs),
    /// What each vat gave, what it should have given, and where the rest went.
    Yield(YieldArgs),
    /// What customers ordered: placed from a table, listed, cancelled.
    #[command(subcommand)]
    Orders(OrdersCommand),
    /// Whether so many wheels can arrive by a day, how sure that is, or what can instead.
    Promise(PromiseArgs),
    /// Which wheel goes to which order and when; pick lists and dispatch notes.
    #[command(subcommand)]
    Dispatch(DispatchCommand),
    /// Check, show and compare recipes; move a batch to another one.
    #[command(subcommand)]
    Recipe(RecipeCommand),
    /// Previews and sheets of labels; what a label printer asks and is asked.
    #[command(subcommand)]
    Label(LabelCommand),
    /// Facts as files, and their schemas.
    #[command(subcommand)]
    Facts(FactsCommand),
    /// What lies in a station's outbox, also in a damaged one: facts that wait for the broker,
    /// that were sent and are kept, that the broker refused.
    Outbox(OutboxArgs),
    /// Look at an installation: broker, disk, workers, records, certificate, backup, printers,
    /// open ports; says what is wrong and what to do.
    Doctor(DoctorArgs),
    /// Watch a simulated dairy run through the real workers on a real broker.
    Demo(DemoArgs),
    /// Measure the spine: ratios in one run.
    Bench(BenchArgs),
    /// Check the files that people write; errors name line and column.
    Check(CheckArgs),
    /// Listen to a scale: what it sends, and how the site file reads it.
    ///
    /// A serial line has one reader: stop the worker that reads the scale first.
    Listen(ListenArgs),
    /// Print a shell's completion script.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Print the manual page.
    Man,
}

/// How a broker that runs by itself knows who signs in, and is known.
#[derive(Args, Clone, Default)]
pub struct AccessArgs {
    /// A folder with a key for each worker and for these commands, as `wheelward broker
    /// permissions --keys` makes it. A key that is changed there counts from the next connection.
    #[arg(long, env = "WHEELWARD_BROKER_KEYS", value_name = "FOLDER")]
    pub broker_keys: Option<PathBuf>,
    /// The certificate authority that signed the broker's certificate (PEM).
    #[arg(long, env = "WHEELWARD_BROKER_CA", value_name = "FILE")]
    pub broker_ca: Option<PathBuf>,
}

impl AccessArgs {
    pub fn access(&self) -> bus::Access {
        bus::Access {
            authority: self.broker_ca.clone(),
            keys: self.broker_keys.clone(),
        }
    }
}

#[derive(Args)]
pub struct UpArgs {
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// A broker that already runs, for example nats://127.0.0.1:4222.
    #[arg(long, env = "WHEELWARD_BROKER")]
    pub broker: Option<String>,
    #[command(flatten)]
    pub access: AccessArgs,
    /// Where everything is kept.
    #[arg(long, env = "WHEELWARD_DATA", default_value = "data")]
    pub data: PathBuf,
    /// Where the time comes from: this machine, or ticks on the broker.
    #[arg(long, value_enum, default_value_t = ClockKind::System)]
    pub clock: ClockKind,
}

#[derive(Args)]
pub struct DoctorArgs {
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct OutboxArgs {
    /// The outbox's folder, for example data/move-recorder/outbox.
    pub folder: PathBuf,
    /// Also write every fact that reads into a new file of facts.
    #[arg(long, value_name = "FILE")]
    pub rescue: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    pub json: bool,
}

#[derive(Subcommand)]
pub enum BrokerCommand {
    /// Print the accounts, users and permissions for a site, to include in the broker's
    /// configuration. The broker that `up` starts for itself has them already.
    Permissions(PermissionsArgs),
}

#[derive(Args)]
pub struct PermissionsArgs {
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// Sign in with nkeys in the place of passwords: the secret half of each lies in this
    /// folder, and is made where there is none yet; the broker gets the public halves alone.
    #[arg(long, value_name = "FOLDER")]
    pub keys: Option<PathBuf>,
}

#[derive(Args)]
pub struct WorkerArgs {
    /// Which.
    pub worker: Worker,
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// The broker; a worker waits for one that is not there yet.
    #[arg(
        long,
        env = "WHEELWARD_BROKER",
        default_value = "nats://127.0.0.1:4222"
    )]
    pub broker: String,
    #[command(flatten)]
    pub access: AccessArgs,
    /// Where everything is kept.
    #[arg(long, env = "WHEELWARD_DATA", default_value = "data")]
    pub data: PathBuf,
    /// Where the time comes from: this machine, or ticks on the broker.
    #[arg(long, value_enum, default_value_t = ClockKind::System)]
    pub clock: ClockKind,
    /// Stop when this process is no longer the parent.
    #[arg(long, hide = true)]
    pub parent: Option<u32>,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Worker {
    /// Reads scales and the scanners beside them.
    ScaleReader,
    /// Reads scanners.
    MoveRecorder,
    /// Reads room sensors.
    ClimateReader,
    /// Keeps forecasts fresh and answers questions about them.
    Forecaster,
    /// Allocates wheels to orders, and says whether wheels may leave.
    Dispatcher,
    /// Folds facts into next actions and answers questions.
    Scheduler,
    /// Prints labels.
    LabelPrinter,
    /// Tells a chat webhook.
    Notifier,
    /// Serves pages for browsers and an HTTP API.
    Gateway,
    /// Writes the ledger, seals the day, holds what a hold covers, answers trace questions.
    Records,
}

impl Worker {
    /// In the order in which `up` starts them.
    pub const ALL: [Self; 10] = [
        Self::Scheduler,
        Self::MoveRecorder,
        Self::ScaleReader,
        Self::ClimateReader,
        Self::Forecaster,
        Self::Dispatcher,
        Self::LabelPrinter,
        Self::Notifier,
        Self::Gateway,
        Self::Records,
    ];

    pub const fn name(self) -> &'static str {
        match self {
            Self::ScaleReader => "scale-reader",
            Self::MoveRecorder => "move-recorder",
            Self::ClimateReader => "climate-reader",
            Self::Forecaster => "forecaster",
            Self::Dispatcher => "dispatcher",
            Self::Scheduler => "scheduler",
            Self::LabelPrinter => "label-printer",
            Self::Notifier => "notifier",
            Self::Gateway => "gateway",
            Self::Records => "records",
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ClockKind {
    /// This machine's clock.
    System,
    /// Ticks on the broker, for the demo and for tests.
    Bus,
}

/// Which running floor is asked.
#[derive(Args, Clone)]
pub struct AskArgs {
    /// Where the running floor keeps its data; its broker and site are read from there.
    #[arg(long, env = "WHEELWARD_DATA", default_value = "data")]
    pub data: PathBuf,
    /// The broker, if not the one found in the data folder.
    #[arg(long, env = "WHEELWARD_BROKER")]
    pub broker: Option<String>,
    #[command(flatten)]
    pub access: AccessArgs,
    /// The site's code, if not the one found in the data folder.
    #[arg(long)]
    pub site_id: Option<String>,
    /// Print JSON for machines.
    #[arg(long)]
    pub json: bool,
}

#[derive(Args)]
pub struct DueArgs {
    /// Only this room.
    #[arg(long)]
    pub room: Option<RoomId>,
    /// What is due by this instant (RFC 3339), instead of what may be done now.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub by: Option<chrono::DateTime<chrono::Utc>>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct WheelArgs {
    /// The wheel's serial.
    pub wheel: WheelId,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct BatchArgs {
    /// The batch.
    pub batch: BatchId,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct FloorArgs {
    /// List every wheel.
    #[arg(long)]
    pub wheels: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct ReplayArgs {
    /// A file of facts, one CloudEvent a line.
    pub file: PathBuf,
    /// A recipe file; may be given more than once.
    #[arg(long, required_unless_present = "site")]
    pub recipe: Vec<PathBuf>,
    /// A site file, whose recipes and clock are used.
    #[arg(long, conflicts_with = "recipe")]
    pub site: Option<PathBuf>,
    /// The time zone, when only a recipe is given.
    #[arg(long, default_value = "UTC")]
    pub time_zone: chrono_tz::Tz,
    /// The instant to show (RFC 3339). Later facts are left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: chrono::DateTime<chrono::Utc>,
    /// Print JSON for machines.
    #[arg(long)]
    pub json: bool,
    #[command(subcommand)]
    pub view: Option<View>,
}

/// What to show of a replayed file.
#[derive(Subcommand)]
pub enum View {
    /// The floor at a glance (the default).
    Floor {
        /// List every wheel.
        #[arg(long)]
        wheels: bool,
    },
    /// What is due.
    Due {
        /// Only this room.
        #[arg(long)]
        room: Option<RoomId>,
        /// What is due by this instant.
        #[arg(long, value_parser = quantity::calendar::read_instant)]
        by: Option<chrono::DateTime<chrono::Utc>>,
    },
    /// One wheel's life.
    Wheel {
        /// The wheel.
        wheel: WheelId,
    },
    /// One batch.
    Batch {
        /// The batch.
        batch: BatchId,
    },
}

/// Whose floor: a running one's, or a file of facts.
#[derive(Args)]
pub struct SourceArgs {
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// A file of facts, one CloudEvent a line, instead of a running floor.
    #[arg(long, requires = "at")]
    pub replay: Option<PathBuf>,
    /// The instant to look from (RFC 3339); of a running floor, its own present if left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<chrono::DateTime<chrono::Utc>>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct PlanArgs {
    #[command(flatten)]
    pub source: SourceArgs,
    /// The crew file: people, skills, minutes, machines.
    #[arg(long, env = "WHEELWARD_CREW")]
    pub crew: PathBuf,
    /// How many days are planned.
    #[arg(long, default_value_t = 14, value_parser = clap::value_parser!(u16).range(1..=60))]
    pub days: u16,
    /// Yesterday's plan, as --json wrote it: kept to where nothing better is found.
    #[arg(long)]
    pub yesterday: Option<PathBuf>,
    /// Show only this person's walk.
    #[arg(long)]
    pub person: Option<facts::PersonId>,
    /// Write the walking lists as an A4 PDF.
    #[arg(long)]
    pub pdf: Option<PathBuf>,
    /// Write the problem as plain JSON for another solver.
    #[arg(long)]
    pub export: Option<PathBuf>,
    /// Put the plan on the broker as derived.<site>.plan.
    #[arg(long, conflicts_with = "replay")]
    pub publish: bool,
}

#[derive(Args)]
pub struct RoomsArgs {
    #[command(flatten)]
    pub source: SourceArgs,
    /// How many weeks ahead.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u16).range(1..=52))]
    pub weeks: u16,
    /// The planned vats.
    #[arg(long)]
    pub makes: Option<PathBuf>,
}

#[derive(Args)]
pub struct RollCallArgs {
    #[command(flatten)]
    pub source: SourceArgs,
    /// The last seven dairy days instead of today.
    #[arg(long)]
    pub week: bool,
    /// The end-of-shift message instead of the list.
    #[arg(long, conflicts_with = "week")]
    pub summary: bool,
}

#[derive(Subcommand)]
pub enum FactsCommand {
    /// Write a running floor's facts to a file, one CloudEvent a line.
    Export(ExportArgs),
    /// Write the JSON Schemas and the AsyncAPI document.
    Schema(SchemaArgs),
    /// Who may record each kind of fact, and who takes it back.
    Rights(RightsArgs),
}

#[derive(Args)]
pub struct RightsArgs {
    /// Answer in JSON.
    #[arg(long)]
    pub json: bool,
}

#[derive(Args)]
pub struct ExportArgs {
    /// The file; standard output if none.
    #[arg(long)]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct SchemaArgs {
    /// The folder.
    #[arg(long, default_value = "crates/facts/schema")]
    pub out: PathBuf,
    /// Only say whether the folder is up to date.
    #[arg(long)]
    pub check: bool,
}

#[derive(Args)]
pub struct DemoArgs {
    /// Play the days as fast as they go, compare the floor with the simulation's own
    /// ledger, print a summary and exit.
    #[arg(long, requires = "days")]
    pub once: bool,
    /// How many days to play; without it, until Ctrl-C.
    #[arg(long)]
    pub days: Option<u32>,
    /// Days before today that are stored in one go.
    #[arg(long, default_value_t = 100)]
    pub history: u32,
    /// Seconds a dairy day takes; 0 as fast as it goes.
    #[arg(long, default_value_t = 4.0)]
    pub day_seconds: f64,
    /// A tenth of the wheels.
    #[arg(long)]
    pub small: bool,
    /// Another seed gives another dairy's luck.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Where the demo keeps its data; emptied at the start.
    #[arg(long, default_value = "data/demo")]
    pub data: PathBuf,
    /// Print the summary as JSON.
    #[arg(long)]
    pub json: bool,
}

#[derive(Args)]
pub struct BenchArgs {
    /// Only write the facts of so many invented days of Larkholm to this file, a line each.
    #[arg(long, value_name = "FILE", requires = "days")]
    pub write: Option<PathBuf>,
    /// How many days.
    #[arg(long)]
    pub days: Option<u32>,
    /// Only the fold against raw consumption.
    #[arg(long)]
    pub fold: bool,
    /// Only the time from a scan to what it changed.
    #[arg(long)]
    pub scans: bool,
    /// Only memory and disk a wheel.
    #[arg(long)]
    pub size: bool,
    /// Only memory and start of every worker with so many years behind the dairy.
    #[arg(long, num_args = 1.., value_name = "YEARS")]
    pub years: Vec<u32>,
    /// Draw what the years cost as an SVG picture in this folder.
    #[arg(long, value_name = "FOLDER", requires = "years")]
    pub figures: Option<PathBuf>,
    /// Rounds of the fold.
    #[arg(long, default_value_t = 5)]
    pub rounds: usize,
    /// How many scans.
    #[arg(long, default_value_t = 1_000)]
    pub scan_count: usize,
    /// About how many wheels.
    #[arg(long, default_value_t = 100_000)]
    pub wheels: usize,
    /// Print JSON for machines.
    #[arg(long)]
    pub json: bool,
    /// Load a store and say what that takes.
    #[arg(long, hide = true)]
    pub load: Option<PathBuf>,
}

#[derive(Args)]
pub struct CheckArgs {
    /// Site files, with their recipes; recipe, crew, customers, checks, papers and makes files.
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
}
