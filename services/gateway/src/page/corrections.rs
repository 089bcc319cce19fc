//! What was corrected: every record that counts as never having happened, struck through; of
//! the whole floor, of a batch, or of the wheels that stand somewhere.

use authority::people::{Identification, Right, TakenBack, UNDO_WITHIN, kind_taken_back, table};
use axum::extract::{Query, State};
use facts::BatchId;
use maud::{Markup, html};
use ripening::answer::{About, Corrections, ToldIn};
use scheduler::CORRECTIONS;
use serde::Deserialize;
use station::Action;

use super::frame::{Frame, Here};
use super::stand::named;
use super::{Gate, looking, say, wheel};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::words::Tongue;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// Only those of this batch and its wheels.
    batch: Option<String>,
    /// Only those of the wheels that stand there now: `stillage/S07`.
    stand: Option<String>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let about = about(&gateway, asked).await?;
    let Corrections { newest, more } = gateway.ask(CORRECTIONS, &about).await?;
    let content = html! {
        p { (t.say("corrections-words")) }
        (who_may(t))
        @match about {
            About::Everything => {}
            About::Batch(batch) => { p.big { a href={ "/batches/" (batch) } {
                (t.with("batch-title", [("batch", batch.to_string().into())]))
            } } }
            About::Stand(stand) => { p.big { a href=(say::stand_path(stand)) { (say::stand(t, stand)) } } }
        }
        @if newest.is_empty() { p.empty { (t.say("corrections-none")) } }
        ol.list reversed {
            @for row in &newest { li {
                @match &row.found {
                    Some((line, told_in)) => {
                        @let (path, code) = place(told_in);
                        a href={ (path) "?all=true#f-" (row.fact) } { (code) }
                        " · " (wheel::told(&gateway, t, line))
                    }
                    None => {
                        @if let Some(at) = row.fact.received() { span.voided { (say::time(&gateway, at)) } " · " }
                        (t.say("voided")) " " (say::core(t, &row.reason))
                    }
                }
            } }
        }
        @if more > 0 { p { (t.with("more", [("count", more.into())])) } }
    };
    let title = t.say("corrections-title");
    Ok(Frame::new(&gateway, &visitor, title, Here::Nowhere)
        .live()
        .draw(&content))
}

/// Who takes back what: the table by which stations and this gateway go.
fn who_may(t: Tongue) -> Markup {
    let actions = |by: &[TakenBack]| {
        let of = |action: &Action| {
            let topic = action.topic();
            topic.is_some_and(|topic| by.contains(&kind_taken_back(topic)))
        };
        let named = Action::ALL.into_iter().map(|(action, ..)| action);
        let named = named.filter(of);
        let named = named.map(|action| t.say(&format!("act-{}", action.name())));
        named.collect::<Vec<_>>().join(", ")
    };
    let minutes = UNDO_WITHIN.num_minutes();
    let own = [
        ("minutes", minutes.into()),
        ("actions", actions(&[TakenBack::ByOwner]).into()),
    ];
    let managers = [
        ("minutes", minutes.into()),
        (
            "actions",
            actions(&[TakenBack::ByManager, TakenBack::ByReleaser]).into(),
        ),
    ];
    html! {
        details {
            summary { (t.say("corrections-who")) }
            p { (t.with("corrections-own", own)) }
            p { (t.with("corrections-managers", managers)) }
            table {
                thead { tr {
                    th { (t.say("rights-kind")) }
                    th { (t.say("rights-role")) }
                    th { (t.say("rights-known")) }
                    th { (t.say("rights-back")) }
                } }
                tbody { @for right in table() { (right_row(t, &right)) } }
            }
        }
    }
}

/// A kind of fact: who records it, and who takes it back.
fn right_row(t: Tongue, right: &Right) -> Markup {
    let role = right.role.map_or("rights-workers".to_owned(), |role| {
        format!("role-{}", role.key())
    });
    let known = match (right.role, right.known) {
        (None, _) => "rights-none",
        (_, Identification::Nobody) => "rights-nobody",
        (_, Identification::Badge) => "rights-badge",
        (_, Identification::Pin) => "rights-pin",
    };
    let back = match right.taken_back {
        TakenBack::ByOwner => "rights-owner",
        TakenBack::ByManager => "rights-manager",
        TakenBack::ByReleaser => "rights-releaser",
    };
    html! {
        tr data-kind=(right.kind) {
            th scope="row" { (right.kind) }
            td { (t.say(&role)) }
            td { (t.say(known)) }
            td {
                (t.say(back))
                @if right.unless.is_some() { " · " (t.say(&format!("rights-unless-{}", right.kind.replace('.', "-")))) }
            }
        }
    }
}

/// The page where a record is told, and the code of what it is about.
fn place(told_in: &ToldIn) -> (String, String) {
    match told_in {
        ToldIn::Batch(id) => (format!("/batches/{id}"), id.to_string()),
        ToldIn::Wheel(id) => (format!("/wheels/{id}"), id.to_string()),
    }
}

async fn about(gateway: &Gateway, asked: Asked) -> Result<About, Trouble> {
    if let Some(batch) = asked.batch {
        let batch = BatchId::new(&batch).map_err(|bad| Trouble::bad(bad.to_string()))?;
        return Ok(About::Batch(batch));
    }
    let Some(stand) = asked.stand else {
        return Ok(About::Everything);
    };
    let (kind, id) = stand.split_once('/').unwrap_or((&stand, ""));
    Ok(About::Stand(named(gateway, kind, id).await?))
}
