//! What people state from a desk: an alert was seen, a record was wrong.

use std::collections::BTreeMap;

use authority::people::{Proof, TakenBack, may_correct, taken_back};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use facts::wire;
use facts::{AlertAcknowledged, Event, Fact, FactId, Voided};
use names::{Kind, Known};
use ripening::answer::FloorPicture;
use scheduler::{CORRECTED, SAID, SaidOf};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::gateway::Gateway;
use crate::guard::{Body, Visitor};
use crate::lookup;
use crate::trouble::Trouble;

/// Longest note or reason, in characters.
const LONGEST: usize = 500;

/// What is done about an alert.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NoteBody {
    /// In a person's words.
    pub note: String,
}

/// Why a record was wrong.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ReasonBody {
    /// In a person's words.
    pub reason: String,
}

/// What was recorded.
#[derive(Debug, Serialize, JsonSchema)]
pub struct RecordedBody {
    /// The facts.
    pub facts: Vec<FactId>,
}

/// A person's words, fit to be kept.
///
/// # Errors
/// There are none, or too many.
pub fn words(text: &str, what: &str) -> Result<String, Trouble> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Trouble::bad(format!(
            "{what} is missing: say it in a few words"
        )));
    }
    if text.chars().count() > LONGEST {
        return Err(Trouble::bad(format!(
            "{what} is longer than {LONGEST} characters: say it shorter"
        )));
    }
    Ok(text.to_owned())
}

/// Records that someone has seen an alert.
///
/// # Errors
/// They may only look, the note is missing, there is no such alert, or the disk cannot be
/// written.
pub async fn acknowledge_alert(
    gateway: &Gateway,
    visitor: &Visitor,
    alert: &str,
    note: &str,
) -> Result<Vec<Fact>, Trouble> {
    let signed = visitor.recorder()?;
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.' | '#');
    if alert.is_empty() || alert.len() > 120 || !alert.chars().all(plain) {
        return Err(Trouble::bad(
            "there is no such alert: open the list of alerts again",
        ));
    }
    let note = words(note, "a note")?;
    let alert = alert_named(gateway, alert).await?;
    let event = AlertAcknowledged { alert, note };
    gateway.state(signed, vec![event.into()]).await
}

/// What people said of alerts, and did not take back.
///
/// # Errors
/// It cannot be looked up now.
pub async fn said_of(
    gateway: &Gateway,
    alerts: &[String],
) -> Result<BTreeMap<String, Vec<SaidOf>>, Trouble> {
    gateway.ask(SAID, &alerts).await
}

/// An alert that is open, or that somebody has said something of before.
async fn alert_named(gateway: &Gateway, alert: &str) -> Result<String, Trouble> {
    if !said_of(gateway, &[alert.to_owned()]).await?.is_empty() {
        return Ok(alert.to_owned());
    }
    let told = gateway.told().open();
    let picture: FloorPicture = gateway.ask("floor", &()).await?;
    let of_floor = picture.alerts.into_iter().filter_map(|line| line.alert);
    let of_workers = told.into_iter().map(|message| message.telling.alert);
    let open = Known::default().with(Kind::Alert, of_floor.chain(of_workers));
    Ok(open.find(Kind::Alert, alert)?.to_owned())
}

/// Records that a fact was wrong.
///
/// # Errors
/// They may not correct, the reason is missing, there is no such fact, it was corrected already
/// or is a correction itself, or the disk cannot be written.
pub async fn void_fact(
    gateway: &Gateway,
    visitor: &Visitor,
    fact: &str,
    reason: &str,
) -> Result<Vec<Fact>, Trouble> {
    let signed = visitor.signed()?;
    may_correct(Proof::SignedIn(signed.account.role))
        .map_err(|refused| Trouble::forbidden(format!("a correction {refused}")))?;
    let reason = words(reason, "a reason")?;
    let fact: FactId = fact
        .parse()
        .map_err(|_| Trouble::missing("there is no such record: open the wheel's page again"))?;
    let target = lookup::fact(gateway, fact).await?;
    if let Event::Voided(voided) = &target.event {
        return Err(conflict(format!(
            "this is a correction of record {} and cannot be corrected itself: if what it corrected did happen, record it anew",
            voided.fact
        )));
    }
    let rights = gateway.site().rights();
    if taken_back(&target.event) == TakenBack::ByReleaser
        && !rights.may_release(Some(signed.account.badge))
    {
        return Err(Trouble::forbidden(format!(
            "your correction would not count: this record keeps wheels from leaving, and only {} may let them go",
            rights.words()
        )));
    }
    let line = wire::to_line(&target).map_err(|error| Trouble::away(error.to_string()))?;
    if let Some(why) = gateway.ask::<Option<String>>(CORRECTED, &line).await? {
        return Err(conflict(format!(
            "this record was corrected already ({why}): nothing more is to be done"
        )));
    }
    gateway
        .state(signed, vec![Voided { fact, reason }.into()])
        .await
}

fn conflict(words: String) -> Trouble {
    Trouble::new(StatusCode::CONFLICT, "corrected", words)
}

/// `POST /api/v1/alerts/{alert}/acknowledgement`
///
/// # Errors
/// See [`acknowledge_alert`].
pub async fn acknowledge(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(alert): Path<String>,
    Body(body): Body<NoteBody>,
) -> Result<Json<RecordedBody>, Trouble> {
    let facts = acknowledge_alert(&gateway, &visitor, &alert, &body.note).await?;
    Ok(recorded(&facts))
}

/// `POST /api/v1/facts/{fact}/void`
///
/// # Errors
/// See [`void_fact`].
pub async fn void(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(fact): Path<String>,
    Body(body): Body<ReasonBody>,
) -> Result<Json<RecordedBody>, Trouble> {
    let facts = void_fact(&gateway, &visitor, &fact, &body.reason).await?;
    Ok(recorded(&facts))
}

pub(super) fn recorded(facts: &[Fact]) -> Json<RecordedBody> {
    Json(RecordedBody {
        facts: facts.iter().map(|fact| fact.id).collect(),
    })
}
