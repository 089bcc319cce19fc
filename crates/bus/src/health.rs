//! How each worker is: it answers `ask.<site>.health.<worker>` with what it measures of itself,
//! and [`troubles`] says what of that a person should see to.

use std::os::unix::fs::MetadataExt as _;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use facts::SiteId;
use serde::{Deserialize, Serialize};
use tokio::time::Instant;

use crate::outbox::Glimpse;
use crate::{Bus, BusError, Clock, Outbox};

/// The topic of these questions, before a worker's name.
pub const TOPIC: &str = "health";

/// Facts that wait for longer while the broker is there are not taken by it.
const WAITS_FOR_S: u64 = 180;

/// Clocks of two machines that differ by more make windows and orders of facts wrong.
const CLOCKS_DIFFER: TimeDelta = TimeDelta::seconds(30);

/// A nightly backup that is older was missed once, and has had a morning to be made by hand.
const BACKUP_WITHIN: TimeDelta = TimeDelta::hours(48);

/// A disk with less room than this is nearly full: a broker needs room for its next block, a
/// store for its next file.
const LITTLE_ROOM: u64 = 1 << 30;

/// What a worker says of itself from within.
#[derive(Debug, Default)]
pub struct Vitals {
    outbox: Mutex<Option<Glimpse>>,
    fails_since: Mutex<Option<Instant>>,
    read_to: AtomicU64,
}

impl Vitals {
    /// The worker sends from this outbox.
    pub(crate) fn sends_from(&self, outbox: &Outbox) {
        let mut known = self.outbox.lock().unwrap_or_else(PoisonError::into_inner);
        *known = Some(outbox.glimpse());
    }

    /// Whether it can send what it has.
    pub(crate) fn sends(&self, well: bool) {
        let mut since = self
            .fails_since
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        *since = if well {
            None
        } else {
            since.or_else(|| Some(Instant::now()))
        };
    }

    /// The worker has read the log to here.
    pub fn has_read_to(&self, seq: u64) {
        self.read_to.store(seq, Ordering::Relaxed);
    }
}

/// How a worker is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Health {
    /// The version of its program.
    pub version: String,
    /// When it was started, by its machine's clock.
    pub started_at: DateTime<Utc>,
    /// When it said this, by its machine's clock.
    pub said_at: DateTime<Utc>,
    /// Memory in use, bytes.
    pub memory_bytes: u64,
    /// Files and connections that it has open.
    pub open_files: u64,
    /// Room left on the disk of its data folder, bytes.
    pub disk_free_bytes: u64,
    /// Size of that disk, bytes.
    pub disk_bytes: u64,
    /// The last message of the log that it has read; 0 where it reads none.
    pub read_to: u64,
    /// Facts in its outbox that the broker has not taken.
    pub waiting: u64,
    /// For how long it could not send any, seconds.
    pub fails_for_s: u64,
    /// Facts that the broker refused.
    pub refused: u64,
}

/// Answers how this worker is until the connection is closed for good.
///
/// # Errors
/// [`BusError`] when the broker is away.
pub async fn answer(bus: &Bus, site: &SiteId, worker: &str, data: &Path) -> Result<(), BusError> {
    let started_at = Clock::system().now();
    let topic = format!("{TOPIC}.{worker}");
    let mut questions = bus.questions(site, &[&topic]).await?;
    while let Some(question) = questions.next().await {
        if let Err(error) = question.answer(&of(bus, data, started_at)).await {
            tracing::debug!(%error, "nobody was told how this worker is");
        }
    }
    Ok(())
}

fn of(bus: &Bus, data: &Path, started_at: DateTime<Utc>) -> Health {
    let vitals = bus.vitals();
    let outbox = vitals.outbox.lock().unwrap_or_else(PoisonError::into_inner);
    let (waiting, refused) = outbox.as_ref().map_or((0, 0), Glimpse::counts);
    let fails_since = vitals
        .fails_since
        .lock()
        .unwrap_or_else(PoisonError::into_inner);
    let (disk_free_bytes, disk_bytes) = room(data);
    Health {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        started_at,
        said_at: Clock::system().now(),
        memory_bytes: memory().unwrap_or(0),
        open_files: std::fs::read_dir("/proc/self/fd").map_or(0, |fds| fds.count() as u64),
        disk_free_bytes,
        disk_bytes,
        read_to: vitals.read_to.load(Ordering::Relaxed),
        waiting: waiting as u64,
        fails_for_s: fails_since.map_or(0, |since| since.elapsed().as_secs()),
        refused: refused as u64,
    }
}

