//! Every argument that names something: what each command says of a name that nobody knows,
//! over files of facts and over a running floor. An argument that is in no table here fails.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use bus::broker::ChildBroker;
use bus::{Bus, BusError, Clock, Shutdown};
use clap::{ArgAction, CommandFactory as _, Parser as _};
use facts::wire::{self, Read};
use facts::{Fact, SiteId};
use forecast::NoForecast;
use names::{Kind, UnknownName};
use tempfile::TempDir;

use crate::cli::{self, Cli};
use crate::running::Running;

/// Where a command looks.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Over {
    /// `--facts FILE`, or a running floor.
    Facts,
    /// `--replay FILE --at INSTANT`, or a running floor, with the site file.
    Source,
    /// The same, with the customers file.
    Office,
    /// The papers file, the site file, and facts.
    Dairy,
    /// The site file, and facts.
    Site,
    /// A running floor alone.
    Running,
    /// Files that people write, and no facts.
    Files,
    /// `wheelward replay FILE`.
    Replay,
}

/// The command, the argument, what it names, where it looks, and the rest of the line with `?`
/// for the name; then a name that is not known and one that is. Where the latter is empty, the
/// command would wait for somebody.
type Row = (
    &'static str,
    &'static str,
    Kind,
    Over,
    &'static str,
    &'static str,
    &'static str,
);

const WINDOW: &str = "--from 2026-01-01T00:00:00Z";

