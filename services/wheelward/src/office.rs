//! The dispatch office: a floor and its order book, of a running floor or a file of facts,
//! with the customers file.

use chrono::{DateTime, Utc};
use dispatch::stock::{self, Place, readiness_on};
use dispatch::wanted::weight_limits;
use dispatch::{
    Cheese, Customers, GradeCounts, NoForecast, Now, OrderBook, Problem, Stock, Wanted, Yesterday,
    open_lines,
};
use facts::{Event, Grade, OrderId, RecipeId, WheelId};
use quantity::DairyDay;
use ripening::Floor;
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
        let mut floor = Floor::new(scheduler::practice(&site));
        let mut book = OrderBook::default();
        reading::each(&facts, |fact| {
            desk.saw(fact);
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
            desk,
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
        self.desk
            .record((self.site.id, self.at), ask, to, from_file, events)
            .await
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
