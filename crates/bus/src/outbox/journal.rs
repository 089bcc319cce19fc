//! The outbox's file: a journal of changes, one line of text for each batch, with a checksum.
//!
//! ```text
//! 1f2e3d4c +w%00%00%00%00%00%00%00%01={"specversion":"1.0",…}⇥+nS1=%00…
//! ```
//!
//! A batch is in the file whole or not at all. A line whose checksum does not fit costs what it
//! says and nothing else: the next begins after the line break. What is sent and settled is a
//! line of a few bytes; when most of the file is dead, what counts is written into a new one.
//! Keys are kept in memory, values are read from the file, each against a checksum of its own.
//!
//! What counts is written anew only when all of it is on the disk, so a file never has what its
//! writer was told is not recorded.

mod folder;
mod state;

use std::collections::VecDeque;
use std::fs::{self, File};
use std::ops::Bound;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::book::{Changes, Entry, Shelf};
use super::line::{self, Place};
use super::{earlier, io_error};
use crate::OutboxError;
use folder::{journals, lock, path_of};
use state::State;

/// What the parts that do not read are put aside as: see [`crate::kept`].
pub(super) const DAMAGED: &str = "journal.txt";

/// Keys looked up at a time.
const AT_ONCE: usize = 256;

/// The file of one outbox, open for writing: one process at a time.
#[derive(Debug)]
pub(super) struct Journal {
    dir: PathBuf,
    state: Mutex<State>,
    /// A value was not what was written: the file has to be read through.
    suspect: AtomicBool,
    /// For trials: no sync succeeds.
    #[cfg(test)]
    fails: AtomicBool,
    /// Held for as long as this is open; the system lets go of it however the process ends.
    _lock: File,
}

/// What a folder's journal came to.
#[derive(Debug)]
pub(super) struct Found {
    /// Lines that do not read.
    damaged: Vec<Vec<u8>>,
    /// Whether something that was written there is missing.
    pub incomplete: bool,
    /// What an earlier version keeps beside it.
    pub earlier: Vec<Entry>,
    /// Whether what an earlier version kept was read whole.
    earlier_whole: bool,
}

impl Found {
    const fn nothing() -> Self {
        Self {
            damaged: Vec::new(),
            incomplete: false,
            earlier: Vec::new(),
            earlier_whole: true,
        }
    }
}

impl Journal {
    /// Opens the journal in a folder, or makes it. What does not read is put aside.
    pub(super) fn open(dir: &Path) -> Result<(Self, Found), OutboxError> {
        let wrong = |error| io_error(dir, &error);
        fs::create_dir_all(dir).map_err(wrong)?;
        let lock = lock(dir)?;
        let mut found = Found::nothing();
        let newest = journals(dir).map_err(wrong)?.pop();
        let state = match newest {
            Some((number, path)) => {
                // It was not put away in time, or an earlier version went on beside this.
                found.incomplete = earlier::is_there(dir);
                (found.earlier, found.earlier_whole) = earlier::entries(dir)?;
                State::read(number, &path, &mut found).map_err(wrong)?
            }
            None => {
                let earlier;
                (earlier, found.earlier_whole) = earlier::entries(dir)?;
                found.incomplete = !found.earlier_whole;
                State::begun(dir, earlier).map_err(wrong)?
            }
        };
        let journal = Self {
            dir: dir.to_owned(),
            state: Mutex::new(state),
            suspect: AtomicBool::new(false),
            #[cfg(test)]
            fails: AtomicBool::new(false),
            _lock: lock,
        };
        found.incomplete |= !found.damaged.is_empty();
        journal.sync()?;
        for (number, path) in journals(dir).map_err(wrong)? {
            if number < journal.state().number {
                fs::remove_file(path).map_err(wrong)?;
            }
        }
        Ok((journal, found))
    }

