//! Sensors over real MQTT: to the listener of a real broker, and into its log.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::future::Future;
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::time::Duration;

use bus::broker::{ChildBroker, Guard, Mqtt};
use bus::permissions::{Grants, SENSOR_READER, SENSORS};
use bus::{Bus, Clock, Shutdown};
use chrono::{NaiveTime, TimeDelta};
use climate::{Probe, Says, Signal};
use facts::wire::Read;
use facts::{Event, Fact, RoomClimateRead};
use quantity::DairyClock;
use rumqttc::{AsyncClient, MqttOptions, QoS};
use site::{Climate, Site};
use tokio::task::JoinHandle;

async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), doing)
        .await
        .expect("this should not take a minute")
}

/// As the shipped permissions have it.
const TOPIC: &str = "larkholm/air/R1";

fn site(mqtt: SocketAddr) -> Site {
    let signal = |says, field: &str| Signal {
        says,
        topic: TOPIC.to_owned(),
        field: Some(field.to_owned()),
        fahrenheit: false,
        offset: 0.5,
    };
    Site {
        id: "larkholm".parse().unwrap(),
        name: "Larkholm Dairy".to_owned(),
        identification_mark: None,
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::MIN),
        turn_by: NaiveTime::MIN,
        shift_ends: None,
        lost_after_days: 3,
        closed_after_days: 60,
        seal_copies: None,
        backup: None,
        people: Default::default(),
        rooms: Vec::new(),
        stations: Vec::new(),
        recipes: recipe::RecipeBook::default(),
        printers: Vec::new(),
        labels: site::Labels::default(),
        webhook: None,
        gateway: None,
        climate: Some(Climate {
            host: mqtt.ip().to_string(),
            port: mqtt.port(),
            serve: Some(mqtt),
            without_password: false,
            login: None,
            every: TimeDelta::zero(),
            probes: vec![Probe {
                sensor: "T1".parse().unwrap(),
                room: "R1".parse().unwrap(),
                signals: vec![signal(Says::Temperature, "t"), signal(Says::Ammonia, "nh3")],
                time: None,
            }],
        }),
        safety: None,
        dispatch: None,
    }
}

fn free_address() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap()
}

/// A broker of a floor's own, which hears sensors.
async fn broker(folder: &Path, mqtt: SocketAddr) -> ChildBroker {
    let guard = Guard {
        grants: Grants {
            site: "larkholm".parse().unwrap(),
            scanners: Vec::new(),
            scales: Vec::new(),
            air: vec![TOPIC.to_owned()],
            demo: false,
        },
        mqtt: Some(Mqtt {
            listen: mqtt,
            without_password: false,
        }),
    };
    ChildBroker::start_guarded(folder, &guard).await.unwrap()
}

/// Signed in as the scheduler, which makes the streams, and as the climate-reader.
async fn connect(broker: &ChildBroker) -> (Bus, Bus) {
    let user = async |user: &str| Bus::connect(&broker.url_of(user), user).await.unwrap();
    let (scheduler, reader) = (user("scheduler").await, user("climate-reader").await);
    scheduler.ready().await.unwrap();
    reader.ready().await.unwrap();
    (scheduler, reader)
}

/// A sensor of our own making.
struct Sensor {
    client: AsyncClient,
    connection: JoinHandle<()>,
}

impl Sensor {
    fn connect(mqtt: SocketAddr, broker: &ChildBroker) -> Self {
        let mut options = MqttOptions::new("sensor", mqtt.ip().to_string(), mqtt.port());
        let password = std::fs::read_to_string(broker.keys().unwrap().file(SENSORS)).unwrap();
        options.set_credentials(SENSORS, password.trim());
        let (client, mut events) = AsyncClient::new(options, 100);
        let connection = tokio::spawn(async move {
            loop {
                if events.poll().await.is_err() {
                    tokio::task::yield_now().await;
                }
            }
        });
        Self { client, connection }
    }

    async fn says(&self, payload: &str) {
        self.client
            .publish(TOPIC, QoS::AtLeastOnce, false, payload)
            .await
            .unwrap();
    }
}

impl Drop for Sensor {
    fn drop(&mut self) {
        self.connection.abort();
    }
}

type Reader = (Shutdown, JoinHandle<anyhow::Result<()>>);

fn start(bus: &Bus, mqtt: SocketAddr, broker: &ChildBroker, data: &Path) -> Reader {
    let mut site = site(mqtt);
    if let Some(climate) = &mut site.climate {
        let password = broker.keys().unwrap().file(SENSOR_READER);
        climate.login = Some((SENSOR_READER.to_owned(), password));
    }
    start_for(site, bus, data)
}

