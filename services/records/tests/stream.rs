//! The worker over a real broker: it holds, writes down, seals and answers.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::future::Future;
use std::path::Path;
use std::time::Duration;

use bus::broker::ChildBroker;
use bus::{Bus, Clock, FloorLog, Shutdown};
use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use facts::wire::Read;
use facts::{Event, Fact, FactIdSource, Scope};
use quantity::{DairyClock, Grams, Litres};
use records::{Paper, PaperFile, PapersQuery, RecallQuery, RecordsStanding};
use serde_json::Value;
use site::Site;
use tempfile::TempDir;
use tokio::task::JoinHandle;

fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

fn time(text: &str) -> DateTime<Utc> {
    format!("2026-03-0{}:00Z", text.replace(' ', "T"))
        .parse()
        .unwrap()
}

async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), doing)
        .await
        .expect("this should not take a minute")
}

/// A dairy whose only badge that may end a hold is 01.
fn site(dir: &Path) -> Site {
    let papers = dir.join("papers.toml");
    std::fs::write(
        &papers,
        include_str!("../../../deploy/demo/larkholm-papers.toml"),
    )
    .unwrap();
    let safety = dir.join("safety.toml");
    std::fs::write(
        &safety,
        include_str!("../../../deploy/demo/larkholm-safety.toml")
            .replace("\"01\", \"09\"", "\"01\""),
    )
    .unwrap();
    Site {
        id: id("larkholm"),
        name: "Larkholm Dairy".to_owned(),
        identification_mark: None,
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap()),
        turn_by: NaiveTime::MIN,
        shift_ends: None,
        lost_after_days: 4,
        closed_after_days: 60,
        seal_copies: None,
        backup: None,
        people: Default::default(),
        rooms: Vec::new(),
        stations: Vec::new(),
        recipes: recipe::RecipeBook::default(),
        printers: Vec::new(),
        labels: site::Labels::default(),
        webhook: None,
        gateway: None,
        climate: None,
        dispatch: None,
        safety: Some(site::Safety {
            file: safety,
            may_release: [id("01")].into(),
            tools: Default::default(),
            papers: Some(papers),
        }),
    }
}

struct House {
    dir: TempDir,
    _broker: ChildBroker,
    bus: Bus,
    site: Site,
    ids: FactIdSource,
    seq: u64,
}

type Worker = (Shutdown, JoinHandle<anyhow::Result<()>>);

impl House {
    async fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let broker = ChildBroker::start(&dir.path().join("broker"))
            .await
            .unwrap();
        let bus = Bus::connect(&broker.url(), "test").await.unwrap();
        bus.ready().await.unwrap();
        let site = site(dir.path());
        Self {
            _broker: broker,
            bus,
            site,
            ids: FactIdSource::default(),
            seq: 0,
            dir,
        }
    }

    async fn start(&self, now: DateTime<Utc>) -> Worker {
        let shutdown = Shutdown::new();
        let (site, bus, stop) = (self.site.clone(), self.bus.clone(), shutdown.clone());
        let data = self.dir.path().join("data");
        let clock = tokio::spawn({
            let (bus, site) = (bus.clone(), site.id);
            async move { Clock::from_bus(&bus, &site).await }
        });
        while !clock.is_finished() {
            self.bus.tick(&self.site.id, now, 0).await.unwrap();
            tokio::task::yield_now().await;
        }
        let clock = clock.await.unwrap().unwrap();
        let run = tokio::spawn(async move { records::run(site, bus, clock, &data, stop).await });
        (shutdown, run)
    }

    async fn stop(worker: Worker) {
        worker.0.request();
        within(worker.1).await.unwrap().unwrap();
    }

    async fn state(&mut self, badge: &str, at: &str, event: impl Into<Event>) {
        self.seq += 1;
        let at = time(at);
        let fact = Fact {
            id: self.ids.next(at),
            site: self.site.id,
            station: id("office-1"),
            station_seq: self.seq,
            person: Some(id(badge)),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        };
        self.bus.publish_facts(&[fact]).await.unwrap();
    }

    /// A vat of lot m1, of which one wheel is portioned.
    async fn makes_b1(&mut self) {
        let started = facts::VatStarted {
            batch: id("b1"),
            vat: id("V1"),
            recipe: id("blue"),
            recipe_version: 1,
            milk_l: Litres::new(220.0).unwrap(),
            milk_lots: vec![id("m1")],
        };
        self.state("07", "2 06:00", started).await;
        self.portion("2 14:00", "b1-01").await;
    }

    async fn portion(&mut self, at: &str, wheel: &str) {
        let portioned = facts::WheelPortioned {
            wheel: id(wheel),
            batch: id("b1"),
            weight_g: Grams::new(4_000).unwrap(),
            tare_g: None,
            scale: None,
            mixer: None,
        };
        self.state("07", at, portioned).await;
    }

    async fn ask(&self, question: &str, query: &impl serde::Serialize) -> Value {
        loop {
            match self.bus.ask(&self.site.id, question, query).await {
                Ok(answer) => return answer,
                // It has not caught up yet.
                Err(error) if error.may_pass() => tokio::task::yield_now().await,
                Err(error) => panic!("{error}"),
            }
        }
    }

    async fn standing(&self) -> RecordsStanding {
        serde_json::from_value(self.ask("records", &()).await).unwrap()
    }
}

