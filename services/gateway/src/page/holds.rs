//! Holds over a batch, a lot or wheels: what stands, placing one, ending one.
//!
//! Placing a hold is for everyone who works here; ending one is a manager's act, with a
//! reason. The records worker holds again what somebody let go whom the dairy's safety file
//! does not name.

use std::collections::BTreeSet;

use axum::extract::{Query, State};
use axum::response::Response;
use chrono::{DateTime, Utc};
use facts::{BatchId, Event, HoldId, HoldLifted, HoldPlaced, LotId, Scope, WheelId, WheelReleased};
use maud::{Markup, html};
use names::{Kind, UnknownName};
use records::{Caution, InScope, KNOWN};
use serde::Deserialize;

use super::frame::{Frame, Here, is_manager, token};
use super::{Gate, looking, say, see};
use crate::api::words;
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::trouble::Trouble;
use crate::words::Tongue;

/// A hold as the records worker tells it.
#[derive(Debug, Deserialize)]
struct Standing {
    hold: HoldId,
    scope: Scope,
    reason: String,
    placed_at: DateTime<Utc>,
    kept: Vec<WheelId>,
    let_go: Vec<WheelId>,
    owed: Vec<WheelId>,
    released_without_right: Vec<WheelId>,
}

#[derive(Debug, Default, Deserialize)]
pub struct Begun {
    #[serde(default)]
    what: String,
    #[serde(default)]
    code: String,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Query(begun): Query<Begun>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let standing: Vec<Standing> = gateway.ask("holds", &()).await?;
    let choice = |value: &str| {
        let chosen = begun.what == value || (value == "lot" && begun.what.is_empty());
        html! { label {
            input type="radio" name="what" value=(value) checked[chosen];
            span { (t.say(&format!("recall-{value}"))) }
        } }
    };
    let content = html! {
        p { (t.say("holds-words")) }
        p.hint { (say::core(t, Caution::Mycotoxins.words())) }
        @if standing.is_empty() { p.empty { (t.say("holds-none")) } }
        @for hold in &standing { (card(&gateway, &visitor, t, hold)) }
        @if visitor.recorder().is_ok() {
            h2 { (t.say("holds-new")) }
            form.card method="post" action="/holds" {
                (token(&visitor))
                label { (t.say("holds-code")) input name="hold" required maxlength="20" spellcheck="false"; }
                fieldset.choice { legend { (t.say("recall-what")) }
                    @for value in ["lot", "batch", "wheel"] { (choice(value)) }
                }
                label { (t.say("recall-code")) input name="code" value=(begun.code) required maxlength="60" spellcheck="false"; }
                label { (t.say("holds-reason")) input name="reason" required maxlength="500"; }
                label.check { input type="checkbox" name="not_yet" value="yes"; " " (t.say("holds-not-yet")) }
                button.primary type="submit" { (t.say("holds-place")) }
            }
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("holds-title"), Here::Find).draw(&content))
}

fn card(gateway: &Gateway, visitor: &Visitor, t: Tongue, hold: &Standing) -> Markup {
    let list = |wheels: &[WheelId]| {
        let shown: Vec<String> = wheels.iter().take(30).map(ToString::to_string).collect();
        html! {
            (shown.join(", "))
            @if wheels.len() > 30 { " " (t.with("more", [("count", (wheels.len() - 30).into())])) }
        }
    };
    html! {
        article.alert-card {
            (super::icon::level("held"))
            div {
                h3 { (hold.hold) " · " (say::core(t, &hold.scope.to_string())) }
                p { (hold.reason) " · " (t.with("alerts-since", [("time", say::time(gateway, hold.placed_at).into())])) }
                p { strong { (t.with("holds-kept", [("count", hold.kept.len().into())])) } " " (list(&hold.kept)) }
                @if !hold.owed.is_empty() { p { (t.with("holds-owed", [("count", hold.owed.len().into())])) } }
                @if !hold.let_go.is_empty() { p { (t.with("holds-let-go", [("count", hold.let_go.len().into())])) " " (list(&hold.let_go)) } }
                @if !hold.released_without_right.is_empty() {
                    p { (t.with("holds-no-right", [("count", hold.released_without_right.len().into())])) }
                }
                @if is_manager(visitor) {
                    details {
                        summary { (t.say("holds-end")) }
                        form.card method="post" action="/holds/end" {
                            (token(visitor))
                            input type="hidden" name="hold" value=(hold.hold);
                            p { (t.say("holds-end-words")) }
                            label { (t.say("holds-reason")) input name="reason" required maxlength="500"; }
                            button.danger type="submit" { (t.say("holds-end-do")) }
                        }
                    }
                }
            }
        }
    }
}

#[derive(Debug, Deserialize)]
pub struct Placed {
    hold: String,
    what: String,
    code: String,
    reason: String,
    /// It is not in the books yet: hold it all the same.
    #[serde(default)]
    not_yet: Option<String>,
}

pub async fn place(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Placed>,
) -> Result<Response, Trouble> {
    let badge = visitor.recorder()?.account.badge;
    let bad = |reason: facts::BadCode| Trouble::bad(reason.to_string());
    let code = form.code.trim();
    let mut scope = match form.what.as_str() {
        "batch" => Scope::Batch(BatchId::new(code).map_err(bad)?),
        "wheel" => Scope::Wheels(vec![WheelId::new(code).map_err(bad)?]),
        _ => Scope::Lot(LotId::new(code).map_err(bad)?),
    };
    if form.not_yet.is_none() {
        scope = gateway.ask::<InScope>(KNOWN, &scope).await?.scope;
    }
    let placed = HoldPlaced {
        hold: HoldId::new(form.hold.trim()).map_err(bad)?,
        scope,
        reason: words(&form.reason, "a reason")?,
        cause: None,
    };
    gateway.state(badge, vec![placed.into()]).await?;
    Ok(see("/holds"))
}

#[derive(Debug, Deserialize)]
pub struct Ended {
    hold: HoldId,
    reason: String,
}

pub async fn end(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Ended>,
) -> Result<Response, Trouble> {
    let badge = visitor.manager()?.account.badge;
    let reason = words(&form.reason, "a reason")?;
    let standing: Vec<Standing> = gateway.ask("holds", &()).await?;
    let codes: Vec<String> = standing.iter().map(|hold| hold.hold.to_string()).collect();
    if standing.iter().all(|hold| hold.hold != form.hold) {
        return Err(UnknownName::among(Kind::Hold, form.hold, codes).into());
    }
    let over = standing.into_iter().filter(|hold| hold.hold == form.hold);
    let kept: BTreeSet<WheelId> = over.flat_map(|hold| hold.kept).collect();
    let mut events: Vec<Event> = vec![
        HoldLifted {
            hold: form.hold,
            reason: reason.clone(),
        }
        .into(),
    ];
    if !kept.is_empty() {
        let released = WheelReleased {
            wheels: kept.into_iter().collect(),
            hold: form.hold,
            reason,
        };
        events.push(released.into());
    }
    gateway.state(badge, events).await?;
    Ok(see("/holds"))
}
