//! From the stream to the folder and back to the floor, over a real broker.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

use bus::broker::ChildBroker;
use bus::{Bus, Clock, Shutdown};
use chrono::NaiveTime;
use facts::{Event, SiteId};
use labels::LabelJob;
use quantity::DairyClock;
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
        rooms: Vec::new(),
        stations: Vec::new(),
        recipes: recipe::RecipeBook::default(),
        printer: Some(Printer {
            target: PrintTarget::Folder(labels),
            dpi: 203,
        }),
        webhook: None,
    }
}

fn job(nth: u8) -> LabelJob {
    serde_json::from_value(serde_json::json!({
        "cause": format!("01890a5d-ac96-774b-bcce-b302099a80{nth:02x}"),
        "wheel": format!("B311-{nth:02}"),
        "batch": "B311",
        "product": "Larkholm Blue",
        "made": "2026-01-28",
        "weight_g": 10_886,
        "raw_milk": false,
        "site_name": "Larkholm Dairy",
    }))
    .unwrap()
}

async fn publish(bus: &Bus, site: &Site, id: &str, body: &[u8]) {
    bus.publish_derived(&site.id, &format!("label.{id}"), id, body)
        .await
        .unwrap();
}

fn files(folder: &Path) -> BTreeSet<String> {
    fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_job_becomes_one_file_and_one_fact_also_when_it_comes_again_to_a_new_run() {
    let dir = tempfile::tempdir().unwrap();
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    let site = site(dir.path().join("labels"));
    let mut floor = bus.floor_after(None).await.unwrap();
    let mut labelled = Vec::new();

    let mut expected = BTreeSet::new();
    for run in 0..2_u8 {
        let shutdown = Shutdown::new();
        let data = dir.path().join("data");
        let worker = tokio::spawn({
            let (site, bus, shutdown) = (site.clone(), bus.clone(), shutdown.clone());
            async move { label_printer::run(site, bus, Clock::system(), &data, shutdown).await }
        });
        publish(&bus, &site, &format!("unreadable-{run}"), b"{}").await;
        // The second run gets the jobs of the first once more, and three new ones.
        for nth in 0..3 * (run + 1) {
            let job = job(nth);
            let body = serde_json::to_vec(&job).unwrap();
            publish(&bus, &site, &format!("{}-{run}", job.cause), &body).await;
            expected.insert(format!("{}-{}.png", job.wheel, job.cause));
        }
        while labelled.len() < expected.len() {
            for stored in floor.next_chunk(100).await.unwrap() {
                let facts::wire::Read::Fact(fact) = stored.read().unwrap() else {
                    panic!("an unknown type of fact");
                };
                let Event::WheelLabelled(event) = fact.event else {
                    panic!("the printer states that wheels are labelled, and nothing else");
                };
                labelled.push((fact.station_seq, event.wheel.to_string()));
            }
        }
        shutdown.request();
        worker.await.unwrap().unwrap();
    }
    assert_eq!(files(&dir.path().join("labels")), expected);
    let in_order: Vec<_> = (0..6).map(|n| (n + 1, format!("B311-{n:02}"))).collect();
    assert_eq!(labelled, in_order);
}
