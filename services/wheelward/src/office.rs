//! The dispatch office of a running floor or a file of facts, with the customers file.

use bus::BusError;
use chrono::{DateTime, TimeDelta, Utc};
use dispatch::report::Forecasts;
use dispatch::{Allocation, Look, Memory, Order, Problem, Yesterday, allocate};
use dispatcher::{AllocationQuery, OddOrders};
use facts::{Event, OrderId};
use names::UnknownName;
use quantity::DairyDay;
use site::Site;
use tokio::time::Instant;

use crate::cli::{OfficeArgs, RecordArgs};
use crate::running::Asker;
use crate::stating::Desk;
use crate::{files, reading};

/// The station whose facts are the office's orders.
const STATION: &str = "order-desk";

/// The dispatch desk of a running floor, and its allocation, which has looked at all that the log
/// has now. `None` where answers are made here instead: of a file, of an instant that is over, of
/// another span of days than the desk's, or where no desk runs.
pub async fn desk_of(args: &OfficeArgs) -> anyhow::Result<Option<(Asker, Allocation)>> {
    let source = &args.source;
    if source.replay.is_some() || source.at.is_some() || args.days != dispatcher::AHEAD_DAYS {
        return Ok(None);
    }
    let asker = Asker::connect(&source.ask).await?;
    let after = AllocationQuery {
        after_seq: asker.bus.floor_end().await?,
    };
    match asker.asks("allocation", &after).await {
        Ok(allocation) => Ok(Some((asker, allocation))),
        Err(BusError::NobodyAnswers { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Everything that dispatch looks at, as of an instant.
pub struct Office {
    pub site: Site,
    pub all: dispatch::Office,
    /// Every forecast that was told.
    pub forecasts: Forecasts,
    pub look: Look,
    pub yesterday: Yesterday,
    at: DateTime<Utc>,
    /// When it was opened; nothing when one instant is looked at.
    opened: Option<Instant>,
    desk: Desk,
}

impl Office {
    /// Reads and folds everything.
    pub async fn open(args: &OfficeArgs) -> anyhow::Result<Self> {
        let site = files::site(&args.source.site)?;
        let customers = files::customers(&args.customers)?;
        let mut desk = Desk::new(STATION)?.knows(site.people.keys().copied());
        let source = &args.source;
        let mut at = reading::instant(source).await?;
        let facts = reading::of(&args.source);
        let walk = site.rooms.iter().map(|room| room.id).collect();
        let mut all = dispatch::Office::new(scheduler::practice(&site), customers, walk, at);
        let mut forecasts = Forecasts::default();
        reading::each(&facts, |fact| {
            desk.saw(fact);
            if reading::had_happened(source, at, fact) {
                all.apply(fact);
                forecasts.apply(fact);
            }
        })
        .await?;
        if source.at.is_none() {
            // After what was stated here last, whatever the floor's clock says.
            at = at.max(desk.stated_at());
        }
        all.refresh(at);
        Ok(Self {
            look: all.look(args.days.into()),
            site,
            all,
            forecasts,
            yesterday: Yesterday::default(),
            at,
            opened: args.source.at.is_none().then(Instant::now),
            desk,
        })
    }

    /// The same for somebody who wants to record something.
    pub async fn open_to_record(args: &OfficeArgs, to: &RecordArgs) -> anyhow::Result<Self> {
        let office = Self::open(args).await?;
        office.desk.person(to)?;
        Ok(office)
    }

    /// What is odd about orders.
    pub fn odd(&self) -> OddOrders {
        OddOrders {
            wrong: self.look.wrong.clone(),
            never_placed: self.all.book().never_placed().collect(),
        }
    }

    /// Today.
    pub fn today(&self) -> DairyDay {
        self.look.now.today
    }

    /// The allocation problem.
    pub fn problem(&self) -> Problem<'_> {
        self.look.problem(&self.yesterday)
    }

    /// Today's allocation: a running floor's as its dispatch desk has it, so that nobody is
    /// told otherwise than the desk goes by; else made here.
    pub async fn allocation(&self, args: &OfficeArgs) -> anyhow::Result<Allocation> {
        if args.source.replay.is_none() {
            let asker = Asker::connect(&args.source.ask).await?;
            match asker.bus.ask(&asker.site, "allocation", &()).await {
                Ok(allocation) => return Ok(allocation),
                Err(BusError::NobodyAnswers { .. }) => {}
                Err(error) => eprintln!("LOOK: allocated here: {error}"),
            }
        }
        Ok(allocate(&self.problem(), &mut Memory::default()))
    }

    /// An order that there is.
    pub fn order(&self, id: OrderId) -> Result<Order, UnknownName> {
        self.all.book().named(id)
    }

    /// The present; of a running floor, time goes on while a person scans.
    pub fn present(&self) -> DateTime<Utc> {
        let passed = self.opened.map(|opened| opened.elapsed());
        let passed = passed.and_then(|passed| TimeDelta::from_std(passed).ok());
        self.at + passed.unwrap_or_default()
    }

    /// Records facts about orders, now: on a running floor's log, or at the end of a file.
    pub async fn record(
        &mut self,
        args: &OfficeArgs,
        to: &RecordArgs,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        let at = self.present();
        self.record_at(at, args, to, events).await
    }

    /// Records facts that happened at an instant.
    pub async fn record_at(
        &mut self,
        at: DateTime<Utc>,
        args: &OfficeArgs,
        to: &RecordArgs,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        let source = &args.source;
        let from_file = source.replay.is_some();
        let when = (self.site.id, at);
        self.desk
            .record(when, &source.ask, to, from_file, events)
            .await
    }
}
