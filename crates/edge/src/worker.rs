//! What all stations of one worker share: the outbox, the picture of the floor, the clock.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use anyhow::Context as _;
use bus::telling::Told;
use bus::{Bus, Clock, Draft, Note, Outbox, OutboxError, Shutdown, Tick, Written, kept};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Fact, StationId};
use holds::Rights;
use site::Site;
use tokio::sync::{Notify, watch};

use crate::follow;
use crate::picture::{self, KeptAt, Picture};
use crate::rejected::Rejected;

/// How often the picture of the floor is kept. Reading the log since then takes less
/// than a second.
const SNAPSHOT: Duration = Duration::from_secs(60);

/// What was recorded so long before a picture was kept is in it, also where the clock was set
/// meanwhile.
const SURELY_KEPT: TimeDelta = TimeDelta::hours(12);

/// The picture of the floor, in the worker's folder.
const PICTURE: &str = "placement";

/// What people were told, in the worker's folder.
const TOLD: &str = "clocks-told.txt";

/// What a worker does without a file that was damaged, for whoever hears of it.
const WITHOUT: &[(&str, &str)] = &[
    (
        PICTURE,
        "The floor was read anew from the log; until it was, its stations did not know every wheel",
    ),
    (
        TOLD,
        "People may be told again that this folder had a damaged file",
    ),
    (
        "people.json",
        "Nobody can sign in and no tablet is a station: put a good copy of it back and start the gateway again, or set people up anew by the link in its log",
    ),
];

/// How soon something is told again that the broker did not take.
const TOLD_AGAIN: Duration = Duration::from_secs(30);

/// Cheap to clone; all clones are one worker.
#[derive(Clone)]
pub struct Worker(Arc<Inner>);

struct Inner {
    site: Site,
    bus: Bus,
    clock: Clock,
    outbox: Outbox,
    rejected: Rejected,
    dir: PathBuf,
    snapshot: PathBuf,
    picture: Mutex<Picture>,
    /// The number in the log up to which facts were taken.
    followed: watch::Sender<u64>,
    /// The picture was loaded while the log is followed.
    loaded_again: Notify,
    /// What people were told from here: of damaged files, and, by earlier versions, of scanners'
    /// clocks.
    told: tokio::sync::Mutex<Told>,
    /// The driven clock's latest tick; none on a system clock.
    ticked: watch::Sender<Option<Tick>>,
}

impl Worker {
    /// Opens a worker in its own folder. The broker may be away: then the floor is as the
    /// last picture and the outbox have it.
    ///
    /// # Errors
    /// When the folder cannot be used; the text says what to do.
    pub fn open(site: Site, bus: Bus, clock: Clock, dir: &Path) -> anyhow::Result<Self> {
        std::fs::create_dir_all(dir)
            .with_context(|| format!("cannot make the data folder {}", dir.display()))?;
        let outbox = Outbox::open(&dir.join("outbox"), site.id)?;
        let snapshot = dir.join(PICTURE);
        let picture = picture_of(&snapshot, site.rights(), &outbox)?;
        let told = Told::open(&dir.join(TOLD))?;
        Ok(Self(Arc::new(Inner {
            dir: dir.to_owned(),
            told: tokio::sync::Mutex::new(told),
            rejected: Rejected::open(dir, "rejected-scans.ndjson")?,
            followed: watch::Sender::new(picture.position.as_ref().map_or(0, |p| p.seq)),
            loaded_again: Notify::new(),
            ticked: watch::Sender::new(None),
            picture: Mutex::new(picture),
            site,
            bus,
            clock,
            outbox,
            snapshot,
        })))
    }

    /// The site served.
    #[must_use]
    pub fn site(&self) -> &Site {
        &self.0.site
    }

    /// The floor's clock.
    #[must_use]
    pub fn clock(&self) -> &Clock {
        &self.0.clock
    }

    /// Sends the outbox, follows the log and keeps the picture until shutdown.
    ///
    /// # Errors
    /// When the picture cannot be kept at the end.
    pub async fn run(&self, shutdown: &Shutdown) -> anyhow::Result<()> {
        tokio::join!(
            self.0.outbox.drain(&self.0.bus, shutdown),
            follow::follow(self, shutdown),
            self.keep_pictures(shutdown),
            self.hear_the_clock(shutdown),
            self.tell(shutdown),
        );
        self.keep_picture().await?;
        Ok(())
    }

    pub(crate) fn bus(&self) -> &Bus {
        &self.0.bus
    }

    pub(crate) fn now(&self) -> DateTime<Utc> {
        self.0.clock.now()
    }

    pub(crate) fn rejected(&self) -> &Rejected {
        &self.0.rejected
    }