    /// What was missing is seen to, and that is on the disk: now the damage may go. Until then it
    /// would be found again after a crash.
    pub(super) fn seen_to(&self, found: &Found) -> Result<(), OutboxError> {
        self.sync()?;
        if !found.damaged.is_empty() {
            self.rewrite(found)?;
        }
        earlier::put_away(&self.dir, found.earlier_whole)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How many batches were written since this was opened.
    pub(super) fn applied(&self) -> u64 {
        self.state().applied
    }

    /// How many of them, from the first, are on the disk, but for those that were taken back.
    pub(super) fn durable(&self) -> u64 {
        self.state().durable
    }

    /// Waits until everything that was applied is on the disk, and then, where most of the file
    /// is dead, writes what counts into a new one. One at a time: of two that wait for the same
    /// file, the system may tell only one that it failed.
    pub(super) fn sync(&self) -> Result<(), OutboxError> {
        let (file, length, named, applied) = {
            let state = self.state();
            (state.file.clone(), state.length, state.named, state.applied)
        };
        let synced = self.sync_name(named).and_then(|()| file.sync_data());
        let mut state = self.state();
        state
            .is_synced(synced, length, applied)
            .map_err(|error| io_error(&self.dir, &error))?;
        if state.length >= state.rewrite_at {
            self.tidy(&mut state)?;
        }
        Ok(())
    }

    /// For trials: from now on no sync succeeds.
    #[cfg(test)]
    pub(super) fn disk_fails(&self, fails: bool) {
        self.fails.store(fails, Ordering::Release);
    }

    fn sync_name(&self, named: bool) -> std::io::Result<()> {
        #[cfg(test)]
        if self.fails.load(Ordering::Acquire) {
            return Err(std::io::Error::other("the disk does not answer"));
        }
        if named {
            return Ok(());
        }
        File::open(&self.dir)?.sync_all()
    }

    /// Writes what counts into a new file, once all that was written is on the disk.
    fn tidy(&self, state: &mut State) -> Result<(), OutboxError> {
        let synced = state.file.sync_data();
        let (length, applied) = (state.length, state.applied);
        state
            .is_synced(synced, length, applied)
            .map_err(|error| io_error(&self.dir, &error))?;
        match state.rewritten(&self.dir, &[]) {
            Ok(rewritten) => self.replace(state, rewritten),
            // All of it is in the old file; there is a next time.
            Err(error) => {
                if error.kind() == std::io::ErrorKind::InvalidData {
                    self.suspect.store(true, Ordering::Release);
                }
                tracing::warn!(%error, "the outbox could not be written anew: it is tried again later");
                state.rewrite_at = state.length.saturating_mul(2);
            }
        }
        Ok(())
    }

    /// Takes off what was written since the last sync, and reads the rest. What is on the disk
    /// nobody knows until it is written into a new file with [`Journal::rewrite`].
    pub(super) fn read_back(&self) -> Result<Found, OutboxError> {
        let wrong = |error| io_error(&self.dir, &error);
        let mut found = Found::nothing();
        let mut state = self.state();
        state.unknown = true;
        let path = path_of(&self.dir, state.number);
        state.file.set_len(state.synced).map_err(wrong)?;
        let read = State::read(state.number, &path, &mut found).map_err(wrong)?;
        *state = State {
            // All of it lay below: were it forgotten, a second try would cut off everything.
            synced: read.length,
            named: state.named,
            applied: state.applied,
            durable: state.durable,
            unknown: true,
            ..read
        };
        drop(state);
        found.incomplete = !found.damaged.is_empty();
        Ok(found)
    }

    /// Writes what counts into a new file, which is on the disk when this returns. What did not
    /// read is put aside.
    pub(super) fn rewrite(&self, found: &Found) -> Result<(), OutboxError> {
        let mut state = self.state();
        // What is read from here on is of no batch that was taken back.
        state.applied += 1;
        let rewritten = state.rewritten(&self.dir, &found.damaged);
        let rewritten = rewritten.map_err(|error| io_error(&self.dir, &error))?;
        self.replace(&mut state, rewritten);
        self.suspect.store(false, Ordering::Release);
        Ok(())
    }

    /// Whether a value was seen that is not what was written.
    pub(super) fn is_suspect(&self) -> bool {
        self.suspect.load(Ordering::Acquire)
    }

    /// Goes on in a new file. The old one stays where the new one's name may not be on the disk,
    /// and is removed at the next start, as it is where it cannot be removed now.
    fn replace(&self, state: &mut State, new: State) {
        let old = path_of(&self.dir, state.number);
        *state = new;
        if state.named
            && let Err(error) = fs::remove_file(old)
        {
            tracing::warn!(%error, "an outbox's file that is written anew could not be removed");
        }
    }

    /// The keys that begin so, in order.
    pub(super) fn keys(&self, begin: &[u8]) -> Vec<Vec<u8>> {
        let state = self.state();
        let after = state
            .entries
            .range::<[u8], _>((Bound::Included(begin), Bound::Unbounded));
        let keys = after.map(|(key, _)| key);
        keys.take_while(|key| key.starts_with(begin))
            .cloned()
            .collect()
    }

    fn value(&self, file: &File, place: Place) -> Result<Vec<u8>, OutboxError> {
        let mut bytes = vec![0; place.len as usize];
        file.read_exact_at(&mut bytes, place.at)
            .map_err(|error| io_error(&self.dir, &error))?;
        line::value(&bytes, place).ok_or_else(|| {
            self.suspect.store(true, Ordering::Release);
            let at = place.at;
            OutboxError::Damaged {
                dir: self.dir.clone(),
                reason: format!("what lies at byte {at} of its file is not what was written there"),
            }
        })
    }

    /// Keys of `[from, to]` after the last one looked at, some at a time, with the file that
    /// they lie in.
    fn some(&self, from: Bound<&[u8]>, to: &[u8]) -> (Arc<File>, Vec<(Vec<u8>, Place)>) {
        let state = self.state();
        let begins = match from {
            Bound::Included(key) | Bound::Excluded(key) => key,
            Bound::Unbounded => &[],
        };
        let some = if begins > to {
            Vec::new()
        } else {
            let range = state.entries.range::<[u8], _>((from, Bound::Included(to)));
            range
                .take(AT_ONCE)
                .map(|(key, place)| (key.clone(), *place))
                .collect()
        };
        (state.file.clone(), some)
    }
}

impl Shelf for Journal {
    type Error = OutboxError;

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        let (file, place) = {
            let state = self.state();
            let Some(place) = state.entries.get(key) else {
                return Ok(None);
            };
            (state.file.clone(), *place)
        };
        self.value(&file, place).map(Some)
    }

