//! From the stream to the folder and back to the floor, over a real broker.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use bus::broker::ChildBroker;
use bus::{Bus, BusError, Clock, Shutdown};
use chrono::NaiveTime;
use facts::{Event, Fact, SiteId, WheelId};
use label_printer::{Answered, Queue, WantedAgain};
use labels::{Dpi, Kind, Label, LabelJob};
use quantity::DairyClock;
use serde_json::json;
use site::{PrintTarget, Printer, Site};

fn site(labels: PathBuf) -> Site {
    Site {
        id: SiteId::new("larkholm").unwrap(),
        name: "Larkholm Dairy".to_owned(),
        identification_mark: None,
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::MIN),
        turn_by: NaiveTime::MIN,
        shift_ends: None,
        lost_after_days: 3,
        closed_after_days: 60,
        seal_copies: None,
        backup: None,
        people: Default::default(),
        rooms: Vec::new(),
        stations: Vec::new(),
        recipes: recipe::RecipeBook::default(),
        printers: vec![Printer {
            name: "Portioning table".to_owned(),
            target: PrintTarget::Folder(labels),
            dpi: Dpi::D203,
            prints: vec![Kind::Wheel, Kind::Case],
        }],
        labels: site::Labels::default(),
        webhook: None,
        gateway: None,
        climate: None,
        safety: None,
        dispatch: None,
    }
}

fn job(nth: u8) -> LabelJob {
    let mut label = Kind::Wheel.sample().unwrap();
    if let Label::Wheel(wheel) = &mut label {
        wheel.wheel = format!("B311-{nth:02}").parse().unwrap();
    }
    LabelJob {
        cause: format!("01890a5d-ac96-774b-bcce-b302099a80{nth:02x}")
            .parse()
            .unwrap(),
        copy: false,
        label,
    }
}

async fn publish(bus: &Bus, site: &Site, kind: Kind, id: &str, body: &[u8]) {
    bus.publish_derived(&site.id, &format!("label.{kind}.{id}"), id, body)
        .await
        .unwrap();
}

fn files(folder: &Path) -> BTreeSet<String> {
    fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect()
}

/// A broker, and a worker on it.
struct Running {
    bus: Bus,
    site: Site,
    floor: bus::FloorLog,
    shutdown: Shutdown,
    worker: tokio::task::JoinHandle<anyhow::Result<()>>,
    dir: tempfile::TempDir,
    _broker: ChildBroker,
}

