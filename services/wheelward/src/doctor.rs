//! `wheelward doctor`: looks at an installation and says what is wrong and what to do.

use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use async_nats::jetstream;
use async_nats::jetstream::stream::StorageType;
use bus::health::{self, Look};
use bus::{Bus, Clock};
use chrono::{DateTime, TimeDelta, Utc};
use label_printer::Queue;
use records::RecordsStanding;
use ripening::alert::Situation;
use ripening::answer::FloorPicture;
use serde::Serialize;
use site::{Scan, Site};

use crate::cli::DoctorArgs;
use crate::files;
use crate::running::Asker;

/// The oldest broker that is enough.
const OLDEST_BROKER: (i64, i64, i64) = (2, 11, 0);

/// Between the two looks at the workers: whoever is being started answers by then.
const BETWEEN: Duration = Duration::from_secs(3);

/// A certificate that ends sooner should be renewed.
const RENEW_BEFORE: TimeDelta = TimeDelta::days(21);

/// Where the usual time services say that they run.
const TIME_SERVICES: [&str; 4] = [
    "/run/systemd/timesync/synchronized",
    "/run/chrony/chronyd.pid",
    "/run/chronyd.pid",
    "/run/ntpd.pid",
];

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
enum Level {
    /// As it should be.
    Good,
    /// Somebody should look, or decide.
    Look,
    /// It does not work, or is not safe.
    Wrong,
}

/// One thing that was looked at.
#[derive(Debug, Clone, Serialize)]
struct Finding {
    level: Level,
    about: &'static str,
    words: String,
}

/// What was found so far.
#[derive(Debug, Default)]
struct Findings(Vec<Finding>);

impl Findings {
    fn add(&mut self, level: Level, about: &'static str, words: impl Into<String>) {
        let words = words.into();
        self.0.push(Finding {
            level,
            about,
            words,
        });
    }
}

/// `wheelward doctor`
pub async fn run(args: &DoctorArgs) -> anyhow::Result<()> {
    let mut found = Findings::default();
    let site = match files::site(&args.site) {
        Ok(site) => site,
        Err(error) => {
            found.add(Level::Wrong, "site file", format!("{error:#}"));
            return tell(&found, args);
        }
    };
    let now = Clock::system().now();
    configuration(&site, &args.site, now, &mut found);
    data_folder(&args.ask.data, &mut found);
    time(&mut found);
    match &site.backup {
        Some(folder) => match health::backup(folder, now) {
            Some(trouble) => found.add(Level::Wrong, "backup", trouble.words),
            None => found.add(Level::Good, "backup", "there is one of the last two days"),
        },
        None => found.add(
            Level::Look,
            "backup",
            "nobody would notice a missing backup: name its folder as `backup` under [site]",
        ),
    }
    match Asker::connect(&args.ask).await {
        Ok(asker) => running(&asker, &site, &mut found).await,
        Err(error) => found.add(Level::Wrong, "broker", format!("{error:#}")),
    }
    tell(&found, args)
}

fn tell(found: &Findings, args: &DoctorArgs) -> anyhow::Result<()> {
    if args.ask.json {
        crate::show::print_json(&found.0)?;
    } else {
        for Finding {
            level,
            about,
            words,
        } in &found.0
        {
            let mark = match level {
                Level::Good => "ok    ",
                Level::Look => "LOOK  ",
                Level::Wrong => "WRONG ",
            };
            println!("{mark}{about}: {words}");
        }
    }
    let wrong = found.0.iter().filter(|f| f.level == Level::Wrong).count();
    if wrong > 0 {
        anyhow::bail!("{wrong} things are wrong: each line above says what to do");
    }
    Ok(())
}

