//! Portion weights, batch by batch, and one batch's control charts.

use axum::extract::{Query, State};
use control::{Size, Study, draw, survey};
use facts::BatchId;
use maud::{Markup, html};
use names::UnknownName;
use quantity::DairyDay;
use ripening::answer::batch_named;
use serde::Deserialize;

use super::frame::{Frame, Here, figure};
use super::{Gate, looking, say, unfinished};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

/// Batches shown.
const SHOWN: usize = 30;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// The batch whose charts are shown; the newest if left out.
    batch: Option<BatchId>,
}

/// One batch's portions.
struct Row {
    batch: BatchId,
    made: DairyDay,
    portions: Vec<f64>,
    target: Option<(f64, f64)>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let t = visitor.tongue();
    let look = move |floor: &ripening::Floor| {
        let asked = asked
            .batch
            .map(|batch| batch_named(floor, batch))
            .transpose()?;
        let mut rows: Vec<Row> = floor
            .batches()
            .filter_map(|(id, batch)| {
                let states = || {
                    batch
                        .wheels
                        .iter()
                        .filter_map(|w| Some(floor.wheel(*w)?.state()))
                };
                let portions = states().filter_map(|s| Some(f64::from(s.portion?.get())));
                let target = floor.recipe_of(*id).map(|recipe| {
                    let portion = recipe.portion;
                    let weights = [portion.weight_g, portion.tolerance_g];
                    let [aim, off] = weights.map(|grams| f64::from(grams.get()));
                    (aim, off)
                });
                Some(Row {
                    batch: *id,
                    made: states().find_map(|state| state.made)?,
                    portions: portions.collect(),
                    target,
                })
            })
            .collect();
        rows.sort_by_key(|row| std::cmp::Reverse((row.made, row.batch)));
        rows.truncate(SHOWN);
        let newest = rows.iter().find(|row| !row.portions.is_empty());
        let asked = asked.map(|(batch, _)| batch);
        let shown = asked.or(newest.map(|row| row.batch));
        let study = shown.and_then(|batch| survey::vat(floor, batch, Size::USUAL, None));
        Ok::<_, UnknownName>((rows, shown, study))
    };
    let looked = gateway.outlook().look(gateway.now(), look).await;
    let (rows, shown, study) = looked.map_err(|error| unfinished(&error))??;
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
                tbody { @for row in rows.iter().filter(|row| !row.portions.is_empty()) {
                    @let mean = row.portions.iter().sum::<f64>() / row.portions.len() as f64;
                    @let outside = row.target.map_or(0, |(aim, off)| row.portions.iter().filter(|g| (**g - aim).abs() > off).count());
                    tr {
                        th scope="row" { a href={ "/portions?batch=" (row.batch) } { (row.batch) } }
                        td { (say::day(t, row.made)) }
                        td.n { (row.portions.len()) }
                        td.n { (weight(row.portions.iter().copied().fold(f64::INFINITY, f64::min))) }
                        td.n { (weight(mean)) }
                        td.n { (weight(row.portions.iter().copied().fold(0.0, f64::max))) }
                        td.n { @if let Some((aim, off)) = row.target { (weight(aim)) " ± " (weight(off)) } }
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
