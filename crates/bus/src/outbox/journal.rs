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

use std::collections::{BTreeMap, VecDeque};
use std::fs::{self, File, OpenOptions};
use std::io::{BufRead as _, BufReader, Write as _};
use std::ops::Bound;
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use super::book::{Changes, Entry, Shelf};
use super::line::{self, Change, Place};
use super::{earlier, io_error};
use crate::OutboxError;
use crate::retry::Backoff;

/// The journal's name before its number.
const NAME: &str = "journal-";

/// Who writes here now.
const LOCK: &str = "in-use.lock";

/// What the parts that do not read are put aside as: see [`crate::kept`].
pub(super) const DAMAGED: &str = "journal.txt";

/// How long the one before us may take to let go of the folder.
const LETS_GO_WITHIN: Duration = Duration::from_secs(2);

/// Bytes that may be dead however little counts.
const DEAD: u64 = 4 << 20;

/// Keys looked up at a time.
const AT_ONCE: usize = 256;

/// Bytes written at a time when what counts is written anew.
const AT_ONCE_BYTES: usize = 64 << 10;

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

#[derive(Debug)]
struct State {
    file: Arc<File>,
    number: u64,
    /// Up to here the file is whole lines.
    length: u64,
    /// Up to here it is on the disk.
    synced: u64,
    /// Whether its name is on the disk as well.
    named: bool,
    /// How many batches were written since the journal was opened.
    applied: u64,
    /// How many of them are on the disk.
    durable: u64,
    /// A sync failed: what the disk has after `synced`, nobody knows.
    unknown: bool,
    entries: BTreeMap<Vec<u8>, Place>,
    /// Bytes of keys and values that count.
    live: u64,
    /// At this length what counts is written into a new file.
    rewrite_at: u64,
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
            self.damaged(place)
        })
    }

    fn damaged(&self, place: Place) -> OutboxError {
        OutboxError::Damaged {
            dir: self.dir.clone(),
            reason: format!(
                "what lies at byte {} of its file is not what was written there",
                place.at
            ),
        }
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

impl State {
    fn new(number: u64, file: File) -> Self {
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
    fn begun(dir: &Path, entries: Vec<Entry>) -> std::io::Result<Self> {
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
    fn is_synced(
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
    fn read(number: u64, path: &Path, found: &mut Found) -> std::io::Result<Self> {
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
    fn append(&mut self, text: &[u8]) -> std::io::Result<()> {
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

    fn take(&mut self, changes: Vec<Change>) {
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
    fn rewritten(&self, dir: &Path, damaged: &[Vec<u8>]) -> std::io::Result<Self> {
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

fn begin(dir: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    let options = options.read(true).write(true).create(true);
    options.truncate(true).open(fresh(dir))
}

fn fresh(dir: &Path) -> PathBuf {
    dir.join("journal.new")
}

fn path_of(dir: &Path, number: u64) -> PathBuf {
    dir.join(format!("{NAME}{number:06}.txt"))
}

/// The journals of a folder, the newest last: of two, the newer was whole before it got its name.
fn journals(dir: &Path) -> std::io::Result<Vec<(u64, PathBuf)>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(dir)? {
        let name = entry?.file_name();
        let number = name.to_str().and_then(|name| {
            let number = name.strip_prefix(NAME)?.strip_suffix(".txt")?;
            number.parse::<u64>().ok()
        });
        found.extend(number.map(|number| (number, dir.join(&name))));
    }
    found.sort_unstable();
    Ok(found)
}

/// Takes the folder for this process. Its lock may outlive the one who held it for a moment: a
/// predecessor is still ending, or a process that was just started from it has not let go yet.
fn lock(dir: &Path) -> Result<File, OutboxError> {
    let mut file = OpenOptions::new()
        .create(true)
        .truncate(false)
        .write(true)
        .open(dir.join(LOCK))
        .map_err(|error| io_error(dir, &error))?;
    let mut backoff = Backoff::new(Duration::from_millis(5), Duration::from_millis(200));
    let mut waited = Duration::ZERO;
    loop {
        match file.try_lock() {
            Ok(()) => {
                // For whoever looks who it is; nothing rests on it.
                let _ = file.set_len(0);
                let _ = writeln!(file, "process {}", std::process::id());
                return Ok(file);
            }
            Err(fs::TryLockError::WouldBlock) if waited < LETS_GO_WITHIN => {
                let delay = backoff.delay();
                std::thread::sleep(delay);
                waited += delay;
            }
            Err(fs::TryLockError::WouldBlock) => return Err(OutboxError::InUse(dir.to_owned())),
            Err(fs::TryLockError::Error(error)) => return Err(io_error(dir, &error)),
        }
    }
}

#[cfg(test)]
mod tests;
