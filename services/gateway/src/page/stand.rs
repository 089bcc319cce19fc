//! What stands on one stillage, in one stack or hoop.

use axum::extract::{Path, State};
use facts::{Carrier, HoopId, StackId, StillageId};
use maud::{Markup, html};
use names::Kind;
use ripening::answer::StandRow;
use scheduler::STAND;

use super::frame::{Frame, Here};
use super::{Gate, looking, say};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::trouble::Trouble;
use crate::units;

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Path((kind, id)): Path<(String, String)>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let asked = carrier(&kind, &id)?;
    let (stand, rows): (Carrier, Vec<StandRow>) = gateway.ask(STAND, &asked).await?;
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
                    td.n { @if let Some(age) = row.age_days { (t.with("days", [("count", age.into())])) } }
                    td.n { @if let Some(grams) = row.weight_g { (units::weight(wishes, f64::from(grams))) } }
                    td.n { @if let Some(cover) = row.rind_cover_pct { (cover) " %" } }
                    td {
                        @if row.held { span.mark.held { (t.say("held")) } " " }
                        @if let Some((action, late)) = &row.next { (say::deed(t, action)) " " (say::mark(t, *late)) }
                    }
                } } }
            } }
        }
    };
    Ok(
        Frame::new(&gateway, &visitor, say::stand(t, stand), Here::Floor)
            .about(format!("stand={kind}/{id}"))
            .live()
            .draw(&content),
    )
}

/// What wheels stand on, by its kind and code.
///
/// # Errors
/// There is no such kind, or it is no code.
fn carrier(kind: &str, id: &str) -> Result<Carrier, Trouble> {
    let bad = |bad: facts::BadCode| Trouble::bad(bad.to_string());
    match kind {
        "stillage" => Ok(Carrier::Stillage(StillageId::new(id).map_err(bad)?)),
        "stack" => Ok(Carrier::Stack(StackId::new(id).map_err(bad)?)),
        "hoop" => Ok(Carrier::Hoop(HoopId::new(id).map_err(bad)?)),
        _ => Err(Trouble::missing(
            "wheels stand on a stillage, in a stack or in a hoop",
        )),
    }
}

/// The same, as it was first written.
///
/// # Errors
/// Nothing ever stood on such a thing, or it cannot be looked up now.
pub async fn named(gateway: &Gateway, kind: &str, id: &str) -> Result<Carrier, Trouble> {
    let (of, code) = match carrier(kind, id)? {
        Carrier::Stillage(id) => (Kind::Stillage, id.to_string()),
        Carrier::Stack(id) => (Kind::Stack, id.to_string()),
        Carrier::Hoop(id) => (Kind::Hoop, id.to_string()),
    };
    carrier(kind, &gateway.named(of, &code).await?)
}