/// Room left on a folder's disk for who has no special rights, and its size, bytes; zeros where
/// the machine does not say.
#[must_use]
pub fn room(folder: &Path) -> (u64, u64) {
    match rustix::fs::statvfs(folder) {
        Ok(disk) => (
            disk.f_bavail.saturating_mul(disk.f_frsize),
            disk.f_blocks.saturating_mul(disk.f_frsize),
        ),
        Err(_) => (0, 0),
    }
}

/// Whether so much room is so little that somebody should make more.
#[must_use]
pub const fn is_little_room(free: u64, of: u64) -> bool {
    of > 0 && (free < LITTLE_ROOM || free < of / 20)
}

/// Resident memory (`VmRSS` of proc(5)).
fn memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|l| l.strip_prefix("VmRSS:"))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    Some(kib * 1024)
}

/// Asks a worker how it is.
///
/// # Errors
/// [`BusError`]; [`BusError::NobodyAnswers`] when it does not run.
pub async fn ask(bus: &Bus, site: &SiteId, worker: &str) -> Result<Health, BusError> {
    bus.ask(site, &format!("{TOPIC}.{worker}"), &()).await
}

/// What was seen of all workers at one moment.
#[derive(Debug, Clone)]
pub struct Look {
    /// When, by the clock of whoever looked.
    pub at: DateTime<Utc>,
    /// The log's last message.
    pub log_end: u64,
    /// Each worker that should run; `None`: it did not answer.
    pub workers: Vec<(String, Option<Health>)>,
}

/// Something that a person should see to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// Its name: the same for as long as it lasts.
    pub name: String,
    /// What it is and what to do, as a sentence.
    pub words: String,
}

/// What a person should see to, given this look and the one before, a minute or more earlier.
/// What takes time to be trouble, such as a worker that is being started again, must stand in
/// both.
#[must_use]
pub fn troubles(before: Option<&Look>, now: &Look) -> Vec<Trouble> {
    let mut troubles = Vec::new();
    let mut add = |name: String, words: String| troubles.push(Trouble { name, words });
    let mut full = false;
    for (worker, health) in &now.workers {
        let earlier = before.and_then(|look| look.workers.iter().find(|(name, _)| name == worker));
        let Some(health) = health else {
            if matches!(earlier, Some((_, None))) {
                add(
                    format!("silent-{worker}"),
                    format!(
                        "the {worker} does not answer. See whether it runs, and what its log says last; `wheelward doctor` looks at all of them"
                    ),
                );
            }
            continue;
        };
        if health.waiting > 0 && health.fails_for_s >= WAITS_FOR_S {
            add(
                format!("waiting-{worker}"),
                format!(
                    "{} facts of the {worker} wait: for {} minutes the broker has not taken them. Nothing is lost while there is room for them here; see whether the broker's disk is full, and what its log says",
                    health.waiting,
                    health.fails_for_s / 60
                ),
            );
        }
        if health.refused > 0 {
            add(
                format!("refused-{worker}"),
                format!(
                    "the broker refused {} facts of the {worker}; they are kept, each with the reason, in refused.ndjson in its outbox",
                    health.refused
                ),
            );
        }
        if is_little_room(health.disk_free_bytes, health.disk_bytes) && !full {
            // Most workers are on one disk: it is said once.
            full = true;
            add(
                "disk".to_owned(),
                format!(
                    "the disk of the {worker}'s data folder has {:.1} GB left of {:.0} GB. Make room: when it is full, scans are refused",
                    gigabytes(health.disk_free_bytes),
                    gigabytes(health.disk_bytes)
                ),
            );
        }
        let off = health.said_at - now.at;
        if off.abs() > CLOCKS_DIFFER {
            add(
                format!("clock-{worker}"),
                format!(
                    "the clock of the {worker}'s machine is {} s {} of this one. Set both by a time server",
                    off.num_seconds().abs(),
                    if off > TimeDelta::zero() {
                        "ahead"
                    } else {
                        "behind"
                    }
                ),
            );
        }
        if let Some((_, Some(earlier))) = earlier
            && before.is_some_and(|look| earlier.read_to < look.log_end)
            && health.started_at == earlier.started_at
            && health.read_to > 0
            && health.read_to <= earlier.read_to
        {
            add(
                format!("stuck-{worker}"),
                format!(
                    "the {worker} has read {} of {} messages of the log and does not go on. See what its log says last, and start it again",
                    health.read_to, now.log_end
                ),
            );
        }
    }
    troubles
}

