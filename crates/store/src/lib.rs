//! What survives a crash: the folded floor in sled, with the stream position it stands
//! for, always written in one batch.
//!
//! The store is a projection. Nothing is lost if its folder is deleted: the log is
//! folded again. So a store that cannot be opened is put aside, never repaired.
//!
//! Invariant: the position in the store is exactly the position of the state in the
//! store. sled applies a batch on one tree whole or not at all, so one tree holds both.

mod key;

use std::path::{Path, PathBuf};

use facts::{BatchId, RoomId, StationId, ToolId, WheelId};
use key::Key;
use ripening::{Counts, Floor, Practice, Voiding, Wheel};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Raised when what is stored would be read differently: the log is then folded again.
const FORMAT: u32 = 5;

/// Bytes that must be free before a store that found the disk full is opened again: more
/// than one of sled's segments and a busy minute's facts.
const ROOM: usize = 16 << 20;

/// Why the store cannot do its work.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process has it open.
    #[error(
        "{0} is in use by another process: stop the other scheduler, or give this one its own data folder"
    )]
    InUse(PathBuf),
    /// The disk is full.
    #[error(
        "the disk that holds {0} is full: free some space; nothing is lost, folding goes on by itself"
    )]
    DiskFull(PathBuf),
    /// Anything else that sled or the file system reports.
    #[error(
        "the store in {path} failed: {source}; if it stays so, stop the scheduler and delete that folder: it is rebuilt from the log"
    )]
    Failed {
        /// The folder.
        path: PathBuf,
        /// What was reported.
        source: sled::Error,
    },
    /// Something does not encode; a defect, not an input.
    #[error("a record could not be written down: {0}")]
    Encoding(postcard::Error),
}

/// A message to publish once the state that asks for it is safe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, serde::Deserialize)]
pub struct Effect {
    /// The end of its subject, after the site.
    pub tail: String,
    /// Its id: the same if it is made again.
    pub id: String,
    /// Its body.
    pub body: Vec<u8>,
}

/// The scheduler's store.
pub struct Store {
    path: PathBuf,
    db: sled::Db,
    tree: sled::Tree,
}

/// A floor as it was stored.
pub struct Loaded<P> {
    /// The floor; nothing is derived yet.
    pub floor: Floor,
    /// The stream position it stands for; `None` for an empty store.
    pub position: Option<P>,
}

