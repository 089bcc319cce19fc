//! Stations with a real broker that comes, goes, and loses its log.

use bus::Bus;
use bus::broker::ChildBroker;
use facts::wire::Read;
use station::{LEAVING, Leaving, Stays};
use tempfile::TempDir;
use tokio::io::AsyncWriteExt as _;

use crate::floor::{Dairy, floor_has, office, ready, rejected, scale_station, station, within};

async fn connect(broker: &ChildBroker) -> Bus {
    let bus = Bus::connect(&broker.url(), "looking-on").await.unwrap();
    within(bus.ready()).await.unwrap();
    bus
}

/// Numbers and topics of what the log holds.
async fn log(bus: &Bus) -> Vec<(u64, &'static str)> {
    let mut facts = Vec::new();
    let end = bus.floor_end().await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    while (facts.len() as u64) < end {
        for message in within(log.next_chunk(100)).await.unwrap() {
            let Ok(Read::Fact(fact)) = message.read() else {
                panic!("{message:?}");
            };
            facts.push((fact.station_seq, fact.event.topic()));
        }
    }
    facts
}

#[tokio::test]
async fn a_hold_set_at_one_worker_stops_a_dispatch_at_the_other() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = connect(&broker).await;
    let (portion, scale) = scale_station("portion-1").await;
    let dairy = Dairy::start(vec![portion, station("door-1", None)], &broker.url()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();

    let mut portion = dairy.scanner("portion-1").await;
    portion.scans(&["A.PORTION", "B.311", "H.H1"]).await;
    cable.write_all(b"S 0 kg\nS 11 kg\n").await.unwrap();
    let born = portion.hear().await;
    assert!(born.contains("wheel 311-01, 11.000 kg, hoop H1"), "{born}");
    let held = portion.scans(&["A.HOLD", "Q.Q7", "W.311-01"]).await;
    assert!(held.starts_with("OK  wheel 311-01 held under Q7"), "{held}");
    floor_has(&bus, 3).await;

    let mut door = dairy.scanner("door-1").await;
    assert_eq!(
        door.scans(&["P.17", "A.DISPATCH", "O.77", "H.H1"]).await,
        "STOP  wheel 311-01 in hoop H1 is under hold Q7: nothing recorded, none may leave. Set aside"
    );
    // Neither badge nor name lets it go at a scanner: only who is signed in.
    for badge in ["P.17", "P.M1", "P.ZZZ"] {
        let refused = portion.scans(&[badge, "A.RELEASE"]).await;
        assert!(refused.starts_with("WRONG"), "{refused}");
        portion.scans(&["Q.Q7", "W.311-01"]).await;
    }
    let (wheels, hold) = (vec!["311-01".parse().unwrap()], "Q7".parse().unwrap());
    let reason = "its test is back".to_owned();
    let [_, graded] = ready("311-01");
    let unhooped = facts::WheelUnhooped {
        wheels: wheels.clone(),
        via: None,
    };
    let released = facts::WheelReleased {
        wheels,
        hold,
        reason,
    };
    office(&bus, [unhooped.into(), graded, released.into()]).await;
    assert_eq!(
        door.scan("W.311-01").await,
        "OK  wheel 311-01 dispatched for order 77"
    );
    floor_has(&bus, 7).await;
    assert_eq!(
        log(&bus).await,
        [
            (1, "wheel.portioned"),
            (2, "wheel.hooped"),
            (3, "wheel.held"),
            (4, "wheel.unhooped"),
            (5, "wheel.graded"),
            (6, "wheel.released"),
            (1, "wheel.dispatched"),
        ]
    );
}

#[tokio::test]
async fn a_killed_broker_loses_no_scan_and_a_restarted_station_knows_the_floor_without_it() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let (port, url) = (broker.port(), broker.url());
    let mut dairy = Dairy::start(vec![station("rub-1", None)], &url).await;
    let mut scanner = dairy.scanner("rub-1").await;
    scanner
        .scans(&["A.LOAD", "S.S1", "W.311-01", "W.311-02"])
        .await;
    floor_has(&connect(&broker).await, 2).await;
    broker.kill_hard().await;

    dairy.close().await;
    dairy.open().await;
    let mut scanner = dairy.scanner("rub-1").await;
    let answer = scanner.scans(&["A.TURN", "S.S1"]).await;
    assert!(
        // What the broker took a moment before it was killed may not be known as taken.
        answer.starts_with("WRONG  2 wheels on S1 turned") && answer.ends_with(" kept)"),
        "{answer}"
    );
    let broker = within(ChildBroker::start_on(folder.path(), port))
        .await
        .unwrap();
    let bus = connect(&broker).await;
    floor_has(&bus, 3).await;
    assert_eq!(
        log(&bus).await,
        [
            (1, "wheel.loaded"),
            (2, "wheel.loaded"),
            (3, "wheel.turned")
        ]
    );
}

