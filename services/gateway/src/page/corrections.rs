//! What was corrected on the floor: every record that counts as never having happened.

use axum::extract::State;
use chrono::{DateTime, Utc};
use facts::{FactId, WheelId};
use maud::{Markup, html};
use ripening::Floor;

use super::frame::{Frame, Here};
use super::{Gate, looking, say, unfinished};
use crate::guard::Visitor;
use crate::trouble::Trouble;

/// Corrections shown, newest first.
const SHOWN: usize = 40;

/// One record that was corrected.
struct Row {
    fact: FactId,
    recorded: Option<DateTime<Utc>>,
    reason: String,
    wheel: Option<WheelId>,
}

pub async fn page(State(gateway): Gate, visitor: Visitor) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let rows = gateway.outlook().look(gateway.now(), rows).await;
    let rows = rows.map_err(|error| unfinished(&error))?;
    let content = html! {
        p { (t.say("corrections-words")) }
        @if rows.is_empty() { p.empty { (t.say("corrections-none")) } }
        ol.list reversed {
            @for row in &rows { li {
                @if let Some(at) = row.recorded { span.voided { (say::time(&gateway, at)) } " · " }
                @if let Some(wheel) = row.wheel {
                    a href={ "/wheels/" (wheel) "?all=true#f-" (row.fact) } {
                        (t.with("wheel-title", [("wheel", wheel.to_string().into())]))
                    } " · "
                }
                (t.say("voided")) " " (say::core(t, &row.reason))
            } }
        }
    };
    let title = t.say("corrections-title");
    Ok(Frame::new(&gateway, &visitor, title, Here::Nowhere)
        .live()
        .draw(&content))
}

fn rows(floor: &Floor) -> Vec<Row> {
    let voids = floor.voids();
    let mut voidings: Vec<_> = voids.iter().filter(|v| voids.is_void(v.target)).collect();
    voidings.sort_by_key(|voiding| std::cmp::Reverse(voiding.by));
    voidings.truncate(SHOWN);
    let mut rows: Vec<Row> = voidings
        .into_iter()
        .map(|voiding| Row {
            fact: voiding.target,
            recorded: recorded(voiding.target),
            reason: voiding.reason.clone(),
            wheel: None,
        })
        .collect();
    for (id, wheel) in floor.wheels() {
        for row in rows.iter_mut().filter(|row| row.wheel.is_none()) {
            if wheel.chronicle().mentions(row.fact) {
                row.wheel = Some(*id);
            }
        }
    }
    rows
}

/// When a fact was recorded: its id begins with the milliseconds since 1970 (RFC 9562, UUIDv7).
fn recorded(fact: FactId) -> Option<DateTime<Utc>> {
    let millis = fact.uuid().as_u128() >> 80;
    DateTime::from_timestamp_millis(i64::try_from(millis).ok()?)
}