impl Store {
    /// Opens the store in a folder, or makes it. One that cannot be read is put aside
    /// under a name ending in `.damaged-N`, with a warning, and a new one begun.
    ///
    /// # Errors
    /// [`StoreError`] when it is in use, the disk is full, or the folder cannot be made.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let store = match Self::try_open(path) {
            Err(StoreError::Failed { source, .. }) if path.exists() => {
                let aside = free_name(path);
                tracing::warn!(
                    "the store could not be read ({source}): put aside as {}, folding the log again",
                    aside.display()
                );
                std::fs::rename(path, &aside).map_err(|e| failed(path, sled::Error::Io(e)))?;
                Self::try_open(path)?
            }
            other => other?,
        };
        let format: Option<u32> = store.get(&Key::Format)?;
        if format != Some(FORMAT) {
            store.tree.clear().map_err(|e| failed(path, e))?;
            let bytes = encode(&FORMAT)?;
            store
                .tree
                .insert(Key::Format.encode(), bytes)
                .map_err(|e| failed(path, e))?;
        }
        Ok(store)
    }

    fn try_open(path: &Path) -> Result<Self, StoreError> {
        let db = sled::Config::new()
            .path(path)
            .cache_capacity(64 << 20)
            .flush_every_ms(Some(500))
            .open()
            .map_err(|e| failed(path, e))?;
        let tree = db.open_tree("floor").map_err(|e| failed(path, e))?;
        Ok(Self {
            path: path.to_owned(),
            db,
            tree,
        })
    }

    /// Puts the stored floor together.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn load<P: DeserializeOwned>(&self, practice: Practice) -> Result<Loaded<P>, StoreError> {
        let clock = format!("{:?}", practice.clock);
        let other_clock = self
            .get::<String>(&Key::Clock)?
            .is_some_and(|stored| stored != clock);
        let mut floor = Floor::new(practice);
        self.each(Key::VOIDINGS, |_, voiding: Voiding| {
            floor.restore_voiding(voiding)
        })?;
        floor.restore_scopes(self.get(&Key::Scopes)?.unwrap_or_default());
        self.each(Key::WHEELS, |id, (chronicle, state)| {
            if let Ok(id) = WheelId::new(id) {
                floor.restore_wheel(id, Wheel::stored(chronicle, state));
            }
        })?;
        if other_clock {
            tracing::info!("time zone or start of day has changed: every wheel is folded again");
            floor.fold_again();
        }
        self.each(Key::BATCHES, |id, batch| {
            if let Ok(id) = BatchId::new(id) {
                floor.restore_batch(id, batch);
            }
        })?;
        self.each(Key::ROOMS, |id, room| {
            if let Ok(id) = RoomId::new(id) {
                floor.restore_room(id, room);
            }
        })?;
        self.each(Key::TOOLS, |id, tool| {
            if let Ok(id) = ToolId::new(id) {
                floor.restore_tool(id, tool);
            }
        })?;
        self.each(Key::STATIONS, |id, log| {
            if let Ok(id) = StationId::new(id) {
                floor.restore_station(id, log);
            }
        })?;
        floor.restore_open_alerts(self.get(&Key::OpenAlerts)?.unwrap_or_default());
        floor.restore_counts(self.get::<Counts>(&Key::Counts)?.unwrap_or_default());
        Ok(Loaded {
            floor,
            position: self.get(&Key::Position)?,
        })
    }

    /// Writes what has changed, the position it stands for, and the effects it asks
    /// for, in one batch; returns when the operating system has it.
    ///
    /// # Errors
    /// [`StoreError`]; nothing of the batch is stored then. The floor's changes are
    /// taken by [`Batch::of`], which can be tried again.
    pub fn write(&self, batch: &Batch) -> Result<(), StoreError> {
        self.tree
            .apply_batch(batch.0.clone())
            .map_err(|e| failed(&self.path, e))?;
        self.db.flush().map_err(|e| failed(&self.path, e))?;
        Ok(())
    }

    /// Effects that were asked for and not yet confirmed, in order.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn effects(&self) -> Result<Vec<(u64, Effect)>, StoreError> {
        let mut effects = Vec::new();
        for entry in self.tree.scan_prefix(Key::EFFECTS) {
            let (key, value) = entry.map_err(|e| failed(&self.path, e))?;
            if let (Some(number), Some(effect)) = (key::effect_number(&key), decode(&value)) {
                effects.push((number, effect));
            }
        }
        Ok(effects)
    }

    /// What people were told of things that the floor does not keep itself, as
    /// [`Batch::keep_told`] wrote it.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn told<T: DeserializeOwned>(&self) -> Result<Vec<T>, StoreError> {
        Ok(self.get(&Key::Told)?.unwrap_or_default())
    }

    /// Forgets an effect that has been published.
    ///
    /// # Errors
    /// [`StoreError`]; it is then published again, under the same id.
    pub fn effect_done(&self, number: u64) -> Result<(), StoreError> {
        let key = Key::Effect(number).encode();
        self.tree
            .remove(key)
            .map(drop)
            .map_err(|e| failed(&self.path, e))
    }

    /// Bytes on disk.
    ///
    /// # Errors
    /// [`StoreError`] when the file system does not say.
    pub fn size_on_disk(&self) -> Result<u64, StoreError> {
        self.db.size_on_disk().map_err(|e| failed(&self.path, e))
    }

    fn get<T: DeserializeOwned>(&self, key: &Key<'_>) -> Result<Option<T>, StoreError> {
        let value = self
            .tree
            .get(key.encode())
            .map_err(|e| failed(&self.path, e))?;
        Ok(value.and_then(|bytes| decode(&bytes)))
    }

    fn each<T: DeserializeOwned>(
        &self,
        prefix: &[u8],
        mut take: impl FnMut(&str, T),
    ) -> Result<(), StoreError> {
        for entry in self.tree.scan_prefix(prefix) {
            let (key, value) = entry.map_err(|e| failed(&self.path, e))?;
            let id = std::str::from_utf8(&key[prefix.len()..]).unwrap_or_default();
            if let Some(stored) = decode(&value) {
                take(id, stored);
            }
        }
        Ok(())
    }
}

