//! What the dispatcher knows, and what it answers.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;

use bus::telling::Telling;
use bus::{BusError, Position, Question, Refusal, Stored};
use chrono::{DateTime, NaiveDate, Utc};
use dispatch::check;
use dispatch::office::{Asked, Leaving, NoPromise, UntimedOffice};
use dispatch::pick::pick_list;
use dispatch::{
    Allocation, Customers, Look, Memory, Now, Office, Order, OrderBook, allocate, recipe_named,
};
use facts::wire::{self, Read};
use facts::{Event, OrderId, OrderPlaced, SiteId, WheelId};
use names::{Kind, UnknownName};
use projection::{Aside, Records as _, Store, StoreError, floor as stored};
use quantity::DairyDay;
use recipe::RecipeBook;
use ripening::Needs;
use serde::{Deserialize, Serialize};
use site::Site;
use tokio::task::JoinHandle;

use crate::kept::Kept;
use crate::numbers::Numbers;
use crate::{LIST, NUMBERS, ODD, SHORT, STORE, TWICE};

/// The question whether an order can be placed.
pub const CHECK: &str = "check-order";

/// How many days are looked ahead.
pub const AHEAD_DAYS: u16 = 60;

/// Shortages that are further off are on the page, but nobody is told of them yet.
const TELL_AHEAD_DAYS: i64 = 42;

/// Which day's pick list; today's if left out.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct PickQuery {
    /// The day it leaves.
    #[serde(default, deserialize_with = "quantity::calendar::read::date_or_none")]
    pub day: Option<NaiveDate>,
}

/// An allocation that has looked at the log up to a number: whoever has just stated something asks
/// for one that knows it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AllocationQuery {
    /// The number.
    pub after_seq: u64,
}

/// What is odd about orders.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OddOrders {
    /// Orders that cannot be looked at, and why.
    pub wrong: Vec<(OrderId, String)>,
    /// Orders that facts speak of though nobody placed them.
    pub never_placed: Vec<OrderId>,
}

/// Which orders.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub enum ListQuery {
    /// Only this one, whether it is open or over.
    One(OrderId),
    /// Those of which something is still to come, after so many of them.
    Open(usize),
    /// Those that are over, after so many of them.
    Over(usize),
}

/// A part of the list of orders.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct OrderList {
    /// The orders, by number.
    pub orders: Vec<Order>,
    /// How many are open, shown or not.
    pub open: usize,
    /// How many are over.
    pub over: usize,
}

/// How many orders one answer lists.
const LISTED: usize = 200;

/// Whether an order can be placed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Checked {
    /// It is there already, word for word.
    pub known: bool,
    /// The customer or cheese that there is not, if it names one.
    #[serde(default)]
    pub unknown: Option<UnknownName>,
    /// What is wrong with it; nothing: it can be placed.
    pub troubles: Vec<String>,
}

/// Facts that the order book rests on, as their lines, by their numbers in the log.
const ENTERED: &[u8] = b"o/";

pub(crate) struct Desk {
    folding: UntimedOffice,
    site: SiteId,
    recipes: RecipeBook,
    store: Store,
    /// The place in the log up to which it was read; none before the first message.
    position: Option<Position>,
    /// Facts that the order book rests on and that are not in the store yet, by their numbers.
    entered: Vec<(u64, String)>,
    /// Whether anything came that is not in the store yet.
    unwritten: bool,
    /// A store that did not read, of which people must hear.
    aside: Option<Aside>,
    /// Why the store has to be opened again.
    unusable: Option<StoreError>,
    /// The log's end when reading began: before it, there is no office to ask.
    end: u64,
    /// What time it is; none before anybody said it.
    now: Option<DateTime<Utc>>,
    /// Something was seen that an allocation rests on.
    stirred: bool,
    /// The number in the log of what was.
    stirred_at: u64,
    /// What of the time the last allocation turned on; none: there is none yet.
    moment: Option<Moment>,
    kept: Kept,
    numbers: Numbers,
    last: Option<Arc<Solved>>,
}

/// What of the time an allocation turns on: the day, and how many lanes have closed on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Moment {
    today: DairyDay,
    closed: usize,
}

