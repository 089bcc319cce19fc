//! One scan being taken: what becomes of it.

use bus::Note;
use chrono::{DateTime, Utc};
use edge::Taken;
use facts::{Event, Fact, Voided};
use station::{Action, Answer, Claim, Code, Level, SignedIn};

use super::receipt::{Kept, receipt_key, with_receipt};
use super::who::Who;
use super::{Context, Counter, LOOKED_AT, Stations, context_key};
use crate::people::Device;

/// Lines kept so that a station goes on after a restart with the action that was set.
const CONTEXT: usize = 400;

/// One scan being taken.
pub(super) struct Work<'a> {
    pub stations: &'a Stations,
    pub counter: &'a Counter,
    pub device: &'a Device,
    pub who: &'a Who,
}

impl Work<'_> {
    /// Gives the line to the station core.
    pub async fn take(
        &self,
        draft: Kept,
        line: String,
        read: Option<Code>,
        at: DateTime<Utc>,
    ) -> Taken {
        let begins = match read {
            Some(Code::Action(action)) => Some(action),
            _ => None,
        };
        let action = begins.or(self.counter.desk.action());
        let (person, role) = (self.who.person, self.who.role);
        let claim = (at != self.stations.now()).then_some(Claim {
            at,
            kept: if self.who.in_order {
                station::Kept::Counter
            } else {
                station::Kept::Unshown
            },
        });
        if self.who.over
            && let Some(action @ (Action::Dispatch | Action::Release)) = action
        {
            let words = format!(
                "{action} is never taken from scans of a session that is over: nothing recorded. If it was done all the same, tell a manager now"
            );
            return self.refuse(draft, begins.is_some(), words).await;
        }
        let device = self.device.clone();
        let set = self.stations.context(device.station);
        let set = set.filter(|set| begins.is_none() && set.person == person);
        let mut lines = set.map(|set| set.lines).unwrap_or_default();
        lines.push(line.clone());
        let unsets = matches!(read, Some(Code::Person(badge)) if badge != person);
        let repeats = begins.is_none() && action.is_some_and(repeats);
        let desk = self.counter.desk.clone();
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            // A card that was refused, or another badge: nothing is set any more.
            let nothing = facts.is_empty() && matches!(answer.level, Level::Wrong | Level::Stop);
            let changed = !repeats || answer.level == Level::Next;
            if unsets || (begins.is_some() && nothing) {
                notes.push(forget_context(&device));
            } else if changed && lines.len() <= CONTEXT {
                let key = context_key(device.station);
                let set = Context { person, lines };
                notes.push((key, serde_json::to_vec(&set).ok()));
            }
            notes
        };
        desk.scan_as(SignedIn { person, role }, claim, line, Box::new(notes))
            .await
    }

    /// Refuses a scan for good. A refused card leaves no action set, or the next scans would
    /// be taken under the one before.
    pub async fn refuse(&self, draft: Kept, card: bool, words: String) -> Taken {
        let device = self.device.clone();
        if card {
            self.counter.desk.disarm();
        }
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            notes.extend(card.then(|| forget_context(&device)));
            notes
        };
        self.answer(Answer::new(Level::Wrong, words), Box::new(notes))
            .await
    }

    /// Takes the last record back: this one, or whichever it is.
    pub async fn undo(&self, mut draft: Kept, which: Option<u64>, at: DateTime<Utc>) -> Taken {
        // An older time is believed only where the device's own go on.
        let now = if self.who.in_order {
            at
        } else {
            self.stations.now()
        };
        let latest = self.stations.latest_kept(self.device, LOOKED_AT);
        let mine = |kept: &Kept| kept.stands() && kept.session == self.who.session;
        let last = latest.unwrap_or_default().into_iter().find(mine);
        let asked = which.map_or_else(
            || last.clone(),
            |seq| self.stations.kept(self.device, seq).ok().flatten(),
        );
        let mut found = match self.may_undo(asked, last.as_ref(), now) {
            Ok(found) => found,
            Err(words) => return self.refuse(draft, false, words).await,
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
        let at = (now, (at != now).then_some(at));
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
            .state(self.who.person, at, answer, events, Box::new(notes))
            .await
    }

    /// The record that may be undone: the last one here, one's own, of the same session, and
    /// by the table.
    fn may_undo(
        &self,
        asked: Option<Kept>,
        last: Option<&Kept>,
        now: DateTime<Utc>,
    ) -> Result<Kept, String> {
        let Some(asked) = asked.filter(Kept::stands) else {
            return Err(
                "nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page".to_owned(),
            );
        };
        let words = &asked.receipt.words;
        let not_undone = |why: &str| format!("not undone: {words}. {why}");
        let record = asked.record.ok_or_else(|| {
            not_undone("An earlier version recorded it: a manager corrects it on the wheel's or batch's page")
        })?;
        record
            .may_be_undone(Some(self.who.person), now)
            .map_err(|why| not_undone(&why.to_string()))?;
        if asked.session != self.who.session {
            return Err(not_undone(
                "It was recorded before you signed in this time: a manager corrects it on the wheel's or batch's page",
            ));
        }
        if let Some(last) = last
            && last.receipt.seq != asked.receipt.seq
        {
            return Err(not_undone(&format!(
                "Only the last record can be undone, and that is: {}. A manager corrects any on the wheel's or batch's page",
                last.receipt.words
            )));
        }
        Ok(asked)
    }

    async fn answer(&self, answer: Answer, notes: edge::Notes) -> Taken {
        let now = self.stations.now();
        self.counter
            .desk
            .state(self.who.person, (now, None), answer, Vec::new(), notes)
            .await
    }
}

fn forget_context(device: &Device) -> Note {
    (context_key(device.station), None)
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
