//! Style, scripts and pictures, in the program itself.

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use crate::gateway::Gateway;
use crate::trouble::Trouble;

/// Name, kind and content of every file.
const FILES: &[(&str, &str, &str)] = &[
    (
        "wheelward.css",
        "text/css; charset=utf-8",
        include_str!("../assets/wheelward.css"),
    ),
    ("chart.css", "text/css; charset=utf-8", chart::CSS),
    (
        "outbox.js",
        "text/javascript; charset=utf-8",
        include_str!("../assets/outbox.js"),
    ),
    (
        "offline.js",
        "text/javascript; charset=utf-8",
        include_str!("../assets/offline.js"),
    ),
    (
        "station.js",
        "text/javascript; charset=utf-8",
        include_str!("../assets/station.js"),
    ),
    (
        "page.js",
        "text/javascript; charset=utf-8",
        include_str!("../assets/page.js"),
    ),
    (
        "wheel.svg",
        "image/svg+xml",
        include_str!("../assets/wheel.svg"),
    ),
    (
        "manifest.json",
        "application/manifest+json",
        include_str!("../assets/manifest.json"),
    ),
];

/// How far a service worker's care may reach beyond its own folder.
const WORKER_REACHES: HeaderName = HeaderName::from_static("service-worker-allowed");

/// The files under `/assets`.
pub fn routes() -> Router<Gateway> {
    Router::new().route("/assets/{name}", get(file))
}

/// Asked for again only when the program has changed.
async fn file(Path(name): Path<String>, headers: HeaderMap) -> Response {
    let Some((_, kind, content)) = FILES.iter().find(|(file, ..)| *file == name) else {
        return Trouble::missing("there is no such file").into_response();
    };
    let tag = format!("\"{}\"", &crate::people::hash(content)[..16]);
    let held = headers.get(header::IF_NONE_MATCH);
    if held.is_some_and(|held| held.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, [(header::ETAG, tag)]).into_response();
    }
    let headers = [
        (header::CONTENT_TYPE, (*kind).to_owned()),
        (header::CACHE_CONTROL, "no-cache".to_owned()),
        (header::ETAG, tag),
        // The service worker looks after the station page, which is not among the assets.
        (WORKER_REACHES, "/".to_owned()),
    ];
    (headers, *content).into_response()
}
