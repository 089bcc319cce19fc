//! What workers that keep no floor have told people and is not over: kilograms that nobody
//! can explain, orders that will be short, checks missed, printers that need somebody.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use bus::retry::Backoff;
use bus::telling::{Message, Step};
use bus::{Bus, BusError, Shutdown};
use facts::SiteId;

/// What is open, by its name.
#[derive(Debug, Default)]
pub struct Told(Mutex<BTreeMap<String, Message>>);

impl Told {
    /// What is open, the worst first, then the newest.
    #[must_use]
    pub fn open(&self) -> Vec<Message> {
        let told = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let mut open: Vec<Message> = told.values().cloned().collect();
        open.sort_by_key(|message| std::cmp::Reverse((message.telling.severity, message.since)));
        open
    }

    /// Follows what is told until shutdown; the broker may come and go.
    pub async fn follow(&self, bus: &Bus, site: &SiteId, shutdown: &Shutdown) {
        let for_ever = async {
            let mut backoff = Backoff::default();
            loop {
                if let Err(error) = self.read(bus, site, &mut backoff).await {
                    tracing::debug!(%error, "what workers tell is not followed for now");
                }
                backoff.wait().await;
            }
        };
        tokio::select! {
            () = shutdown.requested() => {}
            () = for_ever => {}
        }
    }

    async fn read(&self, bus: &Bus, site: &SiteId, backoff: &mut Backoff) -> Result<(), BusError> {
        bus.connected().await;
        bus.ready().await?;
        let mut tellings = bus.tellings(site).await?;
        while let Some(message) = tellings.next().await {
            backoff.reset();
            self.take(message);
        }
        Ok(())
    }

    fn take(&self, message: Message) {
        let mut told = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let alert = message.telling.alert.clone();
        match message.telling.step {
            Step::Cleared => told.remove(&alert),
            Step::Raised | Step::Escalated => told.insert(alert, message),
        };
    }
}

#[cfg(test)]
mod tests {
    use bus::telling::Telling;

    use super::*;

    #[test]
    fn what_is_over_is_not_open_and_the_worst_comes_first() {
        let told = Told::default();
        let name = |text: &str| text.to_owned();
        for (minute, telling) in (0..).zip([
            Telling::warning(name("drying-B1"), name("dries")),
            Telling::alarm(name("check-1"), name("missed")),
            Telling::warning(name("yield-B1"), name("12 kg")),
            Telling::cleared(name("drying-B1"), name("over")),
            Telling::warning(name("drying-B1#2"), name("dries again")),
        ]) {
            let since = chrono::DateTime::UNIX_EPOCH + chrono::TimeDelta::minutes(minute);
            told.take(Message { telling, since });
        }
        let open: Vec<String> = told.open().into_iter().map(|m| m.telling.alert).collect();
        assert_eq!(open, ["check-1", "drying-B1#2", "yield-B1"]);
    }
}
