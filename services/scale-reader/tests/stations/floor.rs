//! A small dairy: its site, its workers, scanners and a scale played by the test.

use std::future::Future;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use bus::retry::Backoff;
use bus::{Bus, Clock, Shutdown};
use chrono::NaiveTime;
use edge::Lines;
use facts::{Event, Fact, FactIdSource, Grade, WheelGraded, WheelPortioned};
use metrology::{Class, HoopTypes, Plate, Settling, Weight};
use quantity::DairyClock;
use site::{Room, Scale, ScaleConnect, Scan, Site, Station};
use tempfile::TempDir;
use tokio::io::AsyncWriteExt as _;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio::net::{TcpListener, TcpSocket};
use tokio::task::JoinHandle;

/// Fails a test that hangs; no test depends on how long anything takes.
pub async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), doing)
        .await
        .expect("this should not take a minute")
}

/// A loopback address that nobody uses.
pub fn free_address() -> SocketAddr {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.local_addr().unwrap()
}

/// A broker's address at which nobody is.
pub fn nobody() -> String {
    format!("nats://{}", free_address())
}

pub fn station(id: &str, scale: Option<ScaleConnect>) -> Station {
    Station {
        id: id.parse().unwrap(),
        name: id.into(),
        scan: Scan::Tcp(free_address()),
        scale: scale.map(scale_at),
    }
}

/// Max 15 kg, Min 1 kg, e 5 g.
fn scale_at(connect: ScaleConnect) -> Scale {
    let weight = |text: &str| -> Weight { text.parse().unwrap() };
    let min = Some(weight("1 kg"));
    let plate = Plate::new(Class::III, weight("15 kg"), min, weight("5 g")).unwrap();
    Scale {
        tool: "scale-1".parse().unwrap(),
        connect,
        poll: None,
        line: "{stable:S|M} {sign}{number}{unit}".parse().unwrap(),
        plate,
        settling: Settling::of(&plate),
        daily_check: false,
        hoops: HoopTypes::default(),
    }
}

pub fn site(stations: Vec<Station>) -> Site {
    let rooms = ["R1", "R2"].map(|id| Room {
        id: id.parse().unwrap(),
        name: id.into(),
        positions: 10,
    });
    Site {
        id: "larkholm".parse().unwrap(),
        name: "Larkholm Dairy".into(),
        identification_mark: None,
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap()),
        turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
        shift_ends: None,
        lost_after_days: 3,
        closed_after_days: 60,
        seal_copies: None,
        backup: None,
        people: ["17", "18"]
            .map(|badge| (badge.parse().unwrap(), None))
            .into(),
        rooms: rooms.into(),
        stations,
        recipes: Default::default(),
        printers: Vec::new(),
        labels: site::Labels::default(),
        webhook: None,
        gateway: None,
        climate: None,
        safety: None,
        dispatch: None,
    }
}

/// A station with a scale, and where the scale's cable comes in.
pub async fn scale_station(id: &str) -> (Station, TcpListener) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    (station(id, Some(ScaleConnect::Tcp(address))), listener)
}

/// Both workers of a dairy, and their data.
pub struct Dairy {
    pub site: Site,
    pub broker: String,
    pub data: TempDir,
    running: Option<Running>,
}

struct Running {
    shutdown: Shutdown,
    workers: Vec<JoinHandle<anyhow::Result<()>>>,
}

impl Dairy {
    pub async fn start(stations: Vec<Station>, broker: &str) -> Self {
        let mut dairy = Self {
            site: site(stations),
            broker: broker.to_owned(),
            data: TempDir::new().unwrap(),
            running: None,
        };
        dairy.open().await;
        dairy
    }

    /// Starts the workers.
    pub async fn open(&mut self) {
        let shutdown = Shutdown::new();
        let bus = Bus::connect(&self.broker, "test").await.unwrap();
        let workers = [true, false].map(|scales| {
            let (site, bus) = (self.site.clone(), bus.clone());
            let (data, shutdown) = (self.data.path().to_owned(), shutdown.clone());
            tokio::spawn(async move {
                if scales {
                    scale_reader::run(site, bus, Clock::system(), &data, shutdown).await
                } else {
                    move_recorder::run(site, bus, Clock::system(), &data, shutdown).await
                }
            })
        });
        self.running = Some(Running {
            shutdown,
            workers: workers.into(),
        });
    }

