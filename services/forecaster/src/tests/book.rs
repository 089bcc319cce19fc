//! A book has what all facts together say, whatever order they came in, and brings back what it
//! let go of.

use std::collections::BTreeSet;

use facts::BatchId;
use forecast::{History, Sensors};
use rand::seq::SliceRandom as _;

use super::*;
use crate::at_hand::{Keeps, from_disk};

/// What all facts together say.
fn of_all(facts: &[Fact], now: DateTime<Utc>) -> History {
    let site = site();
    let counts = holds::counting(facts, &site.rights());
    History::of(&counts, site.clock, &site.recipes, &Sensors::default(), now)
}

/// What a worker's book says without learning anything.
fn of_book(worker: &mut Worker, keeps: Keeps, now: DateTime<Utc>) -> (History, History) {
    let site = site();
    let round = worker.known().round(now).unwrap().unwrap();
    let (mut book, day_began) = (round.book, round.day_began);
    book.keeps = keeps;
    book.renew(&site, now, day_began).unwrap();
    let said = book.history(&site);
    let before = book.history_before(&site, day_began).unwrap();
    worker.known().back(book, Vec::new()).unwrap();
    (said, before)
}

fn same(is: &History, was: &History) {
    for (id, batch) in &was.batches {
        assert_eq!(is.batches.get(id), Some(batch), "{id}");
    }
    let ids = |history: &History| history.batches.keys().copied().collect::<Vec<_>>();
    assert_eq!(ids(is), ids(was));
    assert_eq!(is.air, was.air);
    assert_eq!(is.without_recipe, was.without_recipe);
}

#[test]
fn whatever_order_facts_come_in_a_book_has_what_they_say_together() {
    for seed in 1..=4 {
        let mut log = mixed_up(seed);
        let now = log.iter().map(|fact| fact.recorded_at).max().unwrap();
        let day_began = site().clock.start_of(site().clock.day_of(now));
        let recorded_before: Vec<Fact> = log
            .iter()
            .filter(|fact| fact.recorded_at < day_began)
            .cloned()
            .collect();
        let (was, was_before) = (of_all(&log, now), of_all(&recorded_before, day_began));
        assert!(was.batches.len() > 40 && was.batches != was_before.batches);
        let mut worker = Worker::new();
        let mut rng = StdRng::seed_from_u64(seed);
        if seed > 1 {
            log.shuffle(&mut rng);
        }
        let parts = log.chunks(log.len() / 5 + 1);
        for (n, part) in parts.enumerate() {
            worker.hear(part);
            worker.write();
            if n == 2 {
                // Half of it is folded already.
                of_book(&mut worker, Keeps::of(&site()), now - TimeDelta::days(1));
            }
            worker.restart(&[]);
        }
        // All of it counts with the next fact that forecasts turn on.
        worker.hear(&[office(
            90_000,
            now,
            returned(vec!["NOBODYS".parse().unwrap()]),
        )]);
        let (is, is_before) = of_book(&mut worker, Keeps::of(&site()), now);
        same(&is, &was);
        same(&is_before, &was_before);
    }
}