    /// The picture, for as long as the guard lives: whoever records holds it, so that two
    /// stations never number two wheels alike.
    pub(crate) fn picture(&self) -> MutexGuard<'_, Picture> {
        let inner = &*self.0;
        let mut picture = inner.picture.lock().unwrap_or_else(PoisonError::into_inner);
        if inner.outbox.is_broken()
            && let Err(error) = inner.outbox.mend()
        {
            tracing::warn!("{error}");
        }
        let taken_back = inner.outbox.taken_back();
        if picture.is_stale(taken_back) {
            // What the disk did not take was told to nobody as recorded, and is in the picture.
            match picture_of(&inner.snapshot, inner.site.rights(), &inner.outbox) {
                Ok(again) => {
                    *picture = again.read_again(taken_back);
                    self.followed(&picture);
                    inner.loaded_again.notify_one();
                }
                Err(error) => tracing::warn!("{error:#}"),
            }
        }
        picture
    }

    /// The facts that wait and that were sent, with what is kept beside them.
    #[must_use]
    pub fn outbox(&self) -> &Outbox {
        &self.0.outbox
    }

    /// Writes drafts, with notes beside them, and takes them into the picture. They count once
    /// they are synced. The picture is let go of here: nobody can hold it while the disk is
    /// waited for, and so stations sync together and not one after another.
    pub(crate) fn write(
        &self,
        mut picture: MutexGuard<'_, Picture>,
        station: StationId,
        drafts: Vec<Draft>,
        now: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Vec<Note>,
    ) -> Result<Written, OutboxError> {
        let outbox = &self.0.outbox;
        if picture.is_stale(outbox.taken_back()) {
            return Err(outbox.broken());
        }
        let written = outbox.write_with(&station, drafts, now, notes)?;
        for fact in written.facts() {
            picture.placement.apply(fact);
        }
        Ok(written)
    }

    /// While the broker is away: how many facts wait for it.
    pub(crate) fn waiting(&self) -> Option<usize> {
        (!self.0.bus.is_connected()).then(|| self.0.outbox.waiting())
    }

    /// The picture has the log up to its position. Said while it is held, so that nobody hears of
    /// an earlier one after a later one.
    pub(crate) fn followed(&self, picture: &Picture) {
        let seq = picture.position.as_ref().map_or(0, |position| position.seq);
        self.0.followed.send_replace(seq);
    }

    /// Waits until an older picture was loaded.
    pub(crate) async fn loaded_again(&self) {
        self.0.loaded_again.notified().await;
    }

    /// Waits until the log has been taken up to a number; false when that takes too long.
    pub(crate) async fn has_followed(&self, seq: u64, within: Duration) -> bool {
        let mut followed = self.0.followed.subscribe();
        let reached = followed.wait_for(|at| *at >= seq);
        matches!(tokio::time::timeout(within, reached).await, Ok(Ok(_)))
    }

    /// What a driven clock says has happened before now.
    pub(crate) fn happened(&self) -> u64 {
        self.0.ticked.borrow().map_or(0, |tick| tick.after_seq)
    }

    /// On a driven clock, a scan may be here before the tick of its time is: waits for it.
    pub(crate) async fn clock_reaches(&self, at: DateTime<Utc>, within: Duration) {
        if matches!(self.0.clock, Clock::Bus(_)) {
            let mut ticked = self.0.ticked.subscribe();
            let reached = ticked.wait_for(|tick| tick.is_some_and(|tick| tick.now >= at));
            // A clock that does not come is the clock warning's business.
            let _ = tokio::time::timeout(within, reached).await;
        }
    }

    async fn hear_the_clock(&self, shutdown: &Shutdown) {
        let mut clock = self.0.clock.clone();
        if clock.is_the_machines() {
            return;
        }
        loop {
            tokio::select! {
                () = shutdown.requested() => return,
                tick = clock.next_tick() => {
                    self.0.ticked.send_replace(Some(tick));
                }
            }
        }
    }

    /// Tells people of damaged files, and ends the alarms about scanners' clocks that earlier
    /// versions told from here: those are told from what the facts say, by whoever keeps the
    /// floor.
    async fn tell(&self, shutdown: &Shutdown) {
        let mut told = self.0.told.lock().await;
        let mut owed = told.over("device-clock-", &[], |station| {
            format!("Station {station}: a scanner's clock is told of in another place now")
        });
        let dir = &self.0.dir;
        let whose = dir.file_name().unwrap_or_default().to_string_lossy();
        owed.extend(kept::owed(&told, &whose, dir, WITHOUT));
        while !owed.is_empty() {
            if self.0.bus.is_connected() {
                let (site, now) = (self.0.site.id, self.now());
                if let Err(error) = told.tell(&self.0.bus, &site, now, &mut owed).await {
                    tracing::warn!("{error}");
                }
            }
            if owed.is_empty() {
                return;
            }
            tokio::select! {
                () = shutdown.requested() => return,
                () = tokio::time::sleep(TOLD_AGAIN) => {}
            }
        }
    }

    async fn keep_pictures(&self, shutdown: &Shutdown) {
        let mut kept = 0;
        loop {
            tokio::select! {
                () = shutdown.requested() => return,
                () = tokio::time::sleep(SNAPSHOT) => {}
            }
            let followed = *self.0.followed.borrow();
            if followed != kept {
                match self.keep_picture().await {
                    Ok(true) => kept = followed,
                    Ok(false) => {}
                    Err(error) => tracing::warn!("{error:#}"),
                }
            }
        }
    }

    /// False when there is none to keep now: it may have what the disk does not hold.
    async fn keep_picture(&self) -> anyhow::Result<bool> {
        let worker = self.clone();
        tokio::task::spawn_blocking(move || {
            let outbox = &worker.0.outbox;
            let (bytes, written) = {
                let mut picture = worker.picture();
                if outbox.is_broken() || picture.is_stale(outbox.taken_back()) {
                    return Ok(false);
                }
                picture.forget(worker.now());
                picture.kept = Some(KeptAt { at: worker.now() });
                (picture.bytes()?, outbox.written())
            };
            // Else it would have, after a power cut, what was never recorded.
            if outbox.synced_to(written).is_err() {
                return Ok(false);
            }
            picture::keep(&worker.0.snapshot, &bytes)?;
            Ok(true)
        })
        .await?
    }
}

