//! What is known of a wheel: its notes, folded in order.

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    BatchId, Carrier, FactId, Grade, HoldId, HoopId, MarketId, OrderId, PositionId, RoomId,
    StackId, StillageId, ToolId,
};
use holds::{Ledger, Says};
use quantity::{Age, DairyDay, Grams, Percent};
use serde::{Deserialize, Serialize};

use crate::{Moment, Note, What};

/// A value and when it was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seen<T> {
    /// The value.
    pub value: T,
    /// When, and by which fact.
    pub moment: Moment,
}

/// Something that cannot be right: kept, and shown to a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Flag {
    /// What is odd.
    pub kind: FlagKind,
    /// The fact that made it so.
    pub fact: FactId,
}

/// What can be odd about a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FlagKind {
    /// Portioned a second time: two wheels with one serial.
    BornTwice,
    /// Something happened to it before, or without, its portioning.
    NotBorn,
    /// Something happened to it after it was dispatched.
    AfterDispatch,
    /// Something happened to it after it was discarded.
    AfterDiscard,
    /// Unhooped a second time.
    UnhoopedTwice,
    /// Rubbed up while still in the hoop.
    RubbedUpInHoop,
    /// Pierced while still in the hoop.
    PiercedInHoop,
    /// Dispatched while held.
    DispatchedWhileHeld,
    /// Released from a hold it was not under.
    ReleasedNotHeld,
    /// A release that names no person: it does not count.
    ReleasedByNobody,
    /// A release by somebody whom the safety file does not name: it does not count.
    ReleasedWithoutRight,
    /// Scanned with a carrier that it does not stand on.
    SeenElsewhere,
    /// In two rooms within too short a time.
    TwoRooms,
    /// Sent to a market where it is younger than the law there allows.
    TooYoungForMarket,
    /// Sent to a market that does not take its grade.
    WrongGradeForMarket,
}

impl FlagKind {
    /// What is odd, in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::BornTwice => "portioned twice: two wheels may carry this serial",
            Self::NotBorn => "never portioned here, or scanned before it was",
            Self::AfterDispatch => "scanned after it was dispatched",
            Self::AfterDiscard => "scanned after it was discarded",
            Self::UnhoopedTwice => "unhooped twice",
            Self::RubbedUpInHoop => "rubbed up while still in the hoop",
            Self::PiercedInHoop => "pierced while still in the hoop",
            Self::DispatchedWhileHeld => "dispatched while held",
            Self::ReleasedNotHeld => "released from a hold it was not under",
            Self::ReleasedByNobody => "released without a person's name: the hold stands",
            Self::ReleasedWithoutRight => {
                "released by somebody whom the safety file does not name: the hold stands"
            }
            Self::SeenElsewhere => {
                "scanned with a stillage, stack or hoop that it does not stand on"
            }
            Self::TwoRooms => "scanned in two rooms within two minutes",
            Self::TooYoungForMarket => "sent to a market where the law asks for an older wheel",
            Self::WrongGradeForMarket => "sent to a market that does not take its grade",
        }
    }
}

/// One piercing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Piercing {
    /// The machine.
    pub machine: ToolId,
    /// Its dairy day.
    pub day: DairyDay,
    /// When, and by which fact.
    pub moment: Moment,
}

/// A wheel that is scanned in one room and, sooner than this, in another was not in both.
const BETWEEN_ROOMS: TimeDelta = TimeDelta::minutes(2);