impl Running {
    async fn start() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let broker = ChildBroker::start(&dir.path().join("broker"))
            .await
            .unwrap();
        let bus = Bus::connect(&broker.url(), "test").await.unwrap();
        bus.ready().await.unwrap();
        let site = site(dir.path().join("labels"));
        let shutdown = Shutdown::new();
        let mut running = Self {
            floor: bus.floor_after(None).await.unwrap(),
            worker: tokio::spawn(async { Ok(()) }),
            bus,
            site,
            shutdown,
            dir,
            _broker: broker,
        };
        running.work();
        running
    }

    fn work(&mut self) {
        self.shutdown = Shutdown::new();
        let (site, bus) = (self.site.clone(), self.bus.clone());
        let (shutdown, data) = (self.shutdown.clone(), self.dir.path().join("data"));
        self.worker = tokio::spawn(async move {
            label_printer::run(site, bus, Clock::system(), &data, shutdown).await
        });
    }

    async fn stop(&mut self) {
        self.shutdown.request();
        (&mut self.worker).await.unwrap().unwrap();
    }

    /// The next facts on the floor.
    async fn facts(&mut self, number: usize) -> Vec<Fact> {
        let mut facts = Vec::new();
        while facts.len() < number {
            for stored in self.floor.next_chunk(100).await.unwrap() {
                let facts::wire::Read::Fact(fact) = stored.read().unwrap() else {
                    panic!("an unknown type of fact");
                };
                facts.push(fact);
            }
        }
        facts
    }

    fn labels(&self) -> BTreeSet<String> {
        files(&self.dir.path().join("labels"))
    }

    /// Asks the worker, once it listens.
    async fn ask<A: serde::de::DeserializeOwned>(
        &self,
        question: &str,
        asked: &impl serde::Serialize,
    ) -> Result<A, BusError> {
        loop {
            match self.bus.ask(&self.site.id, question, asked).await {
                Err(BusError::NobodyAnswers { .. }) => tokio::task::yield_now().await,
                answer => return answer,
            }
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_job_becomes_one_file_and_one_fact_also_when_it_comes_again_to_a_new_run() {
    let mut running = Running::start().await;
    let mut expected = BTreeSet::new();
    let mut labelled = Vec::new();
    for run in 0..2_u8 {
        if run > 0 {
            running.work();
        }
        let (bus, site) = (running.bus.clone(), running.site.clone());
        publish(
            &bus,
            &site,
            Kind::Wheel,
            &format!("unreadable-{run}"),
            b"{}",
        )
        .await;
        // The second run gets the jobs of the first once more, and three new ones.
        let new = expected.len();
        for nth in 0..3 * (run + 1) {
            let job = job(nth);
            let body = serde_json::to_vec(&job).unwrap();
            publish(
                &bus,
                &site,
                Kind::Wheel,
                &format!("{}-{run}", job.cause),
                &body,
            )
            .await;
            expected.insert(format!("{}.png", job.name()));
        }
        for fact in running.facts(expected.len() - new).await {
            let Event::WheelLabelled(event) = fact.event else {
                panic!("the printer states that wheels are labelled, and nothing else");
            };
            assert_eq!(event.printer, "Portioning table");
            labelled.push((fact.station_seq, event.wheel.to_string()));
        }
        running.stop().await;
    }
    assert_eq!(running.labels(), expected);
    let in_order: Vec<_> = (0..6).map(|n| (n + 1, format!("B311-{n:02}"))).collect();
    assert_eq!(labelled, in_order);
}

/// Answers as a scheduler does that knows the sample's wheel.
async fn scheduler(bus: Bus, site: SiteId, discarded: bool) {
    let names = ["standing", "wheel", "label"];
    let mut questions = bus.questions(&site, &names).await.unwrap();
    let known: WheelId = "26W05-3-04".parse().unwrap();
    while let Some(question) = questions.next().await {
        let wheel = question.read::<WheelId>().ok();
        let answered = match question.name.as_str() {
            "standing" => question.answer(&json!({"seq": 1, "live": true})).await,
            _ if wheel != Some(known) => question.refuse("no fact speaks of it").await,
            "wheel" => {
                let wheel = json!({"batch": "26W05-3", "discarded": discarded});
                question.answer(&json!({ "wheel": wheel })).await
            }
            _ => {
                let label = Kind::Wheel.sample().unwrap();
                question
                    .answer(&json!({"label": label, "labelled": true}))
                    .await
            }
        };
        answered.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_label_wanted_again_is_a_fact_with_its_reason_and_says_copy() {
    let mut running = Running::start().await;
    let (bus, id) = (running.bus.clone(), running.site.id);
    let office = tokio::spawn(scheduler(bus.clone(), id, false));
    let mut wanted = WantedAgain {
        label: "26W05-3-04".to_owned(),
        reason: "the first one tore".to_owned(),
        person: "17".parse().unwrap(),
    };
    // The stand-in for the scheduler may listen a moment later.
    let said = loop {
        match running.ask::<String>("label.reprint", &wanted).await {
            Err(BusError::Refused(why)) if why.contains("nobody") => {}
            answer => break answer.unwrap(),
        }
    };
    assert_eq!(
        said,
        "the label of wheel 26W05-3-04 is printed by \"Portioning table\" and says COPY"
    );
    let [asked, printed] = &running.facts(2).await[..] else {
        panic!("two facts");
    };
    let Event::LabelWantedAgain(again) = &asked.event else {
        panic!("{asked:?}");
    };
    assert_eq!(
        (asked.person, again.reason.as_str()),
        (Some(wanted.person), "the first one tore")
    );
    let Event::WheelLabelled(labelled) = &printed.event else {
        panic!("{printed:?}");
    };
    assert_eq!(labelled.cause, asked.id);
    let name = format!("26W05-3-04-{}.png", asked.id);
    assert_eq!(running.labels(), BTreeSet::from([name.clone()]));
    let copy = LabelJob {
        cause: asked.id,
        copy: true,
        label: Kind::Wheel.sample().unwrap(),
    };
    let drawn = labels::Templates::default().draw(&copy, Dpi::D203).unwrap();
    let file = fs::read(running.dir.path().join("labels").join(name)).unwrap();
    assert_eq!(file, drawn.bitmap().png().unwrap());

    wanted.label = "B311-99".to_owned();
    let refused = running
        .ask::<String>("label.reprint", &wanted)
        .await
        .unwrap_err();
    assert_eq!(refused.to_string(), "no fact speaks of it");
    wanted.reason = " ".to_owned();
    let refused = running
        .ask::<String>("label.reprint", &wanted)
        .await
        .unwrap_err();
    assert!(refused.to_string().contains("--because"), "{refused}");
    office.abort();
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_case_is_labelled_and_its_label_is_printed_again_from_memory() {
    let mut running = Running::start().await;
    let job = LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
        copy: false,
        label: Kind::Case.sample().unwrap(),
    };
    let body = serde_json::to_vec(&job).unwrap();
    let (bus, site) = (running.bus.clone(), running.site.clone());
    publish(&bus, &site, Kind::Case, "a-case", &body).await;
    let [fact] = &running.facts(1).await[..] else {
        panic!("one fact");
    };
    assert!(matches!(fact.event, Event::CaseLabelled(_)));
    let wanted = WantedAgain {
        label: "095212340000000013".to_owned(),
        reason: "wet".to_owned(),
        person: "17".parse().unwrap(),
    };
    let said: String = running.ask("label.reprint", &wanted).await.unwrap();
    assert!(
        said.contains("case 095212340000000013") && said.contains("COPY"),
        "{said}"
    );
    assert_eq!(running.facts(2).await.len(), 2);
    assert_eq!(running.labels().len(), 2);
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_label_of_a_wheel_thrown_away_meanwhile_is_dropped() {
    let mut running = Running::start().await;
    let (bus, site) = (running.bus.clone(), running.site.clone());
    let office = tokio::spawn(scheduler(bus.clone(), site.id, true));
    // Until the stand-in for the scheduler listens, the label would be printed.
    while bus
        .ask::<serde_json::Value>(&site.id, "standing", &())
        .await
        .is_err()
    {
        tokio::task::yield_now().await;
    }
    let job = LabelJob {
        label: Kind::Wheel.sample().unwrap(),
        ..job(1)
    };
    publish(
        &bus,
        &site,
        Kind::Wheel,
        "late",
        &serde_json::to_vec(&job).unwrap(),
    )
    .await;
    let [fact] = &running.facts(1).await[..] else {
        panic!("one fact");
    };
    let Event::LabelDropped(dropped) = &fact.event else {
        panic!("{fact:?}");
    };
    assert_eq!(
        dropped.reason,
        "it was thrown away before the label was printed"
    );
    assert!(!running.dir.path().join("labels").exists());
    office.abort();
    running.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_person_answers_for_a_label_in_doubt_and_what_follows_is_stated() {
    for printed in [true, false] {
        let mut running = Running::start().await;
        running.stop().await;
        // An earlier run set a label aside.
        let job = job(7);
        {
            let data = running.dir.path().join("data/label-printer");
            let outbox = bus::Outbox::open(&data, running.site.id).unwrap();
            let station = facts::StationId::new("label-printer").unwrap();
            let now = Clock::system().now();
            let aside = label_printer::SetAside {
                job: job.clone(),
                printer: "Portioning table".to_owned(),
                since: now,
                again: false,
            };
            let notes = vec![
                label_printer::Aside::entry(&aside).unwrap(),
                label_printer::Journal::entry(
                    &job.name(),
                    &label_printer::Noted::Aside { attempt: 1 },
                )
                .unwrap(),
            ];
            outbox
                .record_with(&station, Vec::new(), now, |_| notes)
                .unwrap();
        }
        running.work();
        let queue: Queue = running.ask("label.queue", &()).await.unwrap();
        assert_eq!(queue.in_doubt.len(), 1);
        assert_eq!(queue.in_doubt[0].label, "B311-07");
        assert_eq!(queue.printers[0].name, "Portioning table");

        let mut alerts = running
            .bus
            .jobs("test", &running.site.id, "alert.>")
            .await
            .unwrap();
        let raised = alerts.next().await.unwrap();
        let body: serde_json::Value = serde_json::from_slice(&raised.body).unwrap();
        let text = body["text"].as_str().unwrap();
        assert!(
            text.contains("did the label of wheel B311-07 come out"),
            "{text}"
        );
        raised.done().await.unwrap();

        let mut answered = Answered {
            label: "B311-08".to_owned(),
            printed,
            person: Some("17".parse().unwrap()),
        };
        let refused = running
            .ask::<String>("label.answer", &answered)
            .await
            .unwrap_err();
        assert!(
            refused
                .to_string()
                .contains("there is no label B311-08; did you mean B311-07?"),
            "{refused}"
        );
        answered.label = "B311-07".to_owned();
        let said: String = running.ask("label.answer", &answered).await.unwrap();
        let topics: Vec<_> = running
            .facts(2)
            .await
            .iter()
            .map(|fact| (fact.event.topic(), fact.person.is_some()))
            .collect();
        // What was printed is on the person's word; what is printed now is on the printer's.
        assert_eq!(
            topics,
            [("label.answered", true), ("wheel.labelled", printed)]
        );
        if printed {
            assert_eq!(said, "the label of wheel B311-07 counts as printed");
            assert!(!running.dir.path().join("labels").exists());
        } else {
            assert_eq!(said, "the label of wheel B311-07 is printed now");
            let second = format!("{}-2.png", job.name());
            assert_eq!(running.labels(), BTreeSet::from([second]));
        }
        let cleared = alerts.next().await.unwrap();
        let told: serde_json::Value = serde_json::from_slice(&cleared.body).unwrap();
        assert_eq!(told["step"], "cleared");
        cleared.done().await.unwrap();
        let queue: Queue = running.ask("label.queue", &()).await.unwrap();
        assert!(queue.in_doubt.is_empty());
        running.stop().await;
    }
}