#[rustfmt::skip]
const ROWS: &[Row] = &[
    ("due", "room", Kind::Room, Over::Running, "--room ?", "X9", "r1"),
    ("wheel", "wheel", Kind::Wheel, Over::Running, "?", "W-99", "W-01"),
    ("batch", "batch", Kind::Batch, Over::Running, "?", "260304x", "260304b"),
    ("replay due", "room", Kind::Room, Over::Replay, "due --room ?", "X9", "R1"),
    ("replay wheel", "wheel", Kind::Wheel, Over::Replay, "wheel ?", "W-99", "w-01"),
    ("replay batch", "batch", Kind::Batch, Over::Replay, "batch ?", "260304X", "260304b"),
    ("plan", "person", Kind::Person, Over::Source, "--crew {dir}/crew.toml --person ?", "02", "03"),
    ("portions", "batch", Kind::Batch, Over::Site, "--batch ?", "260304X", "260304B"),
    ("portions", "person", Kind::Person, Over::Site, "--person ?", "77", "07"),
    ("recall", "lot", Kind::Lot, Over::Facts, "--lot ?", "CUL2027", "cul2026w10"),
    ("recall", "batch", Kind::Batch, Over::Facts, "--batch ?", "260304X", "260304b"),
    ("recall", "wheel", Kind::Wheel, Over::Facts, "--wheel ?", "W-99", "w-01"),
    ("recall", "room", Kind::Room, Over::Facts, "--room ? {window}", "X9", "r1"),
    ("recall", "stillage", Kind::Stillage, Over::Facts, "--stillage ? {window}", "S99", "s07"),
    ("recall", "tool", Kind::Tool, Over::Facts, "--tool ? {window}", "PM9", "pm1"),
    ("papers sheets", "lot", Kind::Lot, Over::Dairy, "--out {dir}/sheets --lot ?", "CUL2027", "260304b"),
    ("papers batch", "batch", Kind::Batch, Over::Dairy, "--out {dir}/b.pdf ?", "260304X", "260304b"),
    ("papers notices", "lot", Kind::Lot, Over::Dairy, "--out {dir}/n --lot ?", "CUL2027", "cul2026w10"),
    ("papers notices", "batch", Kind::Batch, Over::Dairy, "--out {dir}/n --batch ?", "260304X", "260304b"),
    ("forecast", "what", Kind::BatchOrWheel, Over::Site, "?", "260304X", "260304b"),
    ("forecast", "warmer", Kind::Room, Over::Site, "260304B --warmer ?=2", "X9", "R1"),
    ("forecast", "room", Kind::Room, Over::Site, "--chart room --svg {dir}/r.svg --room ?", "X9", "R1"),
    ("yield", "batch", Kind::Batch, Over::Site, "?", "260304X", "260304b"),
    ("orders place", "customer", Kind::Customer, Over::Office, "O-2 --customer ? --recipe larkholm-blue --wheels 1 --arrive-on 2026-06-01 {record}", "HARBOR", "harbour"),
    ("orders place", "recipe", Kind::Recipe, Over::Office, "O-3 --customer HARBOUR --recipe ? --wheels 1 --arrive-on 2026-06-01 {record}", "larkholm-bleu", "Larkholm-Blue"),
    ("orders change", "order", Kind::Order, Over::Office, "? --recipe larkholm-blue --wheels 2 --arrive-on 2026-06-01 {record}", "O-9", "o-1"),
    ("orders change", "recipe", Kind::Recipe, Over::Office, "O-1 --recipe ? --wheels 2 --arrive-on 2026-06-01 {record}", "blue", "larkholm-blue"),
    ("orders confirm", "order", Kind::Order, Over::Office, "? {record}", "O-9", "o-1"),
    ("orders delivered", "order", Kind::Order, Over::Office, "? --badge 07 {record}", "O-9", "o-1"),
    ("orders delivered", "wheels", Kind::Wheel, Over::Office, "O-1 --wheels ? --badge 07 {record}", "W-99", "w-01"),
    ("orders refused", "order", Kind::Order, Over::Office, "? --wheels W-01 --reason wet --badge 07 {record}", "O-9", "o-1"),
    ("orders refused", "wheels", Kind::Wheel, Over::Office, "O-1 --wheels ? --reason wet --badge 07 {record}", "W-99", "w-01"),
    ("orders returned", "order", Kind::Order, Over::Office, "? --wheels W-01 --reason wet --badge 07 {record}", "O-9", "o-1"),
    ("orders returned", "wheels", Kind::Wheel, Over::Office, "O-1 --wheels ? --reason wet --badge 07 {record}", "W-99", "w-01"),
    ("promise", "customer", Kind::Customer, Over::Office, "--customer ? --recipe larkholm-blue --wheels 1 --by 2100-03-04", "HARBOR", "Harbour"),
    ("promise", "recipe", Kind::Recipe, Over::Office, "--customer HARBOUR --recipe ? --wheels 1 --by 2100-03-04", "grey", "larkholm-blue"),
    ("dispatch pick", "scan", Kind::Order, Over::Office, "--scan ? {record}", "O-9", ""),
    ("dispatch pick", "scale", Kind::Tool, Over::Office, "--scan O-1 --scale ? {record}", "SC9", ""),
    ("dispatch pack", "order", Kind::Order, Over::Office, "? {record}", "O-9", "o-1"),
    ("dispatch pack", "wheels", Kind::Wheel, Over::Office, "O-1 --wheels ? {record}", "W-99", "w-01"),
    ("dispatch note", "order", Kind::Order, Over::Office, "? --pdf {dir}/note.pdf", "O-9", "o-1"),
    ("dispatch note", "lane", Kind::Lane, Over::Office, "O-1 --pdf {dir}/note.pdf --lane ?", "NORT-ROAD", "north-road"),
    ("recipe move", "batch", Kind::Batch, Over::Source, "? --to larkholm-blue --version 1 --reason why --badge 07 {record}", "260304X", "260304b"),
    ("recipe move", "to", Kind::Recipe, Over::Source, "260304B --to ? --version 1 --reason why --badge 07 {record}", "larkholm-bleu", "larkholm-blue"),
    // Whoever states something.
    ("orders place", "badge", Kind::Person, Over::Office, "O-4 --customer HARBOUR --recipe larkholm-blue --wheels 1 --arrive-on 2026-06-01 --badge ? {record}", "77", "07"),
    ("orders change", "badge", Kind::Person, Over::Office, "O-1 --recipe larkholm-blue --wheels 3 --arrive-on 2026-06-01 --badge ? {record}", "77", "07"),
    ("orders delivered", "badge", Kind::Person, Over::Office, "O-1 --badge ? {record}", "77", "07"),
    ("orders refused", "badge", Kind::Person, Over::Office, "O-1 --wheels W-01 --reason wet --badge ? {record}", "77", "07"),
    ("orders returned", "badge", Kind::Person, Over::Office, "O-1 --wheels W-01 --reason wet --badge ? {record}", "77", "07"),
    ("orders confirm", "badge", Kind::Person, Over::Office, "O-1 --badge ? {record}", "77", "07"),
    ("orders import", "badge", Kind::Person, Over::Office, "{dir}/orders.csv --badge ? {record}", "77", "07"),
    ("orders cancel", "badge", Kind::Person, Over::Office, "O-1 --reason why --badge ? {record}", "77", ""),
    ("dispatch pick", "badge", Kind::Person, Over::Office, "--scan O-1 --badge ? {record}", "77", ""),
    ("dispatch pack", "badge", Kind::Person, Over::Office, "O-1 --wheels W-01 --badge ? {record}", "77", "07"),
    ("recipe move", "badge", Kind::Person, Over::Source, "260304B --to larkholm-blue --version 1 --reason why --badge ? {record}", "77", "07"),
    ("recall", "badge", Kind::Person, Over::Facts, "--drill --badge ? {record}", "77", "07"),
    ("papers import", "record", Kind::Person, Over::Running, "{dir}/message.json --papers {dir}/larkholm-papers.toml --record ?", "77", ""),
    ("label reprint", "badge", Kind::Person, Over::Running, "W-01 --because wet --badge ?", "77", "07"),
    ("label answer", "badge", Kind::Person, Over::Running, "W-01 printed --badge ?", "77", ""),
    // Last, when nothing of them is in the books any more.
    ("orders cancel", "order", Kind::Order, Over::Office, "? --reason why {record}", "O-9", "o-1"),
    ("label preview", "recipe", Kind::Recipe, Over::Files, "wheel --out {dir}/l.png --recipe ?", "larkholm-bleu", "larkholm-blue"),
    ("label answer", "job", Kind::Label, Over::Running, "? printed", "W-99", ""),
    ("label reprint", "label", Kind::Wheel, Over::Running, "? --because wet --badge 07", "W-99", "w-01"),
    ("listen", "station", Kind::Station, Over::Files, "?", "portion-9", ""),
];

