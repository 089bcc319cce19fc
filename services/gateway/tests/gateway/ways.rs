//! The same scan has the same verdict on every way in, and records the same: at a raw scanner
//! port and in a browser, now and kept a while. Every script is played on wheels in every state
//! on every way, and what is said and recorded is compared. Only what the table of rights lets
//! a badge and someone signed in do differently may differ.

use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use authority::people::{Proof, Role, may_state_kind};
use bus::{Clock, Shutdown};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use edge::{Desk, Door, Lines, Worker};
use facts::{
    Carrier, Event, Fact, FactIdSource, Grade, StationId, WheelDispatched, WheelGraded, WheelHeld,
    WheelHooped, WheelId, WheelLoaded, WheelMoved, WheelPortioned, WheelUnhooped,
};
use serde_json::{Value, json};
use site::Scan;
use station::{Action, Claim, Device, Kept};
use tokio::io::AsyncWriteExt as _;
use tokio::net::TcpSocket;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};

use crate::house::{Browser, House, code, utc_now};

/// What is scanned; `#` is the code of the batch, whose wheels are `#-01` to `#-03`, on
/// stillage `S#` or in hoops `H#1` to `H#3` of stack `K#`.
const SCRIPTS: &[&[&str]] = &[
    &["A.TURN", "W.#-01", "S.S#", "K.K#", "A.UNDO", "A.UNDO"],
    &["A.UNHOOP", "K.K#", "W.#-02", "A.UNDO"],
    &["A.RUBUP", "S.S#", "H.H#1"],
    &["A.LOAD", "W.#-01", "S.T#", "W.#-01", "K.K#"],
    &[
        "A.MOVE",
        "R.R9",
        "W.#-01",
        "R.R1.P999",
        "W.#-01",
        "R.R1.P04",
        "S.S#",
        "A.UNDO",
    ],
    &["A.RIND", "S.S#", "N.101", "N.40", "N.-4"],
    &["A.PIERCE", "S.S#", "T.PM9", "T.PM1", "S.S#"],
    &["A.IRON", "T.IR9", "W.#-01", "N.20", "S.S#", "A.UNDO"],
    &[
        "A.GRADE", "W.#-02", "G.D", "G.B", "S.S#", "G.REJECT", "A.UNDO",
    ],
    &["A.WEIGH", "A.PORTION", "A.CHECKWEIGHT", "B.#", "H.H#1"],
    &[
        "A.NEEDLES",
        "T.PM1",
        "N.40",
        "N.39",
        "A.UNDO",
        "T.PM1",
        "N.40",
        "N.40",
        "A.UNDO",
    ],
    &["A.HOLD", "W.#-01", "Q.Q#", "W.#-01", "S.S#", "A.UNDO"],
    &["A.RELEASE", "Q.NOSUCH", "Q.Q#", "W.#-01"],
    &["A.RETURN", "W.#-01", "S.S#", "A.UNDO"],
    &[
        "A.DISPATCH",
        "W.#-01",
        "O.77",
        "W.#-01",
        "S.S#",
        "M.NOSUCH",
        "W.#-02",
        "A.UNDO",
    ],
    &["A.DISPATCH", "D.DOOR", "D.DOOR sold here", "W.#-01"],
    &["A.DISCARD", "W.#-03", "A.UNDO", "W.#-03"],
    &[
        "A.VAT",
        "V.V1",
        "C.grey",
        "C.larkholm-blue",
        "N.0",
        "N.500",
        "B.N#",
        "B.N#",
        "A.UNDO",
    ],
    &[
        "A.HOLD", "Q.Q#", "A.IRON", "W.#-01", "A.FLY", "W.#-01", "X.1", "",
    ],
    &[
        "W.#-01", "G.A", "N.5", "W.", "A.turn", "w.#-01", "W.#-09", "S.NONE",
    ],
];

/// How the wheels stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Nothing is known of them.
    Unknown,
    /// Just made: in hoops.
    Hooped,
    /// On the stillage, graded.
    Graded,
    /// The same, and the first is held.
    Held,
    /// The first has left.
    Left,
}

