//! A recall in a browser, and holds placed and ended there, over a real records worker.

use bus::{Clock, Shutdown};
use facts::Event;
use serde_json::json;
use tokio::task::JoinHandle;

use crate::house::{House, code};

/// The records worker, once it answers: a page that asks it before is told that it is away.
/// Its safety file names badge M1 for ending holds.
pub async fn records(house: &House) -> (Shutdown, JoinHandle<anyhow::Result<()>>) {
    let file = |name: &str, text: &str| {
        let path = house.dir.path().join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let safety = include_str!("../../../../deploy/demo/larkholm-safety.toml")
        .replace("badges = [\"01\", \"09\"]", "badges = [\"M1\"]");
    let mut site = house.site.clone();
    site.safety = Some(site::Safety {
        file: file("safety.toml", &safety),
        may_release: ["M1".parse().unwrap()].into(),
        tools: Default::default(),
        papers: Some(file(
            "papers.toml",
            include_str!("../../../../deploy/demo/larkholm-papers.toml"),
        )),
    });
    let stop = Shutdown::new();
    let (bus, shutdown) = (house.bus.clone(), stop.clone());
    let data = house.dir.path().join("data");
    let run = async move { records::run(site, bus, Clock::system(), &data, shutdown).await };
    let worker = tokio::spawn(run);
    house.answers("holds").await;
    (stop, worker)
}

/// What the End of a hold sends from a page that shows it.
fn end_form(page: &str, hold: &str, reason: &str) -> String {
    let named = format!("name=\"hold\" value=\"{hold}\">");
    let form = page.split(&named).nth(1).expect("a hold that can be ended");
    let shown = form.split("name=\"shown\" value=\"").nth(1).unwrap();
    let shown = shown.split('"').next().unwrap();
    format!("hold={hold}&reason={reason}&shown={shown}")
}

#[tokio::test(flavor = "multi_thread")]
async fn the_end_of_a_hold_ends_what_its_reader_saw_and_is_taken_back_as_one() {
    let house = House::start().await;
    house.six_wheels().await;
    let (stop, worker) = records(&house).await;
    let mut manager = house.manager();
    let place = "hold=Q-311&what=batch&code=311&reason=positive+swab";
    assert_eq!(manager.form("/holds", place).status, 303);
    let seen = house
        .until(&mut manager, "/holds", "It keeps 6 wheels")
        .await;
    let stale = end_form(&seen.text, "Q-311", "result+is+in");
    // Meanwhile somebody sets a wheel of another batch under the same code.
    house.hold("312-01", "Q-311").await;
    house.until(&mut manager, "/holds", "312-01").await;
    let refused = manager.form("/holds/end", &stale);
    assert_eq!(refused.status, 409);
    for says in [
        "not what your page showed",
        "one hold with 6 wheels then, 2 holds with 7 wheels now",
        "Open the Holds page again",
    ] {
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }
    let unread = manager.form("/holds/end", "hold=Q-311&reason=fine");
    assert_eq!(unread.status, 409);
    assert!(
        unread.text.contains("did not say what it showed"),
        "{}",
        unread.text
    );
    let german = "tongue=de&weight=kg&temperature=C&theme=light&hand=right";
    assert_eq!(manager.form("/me", german).status, 303);
    let refused = manager.form("/holds/end", &stale);
    assert_eq!(refused.status, 409);
    for says in [
        "nicht mehr, was Ihre Seite zeigte",
        "damals eine Sperre mit 6 Laiben, jetzt 2 Sperren mit 7 Laiben",
    ] {
        assert!(refused.text.contains(says), "{says}: {}", refused.text);
    }
    let page = manager.get("/holds").text;
    assert!(
        page.contains("Alle 2 Sperren mit der Kennung Q-311 enden zusammen, mit 7 Laiben"),
        "{page}"
    );
    let before = house.stated("gateway", 1).await.len();
    let end = end_form(&page, "Q-311", "result+is+in");
    assert_eq!(manager.form("/holds/end", &end).status, 303);
    house
        .until(&mut manager, "/holds", "Keine Sperre hält")
        .await;
    let stated = house.stated("gateway", before + 1).await;
    let [ended] = &stated[before..] else {
        panic!("the end of a hold is one fact: {stated:?}");
    };
    let Event::HoldLifted(lifted) = &ended.event else {
        panic!("{ended:?}");
    };
    assert_eq!((lifted.hold, lifted.wheels.len()), (code("Q-311"), 7));
    // Taken back, all of it stands again.
    let void = format!("/api/v1/facts/{}/void", ended.id);
    let voided = manager.post(&void, &json!({"reason": "it was another result"}));
    assert_eq!(voided.status, 200, "{}", voided.text);
    let page = house.until(&mut manager, "/holds", "311-06").await.text;
    assert!(page.contains("312-01"), "{page}");
    assert!(
        page.contains("Alle 2 Sperren mit der Kennung Q-311 enden zusammen, mit 7 Laiben"),
        "{page}"
    );
    stop.request();
    worker.await.unwrap().unwrap();
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_is_traced_its_papers_saved_and_a_hold_over_it_placed_and_ended() {
    let house = House::start().await;
    house.six_wheels().await;
    let (stop, worker) = records(&house).await;
    let mut manager = house.manager();
    let asked = "/recall?what=batch&code=311&contact=yes";
    let page = house.until(&mut manager, asked, "311-06").await;
    assert!(page.text.contains("named as suspect") || page.text.contains("made of it"));
    assert!(page.text.contains("Nothing has left"), "{}", page.text);

    let paper = "/recall/paper?what=batch&code=311&contact=no&batch=311&paper=";
    for (kind, media, begins) in [
        // A workbook is no text, so that the browser of this test shows none of it.
        ("sheets", "spreadsheetml", ""),
        ("epcis", "application/ld+json", "{"),
    ] {
        let file = manager.get(&format!("{paper}{kind}"));
        assert_eq!(file.status, 200, "{kind}: {}", file.text);
        assert!(file.headers["content-type"].contains(media), "{kind}");
        assert!(file.text.starts_with(begins), "{kind}");
        assert!(file.headers["content-disposition"].starts_with("attachment"));
    }
    let none = manager.get(&format!("{paper}notices"));
    assert_eq!(none.status, 404);
    assert!(none.text.contains("there is nobody to tell"));
    assert_eq!(manager.get("/recall?what=lot&code=%20%2F%2F").status, 400);

    house.admit("O1", "operator", "518204");
    let mut operator = house.browser();
    operator.sign_in("O1", "518204");
    let place = "hold=Q-311&what=batch&code=311&reason=positive+swab";
    assert_eq!(operator.form("/holds", place).status, 303);
    house
        .until(&mut manager, "/holds", "It keeps 6 wheels")
        .await;
    let page = house.until(&mut manager, asked, "Q-311").await;
    assert!(page.text.contains("positive") || page.text.contains("Q-311"));
    let refused = operator.form("/holds/end", "hold=Q-311&reason=fine");
    assert_eq!(refused.status, 403, "only a manager ends a hold");
    assert_eq!(
        manager.form("/holds/end", "hold=Q-311&reason=").status,
        400,
        "not without a reason"
    );
    let other = manager.form("/holds/end", "hold=Q-312&reason=fine");
    assert_eq!(other.status, 404);
    assert!(other.text.contains("did you mean Q-311?"), "{}", other.text);
    let page = house.until(&mut manager, "/holds", "311-06").await;
    let end = end_form(&page.text, "Q-311", "result+is+in");
    assert_eq!(manager.form("/holds/end", &end).status, 303);
    house.until(&mut manager, "/holds", "No hold keeps").await;
    let german = "tongue=de&weight=kg&temperature=C&theme=light&hand=right";
    assert_eq!(manager.form("/me", german).status, 303);
    let page = manager.get(asked).text;
    assert!(page.contains("<html lang=\"de\""), "{page}");
    assert!(page.contains("kein Kunde muss verständigt werden"));
    assert_eq!(page.matches("<h1").count(), 1);
    stop.request();
    worker.await.unwrap().unwrap();
    house.end().await;
}
