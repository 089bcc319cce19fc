//! Sending what waits, and telling people of what the broker refuses.

use std::collections::BTreeMap;
use std::time::Duration;

use facts::StationId;
use serde::Serialize;
use serde_json::value::RawValue;

use super::book::{self, Outcome, Refused};
use super::compare::{Compared, NotCompared};
use super::earlier;
use super::journal::DAMAGED;
use super::{Outbox, REFUSED_FILE};
use crate::publishing::Outgoing;
use crate::retry::Backoff;
use crate::telling::{Telling, Told};
use crate::{Bus, BusError, Clock, OutboxError, Shutdown, kept};

/// Facts taken out at a time.
const TAKEN: usize = 1000;

/// How soon it is tried again to tell people of what they could not be told.
const TOLD_AGAIN: Duration = Duration::from_secs(20);

/// How long a worker that was asked to stop goes on sending.
const LAST_TRY: Duration = Duration::from_secs(2);

/// What people were told, in the outbox's folder.
const TOLD_FILE: &str = "told.txt";

/// What alerts about refused facts are called, before the station's name.
const ALERT: &str = "refused-facts-";

/// What alerts about stations whose numbers are not known are called, before the station's name.
const NOT_NUMBERED: &str = "numbers-not-known-";

/// So often in a row the log is asked for numbers before people hear that it does not say.
const ASKED: u32 = 5;

impl From<NotCompared> for DrainError {
    fn from(error: NotCompared) -> Self {
        match error {
            NotCompared::Bus(error) => Self::Bus(error),
            NotCompared::Outbox(error) => Self::Outbox(error),
        }
    }
}

impl Outbox {
    /// Sends what waits, oldest first, until asked to stop. A fact leaves only when the
    /// broker acknowledged it; while the broker is away facts wait. A fact that the broker
    /// refuses is set aside, kept and told of, and what is behind it leaves.
    pub async fn drain(&self, bus: &Bus, shutdown: &Shutdown) {
        bus.vitals().sends_from(self);
        let mut sending = Sending::new(self, bus);
        let mut backoff = Backoff::default();
        let mut link = bus.link();
        loop {
            tokio::select! {
                () = shutdown.requested() => break,
                sent = sending.send_all() => match sent {
                    Ok(()) => {
                        backoff.reset();
                        bus.vitals().sends(true);
                        let next_look = sending.next_look();
                        tokio::select! {
                            () = shutdown.requested() => break,
                            () = self.inner.more.notified() => {}
                            // A new connection may hide a broker that lost what it had.
                            Ok(()) = link.changed() => {}
                            () = tokio::time::sleep(next_look) => {}
                        }
                    }
                    Err(error) => {
                        bus.vitals().sends(false);
                        sending.tell(&error);
                        tokio::select! {
                            () = shutdown.requested() => break,
                            () = backoff.wait() => {}
                        }
                    }
                },
            }
        }
        if bus.is_connected() {
            // What was recorded last should not have to wait for the next start.
            let _ = tokio::time::timeout(LAST_TRY, sending.send_all()).await;
        }
    }
}

/// Sending, and what was said about it.
struct Sending<'a> {
    outbox: &'a Outbox,
    bus: &'a Bus,
    /// What was last said to be wrong.
    trouble: Option<String>,
    /// Facts sent since then.
    sent: usize,
    /// Whether the streams were there when last looked at.
    ready: bool,
    /// What was sent, beside what the log has of it.
    compared: Compared,
    /// The connection on which what was refused was last tried.
    tried_on: u64,
    /// What people were told of refused facts; none when its file cannot be used.
    told: Option<Told>,
    /// What they have still to be told.
    owed: Vec<Telling>,
    /// Of it, what the broker had lost and was sent again.
    healed: Vec<Telling>,
    /// How often in a row the log was asked for numbers in vain.
    asked: u32,
    /// Whether the list of refused facts has changed since it was written.
    changed: bool,
}

impl<'a> Sending<'a> {
    fn new(outbox: &'a Outbox, bus: &'a Bus) -> Self {
        let told = Told::open(&outbox.inner.dir.join(TOLD_FILE));
        Self {
            outbox,
            bus,
            trouble: None,
            sent: 0,
            ready: false,
            compared: Compared::new(),
            tried_on: bus.link().borrow().connections,
            told: told.inspect_err(|error| tracing::error!("{error}")).ok(),
            owed: Vec::new(),
            healed: Vec::new(),
            asked: 0,
            changed: true,
        }
    }

