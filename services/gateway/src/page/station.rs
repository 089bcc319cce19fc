//! The station: a scan field that never loses a scan, one big answer, what was just
//! recorded, and the action that is set.

use axum::extract::State;
use axum::http::{HeaderName, header};
use maud::{Markup, html};
use serde_json::{Map, Value, json};
use station::Action;

use super::frame::{document, may};
use super::{Gate, icon};
use crate::api;
use crate::guard::{self, Visitor};
use crate::trouble::Trouble;
use crate::words::Tongue;

/// What the page's script says by itself.
const SCRIPT_WORDS: [&str; 39] = [
    "level-ok",
    "level-next",
    "level-wrong",
    "level-stop",
    "level-wait",
    "level-again",
    "station-ready",
    "station-no-action",
    "station-sent",
    "station-waiting",
    "station-offline",
    "station-offline-asked",
    "station-unanswered",
    "station-done-after-all",
    "station-over",
    "station-offline-pin",
    "station-no-disk",
    "station-no-worker",
    "station-sign-in",
    "station-undo",
    "station-undo-until",
    "station-undone",
    "station-refused",
    "station-manager-corrects",
    "station-nothing",
    "station-kept",
    "station-given-up",
    "station-wheels-one",
    "station-wheels-many",
    "station-stop-seen",
    "station-stop-kept",
    "station-stop-gone",
    "station-pin-for",
    "station-camera-none",
    "station-camera-starts",
    "station-camera-aim",
    "station-camera-reader",
    "station-scan-first",
    "station-person-none",
];

