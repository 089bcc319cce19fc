//! The `[climate]` section: room sensors and what they publish over MQTT.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use chrono::TimeDelta;
use climate::{Probe, Says, Signal};
use facts::{RoomId, SensorId};
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use crate::Room;

/// The port of MQTT where an address names none.
const PORT: u16 = 1883;

/// Room sensors.
#[derive(Debug, Clone, PartialEq)]
pub struct Climate {
    /// The MQTT broker's name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Where the broker that a floor starts for itself listens for sensors, if it does.
    pub serve: Option<SocketAddr>,
    /// Whether that broker lets sensors without a password say what the air is like.
    pub without_password: bool,
    /// Who we are to the broker, with the file that holds the password.
    pub login: Option<(String, PathBuf)>,
    /// A sensor's air is recorded at most so often.
    pub every: TimeDelta,
    /// The sensors.
    pub probes: Vec<Probe>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ClimateTable {
    mqtt: Spanned<String>,
    #[serde(default)]
    serve: bool,
    without_password: Option<Spanned<bool>>,
    user: Option<Spanned<String>>,
    password_file: Option<Spanned<String>>,
    every_minutes: Option<Spanned<f64>>,
    #[serde(default)]
    sensor: Vec<SensorTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SensorTable {
    id: Spanned<SensorId>,
    room: Spanned<RoomId>,
    time: Option<Spanned<String>>,
    temperature: Option<Spanned<SignalTable>>,
    humidity: Option<Spanned<SignalTable>>,
    co2: Option<Spanned<SignalTable>>,
    nh3: Option<Spanned<SignalTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SignalTable {
    topic: Spanned<String>,
    field: Option<String>,
    unit: Option<Spanned<String>>,
    offset: Option<Spanned<f64>>,
}

pub(crate) fn read(
    origin: &Origin<'_>,
    folder: &Path,
    table: &ClimateTable,
    rooms: &[Room],
) -> Result<Climate, Located> {
    let (host, port) = read_address(origin, &table.mqtt)?;
    let serve = match (table.serve, format!("{host}:{port}").parse()) {
        (false, _) => None,
        (true, Ok(address)) => Some(address),
        (true, Err(_)) => {
            let message = "with serve = true mqtt is where to listen: write this machine's own \
                           address and a port, such as \"127.0.0.1:1883\"";
            return Err(origin.error(table.mqtt.span(), message));
        }
    };
    let without_password = table.without_password.as_ref();
    if let Some(without) = without_password.filter(|w| *w.get_ref() && !table.serve) {
        let message = "without_password is about the broker that the floor starts for itself: \
                       add serve = true, or leave it out and see to it at your MQTT broker";
        return Err(origin.error(without.span(), message));
    }
    let login = match (&table.user, &table.password_file) {
        (Some(user), Some(file)) => Some((user.get_ref().clone(), folder.join(file.get_ref()))),
        (None, None) => None,
        (Some(one), None) | (None, Some(one)) => {
            let message = "user and password_file belong together: name both, or neither";
            return Err(origin.error(one.span(), message));
        }
    };
    let every = match &table.every_minutes {
        None => 5.0,
        Some(minutes) if (0.0..=60.0).contains(minutes.get_ref()) => *minutes.get_ref(),
        Some(minutes) => {
            let message = "every_minutes must be 0 to 60; at 0 every message is recorded";
            return Err(origin.error(minutes.span(), message));
        }
    };
    if table.sensor.is_empty() {
        let message = "no [[climate.sensor]]: name at least one, or leave [climate] out";
        return Err(origin.error(table.mqtt.span(), message));
    }
    let mut probes: Vec<Probe> = Vec::new();
    for sensor in &table.sensor {
        let probe = read_probe(origin, sensor, rooms)?;
        if probes.iter().any(|other| other.sensor == probe.sensor) {
            let message = format!("sensor {} stands here twice", probe.sensor);
            return Err(origin.error(sensor.id.span(), message));
        }
        probes.push(probe);
    }
    Ok(Climate {
        host,
        port,
        serve,
        without_password: without_password.is_some_and(|w| *w.get_ref()),
        login,
        every: TimeDelta::milliseconds((every * 60_000.0) as i64),
        probes,
    })
}

fn read_address(origin: &Origin<'_>, text: &Spanned<String>) -> Result<(String, u16), Located> {
    let wrong = || {
        let message = format!(
            "mqtt is {:?}: write the broker's name and port, such as \"127.0.0.1:1883\"",
            text.get_ref()
        );
        origin.error(text.span(), message)
    };
    let (host, port) = match text.get_ref().rsplit_once(':') {
        Some((host, port)) => (host, port.parse().map_err(|_| wrong())?),
        None => (text.get_ref().as_str(), PORT),
    };
    if host.is_empty() || host.contains('/') || port == 0 {
        return Err(wrong());
    }
    Ok((host.to_owned(), port))
}

fn read_probe(origin: &Origin<'_>, table: &SensorTable, rooms: &[Room]) -> Result<Probe, Located> {
    let room = *table.room.get_ref();
    if !rooms.iter().any(|known| known.id == room) {
        let message = format!("room {room} is not among the [[room]]s: add it or correct the name");
        return Err(origin.error(table.room.span(), message));
    }
    let said = [
        (Says::Temperature, &table.temperature),
        (Says::Humidity, &table.humidity),
        (Says::CarbonDioxide, &table.co2),
        (Says::Ammonia, &table.nh3),
    ];
    let mut signals = Vec::new();
    for (says, signal) in said {
        if let Some(signal) = signal {
            signals.push(read_signal(origin, says, signal, table.time.is_some())?);
        }
    }
    let tells = |says| signals.iter().any(|signal: &Signal| signal.says == says);
    if signals.is_empty() {
        let message = "the sensor says nothing: give it temperature, humidity, co2 or nh3";
        return Err(origin.error(table.id.span(), message));
    }
    if tells(Says::Humidity) && !tells(Says::Temperature) {
        let message = "humidity means nothing without a temperature: name the sensor's \
                       temperature as well";
        return Err(origin.error(table.id.span(), message));
    }
    Ok(Probe {
        sensor: *table.id.get_ref(),
        room,
        signals,
        time: table.time.as_ref().map(|time| time.get_ref().clone()),
    })
}

fn read_signal(
    origin: &Origin<'_>,
    says: Says,
    table: &Spanned<SignalTable>,
    timed: bool,
) -> Result<Signal, Located> {
    let signal = table.get_ref();
    let topic = signal.topic.get_ref();
    if topic.is_empty() || topic.contains(['+', '#', '\0', ' ']) || topic.starts_with('$') {
        let message = format!(
            "topic is {topic:?}: write one topic, without wildcards or blanks, such as \
             \"dairy/rooms/R1/air\""
        );
        return Err(origin.error(signal.topic.span(), message));
    }
    if timed && signal.field.is_none() {
        let message = "a payload with a time is JSON: name the value's field as well";
        return Err(origin.error(table.span(), message));
    }
    let fahrenheit = match (says, &signal.unit) {
        (_, None) => false,
        (Says::Temperature, Some(unit)) if unit.get_ref() == "C" => false,
        (Says::Temperature, Some(unit)) if unit.get_ref() == "F" => true,
        (_, Some(unit)) => {
            let message =
                "unit is for temperatures: \"C\" or \"F\"; humidity is in %, gases in ppm";
            return Err(origin.error(unit.span(), message));
        }
    };
    let most = match says {
        Says::Temperature => 10.0,
        Says::Humidity => 20.0,
        Says::CarbonDioxide => 1_000.0,
        Says::Ammonia => 25.0,
    };
    let offset = signal.offset.as_ref().map_or(0.0, |o| *o.get_ref());
    if let Some(told) = &signal.offset
        && !(-most..=most).contains(&offset)
    {
        let message =
            format!("offset must be -{most} to {most}: a sensor that is further off is broken");
        return Err(origin.error(told.span(), message));
    }
    Ok(Signal {
        says,
        topic: topic.clone(),
        field: signal.field.clone(),
        fahrenheit,
        offset,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn section(text: &str) -> Result<Climate, String> {
        let origin = Origin {
            file: "site.toml",
            text,
        };
        let table: ClimateTable = origin.toml().map_err(|e| e.to_string())?;
        let rooms = [Room {
            id: "R1".parse().unwrap(),
            name: "First".to_owned(),
            positions: 3,
        }];
        read(&origin, Path::new("/etc/dairy"), &table, &rooms).map_err(|e| e.to_string())
    }

    const SENSOR: &str = "mqtt = \"broker.dairy\"\n[[sensor]]\nid = \"T1\"\nroom = \"R1\"\n";

    #[test]
    fn a_sensor_gathers_values_from_topics_fields_and_bare_numbers() {
        let text = format!(
            "{SENSOR}temperature = {{ topic = \"r1/air\", field = \"now.t\", unit = \"F\", offset = \
             -0.5 }}\nco2 = {{ topic = \"r1/co2\" }}"
        );
        let climate = section(&text).unwrap();
        assert_eq!(
            (climate.host.as_str(), climate.port),
            ("broker.dairy", 1883)
        );
        assert_eq!(climate.every, TimeDelta::minutes(5));
        let [probe] = climate.probes.as_slice() else {
            panic!("one sensor: {:?}", climate.probes)
        };
        assert!(probe.signals[0].fahrenheit);
        assert_eq!(probe.signals[0].field.as_deref(), Some("now.t"));
        assert_eq!(probe.signals[1].says, Says::CarbonDioxide);
        assert_eq!(probe.signals[1].field, None);
    }

    #[test]
    fn what_is_wrong_is_pointed_at_with_what_would_be_right() {
        let more = |line: &str| format!("{SENSOR}{line}");
        for (text, says) in [
            ("mqtt = \"tcp://x:1\"".to_owned(), "name and port"),
            ("mqtt = \"x:1883\"".to_owned(), "[[climate.sensor]]"),
            (more(""), "says nothing"),
            (
                more("humidity = { topic = \"a\" }"),
                "without a temperature",
            ),
            (more("temperature = { topic = \"a/#\" }"), "wildcards"),
            (
                more("temperature = { topic = \"a\", unit = \"K\" }"),
                "\"F\"",
            ),
            (
                more("temperature = { topic = \"a\", offset = 40.0 }"),
                "broken",
            ),
            (
                more("time = \"at\"\ntemperature = { topic = \"a\" }"),
                "field",
            ),
            (
                more("temperature = { topic = \"a\", offset = nan }"),
                "offset must",
            ),
            (
                SENSOR.replace("R1", "R9") + "nh3 = { topic = \"a\" }",
                "R9 is not among",
            ),
            (
                format!("user = \"u\"\n{}", more("nh3 = { topic = \"a\" }")),
                "belong together",
            ),
        ] {
            let error = section(&text).unwrap_err();
            assert!(
                error.starts_with("site.toml:") && error.contains(says),
                "{error}"
            );
        }
    }
}
