//! Every worker of a dairy is killed again and again while a whole life goes on. What they then
//! answer is what those answer that have lost everything that can be made again from the log,
//! and nobody is told anything a second time.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use async_nats::jetstream;
use chrono::TimeDelta;
use facts::{Event, Fact, WheelId};
use floor_tests::{
    Browser, Chat, Floor, Past, Worker, are_the_same, every_answer, free_address, project, until,
    within,
};
use rand::rngs::StdRng;
use rand::seq::{IndexedRandom as _, SliceRandom as _};
use rand::{Rng as _, SeedableRng as _};
use serde_json::{Value, json};

const WORKERS: [&str; 10] = [
    "scheduler",
    "dispatcher",
    "forecaster",
    "records",
    "label-printer",
    "notifier",
    "gateway",
    "move-recorder",
    "scale-reader",
    "climate-reader",
];

/// The life is played in so many parts; somebody is killed in each.
const PARTS: usize = 8;

/// Nothing new for so long, and the same answers at its beginning and end: all is said.
const QUIET: Duration = Duration::from_secs(3);

/// A running dairy.
struct Dairy {
    floor: Floor,
    workers: BTreeMap<&'static str, Worker>,
    pages: SocketAddr,
    rng: StdRng,
    /// Wheels whose scan at the spare station was said to be recorded, so often each.
    turned: BTreeMap<WheelId, usize>,
    /// Orders that the pages took.
    ordered: BTreeSet<String>,
}

fn site_sections(pages: SocketAddr, spare: SocketAddr, chat: SocketAddr) -> String {
    let demo = project().join("deploy/demo");
    let file = |name: &str| format!("{:?}", demo.join(name).canonicalize().unwrap());
    format!(
        "\n[gateway]\nlisten = \"{pages}\"\ncrew = {}\n\n[safety]\nfile = {}\npapers = {}\n\n[dispatch]\ncustomers = {}\n\n[webhook]\nurl = \"http://{chat}/alerts\"\n\n[[station]]\nid = \"spare-1\"\nname = \"Spare handheld\"\nscan = \"tcp:{spare}\"\n",
        file("crew.toml"),
        file("larkholm-safety.toml"),
        file("larkholm-papers.toml"),
        file("customers.toml"),
    )
}

impl Dairy {
    fn start(&mut self, name: &'static str) {
        let worker = self.floor.worker(name);
        self.workers.insert(name, worker);
    }

    async fn kill(&mut self, name: &'static str) {
        let worker = self.workers.remove(name).unwrap();
        worker.kill_hard().await;
    }

    async fn kill_all(&mut self) {
        for name in WORKERS {
            self.kill(name).await;
        }
    }

    fn start_all(&mut self) {
        WORKERS.into_iter().for_each(|name| self.start(name));
    }

    fn log(&self) -> String {
        let tails = self.workers.iter().map(|(name, worker)| {
            let log = worker.log();
            let from = log.len().saturating_sub(1_500);
            let from = (from..=log.len())
                .find(|at| log.is_char_boundary(*at))
                .unwrap();
            format!("--- {name}\n{}", &log[from..])
        });
        tails.collect::<Vec<_>>().join("\n")
    }

    /// Takes part of the life into the log while workers are killed.
    async fn part(&mut self, facts: &[Fact], spared: &[&str]) {
        let Some(last) = facts.last() else { return };
        self.floor.now = self.floor.now.max(last.recorded_at);
        let (bus, size) = (self.floor.bus.clone(), self.rng.random_range(20..=200));
        let parts: Vec<Vec<Fact>> = facts.chunks(size).map(<[Fact]>::to_vec).collect();
        let storing = tokio::spawn(async move {
            for part in parts {
                bus.publish_facts(&part).await.unwrap();
            }
        });
        let mut names: Vec<_> = WORKERS
            .into_iter()
            .filter(|name| !spared.contains(name))
            .collect();
        names.shuffle(&mut self.rng);
        let kills = self.rng.random_range(2..=4);
        for name in names.into_iter().take(kills) {
            // At once, or when more of the log is there, or when the scheduler has more of it.
            let end = self.floor.bus.floor_end().await.unwrap();
            match self.rng.random_range(0..3) {
                0 => {}
                1 => {
                    let mut looks = self.rng.random_range(1..=20);
                    until("some time to pass", String::new, async || {
                        self.floor.tick().await;
                        looks -= 1;
                        (looks == 0 || self.floor.bus.floor_end().await.ok()? > end).then_some(())
                    })
                    .await;
                }
                _ => {
                    self.floor.folded(&self.workers["scheduler"]).await;
                }
            }
            println!("killing {name} at {}", self.floor.now);
            self.kill(name).await;
            self.start(name);
        }
        within("a part to be stored", storing).await.unwrap();
        self.floor.folded(&self.workers["scheduler"]).await;
    }