/// Arguments that name nothing that has to be there, by their own names.
#[rustfmt::skip]
const NO_NAMES: &[&str] = &[
    // Files and folders.
    "a", "b", "archive", "crew", "customers", "data", "export", "facts", "figures", "file", "files",
    "folder", "from_file",
    "labels", "load", "write", "makes", "message", "out", "papers", "pdf", "png", "qr", "record", "records",
    "replay", "rescue", "safety", "seal", "seals", "site", "svg", "table", "yesterday",
    // Instants, days, amounts and choices.
    "at", "by", "from", "to", "until", "day", "arrive_on", "arrived", "days", "weeks", "every_weeks",
    "except", "keep_months", "lost_after_days", "age_least_days", "age_most_days",
    "least_life_days", "most_batches", "least_per_batch", "each_least_kg", "each_most_kg", "kg",
    "wheels_per_vat", "most_vats", "grade", "sure", "sample", "price_per_kg", "chart", "moisture",
    "fat_kept", "first", "second", "wanted", "pierce_later", "simulate", "seed", "clock", "kind",
    "said", "each", "dpi", "version", "time_zone", "history", "day_seconds", "rounds", "years", "scan_count",
    "shell", "key", "mark", "parent",
    // A program's own words: clap names the choices.
    "worker",
    // Words of a person.
    "reason", "because", "note",
    // Whose broker and site: nobody answers at another (exit code 3).
    "broker", "site_id",
    // Files and folders of keys: one that is not there is named.
    "broker_keys", "broker_ca", "keys",
    // New codes, for cards that are printed.
    "codes",
];