/// What is known of a wheel.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct State {
    /// Its batch.
    pub batch: Option<BatchId>,
    /// When it was portioned.
    pub born: Option<Moment>,
    /// The dairy day it was portioned on: its make day.
    pub made: Option<DairyDay>,
    /// Curd weight at portioning.
    pub portion: Option<Grams>,
    /// Latest weight, the portion's included.
    pub weight: Option<Seen<Grams>>,
    /// The hoop it is in.
    pub hoop: Option<HoopId>,
    /// The stack its hoop stands in.
    pub stack: Option<StackId>,
    /// The stillage it is on.
    pub stillage: Option<StillageId>,
    /// The room it is in, and since when.
    pub room: Option<Seen<RoomId>>,
    /// Its place there.
    pub position: Option<PositionId>,
    /// How often it was turned. An even number means that the make-day face is up.
    pub turns: u32,
    /// On how many dairy days it was turned.
    pub turn_days: u32,
    /// The latest turn, and its dairy day.
    pub turned: Option<Seen<DairyDay>>,
    /// When it left the hoop, and that dairy day.
    pub unhooped: Option<Seen<DairyDay>>,
    /// When it was rubbed up, and that dairy day.
    pub rubbed_up: Option<Seen<DairyDay>>,
    /// Latest rind cover seen.
    pub rind: Option<Seen<Percent>>,
    /// When mould was first seen on it.
    pub first_rind: Option<Moment>,
    /// Latest piercing.
    pub pierced: Option<Seen<ToolId>>,
    /// Every piercing, in order.
    pub piercings: Vec<Piercing>,
    /// Latest core.
    pub ironed: Option<Seen<Percent>>,
    /// How many cores were drawn.
    pub cores: u32,
    /// Its grade.
    pub grade: Option<Seen<Grade>>,
    /// Whether a label was printed for it.
    pub labelled: bool,
    /// What facts say of its holds: [`crate::Floor::held`] says which stand.
    pub holds: Ledger,
    /// The order that it was last sent for; a wheel that came back keeps it.
    pub sent_for: Option<OrderId>,
    /// The order it is promised to.
    pub allocated: Option<OrderId>,
    /// When it left, and to which market.
    pub dispatched: Option<Seen<Option<MarketId>>>,
    /// Every time it left.
    pub left: Vec<Moment>,
    /// When it arrived.
    pub delivered: Option<Moment>,
    /// When it came back.
    pub returned: Option<Moment>,
    /// When it was thrown away.
    pub discarded: Option<Moment>,
    /// The last time anything happened to it on the floor.
    pub last_seen: Option<Moment>,
    /// What cannot be right about it.
    pub flags: Vec<Flag>,
}

impl State {
    /// On how many dairy days it was pierced: a second scan on the same day is the same
    /// piercing.
    #[must_use]
    pub fn piercing_days(&self) -> usize {
        let days = self.piercings.chunk_by(|a, b| a.day == b.day);
        days.count()
    }

    /// Since when it has been gone, having left or been thrown away: the last that is known of
    /// it.
    #[must_use]
    pub fn gone_since(&self) -> Option<DateTime<Utc>> {
        let left = self.dispatched.map(|left| left.moment);
        let gone = left.max(self.discarded).filter(|_| self.born.is_some())?;
        let known = [self.delivered, self.last_seen];
        let known = known.into_iter().flatten().fold(gone, Moment::max);
        Some(known.at)
    }

    /// Whether it was portioned here and still stands on the floor.
    #[must_use]
    pub const fn on_floor(&self) -> bool {
        self.born.is_some() && self.dispatched.is_none() && self.discarded.is_none()
    }

    /// Whether facts speak of it, but none of its portioning: it counts nowhere, and somebody
    /// has to look what was scanned.
    #[must_use]
    pub const fn is_stray(&self) -> bool {
        self.born.is_none() && self.last_seen.is_some()
    }

    /// Whether it is draining in its hoop.
    #[must_use]
    pub const fn in_hoop(&self) -> bool {
        self.born.is_some() && self.unhooped.is_none()
    }

    /// Its age on a dairy day.
    #[must_use]
    pub fn age_on(&self, day: DairyDay) -> Option<Age> {
        self.made.map(|made| Age(day.days_since(made)))
    }

    /// The dairy day it must be seen as having been turned last: never turned counts
    /// from the day it was portioned.
    #[must_use]
    pub fn turned_or_made(&self) -> Option<DairyDay> {
        self.turned.map(|t| t.value).or(self.made)
    }