/// What one write holds.
#[derive(Default)]
pub struct Batch(sled::Batch);

impl Batch {
    /// Takes what has changed on a floor since the last time, with its position and the
    /// effects it asks for, numbered from `first_effect`.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn of(
        floor: &mut Floor,
        position: &impl Serialize,
        first_effect: u64,
        effects: &[Effect],
    ) -> Result<Self, StoreError> {
        let mut batch = Self::default();
        let changed = floor.take_changed();
        for id in &changed.wheels {
            if let Some(wheel) = floor.wheel(*id) {
                batch.put(
                    &Key::Wheel(id.as_str()),
                    &(wheel.chronicle(), wheel.state()),
                )?;
            }
        }
        for id in &changed.batches {
            if let Some(made) = floor.batch(*id) {
                batch.put(&Key::Batch(id.as_str()), made)?;
            }
        }
        for (id, room) in floor.rooms().filter(|(id, _)| changed.rooms.contains(id)) {
            batch.put(&Key::Room(id.as_str()), room)?;
        }
        for id in &changed.tools {
            if let Some(tool) = floor.tool(*id) {
                batch.put(&Key::Tool(id.as_str()), tool)?;
            }
        }
        for (id, log) in floor
            .stations()
            .filter(|(id, _)| changed.stations.contains(id))
        {
            batch.put(&Key::Station(id.as_str()), log)?;
        }
        for voiding in &changed.voidings {
            batch.put(
                &Key::Voiding(&format!("{}-{}", voiding.target, voiding.by)),
                voiding,
            )?;
        }
        if changed.scopes {
            batch.put(&Key::Scopes, floor.scopes())?;
        }
        for (number, effect) in (first_effect..).zip(effects) {
            batch.put(&Key::Effect(number), effect)?;
        }
        batch.put(&Key::OpenAlerts, &floor.open_alerts().collect::<Vec<_>>())?;
        batch.put(&Key::Counts, &floor.counts())?;
        batch.put(&Key::Clock, &format!("{:?}", floor.practice().clock))?;
        batch.put(&Key::Position, position)?;
        Ok(batch)
    }

    /// Adds what people were told of things that the floor does not keep itself.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn keep_told(&mut self, told: &[impl Serialize]) -> Result<(), StoreError> {
        self.put(&Key::Told, &told)
    }

    fn put(&mut self, key: &Key<'_>, value: &impl Serialize) -> Result<(), StoreError> {
        self.0.insert(key.encode(), encode(value)?);
        Ok(())
    }
}

fn encode(value: &impl Serialize) -> Result<Vec<u8>, StoreError> {
    postcard::to_stdvec(value).map_err(StoreError::Encoding)
}

/// A record that does not read is as good as absent: the format number guards against
/// every change but damage, and damage is mended from the log.
fn decode<T: DeserializeOwned>(bytes: &[u8]) -> Option<T> {
    postcard::from_bytes(bytes)
        .inspect_err(|e| tracing::error!("a stored record does not read ({e}): delete the store's folder, it is rebuilt from the log"))
        .ok()
}

/// Whether the disk takes as much as the store adds at a time. Asked after
/// [`StoreError::DiskFull`], before the store is opened again.
#[must_use]
pub fn has_room(folder: &Path) -> bool {
    let probe = folder.join("is-there-room");
    let written = std::fs::write(&probe, vec![1; ROOM]).is_ok();
    // What was begun must go, or it takes the room itself.
    let removed = std::fs::remove_file(&probe).is_ok();
    written && removed
}

fn free_name(path: &Path) -> PathBuf {
    let name = |n: u32| path.with_extension(format!("damaged-{n}"));
    (1..)
        .map(name)
        .find(|aside| !aside.exists())
        .unwrap_or_else(|| name(0))
}

fn failed(path: &Path, source: sled::Error) -> StoreError {
    let path = path.to_owned();
    match &source {
        sled::Error::Io(e) if e.kind() == std::io::ErrorKind::StorageFull => {
            StoreError::DiskFull(path)
        }
        // sled reports its lock file as an I/O error whose text names the lock.
        sled::Error::Io(e) if e.to_string().contains("lock") => StoreError::InUse(path),
        _ => StoreError::Failed { path, source },
    }
}
