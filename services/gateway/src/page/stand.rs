//! What stands on one stillage, in one stack or hoop.

use axum::extract::{Path, State};
use facts::{Carrier, HoopId, StackId, StillageId, WheelId};
use maud::{Markup, html};
use ripening::Urgency;
use ripening::answer::carrier;

use super::frame::{Frame, Here};
use super::{Gate, looking, say, unfinished};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::known;
use crate::trouble::Trouble;
use crate::units;

/// One wheel there.
struct Row {
    wheel: WheelId,
    batch: Option<facts::BatchId>,
    age: Option<i64>,
    weight_g: Option<u32>,
    cover: Option<f64>,
    held: bool,
    next: Option<(String, Urgency)>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Path((kind, id)): Path<(String, String)>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let wanted = named(&gateway, &kind, &id)?;
    let look = move |floor: &ripening::Floor| {
        let now = floor.now();
        let day = floor.practice().clock.day_of(now);
        let mut rows: Vec<Row> = floor
            .wheels()
            .filter(|(_, wheel)| stands_on(wheel.state(), wanted))
            .map(|(id, wheel)| {
                let state = wheel.state();
                let next = wheel.next_action(now);
                Row {
                    wheel: *id,
                    batch: state.batch,
                    age: state.age_on(day).map(|age| age.0),
                    weight_g: state.weight.map(|weight| weight.value.get()),
                    cover: state.rind.map(|rind| rind.value.get()),
                    held: !floor.holds(*id).is_empty(),
                    next: next.map(|asked| (asked.action.to_string(), asked.window.urgency(now))),
                }
            })
            .collect();
        rows.sort_by_key(|row| row.wheel);
        rows
    };
    let rows = gateway.outlook().look(gateway.now(), look).await;
    let rows = rows.map_err(|error| unfinished(&error))?;
    let wishes = visitor.wishes();
    let content = html! {
        @if rows.is_empty() { p.empty { (t.say("stand-empty")) } } @else {
            div.scroll { table {
                thead { tr {
                    th scope="col" { (t.say("wheel")) } th scope="col" { (t.say("batch")) }
                    th.n scope="col" { (t.say("age")) } th.n scope="col" { (t.say("weight")) }
                    th.n scope="col" { (t.say("rind")) } th scope="col" { (t.say("next")) }
                } }
                tbody { @for row in &rows { tr {
                    th scope="row" { a href={ "/wheels/" (row.wheel) } { (row.wheel) } }
                    td { @if let Some(batch) = row.batch { a href={ "/batches/" (batch) } { (batch) } } }
                    td.n { @if let Some(age) = row.age { (t.with("days", [("count", age.into())])) } }
                    td.n { @if let Some(grams) = row.weight_g { (units::weight(wishes, f64::from(grams))) } }
                    td.n { @if let Some(cover) = row.cover { (cover) " %" } }
                    td {
                        @if row.held { span.mark.held { (t.say("held")) } " " }
                        @if let Some((action, late)) = &row.next { (say::deed(t, action)) " " (say::mark(t, *late)) }
                    }
                } } }
            } }
        }
    };
    Ok(
        Frame::new(&gateway, &visitor, say::stand(t, wanted), Here::Floor)
            .about(format!("stand={kind}/{id}"))
            .live()
            .draw(&content),
    )
}

/// What wheels stand on, by its kind and code.
///
/// # Errors
/// There is no such kind, or nothing ever stood on such a thing.
pub fn named(gateway: &Gateway, kind: &str, id: &str) -> Result<Carrier, Trouble> {
    let bad = |bad: facts::BadCode| Trouble::bad(bad.to_string());
    let asked = match kind {
        "stillage" => Carrier::Stillage(StillageId::new(id).map_err(bad)?),
        "stack" => Carrier::Stack(StackId::new(id).map_err(bad)?),
        "hoop" => Carrier::Hoop(HoopId::new(id).map_err(bad)?),
        _ => {
            return Err(Trouble::missing(
                "wheels stand on a stillage, in a stack or in a hoop",
            ));
        }
    };
    let known = gateway.outlook();
    Ok(known.named(|known| known::carrier(known, asked))?)
}

/// Whether a wheel is on it now.
pub fn stands_on(state: &ripening::State, wanted: Carrier) -> bool {
    let on_it = match wanted {
        Carrier::Stack(stack) => state.stack == Some(stack),
        _ => carrier(state) == Some(wanted) || state.hoop.map(Carrier::Hoop) == Some(wanted),
    };
    state.on_floor() && on_it
}
