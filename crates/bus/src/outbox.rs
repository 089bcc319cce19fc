//! The outbox: a station's facts on its own disk until the broker has them.
//!
//! What lies there under which key is [`book`]'s. One sled tree holds all of it, so that one
//! batch changes it together. sled's own flush is no fsync, so the file is synced as well
//! before a fact counts as recorded.

pub mod book;
mod drain;

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactIdSource, SiteId, StationId, wire};
use tokio::sync::Notify;

use crate::OutboxError;
use crate::retry::Backoff;
use book::{Changes, NotNumbered, Outcome, Refused, Settled, Shelf};

/// How long the one before us may take to let go of the folder.
const LETS_GO_WITHIN: Duration = Duration::from_secs(2);

/// What a worker keeps together with its facts: a key, and its value; none forgets the key.
pub type Note = (Vec<u8>, Option<Vec<u8>>);

/// Where facts that the broker refused can be found, in the outbox's folder: each a line, with
/// its reason.
pub const REFUSED_FILE: &str = "refused.ndjson";

/// The facts of one worker's stations, kept until the broker has stored them. Cheap to
/// clone; one process at a time.
#[derive(Clone)]
pub struct Outbox {
    inner: Arc<Inner>,
}

struct Inner {
    dir: PathBuf,
    site: SiteId,
    db: sled::Db,
    facts: sled::Tree,
    /// sled's data file, for syncing.
    file: File,
    /// Held while numbers are given, so that facts lie in the order of their numbers.
    order: Mutex<Order>,
    /// How many of those writes are on the disk. Held while the disk syncs, so that whoever
    /// wrote meanwhile shares the next sync.
    synced: Mutex<u64>,
    /// Facts up to this position are on the disk: only they may be sent, else a power cut
    /// could give a number twice.
    on_disk: AtomicU64,
    waiting: AtomicUsize,
    kept: AtomicUsize,
    refused: AtomicUsize,
    /// A write failed: nothing more is recorded, what is on the disk is still sent.
    broken: AtomicBool,
    more: Notify,
}

struct Order {
    /// The position of the next fact.
    next: u64,
    /// How many writes there were since this outbox was opened.
    writes: u64,
    ids: FactIdSource,
}

/// What was written and may not be on the disk yet: nobody is told "OK" before
/// [`Written::synced`].
#[derive(Debug)]
#[must_use = "it counts only once it is on the disk"]
pub struct Written {
    outbox: Outbox,
    facts: Vec<Fact>,
    write: u64,
}

impl Written {
    /// The facts.
    #[must_use]
    pub fn facts(&self) -> &[Fact] {
        &self.facts
    }

    /// Waits for the disk. What waits for it together takes one sync.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn synced(self) -> Result<Vec<Fact>, OutboxError> {
        self.outbox.sync(self.write)?;
        Ok(self.facts)
    }
}

impl std::fmt::Debug for Outbox {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Outbox")
            .field("dir", &self.inner.dir)
            .field("waiting", &self.waiting())
            .finish_non_exhaustive()
    }
}

impl Outbox {
    /// Opens the outbox in its own folder, making it if need be. Numbers go on where they
    /// stopped. Waits a moment for a predecessor that is just ending.
    ///
    /// # Errors
    /// [`OutboxError`] says what to do about the folder.
    pub fn open(dir: &Path, site: SiteId) -> Result<Self, OutboxError> {
        let wrong = |error| sled_error(dir, error);
        let db = open_db(dir)?;
        let facts = db.open_tree("facts").map_err(wrong)?;
        let file = File::open(dir.join("db")).map_err(|error| io_error(dir, &error))?;
        // What was refused before may be wanted now: another version of this program made it
        // readable, or somebody corrected the permissions.
        let (again, _) = book::try_refused(&facts).map_err(wrong)?;
        facts.apply(again).map_err(wrong)?;
        // A process that was killed may have written what it had not synced yet. From here on
        // it is sent, and answered for: so it must be on the disk first.
        db.flush().map_err(wrong)?;
        file.sync_data().map_err(|error| io_error(dir, &error))?;
        let book::Standing {
            waiting,
            sent,
            refused,
            last,
        } = book::standing(&facts).map_err(wrong)?;
        Ok(Self {
            inner: Arc::new(Inner {
                dir: dir.to_owned(),
                site,
                db,
                facts,
                file,
                order: Mutex::new(Order {
                    next: last + 1,
                    writes: 0,
                    ids: FactIdSource::default(),
                }),
                synced: Mutex::new(0),
                on_disk: AtomicU64::new(last),
                waiting: AtomicUsize::new(waiting),
                kept: AtomicUsize::new(sent),
                refused: AtomicUsize::new(refused),
                broken: AtomicBool::new(false),
                more: Notify::new(),
            }),
        })
    }

