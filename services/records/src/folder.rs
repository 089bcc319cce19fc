//! A site's folder of records: its key, its ledger, its seals.
//!
//! It is best kept on another disk than the log, and its printed seals in a binder: only
//! what is apart can tell that the rest was rewritten.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use chrono::{DateTime, NaiveDate, Utc};
use facts::SiteId;
use seal::{BadLedger, Entry, PublicKey, Seal, SigningKey, Statement, archive};

use crate::error::{RecordsError, file};
use crate::lines::{Lines, Mark, Place};

/// The secret key's file.
const SECRET: &str = "secret-key.txt";

/// Who writes here now.
const LOCK: &str = "in-use-by.txt";

/// Where each seal lies as a page with a QR symbol.
const TO_PRINT: &str = "to-print";

/// A site's records, open for writing.
#[derive(Debug)]
pub struct Folder {
    dir: PathBuf,
    site: SiteId,
    key: SigningKey,
    /// The ledger's end.
    place: Place,
    /// Whether the ledger is known not to be what was sealed.
    broken: bool,
    out: File,
    sealed: Option<Seal>,
    /// How many seals there are.
    seals: u64,
    /// Held for as long as this is open; the system lets go of it however the process ends.
    _lock: File,
}

impl Folder {
    /// Opens the folder, making it and a key if need be, and reads its ledger through. One
    /// at a time: the ledger is locked. A line that a crash left half-written is taken off.
    ///
    /// # Errors
    /// [`RecordsError`] says which file is wrong.
    pub fn open(dir: &Path, site: SiteId) -> Result<Self, RecordsError> {
        let place = Place::of(Mark::default(), &site);
        let from_the_beginning = Self::open_at(dir, site, place)?;
        from_the_beginning.ok_or(RecordsError::Ledger {
            path: dir.join(archive::LEDGER),
            reason: BadLedger { line: 1 },
        })
    }

    /// The same, where the ledger is read from a place on; `None` when that place is not in it.
    ///
    /// # Errors
    /// [`RecordsError`] says which file is wrong.
    pub(crate) fn open_at(
        dir: &Path,
        site: SiteId,
        place: Place,
    ) -> Result<Option<Self>, RecordsError> {
        let seals_dir = dir.join(archive::SEALS);
        std::fs::create_dir_all(&seals_dir).map_err(file(&seals_dir))?;
        let lock = lock(dir)?;
        let site_file = dir.join(archive::SITE);
        match std::fs::read_to_string(&site_file) {
            Ok(found) if found.trim() == site.as_str() => {}
            Ok(found) => {
                return Err(RecordsError::OtherSite {
                    path: dir.to_owned(),
                    found: found.trim().to_owned(),
                    wanted: site.to_string(),
                });
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                write_new(&site_file, &format!("{site}\n"))?;
            }
            // Whose records these are is not guessed.
            Err(error) => return Err(file(&site_file)(error)),
        }
        let key = key(dir)?;
        let path = dir.join(archive::LEDGER);
        take_off_half_a_line(&path)?;
        let bad = |line| RecordsError::Ledger {
            path: path.clone(),
            reason: BadLedger { line },
        };
        let mut seals = seals(dir)?;
        let count = seals.len() as u64;
        let sealed = seals.pop();
        let Some(mut lines) = Lines::open(dir, place)? else {
            return Ok(None);
        };
        let seal_at = sealed.as_ref().map(|seal| &seal.statement);
        let mut broken = false;
        while let Some(line) = lines.next() {
            let count = lines.place().ledger().count();
            match line {
                Ok((number, _)) if number == count => {}
                _ => return Err(bad(count)),
            }
            broken |= seal_at.is_some_and(|seal| {
                seal.last == count && seal.head != lines.place().ledger().head()
            });
        }
        let place = lines.place().clone();
        broken |= seal_at.is_some_and(|seal| seal.last > place.ledger().count());
        let out = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&path)
            .map_err(file(&path))?;
        Ok(Some(Self {
            dir: dir.to_owned(),
            site,
            key,
            place,
            broken,
            out,
            sealed,
            seals: count,
            _lock: lock,
        }))
    }

    /// The site's public key: print it, and give it to whoever verifies.
    #[must_use]
    pub fn public_key(&self) -> PublicKey {
        self.key.public()
    }

    /// How many records the ledger has.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.place.ledger().count()
    }

    /// The ledger's end.
    pub(crate) const fn place(&self) -> &Place {
        &self.place
    }

    /// The ledger is not what was written down: nothing more is sealed.
    pub(crate) const fn is_broken(&mut self) {
        self.broken = true;
    }

    /// The last seal.
    #[must_use]
    pub const fn last_seal(&self) -> Option<&Seal> {
        self.sealed.as_ref()
    }

    /// The last seal in short: for people, and whoever keeps it elsewhere.
    #[must_use]
    pub fn mark(&self) -> Option<seal::Mark> {
        Some(seal::Mark::of(self.last_seal()?, self.seals))
    }

    /// Writes the next records down, all or none of them as far as a reader can tell.
    ///
    /// # Errors
    /// [`RecordsError::File`].
    pub fn append(&mut self, records: &[Entry]) -> Result<(), RecordsError> {
        if records.is_empty() {
            return Ok(());
        }
        let path = self.dir.join(archive::LEDGER);
        let mut text = String::with_capacity(records.len() * 128);
        let mut place = self.place.clone();
        for entry in records {
            text += place.pass(entry);
            text.push('\n');
        }
        self.out.write_all(text.as_bytes()).map_err(file(&path))?;
        self.place = place;
        Ok(())
    }

    /// Seals what was written down since the last seal.
    ///
    /// # Errors
    /// [`RecordsError::NotAsSealed`] when the ledger no longer has what was sealed last;
    /// [`RecordsError::File`].
    pub fn seal(&mut self, day: NaiveDate, now: DateTime<Utc>) -> Result<Seal, RecordsError> {
        if self.broken {
            return Err(RecordsError::NotAsSealed);
        }
        let path = self.dir.join(archive::LEDGER);
        self.out.sync_data().map_err(file(&path))?;
        let (first, previous) = match &self.sealed {
            None => (1, [0; 32]),
            Some(seal) => (seal.statement.last + 1, seal.hash()),
        };
        let statement = Statement {
            site: self.site,
            number: Some(self.seals + 1),
            day,
            first,
            last: self.place.ledger().count(),
            head: self.place.ledger().head(),
            previous,
            sealed_at: now,
            key: self.key.public(),
        };
        let seal = statement.sign(&self.key);
        let name = archive::seal_file(day, seal.statement.last);
        let path = self.dir.join(archive::SEALS).join(&name);
        write_new(&path, &seal.to_string())?;
        if let Some(page) = seal::qr_svg(&seal) {
            let pages = self.dir.join(TO_PRINT);
            std::fs::create_dir_all(&pages).map_err(file(&pages))?;
            write_new(&pages.join(name).with_extension("svg"), &page)?;
        }
        self.sealed = Some(seal.clone());
        self.seals += 1;
        Ok(seal)
    }
}

