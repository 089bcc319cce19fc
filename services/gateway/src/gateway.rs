//! What every page and every call may use.

use std::hash::Hash;
use std::net::IpAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use bus::retry::Backoff;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, Utc};
use edge::Seats;
use facts::{Event, Fact, PersonId, StationId};
use scheduler::{FOLDED, FoldedQuery};
use serde::Serialize;
use serde::de::DeserializeOwned;
use site::Site;
use tokio::sync::Semaphore;

use crate::guard::Visitor;
use crate::limit::Limit;
use crate::moved::Moved;
use crate::people::{Moment, Register, Signed};
use crate::setup::Setup;
use crate::stations::Stations;
use crate::told::Told;
use crate::trouble::Trouble;

/// PINs checked at a time: each takes 19 MiB and a core.
const PINS_AT_ONCE: usize = 2;

/// Live updates served at a time, and of them to one person: on how many screens somebody looks
/// at pages at once.
const LISTENERS: usize = 256;
const LISTENERS_EACH: usize = 32;

/// How soon it is asked first whether an own fact is folded, and how long at most.
const FOLDED_SOON: Duration = Duration::from_millis(5);
const FOLDED_WITHIN: Duration = Duration::from_secs(2);

/// How often callers may ask.
#[derive(Debug)]
pub struct Limits {
    any: Limit<Caller>,
    sign_in: Limit<IpAddr>,
}

/// Who is counted as one caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Caller {
    /// An enrolled device: many of them may stand behind one address.
    Device(StationId),
    /// Anyone else.
    Address(IpAddr),
}

/// Cheap to clone; all clones are one gateway.
#[derive(Clone)]
pub struct Gateway(Arc<Inner>);

struct Inner {
    site: Site,
    options: site::Gateway,
    bus: Bus,
    clock: Clock,
    /// Sessions end by this clock, whatever drives the floor's.
    machine: Clock,
    people: Register,
    setup: Setup,
    stations: Stations,
    moved: Moved,
    told: Told,
    limits: Limits,
    pins: Semaphore,
    listeners: Arc<Seats<PersonId>>,
    shutdown: Shutdown,
}

impl Gateway {
    /// Opens the gateway in its own folder.
    ///
    /// # Errors
    /// When the folder or a file that the site names cannot be used.
    pub fn open(
        site: Site,
        options: site::Gateway,
        bus: Bus,
        clock: Clock,
        dir: &Path,
        shutdown: Shutdown,
    ) -> anyhow::Result<Self> {
        let stations = Stations::open(&site, &bus, &clock, dir)?;
        let people = Register::open(dir)?;
        for device in people.devices().iter().filter(|d| d.is_enrolled()) {
            stations.open_desk(&site, device);
        }
        let inner = Inner {
            setup: Setup::new(dir, people.is_empty()),
            moved: Moved::default(),
            told: Told::default(),
            limits: Limits {
                any: Limit::new(300.0, 50.0),
                sign_in: Limit::new(20.0, 0.5),
            },
            pins: Semaphore::new(PINS_AT_ONCE),
            listeners: Seats::new(LISTENERS, LISTENERS_EACH),
            machine: Clock::system(),
            site,
            options,
            bus,
            clock,
            people,
            stations,
            shutdown,
        };
        Ok(Self(Arc::new(inner)))
    }

    /// What workers have told people.
    #[must_use]
    pub fn told(&self) -> &Told {
        &self.0.told
    }

    /// The site.
    #[must_use]
    pub fn site(&self) -> &Site {
        &self.0.site
    }

    /// The site file's section.
    #[must_use]
    pub fn options(&self) -> &site::Gateway {
        &self.0.options
    }

    /// The broker.
    #[must_use]
    pub fn bus(&self) -> &Bus {
        &self.0.bus
    }

