//! The floor watches itself: how each worker, its disk and the broker are is looked at every
//! minute, and told straight to the webhook, for a broker that is away or full passes nothing on.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::Context as _;
use authority::workers::Worker;
use bus::health::{self, Look, Trouble};
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, Utc};
use facts::SiteId;
use serde_json::json;
use site::Site;

use crate::courier::plain;
use crate::{Answer, NAME, Webhook};

/// How often is looked. What needs two looks to be trouble has lasted this long.
const EVERY: Duration = Duration::from_secs(60);

/// What people were told and is not over, in the worker's own folder.
const FILE: &str = "watch.json";

/// Looks, and tells.
#[derive(Debug)]
pub struct Watch {
    site: SiteId,
    workers: Vec<Worker>,
    backup: Option<PathBuf>,
    webhook: Option<Webhook>,
    file: PathBuf,
    /// By name, since when.
    told: BTreeMap<String, DateTime<Utc>>,
    before: Option<Look>,
    /// Whether the broker was away at the last look.
    was_away: bool,
    /// Whether all were asked before: what takes two looks to be trouble is not over at the
    /// first.
    looked: bool,
}

impl Watch {
    /// Watches over a site. What it told lies in this data folder.
    ///
    /// # Errors
    /// When the folder cannot be used.
    pub fn new(site: &Site, webhook: Option<Webhook>, data: &Path) -> anyhow::Result<Self> {
        let folder = data.join(NAME);
        std::fs::create_dir_all(&folder)
            .with_context(|| format!("could not make {}", folder.display()))?;
        let file = folder.join(FILE);
        let told = bus::kept::read(&file, |bytes| {
            serde_json::from_slice(&bytes).map_err(|error| error.to_string())
        })?;
        Ok(Self {
            site: site.id,
            workers: site.workers().collect(),
            backup: site.backup.clone(),
            webhook,
            file,
            told: told.unwrap_or_default(),
            before: None,
            was_away: false,
            looked: false,
        })
    }

    /// Looks every minute until asked to stop.
    pub async fn run(mut self, bus: Bus, shutdown: Shutdown) {
        loop {
            tokio::select! {
                () = shutdown.requested() => return,
                () = tokio::time::sleep(EVERY) => {}
            }
            tokio::select! {
                () = shutdown.requested() => return,
                () = self.look_and_tell(&bus, Clock::system().now()) => {}
            }
        }
    }

    /// One look. What is new or over is told; what the webhook does not take is tried at the
    /// next.
    pub async fn look_and_tell(&mut self, bus: &Bus, now: DateTime<Utc>) {
        let troubles = self.look(bus, now).await;
        self.tell(&troubles, now).await;
        self.looked |= !self.was_away;
    }

    /// What is wrong now.
    async fn look(&mut self, bus: &Bus, now: DateTime<Utc>) -> Vec<Trouble> {
        let backup = self.backup.as_deref();
        let backup = backup.and_then(|folder| health::backup(folder, now));
        let mut troubles: Vec<Trouble> = backup.into_iter().collect();
        let end = match bus.is_connected() {
            true => bus.floor_end().await.ok(),
            false => None,
        };
        let Some(log_end) = end else {
            if std::mem::replace(&mut self.was_away, true) {
                troubles.push(Trouble {
                    name: "broker".to_owned(),
                    words: "the broker does not answer. Stations go on and keep what is scanned; nothing leaves meanwhile, for nobody could say stop. See whether it runs, and what its log says last".to_owned(),
                });
            }
            return troubles;
        };
        self.was_away = false;
        let mut workers = Vec::new();
        for worker in &self.workers {
            let health = health::ask(bus, &self.site, worker.name()).await.ok();
            workers.push((worker.name().to_owned(), health));
        }
        let look = Look {
            at: now,
            log_end,
            workers,
        };
        troubles.extend(health::troubles(self.before.as_ref(), &look));
        self.before = Some(look);
        troubles
    }

    /// Tells what is new and what is over, each once.
    async fn tell(&mut self, troubles: &[Trouble], now: DateTime<Utc>) {
        let before = self.told.clone();
        for trouble in troubles {
            if !self.told.contains_key(&trouble.name)
                && self.say(&trouble.name, now, "raised", &trouble.words).await
            {
                self.told.insert(trouble.name.clone(), now);
            }
        }
        for (name, since) in &before {
            let goes_on = troubles.iter().any(|trouble| trouble.name == *name);
            // While the broker is away nobody can be asked.
            if goes_on || self.was_away || !self.looked {
                continue;
            }
            let words = format!(
                "what was said of {name} since {} is over",
                since.format("%Y-%m-%d %H:%M UTC")
            );
            if self.say(name, *since, "cleared", &words).await {
                self.told.remove(name);
            }
        }
        if self.told != before {
            let kept = serde_json::to_vec(&self.told).unwrap_or_default();
            if let Err(error) = bus::write_whole(&self.file, &kept) {
                tracing::error!(
                    "{} cannot be written ({error}): people may be told again",
                    self.file.display()
                );
            }
        }
    }

    async fn say(&self, name: &str, since: DateTime<Utc>, step: &str, words: &str) -> bool {
        let text = format!("Wheelward itself: {words}.");
        tracing::warn!("{text}");
        let Some(webhook) = &self.webhook else {
            return true;
        };
        let key = format!("watch-{name}-{}-{step}", since.timestamp());
        let alert =
            json!({ "alert": format!("watch-{name}"), "step": step, "text": text, "since": since });
        let body = json!({ "text": plain(&text), "alert": alert }).to_string();
        match webhook.post(&key, body.into_bytes()).await {
            Answer::Taken => true,
            Answer::Away { .. } | Answer::Failed { .. } => false,
            // It stands in this worker's log, and the same again would be refused again.
            Answer::Refused { .. } => true,
        }
    }
}
