//! What a person may do, by role and by how well it is known who they are: one table, a row a
//! kind of fact.
//!
//! A badge is a name, not a proof: anyone can hold up a card. What keeps people safe, such as
//! the end of a hold, needs someone who is signed in with badge and PIN. A record of one's own
//! can be taken back for a few minutes where it was made; what keeps people safe only by a
//! manager's correction, which says why.

use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, FactId, Grade, PersonId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How long the person who recorded something can take it back where they recorded it.
pub const UNDO_WITHIN: TimeDelta = TimeDelta::minutes(10);

/// How long it may take from the receipt of an UNDO until it is written down.
const TO_THE_DISK: TimeDelta = TimeDelta::minutes(1);

/// What a person is here.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Works on the floor.
    Operator,
    /// An operator who also irons and grades.
    Ironer,
    /// An ironer who also releases holds, corrects records and lets people and devices in.
    Manager,
    /// Looks, and changes nothing.
    Inspector,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 4] = [Self::Operator, Self::Ironer, Self::Manager, Self::Inspector];

    /// As it is written.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::Operator => "operator",
            Self::Ironer => "ironer",
            Self::Manager => "manager",
            Self::Inspector => "inspector",
        }
    }

    /// Whether they may record anything.
    #[must_use]
    pub const fn records(self) -> bool {
        !matches!(self, Self::Inspector)
    }

    const fn is_at_least(self, least: Least) -> bool {
        match least {
            Least::Anyone => self.records(),
            Least::Ironer => matches!(self, Self::Ironer | Self::Manager),
            Least::Manager => matches!(self, Self::Manager),
            Least::Worker => false,
        }
    }
}

/// How it is known who acts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Proof {
    /// Not at all.
    Nobody,
    /// By a badge that is known here, read at a raw scanner port or typed on a command line; and
    /// the role of whose it is, where the site file lists roles. It is a name and no proof, so a
    /// role takes away and gives nothing.
    Badge(Option<Role>),
    /// By badge and PIN: signed in now on a paired device or in a browser.
    SignedIn(Role),
}

/// Who may state a kind of fact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Least {
    /// Everyone who works here.
    Anyone,
    /// Who irons and grades.
    Ironer,
    /// A manager.
    Manager,
    /// No person: one of our own workers.
    Worker,
}

/// How somebody who states a kind of fact must be identified.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Identification {
    /// Not at all: work that changes no wheel's fate and keeps nobody safe. Where a site names
    /// its badges, a station asks for one all the same.
    Nobody,
    /// By a badge.
    Badge,
    /// By badge and PIN.
    Pin,
}

/// Who takes a record back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TakenBack {
    /// Who recorded it, for [`UNDO_WITHIN`], where they recorded it; a manager at any time.
    ByOwner,
    /// Only a manager, with a reason: it keeps people safe, or no person recorded it.
    ByManager,
    /// Only a manager who may release holds, with a reason: taking it back may let wheels go.
    ByReleaser,
}

use Identification::{Badge, Nobody, Pin};
use Least::{Anyone, Ironer, Manager, Worker};
use TakenBack::{ByManager, ByOwner, ByReleaser};

