//! The dispatch office of a running floor or a file of facts, with the customers file.

use chrono::{DateTime, Utc};
use dispatch::{Look, Problem, Yesterday};
use facts::Event;
use quantity::DairyDay;
use ripening::answer::FloorPicture;
use site::Site;

use crate::cli::{AskArgs, FactsArgs, OfficeArgs, RecordArgs};
use crate::running::Asker;
use crate::stating::Desk;
use crate::{files, reading};

/// The station whose facts are the office's orders.
const STATION: &str = "order-desk";

/// Everything that dispatch looks at, as of an instant.
pub struct Office {
    pub site: Site,
    pub all: dispatch::Office,
    pub look: Look,
    pub yesterday: Yesterday,
    at: DateTime<Utc>,
    desk: Desk,
}

impl Office {
    /// Reads and folds everything.
    pub async fn open(args: &OfficeArgs) -> anyhow::Result<Self> {
        let site = files::site(&args.source.site)?;
        let customers = files::customers(&args.customers)?;
        let mut desk = Desk::new(STATION)?;
        let at = match args.source.at {
            Some(at) => at,
            None => {
                let asker = Asker::connect(&args.source.ask).await?;
                let picture: FloorPicture = asker.bus.ask(&asker.site, "floor", &()).await?;
                picture.now
            }
        };
        let facts = FactsArgs {
            facts: args.source.replay.iter().cloned().collect(),
            ask: AskArgs::clone(&args.source.ask),
        };
        let walk = site.rooms.iter().map(|room| room.id).collect();
        let mut all = dispatch::Office::new(scheduler::practice(&site), customers, walk);
        reading::each(&facts, |fact| {
            desk.saw(fact);
            if fact.occurred_at <= at {
                all.apply(fact);
            }
        })
        .await?;
        all.refresh(at);
        Ok(Self {
            look: all.look(args.days.into()),
            site,
            all,
            yesterday: Yesterday::default(),
            at,
            desk,
        })
    }

    /// Today.
    pub fn today(&self) -> DairyDay {
        self.look.now.today
    }

    /// The allocation problem.
    pub fn problem(&self) -> Problem<'_> {
        self.look.problem(&self.yesterday)
    }

    /// Records facts about orders: on a running floor's log, or at the end of a file.
    pub async fn record(
        &self,
        ask: &AskArgs,
        to: &RecordArgs,
        from_file: bool,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        self.desk
            .record((self.site.id, self.at), ask, to, from_file, events)
            .await
    }
}
