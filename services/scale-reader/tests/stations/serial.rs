//! A scale on a serial line: a pseudo-terminal, whose far end the test plays. It carries
//! bytes and goes away like a plug; baud rate and parity it does not have, so that wrong
//! settings are played as the bytes they lead to.

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use metrology::{HoopType, Parity};
use quantity::Grams;
use serialport::{SerialPort as _, TTYPort};
use site::{Bits, Poll, Scale, ScaleConnect, Station};
use tempfile::TempDir;
use tokio::task::JoinHandle;

use crate::floor::{Dairy, Scanner, nobody, station, within};

/// A device file that keeps its name, and what is plugged in there.
pub struct Socket {
    _folder: TempDir,
    pub device: PathBuf,
}

impl Socket {
    pub fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let device = folder.path().join("scale");
        Self {
            _folder: folder,
            device,
        }
    }

    pub fn station(&self, change: impl FnOnce(&mut Scale)) -> Station {
        let connect = ScaleConnect::Serial {
            path: self.device.clone(),
            baud: 9_600,
            bits: Bits::USUAL,
        };
        let mut station = station("portion-1", Some(connect));
        change(station.scale.as_mut().unwrap());
        station
    }

    /// Plugs in a scale that sends this over and over, a few bytes at a time. Opening a
    /// serial line drops what was sent before, so it has to go on, as a real one does.
    fn sends(&self, bytes: &'static [u8]) -> JoinHandle<()> {
        let (mut scale, line) = plug_in(&self.device);
        tokio::spawn(async move {
            let _line = line;
            let mut often = tokio::time::interval(Duration::from_millis(2));
            for piece in bytes.chunks(5).cycle() {
                often.tick().await;
                // Full while nobody reads.
                let _ = scale.write_all(piece);
            }
        })
    }

    /// Plugs in a scale that says something only when it is asked with `command`.
    fn answers(&self, command: &'static [u8], answers: &'static [&str]) -> JoinHandle<()> {
        let (mut scale, line) = plug_in(&self.device);
        scale.set_timeout(Duration::from_millis(1)).unwrap();
        tokio::spawn(async move {
            let _line = line;
            let mut often = tokio::time::interval(Duration::from_millis(2));
            let (mut asked, mut byte) = (Vec::new(), [0]);
            let mut answers = answers.iter().cycle();
            loop {
                often.tick().await;
                while scale.read(&mut byte).is_ok_and(|n| n == 1) {
                    asked.push(byte[0]);
                }
                while asked.starts_with(command) {
                    asked.drain(..command.len());
                    let answer = answers.next().unwrap();
                    scale.write_all(answer.as_bytes()).unwrap();
                }
                assert!(command.starts_with(&asked), "asked with {asked:?}");
            }
        })
    }
}

/// The scale's end, and what keeps the line up without the port's own lock on it.
pub fn plug_in(device: &Path) -> (TTYPort, File) {
    let (scale, port) = TTYPort::pair().unwrap();
    let name = port.name().unwrap();
    let line = File::open(&name).unwrap();
    drop(port);
    let _ = std::fs::remove_file(device);
    std::os::unix::fs::symlink(name, device).unwrap();
    (scale, line)
}

async fn portioning(dairy: &Dairy) -> Scanner {
    let mut scanner = dairy.scanner("portion-1").await;
    scanner.send(b"A.PORTION\nB.311\n").await;
    scanner
        .hear_of(
            "WRONG  batch 311 was never started here: check the card. Its portions will be flagged",
        )
        .await;
    scanner
}