/// A kind of fact, who may state it, with what proof, and who takes it back.
type Row = (&'static str, Least, Identification, TakenBack);

/// One row a kind of fact, in the catalogue's order. A test holds that none is missing.
const TABLE: &[Row] = &[
    ("milk.received", Anyone, Badge, ByOwner),
    ("milk.screened", Anyone, Badge, ByManager),
    ("milk.pasteurised", Anyone, Badge, ByManager),
    ("milk.heated", Anyone, Badge, ByManager),
    ("milk.pooled", Anyone, Badge, ByOwner),
    ("lot.received", Anyone, Badge, ByOwner),
    ("lot.used", Anyone, Badge, ByOwner),
    ("lot.counted", Anyone, Badge, ByOwner),
    ("vat.started", Anyone, Badge, ByOwner),
    ("vat.filled", Anyone, Badge, ByOwner),
    ("vat.reworked", Anyone, Badge, ByOwner),
    ("vat.dosed", Anyone, Badge, ByOwner),
    ("vat.measured", Anyone, Badge, ByManager),
    ("vat.cut", Anyone, Badge, ByOwner),
    ("vat.drained", Anyone, Badge, ByOwner),
    ("vat.milled", Anyone, Badge, ByOwner),
    ("vat.closed", Anyone, Badge, ByOwner),
    // It may take wheels from under the holds of their recipe.
    ("vat.recipe_changed", Manager, Pin, ByReleaser),
    ("wheel.portioned", Anyone, Nobody, ByOwner),
    ("wheel.hooped", Anyone, Nobody, ByOwner),
    ("wheel.turned", Anyone, Nobody, ByOwner),
    ("wheel.unhooped", Anyone, Nobody, ByOwner),
    ("wheel.rubbed_up", Anyone, Nobody, ByOwner),
    ("wheel.loaded", Anyone, Nobody, ByOwner),
    ("wheel.moved", Anyone, Nobody, ByOwner),
    ("wheel.pierced", Anyone, Nobody, ByOwner),
    ("wheel.ironed", Ironer, Badge, ByOwner),
    ("wheel.graded", Ironer, Badge, ByOwner),
    ("wheel.weighed", Anyone, Nobody, ByOwner),
    ("wheel.labelled", Worker, Badge, ByManager),
    // Whoever sees a danger holds; nobody needs a right for that, only a name.
    ("wheel.held", Anyone, Badge, ByReleaser),
    ("wheel.released", Manager, Pin, ByManager),
    ("wheel.allocated", Anyone, Nobody, ByOwner),
    // For an order; a sale without one is a manager's: see `stating`.
    ("wheel.dispatched", Anyone, Badge, ByManager),
    ("wheel.delivered", Anyone, Badge, ByManager),
    // What came back may not be sold again: taking that back would let it go.
    ("wheel.returned", Anyone, Badge, ByManager),
    // Taking it back would put what was thrown away on the floor again.
    ("wheel.discarded", Anyone, Badge, ByManager),
    ("rind.observed", Anyone, Nobody, ByOwner),
    ("room.climate_read", Worker, Badge, ByManager),
    ("room.gas_read", Worker, Badge, ByManager),
    ("room.cleaned", Anyone, Nobody, ByOwner),
    ("batch.forecast", Worker, Badge, ByManager),
    // When it failed, as a hold is: see `taken_back`.
    ("tool.checked", Anyone, Badge, ByOwner),
    ("tool.sanitised", Anyone, Badge, ByOwner),
    ("lab.sampled", Anyone, Badge, ByManager),
    ("lab.swabbed", Anyone, Badge, ByManager),
    ("lab.resulted", Manager, Pin, ByManager),
    ("control.checked", Anyone, Badge, ByManager),
    ("deviation.found", Anyone, Badge, ByManager),
    ("deviation.decided", Manager, Pin, ByManager),
    ("hold.placed", Anyone, Badge, ByReleaser),
    ("hold.lifted", Manager, Pin, ByManager),
    ("hold.traced", Worker, Badge, ByManager),
    ("trace.drilled", Anyone, Badge, ByManager),
    ("order.placed", Anyone, Nobody, ByOwner),
    ("order.changed", Anyone, Nobody, ByOwner),
    ("order.cancelled", Anyone, Nobody, ByOwner),
    ("order.confirmed", Anyone, Nobody, ByOwner),
    ("order.substituted", Anyone, Nobody, ByOwner),
    ("order.packed", Anyone, Nobody, ByOwner),
    ("order.refused", Anyone, Badge, ByOwner),
    ("label.wanted_again", Anyone, Nobody, ByOwner),
    ("label.answered", Anyone, Nobody, ByOwner),
    ("label.dropped", Worker, Badge, ByManager),
    ("case.labelled", Worker, Badge, ByManager),
    // A correction: see `may_correct`.
    ("fact.voided", Manager, Pin, ByManager),
    ("alert.acknowledged", Anyone, Badge, ByOwner),
];

/// A kind of fact that this build does not know is nobody's to state.
const UNKNOWN: Row = ("", Worker, Pin, ByManager);

/// A row of the table, as people are shown it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Right {
    /// The kind of fact, `<noun>.<verb>`.
    pub kind: &'static str,
    /// The least role that records it; none where no person does.
    pub role: Option<Role>,
    /// How whoever records it must be identified.
    pub known: Identification,
    /// Who takes it back.
    pub taken_back: TakenBack,
    /// When it is otherwise, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unless: Option<&'static str>,
}

/// The whole table, in the catalogue's order.
pub fn table() -> impl Iterator<Item = Right> {
    TABLE.iter().map(|&(kind, least, known, taken_back)| Right {
        kind,
        role: (least != Worker).then_some(least.role()),
        known,
        taken_back,
        unless: match kind {
            "wheel.dispatched" => {
                Some("without an order: recorded only by a signed-in manager, with a reason")
            }
            "wheel.graded" => Some("REJECT: taken back only by a manager, with a reason"),
            "tool.checked" => {
                Some("a check that failed: taken back only by a manager who may release holds, with a reason")
            }
            _ => None,
        },
    })
}

