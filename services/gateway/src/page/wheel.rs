//! A wheel's life as one line, what it needs next and why, and how a record is corrected.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use facts::{FactId, WheelId};
use maud::{Markup, html};
use ripening::answer::{Happened, LifeLine, NextLine, WheelLife};
use scheduler::HAPPENED;
use serde::Deserialize;

use super::frame::{Frame, Here, may_correct, token};
use super::{Gate, forecast, icon, life, looking, say, see};
use crate::api;
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

#[derive(Debug, Default, Deserialize)]
pub struct Shown {
    /// Whether what was corrected is shown as well.
    #[serde(default)]
    pub all: bool,
    /// The first wheel of a batch shown.
    #[serde(default)]
    pub from: usize,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Path(wheel): Path<String>,
    shown: Result<Query<Shown>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(shown) = shown.map_err(|bad| unfit(&bad))?;
    let id = WheelId::new(&wheel).map_err(|bad| Trouble::bad(bad.to_string()))?;
    let life: WheelLife = gateway.ask("wheel", &id).await?;
    let id = life.wheel.wheel;
    let happened: Vec<Happened> = gateway.ask(HAPPENED, &id).await?;
    let expected = forecast::of_wheel(&gateway, t, id).await;
    let title = t.with("wheel-title", [("wheel", id.to_string().into())]);
    let content = html! {
        (standing(&gateway, &visitor, t, &life))
        (next(&gateway, t, &life.next))
        h2 { (t.say("wheel-life")) }
        (life::line(&gateway, t, &happened))
        (life::measures(&gateway, t, &happened))
        (expected)
        (corrected(t, &life.life, shown.all, &format!("/wheels/{id}")))
        ol.list reversed {
            @for line in life.life.iter().rev().filter(|line| shown.all || line.voided.is_none()) {
                (record(&gateway, &visitor, t, &format!("/wheels/{id}"), line))
            }
        }
    };
    Ok(Frame::new(&gateway, &visitor, title, Here::Nowhere)
        .live()
        .draw(&content))
}

fn standing(gateway: &Gateway, visitor: &Visitor, t: Tongue, life: &WheelLife) -> Markup {
    let row = &life.wheel;
    let wishes = visitor.wishes();
    let tile = |key: &str, value: Markup| {
        html! { div.tile { (t.say(key)) strong { (value) } } }
    };
    html! {
        @if !row.holds.is_empty() {
            div.plain-trouble {
                (icon::level("held"))
                p.big {
                    (t.say("wheel-held")) " "
                    @for hold in &row.holds { strong { (hold) } " " }
                }
            }
        }
        @for flag in &row.flags {
            div.plain-trouble { (icon::level("wrong")) p { (say::core(t, flag.kind.words())) } }
        }
        @if row.dispatched { p.big { (t.say("wheel-dispatched")) } }
        @if row.discarded { p.big { (t.say("wheel-discarded")) } }
        div.tiles {
            @if let Some(age) = life.age_days { (tile("age", html! { (t.with("days", [("count", age.into())])) })) }
            @if let Some(batch) = row.batch { (tile("batch", html! { a href={ "/batches/" (batch) } { (batch) } })) }
            @if let Some(room) = row.room {
                (tile("room", html! { (room) @if let Some(room) = gateway.site().room(room) { " · " (room.name) } }))
            }
            @if let Some(carrier) = row.carrier {
                (tile("stands", html! { a href=(say::stand_path(carrier)) { (say::stand(t, carrier)) } }))
            }
            @if let Some(grams) = row.weight_g { (tile("weight", html! { (units::weight(wishes, f64::from(grams))) })) }
            (tile("turns", html! { (row.turns) small { (say::face(t, row.face_up)) } }))
            @if let Some(cover) = row.rind_cover_pct { (tile("rind", html! { (cover) " %" })) }
            @if let Some(blue) = row.blue_coverage_pct { (tile("blue", html! { (blue) " %" })) }
            @if let Some(grade) = row.grade { (tile("grade", html! { (t.say(&format!("grade-{grade}").to_lowercase())) })) }
            @if let Some(day) = life.best_before { (tile("best-before", html! { (say::day(t, day)) })) }
        }
    }
}

