//! Orders on the command line, from entering one to the report of how it went, on seventy
//! recorded days of the invented dairy.

use std::path::PathBuf;

use facts::wire::{self, Read};
use facts::{Event, Fact, FactIdSource, OrderId, WheelDispatched, WheelId};
use floor_tests::{Said, project, run_typing};
use serde_json::Value;
use tempfile::TempDir;

/// Monday morning after the recorded days, before any lorry leaves.
const MONDAY: &str = "2026-03-16T06:30:00Z";
const TUESDAY: &str = "2026-03-17T09:00:00Z";
const THURSDAY: &str = "2026-03-19T09:00:00Z";

/// The recorded facts in a file of their own, to which commands add theirs.
struct Desk {
    folder: TempDir,
}

impl Desk {
    fn new() -> Self {
        let folder = TempDir::new().unwrap();
        let recorded = project().join("tests/data/larkholm-70-days.ndjson");
        std::fs::copy(recorded, folder.path().join("facts.ndjson")).unwrap();
        Self { folder }
    }

    fn facts(&self) -> PathBuf {
        self.folder.path().join("facts.ndjson")
    }

    /// Runs a command as of an instant, typing something.
    async fn type_at(&self, at: &str, command: &[&str], typed: &str) -> Said {
        let deploy = project().join("deploy/demo");
        let (site, customers) = (deploy.join("larkholm.toml"), deploy.join("customers.toml"));
        let more = [
            "--site",
            site.to_str().unwrap(),
            "--customers",
            customers.to_str().unwrap(),
            "--replay",
            "facts.ndjson",
            "--at",
            at,
        ];
        let args = [command, &more[..]].concat();
        run_typing(self.folder.path(), &args, typed).await
    }

    async fn look_at(&self, at: &str, command: &[&str]) -> Said {
        self.type_at(at, command, "").await
    }

    /// Runs a command whose facts go to the end of the file.
    async fn at(&self, at: &str, command: &[&str]) -> Said {
        let record = [command, &["--record", "facts.ndjson"][..]].concat();
        self.type_at(at, &record, "").await
    }

    async fn json(&self, at: &str, command: &[&str]) -> Value {
        let args = [command, &["--json"][..]].concat();
        serde_json::from_str(&self.look_at(at, &args).await.well()).unwrap()
    }

    /// Everything that orders' commands recorded.
    fn recorded(&self) -> Vec<Fact> {
        let text = std::fs::read_to_string(self.facts()).unwrap();
        let facts = text.lines().filter_map(|line| match wire::from_line(line) {
            Ok(Read::Fact(fact)) if fact.station.as_str() == "order-desk" => Some(fact),
            _ => None,
        });
        facts.collect()
    }

    /// A scan at the dispatch station, which sends wheels.
    fn scanned_out(&self, at: &str, order: &str, wheels: Vec<WheelId>) {
        let at = at.parse().unwrap();
        let order: OrderId = order.parse().unwrap();
        let fact = Fact {
            id: FactIdSource::default().next(at),
            site: "larkholm".parse().unwrap(),
            station: "bay-9".parse().unwrap(),
            station_seq: 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: Event::from(WheelDispatched {
                wheels,
                via: None,
                order: Some(order),
                market: None,
                sale: None,
            }),
        };
        let line = wire::to_line(&fact).unwrap();
        let text = std::fs::read_to_string(self.facts()).unwrap();
        std::fs::write(self.facts(), format!("{}\n{line}\n", text.trim_end())).unwrap();
    }
}

/// `larkholm-blue` for the customer in the north.
const SIX: [&str; 8] = [
    "--customer",
    "HARBOUR",
    "--arrive-on",
    "2026-03-17",
    "--recipe",
    "larkholm-blue",
    "--wheels",
    "6",
];

fn place(order: &str) -> Vec<&str> {
    [&["orders", "place", order][..], &SIX].concat()
}

/// With one option said otherwise.
fn placing<'a>(order: &'a str, option: &str, value: &'a str) -> Vec<&'a str> {
    let mut args = place(order);
    let at = args.iter().position(|arg| *arg == option).unwrap();
    args[at + 1] = value;
    args
}

fn picks(list: &Value) -> Vec<String> {
    let stops = list["stops"].as_array().unwrap().iter();
    let wheels = stops.flat_map(|stop| stop["wheels"].as_array().unwrap());
    wheels
        .map(|pick| pick["wheel"].as_str().unwrap().to_owned())
        .collect()
}

