//! The day: everyone's walk, what slipped, what is at risk.

use std::collections::BTreeMap;

use axum::extract::{Query, State};
use facts::{PersonId, RoomId};
use maud::{Markup, html};
use plan::{Plan, RollCall, Stop};
use ripening::Urgency;
use ripening::answer::{Due, DueQuery};
use scheduler::{DAY, Day};
use serde::Deserialize;

use super::frame::{Frame, Here};
use super::{Gate, icon, looking, pager, say};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// Lines of trouble shown before they are only counted.
const SHOWN: usize = 12;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// The first line of what is due.
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
    let day: Day = gateway.ask(DAY, &()).await?;
    let content = match &day.plan {
        Some(plan) => {
            let me = visitor.signed.as_ref().map(|s| s.account.badge);
            // What no walk is planned for, such as a wheel to look into, is asked all the same.
            let walked = plan.stops.iter().any(|stop| stop.day == plan.from);
            let due: Option<Due> = match walked {
                true => None,
                false => Some(gateway.ask("due", &DueQuery::default()).await?),
            };
            let due = due.filter(|due| !due.lines.is_empty());
            html! {
                @match &due {
                    Some(due) => (due_list(&gateway, t, due, from)),
                    None => (walks(&gateway, t, plan, me)),
                }
                div.two {
                    section { (slipped(&gateway, t, &day.missed)) }
                    section { (risks(t, plan)) }
                }
                (load(t, plan))
                p.hint { (t.say("today-advises")) }
            }
        }
        None => {
            let due: Due = gateway.ask("due", &DueQuery::default()).await?;
            html! {
                @match &day.trouble {
                    Some(trouble) => div.plain-trouble { (icon::level("wrong")) p { (t.say("today-crew-wrong")) " " (say::core(t, trouble)) } },
                    None => p.hint { (t.say("today-no-crew")) },
                }
                (due_list(&gateway, t, &due, from))
                (slipped(&gateway, t, &day.missed))
            }
        }
    };
    let title = t.say("nav-today");
    Ok(Frame::new(&gateway, &visitor, title, Here::Today)
        .live()
        .draw(&content))
}

fn room_name(gateway: &Gateway, t: Tongue, room: Option<RoomId>) -> String {
    match room {
        None => t.say("room-none"),
        Some(id) => match gateway.site().room(id) {
            Some(room) => format!("{id} · {}", room.name),
            None => id.to_string(),
        },
    }
}

fn walks(gateway: &Gateway, t: Tongue, plan: &Plan, me: Option<PersonId>) -> Markup {
    let mut walks: BTreeMap<PersonId, Vec<&Stop>> = BTreeMap::new();
    for stop in plan.stops.iter().filter(|stop| stop.day == plan.from) {
        walks.entry(stop.person).or_default().push(stop);
    }
    let named = |badge: PersonId| {
        let account = gateway.people().account(badge);
        account.map_or_else(|| badge.to_string(), |a| format!("{} ({badge})", a.name))
    };
    let mine = me.is_some_and(|me| walks.contains_key(&me));
    html! {
        h2 { (t.with("today-plan", [("day", say::day(t, plan.from).into())])) }
        @if walks.is_empty() { p.empty { (t.say("today-nothing")) } }
        @for (nth, (badge, stops)) in walks.iter().enumerate() {
            @let minutes: f64 = stops.iter().map(|stop| stop.minutes).sum();
            details.walk id={ "walk-" (badge) } open[me == Some(*badge) || (nth == 0 && !mine)] {
                summary {
                    (named(*badge)) " · "
                    (t.with("today-stops", [("count", stops.len().into()), ("minutes", minutes.ceil().into())]))
                }
                @for chunk in stops.chunk_by(|a, b| a.room == b.room) {
                    @let room = chunk.first().and_then(|stop| stop.room);
                    @let hooped = chunk.iter().all(|stop| !matches!(stop.carrier, Some(facts::Carrier::Stillage(_))));
                    h3.room { @if room.is_none() && hooped { (t.say("floor-hoops")) } @else { (room_name(gateway, t, room)) } }
                    ol { @for stop in chunk { (stop_line(t, plan, stop)) } }
                }
            }
        }
    }
}

fn stop_line(t: Tongue, plan: &Plan, stop: &Stop) -> Markup {
    let wheels = if stop.wheels.len() == stop.of {
        say::wheels(t, stop.of)
    } else {
        t.with(
            "wheels-of",
            [("count", stop.wheels.len().into()), ("of", stop.of.into())],
        )
    };
    let urgency = if stop.due < stop.day {
        Urgency::Overdue
    } else if stop.due == plan.from {
        Urgency::Due
    } else {
        Urgency::Ahead
    };
    html! {
        li.stop-line {
            span.on {
                @if let Some(carrier) = stop.carrier {
                    a href=(say::stand_path(carrier)) { (short(carrier)) }
                }
                @if let Some(position) = stop.position { " " small { (position) } }
            }
            span {
                strong { (t.say(&format!("kind-{}", stop.kind.key()))) }
                @if let Some(to) = stop.to { " → " (to) }
                " · " (wheels)
                @if let Some(batch) = stop.batch { " · " a href={ "/batches/" (batch) } { (batch) } }
            }
            (say::mark(t, urgency))
            p.why { (say::core(t, &stop.because)) }
        }
    }
}

