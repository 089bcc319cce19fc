//! Tells a chat webhook what a person should know.
//!
//! Takes the alerts on `derived.<site>.alert.>` strictly in order and POSTs each as JSON,
//! `{"text": …, "alert": {…}}`, with its id as `Idempotency-Key`. While the webhook is
//! down alerts wait in the stream. One that it refuses goes to a file and never holds up
//! the others. An alert that was delivered is remembered, so that the same job again is
//! not sent again; between a delivery and its note a crash sends it twice, under the same
//! key.

mod courier;
mod dead_letters;
mod sent;
mod watch;
mod webhook;

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use bus::{Bus, Clock, Shutdown};
use site::Site;

pub use courier::Courier;
pub use dead_letters::DeadLetters;
pub use sent::{Sent, SentError};
pub use watch::Watch;
pub use webhook::{Answer, Webhook};

/// The name of this worker and of its place in the stream.
const NAME: &str = "notifier";

/// Delivers the site's alerts until asked to stop. Without a webhook in the site file
/// they are only logged.
///
/// # Errors
/// When our own disk cannot be written, the webhook's address is none, or the broker
/// refuses.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let webhook = site.webhook.as_ref();
    let webhook = webhook.map(|webhook| Webhook::new(&webhook.url));
    let webhook = webhook
        .transpose()
        .context("reading `webhook` in the site file")?;
    let watch = Watch::new(&site, webhook.clone(), data)?;
    let watching = tokio::spawn(watch.run(bus.clone(), shutdown.clone()));
    let mut courier = match webhook {
        Some(webhook) => Some(Courier::new(webhook, data, clock)?),
        None => None,
    };
    let done = deliver(&site, &bus, &mut courier, &shutdown).await;
    watching.abort();
    done
}

async fn deliver(
    site: &Site,
    bus: &Bus,
    courier: &mut Option<Courier>,
    shutdown: &Shutdown,
) -> anyhow::Result<()> {
    let mut jobs = tokio::select! {
        jobs = bus.jobs(NAME, &site.id, "alert.>") => jobs?,
        () = shutdown.requested() => return Ok(()),
    };
    loop {
        let job = tokio::select! {
            job = jobs.next() => job,
            () = shutdown.requested() => None,
        };
        let Some(job) = job else {
            return Ok(());
        };
        let delivering = async {
            match courier.as_mut() {
                Some(courier) => courier.deliver(&job.id, &job.body).await,
                None => {
                    tracing::info!(alert = job.id, "{}", courier::text_of(&job.body));
                    Ok(())
                }
            }
        };
        tokio::select! {
            delivered = job.hold(delivering) => delivered?,
            () = shutdown.requested() => {
                // So that the next run has it at once; unheard, it has it a little later.
                let _ = job.later(Duration::ZERO).await;
                return Ok(());
            }
        }
        if let Err(error) = job.done().await {
            // It comes again and is found among those sent.
            tracing::debug!(%error, "alert");
        }
    }
}
