//! A scale beside a station: over TCP and over a serial line.

use std::fs::File;
use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

use serialport::{SerialPort as _, TTYPort};
use site::ScaleConnect;
use tokio::io::AsyncWriteExt as _;
use tokio::task::JoinHandle;

use crate::floor::{Dairy, nobody, scale_station, station, within};

#[tokio::test]
async fn a_wheel_on_the_scale_is_heard_by_every_scanner_of_the_station() {
    let (portion, scale) = scale_station("portion-1").await;
    let dairy = Dairy::start(vec![portion], &nobody()).await;
    let (mut cable, _) = within(scale.accept()).await.unwrap();
    let mut one = dairy.scanner("portion-1").await;
    let mut other = dairy.scanner("portion-1").await;
    one.scan("A.PORTION").await;
    other.scan("B.311").await;
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
            "WRONG  the scale's line differs from its format at character 1: \"S\" or \"M\" expected",
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
async fn a_scale_on_a_serial_line_is_read_and_its_pulled_plug_is_said() {
    // The device keeps its name when it is plugged in again.
    let folder = tempfile::TempDir::new().unwrap();
    let device = folder.path().join("scale");
    let plugged = plug_in(&device);
    let connect = ScaleConnect::Serial {
        path: device.clone(),
        baud: 9_600,
    };
    let dairy = Dairy::start(vec![station("portion-1", Some(connect))], &nobody()).await;
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.scans(&["A.PORTION", "B.311"]).await;
    scanner.hear_of("NEXT  11.000 kg: scan its hoop").await;
    plugged.abort();
    scanner
        .hear_of("WRONG  scale scale-1 is gone: check its cable and power")
        .await;
    let _plugged = plug_in(&device);
    scanner.hear_of("NEXT  scale scale-1 is back").await;
}

/// A scale behind a device file, on which wheels are put without end. Opening a serial
/// line drops what was sent before, so it has to send on and on, as a real one does.
fn plug_in(device: &Path) -> JoinHandle<()> {
    let (mut scale, port) = TTYPort::pair().unwrap();
    let name = port.name().unwrap();
    // Keeps the line up without the port's own lock on it.
    let line = File::open(&name).unwrap();
    drop(port);
    let _ = std::fs::remove_file(device);
    std::os::unix::fs::symlink(name, device).unwrap();
    tokio::spawn(async move {
        let _line = line;
        let mut often = tokio::time::interval(Duration::from_millis(20));
        loop {
            often.tick().await;
            // Full while nobody reads.
            let _ = scale.write_all(b"S 0 kg\r\nS 11 kg\r\n");
        }
    })
}
