//! Signing in, signing out, and the first manager.

use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use facts::PersonId;
use maud::{Markup, html};
use serde::Deserialize;

use super::frame::{document, token};
use super::{Gate, icon, say, see};
use crate::api;
use crate::guard::{Filled, SESSION_COOKIE, Visitor, set_cookie};
use crate::people::{Pin, Role};
use crate::trouble::Trouble;

#[derive(Debug, Default, Deserialize)]
pub struct Next {
    #[serde(default)]
    next: String,
}

impl Next {
    /// Only a path of this server.
    fn path(&self) -> &str {
        let own = self.next.starts_with('/') && !self.next.starts_with("//");
        if own && !self.next.contains('\\') {
            &self.next
        } else {
            "/"
        }
    }
}

pub async fn form(visitor: Visitor, next: Query<Next>) -> Markup {
    draw(&visitor, next.path(), "", None)
}

fn draw(visitor: &Visitor, next: &str, badge: &str, trouble: Option<&Trouble>) -> Markup {
    let t = visitor.tongue();
    let body = html! {
        main.door id="main" {
            h1 { img src="/assets/wheel.svg" alt="" width="56" height="56"; " " (t.say("sign-in-title")) }
            @if let Some(trouble) = trouble {
                div.plain-trouble role="alert" { (icon::level("wrong")) p { (say::core(t, &trouble.words)) } }
            }
            form.card method="post" action="/sign-in" {
                (token(visitor))
                input type="hidden" name="next" value=(next);
                label for="badge" { (t.say("badge")) }
                input id="badge" name="badge" required autocomplete="username" autocapitalize="characters"
                    spellcheck="false" maxlength="30" value=(badge) autofocus[badge.is_empty()];
                label for="pin" { (t.say("pin")) }
                input id="pin" name="pin" type="password" inputmode="numeric" required
                    autocomplete="current-password" maxlength="12" autofocus[!badge.is_empty()];
                button.primary type="submit" { (t.say("sign-in")) }
            }
            p.hint { (t.say("sign-in-hint")) }
        }
    };
    document(
        visitor,
        &t.say("sign-in-title"),
        "doorway",
        &["page.js"],
        &body,
    )
}

#[derive(Debug, Deserialize)]
pub struct Typed {
    badge: String,
    pin: String,
    #[serde(default)]
    next: String,
}

pub async fn begin(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(typed): Filled<Typed>,
) -> Response {
    let next = Next { next: typed.next };
    match api::sign_in(&gateway, &visitor, &typed.badge, &typed.pin).await {
        Ok(signed) => {
            let mut response = see(next.path());
            response
                .headers_mut()
                .extend(api::signed_in_cookies(&gateway, &signed));
            response
        }
        Err(trouble) => {
            let shown: String = typed.badge.chars().take(30).collect();
            let page = draw(&visitor, next.path(), &shown, Some(&trouble));
            (trouble.status, page).into_response()
        }
    }
}

#[derive(Debug, Deserialize)]
pub struct Nothing {}

pub async fn end(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(Nothing {}): Filled<Nothing>,
) -> Result<Response, Trouble> {
    if let Some(signed) = &visitor.signed {
        gateway.people().sign_out(signed, gateway.moment())?;
    }
    let mut response = see("/sign-in");
    let cookie = set_cookie(&gateway, SESSION_COOKIE, "", 0);
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(response)
}

#[derive(Debug, Deserialize)]
pub struct Word {
    #[serde(default)]
    word: String,
}

fn not_good() -> Trouble {
    Trouble::forbidden(
        "this link has been used or is not the newest: the log of the program has the one that works, until someone can sign in",
    )
}

pub async fn setup_form(
    State(gateway): Gate,
    visitor: Visitor,
    Query(word): Query<Word>,
) -> Result<Markup, Trouble> {
    if !gateway.setup().is_good(&word.word) {
        return Err(not_good());
    }
    Ok(draw_setup(&visitor, &word.word, None))
}

fn draw_setup(visitor: &Visitor, word: &str, trouble: Option<&Trouble>) -> Markup {
    let t = visitor.tongue();
    let body = html! {
        main.door id="main" {
            h1 { img src="/assets/wheel.svg" alt="" width="56" height="56"; " " (t.say("setup-title")) }
            p { (t.say("setup-words")) }
            @if let Some(trouble) = trouble {
                div.plain-trouble role="alert" { (icon::level("wrong")) p { (say::core(t, &trouble.words)) } }
            }
            form.card method="post" action="/setup" {
                (token(visitor))
                input type="hidden" name="word" value=(word);
                label for="badge" { (t.say("badge")) }
                input id="badge" name="badge" required maxlength="20" spellcheck="false" autofocus;
                label for="name" { (t.say("name")) }
                input id="name" name="name" required maxlength="60" autocomplete="name";
                label for="pin" { (t.say("pin-new")) }
                input id="pin" name="pin" type="password" inputmode="numeric" required
                    autocomplete="new-password" maxlength="12" aria-describedby="pin-hint";
                p.hint id="pin-hint" { (t.say("pin-hint")) }
                button.primary type="submit" { (t.say("setup-do")) }
            }
        }
    };
    document(visitor, &t.say("setup-title"), "doorway", &[], &body)
}

#[derive(Debug, Deserialize)]
pub struct First {
    word: String,
    badge: String,
    name: String,
    pin: String,
}

pub async fn setup(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(first): Filled<First>,
) -> Result<Response, Trouble> {
    gateway.limits().sign_in(visitor.from)?;
    if !gateway.setup().is_good(&first.word) {
        return Err(not_good());
    }
    let now = gateway.moment();
    let admitted = match PersonId::new(first.badge.trim()) {
        Ok(badge) => {
            let (name, pin) = (first.name, Pin::typed(&first.pin));
            gateway
                .with_people(move |people| {
                    if !people.is_empty() {
                        return Err(not_good());
                    }
                    people.admit(badge, &name, Role::Manager, Some(&pin), now)
                })
                .await
        }
        Err(bad) => Err(Trouble::bad(bad.to_string())),
    };
    if let Err(trouble) = admitted {
        let page = draw_setup(&visitor, &first.word, Some(&trouble));
        return Ok((trouble.status, page).into_response());
    }
    gateway.setup().done(gateway.people());
    Ok(see("/sign-in?next=/people"))
}