const STATES: [State; 5] = [
    State::Unknown,
    State::Hooped,
    State::Graded,
    State::Held,
    State::Left,
];

/// The ways in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Way {
    Port,
    Browser,
    PortKept,
    BrowserKept,
}

const WAYS: [(Way, char); 4] = [
    (Way::Port, 'A'),
    (Way::Browser, 'B'),
    (Way::PortKept, 'C'),
    (Way::BrowserKept, 'D'),
];

/// Five letters and digits that stand nowhere else.
fn batch(way: char, script: usize, state: usize) -> String {
    format!("{way}{script:02}{state}Z")
}

fn facts_of(batch: &str, state: State) -> Vec<Event> {
    let wheels: Vec<WheelId> = (1..=3).map(|n| code(&format!("{batch}-0{n}"))).collect();
    if state == State::Unknown {
        return Vec::new();
    }
    let mut events = Vec::new();
    for (n, &wheel) in (1..).zip(&wheels) {
        events.push(Event::from(WheelPortioned {
            wheel,
            batch: code(batch),
            weight_g: quantity::Grams::new(4_200).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        }));
        events.push(Event::from(WheelHooped {
            wheel,
            hoop: code(&format!("H{batch}{n}")),
            stack: Some(code(&format!("K{batch}"))),
        }));
    }
    if state == State::Hooped {
        return events;
    }
    let stillage = code(&format!("S{batch}"));
    let (via, all) = (Some(Carrier::Stillage(stillage)), || wheels.clone());
    events.push(Event::from(WheelUnhooped {
        wheels: all(),
        via: None,
    }));
    events.push(Event::from(WheelLoaded {
        wheels: all(),
        stillage,
    }));
    events.push(Event::from(WheelMoved {
        wheels: all(),
        via,
        room: code("R1"),
        position: None,
    }));
    events.push(Event::from(WheelGraded {
        wheels: all(),
        via,
        grade: Grade::A,
    }));
    let first = vec![wheels[0]];
    match state {
        State::Held => events.push(Event::from(WheelHeld {
            wheels: first,
            hold: code(&format!("Q{batch}")),
            reason: "sampled".to_owned(),
        })),
        State::Left => events.push(Event::from(WheelDispatched {
            wheels: first,
            via: None,
            order: Some(code("O-1")),
            market: None,
            sale: None,
        })),
        State::Unknown | State::Hooped | State::Graded => {}
    }
    events
}

/// A year ago, so that the law lets every wheel leave.
async fn past(house: &House) {
    let ids = FactIdSource::default();
    let then = utc_now() - TimeDelta::days(365);
    let mut facts = Vec::new();
    for (_, way) in WAYS {
        for script in 0..SCRIPTS.len() {
            for (at, state) in STATES.into_iter().enumerate() {
                for event in facts_of(&batch(way, script, at), state) {
                    let number = facts.len() as u64 + 1;
                    facts.push(Fact {
                        id: ids.next(then),
                        site: house.site.id,
                        station: code::<StationId>("past"),
                        station_seq: number,
                        person: Some(code("03")),
                        occurred_at: then + TimeDelta::milliseconds(i64::try_from(number).unwrap()),
                        claimed_at: None,
                        recorded_at: then,
                        event,
                    });
                }
            }
        }
    }
    let first = facts[0].clone();
    let last = facts_of("Y000Z", State::Graded);
    let last = last.into_iter().map(|event| Fact {
        station: code::<StationId>("last"),
        event,
        ..first.clone()
    });
    for (number, fact) in (1..).zip(last) {
        facts.push(Fact {
            id: ids.next(then),
            station_seq: number,
            ..fact
        });
    }
    for part in facts.chunks(500) {
        house.bus.publish_facts(part).await.unwrap();
    }
}

/// A scanner at a raw port.
struct Port {
    lines: Lines<OwnedReadHalf>,
    write: OwnedWriteHalf,
}