fn short(carrier: facts::Carrier) -> String {
    match carrier {
        facts::Carrier::Hoop(id) => id.to_string(),
        facts::Carrier::Stack(id) => id.to_string(),
        facts::Carrier::Stillage(id) => id.to_string(),
    }
}

fn slipped(gateway: &Gateway, t: Tongue, call: &RollCall) -> Markup {
    html! {
        h2 { (t.say("today-slipped")) }
        @if call.missed.is_empty() {
            p.empty { (t.say(if call.last_day_counts { "today-slipped-none" } else { "today-slipped-yet" })) }
        } @else {
            ul.list {
                @for line in call.missed.iter().take(SHOWN) {
                    li {
                        span.mark.missed { (t.say("urgency-missed")) } " "
                        strong { (say::deed(t, &line.work)) } " · "
                        @if let Some(carrier) = line.carrier {
                            a href=(say::stand_path(carrier)) { (say::stand(t, carrier)) } " · "
                        }
                        (room_name(gateway, t, line.room)) " · "
                        (t.with("wheels-of", [("count", line.wheels.len().into()), ("of", line.of.into())]))
                    }
                }
            }
            @if call.missed.len() > SHOWN { p { (t.with("more", [("count", (call.missed.len() - SHOWN).into())])) } }
        }
    }
}

fn risks(t: Tongue, plan: &Plan) -> Markup {
    let quiet = plan.unmet.is_empty() && plan.postponed.is_empty() && plan.lifting.is_empty();
    html! {
        h2 { (t.say("today-risk")) }
        @if quiet { p.empty { (t.say("today-risk-none")) } }
        @if !plan.unmet.is_empty() {
            h3 { (icon::level("wrong")) " " (t.say("today-unmet")) }
            ul.list { @for unmet in plan.unmet.iter().take(SHOWN) { li { (say::core(t, &unmet.words)) } } }
            @if plan.unmet.len() > SHOWN { p { (t.with("more", [("count", (plan.unmet.len() - SHOWN).into())])) } }
        }
        @if !plan.fixes.is_empty() {
            h3 { (t.say("today-fixes")) }
            ul.list { @for fix in &plan.fixes {
                li { (say::core(t, &fix.words))
                    @if fix.saves > 0 { " · " (t.with("today-saves", [("count", fix.saves.into())])) }
                }
            } }
        }
        @if !plan.postponed.is_empty() {
            h3 { (t.say("today-postponed")) }
            ul.list { @for postponed in plan.postponed.iter().take(SHOWN) { li { (say::core(t, &postponed.words)) } } }
            @if plan.postponed.len() > SHOWN { p { (t.with("more", [("count", (plan.postponed.len() - SHOWN).into())])) } }
        }
        @if !plan.lifting.is_empty() {
            h3 { (t.say("today-lifting")) }
            ul.list { @for line in plan.lifting.iter().take(pager::ROWS) { li { (say::core(t, &line.words)) } } }
        }
        @if !plan.waiting.is_empty() {
            details id="waiting" {
                summary { (t.with("today-waiting", [("count", plan.waiting.len().into())])) }
                ul.list { @for wait in plan.waiting.iter().take(pager::ROWS) {
                    li {
                        strong { (t.say(&format!("kind-{}", wait.kind.key()))) } " · " (say::wheels(t, wait.wheels))
                        @if let Some(carrier) = wait.carrier { " · " (say::stand(t, carrier)) }
                        " · " (say::core(t, &wait.because))
                    }
                } }
                @if plan.waiting.len() > pager::ROWS { p { (t.with("more", [("count", (plan.waiting.len() - pager::ROWS).into())])) } }
            }
        }
    }
}

fn load(t: Tongue, plan: &Plan) -> Markup {
    html! {
        h2 { (t.say("today-ahead")) }
        div.scroll {
            table.load {
                thead { tr {
                    th scope="col" { (t.say("today-day")) } th scope="col" { (t.say("today-work")) } th scope="col" { "" }
                } }
                tbody { @for day in &plan.load { tr {
                    th scope="row" { (say::day(t, day.day)) }
                    td.n { (t.with("minutes-of", [("minutes", day.minutes.into()), ("of", day.of.into())])) }
                    td { meter min="0" max=(day.of.max(1)) value=(day.minutes) high=(day.of * 9 / 10) aria-hidden="true" {} }
                } } }
            }
        }
    }
}

fn due_list(gateway: &Gateway, t: Tongue, due: &Due, from: usize) -> Markup {
    html! {
        h2 { (t.say("today-due")) }
        @if due.lines.is_empty() { p.empty { (t.say("today-nothing")) } }
        ol.list {
            @for line in pager::part(&due.lines, from) {
                li.stop-line {
                    span.on { @if let Some(carrier) = line.carrier { a href=(say::stand_path(carrier)) { (short(carrier)) } } }
                    span {
                        strong { (say::deed(t, &line.action)) } " · " (say::wheels(t, line.wheels.len()))
                        " · " (room_name(gateway, t, line.room))
                    }
                    (say::mark(t, line.urgency))
                    p.why { (say::core(t, &line.because)) }
                }
            }
        }
        (pager::links(t, from, due.lines.len(), |from| format!("/today?from={from}")))
    }
}
