//! The outbox: a station's facts on its own disk until the broker has them.
//!
//! One sled tree holds four kinds of keys, so that one batch changes them together:
//! `n<station>` the last number given, `w<position>` a fact that waits, `s<position>` a
//! fact that was sent and is kept for a while in case the broker loses it; `k<key>` is what
//! a worker wants kept together with its facts. A fact's value is one line of JSON. sled's own flush is no fsync, so the file is synced as well
//! before a fact counts as recorded.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactIdSource, SiteId, StationId, wire};
use tokio::sync::Notify;

use crate::publishing::Outgoing;
use crate::retry::Backoff;
use crate::streams::FLOOR_LARGEST;
use crate::{Bus, BusError, OutboxError, Shutdown};

/// Facts kept after they were sent: days of one station's work.
const KEPT: usize = 20_000;

/// Facts taken out at a time.
const TAKEN: usize = 1000;

/// Largest fact: leaves room for headers.
const LARGEST: usize = FLOOR_LARGEST - 16 * 1024;

/// How long a worker that was asked to stop goes on sending.
const LAST_TRY: Duration = Duration::from_secs(2);

/// How long the one before us may take to let go of the folder.
const LETS_GO_WITHIN: Duration = Duration::from_secs(2);

const NUMBER: u8 = b'n';
const WAITS: u8 = b'w';
const SENT: u8 = b's';
const UNREADABLE: u8 = b'x';
const NOTE: u8 = b'k';

/// What a worker keeps together with its facts: a key, and its value; none forgets the key.
pub type Note = (Vec<u8>, Option<Vec<u8>>);

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
    /// Facts up to this position are on the disk: only they may be sent, else a power cut
    /// could give a number twice.
    on_disk: AtomicU64,
    waiting: AtomicUsize,
    kept: AtomicUsize,
    /// A write failed: nothing more is recorded, what is on the disk is still sent.
    broken: AtomicBool,
    more: Notify,
}

