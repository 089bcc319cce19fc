//! The days ahead: the floor's log folded once more, for the plan and the rooms, and what
//! people said of alerts. Nothing here is kept: it is read from the log at every start.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use anyhow::Context as _;
use bus::retry::Backoff;
use bus::{Bus, BusError, FloorLog, Position, Shutdown, Stored};
use chrono::{DateTime, Utc};
use facts::wire::Read;
use facts::{Event, FactId, OrderId, PersonId, WheelId};
use holds::{Guard, Target};
use names::Known;
use plan::rooms::{self, Room};
use plan::{Crew, Forecast, Makes, Plan, Problem, RollCall, Space, Yesterday};
use recipe::Origin;
use ripening::{Floor, Folding};
use site::Site;
use tokio::sync::watch;

use crate::known;
use crate::stations::OFFICE;

/// Messages taken at a time.
const CHUNK: usize = 512;

/// How long somebody waits for what they have recorded themselves.
const HEARD_WITHIN: Duration = Duration::from_secs(2);

/// Days planned.
const PLANNED: usize = 14;

/// Days that rooms are looked ahead for.
const AHEAD: usize = 56;

/// What someone said of an alert.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// Who.
    pub person: Option<PersonId>,
    /// When.
    pub at: DateTime<Utc>,
    /// What.
    pub note: String,
    fact: FactId,
    guard: Guard,
}

/// The day's plan and what was missed.
#[derive(Debug, Clone)]
pub struct Day {
    /// The instant it is made for.
    pub now: DateTime<Utc>,
    /// The plan; none without a crew file.
    pub plan: Option<Plan>,
    /// What was missed.
    pub missed: RollCall,
}

/// The folded log.
pub struct Outlook {
    site: Site,
    crew: Option<Crew>,
    makes: Option<Makes>,
    read: Mutex<Folded>,
    /// The number in the log up to which it is folded.
    moved: watch::Sender<u64>,
    /// The last plan, and what it was made from.
    made: tokio::sync::Mutex<Option<Made>>,
}

/// A plan, and the number in the log and the instant that it was made for.
struct Made {
    seq: u64,
    now: DateTime<Utc>,
    day: Arc<Day>,
}

struct Folded {
    floor: Folding,
    position: Option<Position>,
    /// The log's end when reading began: before it is reached there is no floor to look at.
    end: Option<u64>,
    said: BTreeMap<String, Vec<Said>>,
    /// Codes that facts speak of and the floor does not keep.
    known: Known,
    orders: BTreeMap<OrderId, Order>,
    /// The number of the newest fact of the gateway's own.
    office: u64,
}

/// Who ordered, and the wheels that were promised or sent to them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Order {
    /// The customer, as the order says it.
    pub customer: String,
    /// The wheels.
    pub wheels: BTreeSet<WheelId>,
}

impl Outlook {
    /// Nothing is folded yet.
    ///
    /// # Errors
    /// A crew file or make plan that cannot be read; the text points at line and column.
    pub fn new(site: &Site, options: &site::Gateway) -> anyhow::Result<Self> {
        let crew = options.crew.as_deref().map(crew).transpose()?;
        let makes = options.makes.as_deref();
        let makes = makes.map(|path| makes_of(path, site)).transpose()?;
        Ok(Self {
            site: site.clone(),
            crew,
            makes,
            read: Mutex::new(Folded::new(site)),
            moved: watch::Sender::new(0),
            made: tokio::sync::Mutex::default(),
        })
    }

    /// Hears whenever something new was folded.
    #[must_use]
    pub fn moved(&self) -> watch::Receiver<u64> {
        self.moved.subscribe()
    }

    /// Waits until the gateway's own fact of this number is folded, but not for long: whoever
    /// has recorded something should find it on the page that they see next.
    pub async fn heard(&self, number: u64) {
        let mut moved = self.moved();
        let folded = moved.wait_for(|_| self.folded().office >= number);
        // Without a broker it will take longer; the page is drawn anew then.
        let _ = tokio::time::timeout(HEARD_WITHIN, folded).await;
    }

    /// Folds the log until shutdown.
    pub async fn follow(&self, bus: &Bus, shutdown: &Shutdown) {
        let for_ever = async {
            let mut backoff = Backoff::default();
            loop {
                let Err(error) = self.read(bus, &mut backoff).await else {
                    return;
                };
                if error.is_another_log() {
                    *self.folded() = Folded::new(&self.site);
                }
                tracing::debug!(%error, "the outlook waits");
                backoff.wait().await;
            }
        };
        tokio::select! {
            () = shutdown.requested() => {}
            () = for_ever => {}
        }
    }

