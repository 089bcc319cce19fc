//! Mistakes at the command line, and how a floor stops.

use std::net::TcpListener;
use std::path::Path;

use floor_tests::{Floor, SITE_FILE, Said, free_address, run, run_in, time};
use tempfile::TempDir;

/// A folder with a site file made of the demo's, and the recipe beside it unless it is
/// named otherwise.
fn folder(change: impl Fn(&str) -> String) -> TempDir {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("site.toml"), change(SITE_FILE)).unwrap();
    let recipe = include_str!("../../../deploy/demo/larkholm-blue.toml");
    std::fs::write(folder.path().join("larkholm-blue.toml"), recipe).unwrap();
    folder
}

async fn check(folder: &Path, file: &str) -> Said {
    run_in(folder, &["check", file]).await
}

/// Where a text stands, as an editor counts: line and column from 1.
fn place_of(text: &str, what: &str) -> (usize, usize) {
    let at = text.find(what).unwrap();
    let line_start = text[..at].rfind('\n').map_or(0, |n| n + 1);
    (text[..at].matches('\n').count() + 1, at - line_start + 1)
}

#[tokio::test]
async fn a_site_file_that_is_right_is_said_to_be_so() {
    let folder = folder(str::to_owned);
    let said = check(folder.path(), "site.toml").await.well();
    assert!(
        said.contains("site larkholm is right: 5 rooms, 8 stations, 1 recipes"),
        "{said}"
    );
}

#[tokio::test]
async fn an_empty_site_file_is_named_with_exit_code_4_by_every_command_that_reads_it() {
    let folder = folder(|_| String::new());
    let commands: [&[&str]; 4] = [
        &["check", "site.toml"],
        &["up", "--site", "site.toml"],
        &["worker", "scheduler", "--site", "site.toml"],
        &[
            "replay",
            "none.ndjson",
            "--site",
            "site.toml",
            "--at",
            "2026-03-02T07:00:00Z",
        ],
    ];
    for command in commands {
        let said = run_in(folder.path(), command).await;
        assert_eq!(said.code, Some(4), "{command:?}: {}", said.err);
        assert!(
            said.err.contains("site.toml:1:1: the site file is empty"),
            "{command:?}: {}",
            said.err
        );
    }
}

#[tokio::test]
async fn what_is_wrong_in_a_site_file_is_named_with_line_and_column() {
    let cases = [
        (
            "positions = 32\n\n[[room]]\nid = \"R2\"",
            "positions = \"many\"\n\n[[room]]\nid = \"R2\"",
            "\"many\"",
        ),
        (
            "day_starts = \"04:00\"",
            "day_starts = \"4 o'clock\"",
            "\"4 o'clock\"",
        ),
        (
            "time_zone = \"Europe/London\"",
            "time_zone = \"Larkholm\"",
            "\"Larkholm\"",
        ),
        (
            "turn_by = \"12:00\"",
            "turn_by = \"12:00\"\nturn_buy = 1",
            "turn_buy",
        ),
        ("id = \"R4\"", "id = \"R3\"", "\"R3\"\nname = \"Cold"),
        ("dpi = 203", "dpi = 13", "13"),
        ("[[room]]\nid = \"R1\"", "[[room\nid = \"R1\"", "[[room\nid"),
    ];
    for (right, wrong, at) in cases {
        let folder = folder(|text| {
            assert!(text.contains(right), "{right}");
            text.replace(right, wrong)
        });
        let text = std::fs::read_to_string(folder.path().join("site.toml")).unwrap();
        let said = check(folder.path(), "site.toml").await;
        assert_eq!(said.code, Some(4), "{wrong}: {}{}", said.out, said.err);
        let (line, column) = place_of(&text, at);
        let named = said.err.contains(&format!("site.toml:{line}:{column}: "));
        // A broken head is found at its end.
        let found = named
            || wrong.starts_with("[[room") && said.err.contains(&format!("site.toml:{line}:"));
        assert!(found, "{wrong} is at {line}:{column}: {}", said.err);
    }
}

