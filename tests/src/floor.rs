//! A floor of its own for each test: a real broker, a folder, a clock that the test moves.

use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

use async_nats::jetstream;
use bus::broker::ChildBroker;
use bus::{Bus, Stored};
use chrono::{DateTime, Utc};
use facts::Fact;
use facts::wire::Read;
use scheduler::Standing;
use serde::de::DeserializeOwned;
use site::{Scan, Site};
use tempfile::TempDir;

use crate::{Said, Scanner, Worker, project, run_in, until, within};

/// The demo's site file, which these floors are like.
pub const SITE_FILE: &str = include_str!("../../deploy/demo/larkholm.toml");

const RECIPE_FILE: &str = include_str!("../../deploy/demo/larkholm-blue.toml");

/// Below the ports that the system itself gives to connections and to whoever asks for any.
const PORTS: std::ops::Range<u32> = 20_000..32_000;

/// A loopback address that nobody uses, and that no other test of this run is given.
///
/// # Panics
/// When there is none.
#[must_use]
pub fn free_address() -> SocketAddr {
    static GIVEN: AtomicU32 = AtomicU32::new(0);
    // Two runs at a time begin at different ports.
    let begin = std::process::id().wrapping_mul(97);
    let mut ports = PORTS.map(|_| {
        let next = begin.wrapping_add(GIVEN.fetch_add(1, Ordering::Relaxed));
        let port = PORTS.start + next % (PORTS.end - PORTS.start);
        u16::try_from(port).expect("a port's number")
    });
    let free = ports.find_map(|port| TcpListener::bind(("127.0.0.1", port)).ok());
    free.expect("a free port")
        .local_addr()
        .expect("its address")
}

/// A floor. Dropping it stops its broker.
pub struct Floor {
    /// Where everything is kept.
    pub dir: TempDir,
    /// The site, with free ports.
    pub site: Site,
    /// A connection to look on.
    pub bus: Bus,
    /// What time it is for the workers. They know once they have heard a tick.
    pub now: DateTime<Utc>,
    broker: Option<ChildBroker>,
    port: u16,
}

impl Floor {
    /// A broker, and Larkholm's site file; no worker yet.
    pub async fn start(now: DateTime<Utc>) -> Self {
        Self::start_with(now, "").await
    }

    /// As [`Floor::start`], with more at the end of the site file.
    ///
    /// # Panics
    /// When there is no broker to start.
    pub async fn start_with(now: DateTime<Utc>, more: &str) -> Self {
        let dir = TempDir::new().expect("a folder");
        let site = write_site(dir.path(), more);
        let broker = within("a broker", ChildBroker::start(&dir.path().join("broker")))
            .await
            .expect("a broker");
        let bus = Bus::connect(&broker.url(), "test")
            .await
            .expect("an address");
        within("the streams", bus.ready())
            .await
            .expect("the streams");
        Self {
            site,
            bus,
            now,
            port: broker.port(),
            broker: Some(broker),
            dir,
        }
    }

    /// The site file.
    #[must_use]
    pub fn site_file(&self) -> PathBuf {
        self.dir.path().join("larkholm.toml")
    }

    /// The broker's address.
    #[must_use]
    pub fn url(&self) -> String {
        format!("nats://127.0.0.1:{}", self.port)
    }

    /// Kills the broker as a crash would.
    ///
    /// # Panics
    /// When it does not run.
    pub async fn kill_broker(&mut self) {
        let broker = self.broker.take().expect("a broker that runs");
        within("a killed broker to go", broker.kill_hard()).await;
    }

    /// Starts the broker again where it was.
    ///
    /// # Panics
    /// When it does not start.
    pub async fn restart_broker(&mut self) {
        let folder = self.dir.path().join("broker");
        let starting = ChildBroker::start_on(&folder, self.port);
        let broker = within("the broker to come back", starting).await;
        self.broker = Some(broker.expect("the broker comes back"));
        within("a connection", self.bus.connected()).await;
    }

    /// Starts a worker on this floor, on the clock that the test moves.
    #[must_use]
    pub fn worker(&self, name: &str) -> Worker {
        self.worker_in(name, "data")
    }

    /// Starts a worker with its data in a folder of that name.
    ///
    /// # Panics
    /// When it does not start.
    #[must_use]
    pub fn worker_in(&self, name: &str, data: &str) -> Worker {
        let dir = self.dir.path();
        let (site, data) = (self.site_file(), dir.join(data));
        let path = |path: &Path| path.to_str().expect("a path in UTF-8").to_owned();
        let args = [
            "worker",
            name,
            "--clock",
            "bus",
            "--broker",
            &self.url(),
            "--site",
            &path(&site),
            "--data",
            &path(&data),
        ];
        Worker::start(dir, dir.join(format!("{name}.log")), &args)
    }