#[tokio::test]
async fn a_restart_without_a_broker_still_knows_what_other_workers_did() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = connect(&broker).await;
    let (portion, _scale) = scale_station("portion-1").await;
    let mut dairy = Dairy::start(vec![portion, station("door-1", None)], &broker.url()).await;
    let mut portion = dairy.scanner("portion-1").await;
    portion
        .scans(&["A.LOAD", "S.S1", "W.311-01", "A.HOLD", "Q.Q7", "S.S1"])
        .await;
    office(&bus, ready("311-01")).await;
    floor_has(&bus, 4).await;
    // Only what was followed can be stopped.
    let mut door = dairy.scanner("door-1").await;
    let answer = door.scans(&["P.17", "A.DISPATCH", "O.77", "S.S1"]).await;
    assert!(
        answer.starts_with("STOP  1 wheel on S1 is under hold Q7"),
        "{answer}"
    );
    broker.kill_hard().await;
    dairy.close().await;
    dairy.open().await;
    let mut door = dairy.scanner("door-1").await;
    let answer = door.scans(&["A.TURN", "S.S1"]).await;
    assert!(answer.starts_with("OK  1 wheel on S1 turned"), "{answer}");
}

#[tokio::test]
async fn a_broker_that_lost_its_log_does_not_stop_the_floor() {
    let (old, new) = (TempDir::new().unwrap(), TempDir::new().unwrap());
    let broker = within(ChildBroker::start(old.path())).await.unwrap();
    let (port, url) = (broker.port(), broker.url());
    let stations = vec![station("rub-1", None), station("door-1", None)];
    let dairy = Dairy::start(stations, &url).await;
    let mut scanner = dairy.scanner("rub-1").await;
    scanner.scans(&["A.LOAD", "S.S1", "W.311-01"]).await;
    office(&connect(&broker).await, ready("311-01")).await;
    floor_has(&connect(&broker).await, 3).await;
    let mut door = dairy.scanner("door-1").await;
    // What the old log said is known here, and stays known.
    while !door
        .scans(&["A.TURN", "S.S1"])
        .await
        .starts_with("OK  1 wheel")
    {}
    broker.kill_hard().await;
    let broker = within(ChildBroker::start_on(new.path(), port))
        .await
        .unwrap();
    let bus = connect(&broker).await;
    scanner.scan("W.311-02").await;
    office(&bus, ready("311-02")).await;
    let mut answer = door.scans(&["P.17", "A.DISPATCH", "O.77"]).await;
    // Nothing leaves until the new log has been taken; then the old picture is still there.
    while !answer.starts_with("OK") {
        assert!(
            answer.starts_with("STOP") || answer.starts_with("NEXT"),
            "{answer}"
        );
        answer = door.scans(&["P.17", "A.DISPATCH", "O.77", "S.S1"]).await;
    }
    assert!(
        answer.starts_with("OK  2 wheels on S1 dispatched"),
        "{answer}"
    );
}

#[tokio::test]
async fn nothing_leaves_that_the_dispatch_desk_keeps_or_cannot_be_asked_about() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = connect(&broker).await;
    let mut dairy = Dairy::start(vec![station("door-1", None)], &broker.url()).await;
    dairy.close().await;
    dairy.site.dispatch = Some(site::Dispatch {
        customers: "customers.toml".into(),
    });
    dairy.open().await;
    let mut door = dairy.scanner("door-1").await;
    office(
        &bus,
        ["311-01", "311-02"].iter().flat_map(|wheel| ready(wheel)),
    )
    .await;
    door.scans(&["A.LOAD", "S.S1", "W.311-01", "W.311-02"])
        .await;
    floor_has(&bus, 6).await;
    let answer = door.scans(&["P.17", "A.DISPATCH", "O.77"]).await;
    assert!(
        answer.starts_with("STOP  NOT dispatched: the dispatch desk does not answer"),
        "{answer}"
    );

    // A desk that keeps one wheel back.
    let mut questions = bus.questions(&dairy.site.id, &[LEAVING]).await.unwrap();
    let desk = tokio::spawn(async move {
        let mut asked = Vec::new();
        while let Some(question) = questions.next().await {
            let leaving: Leaving = question.read().unwrap();
            let kept = "311-01".parse().unwrap();
            let reasons = match leaving.wheels.contains(&kept) {
                true => vec!["311-01: not graded: grade it first".to_owned()],
                false => Vec::new(),
            };
            question.answer(&Stays { reasons }).await.unwrap();
            asked.push(leaving);
            if asked.len() == 3 {
                break;
            }
        }
        asked
    });
    // First the order's name, then what goes with it.
    assert!(within(door.scan("O.77")).await.starts_with("NEXT"));
    assert_eq!(
        within(door.scan("S.S1")).await,
        "STOP  NOT dispatched. 311-01: not graded: grade it first"
    );
    let answer = within(door.scan("W.311-02")).await;
    assert!(answer.contains("dispatched"), "{answer}");
    let asked = within(desk).await.unwrap();
    assert!(asked[0].wheels.is_empty());
    assert_eq!(asked[1].wheels.len(), 2);
    assert_eq!(asked[2].order, "77".parse().ok());
    assert_eq!(asked[2].after_seq, 6);
    floor_has(&bus, 7).await;
    assert_eq!(log(&bus).await.last(), Some(&(3, "wheel.dispatched")));
    let kept = rejected(dairy.data.path(), "move-recorder");
    let reasons: Vec<_> = kept
        .iter()
        .map(|line| line["reason"].as_str().unwrap())
        .collect();
    assert!(reasons[0].starts_with("NOT dispatched: the dispatch desk does not answer"));
    assert_eq!(
        reasons[1],
        "NOT dispatched. 311-01: not graded: grade it first"
    );
}