/// What the files say.
fn configuration(site: &Site, file: &Path, now: DateTime<Utc>, found: &mut Findings) {
    match files::check_people(file, site) {
        Ok(()) => found.add(Level::Good, "site file", "it is right"),
        Err(error) => found.add(Level::Wrong, "site file", format!("{error:#}")),
    }
    let open = |address: SocketAddr| !address.ip().is_loopback();
    for station in &site.stations {
        if let Scan::Tcp(address) = station.scan
            && open(address)
        {
            found.add(
                Level::Look,
                "open ports",
                format!("station {} takes scans from whoever reaches {address}: keep scanners on a network of their own", station.id),
            );
        }
    }
    if let Some(listen) = site.climate.as_ref().and_then(|climate| climate.serve)
        && open(listen)
    {
        found.add(
            Level::Look,
            "open ports",
            format!("room sensors speak to {listen} without encryption: keep them on a network of their own"),
        );
    }
    if site.webhook.is_none() {
        found.add(
            Level::Look,
            "chat",
            "nobody hears of an alert unless a page is open: name a `url` under [webhook]",
        );
    }
    if site.safety.is_none() {
        found.add(
            Level::Look,
            "safety",
            "without a safety file anyone with a badge may release a hold: name `file` under [safety]",
        );
    }
    let Some(gateway) = &site.gateway else {
        return;
    };
    if let Some(metrics) = gateway.metrics.filter(|address| open(*address)) {
        found.add(
            Level::Look,
            "open ports",
            format!("whoever reaches {metrics} may read how the workers are"),
        );
    }
    if let Some(tls) = &gateway.tls {
        match ends(&tls.certificate) {
            Ok(ends) if ends <= now => found.add(
                Level::Wrong,
                "certificate",
                format!(
                    "that of the pages ended on {}: renew it, and start the gateway again",
                    ends.date_naive()
                ),
            ),
            Ok(ends) if ends - now < RENEW_BEFORE => found.add(
                Level::Look,
                "certificate",
                format!(
                    "that of the pages ends on {}: renew it before",
                    ends.date_naive()
                ),
            ),
            Ok(ends) => found.add(
                Level::Good,
                "certificate",
                format!("that of the pages ends on {}", ends.date_naive()),
            ),
            Err(error) => found.add(Level::Wrong, "certificate", format!("{error:#}")),
        }
    }
}

/// When a certificate ends.
fn ends(file: &Path) -> anyhow::Result<DateTime<Utc>> {
    let shown = file.display();
    let bytes = std::fs::read(file).with_context(|| format!("could not open {shown}"))?;
    let (_, pem) = x509_parser::pem::parse_x509_pem(&bytes)
        .with_context(|| format!("{shown} is no certificate in PEM form"))?;
    let certificate = pem
        .parse_x509()
        .with_context(|| format!("{shown} is no certificate"))?;
    let ends = certificate.validity().not_after.timestamp();
    DateTime::from_timestamp(ends, 0).with_context(|| format!("{shown} ends at no time"))
}

fn data_folder(data: &Path, found: &mut Findings) {
    let shown = data.display();
    let Ok(folder) = std::fs::metadata(data) else {
        found.add(
            Level::Wrong,
            "data folder",
            format!("{shown} is not there: say with --data where `wheelward up` keeps its data"),
        );
        return;
    };
    let mode = folder.permissions().mode() & 0o777;
    if mode & 0o077 == 0 {
        found.add(
            Level::Good,
            "data folder",
            format!("{shown} is for its owner alone"),
        );
    } else {
        found.add(
            Level::Look,
            "data folder",
            format!("others on this machine may read {shown}: chmod -R go= {shown}"),
        );
    }
    let (free, of) = health::room(data);
    let gb = |bytes: u64| bytes as f64 / f64::from(1 << 30);
    let words = format!("{:.1} GB free of {:.0} GB", gb(free), gb(of));
    if health::is_little_room(free, of) {
        found.add(
            Level::Wrong,
            "disk",
            format!("{words}: make room before scans are refused"),
        );
    } else {
        found.add(Level::Good, "disk", words);
    }
}

fn time(found: &mut Findings) {
    match TIME_SERVICES.iter().find(|file| Path::new(file).exists()) {
        Some(_) => found.add(Level::Good, "clock", "a time service runs on this machine"),
        None => found.add(
            Level::Look,
            "clock",
            "no time service is seen on this machine: windows and orders of facts rest on its clock, so run systemd-timesyncd or chrony",
        ),
    }
}

