//! Strangers and room sensors at a broker of our own: what they must not be able to do.

use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt as _;
use std::time::Duration;

use bus::Keys;
use bus::broker::{BrokerError, ChildBroker, Guard, Mqtt};
use bus::permissions::{SENSOR_READER, SENSORS};
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS, SubscribeReasonCode};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};

use crate::support::*;

fn free_address() -> SocketAddr {
    let socket = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    socket.local_addr().unwrap()
}

async fn with_mqtt(dir: &std::path::Path, without_password: bool) -> (ChildBroker, SocketAddr) {
    let listen = free_address();
    let mqtt = Some(Mqtt {
        listen,
        without_password,
    });
    let guard = Guard {
        grants: grants(),
        mqtt,
    };
    let broker = within(ChildBroker::start_guarded(dir, &guard))
        .await
        .unwrap();
    (broker, listen)
}

/// A client of the MQTT listener.
fn client(at: SocketAddr, name: &str, login: Option<(&str, &str)>) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(name, at.ip().to_string(), at.port());
    if let Some((user, password)) = login {
        options.set_credentials(user, password);
    }
    AsyncClient::new(options, 100)
}

/// What comes within a moment, until the connection ends.
async fn heard(events: &mut EventLoop) -> Vec<Packet> {
    let mut heard = Vec::new();
    while let Ok(Ok(event)) = tokio::time::timeout(Duration::from_millis(500), events.poll()).await
    {
        if let Event::Incoming(packet) = event {
            heard.push(packet);
        }
    }
    heard
}

/// Everything that a sensor that turned bad tries; gives what it was told and heard.
async fn attack(at: SocketAddr, login: Option<(&str, &str)>) -> Vec<Packet> {
    let mut all = Vec::new();
    for topic in [
        "$JS/API/STREAM/DELETE/FLOOR",
        "$JS/API/STREAM/DELETE/$MQTT_sess",
        "$JS/API/STREAM/PURGE/FLOOR",
        "derived/larkholm/alert/raised",
        "floor/larkholm/wheel/released/gateway",
        "floor/larkholm/room/climate_read/climate-reader",
        "floor/larkholm/wheel/released",
        "clock/larkholm",
        "ask/larkholm/label/reprint",
    ] {
        for qos in [QoS::AtMostOnce, QoS::AtLeastOnce] {
            let (client, mut events) = client(at, "bad", login);
            client.publish(topic, qos, false, "{}").await.unwrap();
            all.extend(heard(&mut events).await);
        }
    }
    for topic in [
        "#",
        "floor/#",
        "ask/#",
        "derived/#",
        "$JS/#",
        "larkholm/air/R1",
        "$SYS/#",
    ] {
        let (client, mut events) = client(at, "bad", login);
        client.subscribe(topic, QoS::AtMostOnce).await.unwrap();
        all.extend(heard(&mut events).await);
    }
    all
}

