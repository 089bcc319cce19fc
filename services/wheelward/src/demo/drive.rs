//! Plays days live: each scan goes to its station's real port, each weight onto the scale.

use std::collections::BTreeMap;
use std::net::{Ipv4Addr, SocketAddr};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use bus::{Bus, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Draft, Fact, FactIdSource, SiteId, StationId};
use floor_sim::{Dairy, DayScript, Doing, Expected, What};
use site::{Scan, Site};
use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpSocket, TcpStream};

use crate::demo::air::Air;
use crate::demo::history::History;
use crate::demo::office;
use crate::demo::picture::Picture;
use crate::demo::scale::Scale;
use crate::running::Asker;

/// The driven clock moves at least this often, so that what falls due is noticed.
const STEP: TimeDelta = TimeDelta::minutes(10);

/// Everything done within this long after a tick is stamped within the station's minute.
const MINUTE: TimeDelta = TimeDelta::seconds(60);

/// The last fact of a wheel's birth.
const HOOPED: &str = "wheel.hooped";

/// A reading of a room's air.
const AIR_READ: &str = "room.climate_read";

/// How long a station may take to answer before the demo gives up.
const ANSWERS_WITHIN: Duration = Duration::from_secs(20);

/// How long a tick may be on its way to a station.
const HEARD_WITHIN: Duration = Duration::from_millis(200);

/// One station's line.
struct Line {
    answers: tokio::io::Lines<BufReader<OwnedReadHalf>>,
    scans: OwnedWriteHalf,
}

/// Drives the clock and the stations.
pub struct Driver {
    site: SiteId,
    bus: Bus,
    lines: BTreeMap<String, Line>,
    /// Handhelds that have just come back to where they can send.
    docked: BTreeMap<&'static str, (SocketAddr, Option<Line>)>,
    /// Facts that the manager's desk has stated.
    released: u64,
    ids: FactIdSource,
    scale: Scale,
    air: Air,
    now: DateTime<Utc>,
    ready: bool,
    /// Readings that were in the log before the first was published.
    read_before: u64,
    /// Readings that are known to be in the log by now.
    read: u64,
    /// Wheels that should be in the log, hooped.
    hooped: u64,
    /// Whether wheels were born that other stations may not know yet.
    unseen_wheels: bool,
    scans: u64,
    /// Answers that were not what the simulated people expected, with the scan.
    surprises: Vec<String>,
    answer_times: Vec<Duration>,
}

