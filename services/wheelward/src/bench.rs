//! Measures the spine, side by side in one run: ratios first, absolute figures beside them.

mod age;
mod growth;

use std::io::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use bus::broker::ChildBroker;
use bus::{Bus, Clock, Shutdown};
use floor_sim::{Dairy, Mistakes, Size};
use futures::StreamExt as _;
use projection::{Store, floor as stored};
use ripening::Folding;
use scheduler::Fold;
use serde::{Deserialize, Serialize};
use site::Site;
use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::TcpStream;

use crate::cli::BenchArgs;
use crate::demo::{self, History};
use crate::table::Table;

/// Days of the simulated past that make the stream to fold.
const FOLD_DAYS: u32 = 100;

/// Messages taken from the stream at once.
const CHUNK: usize = 4_096;

/// So many facts are derived and written in a batch of their own, and so many of the stream
/// are folded so: each write waits for the disk.
const WRITES: [(usize, u64); 4] = [(1, 2_000), (24, 24_000), (512, u64::MAX), (4_096, u64::MAX)];

/// What was measured.
#[derive(Debug, Default, Serialize)]
struct Measured {
    fold: Vec<FoldMeasured>,
    scans: Option<ScansMeasured>,
    size: Option<SizeMeasured>,
    age: Vec<age::AgeMeasured>,
}

#[derive(Debug, Serialize)]
struct FoldMeasured {
    /// Facts that are derived and written in one batch.
    facts_a_write: usize,
    facts: u64,
    raw_per_s: f64,
    fold_per_s: f64,
    ratio: f64,
    rounds: usize,
}

#[derive(Debug, Serialize)]
struct ScansMeasured {
    scans: usize,
    answered_p50_ms: f64,
    answered_p99_ms: f64,
    visible_p50_ms: f64,
    visible_p99_ms: f64,
}

#[derive(Debug, Serialize)]
struct SizeMeasured {
    wheels: usize,
    facts: u64,
    notes_a_wheel: f64,
    memory_bytes_a_wheel: f64,
    disk_bytes_a_wheel: f64,
    load_s: f64,
}

/// `wheelward bench`
pub async fn run(args: BenchArgs) -> anyhow::Result<()> {
    let folder = tempfile::tempdir().context("no temporary folder")?;
    let all = !(args.fold || args.scans || args.size || !args.years.is_empty());
    let mut measured = Measured::default();
    if let Some(folder) = &args.load {
        return load(folder);
    }
    if let (Some(file), Some(days)) = (&args.write, args.days) {
        return write(file, days);
    }
    if all || args.fold {
        measured.fold = fold(folder.path(), args.rounds).await?;
    }
    if all || args.scans {
        measured.scans = Some(scans(folder.path(), args.scan_count).await?);
    }
    if all || args.size {
        measured.size = Some(size(folder.path(), args.wheels)?);
    }
    for years in args.years {
        measured.age.push(age::age(folder.path(), years).await?);
    }
    if let Some(folder) = &args.figures {
        let path = folder.join("growth-with-age.svg");
        let svg = growth::figure(&measured.age).svg();
        std::fs::write(&path, svg)
            .with_context(|| format!("could not write {}", path.display()))?;
    }
    if args.json {
        println!("{}", serde_json::to_string_pretty(&measured)?);
        return Ok(());
    }
    measured.show();
    Ok(())
}

