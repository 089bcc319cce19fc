//! The rooms: their air against what the cheese there wants, and how full they will be.

use axum::extract::{Query, State};
use facts::RoomId;
use maud::{Markup, html};
use names::{Kind, Known};
use plan::RoomForecast;
use quantity::DairyDay;
use scheduler::{Air, ROOMS, RoomsAhead, RoomsQuery};
use serde::Deserialize;

use super::frame::{Frame, Here};
use super::{Gate, forecast, icon, looking, say};
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

/// The narrowest range that every recipe's stage in a room allows.
#[derive(Debug, Clone, Copy)]
struct Right {
    temperature_c: (f64, f64),
    humidity_pct: (f64, f64),
}

/// Whose weeks of air are drawn.
#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    air: Option<RoomId>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let shown = asked.air;
    if let Some(room) = shown {
        let rooms = gateway.site().rooms.iter().map(|room| room.id);
        let rooms = Known::default().with(Kind::Room, rooms);
        rooms.find(Kind::Room, room)?;
    }
    let weeks = match shown {
        Some(room) => Some(forecast::of_room(&gateway, t, room).await),
        None => None,
    };
    let RoomsAhead {
        forecast,
        air: airs,
    } = gateway.ask(ROOMS, &RoomsQuery::default()).await?;
    let right = |id: RoomId| {
        let stages = gateway.site().recipes.iter().flat_map(|r| r.stages.iter());
        stages
            .filter(|stage| stage.room == id)
            .map(|stage| Right {
                temperature_c: (stage.temperature_c.least, stage.temperature_c.most),
                humidity_pct: (stage.humidity_pct.least, stage.humidity_pct.most),
            })
            .reduce(|a, b| Right {
                temperature_c: narrower(a.temperature_c, b.temperature_c),
                humidity_pct: narrower(a.humidity_pct, b.humidity_pct),
            })
    };
    let content = html! {
        @if forecast.rooms.is_empty() { p.empty { (t.say("rooms-none")) } }
        @for room in &forecast.rooms {
            @let air = airs.iter().find(|air| air.room == room.room).copied();
            section.room-drawn id=(room.room) {
                h2 { (room.room) " · " (room.name) }
                (climate(&gateway, &visitor, t, air, right(room.room)))
                @match &weeks {
                    Some(weeks) if shown == Some(room.room) => { (weeks) },
                    _ => { p { a href={ "/rooms?air=" (room.room) "#" (room.room) } { (t.say("rooms-weeks")) } } },
                }
                (fill(t, room, &forecast.days))
            }
        }
        p.hint { (t.say("rooms-counted")) }
    };
    Ok(
        Frame::new(&gateway, &visitor, t.say("nav-rooms"), Here::Rooms)
            .live()
            .draw(&content),
    )
}

fn narrower(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0.max(b.0), a.1.min(b.1))
}

fn climate(
    gateway: &crate::gateway::Gateway,
    visitor: &Visitor,
    t: Tongue,
    air: Option<Air>,
    right: Option<Right>,
) -> Markup {
    let Some(air) = air else {
        return html! { p.hint { (t.say("rooms-no-air")) } };
    };
    let wishes = visitor.wishes();
    let warm = |celsius: f64| units::temperature(wishes, celsius);
    let inside = |value: f64, range: (f64, f64)| (range.0..=range.1).contains(&value);
    let verdict = |good: Option<bool>| {
        html! {
            @match good {
                Some(true) => { span.mark.good { (t.say("rooms-inside")) } }
                Some(false) => { span.mark.missed { (t.say("rooms-outside")) } }
                None => {}
            }
        }
    };
    html! {
        div.tiles {
            div.tile {
                (t.say("temperature")) strong { (warm(air.temperature_c)) }
                (verdict(right.map(|right| inside(air.temperature_c, right.temperature_c))))
                @if let Some(right) = right {
                    p { (t.with("rooms-range", [("least", warm(right.temperature_c.0).into()), ("most", warm(right.temperature_c.1).into())])) }
                }
            }
            @if let Some(humidity) = air.humidity_pct {
                div.tile {
                    (t.say("humidity")) strong { (format!("{humidity:.0} %")) }
                    (verdict(right.map(|right| inside(humidity, right.humidity_pct))))
                    @if let Some(right) = right {
                        p { (t.with("rooms-range", [("least", format!("{} %", right.humidity_pct.0).into()), ("most", format!("{} %", right.humidity_pct.1).into())])) }
                    }
                }
            }
            div.tile { (t.say("rooms-read")) strong { (say::time(gateway, air.at)) } }
        }
    }
}

/// One bar a day; the room's places as a line across.
fn fill(t: Tongue, room: &RoomForecast, days: &[DairyDay]) -> Markup {
    let most = room
        .taken
        .iter()
        .copied()
        .max()
        .unwrap_or(0)
        .max(room.positions)
        .max(1);
    let (width, height) = (1000.0, 110.0);
    let step = width / room.taken.len().max(1) as f64;
    let high = |places: u32| f64::from(places) / f64::from(most) * height;
    let fullest = room.taken.iter().copied().max().unwrap_or(0);
    html! {
        p {
            @match room.overflow {
                Some(day) => { (icon::level("wrong")) " " strong { (t.with("rooms-overflow", [("day", say::day(t, day).into())])) } }
                None => { (t.with("rooms-fits", [("days", room.taken.len().into())])) }
            }
            " · " (t.with("rooms-fullest", [("taken", fullest.into()), ("of", room.positions.into())]))
        }
        @if let Some(why) = &room.why { p { (say::core(t, why)) } }
        div.scroll { svg.strip viewBox="0 0 1000 140" role="img" aria-label=(t.with("rooms-chart", [("room", room.name.as_str().into())])) {
            @for (nth, taken) in room.taken.iter().enumerate() {
                @let x = step * nth as f64;
                @let planned = room.planned.get(nth).copied().unwrap_or(0).min(*taken);
                @let own = high(*taken - planned);
                @let over = *taken > room.positions;
                rect.bar.over[over] x=(format!("{x:.1}")) y=(format!("{:.1}", height - own)) width=(format!("{:.1}", step * 0.8)) height=(format!("{own:.1}")) {}
                @if planned > 0 {
                    rect.planned x=(format!("{x:.1}")) y=(format!("{:.1}", height - high(*taken))) width=(format!("{:.1}", step * 0.8)) height=(format!("{:.1}", high(planned))) {}
                }
            }
            line.limit x1="0" x2="1000" y1=(format!("{:.1}", height - high(room.positions))) y2=(format!("{:.1}", height - high(room.positions))) {}
            @if let (Some(first), Some(last)) = (days.first(), days.last()) {
                text x="0" y="132" { (say::day(t, *first)) }
                text x="1000" y="132" text-anchor="end" { (say::day(t, *last)) }
            }
        } }
    }
}
