//! Portion weights, batch by batch, and one batch's control charts.

use axum::extract::{Query, State};
use control::{Study, draw};
use facts::BatchId;
use maud::{Markup, html};
use scheduler::{PORTIONS, Portions};
use serde::Deserialize;

use super::frame::{Frame, Here, figure};
use super::{Gate, looking, say};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// The batch whose charts are shown; the newest if left out.
    batch: Option<BatchId>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let t = visitor.tongue();
    let Portions {
        batches: rows,
        shown,
        study,
    } = gateway.ask(PORTIONS, &asked.batch).await?;
    let weight = |grams: f64| units::weight(visitor.wishes(), grams);
    let content = html! {
        @if let Some(study) = &study { (charts(&gateway, t, study)) }
        @if rows.is_empty() { p.empty { (t.say("portions-none")) } } @else {
            h2 { (t.say("batches-title")) }
            div.scroll { table {
                thead { tr {
                    th scope="col" { (t.say("batch")) } th scope="col" { (t.say("made")) }
                    th.n scope="col" { (t.say("wheels-title")) } th.n scope="col" { (t.say("portions-least")) }
                    th.n scope="col" { (t.say("portions-mean")) } th.n scope="col" { (t.say("portions-most")) }
                    th.n scope="col" { (t.say("portions-aim")) } th scope="col" { (t.say("portions-outside")) }
                } }
                tbody { @for row in rows.iter().filter(|row| !row.portions_g.is_empty()) {
                    @let mean = row.portions_g.iter().sum::<f64>() / row.portions_g.len() as f64;
                    @let outside = row.target_g.map_or(0, |(aim, off)| row.portions_g.iter().filter(|g| (**g - aim).abs() > off).count());
                    tr {
                        th scope="row" { a href={ "/portions?batch=" (row.batch) } { (row.batch) } }
                        td { (row.made.map_or(String::new(), |made| say::day(t, made))) }
                        td.n { (row.portions_g.len()) }
                        td.n { (weight(row.portions_g.iter().copied().fold(f64::INFINITY, f64::min))) }
                        td.n { (weight(mean)) }
                        td.n { (weight(row.portions_g.iter().copied().fold(0.0, f64::max))) }
                        td.n { @if let Some((aim, off)) = row.target_g { (weight(aim)) " ± " (weight(off)) } }
                        td { @if outside > 0 { span.mark.overdue { (outside) } } @else { span.mark.good { "0" } } }
                    }
                } }
            } }
        }
    };
    let frame = Frame::new(&gateway, &visitor, t.say("nav-portions"), Here::Portions).live();
    let frame = match shown {
        Some(batch) => frame.about(format!("batch={batch}")),
        None => frame,
    };
    Ok(frame.draw(&content))
}

/// What was told of a batch's portions, every portion, and the means and ranges of samples.
fn charts(gateway: &Gateway, t: Tongue, study: &Study) -> Markup {
    let clock = gateway.site().clock;
    html! {
        ul.list { @for line in control::found(study, &clock) { li { (say::core(t, &line)) } } }
        (figure(t, &draw::portions(study, &clock)))
        @if let Some(samples) = draw::means_and_ranges(study, &clock) { (figure(t, &samples)) }
    }
}
