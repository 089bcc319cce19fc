//! The scheduler: folds the log, writes state, position and effects in one batch, and
//! publishes only what it has written.

use std::collections::VecDeque;
use std::rc::Rc;

use bus::outbox::book::Shelf as _;
use chrono::{DateTime, Utc};
use facts::stored::borsh::{self, BorshDeserialize, BorshSerialize};
use facts::wire::Read;
use facts::{BatchId, RoomId, StationId, ToolId, WheelId, stored_struct};
use ripening::{Alert, Floor, Folding, Practice, Voiding};
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
const COUNTS: &[u8] = b"counts";
const SCOPES: &[u8] = b"scopes";
const OPEN: &[u8] = b"open";
const OVER: &[u8] = b"over";

impl Fold {
    /// Puts the stored floor together. With an empty store the log is folded anew, and what
    /// people were told is read back from where it was published.
    pub(crate) fn load(practice: &Practice, store: &Disk, log: &Broker, derived: &Broker) -> Self {
        let mut floor = Folding::new(practice.clone());
        each(store, b"v/", |_: String, voiding: Voiding| {
            floor.restore_voiding(voiding)
        });
        floor.restore_scopes(get(store, SCOPES).unwrap_or_default());
        each(store, b"w/", |id: WheelId, chronicle| {
            floor.restore_wheel(id, chronicle).unwrap()
        });
        each(store, b"b/", |id: BatchId, batch| {
            floor.restore_batch(id, batch)
        });
        each(store, b"r/", |id: RoomId, room| {
            floor.restore_room(id, room)
        });
        each(store, b"t/", |id: ToolId, tool| {
            floor.restore_tool(id, tool)
        });
        each(store, b"s/", |id: StationId, log| {
            floor.restore_station(id, log)
        });
        let position: Option<Position> = get(store, POSITION);
        if position.is_some() {
            let open = get(store, OPEN).unwrap_or_default();
            floor.restore_told(open, get(store, OVER).unwrap_or_default());
        } else {
            let all = derived
                .all()
                .iter()
                .filter_map(|stored| alert(&stored.message.body));
            let (open, over) = ripening::alert::recall(&all.collect::<Vec<_>>());
            floor.restore_told(open, over);
        }
        floor.restore_counts(get(store, COUNTS).unwrap_or_default());
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
    pub(crate) fn take(&mut self, chunk: &[Rc<Stored>], created: u64) {
        for stored in chunk {
            match stored.read() {
                Ok(Read::Fact(fact)) => self.folding.apply(fact),
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
        let mut batch = of(floor, breakage != Breakage::ForgetsWhatItTold);
        put(&mut batch, POSITION, &position);
        for (number, effect) in &effects {
            put(&mut batch, &effect_key(*number), effect);
        }
        Some((batch, effects))
    }
}

/// What has changed on a floor.
fn of(floor: &mut Floor, told: bool) -> Batch {
    let mut batch = Batch::new();
    let changed = floor.take_changed();
    for id in &changed.wheels {
        if let Some(wheel) = floor.wheel(*id) {
            put(&mut batch, format!("w/{id}").as_bytes(), wheel.chronicle());
        }
    }
    for id in &changed.batches {
        if let Some(made) = floor.batch(*id) {
            put(&mut batch, format!("b/{id}").as_bytes(), made);
        }
    }
    for (id, room) in floor.rooms().filter(|(id, _)| changed.rooms.contains(id)) {
        put(&mut batch, format!("r/{id}").as_bytes(), room);
    }
    for id in &changed.tools {
        if let Some(tool) = floor.tool(*id) {
            put(&mut batch, format!("t/{id}").as_bytes(), tool);
        }
    }
    for (id, log) in floor
        .stations()
        .filter(|(id, _)| changed.stations.contains(id))
    {
        put(&mut batch, format!("s/{id}").as_bytes(), log);
    }
    for voiding in &changed.voidings {
        let key = format!("v/{}-{}", voiding.target, voiding.by);
        put(&mut batch, key.as_bytes(), voiding);
    }
    if changed.scopes {
        put(&mut batch, SCOPES, floor.scopes());
    }
    if changed.told && told {
        put(&mut batch, OPEN, &floor.open_alerts().collect::<Vec<_>>());
        put(&mut batch, OVER, &floor.alerts_over().collect::<Vec<_>>());
    }
    put(&mut batch, COUNTS, &floor.counts());
    batch
}

/// The key of an effect that is still to be published.
pub(crate) fn effect_key(number: u64) -> Vec<u8> {
    [b"e/", &number.to_be_bytes()[..]].concat()
}

/// The alert in an effect, if it is one.
pub(crate) fn alert(body: &[u8]) -> Option<Alert> {
    serde_json::from_slice(body).ok()
}

fn put(batch: &mut Batch, key: &[u8], value: &impl BorshSerialize) {
    batch.push((key.to_vec(), Some(borsh::to_vec(value).unwrap())));
}

fn get<T: BorshDeserialize>(store: &Disk, key: &[u8]) -> Option<T> {
    let bytes = store.get(key).unwrap()?;
    Some(borsh::from_slice(&bytes).unwrap())
}

fn each<K: std::str::FromStr, T: BorshDeserialize>(
    store: &Disk,
    begin: &[u8],
    mut take: impl FnMut(K, T),
) {
    for (key, value) in store.under(begin) {
        let id = std::str::from_utf8(&key[begin.len()..]).unwrap();
        if let Ok(id) = id.parse() {
            take(id, borsh::from_slice(&value).unwrap());
        }
    }
}
