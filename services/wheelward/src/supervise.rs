//! Runs every worker of a site as a process of its own, and starts again what falls over: a
//! worker here, the floor's own broker in [`crate::broker`].

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Stdio;

use anyhow::Context as _;
use authority::workers;
use bus::permissions::SENSORS;
use bus::{Access, Bus, Keys, Shutdown};
use site::{Scan, Site};
use tokio::process::{Child, Command};
use tokio::sync::mpsc;

use crate::broker::OwnBroker;
use crate::cli::{ClockKind, UpArgs, Worker};
use crate::falls::{self, Kept, Patience, Teller};
use crate::files;
use crate::running::Running;

/// `wheelward up`
pub async fn up(args: UpArgs) -> anyhow::Result<()> {
    let site = files::site(&args.site)?;
    let shutdown = Shutdown::on_signals();
    let floor = Floor::start(&site, &args, None, None, &shutdown).await?;
    println!(
        "{} is up. Broker {}. Data in {}.",
        site.name,
        bus::without_password(&floor.url),
        args.data.display()
    );
    for station in &site.stations {
        match station.scan {
            Scan::Tcp(address) => println!("  {:<12} scans on {address}", station.id),
            Scan::Stdin => println!("  {:<12} scans typed here", station.id),
        }
    }
    if let Some(gateway) = &site.gateway {
        let scheme = gateway.tls.as_ref().map_or("http", |_| "https");
        println!("  {:<12} {scheme}://{}", "pages", gateway.listen);
    }
    if let Some(climate) = &site.climate {
        let at = format!("MQTT at {}:{}", climate.host, climate.port);
        match floor.keys.as_ref().filter(|_| climate.serve.is_some()) {
            Some(keys) => println!(
                "  {:<12} {at}, user {SENSORS}, password in {}{}",
                "room sensors",
                keys.file(SENSORS).display(),
                if climate.without_password {
                    ", or without one"
                } else {
                    ""
                }
            ),
            None => println!("  {:<12} {at}", "room sensors"),
        }
    }
    println!(
        "Ask with `wheelward floor --data {}`. Ctrl-C stops.",
        args.data.display()
    );
    shutdown.requested().await;
    println!("Stopping: workers first, the broker last.");
    floor.stop().await;
    println!("Stopped. Nothing is lost: start again with the same command.");
    Ok(())
}

/// A running floor: a broker and the workers.
pub struct Floor {
    /// The broker's address.
    pub url: String,
    /// The passwords of its users, where it is the floor's own.
    pub keys: Option<Keys>,
    broker: Option<OwnBroker>,
    workers: Vec<tokio::task::JoinHandle<()>>,
    /// Ends with the last of them.
    teller: tokio::task::JoinHandle<()>,
    stop: Shutdown,
}

/// What every worker of a floor is started with.
#[derive(Clone)]
struct Start {
    program: PathBuf,
    site: PathBuf,
    data: PathBuf,
    broker: String,
    keys: Option<Keys>,
    access: Access,
    clock: ClockKind,
    logs: Option<PathBuf>,
}