fn next(gateway: &Gateway, t: Tongue, next: &[NextLine]) -> Markup {
    html! {
        h2 { (t.say("wheel-next")) }
        @if next.is_empty() { p.empty { (t.say("wheel-next-none")) } }
        @for (nth, line) in next.iter().enumerate() {
            @if nth < 3 {
                div.next-card {
                    (icon::level(if line.blocked { "held" } else { match line.urgency {
                        ripening::Urgency::Ahead | ripening::Urgency::Due => "next",
                        ripening::Urgency::Overdue => "wrong",
                        ripening::Urgency::Missed => "stop",
                    } }))
                    div {
                        p.deed { (say::deed(t, &line.action)) " " (say::mark(t, line.urgency)) }
                        p { (t.with("wheel-by", [("time", say::time(gateway, line.due).into())])) }
                        p { strong { (t.say("because")) } " " (say::core(t, &line.because)) }
                    }
                }
            }
        }
    }
}

/// One line of a record, with the way to correct it for those who may.
pub fn record(
    gateway: &Gateway,
    visitor: &Visitor,
    t: Tongue,
    back: &str,
    line: &LifeLine,
) -> Markup {
    html! {
        li id={ "f-" (line.fact) } {
            (told(gateway, t, line))
            @for flag in &line.flags { p { span.mark.missed { (say::core(t, flag)) } } }
            @if line.voided.is_none() && may_correct(visitor) {
                details.asks {
                    summary { (t.say("correct")) }
                    form.card method="post" action="/corrections" {
                        (token(visitor))
                        input type="hidden" name="fact" value=(line.fact);
                        input type="hidden" name="back" value=(back);
                        p { (t.say("correct-words")) }
                        label { (t.say("correct-reason")) input name="reason" required maxlength="500"; }
                        button.danger type="submit" { (t.say("correct-do")) }
                    }
                }
            }
        }
    }
}

/// What a record says, struck through if it was corrected, and then why.
pub fn told(gateway: &Gateway, t: Tongue, line: &LifeLine) -> Markup {
    let who = line.person.map(|badge| {
        let account = gateway.people().account(badge);
        account.map_or_else(|| badge.to_string(), |account| account.name)
    });
    html! {
        span.voided[line.voided.is_some()] {
            time datetime=(line.at.to_rfc3339()) { (line.at_local) } " · "
            strong { (say::core(t, &line.words)) }
        }
        " · " (line.station)
        @if let Some(who) = who { " · " (who) }
        @if let Some(claim) = line.claim {
            @let local = |at| gateway.site().clock.local(at);
            @let words = if claim.is_believed(line.at) { "wheel-claim" } else { "wheel-claim-not" };
            p.hint { (t.with(words, [
                ("claimed", local(claim.claimed).into()), ("received", local(claim.received).into()),
            ])) }
        }
        @if let Some(reason) = &line.voided { p { (t.say("voided")) " " (say::core(t, reason)) } }
    }
}

/// How many records were corrected, and the way to see or to hide them.
pub fn corrected(t: Tongue, life: &[LifeLine], all: bool, path: &str) -> Markup {
    let corrected = life.iter().filter(|line| line.voided.is_some()).count();
    html! {
        @if corrected > 0 {
            p {
                (t.with("wheel-corrected", [("count", corrected.into())])) " "
                @if all { a href=(path) { (t.say("wheel-corrected-hide")) } }
                @else { a href={ (path) "?all=true" } { (t.say("wheel-corrected-show")) } }
            }
        }
    }
}

#[derive(Debug, Deserialize)]
pub struct Correction {
    fact: FactId,
    reason: String,
    back: String,
}

pub async fn correct(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Correction>,
) -> Result<Response, Trouble> {
    api::void_fact(&gateway, &visitor, &form.fact.to_string(), &form.reason).await?;
    let own = form.back.starts_with("/wheels/") || form.back.starts_with("/batches/");
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '/' | '-' | '_');
    if own && form.back.chars().all(plain) {
        Ok(see(&form.back))
    } else {
        Ok(see("/today"))
    }
}
