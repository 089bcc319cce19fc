//! A folder that stands in for a printer: one PNG a label.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use crate::journal::Seen;
use crate::printer::{Printer, Trouble};

/// Prints into a folder. A file there is a label on paper.
#[derive(Debug, Clone)]
pub struct Folder {
    dir: PathBuf,
    name: String,
}

impl Folder {
    /// The folder is made when the first label is printed.
    #[must_use]
    pub fn new(dir: PathBuf) -> Self {
        // The folder's own name: where it lies on this machine is nobody else's business.
        let own = dir.file_name().unwrap_or(dir.as_os_str());
        let name = format!("folder {}", own.to_string_lossy());
        Self { dir, name }
    }

    fn file(&self, job_name: &str) -> PathBuf {
        self.dir.join(format!("{job_name}.png"))
    }
}

impl Printer for Folder {
    fn name(&self) -> &str {
        &self.name
    }

    async fn find(&self, job_name: &str) -> Result<Seen, Trouble> {
        match self.file(job_name).try_exists() {
            Ok(true) => Ok(Seen::Printed),
            Ok(false) => Ok(Seen::Unknown),
            Err(error) => Err(Trouble::Folder(error.to_string())),
        }
    }

    async fn send(&self, job_name: &str, png: Vec<u8>) -> Result<Seen, Trouble> {
        let (dir, file) = (self.dir.clone(), self.file(job_name));
        tokio::task::spawn_blocking(move || write_whole(&dir, &file, &png))
            .await
            .map_err(io::Error::other)
            .and_then(|written| written)
            .map_err(|error| Trouble::Folder(error.to_string()))?;
        Ok(Seen::Printed)
    }

    async fn watch(&self, _job: i32) -> Result<Seen, Trouble> {
        Ok(Seen::NotAsked)
    }
}

/// The file is there with all its bytes, or not at all, even if the power goes.
fn write_whole(dir: &Path, file: &Path, png: &[u8]) -> io::Result<()> {
    fs::create_dir_all(dir)?;
    let unfinished = file.with_extension("part");
    let mut part = File::create(&unfinished)?;
    part.write_all(png)?;
    part.sync_all()?;
    fs::rename(&unfinished, file)?;
    File::open(dir)?.sync_all()
}
