//! Larkholm Dairy, simulated, through the real edges: scans over TCP to the move
//! recorder, weights through a scale on TCP, alerts to a webhook, labels to a folder.
//!
//! Everything about Larkholm is invented. First the simulated past is stored in one go,
//! then each further day is played live against the running workers on a real broker,
//! faster than life.

mod air;
mod check;
mod drive;
mod history;
mod office;
mod picture;
mod scale;
mod webhook;

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use bus::{Bus, Outbox, Shutdown};
use floor_sim::{Dairy, Mistakes, Size};
use site::{ScaleConnect, Scan, Site};

use crate::cli::{AccessArgs, ClockKind, DemoArgs, UpArgs};
use crate::running::Asker;
use crate::supervise::Floor;
use crate::{broker as own_broker, files};

use drive::Driver;
pub use history::History;
use office::{Evenings, Office};
use picture::Picture;

/// The demo's own files, so that the binary alone can show it.
const SITE_FILE: &str = include_str!("../../../deploy/demo/larkholm.toml");
const RECIPE_FILE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");
const CREW_FILE: &str = include_str!("../../../deploy/demo/crew.toml");
const SAFETY_FILE: &str = include_str!("../../../deploy/demo/larkholm-safety.toml");
const CUSTOMERS_FILE: &str = include_str!("../../../deploy/demo/customers.toml");
const PAPERS_FILE: &str = include_str!("../../../deploy/demo/larkholm-papers.toml");

/// Left in the demo's data folder, so that only a demo's folder is ever emptied.
const MARK: &str = "this-is-demo-data";

/// `wheelward demo`
pub async fn run(args: DemoArgs) -> anyhow::Result<()> {
    let shutdown = Shutdown::on_signals();
    empty_folder(&args.data)?;
    let sink = webhook::Sink::start().await?;
    let scale = scale::Scale::start().await?;
    let site_file = write_site(&args.data, &scale.address(), Some(&sink.url()))?;
    add_pages(&args.data, &site_file)?;
    let site = files::site(&site_file)?;

    let size = if args.small {
        Size::small()
    } else {
        Size::larkholm()
    };
    let mut dairy = Dairy::new(args.seed, first_day()?.date(), size, Mistakes::default());
    let said = if args.history == 0 {
        "an empty dairy".to_owned()
    } else {
        format!("the {} days before today", args.history)
    };
    eprintln!("Larkholm Dairy is invented: its cheese, people, figures and mistakes are made up.");
    eprintln!("Playing {said}...");
    let mut history = History::new(&site, first_day()?);
    let mut office = Office::new(&site)?;
    let mut entered = Vec::new();
    for _ in 0..args.history {
        let script = dairy.next_day();
        let from = history.facts().len();
        history.play(&script)?;
        entered.extend(office.morning(&script)?);
        entered.extend(office.day(script.day, &history.facts()[from..])?);
    }
    let past = history.facts().len() + entered.len();

    eprintln!("Starting a broker and storing {past} facts...");
    let broker = own_broker::start(&site, &args.data, true).await?;
    let demo = authority::workers::Worker::Demo.name();
    let bus = Bus::connect(&broker.url_of(demo), demo).await?;
    let scheduler = authority::workers::Worker::Scheduler.name();
    Bus::connect(&broker.url_of(scheduler), scheduler)
        .await?
        .ready()
        .await?;
    bus.ready().await?;
    continue_numbers(&args.data, &site, &history)?;
    for facts in history.facts().chunks(5_000).chain(entered.chunks(5_000)) {
        bus.publish_facts(facts).await?;
        if shutdown.is_requested() {
            return Ok(());
        }
    }

    eprintln!("Starting the workers...");
    let up = UpArgs {
        site: site_file,
        broker: Some(broker.url()),
        access: AccessArgs::default(),
        data: args.data.clone(),
        clock: ClockKind::Bus,
    };
    let keys = broker.keys().cloned();
    let logs = args.data.join("logs");
    let floor = Floor::start(&site, &up, keys, Some(logs), &shutdown).await?;
    let asker = Asker {
        bus: bus.clone(),
        site: site.id,
    };
    let mut driver = Driver::connect(
        &site,
        bus.clone(),
        scale,
        air::Air::connect(&site, &args.data)?,
        &history,
        &shutdown,
    )
    .await?;
    let mut evenings = Evenings::begin(office, &bus).await?;
    let mut picture = Picture::new(&args, &site, sink);

    if let Some(gateway) = &site.gateway {
        let link = args.data.join("gateway/set-up-link.txt");
        eprintln!(
            "Pages on http://{}; the first person's way in is in {}.",
            gateway.listen,
            link.display()
        );
    }

    let mut checked = None;
    if driver.is_ready() {
        let pace = if args.once {
            Duration::ZERO
        } else {
            Duration::from_secs_f64(args.day_seconds.clamp(0.0, 86_400.0))
        };
        let mut days = 0;
        while !shutdown.is_requested() && args.days.is_none_or(|most| days < most) {
            let script = dairy.next_day();
            evenings.morning(&script).await?;
            driver
                .play(&script, pace, &asker, &mut picture, &shutdown)
                .await?;
            evenings.enter(script.day).await?;
            days += 1;
        }
        if !shutdown.is_requested() {
            driver.end_of_day(&site, &dairy).await?;
            checked = Some(check::against_ledger(&asker, &site, &dairy, &driver, &picture).await?);
        }
        if args.days.is_some() && !args.once && !shutdown.is_requested() {
            eprintln!("The days are over; the floor still answers. Ctrl-C stops everything.");
            shutdown.requested().await;
        }
    }
    picture.stop();
    eprintln!("Stopping: workers first, the broker last.");
    shutdown.request();
    floor.stop().await;
    broker.stop().await;
    match checked {
        Some(summary) => {
            summary.show(args.json)?;
            anyhow::ensure!(
                summary.agrees(),
                "the floor and the simulation's own ledger differ"
            );
        }
        None => eprintln!("{}", driver.farewell()),
    }
    Ok(())
}