#[tokio::test]
async fn an_order_is_entered_told_fetched_packed_sent_and_reported() {
    let desk = Desk::new();
    let said = desk.at(MONDAY, &place("O1")).await.well();
    assert_eq!(said, "Order O1 is placed.\n");
    let said = desk.at(MONDAY, &place("O1")).await.well();
    assert_eq!(said, "Order O1 was placed before, word for word.\n");
    let change = |wheels: &'static str| {
        let says = &SIX[2..7];
        [&["orders", "change", "O1"][..], says, &[wheels]].concat()
    };
    let said = desk.at(MONDAY, &change("5")).await.well();
    assert_eq!(said, "Order O1 is changed.\n");
    let said = desk.at(MONDAY, &change("5")).await.well();
    assert_eq!(said, "Order O1 says so already.\n");

    let said = desk.at(MONDAY, &["orders", "confirm", "O1"]).await.well();
    assert!(
        said.contains("leaving on Mon 16 Mar 2026 by NORTH-ROAD"),
        "{said}"
    );
    assert!(said.ends_with("This is kept to from now on.\n"), "{said}");
    let plan = desk.json(MONDAY, &["dispatch", "plan"]).await;
    let assigned = plan["lines"][0]["assigned"].as_array().unwrap();
    assert!(assigned.iter().all(|part| part["locked"] == true), "{plan}");

    // The list, then the walk: all but one of the wheels on it, and one that is not.
    let list = desk.json(MONDAY, &["dispatch", "pick"]).await;
    let listed = picks(&list);
    assert_eq!(listed.len(), 5, "{list}");
    let mut others = (1..=4).map(|n| format!("260107A-0{n}"));
    let other = others.find(|wheel| !listed.contains(wheel)).unwrap();
    let known = list["stops"][0]["wheels"][0]["weight_g"].as_f64().unwrap();
    let kilograms = format!("{:.3}", known / 1_000.0 - 0.04);
    let mut typed = vec![
        "W.NOSUCH-1".to_owned(),
        "W.260105A-01".to_owned(),
        "just a word".to_owned(),
        format!("W.{}", listed[0]),
        "0.4".to_owned(),
        kilograms.clone(),
        format!("W.{}", listed[0]),
    ];
    for wheel in &listed[1..4] {
        typed.extend([format!("W.{wheel}"), kilograms.replace('.', ",")]);
    }
    typed.extend([
        format!("W.{other}"),
        "wheel is cracked".to_owned(),
        kilograms,
        format!("W.{}", listed[4]),
    ]);
    let pick = [
        "dispatch",
        "pick",
        "--scan",
        "O1",
        "--record",
        "facts.ndjson",
    ];
    let said = desk.type_at(MONDAY, &pick, &typed.join("\n")).await.well();
    let answers: Vec<&str> = said.lines().collect();
    for (n, start) in [
        (0, "STOP: no wheel NOSUCH-1 stands here"),
        (1, "STOP: under hold"),
        (2, "WRONG \"just a word\" is no wheel and no weight"),
        (3, &format!("OK {} for order O1 line 1: 4 left", listed[0])),
        (4, "WRONG 0.400 kg for"),
        (5, &format!("OK {} weighs", listed[0])),
        (6, &format!("OK {} was scanned before", listed[0])),
        (
            13,
            &format!("NEXT {other} is not on the list, but may go instead of"),
        ),
        (14, &format!("OK {other} for order O1 line 1: 0 left")),
        (16, "STOP: nothing more is wanted for this order"),
        (17, "All of order O1 is fetched"),
    ] {
        assert!(answers[n].starts_with(start), "{n}: {start}\n{said}");
    }

    let pack = ["dispatch", "pack", "O1", "--labels", "labels"];
    let said = desk.at(MONDAY, &pack).await.well();
    let cases = said.lines().filter(|line| line.starts_with("case "));
    assert_eq!(cases.count(), 3, "two wheels a case: {said}");
    let drawn: Vec<_> = std::fs::read_dir(desk.folder.path().join("labels"))
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .collect();
    let of = |kind: &str| drawn.iter().filter(|name| name.starts_with(kind)).count();
    assert_eq!((of("case-"), of("pallet-")), (3, 1), "{drawn:?}");
    let again = desk.at(MONDAY, &["dispatch", "pack", "O1"]).await;
    assert_eq!(again.code, Some(1));
    assert!(
        again.err.contains("nothing of order O1 waits for a case"),
        "{}",
        again.err
    );

    let facts = desk.recorded();
    let mut fetched: Vec<WheelId> = Vec::new();
    let mut weighed = 0;
    for fact in &facts {
        match &fact.event {
            Event::WheelAllocated(to) => fetched.extend(&to.wheels),
            Event::WheelWeighed(_) => weighed += 1,
            Event::OrderSubstituted(other) => {
                assert_eq!(other.reason, "wheel is cracked");
                assert_eq!(other.instead_of.as_str(), listed[4]);
            }
            _ => {}
        }
    }
    assert_eq!((fetched.len(), weighed), (5, 5));
    let numbers: Vec<u64> = facts.iter().map(|fact| fact.station_seq).collect();
    let counted: Vec<u64> = (1..).take(numbers.len()).collect();
    assert_eq!(numbers, counted, "numbered without a gap");

    // They leave, arrive a day late, and one is not taken.
    let told = desk.at(MONDAY, &["orders", "delivered", "O1"]).await;
    assert!(
        told.err.contains("nothing of order O1 is on its way"),
        "{}",
        told.err
    );
    desk.scanned_out("2026-03-16T12:00:00Z", "O1", fetched.clone());
    let early = [
        "orders",
        "delivered",
        "O1",
        "--arrived",
        "2026-03-16T08:00:00Z",
    ];
    let told = desk.at(TUESDAY, &early).await;
    assert!(
        told.err.contains("cannot have arrived before"),
        "{}",
        told.err
    );
    let future = [
        "orders",
        "delivered",
        "O1",
        "--arrived",
        "2026-03-18T08:00:00Z",
    ];
    let told = desk.at(TUESDAY, &future).await;
    assert!(told.err.contains("is still to come"), "{}", told.err);
    let told = desk.at(THURSDAY, &future).await.well();
    assert_eq!(told, "5 wheels of order O1 arrived.\n");
    let first = fetched[0].to_string();
    let refuse = [
        "orders",
        "refused",
        "O1",
        "--wheels",
        &first,
        "--reason",
        "wrap is torn",
    ];
    let told = desk.at(THURSDAY, &refuse).await.well();
    assert!(told.starts_with("1 wheel of order O1 refused"), "{told}");
    let told = desk.at(THURSDAY, &refuse).await;
    assert!(told.err.contains("was told before"), "{}", told.err);
    let foreign = [
        "orders",
        "refused",
        "O1",
        "--wheels",
        "260105A-01",
        "--reason",
        "no",
    ];
    let told = desk.at(THURSDAY, &foreign).await;
    assert!(
        told.err.contains("260105A-01 never left for order O1"),
        "{}",
        told.err
    );
    let back = [
        "orders",
        "returned",
        "O1",
        "--wheels",
        &first,
        "--reason",
        "wrap is torn",
    ];
    let told = desk.at(THURSDAY, &back).await.well();
    assert!(told.contains("graded again before"), "{told}");

    let report = [
        "dispatch",
        "report",
        "--from",
        "2026-03-10",
        "--until",
        "2026-03-18",
    ];
    let report = desk.json(THURSDAY, &report).await;
    let north = &report["markets"][0];
    for (what, count) in [
        ("ordered", 5),
        ("sent", 5),
        ("arrived", 5),
        ("in_time", 0),
        ("in_window", 5),
        ("refused", 1),
    ] {
        assert_eq!(north[what], count, "{what}: {report}");
    }
}