/// What is wrong with the nightly backup in a folder, if anything.
#[must_use]
pub fn backup(folder: &Path, now: DateTime<Utc>) -> Option<Trouble> {
    // The folder's other times are those of what was copied into it.
    let changed = std::fs::metadata(folder).map(|folder| folder.ctime());
    let made = changed.ok().and_then(|at| DateTime::from_timestamp(at, 0));
    let shown = folder.display();
    let words = match made {
        Some(made) if now - made <= BACKUP_WITHIN => return None,
        Some(made) => format!(
            "the newest backup in {shown} is of {}. See whether the nightly backup runs",
            made.format("%Y-%m-%d %H:%M UTC")
        ),
        None => format!(
            "there is no backup in {shown}. See whether the nightly backup runs, and whether that disk is there"
        ),
    };
    Some(Trouble {
        name: "backup".to_owned(),
        words,
    })
}

fn gigabytes(bytes: u64) -> f64 {
    bytes as f64 / f64::from(1 << 30)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_770_000_000 + seconds, 0).unwrap()
    }

    fn well(seconds: i64) -> Health {
        Health {
            version: "1".to_owned(),
            started_at: at(-1_000),
            said_at: at(seconds),
            memory_bytes: 1,
            open_files: 1,
            disk_free_bytes: 50 << 30,
            disk_bytes: 100 << 30,
            read_to: 90,
            waiting: 0,
            fails_for_s: 0,
            refused: 0,
        }
    }

    fn look(seconds: i64, health: Option<Health>) -> Look {
        Look {
            at: at(seconds),
            log_end: 90,
            workers: vec![("scheduler".to_owned(), health)],
        }
    }

    fn names(before: Option<&Look>, now: &Look) -> Vec<String> {
        let troubles = troubles(before, now);
        troubles.into_iter().map(|trouble| trouble.name).collect()
    }

    #[test]
    fn who_is_well_is_no_trouble_and_who_is_silent_twice_is() {
        let (first, gone) = (look(0, Some(well(0))), look(60, None));
        assert_eq!(names(None, &first), [""; 0]);
        assert_eq!(names(Some(&first), &look(60, Some(well(60)))), [""; 0]);
        assert_eq!(names(Some(&first), &gone), [""; 0]);
        assert_eq!(names(Some(&gone), &look(120, None)), ["silent-scheduler"]);
        assert_eq!(names(Some(&gone), &look(120, Some(well(120)))), [""; 0]);
    }

    #[test]
    fn each_kind_of_trouble_is_seen() {
        let with = |change: fn(&mut Health)| {
            let mut health = well(60);
            change(&mut health);
            names(Some(&look(0, Some(well(0)))), &look(60, Some(health)))
        };
        assert_eq!(with(|h| h.waiting = 1), [""; 0]);
        assert_eq!(with(|h| h.fails_for_s = 900), [""; 0]);
        assert_eq!(with(|h| (h.waiting, h.fails_for_s) = (1, 179)), [""; 0]);
        assert_eq!(
            with(|h| (h.waiting, h.fails_for_s) = (1, 180)),
            ["waiting-scheduler"]
        );
        assert_eq!(with(|h| h.refused = 2), ["refused-scheduler"]);
        assert_eq!(with(|h| h.disk_free_bytes = 1 << 29), ["disk"]);
        assert_eq!(with(|h| h.disk_free_bytes = 4 << 30), ["disk"]);
        assert_eq!(with(|h| h.disk_bytes = 0), [""; 0]);
        assert_eq!(with(|h| h.said_at = at(95)), ["clock-scheduler"]);
        assert_eq!(with(|h| h.said_at = at(-10)), ["clock-scheduler"]);
    }

    #[test]
    fn a_backup_of_the_day_before_yesterday_and_none_are_trouble() {
        let dir = tempfile::tempdir().unwrap();
        let now = Clock::system().now();
        assert_eq!(backup(dir.path(), now), None);
        let late = now + TimeDelta::hours(49);
        assert!(backup(dir.path(), late).unwrap().words.contains("newest"));
        let none = backup(&dir.path().join("unplugged"), now).unwrap();
        assert!(none.words.contains("no backup"));
    }

    #[test]
    fn a_worker_that_does_not_go_on_though_there_is_more_is_stuck() {
        let mut before = look(0, Some(well(0)));
        before.log_end = 95;
        let now = look(60, Some(well(60)));
        assert_eq!(names(Some(&before), &now), ["stuck-scheduler"]);
        let mut moved = well(60);
        moved.read_to = 91;
        assert_eq!(names(Some(&before), &look(60, Some(moved))), [""; 0]);
        let mut reads_none = before.clone();
        reads_none.workers[0].1 = Some(Health {
            read_to: 0,
            ..well(0)
        });
        let still = look(
            60,
            Some(Health {
                read_to: 0,
                ..well(60)
            }),
        );
        assert_eq!(names(Some(&reads_none), &still), [""; 0]);
    }
}