/// The first day of the simulated dairy.
pub fn first_day() -> anyhow::Result<quantity::DairyDay> {
    let date = chrono::NaiveDate::from_ymd_opt(2026, 1, 5).context("a date")?;
    Ok(quantity::DairyDay::starting(date))
}

/// The demo's site as shipped.
pub fn shipped_site() -> anyhow::Result<Site> {
    files::site_text("larkholm.toml", SITE_FILE, |_| Ok(RECIPE_FILE.to_owned()))
}

/// The demo's site with ports of its own, without scale and webhook.
pub fn site_on_free_ports(data: &Path) -> anyhow::Result<Site> {
    let scale = free_port()?;
    let address = scale.local_addr()?.to_string();
    files::site(&write_site(data, &address, None)?)
}

/// The same with pages, checks, papers and a dispatch desk, in its file.
pub fn site_with_pages(data: &Path) -> anyhow::Result<PathBuf> {
    let address = free_port()?.local_addr()?.to_string();
    let file = write_site(data, &address, None)?;
    add_pages(data, &file)?;
    Ok(file)
}

/// The site file as shipped, with free ports and this run's webhook.
fn write_site(data: &Path, scale: &str, webhook: Option<&str>) -> anyhow::Result<PathBuf> {
    let mut text = SITE_FILE.to_owned();
    let shipped = shipped_site()?;
    // Held until every station has its port, or two might be given the same.
    let mut held = Vec::new();
    for station in &shipped.stations {
        if let Scan::Tcp(address) = station.scan {
            let port = free_port()?;
            text = text.replace(&address.to_string(), &port.local_addr()?.to_string());
            held.push(port);
        }
        if let Some(ScaleConnect::Tcp(address)) = station.scale.as_ref().map(|s| &s.connect) {
            text = text.replace(&address.to_string(), scale);
        }
    }
    if let Some(climate) = &shipped.climate {
        let port = free_port()?;
        let shipped = format!("{}:{}", climate.host, climate.port);
        text = text.replace(&shipped, &port.local_addr()?.to_string());
        held.push(port);
    }
    if let Some(webhook) = webhook {
        text.push_str(&format!("\n[webhook]\nurl = \"{webhook}\"\n"));
    }
    let path = data.join("larkholm.toml");
    std::fs::write(&path, text).with_context(|| format!("could not write {}", path.display()))?;
    let recipe = data.join("larkholm-blue.toml");
    std::fs::write(&recipe, RECIPE_FILE)
        .with_context(|| format!("could not write {}", recipe.display()))?;
    Ok(path)
}

