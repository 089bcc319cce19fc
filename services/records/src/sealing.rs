//! What of a seal goes where whoever writes the records folder does not reach: the broker, the
//! people in the chat, a folder on another box.

use std::path::Path;

use bus::Bus;
use bus::telling::Telling;
use facts::SiteId;
use seal::{Mark, Seal};

use crate::folder::copy_seals;

/// Where seals are published, behind `derived.<site>.`.
pub(crate) const SEALED: &str = "seal";

/// Where what is said once is published, behind `derived.<site>.`.
const SUMMARY: &str = "alert.summary";

/// The alert that seals could not be copied.
const COPIES: &str = "seal-copies";

/// Puts a seal where another box, begun with this broker's folder, finds it, and tells people
/// its mark.
pub(crate) async fn publish(bus: &Bus, site: &SiteId, seal: &Seal, mark: Option<Mark>) {
    let statement = &seal.statement;
    let id = format!("seal-{}-{}", statement.day, statement.last);
    let text = seal.to_string();
    let published = bus.publish_derived(site, SEALED, &id, text.as_bytes());
    if let Err(error) = published.await {
        // The next day's says as much.
        tracing::warn!(%error, "the seal was not published; it lies in the records folder");
    }
    let Some(mark) = mark else { return };
    let id = format!("sealed-{mark}");
    let text = format!(
        "The records of {} are sealed, {} in all. Mark of the seal: {mark}. Keep this message: `wheelward verify --mark {mark}` shows with it that nothing up to that day was cut off or rewritten since.",
        statement.day, statement.last
    );
    let body = serde_json::json!({"alert": id, "step": "summary", "text": text}).to_string();
    if let Err(error) = bus
        .publish_derived(site, SUMMARY, &id, body.as_bytes())
        .await
    {
        tracing::warn!(%error, %mark, "people were not told the seal's mark; the next day's vouches for this one too");
    }
}

/// Copies the seals that are not there yet, and gives what people have to hear of that.
pub(crate) async fn copy(records: &Path, to: Option<&Path>) -> Vec<Telling> {
    let Some(to) = to else { return Vec::new() };
    let (from, into) = (records.to_owned(), to.to_owned());
    let copied = tokio::task::spawn_blocking(move || copy_seals(&from, &into)).await;
    let why = match copied {
        Ok(Ok(())) => return Vec::new(),
        Ok(Err(error)) => error.to_string(),
        Err(error) => error.to_string(),
    };
    vec![Telling::warning(
        COPIES.to_owned(),
        format!(
            "The seals of the records could not be copied to {}: {why}. It is tried again every ten minutes.",
            to.display()
        ),
    )]
}

/// That copying works again, where `still` does not say that it fails.
pub(crate) fn copied_again(told: &bus::telling::Told, still: &[Telling]) -> Vec<Telling> {
    told.over(COPIES, still, |_| {
        "the seals of the records are copied again".to_owned()
    })
}
