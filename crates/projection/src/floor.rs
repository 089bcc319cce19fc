//! How a folded floor lies in a store.
//!
//! What is stored is what facts said, never what follows from it: a wheel's state is folded
//! from its notes when it is loaded, so a restart cannot differ from a rebuild. A note is
//! stored once, however many wheels it names, so that a turn costs the same whatever the age
//! of the wheels. What stands on the floor is loaded; a batch that is closed is one record
//! that is looked up ([`bring_back`]).
//!
//! The layout is its own, in Borsh: the wire's types do not even compile here.

use std::collections::BTreeSet;
use std::path::Path;
use std::str::FromStr;

use facts::stored::borsh::{BorshDeserialize, BorshSerialize};
use facts::{BatchId, Fact, FactId, RoomId, StationId, StillageId, ToolId, WheelId, stored_struct};
use quantity::DairyClock;
use ripening::{Closed, Damaged, Floor, Folding, Gap, Needs, Practice, Reopens, Voiding};

use crate::{Aside, Batch, Effect, Records, Store, StoreError};

/// Raised when what is stored would be read differently: the log is then folded again.
/// `tests/floor/layout.rs` fails when the one changes without the other.
pub const FORMAT: u32 = 9;

/// So many batches of each recipe stay in memory however long ago their wheels left: limits for
/// portions are learnt from 25 samples of up to ten wheels, how many wheels a vat gives from a
/// dozen vats.
pub const KEPT_OF_A_RECIPE: usize = 60;

/// What the site file said of closing, of who may release, and of when a day begins.
const SITE: &[u8] = b"site";
/// How much has been folded.
const COUNTS: &[u8] = b"counts";
/// What people have been told and not yet been told is over.
const OPEN_ALERTS: &[u8] = b"open-alerts";
/// What people have lately been told is over.
const ALERTS_OVER: &[u8] = b"alerts-over";
/// Every hold over a scope.
const SCOPES: &[u8] = b"scopes";
/// What is remembered of closed batches.
const AWAY: &[u8] = b"away";
/// Notes of open wheels, by number.
const NOTES: &[u8] = b"n/";
/// Make records of open batches.
const BATCHES: &[u8] = b"b/";
/// Moves of stillages.
const CARRIED: &[u8] = b"m/";
/// Recent readings.
const ROOMS: &[u8] = b"r/";
/// Checks.
const TOOLS: &[u8] = b"t/";
/// Numbers seen.
const STATIONS: &[u8] = b"s/";
/// Where facts of a type that the build did not know lie.
const GAPS: &[u8] = b"g/";
/// Voidings.
const VOIDINGS: &[u8] = b"v/";
/// Closed batches, whole.
const CLOSED: &[u8] = b"c/";
/// The batch of a closed wheel.
const CLOSED_WHEELS: &[u8] = b"y/";
/// Closed batches that a fact speaks of: the fact's name, then the batch's.
const CLOSED_BY_FACT: &[u8] = b"x/";
/// Closed batches by what they go by beside their code: the word, then the batch's name.
const CLOSED_BY_WORD: &[u8] = b"f/";
/// What the worker keeps beside the floor, by name.
const KEPT: &[u8] = b"k/";

/// A note and the wheels of which it says so.
struct StoredNote {
    encoded: Vec<u8>,
    wheels: Vec<WheelId>,
}

stored_struct!(StoredNote { encoded, wheels });

/// What [`open`] finds.
pub struct Opened<P, K> {
    /// The store.
    pub store: Store,
    /// The floor; nothing is derived yet.
    pub floor: Folding,
    /// The stream position it stands for; `None` for an empty store.
    pub position: Option<P>,
    /// What the caller keeps beside it.
    pub kept: K,
    /// A store that did not read, put aside.
    pub aside: Option<Aside>,
}

/// Opens the store in a folder and puts the stored floor together, with whatever else the
/// caller keeps here: `kept` reads it.
///
/// # Errors
/// As [`Store::open_with`].
pub fn open<P: BorshDeserialize, K>(
    path: &Path,
    practice: &Practice,
    kept: impl Fn(&Store) -> Result<K, StoreError>,
) -> Result<Opened<P, K>, StoreError> {
    let whole = |store: &Store| {
        begin_under(store, practice)?;
        let mut floor = load(store, practice.clone())?;
        if passed_over(&floor) {
            store.empty()?;
            begin_under(store, practice)?;
            floor = load(store, practice.clone())?;
        }
        Ok((floor, store.position()?, kept(store)?))
    };
    let (store, (floor, position, kept), aside) = Store::open_with(path, FORMAT, whole)?;
    Ok(Opened {
        store,
        floor,
        position,
        kept,
        aside,
    })
}