    /// Numbers the drafts, stamps them with ids and stores them. When it returns they are on
    /// the disk, all or none: the person may be told "OK". It takes as long as the disk
    /// needs for one sync.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn record(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
    ) -> Result<Vec<Fact>, OutboxError> {
        if drafts.is_empty() {
            return Ok(Vec::new());
        }
        self.record_with(station, drafts, recorded_at, |_| Vec::new())
    }

    /// As [`Outbox::record`], and keeps notes in the same batch: all of it or nothing, also
    /// after a crash. Without drafts only the notes are kept.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn record_with(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Vec<Note>,
    ) -> Result<Vec<Fact>, OutboxError> {
        self.write_with(station, drafts, recorded_at, notes)?
            .synced()
    }

    /// The first half of [`Outbox::record_with`]: numbers and writes, without waiting for the
    /// disk. Several that write one after the other can then wait for one sync together.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn write_with(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Vec<Note>,
    ) -> Result<Written, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        if self.is_broken() {
            return Err(self.broken());
        }
        let (recorded, write) = {
            let mut order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
            let at = (order.next, || order.ids.next(recorded_at));
            let whose = (inner.site, *station);
            let numbered = book::number(&inner.facts, at, whose, drafts, recorded_at);
            let (recorded, mut changes) = numbered.map_err(|error| match error {
                NotNumbered::Shelf(error) => wrong(error),
                NotNumbered::TooLarge(ty, size, most) => OutboxError::TooLarge { ty, size, most },
                NotNumbered::Write(error) => OutboxError::Write(error),
                NotNumbered::Unreadable(ty, why) => OutboxError::Unreadable { ty, why },
            })?;
            book::keep_notes(&mut changes, notes(&recorded));
            inner.facts.apply(changes).map_err(wrong)?;
            order.next += recorded.len() as u64;
            inner.waiting.fetch_add(recorded.len(), Ordering::AcqRel);
            order.writes += 1;
            (recorded, order.writes)
        };
        Ok(Written {
            outbox: self.clone(),
            facts: recorded,
            write,
        })
    }

    /// Waits until a write is on the disk. One sync serves all who wait for one.
    fn sync(&self, write: u64) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let mut synced = inner.synced.lock().unwrap_or_else(PoisonError::into_inner);
        if *synced >= write {
            return Ok(());
        }
        if self.is_broken() {
            return Err(self.broken());
        }
        let (writes, last) = {
            let order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
            (order.writes, order.next - 1)
        };
        let flushed = inner.db.flush();
        let flushed = flushed.map_err(|error| sled_error(&inner.dir, error));
        let done = flushed.and_then(|_| {
            let done = inner.file.sync_data();
            done.map_err(|error| io_error(&inner.dir, &error))
        });
        if let Err(error) = done {
            // What the disk holds now is known only after reopening.
            inner.broken.store(true, Ordering::Release);
            return Err(error);
        }
        *synced = writes;
        inner.on_disk.fetch_max(last, Ordering::AcqRel);
        inner.more.notify_one();
        Ok(())
    }

    fn broken(&self) -> OutboxError {
        OutboxError::Folder {
            dir: self.inner.dir.clone(),
            reason: "an earlier write failed; see that the disk works and has room, then start this worker again".to_owned(),
        }
    }

    /// Whether a write failed: what is known then may not be what the disk holds.
    #[must_use]
    pub fn is_broken(&self) -> bool {
        self.inner.broken.load(Ordering::Acquire)
    }

    /// A station's earlier facts were recorded elsewhere, up to `number`: on another machine,
    /// or before its folder was lost. It goes on after that number; it never goes back.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn continue_after(&self, station: &StationId, number: u64) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let write = {
            let mut order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
            let changes = book::continue_after(&inner.facts, station, number).map_err(wrong)?;
            inner.facts.apply(changes).map_err(wrong)?;
            order.writes += 1;
            order.writes
        };
        self.sync(write)
    }

    /// What was kept under a key, once it is on the disk: for what somebody is told by it. May
    /// wait for a sync: not to be called while others wait for what the caller holds.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn synced_note(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        let found = self.note(key)?;
        if found.is_some() {
            let order = self.inner.order.lock();
            let written = order.unwrap_or_else(PoisonError::into_inner).writes;
            self.sync(written)?;
        }
        Ok(found)
    }

    /// What was kept under a key. It may not be on the disk yet: [`Outbox::synced_note`].
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn note(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        let found = self.inner.facts.get(book::note_key(key));
        let found = found.map_err(|error| sled_error(&self.inner.dir, error))?;
        Ok(found.map(|value| value.to_vec()))
    }

    /// Everything kept under keys that begin so, the last key first.
    pub fn notes(
        &self,
        begin: &[u8],
    ) -> impl Iterator<Item = Result<(Vec<u8>, Vec<u8>), OutboxError>> + use<> {
        let dir = self.inner.dir.clone();
        let found = self.inner.facts.scan_prefix(book::note_key(begin)).rev();
        found.map(move |entry| {
            let (key, value) = entry.map_err(|error| sled_error(&dir, error))?;
            let key = key.get(1..).unwrap_or_default().to_vec();
            Ok((key, value.to_vec()))
        })
    }

    /// How many facts wait for the broker.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.inner.waiting.load(Ordering::Acquire)
    }

    /// How many facts the broker refused. They are kept, with the reasons, in
    /// [`REFUSED_FILE`] in the outbox's folder, and go again at the next connection or start.
    #[must_use]
    pub fn refused(&self) -> usize {
        self.inner.refused.load(Ordering::Acquire)
    }

    /// What the broker refused, and why.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn refusals(&self) -> Result<Vec<Refused>, OutboxError> {
        book::refused(&self.inner.facts).map_err(|error| sled_error(&self.inner.dir, error))
    }

    /// Puts a station's facts after number `after` that were sent, and are still kept, back
    /// among those that wait: for a broker that lost what it had acknowledged. The same
    /// facts with the same ids, so sending one too many does no harm. Returns how many.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn send_again(&self, station: &StationId, after: u64) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let (again, write) = {
            let mut order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
            let (changes, again) = book::send_again(&inner.facts, station, after).map_err(wrong)?;
            inner.facts.apply(changes).map_err(wrong)?;
            inner.kept.fetch_sub(again, Ordering::AcqRel);
            inner.waiting.fetch_add(again, Ordering::AcqRel);
            order.writes += 1;
            (again, order.writes)
        };
        // Else a power cut would make them sent again, and nobody would know that they are not.
        self.sync(write)?;
        inner.more.notify_one();
        Ok(again)
    }

    /// Every fact still here, sent or not, in the order of recording: what a worker must
    /// know again after a crash, whether the broker is there or not.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn kept(&self) -> Result<Vec<Fact>, OutboxError> {
        let inner = &*self.inner;
        let lines = book::lines(&inner.facts).map_err(|error| sled_error(&inner.dir, error))?;
        Ok(lines.iter().filter_map(|line| read(line)).collect())
    }

    /// A tree beside the facts for the worker's own small state.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn tree(&self, name: &str) -> Result<sled::Tree, OutboxError> {
        self.inner
            .db
            .open_tree(format!("state/{name}"))
            .map_err(|error| sled_error(&self.inner.dir, error))
    }

    /// The oldest facts that may be sent.
    fn oldest(&self, most: usize) -> Result<Vec<(u64, Vec<u8>)>, OutboxError> {
        let inner = &*self.inner;
        let on_disk = inner.on_disk.load(Ordering::Acquire);
        book::oldest(&inner.facts, on_disk, most).map_err(|error| sled_error(&inner.dir, error))
    }

    /// This is what became of facts.
    fn settle(&self, outcomes: Vec<(u64, Outcome)>) -> Result<Settled, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let kept = inner.kept.load(Ordering::Acquire);
        let (changes, settled) = book::settle(&inner.facts, outcomes, kept).map_err(wrong)?;
        // Not synced: after a power cut a fact may be sent twice, which is harmless.
        inner.facts.apply(changes).map_err(wrong)?;
        let Settled {
            sent,
            refused,
            forgotten,
        } = settled;
        inner.kept.store(kept + sent - forgotten, Ordering::Release);
        inner.refused.fetch_add(refused, Ordering::AcqRel);
        inner.waiting.fetch_sub(sent + refused, Ordering::AcqRel);
        Ok(settled)
    }

    /// Lets what was refused wait again.
    fn try_refused(&self) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let (changes, again) = book::try_refused(&inner.facts).map_err(wrong)?;
        inner.facts.apply(changes).map_err(wrong)?;
        inner.refused.fetch_sub(again, Ordering::AcqRel);
        inner.waiting.fetch_add(again, Ordering::AcqRel);
        Ok(again)
    }
}

