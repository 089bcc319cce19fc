//! A scale beside a station: over TCP and over a serial line.

use tokio::io::AsyncWriteExt as _;

use crate::floor::{Dairy, nobody, scale_station, within};

#[tokio::test]
async fn a_wheel_on_the_scale_is_heard_by_every_scanner_of_the_station() {
    let (portion, scale) = scale_station("portion-1").await;
    let dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut one = dairy.scanner("portion-1").await;
    let mut other = dairy.scanner("portion-1").await;
    one.scans(&["A.PORTION", "B.311"]).await;
    other.scan("P.18").await;
    cable
        .write_all(b"S + 0kg\r\nM + 6.2kg\r\nS + 11.022 kg\r\nS + 11.022 kg\r\n")
        .await
        .unwrap();
    assert_eq!(one.hear().await, "NEXT  11.020 kg: scan its hoop");
    assert_eq!(other.hear().await, "NEXT  11.020 kg: scan its hoop");
    assert_eq!(
        one.scan("H.H1").await,
        "WRONG  wheel 311-01, 11.020 kg, hoop H1, but batch 311 was never started here: recorded and flagged (broker away, 2 kept)"
    );
    // The same wheel still lies there; the next one comes after an empty scale.
    cable
        .write_all(b"S + 11.022 kg\r\nS + 0.0 kg\r\nS + 10.5 kg\r\n")
        .await
        .unwrap();
    assert_eq!(one.hear().await, "NEXT  10.500 kg: scan its hoop");
}

#[tokio::test]
async fn a_weight_that_is_none_says_why_once() {
    let (portion, scale) = scale_station("portion-1").await;
    let dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scan("A.PORTION").await;
    for (lines, answer) in [
        (
            "S + 11 kg\n",
            "WRONG  empty the scale first: what lies on it may be weighed already",
        ),
        (
            "S 0 kg\nS - 0.3 kg\nS - 0.301 kg\n",
            "WRONG  the scale shows -0.300 kg: empty it and zero it",
        ),
        (
            "S 0 kg\nS 0.4 kg\n",
            "WRONG  0.400 kg is below the scale's minimum of 1.000 kg: nothing weighed",
        ),
        (
            "noise\n",
            "WRONG  scale scale-1 cannot be read: the scale's line \"noise\" differs from its format at character 1: \"S\" or \"M\" expected",
        ),
    ] {
        let times = if lines == "noise\n" { 12 } else { 1 };
        cable
            .write_all(lines.repeat(times).as_bytes())
            .await
            .unwrap();
        assert_eq!(scanner.hear().await, answer);
    }
}

#[tokio::test]
async fn a_cable_that_goes_and_comes_is_said_and_its_wheel_is_not_weighed_twice() {
    let (portion, scale) = scale_station("portion-1").await;
    let dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scans(&["A.PORTION", "B.311"]).await;
    cable.write_all(b"S 0 kg\nS 11 kg\n").await.unwrap();
    assert_eq!(scanner.hear().await, "NEXT  11.000 kg: scan its hoop");
    drop(cable);
    assert_eq!(
        scanner.hear().await,
        "WRONG  scale scale-1 is gone: check its cable and power"
    );
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    cable.write_all(b"S 11 kg\n").await.unwrap();
    assert_eq!(scanner.hear().await, "NEXT  scale scale-1 is back");
    assert_eq!(
        scanner.hear().await,
        "WRONG  empty the scale first: what lies on it may be weighed already"
    );
}

#[tokio::test]
async fn an_overloaded_scale_is_said_once_and_weighs_nothing() {
    let (mut portion, scale) = scale_station("portion-1").await;
    let over = "{stable:S|M|O} {sign}{number}{unit}".parse().unwrap();
    portion.scale.as_mut().unwrap().line = over;
    let dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scans(&["A.PORTION", "B.311"]).await;
    cable
        .write_all(b"S 0 kg\nM 12 kg\nO 99.999 kg\nO\nM ---- kg\nS 15.005 kg\nS 14.995 kg\n")
        .await
        .unwrap();
    for words in [
        "WRONG  the scale shows \"O\", overload or an error: take the load off and look at its display",
        "WRONG  15.005 kg is above the scale's maximum of 15.000 kg: nothing weighed. Take it off",
        "NEXT  14.995 kg: scan its hoop",
    ] {
        assert_eq!(scanner.hear().await, words);
    }
}

#[tokio::test]
async fn a_failed_check_stops_weighing_and_a_passed_one_starts_it_again_even_after_a_restart() {
    let (portion, scale) = scale_station("portion-1").await;
    let mut dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scans(&["A.CHECKWEIGHT", "N.5000"]).await;
    cable.write_all(b"S 0 kg\nS 5.015 kg\n").await.unwrap();
    let failed = scanner.hear().await;
    assert!(
        failed.starts_with("STOP  FAIL: scale scale-1 shows 5.015 kg for 5.000 kg, 10 g allowed"),
        "{failed}"
    );
    dairy.close().await;
    drop(cable);
    dairy.open().await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut scanner = dairy.scanner("portion-1").await;
    let refused = scanner.scan("A.PORTION").await;
    assert!(
        refused.starts_with("WRONG  PORTION: scale scale-1 failed its check today at "),
        "{refused}"
    );
    scanner.scan("B.311").await;
    cable.write_all(b"S 0 kg\nS 11 kg\n").await.unwrap();
    let refused = scanner.hear().await;
    assert!(
        refused.starts_with("WRONG  11.000 kg not recorded: scale scale-1 failed its check"),
        "{refused}"
    );
    scanner.scans(&["A.CHECKWEIGHT", "N.5000"]).await;
    cable.write_all(b"S 0 kg\nS 5.005 kg\n").await.unwrap();
    let passed = scanner.hear().await;
    assert!(passed.starts_with("OK  PASS: "), "{passed}");
    scanner.scans(&["A.PORTION", "B.311"]).await;
    cable.write_all(b"S 0 kg\nS 11 kg\n").await.unwrap();
    assert_eq!(scanner.hear().await, "NEXT  11.000 kg: scan its hoop");
}
