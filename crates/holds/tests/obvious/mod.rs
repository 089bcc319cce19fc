//! Which facts count as never having happened, and which wheels are in a scope, slowly and
//! obviously: every fact is looked at again for every question. Tests of every place that answers
//! it compare with this one.

#![allow(dead_code)] // not every test that asks the one asks the other

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, Event, Fact, FactId, ReworkSource, RoomId, Scope, StillageId, WheelId, Window,
};
use holds::Rights;

/// Whether what a fact says lets a wheel go once the fact is taken back, and once that is
/// taken back in turn.
fn lets_go(fact: &Fact) -> (bool, bool) {
    match &fact.event {
        Event::WheelHeld(_) | Event::HoldPlaced(_) => (true, false),
        Event::ToolChecked(checked) if !checked.check.passed() => (true, false),
        Event::WheelReleased(_) | Event::HoldLifted(_) | Event::HoldTraced(_) => (false, true),
        Event::VatRecipeChanged(_) => (true, true),
        _ => (false, false),
    }
}

/// Milliseconds from the receipt of one fact to that of another, as their names say; none where
/// one says nothing.
fn millis_between(first: &Fact, then: &Fact) -> Option<i64> {
    let millis = |fact: &Fact| {
        let name = fact.id.to_string().replace('-', "");
        let says = name.as_bytes()[12] == b'7';
        i64::from_str_radix(&name[..12], 16).ok().filter(|_| says)
    };
    Some(millis(then)? - millis(first)?)
}

/// Whether a fact counts as never having happened, by all of these.
pub fn never_happened(fact: &Fact, all: &[&Fact], rights: &Rights) -> bool {
    taken_back(fact, lets_go(fact), all, rights, &mut Vec::new())
}

fn taken_back(
    fact: &Fact,
    (now, then): (bool, bool),
    all: &[&Fact],
    rights: &Rights,
    path: &mut Vec<FactId>,
) -> bool {
    let voiders: Vec<&Fact> = all
        .iter()
        .copied()
        .filter(|by| matches!(&by.event, Event::Voided(voided) if voided.fact == fact.id))
        .collect();
    if voiders.is_empty() {
        return false;
    }
    if path.contains(&fact.id) {
        return true;
    }
    path.push(fact.id);
    let of_nobodys_concern =
        !matches!(fact.event, Event::Voided(_)) && !authority::workers::keeps_safe(&fact.event);
    let void = voiders.into_iter().any(|by| {
        // Ten minutes, and one on either side for what lies between a scan and the disk.
        let in_time = millis_between(fact, by).is_some_and(|ms| (-60_000..=660_000).contains(&ms));
        let own = of_nobodys_concern && by.station == fact.station && in_time;
        let office = by.station.as_str() == authority::workers::OFFICE;
        let may = !now || rights.may_release(by.person);
        (own || (office && may)) && !taken_back(by, (then, now), all, rights, path)
    });
    path.pop();
    void
}

/// Whether a wheel is in a scope by these facts, all of which count and are in order. `every`:
/// those that are known today; milk that was pooled is followed by them. `released`: how many of
/// the facts had come when the wheel was released from it; only what brought it in since counts.
pub fn in_scope(
    facts: &[&Fact],
    every: &[&Fact],
    wheel: WheelId,
    scope: &Scope,
    released: Option<usize>,
) -> bool {
    let before = &facts[..released.unwrap_or(0)];
    let since = facts[before.len()..].iter();
    let within = |window: &Window, at: DateTime<Utc>| {
        at >= window.from && window.to.is_none_or(|to| at < to)
    };
    let mut any = since;
    let at = released.and_then(|released| Some(facts[released.checked_sub(1)?].occurred_at));
    match scope {
        Scope::Wheels(wheels) => released.is_none() && wheels.contains(&wheel),
        Scope::Batch(batch) => {
            let is_of = |facts: &[&Fact]| batches_of(facts, wheel).contains(batch);
            is_of(facts) && !(released.is_some() && is_of(before))
        }
        Scope::Made(window) => any.any(|fact| match &fact.event {
            Event::WheelPortioned(e) => e.wheel == wheel && within(window, fact.occurred_at),
            _ => false,
        }),
        Scope::Tool { tool, window } => any.any(|fact| {
            let touched = match &fact.event {
                Event::WheelPierced(e) => e.machine == *tool && e.wheels.contains(&wheel),
                Event::WheelIroned(e) => e.iron == Some(*tool) && e.wheel == wheel,
                _ => false,
            };
            touched && within(window, fact.occurred_at)
        }),
        Scope::Lot(lot) => {
            let mut lots = BTreeSet::from([*lot]);
            for _ in every {
                for fact in every {
                    if let Event::MilkPooled(e) = &fact.event
                        && e.from.iter().any(|part| lots.contains(&part.lot))
                    {
                        lots.insert(e.lot);
                    }
                }
            }
            let coated = any.any(|fact| match &fact.event {
                Event::LotUsed(e) => lots.contains(&e.lot) && e.wheels.contains(&wheel),
                _ => false,
            });
            let is_of = |facts: &[&Fact]| {
                let batches = batches_of(facts, wheel);
                facts.iter().any(|fact| match &fact.event {
                    Event::VatDosed(e) => lots.contains(&e.lot) && batches.contains(&e.batch),
                    Event::VatFilled(e) => lots.contains(&e.lot) && batches.contains(&e.batch),
                    Event::VatStarted(e) => {
                        let mut milk = e.milk_lots.iter();
                        batches.contains(&e.batch) && milk.any(|lot| lots.contains(lot))
                    }
                    _ => false,
                })
            };
            coated || (is_of(facts) && !(released.is_some() && is_of(before)))
        }
        Scope::Room { room, window } => was(facts, wheel, window, at, |at| at.room == Some(*room)),
        Scope::Stillage { stillage, window } => was(facts, wheel, window, at, |at| {
            at.stillage == Some(*stillage)
        }),
    }
}