/// The last picture kept, with what was recorded here since, and perhaps never sent. What it had
/// already, and has forgotten since, is not told to it again: it would put wheels that left long
/// ago back on their stillages.
fn picture_of(snapshot: &Path, rights: Rights, outbox: &Outbox) -> anyhow::Result<Picture> {
    let mut picture = Picture::load(snapshot, rights);
    let since = picture.kept.map(|kept| kept.at - SURELY_KEPT);
    for fact in outbox.kept_since(since)? {
        picture.placement.apply(&fact);
    }
    Ok(picture)
}

#[cfg(test)]
mod tests {
    use bus::broker::ChildBroker;
    use facts::{Carrier, Event, WheelDispatched, WheelLoaded};

    use super::*;

    /// It left from another worker's station: what was said of it here lies among the last facts
    /// sent for much longer than the picture has to remember it.
    #[tokio::test]
    async fn a_wheel_that_left_long_ago_does_not_come_back_with_a_restart() {
        let dir = tempfile::tempdir().unwrap();
        let broker = ChildBroker::start(&dir.path().join("broker"))
            .await
            .unwrap();
        let bus = Bus::connect(&broker.url(), "test").await.unwrap();
        let outbox = Outbox::open(&dir.path().join("outbox"), "larkholm".parse().unwrap()).unwrap();
        let day = |days: i64| DateTime::UNIX_EPOCH + TimeDelta::days(20_000 + days);
        let record = |station: &str, at: DateTime<Utc>, event: Event| {
            let draft = Draft {
                occurred_at: at,
                claimed_at: None,
                person: None,
                event,
            };
            let recorded = outbox.record(&station.parse().unwrap(), vec![draft], at);
            recorded.unwrap().remove(0)
        };
        let loaded = |wheel: &str| {
            Event::from(WheelLoaded {
                wheels: vec![wheel.parse().unwrap()],
                stillage: "S001".parse().unwrap(),
            })
        };
        let sent = async || {
            let shutdown = Shutdown::new();
            let draining = outbox.drain(&bus, &shutdown);
            let done = async {
                while outbox.waiting() > 0 {
                    tokio::task::yield_now().await;
                }
                shutdown.request();
            };
            tokio::join!(draining, done);
        };
        let mut picture = Picture::default();
        picture
            .placement
            .apply(&record("table", day(0), loaded("B1-01")));
        sent().await;
        let left = WheelDispatched {
            wheels: vec!["B1-01".parse().unwrap()],
            via: None,
            order: None,
            market: None,
            sale: None,
        };
        let mut elsewhere = record("table", day(1), left.into());
        elsewhere.station = "dispatch".parse().unwrap();
        picture.placement.apply(&elsewhere);
        sent().await;
        // Kept when it was forgotten; then one more was recorded here.
        picture.forget(day(100));
        picture.kept = Some(KeptAt { at: day(100) });
        let snapshot = dir.path().join("picture");
        picture::keep(&snapshot, &picture.bytes().unwrap()).unwrap();
        record("table", day(101), loaded("B2-01"));
        let on = |picture: &Picture| {
            let stillage = Carrier::Stillage("S001".parse().unwrap());
            let on = picture.placement.wheels_on(stillage);
            on.iter().map(ToString::to_string).collect::<Vec<_>>()
        };
        for waits in [true, false] {
            let again = picture_of(&snapshot, Rights::AnyBadge, &outbox).unwrap();
            assert_eq!(on(&again), ["B2-01"], "waits: {waits}");
            sent().await;
        }
    }
}
