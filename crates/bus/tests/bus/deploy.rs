//! The broker configurations that are shipped.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use bus::telling::{Telling, Told};
use bus::{Bus, BusError};
use facts::Fact;

use crate::support::*;

const USERS: [&str; 11] = [
    "scheduler",
    "move-recorder",
    "scale-reader",
    "climate-reader",
    "forecaster",
    "dispatcher",
    "label-printer",
    "gateway",
    "records",
    "notifier",
    "sensors",
];

fn configurations() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/nats")
}

/// The broker's program, with the variables that the configurations ask for.
fn program() -> Command {
    let mut command = Command::new(bus::broker::find().unwrap());
    command
        .env("WHEELWARD_NODE", "broker-1")
        .env("WHEELWARD_SITE", "larkholm");
    for user in USERS {
        let variable = format!("{}_PASSWORD", user.to_uppercase().replace('-', "_"));
        command.env(variable, format!("password-of-{user}"));
    }
    command
}

/// A broker with a configuration made of the shipped files.
struct Broker {
    child: Child,
    address: String,
}

impl Broker {
    fn start(config: &Path) -> Self {
        Self::named("broker-1", config)
    }

    fn named(node: &str, config: &Path) -> Self {
        let mut child = program()
            .env("WHEELWARD_NODE", node)
            .arg("-c")
            .arg(config)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut address = None;
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        for line in lines.by_ref() {
            let line = line.unwrap();
            if let Some((_, listens)) = line.split_once("Listening for client connections on ") {
                address = Some(listens.to_owned());
            }
            if line.contains("Server is ready") {
                break;
            }
        }
        std::thread::spawn(move || lines.for_each(drop));
        Self {
            child,
            address: address.unwrap(),
        }
    }

    async fn user(&self, worker: &str) -> Bus {
        let url = format!("nats://{worker}:password-of-{worker}@{}", self.address);
        Bus::connect(&url, worker).await.unwrap()
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn every_shipped_configuration_is_valid_and_syncs_before_it_acknowledges() {
    let mut checked = 0;
    for entry in std::fs::read_dir(configurations()).unwrap() {
        let file = entry.unwrap().path();
        let output = program().arg("-c").arg(&file).arg("-t").output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{}: {said}", file.display());
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(
            !text.contains("jetstream {") || text.contains("sync_interval: always"),
            "{}",
            file.display()
        );
        checked += 1;
    }
    assert_eq!(checked, 4);
}

fn renamed(facts: Vec<Fact>, event: &facts::Event) -> Vec<Fact> {
    let rename = |fact: Fact| Fact {
        event: event.clone(),
        ..fact
    };
    facts.into_iter().map(rename).collect()
}

#[tokio::test]
async fn with_the_shipped_permissions_each_worker_can_do_its_work_and_no_more() {
    let dir = tempfile::tempdir().unwrap();
    let permissions = configurations().join("permissions.conf");
    std::fs::copy(permissions, dir.path().join("permissions.conf")).unwrap();
    let config = dir.path().join("broker.conf");
    let store = dir.path().display();
    let text = format!(
        "listen: \"127.0.0.1:-1\"\njetstream {{ store_dir: \"{store}\" }}\ninclude \"permissions.conf\"\n"
    );
    std::fs::write(&config, text).unwrap();
    let broker = Broker::start(&config);
    let site = site();

    let scheduler = broker.user("scheduler").await;
    within(scheduler.ready()).await.unwrap();
    let recorder = broker.user("move-recorder").await;
    within(recorder.ready()).await.unwrap();
    recorder.publish_facts(&some_facts(30)).await.unwrap();
    assert_eq!(everything(&recorder).await.len(), 30);
    let stored = everything(&scheduler).await.remove(0);
    scheduler.reject(&site, &stored, "a trial").await.unwrap();

    let mut questions = scheduler.questions(&site, &["how.many"]).await.unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        question.answer(&7).await.unwrap();
    });
    let answer: u32 = within(recorder.ask(&site, "how.many", &())).await.unwrap();
    assert_eq!(answer, 7);
    answering.await.unwrap();