struct Order {
    /// The position of the next fact.
    next: u64,
    ids: FactIdSource,
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
        let (mut waiting, mut kept, mut last) = (0, 0, 0);
        for key in facts.iter().keys() {
            let key = key.map_err(wrong)?;
            let Some((kind, position)) = split(&key) else {
                continue;
            };
            waiting += usize::from(kind == WAITS);
            kept += usize::from(kind == SENT);
            last = last.max(position);
        }
        Ok(Self {
            inner: Arc::new(Inner {
                dir: dir.to_owned(),
                site,
                db,
                facts,
                file,
                order: Mutex::new(Order {
                    next: last + 1,
                    ids: FactIdSource::default(),
                }),
                on_disk: AtomicU64::new(last),
                waiting: AtomicUsize::new(waiting),
                kept: AtomicUsize::new(kept),
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
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        if inner.broken.load(Ordering::Acquire) {
            return Err(OutboxError::Folder {
                dir: inner.dir.clone(),
                reason: "an earlier write failed; see that the disk works and has room, then start this worker again".to_owned(),
            });
        }
        let mut recorded = Vec::with_capacity(drafts.len());
        let last = {
            let mut order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
            let number_key = number_key(&inner.facts, station).map_err(wrong)?;
            let given = inner.facts.get(&number_key).map_err(wrong)?;
            let mut number = given.as_deref().and_then(big_endian).unwrap_or(0);
            let mut position = order.next;
            let mut batch = sled::Batch::default();
            for draft in drafts {
                number += 1;
                let (occurred_at, claimed_at) = facts::ordered(draft.occurred_at, recorded_at);
                let fact = Fact {
                    id: order.ids.next(recorded_at),
                    site: inner.site,
                    station: *station,
                    station_seq: number,
                    person: draft.person,
                    occurred_at,
                    claimed_at,
                    recorded_at,
                    event: draft.event,
                };
                let line = wire::to_line(&fact).map_err(OutboxError::Write)?;
                if line.len() > LARGEST {
                    return Err(OutboxError::TooLarge {
                        ty: fact.event.ty(),
                        size: line.len(),
                        most: LARGEST,
                    });
                }
                // What readers would refuse must not be taken from anyone.
                if let Err(why) = wire::from_line(&line) {
                    return Err(OutboxError::Unreadable {
                        ty: fact.event.ty(),
                        why,
                    });
                }
                batch.insert(&key(WAITS, position), line.as_bytes());
                recorded.push(fact);
                position += 1;
            }
            batch.insert(number_key, &number.to_be_bytes());
            for (key, value) in notes(&recorded) {
                let key = note_key(&key);
                match value {
                    Some(value) => batch.insert(key, value),
                    None => batch.remove(key),
                }
            }
            inner.facts.apply_batch(batch).map_err(wrong)?;
            order.next = position;
            inner.waiting.fetch_add(recorded.len(), Ordering::AcqRel);
            position - 1
        };
        // Outside the lock: one sync serves all who wait for one.
        let synced = inner.db.flush().map_err(wrong).and_then(|_| {
            let synced = inner.file.sync_data();
            synced.map_err(|error| io_error(&inner.dir, &error))
        });
        if let Err(error) = synced {
            // What the disk holds now is known only after reopening.
            inner.broken.store(true, Ordering::Release);
            return Err(error);
        }
        inner.on_disk.fetch_max(last, Ordering::AcqRel);
        inner.more.notify_one();
        Ok(recorded)
    }

    /// A station's earlier facts were recorded elsewhere, up to `number`: on another machine,
    /// or before its folder was lost. It goes on after that number; it never goes back.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn continue_after(&self, station: &StationId, number: u64) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let _order = inner.order.lock().unwrap_or_else(PoisonError::into_inner);
        let key = number_key(&inner.facts, station).map_err(wrong)?;
        let given = inner.facts.get(&key).map_err(wrong)?;
        if given.as_deref().and_then(big_endian).unwrap_or(0) < number {
            let bytes = number.to_be_bytes();
            inner.facts.insert(key, &bytes).map_err(wrong)?;
            inner.db.flush().map_err(wrong)?;
        }
        Ok(())
    }

    /// What was kept under a key.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn note(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        let found = self.inner.facts.get(note_key(key));
        let found = found.map_err(|error| sled_error(&self.inner.dir, error))?;
        Ok(found.map(|value| value.to_vec()))
    }

    /// Everything kept under keys that begin so, the last key first.
    pub fn notes(
        &self,
        begin: &[u8],
    ) -> impl Iterator<Item = Result<(Vec<u8>, Vec<u8>), OutboxError>> + use<> {
        let dir = self.inner.dir.clone();
        let found = self.inner.facts.scan_prefix(note_key(begin)).rev();
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

    /// Sends what waits, oldest first, until asked to stop. A fact leaves only when the
    /// broker acknowledged it; while the broker is away facts wait.
    pub async fn drain(&self, bus: &Bus, shutdown: &Shutdown) {
        let mut sending = Sending {
            outbox: self,
            bus,
            trouble: None,
            sent: 0,
            ready: false,
        };
        let mut backoff = Backoff::default();
        loop {
            tokio::select! {
                () = shutdown.requested() => break,
                sent = sending.send_all() => match sent {
                    Ok(()) => {
                        backoff.reset();
                        tokio::select! {
                            () = shutdown.requested() => break,
                            () = self.inner.more.notified() => {}
                        }
                    }
                    Err(error) => {
                        sending.tell(&error);
                        tokio::select! {
                            () = shutdown.requested() => break,
                            () = backoff.wait() => {}
                        }
                    }
                },
            }
        }
        if bus.is_connected() {
            // What was recorded last should not have to wait for the next start.
            let _ = tokio::time::timeout(LAST_TRY, sending.send_all()).await;
        }
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
        let mut batch = sled::Batch::default();
        let mut again = 0;
        for entry in inner.facts.scan_prefix([SENT]) {
            let (sent_key, line) = entry.map_err(wrong)?;
            let (Some((_, position)), Some(fact)) = (split(&sent_key), read(&line)) else {
                continue;
            };
            if fact.station == *station && fact.station_seq > after {
                batch.remove(sent_key);
                batch.insert(&key(WAITS, position), line);
                again += 1;
            }
        }
        inner.facts.apply_batch(batch).map_err(wrong)?;
        inner.kept.fetch_sub(again, Ordering::AcqRel);
        inner.waiting.fetch_add(again, Ordering::AcqRel);
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
        let mut facts = Vec::new();
        for prefix in [SENT, WAITS] {
            for line in inner.facts.scan_prefix([prefix]).values() {
                facts.extend(read(&line.map_err(|error| sled_error(&inner.dir, error))?));
            }
        }
        Ok(facts)
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
    fn oldest(&self) -> Result<Vec<(u64, Outgoing)>, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let end = key(WAITS, inner.on_disk.load(Ordering::Acquire));
        let mut taken = Vec::new();
        for entry in inner.facts.range(key(WAITS, 0)..=end).take(TAKEN) {
            let (waits_key, line) = entry.map_err(wrong)?;
            let Some((_, position)) = split(&waits_key) else {
                continue;
            };
            match read(&line).map(|fact| Outgoing::of(&fact)) {
                Some(Ok(outgoing)) => taken.push((position, outgoing)),
                // Written by another version of this program. Never thrown away.
                Some(Err(_)) | None => {
                    tracing::error!(
                        position,
                        dir = %inner.dir.display(),
                        "a fact in the outbox cannot be read by this version and was set aside there"
                    );
                    let mut batch = sled::Batch::default();
                    batch.remove(waits_key);
                    batch.insert(&key(UNREADABLE, position), line);
                    inner.facts.apply_batch(batch).map_err(wrong)?;
                    inner.waiting.fetch_sub(1, Ordering::AcqRel);
                }
            }
        }
        Ok(taken)
    }

    /// The broker has these: they no longer wait.
    fn sent(&self, positions: impl Iterator<Item = u64>) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let wrong = |error| sled_error(&inner.dir, error);
        let mut batch = sled::Batch::default();
        let mut sent = 0;
        for position in positions {
            let waits_key = key(WAITS, position);
            let Some(line) = inner.facts.get(waits_key).map_err(wrong)? else {
                continue;
            };
            batch.remove(&waits_key);
            batch.insert(&key(SENT, position), line);
            sent += 1;
        }
        let kept = inner.kept.load(Ordering::Acquire) + sent;
        let mut forgotten = 0;
        for old in inner
            .facts
            .scan_prefix([SENT])
            .keys()
            .take(kept.saturating_sub(KEPT))
        {
            batch.remove(old.map_err(wrong)?);
            forgotten += 1;
        }
        // Not synced: after a power cut a fact may be sent twice, which is harmless.
        inner.facts.apply_batch(batch).map_err(wrong)?;
        inner.kept.store(kept - forgotten, Ordering::Release);
        inner.waiting.fetch_sub(sent, Ordering::AcqRel);
        Ok(sent)
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

/// Sending, and what was said about it.
struct Sending<'a> {
    outbox: &'a Outbox,
    bus: &'a Bus,
    /// What was last said to be wrong.
    trouble: Option<String>,
    /// Facts sent since then.
    sent: usize,
    /// Whether the streams were there when last looked at.
    ready: bool,
}

impl Sending<'_> {
    async fn send_all(&mut self) -> Result<(), DrainError> {
        loop {
            let taken = self.outbox.oldest()?;
            if taken.is_empty() {
                if self.trouble.take().is_some() {
                    tracing::info!(sent = self.sent, "the broker is back: what waited was sent");
                }
                return Ok(());
            }
            if !self.bus.is_connected() {
                self.away("the broker is away");
                self.bus.connected().await;
            }
            if !self.ready {
                self.bus.ready().await?;
                self.ready = true;
            }
            let (positions, outgoing): (Vec<u64>, Vec<Outgoing>) = taken.into_iter().unzip();
            self.bus.publish_outgoing(&outgoing).await?;
            self.sent += self.outbox.sent(positions.into_iter())?;
        }
    }

    fn away(&mut self, why: &str) {
        if self.trouble.as_deref() != Some(why) {
            let waiting = self.outbox.waiting();
            tracing::warn!(waiting, "{why}: facts wait in the outbox and will be sent");
            self.trouble = Some(why.to_owned());
            self.sent = 0;
        }
    }

    fn tell(&mut self, error: &DrainError) {
        self.ready = false;
        self.away(&error.to_string());
    }
}

/// Why draining stopped for a moment.
#[derive(Debug, thiserror::Error)]
enum DrainError {
    #[error(transparent)]
    Bus(#[from] BusError),
    #[error(transparent)]
    Outbox(#[from] OutboxError),
}

fn read(line: &[u8]) -> Option<Fact> {
    match wire::from_line(std::str::from_utf8(line).ok()?).ok()? {
        wire::Read::Fact(fact) => Some(fact),
        wire::Read::UnknownType(_) => None,
    }
}

/// The key of a fact: its kind and its position, so that facts lie in order.
fn key(kind: u8, position: u64) -> [u8; 9] {
    let mut key = [kind; 9];
    key[1..].copy_from_slice(&position.to_be_bytes());
    key
}

fn split(key: &[u8]) -> Option<(u8, u64)> {
    let (kind, position) = key.split_first()?;
    matches!(*kind, WAITS | SENT | UNREADABLE)
        .then(|| Some((*kind, big_endian(position)?)))
        .flatten()
}

fn note_key(key: &[u8]) -> Vec<u8> {
    [&[NOTE], key].concat()
}

/// Where a station's last number is. A station whose code is written in another case than
/// before is the same station, and goes on counting.
fn number_key(facts: &sled::Tree, station: &StationId) -> Result<Vec<u8>, sled::Error> {
    let key = [&[NUMBER], station.as_str().as_bytes()].concat();
    if !facts.contains_key(&key)? {
        for kept in facts.scan_prefix([NUMBER]).keys() {
            let kept = kept?;
            if kept.eq_ignore_ascii_case(&key) {
                return Ok(kept.to_vec());
            }
        }
    }
    Ok(key)
}

fn big_endian(bytes: &[u8]) -> Option<u64> {
    bytes.try_into().ok().map(u64::from_be_bytes)
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
