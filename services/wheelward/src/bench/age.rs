//! What all workers and the broker cost with years behind the dairy: memory, and the time from
//! a start to the first right answer. Every worker is a process of its own, as `up` runs it.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use bus::broker::ChildBroker;
use bus::{Bus, Clock};
use chrono::{DateTime, Utc};
use facts::SiteId;
use floor_sim::{Dairy, Mistakes, Size};
use quantity::DairyDay;
use serde::Serialize;
use serde_json::{Value, json};

use super::{History, demo, monotonic};

/// The workers that follow the log, and a question that each answers once it has read it.
const WORKERS: [(&str, Option<&str>); 7] = [
    ("scheduler", Some("due")),
    ("dispatcher", Some("orders")),
    ("forecaster", Some("forecast")),
    ("records", Some("holds")),
    ("gateway", None),
    ("move-recorder", None),
    ("scale-reader", None),
];

/// How long workers are left alone before they are looked at.
const SETTLES: Duration = Duration::from_secs(20);

/// The same after they have read the log for the first time: stations keep their picture of the
/// floor once a minute, without what left long ago.
const SETTLES_FIRST: Duration = Duration::from_secs(70);

/// How long is waited for the slowest of them.
const WAITS: Duration = Duration::from_secs(1_800);

#[derive(Debug, Serialize)]
pub struct AgeMeasured {
    pub years: u32,
    pub facts: usize,
    /// From the start with an empty folder to the first answer, seconds, all side by side.
    pub first_read_s: BTreeMap<&'static str, f64>,
    /// From a start after that, seconds.
    pub start_s: BTreeMap<&'static str, f64>,
    /// After that start, MB (10^6 bytes) in memory; of what several share, each its part.
    pub memory_mb: BTreeMap<&'static str, f64>,
    /// The most that each ever had while it read the log for the first time, MB.
    pub peak_mb: BTreeMap<&'static str, f64>,
    /// On the disk, MB.
    pub disk_mb: BTreeMap<&'static str, f64>,
    /// Of one core while nothing happens but the clock's second, %.
    pub idle_pct: BTreeMap<&'static str, f64>,
}

impl AgeMeasured {
    pub fn memory_together_mb(&self) -> f64 {
        self.memory_mb.values().sum()
    }

    pub fn slowest_start_s(&self) -> f64 {
        self.start_s.values().copied().fold(0.0, f64::max)
    }
}

/// A floor of Larkholm's size with so many years behind it.
pub async fn age(folder: &Path, years: u32) -> anyhow::Result<AgeMeasured> {
    let data = folder.join(format!("age-{years}"));
    std::fs::create_dir_all(&data)?;
    let site_file = demo::site_with_pages(&data)?;
    let site = crate::files::site(&site_file)?;
    let broker_data = data.join("broker");
    let broker = ChildBroker::start(&broker_data).await?;
    let bus = Bus::connect(&broker.url(), "bench").await?;
    bus.ready().await?;
    eprintln!("Playing {years} years of Larkholm Dairy (invented) into a stream...");
    // It ends yesterday: what the broker stores was recorded before, as it is everywhere.
    let days = years * 365;
    let today = DairyDay::starting(Clock::system().now().date_naive());
    let first_day = today.plus(-i64::from(days));
    let mut dairy = Dairy::new(1, first_day.date(), Size::larkholm(), Mistakes::default());
    let mut history = History::new(&demo::shipped_site()?, first_day);
    let mut facts = 0;
    for _ in 0..days {
        history.play(&dairy.next_day())?;
        let day = history.take_facts();
        facts += day.len();
        bus.publish_facts(&day).await?;
    }
    let stored = monotonic();
    let now = history.now();
    drop((dairy, history));
    let floor = Floor {
        url: broker.url(),
        bus,
        site: site.id,
        site_file,
        data,
        now,
    };
    eprintln!("{facts} facts. Reading them for the first time...");
    let (workers, first_read_s) = floor.start().await?;
    let peak_mb = memory(&workers, process_of(&broker_data)?, "status", "VmHWM:")?;
    floor.settle(SETTLES_FIRST).await?;
    stop(workers)?;
    // The broker keeps the names of what it has just stored, to know what is sent twice: here all
    // the years, on a floor some minutes' work.
    let window = bus::FLOOR_DUPLICATES + SETTLES;
    let rest = window.saturating_sub(stored.elapsed());
    eprintln!(
        "Waiting {} s until the broker has forgotten that all of it is new...",
        rest.as_secs()
    );
    tokio::time::sleep(rest).await;
    eprintln!("Starting again...");
    let port = broker.port();
    broker.stop().await;
    let broker = ChildBroker::start_on(&broker_data, port).await?;
    floor.bus.connected().await;
    let broker_pid = process_of(&broker_data)?;
    let (workers, start_s) = floor.start().await?;
    floor.settle(SETTLES).await?;
    let memory_mb = memory(&workers, broker_pid, "smaps_rollup", "Pss:")?;
    let before = processor_s(&workers, broker_pid)?;
    floor.settle(SETTLES).await?;
    let mut idle_pct = processor_s(&workers, broker_pid)?;
    for (worker, seconds) in &mut idle_pct {
        let since = *seconds - before.get(worker).copied().unwrap_or_default();
        *seconds = 100.0 * since / SETTLES.as_secs_f64();
    }
    stop(workers)?;
    let mut disk_mb = BTreeMap::new();
    for (worker, _) in WORKERS {
        disk_mb.insert(worker, size_of(&floor.data.join(worker))? as f64 / 1e6);
    }
    disk_mb.insert("broker", size_of(&floor.data.join("broker"))? as f64 / 1e6);
    broker.stop().await;
    Ok(AgeMeasured {
        years,
        facts,
        first_read_s,
        start_s,
        memory_mb,
        peak_mb,
        disk_mb,
        idle_pct,
    })
}