async fn running(asker: &Asker, site: &Site, found: &mut Findings) {
    broker(&asker.bus, found).await;
    let first = look(asker, site).await;
    tokio::time::sleep(BETWEEN).await;
    let Some(second) = look(asker, site).await else {
        found.add(
            Level::Wrong,
            "log",
            "the broker does not say how long the log is: see what its own log says",
        );
        return;
    };
    let troubles = health::troubles(first.as_ref(), &second);
    let running = second.workers.iter().filter(|(_, health)| health.is_some());
    if troubles.is_empty() {
        let words = format!("{} run and are well", running.count());
        found.add(Level::Good, "workers", words);
    }
    for trouble in troubles {
        found.add(Level::Wrong, "workers", trouble.words);
    }
    for (worker, health) in &second.workers {
        if let Some(health) = health
            && health.version != env!("CARGO_PKG_VERSION")
        {
            found.add(
                Level::Look,
                "workers",
                format!(
                    "the {worker} is of version {}, this program of {}: start the floor again",
                    health.version,
                    env!("CARGO_PKG_VERSION")
                ),
            );
        }
    }
    records(asker, found).await;
    printers(asker, found).await;
    match asker.asks::<FloorPicture>("floor", &()).await {
        Ok(floor) => {
            for alert in floor
                .alerts
                .iter()
                .filter(|alert| of_devices(alert.situation))
            {
                let words = format!("{}: {}", alert.subject, alert.words);
                found.add(Level::Look, "devices", words);
            }
            if floor.missing_facts > 0 {
                found.add(
                    Level::Wrong,
                    "log",
                    format!(
                        "{} facts that stations numbered are not in the log: see *Alerts*",
                        floor.missing_facts
                    ),
                );
            }
        }
        Err(error) => found.add(Level::Wrong, "floor", error.to_string()),
    }
}

/// Whether a situation is of machines rather than of cheese.
const fn of_devices(situation: Situation) -> bool {
    matches!(
        situation,
        Situation::FactsMissing
            | Situation::NumbersReused
            | Situation::ClockWrong
            | Situation::SensorDoubted
            | Situation::RecipeMissing
    )
}

async fn look(asker: &Asker, site: &Site) -> Option<Look> {
    let log_end = asker.bus.floor_end().await.ok()?;
    let mut workers = Vec::new();
    for worker in site.workers() {
        let health = health::ask(&asker.bus, &asker.site, worker.name()).await;
        workers.push((worker.name().to_owned(), health.ok()));
    }
    Some(Look {
        at: Clock::system().now(),
        log_end,
        workers,
    })
}

async fn broker(bus: &Bus, found: &mut Findings) {
    let client = bus.client();
    let info = client.server_info();
    let (major, minor, patch) = OLDEST_BROKER;
    if client.is_server_compatible(major, minor, patch) {
        found.add(Level::Good, "broker", format!("version {}", info.version));
    } else {
        found.add(
            Level::Wrong,
            "broker",
            format!(
                "version {} is too old: install {major}.{minor} or newer",
                info.version
            ),
        );
    }
    match jetstream::new(client.clone()).get_stream(bus::FLOOR).await {
        Ok(stream) => {
            let config = &stream.cached_info().config;
            let kept = config.storage == StorageType::File
                && config.max_age.is_zero()
                && config.max_messages <= 0
                && config.max_bytes <= 0;
            if kept {
                found.add(
                    Level::Good,
                    "log",
                    format!("{} facts, kept on disk and for ever. That the broker syncs each (sync_interval: always) cannot be seen from here: see its configuration", stream.cached_info().state.messages),
                );
            } else {
                found.add(
                    Level::Wrong,
                    "log",
                    "the stream FLOOR has a limit, or is not on disk: somebody changed it, and facts go. Take the limit away",
                );
            }
        }
        Err(error) => found.add(
            Level::Wrong,
            "log",
            format!("the stream FLOOR cannot be looked at: {error}"),
        ),
    }
}

async fn records(asker: &Asker, found: &mut Findings) {
    match asker.asks::<RecordsStanding>("records", &()).await {
        Ok(standing) if standing.findings.is_empty() => found.add(
            Level::Good,
            "records",
            format!(
                "{} written down, {} of them sealed",
                standing.count, standing.sealed
            ),
        ),
        Ok(standing) => {
            for finding in standing.findings {
                found.add(Level::Wrong, "records", finding);
            }
        }
        Err(error) => found.add(Level::Wrong, "records", error.to_string()),
    }
}

async fn printers(asker: &Asker, found: &mut Findings) {
    match asker.asks::<Queue>("label.queue", &()).await {
        Ok(queue) => {
            for printer in queue.printers {
                match printer.trouble {
                    Some(open) => found.add(Level::Look, "printers", open.text),
                    None => found.add(Level::Good, "printers", printer.name),
                }
            }
            if !queue.in_doubt.is_empty() {
                let words = format!(
                    "{} labels wait for somebody's answer: `wheelward label queue`",
                    queue.in_doubt.len()
                );
                found.add(Level::Look, "printers", words);
            }
        }
        Err(error) => found.add(Level::Wrong, "printers", error.to_string()),
    }
}
