//! The worker's picture of the floor on its disk: the placement, and how much of the log
//! is in it.

use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use anyhow::Context as _;
use bus::Position;
use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};
use station::Placement;

/// Raised when the file's form changes; an older file is then read anew from the log.
const FORM: u8 = 4;

/// How long what has left the dairy is kept: longer than any handheld keeps a scan.
const KEPT: Duration = Duration::days(60);

/// The placement, and the place in the log up to which it holds every fact.
#[derive(Debug, Default, Serialize, Deserialize)]
pub(crate) struct Picture {
    pub(crate) position: Option<Position>,
    pub(crate) placement: Placement,
    /// When the placement last forgot what is old.
    #[serde(skip)]
    forgot: Option<DateTime<Utc>>,
}

impl Picture {
    /// The last picture kept. When there is none, or none that can be read, an empty
    /// one: the log has it all.
    pub(crate) fn load(path: &Path) -> Self {
        let bytes = match std::fs::read(path) {
            Ok(bytes) => bytes,
            Err(error) => {
                if error.kind() != std::io::ErrorKind::NotFound {
                    tracing::warn!(%error, file = %path.display(), "the picture of the floor cannot be read: reading the log from its beginning");
                }
                return Self::default();
            }
        };
        match bytes.split_first() {
            Some((&FORM, picture)) => match postcard::from_bytes::<Self>(picture) {
                Ok(picture) => return picture,
                Err(error) => {
                    tracing::warn!(%error, file = %path.display(), "the picture of the floor is damaged: reading the log from its beginning");
                }
            },
            _ => tracing::info!("the picture of the floor is of another version: reading the log"),
        }
        Self::default()
    }

    /// Forgets once a day what no scan will ask for.
    pub(crate) fn forget(&mut self, now: DateTime<Utc>) {
        if self.forgot.is_none_or(|at| now - at >= Duration::days(1)) {
            self.placement.forget_before(now - KEPT);
            self.forgot = Some(now);
        }
    }

    /// The picture as its file has it.
    pub(crate) fn bytes(&self) -> anyhow::Result<Vec<u8>> {
        Ok(postcard::to_extend(self, vec![FORM])?)
    }
}

/// Puts a picture in place of the last, whole or not at all.
pub(crate) fn keep(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    let fresh = path.with_extension("new");
    let write = || {
        let mut file = File::create(&fresh)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&fresh, path)
    };
    write().with_context(|| {
        format!(
            "cannot keep the picture of the floor in {}: make room there",
            path.display()
        )
    })
}