    /// What someone said of an alert, oldest first.
    #[must_use]
    pub fn said(&self, alert: &str) -> Vec<Said> {
        let folded = self.folded();
        let said = folded.said.get(alert).cloned().unwrap_or_default();
        let voids = folded.floor.voids();
        said.into_iter()
            .filter(|said| !voids.takes_back(Target::kept(said.fact, said.guard)))
            .collect()
    }

    /// Looks for codes that facts speak of.
    ///
    /// # Errors
    /// What the look says.
    pub fn named<T>(&self, look: impl FnOnce(&Known) -> T) -> T {
        look(&self.folded().known)
    }

    /// The orders of customers whose name contains these words, whatever the case.
    #[must_use]
    pub fn orders_of(&self, words: &str) -> Vec<Order> {
        let words = words.to_lowercase();
        let folded = self.folded();
        let orders = folded.orders.values();
        orders
            .filter(|order| order.customer.to_lowercase().contains(&words))
            .cloned()
            .collect()
    }

    /// Looks at the folded floor as it is now. Keep it short: whoever folds waits.
    pub async fn look<T: Send + 'static>(
        self: &Arc<Self>,
        now: DateTime<Utc>,
        look: impl FnOnce(&Floor) -> T + Send + 'static,
    ) -> anyhow::Result<T> {
        let outlook = self.clone();
        let looking = tokio::task::spawn_blocking(move || {
            let mut folded = outlook.folded();
            if let Some(percent) = folded.still_reading() {
                return Err(BusError::StillReading {
                    question: "the floor".to_owned(),
                    percent,
                });
            }
            Ok(look(folded.floor.refresh(now)))
        });
        Ok(looking.await??)
    }

    /// The day's plan, made anew when something happened or a quarter of an hour is over.
    ///
    /// # Errors
    /// When it was not finished.
    pub async fn day(self: &Arc<Self>, now: DateTime<Utc>) -> anyhow::Result<Arc<Day>> {
        let mut made = self.made.lock().await;
        let seq = *self.moved.borrow();
        if let Some(made) = &*made
            && made.seq == seq
            && (now - made.now).num_minutes().abs() < 15
        {
            return Ok(made.day.clone());
        }
        let (site, crew) = (self.site.clone(), self.crew.clone());
        let look = move |floor: &Floor| {
            let problem = crew.map(|crew| problem(&site, floor, crew, PLANNED));
            (problem, plan::roll_call(floor, 1))
        };
        let (problem, missed) = self.look(now, look).await?;
        let day = tokio::task::spawn_blocking(move || Day {
            now,
            plan: problem.map(|problem| plan::make(&problem, &Yesterday::default())),
            missed,
        });
        let day = Arc::new(day.await?);
        *made = Some(Made {
            seq,
            now,
            day: day.clone(),
        });
        Ok(day)
    }

    /// How full the rooms will be.
    ///
    /// # Errors
    /// When it was not finished.
    pub async fn rooms(self: &Arc<Self>, now: DateTime<Utc>) -> anyhow::Result<Forecast> {
        let (site, makes) = (self.site.clone(), self.makes.clone());
        self.look(now, move |floor| {
            let makes = makes.unwrap_or_else(|| Makes::none(rooms::fullest_stillage(floor)));
            let first = site.clock.day_of(floor.now());
            plan::forecast(floor, first, AHEAD, &site_rooms(&site), &makes)
        })
        .await
    }

    fn folded(&self) -> MutexGuard<'_, Folded> {
        self.read.lock().unwrap_or_else(PoisonError::into_inner)
    }

    async fn read(&self, bus: &Bus, backoff: &mut Backoff) -> Result<(), BusError> {
        bus.connected().await;
        bus.ready().await?;
        let position = self.folded().position.clone();
        let mut log = bus.floor_after(position.as_ref()).await?;
        let end = bus.floor_end().await?;
        self.folded().end.get_or_insert(end);
        loop {
            let chunk = log.next_chunk(CHUNK).await?;
            backoff.reset();
            self.fold(&log, &chunk);
        }
    }

    fn fold(&self, log: &FloorLog, chunk: &[Stored]) {
        let position = log.position();
        let seq = position.seq;
        {
            let mut folded = self.folded();
            for message in chunk {
                // What cannot be read is the scheduler's to reject and to count.
                let Ok(Read::Fact(fact)) = message.read() else {
                    continue;
                };
                if fact.site != self.site.id {
                    continue;
                }
                if let Event::AlertAcknowledged(said) = &fact.event {
                    let about = folded.said.entry(said.alert.clone()).or_default();
                    if about.iter().all(|said| said.fact != fact.id) {
                        about.push(Said {
                            person: fact.person,
                            at: fact.occurred_at,
                            note: said.note.clone(),
                            fact: fact.id,
                            guard: Guard::of(&fact),
                        });
                        about.sort_by_key(|said| (said.at, said.fact));
                    }
                }
                if fact.station.as_str().eq_ignore_ascii_case(OFFICE) {
                    folded.office = folded.office.max(fact.station_seq);
                }
                folded.order(&fact.event);
                known::hear(&mut folded.known, &fact);
                folded.floor.apply(&fact);
            }
            // What the scheduler publishes is not ours to publish; it must not pile up here.
            if let Some(floor) = folded.floor.floor_mut() {
                let _ = floor.take_labels();
                let _ = floor.take_changed();
            }
            folded.position = Some(position);
        }
        self.moved.send_replace(seq);
    }
}

