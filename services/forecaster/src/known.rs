//! What the forecaster knows of the floor, and when it counts.
//!
//! What a round comes to is a matter of the log and of the day alone, never of when the worker
//! was started or looked: habits are learnt from what had been recorded when the day began; air
//! and weights count with the next fact that forecasts turn on, or with the next day; and it is
//! forecast from the instant of the newest fact that counts.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use bus::{Position, Stored};
use chrono::{DateTime, Utc};
use facts::wire::Read;
use facts::{BatchId, Event, Fact, FactId, ForecastTold, WheelId};
use projection::{Store, StoreError};
use site::Site;

use crate::book::{Book, Had, Instant, Newest};
use crate::round::Round;
use crate::shelf::{FORMAT, key, line};

/// Facts that forecasts rest on, and what was told last.
pub(crate) struct Known {
    pub(crate) site: Site,
    /// The present: none before the first tick.
    pub(crate) now: Option<DateTime<Utc>>,
    /// What counts; away while a round works with it.
    book: Option<Book>,
    /// What came meanwhile, and counts.
    fresh: Vec<Fact>,
    /// What came since, and counts with the next fact that forecasts turn on; whether it is
    /// stored.
    waiting: BTreeMap<FactId, (Fact, bool)>,
    /// What was stored as waiting and waits no more.
    over: Vec<FactId>,
    newest: Newest,
    /// Something was seen since the last round began.
    stirred: bool,
    /// When the dairy day of the last round began.
    day_began: Option<DateTime<Utc>>,
    /// Something came that had been recorded before that: habits must be learnt again.
    late: bool,
    /// What was told and has not come back with the log yet.
    told: BTreeMap<BatchId, ForecastTold>,
    /// What no round has seen yet, and what one is at work with.
    young: Young,
    at_work: Young,
}

/// When batches and wheels were made of which there is no forecast yet.
#[derive(Debug, Clone, Default)]
pub(crate) struct Young {
    batches: BTreeMap<BatchId, DateTime<Utc>>,
    wheels: BTreeMap<WheelId, DateTime<Utc>>,
}

impl Young {
    /// When the batch or wheel of that code was made.
    pub(crate) fn made(&self, code: &str) -> Option<DateTime<Utc>> {
        let batch = code.parse().ok().and_then(|id| self.batches.get(&id));
        let wheel = || code.parse().ok().and_then(|id| self.wheels.get(&id));
        batch.or_else(wheel).copied()
    }

    fn take(&mut self, fact: &Fact) {
        let at = fact.occurred_at;
        match &fact.event {
            Event::VatStarted(started) => {
                self.batches.entry(started.batch).or_insert(at);
            }
            Event::WheelPortioned(born) => {
                self.batches.entry(born.batch).or_insert(at);
                self.wheels.entry(born.wheel).or_insert(at);
            }
            _ => {}
        }
    }
}

/// A worker's knowledge as its store had it.
pub(crate) struct Opened {
    pub(crate) known: Known,
    /// What it stands for.
    pub(crate) position: Option<Position>,
}

impl Known {
    /// What is stored in a folder.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be used.
    pub(crate) fn open(site: &Site, folder: &Path) -> Result<Opened, StoreError> {
        let (store, had, _aside) = Store::open_with(folder, FORMAT, Had::of)?;
        Ok(Opened {
            position: had.position.clone(),
            known: Self::of(Arc::new(store), had, site)?,
        })
    }

    fn of(store: Arc<Store>, mut had: Had, site: &Site) -> Result<Self, StoreError> {
        let waiting = std::mem::take(&mut had.waiting);
        let newest = had.newest;
        let book = Book::new(store, had, site)?;
        let mut young = Young::default();
        waiting.iter().for_each(|fact| young.take(fact));
        let waiting: BTreeMap<_, _> = waiting.into_iter().map(|f| (f.id, (f, true))).collect();
        Ok(Self {
            site: site.clone(),
            now: None,
            day_began: book.learnt_for(),
            book: Some(book),
            fresh: Vec::new(),
            newest,
            waiting,
            over: Vec::new(),
            stirred: false,
            late: false,
            told: BTreeMap::new(),
            young,
            at_work: Young::default(),
        })
    }

    /// The same store, emptied: the log is another.
    pub(crate) fn begin_again(self) -> Result<Self, StoreError> {
        let Some(book) = self.book else {
            return Ok(self);
        };
        let store = book.shelf.store().clone();
        store.empty()?;
        Self::of(store, Had::default(), &self.site)
    }

    /// Where batches that are not at hand lie; none while a round has it.
    pub(crate) fn store(&self) -> Option<&Arc<Store>> {
        self.book.as_ref().map(|book| book.shelf.store())
    }

    /// What was made since the last round, and when, by its code.
    pub(crate) fn young(&self) -> Young {
        let mut young = self.at_work.clone();
        young.batches.extend(&self.young.batches);
        young.wheels.extend(&self.young.wheels);
        young
    }

    /// Takes a message of the log. What cannot be read is the scheduler's to reject.
    pub(crate) fn message(&mut self, message: &Stored) {
        let Ok(Read::Fact(fact)) = message.read() else {
            return;
        };
        if fact.site == self.site.id {
            self.fact(fact);
        }
    }