impl Shelf for sled::Tree {
    type Error = sled::Error;

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, sled::Error> {
        Ok(Self::get(self, key)?.map(|value| value.to_vec()))
    }

    fn scan(
        &self,
        from: Vec<u8>,
        to: Vec<u8>,
    ) -> impl Iterator<Item = Result<book::Entry, sled::Error>> {
        self.range(from..=to).map(|entry| {
            let (key, value) = entry?;
            Ok((key.to_vec(), value.to_vec()))
        })
    }

    fn apply(&self, changes: Changes) -> Result<(), sled::Error> {
        let mut batch = sled::Batch::default();
        for (key, value) in changes.0 {
            match value {
                Some(value) => batch.insert(key, value),
                None => batch.remove(key),
            }
        }
        self.apply_batch(batch)
    }
}

/// Opens the folder. Its lock may outlive the one who held it for a moment: a predecessor
/// is still ending, or a process that was just started from it has not let go yet.
fn open_db(dir: &Path) -> Result<sled::Db, OutboxError> {
    let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(200));
    let mut waited = Duration::ZERO;
    loop {
        let opened = sled::Config::new()
            .path(dir)
            .cache_capacity(16 << 20)
            .flush_every_ms(Some(500))
            .open()
            .map_err(|error| sled_error(dir, error));
        match opened {
            Err(OutboxError::InUse(_)) if waited < LETS_GO_WITHIN => {
                let delay = backoff.delay();
                std::thread::sleep(delay);
                waited += delay;
            }
            opened => return opened,
        }
    }
}

fn read(line: &[u8]) -> Option<Fact> {
    match wire::from_line(std::str::from_utf8(line).ok()?).ok()? {
        wire::Read::Fact(fact) => Some(fact),
        wire::Read::UnknownType(_) => None,
    }
}

fn sled_error(dir: &Path, error: sled::Error) -> OutboxError {
    match error {
        sled::Error::Io(error) => io_error(dir, &error),
        sled::Error::Corruption { .. } => OutboxError::Damaged {
            dir: dir.to_owned(),
            reason: error.to_string(),
        },
        other => OutboxError::Folder {
            dir: dir.to_owned(),
            reason: other.to_string(),
        },
    }
}

fn io_error(dir: &Path, error: &std::io::Error) -> OutboxError {
    use std::io::ErrorKind;
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => OutboxError::DiskFull(dir.to_owned()),
        _ if error.to_string().contains("could not acquire lock") => {
            OutboxError::InUse(dir.to_owned())
        }
        _ => OutboxError::Folder {
            dir: dir.to_owned(),
            reason: error.to_string(),
        },
    }
}
