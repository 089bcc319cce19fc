//! Small files that a worker keeps for its next start. There is one way to read them: a damaged
//! one is put aside and stays, the worker goes on without it, and people hear of it for as long
//! as it lies there. Where going on without it is not safe, the caller leaves it in its place
//! and does without what it was for.

use std::ffi::OsString;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use crate::telling::{Telling, Told};

/// What alerts about damaged files begin with.
const ALERT: &str = "damaged-file-";

/// What the name of a file that was put aside goes on with, before its number.
const ASIDE: &str = ".damaged-";

/// A small file that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum KeptError {
    /// It may be whole, and is left where it is.
    #[error("{} cannot be opened: {source}. Give this worker the right to read and write there, or see whether the disk works", .file.display())]
    Closed {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// It is damaged and cannot be put aside either.
    #[error("{} cannot be read ({why}) and cannot be put aside: {source}. Make room there, or give this worker the right to write in its folder", .file.display())]
    Stuck {
        /// The file.
        file: PathBuf,
        /// How it is damaged.
        why: String,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Reads a small file; nothing where there is none, or where it was damaged and is put aside.
/// `read` says why it is damaged.
///
/// # Errors
/// [`KeptError`].
pub fn read<T>(
    file: &Path,
    read: impl FnOnce(Vec<u8>) -> Result<T, String>,
) -> Result<Option<T>, KeptError> {
    let why = match fs::read(file) {
        Ok(bytes) => match read(bytes) {
            Ok(kept) => return Ok(Some(kept)),
            Err(why) => why,
        },
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
        Err(error) if error.kind() == ErrorKind::IsADirectory => error.to_string(),
        Err(source) => {
            let file = file.to_owned();
            return Err(KeptError::Closed { file, source });
        }
    };
    let aside = free_name(file);
    match fs::rename(file, &aside) {
        Ok(()) => {
            tracing::warn!(
                "{} cannot be read ({why}): it is put aside as {}",
                file.display(),
                aside.display()
            );
            Ok(None)
        }
        Err(source) => Err(KeptError::Stuck {
            file: file.to_owned(),
            why,
            source,
        }),
    }
}

/// What has to be told of damaged files in a worker's folder: those that lie aside, and those
/// that have been taken away. `without` says of a file what its worker does without it.
#[must_use]
pub fn owed(told: &Told, whose: &str, folder: &Path, without: &[(&str, &str)]) -> Vec<Telling> {
    let mut aside: Vec<String> = fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|found| found.ok()?.file_name().into_string().ok())
        .filter(|name| name.contains(ASIDE))
        .collect();
    aside.sort();
    let beginning = format!("{ALERT}{whose}-");
    let tell = |name: &String| {
        let file = name.split_once(ASIDE).map_or("", |(file, _)| file);
        let without = without.iter().find(|(known, _)| *known == file);
        let without = without.map_or(String::new(), |(_, words)| format!("{words}. "));
        let text = format!(
            "{whose}: its file {file} was damaged and is put aside as {}. {without}See whether the disk works; this is over once that file is moved away from there, at the latest when the worker is next started",
            folder.join(name).display()
        );
        Telling::warning(format!("{beginning}{name}"), text)
    };
    let still: Vec<Telling> = aside.iter().map(tell).collect();
    let mut owed = told.over(&beginning, &still, |name| {
        format!("{whose}: the damaged file {name} was taken away")
    });
    owed.extend(still);
    owed
}

pub(crate) fn free_name(file: &Path) -> PathBuf {
    let named = |n: u32| {
        let mut name = file.file_name().map(OsString::from).unwrap_or_default();
        name.push(format!("{ASIDE}{n}"));
        file.with_file_name(name)
    };
    let free = (1..10_000).map(named).find(|aside| !aside.exists());
    free.unwrap_or_else(|| named(10_000))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(bytes: Vec<u8>) -> Result<u32, String> {
        let text = String::from_utf8(bytes).map_err(|error| error.to_string())?;
        text.parse().map_err(|_| format!("{text:?} is no number"))
    }

    #[test]
    fn a_damaged_file_is_put_aside_whole_and_told_of_until_it_is_taken_away() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("seven.txt");
        assert_eq!(read(&file, number).unwrap(), None);
        fs::write(&file, "7").unwrap();
        assert_eq!(read(&file, number).unwrap(), Some(7));
        for n in 1..3 {
            fs::write(&file, [b'7', 0xff]).unwrap();
            assert_eq!(read(&file, number).unwrap(), None);
            let aside = dir.path().join(format!("seven.txt.damaged-{n}"));
            assert_eq!(fs::read(aside).unwrap(), [b'7', 0xff]);
            assert!(!file.exists());
        }
        let mut told = Told::open(&dir.path().join("told.txt")).unwrap();
        let words = [("seven.txt", "Seven is counted anew")];
        let tellings = owed(&told, "counter", dir.path(), &words);
        assert_eq!(tellings.len(), 2);
        let first = &tellings[0];
        assert_eq!(first.alert, "damaged-file-counter-seven.txt.damaged-1");
        assert!(first.text.contains("Seven is counted anew. "), "{first:?}");
        told.was_told(first).unwrap();
        fs::remove_file(dir.path().join("seven.txt.damaged-1")).unwrap();
        let tellings = owed(&told, "counter", dir.path(), &words);
        assert_eq!(tellings[0].step, crate::telling::Step::Cleared);
        assert_eq!(tellings.len(), 2);
    }

    #[test]
    fn what_is_no_file_at_all_is_put_aside_too() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("kept.txt");
        fs::create_dir(&file).unwrap();
        assert_eq!(read(&file, number).unwrap(), None);
        assert!(dir.path().join("kept.txt.damaged-1").is_dir());
    }
}