    /// Turns some wheels at the spare station, whose worker may be killed on the way.
    async fn turns(&mut self, wheels: &[WheelId]) {
        let mut scanner = self
            .floor
            .scanner("spare-1", &self.workers["move-recorder"])
            .await;
        scanner.scan("P.07").await;
        scanner.scan("A.TURN").await;
        let many = self.rng.random_range(2..=6);
        let some: Vec<WheelId> = wheels
            .choose_multiple(&mut self.rng, many)
            .copied()
            .collect();
        for wheel in some {
            let answer = scanner.scan(&format!("W.{wheel}")).await;
            // A worker that has just started may not know the wheel yet: it records it all the
            // same, and flags it.
            if answer.starts_with("OK") || answer.contains("recorded and flagged") {
                *self.turned.entry(wheel).or_default() += 1;
            }
        }
        if self.rng.random_bool(0.5) {
            println!("killing move-recorder after its scans");
            self.kill("move-recorder").await;
            self.start("move-recorder");
        }
    }

    async fn manager(&self) -> Browser {
        let data = self.floor.dir.path().join("data");
        until(
            "the pages",
            || self.log(),
            async || {
                self.floor.tick().await;
                Browser::manager(self.pages, &data)
            },
        )
        .await
    }

    /// A manager enters an order and takes a fact back; the pages' worker may be killed then.
    async fn works_at_a_desk(&mut self, n: usize, wrong: Option<&Fact>) {
        let mut manager = self.manager().await;
        let order = format!("PAGE{n}");
        let arrive_on = (self.floor.now + TimeDelta::days(20)).date_naive();
        let placed = json!({
            "order": order, "customer": "HARBOUR", "market": "NORTH", "arrive_on": arrive_on,
            "lines": [{ "recipe": "larkholm-blue", "grade": "C", "wheels": 3 }],
        });
        self.post(&mut manager, "/api/v1/orders", &placed).await;
        self.ordered.insert(order);
        if let Some(wrong) = wrong {
            let why = json!({ "reason": "scanned by mistake" });
            let path = format!("/api/v1/facts/{}/void", wrong.id);
            self.post(&mut manager, &path, &why).await;
        }
        if self.rng.random_bool(0.5) {
            println!("killing gateway after its order");
            self.kill("gateway").await;
            self.start("gateway");
        }
    }

    /// States something at a page, once whoever has to be asked about it can answer.
    async fn post(&self, manager: &mut Browser, path: &str, body: &Value) {
        let (status, text) = until(
            "a page to take something",
            || self.log(),
            async || {
                self.floor.tick().await;
                let answer = manager.post(path, body)?;
                (answer.0 != 503).then_some(answer)
            },
        )
        .await;
        assert_eq!(status, 200, "{path}: {text}");
    }

    async fn ends(&self) -> (u64, u64) {
        let log = self.floor.bus.floor_end().await.unwrap();
        (log, self.derived_end().await)
    }

    async fn derived_end(&self) -> u64 {
        let jetstream = jetstream::new(self.floor.bus.client().clone());
        let stream = jetstream.get_stream(bus::DERIVED).await.unwrap();
        stream.cached_info().state.last_sequence
    }

    /// Waits until nobody has anything more to say; gives all answers.
    async fn settled(&self) -> BTreeMap<String, Value> {
        until(
            "the dairy to settle",
            || self.log(),
            async || {
                self.floor.folded(&self.workers["scheduler"]).await;
                let before = (self.ends().await, self.answers().await?);
                tokio::time::sleep(QUIET).await;
                self.floor.tick().await;
                let after = (self.ends().await, self.answers().await?);
                (before == after).then_some(after.1)
            },
        )
        .await
    }

    /// Fails unless all answers come to be these.
    async fn comes_to(&self, expected: &BTreeMap<String, Value>, whose: &str) {
        let mut last = None;
        let patience = tokio::time::timeout(Duration::from_secs(45), async {
            loop {
                self.floor.folded(&self.workers["scheduler"]).await;
                if let Some(answers) = self.answers().await {
                    if answers == *expected {
                        return;
                    }
                    last = Some(answers);
                }
                tokio::time::sleep(Duration::from_millis(300)).await;
            }
        });
        if patience.await.is_err() {
            let is = last.unwrap_or_else(|| panic!("no answers\n{}", self.log()));
            are_the_same(&is, expected, whose);
        }
    }