    /// Runs a question of the command line against this floor.
    pub async fn ask_as_people_do(&self, question: &[&str]) -> Said {
        let url = self.url();
        let whom = [
            "--json",
            "--broker",
            &url,
            "--site-id",
            self.site.id.as_str(),
        ];
        run_in(self.dir.path(), &[question, &whom].concat()).await
    }

    /// Tells every worker what time it is.
    pub async fn tick(&self) {
        let end = self.bus.floor_end().await.unwrap_or(0);
        // While the broker is away nobody hears it.
        let _ = self.bus.tick(&self.site.id, self.now, end).await;
    }

    /// Stores facts.
    ///
    /// # Panics
    /// When the broker does not take them.
    pub async fn store(&self, facts: &[Fact]) {
        within("facts to be stored", self.bus.publish_facts(facts))
            .await
            .expect("the broker takes facts");
    }

    /// Waits until the scheduler has folded the whole log and knows what time it is.
    pub async fn folded(&self, scheduler: &Worker) -> Standing {
        until(
            "the scheduler to fold the log",
            || scheduler.log(),
            async || {
                self.tick().await;
                let end = self.bus.floor_end().await.ok()?;
                let standing: Standing = self.asked("standing").await?;
                (standing.live && standing.seq >= end && standing.now >= Some(self.now))
                    .then_some(standing)
            },
        )
        .await
    }

    /// An answer of the scheduler's, if it answers.
    pub async fn asked<A: DeserializeOwned>(&self, question: &str) -> Option<A> {
        self.bus.ask(&self.site.id, question, &()).await.ok()
    }

    /// Stands at a station with a scanner and badge 01, once a worker has opened it.
    ///
    /// # Panics
    /// When the site has no such station.
    pub async fn scanner(&self, station: &str, worker: &Worker) -> Scanner {
        let station = self.site.stations.iter().find(|s| s.id.as_str() == station);
        let Some(Scan::Tcp(address)) = station.map(|s| s.scan) else {
            panic!("a station with a TCP address");
        };
        until(
            "a station to open",
            || worker.log(),
            async || {
                self.tick().await;
                let mut scanner = Scanner::at(address).await?;
                scanner.scan("P.01").await;
                Some(scanner)
            },
        )
        .await
    }

    /// Everything in the log.
    ///
    /// # Panics
    /// When the broker does not give it.
    pub async fn log(&self) -> Vec<Stored> {
        let end = self.bus.floor_end().await.expect("the log's end");
        let mut log = self.bus.floor_after(None).await.expect("the log");
        let mut messages = Vec::new();
        while (messages.len() as u64) < end {
            messages.extend(
                within("the log", log.next_chunk(1_000))
                    .await
                    .expect("a chunk"),
            );
        }
        messages
    }

    /// Every fact in the log.
    pub async fn facts(&self) -> Vec<Fact> {
        let messages = self.log().await;
        let read = messages.iter().filter_map(|message| message.read().ok());
        read.filter_map(|read| match read {
            Read::Fact(fact) => Some(fact),
            Read::UnknownType(_) => None,
        })
        .collect()
    }

    /// Every message of a stream, oldest first.
    ///
    /// # Panics
    /// When the broker does not give them.
    pub async fn stream(&self, name: &str) -> Vec<jetstream::message::StreamMessage> {
        let stream = jetstream::new(self.bus.client().clone())
            .get_stream(name)
            .await
            .expect("the stream");
        let state = &stream.cached_info().state;
        let mut messages = Vec::new();
        // Of a stream in which nothing ever was, the first is 0.
        for seq in state.first_sequence.max(1)..=state.last_sequence {
            messages.push(stream.get_raw_message(seq).await.expect("a message"));
        }
        messages
    }
}

/// Writes the site file with free ports, its recipe beside it, and reads it as a worker does.
fn write_site(dir: &Path, more: &str) -> Site {
    let shipped = read(SITE_FILE, Path::new(""));
    let mut text = SITE_FILE.to_owned();
    for station in &shipped.stations {
        if let Scan::Tcp(address) = station.scan {
            text = text.replace(&address.to_string(), &free_address().to_string());
        }
    }
    if let Some(climate) = &shipped.climate {
        let sensors = format!("{}:{}", climate.host, climate.port);
        text = text.replace(&sensors, &free_address().to_string());
    }
    text.push_str(more);
    std::fs::write(dir.join("larkholm.toml"), &text).expect("a site file");
    let recipe = project().join("deploy/demo/larkholm-blue.toml");
    std::fs::copy(recipe, dir.join("larkholm-blue.toml")).expect("a recipe file");
    read(&text, dir)
}

fn read(text: &str, folder: &Path) -> Site {
    let origin = recipe::Origin {
        file: "larkholm.toml",
        text,
    };
    let open = |path: &Path| match path.ends_with("larkholm-blue.toml") {
        true => Ok(RECIPE_FILE.to_owned()),
        false => std::fs::read_to_string(path).map_err(|error| error.to_string()),
    };
    match Site::parse(&origin, folder, open) {
        Ok(site) => site,
        Err(error) => panic!("{error}"),
    }
}
