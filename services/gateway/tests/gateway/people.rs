//! Who gets in, and what keeps others out.

use serde_json::json;

use crate::house::House;

#[tokio::test(flavor = "multi_thread")]
async fn the_set_up_link_works_once() {
    let house = House::start().await;
    let mut stranger = house.browser();
    let form = "word=anything&badge=X1&name=X&pin=829164";
    assert_eq!(stranger.form("/setup", form).status, 403);
    assert_eq!(stranger.get("/setup?word=anything").status, 403);
    let file = house.dir.path().join("data/gateway/set-up-link.txt");
    assert!(!file.exists());
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_sees_or_does_anything_without_signing_in() {
    let house = House::start().await;
    let mut stranger = house.browser();
    for page in [
        "/today",
        "/floor",
        "/alerts",
        "/rooms",
        "/portions",
        "/find",
        "/people",
        "/stations",
        "/me",
        "/wheels/311-01",
        "/batches/311",
        "/stands/stillage/S07",
    ] {
        let answer = stranger.get(page);
        assert_eq!(answer.status, 303, "{page}");
        assert!(
            answer.headers["location"].starts_with("/sign-in?next=/"),
            "{page}"
        );
    }
    for call in [
        "session",
        "floor",
        "due",
        "wheels",
        "wheels/311-01",
        "batches/311",
        "plan",
        "rooms",
        "standing",
        "live",
    ] {
        let answer = stranger.get(&format!("/api/v1/{call}"));
        assert_eq!(answer.status, 401, "{call}: {}", answer.text);
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_inspector_and_an_operator_cannot_do_what_a_manager_does() {
    let house = House::start().await;
    house.admit("V1", "inspector", "7305");
    house.admit("O1", "operator", "8052");
    let fact = "019c0000-0000-7000-8000-000000000000";
    for (badge, pin) in [("V1", "7305"), ("O1", "8052")] {
        let mut browser = house.browser();
        browser.sign_in(badge, pin);
        assert_eq!(browser.get("/people").status, 403);
        assert_eq!(browser.get("/stations").status, 403);
        assert_eq!(
            browser
                .form("/people", "badge=X&name=X&role=manager&pin=829164")
                .status,
            403
        );
        let void = browser.post(
            &format!("/api/v1/facts/{fact}/void"),
            &json!({ "reason": "wrong" }),
        );
        assert_eq!(void.status, 403);
    }
    let mut inspector = house.browser();
    inspector.sign_in("V1", "7305");
    let note = json!({ "note": "seen" });
    let said = inspector.post(
        "/api/v1/alerts/not_turned-stillage-S07-1/acknowledgement",
        &note,
    );
    assert_eq!(said.status, 403);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_changes_something_needs_the_sessions_token_and_our_own_page() {
    let house = House::start().await;
    let mut manager = house.manager();
    let mut without = manager.clone();
    without.token = None;
    let refused = without.post("/api/v1/facts/x/void", &json!({ "reason": "r" }));
    assert_eq!(
        (refused.status, refused.json()["code"].clone()),
        (403, json!("token"))
    );
    assert_eq!(
        without
            .form("/people", "badge=X&name=X&role=operator&pin=8052")
            .status,
        403
    );
    assert_eq!(without.form("/sign-out", "").status, 403);
    assert_eq!(manager.get("/today").status, 200, "still signed in");
    manager.token = Some("forged".to_owned());
    assert_eq!(
        manager
            .form(
                "/me",
                "tongue=de&weight=kg&temperature=C&theme=dark&hand=left"
            )
            .status,
        403
    );
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn cookies_and_headers_keep_other_pages_out() {
    let house = House::start().await;
    let mut browser = house.browser();
    let body = json!({ "badge": "M1", "pin": "407193" });
    let answer = browser.post("/api/v1/session", &body);
    let cookie = &answer.headers["set-cookie"];
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    browser.token = Some(answer.json()["token"].as_str().unwrap().to_owned());
    let page = browser.get("/today");
    let policy = &page.headers["content-security-policy"];
    assert!(
        policy.contains("default-src 'none'") && !policy.contains("unsafe"),
        "{policy}"
    );
    for inline in ["<style", " style=", " onclick=", "javascript:"] {
        assert!(!page.text.contains(inline), "{inline}");
    }
    // A script without a file would be an inline one.
    assert_eq!(
        page.text.matches("<script").count(),
        page.text.matches("<script src=").count()
    );
    assert_eq!(page.headers["x-content-type-options"], "nosniff");
    assert_eq!(page.headers["cache-control"], "no-store");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_pins_lock_a_badge_whether_or_not_it_exists_nobody_learns_more() {
    let house = House::start().await;
    house.admit("O1", "operator", "8052");
    let mut browser = house.browser();
    let mut tried = |badge: &str, pin: &str| {
        let body = json!({ "badge": badge, "pin": pin });
        let answer = browser.post("/api/v1/session", &body);
        (
            answer.status,
            answer.json()["code"].clone(),
            answer.json()["words"].clone(),
        )
    };
    let unknown = tried("NOBODY", "1111");
    assert_eq!(tried("O1", "1111"), unknown);
    for _ in 0..3 {
        assert_eq!(tried("O1", "1111").0, 401);
    }
    assert_eq!(tried("O1", "1111").1, "locked");
    assert_eq!(tried("O1", "8052").1, "locked", "even with the right PIN");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_in_leads_back_to_where_one_was_and_never_elsewhere() {
    let house = House::start().await;
    for (next, to) in [
        ("/wheels/311-01", "/wheels/311-01"),
        ("//elsewhere.example", "/"),
        ("https://elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
    ] {
        let form = format!("badge=M1&pin=407193&next={next}");
        let answer = house.browser().form("/sign-in", &form);
        assert_eq!(answer.status, 303, "{}", answer.text);
        assert_eq!(answer.headers["location"], to, "{next}");
    }
    house.end().await;
}

/// A name is one device's: another that takes it would silence the first.
#[tokio::test(flavor = "multi_thread")]
async fn a_station_name_that_a_device_has_is_not_given_to_another() {
    let house = House::start().await;
    let mut first = house.tablet("tablet-1", "M1", "407193");
    let mut other = house.manager();
    let refused = other.form("/stations", "station=TABLET-1&name=There");
    assert_eq!(refused.status, 409, "{}", refused.text);
    assert_eq!(first.scan("tablet-1", 1, "A.TURN").status, 200);
    // The device itself may be named anew, and one that was sent away leaves its name.
    assert_eq!(
        first
            .form("/stations", "station=tablet-1&name=Here+now")
            .status,
        303
    );
    assert_eq!(
        other.form("/stations/send-away", "station=tablet-1").status,
        303
    );
    assert_eq!(
        other
            .form("/stations", "station=tablet-1&name=There")
            .status,
        303
    );
    house.end().await;
}