impl Floor {
    /// Starts the broker, unless one is given, and every worker; `keys`: the passwords of the
    /// one given, if it is our own. Workers log here, or each to its own file in the folder
    /// `logs`.
    pub async fn start(
        site: &Site,
        args: &UpArgs,
        keys: Option<Keys>,
        logs: Option<PathBuf>,
        shutdown: &Shutdown,
    ) -> anyhow::Result<Self> {
        if let Some(logs) = &logs {
            std::fs::create_dir_all(logs)
                .with_context(|| format!("could not make the folder {}", logs.display()))?;
        }
        let broker = match &args.broker {
            Some(_) => None,
            None => Some(OwnBroker::start(site, &args.data).await?),
        };
        let keys = keys.or_else(|| broker.as_ref()?.keys.clone());
        let given = args.broker.clone();
        let url = given
            .or_else(|| broker.as_ref().map(|own| own.url.clone()))
            .unwrap_or_default();
        // Only the scheduler may make the streams.
        let scheduler = workers::Worker::Scheduler.name();
        let access = Access {
            keys: absolute(args.access.broker_keys.as_deref())?,
            authority: absolute(args.access.broker_ca.as_deref())?,
        };
        let address = sign_in(keys.as_ref(), &url, scheduler);
        let bus = Bus::connect_with(&address, scheduler, &access).await?;
        tokio::select! {
            ready = bus.ready() => ready?,
            () = shutdown.requested() => {}
        }
        let rooms = site
            .rooms
            .iter()
            .map(|room| (room.id, room.name.clone()))
            .collect();
        Running {
            broker: url.clone(),
            own_broker: keys.is_some(),
            keys: access.keys.clone(),
            ca: access.authority.clone(),
            site: site.id,
            rooms,
            people: site.people.keys().copied().collect(),
        }
        .write(&args.data)?;
        let start = Start {
            program: std::env::current_exe().context("could not find this program's own file")?,
            site: args.site.clone(),
            data: args.data.clone(),
            broker: url.clone(),
            keys: keys.clone(),
            access,
            clock: args.clock,
            logs,
        };
        // Workers stop when the floor is told to, not when the signal comes: the order matters.
        let stop = Shutdown::new();
        let typed = site
            .stations
            .iter()
            .any(|station| station.scan == Scan::Stdin);
        let (news, heard) = mpsc::unbounded_channel();
        let teller = Teller::new(bus, site.id, &args.data);
        let teller = tokio::spawn(teller.tell(heard));
        let workers = Worker::ALL
            .into_iter()
            .filter(|worker| site.workers().any(|needed| needed.name() == worker.name()))
            .map(|worker| {
                let typed = typed && worker == Worker::MoveRecorder;
                let kept = Kept {
                    name: worker.name(),
                    meanwhile: falls::meanwhile(worker),
                    log: start.log(worker),
                    patience: Patience::default(),
                };
                let start = start.clone();
                let spawn = move || start.spawn(worker, typed);
                tokio::spawn(falls::keep_running(kept, spawn, news.clone(), stop.clone()))
            })
            .collect();
        Ok(Self {
            url,
            keys,
            broker,
            workers,
            teller,
            stop,
        })
    }

    /// Stops the workers, then the broker.
    pub async fn stop(self) {
        self.stop.request();
        for worker in self.workers {
            if let Err(error) = worker.await {
                tracing::warn!(%error, "a supervisor did not end well");
            }
        }
        self.teller.abort();
        if let Some(broker) = self.broker {
            broker.stop().await;
        }
    }
}

/// Workers, and commands in other folders, find it too.
fn absolute(path: Option<&Path>) -> anyhow::Result<Option<PathBuf>> {
    path.map(|path| {
        std::fs::canonicalize(path).with_context(|| format!("could not open {}", path.display()))
    })
    .transpose()
}

fn sign_in(keys: Option<&Keys>, url: &str, user: &str) -> String {
    keys.map_or_else(|| url.to_owned(), |keys| keys.sign_in(url, user))
}

/// What lets the system's allocator (glibc) give back what a worker no longer uses: one arena for
/// all threads, and early.
const MEMORY: [(&str, &str); 2] = [
    ("MALLOC_ARENA_MAX", "1"),
    ("MALLOC_TRIM_THRESHOLD_", "131072"),
];

/// The same, where nobody has set it otherwise.
pub fn memory() -> impl Iterator<Item = (&'static str, &'static str)> {
    MEMORY
        .into_iter()
        .filter(|(name, _)| std::env::var_os(name).is_none())
}

impl Start {
    fn spawn(&self, worker: Worker, typed: bool) -> std::io::Result<Child> {
        let clock = match self.clock {
            ClockKind::System => "system",
            ClockKind::Bus => "bus",
        };
        let given = [
            ("--broker-keys", &self.access.keys),
            ("--broker-ca", &self.access.authority),
        ];
        let given = given
            .into_iter()
            .filter_map(|(name, path)| Some([name.into(), path.as_ref()?.into()]));
        Command::new(&self.program)
            .args(["worker", worker.name(), "--clock", clock])
            .envs(memory())
            // Not an argument: everyone on this machine sees those, passwords among them.
            .env(
                "WHEELWARD_BROKER",
                sign_in(self.keys.as_ref(), &self.broker, worker.name()),
            )
            .arg("--site")
            .arg(&self.site)
            .arg("--data")
            .arg(&self.data)
            .args(given.flatten().collect::<Vec<OsString>>())
            .args(["--parent", &std::process::id().to_string()])
            .stderr(Stdio::piped())
            .stdin(if typed { Stdio::piped() } else { Stdio::null() })
            // Ctrl-C reaches only us, so that we can stop everything in order.
            .process_group(0)
            .kill_on_drop(true)
            .spawn()
    }

    /// The file that a worker's log goes to, if not here.
    fn log(&self, worker: Worker) -> Option<PathBuf> {
        let logs = self.logs.as_ref()?;
        Some(logs.join(format!("{}.log", worker.name())))
    }
}
