//! Finding things by any code, lot, date or customer.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use maud::html;
use names::Kind;
use ripening::answer::{Found, bare};
use scheduler::{FIND, FoundAll};
use serde::Deserialize;

use super::frame::{Frame, Here};
use super::{Gate, encoded, looking, say};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;

/// Things of one kind shown.
const SHOWN: usize = 60;

/// Longest search, in characters.
const LONGEST: usize = 60;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    q: String,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Response, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(Asked { q: asked }) = asked.map_err(|bad| unfit(&bad))?;
    let asked: String = asked.trim().chars().take(LONGEST).collect();
    let FoundAll { found, others } = gateway.ask(FIND, &asked).await?;
    let also = others.iter().any(|(kind, _)| path_of(*kind, "").is_some());
    if !also && let Some(only) = only(&gateway, &asked, &found) {
        return Ok(Redirect::to(&only).into_response());
    }
    let nothing = found.is_empty() && others.is_empty();
    let more = |found: usize| {
        html! {
            @if found > SHOWN { p { (t.with("more", [("count", (found - SHOWN).into())])) } }
        }
    };
    let content = html! {
        form.card action="/find" role="search" {
            label for="q" { (t.say("find-label")) }
            input id="q" name="q" type="search" value=(asked) maxlength="60" autofocus spellcheck="false";
            p.hint { (t.say("find-hint")) }
            button.primary type="submit" { (t.say("nav-find")) }
        }
        p.row {
            @if visitor.recorder().is_ok() { a.button href="/entry" { (t.say("entry-title")) } }
            a.button href="/recall" { (t.say("recall-title")) }
            a.button href="/holds" { (t.say("holds-title")) }
        }
        @if !asked.is_empty() && nothing {
            p.empty { (t.with("find-none", [("q", asked.as_str().into())])) }
            @if !found.near.is_empty() { p.big { (t.say("find-near"))
                @for code in &found.near { " " a href={ "/find?q=" (encoded(code)) } { (code) } }
            } }
        }
        @if !others.is_empty() {
            ul.list { @for (kind, code) in &others { li.big {
                @let words = t.with(&format!("found-{}", kind.word()), [("code", code.as_str().into())]);
                @match path_of(*kind, code) { Some(path) => a href=(path) { (words) }, None => (words) }
            } } }
        }
        @if !found.customers.is_empty() {
            h2 { (t.say("find-customers")) }
            ul.list { @for name in found.customers.iter().take(SHOWN) { li.big { (name) } } }
            (more(found.customers.len()))
            @if found.wheels.is_empty() { p.hint { (t.say("find-customer-waits")) } }
        }
        @if !found.batches.is_empty() {
            h2 { (t.say("batches-title")) }
            ul.list { @for id in found.batches.iter().take(SHOWN) { li { a.big href={ "/batches/" (id) } { (id) } } } }
            (more(found.batches.len()))
        }
        @if !found.stands.is_empty() {
            h2 { (t.say("stands")) }
            ul.list { @for id in found.stands.iter().take(SHOWN) { li { a.big href=(say::stand_path(*id)) { (say::stand(t, *id)) } } } }
            (more(found.stands.len()))
        }
        @if !found.wheels.is_empty() {
            h2 { (t.say("wheels-title")) }
            ul.list { @for id in found.wheels.iter().take(SHOWN) { li { a.big href={ "/wheels/" (id) } { (id) } } } }
            (more(found.wheels.len()))
        }
    };
    let page = Frame::new(&gateway, &visitor, t.say("nav-find"), Here::Find).draw(&content);
    let found = if !asked.is_empty() && nothing {
        StatusCode::NOT_FOUND
    } else {
        StatusCode::OK
    };
    Ok((found, page).into_response())
}

/// The page that tells of something that is neither wheel nor batch.
fn path_of(kind: Kind, code: &str) -> Option<String> {
    match kind {
        Kind::Lot => Some(format!("/recall?what=lot&code={}", encoded(code))),
        Kind::Order => Some("/orders".to_owned()),
        Kind::Hold => Some("/holds".to_owned()),
        _ => None,
    }
}

/// The page of the only thing found.
fn only(gateway: &Gateway, asked: &str, found: &Found) -> Option<String> {
    let many = found.wheels.len() + found.batches.len() + found.stands.len();
    let asked = bare(asked);
    let same = |name: &str| name.eq_ignore_ascii_case(asked);
    let mut rooms = gateway.site().rooms.iter();
    if many == 0 && rooms.any(|room| same(room.id.as_str()) || same(&room.name)) {
        return Some("/rooms".to_owned());
    }
    if many != 1 || !found.customers.is_empty() {
        return None;
    }
    let wheels = found.wheels.iter().map(|id| format!("/wheels/{id}"));
    let batches = found.batches.iter().map(|id| format!("/batches/{id}"));
    let stands = found.stands.iter().map(|id| say::stand_path(*id));
    wheels.chain(batches).chain(stands).next()
}
