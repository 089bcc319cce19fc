//! Scanners, with the broker away all the time.

use bus::{Bus, Clock, Shutdown};
use chrono::{SecondsFormat, TimeDelta};
use site::Scan;
use tokio::net::TcpListener;

use crate::floor::{Dairy, free_address, nobody, rejected, site, station, within};

#[tokio::test]
async fn scans_are_answered_and_kept_while_the_broker_is_away() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut scanner = dairy.scanner("room-1").await;
    assert_eq!(
        scanner.scan("A.TURN").await,
        "NEXT  TURN: scan what you turned"
    );
    assert_eq!(
        scanner.scan("W.311-01").await,
        "WRONG  wheel 311-01 turned, but 311-01 is not known here: recorded and flagged (broker away, 1 kept)"
    );
    assert_eq!(
        scanner.scans(&["A.LOAD", "S.S1", "W.311-01"]).await,
        "WRONG  wheel 311-01 loaded on S1, but 311-01 is not known here: recorded and flagged (broker away, 2 kept)"
    );
}

#[tokio::test]
async fn nothing_leaves_while_holds_cannot_be_checked_and_nothing_stays_armed() {
    let dairy = Dairy::start(vec![station("dispatch-1", None)], &nobody()).await;
    let mut scanner = dairy.scanner("dispatch-1").await;
    let answer = scanner.scans(&["A.MOVE", "R.R1", "A.DISPATCH"]).await;
    assert!(
        answer.starts_with("STOP  DISPATCH needs the broker"),
        "{answer}"
    );
    let answer = scanner.scan("W.311-01").await;
    assert!(answer.contains("no action yet"), "{answer}");
}

#[tokio::test]
async fn two_scanners_at_one_station_have_a_conversation_each() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut one = dairy.scanner("room-1").await;
    let mut other = dairy.scanner("room-1").await;
    one.scans(&["P.17", "A.HOLD", "Q.Q7"]).await;
    let answer = other.scan("W.311-01").await;
    assert!(answer.contains("no action yet"), "{answer}");
    one.scan("W.311-01").await;
    assert_eq!(
        other.scan("A.UNDO").await,
        "WRONG  nothing to undo here: if a record is wrong, a manager corrects it on the wheel's or batch's page"
    );
    let kept = rejected(dairy.data.path(), "move-recorder");
    assert!(
        kept[0]["reason"]
            .as_str()
            .unwrap()
            .contains("no action yet")
    );
}

#[tokio::test]
async fn nothing_is_recorded_by_nobody_and_names_that_are_none_are_refused_when_scanned() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut scanner = dairy.nobodys_scanner("room-1").await;
    for (card, scans) in [
        ("A.TURN", &["W.311-01"][..]),
        ("A.HOLD", &["Q.Q7", "W.311-01"]),
        ("A.DISCARD", &["W.311-01"]),
        ("A.RETURN", &["W.311-01"]),
        ("A.VAT", &["V.V1", "B.312", "C.blue", "N.500"]),
    ] {
        let answer = scanner.scan(card).await;
        assert!(
            answer.starts_with("WRONG") && answer.contains("scan your badge first"),
            "{answer}"
        );
        assert!(scanner.scans(scans).await.starts_with("WRONG"));
    }
    scanner.scan("P.17").await;
    let answer = scanner.scans(&["A.MOVE", "R.R9"]).await;
    assert!(answer.starts_with("WRONG  there is no room R9"), "{answer}");
    let answer = scanner.scan("R.R1.P999").await;
    assert!(
        answer.starts_with("WRONG  there is no place R1.P999"),
        "{answer}"
    );
    assert!(scanner.scan("W.311-01").await.starts_with("WRONG"));
    // What was sent is no fact that waits: the next one is the first.
    let answer = scanner.scans(&["R.R1", "W.311-01"]).await;
    assert!(answer.ends_with("(broker away, 1 kept)"), "{answer}");
}

