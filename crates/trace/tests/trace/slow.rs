//! The slow and obvious model: it looks at every fact again for every question.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{BatchId, Carrier, Event, Fact, LotId, ReworkSource, RoomId, Scope, WheelId};
use holds::Rights;
use trace::{How, Level, Place, RUN};

use crate::obvious::never_happened;

/// What wheels are in, how surely, and what they shared: wheel to level and ways.
pub type Answer = BTreeMap<WheelId, (Level, BTreeSet<(How, Place)>)>;

/// Facts once each, in order, without those that were voided.
fn valid(facts: &[Fact]) -> Vec<Fact> {
    let mut once: BTreeMap<_, &Fact> = BTreeMap::new();
    for fact in facts {
        once.insert(fact.order(), fact);
    }
    let once: Vec<&Fact> = once.into_values().collect();
    let counts = |fact: &&&Fact| !never_happened(fact, &once, &Rights::AnyBadge);
    once.iter()
        .filter(counts)
        .map(|fact| (*fact).clone())
        .collect()
}

/// What was made of these, by going through the facts until nothing new turns up.
fn made_of(
    facts: &[Fact],
    lots: &mut BTreeSet<LotId>,
    batches: &mut BTreeSet<BatchId>,
    wheels: &mut BTreeSet<WheelId>,
) {
    loop {
        let before = (lots.len(), batches.len(), wheels.len());
        for fact in facts {
            match &fact.event {
                Event::MilkPooled(e) if e.from.iter().any(|part| lots.contains(&part.lot)) => {
                    lots.insert(e.lot);
                }
                Event::VatStarted(e) if e.milk_lots.iter().any(|lot| lots.contains(lot)) => {
                    batches.insert(e.batch);
                }
                Event::VatFilled(e) if lots.contains(&e.lot) => {
                    batches.insert(e.batch);
                }
                Event::VatDosed(e) if lots.contains(&e.lot) => {
                    batches.insert(e.batch);
                }
                Event::LotUsed(e) if lots.contains(&e.lot) => wheels.extend(&e.wheels),
                Event::WheelPortioned(e) if batches.contains(&e.batch) => {
                    wheels.insert(e.wheel);
                }
                Event::VatReworked(e) => {
                    let suspect = match e.from {
                        ReworkSource::Batch(batch) => batches.contains(&batch),
                        ReworkSource::Wheel(wheel) => wheels.contains(&wheel),
                    };
                    if suspect {
                        batches.insert(e.batch);
                    }
                }
                _ => {}
            }
        }
        if before == (lots.len(), batches.len(), wheels.len()) {
            return;
        }
    }
}

#[derive(Default, Clone, PartialEq)]
struct Where {
    hoop: Option<Place>,
    stack: Option<Place>,
    stillage: Option<Place>,
    room: Option<Place>,
    case: Option<Place>,
}

/// Where a wheel was after the facts up to an instant.
fn place(facts: &[Fact], wheel: WheelId, at: DateTime<Utc>) -> Where {
    let mut now = Where::default();
    let mut rooms: BTreeMap<Place, RoomId> = BTreeMap::new();
    for fact in facts.iter().filter(|fact| fact.occurred_at <= at) {
        let named = match &fact.event {
            Event::OrderPacked(e) => e.wheels.contains(&wheel),
            event => event.wheels().contains(&wheel),
        };
        match &fact.event {
            Event::WheelMoved(e) => {
                let via = match e.via {
                    Some(Carrier::Stillage(id)) => Some(Place::Stillage(id)),
                    _ => None,
                };
                if named || (via.is_some() && via == now.stillage) {
                    now.room = Some(Place::Room(e.room));
                }
                if let Some(via) = via {
                    rooms.insert(via, e.room);
                }
            }
            Event::WheelHooped(e) if named => {
                now.hoop = Some(Place::Hoop(e.hoop));
                now.stack = e.stack.map(Place::Stack);
                now.stillage = None;
            }
            Event::WheelUnhooped(_) if named => (now.hoop, now.stack) = (None, None),
            Event::WheelLoaded(e) if named => {
                let stillage = Place::Stillage(e.stillage);
                (now.stillage, now.stack) = (Some(stillage), None);
                if let Some(room) = rooms.get(&stillage) {
                    now.room = Some(Place::Room(*room));
                }
            }
            Event::OrderPacked(e) if named => now.case = Some(Place::Case(e.case)),
            Event::WheelDispatched(_) if named => {
                now = Where {
                    case: now.case,
                    ..Where::default()
                };
            }
            Event::WheelReturned(_) | Event::WheelDiscarded(_) if named => now = Where::default(),
            _ => {}
        }
    }
    now
}