    for (worker, durable, tail) in [
        ("label-printer", "label-printer-wheel", "label.wheel.a-fact"),
        ("label-printer", "label-printer-case", "label.case.a-fact"),
        ("notifier", "notifier", "alert.raised"),
    ] {
        scheduler
            .publish_derived(&site, tail, tail, b"{}")
            .await
            .unwrap();
        let bus = broker.user(worker).await;
        let (kind, _) = tail.rsplit_once('.').unwrap();
        let filter = format!("{kind}.*");
        let mut jobs = within(bus.jobs(durable, &site, &filter)).await.unwrap();
        let job = within(jobs.next()).await.unwrap();
        assert_eq!(job.id, tail);
        job.done().await.unwrap();
    }
    let printer = broker.user("label-printer").await;
    printer
        .publish_derived(&site, "alert.raised", "out-of-labels", b"{}")
        .await
        .unwrap();
    let mut questions = printer.questions(&site, &["label.queue"]).await.unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        question.answer(&"empty").await.unwrap();
    });
    let answer: String = within(recorder.ask(&site, "label.queue", &()))
        .await
        .unwrap();
    assert_eq!(answer, "empty");
    answering.await.unwrap();

    let forecaster = broker.user("forecaster").await;
    assert_eq!(everything(&forecaster).await.len(), 30);
    let mut questions = forecaster.questions(&site, &["forecast"]).await.unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        question.answer(&"in May").await.unwrap();
    });
    let answer: String = within(recorder.ask(&site, "forecast", &())).await.unwrap();
    assert_eq!(answer, "in May");
    answering.await.unwrap();

    // The dispatch desk is asked before a wheel leaves, and can send none itself.
    let dispatcher = broker.user("dispatcher").await;
    assert_eq!(everything(&dispatcher).await.len(), 30);
    let asked = [
        "leaving",
        "allocation",
        "promise",
        "picks",
        "orders",
        "check-order",
    ];
    let mut questions = within(dispatcher.questions(&site, &asked)).await.unwrap();
    let answering = tokio::spawn(async move {
        for _ in asked {
            let question = questions.next().await.unwrap();
            let name = question.name.clone();
            question.answer(&name).await.unwrap();
        }
    });
    for name in asked {
        let answer: String = within(recorder.ask(&site, name, &())).await.unwrap();
        assert_eq!(answer, name);
    }
    answering.await.unwrap();
    within(dispatcher.publish_derived(&site, "allocation", "allocation-1", b"{}"))
        .await
        .unwrap();
    let sent = facts::WheelDispatched {
        wheels: Vec::new(),
        via: None,
        order: None,
        market: None,
        sale: None,
    };
    let sent = renamed(some_facts(1), &sent.into());
    let error = within(dispatcher.publish_facts(&sent)).await.unwrap_err();
    assert!(matches!(error, BusError::Unanswered { .. }), "{error}");

    let gas = facts::RoomGasRead {
        room: facts::RoomId::new("R1").unwrap(),
        sensor: None,
        co2_ppm: None,
        nh3_ppm: None,
    };
    let reader = broker.user("climate-reader").await;
    within(reader.ready()).await.unwrap();
    let read = renamed(some_facts(1), &gas.into());
    within(reader.publish_facts(&read)).await.unwrap();

    // The records hold, and the gateway hears what they tell people; only it may release.
    let records = broker.user("records").await;
    let gateway = broker.user("gateway").await;
    assert_eq!(everything(&records).await.len(), 31);
    let mut told = within(gateway.tellings(&site)).await.unwrap();
    let missed = Telling::alarm("check-ph-missed".to_owned(), "no pH was read".to_owned());
    let mut memory = Told::open(&dir.path().join("told.txt")).unwrap();
    let now = bus::Clock::system().now();
    within(memory.tell(&records, &site, now, &mut vec![missed.clone()]))
        .await
        .unwrap();
    assert_eq!(within(told.next()).await.unwrap().telling, missed);
    let held = facts::WheelHeld {
        hold: facts::HoldId::new("H1").unwrap(),
        wheels: Vec::new(),
        reason: "a result".to_owned(),
    };
    let held = renamed(some_facts(1), &held.into());
    within(records.publish_facts(&held)).await.unwrap();

    // A scale cannot state that a room was cleaned, nor that a hold was released.
    let scale = broker.user("scale-reader").await;
    within(scale.ready()).await.unwrap();
    let released = facts::WheelReleased {
        hold: facts::HoldId::new("H1").unwrap(),
        wheels: Vec::new(),
        reason: "all is well".to_owned(),
    };
    for forbidden in [
        some_facts(1),
        renamed(some_facts(1), &released.clone().into()),
    ] {
        let error = within(scale.publish_facts(&forbidden)).await.unwrap_err();
        assert!(matches!(error, BusError::Unanswered { .. }), "{error}");
    }
    let released = renamed(some_facts(1), &released.into());
    let error = within(records.publish_facts(&released)).await.unwrap_err();
    assert!(matches!(error, BusError::Unanswered { .. }), "{error}");
    assert_eq!(scheduler.floor_end().await.unwrap(), 32);
    within(gateway.publish_facts(&released)).await.unwrap();
}

/// A shipped configuration with other addresses and folders.
fn adapted(name: &str, replacements: &[(&str, &str)]) -> String {
    let mut text = std::fs::read_to_string(configurations().join(name)).unwrap();
    for (shipped, ours) in replacements {
        assert!(text.contains(shipped), "{name} has no {shipped}");
        text = text.replace(shipped, ours);
    }
    text
}

fn free_port() -> u16 {
    let socket = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    socket.local_addr().unwrap().port()
}

