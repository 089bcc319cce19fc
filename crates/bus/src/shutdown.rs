//! Asking everybody to stop, once.

use std::sync::Arc;

use tokio::sync::watch;

/// A request to stop, shared by all tasks of a worker. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Shutdown {
    /// Kept so that `requested` never sees a closed channel.
    request: Arc<watch::Sender<bool>>,
}

impl Shutdown {
    /// One that only [`Shutdown::request`] sets off.
    #[must_use]
    pub fn new() -> Self {
        Self {
            request: Arc::new(watch::Sender::new(false)),
        }
    }

    /// One that SIGINT (Ctrl-C) or SIGTERM sets off. Call it inside a tokio runtime.
    #[must_use]
    pub fn on_signals() -> Self {
        let shutdown = Self::new();
        let asked = shutdown.clone();
        tokio::spawn(async move {
            use tokio::signal::unix::{SignalKind, signal};
            match (
                signal(SignalKind::interrupt()),
                signal(SignalKind::terminate()),
            ) {
                (Ok(mut interrupt), Ok(mut terminate)) => {
                    tokio::select! {
                        _ = interrupt.recv() => {}
                        _ = terminate.recv() => {}
                    }
                    asked.request();
                }
                (Err(error), _) | (_, Err(error)) => {
                    tracing::warn!(%error, "cannot listen for Ctrl-C: end this process from outside");
                }
            }
        });
        shutdown
    }

    /// Asks everybody to stop.
    pub fn request(&self) {
        self.request.send_replace(true);
    }

    /// Whether stopping was asked for.
    #[must_use]
    pub fn is_requested(&self) -> bool {
        *self.request.borrow()
    }

    /// Waits until stopping is asked for.
    pub async fn requested(&self) {
        // The sender lives in `self`, so the channel cannot close while we wait.
        let _ = self.request.subscribe().wait_for(|asked| *asked).await;
    }
}

impl Default for Shutdown {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_request_reaches_every_clone_also_those_made_later() {
        let shutdown = Shutdown::new();
        let waiting = tokio::spawn({
            let shutdown = shutdown.clone();
            async move { shutdown.requested().await }
        });
        shutdown.request();
        waiting.await.unwrap();
        shutdown.clone().requested().await;
        assert!(shutdown.is_requested());
    }
}