impl Measured {
    fn show(&self) {
        let mut table = Table::new(&["measured", "value", ""]);
        let mut row = |what: &str, value: String, note: String| {
            table.row([what.to_owned(), value, note]);
        };
        for m in &self.fold {
            row(
                &format!("fold, derive and write {} at a time / raw", m.facts_a_write),
                format!("{:.2}", m.ratio),
                format!(
                    "{:.0} against {:.0} facts/s read and decoded, median of {} rounds, {} facts",
                    m.fold_per_s, m.raw_per_s, m.rounds, m.facts
                ),
            );
        }
        for m in &self.age {
            let each = |of: &std::collections::BTreeMap<&str, f64>| {
                let each = of
                    .iter()
                    .map(|(worker, value)| format!("{worker} {value:.1}"));
                each.collect::<Vec<_>>().join(", ")
            };
            row(
                &format!("{} years behind it: memory together", m.years),
                format!("{:.0} MB", m.memory_together_mb()),
                format!("{} facts; {}", m.facts, each(&m.memory_mb)),
            );
            row(
                "  from a start to the first answer",
                format!("{:.1} s", m.slowest_start_s()),
                each(&m.start_s),
            );
            row(
                "  first reading of the log",
                String::new(),
                each(&m.first_read_s),
            );
            row(
                "  most memory in that reading, MB",
                String::new(),
                each(&m.peak_mb),
            );
            row("  disk, MB", String::new(), each(&m.disk_mb));
            row(
                "  all of them while nothing happens",
                format!("{:.2} % of a core", m.idle_pct.values().sum::<f64>()),
                each(&m.idle_pct),
            );
        }
        if let Some(m) = &self.scans {
            let scans = format!(
                "{} scans of a stillage of 24, sync_interval always",
                m.scans
            );
            row(
                "scan to answer, p50 / p99",
                format!("{:.1} / {:.1} ms", m.answered_p50_ms, m.answered_p99_ms),
                scans,
            );
            row(
                "scan to visible next action, p50 / p99",
                format!("{:.1} / {:.1} ms", m.visible_p50_ms, m.visible_p99_ms),
                "outbox, broker, fold and store in between".to_owned(),
            );
        }
        if let Some(m) = &self.size {
            let life = format!("{} wheels, {:.0} notes each", m.wheels, m.notes_a_wheel);
            row(
                "memory a wheel",
                format!("{:.0} bytes", m.memory_bytes_a_wheel),
                life,
            );
            row(
                "disk a wheel",
                format!("{:.0} bytes", m.disk_bytes_a_wheel),
                String::new(),
            );
            row(
                "loading the store",
                format!("{:.1} s", m.load_s),
                String::new(),
            );
        }
        table.print();
    }
}

/// Writes the facts of an invented past, in the order of arrival.
fn write(file: &Path, days: u32) -> anyhow::Result<()> {
    let site = demo::shipped_site()?;
    let history = past(&site, Size::larkholm(), days)?;
    let shown = file.display();
    let file = std::fs::File::create(file).with_context(|| format!("could not write {shown}"))?;
    let mut file = std::io::BufWriter::new(file);
    for fact in history.facts() {
        writeln!(file, "{}", facts::wire::to_line(fact)?)?;
    }
    file.flush()?;
    eprintln!("{} facts, until {}", history.facts().len(), history.now());
    Ok(())
}

/// Reads the same stream again and again: only decoding it, then folding it into a new store,
/// where so many facts at a time are derived and written.
async fn fold(folder: &Path, rounds: usize) -> anyhow::Result<Vec<FoldMeasured>> {
    eprintln!("Playing {FOLD_DAYS} days of Larkholm Dairy (invented) into a stream...");
    let site = demo::shipped_site()?;
    let history = past(&site, Size::larkholm(), FOLD_DAYS)?;
    let broker = ChildBroker::start(&folder.join("fold-broker")).await?;
    let bus = Bus::connect(&broker.url(), "bench").await?;
    bus.ready().await?;
    for facts in history.facts().chunks(5_000) {
        bus.publish_facts(facts).await?;
    }
    let in_all = bus.floor_end().await?;
    let mut measured = Vec::new();
    for (at_once, most) in WRITES {
        let end = in_all.min(most);
        let mut rates: Vec<(f64, f64)> = Vec::new();
        for round in 1..=rounds.max(1) {
            eprintln!("{at_once} facts a write, round {round} of {rounds}...");
            let began = monotonic();
            let mut log = bus.floor_after(None).await?;
            while log.position().seq < end {
                for message in log.next_chunk(CHUNK).await? {
                    std::hint::black_box(message.read().is_ok());
                }
            }
            let raw = log.position().seq as f64 / began.elapsed().as_secs_f64();
            drop(log);
            let store = folder.join(format!("fold-store-{at_once}-{round}"));
            rates.push((
                raw,
                folded(&bus, &site, &store, &history, at_once, end).await?,
            ));
        }
        rates.sort_by(|a, b| (a.1 / a.0).total_cmp(&(b.1 / b.0)));
        let (raw_per_s, fold_per_s) = rates[rates.len() / 2];
        measured.push(FoldMeasured {
            facts_a_write: at_once,
            facts: end,
            raw_per_s,
            fold_per_s,
            ratio: fold_per_s / raw_per_s,
            rounds: rates.len(),
        });
    }
    broker.stop().await;
    Ok(measured)
}