    /// Every answer of every worker; nothing while one of them still reads.
    async fn answers(&self) -> Option<BTreeMap<String, Value>> {
        self.floor.tick().await;
        every_answer(&self.floor, self.pages).await
    }

    /// The names of everything that people were told and printers were sent, in order.
    async fn told(&self) -> Vec<String> {
        let stream = self.floor.stream(bus::DERIVED).await;
        let told = stream.iter().filter(|message| {
            // An allocation tells nobody: it is there to be looked at.
            !message.subject.ends_with(".allocation")
        });
        let name = |message: &jetstream::message::StreamMessage| {
            let id = message.headers.get("Nats-Msg-Id").expect("an id");
            format!("{} {}", message.subject, id.as_str())
        };
        told.map(name).collect()
    }

    /// From now on the broker itself drops nothing that is told twice.
    async fn broker_forgets_names(&self) {
        let jetstream = jetstream::new(self.floor.bus.client().clone());
        let stream = jetstream.get_stream(bus::DERIVED).await.unwrap();
        let mut config = stream.cached_info().config.clone();
        config.duplicate_window = Duration::from_millis(100);
        jetstream.update_stream(config).await.unwrap();
    }
}

/// What a worker keeps so that it need not make it again: the day's allocation, and the pictures
/// of the stations' workers. Each is put aside alone.
const KEPT: [&str; 4] = [
    "dispatcher/today.json",
    "move-recorder/placement",
    "scale-reader/placement",
    "gateway/placement",
];