    pub(crate) fn fact(&mut self, fact: Fact) {
        self.young.take(&fact);
        if let Event::ForecastTold(told) = &fact.event {
            if self.told.get(&told.batch) == Some(told) {
                self.told.remove(&told.batch);
            }
            self.fresh.push(fact);
        } else if rests_on(&fact.event) {
            let at = fact.recorded_at;
            self.newest.came = self.newest.came.max(Some(Instant { at }));
            let turns = forecasts_turn_on(&fact.event);
            if is_of_milk(&fact.event) {
                return;
            }
            let late = self.day_began.is_some_and(|began| fact.recorded_at < began);
            self.late |= late;
            self.stirred |= late || turns;
            self.waiting.entry(fact.id).or_insert((fact, false));
            if turns {
                self.newest.counts = self.newest.counts.max(self.newest.came.take());
                self.count(|_| true);
            }
        }
    }

    /// Those that waited count from now on.
    fn count(&mut self, which: impl Fn(&Fact) -> bool) {
        for (id, (fact, stored)) in self.waiting.extract_if(.., |_, (fact, _)| which(fact)) {
            self.fresh.push(fact);
            if stored {
                self.over.push(id);
            }
        }
    }

    pub(crate) const fn is_stirred(&self) -> bool {
        self.stirred
    }

    /// Writes what was read up to a position of the log; later, while a round is at work.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn write(&mut self, position: Option<&Position>) -> Result<(), StoreError> {
        if let Some(mut book) = self.book.take() {
            let written = self
                .settle(&mut book)
                .and_then(|()| book.shelf.write(position));
            self.book = Some(book);
            written?;
        }
        Ok(())
    }

    /// Puts into the book what has come.
    fn settle(&mut self, book: &mut Book) -> Result<(), StoreError> {
        for fact in self.fresh.drain(..) {
            book.take(&fact)?;
        }
        for id in self.over.drain(..) {
            book.shelf.remove(key::waiting(id));
        }
        for (id, (fact, stored)) in self.waiting.iter_mut().filter(|(_, (_, stored))| !stored) {
            book.shelf.put(key::waiting(*id), &line(fact)?)?;
            *stored = true;
        }
        if self.late {
            book.forget_habits();
        }
        book.keep_newest(self.newest)
    }

    /// Begins a round; none while another is at work.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn round(&mut self, now: DateTime<Utc>) -> Result<Option<Round>, StoreError> {
        let Some(mut book) = self.book.take() else {
            return Ok(None);
        };
        let clock = self.site.clock;
        let day_began = clock.start_of(clock.day_of(now));
        self.count(|fact| fact.recorded_at < day_began);
        self.settle(&mut book)?;
        self.day_began = Some(day_began);
        self.late = false;
        self.stirred = false;
        self.at_work = std::mem::take(&mut self.young);
        for (fact, _) in self.waiting.values() {
            self.young.take(fact);
        }
        Ok(Some(Round {
            site: self.site.clone(),
            book,
            now: self
                .newest
                .counts
                .map_or(day_began, |newest| newest.at.min(now).max(day_began)),
            day_began,
        }))
    }

    /// Takes the book back; gives what has to be told.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn back(
        &mut self,
        mut book: Book,
        told: Vec<ForecastTold>,
    ) -> Result<Vec<ForecastTold>, StoreError> {
        self.settle(&mut book)?;
        let book = self.book.insert(book);
        self.at_work = Young::default();
        let mut news = Vec::new();
        for told in told {
            let before = match self.told.get(&told.batch) {
                Some(before) => Some(before.clone()),
                None => book.told(told.batch)?,
            };
            if before.is_none_or(|before| differs(&before, &told)) {
                self.told.insert(told.batch, told.clone());
                news.push(told);
            }
        }
        Ok(news)
    }
}

/// Whether a fact says anything to a forecast. Facts that were not kept are not in the store:
/// with another kind, its format is another.
const fn rests_on(event: &Event) -> bool {
    matches!(
        event,
        Event::VatStarted(_)
            | Event::VatRecipeChanged(_)
            | Event::VatDosed(_)
            | Event::VatDrained(_)
            | Event::VatFilled(_)
            | Event::VatReworked(_)
            | Event::VatClosed(_)
            | Event::MilkReceived(_)
            | Event::MilkPooled(_)
            | Event::WheelPortioned(_)
            | Event::WheelUnhooped(_)
            | Event::WheelMoved(_)
            | Event::WheelPierced(_)
            | Event::WheelIroned(_)
            | Event::WheelWeighed(_)
            | Event::WheelDispatched(_)
            | Event::WheelDiscarded(_)
            | Event::WheelReturned(_)
            | Event::RindObserved(_)
            | Event::RoomClimateRead(_)
            | Event::Voided(_)
    )
}

/// Whether forecasts are made again for it. Air and weights count with the next day, and so does
/// a vat until it is closed.
const fn forecasts_turn_on(event: &Event) -> bool {
    !matches!(
        event,
        Event::RoomClimateRead(_)
            | Event::WheelWeighed(_)
            | Event::WheelPortioned(_)
            | Event::VatDosed(_)
            | Event::VatDrained(_)
            | Event::VatFilled(_)
            | Event::VatReworked(_)
            | Event::MilkReceived(_)
            | Event::MilkPooled(_)
    )
}

/// Milk moves the instant that is forecast from; nothing else rests on it.
const fn is_of_milk(event: &Event) -> bool {
    matches!(event, Event::MilkReceived(_) | Event::MilkPooled(_))
}

/// Whether another day is expected for anything, or another wheel tells more: what it rests
/// on alone is no news.
fn differs(before: &ForecastTold, now: &ForecastTold) -> bool {
    let days = |told: &ForecastTold| (told.covered, told.leaves, told.moved_on, told.ready);
    days(before) != days(now)
        || before.cover_pct != now.cover_pct
        || before.worth_ironing != now.worth_ironing
}
