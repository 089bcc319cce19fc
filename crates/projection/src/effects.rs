//! Publishes what the stored state asks for, in order, until the broker has it.

use std::sync::Arc;

use bus::retry::Backoff;
use bus::{Bus, Shutdown};
use facts::{SiteId, stored_struct};
use tokio::sync::mpsc;

use crate::Store;

/// Effects that wait in memory; more wait in the store.
const WAITING: usize = 10_000;

/// A message to publish once the state that asks for it is safe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// The end of its subject, after the site.
    pub tail: String,
    /// Its id: the same if it is made again.
    pub id: String,
    /// Its body.
    pub body: Vec<u8>,
}

stored_struct!(Effect { tail, id, body });

/// Takes effects and publishes them in order.
pub struct Publisher {
    sender: mpsc::Sender<(u64, Effect)>,
    task: tokio::task::JoinHandle<()>,
}

impl Publisher {
    /// Starts publishing; first what an earlier run stored and did not confirm.
    pub fn start(site: SiteId, bus: Bus, store: Arc<Store>, shutdown: Shutdown) -> Self {
        let (sender, mut receiver) = mpsc::channel(WAITING);
        let earlier = store.effects().unwrap_or_else(|error| {
            tracing::error!("{error}");
            Vec::new()
        });
        let task = tokio::spawn(async move {
            for (number, effect) in earlier {
                publish(&bus, site, &store, number, &effect, &shutdown).await;
            }
            while let Some((number, effect)) = receiver.recv().await {
                publish(&bus, site, &store, number, &effect, &shutdown).await;
            }
        });
        Self { sender, task }
    }

    /// Takes effects whose state has been written.
    pub async fn publish(&self, effects: Vec<(u64, Effect)>) {
        for effect in effects {
            // The receiver lives as long as the runtime; what is not taken stays stored.
            let _ = self.sender.send(effect).await;
        }
    }

    /// Stops at once and lets go of the store; what is not published stays stored.
    pub async fn stop(self) {
        self.task.abort();
        let _ = self.task.await;
    }
}

async fn publish(
    bus: &Bus,
    site: SiteId,
    store: &Store,
    number: u64,
    effect: &Effect,
    shutdown: &Shutdown,
) {
    let mut backoff = Backoff::default();
    while let Err(error) = bus
        .publish_derived(&site, &effect.tail, &effect.id, &effect.body)
        .await
    {
        if shutdown.is_requested() {
            return; // it stays in the store for the next run
        }
        tracing::debug!(%error, id = effect.id, "publishing again");
        backoff.wait().await;
    }
    if let Err(error) = store.effect_done(number) {
        tracing::warn!("{error}");
    }
}
