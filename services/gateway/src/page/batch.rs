//! A batch: its make record, what it yielded, and how its wheels spread.

use axum::extract::{Path, Query, State};
use facts::BatchId;
use maud::{Markup, html};
use ripening::answer::{BatchPicture, Portioned};
use scheduler::PORTIONED;

use super::frame::{Frame, Here};
use super::{Gate, forecast, looking, pager, say, wheel};
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::people::Wishes;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Path(batch): Path<String>,
    shown: Result<Query<wheel::Shown>, axum::extract::rejection::QueryRejection>,
    what_if: Result<Query<forecast::WhatIf>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(shown) = shown.map_err(|bad| unfit(&bad))?;
    let (all, from) = (shown.all, shown.from);
    let id = BatchId::new(&batch).map_err(|bad| Trouble::bad(bad.to_string()))?;
    let picture: BatchPicture = gateway.ask("batch", &id).await?;
    let id = picture.batch;
    let portioned: Portioned = gateway.ask(PORTIONED, &id).await?;
    let (portions, target) = (portioned.portions_g, portioned.target_g);
    let Query(what_if) = what_if.map_err(|bad| unfit(&bad))?;
    let expected = forecast::of_batch(&gateway, t, id, &what_if).await?;
    let wishes = visitor.wishes();
    let curd: f64 = portions.iter().sum();
    let content = html! {
        div.tiles {
            @if let Some(recipe) = &picture.recipe { div.tile { (t.say("recipe")) strong { (recipe) } } }
            div.tile { (t.say("wheels-title")) strong { (picture.wheels.len()) } }
            @if let Some(milk) = picture.milk_l {
                div.tile { (t.say("milk")) strong { (format!("{milk:.0} L")) } }
                @if curd > 0.0 && milk > 0.0 {
                    div.tile { (t.say("yield")) strong { (units::weight(wishes, curd / milk * 100.0)) } (t.say("yield-per")) }
                }
            }
            div.tile { (t.say("curd")) strong { (units::weight(wishes, curd)) } }
            div.tile { (t.say("batch-ready")) strong {
                @match picture.ready { Some(at) => (say::time(&gateway, at)), None => (t.say("batch-not-ready")) }
            } }
        }
        (expected)
        h2 { (t.say("batch-spread")) }
        (spread(t, wishes, &portions, target))
        div.two {
            section {
                h2 { (t.say("batch-record")) }
                @if picture.record.is_empty() { p.empty { (t.say("batch-record-none")) } }
                (wheel::corrected(t, &picture.record, all, &format!("/batches/{id}")))
                ol.list { @for line in picture.record.iter().filter(|line| all || line.voided.is_none()) {
                    (wheel::record(&gateway, &visitor, t, &format!("/batches/{id}"), line))
                } }
            }
            section {
                h2 { (t.say("wheels-title")) }
                @if picture.wheels.is_empty() { p.empty { (t.say("batch-wheels-none")) } } @else {
                    div.scroll { table {
                        thead { tr {
                            th scope="col" { (t.say("wheel")) } th scope="col" { (t.say("room")) }
                            th.n scope="col" { (t.say("weight")) } th.n scope="col" { (t.say("rind")) }
                            th.n scope="col" { (t.say("blue")) } th scope="col" { (t.say("grade")) }
                        } }
                        tbody { @for row in pager::part(&picture.wheels, from) { tr {
                            th scope="row" { a href={ "/wheels/" (row.wheel) } { (row.wheel) }
                                @if picture.to_iron.contains(&row.wheel) { " " span.mark.due { (t.say("batch-to-iron")) } }
                                @if !row.holds.is_empty() { " " span.mark.held { (t.say("held")) } }
                            }
                            td { @if row.dispatched { (t.say("wheel-gone")) } @else if let Some(room) = row.room { (room) } }
                            td.n { @if let Some(grams) = row.weight_g { (units::weight(wishes, f64::from(grams))) } }
                            td.n { @if let Some(cover) = row.rind_cover_pct { (cover) " %" } }
                            td.n { @if let Some(blue) = row.blue_coverage_pct { (blue) " %" } }
                            td { @if let Some(grade) = row.grade { (t.say(&format!("grade-{grade}").to_lowercase())) } }
                        } } }
                    } }
                    (pager::links(t, from, picture.wheels.len(), |from| format!("/batches/{id}?from={from}")))
                }
            }
        }
    };
    let title = t.with("batch-title", [("batch", id.to_string().into())]);
    Ok(Frame::new(&gateway, &visitor, title, Here::Nowhere)
        .about(format!("batch={id}"))
        .live()
        .draw(&content))
}

/// Each portion as a dot on a line of weights, with the recipe's band behind it.
fn spread(t: Tongue, wishes: Wishes, portions: &[f64], target: Option<(f64, f64)>) -> Markup {
    let least = portions.iter().copied().fold(f64::INFINITY, f64::min);
    let most = portions.iter().copied().fold(0.0, f64::max);
    if portions.is_empty() {
        return html! { p.empty { (t.say("batch-spread-none")) } };
    }
    let (low, high) = match target {
        Some((aim, off)) => (least.min(aim - off * 1.5), most.max(aim + off * 1.5)),
        None => (least, most),
    };
    let width = (high - low).max(1.0);
    let x = |grams: f64| 20.0 + (grams - low) / width * 960.0;
    let mean = portions.iter().sum::<f64>() / portions.len() as f64;
    let outside = target.map(|(aim, off)| {
        let wrong = portions.iter().filter(|grams| (**grams - aim).abs() > off);
        wrong.count()
    });
    html! {
        div.scroll { svg.strip viewBox="0 0 1000 96" role="img" aria-label=(t.say("batch-spread")) {
            @if let Some((aim, off)) = target {
                rect.band x=(format!("{:.1}", x(aim - off))) y="8" width=(format!("{:.1}", x(aim + off) - x(aim - off))) height="56" {}
                line.limit x1=(format!("{:.1}", x(aim))) y1="4" x2=(format!("{:.1}", x(aim))) y2="68" {}
            }
            line.axis x1="20" y1="68" x2="980" y2="68" {}
            @for (nth, grams) in portions.iter().enumerate() {
                circle.dot cx=(format!("{:.1}", x(*grams))) cy=(20 + (nth % 4) * 11) r="6" {}
            }
            text x="20" y="88" { (units::weight(wishes, low)) }
            text x="980" y="88" text-anchor="end" { (units::weight(wishes, high)) }
        } }
        p {
            (t.with("batch-spread-words", [
                ("least", units::weight(wishes, least).into()),
                ("mean", units::weight(wishes, mean).into()),
                ("most", units::weight(wishes, most).into()),
            ]))
            @if let Some(outside) = outside { " " (t.with("batch-outside", [("count", outside.into())])) }
        }
    }
}
