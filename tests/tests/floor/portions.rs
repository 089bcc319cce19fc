//! Portions: on the command line, and told once when they leave the aim, whatever happens to
//! the scheduler meanwhile.

use chrono::TimeDelta;
use floor_tests::{Chat, Floor, Given, code, free_address, portioned, time, until};
use quantity::Grams;

/// Names of the messages about portions, in the order in which they were published.
async fn told(floor: &Floor) -> Vec<String> {
    let derived = floor.stream(bus::DERIVED).await;
    let ids = derived
        .iter()
        .filter_map(|message| Some(message.headers.get("Nats-Msg-Id")?.as_str().to_owned()));
    ids.filter(|id| id.starts_with("Portions")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_drift_is_told_once_over_a_crash_and_is_over_the_next_day() {
    let address = free_address();
    let webhook = format!("\n[webhook]\nurl = \"http://{address}/alerts\"\n");
    let mut floor = Floor::start_with(time("2026-03-02T12:00:00Z"), &webhook).await;
    let chat = Chat::open(address, 0).await;
    let scheduler = floor.worker("scheduler");
    let notifier = floor.worker("notifier");
    floor.folded(&scheduler).await;
    let mut station = Given::at("portion-1");
    let weigh = |station: &mut Given, floor: &mut Floor, from: u32, grams: u32| {
        for n in from..from + 5 {
            floor.now += TimeDelta::seconds(40);
            let mut event = portioned(&format!("311-{n:02}"), "311");
            event.weight_g = Grams::new(grams).unwrap();
            event.mixer = Some(code("02"));
            station.states(floor.now, floor.now, event);
        }
        std::mem::take(&mut station.facts)
    };
    // Five are 105 g heavy: more than three deviations of such a mean, whose spread is a third
    // of the tolerance as long as nothing is known of it.
    let facts = weigh(&mut station, &mut floor, 1, 4_305);
    floor.store(&facts).await;
    floor.folded(&scheduler).await;
    scheduler.kill_hard().await;

    let scheduler = floor.worker("scheduler");
    let facts = weigh(&mut station, &mut floor, 6, 4_295);
    floor.store(&facts).await;
    floor.folded(&scheduler).await;
    floor.now += TimeDelta::days(1);
    floor.folded(&scheduler).await;
    // What was asked for is published after it is stored.
    let told = until(
        "the end to be told",
        || scheduler.log(),
        async || {
            floor.tick().await;
            let told = told(&floor).await;
            (told.len() >= 2).then_some(told)
        },
    )
    .await;
    let steps: Vec<_> = told
        .iter()
        .map(|id| id.rsplit('-').next().unwrap())
        .collect();
    assert_eq!(steps, ["raised", "cleared"], "{told:?}");
    assert!(told[0].starts_with("PortionsHeavy-batch-311-"), "{told:?}");
    assert_eq!(
        told[0].trim_end_matches("raised"),
        told[1].trim_end_matches("cleared")
    );
    let posts = until(
        "both to be in the chat",
        || notifier.log(),
        async || {
            floor.tick().await;
            let mut posts = chat.posts();
            posts.retain(|post| post.key.starts_with("Portions"));
            (posts.len() >= 2).then_some(posts)
        },
    )
    .await;
    let keys: Vec<_> = posts.iter().map(|post| &post.key).collect();
    assert_eq!(keys, told.iter().collect::<Vec<_>>());
    let text = posts[0].body["text"].as_str().unwrap();
    assert!(text.contains("g heavy since"), "{text}");
}

/// The demo's site and its recorded days.
const RECORDED: [&str; 4] = [
    "--site",
    "deploy/demo/larkholm.toml",
    "--facts",
    "tests/data/larkholm-70-days.ndjson",
];

async fn portions(more: &[&str]) -> floor_tests::Said {
    floor_tests::run(&[&["portions"], &RECORDED[..], more].concat()).await
}

#[tokio::test(flavor = "multi_thread")]
async fn vats_and_people_of_recorded_days_are_summed_up_and_shown_one_by_one() {
    let all = portions(&["--days", "14", "--price-per-kg", "9.50"])
        .await
        .well();
    insta::assert_snapshot!("recorded-portions", all);
    let vat = portions(&["--batch", "260302A", "--sample", "3"])
        .await
        .well();
    insta::assert_snapshot!("recorded-portions-of-a-vat", vat);
    let json = portions(&["--person", "02", "--json"]).await.well();
    let studies: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(studies[0]["whose"]["person"], "02");
    assert!(studies[0]["capability"]["ppk"].as_f64().unwrap() < 1.0);
}

#[tokio::test(flavor = "multi_thread")]
async fn charts_and_the_report_are_written_where_they_are_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let file = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (svg, png, pdf) = (file("vat.svg"), file("vat.png"), file("vat.pdf"));
    let files = ["--svg", &svg, "--png", &png, "--pdf", &pdf];
    let vat = ["--batch", "260302A"];
    let _ = portions(&[&vat[..], &files].concat()).await.well();
    let begins = |path: &str, with: &[u8]| std::fs::read(path).unwrap().starts_with(with);
    assert!(begins(&svg, b"<svg xmlns="));
    assert!(begins(&png, b"\x89PNG"));
    assert!(begins(&pdf, b"%PDF-1."));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_shown_is_said_with_what_to_do() {
    let unknown = portions(&["--batch", "nope"]).await;
    assert_eq!(unknown.code, Some(1));
    assert!(
        unknown.err.contains("there is no batch nope"),
        "{}",
        unknown.err
    );
    let nobody = portions(&["--person", "99"]).await;
    assert_eq!(nobody.code, Some(1));
    assert!(
        nobody.err.contains("there is no person 99"),
        "{}",
        nobody.err
    );
    let size = portions(&["--sample", "11"]).await;
    assert_eq!(size.code, Some(2));
    assert!(size.err.contains("take 2 to 10"), "{}", size.err);
    let price = portions(&["--price-per-kg", "dear"]).await;
    assert_eq!(price.code, Some(2));
}
