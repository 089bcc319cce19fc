//! The truth about the floor, as the simulation itself knows it.

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::later;
use crate::deed::{Act, Deed, Incident, Mark, MissedTurn, Stranger, WheelNo};
use crate::state::{WheelState, fold};

/// A wheel's birth.
#[derive(Debug, Clone)]
pub(crate) struct Made {
    pub(crate) id: String,
    pub(crate) batch: String,
    pub(crate) day: NaiveDate,
}

/// Counts over some dairy days; [`Ledger`] says what counts.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Summary {
    /// Vats filled.
    pub vats: usize,
    /// Wheels portioned.
    pub made: usize,
    /// Their weight, grams.
    pub portioned_g: u64,
    /// Turns, doubles and contradictions included.
    pub turns: usize,
    /// Turn-days over all wheels.
    pub turn_days: usize,
    /// Missed turns over all wheels.
    pub missed_turns: usize,
    /// Wheels unhooped.
    pub unhooped: usize,
    /// Wheels rubbed up.
    pub rubbed_up: usize,
    /// Wheels put on a stillage, corrections and returns included.
    pub loaded: usize,
    /// Wheels brought to a room.
    pub moved: usize,
    /// Wheels whose rind was looked at.
    pub rinds_seen: usize,
    /// Wheels pierced.
    pub pierced: usize,
    /// Wheels weighed again.
    pub weighed: usize,
    /// Cores drawn.
    pub ironed: usize,
    /// Wheels graded; a wheel graded again on its own counts again.
    pub graded: usize,
    /// Wheels put on hold.
    pub held: usize,
    /// Wheels released from a hold.
    pub released: usize,
    /// Wheels dispatched.
    pub dispatched: usize,
    /// Wheels that came back.
    pub returned: usize,
    /// Wheels thrown away.
    pub discarded: usize,
    /// Needle counts that fell short.
    pub needles_short: usize,
    /// Records that repeat the one before.
    pub doubles: usize,
    /// Records that arrived later than they were made.
    pub late: usize,
    /// Records voided.
    pub voided: usize,
    /// Records that contradict a wheel's life.
    pub contradictions: usize,
    /// Records about wheels never made here.
    pub strangers: usize,
    /// Barcodes read that mean nothing.
    pub nonsense: usize,
    /// Attempts to dispatch a held wheel; nothing is recorded for one.
    pub stopped: usize,
    /// Records in all, voided ones included, strangers not. A portioning is one record.
    pub records: usize,
}

/// The truth: every wheel, every record, every trouble.
///
/// What counts, exactly:
/// - a **deed** belongs to the dairy day in which it was done, whenever it arrived;
/// - a voided deed counts for nothing but [`Summary::voided`];
/// - a **turn** is one deed on one wheel: a stillage of 24 scanned twice is 48 turns;
/// - a **turn-day** of a wheel is a dairy day with at least one turn that is not voided;
/// - a wheel **misses its turn** on a dairy day at whose end it was in the house, that is
///   later than its make day, and that is no turn-day of it. On the day on which it leaves
///   it can miss nothing; on the day on which it comes back it can;
/// - a **contradiction** (a wheel turned after it left) is a deed like any other, marked.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    pub(crate) wheels: Vec<Made>,
    pub(crate) deeds: Vec<Deed>,
    pub(crate) missed: Vec<MissedTurn>,
    pub(crate) strangers: Vec<Stranger>,
    pub(crate) nonsense: Vec<(NaiveDate, String)>,
    pub(crate) stopped: Vec<(NaiveDate, WheelNo)>,
    pub(crate) incidents: Vec<Incident>,
    /// The last dairy day played.
    pub(crate) last_day: Option<NaiveDate>,
}

impl Ledger {
    /// A wheel's code.
    #[must_use]
    pub fn wheel_id(&self, wheel: WheelNo) -> Option<&str> {
        self.wheels.get(wheel).map(|made| made.id.as_str())
    }

    /// How many wheels were ever made.
    #[must_use]
    pub fn wheels_made(&self) -> usize {
        self.wheels.len()
    }

    /// Every record, in the order in which the simulation made them: in time order per
    /// wheel and per station, not overall.
    #[must_use]
    pub fn deeds(&self) -> &[Deed] {
        &self.deeds
    }

    /// The carriers that were passed over. A wheel that left the same day is listed here,
    /// but misses nothing by the ledger's definition.
    #[must_use]
    pub fn passed_over(&self) -> &[MissedTurn] {
        &self.missed
    }