    /// Stops the workers in order.
    pub async fn close(&mut self) {
        let running = self.running.take().expect("running");
        running.shutdown.request();
        for worker in running.workers {
            within(worker).await.unwrap().unwrap();
        }
    }

    /// Puts a scanner at a station, in the hands of badge 17.
    pub async fn scanner(&self, station: &str) -> Scanner {
        let mut scanner = self.nobodys_scanner(station).await;
        scanner.send(b"P.17\n").await;
        scanner.hear_of("NEXT  badge 17: scan an action card").await;
        scanner
    }

    /// Puts a scanner at a station, with nobody's badge: a program on its own machine.
    pub async fn nobodys_scanner(&self, station: &str) -> Scanner {
        self.handheld(station, [127, 0, 0, 1]).await
    }

    /// Puts a device with an address of its own at a station, with nobody's badge.
    pub async fn handheld(&self, station: &str, own: [u8; 4]) -> Scanner {
        let station = self.site.stations.iter().find(|s| s.id.as_str() == station);
        let Scan::Tcp(address) = station.expect("a station").scan else {
            panic!("a TCP station");
        };
        let mut backoff = Backoff::new(Duration::from_millis(1), Duration::from_millis(50));
        let connecting = async {
            loop {
                let socket = TcpSocket::new_v4().unwrap();
                socket.bind((own, 0).into()).unwrap();
                match socket.connect(address).await {
                    Ok(stream) => return stream,
                    Err(_) => backoff.wait().await,
                }
            }
        };
        let stream = within(connecting).await;
        stream.set_nodelay(true).unwrap();
        let (read, write) = stream.into_split();
        Scanner {
            lines: Lines::new(read),
            write,
        }
    }
}

pub struct Scanner {
    lines: Lines<OwnedReadHalf>,
    write: OwnedWriteHalf,
}

impl Scanner {
    pub async fn send(&mut self, bytes: &[u8]) {
        self.write.write_all(bytes).await.unwrap();
    }

    /// The next answer.
    pub async fn hear(&mut self) -> String {
        within(self.lines.next()).await.unwrap().expect("an answer")
    }

    /// Waits for an answer among others.
    pub async fn hear_of(&mut self, answer: &str) {
        while self.hear().await != answer {}
    }

    pub async fn scan(&mut self, line: &str) -> String {
        self.send(format!("{line}\n").as_bytes()).await;
        self.hear().await
    }

    /// Several scans; the last answer.
    pub async fn scans(&mut self, lines: &[&str]) -> String {
        let mut last = String::new();
        for line in lines {
            last = self.scan(line).await;
        }
        last
    }
}

/// States facts as the office does: a manager, signed in on a page with badge and PIN.
pub async fn office(bus: &Bus, events: impl IntoIterator<Item = Event>) {
    let end = within(bus.floor_end()).await.unwrap();
    let ids = FactIdSource::default();
    let now = Clock::system().now();
    let fact = |(event, station_seq)| Fact {
        id: ids.next(now),
        site: "larkholm".parse().unwrap(),
        station: "gateway".parse().unwrap(),
        station_seq,
        person: "M1".parse().ok(),
        occurred_at: now,
        claimed_at: None,
        recorded_at: now,
        event,
    };
    let facts: Vec<Fact> = events.into_iter().zip(end + 1..).map(fact).collect();
    within(bus.publish_facts(&facts)).await.unwrap();
}

/// A wheel that is ready to leave, as far as its records tell.
pub fn ready(wheel: &str) -> [Event; 2] {
    let wheel = wheel.parse().unwrap();
    let portioned = WheelPortioned {
        wheel,
        batch: "311".parse().unwrap(),
        weight_g: quantity::Grams::new(11_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    let graded = WheelGraded {
        wheels: vec![wheel],
        via: None,
        grade: Grade::A,
    };
    [portioned.into(), graded.into()]
}

/// Waits until the log has as many facts, or more.
pub async fn floor_has(bus: &Bus, facts: u64) {
    let mut backoff = Backoff::new(Duration::from_millis(1), Duration::from_millis(50));
    within(async {
        while bus.floor_end().await.ok() < Some(facts) {
            backoff.wait().await;
        }
    })
    .await;
}

pub fn rejected(data: &Path, worker: &str) -> Vec<serde_json::Value> {
    let file = data.join(worker).join("rejected-scans.ndjson");
    std::fs::read_to_string(file)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}