/// The next fact that the worker states.
async fn stated(log: &mut FloorLog) -> Event {
    within(async {
        loop {
            for message in log.next_chunk(1).await.unwrap() {
                if let Ok(Read::Fact(fact)) = message.read()
                    && fact.station == id("records")
                {
                    return fact.event;
                }
            }
        }
    })
    .await
}

fn held(event: &Event) -> (&str, Vec<&str>) {
    match event {
        Event::WheelHeld(e) => (
            e.hold.as_str(),
            e.wheels.iter().map(|w| w.as_str()).collect(),
        ),
        other => panic!("{other:?}"),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_result_holds_the_batch_and_every_wheel_that_comes_of_it() {
    let mut house = House::new().await;
    house.makes_b1().await;
    let sampled = facts::LabSampled {
        sample: id("Q1"),
        batch: Some(id("b1")),
        wheels: Vec::new(),
        test: "L. monocytogenes".to_owned(),
        plan: None,
        scope: None,
        taken_g: None,
    };
    house.state("08", "2 15:00", sampled).await;
    let worker = house.start(time("3 09:00")).await;
    let mut log = house.bus.floor_after(None).await.unwrap();
    let resulted = facts::LabResulted {
        sample: id("Q1"),
        test: "L. monocytogenes".to_owned(),
        value: "detected".to_owned(),
        verdict: facts::Verdict::Unsatisfactory,
        units: Vec::new(),
        report: None,
    };
    house.state("08", "3 10:00", resulted).await;

    let Event::HoldPlaced(placed) = stated(&mut log).await else {
        panic!()
    };
    assert_eq!(
        (placed.hold, placed.scope),
        (id("LAB-Q1"), Scope::Batch(id("b1")))
    );
    let told = stated(&mut log).await;
    assert_eq!(held(&told), ("LAB-Q1", vec!["b1-01"]));
    house.portion("3 11:00", "b1-02").await;
    assert_eq!(held(&stated(&mut log).await), ("LAB-Q1", vec!["b1-02"]));

    let released = |wheel: &str| facts::WheelReleased {
        wheels: vec![id(wheel)],
        hold: id("LAB-Q1"),
        reason: "looks fine".to_owned(),
    };
    house.state("01", "3 12:00", released("b1-01")).await;
    // The manager's release stands, the other's does not: it needs no other hold.
    house.state("07", "3 12:01", released("b1-02")).await;

    let query = RecallQuery {
        about: Scope::Lot(id("m1")),
        sideways: true,
        lost_after_days: 4,
        every_wheel: false,
    };
    let answer = house.ask("recall", &query).await;
    assert_eq!(
        answer["recall"]["wheels"][1]["holds"],
        serde_json::json!(["LAB-Q1"])
    );
    let batch = PapersQuery {
        about: Scope::Lot(id("m1")),
        sideways: true,
        paper: Paper::Batch(id("b1")),
    };
    let file: PaperFile = serde_json::from_value(house.ask("papers", &batch).await).unwrap();
    assert_eq!(
        (file.name.as_str(), file.media_type.as_str()),
        ("batch-b1.pdf", "application/pdf")
    );
    assert!(file.bytes().unwrap().starts_with(b"%PDF-"));
    let none = PapersQuery {
        paper: Paper::Notices,
        ..batch
    };
    let refused: Result<Value, _> = house.bus.ask(&house.site.id, "papers", &none).await;
    let refused = refused.unwrap_err().to_string();
    assert!(refused.contains("there is nobody to tell"), "{refused}");
    // A result of no sample holds nothing, and people hear of it, as they do of a release by
    // somebody whom the safety file does not name.
    let stray = facts::LabResulted {
        sample: id("Q9"),
        test: "L. monocytogenes".to_owned(),
        value: "detected".to_owned(),
        verdict: facts::Verdict::Unsatisfactory,
        units: Vec::new(),
        report: None,
    };
    house.state("08", "3 12:30", stray).await;
    let end = house.bus.floor_end().await.unwrap();
    let mut chat = house
        .bus
        .jobs("chat", &house.site.id, "alert.>")
        .await
        .unwrap();
    let site = house.site.id;
    house.bus.tick(&site, time("3 13:10"), end).await.unwrap();
    let mut heard = String::new();
    for says in [
        "b1-02 was released from hold LAB-Q1 by somebody",
        "sample Q9, which nobody took",
    ] {
        while !heard.contains(says) {
            let job = within(chat.next()).await.unwrap();
            job.done().await.unwrap();
            heard += std::str::from_utf8(&job.body).unwrap();
        }
    }
    let holds = house.ask("holds", &()).await;
    assert_eq!(holds[0]["let_go"], serde_json::json!(["b1-01"]));
    assert_eq!(holds[0]["kept"], serde_json::json!(["b1-02"]));
    House::stop(worker).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hold_over_a_lot_is_told_to_its_wheels_and_then_said_to_be_worked_out() {
    let mut house = House::new().await;
    house.makes_b1().await;
    let placed = |hold: &str, lot: &str| facts::HoldPlaced {
        hold: id(hold),
        scope: Scope::Lot(id(lot)),
        reason: "swab".to_owned(),
        cause: None,
    };
    // While nobody keeps the records, every wheel is held; they say it of what was placed then.
    house.state("07", "2 15:00", placed("H1", "m1")).await;
    let mut log = house.bus.floor_after(None).await.unwrap();
    let worker = house.start(time("3 09:00")).await;
    assert_eq!(held(&stated(&mut log).await), ("H1", vec!["b1-01"]));
    let traced = |event: Event| match event {
        Event::HoldTraced(traced) => (traced.hold.to_string(), traced.wheels),
        other => panic!("{other:?}"),
    };
    assert_eq!(traced(stated(&mut log).await), ("H1".to_owned(), 1));
    // So is a hold that keeps no wheel.
    house.state("07", "3 10:00", placed("H2", "m9")).await;
    assert_eq!(traced(stated(&mut log).await), ("H2".to_owned(), 0));
    let holds = house.ask("holds", &()).await;
    for (n, kept) in [(0, vec!["b1-01"]), (1, vec![])] {
        assert_eq!(holds[n]["untraced"], serde_json::json!(false), "{holds}");
        assert_eq!(holds[n]["kept"], serde_json::json!(kept));
    }
    House::stop(worker).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn each_dairy_day_is_sealed_once_and_a_rewritten_ledger_is_found_at_the_next_start() {
    let mut house = House::new().await;
    for n in 1..=5 {
        house.portion("2 14:00", &format!("b1-0{n}")).await;
    }
    let folder = house.dir.path().join("data/records");
    let worker = house.start(time("2 20:00")).await;
    within(async { while house.standing().await.count < 5 {} }).await;
    for (now, seals) in [
        ("2 21:00", 1),
        ("3 05:00", 2),
        ("3 06:00", 2),
        ("4 05:00", 3),
    ] {
        // The first tick finds records and no seal: the day before is sealed.
        within(async {
            loop {
                house.bus.tick(&house.site.id, time(now), 5).await.unwrap();
                let sealed = records::seals(&folder).unwrap();
                let day = sealed.last().map(|seal| seal.statement.day);
                if sealed.len() == seals
                    && day == Some((time(now) - TimeDelta::hours(28)).date_naive())
                {
                    break;
                }
                assert!(sealed.len() <= seals, "{now}");
            }
        })
        .await;
    }
    House::stop(worker).await;
    let report = seal::verify(
        &house.site.id,
        &records::seals(&folder).unwrap(),
        &[records::public_key(&folder).unwrap().unwrap()],
        Some(records::entries(&folder, &house.site.id).unwrap()),
        records::entries(&folder, &house.site.id)
            .unwrap()
            .map(|entry| entry.unwrap().1),
    );
    assert!(report.holds(), "{report:?}");
    assert_eq!(report.sealed, 5);

    // Half a line, as a crash leaves it, is taken off; a changed line is found.
    let path = folder.join("ledger.txt");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, format!("{text}6 6 half-a-li")).unwrap();
    let worker = house.start(time("4 06:00")).await;
    let standing = house.standing().await;
    assert_eq!((standing.count, standing.sealed), (5, 5));
    assert_eq!(standing.findings, Vec::<String>::new());
    House::stop(worker).await;
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    let last = lines[2].pop().unwrap();
    lines[2].push(if last == '0' { '1' } else { '0' });
    std::fs::write(&path, format!("{}\n", lines.join("\n"))).unwrap();
    let worker = house.start(time("4 06:00")).await;
    let findings = within(async {
        loop {
            let findings = house.standing().await.findings;
            if !findings.is_empty() {
                break findings;
            }
        }
    })
    .await;
    assert_eq!(findings.len(), 1);
    assert!(
        findings[0].starts_with("number 3: the ledger has fact "),
        "{findings:?}"
    );
    within(async {
        loop {
            let told = house.bus.derived(&house.site.id, "alert.told").await;
            let told = told.unwrap();
            let mut told = told.iter().map(|body| String::from_utf8_lossy(body));
            if told.any(|body| body.contains("ledger-differs")) {
                break;
            }
        }
    })
    .await;
    House::stop(worker).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_seal_goes_to_the_chat_and_to_another_box_and_a_box_that_is_away_is_told() {
    let mut house = House::new().await;
    house.portion("2 14:00", "b1-01").await;
    let copies = house.dir.path().join("another-box/seals");
    house.site.seal_copies = Some(copies.clone());
    let folder = house.dir.path().join("data/records");
    let worker = house.start(time("2 20:00")).await;
    let told = async |house: &House, what: &str, now: &str| {
        within(async {
            loop {
                house.bus.tick(&house.site.id, time(now), 1).await.unwrap();
                // The broker makes a reader for each look, and not for too many at a time.
                tokio::time::sleep(Duration::from_millis(100)).await;
                let summary = house.bus.derived(&house.site.id, "alert.summary").await;
                let alerts = house.bus.derived(&house.site.id, "alert.told").await;
                let all = [summary.unwrap(), alerts.unwrap()].concat();
                let mut all = all.iter().map(|body| String::from_utf8_lossy(body));
                if let Some(said) = all.find(|said| said.contains(what)) {
                    break said.into_owned();
                }
            }
        })
        .await
    };
    let mark = |n: usize| {
        let seals = records::seals(&folder).unwrap();
        seal::Mark::of(&seals[n - 1], n as u64).to_string()
    };
    // The other box is not there: people hear of it, and the day is sealed all the same.
    let said = told(&house, "could not be copied", "2 21:00").await;
    assert!(
        said.contains("another-box") && said.contains("raised"),
        "{said}"
    );
    told(&house, &mark(1), "2 21:00").await;
    // It is back: both seals are there, each once, and people hear that too.
    std::fs::create_dir_all(&copies).unwrap();
    told(&house, "copied again", "3 05:00").await;
    let said = told(&house, "of 2026-03-02 are sealed", "3 05:00").await;
    assert!(said.contains(&mark(2)), "{said}");
    House::stop(worker).await;
    assert_eq!(
        records::seals_in(&copies).unwrap(),
        records::seals(&folder).unwrap()
    );
    // What lies there is not written over, whatever becomes of the records.
    let first = std::fs::read_dir(&copies).unwrap().next().unwrap().unwrap();
    let rewritten = std::fs::read_to_string(first.path()).unwrap() + " ";
    std::fs::write(first.path(), &rewritten).unwrap();
    let error = records::copy_seals(&folder, &copies).unwrap_err();
    assert!(error.to_string().contains("is another seal"), "{error}");
    assert_eq!(std::fs::read_to_string(first.path()).unwrap(), rewritten);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_missed_check_is_told_to_the_notifier_once_also_after_a_restart() {
    let mut house = House::new().await;
    let cleaned = facts::ToolSanitised {
        tool: id("V1"),
        method: "hot caustic".to_owned(),
    };
    house.state("07", "2 08:00", cleaned).await;
    let mut jobs = house
        .bus
        .jobs("test-chat", &house.site.id, "alert.told")
        .await
        .unwrap();
    let mut heard = Vec::new();
    for start in ["3 05:00", "3 06:00"] {
        // Each dairy day the plan wants the scale checked and the cleaning signed off.
        let worker = house.start(time(start)).await;
        within(async { while house.standing().await.count < 1 {} }).await;
        if heard.is_empty() {
            while heard.len() < 4 {
                house
                    .bus
                    .tick(&house.site.id, time(start), 1)
                    .await
                    .unwrap();
                let job = within(jobs.next()).await.unwrap();
                job.done().await.unwrap();
                let alert: Value = serde_json::from_slice(&job.body).unwrap();
                assert_eq!(job.id, alert["alert"]);
                assert!(
                    alert["text"].as_str().unwrap().starts_with("MISSED: "),
                    "{alert}"
                );
                heard.push(job.id.clone());
            }
        } else {
            // Nothing is told again: the next to be told is of the next day.
            house
                .bus
                .tick(&house.site.id, time("4 05:00"), 1)
                .await
                .unwrap();
            let job = within(jobs.next()).await.unwrap();
            assert!(job.id.contains("2026-03-03"), "{}", job.id);
        }
        House::stop(worker).await;
    }
    heard.sort();
    assert_eq!(
        heard,
        [
            "check-ammonia-2026-03-02-missed",
            "check-cleaning-2026-03-02-missed",
            "check-cold-room-2026-03-02-missed",
            "check-scale-2026-03-02-missed",
        ]
    );
}

/// Not ten minutes later, nor only after a restart.
#[tokio::test(flavor = "multi_thread")]
async fn a_check_out_of_limits_is_told_with_the_next_tick() {
    let mut house = House::new().await;
    let mut jobs = house
        .bus
        .jobs("test-chat", &house.site.id, "alert.told")
        .await
        .unwrap();
    let worker = house.start(time("2 09:00")).await;
    house
        .bus
        .tick(&house.site.id, time("2 09:00"), 0)
        .await
        .unwrap();
    within(async { while house.standing().await.count > 0 {} }).await;
    for (n, (ppm, told)) in [(20.0, None), (31.0, Some("check-ammonia-2026-03-02-out"))]
        .into_iter()
        .enumerate()
    {
        let read = facts::ControlChecked {
            control: id("ammonia"),
            about: None,
            value: Some(ppm),
            in_order: None,
            note: None,
        };
        house.state("07", &format!("2 09:0{n}"), read).await;
        let now = time("2 09:02");
        house
            .bus
            .tick(&house.site.id, now, n as u64 + 1)
            .await
            .unwrap();
        if let Some(told) = told {
            let job = within(jobs.next()).await.unwrap();
            assert_eq!(job.id, told);
        }
    }
    House::stop(worker).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_ledger_beside_a_running_worker_is_refused_and_one_lost_with_its_box_is_told() {
    let mut house = House::new().await;
    house.portion("2 06:00", "w1").await;
    let worker = house.start(time("2 07:00")).await;
    while house.standing().await.count < 1 {}
    let data = house.dir.path().join("data/records");
    let error = records::Folder::open(&data, house.site.id)
        .unwrap_err()
        .to_string();
    assert!(error.contains("is in use by process"), "{error}");
    assert!(error.contains("stop it first"), "{error}");
    // The day is over: sealed, and published where the broker keeps it.
    while house
        .bus
        .derived(&house.site.id, "seal")
        .await
        .unwrap()
        .is_empty()
    {
        house
            .bus
            .tick(&house.site.id, time("3 07:00"), 0)
            .await
            .unwrap();
        tokio::task::yield_now().await;
    }
    House::stop(worker).await;
    drop(records::Folder::open(&data, house.site.id).unwrap());

    // The box is gone, the broker's folder was restored on a new one.
    std::fs::remove_dir_all(house.dir.path().join("data")).unwrap();
    let worker = house.start(time("5 07:00")).await;
    let told = loop {
        let told = house
            .bus
            .derived(&house.site.id, "alert.told")
            .await
            .unwrap();
        if let Some(told) = told.last() {
            break String::from_utf8(told.to_vec()).unwrap();
        }
        tokio::task::yield_now().await;
    };
    assert!(told.contains("with another key"), "{told}");
    assert!(
        told.contains("put the records folder of that box back"),
        "{told}"
    );
    House::stop(worker).await;
}

/// The broker's folder was lost; somebody recorded something before the stations were back.
#[tokio::test(flavor = "multi_thread")]
async fn a_healed_log_in_another_order_is_gone_through_again_without_a_false_alarm() {
    let mut house = House::new().await;
    for wheel in ["w1", "w2", "w3"] {
        house.portion("2 06:00", wheel).await;
    }
    let worker = house.start(time("2 07:00")).await;
    while house.standing().await.count < 3 {}
    House::stop(worker).await;

    let mut log = house.bus.floor_after(None).await.unwrap();
    let mut had = Vec::new();
    while had.len() < 3 {
        had.extend(log.next_chunk(9).await.unwrap());
    }
    let client = async_nats::connect(house._broker.url()).await.unwrap();
    let jetstream = async_nats::jetstream::new(client);
    jetstream.delete_stream(bus::FLOOR).await.unwrap();
    house.bus = Bus::connect(&house._broker.url(), "test").await.unwrap();
    house.bus.ready().await.unwrap();
    house.portion("2 08:00", "w4").await;
    let worker = house.start(time("2 09:00")).await;
    // Until they come back, they are missed.
    let gone = "3 records that were written down are no longer in the log";
    while house.standing().await.findings != [gone] {}
    for message in had.into_iter().rev() {
        let headers = message.headers.unwrap_or_default();
        let sent = jetstream.publish_with_headers(message.subject, headers, message.body);
        sent.await.unwrap().await.unwrap();
    }
    while !house.standing().await.findings.is_empty() {}
    assert_eq!(house.standing().await.count, 4);
    House::stop(worker).await;

    // At a start all of it is gone through again, and the day is sealed.
    let worker = house.start(time("2 10:00")).await;
    for _ in 0..20 {
        let standing = house.standing().await;
        assert_eq!((standing.count, standing.findings), (4, Vec::new()));
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let sealed = within(async {
        loop {
            let site = house.site.id;
            house.bus.tick(&site, time("3 07:00"), 0).await.unwrap();
            let seals = house.bus.derived(&site, "seal").await.unwrap();
            if !seals.is_empty() {
                return seals.len();
            }
            tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        }
    });
    assert_eq!(sealed.await, 1);
    House::stop(worker).await;
}
