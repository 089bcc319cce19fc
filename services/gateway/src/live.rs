//! Live updates: pages hear that the floor has moved (server-sent events).

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures::Stream;
use serde_json::json;

use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::trouble::Trouble;

/// No page needs to know more often.
const AT_MOST_EVERY: Duration = Duration::from_secs(1);

/// `GET /api/v1/live`: an event `moved` with the number up to which the log was read, at
/// most once a second.
///
/// # Errors
/// Nobody is signed in, or too many listen.
pub async fn live(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Trouble> {
    let signed = visitor.signed()?;
    let place = gateway.listeners().take(signed.account.badge);
    let place = place.ok_or_else(|| {
        Trouble::away("too many pages are open at once: close some, or reload this one by hand")
    })?;
    let moved = gateway.moved().hear();
    let first = true;
    let steps = futures::stream::unfold((moved, gateway, place, first), |state| async move {
        let (mut moved, gateway, place, first) = state;
        if !first {
            let waited = async {
                tokio::time::sleep(AT_MOST_EVERY).await;
                moved.changed().await.is_ok()
            };
            tokio::select! {
                goes_on = waited => {
                    if !goes_on {
                        return None;
                    }
                }
                () = gateway.shutdown().requested() => return None,
            }
        }
        let seq = *moved.borrow_and_update();
        let data = json!({ "seq": seq, "now": gateway.now() }).to_string();
        let event = Event::default().event("moved").data(data);
        Some((Ok(event), (moved, gateway, place, false)))
    });
    Ok(Sse::new(steps).keep_alive(KeepAlive::default()))
}
