//! The same commands as in `orders.rs` against a running floor: its dispatch desk allocates,
//! its scheduler asks for labels, its printer prints them.

use facts::wire::{self, Read};
use facts::{Event, Fact};
use floor_tests::{Floor, Said, Worker, project, run_in, run_typing, time, until};
use serde_json::Value;

/// Monday morning after the recorded days, before any lorry leaves.
const MONDAY: &str = "2026-03-16T06:30:00Z";

async fn type_at(floor: &Floor, command: &[&str], typed: &str) -> Said {
    let (url, site) = (floor.url(), floor.site_file());
    let more = [
        "--site",
        site.to_str().unwrap(),
        "--customers",
        "customers.toml",
        "--broker",
        &url,
        "--site-id",
        "larkholm",
        "--data",
        "office",
    ];
    run_typing(floor.dir.path(), &[command, &more[..]].concat(), typed).await
}

async fn say(floor: &Floor, command: &[&str]) -> String {
    type_at(floor, command, "").await.well()
}

/// What the dispatch desk has allocated to an order, once it knows of it.
async fn allocated(floor: &Floor, order: &str, desk: &Worker) -> Value {
    until(
        "an allocation",
        || desk.log(),
        async || {
            floor.tick().await;
            let allocation: Value = floor.asked("allocation").await?;
            let mut lines = allocation["lines"].as_array()?.iter();
            let line = lines.find(|line| line["key"]["order"] == order)?;
            (line["wheels"].as_u64() > Some(0) || !line["assigned"].as_array()?.is_empty())
                .then(|| line.clone())
        },
    )
    .await
}

/// What commands ask the dispatch desk.
const ASKED: [&[&str]; 5] = [
    &["dispatch", "plan"],
    &["dispatch", "pick"],
    &["dispatch", "pick", "--day", "2026-03-18"],
    &["orders", "list"],
    &[
        "promise",
        "--customer",
        "HARBOUR",
        "--recipe",
        "larkholm-blue",
        "--wheels",
        "9",
        "--by",
        "2026-03-24",
    ],
];

/// A minute later: what is stated meanwhile has happened, and no lorry has left.
const SOON: &str = "2026-03-16T06:31:00Z";

/// Both call the same functions, over the same facts.
async fn desk_says_what_a_file_does(floor: &Floor) {
    let json = |said: &str| serde_json::from_str::<Value>(said).unwrap();
    let url = floor.url();
    for asked in ASKED {
        let is = json(&say(floor, &[asked, &["--json"]].concat()).await);
        let to = ["--broker", &url, "--site-id", "larkholm"];
        let export = ["facts", "export", "--out", "then.ndjson"];
        let _ = run_in(floor.dir.path(), &[&export[..], &to].concat())
            .await
            .well();
        let site = floor.site_file();
        let file = [
            "--replay",
            "then.ndjson",
            "--at",
            SOON,
            "--json",
            "--customers",
            "customers.toml",
            "--site",
            site.to_str().unwrap(),
        ];
        let should = run_in(floor.dir.path(), &[asked, &file].concat())
            .await
            .well();
        assert_eq!(is, json(&should), "{asked:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_order_is_placed_confirmed_fetched_and_packed_and_its_labels_are_printed() {
    let dispatch = "\n[dispatch]\ncustomers = \"customers.toml\"\n";
    let floor = Floor::start_with(time(MONDAY), dispatch).await;
    let customers = project().join("deploy/demo/customers.toml");
    std::fs::copy(customers, floor.dir.path().join("customers.toml")).unwrap();
    let recorded = include_str!("../../data/larkholm-70-days.ndjson");
    let recorded = recorded
        .lines()
        .filter_map(|line| match wire::from_line(line) {
            Ok(Read::Fact(fact)) => Some(fact),
            _ => None,
        });
    floor.store(&recorded.collect::<Vec<Fact>>()).await;
    let scheduler = floor.worker("scheduler");
    let desk = floor.worker("dispatcher");
    let printer = floor.worker("label-printer");
    floor.folded(&scheduler).await;

    let place = [
        "orders",
        "place",
        "O1",
        "--customer",
        "HARBOUR",
        "--arrive-on",
        "2026-03-17",
        "--recipe",
        "larkholm-blue",
        "--wheels",
        "5",
        "--badge",
        "01",
    ];
    assert_eq!(say(&floor, &place).await, "Order O1 is placed.\n");
    // It was stated a moment ago, and whoever asks is told with it in mind.
    desk_says_what_a_file_does(&floor).await;
    allocated(&floor, "O1", &desk).await;
    let said = say(&floor, &["orders", "confirm", "O1"]).await;
    assert!(said.contains("leaving on Mon 16 Mar 2026"), "{said}");
    floor.folded(&scheduler).await;

    let list = until(
        "a pick list",
        || desk.log(),
        async || {
            floor.tick().await;
            let list = say(&floor, &["dispatch", "pick", "--json"]).await;
            let list: Value = serde_json::from_str(&list).unwrap();
            let stops = list["stops"].as_array().unwrap().iter();
            let wheels = stops.flat_map(|stop| stop["wheels"].as_array().unwrap());
            let wheels: Vec<(String, f64)> = wheels
                .map(|pick| {
                    let serial = pick["wheel"].as_str().unwrap().to_owned();
                    (serial, pick["weight_g"].as_f64().unwrap())
                })
                .collect();
            (wheels.len() == 5).then_some(wheels)
        },
    )
    .await;
    let typed = list
        .iter()
        .map(|(wheel, grams)| format!("W.{wheel}\n{:.3}\n", grams / 1_000.0 - 0.04));
    let typed: String = typed.collect();
    let pick = ["dispatch", "pick", "--scan", "O1"];
    let said = type_at(&floor, &pick, &typed).await.well();
    assert!(said.contains("All of order O1 is fetched"), "{said}");
    floor.folded(&scheduler).await;
    let said = say(&floor, &["dispatch", "pack", "O1"]).await;
    let cases = said.lines().filter(|line| line.starts_with("case "));
    assert_eq!(cases.count(), 3, "{said}");

    // Three cases and what they stand on: four labels, each printed once and stated.
    let printed = until(
        "labels of cases",
        || printer.log(),
        async || {
            floor.tick().await;
            let facts = floor.facts().await.into_iter();
            let printed: Vec<_> = facts
                .filter_map(|fact| match fact.event {
                    Event::CaseLabelled(label) => Some(label.case.to_string()),
                    _ => None,
                })
                .collect();
            (printed.len() >= 4).then_some(printed)
        },
    )
    .await;
    let said_of = |number: &String| said.contains(number.as_str());
    assert!(printed.iter().all(said_of), "{printed:?} {said}");
    let mut once = printed.clone();
    once.sort();
    once.dedup();
    assert_eq!(once.len(), 4, "{printed:?}");
    let labels = floor.dir.path().join("labels");
    for number in &printed {
        let mut files = std::fs::read_dir(&labels).unwrap();
        let drawn = files.any(|file| {
            let name = file.unwrap().file_name();
            name.to_str().unwrap().starts_with(number.as_str())
        });
        assert!(drawn, "{number}");
    }
}