/// The batches that a wheel is of, those reworked into them among them.
fn batches_of(facts: &[&Fact], wheel: WheelId) -> BTreeSet<BatchId> {
    let mut batches = BTreeSet::new();
    for _ in facts {
        for fact in facts {
            match &fact.event {
                Event::WheelPortioned(e) if e.wheel == wheel => {
                    batches.insert(e.batch);
                }
                Event::VatReworked(e) if batches.contains(&e.batch) => {
                    if let ReworkSource::Batch(from) = e.from {
                        batches.insert(from);
                    }
                }
                _ => {}
            }
        }
    }
    batches
}

/// Where a wheel is.
#[derive(Default, Clone, Copy)]
struct At {
    stillage: Option<StillageId>,
    room: Option<RoomId>,
}

/// Whether a wheel was there at any instant of a time: the whole floor is played again. `since`:
/// it must have come there then or later.
fn was(
    facts: &[&Fact],
    wheel: WheelId,
    window: &Window,
    since: Option<DateTime<Utc>>,
    there: impl Fn(At) -> bool,
) -> bool {
    let mut came: Option<DateTime<Utc>> = None;
    let mut floor: BTreeMap<WheelId, At> = BTreeMap::new();
    let mut stands: BTreeMap<StillageId, RoomId> = BTreeMap::new();
    let mut found = false;
    for (n, fact) in facts.iter().enumerate() {
        let named = fact.event.wheels().iter().copied();
        match &fact.event {
            Event::WheelHooped(e) => floor.entry(e.wheel).or_default().stillage = None,
            Event::WheelLoaded(e) => {
                for wheel in named {
                    let at = floor.entry(wheel).or_default();
                    at.stillage = Some(e.stillage);
                    at.room = stands.get(&e.stillage).copied().or(at.room);
                }
            }
            Event::WheelMoved(e) => {
                for wheel in named {
                    floor.entry(wheel).or_default().room = Some(e.room);
                }
                if let Some(Carrier::Stillage(stillage)) = e.via {
                    stands.insert(stillage, e.room);
                    for at in floor
                        .values_mut()
                        .filter(|at| at.stillage == Some(stillage))
                    {
                        at.room = Some(e.room);
                    }
                }
            }
            Event::WheelDispatched(_) | Event::WheelReturned(_) | Event::WheelDiscarded(_) => {
                for wheel in named {
                    floor.insert(wheel, At::default());
                }
            }
            _ => {}
        }
        let (from, to) = (
            fact.occurred_at,
            facts.get(n + 1).map(|next| next.occurred_at),
        );
        let lasts = to.is_none_or(|to| from < to);
        let overlaps =
            window.to.is_none_or(|end| from < end) && to.is_none_or(|to| to > window.from);
        let is_there = there(floor.get(&wheel).copied().unwrap_or_default());
        came = is_there.then(|| came.unwrap_or(from));
        let counts = since.is_none_or(|since| came.is_some_and(|came| came >= since));
        found |= lasts && overlaps && is_there && counts;
    }
    found
}