#[tokio::test(flavor = "multi_thread")]
async fn over_mqtt_one_says_what_the_air_is_like_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    for without_password in [false, true] {
        let folder = dir.path().join(without_password.to_string());
        let (broker, at) = with_mqtt(&folder, without_password).await;
        let scheduler = user(&broker, "scheduler").await;
        let recorder = user(&broker, "move-recorder").await;
        let facts = recorded(
            &bus::Outbox::open(&folder.join("outbox"), site()).unwrap(),
            1,
        );
        let _ = within(recorder.publish_facts(&facts)).await;
        let end = scheduler.floor_end().await.unwrap();
        let password = Keys::of(&folder, SENSORS).unwrap().unwrap();
        let reader = Keys::of(&folder, SENSOR_READER).unwrap().unwrap();
        // The reader hears the sensors, and no other user does.
        let (listening, mut events) = client(at, "reader", Some((SENSOR_READER, &reader)));
        listening
            .subscribe("larkholm/air/R1", QoS::AtLeastOnce)
            .await
            .unwrap();
        heard(&mut events).await;

        let login = (!without_password).then_some((SENSORS, password.as_str()));
        let answers = attack(at, login).await;
        for packet in &answers {
            match packet {
                Packet::SubAck(ack) => {
                    assert_eq!(ack.return_codes, [SubscribeReasonCode::Failure]);
                }
                Packet::Publish(heard) => panic!("it heard {}", heard.topic),
                _ => {}
            }
        }
        assert!(
            answers
                .iter()
                .any(|packet| matches!(packet, Packet::SubAck(_)))
        );

        let (sensor, mut said) = client(at, "sensor", login);
        sensor
            .publish("larkholm/air/R1", QoS::AtLeastOnce, false, "11.5")
            .await
            .unwrap();
        heard(&mut said).await;
        let air = heard(&mut events)
            .await
            .into_iter()
            .find_map(|packet| match packet {
                Packet::Publish(air) => Some(air.payload),
                _ => None,
            });
        assert_eq!(air.as_deref(), Some(b"11.5".as_slice()));

        let jetstream = async_nats::jetstream::new(scheduler.client().clone());
        let derived = jetstream.get_stream(bus::DERIVED).await.unwrap();
        assert_eq!(derived.cached_info().state.messages, 0);
        assert_eq!(scheduler.floor_end().await.unwrap(), end);
        broker.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_password_nobody_comes_in() {
    let dir = tempfile::tempdir().unwrap();
    let (broker, at) = with_mqtt(dir.path(), false).await;
    user(&broker, "scheduler").await;
    let password = Keys::of(dir.path(), SENSORS).unwrap().unwrap();
    let reader = Keys::of(dir.path(), SENSOR_READER).unwrap().unwrap();
    let scheduler = Keys::of(dir.path(), "scheduler").unwrap().unwrap();
    for login in [
        None,
        Some((SENSORS, "guessed")),
        // A worker's password is none over MQTT: the sensors' account has no such user.
        Some((SENSORS, scheduler.as_str())),
    ] {
        let (client, mut events) = client(at, "stranger", login);
        client
            .publish("larkholm/air/R1", QoS::AtLeastOnce, false, "0")
            .await
            .unwrap();
        let came_in = heard(&mut events).await;
        let let_in = came_in.iter().any(|packet| {
            matches!(packet, Packet::ConnAck(ack) if ack.code == rumqttc::ConnectReturnCode::Success)
        });
        assert!(!let_in, "{login:?}");
    }
    // By NATS: nobody at all, a guessed password, and the sensors' own users.
    for connect in [
        "{}".to_owned(),
        r#"{"user":"scheduler","pass":"guessed"}"#.to_owned(),
        format!(r#"{{"user":"{SENSORS}","pass":"{password}"}}"#),
        format!(r#"{{"user":"{SENSOR_READER}","pass":"{reader}"}}"#),
    ] {
        let at = ("127.0.0.1", broker.port());
        let mut stream = tokio::net::TcpStream::connect(at).await.unwrap();
        let delete = "PUB $JS.API.STREAM.DELETE.FLOOR 0\r\n\r\nSUB > 1\r\nPING\r\n";
        let sent = format!("CONNECT {connect}\r\n{delete}");
        stream.write_all(sent.as_bytes()).await.unwrap();
        let mut said = String::new();
        let _ = within(stream.read_to_string(&mut said)).await;
        assert!(
            said.contains("Authorization Violation"),
            "{connect}: {said}"
        );
        assert!(!said.contains("PONG"), "{said}");
    }
    let bus = user(&broker, "scheduler").await;
    assert_eq!(bus.floor_end().await.unwrap(), 0);
}

#[tokio::test]
async fn a_folder_of_before_there_were_users_keeps_its_log_and_passwords_are_made_once() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("broker");
    let old = broker(&folder).await;
    let bus = connect(&old.url()).await;
    let facts = some_facts(40);
    bus.publish_facts(&facts).await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, 30).await;
    let position = log.position();
    drop(bus);
    old.stop().await;

    let mut passwords = Vec::new();
    for _ in 0..2 {
        let new = guarded(&folder, grants()).await;
        let bus = user(&new, "scheduler").await;
        assert_eq!(facts_of(&everything(&bus).await), facts);
        let mut log = bus.floor_after(Some(&position)).await.unwrap();
        assert_eq!(facts_of(&take(&mut log, 10).await), facts[30..]);
        passwords.push(Keys::of(&folder, "scheduler").unwrap().unwrap());
        for file in std::fs::read_dir(folder.join("users")).unwrap() {
            let mode = file.unwrap().metadata().unwrap().permissions().mode();
            assert_eq!(mode & 0o077, 0, "others may read it");
        }
        new.stop().await;
    }
    assert_eq!(passwords[0], passwords[1]);

    // An older program ran on it in between: now there are two logs, and nobody may choose.
    let old = broker(&folder).await;
    connect(&old.url()).await;
    old.stop().await;
    let guard = Guard {
        grants: grants(),
        mqtt: None,
    };
    let error = ChildBroker::start_guarded(&folder, &guard)
        .await
        .err()
        .unwrap();
    assert!(matches!(error, BrokerError::TwoLogs(_)), "{error}");
}
