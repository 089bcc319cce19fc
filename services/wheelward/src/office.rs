//! The dispatch office: a floor and its order book, of a running floor or a file of facts,
//! with the customers file.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use bus::{Clock, Outbox, Shutdown};
use chrono::{DateTime, Utc};
use dispatch::stock::{self, Place, readiness_on};
use dispatch::wanted::weight_limits;
use dispatch::{
    Cheese, Customers, GradeCounts, NoForecast, Now, OrderBook, Problem, Stock, Wanted, Yesterday,
    open_lines,
};
use facts::{Draft, Event, Fact, FactIdSource, Grade, OrderId, RecipeId, StationId, WheelId, wire};
use quantity::DairyDay;
use recipe::Origin;
use ripening::Floor;
use ripening::answer::FloorPicture;
use site::Site;

use crate::cli::{AskArgs, BadFile, FactsArgs, OfficeArgs, RecordArgs};
use crate::running::Asker;
use crate::{files, reading};

/// The station whose facts are the office's orders.
const STATION: &str = "order-desk";

/// How long the broker may take to take the facts.
const RECORDED_WITHIN: Duration = Duration::from_secs(10);

/// Everything that dispatch looks at, as of an instant.
pub struct Office {
    pub site: Site,
    pub floor: Floor,
    pub book: OrderBook,
    pub customers: Customers,
    pub cheeses: Vec<Cheese>,
    pub lines: Vec<Wanted>,
    /// What is wrong with orders that cannot be looked at.
    pub wrong: Vec<(OrderId, String)>,
    pub stock: Stock,
    pub yesterday: Yesterday,
    pub now: Now,
    pub until: DairyDay,
    at: DateTime<Utc>,
    /// The last number of this station's facts.
    numbered: u64,
}

impl Office {
    /// Reads and folds everything.
    pub async fn open(args: &OfficeArgs) -> anyhow::Result<Self> {
        let site = files::site(&args.source.site)?;
        let customers = customers(&args.customers)?;
        let station = StationId::new(STATION)?;
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
        let mut floor = Floor::new(scheduler::practice(&site));
        let mut book = OrderBook::default();
        let mut numbered = 0;
        reading::each(&facts, |fact| {
            if fact.station == station {
                numbered = numbered.max(fact.station_seq);
            }
            if fact.occurred_at <= at {
                floor.apply(fact);
                book.apply(fact);
            }
        })
        .await?;
        floor.refresh(at);
        let now = Now {
            today: site.clock.day_of(at),
            time: at.with_timezone(&site.clock.zone()).time(),
        };
        let until = now.today.plus(args.days.into());
        let rooms: Vec<_> = site.rooms.iter().map(|room| room.id).collect();
        let cheeses = stock::of_floor(&floor, &rooms);
        let (lines, wrong) = open_lines(&book, &customers, &site.recipes, now, until, |wheel| {
            what_it_was(&floor, wheel)
        });
        let stock = Stock::group(
            &cheeses,
            &weight_limits(&lines),
            readiness_on(&floor, &NoForecast),
            &GradeCounts::of_floor(&floor),
        );
        Ok(Self {
            site,
            floor,
            book,
            customers,
            cheeses,
            lines,
            wrong,
            stock,
            yesterday: Yesterday::default(),
            now,
            until,
            at,
            numbered,
        })
    }

    /// The allocation problem.
    pub fn problem(&self) -> Problem<'_> {
        Problem {
            now: self.now,
            until: self.until,
            cheeses: &self.cheeses,
            stock: &self.stock,
            lines: &self.lines,
            yesterday: &self.yesterday,
        }
    }

    /// A wheel that left, as it was.
    pub fn cheese_that_left(&self, id: WheelId) -> Option<Cheese> {
        let state = self.floor.wheel(id)?.state();
        let batch = state.batch?;
        Some(Cheese {
            wheel: id,
            batch,
            recipe: self.floor.recipe_of(batch)?.clone(),
            made: self.floor.case(id)?.made,
            grade: state.grade.map(|grade| grade.value),
            weight_g: state.weight.map_or(0, |weight| weight.value.get()),
            place: Place::default(),
            kept: None,
            awaits: None,
            reserved: None,
        })
    }

    /// Records facts about orders: on a running floor's log, or at the end of a file.
    pub async fn record(
        &self,
        ask: &AskArgs,
        to: &RecordArgs,
        from_file: bool,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        let station = StationId::new(STATION)?;
        let draft = |event| Draft {
            occurred_at: self.at,
            person: to.badge,
            event,
        };
        if from_file {
            let path = to.record.as_deref().context(
                "a file of facts is looked at: say with --record which file the new facts go to",
            )?;
            let ids = FactIdSource::default();
            let mut text = String::new();
            for (number, event) in (self.numbered + 1..).zip(events) {
                let fact = Fact {
                    id: ids.next(self.at),
                    site: self.site.id,
                    station,
                    station_seq: number,
                    person: to.badge,
                    occurred_at: self.at,
                    recorded_at: self.at,
                    event,
                };
                text += &wire::to_line(&fact)?;
                text.push('\n');
            }
            return append(path, &text);
        }
        let asker = Asker::connect(ask).await?;
        let outbox = Outbox::open(&ask.data.join(STATION), asker.site)?;
        outbox.continue_after(&station, self.numbered)?;
        let drafts = events.into_iter().map(draft).collect();
        outbox.record(&station, drafts, Clock::system().now())?;
        let shutdown = Shutdown::new();
        let sent = async {
            while outbox.waiting() > 0 {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        tokio::select! {
            () = outbox.drain(&asker.bus, &shutdown) => {}
            done = tokio::time::timeout(RECORDED_WITHIN, sent) => {
                done.context("the facts are kept here and go out with the next ones, but the broker did not take them: start it and try again")?;
            }
        }
        Ok(())
    }
}

/// What a wheel that left was: its recipe, its grade and its last weight, g.
fn what_it_was(floor: &Floor, wheel: WheelId) -> Option<(RecipeId, Option<Grade>, u32)> {
    let state = floor.wheel(wheel)?.state();
    let recipe = floor.recipe_of(state.batch?)?;
    let grade = state.grade.map(|grade| grade.value);
    let grams = state.weight.map_or(0, |weight| weight.value.get());
    Some((recipe.id, grade, grams))
}

fn customers(path: &Path) -> anyhow::Result<Customers> {
    let text = files::text(path)?;
    let file = path.display().to_string();
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Customers::parse(&origin).map_err(|e| BadFile(e.to_string()).into())
}

fn append(path: &Path, text: &str) -> anyhow::Result<()> {
    use std::io::Write as _;
    let file = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(path);
    let mut file = file.with_context(|| format!("could not write {}", path.display()))?;
    file.write_all(text.as_bytes())
        .with_context(|| format!("could not write {}", path.display()))
}
