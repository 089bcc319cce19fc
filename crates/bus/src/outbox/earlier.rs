//! An outbox as earlier versions kept it: a folder of sled. It is taken over once, and stays
//! beside the new one.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use super::book::Entry;
use super::io_error;
use crate::OutboxError;
use crate::kept::free_name;

/// What sled keeps in its folder. The first is what tells that there is one.
const FILES: [&str; 3] = ["db", "conf", "blobs"];

/// The folder of what was taken over.
pub(super) const TAKEN: &str = "earlier";

/// Whether an earlier version left something in a folder.
pub(super) fn is_there(dir: &Path) -> bool {
    dir.join(FILES[0]).exists()
}

/// What an earlier version left in a folder, and whether all of it was read; nothing where it
/// left nothing. sled panics over some damage: then it is what was read until there.
pub(super) fn entries(dir: &Path) -> Result<(Vec<Entry>, bool), OutboxError> {
    let mut entries = Vec::new();
    if !is_there(dir) {
        return Ok((entries, true));
    }
    let read = catch_unwind(AssertUnwindSafe(|| {
        let db = sled::open(dir)?;
        for entry in &db.open_tree("facts")? {
            let (key, value) = entry?;
            entries.push((key.to_vec(), value.to_vec()));
        }
        Ok::<_, sled::Error>(())
    }));
    let whole = match read {
        Ok(Ok(())) => true,
        Ok(Err(sled::Error::Io(error))) if !error.to_string().contains("corrupt") => {
            return Err(io_error(dir, &error));
        }
        Ok(Err(error)) => {
            tracing::error!(%error, "an outbox of an earlier version is damaged");
            false
        }
        Err(_) => false,
    };
    let count = entries.len();
    tracing::info!(
        count,
        whole,
        "the outbox of an earlier version is taken over"
    );
    Ok((entries, whole))
}

/// Moves what an earlier version left aside, once a new outbox holds what could be read of it.
pub(super) fn put_away(dir: &Path, whole: bool) -> Result<(), OutboxError> {
    let wrong = |error| io_error(dir, &error);
    if !is_there(dir) {
        return Ok(());
    }
    let taken = dir.join(TAKEN);
    // What was taken over before stays as it is, and people hear of one more.
    let to = if whole && !taken.join(FILES[0]).exists() {
        taken
    } else {
        free_name(&taken)
    };
    fs::create_dir_all(&to).map_err(wrong)?;
    let mut names = Vec::new();
    for found in fs::read_dir(dir).map_err(wrong)? {
        let name = found.map_err(wrong)?.file_name();
        let name = name.to_string_lossy().into_owned();
        if FILES.contains(&name.as_str()) || name.starts_with("snap.") {
            names.push(name);
        }
    }
    // What tells that there is one goes last.
    names.sort_by_key(|name| name == FILES[0]);
    for name in names {
        fs::rename(dir.join(&name), to.join(&name)).map_err(wrong)?;
    }
    Ok(())
}
