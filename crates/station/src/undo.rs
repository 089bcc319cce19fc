//! UNDO: a session's last records, and who may take them back.

use authority::people::{Recorded, undoable};
use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, PersonId, StationId, Voided};

use crate::floor::Step;

/// Records that UNDO can reach back to.
const UNDOABLE: usize = 50;

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
        now: DateTime<Utc>,
    ) -> Step {
        let Some(last) = self.0.last() else {
            return Step::wrong("nothing to undo here: tell the office what is wrong");
        };
        if let Err(why) = last.recorded.may_be_undone(person, now) {
            return Step::wrong(format!("not undone: {}. {why}", last.words));
        }
        let void = |fact: &FactId| {
            Event::from(Voided {
                fact: *fact,
                reason: format!("undone at station {station}"),
            })
        };
        Step::ok(
            format!("undone: {}", last.words),
            last.facts.iter().map(void).collect(),
        )
    }
}