#[tokio::test]
async fn what_cannot_be_right_about_an_order_is_said_and_nothing_is_recorded() {
    let desk = Desk::new();
    let _ = desk.at(MONDAY, &place("O1")).await.well();
    let heavy = [
        &place("O2")[..],
        &["--each-least-kg", "8", "--each-most-kg", "9"],
    ]
    .concat();
    let old = [
        &place("O2")[..],
        &["--age-least-days", "20", "--age-most-days", "30"],
    ]
    .concat();
    let export = placing("O2", "--customer", "FARSHORE");
    for (command, says) in [
        (
            placing("O2", "--arrive-on", "2026-03-10"),
            "2026-03-10 is past, today is 2026-03-16",
        ),
        (
            placing("O2", "--wheels", "0"),
            "0 wheels: write at least 1, or kg",
        ),
        (
            placing("O2", "--wheels", "90000"),
            "90000 wheels on one line",
        ),
        (
            placing("O2", "--customer", "NOBODY"),
            "there is no customer NOBODY; did you mean",
        ),
        (
            placing("O2", "--recipe", "grey"),
            "there is no recipe grey; did you mean larkholm-blue?",
        ),
        (
            placing("O1", "--wheels", "7"),
            "order O1 is there with other content: change it with `wheelward orders change`",
        ),
        (export, "no shipment arrives by Tue 17 Mar 2026"),
        (
            heavy,
            "no wheel of larkholm-blue weighs 8.000 kg to 9.000 kg",
        ),
        (old, "is first cored at 56 days"),
        (
            vec![
                "orders",
                "change",
                "O9",
                "--arrive-on",
                "2026-03-20",
                "--recipe",
                "larkholm-blue",
                "--wheels",
                "4",
            ],
            "there is no order O9",
        ),
        (
            vec!["orders", "cancel", "O9", "--reason", "none"],
            "there is no order O9",
        ),
        (
            vec!["orders", "confirm", "O1", "--arrive-on", "2026-03-21"],
            "order O1 has nothing open that arrives on Sat 21 Mar 2026; it has on 2026-03-17",
        ),
    ] {
        let said = desk.at(MONDAY, &command).await;
        assert_eq!(said.code, Some(1), "{command:?}: {}", said.err);
        assert!(said.err.contains(says), "{command:?}: {}", said.err);
    }
    let wrong = ["orders", "place", "O2", "--wheels", "6", "--kg", "9"];
    assert_eq!(desk.at(MONDAY, &wrong).await.code, Some(2));
    assert_eq!(desk.recorded().len(), 1);
}

