//! The connection to the MQTT broker.

use std::collections::BTreeSet;
use std::time::Duration;

use anyhow::Context as _;
use bus::Shutdown;
use bus::retry::Backoff;
use rumqttc::{
    AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS, SubscribeFilter, SubscribeReasonCode,
};
use site::Climate;

use crate::Taker;

/// A dead connection is noticed within one and a half times this.
const KEEP_ALIVE: Duration = Duration::from_secs(15);

/// Requests that wait in memory, acknowledgements above all.
const WAITING: usize = 1_000;

/// The largest message that is taken, bytes.
const LARGEST: usize = 64 * 1024;

pub(crate) struct Link {
    options: MqttOptions,
    filters: Vec<SubscribeFilter>,
    at: String,
}

impl Link {
    pub(crate) fn new(climate: &Climate, client: &str) -> anyhow::Result<Self> {
        let mut options = MqttOptions::new(client, &climate.host, climate.port);
        options.set_keep_alive(KEEP_ALIVE);
        options.set_max_packet_size(LARGEST, LARGEST);
        // The broker keeps what comes while we are away, until we say that we have it.
        options.set_clean_session(false);
        options.set_manual_acks(true);
        if let Some((user, file)) = &climate.login {
            let password = std::fs::read_to_string(file)
                .with_context(|| format!("cannot read the MQTT password in {}", file.display()))?;
            options.set_credentials(user, password.trim_end());
        }
        let signals = climate.probes.iter().flat_map(|probe| &probe.signals);
        let topics: BTreeSet<&str> = signals.map(|signal| signal.topic.as_str()).collect();
        let filter = |topic: &str| SubscribeFilter::new(topic.to_owned(), QoS::AtLeastOnce);
        Ok(Self {
            options,
            filters: topics.into_iter().map(filter).collect(),
            at: format!("{}:{}", climate.host, climate.port),
        })
    }

    /// Listens until shutdown; the broker may go and come.
    pub(crate) async fn listen(self, taker: &Taker, shutdown: &Shutdown) {
        tokio::select! {
            () = shutdown.requested() => {}
            () = self.for_ever(taker) => {}
        }
    }

    async fn for_ever(self, taker: &Taker) {
        let (client, mut events) = AsyncClient::new(self.options.clone(), WAITING);
        let mut backoff = Backoff::new(Duration::from_millis(100), Duration::from_secs(5));
        let mut away: Option<String> = None;
        loop {
            let why = match self.one(&client, &mut events, taker).await {
                Ok(connected) => {
                    if connected {
                        backoff.reset();
                        if away.take().is_some() {
                            tracing::info!(broker = self.at, "room sensors can be read again");
                        }
                    }
                    continue;
                }
                Err(why) => why,
            };
            if away.as_ref() != Some(&why) {
                tracing::warn!(
                    broker = self.at,
                    why,
                    "room sensors cannot be read: look at the MQTT broker and at [climate] in the \
                     site file"
                );
                away = Some(why);
            }
            backoff.wait().await;
        }
    }

    /// Takes one event; true when it was a new connection.
    async fn one(
        &self,
        client: &AsyncClient,
        events: &mut EventLoop,
        taker: &Taker,
    ) -> Result<bool, String> {
        match events.poll().await.map_err(|error| error.to_string())? {
            Event::Incoming(Packet::ConnAck(_)) => {
                // Each time: a broker that lost its memory has forgotten what we want.
                client
                    .try_subscribe_many(self.filters.clone())
                    .map_err(|error| error.to_string())?;
                return Ok(true);
            }
            Event::Incoming(Packet::SubAck(ack)) => {
                for (filter, code) in self.filters.iter().zip(&ack.return_codes) {
                    if matches!(code, SubscribeReasonCode::Failure) {
                        tracing::error!(
                            broker = self.at,
                            topic = filter.path,
                            "the MQTT broker does not let us read this topic: give us the right to"
                        );
                    }
                }
            }
            Event::Incoming(Packet::Publish(message)) => {
                let taken = taker
                    .take(message.topic.clone(), message.payload.to_vec())
                    .await;
                if !taken {
                    // Not acknowledged: on a new connection the broker sends it again.
                    events.clean();
                    return Err("a reading could not be stored".to_owned());
                }
                client.try_ack(&message).map_err(|e| e.to_string())?;
            }
            _ => {}
        }
        Ok(false)
    }
}