    fn scan(&self, from: Vec<u8>, to: Vec<u8>) -> impl Iterator<Item = Result<Entry, OutboxError>> {
        let mut next = Some(Bound::Included(from));
        let mut waiting = VecDeque::new();
        let mut lies_in = None;
        std::iter::from_fn(move || {
            if waiting.is_empty() {
                let begin = next.take()?;
                let (file, some) = self.some(begin.as_ref().map(Vec::as_slice), &to);
                next = match some.last() {
                    Some((last, _)) if some.len() == AT_ONCE => Some(Bound::Excluded(last.clone())),
                    _ => None,
                };
                (waiting, lies_in) = (some.into(), Some(file));
            }
            let (key, place) = waiting.pop_front()?;
            let file = lies_in.as_ref()?;
            Some(self.value(file, place).map(|value| (key, value)))
        })
    }

    fn apply(&self, changes: Changes) -> Result<(), OutboxError> {
        if changes.0.is_empty() {
            return Ok(());
        }
        let mut state = self.state();
        let text = line::write(changes, |key| state.entries.get(key).copied());
        let appended = state.append(&text);
        appended.map_err(|error| io_error(&self.dir, &error))?;
        state.applied += 1;
        Ok(())
    }
}

/// What counts in a folder's journal, in order, and its parts that do not read; without taking
/// it, so that the one who writes there is not disturbed. Of what is being written now the end
/// is left out.
///
/// # Errors
/// [`OutboxError`] when the folder cannot be read, or holds no outbox.
pub(super) fn look(dir: &Path) -> Result<(Vec<Entry>, usize), OutboxError> {
    let wrong = |error: std::io::Error| io_error(dir, &error);
    let Some((_, path)) = journals(dir).map_err(wrong)?.pop() else {
        let reason = "it holds no journal".to_owned();
        return Err(OutboxError::Folder {
            dir: dir.to_owned(),
            reason,
        });
    };
    let file = File::open(&path).map_err(wrong)?;
    let bytes = fs::read(&path).map_err(wrong)?;
    let mut state = State::new(0, file);
    let mut damaged = 0;
    for text in bytes.split_inclusive(|byte| *byte == b'\n') {
        let whole = text.strip_suffix(b"\n");
        match line::read(whole.unwrap_or(text), state.length) {
            Some(changes) => state.take(changes),
            None => damaged += usize::from(whole.is_some()),
        }
        state.length += text.len() as u64;
    }
    let mut entries = Vec::new();
    for (key, place) in state.entries {
        let at = usize::try_from(place.at).unwrap_or(usize::MAX);
        let value = bytes.get(at..at.saturating_add(place.len as usize));
        match value.and_then(|value| line::value(value, place)) {
            Some(value) => entries.push((key, value)),
            None => damaged += 1,
        }
    }
    Ok((entries, damaged))
}

#[cfg(test)]
mod tests;