/// Arguments that carry a name of [`NO_NAMES`] in one command and are none in another.
#[rustfmt::skip]
const NO_NAMES_HERE: &[(&str, &str)] = &[
    // How many.
    ("orders place", "wheels"), ("orders change", "wheels"), ("promise", "wheels"), ("bench", "wheels"),
    // A number that is new.
    ("orders place", "order"),
    // A recipe file.
    ("replay", "recipe"),
];

const FACTS: &[(&str, &str, &str)] = &[
    (
        "2026-03-01T06:00:00Z",
        "lot.received",
        r#"{"lot":"CUL2026W10","kind":"culture","product":"blue","supplier":"Mill"}"#,
    ),
    (
        "2026-03-01T07:00:00Z",
        "milk.received",
        r#"{"lot":"MILK-1","supplier":"Upper Lark Farm","volume_l":400.0}"#,
    ),
    (
        "2026-03-04T08:00:00Z",
        "vat.started",
        r#"{"batch":"260304B","vat":"V1","recipe":"larkholm-blue","recipe_version":1,"milk_l":240.0,"milk_lots":["MILK-1"]}"#,
    ),
    (
        "2026-03-04T08:10:00Z",
        "vat.dosed",
        r#"{"batch":"260304B","ingredient":"culture","amount":40.0,"lot":"CUL2026W10"}"#,
    ),
    (
        "2026-03-04T10:00:00Z",
        "wheel.portioned",
        r#"{"wheel":"W-01","batch":"260304B","weight_g":4200}"#,
    ),
    (
        "2026-03-04T10:01:00Z",
        "wheel.portioned",
        r#"{"wheel":"W-02","batch":"260304B","weight_g":4210}"#,
    ),
    (
        "2026-03-08T10:00:00Z",
        "wheel.unhooped",
        r#"{"wheels":["W-01","W-02"]}"#,
    ),
    (
        "2026-03-08T10:02:00Z",
        "wheel.loaded",
        r#"{"wheels":["W-01","W-02"],"stillage":"S07"}"#,
    ),
    (
        "2026-03-08T10:03:00Z",
        "wheel.moved",
        r#"{"wheels":["W-01","W-02"],"room":"R1","via":{"stillage":"S07"}}"#,
    ),
    (
        "2026-03-09T10:00:00Z",
        "room.climate_read",
        r#"{"room":"R1","sensor":"T1","temperature_c":16.0,"humidity_pct":95.0}"#,
    ),
    (
        "2026-03-20T10:00:00Z",
        "wheel.pierced",
        r#"{"wheels":["W-01","W-02"],"machine":"PM1"}"#,
    ),
    (
        "2026-03-21T10:00:00Z",
        "order.placed",
        r#"{"order":"O-1","customer":"HARBOUR","market":"NORTH","arrive_on":"2026-06-01","lines":[{"recipe":"larkholm-blue","grade":"A","wheels":1}]}"#,
    ),
    (
        "2026-03-22T10:00:00Z",
        "wheel.dispatched",
        r#"{"wheels":["W-01"],"order":"O-1"}"#,
    ),
];

/// A folder with the files that people write, and a file of facts.
fn folder() -> TempDir {
    let dir = tempfile::tempdir().unwrap();
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/../../deploy/demo");
    for file in std::fs::read_dir(demo).unwrap() {
        let file = file.unwrap();
        if file.file_type().unwrap().is_file() {
            std::fs::copy(file.path(), dir.path().join(file.file_name())).unwrap();
        }
    }
    let site = dir.path().join("larkholm.toml");
    let text = std::fs::read_to_string(&site).unwrap();
    let desk = "\n[dispatch]\ncustomers = \"customers.toml\"\n";
    std::fs::write(&site, text + desk).unwrap();
    let lines: String = facts()
        .iter()
        .map(|fact| wire::to_line(fact).unwrap() + "\n")
        .collect();
    std::fs::write(dir.path().join("facts.ndjson"), lines).unwrap();
    std::fs::write(dir.path().join("orders.csv"), "order,customer\n").unwrap();
    dir
}

