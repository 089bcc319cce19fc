//! Finding things by any code, lot, date or customer.

use std::collections::BTreeSet;

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::NaiveDate;
use facts::{BatchId, Carrier, WheelId};
use maud::html;
use names::{Kind, UnknownName};
use ripening::Floor;
use ripening::answer::carrier;
use serde::Deserialize;

use super::frame::{Frame, Here};
use super::{Gate, encoded, looking, say, unfinished};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;

/// Things of one kind shown.
const SHOWN: usize = 60;

/// Longest search, in characters.
const LONGEST: usize = 60;

/// Fewer letters would be in nearly every customer's name.
const LEAST_OF_A_NAME: usize = 3;

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    #[serde(default)]
    q: String,
}

/// What was found.
#[derive(Debug, Default)]
struct Found {
    wheels: BTreeSet<WheelId>,
    batches: BTreeSet<BatchId>,
    stands: BTreeSet<Carrier>,
    rooms: bool,
    customers: BTreeSet<String>,
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
    let sought = asked.clone();
    let rooms: Vec<String> = gateway
        .site()
        .rooms
        .iter()
        .flat_map(|room| [room.id.to_string(), room.name.clone()])
        .collect();
    let found = gateway
        .outlook()
        .look(gateway.now(), move |floor| find(floor, &rooms, &sought))
        .await;
    let mut found = found.map_err(|error| unfinished(&error))?;
    if asked.chars().count() >= LEAST_OF_A_NAME {
        for order in gateway.outlook().orders_of(&asked) {
            found.wheels.extend(order.wheels);
            found.customers.insert(order.customer);
        }
    }
    if let Some(only) = only(&found) {
        return Ok(Redirect::to(&only).into_response());
    }
    let codes = found.wheels.len() + found.batches.len() + found.stands.len();
    let nothing = codes == 0 && found.customers.is_empty();
    let more = |found: usize| {
        html! {
            @if found > SHOWN { p { (t.with("more", [("count", (found - SHOWN).into())])) } }
        }
    };
    let near = match nothing && !asked.is_empty() {
        true => near(&gateway, &asked).await?,
        false => Vec::new(),
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
            @if !near.is_empty() { p.big { (t.say("find-near"))
                @for code in &near { " " a href={ "/find?q=" (encoded(code)) } { (code) } }
            } }
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

/// Codes of anything that may have been meant.
async fn near(gateway: &Gateway, asked: &str) -> Result<Vec<String>, Trouble> {
    let codes = |floor: &Floor| {
        let wheels = floor.wheels().map(|(id, _)| id.to_string());
        let batches = floor.batches().map(|(id, _)| id.to_string());
        wheels.chain(batches).collect::<Vec<_>>()
    };
    let looked = gateway.outlook().look(gateway.now(), codes).await;
    let mut codes = looked.map_err(|error| unfinished(&error))?;
    gateway.outlook().named(|known| {
        for kind in Kind::ALL {
            codes.extend(known.of(*kind).map(str::to_owned));
        }
    });
    Ok(UnknownName::among(Kind::BatchOrWheel, bare(asked), codes).nearest)
}

/// A code as scanned, `W.311-04`, without the letter before it.
fn bare(asked: &str) -> &str {
    match asked.split_once('.') {
        Some((letter, rest)) if letter.len() == 1 && letter.starts_with(char::is_alphabetic) => {
            rest
        }
        _ => asked,
    }
}

/// The page of the only thing found.
fn only(found: &Found) -> Option<String> {
    let many = found.wheels.len() + found.batches.len() + found.stands.len();
    if many == 0 && found.rooms {
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

fn find(floor: &Floor, rooms: &[String], asked: &str) -> Found {
    let mut found = Found::default();
    let bare = bare(asked);
    if bare.is_empty() {
        return found;
    }
    let same = |code: &str| code.eq_ignore_ascii_case(bare);
    let day = date(bare);
    let lower = bare.to_lowercase();
    found.rooms = rooms.iter().any(|room| same(room));
    for (id, batch) in floor.batches() {
        let wheels = || batch.wheels.iter().filter_map(|wheel| floor.wheel(*wheel));
        let made = || wheels().find_map(|wheel| wheel.state().made);
        let lot = || {
            let lines = batch.lines.values();
            lines.filter(|_| lower.len() > 2).any(|line| {
                let lots = line.started.iter().flat_map(|started| &started.milk_lots);
                let said = line.words.to_lowercase();
                said.contains(&lower) || lots.into_iter().any(|lot| same(lot.as_str()))
            })
        };
        if same(id.as_str()) || (day.is_some() && made().map(|made| made.date()) == day) || lot() {
            found.batches.insert(*id);
        }
    }
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        let promised = state.allocated.is_some_and(|order| same(order.as_str()));
        let held = || floor.holds(*id).iter().any(|hold| same(hold.as_str()));
        if same(id.as_str()) || promised || held() {
            found.wheels.insert(*id);
        }
        if !state.on_floor() {
            continue;
        }
        let stack = state.stack.map(Carrier::Stack);
        let hoop = state.hoop.map(Carrier::Hoop);
        for stand in [carrier(state), stack, hoop].into_iter().flatten() {
            let code = match stand {
                Carrier::Hoop(id) => same(id.as_str()),
                Carrier::Stack(id) => same(id.as_str()),
                Carrier::Stillage(id) => same(id.as_str()),
            };
            if code {
                found.stands.insert(stand);
            }
        }
    }
    found
}

/// `2026-03-03` or `3.3.2026`.
fn date(text: &str) -> Option<NaiveDate> {
    let forms = ["%Y-%m-%d", "%d.%m.%Y"];
    forms
        .iter()
        .find_map(|form| NaiveDate::parse_from_str(text, form).ok())
        .filter(|day| quantity::calendar::date(*day).is_ok())
}
