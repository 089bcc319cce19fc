//! Style, scripts and pictures, in the program itself.

use std::sync::LazyLock;

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderMap, HeaderName, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use crate::gateway::Gateway;
use crate::people::hash;
use crate::trouble::Trouble;

/// Name, kind and content of every file.
const FILES: &[(&str, &str, &[u8])] = &[
    (
        "wheelward.css",
        "text/css; charset=utf-8",
        include_bytes!("../assets/wheelward.css"),
    ),
    (
        "chart.css",
        "text/css; charset=utf-8",
        chart::CSS.as_bytes(),
    ),
    (
        "outbox.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/outbox.js"),
    ),
    (
        "camera.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/camera.js"),
    ),
    (
        "zxing_reader.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/zxing/zxing_reader.js"),
    ),
    (
        "zxing_reader.wasm",
        "application/wasm",
        include_bytes!("../assets/zxing/zxing_reader.wasm"),
    ),
    (
        "offline.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/offline.js"),
    ),
    (
        "signer.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/signer.js"),
    ),
    (
        "sound.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/sound.js"),
    ),
    (
        "tabs.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/tabs.js"),
    ),
    (
        "there.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/there.js"),
    ),
    (
        "wedge.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/wedge.js"),
    ),
    (
        "receipts.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/receipts.js"),
    ),
    (
        "station.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/station.js"),
    ),
    (
        "page.js",
        "text/javascript; charset=utf-8",
        include_bytes!("../assets/page.js"),
    ),
    (
        "wheel.svg",
        "image/svg+xml",
        include_bytes!("../assets/wheel.svg"),
    ),
    (
        "manifest.json",
        "application/manifest+json",
        include_bytes!("../assets/manifest.json"),
    ),
];

/// How far a service worker's care may reach beyond its own folder.
const WORKER_REACHES: HeaderName = HeaderName::from_static("service-worker-allowed");

/// The files under `/assets`.
pub fn routes() -> Router<Gateway> {
    Router::new().route("/assets/{name}", get(file))
}

/// A mark of each file's content.
static TAGS: LazyLock<Vec<String>> = LazyLock::new(|| {
    let contents = FILES.iter().map(|(.., content)| hash(content));
    contents
        .map(|hash| format!("\"{}\"", &hash[..16]))
        .collect()
});

/// Asked for again only when the program has changed.
async fn file(Path(name): Path<String>, headers: HeaderMap) -> Response {
    let mut files = FILES.iter().zip(TAGS.iter());
    let Some(((_, kind, content), tag)) = files.find(|((file, ..), _)| *file == name) else {
        return Trouble::missing("there is no such file").into_response();
    };
    let held = headers.get(header::IF_NONE_MATCH);
    if held.is_some_and(|held| held.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, [(header::ETAG, tag.as_str())]).into_response();
    }
    let headers = [
        (header::CONTENT_TYPE, *kind),
        (header::CACHE_CONTROL, "no-cache"),
        (header::ETAG, tag.as_str()),
        // The service worker looks after the station page, which is not among the assets.
        (WORKER_REACHES, "/"),
    ];
    (headers, *content).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_decoder_of_pictures_is_the_one_that_its_package_names() {
        let content = |name: &str| FILES.iter().find(|(file, ..)| *file == name).unwrap().2;
        let script = std::str::from_utf8(content("zxing_reader.js")).unwrap();
        let named = format!("ZXING_WASM_SHA256=`{}`", hash(content("zxing_reader.wasm")));
        assert!(script.contains(&named));
    }
}
