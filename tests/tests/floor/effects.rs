//! What leaves the building: labels and messages, each once.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::TimeDelta;
use facts::{Event, FactId};
use floor_tests::{Chat, Floor, Given, free_address, needles, time, until};
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

fn labels_in(folder: &Path) -> Vec<String> {
    let Ok(files) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let names = files.map(|file| file.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<_> = names.filter(|name| name.ends_with(".png")).collect();
    names.sort();
    names
}

#[tokio::test(flavor = "multi_thread")]
async fn a_portioning_gives_one_label_and_one_fact_of_it_though_the_printer_is_killed_thrice() {
    const WHEELS: usize = 24;
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let mut portioning = Given::at("portion-1");
    let made = &portioning.makes(floor.now, "311", WHEELS).facts;
    floor.store(made).await;

    let folder = floor.dir.path().join("labels");
    let mut rng = StdRng::seed_from_u64(7);
    let mut printer = floor.worker("label-printer");
    let mut printed = 0;
    for _ in 0..3 {
        // A quick printer may have printed all before anyone looks.
        let until_then = (printed + rng.random_range(1..=6)).min(WHEELS);
        until(
            "labels",
            || printer.log(),
            async || {
                floor.tick().await;
                printed = labels_in(&folder).len();
                (printed >= until_then).then_some(())
            },
        )
        .await;
        printer.kill_hard().await;
        printer = floor.worker("label-printer");
    }
    let mut births = BTreeMap::new();
    for fact in made {
        if let Event::WheelPortioned(born) = &fact.event {
            births.insert(fact.id, born.wheel);
        }
    }
    let all: Vec<String> = births
        .iter()
        .map(|(cause, wheel)| format!("{wheel}-{cause}.png"))
        .collect();
    let stated = until(
        "a fact of every label",
        || printer.log(),
        async || {
            floor.tick().await;
            let mut stated: BTreeMap<FactId, usize> = BTreeMap::new();
            for fact in floor.facts().await {
                if let Event::WheelLabelled(labelled) = fact.event {
                    *stated.entry(labelled.cause).or_default() += 1;
                }
            }
            (stated.len() == WHEELS).then_some(stated)
        },
    )
    .await;
    assert!(
        stated.keys().eq(births.keys()),
        "labels of wheels unheard of"
    );
    assert!(stated.values().all(|times| *times == 1), "{stated:?}");
    let mut all = all;
    all.sort();
    assert_eq!(labels_in(&folder), all);

    floor.folded(&scheduler).await;
    let census = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
    let census: Vec<ripening::answer::WheelRow> = serde_json::from_str(&census).unwrap();
    assert!(census.iter().all(|row| row.labelled));
    // Asked for once each: the label's own fact asks for nothing.
    assert_eq!(floor.stream(bus::DERIVED).await.len(), WHEELS);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_situation_is_one_message_when_it_begins_and_one_when_it_ends_though_the_chat_is_away() {
    let address = free_address();
    let webhook = format!("\n[webhook]\nurl = \"http://{address}/alerts\"\n");
    let mut floor = Floor::start_with(time("2026-03-02T07:00:00Z"), &webhook).await;
    let scheduler = floor.worker("scheduler");
    let notifier = floor.worker("notifier");
    floor.folded(&scheduler).await;
    let mut piercing = Given::at("pierce-1");
    // The same trouble, seen three times.
    for _ in 0..3 {
        piercing.states(floor.now, floor.now, needles("PM1", 40, 39));
        floor.store(&piercing.facts).await;
        piercing.facts.clear();
        floor.now += TimeDelta::minutes(5);
        floor.folded(&scheduler).await;
    }
    until(
        "the chat to be missed",
        || notifier.log(),
        async || {
            floor.tick().await;
            notifier.log().contains("cannot be used now").then_some(())
        },
    )
    .await;
    // A crash meanwhile.
    notifier.kill_hard().await;
    let notifier = floor.worker("notifier");

    let chat = Chat::open(address, 2).await;
    let taken = || -> Vec<_> { chat.posts().into_iter().filter(|post| post.taken).collect() };
    until(
        "the first message",
        || notifier.log(),
        async || {
            floor.tick().await;
            (!taken().is_empty()).then_some(())
        },
    )
    .await;
    floor.now += TimeDelta::minutes(5);
    piercing.states(floor.now, floor.now, needles("PM1", 40, 40));
    floor.store(&piercing.facts).await;
    floor.folded(&scheduler).await;
    until(
        "the second message",
        || notifier.log(),
        async || {
            floor.tick().await;
            (taken().len() >= 2).then_some(())
        },
    )
    .await;

    let asked = floor.stream(bus::DERIVED).await;
    let asked: Vec<_> = asked
        .iter()
        .map(|message| message.headers.get("Nats-Msg-Id").unwrap().as_str())
        .collect();
    let posts = taken();
    let keys: Vec<_> = posts.iter().map(|post| post.key.as_str()).collect();
    assert_eq!(keys, asked);
    let steps: Vec<_> = posts
        .iter()
        .map(|post| &post.body["alert"]["step"])
        .collect();
    assert_eq!(steps, ["raised", "cleared"]);
    let names: Vec<_> = posts
        .iter()
        .map(|post| &post.body["alert"]["alert"])
        .collect();
    assert_eq!(names[0], names[1]);
    let text = posts[0].body["text"].as_str().unwrap();
    assert!(text.contains("39 of 40 needles found"), "{text}");
    // What was refused came again under its own key.
    for post in chat.posts() {
        assert!(asked.contains(&post.key.as_str()), "{post:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scheduler_stopped_before_it_knows_a_time_tells_nobody_that_anything_is_over() {
    let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let mut scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let mut piercing = Given::at("pierce-1");
    piercing.states(floor.now, floor.now, needles("PM1", 40, 39));
    floor.store(&piercing.facts).await;
    floor.now += TimeDelta::minutes(5);
    floor.folded(&scheduler).await;
    until(
        "the alert",
        || scheduler.log(),
        async || (floor.stream(bus::DERIVED).await.len() == 1).then_some(()),
    )
    .await;
    assert!(scheduler.end("TERM").await.success(), "{}", scheduler.log());

    let begun = scheduler.log().matches("reading the log from=").count();
    let mut scheduler = floor.worker("scheduler");
    // It hears that there is a clock, but what happened before the tick has not come yet.
    let far = floor.bus.floor_end().await.unwrap() + 1_000;
    until(
        "the scheduler to begin",
        || scheduler.log(),
        async || {
            floor.bus.tick(&floor.site.id, floor.now, far).await.ok()?;
            (scheduler.log().matches("reading the log from=").count() > begun).then_some(())
        },
    )
    .await;
    let said = until(
        "an answer without a time",
        || scheduler.log(),
        async || {
            let said = floor.ask_as_people_do(&["due"]).await;
            said.err.contains("still reading").then_some(said)
        },
    )
    .await;
    assert_eq!(said.code, Some(3), "{said:?}");
    assert!(scheduler.end("TERM").await.success(), "{}", scheduler.log());
    let told = floor.stream(bus::DERIVED).await;
    let told: Vec<_> = told
        .iter()
        .map(|message| message.subject.as_str())
        .collect();
    assert_eq!(told, ["derived.larkholm.alert.raised"]);
}

/// Which alerts stand, and whether the broker drops what it is told again, is up to chance in a
/// dairy that is killed at random: this is the day on which it matters.
#[tokio::test(flavor = "multi_thread")]
async fn what_stands_for_long_is_said_once_a_day_by_a_scheduler_that_is_started_again() {
    let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let mut scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let jetstream = async_nats::jetstream::new(floor.bus.client().clone());
    let stream = jetstream.get_stream(bus::DERIVED).await.unwrap();
    let mut config = stream.cached_info().config.clone();
    config.duplicate_window = std::time::Duration::from_millis(100);
    jetstream.update_stream(config).await.unwrap();
    let mut piercing = Given::at("pierce-1");
    piercing.states(floor.now, floor.now, needles("PM1", 40, 39));
    floor.store(&piercing.facts).await;
    floor.folded(&scheduler).await;
    floor.now += TimeDelta::days(9);
    for lost in [false, false, true] {
        floor.folded(&scheduler).await;
        until(
            "what stands to be said",
            || scheduler.log(),
            async || {
                floor.tick().await;
                (said_standing(&floor).await > 0).then_some(())
            },
        )
        .await;
        // One that says it again would by now.
        tokio::time::sleep(std::time::Duration::from_secs(1)).await;
        floor.folded(&scheduler).await;
        assert_eq!(said_standing(&floor).await, 1);
        scheduler.kill_hard().await;
        if lost {
            std::fs::remove_dir_all(floor.dir.path().join("data/scheduler")).unwrap();
        }
        scheduler = floor.worker("scheduler");
    }
    floor.folded(&scheduler).await;
    tokio::time::sleep(std::time::Duration::from_secs(1)).await;
    floor.folded(&scheduler).await;
    assert_eq!(said_standing(&floor).await, 1);
}

async fn said_standing(floor: &Floor) -> usize {
    let derived = floor.stream(bus::DERIVED).await;
    let standing = derived.iter().filter(|m| m.subject.ends_with(".stands"));
    standing.count()
}
