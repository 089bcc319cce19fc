//! The floor in a browser: stations, the manager's pages, an HTTP API.
//!
//! A request's way: [`server`] lets it in; [`guard`] looks who asks; a handler in [`page`]
//! or [`api`] asks the scheduler, or records through [`stations`], whose desks are the same
//! station core as behind a TCP scanner. The gateway keeps no truth of its own: what it
//! shows it was told, what people do goes through its outbox as facts. People, PINs and
//! devices ([`people`]) are in a private file of its own.

pub mod api;
mod assets;
mod disk;
mod gateway;
mod guard;
mod known;
mod limit;
mod live;
mod lookup;
mod metrics;
mod moved;
mod page;
pub mod parameters;
pub mod people;
mod server;
mod setup;
mod stations;
mod told;
mod trouble;
mod units;
pub mod words;

use std::path::Path;

use anyhow::Context as _;
use axum::Router;
use axum::middleware;
use bus::{Bus, Clock, Shutdown};
use site::Site;

use crate::gateway::Gateway;
use crate::server::Door;

/// The name of this worker's folder.
const NAME: &str = "gateway";

/// Serves pages and API until shutdown. Without a `[gateway]` section in the site file it
/// only waits. The broker may come and go; scans are kept meanwhile.
///
/// # Errors
/// When the data folder, the port, or a file named in the site file cannot be used; the
/// text says what to do.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let Some(options) = site.gateway.clone() else {
        tracing::info!("the site file has no [gateway] section: no pages are served");
        shutdown.requested().await;
        return Ok(());
    };
    let dir = data.join(NAME);
    std::fs::create_dir_all(&dir)
        .with_context(|| format!("cannot make the data folder {}", dir.display()))?;
    let door = Door::open(options.listen, options.tls.as_ref(), options.behind_proxy).await?;
    let tls = options.tls.is_some();
    if let Some(address) = options.metrics {
        let door = Door::open(address, None, false).await?;
        tracing::info!(address = %door.address(), "metrics are served");
        let asks = metrics::Asks {
            bus: bus.clone(),
            site: site.clone(),
        };
        tokio::spawn(door.serve(metrics::router(asks), shutdown.clone()));
    }
    let gateway = Gateway::open(site, options, bus, clock, &dir, shutdown.clone())?;
    tracing::info!(address = %door.address(), tls, "pages are served");
    gateway.setup().tell(door.address(), tls);
    let ((), ended, (), ()) = tokio::join!(
        door.serve(router(gateway.clone()), shutdown.clone()),
        gateway.stations().run(&shutdown),
        gateway
            .moved()
            .follow(gateway.bus(), &gateway.site().id, &shutdown),
        gateway
            .told()
            .follow(gateway.bus(), &gateway.site().id, &shutdown),
    );
    ended
}

fn router(gateway: Gateway) -> Router {
    Router::new()
        .merge(page::routes())
        .merge(api::routes())
        .merge(assets::routes())
        .fallback(page::nothing)
        .method_not_allowed_fallback(api::wrong_method)
        .layer(middleware::from_fn_with_state(gateway.clone(), guard::look))
        .with_state(gateway)
}