fn start_for(site: Site, bus: &Bus, data: &Path) -> Reader {
    let shutdown = Shutdown::new();
    let (bus, data, stop) = (bus.clone(), data.to_owned(), shutdown.clone());
    let run = async move { climate_reader::run(site, bus, Clock::system(), &data, stop).await };
    (shutdown, tokio::spawn(run))
}

/// Every reading in the log, once there are so many.
async fn readings(bus: &Bus, least: u64) -> Vec<(Fact, RoomClimateRead)> {
    let site = "larkholm".parse().unwrap();
    while bus.floor_count(&site, "room.climate_read").await.unwrap() < least {
        tokio::task::yield_now().await;
    }
    let mut log = bus.floor_after(None).await.unwrap();
    let end = bus.floor_end().await.unwrap();
    let mut found = Vec::new();
    while log.position().seq < end {
        for message in log.next_chunk(100).await.unwrap() {
            let Ok(Read::Fact(fact)) = message.read() else {
                panic!("unreadable in the log");
            };
            if let Event::RoomClimateRead(read) = fact.event.clone() {
                found.push((fact, read));
            }
        }
    }
    found
}

/// Says something useless until the reader has kept it: then it listens.
async fn listens(sensor: &Sensor, data: &Path) -> String {
    let kept = data.join("climate-reader").join(climate_reader::REJECTED);
    loop {
        let text = std::fs::read_to_string(&kept).unwrap_or_default();
        if !text.is_empty() {
            return text;
        }
        sensor.says("ERR").await;
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_sensors_message_becomes_a_numbered_fact_and_a_bad_one_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let mqtt = free_address();
    let broker = broker(&dir.path().join("broker"), mqtt).await;
    let (scheduler, bus) = connect(&broker).await;
    let data = dir.path().join("data");
    let (shutdown, run) = start(&bus, mqtt, &broker, &data);
    let sensor = Sensor::connect(mqtt, &broker);
    let kept = within(listens(&sensor, &data)).await;
    let line: serde_json::Value = serde_json::from_str(kept.lines().next().unwrap()).unwrap();
    assert_eq!(line["line"], format!("{TOPIC} ERR"));
    let reason = line["reason"].as_str().unwrap();
    assert!(
        reason.contains("T1 should say a temperature here"),
        "{reason}"
    );

    sensor.says(r#"{"t": 11.5, "nh3": 2}"#).await;
    sensor.says(r#"{"t": 11.75, "nh3": 40}"#).await;
    let read = within(readings(&scheduler, 2)).await;
    let values: Vec<_> = read.iter().map(|(_, r)| r.temperature_c.get()).collect();
    assert_eq!(values, [12.0, 12.25], "calibrated");
    assert_eq!(read[1].1.nh3_ppm.unwrap().get(), 40.5);
    let numbers: Vec<_> = read.iter().map(|(fact, _)| fact.station_seq).collect();
    assert_eq!(numbers, [1, 2]);
    assert_eq!(read[0].0.station.as_str(), "climate-reader");
    shutdown.request();
    within(run).await.unwrap().unwrap();
    broker.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_sensors_say_while_the_reader_is_away_is_recorded_when_it_is_back() {
    let dir = tempfile::tempdir().unwrap();
    let mqtt = free_address();
    let broker = broker(&dir.path().join("broker"), mqtt).await;
    let (scheduler, bus) = connect(&broker).await;
    let data = dir.path().join("data");
    let (shutdown, run) = start(&bus, mqtt, &broker, &data);
    let sensor = Sensor::connect(mqtt, &broker);
    within(listens(&sensor, &data)).await;
    shutdown.request();
    within(run).await.unwrap().unwrap();
    for t in 0..20 {
        sensor.says(&format!(r#"{{"t": {t}, "nh3": 2}}"#)).await;
    }
    let (shutdown, run) = start(&bus, mqtt, &broker, &data);
    let read = within(readings(&scheduler, 20)).await;
    let values: Vec<_> = read.iter().map(|(_, r)| r.temperature_c.get()).collect();
    let expected: Vec<_> = (0..20).map(|t| f64::from(t) + 0.5).collect();
    assert_eq!(values, expected);
    shutdown.request();
    within(run).await.unwrap().unwrap();
    broker.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn without_sensors_in_the_site_file_it_says_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    let site = Site {
        climate: None,
        ..site(free_address())
    };
    let ended = climate_reader::run(site, bus, Clock::system(), dir.path(), Shutdown::new()).await;
    assert!(ended.unwrap_err().to_string().contains("[climate]"));
}