/// Serves the pages as well, on a free port, keeps the dairy's checks and papers, and has a
/// dispatch desk.
fn add_pages(data: &Path, site_file: &Path) -> anyhow::Result<()> {
    std::fs::write(data.join("crew.toml"), CREW_FILE)?;
    std::fs::write(data.join("larkholm-safety.toml"), SAFETY_FILE)?;
    std::fs::write(data.join("larkholm-papers.toml"), PAPERS_FILE)?;
    std::fs::write(data.join("customers.toml"), CUSTOMERS_FILE)?;
    let mut text = std::fs::read_to_string(site_file)?;
    let listen = free_port()?.local_addr()?;
    text.push_str(&format!(
        "\n[gateway]\nlisten = \"{listen}\"\ncrew = \"crew.toml\"\n\n[safety]\nfile = \"larkholm-safety.toml\"\npapers = \"larkholm-papers.toml\"\n\n[dispatch]\ncustomers = \"customers.toml\"\n"
    ));
    std::fs::write(site_file, text)
        .with_context(|| format!("could not write {}", site_file.display()))
}

fn free_port() -> anyhow::Result<std::net::TcpListener> {
    std::net::TcpListener::bind(("127.0.0.1", 0))
        .context("no free port on this machine's loopback address")
}

/// The stations go on numbering where the past left off.
pub fn continue_numbers(data: &Path, site: &Site, history: &History) -> anyhow::Result<()> {
    let open = |folder: &str| Outbox::open(&data.join(folder).join("outbox"), site.id);
    let (scans, scales, air) = (
        open("move-recorder")?,
        open("scale-reader")?,
        open(climate_reader::STATION)?,
    );
    for (station, number) in history.numbers() {
        // What the manager's desk states is numbered by whoever plays it.
        if station.as_str() == floor_sim::OFFICE {
            continue;
        }
        let with_scale = site
            .stations
            .iter()
            .find(|s| s.id == *station)
            .map(|s| s.scale.is_some());
        let outbox = match with_scale {
            Some(true) => &scales,
            Some(false) => &scans,
            None => &air,
        };
        outbox.continue_after(station, *number)?;
    }
    Ok(())
}

/// Begins with an empty folder, and never empties one that is not a demo's.
fn empty_folder(data: &Path) -> anyhow::Result<()> {
    if data.exists() {
        let mine = data.join(MARK).exists();
        let empty = std::fs::read_dir(data)
            .with_context(|| format!("could not look into {}", data.display()))?
            .next()
            .is_none();
        anyhow::ensure!(
            mine || empty,
            "{} is not empty and not a demo's: name another folder with --data",
            data.display()
        );
        std::fs::remove_dir_all(data)
            .with_context(|| format!("could not empty {}", data.display()))?;
    }
    std::fs::create_dir_all(data)
        .with_context(|| format!("could not make the folder {}", data.display()))?;
    std::fs::write(
        data.join(MARK),
        "Wheelward's demo may delete everything in this folder.\n",
    )?;
    Ok(())
}