#[test]
fn what_left_is_let_go_of_and_comes_back_when_something_new_is_said_of_it() {
    let mut facts = recorded();
    let now = facts.iter().map(|fact| fact.recorded_at).max().unwrap();
    // The oldest batches leave whole, a few days ago.
    for (nth, batch) in (50..).zip(of_all(&facts, now).batches.values().take(8)) {
        let gone = WheelDispatched {
            wheels: batch.wheels.iter().map(|wheel| wheel.id).collect(),
            via: None,
            order: None,
            market: None,
            sale: None,
        };
        facts.push(office(nth, now - TimeDelta::days(4), gone));
    }
    let keeps = Keeps {
        days: 2.0,
        newest: 3,
    };
    let all = of_all(&facts, now);
    let mut worker = Worker::new();
    worker.hear(&facts);
    let (kept, before) = of_book(&mut worker, keeps, now);
    let ids = |history: &History| {
        history
            .batches
            .keys()
            .copied()
            .collect::<BTreeSet<BatchId>>()
    };
    let gone: Vec<BatchId> = ids(&all).difference(&ids(&kept)).copied().collect();
    assert!(gone.len() > 5, "{gone:?}");
    for id in &gone {
        let left = all.batches[id].classes.iter().map(|class| class.left);
        assert!(left.into_iter().all(|left| left.is_some()), "{id}");
        assert!(!before.batches.contains_key(id), "{id}");
        // A question finds it on the disk, by its own name and by that of a wheel.
        worker.write();
        let store = worker.known().store().unwrap().clone();
        let wheel = all.batches[id].wheels[0].id;
        for what in [id.to_string().to_lowercase(), wheel.to_string()] {
            let found = from_disk(&store, &site(), &what, now).unwrap();
            assert_eq!(found.as_ref(), Some(&all.batches[id]), "{what}");
        }
    }
    // A return, a dispatch that is taken back, and a core that lay in a handheld.
    let dispatched = |id: BatchId| {
        let of_it = |fact: &&Fact| {
            (named(50)..named(60)).contains(&fact.id)
                && fact.event.wheels().contains(&all.batches[&id].wheels[0].id)
        };
        facts.iter().find(of_it).unwrap()
    };
    let wheel = dispatched(gone[0]).event.wheels()[0];
    let void = Voided {
        fact: dispatched(gone[1]).id,
        reason: "the wrong stillage".to_owned(),
    };
    let mut late = facts
        .iter()
        .find(|fact| matches!(fact.event, Event::WheelIroned(_)))
        .unwrap()
        .clone();
    late.id = named(3);
    if let Event::WheelIroned(core) = &mut late.event {
        core.wheel = all.batches[&gone[2]].wheels[0].id;
    }
    let news = [
        office(1, now, returned(vec![wheel])),
        office(2, now, void),
        late,
    ];
    worker.restart(&[]);
    worker.hear(&news);
    let (kept, _) = of_book(&mut worker, keeps, now);
    let all = of_all(&[facts.as_slice(), &news].concat(), now);
    for id in &gone[..2] {
        assert_eq!(kept.batches.get(id), all.batches.get(id), "{id} is back");
    }
    assert!(
        !kept.batches.contains_key(&gone[2]),
        "it was folded and put away"
    );
    worker.write();
    let store = worker.known().store().unwrap().clone();
    let found = from_disk(&store, &site(), gone[2].as_str(), now).unwrap();
    assert_eq!(found.as_ref(), Some(&all.batches[&gone[2]]));
    assert_eq!(from_disk(&store, &site(), "NOBODYS", now).unwrap(), None);
}

#[test]
fn readings_that_come_weeks_late_or_are_taken_back_change_the_week_they_belong_to() {
    let facts = recorded();
    let now = facts.iter().map(|fact| fact.recorded_at).max().unwrap();
    let air = |fact: &&Fact| matches!(fact.event, Event::RoomClimateRead(_));
    let (early, late): (Vec<Fact>, Vec<Fact>) = facts.iter().cloned().partition(|fact| {
        let number = fact.station_seq % 7;
        !(air(&fact) && number < 3)
    });
    let mut worker = Worker::new();
    worker.hear(&early);
    of_book(&mut worker, Keeps::of(&site()), now);
    worker.write();
    worker.restart(&[]);
    let of_air = || facts.iter().filter(air).enumerate();
    let voids = of_air().filter(|(n, _)| n % 11 == 0).map(|(n, reading)| {
        let (fact, reason) = (reading.id, "the door stood open".to_owned());
        office(n as u64 + 1, now, Voided { fact, reason })
    });
    let (first, second): (Vec<Fact>, Vec<Fact>) = voids.partition(|v| v.station_seq % 2 == 0);
    for part in [&first, &late, &second] {
        worker.hear(part);
    }
    let (is, _) = of_book(&mut worker, Keeps::of(&site()), now);
    let all = of_all(&[facts, first, second].concat(), now);
    assert!(all.air.values().any(|air| air.hours().len() > 1_000));
    assert_eq!(is.air, all.air);
}