/// Actions in the order of the work; those above the line fit under a thumb.
const KEYS: [Action; 16] = [
    Action::Turn,
    Action::Move,
    Action::Load,
    Action::Rind,
    Action::RubUp,
    Action::Unhoop,
    Action::Pierce,
    Action::Needles,
    Action::Iron,
    Action::Grade,
    Action::Hold,
    Action::Release,
    Action::Dispatch,
    Action::Return,
    Action::Discard,
    Action::Vat,
];

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
) -> Result<([(HeaderName, &'static str); 1], Markup), Trouble> {
    let t = visitor.tongue();
    let standing = api::standing(&gateway, &visitor)?;
    let signed = visitor.signed.as_ref();
    let state = json!({
        "station": standing.station,
        "person": standing.person,
        "name": signed.map(|signed| signed.account.name.clone()),
        "token": signed.map(|signed| signed.session.token.clone()),
        "action": standing.action,
        "next_seq": standing.next_seq,
        "now": standing.now,
        "zone": gateway.site().clock.zone().name(),
        "latest": standing.latest,
        "scans": signed.and_then(|signed| api::ScanKey::of(&gateway, &signed.session)),
        "words": script_words(t),
        "actions": action_words(t),
    });
    let body = html! {
        div.top {
            a.station-name href="/today" { (standing.name) }
            button.chip type="button" id="person" { (icon::sign("me")) span id="person-name" {} }
            p.link id="link" role="status" { }
        }
        main.bench id="main" tabindex="-1" {
            section.answer id="answer" data-level="idle" aria-live="assertive" aria-atomic="true" {
                div.shapes aria-hidden="true" {
                    @for level in ["ok", "next", "wait", "wrong", "stop"] { (icon::level(level)) }
                }
                p.level id="level" {}
                p.words id="words" {}
                p.detail id="detail" {}
            }
            section.recorded aria-label=(t.say("station-recorded")) {
                h2 { (t.say("station-recorded")) }
                ol id="recorded" {}
            }
            section.dock aria-label=(t.say("station-action")) {
                button.current type="button" id="current" {
                    small { (t.say("station-action")) }
                    strong id="action" {}
                }
                button.key type="button" id="numbers" { (t.say("station-numbers")) }
                button.key type="button" id="camera" hidden { (t.say("station-camera")) }
                label.field for="scan" { span { (t.say("station-field")) }
                    input id="scan" name="scan" inputmode="none" autocomplete="off" autocapitalize="off"
                        spellcheck="false" maxlength="512" enterkeyhint="send";
                }
            }
        }
        dialog id="chooser" aria-label=(t.say("station-choose")) {
            h2 { (t.say("station-choose")) }
            div.keys {
                @for action in KEYS {
                    @if action.topic().is_some_and(|topic| may(&visitor, topic)) {
                        button type="button" data-line={ "A." (action.name()) } {
                            strong { (t.say(&format!("act-{}", action.name()))) }
                        }
                    }
                }
            }
            button.close type="button" data-close { (t.say("close")) }
        }
        dialog id="pad" aria-label=(t.say("station-numbers")) {
            h2 { (t.say("station-numbers")) }
            output id="number" { }
            div.pad {
                @for key in ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "⌫"] {
                    button type="button" data-digit=(key) aria-label=[(key == "⌫").then(|| t.say("station-delete"))] { (key) }
                }
            }
            div.keys {
                @for grade in ["A", "B", "C", "REJECT"] {
                    button type="button" data-line={ "G." (grade) } { (t.say(&format!("grade-{}", grade.to_lowercase()))) }
                }
            }
            div.row {
                button.close type="button" data-close { (t.say("close")) }
                button.primary type="button" id="number-take" { (t.say("station-take")) }
            }
        }
        dialog id="pin" aria-label=(t.say("sign-in-title")) {
            h2 id="pin-title" { (t.say("sign-in-title")) }
            p id="pin-words" role="alert" {}
            label for="pin-badge" { (t.say("badge")) }
            input id="pin-badge" autocomplete="username" autocapitalize="characters" spellcheck="false" maxlength="30";
            label for="pin-digits" { (t.say("pin")) }
            input id="pin-digits" type="password" inputmode="none" autocomplete="current-password" maxlength="12";
            div.pad {
                @for key in ["1", "2", "3", "4", "5", "6", "7", "8", "9", "⌫", "0"] {
                    button type="button" data-pin=(key) aria-label=[(key == "⌫").then(|| t.say("station-delete"))] { (key) }
                }
                button.primary type="button" id="pin-go" { (t.say("sign-in")) }
            }
            button.close type="button" data-close { (t.say("close")) }
        }
        dialog.stop id="stop" aria-label=(t.say("level-stop")) {
            (icon::level("stop"))
            p.level { (t.say("level-stop")) }
            p.words id="stop-do" {}
            p.words id="stop-words" {}
            button type="button" id="stop-seen" { (t.say("station-stop-seen")) }
        }
        dialog id="elsewhere" aria-label=(t.say("station-elsewhere-title")) {
            h2 { (t.say("station-elsewhere-title")) }
            p { (t.say("station-elsewhere")) }
            button.primary type="button" id="go-on-here" { (t.say("station-go-on-here")) }
        }
        dialog id="lens" aria-label=(t.say("station-camera")) {
            p id="lens-words" role="status" {}
            video id="video" muted playsinline {}
            button.close type="button" data-close { (t.say("close")) }
        }
        data id="state" value=(state.to_string()) hidden {}
    };
    let scripts = [
        "outbox.js",
        "signer.js",
        "sound.js",
        "tabs.js",
        "there.js",
        "wedge.js",
        "receipts.js",
        "camera.js",
        "station.js",
    ];
    let page = document(&visitor, &standing.name, "station", &scripts, &body);
    let policy = (header::CONTENT_SECURITY_POLICY, guard::STATION_POLICY);
    Ok(([policy], page))
}

fn script_words(t: Tongue) -> Value {
    let words = SCRIPT_WORDS.map(|key| (key.to_owned(), Value::String(t.say(key))));
    Value::Object(Map::from_iter(words))
}

fn action_words(t: Tongue) -> Value {
    let words =
        Action::ALL.map(|(_, name, _)| (name.to_owned(), t.say(&format!("act-{name}")).into()));
    Value::Object(Map::from_iter(words))
}