#[tokio::test]
async fn lines_in_pieces_are_read_and_a_pulled_plug_is_said() {
    let socket = Socket::new();
    let plugged = socket.sends(b"S 0 kg\r\nS 11 kg\r\n");
    let dairy = Dairy::start(vec![socket.station(|_| {})], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    scanner.hear_of("NEXT  11.000 kg: scan its hoop").await;
    plugged.abort();
    scanner
        .hear_of("WRONG  scale scale-1 is gone: check its cable and power")
        .await;
    let _plugged = socket.sends(b"S 0 kg\r\nS 12 kg\r\n");
    scanner.hear_of("NEXT  scale scale-1 is back").await;
    scanner.hear_of("NEXT  12.000 kg: scan its hoop").await;
}

#[tokio::test]
async fn a_scale_that_wants_to_be_asked_is_asked() {
    let socket = Socket::new();
    let _plugged = socket.answers(b"W\r\n", &["S 0 kg\r\n", "M 7 kg\r\n", "S 11 kg\r\n"]);
    let asked = socket.station(|scale| {
        scale.poll = Some(Poll {
            command: "W\r\n".into(),
            every: Duration::from_millis(20),
        });
    });
    let dairy = Dairy::start(vec![asked], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    scanner.hear_of("NEXT  11.000 kg: scan its hoop").await;
}

#[tokio::test]
async fn seven_bits_with_even_parity_are_read() {
    let socket = Socket::new();
    let _plugged = socket.sends(b"S 0 kg\r\nS 11 kg\r\n");
    let seven = socket.station(|scale| {
        let ScaleConnect::Serial { bits, .. } = &mut scale.connect else {
            panic!("a serial line");
        };
        *bits = Bits {
            seven: true,
            parity: Some(Parity::Even),
            two_stops: false,
        };
    });
    let dairy = Dairy::start(vec![seven], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    scanner.hear_of("NEXT  11.000 kg: scan its hoop").await;
}

#[tokio::test]
async fn wrong_settings_are_said_to_be_wrong_settings_and_lead_to_no_weight() {
    let socket = Socket::new();
    // "S 11 kg" and line ends in seven bits with an even eighth.
    let mut plugged = socket.sends(b"S\xa0\xb1\xb1\xa0\xeb\xe7\x8d\n");
    let dairy = Dairy::start(vec![socket.station(|_| {})], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    let heard = scanner.hear().await;
    assert!(
        heard.starts_with(
            "WRONG  scale scale-1 cannot be read: these bytes are seven bits with even parity: \""
        ),
        "{heard}"
    );
    assert!(
        heard.ends_with(". Write bits = \"7E1\" in the site file (now 9600 baud 8N1)"),
        "{heard}"
    );
    plugged.abort();
    scanner
        .hear_of("WRONG  scale scale-1 is gone: check its cable and power")
        .await;
    plugged = socket.sends(b"\x00\xf8\x80\x00\x78\xe0\xf8\x80");
    let heard = scanner.hear().await;
    assert!(
        heard.starts_with("WRONG  scale scale-1 cannot be read: these bytes look like the wrong baud rate or parity: \""),
        "{heard}"
    );
    assert!(
        heard.ends_with(". Compare 9600 baud 8N1 with the scale's own settings"),
        "{heard}"
    );
    plugged.abort();
    scanner
        .hear_of("WRONG  scale scale-1 is gone: check its cable and power")
        .await;
    let _plugged = socket.sends(b"S 0 kg\r\nS 11 kg\r\n");
    scanner.hear_of("NEXT  scale scale-1 is back").await;
    scanner.hear_of("NEXT  11.000 kg: scan its hoop").await;
}

#[tokio::test]
async fn who_sets_a_scale_up_sees_what_it_sends_and_how_that_is_read() {
    let socket = Socket::new();
    let plugged = socket.sends(b"S 0 kg\r\nS 0 kg\r\nM 7 kg\r\nS 11.021 kg\r\nS 20 st\r\n");
    let station = socket.station(|_| {});
    let (tell, mut told) = tokio::sync::mpsc::unbounded_channel();
    let listening = tokio::spawn(async move {
        let scale = station.scale.unwrap();
        scale_reader::listen(&scale, |line| tell.send(line).unwrap()).await
    });
    let wanted = [
        "\"S 0 kg\"  0.000 kg, settled; empty",
        "\"M 7 kg\"  7.000 kg, moving",
        "\"S 11.021 kg\"  11.021 kg, settled; weighed: 11.020 kg",
        "\"S 20 st\"  the scale's line \"S 20 st\" has the unit \"st\" at character 6, and only g, kg, lb and oz are known: set the scale to one of them",
    ];
    // The first time round, the line was opened somewhere in the middle.
    while within(told.recv()).await.unwrap() != wanted[3] {}
    for line in wanted {
        assert_eq!(within(told.recv()).await.unwrap(), line);
    }
    plugged.abort();
    let ended = within(listening).await.unwrap().to_string();
    assert!(ended.starts_with("scale scale-1 at /"), "{ended}");
    assert!(ended.contains("/scale at 9600 baud 8N1: "), "{ended}");
}

#[tokio::test]
async fn a_scale_without_a_flag_gives_one_weight_a_wheel() {
    let socket = Socket::new();
    // Comes to rest within an interval, with noise that is no line between.
    let _plugged = socket.sends(
        b"    0 g\r\n    0 g\r\n 6020 g\r\n11024 g\r\n11018 g\r\n11020 g\r\n\xff?\r\n11021 g\r\n11019 g\r\n11020 g\r\n11020 g\r\n11022 g\r\n11019 g\r\n    5 g\r\n",
    );
    let bare = socket.station(|scale| scale.line = "{number:width=5} {unit}".parse().unwrap());
    let dairy = Dairy::start(vec![bare], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    scanner.hear_of("NEXT  11.020 kg: scan its hoop").await;
    // Each time the wheel is put on, and only then.
    assert_eq!(scanner.hear().await, "NEXT  11.020 kg: scan its hoop");
}

#[tokio::test]
async fn a_hoop_weighed_along_comes_off_and_a_pound_scale_is_rounded_to_its_interval() {
    let socket = Socket::new();
    let _plugged = socket.sends(b"S 0.00 lb\r\nS 26.40 lb\r\n");
    let pounds = socket.station(|scale| {
        let weight = |text: &str| text.parse().unwrap();
        scale.plate = metrology::Plate::new(
            metrology::Class::III,
            weight("30 lb"),
            None,
            weight("0.01 lb"),
        )
        .unwrap();
        scale.settling = metrology::Settling::of(&scale.plate);
        let hoops = HoopType {
            name: "steel".into(),
            tare: Grams::new(1_400).unwrap(),
            hoops: vec!["HS*".into()],
        };
        scale.hoops.add(hoops).unwrap();
    });
    let dairy = Dairy::start(vec![pounds], &nobody()).await;
    let mut scanner = portioning(&dairy).await;
    // 26.40 lb are 11 974.84 g; 1.4 kg are 3.09 lb on this scale, 1 401.60 g.
    scanner.hear_of("NEXT  11.975 kg: scan its hoop").await;
    scanner.send(b"H.HS1\n").await;
    scanner.hear_of("WRONG  wheel 311-01, 10.573 kg (11.975 kg with the hoop), hoop HS1, but batch 311 was never started here: recorded and flagged (broker away, 2 kept)").await;
}