struct Floor {
    url: String,
    bus: Bus,
    site: SiteId,
    site_file: PathBuf,
    data: PathBuf,
    now: DateTime<Utc>,
}

type Workers = Vec<(&'static str, Child)>;

impl Floor {
    /// Starts all of them at once; how long each took to its first answer, seconds.
    async fn start(&self) -> anyhow::Result<(Workers, BTreeMap<&'static str, f64>)> {
        let program = std::env::current_exe()?;
        let began = monotonic();
        let mut workers = Vec::new();
        for (worker, _) in WORKERS {
            let child = Command::new(&program)
                .args(["worker", worker, "--clock", "bus", "--broker", &self.url])
                .args(["--parent", &std::process::id().to_string()])
                .arg("--site")
                .arg(&self.site_file)
                .arg("--data")
                .arg(&self.data)
                .envs(crate::supervise::memory())
                .env("WHEELWARD_LOG", "warn")
                .stdout(Stdio::null())
                .spawn()
                .with_context(|| format!("could not start the {worker}"))?;
            workers.push((worker, child));
        }
        let mut took = BTreeMap::new();
        let mut waits = WORKERS
            .iter()
            .filter_map(|(worker, question)| Some((*worker, (*question)?)))
            .collect::<Vec<_>>();
        while !waits.is_empty() {
            anyhow::ensure!(began.elapsed() < WAITS, "no answer of {waits:?}");
            self.tick().await?;
            let mut next = Vec::new();
            for (worker, question) in waits {
                let query = json!({});
                let asked = self.bus.ask::<Value>(&self.site, question, &query);
                match asked.await {
                    Err(error) if error.may_pass() => next.push((worker, question)),
                    // What it says of a question that it cannot read is an answer too.
                    _ => {
                        took.insert(worker, began.elapsed().as_secs_f64());
                    }
                }
            }
            waits = next;
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        Ok((workers, took))
    }

    /// Says what time it is, which workers on a machine's own clock know from the start.
    async fn tick(&self) -> anyhow::Result<()> {
        Ok(self.bus.tick(&self.site, self.now, 0).await?)
    }

    /// Lets them alone, but for the clock.
    async fn settle(&self, long: Duration) -> anyhow::Result<()> {
        let began: Instant = monotonic();
        while began.elapsed() < long {
            self.tick().await?;
            tokio::time::sleep(Duration::from_secs(1)).await;
        }
        Ok(())
    }
}

/// What each has in memory, MB, as a line of a file of its process says.
fn memory(
    workers: &Workers,
    broker: Option<u32>,
    file: &str,
    line: &str,
) -> anyhow::Result<BTreeMap<&'static str, f64>> {
    let all = processes(workers, broker);
    all.map(|(name, pid)| {
        let status = std::fs::read_to_string(format!("/proc/{pid}/{file}"))
            .with_context(|| format!("the {name} has ended"))?;
        let found = status.lines().find_map(|of| of.strip_prefix(line));
        let kb = found.and_then(|of| of.trim().trim_end_matches(" kB").parse::<f64>().ok());
        Ok((name, kb.context("no such line")? * 1_024.0 / 1e6))
    })
    .collect()
}

fn stop(workers: Workers) -> anyhow::Result<()> {
    for (_, child) in &workers {
        Command::new("kill").arg(child.id().to_string()).status()?;
    }
    for (_, mut child) in workers {
        child.wait()?;
    }
    Ok(())
}

fn processes(workers: &Workers, broker: Option<u32>) -> impl Iterator<Item = (&'static str, u32)> {
    let workers = workers.iter().map(|(worker, child)| (*worker, child.id()));
    workers.chain(broker.map(|pid| ("broker", pid)))
}

/// The broker that works in a folder; a shell that started it says the same of itself, so it is
/// the program's own name that counts.
fn process_of(folder: &Path) -> anyhow::Result<Option<u32>> {
    let folder = folder.display().to_string();
    for process in std::fs::read_dir("/proc").context("no /proc on this machine")? {
        let process = process?;
        let read = |file: &str| std::fs::read_to_string(process.path().join(file));
        let ours = read("cmdline").is_ok_and(|of| of.contains(&folder));
        if ours && read("comm").is_ok_and(|of| of.trim_end() == "nats-server") {
            return Ok(process.file_name().to_string_lossy().parse().ok());
        }
    }
    Ok(None)
}

/// Seconds of a core that each has had (Linux: fields 14 and 15 of stat, in hundredths).
fn processor_s(
    workers: &Workers,
    broker: Option<u32>,
) -> anyhow::Result<BTreeMap<&'static str, f64>> {
    processes(workers, broker)
        .map(|(name, pid)| {
            let stat = std::fs::read_to_string(format!("/proc/{pid}/stat"))?;
            let rest = stat.rsplit_once(')').context("a name in brackets")?.1;
            let fields = rest.split_whitespace().skip(11).take(2);
            let ticks = fields.map(str::parse::<u64>).sum::<Result<u64, _>>()?;
            Ok((name, ticks as f64 / 100.0))
        })
        .collect()
}

/// Bytes of every file in a folder.
fn size_of(folder: &Path) -> anyhow::Result<u64> {
    if !folder.exists() {
        return Ok(0);
    }
    let mut bytes = 0;
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        bytes += match entry.file_type()?.is_dir() {
            true => size_of(&entry.path())?,
            false => entry.metadata()?.len(),
        };
    }
    Ok(bytes)
}
