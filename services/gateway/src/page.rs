//! The pages: drawn here whole, so that each loads in one request.

mod alerts;
mod batch;
mod corrections;
mod desk;
mod entry;
mod find;
mod floor;
mod forecast;
mod frame;
mod holds;
mod icon;
mod life;
mod orders;
mod pager;
mod people;
mod portions;
mod recall;
mod rooms;
mod say;
mod shipments;
mod sign_in;
mod stand;
mod station;
mod today;
mod wheel;
mod wishes;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, Uri, header};
use axum::middleware::from_fn;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use maud::html;

use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters;
use crate::trouble::Trouble;
use frame::{Frame, Here};

/// Every page.
pub fn routes() -> Router<Gateway> {
    Router::new()
        .route("/", get(home))
        .route("/sign-in", get(sign_in::form).post(sign_in::begin))
        .route("/sign-out", post(sign_in::end))
        .route("/setup", get(sign_in::setup_form).post(sign_in::setup))
        .route("/station", get(station::page))
        .route("/today", get(today::page))
        .route("/floor", get(floor::page))
        .route("/stands/{kind}/{id}", get(stand::page))
        .route("/wheels/{wheel}", get(wheel::page))
        .route("/batches/{batch}", get(batch::page))
        .route("/portions", get(portions::page))
        .route("/rooms", get(rooms::page))
        .route("/alerts", get(alerts::page).post(alerts::acknowledge))
        .route("/find", get(find::page))
        .route("/orders", get(orders::page).post(orders::place))
        .route("/orders/cancel", post(orders::cancel))
        .route("/orders/confirm", post(orders::confirm))
        .route("/entry", get(entry::list))
        .route("/entry/{topic}", get(entry::form).post(entry::enter))
        .route("/recall", get(recall::page))
        .route("/recall/paper", get(recall::paper))
        .route("/holds", get(holds::page).post(holds::place))
        .route("/holds/end", post(holds::end))
        .route("/corrections", get(corrections::page).post(wheel::correct))
        .route("/people", get(people::page).post(people::admit))
        .route("/people/erase", post(people::erase))
        .route("/stations", get(desk::page).post(desk::enrol))
        .route("/stations/send-away", post(desk::send_away))
        .route("/me", get(wishes::page).post(wishes::change))
        .route_layer(from_fn(parameters::of_page))
}

async fn home(visitor: Visitor) -> Redirect {
    let to = match (&visitor.device, &visitor.signed) {
        (Some(_), _) => "/station",
        (None, Some(_)) => "/today",
        (None, None) => "/sign-in",
    };
    Redirect::to(to)
}

/// There is no such page.
pub async fn nothing(uri: Uri) -> Response {
    // Said with the path's end only: the rest is of no use to a person.
    let path: String = uri.path().chars().take(60).collect();
    Trouble::missing(format!(
        "there is no page {path}: use the names at the side"
    ))
    .into_response()
}

/// A trouble as a page; or the way to sign in, when that is all that is missing.
#[must_use]
pub fn trouble(gateway: &Gateway, visitor: &Visitor, path: &str, trouble: &Trouble) -> Response {
    if trouble.code == "sign_in" {
        let next = if path.starts_with("/sign-in") {
            "/"
        } else {
            path
        };
        return Redirect::to(&format!("/sign-in?next={}", encoded(next))).into_response();
    }
    let t = visitor.tongue();
    let content = html! {
        div.plain-trouble role="alert" {
            (icon::level("wrong"))
            div {
                p.big { (say::trouble(t, trouble)) }
                p { a.button href="/" { (t.say("trouble-home")) } }
            }
        }
    };
    let frame = Frame::new(gateway, visitor, t.say("trouble-title"), Here::Nowhere);
    let mut response = (trouble.status, frame.draw(&content)).into_response();
    if let Some(seconds) = trouble.retry_after {
        response
            .headers_mut()
            .insert(header::RETRY_AFTER, seconds.into());
    }
    response
}

/// After a form: look at the result, and a reload repeats nothing.
fn see(path: &str) -> Response {
    (StatusCode::SEE_OTHER, [(header::LOCATION, path.to_owned())]).into_response()
}

/// A path as a value in a query.
fn encoded(path: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'-' | b'_' | b'.');
    path.bytes()
        .map(|b| {
            if plain(b) {
                char::from(b).to_string()
            } else {
                format!("%{b:02X}")
            }
        })
        .collect()
}

/// A signed-in page's state: who asks, and that somebody may look.
fn looking(visitor: &Visitor) -> Result<(), Trouble> {
    visitor.signed().map(|_| ())
}

type Gate = State<Gateway>;
