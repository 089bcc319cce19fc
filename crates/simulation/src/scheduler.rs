//! The scheduler: folds the log, writes state, position and effects in one batch, and
//! publishes only what it has written.

use std::collections::VecDeque;
use std::rc::Rc;

use chrono::{DateTime, Utc};
use facts::stored::borsh;
use facts::stored_struct;
use facts::wire::Read;
use projection::{Records as _, floor as stored};
use ripening::{Alert, Floor, Folding, Practice};
use serde::{Deserialize, Serialize};

use crate::Breakage;
use crate::broker::{Broker, Stored};
use crate::disk::{Batch, Disk};

/// A place in the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Position {
    pub(crate) created: u64,
    pub(crate) seq: u64,
    pub(crate) stored_at: u64,
}

stored_struct!(Position {
    created,
    seq,
    stored_at
});

/// A message to publish once the state that asks for it is safe.
#[derive(Debug, Clone)]
pub(crate) struct Effect {
    pub(crate) id: String,
    pub(crate) body: Vec<u8>,
}

stored_struct!(Effect { id, body });

/// The scheduler while it runs.
#[derive(Debug)]
pub(crate) struct Fold {
    pub(crate) folding: Folding,
    pub(crate) position: Option<Position>,
    /// The log's end when folding began: until then nobody is told anything.
    live_from: u64,
    next_effect: u64,
    unwritten: bool,
    /// What was written and has to be published, in order.
    pub(crate) to_publish: VecDeque<(u64, Effect)>,
}

const POSITION: &[u8] = b"position";

impl Fold {
    /// Puts the stored floor together. With an empty store the log is folded anew, and what
    /// people were told is read back from where it was published.
    pub(crate) fn load(practice: &Practice, store: &Disk, log: &Broker, derived: &Broker) -> Self {
        let mut floor = stored::load(store, practice.clone()).unwrap();
        let position: Option<Position> = store.get(POSITION).unwrap();
        if position.is_none() {
            let all = derived
                .all()
                .iter()
                .filter_map(|stored| alert(&stored.message.body));
            let (open, over) = ripening::alert::recall(&all.collect::<Vec<_>>());
            floor.restore_told(open, over);
        }
        let mut to_publish = VecDeque::new();
        for (key, value) in store.under(b"e/") {
            let number = u64::from_be_bytes(key[2..].try_into().unwrap());
            to_publish.push_back((number, borsh::from_slice(&value).unwrap()));
        }
        Self {
            folding: floor,
            position,
            live_from: log.end(),
            next_effect: to_publish.back().map_or(1, |(number, _)| number + 1),
            unwritten: false,
            to_publish,
        }
    }

    pub(crate) fn seq(&self) -> u64 {
        self.position.map_or(0, |position| position.seq)
    }

    /// The floor, once the time is known and all of the log has been folded.
    pub(crate) fn floor(&self) -> Option<&Floor> {
        self.folding.floor().filter(|_| self.is_live())
    }

    fn is_live(&self) -> bool {
        self.seq() >= self.live_from
    }

    /// Folds what the reader has taken from the log.
    pub(crate) fn take(&mut self, store: &Disk, chunk: &[Rc<Stored>], created: u64) {
        for stored in chunk {
            match stored.read() {
                Ok(Read::Fact(fact)) => {
                    stored::bring_back_for(store, &mut self.folding, fact).unwrap();
                    self.folding.apply(fact);
                }
                Ok(Read::UnknownType(unknown)) => self.folding.pass(stored.seq, unknown),
                Err(_) => self.folding.count_unreadable(),
            }
            self.position = Some(Position {
                created,
                seq: stored.seq,
                stored_at: stored.stored_at,
            });
            self.unwritten = true;
        }
    }

    /// Derives what falls due by now.
    pub(crate) fn advance(&mut self, now: DateTime<Utc>) {
        self.folding.refresh(now);
        self.unwritten |= self.position.is_some();
    }

    /// What has to be written now; nothing while there is nothing, or no time.
    pub(crate) fn gather(&mut self, breakage: Breakage) -> Option<(Batch, Vec<(u64, Effect)>)> {
        let position = self.position.filter(|_| self.unwritten)?;
        let live = self.is_live();
        let floor = self.folding.floor_mut()?;
        let now = floor.now();
        floor.refresh(now);
        let mut effects = Vec::new();
        if live {
            effects.extend(floor.tell().iter().map(|alert| Effect {
                id: alert.id(),
                body: serde_json::to_vec(alert).unwrap(),
            }));
            effects.extend(floor.take_labels().iter().map(|label| Effect {
                id: format!("label-{}-{}", label.wheel, label.cause),
                body: Vec::new(),
            }));
        }
        let effects: Vec<_> = (self.next_effect..).zip(effects).collect();
        self.next_effect += effects.len() as u64;
        self.unwritten = false;
        let mut batch = projection::Batch::default();
        stored::write_keeping(&mut batch, floor, 0).unwrap();
        if breakage == Breakage::ForgetsWhatItTold {
            batch.0.retain(|(key, _)| !stored::is_what_was_told(key));
        }
        batch.put(POSITION, &position).unwrap();
        for (number, effect) in &effects {
            batch.put(&effect_key(*number), effect).unwrap();
        }
        Some((batch.0, effects))
    }
}

/// The key of an effect that is still to be published.
pub(crate) fn effect_key(number: u64) -> Vec<u8> {
    [b"e/", &number.to_be_bytes()[..]].concat()
}

/// The alert in an effect, if it is one.
pub(crate) fn alert(body: &[u8]) -> Option<Alert> {
    serde_json::from_slice(body).ok()
}
