//! The dairy: one day after another.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, NaiveDate, Utc, Weekday};

use crate::calendar::{end_of, is_weekday, later, local};
use crate::chance::Chance;
use crate::climate::Fault;
use crate::doing::{DayScript, Doing, Sale};
use crate::floor::Floor;
use crate::hold::OpenHold;
use crate::ledger::Ledger;
use crate::mistakes::Mistakes;
use crate::nature::{Living, Nature};

/// How much is made. Vats are filled Monday to Friday, and one every other Saturday.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    /// Vats on a weekday, 1 to 4.
    pub vats_a_day: usize,
    /// Wheels aimed for from one vat, 2 to 60; a make gives one more or less.
    pub wheels_a_vat: usize,
}

impl Size {
    /// Larkholm as it is shown: about 3 000 wheels in the house once it is full, ten to
    /// eleven weeks after the start.
    #[must_use]
    pub const fn larkholm() -> Self {
        Self {
            vats_a_day: 2,
            wheels_a_vat: 30,
        }
    }

    /// A tenth of it, for quick tests: about 300 wheels in the house once it is full.
    #[must_use]
    pub const fn small() -> Self {
        Self {
            vats_a_day: 1,
            wheels_a_vat: 6,
        }
    }
}

/// The simulated dairy.
#[derive(Debug, Clone)]
pub struct Dairy {
    seed: u64,
    pub(crate) size: Size,
    pub(crate) mistakes: Mistakes,
    /// Decides about the cheese and the pace of work.
    pub(crate) chance: Chance,
    /// Decides about mistakes.
    pub(crate) luck: Chance,
    /// Decides about the rooms' air.
    pub(crate) air: Chance,
    /// The next day to play.
    next: NaiveDate,
    /// Days since the start of the day being played.
    pub(crate) day_no: u32,
    /// The living part of a varied nature.
    pub(crate) living: Option<Living>,
    pub(crate) floor: Floor,
    pub(crate) ledger: Ledger,
    /// Done but not handed out yet, because it arrives later.
    pub(crate) waiting: Vec<Doing>,
    /// When each station is free again.
    pub(crate) busy: BTreeMap<&'static str, DateTime<Utc>>,
    /// When each station's docking, named by its start, is free again.
    pub(crate) docks: BTreeMap<(&'static str, DateTime<Utc>), DateTime<Utc>>,
    pub(crate) faults: Vec<Fault>,
    pub(crate) holds: Vec<OpenHold>,
    pub(crate) orders: u32,
    /// Sold on the day being played.
    pub(crate) sales: Vec<Sale>,
}

impl Dairy {
    /// An empty dairy whose first dairy day starts on `start_day`, between the years 1990
    /// and 2200. The same arguments always give the same life.
    #[must_use]
    pub fn new(seed: u64, start_day: NaiveDate, size: Size, mistakes: Mistakes) -> Self {
        let year = |year| NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or(start_day);
        Self {
            seed,
            size: Size {
                vats_a_day: size.vats_a_day.clamp(1, 4),
                wheels_a_vat: size.wheels_a_vat.clamp(2, 60),
            },
            mistakes,
            chance: Chance::new(seed, 1),
            luck: Chance::new(seed, 2),
            air: Chance::new(seed, 3),
            next: start_day.max(year(1990)).min(year(2200)),
            day_no: 0,
            living: None,
            floor: Floor::default(),
            ledger: Ledger::default(),
            waiting: Vec::new(),
            busy: BTreeMap::new(),
            docks: BTreeMap::new(),
            faults: Vec::new(),
            holds: Vec::new(),
            orders: 1000,
            sales: Vec::new(),
        }
    }

    /// The same dairy with another nature, before its first day.
    #[must_use]
    pub fn with_nature(mut self, nature: Nature) -> Self {
        self.living = match nature {
            Nature::Even => None,
            Nature::Varied => Some(Living::new(self.seed)),
        };
        self
    }

    /// Plays the next dairy day and gives what reaches the system during it.
    pub fn next_day(&mut self) -> DayScript {
        let day = self.next;
        if let Some(living) = &mut self.living {
            living.drift();
        }
        self.read_climate(day);
        self.check_scale(day);
        let batches = self.fill_vats(day);
        let (turned, night_round) = self.turn_all(day);
        let moved_in = self.unhoop(day, turned);
        let seen = self.look_at_rinds(day, moved_in);
        self.turn_wrongly(day);
        if is_weekday(day) {
            if self.pierces_on(day) {
                self.pierce(day, seen);
            }
            let graded = self.iron_and_grade(day, seen);
            self.release_holds(day);
            self.dispatch(day, graded);
        }
        self.portion(day, &batches);
        self.weigh_some(day);
        self.set_hold(day);
        self.swap(day);
        self.discard(day);
        self.take_back(day);
        self.turn_at_night(day, &night_round);
        self.grow(day);
        self.ledger.last_day = Some(day);
        self.ledger.incidents.sort_by_key(|incident| incident.at);
        self.next = later(day, 1);
        self.day_no += 1;
        self.hand_out(day)
    }

    /// What truly happened so far, scans included that have not arrived yet.
    #[must_use]
    pub const fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Wheels in the house now.
    #[must_use]
    pub fn wheels_in_house(&self) -> usize {
        self.floor.wheels.iter().filter(|w| w.in_house()).count()
    }

    fn hand_out(&mut self, day: NaiveDate) -> DayScript {
        let end = end_of(day);
        let all = std::mem::take(&mut self.waiting);
        let (mut doings, waiting): (Vec<_>, Vec<_>) =
            all.into_iter().partition(|doing| doing.arrives_at < end);
        self.waiting = waiting;
        self.docks.retain(|(_, opens), _| *opens >= end);
        doings.sort_by_key(|doing| doing.arrives_at);
        let sales = std::mem::take(&mut self.sales);
        DayScript { day, doings, sales }
    }

    /// Vats to fill today.
    pub(crate) fn vats(&self, day: NaiveDate) -> usize {
        match day.weekday() {
            Weekday::Sat => usize::from(day.iso_week().week().is_multiple_of(2)),
            Weekday::Sun => 0,
            _ => self.size.vats_a_day,
        }
    }

    /// A local time today, or when all of today's work so far is done, whichever is later.
    pub(crate) fn after_all(&self, day: NaiveDate, hour: i64, minute: i64) -> DateTime<Utc> {
        let at = local(day, hour, minute);
        self.busy.values().copied().fold(at, DateTime::max)
    }
}