#[tokio::test]
async fn an_unknown_badge_is_refused_and_kept_with_the_reason() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut scanner = dairy.scanner("room-1").await;
    let refused = scanner.scans(&["P.17", "A.TURN", "P.ZZZ"]).await;
    assert!(
        refused.starts_with("WRONG  badge ZZZ is not known here"),
        "{refused}"
    );
    let refused = scanner.scan("W.311-01").await;
    assert!(
        refused.starts_with("WRONG  badge ZZZ is not known here"),
        "{refused}"
    );
    let kept = rejected(dairy.data.path(), "move-recorder");
    assert_eq!(
        (&kept[0]["line"], &kept[1]["line"]),
        (&"P.ZZZ".into(), &"W.311-01".into())
    );
}

#[tokio::test]
async fn an_older_scan_was_kept_only_where_its_device_has_shown_its_clock() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut scanner = dairy.handheld("room-1", [127, 0, 0, 7]).await;
    let now = Clock::system().now();
    let stamped = |minutes| {
        let at = now + TimeDelta::minutes(minutes);
        let at = at.to_rfc3339_opts(SecondsFormat::Millis, true);
        format!("@{at} W.311-01")
    };
    // Before this line was opened; but who knows what its clock says? It may be slow.
    let answer = scanner.scans(&["A.TURN", &stamped(-30)]).await;
    assert!(
        answer.contains("30 min ago, and nothing shows that it kept the scan"),
        "{answer}"
    );
    // It is right, and ten minutes ahead after all.
    let answer = scanner.scan(&stamped(0)).await;
    assert!(!answer.contains("clock"), "{answer}");
    let answer = scanner.scan(&stamped(10)).await;
    assert!(
        answer.contains("This scanner's clock is 9 min ahead") || answer.contains("10 min ahead"),
        "{answer}"
    );
}

#[tokio::test]
async fn what_leads_to_no_fact_is_kept_with_its_reason_and_hurts_nobody() {
    let dairy = Dairy::start(vec![station("room-1", None)], &nobody()).await;
    let mut scanner = dairy.scanner("room-1").await;
    scanner.send(b"\r\n\x00\xff\xfeW\x07\r\n").await;
    assert!(scanner.hear().await.starts_with("WRONG"));
    scanner.send(&[b'9'; 100_000]).await;
    scanner.send(b"\rA.TU").await;
    assert_eq!(
        scanner.hear().await,
        "WRONG  512 characters are too many for one code: scan one card at a time"
    );
    scanner.send(b"RN\r").await;
    assert_eq!(scanner.hear().await, "NEXT  TURN: scan what you turned");
    let kept = rejected(dairy.data.path(), "move-recorder");
    assert_eq!(kept.len(), 2);
    assert_eq!(kept[1]["station"], "room-1");
    assert_eq!(kept[1]["line"].as_str().unwrap().len(), 512);
    assert!(kept[1]["reason"].as_str().unwrap().contains("too many"));
}

#[tokio::test]
async fn a_restart_forgets_nothing_though_the_broker_never_came() {
    let mut dairy = Dairy::start(vec![station("rub-1", None)], &nobody()).await;
    let mut scanner = dairy.scanner("rub-1").await;
    scanner
        .scans(&["A.LOAD", "S.S1", "W.311-01", "W.311-02"])
        .await;
    for _ in 0..2 {
        dairy.close().await;
        dairy.open().await;
        let mut scanner = dairy.scanner("rub-1").await;
        let answer = scanner.scans(&["A.TURN", "S.S1"]).await;
        assert!(
            answer.starts_with("WRONG  2 wheels on S1 turned"),
            "{answer}"
        );
    }
}

#[tokio::test]
async fn a_port_that_is_taken_names_the_station_and_what_to_do() {
    let taken = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = taken.local_addr().unwrap();
    let mut room = station("room-1", None);
    room.scan = Scan::Tcp(address);
    let bus = Bus::connect(&format!("nats://{}", free_address()), "test")
        .await
        .unwrap();
    let data = tempfile::TempDir::new().unwrap();
    let running = move_recorder::run(
        site(vec![room]),
        bus,
        Clock::system(),
        data.path(),
        Shutdown::new(),
    );
    let error = within(running).await.unwrap_err();
    assert_eq!(
        error.to_string(),
        format!(
            "station room-1 cannot listen on {address}: stop the program that uses it, or give the station another address in the site file"
        )
    );
}
