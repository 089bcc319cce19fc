//! What people say of alerts.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A named person has seen an alert and says what is done about it. The alert stands until
/// what it is about is over.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct AlertAcknowledged {
    /// The alert's name, the same from raised to cleared.
    pub alert: String,
    /// What the person says.
    pub note: String,
}
