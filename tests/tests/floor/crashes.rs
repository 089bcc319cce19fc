//! The scheduler is killed again and again while facts come in.

use std::collections::BTreeMap;

use facts::{Event, Fact};
use floor_tests::{Floor, Past, Worker, run_in, until, within};
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};
use scheduler::Standing;

const KILLS: usize = 50;

/// An answer without what people were told: a replay tells nobody anything.
fn untold(answer: &str) -> String {
    let when = |line: &&str| {
        let line = line.trim_start();
        line.starts_with("\"alert\":") || line.starts_with("\"since\":")
    };
    answer.lines().filter(|line| !when(line)).collect()
}

/// The answers that people get to the questions that a replay answers as well.
async fn answers(floor: &Floor) -> [String; 3] {
    let questions: [&[&str]; 3] = [&["floor"], &["floor", "--wheels"], &["due"]];
    let mut answers = Vec::new();
    for question in questions {
        answers.push(floor.ask_as_people_do(question).await.well());
    }
    answers.try_into().unwrap()
}

/// Every answer that the scheduler has: those, every batch, every wheel's life and label.
async fn all_answers(floor: &Floor) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    let questions = ["floor", "due", "census"];
    let [picture, census, due] = answers(floor).await;
    all.extend(
        questions
            .map(str::to_owned)
            .into_iter()
            .zip([picture, due, census]),
    );
    let census: Vec<ripening::answer::WheelRow> = serde_json::from_str(&all["census"]).unwrap();
    let batches: std::collections::BTreeSet<_> =
        census.iter().filter_map(|row| row.batch).collect();
    for batch in batches {
        all.insert(
            format!("batch {batch}"),
            answer(floor, "batch", &batch).await,
        );
    }
    for row in &census {
        for question in ["wheel", "label"] {
            let answer = answer(floor, question, &row.wheel).await;
            all.insert(format!("{question} {}", row.wheel), answer);
        }
    }
    all
}

async fn answer(floor: &Floor, question: &str, about: &impl serde::Serialize) -> String {
    let asked = floor
        .bus
        .ask::<serde_json::Value>(&floor.site.id, question, about)
        .await;
    match asked {
        Ok(answer) => format!("{answer:#}"),
        Err(bus::BusError::Refused(sentence)) => sentence,
        Err(error) => panic!("{error}"),
    }
}

/// Fails on the first answer that differs, and says how many do.
fn are_the_same(is: &BTreeMap<String, String>, should: &BTreeMap<String, String>, whose: &str) {
    let differ: Vec<_> = should
        .iter()
        .filter(|(question, answer)| is.get(*question) != Some(answer))
        .collect();
    if let Some((question, answer)) = differ.first() {
        assert_eq!(
            is.get(*question),
            Some(*answer),
            "{question}, against {whose}; {} of {} answers differ",
            differ.len(),
            should.len()
        );
    }
    assert_eq!(is.len(), should.len());
}

/// The same answers from the log, written to a file and folded without any broker.
async fn replayed(floor: &Floor) -> [String; 3] {
    let file = floor.dir.path().join("facts.ndjson");
    let file = file.to_str().unwrap();
    let url = floor.url();
    let site = floor.site.id.as_str();
    let export = [
        "facts",
        "export",
        "--out",
        file,
        "--broker",
        &url,
        "--site-id",
        site,
    ];
    let _ = run_in(floor.dir.path(), &export).await.well();
    let views: [&[&str]; 3] = [&["floor"], &["floor", "--wheels"], &["due"]];
    let now = floor.now.to_rfc3339();
    let mut answers = Vec::new();
    for view in views {
        let replay = [
            "replay",
            file,
            "--site",
            "larkholm.toml",
            "--json",
            "--at",
            &now,
        ];
        let said = run_in(floor.dir.path(), &[&replay[..], view].concat()).await;
        answers.push(untold(&said.well()));
    }
    answers.try_into().unwrap()
}

/// A burst comes as several writes.
fn in_parts(burst: &[Fact], rng: &mut StdRng) -> Vec<Vec<Fact>> {
    let most = rng.random_range(1..=60);
    burst.chunks(most).map(<[Fact]>::to_vec).collect()
}

async fn has_stored(floor: &Floor, seq: u64) {
    until("a burst to be stored", String::new, async || {
        (floor.bus.floor_end().await.ok()? >= seq).then_some(())
    })
    .await;
}

async fn has_folded(floor: &Floor, scheduler: &Worker, seq: u64) {
    until(
        "a part to be folded",
        || scheduler.log(),
        async || {
            floor.tick().await;
            let standing: Standing = floor.asked("standing").await?;
            (standing.seq >= seq).then_some(())
        },
    )
    .await;
}

/// Many a start found something folded and something left to fold.
fn kills_came_in_the_middle_of_work(log: &str) {
    let number = |line: &str, name: &str| -> u64 {
        let at = line.rsplit_once(name).map_or("", |(_, rest)| rest);
        let digits: String = at.chars().take_while(char::is_ascii_digit).collect();
        digits.parse().unwrap()
    };
    let starts = log
        .lines()
        .filter(|line| line.contains("reading the log from="));
    let between = starts.filter(|line| {
        let (from, end) = (number(line, "from="), number(line, "end="));
        0 < from && from < end
    });
    let between = between.count();
    println!("{between} of {KILLS} kills left something to fold");
    assert!(between >= KILLS / 5, "only {between}\n{log}");
}