#[tokio::test]
async fn three_brokers_go_on_without_the_one_that_was_spoken_to_and_nothing_is_lost() {
    let dir = tempfile::tempdir().unwrap();
    let names = ["broker-1", "broker-2", "broker-3"];
    let routes = names.map(|_| format!("127.0.0.1:{}", free_port()));
    let mut brokers = Vec::new();
    for (name, route) in names.iter().zip(&routes) {
        let store = dir.path().join(name);
        let store = store.to_str().unwrap();
        let text = adapted(
            "cluster.conf",
            &[
                ("0.0.0.0:4222", "127.0.0.1:-1"),
                ("0.0.0.0:6222", route),
                ("0.0.0.0:7422", "127.0.0.1:-1"),
                ("broker-1:6222", &routes[0]),
                ("broker-2:6222", &routes[1]),
                ("broker-3:6222", &routes[2]),
                ("/var/lib/wheelward/broker", store),
            ],
        );
        let config = dir.path().join(format!("{name}.conf"));
        std::fs::write(&config, text).unwrap();
        brokers.push(Broker::named(name, &config));
    }
    let urls: Vec<_> = brokers
        .iter()
        .map(|b| format!("nats://{}", b.address))
        .collect();
    let bus = Bus::connect(&urls.join(","), "test").await.unwrap();
    within(bus.ready()).await.unwrap();
    let stream = async_nats::jetstream::new(bus.client().clone())
        .get_stream(bus::FLOOR)
        .await
        .unwrap();
    assert_eq!(stream.cached_info().config.num_replicas, 3);

    let outbox = bus::Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let shutdown = bus::Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let mut all = recorded(&outbox, 2000);
    let mut log = bus.floor_after(None).await.unwrap();
    let mut read = take(&mut log, 1).await;
    let spoken_to = bus.client().server_info().server_name;
    let at = names.iter().position(|n| *n == spoken_to).unwrap();
    drop(brokers.remove(at));
    all.extend(recorded(&outbox, 2000));
    read.extend(take(&mut log, 3999).await);
    shutdown.request();
    within(draining).await.unwrap();

    let mut numbers: Vec<_> = facts_of(&read).iter().map(|f| f.station_seq).collect();
    numbers.sort_unstable();
    assert!(numbers.into_iter().eq(1..=4000));
    assert_eq!(bus.floor_end().await.unwrap(), 4000);
}

#[tokio::test]
async fn a_dairys_own_broker_stores_each_fact_once_and_the_hub_copies_it() {
    use async_nats::jetstream::stream::{Config, External, Source};
    let dir = tempfile::tempdir().unwrap();
    let line = format!("127.0.0.1:{}", free_port());
    let hub = dir.path().join("hub.conf");
    let store = dir.path().join("hub");
    let text = format!(
        "server_name: hub\nlisten: \"127.0.0.1:-1\"\njetstream {{ domain: hub, store_dir: \"{}\" }}\nleafnodes {{ listen: \"{line}\" }}\n",
        store.display()
    );
    std::fs::write(&hub, text).unwrap();
    let leaf = dir.path().join("leaf.conf");
    let store = dir.path().join("leaf");
    let text = adapted(
        "leaf.conf",
        &[
            ("127.0.0.1:4222", "127.0.0.1:-1"),
            ("hub.example:7422", &line),
            ("/var/lib/wheelward/broker", store.to_str().unwrap()),
        ],
    );
    std::fs::write(&leaf, text).unwrap();

    // The line is down at first.
    let leaf = Broker::start(&leaf);
    let dairy = connect(&format!("nats://{}", leaf.address)).await;
    let facts = some_facts(20);
    dairy.publish_facts(&facts[..10]).await.unwrap();

    let hub = Broker::start(&hub);
    // The hub has a log of its own, for the dairies without a broker.
    let office = connect(&format!("nats://{}", hub.address)).await;
    // The line is up when a question passes.
    let mut questions = dairy.questions(&site(), &["there"]).await.unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        question.answer(&"yes").await.unwrap();
    });
    within(async {
        while office.ask::<String>(&site(), "there", &()).await.is_err() {
            tokio::task::yield_now().await;
        }
    })
    .await;
    answering.await.unwrap();
    let copy = async_nats::jetstream::new(office.client().clone())
        .create_stream(Config {
            name: "LARKHOLM".to_owned(),
            sources: Some(vec![Source {
                name: bus::FLOOR.to_owned(),
                external: Some(External {
                    api_prefix: "$JS.larkholm.API".to_owned(),
                    delivery_prefix: None,
                }),
                ..Source::default()
            }]),
            ..Config::default()
        })
        .await
        .unwrap();
    dairy.publish_facts(&facts[10..]).await.unwrap();

    let copies = copy
        .create_consumer(async_nats::jetstream::consumer::pull::OrderedConfig::default())
        .await
        .unwrap();
    let mut copies = copies.messages().await.unwrap();
    for _ in 0..20 {
        use futures::StreamExt as _;
        within(copies.next()).await.unwrap().unwrap();
    }
    assert_eq!(facts_of(&everything(&dairy).await), facts);
    assert_eq!(office.floor_end().await.unwrap(), 0);
}