/// Why somebody may not do something. After what they wanted to do, in words for them:
/// `RELEASE needs a signed-in manager: …`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Nobody said who they are.
    #[error("needs a badge: scan your badge first")]
    Badge,
    /// A badge is no proof.
    #[error("needs a signed-in {}: {}", .0.key(), place(.1))]
    Pin(Role, &'static str),
    /// Another role's.
    #[error("needs {}: ask one", a(*.0))]
    Role(Role),
    /// They only look.
    #[error("is not an inspector's to record: an inspector looks and changes nothing")]
    Looks,
    /// No person's.
    #[error("is recorded by Wheelward's own workers, never by a person")]
    Worker,
}

/// Why somebody cannot take a record back, and who can.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotUndone {
    /// It keeps people safe.
    #[error("it keeps people safe, so only a manager takes it back, and says why: {CORRECTION}")]
    KeepsSafe,
    /// Another person's.
    #[error(
        "somebody else recorded it: they undo it with their own badge, or a manager corrects it: {CORRECTION}"
    )]
    NotYours,
    /// Too long ago.
    #[error("it was recorded more than {} minutes ago: ask a manager to correct it: {CORRECTION}", UNDO_WITHIN.num_minutes())]
    TooLate,
}

/// Where a manager corrects.
const CORRECTION: &str = "open the wheel's or batch's page and choose \"This was wrong\"";

fn place(topic: &str) -> &'static str {
    match topic {
        "wheel.released" | "hold.lifted" => "open the Holds page or a browser station",
        "wheel.dispatched" => "scan the order first, or use a browser station",
        "fact.voided" => CORRECTION,
        "vat.recipe_changed" => {
            "open Write down in the browser, and there \"A batch goes on by another recipe\""
        }
        _ => "sign in on a page with badge and PIN",
    }
}

const fn a(role: Role) -> &'static str {
    match role {
        Role::Operator => "an operator",
        Role::Ironer => "an ironer",
        Role::Manager => "a manager",
        Role::Inspector => "an inspector",
    }
}

impl Least {
    const fn role(self) -> Role {
        match self {
            Self::Ironer => Role::Ironer,
            Self::Manager => Role::Manager,
            Self::Anyone | Self::Worker => Role::Operator,
        }
    }
}

fn row(topic: &str) -> &'static Row {
    TABLE
        .iter()
        .find(|(known, ..)| *known == topic)
        .unwrap_or(&UNKNOWN)
}

fn asks(&(topic, least, by, _): &Row, proof: Proof) -> Result<(), Refused> {
    match proof {
        _ if least == Worker => Err(Refused::Worker),
        Proof::SignedIn(Role::Inspector) | Proof::Badge(Some(Role::Inspector)) => {
            Err(Refused::Looks)
        }
        Proof::SignedIn(role) | Proof::Badge(Some(role)) if !role.is_at_least(least) => {
            Err(Refused::Role(least.role()))
        }
        Proof::Badge(_) | Proof::Nobody if by == Pin => Err(Refused::Pin(least.role(), topic)),
        Proof::Nobody if by == Badge => Err(Refused::Badge),
        Proof::SignedIn(_) | Proof::Badge(_) | Proof::Nobody => Ok(()),
    }
}

/// Whether someone may state a kind of fact, `<noun>.<verb>`, at all: what to offer them.
///
/// # Errors
/// [`Refused`], in words for them.
pub fn may_state_kind(topic: &str, proof: Proof) -> Result<(), Refused> {
    asks(row(topic), proof)
}

/// Whether someone may state this.
///
/// # Errors
/// [`Refused`], in words for them.
pub fn may_state(event: &Event, proof: Proof) -> Result<(), Refused> {
    asks(&stating(event), proof)
}

/// Whether someone may state all that one scan says. The hold that a wheel is born under comes
/// with the wheel.
///
/// # Errors
/// [`Refused`] of the first that is not theirs, in words for them.
pub fn may_state_all(events: &[Event], proof: Proof) -> Result<(), Refused> {
    let mut own = events
        .iter()
        .filter(|event| !is_born_with(event, events.iter()));
    own.try_for_each(|event| may_state(event, proof))
}

/// Whether someone may correct a record, whatever its kind: state, with a reason, that it never
/// happened.
///
/// # Errors
/// [`Refused`], in words for them.
pub fn may_correct(proof: Proof) -> Result<(), Refused> {
    may_state_kind("fact.voided", proof)
}

/// The row of a fact, where what it says matters.
fn stating(event: &Event) -> Row {
    let row = *row(event.topic());
    match event {
        Event::WheelDispatched(sent) if sent.order.is_none() => (row.0, Manager, Pin, row.3),
        _ => row,
    }
}

