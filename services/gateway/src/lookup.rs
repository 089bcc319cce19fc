//! One record of the log, by its id.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::Read;
use facts::{Fact, FactId};

use crate::gateway::Gateway;
use crate::trouble::Trouble;

/// Messages taken at a time.
const CHUNK: usize = 1_000;

/// Nobody waits for longer.
const WITHIN: Duration = Duration::from_secs(20);

/// The clocks of a station and of the broker differ by less.
const SLACK: TimeDelta = TimeDelta::hours(24);

/// The record of this id.
///
/// # Errors
/// There is none at this dairy, or the log cannot be read now.
pub async fn fact(gateway: &Gateway, id: FactId) -> Result<Fact, Trouble> {
    if !gateway.bus().is_connected() {
        return Err(Trouble::away(
            "the broker is away, so the record cannot be looked up: try again in a minute",
        ));
    }
    let found = tokio::time::timeout(WITHIN, read(gateway, id)).await;
    let found = found.map_err(|_| {
        Trouble::away("the log could not be read through in time: try again in a minute")
    })??;
    found
        .filter(|fact| fact.site == gateway.site().id)
        .ok_or_else(|| {
            Trouble::missing(format!(
                "there is no record {id} at this dairy: open the wheel's or batch's page and choose it there"
            ))
        })
}

async fn read(gateway: &Gateway, id: FactId) -> Result<Option<Fact>, Trouble> {
    let bus = gateway.bus();
    let end = bus.floor_end().await?;
    let mut log = match not_before(gateway, id) {
        Some(at) => bus.floor_since(at).await?,
        None => bus.floor_after(None).await?,
    };
    let named = id.to_string();
    while log.position().seq < end {
        for message in log.next_chunk(CHUNK).await? {
            let is_it = message
                .headers_as_text()
                .any(|(name, value)| name == "ce-id" && value == named);
            if is_it && let Ok(Read::Fact(fact)) = message.read() {
                return Ok(Some(fact));
            }
        }
    }
    Ok(None)
}

/// The broker did not have it before it was recorded. None where that says nothing of the
/// broker's clock.
fn not_before(gateway: &Gateway, id: FactId) -> Option<DateTime<Utc>> {
    let recorded = id.received()?;
    let ahead = recorded > gateway.machine_now();
    (!ahead && !gateway.clock_is_driven()).then(|| recorded - SLACK)
}