    /// Records about wheels that were never made here.
    #[must_use]
    pub fn strangers(&self) -> &[Stranger] {
        &self.strangers
    }

    /// What people would talk about, oldest first.
    #[must_use]
    pub fn incidents(&self) -> &[Incident] {
        &self.incidents
    }

    /// The last dairy day played, if any.
    #[must_use]
    pub fn last_day(&self) -> Option<NaiveDate> {
        self.last_day
    }

    /// Every wheel as it truly stood at an instant.
    #[must_use]
    pub fn state_at(&self, at: DateTime<Utc>) -> Vec<WheelState> {
        fold(self, at, |deed_at, _| deed_at <= at)
    }

    /// Every wheel as a system can know it at an instant: only what had arrived counts,
    /// so turns still kept in a handheld show as missed.
    #[must_use]
    pub fn known_at(&self, at: DateTime<Utc>) -> Vec<WheelState> {
        fold(self, at, |_, arrives_at| arrives_at <= at)
    }

    /// The wheels that missed their turn on one dairy day, by code.
    #[must_use]
    pub fn missed_on(&self, day: NaiveDate) -> Vec<String> {
        self.state_at(crate::calendar::end_of(day))
            .into_iter()
            .filter(|wheel| wheel.missed_turn_days.contains(&day))
            .map(|wheel| wheel.id)
            .collect()
    }

    /// Counts over the dairy days from `first` to `last`, both included.
    #[must_use]
    pub fn summary(&self, first: NaiveDate, last: NaiveDate) -> Summary {
        let within = |day: &NaiveDate| (first..=last).contains(day);
        let mut sum = Summary {
            strangers: self.strangers.iter().filter(|s| within(&s.day)).count(),
            nonsense: self.nonsense.iter().filter(|(day, _)| within(day)).count(),
            stopped: self.stopped.iter().filter(|(day, _)| within(day)).count(),
            ..Summary::default()
        };
        for deed in self.deeds.iter().filter(|deed| within(&deed.day)) {
            sum.count(deed);
        }
        for wheel in self.state_at(crate::calendar::end_of(last)) {
            sum.turn_days += wheel.turn_days.iter().filter(|d| within(d)).count();
            sum.missed_turns += wheel.missed_turn_days.iter().filter(|d| within(d)).count();
        }
        sum
    }

    /// Notes an incident.
    pub(crate) fn tell(&mut self, day: NaiveDate, at: DateTime<Utc>, words: String) {
        self.incidents.push(Incident { day, at, words });
    }

    /// The last dairy day played that is over at an instant.
    pub(crate) fn last_whole_day(&self, at: DateTime<Utc>) -> Option<NaiveDate> {
        let mut day = self.last_day?;
        while crate::calendar::end_of(day) > at {
            let before = later(day, -1);
            if before == day {
                return None;
            }
            day = before;
        }
        Some(day)
    }
}

impl Summary {
    fn count(&mut self, deed: &Deed) {
        self.records += 1;
        if deed.arrives_at > deed.at {
            self.late += 1;
        }
        if deed.voided.is_some() {
            self.voided += 1;
            return;
        }
        match deed.mark {
            Mark::Plain => {}
            Mark::Double => self.doubles += 1,
            Mark::Contradiction => self.contradictions += 1,
        }
        let wheels = deed.wheels.len();
        match &deed.act {
            Act::VatStarted { .. } => self.vats += 1,
            Act::Portioned { grams, .. } => {
                self.made += wheels;
                self.portioned_g += u64::from(*grams);
            }
            Act::Turned => self.turns += wheels,
            Act::Unhooped => self.unhooped += wheels,
            Act::RubbedUp => self.rubbed_up += wheels,
            Act::Loaded { .. } => self.loaded += wheels,
            Act::Moved { .. } => self.moved += wheels,
            Act::RindSeen { .. } => self.rinds_seen += wheels,
            Act::NeedlesCounted { expected, counted } => {
                self.needles_short += usize::from(counted < expected);
            }
            Act::Pierced => self.pierced += wheels,
            Act::Weighed { .. } => self.weighed += wheels,
            Act::Ironed { .. } => self.ironed += wheels,
            Act::Graded { .. } => self.graded += wheels,
            Act::Held { .. } => self.held += wheels,
            Act::Released { .. } => self.released += wheels,
            Act::Dispatched { .. } => self.dispatched += wheels,
            Act::Returned => self.returned += wheels,
            Act::Discarded => self.discarded += wheels,
        }
    }
}