impl Moment {
    fn of(now: Now, customers: &Customers) -> Self {
        let lanes = customers.lanes.values();
        Self {
            today: now.today,
            closed: lanes.filter(|lane| now.time > lane.cut_off).count(),
        }
    }
}

/// What the solver comes back with.
pub(crate) struct Solved {
    look: Look,
    /// The number in the log up to which it looked.
    looked_to: u64,
    allocation: Allocation,
}

impl Desk {
    /// Opens the store in a folder and puts floor and order book together.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be used.
    pub(crate) fn open(
        site: &Site,
        (folder, customers): (&Path, Customers),
        kept: Kept,
        mut numbers: Numbers,
    ) -> Result<Self, StoreError> {
        let lines = |store: &Store| {
            let mut facts = Vec::new();
            store.each(ENTERED, |_, line: String| {
                match wire::from_line(&line).map_err(|why| why.to_string())? {
                    Read::Fact(fact) => facts.push(fact),
                    Read::UnknownType(unknown) => {
                        return Err(format!("{} is not known", unknown.ty));
                    }
                }
                Ok(())
            })?;
            Ok(facts)
        };
        let practice = scheduler::practice(site);
        let opened = stored::open(&folder.join(STORE), &practice, lines)?;
        let walk = site.rooms.iter().map(|room| room.id).collect();
        let mut folding = UntimedOffice::over(opened.floor, customers, walk);
        for fact in &opened.kept {
            folding.book(fact);
            see_numbers(&mut numbers, &fact.event);
        }
        Ok(Self {
            folding,
            site: site.id,
            recipes: site.recipes.clone(),
            store: opened.store,
            position: opened.position,
            entered: Vec::new(),
            unwritten: false,
            aside: opened.aside,
            unusable: None,
            end: u64::MAX,
            now: None,
            stirred: true,
            stirred_at: 0,
            moment: None,
            kept,
            numbers,
            last: None,
        })
    }

    /// Forgets what was read: the broker has another log.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be written.
    pub(crate) fn forget(&self) -> Result<(), StoreError> {
        self.store.empty()
    }

    /// Where in the log it is.
    pub(crate) const fn position(&self) -> Option<&Position> {
        self.position.as_ref()
    }

    fn seq(&self) -> u64 {
        self.position.as_ref().map_or(0, |position| position.seq)
    }

    /// A store that did not read was put aside, for whoever hears of it.
    pub(crate) const fn take_aside(&mut self) -> Option<Aside> {
        self.aside.take()
    }

    /// Takes a message of the log. What cannot be read is the scheduler's to reject.
    ///
    /// # Errors
    /// [`StoreError`] when what was put away of what it speaks of cannot be looked up.
    pub(crate) fn message(&mut self, message: &Stored) -> Result<(), StoreError> {
        let fact = match message.read() {
            Ok(Read::Fact(fact)) => fact,
            // A build that knows it reads the log again.
            Ok(Read::UnknownType(unknown)) => {
                self.folding.floor_mut().pass(message.seq, &unknown);
                return Ok(());
            }
            Err(_) => return Ok(()),
        };
        if fact.site != self.site {
            return Ok(());
        }
        if rests_on(&fact.event) {
            (self.stirred, self.stirred_at) = (true, message.seq);
        }
        see_numbers(&mut self.numbers, &fact.event);
        if OrderBook::rests_on(&fact.event)
            && let Ok(line) = wire::to_line(&fact)
        {
            self.entered.push((message.seq, line));
        }
        stored::bring_back_for(&self.store, self.folding.floor_mut(), &fact)?;
        self.folding.apply(&fact);
        Ok(())
    }

    /// The log was read up to here. What was read since the clock moved last counts at once.
    pub(crate) fn read_to(&mut self, position: Position) {
        self.position = Some(position);
        self.unwritten = true;
        if let Some(now) = self.now {
            self.folding.refresh(now);
        }
    }

