//! The lines of a ledger, from wherever somebody has come to.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Seek as _, SeekFrom};
use std::path::Path;

use facts::{SiteId, stored_struct};
use seal::{BadLedger, Entry, Ledger, archive};

use crate::error::{RecordsError, file};

/// How far somebody has come in a ledger, as it is stored.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Mark {
    /// Records before it.
    count: u64,
    /// What stands for all of them, in hexadecimal digits; empty before the first.
    head: String,
    /// Bytes before it.
    bytes: u64,
    /// The line before it, by which the place is known again.
    last: String,
}

stored_struct!(Mark {
    count,
    head,
    bytes,
    last,
});

/// How far somebody has come in a ledger.
#[derive(Debug, Clone)]
pub(crate) struct Place {
    ledger: Ledger,
    bytes: u64,
    last: String,
}

impl Place {
    /// Where a mark is; before the first record of a site.
    pub(crate) fn of(mark: Mark, site: &SiteId) -> Self {
        Self {
            ledger: match mark.head.parse() {
                Ok(head) => Ledger::after(mark.count, head),
                Err(_) => Ledger::new(site),
            },
            bytes: mark.bytes,
            last: mark.last,
        }
    }

    pub(crate) fn mark(&self) -> Mark {
        Mark {
            count: self.ledger.count(),
            head: self.ledger.head().to_string(),
            bytes: self.bytes,
            last: self.last.clone(),
        }
    }

    /// Its records and what stands for them.
    pub(crate) const fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Goes on over a record; answers its line, without the line break.
    pub(crate) fn pass(&mut self, entry: &Entry) -> &str {
        self.ledger.push(entry);
        self.last = entry.line(self.ledger.count());
        self.bytes += self.last.len() as u64 + 1;
        &self.last
    }
}

/// The lines of a ledger from a place on; none while there is no ledger.
#[derive(Debug)]
pub(crate) struct Lines {
    reader: Option<BufReader<File>>,
    place: Place,
    line: String,
}

impl Lines {
    /// Opens a folder's ledger at a place; `None` when what stands before it there is not what
    /// stood before it.
    ///
    /// # Errors
    /// [`RecordsError::File`].
    pub(crate) fn open(dir: &Path, place: Place) -> Result<Option<Self>, RecordsError> {
        let path = dir.join(archive::LEDGER);
        let last = match place.last.as_str() {
            "" => String::new(),
            last => format!("{last}\n"),
        };
        let Some(before) = place.bytes.checked_sub(last.len() as u64) else {
            return Ok(None);
        };
        let reader = match File::open(&path) {
            Ok(mut opened) => {
                opened.seek(SeekFrom::Start(before)).map_err(file(&path))?;
                let mut reader = BufReader::with_capacity(1 << 16, opened);
                let mut there = Vec::new();
                let before = reader.by_ref().take(last.len() as u64);
                { before }.read_to_end(&mut there).map_err(file(&path))?;
                (there == last.as_bytes()).then_some(Some(reader))
            }
            Err(reason) if reason.kind() == std::io::ErrorKind::NotFound => {
                last.is_empty().then_some(None)
            }
            Err(reason) => return Err(file(&path)(reason)),
        };
        Ok(reader.map(|reader| Self {
            reader,
            place,
            line: String::new(),
        }))
    }

    /// Where the next line begins.
    pub(crate) const fn place(&self) -> &Place {
        &self.place
    }
}

impl Iterator for Lines {
    type Item = Result<(u64, Entry), BadLedger>;

    fn next(&mut self) -> Option<Self::Item> {
        let place = &mut self.place;
        let at = place.ledger.count() + 1;
        self.line.clear();
        match self.reader.as_mut()?.read_line(&mut self.line) {
            Ok(0) => return None,
            Ok(bytes) => place.bytes += bytes as u64,
            Err(_) => {
                self.reader = None; // what follows cannot be found again
                return Some(Err(BadLedger { line: at }));
            }
        }
        let line = self.line.trim_end_matches('\n');
        line.clone_into(&mut place.last);
        let read = Entry::read(line, at);
        match &read {
            Ok((_, entry)) => place.ledger.push(entry),
            // What is no line stands for a record all the same.
            Err(_) => place.ledger = Ledger::after(at, place.ledger.head()),
        }
        Some(read)
    }
}
