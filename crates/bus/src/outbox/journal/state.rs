//! What lies in the journal's file: where each value is, and how far all of it is on the disk.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::{BufRead as _, BufReader};
use std::os::unix::fs::FileExt as _;
use std::path::Path;
use std::sync::Arc;

use super::super::book::{Changes, Entry};
use super::super::line::{self, Change, Place};
use super::folder::{begin, fresh, path_of};
use super::{AT_ONCE, DAMAGED, Found};

/// Bytes that may be dead however little counts.
pub(super) const DEAD: u64 = 4 << 20;

/// Bytes written at a time when what counts is written anew.
const AT_ONCE_BYTES: usize = 64 << 10;

#[derive(Debug)]
pub(super) struct State {
    pub(super) file: Arc<File>,
    pub(super) number: u64,
    /// Up to here the file is whole lines.
    pub(super) length: u64,
    /// Up to here it is on the disk.
    pub(super) synced: u64,
    /// Whether its name is on the disk as well.
    pub(super) named: bool,
    /// How many batches were written since the journal was opened.
    pub(super) applied: u64,
    /// How many of them are on the disk.
    pub(super) durable: u64,
    /// A sync failed: what the disk has after `synced`, nobody knows.
    pub(super) unknown: bool,
    pub(super) entries: BTreeMap<Vec<u8>, Place>,
    /// Bytes of keys and values that count.
    pub(super) live: u64,
    /// At this length what counts is written into a new file.
    pub(super) rewrite_at: u64,
}

impl State {
    pub(super) fn new(number: u64, file: File) -> Self {
        Self {
            file: Arc::new(file),
            number,
            length: 0,
            synced: 0,
            named: true,
            applied: 0,
            durable: 0,
            unknown: false,
            entries: BTreeMap::new(),
            live: 0,
            rewrite_at: DEAD,
        }
    }

    /// A new journal that begins with these.
    pub(super) fn begun(dir: &Path, entries: Vec<Entry>) -> std::io::Result<Self> {
        let mut state = Self::new(1, begin(dir)?);
        let mut changes = Changes::default();
        for (key, value) in entries {
            changes.0.push((key, Some(value)));
            if changes.0.len() >= AT_ONCE {
                state.append(&line::write(std::mem::take(&mut changes), |_| None))?;
            }
        }
        state.append(&line::write(changes, |_| None))?;
        state.in_place(dir, &[])
    }

    /// This is what became of a sync up to a length and a batch.
    pub(super) fn is_synced(
        &mut self,
        synced: std::io::Result<()>,
        length: u64,
        applied: u64,
    ) -> std::io::Result<()> {
        if let Err(error) = synced {
            self.unknown = true;
            return Err(error);
        }
        self.synced = self.synced.max(length);
        self.durable = self.durable.max(applied);
        self.named = true;
        Ok(())
    }

    /// Reads a journal through. What was being written when the power went, at its end and
    /// without a line break, was told to nobody, and is taken off.
    pub(super) fn read(number: u64, path: &Path, found: &mut Found) -> std::io::Result<Self> {
        let file = OpenOptions::new().read(true).write(true).open(path)?;
        let mut state = Self::new(number, file);
        let mut lines = BufReader::with_capacity(1 << 20, File::open(path)?);
        let mut text = Vec::new();
        loop {
            text.clear();
            if lines.read_until(b'\n', &mut text)? == 0 {
                break;
            }
            let at = state.length;
            match line::read(text.strip_suffix(b"\n").unwrap_or(&text), at) {
                Some(changes) => {
                    state.take(changes);
                    if text.last() != Some(&b'\n') {
                        state.file.write_all_at(b"\n", at + text.len() as u64)?;
                        state.length += text.len() as u64 + 1;
                        break;
                    }
                }
                None if text.last() != Some(&b'\n') => {
                    state.file.set_len(at)?;
                    break;
                }
                None => found.damaged.push(text.clone()),
            }
            state.length += text.len() as u64;
        }
        state.rewrite_at = state.next_rewrite();
        Ok(state)
    }

