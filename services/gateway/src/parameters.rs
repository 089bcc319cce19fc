//! What can be asked of a page or a call in its query. What it does not take is refused: an
//! answer about everything would pass for one about what was asked.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use axum::extract::rejection::QueryRejection;
use axum::extract::{MatchedPath, Query, Request};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

use crate::api::openapi;
use crate::trouble::Trouble;

/// What each page takes; one that is not here takes nothing.
const PAGES: &[(&str, &[&str])] = &[
    ("/sign-in", &["next"]),
    ("/setup", &["word"]),
    ("/today", &["from"]),
    ("/floor", &["days", "room", "from"]),
    ("/wheels/{wheel}", &["all", "from"]),
    (
        "/batches/{batch}",
        &["all", "from", "warmer", "by_c", "days", "pierce_later_days"],
    ),
    ("/portions", &["batch"]),
    ("/rooms", &["air"]),
    ("/alerts", &["from"]),
    ("/find", &["q"]),
    (
        "/orders",
        &[
            "customer", "recipe", "grade", "wheels", "by", "open", "over", "short",
        ],
    ),
    ("/recall", &["what", "code", "contact"]),
    (
        "/recall/paper",
        &["what", "code", "contact", "paper", "batch"],
    ),
    ("/holds", &["what", "code", "from"]),
    ("/corrections", &["batch", "stand"]),
];

type Names = BTreeMap<(String, String), Vec<String>>;

/// What each call takes, as its description says.
static CALLS: LazyLock<Names> = LazyLock::new(|| {
    let document = openapi::document();
    let mut calls = Names::new();
    for call in openapi::CALLS {
        let parameters = document["paths"][call.path][call.method]["parameters"].as_array();
        let in_query = parameters
            .into_iter()
            .flatten()
            .filter(|parameter| parameter["in"] == "query");
        let names = in_query.filter_map(|parameter| parameter["name"].as_str().map(str::to_owned));
        let key = (call.path.to_owned(), call.method.to_owned());
        calls.insert(key, names.collect());
    }
    calls
});

/// Before every page.
pub async fn of_page(request: Request, next: Next) -> Response {
    let taken = path(&request).map(|path| {
        let known = PAGES.iter().find(|(page, _)| *page == path);
        known.map_or(&[][..], |(_, names)| *names)
    });
    match taken.map_or(Ok(()), |taken| check(&request, taken)) {
        Ok(()) => next.run(request).await,
        Err(trouble) => trouble.into_response(),
    }
}

/// Before every call.
pub async fn of_call(request: Request, next: Next) -> Response {
    let method = match request.method().as_str() {
        "HEAD" => "get".to_owned(),
        method => method.to_ascii_lowercase(),
    };
    let path = path(&request).unwrap_or_default().to_owned();
    // What is no call says so by itself.
    let taken = CALLS.get(&(path, method));
    match taken.map_or(Ok(()), |taken| check(&request, taken)) {
        Ok(()) => next.run(request).await,
        Err(trouble) => trouble.into_response(),
    }
}

fn path(request: &Request) -> Option<&str> {
    let matched = request.extensions().get::<MatchedPath>();
    matched.map(MatchedPath::as_str)
}

fn check<S: AsRef<str>>(request: &Request, taken: &[S]) -> Result<(), Trouble> {
    let asked: Query<Vec<(String, String)>> =
        Query::try_from_uri(request.uri()).map_err(|bad| unfit(&bad))?;
    let unknown = asked
        .iter()
        .find(|(name, _)| taken.iter().all(|taken| taken.as_ref() != name));
    let Some((name, _)) = unknown else {
        return Ok(());
    };
    let name: String = name.chars().take(40).collect();
    let taken: Vec<&str> = taken.iter().map(AsRef::as_ref).collect();
    Err(Trouble::bad(if taken.is_empty() {
        format!("nothing can be asked here behind the ?, and {name:?} was: leave it out")
    } else {
        format!(
            "{name:?} cannot be asked here: what can is {}",
            taken.join(", ")
        )
    }))
}

/// A value that is none, in words.
pub fn unfit(bad: &QueryRejection) -> Trouble {
    let text = bad.body_text();
    let what = text
        .split_once("query string: ")
        .map_or(text.as_str(), |(_, what)| what);
    Trouble::bad(format!("what is asked behind the ? does not fit: {what}"))
}

/// Pages, and what each takes.
#[must_use]
pub const fn pages() -> &'static [(&'static str, &'static [&'static str])] {
    PAGES
}