    async fn send_all(&mut self) -> Result<(), DrainError> {
        loop {
            if !self.bus.is_connected() && self.outbox.waiting() > 0 {
                self.away("the broker is away");
                self.bus.connected().await;
            }
            let connection = self.bus.link().borrow().connections;
            if connection != self.tried_on && self.bus.is_connected() {
                self.tried_on = connection;
                // The broker was started again: perhaps somebody has corrected it.
                self.changed |= self.outbox.try_refused()? > 0;
            }
            let compared = self
                .compared
                .with_the_log(self.outbox, self.bus, &mut self.healed);
            compared.await;
            self.outbox.mend_damage()?;
            let fresh = self.outbox.fresh()?;
            let mut not_numbered = None;
            if !fresh.is_empty() && self.bus.is_connected() {
                match self.number(&fresh).await {
                    Ok(()) => continue,
                    Err(error) => not_numbered = Some(error),
                }
            }
            let taken = self.outbox.oldest(TAKEN, &fresh)?;
            if self.outbox.fresh()? != fresh {
                // One of them may just have recorded its first.
                continue;
            }
            if taken.is_empty() {
                if let Some(error) = not_numbered {
                    self.tell_of_refused().await?;
                    return Err(error);
                }
                if self.trouble.take().is_some() {
                    tracing::info!(sent = self.sent, "the broker is back: what waited was sent");
                }
                self.tell_of_refused().await?;
                return Ok(());
            }
            if !self.ready {
                self.bus.ready().await?;
                self.ready = true;
            }
            self.send(taken).await?;
        }
    }

    /// Asks the log for the numbers of stations; until it has answered, their facts wait, and no
    /// other's.
    async fn number(&mut self, stations: &[StationId]) -> Result<(), DrainError> {
        let now = Clock::system().now();
        let numbered = self
            .outbox
            .number_after_the_log(self.bus, now, &mut self.healed);
        let numbered = numbered.await;
        self.asked = if numbered.is_ok() { 0 } else { self.asked + 1 };
        if let Some(told) = &self.told {
            let over = |station: &str| {
                format!(
                    "station {station}: the log has said which numbers it has, and its facts go"
                )
            };
            match &numbered {
                Ok(()) => self.healed.extend(told.over(NOT_NUMBERED, &[], over)),
                Err(error) if self.asked == ASKED => {
                    let each = stations.iter().map(|station| not_numbered(station, error));
                    self.healed.extend(each);
                }
                Err(_) => {}
            }
        }
        Ok(numbered?)
    }

    /// How long it may wait for something to do.
    fn next_look(&self) -> Duration {
        let look = self.compared.due_in().max(Duration::from_secs(1));
        if self.owed.is_empty() && self.healed.is_empty() {
            look
        } else {
            look.min(TOLD_AGAIN)
        }
    }

    /// Sends some, and settles each by its own outcome.
    async fn send(&mut self, taken: Vec<(u64, Vec<u8>)>) -> Result<(), DrainError> {
        let (mut positions, mut outgoing, mut outcomes) = (Vec::new(), Vec::new(), Vec::new());
        for (position, line) in taken {
            match book::parcel(&line) {
                Ok(parcel) => {
                    positions.push(position);
                    outgoing.push(Outgoing::from(parcel));
                }
                Err(reason) => {
                    let reason = format!("it cannot be read: {reason}");
                    outcomes.push((position, Outcome::Refused(reason)));
                }
            }
        }
        let sent = self.bus.publish_settling(&outgoing).await;
        let unknown = sent.iter().find_map(|outcome| match outcome {
            Outcome::Unknown(doing) => Some(doing.clone()),
            _ => None,
        });
        outcomes.extend(positions.into_iter().zip(sent));
        for (_, outcome) in &outcomes {
            if let Outcome::Refused(reason) = outcome {
                tracing::error!("a fact was refused and set aside: {reason}");
            }
        }
        let settled = self.outbox.settle(outcomes)?;
        self.sent += settled.sent;
        self.changed |= settled.refused > 0;
        match unknown {
            Some(doing) => Err(BusError::Unanswered { doing }.into()),
            None => Ok(()),
        }
    }

