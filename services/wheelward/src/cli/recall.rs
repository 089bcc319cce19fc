//! The command line of `wheelward recall`.

use std::path::PathBuf;

use chrono::{DateTime, Utc};
use clap::Args;
use facts::{BatchId, LotId, PersonId, RoomId, StillageId, ToolId, WheelId};

use super::AskArgs;

/// Whose facts: a running floor's, or files.
#[derive(Args)]
pub struct FactsArgs {
    /// A file of facts, one CloudEvent a line, instead of a running floor; may be given more
    /// than once.
    #[arg(long, value_name = "FILE")]
    pub facts: Vec<PathBuf>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
#[command(group = clap::ArgGroup::new("about").required(true))]
pub struct RecallArgs {
    /// Everything a lot went into: milk, culture, rennet, salt, coating, packaging.
    #[arg(long, group = "about")]
    pub lot: Option<LotId>,
    /// A batch.
    #[arg(long, group = "about")]
    pub batch: Option<BatchId>,
    /// Wheels; may be given more than once.
    #[arg(long, group = "about")]
    pub wheel: Vec<WheelId>,
    /// Wheels that were in a room, from --from to --to.
    #[arg(long, group = "about", requires = "from")]
    pub room: Option<RoomId>,
    /// Wheels that were on a stillage, from --from to --to.
    #[arg(long, group = "about", requires = "from")]
    pub stillage: Option<StillageId>,
    /// Wheels that a tool went into, from --from to --to.
    #[arg(long, group = "about", requires = "from")]
    pub tool: Option<ToolId>,
    /// Wheels portioned from --from to --to.
    #[arg(long, group = "about", requires = "from")]
    pub made: bool,
    /// Rehearse: something that has left is chosen, traced, timed, and recorded as a fact.
    #[arg(long, group = "about")]
    pub drill: bool,
    /// The first instant in question (RFC 3339).
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub from: Option<DateTime<Utc>>,
    /// The first instant no longer in question (RFC 3339); open if left out.
    #[arg(long, requires = "from", value_parser = quantity::calendar::read_instant)]
    pub to: Option<DateTime<Utc>>,
    /// As things stood then (RFC 3339): later facts are left out. Now if left out; of files,
    /// the last fact.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    /// The site file, whose recipes say which holds wheels are born under, and whose safety file
    /// says who may release.
    #[arg(long, env = "WHEELWARD_SITE", value_name = "FILE")]
    pub site: Option<PathBuf>,
    /// Leave out what only touched a suspect wheel.
    #[arg(long)]
    pub no_contact: bool,
    /// A wheel in stock that nobody has seen for so many days is not accounted for.
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u16).range(1..=365))]
    pub lost_after_days: u16,
    /// List every wheel, the possible ones too.
    #[arg(long)]
    pub all: bool,
    /// The badge of whoever holds the drill.
    #[arg(long, requires = "drill")]
    pub badge: Option<PersonId>,
    /// What to note about the drill.
    #[arg(long, requires = "drill")]
    pub note: Option<String>,
    /// Where a drill on files of facts appends its own fact.
    #[arg(long, requires = "drill", requires = "facts", value_name = "FILE")]
    pub record: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}
