//! What people should know now, and what they say about it.

use std::collections::BTreeMap;

use axum::extract::{Query, State};
use axum::response::Response;
use bus::telling::{Message, Severity};
use maud::{Markup, html};
use ripening::answer::{AlertLine, FloorPicture};
use ripening::{Level, Subject};
use scheduler::SaidOf;
use serde::Deserialize;

use super::frame::{Frame, Here, token};
use super::{Gate, icon, looking, pager, say, see};
use crate::api;
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// What people said, by alert.
type Said = BTreeMap<String, Vec<SaidOf>>;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// The first of the alerts shown.
    #[serde(default)]
    from: usize,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(Asked { from }) = asked.map_err(|bad| unfit(&bad))?;
    let told = gateway.told().open();
    // What workers told is shown also when the one that knows the floor is what fell over.
    let picture = gateway.ask::<FloorPicture>("floor", &()).await;
    let picture = match picture {
        Ok(picture) => picture,
        Err(trouble) if told.is_empty() => return Err(trouble),
        Err(trouble) => {
            let content = html! {
                @for message in &told { (told_card(&gateway, &visitor, t, message, &Said::new())) }
                div.plain-trouble { (icon::level("stop")) p { (t.say("alerts-floor-away")) " " (say::trouble(t, &trouble)) } }
            };
            let frame = Frame::new(&gateway, &visitor, t.say("nav-alerts"), Here::Alerts);
            return Ok(frame.live().draw(&content));
        }
    };
    let of_floor = picture.alerts.iter().filter_map(|line| line.alert.clone());
    let of_workers = told.iter().map(|message| message.telling.alert.clone());
    let names: Vec<String> = of_floor.chain(of_workers).collect();
    let said = &api::said_of(&gateway, &names).await?;
    let content = html! {
        @if picture.missing_facts > 0 {
            div.plain-trouble { (icon::level("stop")) p { (t.with("alerts-missing", [("count", picture.missing_facts.into())])) } }
        }
        @if picture.alerts.is_empty() && told.is_empty() { p.empty { (t.say("alerts-none")) } }
        // What workers told first: it is little, and may be much worse than a late turn.
        @if from == 0 { @for message in &told { (told_card(&gateway, &visitor, t, message, said)) } }
        @for alert in pager::part(&picture.alerts, from) { (card(&gateway, &visitor, t, alert, said)) }
        (pager::links(t, from, picture.alerts.len(), |from| format!("/alerts?from={from}")))
        @let more = picture.alerts_in_all.saturating_sub(picture.alerts.len());
        @if more > 0 { p { (t.with("more", [("count", more.into())])) } }
    };
    Ok(
        Frame::new(&gateway, &visitor, t.say("nav-alerts"), Here::Alerts)
            .live()
            .draw(&content),
    )
}

fn card(gateway: &Gateway, visitor: &Visitor, t: Tongue, alert: &AlertLine, said: &Said) -> Markup {
    let worse = alert.level == Level::Escalated;
    html! {
        article.alert-card {
            (icon::level(if worse { "stop" } else { "wrong" }))
            div {
                p.big {
                    @if let Some(path) = path(alert.subject) { a href=(path) { (alert.subject) } }
                    @else { (alert.subject) }
                    " · " (say::core(t, &alert.words))
                }
                p {
                    @if worse { span.mark.missed { (t.say("alerts-worse")) } " " }
                    @if alert.wheels > 0 { (say::wheels(t, alert.wheels)) }
                    @if let Some(since) = alert.since { " · " (t.with("alerts-since", [("time", say::time(gateway, since).into())])) }
                }
                @if let Some(name) = &alert.alert { (what_people_say(gateway, visitor, t, name, said)) }
            }
        }
    }
}

/// Something that a worker has told.
fn told_card(
    gateway: &Gateway,
    visitor: &Visitor,
    t: Tongue,
    message: &Message,
    said: &Said,
) -> Markup {
    let telling = &message.telling;
    let worst = telling.severity == Severity::Alarm;
    html! {
        article.alert-card {
            (icon::level(if worst { "stop" } else { "wrong" }))
            div {
                p.big { (say::core(t, &telling.text)) }
                p { (t.with("alerts-since", [("time", say::time(gateway, message.since).into())])) }
                (what_people_say(gateway, visitor, t, &telling.alert, said))
            }
        }
    }
}

/// What people have said of an alert, and where to say more.
fn what_people_say(
    gateway: &Gateway,
    visitor: &Visitor,
    t: Tongue,
    alert: &str,
    said: &Said,
) -> Markup {
    let said = said.get(alert).map_or(&[][..], Vec::as_slice);
    html! {
        @for said in said {
            @let who = said.person.map(|badge| gateway.people().account(badge).map_or_else(|| badge.to_string(), |a| a.name));
            p { span.mark.good { (t.say("alerts-seen")) } " "
                (who.unwrap_or_default()) ", " (say::time(gateway, said.at)) ": " q { (said.note) } }
        }
        @if may_say(visitor) {
            details.asks {
                summary { (t.say(if said.is_empty() { "alerts-acknowledge" } else { "alerts-again" })) }
                form.card method="post" action="/alerts" {
                    (token(visitor))
                    input type="hidden" name="alert" value=(alert);
                    label { (t.say("alerts-note")) input name="note" required maxlength="500"; }
                    button.primary type="submit" { (t.say("alerts-do")) }
                }
            }
        }
    }
}

fn may_say(visitor: &Visitor) -> bool {
    visitor.recorder().is_ok()
}

fn path(subject: Subject) -> Option<String> {
    Some(match subject {
        Subject::Stillage(id) => format!("/stands/stillage/{id}"),
        Subject::Stack(id) => format!("/stands/stack/{id}"),
        Subject::Wheel(id) => format!("/wheels/{id}"),
        Subject::Batch(id) => format!("/batches/{id}"),
        Subject::Room(_) => "/rooms".to_owned(),
        Subject::Tool(_) | Subject::Station(_) => return None,
    })
}

#[derive(Debug, Deserialize)]
pub struct Noted {
    alert: String,
    note: String,
}

pub async fn acknowledge(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Noted>,
) -> Result<Response, Trouble> {
    api::acknowledge_alert(&gateway, &visitor, &form.alert, &form.note).await?;
    Ok(see("/alerts"))
}