fn facts() -> Vec<Fact> {
    let lines = (1..).zip(FACTS).map(|(number, (time, topic, data))| {
        format!(
            r#"{{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-{number:012}","source":"/sites/larkholm/stations/s1","type":"floor.{topic}.v1","time":"{time}","sequence":"{number:012}","authtype":"user","authid":"07","data":{data}}}"#
        )
    });
    let read = lines.map(|line| match wire::from_line(&line) {
        Ok(Read::Fact(fact)) => fact,
        other => panic!("{line}: {other:?}"),
    });
    read.collect()
}

/// The whole line, or nothing where a command does not look there.
fn line(row: &Row, name: &str, dir: &Path, running: bool) -> Option<Vec<String>> {
    let (command, _, _, over, rest, _, _) = row;
    let shown = dir.display();
    let facts = match running {
        true => format!("--data {shown}/running"),
        false => format!("--facts {shown}/facts.ndjson"),
    };
    let site = format!("--site {shown}/larkholm.toml");
    let source = match running {
        true => format!("{site} --data {shown}/running"),
        false => format!("{site} --replay {shown}/facts.ndjson --at 2026-03-25T10:00:00Z"),
    };
    let where_to = match (over, running) {
        (Over::Facts, _) => facts,
        (Over::Site, _) => format!("{site} {facts}"),
        (Over::Dairy, _) => format!("--papers {shown}/larkholm-papers.toml {site} {facts}"),
        (Over::Source, _) => source,
        (Over::Office, _) => format!("{source} --customers {shown}/customers.toml"),
        (Over::Running, true) => format!("--data {shown}/running"),
        (Over::Files, false) => site,
        (Over::Replay, false) => {
            format!("{shown}/facts.ndjson {site} --at 2026-03-25T10:00:00Z")
        }
        _ => return None,
    };
    let record = match running {
        true => String::new(),
        false => format!("--record {shown}/recorded.ndjson"),
    };
    let rest = rest
        .replace('?', name)
        .replace("{dir}", &shown.to_string())
        .replace("{window}", WINDOW)
        .replace("{record}", &record);
    // What comes first on the line: of `replay` its own arguments, before the view.
    let text = match over {
        Over::Replay => format!("replay {where_to} {rest}"),
        _ => format!("{command} {rest} {where_to}"),
    };
    let words = text.split_whitespace().map(str::to_owned);
    Some(
        std::iter::once("wheelward".to_owned())
            .chain(words)
            .collect(),
    )
}

fn unknown(error: &anyhow::Error) -> Option<&UnknownName> {
    let traced = error.downcast_ref::<trace::NoRecall>();
    let traced = traced.and_then(|none| match none {
        trace::NoRecall::Unknown(name) => Some(name),
        trace::NoRecall::NotBegun { .. } => None,
    });
    let own = error.downcast_ref::<UnknownName>().or(traced);
    let asked = error
        .downcast_ref::<BusError>()
        .and_then(|error| match error {
            BusError::Unknown(name) => Some(name),
            _ => None,
        });
    let expected = error
        .downcast_ref::<NoForecast>()
        .and_then(|none| match none {
            NoForecast::Unknown(name) => Some(name),
            _ => None,
        });
    own.or(asked).or(expected)
}

async fn run(words: &[String]) -> anyhow::Result<()> {
    let cli = Cli::try_parse_from(words).unwrap_or_else(|error| panic!("{words:?}: {error}"));
    let running = tokio::time::timeout(Duration::from_secs(60), crate::run(cli));
    running
        .await
        .unwrap_or_else(|_| panic!("{words:?} does not end"))
}