/// Puts every seal of a records folder that is not there yet into another folder, which is best
/// on a disk of another box, and must be there: one that is made here would be on this one. What
/// lies there is never written over.
///
/// # Errors
/// [`RecordsError::File`]; [`RecordsError::OtherSeal`] when a seal of that name lies there that
/// is another one.
pub fn copy_seals(records: &Path, to: &Path) -> Result<(), RecordsError> {
    std::fs::read_dir(to).map_err(file(to))?;
    for seal in seals(records)? {
        let Statement { day, last, .. } = seal.statement;
        let path = to.join(archive::seal_file(day, last));
        match std::fs::read_to_string(&path) {
            Ok(there) if there == seal.to_string() => {}
            Ok(_) => return Err(RecordsError::OtherSeal(path)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                write_new(&path, &seal.to_string())?;
            }
            Err(error) => return Err(file(&path)(error)),
        }
    }
    Ok(())
}

/// The lines of a folder's ledger; none when there is no ledger yet.
///
/// # Errors
/// [`RecordsError::File`].
pub fn entries(
    dir: &Path,
    site: &SiteId,
) -> Result<impl Iterator<Item = Result<(u64, Entry), BadLedger>> + use<>, RecordsError> {
    let lines = Lines::open(dir, Place::of(Mark::default(), site))?;
    Ok(lines.into_iter().flatten())
}

/// A folder's seals, in the order of what they seal.
///
/// # Errors
/// [`RecordsError`] names the file that is no seal.
pub fn seals(dir: &Path) -> Result<Vec<Seal>, RecordsError> {
    seals_in(&dir.join(archive::SEALS))
}

/// The seals that lie in a folder of nothing else, in the order of what they seal.
///
/// # Errors
/// [`RecordsError`] names the file that is no seal.
pub fn seals_in(dir: &Path) -> Result<Vec<Seal>, RecordsError> {
    let mut seals = Vec::new();
    for found in std::fs::read_dir(dir).map_err(file(dir))? {
        let path = found.map_err(file(dir))?.path();
        if path
            .extension()
            .is_some_and(|extension| extension == "seal")
        {
            seals.push(read_seal(&path)?);
        }
    }
    seals.sort_by_key(|seal| {
        (
            seal.statement.last,
            seal.statement.first,
            seal.statement.sealed_at,
        )
    });
    Ok(seals)
}

