//! The broker configurations that are shipped.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use bus::{Bus, BusError};
use facts::Fact;

use crate::support::*;

const WORKERS: [&str; 5] = [
    "scheduler",
    "move-recorder",
    "scale-reader",
    "label-printer",
    "notifier",
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
    for worker in WORKERS {
        let variable = format!("{}_PASSWORD", worker.to_uppercase().replace('-', "_"));
        command.env(variable, format!("password-of-{worker}"));
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
        let mut child = program()
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

    let mut questions = scheduler.questions(&site).await.unwrap();
    let answering = tokio::spawn(async move {
        let question = questions.next().await.unwrap();
        question.answer(&7).await.unwrap();
    });
    let answer: u32 = within(recorder.ask(&site, "how.many", &())).await.unwrap();
    assert_eq!(answer, 7);
    answering.await.unwrap();

    for (worker, tail) in [
        ("label-printer", "label.a-fact"),
        ("notifier", "alert.raised"),
    ] {
        scheduler
            .publish_derived(&site, tail, tail, b"{}")
            .await
            .unwrap();
        let bus = broker.user(worker).await;
        let filter = format!("{}.*", tail.split('.').next().unwrap());
        let mut jobs = within(bus.jobs(worker, &site, &filter)).await.unwrap();
        let job = within(jobs.next()).await.unwrap();
        assert_eq!(job.id, tail);
        job.done().await.unwrap();
    }

    // A scale cannot state that a room was cleaned, nor that a hold was released.
    let scale = broker.user("scale-reader").await;
    within(scale.ready()).await.unwrap();
    let released = facts::WheelReleased {
        hold: facts::HoldId::new("H1").unwrap(),
        wheels: Vec::new(),
        reason: "all is well".to_owned(),
    };
    for forbidden in [some_facts(1), renamed(some_facts(1), &released.into())] {
        let error = within(scale.publish_facts(&forbidden)).await.unwrap_err();
        assert!(matches!(error, BusError::Unanswered { .. }), "{error}");
    }
    assert_eq!(scheduler.floor_end().await.unwrap(), 30);
}