/// How many facts a second are folded, derived and written, `at_once` in a batch.
async fn folded(
    bus: &Bus,
    site: &Site,
    store: &Path,
    history: &History,
    at_once: usize,
    end: u64,
) -> anyhow::Result<f64> {
    let mut fold = Fold::open(site, store)?;
    let began = monotonic();
    fold.live_from(end + 1);
    let mut log = bus.floor_after(None).await?;
    let mut folded = 0_u64;
    while folded < end {
        let chunk = log.next_chunk(CHUNK).await?;
        let position = log.position();
        for part in chunk.chunks(at_once) {
            for message in part {
                fold.message(message)?.map_err(anyhow::Error::msg)?;
            }
            let last = part.last().map_or(position.seq, |message| message.seq);
            let seq = last.min(position.seq);
            fold.reached(bus::Position {
                seq,
                ..position.clone()
            });
            fold.advance(history.now());
            fold.write()?;
            folded += part.len() as u64;
            if folded >= end {
                break;
            }
        }
    }
    Ok(folded as f64 / began.elapsed().as_secs_f64())
}

/// A real station, a real broker, the real workers: from the scan to what it changed.
async fn scans(folder: &Path, count: usize) -> anyhow::Result<ScansMeasured> {
    eprintln!("Scanning a stillage {count} times...");
    let data = folder.join("scans");
    std::fs::create_dir_all(&data)?;
    let site = demo::site_on_free_ports(&data)?;
    let history = past(&site, Size::small(), 30)?;
    let broker = ChildBroker::start(&data.join("broker")).await?;
    let bus = Bus::connect(&broker.url(), "bench").await?;
    bus.ready().await?;
    bus.publish_facts(history.facts()).await?;
    let shutdown = Shutdown::new();
    let recorder = {
        let (site, bus, data, stop) = (site.clone(), bus.clone(), data.clone(), shutdown.clone());
        demo::continue_numbers(&data, &site, &history)?;
        tokio::spawn(
            async move { move_recorder::run(site, bus, Clock::system(), &data, stop).await },
        )
    };
    let scheduler = {
        let (site, bus, data, stop) = (site.clone(), bus.clone(), data.clone(), shutdown.clone());
        tokio::spawn(async move { scheduler::run(site, bus, Clock::system(), &data, stop).await })
    };
    let mut changed = bus
        .client()
        .subscribe(format!("live.{}.next", site.id))
        .await?;
    let address = site
        .stations
        .iter()
        .find_map(|s| match s.scan {
            site::Scan::Tcp(address) if s.id.as_str() == floor_sim::ROOM => Some(address),
            _ => None,
        })
        .context("the demo's site has a station in the rooms")?;
    let stream = loop {
        match TcpStream::connect(address).await {
            Ok(stream) => break stream,
            Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
        }
    };
    stream.set_nodelay(true)?;
    let (read, mut write) = stream.into_split();
    let mut answers = BufReader::new(read).lines();
    let stillage = history
        .facts()
        .iter()
        .rev()
        .find_map(|fact| match &fact.event {
            facts::Event::WheelLoaded(loaded) => Some(loaded.stillage),
            _ => None,
        })
        .context("a stillage was loaded in 30 days")?;
    for line in ["P.04".to_owned(), "A.TURN".to_owned()] {
        write.write_all(format!("{line}\n").as_bytes()).await?;
        answers.next_line().await?;
    }
    // The station knows the stillage once it has followed the log.
    loop {
        write
            .write_all(format!("S.{stillage}\n").as_bytes())
            .await?;
        let answer = answers
            .next_line()
            .await?
            .context("the station closed its line")?;
        if answer.starts_with("OK") {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let seen = tokio::time::timeout(Duration::from_secs(20), changed.next()).await;
    seen.context("the first turn never became visible")?;
    let (mut answered, mut visible) = (Vec::new(), Vec::new());
    for _ in 0..count.max(1) {
        let began = monotonic();
        write
            .write_all(format!("S.{stillage}\n").as_bytes())
            .await?;
        answers
            .next_line()
            .await?
            .context("the station closed its line")?;
        answered.push(began.elapsed());
        let seen = tokio::time::timeout(Duration::from_secs(20), changed.next()).await;
        seen.context("the turn never became visible")?;
        visible.push(began.elapsed());
    }
    shutdown.request();
    recorder.await??;
    scheduler.await??;
    broker.stop().await;
    let (answered_p50_ms, answered_p99_ms) = halves(&mut answered);
    let (visible_p50_ms, visible_p99_ms) = halves(&mut visible);
    Ok(ScansMeasured {
        scans: visible.len(),
        answered_p50_ms,
        answered_p99_ms,
        visible_p50_ms,
        visible_p99_ms,
    })
}

/// Many wheels with whole lives behind them, in memory and on disk.
fn size(folder: &Path, wheels: usize) -> anyhow::Result<SizeMeasured> {
    eprintln!("Playing a dairy until about {wheels} wheels were made (invented)...");
    let site = demo::shipped_site()?;
    // The largest dairy that the simulation plays; wheels that have left are kept too.
    let mut dairy = new_dairy(Size {
        vats_a_day: 4,
        wheels_a_vat: 60,
    })?;
    let mut history = History::new(&site, demo::first_day()?);
    let folder = folder.join("size-store");
    let store = Store::open(&folder, stored::FORMAT)?;
    let mut floor = Folding::new(scheduler::practice(&site));
    let mut facts = 0;
    let mut day = 0_u64;
    let mut count = 0;
    let mut notes: usize = 0;
    while count < wheels {
        day += 1;
        history.play(&dairy.next_day())?;
        for fact in history.take_facts() {
            floor.apply(&fact);
            facts += 1;
        }
        let floor = floor.refresh(history.now());
        store.write(&stored::batch(floor, &day, 1, &[])?)?;
        count = floor.wheels().count();
        notes = floor.wheels().map(|(_, wheel)| wheel.facts()).sum();
        if day.is_multiple_of(50) {
            eprintln!("  day {day}: {count} wheels");
        }
    }
    let disk = store.size_on_disk()?;
    drop(store);
    // A process of its own, so that nothing of the players' memory is counted.
    let loaded = std::process::Command::new(std::env::current_exe()?)
        .args(["bench", "--load"])
        .arg(&folder)
        .output()?;
    anyhow::ensure!(
        loaded.status.success(),
        "{}",
        String::from_utf8_lossy(&loaded.stderr)
    );
    let loaded: Loaded = serde_json::from_slice(&loaded.stdout)?;
    Ok(SizeMeasured {
        wheels: count,
        facts,
        notes_a_wheel: notes as f64 / count as f64,
        memory_bytes_a_wheel: loaded.bytes as f64 / count as f64,
        disk_bytes_a_wheel: disk as f64 / count as f64,
        load_s: loaded.seconds,
    })
}

#[derive(Serialize, Deserialize)]
struct Loaded {
    bytes: u64,
    seconds: f64,
}

/// Loads a store and derives everything, and says what that took.
fn load(folder: &Path) -> anyhow::Result<()> {
    let site = demo::shipped_site()?;
    let before = resident_bytes()?;
    let began = monotonic();
    let practice = scheduler::practice(&site);
    let mut loaded = stored::open::<u64, _>(folder, &practice, |_| Ok(()))?;
    let day = demo::first_day()?.plus(i64::try_from(loaded.position.unwrap_or(0))?);
    loaded.floor.refresh(site.clock.start_of(day));
    let seconds = began.elapsed().as_secs_f64();
    let bytes = resident_bytes()?.saturating_sub(before);
    println!("{}", serde_json::to_string(&Loaded { bytes, seconds })?);
    Ok(())
}

fn new_dairy(size: Size) -> anyhow::Result<Dairy> {
    Ok(Dairy::new(
        1,
        demo::first_day()?.date(),
        size,
        Mistakes::default(),
    ))
}

fn past(site: &Site, size: Size, days: u32) -> anyhow::Result<History> {
    let mut dairy = new_dairy(size)?;
    let mut history = History::new(site, demo::first_day()?);
    for _ in 0..days {
        history.play(&dairy.next_day())?;
    }
    Ok(history)
}

/// Half of the times lie within the first, 99 of 100 within the second; milliseconds.
fn halves(times: &mut [Duration]) -> (f64, f64) {
    times.sort_unstable();
    let at = |share: usize| {
        times
            .get(times.len() * share / 100)
            .copied()
            .unwrap_or_default()
    };
    (at(50).as_secs_f64() * 1e3, at(99).as_secs_f64() * 1e3)
}

/// What this process holds in memory (Linux: the second field of statm, in pages).
fn resident_bytes() -> anyhow::Result<u64> {
    let statm = std::fs::read_to_string("/proc/self/statm").context("no /proc on this machine")?;
    let pages: u64 = statm
        .split(' ')
        .nth(1)
        .context("statm has a second field")?
        .parse()?;
    Ok(pages * 4_096)
}

#[allow(clippy::disallowed_methods)] // this is what a bench is for
fn monotonic() -> Instant {
    Instant::now()
}
