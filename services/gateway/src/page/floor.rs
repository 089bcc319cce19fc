//! The rooms drawn, with what stands in them and what it needs: now, on an earlier day, or
//! on a day to come if nothing is done until then.

use std::collections::BTreeMap;

use axum::extract::{Query, State as Shared};
use chrono::TimeDelta;
use facts::{Carrier, RoomId};
use maud::{Markup, html};
use names::Kind;
use quantity::{DairyDay, calendar};
use ripening::Urgency;
use ripening::answer::{Place, Places};
use scheduler::PLACES;
use serde::Deserialize;

use super::frame::{Frame, Here};
use super::{Gate, looking, pager, say};
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// Days that can be looked back, and ahead.
const BACK: i64 = 7;
const AHEAD: i64 = 14;

/// How many wheels that were never portioned are named.
const STRAYS: usize = 50;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// Days from now: back below 0.
    #[serde(default)]
    days: i64,
    /// A room, of which the places from this one on are shown; of the others, the first.
    #[serde(default)]
    room: String,
    #[serde(default)]
    from: usize,
}

/// What stands in no room, as `room` names it: no room's code has a '.'.
const HOOPS: &str = "hoops.";
const BETWEEN: &str = "between.";

type Rooms = BTreeMap<(Option<RoomId>, bool), Vec<Place>>;

pub async fn page(
    Shared(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    if !["", HOOPS, BETWEEN].contains(&asked.room.as_str()) {
        gateway.named(Kind::Room, &asked.room).await?;
    }
    let days = asked.days.clamp(-BACK, AHEAD);
    let then = calendar::later(gateway.now(), TimeDelta::days(days));
    let Places { places, strays } = gateway.ask(PLACES, &days).await?;
    let mut rooms = Rooms::new();
    for place in places {
        rooms
            .entry((place.room, place.hooped))
            .or_default()
            .push(place);
    }
    let none = Vec::new();
    let hoops = rooms.get(&(None, true)).unwrap_or(&none);
    let between = rooms.get(&(None, false)).unwrap_or(&none);
    let clock = gateway.site().clock;
    let time = || [("time", say::time(&gateway, then).into())];
    let part = |room: &str| {
        let from = if asked.room == room { asked.from } else { 0 };
        let room = room.to_owned();
        (from, move |from| {
            format!("/floor?days={days}&room={room}&from={from}")
        })
    };
    let content = html! {
        form.when method="get" {
            label for="days" { (t.say("floor-when")) }
            input id="days" name="days" type="range" min=(-BACK) max=(AHEAD) value=(days) list="weeks";
            datalist id="weeks" { @for week in [-BACK, 0, 7, AHEAD] { option value=(week) {} } }
            // The day that the slider stands on: a script writes it while it is moved.
            output for="days" data-days=(all_days(t, clock.day_of(gateway.now()))) {
                (say::day(t, clock.day_of(then)))
            }
            button type="submit" { (t.say("floor-show")) }
            @if days != 0 { a.button href="/floor" { (t.say("floor-now")) } }
        }
        @if days < 0 { p.then { (t.with("floor-then", time())) } }
        @if days > 0 { p.then { (t.with("floor-ahead", time())) } }
        p.legend {
            @for late in [Urgency::Ahead, Urgency::Due, Urgency::Overdue, Urgency::Missed] {
                span { span.stand.(say::class(late)) {} (say::urgency(t, late)) }
            }
            span { span.stand.held {} (t.say("held")) }
        }
        @if rooms.is_empty() { p.empty { (t.say("floor-empty")) } }
        @if !hoops.is_empty() { (draw(t, &t.say("floor-hoops"), &none, hoops, None, part(HOOPS))) }
        @for room in &gateway.site().rooms {
            @let stands = rooms.get(&(Some(room.id), false)).unwrap_or(&none);
            @let hooped = rooms.get(&(Some(room.id), true)).unwrap_or(&none);
            (draw(t, &format!("{} · {}", room.id, room.name), stands, hooped, Some(room.positions), part(room.id.as_str())))
        }
        @if !between.is_empty() { (draw(t, &t.say("floor-between"), between, &none, None, part(BETWEEN))) }
        @if !strays.is_empty() {
            h2 { (t.with("floor-strays", [("count", strays.len().into())])) }
            p.hint { (t.say("floor-strays-words")) }
            p { @for wheel in strays.iter().take(STRAYS) { a href=(format!("/wheels/{wheel}")) { (wheel) } " " } }
        }
    };
    let title = t.say("nav-floor");
    let frame = Frame::new(&gateway, &visitor, title, Here::Floor);
    let frame = if days == 0 { frame.live() } else { frame };
    Ok(frame.draw(&content))
}

/// Every day that can be chosen, in words, the earliest first.
fn all_days(t: Tongue, today: DairyDay) -> String {
    let days = (-BACK..=AHEAD).map(|days| say::day(t, today.plus(days)));
    days.collect::<Vec<_>>().join("|")
}

/// A room: what stands in places, then what drains in hoops; a stack takes a place as well.
fn draw(
    t: Tongue,
    name: &str,
    stands: &[Place],
    hooped: &[Place],
    positions: Option<u32>,
    (from, address): (usize, impl Fn(usize) -> String),
) -> Markup {
    let count = |stands: &[Place]| stands.iter().map(|s| s.wheels).sum::<usize>();
    let draining = count(hooped);
    let wheels = count(stands) + draining;
    let taken = u32::try_from(stands.len() + hooped.len()).unwrap_or(u32::MAX);
    let free = positions.map_or(0, |positions| positions.saturating_sub(taken));
    let mut stands: Vec<_> = stands.iter().collect();
    stands.sort_by_key(|stand| (stand.position.is_none(), stand.position, stand.carrier));
    stands.extend(hooped);
    html! {
        section.room-drawn {
            h2 { (name) }
            p.hint {
                (say::wheels(t, wheels))
                @if draining > 0 { " · " (t.with("floor-draining", [("count", draining.into())])) }
                @if let Some(positions) = positions {
                    " · " (t.with("floor-places", [("taken", taken.into()), ("of", positions.into())]))
                }
            }
            ul.places {
                @for stand in pager::part(&stands, from) { li { (drawn(t, stand)) } }
                @if free > 0 { li.free { (t.with("floor-free", [("count", free.into())])) } }
            }
            (pager::links(t, from, stands.len(), address))
        }
    }
}

fn drawn(t: Tongue, stand: &Place) -> Markup {
    let late = stand
        .worst
        .as_ref()
        .map_or(Urgency::Ahead, |(late, _)| *late);
    let held = stand.held > 0;
    let inside = html! {
        span.label {
            strong {
                @match stand.carrier {
                    Some(Carrier::Hoop(id)) => (id),
                    Some(Carrier::Stack(id)) => (id),
                    Some(Carrier::Stillage(id)) => (id),
                    None => (t.say("floor-loose")),
                }
            }
            @if let Some(position) = stand.position { small { (position) } }
            small { (say::wheels(t, stand.wheels)) }
            @if let Some((late, action)) = &stand.worst {
                small { (say::deed(t, action)) ": " (say::urgency(t, *late)) }
            }
            @if held { small { (t.with("floor-held", [("count", stand.held.into())])) } }
        }
    };
    match stand.carrier {
        Some(carrier) => html! {
            a.stand.(say::class(late)).held[held] href=(say::stand_path(carrier)) { (inside) }
        },
        None => html! { div.stand.(say::class(late)).held[held] { (inside) } },
    }
}
