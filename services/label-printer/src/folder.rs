//! A folder that stands in for a printer: one PNG a label.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use labels::Drawing;

use crate::journal::Seen;
use crate::printer::{Found, Printer, Trouble};

/// Prints into a folder. A file there is a label on paper.
#[derive(Debug, Clone)]
pub struct Folder(PathBuf);

impl Folder {
    /// The folder is made when the first label is printed.
    #[must_use]
    pub const fn new(dir: PathBuf) -> Self {
        Self(dir)
    }

    fn file(&self, job_name: &str) -> PathBuf {
        self.0.join(format!("{job_name}.png"))
    }
}

impl Printer for Folder {
    async fn find(&self, job_name: &str, _before: Option<&str>) -> Result<Found, Trouble> {
        let seen = match self.file(job_name).try_exists() {
            Ok(true) => Seen::Printed,
            Ok(false) => Seen::Absent,
            Err(error) => return Err(Trouble::Folder(error.to_string())),
        };
        Ok(Found { seen, newest: None })
    }

    async fn send(&self, job_name: &str, label: &Drawing) -> Result<Seen, Trouble> {
        let wrong = |error: io::Error| Trouble::Folder(error.to_string());
        let png = label
            .bitmap()
            .png()
            .map_err(io::Error::other)
            .map_err(wrong)?;
        let (dir, file) = (self.0.clone(), self.file(job_name));
        tokio::task::spawn_blocking(move || write_whole(&dir, &file, &png))
            .await
            .map_err(io::Error::other)
            .and_then(|written| written)
            .map_err(wrong)?;
        Ok(Seen::Printed)
    }

    async fn watch(&self, _job: i32) -> Result<Seen, Trouble> {
        Ok(Seen::NotAsked)
    }
}

/// The file is there with all its bytes, or not at all, even if the power goes.
fn write_whole(dir: &Path, file: &Path, png: &[u8]) -> io::Result<()> {
    fs::create_dir_all(dir)?;
    bus::write_whole(file, png)
}
