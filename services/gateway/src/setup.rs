//! The first person's way in: a link that works once.

use std::fs::OpenOptions;
use std::io::Write as _;
use std::net::SocketAddr;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use crate::people::Register;

/// Set while nobody can sign in yet.
#[derive(Debug)]
pub struct Setup {
    file: PathBuf,
    word: Mutex<Option<String>>,
}

impl Setup {
    /// A new link at every start until it has been used.
    #[must_use]
    pub fn new(dir: &Path, nobody_yet: bool) -> Self {
        let file = dir.join("set-up-link.txt");
        if !nobody_yet {
            // Left behind by a crash; it opens nothing any more.
            let _ = std::fs::remove_file(&file);
        }
        Self {
            file,
            word: Mutex::new(nobody_yet.then(crate::people::secret)),
        }
    }

    /// Tells whoever starts the program, on its log and in a private file.
    pub fn tell(&self, address: SocketAddr, tls: bool) {
        let word = self.word.lock().unwrap_or_else(PoisonError::into_inner);
        let Some(word) = word.as_deref() else {
            return;
        };
        let scheme = if tls { "https" } else { "http" };
        let link = format!("{scheme}://{address}/setup?word={word}");
        tracing::warn!(
            "nobody can sign in yet. Open this once to become the first manager: {link}"
        );
        let written = OpenOptions::new()
            .create(true)
            .write(true)
            .truncate(true)
            .mode(0o600)
            .open(&self.file)
            .and_then(|mut file| writeln!(file, "{link}"));
        if let Err(error) = written {
            tracing::warn!(%error, file = %self.file.display(), "the set-up link could not be kept");
        }
    }

    /// Whether this is the word of the link, and the link is still good.
    #[must_use]
    pub fn is_good(&self, word: &str) -> bool {
        let good = self.word.lock().unwrap_or_else(PoisonError::into_inner);
        good.as_deref() == Some(word)
    }

    /// Ends the link once someone can sign in.
    pub fn done(&self, people: &Register) {
        if !people.is_empty() {
            *self.word.lock().unwrap_or_else(PoisonError::into_inner) = None;
            let _ = std::fs::remove_file(&self.file);
        }
    }
}