fn cleaned(facts: &[Fact], code: &str) -> Vec<DateTime<Utc>> {
    let sanitised = facts
        .iter()
        .filter(|fact| matches!(&fact.event, Event::ToolSanitised(e) if e.tool.as_str() == code));
    sanitised.map(|fact| fact.occurred_at).collect()
}

/// Whether nothing was cleaned between two instants, the first before the second; where
/// cleaning is never recorded, whether both are of one run.
fn carries(cleaned: &[DateTime<Utc>], from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
    if cleaned.is_empty() {
        to - from <= RUN
    } else {
        !cleaned.iter().any(|at| *at > from && *at <= to)
    }
}

pub fn recall(facts: &[Fact], about: &Scope) -> Answer {
    let facts = valid(facts);
    let (mut lots, mut batches, mut certain) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
    match about {
        Scope::Lot(lot) => {
            lots.insert(*lot);
        }
        Scope::Batch(batch) => {
            batches.insert(*batch);
        }
        other => panic!("the slow model does not know {other:?}"),
    }
    made_of(&facts, &mut lots, &mut batches, &mut certain);
    let mut answer = Answer::new();
    for wheel in &certain {
        answer.insert(*wheel, (Level::Certain, BTreeSet::new()));
    }

    let mut ways: BTreeMap<WheelId, BTreeSet<(How, Place)>> = BTreeMap::new();
    let named = |fact: &Fact| match &fact.event {
        Event::OrderPacked(e) => e.wheels.clone(),
        event => event.wheels().to_vec(),
    };
    let all: BTreeSet<WheelId> = facts.iter().flat_map(named).collect();
    let others: Vec<WheelId> = all.difference(&certain).copied().collect();
    let times: Vec<DateTime<Utc>> = facts.iter().map(|fact| fact.occurred_at).collect();

    // The same place at the same time, looked at whenever anything happened.
    for at in &times {
        let theirs: Vec<_> = others
            .iter()
            .map(|other| (other, place(&facts, *other, *at)))
            .collect();
        for suspect in &certain {
            let own = place(&facts, *suspect, *at);
            for (other, their) in &theirs {
                for (how, own, their) in [
                    (How::Stack, own.stack, their.stack),
                    (How::Stillage, own.stillage, their.stillage),
                    (How::Room, own.room, their.room),
                    (How::Case, own.case, their.case),
                ] {
                    if let Some(shared) = own.filter(|_| own == their) {
                        ways.entry(**other).or_default().insert((how, shared));
                    }
                }
            }
        }
    }

    // The same tool.
    let touches: Vec<_> = facts
        .iter()
        .flat_map(|fact| match &fact.event {
            Event::WheelPierced(e) => e
                .wheels
                .iter()
                .map(|w| (*w, e.machine, fact.occurred_at))
                .collect(),
            Event::WheelIroned(e) => e
                .iron
                .map(|iron| (e.wheel, iron, fact.occurred_at))
                .into_iter()
                .collect(),
            _ => Vec::new(),
        })
        .collect();
    for (suspect, tool, at) in touches
        .iter()
        .filter(|(wheel, _, _)| certain.contains(wheel))
    {
        let _ = suspect;
        let cleaned = cleaned(&facts, tool.as_str());
        for (other, _, then) in touches
            .iter()
            .filter(|(other, by, _)| by == tool && !certain.contains(other))
        {
            let how = if then >= at && carries(&cleaned, *at, *then) {
                Some(if *then - *at <= RUN {
                    How::ToolAfter
                } else {
                    How::ToolLater
                })
            } else if then < at && *at - *then <= RUN && carries(&cleaned, *then, *at) {
                Some(How::ToolBefore)
            } else {
                None
            };
            if let Some(how) = how {
                ways.entry(*other)
                    .or_default()
                    .insert((how, Place::Tool(*tool)));
            }
        }
    }

    // The next in the hoop.
    let entered = |wheel: WheelId| {
        let mut before = None;
        let mut entered = Vec::new();
        for at in &times {
            let hoop = place(&facts, wheel, *at).hoop;
            if hoop != before
                && let Some(hoop) = hoop
            {
                entered.push((hoop, *at, wheel));
            }
            before = hoop;
        }
        entered
    };
    let entries: Vec<_> = all.iter().flat_map(|wheel| entered(*wheel)).collect();
    for (hoop, at, _) in entries
        .iter()
        .filter(|(_, _, wheel)| certain.contains(wheel))
    {
        let later = entries
            .iter()
            .filter(|(other, then, _)| other == hoop && then > at);
        let Some((_, then, next)) = later.min_by_key(|(_, then, _)| *then) else {
            continue;
        };
        let Place::Hoop(id) = hoop else { continue };
        if !certain.contains(next) && carries(&cleaned(&facts, id.as_str()), *at, *then) {
            ways.entry(*next)
                .or_default()
                .insert((How::HoopAfter, *hoop));
        }
    }

    // The next in the vat, for batches that wheels were made of.
    let starts: Vec<_> = facts
        .iter()
        .filter_map(|fact| match &fact.event {
            Event::VatStarted(e) => Some((e.vat, e.batch, fact.occurred_at)),
            _ => None,
        })
        .collect();
    let born = |batch: BatchId| -> BTreeSet<WheelId> {
        let born = facts.iter().filter_map(|fact| match &fact.event {
            Event::WheelPortioned(e) if e.batch == batch => Some(e.wheel),
            _ => None,
        });
        born.collect()
    };
    for (vat, batch, at) in starts
        .iter()
        .filter(|(_, batch, _)| batches.contains(batch))
    {
        let mut later = starts
            .iter()
            .filter(|(v, b, then)| v == vat && b != batch && then > at);
        let Some((_, next, then)) = later.next() else {
            continue;
        };
        let carried = carries(&cleaned(&facts, vat.as_str()), *at, *then);
        if carried && !batches.contains(next) && !born(*batch).is_disjoint(&certain) {
            for wheel in born(*next).difference(&certain) {
                ways.entry(*wheel)
                    .or_default()
                    .insert((How::VatAfter, Place::Vat(*vat)));
            }
        }
    }

    for (wheel, ways) in ways {
        let level = ways.iter().map(|(how, _)| how.level()).min().unwrap();
        let ways = ways
            .into_iter()
            .filter(|(how, _)| how.level() == level)
            .collect();
        answer.insert(wheel, (level, ways));
    }
    // What they went into.
    let levels = answer.clone();
    for level in [Level::Probable, Level::Possible] {
        for (begin, _) in levels.iter().filter(|(_, (its, _))| *its == level) {
            let (mut lots, mut batches, mut made) =
                (BTreeSet::new(), BTreeSet::new(), BTreeSet::from([*begin]));
            made_of(&facts, &mut lots, &mut batches, &mut made);
            for wheel in made {
                let entry = answer.entry(wheel).or_insert((level, BTreeSet::new()));
                if level < entry.0 {
                    *entry = (level, BTreeSet::new());
                }
            }
        }
    }
    answer
}