/// What is closed was put away by what the site file said then: under another one the log is
/// folded anew.
fn begin_under(store: &Store, practice: &Practice) -> Result<(), StoreError> {
    // Dairy days too: closed batches are found by them.
    let says = format!(
        "{} {:?} {:?}",
        practice.closed_after_days, practice.rights, practice.clock
    );
    let said = store.get::<String>(SITE)?;
    if said.as_ref() == Some(&says) {
        return Ok(());
    }
    if said.is_some() {
        tracing::info!(
            "the site file says otherwise when a wheel is closed, who may release one, or when a day begins: folding the log again"
        );
        store.empty()?;
    }
    let mut batch = Batch::default();
    batch.put(SITE, &says)?;
    store.write(&batch)
}

/// Whether the build that wrote this passed over facts that this one knows.
fn passed_over(floor: &Folding) -> bool {
    let known = |ty: &str| facts::TYPES.iter().any(|info| info.ty == ty);
    let mut gaps = floor.gaps().filter(|(ty, _)| known(ty));
    let found = gaps.next();
    if let Some((ty, gap)) = found {
        tracing::info!(
            ty,
            facts = gap.count,
            first = gap.first,
            "this version knows facts that an earlier one passed over: folding the log again"
        );
    }
    found.is_some()
}

/// What has changed on a floor since the last time, with its position and the effects it asks
/// for, numbered from `first_effect`.
///
/// # Errors
/// [`StoreError::Encoding`], which is a defect.
pub fn batch(
    floor: &mut Floor,
    position: &impl BorshSerialize,
    first_effect: u64,
    effects: &[Effect],
) -> Result<Batch, StoreError> {
    let mut batch = Batch::default();
    write(&mut batch, floor)?;
    batch.effects(first_effect, effects)?;
    batch.position(position)?;
    Ok(batch)
}

/// Puts the stored floor together.
///
/// # Errors
/// When a record does not read, or none can be read at all.
pub fn load<R: Records>(store: &R, practice: Practice) -> Result<Folding, R::Error> {
    let mut floor = Folding::new(practice);
    each(store, VOIDINGS, |_: String, voiding: Voiding| {
        floor.restore_voiding(voiding);
    })?;
    floor.restore_scopes(store.get(SCOPES)?.unwrap_or_default());
    floor.restore_away(store.get(AWAY)?.unwrap_or_default());
    store.each(NOTES, |no, note: StoredNote| {
        let no = no.try_into().map_err(|_| "no number".to_owned())?;
        let no = u32::from_be_bytes(no);
        floor
            .restore_note(no, &note.encoded, &note.wheels)
            .map_err(damaged)
    })?;
    each(store, BATCHES, |id: BatchId, batch| {
        floor.restore_batch(id, batch);
    })?;
    each(store, CARRIED, |id: StillageId, carried| {
        floor.restore_carried(id, carried);
    })?;
    each(store, ROOMS, |id: RoomId, room| {
        floor.restore_room(id, room)
    })?;
    each(store, TOOLS, |id: ToolId, tool| {
        floor.restore_tool(id, tool)
    })?;
    each(store, STATIONS, |id: StationId, log| {
        floor.restore_station(id, log);
    })?;
    each(store, GAPS, |ty: String, gap: Gap| {
        floor.restore_gap(ty, gap)
    })?;
    let open = store.get(OPEN_ALERTS)?.unwrap_or_default();
    floor.restore_told(open, store.get(ALERTS_OVER)?.unwrap_or_default());
    floor.restore_counts(store.get(COUNTS)?.unwrap_or_default());
    floor
        .restored()
        .map_err(|Damaged| store.unreadable(NOTES, "a wheel's notes contradict each other"))?;
    Ok(floor)
}

/// Writes what has changed on a floor since the last time. Batches that are closed by now are
/// put away.
///
/// # Errors
/// [`StoreError::Encoding`], which is a defect.
pub fn write(batch: &mut Batch, floor: &mut Floor) -> Result<(), StoreError> {
    write_keeping(batch, floor, KEPT_OF_A_RECIPE)
}

