//! The disk under a worker's data fills up, and somebody frees some space.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use facts::{Event, FactId};
use floor_tests::{Chat, Floor, Given, Past, free_address, needles, time, until};

/// A disk of its own, as small as it is told; gone when dropped.
struct Disk(PathBuf);

impl Disk {
    /// `None` where a test may not mount one.
    fn mounted(at: PathBuf, size: &str) -> Option<Self> {
        std::fs::create_dir_all(&at).unwrap();
        mount(
            &["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"],
            &at,
        )
        .then_some(Self(at))
    }

    /// Takes all that is left.
    fn fill(&self) {
        let mut file = std::fs::File::create(self.filler()).unwrap();
        while std::io::Write::write(&mut file, &[1; 4_096]).is_ok_and(|bytes| bytes > 0) {}
    }

    fn free(&self) {
        std::fs::remove_file(self.filler()).unwrap();
    }

    fn filler(&self) -> PathBuf {
        self.0.join("filler")
    }

    fn grows_to(&self, size: &str) {
        assert!(mount(&["-o", &format!("remount,size={size}")], &self.0));
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

fn mount(how: &[&str], at: &Path) -> bool {
    let mounted = Command::new("mount").args(how).arg(at).output();
    mounted.is_ok_and(|output| output.status.success())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scheduler_whose_disk_was_full_goes_on_by_itself_and_has_lost_nothing() {
    let mut floor = Floor::start(chrono::DateTime::UNIX_EPOCH).await;
    let Some(disk) = Disk::mounted(floor.dir.path().join("small"), "2m") else {
        println!("NOT TRIED: this user may not mount a small disk");
        return;
    };
    let past = Past::of(&floor.site, 1, 72);
    let (before, after) = past.facts.split_at(past.facts.len() * 9 / 10);
    floor.store(before).await;
    floor.now = past.end;

    let mut scheduler = floor.worker_in("scheduler", "small");
    until(
        "the disk to be full",
        || scheduler.log(),
        async || {
            floor.tick().await;
            let log = scheduler.log();
            log.contains("is full: free some space").then_some(())
        },
    )
    .await;
    floor.store(after).await;
    disk.grows_to("256m");
    // A store that does not close after that ends the worker; whoever supervises it starts it
    // again.
    until(
        "it to go on, or to end",
        || scheduler.log(),
        async || {
            floor.tick().await;
            let goes_on = scheduler.log().contains("there is room again");
            (goes_on || scheduler.has_ended()).then_some(())
        },
    )
    .await;
    if scheduler.has_ended() {
        assert!(
            scheduler.log().contains("does not close"),
            "{}",
            scheduler.log()
        );
        scheduler = floor.worker_in("scheduler", "small");
    }
    floor.folded(&scheduler).await;
    let survivor = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
    assert!(scheduler.end("TERM").await.success(), "{}", scheduler.log());

    let mut roomy = floor.worker_in("scheduler", "roomy");
    floor.folded(&roomy).await;
    let truth = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
    assert!(roomy.end("TERM").await.success(), "{}", roomy.log());
    assert_eq!(survivor, truth);
}

/// Runs a worker again and again on the full disk, as whoever supervises it does.
async fn falls_over_while_it_is_full(floor: &Floor, name: &str) {
    for nth in 1..=3 {
        let mut worker = floor.worker_in(name, "small");
        until(
            "the worker to miss room",
            || worker.log(),
            async || {
                floor.tick().await;
                (worker.log().matches("is full").count() >= nth).then_some(())
            },
        )
        .await;
        let ended = worker.ended().await;
        assert!(!ended.success(), "{}", worker.log());
        assert!(!worker.log().contains("panicked"), "{}", worker.log());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_label_printer_whose_disk_was_full_prints_each_label_once() {
    const WHEELS: usize = 24;
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let Some(disk) = Disk::mounted(floor.dir.path().join("small"), "32m") else {
        println!("NOT TRIED: this user may not mount a small disk");
        return;
    };
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    disk.fill();
    let mut portioning = Given::at("portion-1");
    floor
        .store(&portioning.makes(floor.now, "311", WHEELS).facts)
        .await;
    falls_over_while_it_is_full(&floor, "label-printer").await;

    disk.free();
    let printer = floor.worker_in("label-printer", "small");
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
    assert!(stated.values().all(|times| *times == 1), "{stated:?}");
    let files = std::fs::read_dir(floor.dir.path().join("labels")).unwrap();
    let labels = files.filter(|file| {
        let name = file.as_ref().unwrap().file_name();
        name.to_str().is_some_and(|name| name.ends_with(".png"))
    });
    assert_eq!(labels.count(), WHEELS);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_notifier_whose_disk_was_full_tells_afterwards_and_once() {
    let address = free_address();
    let webhook = format!("\n[webhook]\nurl = \"http://{address}/alerts\"\n");
    let floor = Floor::start_with(time("2026-03-02T07:00:00Z"), &webhook).await;
    let Some(disk) = Disk::mounted(floor.dir.path().join("small"), "32m") else {
        println!("NOT TRIED: this user may not mount a small disk");
        return;
    };
    let chat = Chat::open(address, 0).await;
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    disk.fill();
    let mut piercing = Given::at("pierce-1");
    piercing.states(floor.now, floor.now, needles("PM1", 40, 39));
    floor.store(&piercing.facts).await;
    floor.folded(&scheduler).await;
    falls_over_while_it_is_full(&floor, "notifier").await;
    assert!(chat.posts().is_empty(), "{:?}", chat.posts());

    disk.free();
    let notifier = floor.worker_in("notifier", "small");
    until(
        "the message",
        || notifier.log(),
        async || {
            floor.tick().await;
            (!chat.posts().is_empty()).then_some(())
        },
    )
    .await;
    until(
        "the note of it",
        || notifier.log(),
        async || notifier.log().contains("alert delivered").then_some(()),
    )
    .await;
    assert_eq!(chat.posts().len(), 1, "{:?}", chat.posts());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_whose_disk_was_full_takes_the_next_scan_by_itself() {
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let Some(disk) = Disk::mounted(floor.dir.path().join("small"), "8m") else {
        println!("NOT TRIED: this user may not mount a small disk");
        return;
    };
    let mut portioning = Given::at("portion-1");
    let earlier = floor.now - chrono::TimeDelta::hours(1);
    let made = portioning.makes(earlier, "311", 6).facts.clone();
    floor.store(&made).await;
    let scheduler = floor.worker("scheduler");
    let recorder = floor.worker_in("move-recorder", "small");
    floor.folded(&scheduler).await;
    let mut drain = floor.scanner("drain-1", &recorder).await;
    drain.scan("A.TURN").await;
    let turned = async |drain: &mut floor_tests::Scanner, floor: &Floor| {
        until(
            "a turn",
            || recorder.log(),
            async || {
                floor.tick().await;
                let answer = drain.scan("K.K1").await;
                answer.starts_with("OK  6 wheels").then_some(())
            },
        )
        .await;
    };
    turned(&mut drain, &floor).await;
    disk.fill();
    // What is left of the last page of the file may take a few more.
    let refused = until(
        "the disk to be full",
        || recorder.log(),
        async || {
            let answer = drain.scan("K.K1").await;
            (!answer.starts_with("OK")).then_some(answer)
        },
    )
    .await;
    assert!(
        refused.contains("is full: nothing was recorded"),
        "{refused}"
    );
    disk.free();
    let answer = drain.scan("K.K1").await;
    assert!(
        answer.starts_with("OK  6 wheels"),
        "{answer}\n{}",
        recorder.log()
    );
    // What was told OK is in the log, each once, and what was refused is not.
    until(
        "the outbox to be sent",
        || recorder.log(),
        async || {
            let log = floor.facts().await;
            let numbers: Vec<u64> = log
                .iter()
                .filter(|fact| fact.station.as_str() == "drain-1")
                .map(|fact| fact.station_seq)
                .collect();
            let gapless = numbers.iter().zip(1..).all(|(number, n)| *number == n);
            (gapless && numbers.len() as u64 >= 2).then_some(())
        },
    )
    .await;
}