#[tokio::test]
async fn a_recipe_that_is_not_there_is_named_where_the_site_file_names_it() {
    let folder = folder(|text| text.replace("larkholm-blue.toml", "larkholm-gold.toml"));
    let text = std::fs::read_to_string(folder.path().join("site.toml")).unwrap();
    let said = check(folder.path(), "site.toml").await;
    assert_eq!(said.code, Some(4), "{}", said.err);
    let (line, column) = place_of(&text, "\"larkholm-gold.toml\"");
    assert!(
        said.err.contains(&format!("site.toml:{line}:{column}: ")),
        "{}",
        said.err
    );
    assert!(
        said.err
            .contains("could not open the recipe larkholm-gold.toml"),
        "{}",
        said.err
    );
}

#[tokio::test]
async fn without_a_broker_a_question_ends_with_exit_code_3_and_a_sentence() {
    let url = format!("nats://{}", free_address());
    for question in [
        &["due"][..],
        &["floor"],
        &["wheel", "311-01"],
        &["batch", "311"],
    ] {
        let whom = ["--broker", &url, "--site-id", "larkholm"];
        let said = run(&[question, &whom].concat()).await;
        assert_eq!(said.code, Some(3), "{question:?}: {}", said.err);
        assert!(
            said.err.starts_with("wheelward: the broker did not answer"),
            "{}",
            said.err
        );
        assert_eq!(said.out, "");
    }
}

#[tokio::test]
async fn without_a_scheduler_a_question_ends_with_exit_code_3_and_a_sentence() {
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let said = floor.ask_as_people_do(&["due"]).await;
    assert_eq!(said.code, Some(3), "{}", said.err);
    assert!(
        said.err
            .contains("is the scheduler, or whichever worker answers it, running?"),
        "{}",
        said.err
    );
}

#[tokio::test]
async fn where_no_floor_runs_a_question_says_how_to_start_one() {
    let folder = TempDir::new().unwrap();
    let said = run_in(folder.path(), &["due"]).await;
    assert_eq!(said.code, Some(1), "{}", said.err);
    assert!(
        said.err
            .contains("no floor runs in data: start one with `wheelward up`"),
        "{}",
        said.err
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wheel_or_batch_that_no_fact_speaks_of_is_said_to_be_unknown() {
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let wheel = floor.ask_as_people_do(&["wheel", "999-99"]).await;
    assert_eq!(wheel.code, Some(1));
    assert!(
        wheel
            .err
            .contains("there is no wheel 999-99: no wheel is known yet"),
        "{}",
        wheel.err
    );
    let batch = floor.ask_as_people_do(&["batch", "999"]).await;
    assert_eq!(batch.code, Some(1));
    assert!(
        batch
            .err
            .contains("there is no batch 999: no batch is known yet"),
        "{}",
        batch.err
    );
    let nonsense = floor.ask_as_people_do(&["wheel", "not a serial"]).await;
    assert_eq!(nonsense.code, Some(2), "{}", nonsense.err);
}

#[tokio::test]
async fn a_stations_port_that_is_taken_ends_its_worker_with_the_station_and_what_to_do() {
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = taken.local_addr().unwrap();
    let folder = folder(|text| text.replace("127.0.0.1:7401", &address.to_string()));
    let nobody = format!("nats://{}", free_address());
    let said = run_in(
        folder.path(),
        &[
            "worker",
            "move-recorder",
            "--site",
            "site.toml",
            "--broker",
            &nobody,
        ],
    )
    .await;
    assert_eq!(said.code, Some(1), "{}", said.err);
    let sentence = format!(
        "station vat-1 cannot listen on {address}: stop the program that uses it, or give the station another address in the site file"
    );
    assert!(said.err.contains(&sentence), "{}", said.err);
}