    /// Writes the list of refused facts, and tells people of them until there are none.
    async fn tell_of_refused(&mut self) -> Result<(), DrainError> {
        if self.changed {
            let refused = self.outbox.refusals()?;
            if let Err(error) = self.write(&refused) {
                tracing::error!(%error, "the list of refused facts could not be written");
            }
            let now = self.alerts(&refused);
            if let Some(told) = &self.told {
                let over = |station: &str| {
                    format!("station {station}: the broker has taken every fact it had refused")
                };
                self.owed = told.over(ALERT, &now, over);
                self.owed.extend(now);
                self.owed.extend(self.damaged(told));
            }
            self.changed = false;
        }
        if let Some(told) = &mut self.told
            && !(self.owed.is_empty() && self.healed.is_empty())
            && self.bus.is_connected()
        {
            let (bus, site) = (self.bus, self.outbox.inner.site);
            let now = Clock::system().now();
            for owed in [&mut self.owed, &mut self.healed] {
                if let Err(error) = told.tell(bus, &site, now, owed).await {
                    tracing::error!("{error}");
                }
            }
        }
        Ok(())
    }

    /// Files of this outbox that were put aside.
    fn damaged(&self, told: &Told) -> Vec<Telling> {
        let dir = &self.outbox.inner.dir;
        let name = |dir: Option<&std::path::Path>| {
            let name = dir.and_then(|dir| dir.file_name());
            name.unwrap_or_default().to_string_lossy().into_owned()
        };
        let whose = format!("{}-{}", name(dir.parent()), name(Some(dir)));
        let without = [
            (TOLD_FILE, "People may be told again of refused facts"),
            (
                DAMAGED,
                "It is a part of what this station keeps until the broker has it: all else is as it was, what was in it and not sent yet is missing",
            ),
            (
                earlier::TAKEN,
                "An earlier version kept it: what could be read of it was taken over, what was not sent yet may be missing",
            ),
        ];
        kept::owed(told, &whose, dir, &without)
    }

    fn alerts(&self, refused: &[Refused]) -> Vec<Telling> {
        let mut by_station: BTreeMap<String, (usize, &str)> = BTreeMap::new();
        for one in refused {
            let station = one
                .station
                .map_or_else(|| "unknown".to_owned(), |s| s.to_string());
            by_station.entry(station).or_insert((0, &one.reason)).0 += 1;
        }
        let file = self.outbox.inner.dir.join(REFUSED_FILE);
        let alert = |(station, (count, reason)): (String, (usize, &str))| {
            let text = format!(
                "station {station}: the broker refused {count} of its facts, so the log does not have what people were told is recorded. The first: {reason}. They are kept in {}; they go again when the broker or this worker is started again",
                file.display()
            );
            Telling::alarm(format!("{ALERT}{station}"), text)
        };
        by_station.into_iter().map(alert).collect()
    }

    fn write(&self, refused: &[Refused]) -> std::io::Result<()> {
        #[derive(Serialize)]
        struct Line<'r> {
            reason: &'r str,
            #[serde(skip_serializing_if = "Option::is_none")]
            fact: Option<Box<RawValue>>,
            #[serde(skip_serializing_if = "Option::is_none")]
            line: Option<&'r str>,
        }
        let file = self.outbox.inner.dir.join(REFUSED_FILE);
        if refused.is_empty() {
            return match std::fs::remove_file(file) {
                Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
                _ => Ok(()),
            };
        }
        let mut text = String::new();
        for one in refused {
            let fact: Option<Box<RawValue>> = serde_json::from_str(&one.line).ok();
            let line = Line {
                reason: &one.reason,
                line: fact.is_none().then_some(one.line.as_str()),
                fact,
            };
            text += &serde_json::to_string(&line)?;
            text.push('\n');
        }
        crate::write_whole(&file, text.as_bytes())
    }

    fn away(&mut self, why: &str) {
        if self.trouble.as_deref() != Some(why) {
            let waiting = self.outbox.waiting();
            tracing::warn!(waiting, "{why}: facts wait in the outbox and will be sent");
            self.trouble = Some(why.to_owned());
            self.sent = 0;
        }
    }

    fn tell(&mut self, error: &DrainError) {
        self.ready = false;
        self.away(&error.to_string());
    }
}

fn not_numbered(station: &StationId, error: &NotCompared) -> Telling {
    let text = format!(
        "station {station}: what it records is kept here and not sent. Its outbox is new or was damaged, so the log has to say which of its numbers it has, and does not: {error}. Look at the broker; until then nobody else sees what this station does"
    );
    Telling::alarm(format!("{NOT_NUMBERED}{station}"), text)
}

/// Why draining stopped for a moment.
#[derive(Debug, thiserror::Error)]
enum DrainError {
    #[error(transparent)]
    Bus(#[from] BusError),
    #[error(transparent)]
    Outbox(#[from] OutboxError),
}
