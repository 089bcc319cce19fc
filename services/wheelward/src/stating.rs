//! Facts that a person states on the command line: they go to a running floor's log, or to
//! the end of a file of facts.

use std::io::Write as _;
use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use authority::Proof;
use authority::people::{Refused, may_state};
use bus::{Bus, Clock, Outbox, Shutdown};
use chrono::{DateTime, Utc};
use facts::{Draft, Event, Fact, FactIdSource, PersonId, SiteId, StationId, wire};
use names::{Kind, Known, UnknownName};

use crate::cli::{AskArgs, FactsArgs, RecordArgs};
use crate::reading;
use crate::running::{Asker, Running};

/// How long the broker may take to take the facts.
const RECORDED_WITHIN: Duration = Duration::from_secs(10);

/// A place in an office where facts are stated; it numbers them as every station does.
pub struct Desk {
    station: StationId,
    /// The last number of this desk's facts.
    numbered: u64,
    /// When the last of them happened.
    stated_at: DateTime<Utc>,
    /// Those who work here: whom the site names, and whoever was seen in the log.
    people: Known,
}

impl Desk {
    /// A desk of that name that has not stated anything yet.
    pub fn new(name: &str) -> anyhow::Result<Self> {
        Ok(Self {
            station: StationId::new(name)?,
            numbered: 0,
            stated_at: DateTime::UNIX_EPOCH,
            people: Known::default(),
        })
    }

    /// Whom the site names.
    pub fn knows(mut self, people: impl IntoIterator<Item = PersonId>) -> Self {
        self.people = self.people.with(Kind::Person, people);
        self
    }

    /// Learns which numbers are taken; give it every fact of the log.
    pub fn saw(&mut self, fact: &Fact) {
        if let Some(person) = fact.person {
            self.people.add(Kind::Person, person);
        }
        if fact.station == self.station {
            self.numbered = self.numbered.max(fact.station_seq);
            self.stated_at = self.stated_at.max(fact.occurred_at);
        }
    }

    /// Whoever states something, if anyone says so. Give it every fact of the log first.
    pub fn person(&self, to: &RecordArgs) -> Result<Option<PersonId>, UnknownName> {
        let badge = to.badge.map(|badge| person(&self.people, badge));
        badge.transpose()
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
        let badge = self.person(to)?;
        if from_file {
            // What stands in a file moves no cheese.
            events.iter().try_for_each(Event::makes_sense)?;
        } else {
            may_be_stated(&events, badge)?;
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
                    person: badge,
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
            person: badge,
            event,
        });
        // A floor whose clock is driven may be ahead of this machine's.
        let now = Clock::system().now().max(at);
        outbox.record(&self.station, drafts.collect(), now)?;
        send(&outbox, &asker.bus).await
    }
}

/// Whether these may be stated on the command line. A badge typed here is a name and no proof
/// of who it is.
pub fn may_be_stated(events: &[Event], badge: Option<PersonId>) -> anyhow::Result<()> {
    let proof = badge.map_or(Proof::Nobody, |_| Proof::Badge(None));
    for event in events {
        event.makes_sense()?;
        may_state(event, proof).map_err(|refused| match refused {
            Refused::Badge => {
                anyhow::anyhow!("{} needs a badge: say whose with --badge", event.topic())
            }
            refused => anyhow::anyhow!("{} {refused}", event.topic()),
        })?;
    }
    Ok(())
}

fn person(known: &Known, badge: PersonId) -> Result<PersonId, UnknownName> {
    Ok(known.find(Kind::Person, badge)?.parse().unwrap_or(badge))
}

/// A badge of somebody whom the site of a running floor names, or whom a fact names.
pub async fn person_named(args: &FactsArgs, badge: PersonId) -> anyhow::Result<PersonId> {
    let running = args.facts.is_empty().then(|| Running::read(&args.ask.data));
    let people = running.flatten().map(|running| running.people);
    let mut known = Known::default().with(Kind::Person, people.into_iter().flatten());
    if !known.has(Kind::Person, badge.as_str()) {
        reading::each(args, |fact| {
            if let Some(person) = fact.person {
                known.add(Kind::Person, person);
            }
        })
        .await?;
    }
    Ok(person(&known, badge)?)
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
