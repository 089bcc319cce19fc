//! Which numbers stations give their facts: their own last, or the log's where only that knows.

use std::collections::{BTreeMap, HashSet};

use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactId, SiteId, StationId, wire};

use super::{
    Changes, FRESH, LARGEST, NUMBER, REFUSED, SENT, Shelf, WAITS, big_endian, fresh_key, key_of,
    number_key, parcel, whole,
};

/// Why drafts cannot become facts.
#[derive(Debug)]
pub enum NotNumbered<E> {
    /// The shelf's own trouble.
    Shelf(E),
    /// A fact that is larger than may be sent: its type, its size in bytes, and the most.
    TooLarge(&'static str, usize, usize),
    /// A fact that cannot be written.
    Write(serde_json::Error),
    /// A fact that no reader would take: its type, and why.
    Unreadable(&'static str, wire::Unreadable),
}

/// Numbers a station's drafts from its last number on and stamps them with ids, each asked of
/// `id`; `next` is the position of the first. Gives the facts, and the changes that record them.
///
/// # Errors
/// [`NotNumbered`]; then nothing has changed.
pub fn number<S: Shelf>(
    shelf: &S,
    (next, mut id): (u64, impl FnMut() -> FactId),
    (site, station): (SiteId, StationId),
    drafts: Vec<Draft>,
    recorded_at: DateTime<Utc>,
) -> Result<(Vec<Fact>, Changes), NotNumbered<S::Error>> {
    let key = number_key(shelf, &station).map_err(NotNumbered::Shelf)?;
    let mut number = last_number(shelf, &station).map_err(NotNumbered::Shelf)?;
    let mut changes = Changes::default();
    if number == 0 {
        changes.set(fresh_key(&station), []);
    }
    let mut numbered = Vec::with_capacity(drafts.len());
    for (position, draft) in (next..).zip(drafts) {
        number += 1;
        let (occurred_at, claimed_at) = draft.ordered(recorded_at);
        let fact = Fact {
            id: id(),
            site,
            station,
            station_seq: number,
            person: draft.person,
            occurred_at,
            claimed_at,
            recorded_at,
            event: draft.event,
        };
        let line = wire::to_line(&fact).map_err(NotNumbered::Write)?;
        if line.len() > LARGEST {
            return Err(NotNumbered::TooLarge(fact.event.ty(), line.len(), LARGEST));
        }
        // What readers would refuse must not be taken from anyone.
        if let Err(why) = wire::from_line(&line) {
            return Err(NotNumbered::Unreadable(fact.event.ty(), why));
        }
        changes.set(key_of(WAITS, position), line);
        numbered.push(fact);
    }
    changes.set(key, number.to_be_bytes());
    Ok((numbered, changes))
}

/// The last number that a station was given.
///
/// # Errors
/// The shelf's own.
pub fn last_number<S: Shelf>(shelf: &S, station: &StationId) -> Result<u64, S::Error> {
    let given = shelf.get(&number_key(shelf, station)?)?;
    Ok(given.as_deref().and_then(big_endian).unwrap_or(0))
}

/// Lets a station's numbers go on after `number`; they never go back.
///
/// # Errors
/// The shelf's own.
pub fn continue_after<S: Shelf>(
    shelf: &S,
    station: &StationId,
    number: u64,
) -> Result<Changes, S::Error> {
    let mut changes = Changes::default();
    if last_number(shelf, station)? < number {
        changes.set(number_key(shelf, station)?, number.to_be_bytes());
    }
    Ok(changes)
}

/// The stations whose numbers may have been given before: their outbox is new, or was damaged.
///
/// # Errors
/// The shelf's own.
pub fn fresh<S: Shelf>(shelf: &S) -> Result<Vec<StationId>, S::Error> {
    let mut stations = Vec::new();
    for entry in whole(shelf, FRESH) {
        let (key, _) = entry?;
        let code = key.get(1..).and_then(|code| std::str::from_utf8(code).ok());
        stations.extend(code.and_then(|code| StationId::new(code).ok()));
    }
    Ok(stations)
}

/// The log has numbers of a station up to `last`, and the facts `there`: those that wait and are
/// not there get numbers after it, in their order. Gives how many got another number.
///
/// # Errors
/// The shelf's own.
pub fn number_after<S: Shelf>(
    shelf: &S,
    station: &StationId,
    last: u64,
    there: &HashSet<FactId>,
) -> Result<(Changes, usize), S::Error> {
    let mut changes = Changes::default();
    let (mut next, mut again) = (last, 0);
    for entry in whole(shelf, WAITS) {
        let (key, line) = entry?;
        let read = std::str::from_utf8(&line).ok().map(wire::from_line);
        let Some(Ok(wire::Read::Fact(mut fact))) = read else {
            continue;
        };
        if fact.station != *station || there.contains(&fact.id) {
            continue;
        }
        next = if fact.station_seq > next {
            fact.station_seq
        } else {
            next + 1
        };
        if fact.station_seq != next {
            fact.station_seq = next;
            if let Ok(line) = wire::to_line(&fact) {
                changes.set(key, line);
                again += 1;
            }
        }
    }
    if last_number(shelf, station)? < next {
        changes.set(number_key(shelf, station)?, next.to_be_bytes());
    }
    changes.forget(fresh_key(station));
    Ok((changes, again))
}

/// What is to be set right where something is missing: no number that a fact here has is given
/// again, and of all others the log is asked.
///
/// # Errors
/// The shelf's own.
pub fn after_damage<S: Shelf>(shelf: &S) -> Result<Changes, S::Error> {
    let mut changes = Changes::default();
    let mut last: BTreeMap<StationId, u64> = BTreeMap::new();
    for kind in [SENT, REFUSED, WAITS] {
        for entry in whole(shelf, kind) {
            if let Ok(parcel) = parcel(&entry?.1) {
                let number = last.entry(parcel.station).or_default();
                *number = parcel.station_seq.max(*number);
            }
        }
    }
    for entry in whole(shelf, NUMBER) {
        let (key, _) = entry?;
        let code = key.get(1..).and_then(|code| std::str::from_utf8(code).ok());
        if let Some(station) = code.and_then(|code| StationId::new(code).ok()) {
            last.entry(station).or_default();
        }
    }
    for (station, number) in last {
        changes.0.extend(continue_after(shelf, &station, number)?.0);
        changes.set(fresh_key(&station), []);
    }
    Ok(changes)
}