/// The same, where of each recipe so many batches stay.
///
/// # Errors
/// As [`write`].
pub fn write_keeping(batch: &mut Batch, floor: &mut Floor, kept: usize) -> Result<(), StoreError> {
    let clock = floor.practice().clock;
    for closed in floor.close(kept) {
        put_away(batch, &closed, &clock)?;
    }
    let changed = floor.take_changed();
    for no in changed.notes {
        let key = [NOTES, &no.to_be_bytes()].concat();
        match floor.stored_note(no) {
            Some((encoded, wheels)) => {
                let encoded = encoded.to_vec();
                batch.put(&key, &StoredNote { encoded, wheels })?;
            }
            None => batch.remove(&key),
        }
    }
    for id in changed.batches {
        match floor.batch(id) {
            Some(made) => {
                batch.put(&named(BATCHES, id.as_str()), made)?;
                batch.remove(&caseless(CLOSED, id.as_str()));
            }
            None => {
                batch.remove(&named(BATCHES, id.as_str()));
                // It was put away, or nothing is said of it any more: then not there either.
                if floor.away().begun_at(id).is_none() {
                    batch.remove(&caseless(CLOSED, id.as_str()));
                }
            }
        }
    }
    for id in changed.carried {
        let key = named(CARRIED, id.as_str());
        match floor.carried(id) {
            Some(carried) => batch.put(&key, carried)?,
            None => batch.remove(&key),
        }
    }
    for (id, room) in floor.rooms().filter(|(id, _)| changed.rooms.contains(id)) {
        batch.put(&named(ROOMS, id.as_str()), room)?;
    }
    for id in &changed.tools {
        if let Some(tool) = floor.tool(*id) {
            batch.put(&named(TOOLS, id.as_str()), tool)?;
        }
    }
    let stations = floor.stations();
    for (id, log) in stations.filter(|(id, _)| changed.stations.contains(id)) {
        batch.put(&named(STATIONS, id.as_str()), log)?;
    }
    for voiding in &changed.voidings {
        let name = format!("{}-{}", voiding.target, voiding.by);
        batch.put(&named(VOIDINGS, &name), voiding)?;
    }
    if changed.scopes {
        batch.put(SCOPES, floor.scopes())?;
    }
    if changed.away {
        batch.put(AWAY, floor.away())?;
    }
    for (ty, gap) in floor.gaps() {
        batch.put(&named(GAPS, ty), gap)?;
    }
    if changed.told {
        batch.put(OPEN_ALERTS, &floor.open_alerts().collect::<Vec<_>>())?;
        batch.put(ALERTS_OVER, &floor.alerts_over().collect::<Vec<_>>())?;
    }
    batch.put(COUNTS, &floor.counts())
}

fn put_away(batch: &mut Batch, closed: &Closed, clock: &DairyClock) -> Result<(), StoreError> {
    let id = closed.id;
    batch.put(&caseless(CLOSED, id.as_str()), closed)?;
    for wheel in closed.wheels() {
        batch.put(&caseless(CLOSED_WHEELS, wheel.as_str()), &id)?;
    }
    for fact in closed.facts() {
        let key = [&by_fact(fact), id.as_str().as_bytes()].concat();
        batch.put(&key, &id)?;
    }
    for word in closed.words(|at| clock.day_of(at)) {
        let key = [&by_word(&word), id.as_str().as_bytes()].concat();
        batch.put(&key, &id)?;
    }
    Ok(())
}

/// Brings back the closed batches that a fact speaks of, before it is folded.
///
/// # Errors
/// When what is stored of one does not read.
pub fn bring_back_for<R: Records>(
    store: &R,
    floor: &mut impl Reopens,
    fact: &Fact,
) -> Result<(), R::Error> {
    let needs = floor.needs(fact);
    if needs.is_empty() {
        return Ok(());
    }
    bring_back(store, floor, &needs)
}

