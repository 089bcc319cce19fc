//! What is expected, and how sure that is: words and pictures of the forecaster's.

use facts::{BatchId, RoomId, WheelId};
use forecast::{Chart, Drawn, Query, WarmerBy};
use maud::{Markup, html};
use names::Kind;
use serde::Deserialize;

use super::{frame, icon, say};
use crate::gateway::Gateway;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// What if, as a form says it: an empty field was left out.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct WhatIf {
    warmer: String,
    by_c: String,
    days: String,
    pierce_later_days: String,
}

/// What of an answer is shown.
#[derive(Debug, Deserialize)]
struct Told {
    words: String,
    flags: Vec<Said>,
    worth_ironing: Vec<Said>,
    what_if: Option<Said>,
}

#[derive(Debug, Deserialize)]
struct Said {
    words: String,
}

impl WhatIf {
    /// The question; what cannot be read in it is said.
    fn query(&self, what: String) -> Result<Query, Trouble> {
        let number = |text: &str| match text.trim().replace(',', ".") {
            text if text.is_empty() => Ok(None),
            text => text
                .parse::<f64>()
                .map(Some)
                .map_err(|_| Trouble::bad(format!("{text:?} is no number: write one such as 2.5"))),
        };
        let room = match self.warmer.trim() {
            "" => None,
            room => Some(RoomId::new(room).map_err(|bad| Trouble::bad(bad.to_string()))?),
        };
        let (by_c, days) = (number(&self.by_c)?, number(&self.days)?);
        let warmer = room
            .zip(by_c)
            .map(|(room, by_c)| WarmerBy { room, by_c, days });
        Ok(Query {
            what: Some(what),
            warmer: warmer.into_iter().collect(),
            pierce_later_days: number(&self.pierce_later_days)?.unwrap_or_default(),
            ..Query::default()
        })
    }
}

/// A batch: when it is ready, which wheel to iron, and what if. A forecast that cannot be made is
/// said in its place.
///
/// # Errors
/// A room that nobody knows.
pub async fn of_batch(
    gateway: &Gateway,
    t: Tongue,
    batch: BatchId,
    what_if: &WhatIf,
) -> Result<Markup, Trouble> {
    let room = what_if.warmer.trim();
    if !room.is_empty() {
        gateway.named(Kind::Room, room).await?;
    }
    let told = match what_if.query(batch.to_string()) {
        Ok(query) => gateway.ask::<Told>("forecast", &query).await,
        Err(trouble) => Err(trouble),
    };
    let picture = picture(gateway, t, Chart::Growth, Some(batch.to_string()), None).await;
    Ok(html! {
        h2 { (t.say("forecast-title")) }
        @match &told {
            Err(trouble) => { p.empty { (say::core(t, &trouble.words)) } },
            Ok(told) => {
                p { (say::core(t, &told.words)) }
                @for flag in &told.flags { p { (icon::level("wrong")) " " (say::core(t, &flag.words)) } }
                @if !told.worth_ironing.is_empty() {
                    p { (t.say("forecast-iron")) }
                    ol { @for worth in &told.worth_ironing { li { (say::core(t, &worth.words)) } } }
                }
                (picture)
                details.asks open[told.what_if.is_some()] {
                    summary { (t.say("forecast-what-if")) }
                    @if let Some(change) = &told.what_if { p.big { (say::core(t, &change.words)) } }
                    (form(gateway, t, what_if))
                }
                p.hint { (t.say("forecast-advises")) }
            },
        }
    })
}

fn form(gateway: &Gateway, t: Tongue, what_if: &WhatIf) -> Markup {
    html! {
        form.card method="get" {
            label { (t.say("forecast-room"))
                select name="warmer" {
                    option value="" { (t.say("forecast-as-it-is")) }
                    @for room in &gateway.site().rooms {
                        option value=(room.id) selected[what_if.warmer == room.id.as_str()] { (room.id) " · " (room.name) }
                    }
                }
            }
            label { (t.say("forecast-by")) input name="by_c" inputmode="text" value=(what_if.by_c); }
            label { (t.say("forecast-days")) input name="days" inputmode="decimal" value=(what_if.days); }
            label { (t.say("forecast-pierce")) input name="pierce_later_days" inputmode="text" value=(what_if.pierce_later_days); }
            button.primary type="submit" { (t.say("forecast-try")) }
        }
    }
}

/// A wheel: what it is expected to weigh.
pub async fn of_wheel(gateway: &Gateway, t: Tongue, wheel: WheelId) -> Markup {
    let picture = picture(gateway, t, Chart::Drying, Some(wheel.to_string()), None).await;
    html! { h2 { (t.say("forecast-weight")) } (picture) }
}

/// How many wheels get ready, week by week.
pub async fn of_weeks(gateway: &Gateway, t: Tongue) -> Markup {
    let picture = picture(gateway, t, Chart::Readiness, None, None).await;
    html! { h2 { (t.say("forecast-weeks")) } (picture) }
}

/// A room's air in the last weeks.
pub async fn of_room(gateway: &Gateway, t: Tongue, room: RoomId) -> Markup {
    picture(gateway, t, Chart::Room, None, Some(room)).await
}

/// A picture of the forecaster's, whose words are English; or why there is none.
async fn picture(
    gateway: &Gateway,
    t: Tongue,
    chart: Chart,
    what: Option<String>,
    room: Option<RoomId>,
) -> Markup {
    let query = Query {
        what,
        draw: Some(chart),
        room,
        ..Query::default()
    };
    match gateway.ask::<Drawn>("forecast", &query).await {
        Ok(picture) => frame::drawn(t, picture.svg),
        Err(trouble) => html! { p.empty { (say::core(t, &trouble.words)) } },
    }
}
