//! The simulated room sensors: what they publish over real MQTT.

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use bus::Keys;
use bus::permissions::SENSORS;
use climate::{Probe, Says};
use floor_sim::{Doing, What};
use rumqttc::{AsyncClient, MqttOptions, QoS};
use serde_json::{Map, Value, json};
use site::Site;
use tokio::task::JoinHandle;

use crate::broker;

/// What a sensor says while it starts.
const STARTING: &str = "ERR warming up";

/// A room reading as its sensor publishes it; `None` for what is scanned or weighed.
pub fn message(probes: &[Probe], doing: &Doing) -> anyhow::Result<Option<(String, String)>> {
    let What::Climate {
        room,
        temperature_c,
        humidity_pct,
    } = doing.what
    else {
        return Ok(None);
    };
    let probe = probes.iter().find(|probe| probe.room.as_str() == room);
    let probe = probe.with_context(|| format!("the site file has no sensor in {room}"))?;
    let mut payload = Map::new();
    let mut topic = String::new();
    if let Some(time) = &probe.time {
        payload.insert(time.clone(), json!(doing.at));
    }
    for signal in &probe.signals {
        let value = match signal.says {
            Says::Temperature => temperature_c,
            Says::Humidity => humidity_pct,
            Says::CarbonDioxide | Says::Ammonia => continue,
        };
        // The sensor is as far off as the site file says.
        let said = ((value - signal.offset) * 1_000.0).round() / 1_000.0;
        let field = signal.field.as_ref();
        let field = field.with_context(|| format!("sensor {} names no field", probe.sensor))?;
        payload.insert(field.clone(), json!(said));
        topic.clone_from(&signal.topic);
    }
    Ok(Some((topic, Value::Object(payload).to_string())))
}

/// The sensors' own connection to the broker.
pub struct Air {
    client: AsyncClient,
    connection: JoinHandle<()>,
    probes: Vec<Probe>,
    /// Where the climate-reader keeps what it could not read.
    rejected: PathBuf,
    published: u64,
}

impl Air {
    /// Connects to where the site file says.
    pub fn connect(site: &Site, data: &Path) -> anyhow::Result<Self> {
        let climate = site.climate.as_ref();
        let climate = climate.context("the demo's site file has no [climate]")?;
        let mut options = MqttOptions::new("larkholm-sensors", &climate.host, climate.port);
        if let Some(password) = Keys::of(&broker::folder(data), SENSORS)? {
            options.set_credentials(SENSORS, password);
        }
        let (client, mut events) = AsyncClient::new(options, 1_000);
        let connection = tokio::spawn(async move {
            loop {
                if events.poll().await.is_err() {
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            }
        });
        Ok(Self {
            client,
            connection,
            probes: climate.probes.clone(),
            rejected: data
                .join(climate_reader::STATION)
                .join(climate_reader::REJECTED),
            published: 0,
        })
    }

    /// Whether somebody listens: a sensor that starts says nonsense, which is kept where it
    /// can be found.
    pub async fn is_heard(&self) -> anyhow::Result<bool> {
        if self.kept() > 0 {
            return Ok(true);
        }
        if let Some(signal) = self.probes.first().and_then(|probe| probe.signals.first()) {
            let topic = signal.topic.as_str();
            self.client
                .publish(topic, QoS::AtLeastOnce, false, STARTING)
                .await?;
        }
        Ok(false)
    }

    /// Messages that could not be read.
    pub fn kept(&self) -> usize {
        let text = std::fs::read_to_string(&self.rejected).unwrap_or_default();
        text.lines().filter(|line| line.contains(STARTING)).count()
    }

    /// Publishes a reading; false when it is none.
    pub async fn publish(&mut self, doing: &Doing) -> anyhow::Result<bool> {
        let Some((topic, payload)) = message(&self.probes, doing)? else {
            return Ok(false);
        };
        self.client
            .publish(topic, QoS::AtLeastOnce, false, payload)
            .await?;
        self.published += 1;
        Ok(true)
    }

    /// How many readings were published.
    pub const fn published(&self) -> u64 {
        self.published
    }
}

impl Drop for Air {
    fn drop(&mut self) {
        self.connection.abort();
    }
}
