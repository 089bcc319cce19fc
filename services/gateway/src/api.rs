//! The HTTP and JSON API under `/api/v1`: what the pages use, open to other programs of
//! the dairy. Its description is made from the same types (`openapi`).

mod floor;
mod forecast;
pub mod openapi;
pub mod orders;
mod part;
mod record;
mod session;
mod station;

use axum::Router;
use axum::middleware::from_fn;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};

use crate::gateway::Gateway;
use crate::live;
use crate::parameters;
use crate::trouble::Trouble;

pub use record::{acknowledge_alert, said_of, void_fact, words};
pub use session::{ScanKey, sign_in, signed_in_cookies};
pub use station::standing;

/// Every call. A call here that [`openapi`] does not describe fails a test.
pub fn routes() -> Router<Gateway> {
    Router::new()
        .route("/api/v1/openapi.json", get(openapi::serve))
        .route(
            "/api/v1/session",
            get(session::look).post(session::begin).delete(session::end),
        )
        .route("/api/v1/station", get(station::look))
        .route("/api/v1/station/scan", post(station::scan))
        .route("/api/v1/standing", get(floor::standing))
        .route("/api/v1/floor", get(floor::floor))
        .route("/api/v1/due", get(floor::due))
        .route("/api/v1/wheels", get(floor::wheels))
        .route("/api/v1/wheels/{wheel}", get(floor::wheel))
        .route("/api/v1/batches/{batch}", get(floor::batch))
        .route("/api/v1/plan", get(floor::plan))
        .route("/api/v1/rooms", get(floor::rooms))
        .route("/api/v1/told", get(floor::told))
        .route("/api/v1/forecasts", get(forecast::all))
        .route("/api/v1/forecasts/{what}", get(forecast::one))
        .route(
            "/api/v1/alerts/{alert}/acknowledgement",
            post(record::acknowledge),
        )
        .route("/api/v1/facts/{fact}/void", post(record::void))
        .route("/api/v1/orders", get(orders::list).post(orders::place))
        .route("/api/v1/orders/{order}/cancellation", post(orders::cancel))
        .route("/api/v1/orders/{order}/confirmation", post(orders::confirm))
        .route("/api/v1/allocation", get(orders::allocation))
        .route("/api/v1/promise", get(orders::promise))
        .route("/api/v1/picks", get(orders::picks))
        .route("/api/v1/live", get(live::live))
        .route("/api/{*rest}", axum::routing::any(nothing))
        .route_layer(from_fn(parameters::of_call))
}

async fn nothing() -> Response {
    Trouble::missing("there is no such call: /api/v1/openapi.json lists all of them")
        .into_response()
}

/// A method that a call does not have.
pub async fn wrong_method() -> Response {
    Trouble::new(
        axum::http::StatusCode::METHOD_NOT_ALLOWED,
        "bad_request",
        "this cannot be done with this method: /api/v1/openapi.json lists what can",
    )
    .into_response()
}