impl Folded {
    fn new(site: &Site) -> Self {
        Self {
            floor: Folding::new(scheduler::practice(site)),
            position: None,
            end: None,
            said: BTreeMap::new(),
            known: Known::default(),
            orders: BTreeMap::new(),
            office: 0,
        }
    }

    /// How many percent of the log have been read; nothing once it was read to its end.
    fn still_reading(&self) -> Option<u8> {
        let seq = self.position.as_ref().map_or(0, |position| position.seq);
        let end = self.end.filter(|end| seq < *end);
        match (self.end, end) {
            (Some(_), None) => None,
            (Some(_), Some(end)) => u8::try_from(seq * 100 / end).ok(),
            (None, _) => Some(0),
        }
    }

    fn order(&mut self, event: &Event) {
        let (order, wheels) = match event {
            Event::OrderPlaced(placed) => {
                let order = self.orders.entry(placed.order).or_default();
                order.customer.clone_from(&placed.customer);
                return;
            }
            Event::WheelAllocated(to) => (Some(to.order), &to.wheels),
            Event::WheelDispatched(to) => (to.order, &to.wheels),
            _ => return,
        };
        if let Some(order) = order {
            let order = self.orders.entry(order).or_default();
            order.wheels.extend(wheels);
        }
    }
}

/// What is to be planned: from today, or from tomorrow when the day's work should be done
/// by now.
#[must_use]
pub fn problem(site: &Site, floor: &Floor, crew: Crew, days: usize) -> Problem {
    let clock = &site.clock;
    let today = clock.day_of(floor.now());
    let first = if floor.now() < clock.at(today, site.turn_by) {
        today
    } else {
        today.plus(1)
    };
    let projected = plan::project(floor, first, days, crew.weight_loss_pct_per_week);
    let full = rooms::fullest_stillage(floor);
    let rooms = site_rooms(site);
    let now = plan::forecast(floor, first, 1, &rooms, &Makes::none(full));
    let spaces = now.rooms.iter().map(|room| Space {
        room: room.room,
        fits: i64::from(room.positions) * i64::from(full),
        taken: room.taken.first().map_or(0, |taken| i64::from(*taken)) * i64::from(full),
    });
    Problem {
        days: (0..days)
            .map(|d| first.plus(i64::try_from(d).unwrap_or_default()))
            .collect(),
        tasks: projected.tasks,
        waiting: projected.waiting,
        crew,
        walk: site.rooms.iter().map(|room| room.id).collect(),
        rooms: spaces.collect(),
    }
}

/// The site's rooms, as the forecast wants them.
#[must_use]
pub fn site_rooms(site: &Site) -> Vec<Room> {
    let rooms = site.rooms.iter().map(|room| Room {
        id: room.id,
        name: room.name.clone(),
        positions: room.positions,
    });
    rooms.collect()
}

fn crew(path: &Path) -> anyhow::Result<Crew> {
    let (file, text) = open(path)?;
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Ok(Crew::parse(&origin)?)
}

fn makes_of(path: &Path, site: &Site) -> anyhow::Result<Makes> {
    let (file, text) = open(path)?;
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Ok(Makes::parse(&origin, &site.recipes)?)
}

fn open(path: &Path) -> anyhow::Result<(String, String)> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{file} is named under [gateway] and cannot be opened"))?;
    Ok((file, text))
}