    /// Folds one note, which must be later than every note folded so far. `day` is the
    /// dairy day of the note.
    pub fn apply(&mut self, note: &Note, day: DairyDay) {
        let moment = note.moment;
        if !matches!(note.what, What::Labelled { .. } | What::Delivered { .. }) {
            self.flag_what_cannot_be(note);
            self.last_seen = Some(moment);
        }
        match &note.what {
            What::Portioned { batch, weight } => {
                self.holds.born(moment, *batch);
                if self.born.is_none() {
                    self.batch = Some(*batch);
                    self.born = Some(moment);
                    self.made = Some(day);
                    self.portion = Some(*weight);
                    self.weight = Some(Seen {
                        value: *weight,
                        moment,
                    });
                }
            }
            What::Hooped { hoop, stack } => {
                self.hoop = Some(*hoop);
                self.stack = *stack;
            }
            What::Turned => {
                self.turns += 1;
                if self.turned.is_none_or(|turned| turned.value != day) {
                    self.turn_days += 1;
                }
                self.turned = Some(Seen { value: day, moment });
            }
            What::Unhooped => {
                self.unhooped.get_or_insert(Seen { value: day, moment });
                self.hoop = None;
                self.stack = None;
            }
            What::RubbedUp => self.rubbed_up = Some(Seen { value: day, moment }),
            What::Loaded { stillage } => self.stillage = Some(*stillage),
            What::Moved { room, position } => {
                if self.room.is_none_or(|r| r.value != *room) {
                    self.room = Some(Seen {
                        value: *room,
                        moment,
                    });
                }
                self.position = *position;
            }
            What::RindSeen { cover } => {
                self.rind = Some(Seen {
                    value: *cover,
                    moment,
                });
                if cover.get() > 0.0 {
                    self.first_rind.get_or_insert(moment);
                }
            }
            What::Pierced { machine } => {
                self.pierced = Some(Seen {
                    value: *machine,
                    moment,
                });
                self.piercings.push(Piercing {
                    machine: *machine,
                    day,
                    moment,
                });
            }
            What::Ironed { coverage, .. } => {
                self.ironed = Some(Seen {
                    value: *coverage,
                    moment,
                });
                self.cores += 1;
            }
            What::Graded { grade } => {
                self.grade = Some(Seen {
                    value: *grade,
                    moment,
                })
            }
            What::Weighed { weight } => {
                self.weight = Some(Seen {
                    value: *weight,
                    moment,
                })
            }
            What::Labelled { .. } => self.labelled = true,
            What::Sampled { .. } | What::Used { .. } => {}
            What::Held { hold, .. } => self.hold_note(note, *hold, Says::Held),
            What::Released { hold, .. } => self.hold_note(note, *hold, Says::Released),
            What::Allocated { order } => self.allocated = Some(*order),
            What::Dispatched { order, market } => {
                self.left.push(moment);
                self.sent_for = order.or(self.sent_for);
                self.dispatched = Some(Seen {
                    value: *market,
                    moment,
                });
                self.stillage = None;
                self.room = None;
                self.position = None;
            }
            What::Delivered { .. } => self.delivered = Some(moment),
            What::Returned { .. } => {
                self.returned = Some(moment);
                self.dispatched = None;
                self.delivered = None;
            }
            What::Discarded { .. } => self.discarded = Some(moment),
        }
    }

    fn hold_note(&mut self, note: &Note, hold: HoldId, says: Says) {
        self.holds.note(holds::Note {
            moment: note.moment,
            hold,
            person: note.person,
            says,
        });
    }

    /// Folds notes from nothing. `day_of` names the dairy day of an instant.
    pub fn of<'n>(
        notes: impl Iterator<Item = &'n Note>,
        day_of: impl Fn(DateTime<Utc>) -> DairyDay,
    ) -> Self {
        let mut state = Self::default();
        for note in notes {
            state.apply(note, day_of(note.moment.at));
        }
        state
    }

    /// Whether a scan of a carrier names this wheel although it stands on another of the
    /// same kind.
    fn stands_elsewhere(&self, via: Option<Carrier>) -> bool {
        match via {
            Some(Carrier::Stillage(id)) => self.stillage.is_some_and(|on| on != id),
            Some(Carrier::Stack(id)) => self.stack.is_some_and(|on| on != id),
            Some(Carrier::Hoop(id)) => self.hoop.is_some_and(|on| on != id),
            None => false,
        }
    }

    fn flag_what_cannot_be(&mut self, note: &Note) {
        let in_hoop = self.in_hoop();
        let elsewhere = self.stands_elsewhere(note.via);
        let mut odd = |kind| {
            self.flags.push(Flag {
                kind,
                fact: note.moment.fact,
            })
        };
        match (&note.what, self.born) {
            (What::Portioned { .. }, Some(_)) => odd(FlagKind::BornTwice),
            (What::Portioned { .. }, None) | (_, Some(_)) => {}
            (_, None) => odd(FlagKind::NotBorn),
        }
        if self.discarded.is_some() {
            odd(FlagKind::AfterDiscard);
        } else if self.dispatched.is_some()
            && !matches!(
                note.what,
                What::Returned { .. } | What::Held { .. } | What::Released { .. }
            )
        {
            odd(FlagKind::AfterDispatch);
        }
        if elsewhere {
            odd(FlagKind::SeenElsewhere);
        }
        match &note.what {
            What::Moved { room, .. }
                if self.room.is_some_and(|was| {
                    was.value != *room && note.moment.at - was.moment.at < BETWEEN_ROOMS
                }) =>
            {
                odd(FlagKind::TwoRooms);
            }
            What::Unhooped if self.unhooped.is_some() => odd(FlagKind::UnhoopedTwice),
            What::RubbedUp if in_hoop => odd(FlagKind::RubbedUpInHoop),
            What::Pierced { .. } if in_hoop => odd(FlagKind::PiercedInHoop),
            _ => {}
        }
    }
}