/// Reads one seal, also one scanned from paper.
///
/// # Errors
/// [`RecordsError`] when it is none.
pub fn read_seal(path: &Path) -> Result<Seal, RecordsError> {
    let text = std::fs::read_to_string(path).map_err(file(path))?;
    text.parse().map_err(|reason| RecordsError::Seal {
        path: path.to_owned(),
        reason,
    })
}

/// The public key that lies in a folder, if one does.
///
/// # Errors
/// [`RecordsError::Key`] when the file holds none.
pub fn public_key(dir: &Path) -> Result<Option<PublicKey>, RecordsError> {
    let path = dir.join(archive::KEY);
    let Ok(text) = std::fs::read_to_string(&path) else {
        return Ok(None);
    };
    let key = text
        .parse()
        .map_err(|reason: seal::BadHex| RecordsError::Key {
            path,
            reason: reason.to_string(),
        })?;
    Ok(Some(key))
}

/// Takes the folder for this process.
fn lock(dir: &Path) -> Result<File, RecordsError> {
    let path = dir.join(LOCK);
    let mut options = OpenOptions::new();
    let opened = options.create(true).read(true).write(true).open(&path);
    let mut lock = opened.map_err(file(&path))?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => {
            let holder = std::fs::read_to_string(&path).unwrap_or_default();
            return Err(RecordsError::InUse {
                path: dir.to_owned(),
                holder: match holder.trim() {
                    "" => "another process".to_owned(),
                    holder => holder.to_owned(),
                },
            });
        }
        Err(std::fs::TryLockError::Error(reason)) => return Err(file(&path)(reason)),
    }
    let program = std::env::args().take(3).collect::<Vec<_>>().join(" ");
    let holder = format!("process {} ({program})\n", std::process::id());
    lock.set_len(0)
        .and_then(|()| lock.write_all(holder.as_bytes()))
        .map_err(file(&path))?;
    Ok(lock)
}

fn key(dir: &Path) -> Result<SigningKey, RecordsError> {
    let path = dir.join(SECRET);
    let key = match std::fs::read_to_string(&path) {
        Ok(text) => SigningKey::read(&text).map_err(|_| RecordsError::Key {
            path: path.clone(),
            // The digits themselves must not get into a log.
            reason: "it should be 64 hexadecimal digits".to_owned(),
        })?,
        Err(reason) if reason.kind() == std::io::ErrorKind::NotFound => {
            let seed: [u8; 32] = rand::random();
            let key = SigningKey::from_seed(&seed);
            write_secret(&path, &format!("{}\n", key.secret_text()))?;
            key
        }
        Err(reason) => return Err(file(&path)(reason)),
    };
    let public = dir.join(archive::KEY);
    if !public.exists() {
        write_new(&public, &format!("{}\n", key.public()))?;
    }
    Ok(key)
}

fn write_secret(path: &Path, text: &str) -> Result<(), RecordsError> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut secret = options.open(path).map_err(file(path))?;
    secret.write_all(text.as_bytes()).map_err(file(path))?;
    secret.sync_all().map_err(file(path))
}

/// Writes a file that is there whole or not at all.
pub(crate) fn write_new(path: &Path, text: &str) -> Result<(), RecordsError> {
    bus::write_whole(path, text.as_bytes()).map_err(file(path))
}

/// A crash may leave half a line at the end of the ledger: its record is still in the log
/// and is written down again.
fn take_off_half_a_line(path: &Path) -> Result<(), RecordsError> {
    use std::io::{Read as _, Seek as _, SeekFrom};
    let Ok(mut ledger) = OpenOptions::new().read(true).write(true).open(path) else {
        return Ok(());
    };
    let length = ledger.metadata().map_err(file(path))?.len();
    let look = length.min(4096);
    ledger
        .seek(SeekFrom::Start(length - look))
        .map_err(file(path))?;
    let mut tail = Vec::new();
    ledger.read_to_end(&mut tail).map_err(file(path))?;
    let whole = tail
        .iter()
        .rposition(|byte| *byte == b'\n')
        .map_or(0, |end| end as u64 + 1);
    let kept = length - look + whole;
    if kept < length {
        ledger.set_len(kept).map_err(file(path))?;
    }
    Ok(())
}
