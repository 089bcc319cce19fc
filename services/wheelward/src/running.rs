//! What a running floor leaves in its data folder so that questions find it.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use bus::{Access, Bus, BusError};
use facts::{PersonId, SiteId};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use crate::broker;
use crate::cli::AskArgs;

const FILE: &str = "running.json";

/// Where a floor runs.
#[derive(Debug, Serialize, Deserialize)]
pub struct Running {
    /// Its broker.
    pub broker: String,
    /// Whether it started that broker itself: then its passwords lie in the data folder.
    #[serde(default)]
    pub own_broker: bool,
    /// Where the keys for another broker lie, and the authority that signed its certificate.
    #[serde(default)]
    pub keys: Option<PathBuf>,
    #[serde(default)]
    pub ca: Option<PathBuf>,
    /// Its site.
    pub site: SiteId,
    /// Its rooms' names.
    pub rooms: Vec<(facts::RoomId, String)>,
    /// The badges of those who work there.
    #[serde(default)]
    pub people: Vec<PersonId>,
}

impl Running {
    /// Leaves word.
    pub fn write(&self, data: &Path) -> anyhow::Result<()> {
        std::fs::create_dir_all(data)
            .with_context(|| format!("could not make the folder {}", data.display()))?;
        let path = data.join(FILE);
        bus::write_whole(&path, &serde_json::to_vec_pretty(self)?)
            .with_context(|| format!("could not write {}", path.display()))
    }

    /// What a floor left in its data folder; nothing where none was started.
    pub fn read(data: &Path) -> Option<Self> {
        serde_json::from_slice(&std::fs::read(data.join(FILE)).ok()?).ok()
    }
}

/// Whoever answers a command.
pub enum Answerer<F> {
    /// The workers of a floor that runs, as of now.
    Running(Asker),
    /// What was made here of a file of facts, or of a running floor's at an instant that is over.
    Folded(Box<F>),
}

/// A connection for asking.
pub struct Asker {
    pub bus: Bus,
    pub site: SiteId,
}

impl Asker {
    /// Connects to the floor that the arguments name.
    pub async fn connect(args: &AskArgs) -> anyhow::Result<Self> {
        let running = Running::read(&args.data);
        let of_running = running.as_ref().filter(|_| args.broker.is_none());
        let access = Access {
            keys: (args.access.broker_keys.clone()).or_else(|| of_running?.keys.clone()),
            authority: (args.access.broker_ca.clone()).or_else(|| of_running?.ca.clone()),
        };
        let broker = match (&args.broker, &running) {
            (Some(given), _) => Some(given.clone()),
            (None, Some(running)) if running.own_broker => {
                Some(broker::for_commands(&args.data, &running.broker)?)
            }
            (None, running) => running.as_ref().map(|running| running.broker.clone()),
        };
        let site = match &args.site_id {
            Some(site) => Some(SiteId::new(site)?),
            None => running.map(|r| r.site),
        };
        let (Some(broker), Some(site)) = (broker, site) else {
            let word = args.data.join(FILE);
            if word.exists() && std::fs::File::open(&word).is_err() {
                anyhow::bail!(
                    "{} may not be read: run this as the user who runs `wheelward up`",
                    word.display()
                );
            }
            anyhow::bail!(
                "no floor runs in {}: start one with `wheelward up`, or say --data, or --broker and --site-id",
                args.data.display()
            );
        };
        let user = authority::workers::Worker::Commands.name();
        let bus = Bus::connect_with(&broker, user, &access).await?;
        let patience = std::time::Duration::from_secs(3);
        if tokio::time::timeout(patience, bus.connected())
            .await
            .is_err()
        {
            return Err(bus::BusError::Unread {
                doing: "connecting to it".to_owned(),
            }
            .into());
        }
        Ok(Self { bus, site })
    }

    /// Asks the floor's workers.
    pub async fn asks<A: DeserializeOwned>(
        &self,
        question: &str,
        query: &impl Serialize,
    ) -> Result<A, BusError> {
        self.bus.ask(&self.site, question, query).await
    }
}