impl Port {
    async fn at(address: SocketAddr, own: Ipv4Addr, badge: &str) -> Self {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind((own, 0).into()).unwrap();
        let stream = socket.connect(address).await.unwrap();
        let (read, write) = stream.into_split();
        let lines = Lines::new(read);
        let mut port = Self { lines, write };
        let said = port.scan(&format!("P.{badge}")).await;
        assert!(said.starts_with("NEXT"), "{said}");
        port
    }

    async fn scan(&mut self, line: &str) -> String {
        let line = format!("{line}\n");
        self.write.write_all(line.as_bytes()).await.unwrap();
        let answer = tokio::time::timeout(Duration::from_secs(30), self.lines.next());
        let answer = answer
            .await
            .unwrap_or_else(|_| panic!("no answer to {line}"));
        answer.unwrap().unwrap()
    }
}

/// A browser that is a station, with the number of its last scan.
struct Tablet {
    browser: Browser,
    station: &'static str,
    seq: u64,
}

impl Tablet {
    fn scan(&mut self, line: &str, at: Option<DateTime<Utc>>) -> String {
        self.play(&[(line.to_owned(), at)]).remove(0)
    }

    /// Several scans in one call, as a page sends what it kept.
    fn play(&mut self, lines: &[(String, Option<DateTime<Utc>>)]) -> Vec<String> {
        let scans = lines.iter().map(|(line, at)| {
            self.seq += 1;
            let (station, seq) = (self.station, self.seq);
            match at {
                Some(at) => self.browser.kept_scan(station, seq, line, None, *at),
                None => json!({ "station": station, "seq": seq, "line": line }),
            }
        });
        let scans: Vec<Value> = scans.collect();
        let answer = self.browser.post("/api/v1/station/scan", &json!(scans));
        assert_eq!(answer.status, 200, "{lines:?}: {}", answer.text);
        let answer = answer.json();
        let results = answer["results"].as_array().unwrap();
        assert_eq!(results.len(), lines.len(), "{answer}");
        let said = results.iter().map(|result| {
            let receipt = &result["receipt"];
            let level = receipt["level"]
                .as_str()
                .unwrap_or_else(|| panic!("{result}"));
            format!(
                "{}  {}",
                level.to_uppercase(),
                receipt["words"].as_str().unwrap()
            )
        });
        said.collect()
    }
}

/// What is said, without what differs by way and by minute.
fn plain(said: &str) -> String {
    let chars: Vec<char> = said.chars().collect();
    let mut out = String::new();
    let mut at = 0;
    while at < chars.len() {
        let digit = |n: usize| chars.get(at + n).is_some_and(char::is_ascii_digit);
        // A batch's code, but for the letter of its way.
        let of_way = matches!(chars[at], 'A'..='D') && digit(1) && digit(2) && digit(3);
        if of_way && chars.get(at + 4) == Some(&'Z') {
            out.push('#');
            at += 1;
        } else if digit(0) && digit(1) && chars.get(at + 2) == Some(&':') && digit(3) && digit(4) {
            out.push_str("hh:mm");
            at += 5;
        } else {
            out.push(chars[at]);
            at += 1;
        }
    }
    out
}

/// What is recorded, without what differs by name.
fn recorded(fact: &Fact, batch: &str, kept_from: Option<DateTime<Utc>>) -> String {
    let event = match &fact.event {
        // Which fact it was differs; that it was one does not.
        Event::Voided(_) => json!("voided"),
        _ => said(fact),
    };
    let at = kept_from.map(|from| (fact.occurred_at - from).num_milliseconds());
    let station = fact.station.as_str();
    let text = json!([fact.event.topic(), fact.person, event, at]).to_string();
    text.replace(station, "@").replace(batch, "#")
}

/// What a fact says, as it is kept.
fn said(fact: &Fact) -> Value {
    let line = facts::wire::to_line(fact).unwrap();
    serde_json::from_str::<Value>(&line).unwrap()["data"].take()
}

