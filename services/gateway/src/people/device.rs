//! A browser that is a station.

use chrono::{DateTime, Utc};
use facts::{PersonId, StationId};
use serde::{Deserialize, Serialize};

/// A browser that is a station.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// The station it is.
    pub station: StationId,
    /// Its name on the floor.
    pub name: String,
    /// Who enrolled it.
    pub by: PersonId,
    /// When.
    pub at: DateTime<Utc>,
    /// Tells this enrolment from an earlier one, whose scans had numbers of their own.
    pub enrolment: String,
    /// The hash of the key in its cookie; none once it was sent away.
    pub(super) key: Option<String>,
}

impl Device {
    /// Whether it may still scan.
    #[must_use]
    pub const fn is_enrolled(&self) -> bool {
        self.key.is_some()
    }
}
