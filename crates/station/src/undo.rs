//! UNDO: a session's last records, and who may take them back.

use authority::people::{Recorded, undoable};
use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, HoldId, PersonId, StationId, Voided, WheelId};
use holds::Rule;

use crate::floor::Step;
use crate::placement::Placement;

/// Records that UNDO can reach back to.
const UNDOABLE: usize = 50;

/// A record that somebody wants to take back at a station.
#[derive(Debug, Clone, Copy)]
pub struct ToUndo<'a> {
    /// What the station said of it.
    pub words: &'a str,
    /// Whose it is and who takes it back; none where an earlier version kept it.
    pub recorded: Option<Recorded>,
    /// Whether it was made in the session that asks.
    pub same_session: bool,
    /// What was recorded after it, if anything was: only the last can be undone.
    pub after: Option<&'a str>,
    /// A wheel that it moved or touched and that is held, perhaps for that very reason, and by
    /// what.
    pub kept: Option<(WheelId, HoldId)>,
}

/// Why a record is not undone at a station, in words for whoever asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotUndone {
    /// Nothing is recorded.
    #[error(
        "nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page"
    )]
    Nothing,
    /// It is not theirs to undo, or not any more.
    #[error("not undone: {0}. {1}")]
    Stays(String, String),
}

/// Whether a record may be undone: one's own, the last, of the same session, and by the table of
/// rights. Every way in asks here. What is said when it is. `made`: when the UNDO counts as made.
///
/// # Errors
/// Why not.
pub fn may_undo(
    asked: Option<ToUndo<'_>>,
    person: Option<PersonId>,
    made: DateTime<Utc>,
    received: DateTime<Utc>,
) -> Result<String, NotUndone> {
    let asked = asked.ok_or(NotUndone::Nothing)?;
    let stays = |why: String| NotUndone::Stays(asked.words.to_owned(), why);
    const WHERE: &str = "a manager corrects it on the wheel's or batch's page";
    let recorded = asked
        .recorded
        .ok_or_else(|| stays(format!("An earlier version recorded it: {WHERE}")))?;
    recorded
        .may_be_undone(person, made, received)
        .map_err(|why| stays(why.to_string()))?;
    if !asked.same_session {
        return Err(stays(format!(
            "It was recorded before you signed in this time: {WHERE}"
        )));
    }
    if let Some(last) = asked.after {
        return Err(stays(format!(
            "Only the last record can be undone, and that is: {last}. A manager corrects any on the wheel's or batch's page"
        )));
    }
    if let Some((wheel, hold)) = asked.kept {
        return Err(stays(format!(
            "Wheel {wheel} is held under {hold}, which may be because of it: somebody who may release it corrects it on the wheel's page"
        )));
    }
    Ok(format!("undone: {}", asked.words))
}

/// The records of one session, oldest first.
#[derive(Debug, Clone, Default)]
pub(crate) struct Done(Vec<Record>);

/// What one scan recorded.
#[derive(Debug, Clone)]
struct Record {
    facts: Vec<FactId>,
    words: String,
    recorded: Recorded,
}

impl Done {
    /// Takes up what was recorded; what UNDO took back is gone.
    pub(crate) fn take(&mut self, facts: &[Fact], words: String) {
        let Some(recorded) = Recorded::of(facts) else {
            return;
        };
        if facts.iter().all(|f| matches!(f.event, Event::Voided(_))) {
            self.0.pop();
            return;
        }
        if self.0.len() == UNDOABLE {
            self.0.remove(0);
        }
        self.0.push(Record {
            facts: undoable(facts).map(|f| f.id).collect(),
            words,
            recorded,
        });
    }

    /// Takes the last record back, if this person may do that now.
    pub(crate) fn undo(
        &self,
        station: StationId,
        person: Option<PersonId>,
        made: DateTime<Utc>,
        received: DateTime<Utc>,
        (placement, rule): (&Placement, &Rule),
    ) -> Step {
        let asked = self.0.last().map(|last| ToUndo {
            kept: placement.kept_by(&last.facts, rule),
            words: &last.words,
            recorded: Some(last.recorded),
            same_session: true,
            after: None,
        });
        let (last, done) = match (self.0.last(), may_undo(asked, person, made, received)) {
            (Some(last), Ok(done)) => (last, done),
            (_, Err(why)) => return Step::wrong(why.to_string()),
            (None, Ok(_)) => return Step::wrong(NotUndone::Nothing.to_string()),
        };
        let void = |fact: &FactId| {
            Event::from(Voided {
                fact: *fact,
                reason: format!("undone at station {station}"),
            })
        };
        Step::ok(done, last.facts.iter().map(void).collect())
    }
}
