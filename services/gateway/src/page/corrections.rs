//! What was corrected: every record that counts as never having happened, struck through; of
//! the whole floor, of a batch, or of the wheels that stand somewhere.

use authority::people::{Identification, Right, TakenBack, UNDO_WITHIN, kind_taken_back, table};
use axum::extract::{Query, State};
use chrono::{DateTime, Utc};
use facts::{BatchId, Carrier, FactId};
use holds::{Guard, Target};
use maud::{Markup, html};
use names::UnknownName;
use ripening::answer::{self, LifeLine};
use ripening::{Floor, Wheel};
use serde::Deserialize;
use station::Action;

use super::frame::{Frame, Here};
use super::stand::{named, stands_on};
use super::{Gate, looking, say, unfinished, wheel};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// Corrections shown, newest first.
const SHOWN: usize = 40;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// Only those of this batch and its wheels.
    batch: Option<String>,
    /// Only those of the wheels that stand there now: `stillage/S07`.
    stand: Option<String>,
}

/// Whose corrections.
#[derive(Debug, Clone, Copy)]
enum About {
    Everything,
    Batch(BatchId),
    Stand(Carrier),
}

/// One record that was corrected.
struct Row {
    fact: FactId,
    reason: String,
    /// What it said, and the page where it is told.
    found: Option<(LifeLine, String)>,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let about = about(&gateway, asked)?;
    let look = move |floor: &Floor| {
        if let About::Batch(batch) = about {
            answer::batch_named(floor, batch)?;
        }
        Ok::<_, UnknownName>(rows(floor, about))
    };
    let rows = gateway.outlook().look(gateway.now(), look).await;
    let (rows, left) = rows.map_err(|error| unfinished(&error))??;
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
        @if rows.is_empty() { p.empty { (t.say("corrections-none")) } }
        ol.list reversed {
            @for row in &rows { li {
                @match &row.found {
                    Some((line, path)) => {
                        a href={ (path) "?all=true#f-" (row.fact) } { (path.rsplit('/').next().unwrap_or(path)) }
                        " · " (wheel::told(&gateway, t, line))
                    }
                    None => {
                        @if let Some(at) = recorded(row.fact) { span.voided { (say::time(&gateway, at)) } " · " }
                        (t.say("voided")) " " (say::core(t, &row.reason))
                    }
                }
            } }
        }
        @if left > 0 { p { (t.with("more", [("count", left.into())])) } }
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

fn about(gateway: &Gateway, asked: Asked) -> Result<About, Trouble> {
    if let Some(batch) = asked.batch {
        let batch = BatchId::new(&batch).map_err(|bad| Trouble::bad(bad.to_string()))?;
        return Ok(About::Batch(batch));
    }
    let Some(stand) = asked.stand else {
        return Ok(About::Everything);
    };
    let (kind, id) = stand.split_once('/').unwrap_or((&stand, ""));
    Ok(About::Stand(named(gateway, kind, id)?))
}

/// The newest corrections, and how many more there are.
fn rows(floor: &Floor, about: About) -> (Vec<Row>, usize) {
    let voids = floor.voids();
    let stands = |by| !voids.takes_back(Target::kept(by, Guard::Correction));
    let mut voidings: Vec<_> = voids.iter().filter(|v| stands(v.by)).collect();
    voidings.sort_by_key(|voiding| std::cmp::Reverse(voiding.by));
    let mut left = 0;
    if matches!(about, About::Everything) {
        left = voidings.len().saturating_sub(SHOWN);
        voidings.truncate(SHOWN);
    }
    let mut rows: Vec<Row> = voidings
        .into_iter()
        .map(|voiding| Row {
            fact: voiding.target,
            reason: voiding.reason.clone(),
            found: None,
        })
        .collect();
    for (id, batch) in floor.batches() {
        let asked = match about {
            About::Everything => true,
            About::Batch(wanted) => wanted == *id,
            About::Stand(_) => false,
        };
        let has = |row: &Row| batch.lines.keys().any(|moment| moment.fact == row.fact);
        if asked && rows.iter().any(has) {
            let picture = answer::batch(floor, *id);
            let record = picture.map_or_else(|_| Vec::new(), |picture| picture.record);
            tell(&mut rows, &record, &format!("/batches/{id}"));
        }
    }
    let asked = |wheel: &Wheel| match about {
        About::Everything => true,
        About::Batch(batch) => wheel.state().batch == Some(batch),
        About::Stand(stand) => stands_on(wheel.state(), stand),
    };
    for (id, wheel) in floor.wheels().filter(|(_, wheel)| asked(wheel)) {
        let has = |row: &Row| row.found.is_none() && wheel.chronicle().mentions(row.fact);
        if rows.iter().any(has) {
            let life = answer::wheel(floor, *id);
            let life = life.map_or_else(|_| Vec::new(), |life| life.life);
            tell(&mut rows, &life, &format!("/wheels/{id}"));
        }
    }
    // What takes nothing back is no correction.
    rows.retain(|row| {
        let found = row.found.as_ref();
        found.is_none_or(|(line, _)| line.voided.is_some())
    });
    if !matches!(about, About::Everything) {
        rows.retain(|row| row.found.is_some());
        left = rows.len().saturating_sub(SHOWN);
        rows.truncate(SHOWN);
    }
    (rows, left)
}

/// What the records among these lines said.
fn tell(rows: &mut [Row], lines: &[LifeLine], path: &str) {
    for row in rows.iter_mut().filter(|row| row.found.is_none()) {
        let line = lines.iter().find(|line| line.fact == row.fact);
        row.found = line.map(|line| (line.clone(), path.to_owned()));
    }
}

/// When a fact was recorded: its id begins with the milliseconds since 1970 (RFC 9562, UUIDv7).
fn recorded(fact: FactId) -> Option<DateTime<Utc>> {
    let millis = fact.uuid().as_u128() >> 80;
    DateTime::from_timestamp_millis(i64::try_from(millis).ok()?)
}
