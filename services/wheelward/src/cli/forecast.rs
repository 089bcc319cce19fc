//! The command line of `wheelward forecast`.

use std::path::PathBuf;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand, ValueEnum};
use facts::RoomId;
use forecast::WarmerBy;

use super::FactsArgs;

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct ForecastArgs {
    #[command(subcommand)]
    pub command: Option<ForecastCommand>,
    /// A batch or a wheel; every batch with wheels in the house if left out.
    pub what: Option<String>,
    /// The site file, whose recipes and clock are used.
    #[arg(long, env = "WHEELWARD_SITE", required = true)]
    pub site: Option<PathBuf>,
    /// As things stood then (RFC 3339): later facts are left out. The last fact if left out.
    #[arg(long, value_parser = quantity::calendar::read_instant)]
    pub at: Option<DateTime<Utc>>,
    /// What if a room were warmer: `R2=2` is two degrees from now on, `R2=-1.5@7` one and a
    /// half degrees colder for seven days. May be given more than once.
    #[arg(long, value_name = "ROOM=DEGREES[@DAYS]", requires = "what")]
    pub warmer: Vec<WarmerArg>,
    /// What if piercing were put off by so many days; negative for earlier.
    #[arg(
        long,
        value_name = "DAYS",
        requires = "what",
        allow_negative_numbers = true
    )]
    pub pierce_later: Option<f64>,
    /// Which chart is written. Without it: of a batch its growth, of a wheel how it dries,
    /// else how many wheels are ready week by week.
    #[arg(long, value_enum)]
    pub chart: Option<ForecastChart>,
    /// The room whose air is drawn.
    #[arg(long, required_if_eq("chart", "room"))]
    pub room: Option<RoomId>,
    /// Write the chart as SVG.
    #[arg(long, value_name = "FILE")]
    pub svg: Option<PathBuf>,
    /// Write the chart as PNG.
    #[arg(long, value_name = "FILE")]
    pub png: Option<PathBuf>,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Subcommand)]
pub enum ForecastCommand {
    /// How good the forecasts would have been: made again for days gone by and compared with
    /// what came, and with two naive rules.
    Score(ScoreArgs),
}

#[derive(Args)]
pub struct ScoreArgs {
    /// The site file, whose recipes and clock are used.
    #[arg(long, env = "WHEELWARD_SITE", required_unless_present = "simulate")]
    pub site: Option<PathBuf>,
    /// Play the simulated dairy until so many batches were ready, and compare with what was
    /// truly so in it, instead of with cores.
    #[arg(long, value_name = "BATCHES", conflicts_with_all = ["facts", "site"])]
    pub simulate: Option<usize>,
    /// Another seed gives another simulated dairy.
    #[arg(long, default_value_t = 1, requires = "simulate")]
    pub seed: u64,
    #[command(flatten)]
    pub source: FactsArgs,
}

#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ForecastChart {
    /// Rind and blue of a batch, with looks and cores.
    Growth,
    /// Wheels ready, week by week.
    Readiness,
    /// A wheel's weight.
    Drying,
    /// A room's air in the last four weeks.
    Room,
}

/// A room that might be warmer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarmerArg(pub WarmerBy);

impl std::str::FromStr for WarmerArg {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            || format!("{text:?} cannot be read: write a room, degrees and days, such as R2=2@7");
        let (room, rest) = text.split_once('=').ok_or_else(wrong)?;
        let (degrees, days) = match rest.split_once('@') {
            Some((degrees, days)) => (degrees, Some(days)),
            None => (rest, None),
        };
        let by_c: f64 = degrees.parse().map_err(|_| wrong())?;
        let days = days
            .map(str::parse::<f64>)
            .transpose()
            .map_err(|_| wrong())?;
        if !(-20.0..=20.0).contains(&by_c) || days.is_some_and(|d| !(0.0..=400.0).contains(&d)) {
            return Err(format!(
                "{text:?}: a room can be up to 20 °C warmer or colder, for up to 400 days"
            ));
        }
        Ok(Self(WarmerBy {
            room: room
                .parse()
                .map_err(|bad: facts::BadCode| bad.to_string())?,
            by_c,
            days,
        }))
    }
}