    fn next_rewrite(&self) -> u64 {
        self.live.saturating_mul(2) + DEAD
    }

    /// Writes whole lines at the end, or leaves it as it was.
    pub(super) fn append(&mut self, text: &[u8]) -> std::io::Result<()> {
        if let Err(error) = self.file.write_all_at(text, self.length) {
            // If even that cannot be done, the half line is taken off when it is opened again.
            let _ = self.file.set_len(self.length);
            return Err(error);
        }
        let mut at = self.length;
        for line in text.split_inclusive(|byte| *byte == b'\n') {
            let changes = line::read(line.strip_suffix(b"\n").unwrap_or(line), at);
            self.take(changes.unwrap_or_default());
            at += line.len() as u64;
        }
        self.length = at;
        Ok(())
    }

    pub(super) fn take(&mut self, changes: Vec<Change>) {
        let size = |key: &[u8], place: Place| key.len() as u64 + u64::from(place.len);
        for change in changes {
            let (gone, set) = match change {
                Change::Set(key, place) => (None, Some((key, place))),
                Change::Forget(key) => (Some(key), None),
                Change::Move(from, to) => {
                    let place = self.entries.get(&from).copied();
                    (Some(from), place.map(|place| (to, place)))
                }
            };
            if let Some(gone) = gone
                && let Some(place) = self.entries.remove(&gone)
            {
                self.live -= size(&gone, place);
            }
            if let Some((key, place)) = set {
                self.live += size(&key, place);
                let length = key.len() as u64;
                if let Some(before) = self.entries.insert(key, place) {
                    self.live -= length + u64::from(before.len);
                }
            }
        }
    }

    /// The same in a new file, with nothing that is dead: each entry on a line of its own, so
    /// that damage costs that one. What did not read is put aside before the new file counts.
    pub(super) fn rewritten(&self, dir: &Path, damaged: &[Vec<u8>]) -> std::io::Result<Self> {
        let mut new = Self::new(self.number + 1, begin(dir)?);
        let (mut lines, mut bytes) = (Vec::new(), Vec::new());
        for (key, place) in &self.entries {
            bytes.resize(place.len as usize, 0);
            self.file.read_exact_at(&mut bytes, place.at)?;
            if line::value(&bytes, *place).is_none() {
                let what = "a value is not what was written there";
                return Err(std::io::Error::new(std::io::ErrorKind::InvalidData, what));
            }
            let mut item = Vec::new();
            line::push_item(&mut item, key, &bytes);
            lines.extend(line::sealed(&item));
            if lines.len() >= AT_ONCE_BYTES {
                new.append(&lines)?;
                lines.clear();
            }
        }
        new.append(&lines)?;
        (new.applied, new.durable) = (self.applied, self.applied);
        new.in_place(dir, damaged)
    }

    /// Gives a new file its name, once all of it is on the disk.
    fn in_place(mut self, dir: &Path, damaged: &[Vec<u8>]) -> std::io::Result<Self> {
        self.file.sync_all()?;
        put_aside(dir, damaged)?;
        let folder = File::open(dir)?;
        fs::rename(fresh(dir), path_of(dir, self.number))?;
        // From here on it is the one that the next start takes: nothing may be written to the
        // old one any more, whatever becomes of this.
        self.named = folder.sync_all().is_ok();
        self.synced = self.length;
        self.rewrite_at = self.next_rewrite();
        Ok(self)
    }
}

fn put_aside(dir: &Path, damaged: &[Vec<u8>]) -> std::io::Result<()> {
    if damaged.is_empty() {
        return Ok(());
    }
    let free = crate::kept::free_name(&dir.join(DAMAGED));
    tracing::error!(
        lines = damaged.len(),
        "a part of the outbox does not read: it is put aside as {}, all else is as it was",
        free.display()
    );
    crate::write_whole(&free, &damaged.concat())
}
