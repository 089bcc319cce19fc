//! An archive: plain files for whoever has to read them without this program.

use std::fs::File;
use std::io::{BufRead as _, BufReader, BufWriter, Write as _};
use std::path::{Path, PathBuf};

use seal::archive;

use crate::error::{RecordsError, file};
use crate::folder::write_new;

/// The check in another language, which goes into every archive.
const CHECK: &str = include_str!("../../../tests/verify_chain.py");

/// An archive being written.
pub struct Archive {
    dir: PathBuf,
    count: u64,
    out: Option<BufWriter<File>>,
}

impl Archive {
    /// Begins an archive in a new folder.
    ///
    /// # Errors
    /// [`RecordsError::File`]; also when there is an archive already.
    pub fn begin(dir: &Path) -> Result<Self, RecordsError> {
        let facts = dir.join(archive::FACTS);
        if facts.exists() {
            let there = std::io::Error::new(
                std::io::ErrorKind::AlreadyExists,
                "there is an archive already: name a new folder",
            );
            return Err(file(&facts)(there));
        }
        std::fs::create_dir_all(&facts).map_err(file(&facts))?;
        Ok(Self {
            dir: dir.to_owned(),
            count: 0,
            out: None,
        })
    }

    /// Takes the next record.
    ///
    /// # Errors
    /// [`RecordsError::File`].
    pub fn push(&mut self, line: &[u8]) -> Result<(), RecordsError> {
        if self.count.is_multiple_of(archive::RECORDS_A_FILE) {
            self.close()?;
            let path = self
                .dir
                .join(archive::FACTS)
                .join(archive::facts_file(self.count + 1));
            self.out = Some(BufWriter::new(File::create(&path).map_err(file(&path))?));
        }
        self.count += 1;
        if let Some(out) = &mut self.out {
            out.write_all(line)
                .and_then(|()| out.write_all(b"\n"))
                .map_err(file(&self.dir))?;
        }
        Ok(())
    }

    /// Puts the ledger, the seals and the README beside the facts. The ledger is cut at the
    /// archive's last record, and only seals over what is there go in.
    ///
    /// # Errors
    /// [`RecordsError`].
    pub fn finish(mut self, records: &Path) -> Result<u64, RecordsError> {
        self.close()?;
        for name in [archive::SITE, archive::KEY] {
            let from = records.join(name);
            std::fs::copy(&from, self.dir.join(name)).map_err(file(&from))?;
        }
        let from = records.join(archive::LEDGER);
        let to = self.dir.join(archive::LEDGER);
        let mut out = BufWriter::new(File::create(&to).map_err(file(&to))?);
        if let Ok(ledger) = File::open(&from) {
            for line in BufReader::new(ledger).lines().zip(0..self.count) {
                let line = line.0.map_err(file(&from))?;
                writeln!(out, "{line}").map_err(file(&to))?;
            }
        }
        out.flush().map_err(file(&to))?;
        let seals = self.dir.join(archive::SEALS);
        std::fs::create_dir_all(&seals).map_err(file(&seals))?;
        for seal in crate::folder::seals(records)? {
            if seal.statement.last <= self.count {
                let name = archive::seal_file(seal.statement.day, seal.statement.last);
                write_new(&seals.join(name), &seal.to_string())?;
            }
        }
        write_new(&self.dir.join("README.txt"), archive::README)?;
        write_new(&self.dir.join("verify_chain.py"), CHECK)?;
        Ok(self.count)
    }

    fn close(&mut self) -> Result<(), RecordsError> {
        if let Some(mut out) = self.out.take() {
            out.flush().map_err(file(&self.dir))?;
        }
        Ok(())
    }
}

/// The files of facts in an archive, in order.
///
/// # Errors
/// [`RecordsError::File`].
pub fn facts_files(dir: &Path) -> Result<Vec<PathBuf>, RecordsError> {
    let facts = dir.join(archive::FACTS);
    let mut files = Vec::new();
    for found in std::fs::read_dir(&facts).map_err(file(&facts))? {
        let path = found.map_err(file(&facts))?.path();
        if path
            .extension()
            .is_some_and(|extension| extension == "ndjson")
        {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}
