//! What people were told, read back from where it was published: for a floor that is folded
//! anew, so that it tells nobody anything a second time.

use std::collections::BTreeSet;

use bus::{Bus, BusError};
use chrono::NaiveDate;
use control::Said;
use facts::SiteId;
use ripening::Alert;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// Where an alert that has stood for long is said to stand still, so that this is known also
/// when the stream has forgotten that it was raised. Nobody is told by it.
pub(crate) const STANDS: &str = "stands";

/// What people were told, oldest first.
#[derive(Debug, Default)]
pub struct WasTold {
    pub(crate) alerts: Vec<Alert>,
    pub(crate) portions: Vec<Said>,
    /// The names of whatever is told once and is never over: the end of a shift, a case that
    /// cannot be labelled, a message that counts for nothing.
    pub(crate) names: BTreeSet<String>,
    /// The dairy day on which it was last said what stands.
    pub(crate) said_standing: Option<NaiveDate>,
}

/// An alert that is said to stand, in the stream.
#[derive(Serialize, Deserialize)]
pub(crate) struct StandingAlert {
    #[serde(flatten)]
    pub(crate) alert: Alert,
    /// The dairy day on which it was said.
    pub(crate) said_on: NaiveDate,
}

impl WasTold {
    /// Takes the next message.
    pub(crate) fn take(&mut self, body: &[u8]) {
        let Ok(value) = serde_json::from_slice::<Value>(body) else {
            return;
        };
        if let Ok(alert) = Alert::deserialize(&value) {
            self.alerts.push(alert);
        } else if let Ok(said) = Said::deserialize(&value) {
            self.portions.push(said);
        } else if let Some(name) = value.get("alert").and_then(Value::as_str) {
            self.names.insert(name.to_owned());
        }
    }
}

/// Reads it all.
///
/// # Errors
/// What the broker said.
pub(crate) async fn read(bus: &Bus, site: &SiteId) -> Result<WasTold, BusError> {
    let mut told = WasTold::default();
    // What stands was raised before whatever is in the stream says that it is over.
    for body in bus.derived(site, STANDS).await? {
        told.take(&body);
        if let Ok(standing) = serde_json::from_slice::<StandingAlert>(&body) {
            told.said_standing = told.said_standing.max(Some(standing.said_on));
        }
    }
    for body in bus.derived(site, "alert.>").await? {
        told.take(&body);
    }
    Ok(told)
}
