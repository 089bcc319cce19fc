//! Facts that a person states on the command line: they go to a running floor's log, or to
//! the end of a file of facts.

use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use authority::Proof;
use authority::people::may_state;
use bus::{Bus, Clock, Outbox, Shutdown};
use chrono::{DateTime, Utc};
use facts::{Draft, Event, Fact, FactIdSource, SiteId, StationId, wire};

use crate::cli::{AskArgs, RecordArgs};
use crate::running::Asker;

/// How long the broker may take to take the facts.
const RECORDED_WITHIN: Duration = Duration::from_secs(10);

/// A place in an office where facts are stated; it numbers them as every station does.
pub struct Desk {
    station: StationId,
    /// The last number of this desk's facts.
    numbered: u64,
    /// When the last of them happened.
    stated_at: DateTime<Utc>,
}

impl Desk {
    /// A desk of that name that has not stated anything yet.
    pub fn new(name: &str) -> anyhow::Result<Self> {
        Ok(Self {
            station: StationId::new(name)?,
            numbered: 0,
            stated_at: DateTime::UNIX_EPOCH,
        })
    }

    /// Learns which numbers are taken; give it every fact of the log.
    pub fn saw(&mut self, fact: &Fact) {
        if fact.station == self.station {
            self.numbered = self.numbered.max(fact.station_seq);
            self.stated_at = self.stated_at.max(fact.occurred_at);
        }
    }

    /// When the last fact of this desk happened.
    pub const fn stated_at(&self) -> DateTime<Utc> {
        self.stated_at
    }

    /// Records facts that happened at `at`: on the running floor that `ask` names, or, when
    /// `from_file`, at the end of the file that `to` names.
    pub async fn record(
        &mut self,
        (site, at): (SiteId, DateTime<Utc>),
        ask: &AskArgs,
        to: &RecordArgs,
        from_file: bool,
        events: Vec<Event>,
    ) -> anyhow::Result<()> {
        for event in &events {
            // A badge typed here is a name and no proof of who it is.
            may_state(event, Proof::Badge)
                .map_err(|refused| anyhow::anyhow!("{} {refused}", event.topic()))?;
        }
        if from_file {
            let path = to.record.as_deref().context(
                "a file of facts is looked at: say with --record which file the new facts go to",
            )?;
            let ids = FactIdSource::default();
            let mut text = String::new();
            for (number, event) in (self.numbered + 1..).zip(events) {
                let fact = Fact {
                    id: ids.next(at),
                    site,
                    station: self.station,
                    station_seq: number,
                    person: to.badge,
                    occurred_at: at,
                    claimed_at: None,
                    recorded_at: at,
                    event,
                };
                text += &wire::to_line(&fact)?;
                text.push('\n');
                self.numbered = number;
            }
            return append(path, &text);
        }
        let asker = Asker::connect(ask).await?;
        let outbox = Outbox::open(&ask.data.join(self.station.as_str()), asker.site)?;
        outbox.continue_after(&self.station, self.numbered)?;
        let drafts = events.into_iter().map(|event| Draft {
            occurred_at: at,
            claimed_at: None,
            person: to.badge,
            event,
        });
        // A floor whose clock is driven may be ahead of this machine's.
        let now = Clock::system().now().max(at);
        outbox.record(&self.station, drafts.collect(), now)?;
        send(&outbox, &asker.bus).await
    }
}

/// Sends what an outbox has to the log. What is not there in the end is an error.
pub async fn send(outbox: &Outbox, bus: &Bus) -> anyhow::Result<()> {
    let shutdown = Shutdown::new();
    let sent = async {
        while outbox.waiting() > 0 {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::select! {
        () = outbox.drain(bus, &shutdown) => {}
        done = tokio::time::timeout(RECORDED_WITHIN, sent) => {
            done.context("the facts are kept here and go out with the next ones, but the broker did not take them: start it and try again")?;
        }
    }
    if let Some(refused) = outbox.refusals()?.first() {
        anyhow::bail!(
            "the broker refused {} facts; they are kept and go out with the next ones once it takes them. The first: {}",
            outbox.refused(),
            refused.reason
        );
    }
    Ok(())
}

fn append(path: &Path, text: &str) -> anyhow::Result<()> {
    let file = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(path);
    let mut file = file.with_context(|| format!("could not write {}", path.display()))?;
    file.write_all(text.as_bytes())
        .with_context(|| format!("could not write {}", path.display()))
}