/// Who takes back a kind of fact, `<noun>.<verb>`, where what it says makes no difference.
#[must_use]
pub fn kind_taken_back(topic: &str) -> TakenBack {
    row(topic).3
}

/// Who takes this back.
#[must_use]
pub fn taken_back(event: &Event) -> TakenBack {
    match event {
        Event::ToolChecked(checked) if !checked.check.passed() => ByReleaser,
        Event::WheelGraded(graded) if graded.grade == Grade::Reject => ByManager,
        _ => row(event.topic()).3,
    }
}

/// Who takes back what one scan recorded: the strictest of its facts. A hold that a wheel was
/// born under goes with the wheel's portion.
#[must_use]
pub fn record_taken_back<'e>(events: impl IntoIterator<Item = &'e Event>) -> TakenBack {
    let events: Vec<&Event> = events.into_iter().collect();
    let by_owner =
        |event: &Event| is_born_with(event, events.iter().copied()) || taken_back(event) == ByOwner;
    if !events.is_empty() && events.iter().all(|event| by_owner(event)) {
        ByOwner
    } else {
        ByManager
    }
}

/// Whether this is the hold that a wheel portioned by the same scan was born under.
fn is_born_with<'e>(event: &Event, same_scan: impl Iterator<Item = &'e Event> + Clone) -> bool {
    let Event::WheelHeld(held) = event else {
        return false;
    };
    held.wheels.iter().all(|wheel| {
        let portion =
            |event: &Event| matches!(event, Event::WheelPortioned(p) if p.wheel == *wheel);
        same_scan.clone().any(portion)
    })
}

/// What UNDO voids of what one scan recorded. The hold that a wheel was born under goes with
/// the wheel: a station takes back no hold.
pub fn undoable(facts: &[Fact]) -> impl Iterator<Item = &Fact> {
    let events = facts.iter().map(|fact| &fact.event);
    let born_with = move |fact: &&Fact| !is_born_with(&fact.event, events.clone());
    facts.iter().filter(born_with)
}

/// A record that somebody wants to take back where it was made, in the same session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recorded {
    /// Who recorded it.
    pub person: Option<PersonId>,
    /// When it happened, as the record has it.
    pub at: DateTime<Utc>,
    /// When it was received; none where an earlier version kept it.
    #[serde(default)]
    pub received: Option<DateTime<Utc>>,
    /// Who takes it back.
    pub taken_back: TakenBack,
}

impl Recorded {
    /// What one scan recorded; `None` when nothing.
    #[must_use]
    pub fn of(facts: &[Fact]) -> Option<Self> {
        let first = facts.first()?;
        Some(Self {
            person: first.person,
            at: first.occurred_at,
            received: Some(first.recorded_at),
            taken_back: record_taken_back(facts.iter().map(|fact| &fact.event)),
        })
    }

    /// Whether a person may undo it, by an UNDO that counts as made at one instant and was
    /// received at another: others have gone by what was received long ago, whenever a device
    /// says it was taken back. That it is the last record of the same session is for the session
    /// to see to.
    ///
    /// # Errors
    /// [`NotUndone`], in words for them.
    pub fn may_be_undone(
        &self,
        by: Option<PersonId>,
        made: DateTime<Utc>,
        received: DateTime<Utc>,
    ) -> Result<(), NotUndone> {
        let within = |from, to: DateTime<Utc>| {
            (TimeDelta::zero()..=UNDO_WITHIN).contains(&to.signed_duration_since(from))
        };
        match self.taken_back {
            ByManager | ByReleaser => Err(NotUndone::KeepsSafe),
            ByOwner if by != self.person => Err(NotUndone::NotYours),
            ByOwner
                if within(self.at, made) && within(self.received.unwrap_or(self.at), received) =>
            {
                Ok(())
            }
            // A time before the record is a clock that is wrong: nobody knows how long ago.
            ByOwner => Err(NotUndone::TooLate),
        }
    }
}

/// Whether a station may still take a fact of its own back with another: by when both were
/// received, so that whoever reads them finds the same, in whatever order they come.
#[must_use]
pub fn is_undone_in_time(fact: FactId, by: FactId) -> bool {
    let received = fact.received().zip(by.received());
    received.is_some_and(|(fact, by)| {
        (-TO_THE_DISK..=UNDO_WITHIN + TO_THE_DISK).contains(&by.signed_duration_since(fact))
    })
}

impl fmt::Display for TakenBack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ByOwner => write!(
                f,
                "taken back by whoever recorded it, within {} minutes, or by a manager",
                UNDO_WITHIN.num_minutes()
            ),
            ByManager => f.write_str("taken back only by a manager, with a reason"),
            ByReleaser => {
                f.write_str("taken back only by a manager who may release holds, with a reason")
            }
        }
    }
}
