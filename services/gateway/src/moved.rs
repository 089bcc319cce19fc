//! How far the scheduler has folded the log: a page that shows less is drawn anew.

use bus::retry::Backoff;
use bus::{Bus, Shutdown};
use facts::SiteId;
use futures::StreamExt as _;
use serde::Deserialize;
use tokio::sync::watch;

/// The number in the log up to which the scheduler has folded it, as it last said.
pub struct Moved(watch::Sender<u64>);

/// What of the scheduler's notice counts here.
#[derive(Deserialize)]
struct Notice {
    position: u64,
}

impl Default for Moved {
    fn default() -> Self {
        Self(watch::Sender::new(0))
    }
}

impl Moved {
    /// Hears whenever something new was folded.
    #[must_use]
    pub fn hear(&self) -> watch::Receiver<u64> {
        self.0.subscribe()
    }

    /// The number now.
    #[must_use]
    pub fn seq(&self) -> u64 {
        *self.0.borrow()
    }

    /// Hears what the scheduler says, until shutdown.
    pub async fn follow(&self, bus: &Bus, site: &SiteId, shutdown: &Shutdown) {
        let for_ever = async {
            let mut backoff = Backoff::default();
            loop {
                bus.connected().await;
                // Heard again by itself whenever the broker is back.
                if let Ok(mut notices) = bus.client().subscribe(format!("live.{site}.next")).await {
                    while let Some(notice) = notices.next().await {
                        if let Ok(Notice { position }) = serde_json::from_slice(&notice.payload) {
                            self.0.send_replace(position);
                        }
                    }
                }
                backoff.wait().await;
            }
        };
        tokio::select! {
            () = shutdown.requested() => {}
            () = for_ever => {}
        }
    }
}
