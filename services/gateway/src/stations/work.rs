//! One scan being taken: what becomes of it.

use bus::Note;
use chrono::{DateTime, Utc};
use edge::Taken;
use facts::{Event, Fact, Voided};
use station::{
    Action, Answer, Claim, Code, Level, NotUndone, SignedIn, ToUndo, may_undo, never_kept,
};

use super::receipt::{Kept, receipt_key, with_receipt};
use super::who::Who;
use super::{Context, Counter, LOOKED_AT, NOW, Stations, context_key};
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
        let now = self.stations.now();
        let kept = self.who.shown;
        let unsigned = kept == station::Kept::Unsigned;
        // What was on its way is of now.
        let on_its_way = unsigned && (now - at).abs() <= NOW;
        let claim = (at != now && !on_its_way).then_some(Claim { at, kept });
        // Though an older one counts from now, nobody scans it now.
        let unsigned = unsigned && now - at > NOW;
        if (self.who.over || unsigned)
            && let Some(action @ (Action::Dispatch | Action::Release)) = action
        {
            return self
                .refuse_with(draft, begins.is_some(), never_kept(action))
                .await;
        }
        let device = self.device.clone();
        let set = self.stations.context(device.station);
        let set = set.filter(|set| begins.is_none() && set.person == person);
        let mut lines = set.map(|set| set.lines).unwrap_or_default();
        lines.push(line.clone());
        let unsets = matches!(read, Some(Code::Person(badge)) if badge != person);
        let repeats = begins.is_none() && action.is_some_and(repeats);
        let names = matches!(
            read,
            Some(
                Code::Order(_)
                    | Code::Customer(..)
                    | Code::Market(_)
                    | Code::Hold(_)
                    | Code::Room(..)
            )
        );
        let desk = self.counter.desk.clone();
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            // A card that was refused, or another badge: nothing is set any more.
            let nothing = facts.is_empty() && matches!(answer.level, Level::Wrong | Level::Stop);
            let changed = !repeats || answer.level == Level::Next;
            if unsets || (begins.is_some() && nothing) {
                notes.push(forget_context(&device));
            } else if repeats && names && nothing {
                // What was scanned before is not what was meant now: only the card stays.
                lines.truncate(1);
                let set = Context { person, lines };
                notes.push((context_key(device.station), serde_json::to_vec(&set).ok()));
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
        self.refuse_with(draft, card, Answer::new(Level::Wrong, words))
            .await
    }

    async fn refuse_with(&self, draft: Kept, card: bool, answer: Answer) -> Taken {
        let device = self.device.clone();
        if card {
            self.counter.desk.disarm();
        }
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            notes.extend(card.then(|| forget_context(&device)));
            notes
        };
        self.answer(answer, Box::new(notes)).await
    }

    /// Takes the last record back: this one, or whichever it is.
    pub async fn undo(&self, mut draft: Kept, which: Option<u64>, at: DateTime<Utc>) -> Taken {
        // An older time is believed only where something shows it.
        let now = match self.who.shown {
            station::Kept::Counter => at,
            _ => self.stations.now(),
        };
        let latest = self.stations.latest_kept(self.device, LOOKED_AT);
        let mine = |kept: &Kept| kept.stands() && kept.session == self.who.session;
        let last = latest.unwrap_or_default().into_iter().find(mine);
        let asked = which.map_or_else(
            || last.clone(),
            |seq| self.stations.kept(self.device, seq).ok().flatten(),
        );
        let (mut found, done) = match self.may_undo(asked, last.as_ref(), now) {
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
        let answer = Answer::new(Level::Ok, done);
        let (events, device) = (events.collect(), self.device.clone());
        let at = (now, ((now - at).abs() > NOW).then_some(at));
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

    /// The record that may be undone, and what is said then.
    fn may_undo(
        &self,
        asked: Option<Kept>,
        last: Option<&Kept>,
        now: DateTime<Utc>,
    ) -> Result<(Kept, String), String> {
        let asked = asked.filter(Kept::stands);
        let to_undo = asked.as_ref().map(|asked| ToUndo {
            words: &asked.receipt.words,
            recorded: asked.record,
            same_session: asked.session == self.who.session,
            after: last
                .filter(|last| last.receipt.seq != asked.receipt.seq)
                .map(|last| last.receipt.words.as_str()),
            kept: self.counter.desk.kept_by(&asked.receipt.facts),
        });
        let done = may_undo(to_undo, Some(self.who.person), now, self.stations.now());
        let done = done.map_err(|why| why.to_string())?;
        Ok((asked.ok_or_else(|| NotUndone::Nothing.to_string())?, done))
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