/// Brings closed batches back. They are put away again with the next write.
///
/// # Errors
/// When what is stored of one does not read.
pub fn bring_back<R: Records>(
    store: &R,
    floor: &mut impl Reopens,
    needs: &Needs,
) -> Result<(), R::Error> {
    let mut batches: BTreeSet<BatchId> = needs.batches.clone();
    for wheel in &needs.wheels {
        batches.extend(store.get::<BatchId>(&caseless(CLOSED_WHEELS, wheel.as_str()))?);
    }
    for fact in &needs.facts {
        store.each(&by_fact(*fact), |_, batch: BatchId| {
            batches.insert(batch);
            Ok(())
        })?;
    }
    // A hold over milk or curd follows it through the batches that it was reworked into.
    let mut next: Vec<BatchId> = batches.iter().copied().collect();
    while let Some(id) = next.pop() {
        let key = caseless(CLOSED, id.as_str());
        // What is open already has a record of its own.
        let closed = store.get::<Closed>(&key)?.filter(|_| !floor.is_open(id));
        if let Some(closed) = closed {
            next.extend(closed.reworked_from().filter(|from| batches.insert(*from)));
            let reopened = floor.reopen(closed);
            reopened.map_err(|Damaged| store.unreadable(&key, "its notes do not read"))?;
        }
    }
    Ok(())
}

/// Closed batches that go by a code: their own, a wheel's, a lot's, an order's, or their make
/// day.
///
/// # Errors
/// [`StoreError`] when the store cannot be read.
pub fn closed_by(store: &Store, code: &str) -> Result<BTreeSet<BatchId>, StoreError> {
    let mut batches = BTreeSet::new();
    store.each(&by_word(code), |_, batch: BatchId| {
        batches.insert(batch);
        Ok(())
    })?;
    batches.extend(store.get::<BatchId>(&caseless(CLOSED_WHEELS, code))?);
    if let Ok(id) = code.parse()
        && store.bytes(&caseless(CLOSED, code))?.is_some()
    {
        batches.insert(id);
    }
    Ok(batches)
}

/// The first closed wheels after one, in order.
///
/// # Errors
/// [`StoreError`] when the store cannot be read.
pub fn closed_wheels_after(
    store: &Store,
    after: Option<WheelId>,
    most: usize,
) -> Result<Vec<WheelId>, StoreError> {
    let after = after.map(|id| caseless(CLOSED_WHEELS, id.as_str()));
    let keys = store.keys_after(CLOSED_WHEELS, after.as_deref(), most)?;
    let codes = keys.iter().filter_map(|key| std::str::from_utf8(key).ok());
    Ok(codes.filter_map(|code| code.parse().ok()).collect())
}

/// What the worker keeps beside the floor under a name, as [`keep`] wrote it.
///
/// # Errors
/// [`StoreError`] when it does not read.
pub fn kept<T: BorshDeserialize>(store: &Store, name: &str) -> Result<Option<T>, StoreError> {
    store.get(&named(KEPT, name))
}

/// Keeps something beside the floor, under a name of its own.
///
/// # Errors
/// [`StoreError::Encoding`], which is a defect.
pub fn keep(batch: &mut Batch, name: &str, what: &impl BorshSerialize) -> Result<(), StoreError> {
    batch.put(&named(KEPT, name), what)
}

/// Whether a record is about what people were told.
#[must_use]
pub fn is_what_was_told(key: &[u8]) -> bool {
    key == OPEN_ALERTS || key == ALERTS_OVER
}

fn named(prefix: &[u8], id: &str) -> Vec<u8> {
    [prefix, id.as_bytes()].concat()
}

/// Letter case says nothing in a code; what is open is kept as it was first written, what is
/// closed is looked up however it is written now. In capitals, as codes are ordered.
fn caseless(prefix: &[u8], id: &str) -> Vec<u8> {
    named(prefix, &id.to_ascii_uppercase())
}

fn by_fact(fact: FactId) -> Vec<u8> {
    [CLOSED_BY_FACT, fact.uuid().as_bytes()].concat()
}

fn by_word(word: &str) -> Vec<u8> {
    [&caseless(CLOSED_BY_WORD, word)[..], b"\0"].concat()
}

fn damaged(_: Damaged) -> String {
    "its notes do not read".to_owned()
}

fn each<R: Records, I: FromStr, T: BorshDeserialize>(
    store: &R,
    prefix: &[u8],
    mut take: impl FnMut(I, T),
) -> Result<(), R::Error> {
    store.each(prefix, |id, value| {
        let id = std::str::from_utf8(id).ok().and_then(|id| id.parse().ok());
        take(id.ok_or_else(|| "its name is none".to_owned())?, value);
        Ok(())
    })
}