impl Driver {
    /// Connects to every station, keeping the clock ticking until all are there.
    pub async fn connect(
        site: &Site,
        bus: Bus,
        scale: Scale,
        air: Air,
        history: &History,
        shutdown: &Shutdown,
    ) -> anyhow::Result<Self> {
        let now = history.now();
        let office = StationId::new(floor_sim::OFFICE)?;
        let released = history.numbers().get(&office).copied().unwrap_or_default();
        let mut driver = Self {
            site: site.id,
            bus,
            lines: BTreeMap::new(),
            docked: docked(site),
            released,
            ids: FactIdSource::default(),
            scale,
            air,
            now,
            ready: false,
            read_before: 0,
            read: 0,
            hooped: 0,
            unseen_wheels: false,
            scans: 0,
            surprises: Vec::new(),
            answer_times: Vec::new(),
        };
        let end = driver.bus.floor_end().await?;
        driver.hooped = driver.bus.floor_count(&site.id, HOOPED).await?;
        driver.read_before = driver.bus.floor_count(&site.id, AIR_READ).await?;
        while !shutdown.is_requested() {
            driver.bus.tick(&site.id, now, end).await?;
            for station in &site.stations {
                if let Scan::Tcp(address) = station.scan
                    && !driver.lines.contains_key(station.id.as_str())
                    && let Ok(line) = Line::open(address).await
                {
                    driver.lines.insert(station.id.to_string(), line);
                }
            }
            let folded = driver
                .bus
                .ask::<scheduler::Standing>(&site.id, "standing", &())
                .await;
            if driver.lines.len() == site.stations.len()
                && driver.scale.is_read()
                && driver.air.is_heard().await?
                && folded.is_ok_and(|standing| standing.live && standing.now >= Some(now))
            {
                driver.ready = true;
                driver.shows_clocks().await?;
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        Ok(driver)
    }

    /// Each handheld scans a card in reach before its work: its clock is known to be right then,
    /// so that what it keeps out of reach counts from when it was made.
    async fn shows_clocks(&self) -> anyhow::Result<()> {
        let now = self.now.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
        for (address, _) in self.docked.values() {
            let mut line = Line::of_handheld(*address).await?;
            line.scan(&format!("@{now} A.TURN")).await?;
        }
        Ok(())
    }

    /// Sensors' messages that could not be read and were kept.
    pub fn unreadable_air(&self) -> usize {
        self.air.kept()
    }

    /// Whether every station is there.
    pub const fn is_ready(&self) -> bool {
        self.ready
    }

    /// How many lines were scanned.
    pub const fn scans(&self) -> u64 {
        self.scans
    }

    /// Answers that were not what the simulated people expected.
    pub fn surprises(&self) -> &[String] {
        &self.surprises
    }

    /// From sending a scan to reading its answer: half of them within the first, all but
    /// one in a hundred within the second.
    pub fn answer_times(&self) -> (Duration, Duration) {
        let mut times = self.answer_times.clone();
        times.sort_unstable();
        let at = |share: usize| {
            times
                .get(times.len() * share / 100)
                .copied()
                .unwrap_or_default()
        };
        (at(50), at(99))
    }

    /// Plays one day, spread over `pace`.
    pub async fn play(
        &mut self,
        script: &DayScript,
        pace: Duration,
        asker: &Asker,
        picture: &mut Picture,
        shutdown: &Shutdown,
    ) -> anyhow::Result<()> {
        let began = monotonic();
        let (first, mut left) = match script.doings.first() {
            Some(first) => (first.arrives_at.max(self.now), script.doings.as_slice()),
            None => return Ok(()),
        };
        while let Some(next) = left.first() {
            if shutdown.is_requested() {
                return Ok(());
            }
            let at = next.arrives_at.max(self.now);
            while self.now + STEP < at && !shutdown.is_requested() {
                self.tick(self.now + STEP).await?;
            }
            let share = (at - first).num_seconds() as f64 / 86_400.0;
            if let Some(wait) = pace.mul_f64(share.max(0.0)).checked_sub(began.elapsed()) {
                // Someone who stops a slow day does not wait for its next scan.
                tokio::select! {
                    () = tokio::time::sleep(wait) => {}
                    () = shutdown.requested() => return Ok(()),
                }
            }
            // What one person does at one station in a minute: the clock moves to its end,
            // so that every scan is stamped within the station's "just now".
            let run = left.iter().take_while(|doing| {
                doing.station == next.station && doing.arrives_at <= at + MINUTE
            });
            let (run, rest) = left.split_at(run.count().max(1));
            if next.station != floor_sim::PORTION {
                self.wheels_are_known(shutdown).await?;
            }
            let until = run.last().map_or(at, |last| last.arrives_at.max(self.now));
            self.tick(until).await?;
            for doing in run {
                self.take(doing, shutdown).await?;
            }
            self.air_is_read(shutdown).await?;
            left = rest;
            picture.show(asker, self.scans, self.now).await;
        }
        picture.day_over(asker, self.scans, self.now).await;
        Ok(())
    }

    /// Moves the clock to the last instant of the last day played.
    pub async fn end_of_day(&mut self, site: &Site, dairy: &Dairy) -> anyhow::Result<()> {
        if let Some(day) = dairy.ledger().last_day() {
            let end = site.clock.end_of(quantity::DairyDay::starting(day)) - TimeDelta::seconds(1);
            while self.now + STEP < end {
                self.tick(self.now + STEP).await?;
            }
            self.tick(end.max(self.now)).await?;
        }
        Ok(())
    }

    /// What to say when stopped in the middle.
    pub fn farewell(&self) -> String {
        format!(
            "{} scans were made. Stopped cleanly, nothing is lost.",
            self.scans
        )
    }

    /// Where a person would have walked to the next station by now: waits until the log has
    /// every wheel that was weighed out, so that the stations know of them.
    async fn wheels_are_known(&mut self, shutdown: &Shutdown) -> anyhow::Result<()> {
        while self.unseen_wheels
            && !shutdown.is_requested()
            && self.bus.floor_count(&self.site, HOOPED).await? < self.hooped
        {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
        self.unseen_wheels = false;
        Ok(())
    }

    /// A sensor's reading is in the log within a blink, and so before the clock moves on.
    async fn air_is_read(&mut self, shutdown: &Shutdown) -> anyhow::Result<()> {
        let read = async {
            let due = self.read_before + self.air.published();
            if due == self.read {
                return Ok(());
            }
            while !shutdown.is_requested()
                && self.bus.floor_count(&self.site, AIR_READ).await? < due
            {
                tokio::time::sleep(Duration::from_millis(2)).await;
            }
            anyhow::Ok(())
        };
        let read = tokio::time::timeout(ANSWERS_WITHIN, read).await;
        read.context("a room reading went to the broker over MQTT and never became a fact")??;
        self.read = self.read_before + self.air.published();
        Ok(())
    }

    async fn tick(&mut self, now: DateTime<Utc>) -> anyhow::Result<()> {
        self.now = now;
        let end = self.bus.floor_end().await?;
        Ok(self.bus.tick(&self.site, now, end).await?)
    }

    /// States a fact at the manager's desk.
    async fn state(&mut self, draft: Draft) -> anyhow::Result<()> {
        self.released += 1;
        let fact = Fact {
            id: self.ids.next(self.now),
            site: self.site,
            station: StationId::new(floor_sim::OFFICE)?,
            station_seq: self.released,
            person: draft.person,
            occurred_at: draft.occurred_at,
            claimed_at: None,
            recorded_at: self.now,
            event: draft.event,
        };
        Ok(self.bus.publish_facts(&[fact]).await?)
    }

    async fn take(&mut self, doing: &Doing, shutdown: &Shutdown) -> anyhow::Result<()> {
        if self.air.publish(doing).await? {
            return Ok(());
        }
        if let Some(draft) = office::release(doing)? {
            return self.state(draft).await;
        }
        let missing = || format!("the site file has no station {}", doing.station);
        // A handheld that kept its scans comes with a line of its own, opened when it is docked.
        let docked = self.docked.get_mut(doing.station).with_context(missing)?;
        let line = if doing.is_late() {
            if docked.1.is_none() {
                // Where the clock is driven, a line that is opened before the station has heard
                // what time it is seems to have been open for long.
                tokio::time::sleep(HEARD_WITHIN).await;
                docked.1 = Some(Line::of_handheld(docked.0).await?);
            }
            docked.1.as_mut()
        } else {
            docked.1 = None;
            self.lines.get_mut(doing.station)
        };
        let line = line.with_context(missing)?;
        let answered = async {
            let began = monotonic();
            let (said, answer) = match &doing.what {
                What::Weight { grams } => {
                    self.scale.put(*grams);
                    let answer = line.answer().await?;
                    self.scale.take_off().await;
                    (format!("{grams} g"), answer)
                }
                What::Scan(code) => {
                    let stamp = doing.at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
                    let answer = line.scan(&format!("@{stamp} {code}")).await?;
                    self.answer_times.push(began.elapsed());
                    (code.clone(), answer)
                }
                What::Release { .. } | What::Climate { .. } => return Ok(()),
            };
            self.scans += 1;
            // A hoop and a weight, in either order, make a wheel.
            if doing.station == floor_sim::PORTION && answer.starts_with("OK  wheel") {
                self.hooped += 1;
                self.unseen_wheels = true;
            }
            let expected: &[&str] = match doing.answer {
                Expected::Fine => &["OK", "NEXT"],
                Expected::Wrong => &["WRONG"],
                Expected::Stop => &["STOP"],
                Expected::NobodysOrder => &["NEXT", "WRONG"],
            };
            if !expected.iter().any(|level| answer.starts_with(level)) {
                self.surprises
                    .push(format!("{} {said}: {answer}", doing.station));
            }
            anyhow::Ok(())
        };
        tokio::select! {
            done = tokio::time::timeout(ANSWERS_WITHIN, answered) => {
                done.with_context(|| format!("station {} gave no answer", doing.station))?
            }
            () = shutdown.requested() => Ok(()),
        }
    }
}

/// Where each station's handhelds are docked.
fn docked(site: &Site) -> BTreeMap<&'static str, (SocketAddr, Option<Line>)> {
    let address = |id: &&'static str| {
        let station = site.stations.iter().find(|s| s.id.as_str() == *id)?;
        match station.scan {
            Scan::Tcp(address) => Some((*id, (address, None))),
            Scan::Stdin => None,
        }
    };
    floor_sim::STATIONS.iter().filter_map(address).collect()
}

/// Handhelds have addresses of their own: by these it is known what they have shown before.
const HANDHELDS: Ipv4Addr = Ipv4Addr::new(127, 0, 0, 2);

impl Line {
    async fn of_handheld(address: SocketAddr) -> std::io::Result<Self> {
        let socket = TcpSocket::new_v4()?;
        socket.bind((HANDHELDS, 0).into())?;
        Self::over(socket.connect(address).await?)
    }

    async fn open(address: SocketAddr) -> std::io::Result<Self> {
        Self::over(TcpStream::connect(address).await?)
    }

    fn over(stream: TcpStream) -> std::io::Result<Self> {
        stream.set_nodelay(true)?;
        let (read, scans) = stream.into_split();
        Ok(Self {
            answers: BufReader::new(read).lines(),
            scans,
        })
    }

    async fn scan(&mut self, line: &str) -> anyhow::Result<String> {
        self.scans
            .write_all(format!("{line}\r\n").as_bytes())
            .await?;
        self.answer().await
    }

    async fn answer(&mut self) -> anyhow::Result<String> {
        self.answers
            .next_line()
            .await?
            .context("the station closed its line")
    }
}

#[allow(clippy::disallowed_methods)] // paces a demo, in a shell
fn monotonic() -> Instant {
    Instant::now()
}
