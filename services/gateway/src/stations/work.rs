//! One scan being taken: by whom, and what becomes of it.

use axum::http::StatusCode;
use chrono::{DateTime, Utc};
use edge::Taken;
use facts::{Event, Fact, PersonId, Voided};
use station::{Action, Answer, Claim, Code, Level, SignedIn};

use super::receipt::{Kept, can_be_undone, receipt_key, with_receipt};
use super::{Counter, Stations, context_key};
use crate::people::{Device, Register, Role};
use crate::trouble::Trouble;

/// Scans that can be taken back one by one.
const UNDOABLE: usize = 50;

/// Lines kept so that a station goes on after a restart with the action that was set.
const CONTEXT: usize = 400;

/// Who scans, and on which device.
#[derive(Debug, Clone, Copy)]
pub struct Scanner<'a> {
    /// Who.
    pub person: PersonId,
    /// What they are.
    pub role: Role,
    /// The device.
    pub device: &'a Device,
}

/// One scan being taken.
pub(super) struct Work<'a> {
    pub stations: &'a Stations,
    pub counter: &'a Counter,
    pub device: &'a Device,
    pub role: Role,
}

impl Work<'_> {
    /// Gives the line to the station core.
    pub async fn take(
        &self,
        draft: Kept,
        line: String,
        read: Option<Code>,
        now: DateTime<Utc>,
    ) -> Taken {
        let begins = match read {
            Some(Code::Action(action)) => Some(action),
            _ => None,
        };
        let action = begins.or(self.counter.desk.action());
        let (device, person) = (self.device.clone(), draft.receipt.person);
        let at = draft.receipt.occurred_at;
        let role = self.role;
        let signed_in = SignedIn { person, role };
        // The device's own counter goes on, and who scanned was signed in on it then.
        let claim = (at != now).then_some(Claim {
            at,
            kept: station::Kept::Counter,
        });
        let mut context = match begins {
            None => self.stations.context(device.station),
            Some(_) => Vec::new(),
        };
        context.push(line.clone());
        let refused = matches!(
            begins,
            Some(Action::Portion | Action::Weigh | Action::CheckWeight)
        );
        let repeats = begins.is_none() && action.is_some_and(repeats);
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            let changed = !refused && (!repeats || answer.level == Level::Next);
            if changed && context.len() <= CONTEXT {
                let key = context_key(device.station);
                notes.push((key, serde_json::to_vec(&context).ok()));
            }
            notes
        };
        self.counter
            .desk
            .scan_as(signed_in, claim, line, Box::new(notes))
            .await
    }

    /// Takes a scan back: this one, or the latest that recorded something.
    pub async fn undo(&self, mut draft: Kept, which: Option<u64>) -> Taken {
        let found = match which {
            Some(seq) => Some(seq),
            None => {
                let latest = self.stations.latest(self.device, UNDOABLE);
                let mut latest = latest.unwrap_or_default().into_iter();
                latest.find(can_be_undone).map(|receipt| receipt.seq)
            }
        };
        let found = found.and_then(|seq| self.stations.kept(self.device, seq).ok().flatten());
        let Some(mut found) = found.filter(|found| can_be_undone(&found.receipt)) else {
            let words = "nothing to undo here: tell the office what is wrong";
            return self.say(draft, Answer::new(Level::Wrong, words)).await;
        };
        draft.receipt.undoes = Some(found.receipt.seq);
        let reason = format!("undone at station {}", self.device.station);
        let events = found.receipt.facts.iter().map(|fact| {
            Event::from(Voided {
                fact: *fact,
                reason: reason.clone(),
            })
        });
        let answer = Answer::new(Level::Ok, format!("undone: {}", found.receipt.words));
        let (events, device) = (events.collect(), self.device.clone());
        let (person, at) = (draft.receipt.person, draft.receipt.occurred_at);
        let notes = move |answer: &Answer, facts: &[Fact]| {
            draft.receipt.wheels.clone_from(&found.receipt.wheels);
            let mut notes = with_receipt(&device, draft, answer, facts);
            found.receipt.undone = true;
            let key = receipt_key(&device, found.receipt.seq);
            notes.push((key, serde_json::to_vec(&found).ok()));
            notes
        };
        self.counter
            .desk
            .state(person, at, answer, events, Box::new(notes))
            .await
    }

    /// Answers without asking the station core, and keeps the receipt.
    pub async fn say(&self, draft: Kept, answer: Answer) -> Taken {
        let device = self.device.clone();
        let (person, at) = (draft.receipt.person, draft.receipt.occurred_at);
        let notes =
            move |answer: &Answer, facts: &[Fact]| with_receipt(&device, draft, answer, facts);
        self.counter
            .desk
            .state(person, at, answer, Vec::new(), Box::new(notes))
            .await
    }
}

/// Whether what was scanned for the action stays set while wheels are scanned: such a scan
/// leaves the station as it was.
const fn repeats(action: Action) -> bool {
    !matches!(
        action,
        Action::Vat
            | Action::Portion
            | Action::Rind
            | Action::Iron
            | Action::Grade
            | Action::Weigh
            | Action::Needles
            | Action::CheckWeight
            | Action::Undo
    )
}

/// Who scanned: whoever is signed in, or whoever was, on this device, at that time.
pub(super) fn who(
    scanner: &Scanner<'_>,
    named: Option<PersonId>,
    at: DateTime<Utc>,
    people: &Register,
) -> Result<(PersonId, Role), Trouble> {
    let Some(named) = named.filter(|named| *named != scanner.person) else {
        return Ok((scanner.person, scanner.role));
    };
    let account = people.account(named).filter(|account| {
        account.role.records() && people.was_signed_in(named, scanner.device.station, at)
    });
    match account {
        Some(account) => Ok((named, account.role)),
        None => Err(Trouble::new(
            StatusCode::FORBIDDEN,
            "other_person",
            format!(
                "badge {named} was not signed in on this device then: that person must sign in to send this scan"
            ),
        )),
    }
}
