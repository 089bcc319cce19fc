//! The scheduler is killed again and again while facts come in.

use std::collections::BTreeMap;

use facts::Event;
use floor_tests::{Floor, Past, Worker, run_in, until, within};
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

const KILLS: usize = 50;

/// The answers that people get, as text.
async fn answers(floor: &Floor) -> [String; 3] {
    let questions: [&[&str]; 3] = [&["floor"], &["floor", "--wheels"], &["due"]];
    let mut answers = Vec::new();
    for question in questions {
        answers.push(floor.ask_as_people_do(question).await.well());
    }
    answers.try_into().unwrap()
}

/// The same answers from the log, written to a file and folded without any broker.
async fn replayed(floor: &Floor) -> [String; 3] {
    let file = floor.dir.path().join("facts.ndjson");
    let file = file.to_str().unwrap();
    let url = floor.url();
    let site = floor.site.id.as_str();
    let export = ["facts", "export", "--out", file, "--broker", &url, "--site-id", site];
    let _ = run_in(floor.dir.path(), &export).await.well();
    let views: [&[&str]; 3] = [&["floor"], &["floor", "--wheels"], &["due"]];
    let now = floor.now.to_rfc3339();
    let mut answers = Vec::new();
    for view in views {
        let replay = ["replay", file, "--site", "larkholm.toml", "--json", "--at", &now];
        let said = run_in(floor.dir.path(), &[&replay[..], view].concat()).await;
        answers.push(said.well());
    }
    answers.try_into().unwrap()
}

/// Waits, with the clock going, until this run of the scheduler begins to fold.
async fn begins_to_fold(floor: &Floor, scheduler: &Worker) {
    let begun = |log: &str| log.matches("folding the floor").count();
    let before = begun(&scheduler.log());
    until("the scheduler to begin", || scheduler.log(), async || {
        floor.tick().await;
        (begun(&scheduler.log()) > before).then_some(())
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scheduler_killed_at_50_places_ends_with_what_an_unbroken_one_and_a_replay_say() {
    let seed = std::env::var("WHEELWARD_TEST_SEED")
        .map_or_else(|_| 1, |seed| seed.parse().expect("a number"));
    println!("WHEELWARD_TEST_SEED={seed} plays this run again");
    let mut rng = StdRng::seed_from_u64(seed);
    let mut floor = Floor::start(chrono::DateTime::UNIX_EPOCH).await;
    let past = Past::of(&floor.site, 1, 72);
    let facts = past.facts.as_slice();
    assert!(facts.len() > 3_000, "only {} facts", facts.len());
    let mut places: Vec<usize> = (0..KILLS).map(|_| rng.random_range(1..facts.len())).collect();
    places.sort_unstable();

    let mut done = 0;
    let mut scheduler = floor.worker("scheduler");
    for place in places {
        let burst = &facts[done..place];
        floor.now = burst.last().map_or(floor.now, |fact| fact.recorded_at);
        done = place;
        match rng.random_range(0..5) {
            // The broker has just taken the burst.
            0 => floor.store(burst).await,
            // The broker is taking it.
            1 => {
                let before = floor.bus.floor_end().await.unwrap();
                let bus = floor.bus.clone();
                let (first, rest) = burst.split_at(burst.len() / 2);
                let parts = [first.to_vec(), rest.to_vec()];
                let storing = tokio::spawn(async move {
                    for part in parts {
                        bus.publish_facts(&part).await.unwrap();
                    }
                });
                until("half a burst", || scheduler.log(), async || {
                    let end = floor.bus.floor_end().await.ok()?;
                    (end >= before + first.len() as u64).then_some(())
                })
                .await;
                scheduler.kill_hard().await;
                scheduler = floor.worker("scheduler");
                within("the other half", storing).await.unwrap();
                continue;
            }
            // It has only begun to catch up.
            2 => {
                begins_to_fold(&floor, &scheduler).await;
                floor.store(burst).await;
            }
            // It has folded a part of the burst at least.
            3 => {
                floor.store(burst).await;
                let end = floor.bus.floor_end().await.unwrap();
                let part = end - rng.random_range(0..=burst.len() as u64);
                until("a part to be folded", || scheduler.log(), async || {
                    floor.tick().await;
                    let standing: scheduler::Standing = floor.asked("standing").await?;
                    (standing.seq >= part).then_some(())
                })
                .await;
            }
            // It has folded everything and is about to publish what follows from it.
            _ => {
                floor.store(burst).await;
                floor.folded(&scheduler).await;
            }
        }
        scheduler.kill_hard().await;
        scheduler = floor.worker("scheduler");
    }
    floor.store(&facts[done..]).await;
    floor.now = past.end;
    floor.folded(&scheduler).await;
    let survivor = answers(&floor).await;
    labels_were_asked_for_once(&floor, &past, &scheduler).await;
    assert!(scheduler.end("TERM").await.success(), "{}", scheduler.log());

    let mut unbroken = floor.worker_in("scheduler", "unbroken");
    floor.folded(&unbroken).await;
    let truth = answers(&floor).await;
    assert!(unbroken.end("TERM").await.success(), "{}", unbroken.log());
    let replay = replayed(&floor).await;
    for (of, what) in ["floor", "census", "due"].into_iter().enumerate() {
        assert_eq!(survivor[of], truth[of], "{what}, against the unbroken run");
        assert_eq!(survivor[of], replay[of], "{what}, against the replay");
    }
}

/// However often the scheduler died, no label was asked for twice, and every wheel that is
/// still in its hoop has had its own asked for.
async fn labels_were_asked_for_once(floor: &Floor, past: &Past, scheduler: &Worker) {
    let in_hoops: Vec<_> = past
        .ledger()
        .known_at(past.end)
        .into_iter()
        .filter(|wheel| !wheel.unhooped && wheel.in_house())
        .map(|wheel| wheel.id)
        .collect();
    assert!(!in_hoops.is_empty());
    let births = past.facts.iter().filter_map(|fact| match &fact.event {
        Event::WheelPortioned(born) => Some((born.wheel.to_string(), fact.id)),
        _ => None,
    });
    let births: BTreeMap<String, facts::FactId> = births.collect();
    until("the labels", || scheduler.log(), async || {
        let mut asked: BTreeMap<String, usize> = BTreeMap::new();
        for message in floor.stream(bus::DERIVED).await {
            let id = message.headers.get("Nats-Msg-Id").expect("an id").as_str();
            *asked.entry(id.to_owned()).or_default() += 1;
        }
        let twice: Vec<_> = asked.iter().filter(|(_, times)| **times > 1).collect();
        assert!(twice.is_empty(), "published twice: {twice:?}");
        let all = in_hoops
            .iter()
            .all(|wheel| asked.contains_key(&format!("label-{}", births[wheel])));
        all.then_some(())
    })
    .await;
}