/// Deletes what a worker makes again from the log, and nothing that only it has: no outbox, no
/// people, no ledger and key, no numbers given, no memory of what was printed or delivered.
fn lose_what_is_derived(data: &Path) {
    for store in [
        "scheduler",
        "dispatcher/store",
        "forecaster/store",
        "records/index",
    ] {
        std::fs::remove_dir_all(data.join(store)).unwrap();
    }
    for told in [
        "dispatcher/told.txt",
        "forecaster/told.txt",
        "records/checks-told.txt",
    ] {
        std::fs::remove_file(data.join(told)).unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_worker_killed_at_random_answers_as_one_rebuilt_and_nobody_is_told_twice() {
    let seed = std::env::var("WHEELWARD_TEST_SEED")
        .map_or_else(|_| 1, |seed| seed.parse().expect("a number"));
    println!("WHEELWARD_TEST_SEED={seed} plays this run again");
    let (pages, spare, chat) = (free_address(), free_address(), free_address());
    let sections = site_sections(pages, spare, chat);
    let floor = Floor::start_with(chrono::DateTime::UNIX_EPOCH, &sections).await;
    let past = Past::of(&floor.site, 1, 72).with_a_whole_office();
    let chat = Chat::open(chat, 0).await;
    let mut dairy = Dairy {
        floor,
        workers: BTreeMap::new(),
        pages,
        rng: StdRng::seed_from_u64(seed),
        turned: BTreeMap::new(),
        ordered: BTreeSet::new(),
    };
    // The last day goes on after it was looked at once: nobody looks at midnight only.
    let evening = past.end - TimeDelta::hours(10);
    let morning = past.end - TimeDelta::hours(23);
    let until_then = |at| past.facts.partition_point(|fact| fact.recorded_at <= at);
    let (morning, evening) = (until_then(morning), until_then(evening));
    let facts = &past.facts;
    dairy.floor.now = facts[0].recorded_at;
    dairy.start_all();
    let wheels: Vec<WheelId> = facts[..evening]
        .iter()
        .flat_map(|f| f.event.wheels())
        .copied()
        .collect();
    for n in 0..PARTS {
        let part = &facts[morning * n / PARTS..morning * (n + 1) / PARTS];
        dairy.part(part, &[]).await;
        let known = part
            .iter()
            .flat_map(|fact| fact.event.wheels())
            .copied()
            .collect::<Vec<_>>();
        if n > 0 {
            dairy.turns(&known).await;
            let turn = |fact: &&Fact| matches!(fact.event, Event::WheelTurned(_));
            dairy.works_at_a_desk(n, part.iter().find(turn)).await;
        }
    }
    dairy.settled().await;
    // Whoever forecasts and allocates lives through the day.
    let middle = morning.midpoint(evening);
    dairy
        .part(&facts[morning..middle], &["forecaster", "dispatcher"])
        .await;
    dairy.turns(&wheels).await;
    dairy
        .part(&facts[middle..evening], &["forecaster", "dispatcher"])
        .await;
    let survived = dairy.settled().await;
    println!("{} answers, {:?}", survived.len(), dairy.ends().await);
    assert!(survived.len() > 700, "only {} answers", survived.len());
    what_was_said_is_in_the_log_once(&dairy).await;
    let told = dairy.told().await;
    let once: BTreeSet<&String> = told.iter().collect();
    assert_eq!(once.len(), told.len(), "told twice: {told:#?}");
    assert!(told.len() > 100, "{told:#?}");

    // What counts for nothing, a correction that its station may not make, is kept once.
    let rejected = dairy.floor.stream(bus::REJECTED).await.len();
    dairy.broker_forgets_names().await;
    dairy.kill_all().await;
    dairy.start_all();
    dairy.comes_to(&survived, "killed and started again").await;
    for kept in KEPT {
        let (worker, _) = kept.split_once('/').unwrap();
        let worker = WORKERS.into_iter().find(|name| *name == worker).unwrap();
        // Asked to stop, it keeps its picture first.
        let mut running = dairy.workers.remove(worker).unwrap();
        running.end("TERM").await;
        let file = dairy.floor.dir.path().join("data").join(kept);
        std::fs::rename(&file, file.with_extension("lost"))
            .unwrap_or_else(|error| panic!("{kept}: {error}"));
        dairy.start(worker);
        dairy
            .comes_to(&survived, &format!("started without {kept}"))
            .await;
    }
    dairy.kill_all().await;
    lose_what_is_derived(&dairy.floor.dir.path().join("data"));
    dairy.start_all();
    dairy.comes_to(&survived, "rebuilt").await;
    // Whatever is told late is told by now.
    dairy.settled().await;
    let more: Vec<String> = dairy.told().await.into_iter().skip(told.len()).collect();
    assert!(more.is_empty(), "told by those started again: {more:?}");
    chat_heard_all_of_it(&dairy, &chat).await;
    assert_eq!(dairy.floor.stream(bus::REJECTED).await.len(), rejected);
}

/// Whatever a station or a page said is stored is in the log, once.
async fn what_was_said_is_in_the_log_once(dairy: &Dairy) {
    let mut turned: BTreeMap<WheelId, usize> = BTreeMap::new();
    let mut ordered = Vec::new();
    let (mut ids, mut labelled) = (BTreeSet::new(), BTreeSet::new());
    for fact in dairy.floor.facts().await {
        assert!(ids.insert(fact.id), "{} is there twice", fact.id);
        match fact.event {
            Event::WheelTurned(turn) if fact.station.as_str() == "spare-1" => {
                for wheel in turn.wheels {
                    *turned.entry(wheel).or_default() += 1;
                }
            }
            Event::OrderPlaced(placed) if fact.station.as_str() == "gateway" => {
                ordered.push(placed.order.to_string());
            }
            Event::WheelLabelled(label) => {
                let cause = label.cause;
                assert!(labelled.insert(cause), "{} twice on paper", label.wheel);
            }
            _ => {}
        }
    }
    assert!(labelled.len() > 100, "only {} labels", labelled.len());
    assert_eq!(turned, dairy.turned);
    assert!(turned.len() > 5, "{turned:?}");
    let once: BTreeSet<String> = ordered.iter().cloned().collect();
    assert_eq!(once.len(), ordered.len(), "{ordered:?}");
    assert_eq!(once, dairy.ordered);
}

/// The chat has every alert. A kill between a delivery and its note gives one twice, under the
/// same key: no protocol keeps that from happening, and the key lets the chat drop it.
async fn chat_heard_all_of_it(dairy: &Dairy, chat: &Chat) {
    let alerts: BTreeSet<String> = dairy
        .told()
        .await
        .iter()
        .filter(|told| told.starts_with("derived.larkholm.alert."))
        .filter_map(|told| Some(told.split_once(' ')?.1.to_owned()))
        .collect();
    until(
        "the chat to hear everything",
        || dairy.log(),
        async || {
            dairy.floor.tick().await;
            let heard: BTreeSet<String> = chat.posts().into_iter().map(|post| post.key).collect();
            (heard == alerts).then_some(())
        },
    )
    .await;
}