/// Waits, with the clock going, until this run of the scheduler begins to fold.
async fn begins_to_fold(floor: &Floor, scheduler: &Worker) {
    let begun = |log: &str| log.matches("reading the log from=").count();
    let before = begun(&scheduler.log());
    until(
        "the scheduler to begin",
        || scheduler.log(),
        async || {
            floor.tick().await;
            (begun(&scheduler.log()) > before).then_some(())
        },
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scheduler_killed_at_50_places_answers_as_a_rebuilt_one_does_and_a_replay_and_tells_nothing_twice()
 {
    let seed = std::env::var("WHEELWARD_TEST_SEED")
        .map_or_else(|_| 1, |seed| seed.parse().expect("a number"));
    println!("WHEELWARD_TEST_SEED={seed} plays this run again");
    let mut rng = StdRng::seed_from_u64(seed);
    let mut floor = Floor::start(chrono::DateTime::UNIX_EPOCH).await;
    let past = Past::of(&floor.site, 1, 72).with_the_office();
    let facts = past.facts.as_slice();
    assert!(facts.len() > 3_000, "only {} facts", facts.len());
    let mut places: Vec<usize> = (0..KILLS)
        .map(|_| rng.random_range(1..facts.len()))
        .collect();
    places.sort_unstable();

    let mut done = 0;
    let mut scheduler = floor.worker("scheduler");
    for place in places {
        match rng.random_range(0..6) {
            // It is killed while it starts, while it catches up, or later.
            0 => {}
            1 => begins_to_fold(&floor, &scheduler).await,
            _ => {
                floor.folded(&scheduler).await;
            }
        }
        let burst = &facts[done..place];
        done = place;
        floor.now = burst.last().map_or(floor.now, |fact| fact.recorded_at);
        let before = floor.bus.floor_end().await.unwrap();
        let stored = before + rng.random_range(0..=burst.len() as u64);
        let (bus, parts) = (floor.bus.clone(), in_parts(burst, &mut rng));
        let storing = tokio::spawn(async move {
            for part in parts {
                bus.publish_facts(&part).await.unwrap();
            }
        });
        match rng.random_range(0..4) {
            // The broker has so much of the burst, and goes on taking it.
            0 | 1 => has_stored(&floor, stored).await,
            // It has folded so much of the burst.
            2 => has_folded(&floor, &scheduler, stored).await,
            // It has folded the whole burst, and publishes what follows from it.
            _ => has_folded(&floor, &scheduler, before + burst.len() as u64).await,
        }
        scheduler.kill_hard().await;
        scheduler = floor.worker("scheduler");
        within("the rest of a burst", storing).await.unwrap();
    }
    floor.store(&facts[done..]).await;
    floor.now = past.end;
    floor.folded(&scheduler).await;
    let survivor = all_answers(&floor).await;
    assert!(survivor.len() > 500, "only {} answers", survivor.len());
    labels_were_asked_for_once(&floor, &past, &scheduler).await;
    kills_came_in_the_middle_of_work(&scheduler.log());
    assert!(scheduler.end("TERM").await.success(), "{}", scheduler.log());

    // Stopped and started again, and then one that has lost its disk: the same answers, what
    // people were told and since when included, and nobody is told anything again.
    let told = floor.stream(bus::DERIVED).await.len();
    for (data, whose) in [
        ("data", "one started again"),
        ("rebuilt", "one that folded the log anew"),
    ] {
        let mut other = floor.worker_in("scheduler", data);
        floor.folded(&other).await;
        are_the_same(&all_answers(&floor).await, &survivor, whose);
        assert!(other.end("TERM").await.success(), "{}", other.log());
        let now = floor.stream(bus::DERIVED).await;
        let more: Vec<_> = now
            .iter()
            .skip(told)
            .map(|message| message.headers.get("Nats-Msg-Id"))
            .collect();
        assert!(more.is_empty(), "{whose} told {more:?}");
    }
    let replay = replayed(&floor).await;
    for (what, replay) in ["floor", "census", "due"].into_iter().zip(&replay) {
        assert_eq!(
            &untold(&survivor[what]),
            replay,
            "{what}, against the replay"
        );
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
    until(
        "the labels",
        || scheduler.log(),
        async || {
            let mut asked: BTreeMap<String, usize> = BTreeMap::new();
            for message in floor.stream(bus::DERIVED).await {
                let id = message.headers.get("Nats-Msg-Id").expect("an id").as_str();
                *asked.entry(id.to_owned()).or_default() += 1;
            }
            let twice: Vec<_> = asked.iter().filter(|(_, times)| **times > 1).collect();
            assert!(twice.is_empty(), "published twice: {twice:?}");
            let all = in_hoops
                .iter()
                .all(|wheel| asked.contains_key(&format!("label-{wheel}-{}", births[wheel])));
            all.then_some(())
        },
    )
    .await;
}