    /// Writes what has changed with its position, in one batch. What is not written is read
    /// from the log again.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn write(&mut self) -> Result<(), StoreError> {
        if let Some(error) = self.unusable.take() {
            return Err(error);
        }
        let Some(position) = self.position.as_ref().filter(|_| self.unwritten) else {
            return Ok(());
        };
        let floor = self.folding.floor_mut();
        // The scheduler asks for labels.
        floor.take_labels();
        let mut batch = stored::batch(floor, position, 1, &[])?;
        for (seq, line) in &self.entered {
            batch.put(&[ENTERED, &seq.to_be_bytes()].concat(), line)?;
        }
        self.store.write(&batch)?;
        self.entered.clear();
        self.unwritten = false;
        Ok(())
    }

    /// The log's end when reading began.
    pub(crate) const fn reads_to(&mut self, end: u64) {
        self.end = end;
    }

    pub(crate) fn reaches(&mut self, now: DateTime<Utc>) {
        self.now = Some(now);
        self.folding.refresh(now);
    }

    /// The office, once all of the log has been read and the time is known.
    fn office(&self) -> Option<&Office> {
        self.folding.office().filter(|_| self.seq() >= self.end)
    }

    /// Whether something came since the last allocation began that it would look at.
    pub(crate) fn is_stirred(&self) -> bool {
        self.stirred && self.office().is_some()
    }

    /// Begins an allocation; nothing while nothing has changed.
    pub(crate) fn begin_if_due(&mut self) -> Option<JoinHandle<Solved>> {
        let office = self.office()?;
        let moment = Moment::of(office.now(), office.customers());
        if !self.stirred && self.moment == Some(moment) {
            return None;
        }
        let look = office.look(AHEAD_DAYS.into());
        let looked_to = self.seq();
        self.kept.reaches(moment.today);
        self.moment = Some(moment);
        self.stirred = false;
        let yesterday = self.kept.before().clone();
        Some(tokio::task::spawn_blocking(move || {
            // From nothing each time: where a solver stood is no part of the log, and of equal
            // allocations one that began anew would find another.
            let allocation = allocate(&look.problem(&yesterday), &mut Memory::default());
            Solved {
                look,
                looked_to,
                allocation,
            }
        }))
    }

    /// Takes an allocation; gives it back when it is another one than before.
    pub(crate) fn take(&mut self, solved: Solved) -> Option<Allocation> {
        let allocation = &solved.allocation;
        let last = self.last.as_ref().map(|last| &last.allocation);
        let news = last.is_none_or(|last| last.lines != allocation.lines);
        if news || last.is_none_or(|last| last.today != allocation.today) {
            self.kept.keep(allocation);
        }
        let news = news.then(|| allocation.clone());
        self.last = Some(Arc::new(solved));
        news
    }

    /// That no case number can be given, of which people have to hear.
    pub(crate) fn numbers_unknown(&self) -> Option<Telling> {
        self.numbers.unknown()
    }

    /// What people have to hear of.
    pub(crate) fn shortages(&self) -> Vec<Telling> {
        let mut told = Vec::new();
        if let Some(Solved { allocation, .. }) = self.last.as_deref() {
            let until = allocation.today.plus(TELL_AHEAD_DAYS);
            for line in &allocation.lines {
                if line.key.arrive_on > until {
                    continue;
                }
                let words = match (&line.shortage, &line.trouble) {
                    (Some(short), _) => &short.words,
                    (None, Some(trouble)) => trouble,
                    (None, None) => continue,
                };
                let day = line.key.arrive_on.date();
                let name = format!("{SHORT}{}-{}-{day}", line.key.order, line.key.line);
                told.push(Telling::warning(name, format!("{}: {words}", line.key)));
            }
        }
        told
    }

    /// Numbers that stand on more than one case or pallet.
    pub(crate) fn numbers_given_twice(&self) -> Vec<Telling> {
        let twice = self
            .office()
            .map(|office| office.book().numbers_given_twice());
        let twice = twice.into_iter().flatten();
        let tell = |(number, orders): (_, BTreeSet<OrderId>)| {
            let orders: Vec<String> = orders.iter().map(ToString::to_string).collect();
            let words = format!(
                "number {number} stands on more than one case or pallet, of {}: find them, correct the record of one, and pack and label it anew",
                orders.join(", ")
            );
            Telling::warning(format!("{TWICE}{number}"), words)
        };
        twice.map(tell).collect()
    }

    /// Brings back what was put away of wheels that somebody wants to send.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be looked up.
    fn bring_back(&mut self, wheels: &[WheelId]) -> Result<(), StoreError> {
        let needs = Needs {
            wheels: self.folding.floor_mut().needs_wheels(wheels),
            ..Needs::default()
        };
        if needs.is_empty() {
            return Ok(());
        }
        let floor = self.folding.floor_mut();
        stored::bring_back(&self.store, floor, &needs)?;
        if let Some(now) = self.now {
            self.folding.refresh(now);
        }
        self.unwritten = true;
        Ok(())
    }

    /// Answers what can be answered; gives back what waits for more of the log.
    pub(crate) async fn answer(&mut self, asked: Vec<Question>) -> Vec<Question> {
        let mut later = Vec::new();
        for question in asked {
            let name = question.name.clone();
            match self.respond(question).await {
                Ok(None) => {}
                Ok(Some(question)) => later.push(question),
                Err(error) => tracing::warn!(question = name, %error, "a question got no answer"),
            }
        }
        later
    }

    async fn respond(&mut self, question: Question) -> Result<Option<Question>, BusError> {
        match question.name.as_str() {
            station::LEAVING => {
                let leaving: station::Leaving = match question.read() {
                    Ok(leaving) => leaving,
                    Err(error) => return question.refuse(&error.to_string()).await.map(|()| None),
                };
                // They are else wheels that nobody knows, and do not leave.
                if let Err(error) = self.bring_back(&leaving.wheels) {
                    tracing::error!("{error}");
                    self.unusable = Some(error);
                }
                let Some(office) = self.office().filter(|_| self.seq() >= leaving.after_seq) else {
                    return Ok(Some(question));
                };
                let reasons = office.stays(&Leaving {
                    order: leaving.order,
                    customer: leaving.customer,
                    market: leaving.market,
                    wheels: &leaving.wheels,
                });
                question.answer(&station::Stays { reasons }).await?;
            }
            name => {
                let Some(office) = self.office() else {
                    question.still_reading(self.seq(), self.end).await?;
                    return Ok(None);
                };
                match name {
                    NUMBERS => {
                        let count = question.read::<usize>().map_err(Refusal::from);
                        let given = count.and_then(|count| Ok(self.numbers.give(count)?));
                        question.reply(given).await?;
                    }
                    "orders" => {
                        let orders: Vec<_> = office.book().orders().collect();
                        question.answer(&orders).await?;
                    }
                    ODD => {
                        let last = self.last.as_deref();
                        let odd = OddOrders {
                            wrong: last.map_or_else(Vec::new, |last| last.look.wrong.clone()),
                            never_placed: office.book().never_placed().collect(),
                        };
                        question.answer(&odd).await?;
                    }
                    LIST => {
                        let query = question.read::<ListQuery>().map_err(Refusal::from);
                        let list = query.and_then(|query| Ok(self.list(office, &query)?));
                        question.reply(list).await?;
                    }
                    CHECK => match question.read::<OrderPlaced>() {
                        Ok(order) => question.answer(&self.check(office, &order)).await?,
                        Err(error) => question.refuse(&error.to_string()).await?,
                    },
                    "allocation" if !self.has_looked(&question) => return Ok(Some(question)),
                    _ => self.ask_allocation(office, question).await?,
                }
            }
        }
        Ok(None)
    }

    /// Whether the allocation at hand is one that whoever asks can go by.
    fn has_looked(&self, question: &Question) -> bool {
        let query = question.read::<Option<AllocationQuery>>();
        let after = query.ok().flatten().map_or(0, |query| query.after_seq);
        let looked_to = self.last.as_deref().map_or(0, |last| last.looked_to);
        let nothing_new = self.seq() >= after && self.stirred_at <= looked_to;
        nothing_new || looked_to >= after
    }

    /// Open is an order with a line in the allocation, or one that was entered a moment ago
    /// and is not allocated yet.
    fn list(&self, office: &Office, query: &ListQuery) -> Result<OrderList, UnknownName> {
        let book = office.book();
        if let ListQuery::One(id) = query {
            let order = book.order(*id).ok_or_else(|| {
                let codes = book.ids().map(|id| id.to_string());
                UnknownName::among(Kind::Order, *id, codes.collect::<Vec<_>>())
            })?;
            return Ok(OrderList {
                orders: vec![order],
                ..OrderList::default()
            });
        }
        let last = self.last.as_deref().into_iter();
        let lines = last.flat_map(|last| &last.allocation.lines);
        let allocated: BTreeSet<OrderId> = lines.map(|line| line.key.order).collect();
        let today = office.now().today;
        let until = today.plus(AHEAD_DAYS.into()).date();
        let is_open = |id: &OrderId| {
            let comes = |order: Order| !order.arrivals(today.date(), until).is_empty();
            allocated.contains(id) || book.is_untouched(*id) && book.order(*id).is_some_and(comes)
        };
        let (open, over): (Vec<OrderId>, Vec<OrderId>) = book.ids().partition(is_open);
        let (ids, from) = match query {
            ListQuery::Over(from) => (&over, *from),
            ListQuery::Open(from) => (&open, *from),
            ListQuery::One(_) => (&open, 0),
        };
        let listed = ids.iter().skip(from).take(LISTED);
        Ok(OrderList {
            orders: listed.filter_map(|id| book.order(*id)).collect(),
            open: open.len(),
            over: over.len(),
        })
    }

    fn check(&self, office: &Office, order: &OrderPlaced) -> Checked {
        let desk = check::Desk {
            customers: office.customers(),
            recipes: &self.recipes,
            book: office.book(),
            now: office.now(),
        };
        match desk.check(order) {
            Ok(known) => Checked {
                known: known == check::Known::Same,
                unknown: None,
                troubles: Vec::new(),
            },
            Err(troubles) => Checked {
                known: false,
                unknown: self.names_known(office, order).err(),
                troubles: troubles.iter().map(ToString::to_string).collect(),
            },
        }
    }

    /// Whether there are the customer and the cheeses that an order names.
    fn names_known(&self, office: &Office, order: &OrderPlaced) -> Result<(), UnknownName> {
        office.customers().who_ordered(&order.customer)?;
        for line in &order.lines {
            recipe_named(&self.recipes, line.recipe)?;
        }
        Ok(())
    }

    async fn ask_allocation(&self, office: &Office, question: Question) -> Result<(), BusError> {
        let Some(last) = self.last.clone() else {
            // All is read, and the first allocation is being made.
            return question.still_reading(self.seq(), self.end).await;
        };
        let customers = office.customers().clone();
        match question.name.as_str() {
            "picks" => match question.read::<PickQuery>() {
                Ok(query) => {
                    let Solved {
                        look, allocation, ..
                    } = &*last;
                    let day = query.day.map_or(look.now.today, DairyDay::starting);
                    let list = pick_list(allocation, &look.cheeses, &look.lines, &customers, day);
                    question.answer(&list).await
                }
                Err(error) => question.refuse(&error.to_string()).await,
            },
            "promise" => match question.read::<Asked>() {
                Ok(asked) => {
                    let (yesterday, recipes) = (self.kept.before().clone(), self.recipes.clone());
                    // Beside everything else: it solves a few allocations.
                    tokio::spawn(async move {
                        let work =
                            move || last.look.promise(&customers, &recipes, &yesterday, &asked);
                        let done = match tokio::task::spawn_blocking(work).await {
                            Ok(promised) => question.reply(promised.map_err(refusal)).await,
                            Err(_) => question.refuse("the dispatcher is stopping").await,
                        };
                        if let Err(error) = done {
                            tracing::warn!(%error, "a promise was not answered");
                        }
                    });
                    Ok(())
                }
                Err(error) => question.refuse(&error.to_string()).await,
            },
            _ => question.answer(&last.allocation).await,
        }
    }
}

fn refusal(no: NoPromise) -> Refusal {
    match no {
        NoPromise::Unknown(name) => name.into(),
        no => no.to_string().into(),
    }
}

/// Whether a fact says anything to an allocation.
const fn rests_on(event: &Event) -> bool {
    !matches!(
        event,
        Event::RoomClimateRead(_)
            | Event::RoomGasRead(_)
            | Event::WheelTurned(_)
            | Event::WheelLabelled(_)
            | Event::CaseLabelled(_)
    )
}

/// Numbers that stand in the log are not given again.
fn see_numbers(numbers: &mut Numbers, event: &Event) {
    if let Event::OrderPacked(packed) = event {
        numbers.saw(packed.case);
        packed.pallet.into_iter().for_each(|of| numbers.saw(of));
    }
}
