//! One worker alone against a broker.

use std::path::PathBuf;

use anyhow::Context as _;
use bus::permissions::SENSOR_READER;
use bus::retry::Backoff;
use bus::{Bus, Clock, Shutdown};
use facts::SiteId;

use crate::cli::{ClockKind, Worker, WorkerArgs};
use crate::{broker, files};

/// `wheelward worker NAME`
pub async fn run(args: WorkerArgs) -> anyhow::Result<()> {
    let mut site = files::site(&args.site)?;
    hear_own_sensors(&mut site, &args.data);
    let shutdown = Shutdown::on_signals();
    if let Some(parent) = args.parent {
        stop_with(parent, shutdown.clone());
    }
    std::fs::create_dir_all(&args.data)
        .with_context(|| format!("could not make the folder {}", args.data.display()))?;
    let name = args.worker.name();
    let bus = Bus::connect_with(&args.broker, name, &args.access.access()).await?;
    tokio::spawn(say_how_it_is(bus.clone(), site.id, name, args.data.clone()));
    let clock = match args.clock {
        ClockKind::System => Clock::system(),
        ClockKind::Bus => tokio::select! {
            clock = Clock::from_bus(&bus, &site.id) => clock?,
            () = shutdown.requested() => return Ok(()),
        },
    };
    let data = args.data.as_path();
    match args.worker {
        Worker::ScaleReader => scale_reader::run(site, bus, clock, data, shutdown).await,
        Worker::MoveRecorder => move_recorder::run(site, bus, clock, data, shutdown).await,
        Worker::ClimateReader => climate_reader::run(site, bus, clock, data, shutdown).await,
        Worker::Forecaster => forecaster::run(site, bus, clock, data, shutdown).await,
        Worker::Dispatcher => dispatcher::run(site, bus, clock, data, shutdown).await,
        Worker::Scheduler => scheduler::run(site, bus, clock, data, shutdown).await,
        Worker::LabelPrinter => label_printer::run(site, bus, clock, data, shutdown).await,
        Worker::Notifier => notifier::run(site, bus, clock, data, shutdown).await,
        Worker::Gateway => gateway::run(site, bus, clock, data, shutdown).await,
        Worker::Records => records::run(site, bus, clock, data, shutdown).await,
    }
    .with_context(|| format!("the {name} stopped"))
}

/// Room sensors that publish to the floor's own broker are heard with the password that it has
/// made for that, unless the site file names another.
fn hear_own_sensors(site: &mut site::Site, data: &std::path::Path) {
    if let Some(climate) = &mut site.climate
        && climate.serve.is_some()
        && climate.login.is_none()
    {
        let file = bus::Keys::file_of(&broker::folder(data), SENSOR_READER);
        if file.exists() {
            climate.login = Some((SENSOR_READER.to_owned(), file));
        }
    }
}

/// Answers how this worker is, whatever it is busy with.
async fn say_how_it_is(bus: Bus, site: SiteId, worker: &str, data: PathBuf) {
    let mut backoff = Backoff::default();
    loop {
        bus.connected().await;
        if let Err(error) = bus::health::answer(&bus, &site, worker, &data).await {
            tracing::debug!(%error, "nobody can ask yet how this worker is");
        }
        backoff.wait().await;
    }
}

/// A worker must not outlive whoever supervises it: a second one would be started.
fn stop_with(parent: u32, shutdown: Shutdown) {
    tokio::spawn(async move {
        while std::os::unix::process::parent_id() == parent {
            tokio::time::sleep(std::time::Duration::from_millis(500)).await;
        }
        shutdown.request();
    });
}
