//! A site's broker: who signs in there, and who may do what.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use bus::broker::{ChildBroker, Guard, Mqtt};
use bus::permissions::{self, Grants};
use bus::retry::Backoff;
use bus::{Keys, Shutdown};
use site::Site;
use tokio::task::JoinHandle;

use crate::cli::BrokerCommand;
use crate::files;

/// A broker that ran this long before it fell over is started again at once.
const RAN_WELL: Duration = Duration::from_secs(60);

/// `wheelward broker`
pub fn run(command: &BrokerCommand) -> anyhow::Result<()> {
    match command {
        BrokerCommand::Permissions(args) => {
            let grants = grants(&files::site(&args.site)?);
            let public = match &args.keys {
                Some(folder) => {
                    let users = grants.workers().map(authority::workers::Worker::name);
                    bus::nkeys(folder, users)
                        .with_context(|| format!("could not keep keys in {}", folder.display()))?
                }
                None => BTreeMap::new(),
            };
            print!("{}", permissions::conf(&grants, &public));
        }
    }
    Ok(())
}

/// The folder of a floor's own broker, in its data folder.
pub fn folder(data: &Path) -> PathBuf {
    data.join("broker")
}

/// A broker of the floor's own, which hears room sensors as well if the site file says so.
/// `demo`: the demo plays on it.
pub async fn start(site: &Site, data: &Path, demo: bool) -> anyhow::Result<ChildBroker> {
    Ok(ChildBroker::start_guarded(&folder(data), &guard(site, demo)).await?)
}

fn guard(site: &Site, demo: bool) -> Guard {
    let serves = |climate: &site::Climate| {
        Some(Mqtt {
            listen: climate.serve?,
            without_password: climate.without_password,
        })
    };
    Guard {
        grants: Grants {
            demo,
            ..grants(site)
        },
        mqtt: site.climate.as_ref().and_then(serves),
    }
}

/// A floor's own broker, which is started again whenever it ends: on its own folder, with its
/// users and under its address, where workers and outboxes wait for it.
pub struct OwnBroker {
    /// Its address.
    pub url: String,
    /// Its users' passwords.
    pub keys: Option<Keys>,
    stop: Shutdown,
    keeping: JoinHandle<()>,
}

impl OwnBroker {
    /// Starts it.
    pub async fn start(site: &Site, data: &Path) -> anyhow::Result<Self> {
        let broker = start(site, data, false).await?;
        let (url, keys, stop) = (broker.url(), broker.keys().cloned(), Shutdown::new());
        let keeping = tokio::spawn(keep(broker, folder(data), guard(site, false), stop.clone()));
        Ok(Self {
            url,
            keys,
            stop,
            keeping,
        })
    }

    /// Stops it in order and waits until it has ended.
    pub async fn stop(self) {
        self.stop.request();
        if let Err(error) = self.keeping.await {
            tracing::warn!(%error, "the broker's supervisor did not end well");
        }
    }
}

/// Starts a broker again whenever it ends, until told to stop it.
async fn keep(mut broker: ChildBroker, folder: PathBuf, guard: Guard, stop: Shutdown) {
    let port = broker.port();
    let mut backoff = Backoff::new(Duration::from_millis(200), Duration::from_secs(10));
    loop {
        let ran_well = tokio::time::sleep(RAN_WELL);
        tokio::pin!(ran_well);
        loop {
            tokio::select! {
                ended = broker.ended() => {
                    tracing::error!("{ended}: starting it again. Stations go on meanwhile, and keep what is scanned");
                    break;
                }
                () = &mut ran_well, if !ran_well.is_elapsed() => backoff.reset(),
                () = stop.requested() => return broker.stop().await,
            }
        }
        broker = loop {
            let starting = async {
                backoff.wait().await;
                ChildBroker::start_guarded_on(&folder, &guard, port).await
            };
            tokio::select! {
                started = starting => match started {
                    Ok(broker) => break broker,
                    Err(error) => tracing::error!("the broker could not be started again: {error}"),
                },
                () = stop.requested() => return,
            }
        };
        tracing::info!("the broker is back; what was kept meanwhile is sent to it now");
    }
}

/// The address under which a person's commands sign in at a floor's own broker.
pub fn for_commands(data: &Path, url: &str) -> anyhow::Result<String> {
    let user = authority::workers::Worker::Commands.name();
    let dir = folder(data);
    let password = Keys::of(&dir, user).map_err(|error| {
        anyhow::anyhow!(
            "this command's password in {} cannot be read ({error}): run it as the user who runs `wheelward up`",
            dir.display()
        )
    })?;
    Ok(match password {
        Some(password) => bus::signed(url, user, &password),
        None => url.to_owned(),
    })
}

fn grants(site: &Site) -> Grants {
    let with_scale = |scale: bool| {
        let stations = site.stations.iter();
        let these = stations.filter(|station| station.scale.is_some() == scale);
        these.map(|station| station.id).collect()
    };
    let mut air: Vec<String> = site
        .climate
        .iter()
        .flat_map(|climate| &climate.probes)
        .flat_map(|probe| &probe.signals)
        .map(|signal| signal.topic.clone())
        .collect();
    air.sort();
    air.dedup();
    Grants {
        site: site.id,
        scanners: with_scale(false),
        scales: with_scale(true),
        air,
        demo: false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SHIPPED: &str = include_str!("../../../deploy/nats/permissions.conf");

    #[test]
    fn the_shipped_permissions_are_those_of_the_demos_site() {
        let site = crate::demo::shipped_site().unwrap();
        assert!(
            permissions::conf(&grants(&site), &BTreeMap::new()) == SHIPPED,
            "make it anew: wheelward broker permissions --site deploy/demo/larkholm.toml > deploy/nats/permissions.conf"
        );
    }

    #[test]
    fn every_worker_may_answer_the_questions_that_it_answers() {
        use authority::workers::Worker;
        for (worker, answers) in [
            (Worker::Scheduler, scheduler::QUESTIONS),
            (Worker::Dispatcher, dispatcher::QUESTIONS),
            (Worker::Forecaster, forecaster::QUESTIONS),
            (Worker::LabelPrinter, label_printer::QUESTIONS),
            (Worker::Records, records::QUESTIONS),
        ] {
            assert_eq!(worker.duties().answers, answers, "{worker:?}");
        }
    }

    #[test]
    fn every_worker_signs_in_under_its_own_name() {
        for worker in crate::cli::Worker::ALL {
            let names = authority::workers::Worker::ALL.map(|worker| worker.name());
            assert!(names.contains(&worker.name()), "{}", worker.name());
        }
    }
}