/// Scripts that a badge may play otherwise than whoever it names, signed in: the table asks more
/// of a sale without an order.
fn by_proof(script: &[&str], role: Role) -> bool {
    if script.iter().any(|line| line.starts_with("D.")) {
        return true;
    }
    let named = script[0].strip_prefix("A.");
    let action = Action::ALL
        .into_iter()
        .find(|(_, name, _)| Some(*name) == named);
    let topic = action.and_then(|(action, ..)| action.topic());
    topic.is_some_and(|topic| {
        may_state_kind(topic, Proof::Badge(Some(role)))
            != may_state_kind(topic, Proof::SignedIn(role))
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn an_ironers_scan_has_the_same_verdict_on_every_way_in() {
    the_same_scan_has_the_same_verdict("06", Role::Ironer).await;
}

/// They may not iron or grade, neither at a port nor in a browser.
#[tokio::test(flavor = "multi_thread")]
async fn an_operators_scan_has_the_same_verdict_on_every_way_in() {
    the_same_scan_has_the_same_verdict("03", Role::Operator).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_managers_scan_has_the_same_verdict_on_every_way_in() {
    the_same_scan_has_the_same_verdict("09", Role::Manager).await;
}

async fn the_same_scan_has_the_same_verdict(badge: &str, role: Role) {
    let house = House::start().await;
    assert_eq!(house.site.people[&code(badge)], Some(role));
    past(&house).await;
    house.admit(badge, role.key(), "805213");
    // A station worker of its own, as beside a scanner.
    let (stop, folder) = (Shutdown::new(), tempfile::tempdir().unwrap());
    let mut site = house.site.clone();
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = port.local_addr().unwrap();
    drop(port);
    let station = site.stations.iter_mut().find(|s| s.id.as_str() == "room-1");
    let station = station.unwrap();
    station.scan = Scan::Tcp(address);
    station.scale = None;
    let station = station.clone();
    let worker = Worker::open(site, house.bus.clone(), Clock::system(), folder.path()).unwrap();
    let desk = Desk::new(&worker, &station);
    let door = Door::open(&desk, station.scan).await.unwrap();
    let serving = tokio::spawn({
        let (worker, stop) = (worker.clone(), stop.clone());
        async move { tokio::join!(worker.run(&stop), door.serve(desk, stop.clone())).0 }
    });

    let tablet = |station| Tablet {
        browser: house.tablet(station, badge, "805213"),
        station,
        seq: 0,
    };
    let mut browsers = [tablet("tablet-1"), tablet("tablet-2")];
    let mut ports = Vec::new();
    // Of the session that has begun, and older than what is sent as it is scanned.
    let kept_in_browser = utc_now() + TimeDelta::seconds(1);
    let kept_at_port = kept_in_browser;
    tokio::time::sleep(Duration::from_secs(13)).await;
    for (tablet, at) in browsers.iter_mut().zip([None, Some(kept_in_browser)]) {
        tablet.scan("A.RIND", at);
        let mut said = tablet.scan("S.SY000Z", at);
        for _ in 0..300 {
            if said.starts_with("NEXT") {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
            said = tablet.scan("S.SY000Z", at);
        }
        assert!(said.starts_with("NEXT"), "{said}");
    }
    // The second is a device that was here with its clock right before it was out of reach.
    let handheld = Ipv4Addr::new(127, 0, 0, 3);
    let seen = Claim {
        at: kept_at_port - TimeDelta::minutes(1),
        kept: Kept::Unshown,
    };
    let device = serde_json::to_vec(&Device::default().after(seen, seen.at)).unwrap();
    let key = format!("device\0{}\0{handheld}", station.id).into_bytes();
    let outbox = worker.outbox();
    let noted = |_: &[Fact]| vec![(key, Some(device))];
    outbox
        .record_with(&station.id, Vec::new(), utc_now(), noted)
        .unwrap();
    for own in [Ipv4Addr::LOCALHOST, handheld] {
        let mut port = Port::at(address, own, badge).await;
        port.scan("A.RIND").await;
        let mut said = port.scan("S.SY000Z").await;
        for _ in 0..300 {
            if said.starts_with("NEXT") {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
            said = port.scan("S.SY000Z").await;
        }
        assert!(said.starts_with("NEXT"), "{said}");
        ports.push(port);
    }
    // Each of the kept has a line of its own that was not open then, as a device that comes back.
    let mut second = 0;
    let mut wrong = Vec::new();
    let mut said_by_batch = Vec::new();
    for (number, script) in SCRIPTS.iter().enumerate() {
        for (nth, state) in STATES.into_iter().enumerate() {
            let mut said: Vec<Vec<String>> = Vec::new();
            let started = second;
            for (way, letter) in WAYS {
                let batch = batch(letter, number, nth);
                let mut lines = Vec::new();
                second = started;
                for line in script.iter().filter(|line| !line.is_empty()) {
                    second += 1;
                    let from = match way {
                        Way::Port | Way::PortKept => kept_at_port,
                        Way::Browser | Way::BrowserKept => kept_in_browser,
                    };
                    let at = from + TimeDelta::milliseconds(10 * second);
                    lines.push((line.replace('#', &batch), at));
                }
                let mut answers = Vec::new();
                match way {
                    Way::Port => {
                        for (line, _) in &lines {
                            answers.push(ports[0].scan(line).await);
                        }
                    }
                    Way::PortKept => {
                        for (line, at) in &lines {
                            let stamp = at.to_rfc3339_opts(SecondsFormat::Millis, true);
                            answers.push(ports[1].scan(&format!("@{stamp} {line}")).await);
                        }
                    }
                    Way::Browser => {
                        let lines: Vec<_> =
                            lines.into_iter().map(|(line, _)| (line, None)).collect();
                        answers = browsers[0].play(&lines);
                    }
                    Way::BrowserKept => {
                        let lines: Vec<_> = lines
                            .into_iter()
                            .map(|(line, at)| (line, Some(at)))
                            .collect();
                        answers = browsers[1].play(&lines);
                    }
                }
                let answers: Vec<String> = answers.iter().map(|said| plain(said)).collect();
                said.push(answers);
                if !by_proof(script, role) {
                    said_by_batch.push((way, batch));
                }
            }
            if by_proof(script, role) {
                continue;
            }
            for (a, b) in [(0, 1), (2, 3)] {
                if said[a] != said[b] {
                    wrong.push(format!(
                        "{state:?} {script:?}, {:?} and {:?}:\n{:#?}\n{:#?}",
                        WAYS[a].0, WAYS[b].0, said[a], said[b]
                    ));
                }
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} differ: {}",
        wrong.len(),
        wrong[..wrong.len().min(4)].join("\n")
    );

    let kept_from = [kept_at_port, kept_in_browser];
    what_was_recorded_is_the_same(&house, &said_by_batch, kept_from).await;
    stop.request();
    serving.await.unwrap().unwrap();
    house.end().await;
}

async fn what_was_recorded_is_the_same(
    house: &House,
    batches: &[(Way, String)],
    [at_port_from, in_browser_from]: [DateTime<Utc>; 2],
) {
    let at_port = house.stated("room-1", 100).await;
    let now = house.stated("tablet-1", 50).await;
    let kept = house.stated("tablet-2", 50).await;
    let facts: Vec<&Fact> = at_port.iter().chain(&now).chain(&kept).collect();
    let of = |batch: &str, kept_from: Option<DateTime<Utc>>| -> Vec<String> {
        let about = |fact: &&&Fact| said(fact).to_string().contains(batch);
        let facts = facts.iter().filter(about);
        facts.map(|fact| recorded(fact, batch, kept_from)).collect()
    };
    for four in batches.chunks(4) {
        let [a, b, c, d] = four else {
            panic!("{four:?}")
        };
        assert_eq!(of(&a.1, None), of(&b.1, None), "{} {}", a.1, b.1);
        let kept = [
            of(&c.1, Some(at_port_from)),
            of(&d.1, Some(in_browser_from)),
        ];
        assert_eq!(kept[0], kept[1], "{} {}", c.1, d.1);
    }
    let voids = |facts: &[Fact], of: fn(&str) -> bool| {
        let voided =
            |fact: &&Fact| matches!(fact.event, Event::Voided(_)) && of(fact.station.as_str());
        facts.iter().filter(voided).count()
    };
    let all = |_: &str| true;
    assert_eq!(voids(&at_port, all), voids(&now, all) + voids(&kept, all));
}