#[tokio::test]
async fn a_table_goes_in_whole_or_when_the_person_says_so() {
    let desk = Desk::new();
    let heads = "order,customer,arrive_on,recipe,grade,wheels";
    let table = format!(
        "{heads}\nT1,HARBOUR,2026-03-18,larkholm-blue,A,4\nT2,HARBOUR,2026-03-01,larkholm-blue,A,4\nT3,HARBOUR,2026-03-18,larkholm-blue,A,0\n"
    );
    std::fs::write(desk.folder.path().join("t.csv"), table).unwrap();
    let import = ["orders", "import", "t.csv"];
    let said = desk.at(MONDAY, &import).await;
    assert_eq!(said.code, Some(4), "{}", said.err);
    for line in [
        "t.csv:3: arrive_on: 2026-03-01 is past",
        "t.csv:4: wheels: 0 wheels",
        "nothing was recorded: 1 orders are right, 2 are not",
    ] {
        assert!(said.err.contains(line), "{line}: {}", said.err);
    }
    assert_eq!(desk.recorded().len(), 0);
    let rest = [&import[..], &["--accept-the-rest"]].concat();
    let said = desk.at(MONDAY, &rest).await.well();
    assert!(said.contains("1 orders placed from 3 rows"), "{said}");

    // The same table may change what is there; what was never placed cannot be changed.
    let table = format!(
        "{heads}\nT1,HARBOUR,2026-03-19,larkholm-blue,A,9\nT9,HARBOUR,2026-03-18,larkholm-blue,A,4\n"
    );
    std::fs::write(desk.folder.path().join("t.csv"), table).unwrap();
    let change = [&rest[..], &["--change"]].concat();
    let said = desk.at(MONDAY, &change).await;
    assert!(
        said.err.contains("t.csv:3: order: there is no order T9"),
        "{}",
        said.err
    );
    assert!(said.well().contains("1 orders changed from 2 rows"));
    let orders = desk.json(MONDAY, &["orders", "list"]).await;
    assert_eq!(orders[0]["lines"][0]["wheels"], 9);
    assert_eq!(orders[0]["arrive_on"], "2026-03-19");
}

#[tokio::test]
async fn the_vats_of_the_coming_weeks_follow_what_is_ordered() {
    let desk = Desk::new();
    let crew = project().join("deploy/demo/crew.toml");
    let standing = [
        &placing("S1", "--wheels", "20")[..],
        &["--every-weeks", "1"],
    ]
    .concat();
    let _ = desk.at(MONDAY, &standing).await.well();
    let makes = [
        "dispatch",
        "makes",
        "--crew",
        crew.to_str().unwrap(),
        "--wheels-per-vat",
        "40",
    ];
    let made = desk.json(MONDAY, &makes).await;
    let weeks = made["weeks"].as_array().unwrap();
    assert_eq!(weeks.len(), 12);
    let vats: u64 = weeks
        .iter()
        .filter_map(|week| week["vats"]["larkholm-blue"].as_u64())
        .sum();
    // 20 wheels a week for 12 weeks are 6 vats of 40, less what is lost and plus what is
    // begun: a vat every second week.
    assert!((5..=8).contains(&vats), "{vats} vats: {made}");
    assert!(weeks[0]["minutes"][0].as_u64().unwrap() > 0);
    // A make room that takes none is given none, and what is missing says why.
    let none = [&makes[..], &["--most-vats", "0"]].concat();
    let none = desk.json(MONDAY, &none).await;
    let missing = none["missing"].as_array().unwrap();
    assert!(
        missing
            .iter()
            .any(|m| m["why"].as_str().unwrap().contains("has all its 0 vats")),
        "{none}"
    );
    let said = desk.look_at(MONDAY, &makes).await.well();
    assert!(said.contains("larkholm-blue to NORTH: 20 20 20"), "{said}");
}