    /// What time it is on the floor.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.0.clock.now()
    }

    /// Whether something else than the machine drives the floor's clock.
    #[must_use]
    pub fn clock_is_driven(&self) -> bool {
        matches!(self.0.clock, Clock::Bus(_))
    }

    /// What time it is for sessions.
    #[must_use]
    pub fn machine_now(&self) -> DateTime<Utc> {
        self.0.machine.now()
    }

    /// What time it is, for sessions and on the floor.
    #[must_use]
    pub fn moment(&self) -> Moment {
        Moment {
            machine: self.machine_now(),
            floor: self.now(),
            driven: self.clock_is_driven(),
        }
    }

    /// People and devices.
    #[must_use]
    pub fn people(&self) -> &Register {
        &self.0.people
    }

    /// The first person's way in.
    #[must_use]
    pub fn setup(&self) -> &Setup {
        &self.0.setup
    }

    /// The stations that are browsers.
    #[must_use]
    pub fn stations(&self) -> &Stations {
        &self.0.stations
    }

    /// How far the scheduler has folded the log.
    #[must_use]
    pub fn moved(&self) -> &Moved {
        &self.0.moved
    }

    /// How often callers may ask.
    #[must_use]
    pub fn limits(&self) -> &Limits {
        &self.0.limits
    }

    /// A place among those who hear live updates.
    #[must_use]
    pub fn listeners(&self) -> &Arc<Seats<PersonId>> {
        &self.0.listeners
    }

    /// The end.
    #[must_use]
    pub fn shutdown(&self) -> &Shutdown {
        &self.0.shutdown
    }

    /// States facts in the gateway's own name, by a person, who then finds them on the pages.
    ///
    /// # Errors
    /// They may not state one of them, or the disk cannot be written.
    pub async fn state(&self, signed: &Signed, events: Vec<Event>) -> Result<Vec<Fact>, Trouble> {
        let facts = self.0.stations.state(signed, events).await?;
        if let Some(last) = facts.last()
            && self.0.bus.is_connected()
        {
            self.folded(last).await;
        }
        Ok(facts)
    }

    /// Waits until a fact is folded, but not for long: whoever has recorded something should
    /// find it on the page that they see next.
    async fn folded(&self, fact: &Fact) {
        let query = FoldedQuery {
            station: fact.station,
            number: fact.station_seq,
        };
        let folded = async {
            let mut backoff = Backoff::new(FOLDED_SOON, FOLDED_WITHIN);
            while !matches!(self.ask::<bool>(FOLDED, &query).await, Ok(true)) {
                backoff.wait().await;
            }
        };
        // Without a broker it will take longer; the page is drawn anew then.
        let _ = tokio::time::timeout(FOLDED_WITHIN, folded).await;
    }

    /// Asks the scheduler.
    ///
    /// # Errors
    /// [`Trouble`] with the scheduler's own sentence, or that nobody answers.
    pub async fn ask<A: DeserializeOwned>(
        &self,
        question: &str,
        query: &impl Serialize,
    ) -> Result<A, Trouble> {
        if !self.0.bus.is_connected() {
            return Err(Trouble::away(
                "the broker is away, so nothing can be looked up. Scans are kept meanwhile; try again in a minute",
            ));
        }
        Ok(self.0.bus.ask(&self.0.site.id, question, query).await?)
    }

    /// Work on people that needs a hash: off the runtime, and few at a time.
    ///
    /// # Errors
    /// What the work says.
    pub async fn with_people<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Register) -> Result<T, Trouble> + Send + 'static,
    ) -> Result<T, Trouble> {
        let _turn = self.0.pins.acquire().await;
        let gateway = self.clone();
        let working = tokio::task::spawn_blocking(move || work(gateway.people()));
        working
            .await
            .map_err(|_| Trouble::away("this was not finished: try again"))?
    }
}

impl Limits {
    /// Any request.
    ///
    /// # Errors
    /// Too many.
    pub fn any(&self, visitor: &Visitor) -> Result<(), Trouble> {
        let address = Caller::Address(visitor.from);
        let device = visitor.device.as_ref();
        let caller = device.map_or(address, |device| Caller::Device(device.station));
        take(&self.any, caller)
    }

    /// A try to sign in.
    ///
    /// # Errors
    /// Too many.
    pub fn sign_in(&self, from: IpAddr) -> Result<(), Trouble> {
        take(&self.sign_in, from)
    }
}

fn take<C: Eq + Hash>(limit: &Limit<C>, from: C) -> Result<(), Trouble> {
    limit
        .take(from, tokio::time::Instant::now())
        .map_err(|wait| {
            let seconds = wait.as_secs() + 1;
            let mut trouble = Trouble::new(
                axum::http::StatusCode::TOO_MANY_REQUESTS,
                "too_many",
                format!("too many requests from this device: wait {seconds} s"),
            );
            trouble.retry_after = Some(seconds);
            trouble
        })
}
