//! The folder that an outbox's file lies in: names, and whose it is.

use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::super::io_error;
use crate::OutboxError;
use crate::retry::Backoff;

/// The journal's name before its number.
const NAME: &str = "journal-";

/// Who writes here now.
const LOCK: &str = "in-use.lock";

/// How long the one before us may take to let go of the folder.
const LETS_GO_WITHIN: Duration = Duration::from_secs(2);

pub(super) fn begin(dir: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    let options = options.read(true).write(true).create(true);
    options.truncate(true).open(fresh(dir))
}

pub(super) fn fresh(dir: &Path) -> PathBuf {
    dir.join("journal.new")
}

pub(super) fn path_of(dir: &Path, number: u64) -> PathBuf {
    dir.join(format!("{NAME}{number:06}.txt"))
}

/// The journals of a folder, the newest last: of two, the newer was whole before it got its name.
pub(super) fn journals(dir: &Path) -> std::io::Result<Vec<(u64, PathBuf)>> {
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
pub(super) fn lock(dir: &Path) -> Result<File, OutboxError> {
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
