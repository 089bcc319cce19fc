//! Runs every worker of a site as a process of its own, and starts again what falls over: a
//! worker here, the floor's own broker in [`crate::broker`].

use std::path::PathBuf;
use std::process::Stdio;
use std::time::Duration;

use anyhow::Context as _;
use authority::workers;
use bus::permissions::SENSORS;
use bus::retry::Backoff;
use bus::{Bus, Keys, Shutdown};
use site::{Scan, Site};
use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::process::{Child, ChildStdin, Command};

use crate::broker::OwnBroker;
use crate::cli::{ClockKind, UpArgs, Worker};
use crate::files;
use crate::running::Running;

/// How long a worker may take to stop before it is killed.
const STOPS_WITHIN: Duration = Duration::from_secs(15);

/// A worker that ran this long before it fell over is started again at once.
const RAN_WELL: Duration = Duration::from_secs(60);

/// `wheelward up`
pub async fn up(args: UpArgs) -> anyhow::Result<()> {
    let site = files::site(&args.site)?;
    let shutdown = Shutdown::on_signals();
    let floor = Floor::start(&site, &args, None, None, &shutdown).await?;
    println!(
        "{} is up. Broker {}. Data in {}.",
        site.name,
        floor.url,
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
        let bus = Bus::connect(&sign_in(keys.as_ref(), &url, scheduler), scheduler).await?;
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
            clock: args.clock,
            logs,
        };
        // Workers stop when the floor is told to, not when the signal comes: the order matters.
        let stop = Shutdown::new();
        let typed = site
            .stations
            .iter()
            .any(|station| station.scan == Scan::Stdin);
        let workers = Worker::ALL
            .into_iter()
            .filter(|worker| match worker {
                Worker::Gateway => site.gateway.is_some(),
                Worker::ClimateReader => site.climate.is_some(),
                Worker::Dispatcher => site.dispatch.is_some(),
                _ => true,
            })
            .map(|worker| {
                let typed = typed && worker == Worker::MoveRecorder;
                tokio::spawn(keep_running(start.clone(), worker, typed, stop.clone()))
            })
            .collect();
        Ok(Self {
            url,
            keys,
            broker,
            workers,
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
        if let Some(broker) = self.broker {
            broker.stop().await;
        }
    }
}

fn sign_in(keys: Option<&Keys>, url: &str, user: &str) -> String {
    keys.map_or_else(|| url.to_owned(), |keys| keys.sign_in(url, user))
}

/// Starts a worker again whenever it ends, until told to stop.
async fn keep_running(start: Start, worker: Worker, typed: bool, stop: Shutdown) {
    let name = worker.name();
    let mut backoff = Backoff::new(Duration::from_millis(200), Duration::from_secs(10));
    while !stop.is_requested() {
        let mut child = match start.spawn(worker, typed) {
            Ok(child) => child,
            Err(error) => {
                tracing::error!("{name} could not be started: {error}");
                backoff.wait().await;
                continue;
            }
        };
        let lines = child
            .stdin
            .take()
            .map(|stdin| tokio::spawn(pass_on_lines(stdin)));
        let started = tokio::time::sleep(RAN_WELL);
        tokio::pin!(started);
        loop {
            tokio::select! {
                ended = child.wait() => {
                    let ended = ended.map_or_else(|e| e.to_string(), |status| status.to_string());
                    tracing::error!("{name} ended ({ended}): starting it again");
                    break;
                }
                () = &mut started, if !started.is_elapsed() => backoff.reset(),
                () = stop.requested() => {
                    finish(&mut child, name).await;
                    break;
                }
            }
        }
        if let Some(lines) = lines {
            lines.abort();
        }
        tokio::select! {
            () = backoff.wait() => {}
            () = stop.requested() => {}
        }
    }
}

impl Start {
    fn spawn(&self, worker: Worker, typed: bool) -> std::io::Result<Child> {
        let clock = match self.clock {
            ClockKind::System => "system",
            ClockKind::Bus => "bus",
        };
        Command::new(&self.program)
            .args(["worker", worker.name(), "--clock", clock])
            // Not an argument: everyone on this machine sees those, passwords among them.
            .env(
                "WHEELWARD_BROKER",
                sign_in(self.keys.as_ref(), &self.broker, worker.name()),
            )
            .arg("--site")
            .arg(&self.site)
            .arg("--data")
            .arg(&self.data)
            .args(["--parent", &std::process::id().to_string()])
            .stderr(self.log(worker)?)
            .stdin(if typed { Stdio::piped() } else { Stdio::null() })
            // Ctrl-C reaches only us, so that we can stop everything in order.
            .process_group(0)
            .kill_on_drop(true)
            .spawn()
    }

    fn log(&self, worker: Worker) -> std::io::Result<Stdio> {
        let Some(logs) = &self.logs else {
            return Ok(Stdio::inherit());
        };
        let file = logs.join(format!("{}.log", worker.name()));
        Ok(std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(file)?
            .into())
    }
}

/// Asks a worker to stop, and kills it when it takes too long.
async fn finish(child: &mut Child, name: &str) {
    let Some(pid) = child.id() else { return };
    // `kill` is built into every shell; a crate for one signal is not worth it.
    let asked = Command::new("sh")
        .args(["-c", &format!("kill -TERM {pid}")])
        .status()
        .await;
    if let Err(error) = asked {
        tracing::warn!(%error, "{name} could not be asked to stop");
    }
    if tokio::time::timeout(STOPS_WITHIN, child.wait())
        .await
        .is_err()
    {
        tracing::warn!(
            "{name} did not stop in {STOPS_WITHIN:?}: killed; what it had stored is safe"
        );
        let _ = child.kill().await;
    }
}

/// Lines typed here go to the worker that waits for them.
async fn pass_on_lines(mut stdin: ChildStdin) {
    let mut lines = BufReader::new(tokio::io::stdin()).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        if stdin
            .write_all(format!("{line}\n").as_bytes())
            .await
            .is_err()
        {
            return;
        }
    }
}