async fn each_row(dir: &Path, running: bool) {
    let mut wrong = Vec::new();
    for row in ROWS {
        let (_, _, kind, _, _, not_known, known) = row;
        let Some(words) = line(row, not_known, dir, running) else {
            continue;
        };
        match run(&words).await {
            Ok(()) => wrong.push(format!("{words:?}: went well")),
            Err(error) => match unknown(&error) {
                Some(name) => {
                    let right = name.kind == *kind
                        && name.asked.eq_ignore_ascii_case(not_known)
                        && error.to_string().starts_with("there is no ")
                        && cli::exit_code(&error) == cli::FAILED;
                    if !right {
                        wrong.push(format!("{words:?}: {error:#}"));
                    }
                }
                None => wrong.push(format!("{words:?}: {error:#}")),
            },
        }
        if known.is_empty() {
            continue;
        }
        let words = line(row, known, dir, running).unwrap();
        if let Err(error) = run(&words).await
            && let Some(name) = unknown(&error)
        {
            wrong.push(format!("{words:?}: {name}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[tokio::test(flavor = "multi_thread")]
async fn over_files_a_name_that_nobody_knows_is_an_error_and_no_all_clear() {
    let dir = folder();
    each_row(dir.path(), false).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn over_a_running_floor_a_name_that_nobody_knows_is_an_error_and_no_all_clear() {
    let dir = folder();
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    bus.publish_facts(&facts()).await.unwrap();
    let site = crate::files::site(&dir.path().join("larkholm.toml")).unwrap();
    let data = dir.path().join("running");
    let running = Running {
        broker: broker.url(),
        own_broker: false,
        keys: None,
        ca: None,
        site: site.id,
        rooms: site
            .rooms
            .iter()
            .map(|room| (room.id, room.name.clone()))
            .collect(),
        people: site.people.keys().copied().collect(),
    };
    running.write(&data).unwrap();
    let shutdown = Shutdown::new();
    let mut workers = Vec::new();
    macro_rules! start {
        ($($worker:ident)*) => {$({
            let (site, bus, data, shutdown) =
                (site.clone(), bus.clone(), data.clone(), shutdown.clone());
            workers.push(tokio::spawn(async move {
                $worker::run(site, bus, Clock::system(), &data, shutdown).await
            }));
        })*};
    }
    start!(scheduler records dispatcher forecaster label_printer);
    until_all_answer(&bus, &site.id).await;
    each_row(dir.path(), true).await;
    shutdown.request();
    for worker in workers {
        worker.await.unwrap().unwrap();
    }
}

/// Waits until every worker has read the log.
async fn until_all_answer(bus: &Bus, site: &SiteId) {
    let nothing = serde_json::json!({});
    let unit = serde_json::Value::Null;
    for (question, query) in [
        ("batch", &serde_json::json!("260304B")),
        ("records", &unit),
        ("allocation", &unit),
        ("forecast", &nothing),
        ("label.queue", &unit),
    ] {
        let answered = async {
            while bus
                .ask::<serde_json::Value>(site, question, query)
                .await
                .is_err()
            {
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        };
        tokio::time::timeout(Duration::from_secs(60), answered)
            .await
            .unwrap_or_else(|_| panic!("nobody answers {question}"));
    }
}

#[test]
fn every_argument_that_takes_a_value_is_in_a_table_here() {
    let mut seen = BTreeSet::new();
    let mut missing = Vec::new();
    let mut commands = vec![(String::new(), Cli::command())];
    while let Some((path, command)) = commands.pop() {
        for sub in command.get_subcommands() {
            let path = format!("{path} {}", sub.get_name()).trim().to_owned();
            commands.push((path, sub.clone()));
        }
        for arg in command.get_arguments() {
            let takes = matches!(arg.get_action(), ArgAction::Set | ArgAction::Append);
            let id = arg.get_id().as_str();
            if !takes {
                continue;
            }
            let named = ROWS.iter().any(|row| row.0 == path && row.1 == id);
            let none = NO_NAMES_HERE.contains(&(path.as_str(), id));
            // A name's row counts for more: `--to` is a recipe in one command.
            if named || none {
                seen.insert((path.clone(), id.to_owned()));
            } else if !NO_NAMES.contains(&id) {
                missing.push(format!("{path}: {id}"));
            }
        }
    }
    assert!(missing.is_empty(), "in no table: {missing:?}");
    let rows = ROWS.iter().map(|row| (row.0, row.1));
    for (path, id) in rows.chain(NO_NAMES_HERE.iter().copied()) {
        assert!(
            seen.contains(&(path.to_owned(), id.to_owned())),
            "there is no {path} {id} any more"
        );
    }
}