#[tokio::test]
async fn what_the_desk_said_of_one_client_lets_nothing_of_another_go() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = connect(&broker).await;
    let mut dairy = Dairy::start(vec![station("door-1", None)], &broker.url()).await;
    dairy.close().await;
    dairy.site.dispatch = Some(site::Dispatch {
        customers: "customers.toml".into(),
    });
    dairy.open().await;
    office(
        &bus,
        ["311-01", "311-02"].iter().flat_map(|wheel| ready(wheel)),
    )
    .await;
    let (mut one, mut other) = (dairy.scanner("door-1").await, dairy.scanner("door-1").await);
    let mut questions = bus.questions(&dairy.site.id, &[LEAVING]).await.unwrap();
    // Every order that is scanned is known.
    macro_rules! order {
        ($client:ident, $line:literal) => {{
            $client.send(concat!($line, "\n").as_bytes()).await;
            let named = within(questions.next()).await.unwrap();
            named.answer(&Stays::default()).await.unwrap();
            assert!($client.hear().await.starts_with("NEXT"));
        }};
    }
    one.scan("A.DISPATCH").await;
    order!(one, "O.77");
    other.scans(&["P.18", "A.DISPATCH"]).await;
    order!(other, "O.88");
    // The desk lets go for order 77 only, and while it is asked the other client scans.
    one.send(b"W.311-01\n").await;
    let question = within(questions.next()).await.unwrap();
    let leaving: Leaving = question.read().unwrap();
    assert_eq!(leaving.order, "77".parse().ok());
    order!(other, "O.99");
    other.scans(&["A.TURN", "W.311-02", "A.DISPATCH"]).await;
    order!(other, "O.88");
    question.answer(&Stays::default()).await.unwrap();
    let answer = one.hear().await;
    assert_eq!(answer, "OK  wheel 311-01 dispatched for order 77");
    let mut log = bus.floor_after(None).await.unwrap();
    floor_has(&bus, 6).await;
    let mut sent = Vec::new();
    while sent.len() < 6 {
        sent.extend(within(log.next_chunk(100)).await.unwrap());
    }
    let who: Vec<_> = sent
        .iter()
        .filter_map(|message| match message.read() {
            Ok(Read::Fact(fact)) if fact.event.topic() == "wheel.dispatched" => Some(fact.person),
            _ => None,
        })
        .collect();
    assert_eq!(who, ["17".parse().ok()]);
}

#[tokio::test]
async fn what_a_slow_scanner_said_is_in_the_log_beside_its_receipt() {
    let folder = TempDir::new().unwrap();
    let broker = within(ChildBroker::start(folder.path())).await.unwrap();
    let bus = connect(&broker).await;
    let dairy = Dairy::start(vec![station("room-1", None)], &broker.url()).await;
    let mut scanner = dairy.handheld("room-1", [127, 0, 0, 7]).await;
    scanner.scans(&["P.17", "A.TURN"]).await;
    let began = bus::Clock::system().now();
    let claimed = began - chrono::TimeDelta::minutes(19);
    let said = claimed.to_rfc3339_opts(chrono::SecondsFormat::Millis, true);
    scanner.scan(&format!("@{said} W.311-01")).await;
    floor_has(&bus, 1).await;
    let mut log = bus.floor_after(None).await.unwrap();
    let sent = within(log.next_chunk(10)).await.unwrap();
    let Ok(Read::Fact(fact)) = sent[0].read() else {
        panic!("a turn")
    };
    assert_eq!(
        fact.claimed().timestamp_millis(),
        claimed.timestamp_millis()
    );
    assert!(fact.occurred_at >= began && fact.occurred_at == fact.recorded_at);
}
