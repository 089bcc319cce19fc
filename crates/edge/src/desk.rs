//! A station's desk: its session, and the clients that stand before it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bus::Note;
use chrono::{DateTime, Utc};
use facts::{Carrier, Draft, Event, Fact, PersonId, RecipeId, StationId, WheelId};
use metrology::Settled;
use site::{Site, Station};
use station::{Action, Answer, LEAVING, Leaving, Level, Line, Outcome, Session, Setup, Stays};
use tokio::sync::broadcast;

use crate::picture::Picture;
use crate::worker::Worker;

/// How long a scan may wait for what other stations did.
const CATCH_UP: Duration = Duration::from_secs(2);

/// What a scan came to.
#[derive(Debug, Clone)]
pub struct Taken {
    /// What to say.
    pub answer: Answer,
    /// What was recorded.
    pub facts: Vec<Fact>,
    /// How it ended, and so whether it may be sent again.
    pub ended: Ended,
}

/// How a scan ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// Answered; what it recorded, and the notes, are on the disk.
    Answered,
    /// Refused for good: nothing was recorded, and the notes are on the disk. It is never sent
    /// again, else what was refused would happen by itself once the reason is over.
    Refused,
    /// The disk or a shutdown stood in the way: nothing was recorded and nothing noted. The
    /// only end after which a client sends the same scan again.
    NotStored,
}

/// Makes what is kept on the disk together with a scan's facts.
pub type Notes = Box<dyn FnOnce(&Answer, &[Fact]) -> Vec<Note> + Send>;

/// One station. Cheap to clone; all clones are one desk.
#[derive(Clone)]
pub struct Desk {
    worker: Worker,
    station: StationId,
    session: Arc<Mutex<Session>>,
    said: broadcast::Sender<Answer>,
}

impl Desk {
    /// Opens a station's desk at a worker.
    #[must_use]
    pub fn new(worker: &Worker, station: &Station) -> Self {
        let setup = setup(worker.site(), station);
        Self {
            worker: worker.clone(),
            station: station.id,
            session: Arc::new(Mutex::new(Session::new(station.id, setup))),
            said: broadcast::Sender::new(64),
        }
    }

    /// The station.
    #[must_use]
    pub const fn station(&self) -> StationId {
        self.station
    }

    /// Takes a scanned line. When the answer is there, what it says is on the disk.
    pub async fn scan(&self, line: String) -> Answer {
        self.take(None, line, None).await.answer
    }

    /// Takes a line that a person scanned who is known otherwise than by a badge scanned
    /// here, and keeps notes together with what it records.
    pub async fn scan_as(&self, person: PersonId, line: String, notes: Notes) -> Taken {
        self.take(Some(person), line, Some(notes)).await
    }

    /// Records what a person states otherwise than by a scan.
    pub async fn state(
        &self,
        person: PersonId,
        occurred_at: DateTime<Utc>,
        answer: Answer,
        events: Vec<Event>,
        notes: Notes,
    ) -> Taken {
        let desk = self.clone();
        let now = self.worker.now();
        let draft = |event| Draft {
            occurred_at,
            person: Some(person),
            event,
        };
        let drafts = events.into_iter().map(draft).collect();
        let work = move || {
            let mut picture = desk.worker.picture();
            desk.keep(&mut picture, Outcome { answer, drafts }, now, Some(notes))
        };
        self.blocking(work).await
    }

    /// The action under way.
    #[must_use]
    pub fn action(&self) -> Option<Action> {
        self.session().action()
    }

    /// The wheels that stand on something, as far as this worker has followed.
    #[must_use]
    pub fn wheels_on(&self, carrier: Carrier) -> Vec<WheelId> {
        self.worker.picture().placement.wheels_on(carrier)
    }

    /// Goes on where an earlier run stopped: the lines since the last action was set, what
    /// they recorded having been recorded then.
    pub fn resume(&self, lines: &[String]) {
        let mut session = self.session();
        let picture = self.worker.picture();
        for line in lines {
            session.scan(&picture.placement, line, self.worker.now());
        }
    }

    async fn take(&self, person: Option<PersonId>, line: String, notes: Option<Notes>) -> Taken {
        if let Some(at) = Line::read(&line).ok().and_then(|line| line.kept_since) {
            self.worker.clock_reaches(at, CATCH_UP).await;
        }
        if self.worker.bus().is_connected() {
            let happened = self.worker.happened();
            self.worker.has_followed(happened, CATCH_UP).await;
        }
        if self.session().checks_holds() {
            let current = self.knows_every_hold().await;
            self.session().holds_current(current);
            if let Some(refused) = self.must_stay(&line).await {
                return self.refuse(line, refused, notes).await;
            }
        }
        let desk = self.clone();
        let now = self.worker.now();
        let work = move || {
            let mut session = desk.session();
            let mut picture = desk.worker.picture();
            if let Some(person) = person {
                session.identify(person);
            }
            let outcome = session.scan(&picture.placement, &line, now);
            let taken = desk.settle(&mut session, &mut picture, outcome, now, notes);
            drop(picture);
            if taken.ended != Ended::Answered {
                desk.reject(now, &line, &taken.answer.words);
            }
            taken
        };
        self.blocking(work).await
    }

    /// Refuses a line for good: it is kept with the reason, and so are the notes.
    async fn refuse(&self, line: String, why: String, notes: Option<Notes>) -> Taken {
        let desk = self.clone();
        let now = self.worker.now();
        let work = move || {
            desk.reject(now, &line, &why);
            let outcome = Outcome {
                answer: Answer::new(Level::Stop, why),
                drafts: Vec::new(),
            };
            desk.keep(&mut desk.worker.picture(), outcome, now, notes)
        };
        self.blocking(work).await
    }

    /// Takes a settled weight, and tells everyone at the station.
    pub async fn weigh(&self, weight: Settled) {
        let desk = self.clone();
        let now = self.worker.now();
        let work = move || {
            let mut session = desk.session();
            let mut picture = desk.worker.picture();
            let outcome = session.weight(&picture.placement, weight, now);
            desk.settle(&mut session, &mut picture, outcome, now, None)
        };
        let taken = self.blocking(work).await;
        self.say(taken.answer);
    }

    /// Tells everyone at the station something that nobody asked.
    pub fn say(&self, answer: Answer) {
        tracing::debug!(station = %self.station, %answer, "told");
        // Nobody there: then nobody has to know.
        let _ = self.said.send(answer);
    }

    /// Hears what is told to everyone.
    #[must_use]
    pub fn listen(&self) -> broadcast::Receiver<Answer> {
        self.said.subscribe()
    }

    /// Keeps a line that led to no fact.
    pub(crate) fn reject(&self, at: DateTime<Utc>, line: &str, reason: &str) {
        self.worker.rejected().keep(at, self.station, line, reason);
    }

    pub(crate) fn now(&self) -> DateTime<Utc> {
        self.worker.now()
    }

    fn session(&self) -> MutexGuard<'_, Session> {
        self.session.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Records an outcome and lets the session know what can be undone.
    fn settle(
        &self,
        session: &mut Session,
        picture: &mut Picture,
        outcome: Outcome,
        now: DateTime<Utc>,
        notes: Option<Notes>,
    ) -> Taken {
        let taken = self.keep(picture, outcome, now, notes);
        session.recorded(&taken.facts);
        taken
    }

    /// Records an outcome. The answer holds only if that succeeded.
    fn keep(
        &self,
        picture: &mut Picture,
        outcome: Outcome,
        now: DateTime<Utc>,
        notes: Option<Notes>,
    ) -> Taken {
        let Outcome { mut answer, drafts } = outcome;
        let ended = match answer.level {
            Level::Wrong | Level::Stop if drafts.is_empty() => Ended::Refused,
            _ => Ended::Answered,
        };
        if drafts.is_empty() && notes.is_none() {
            return Taken {
                answer,
                facts: Vec::new(),
                ended,
            };
        }
        let noted = |facts: &[Fact]| notes.map_or_else(Vec::new, |notes| notes(&answer, facts));
        match self
            .worker
            .record(picture, self.station, drafts, now, noted)
        {
            Ok(facts) => {
                if !facts.is_empty()
                    && let Some(waiting) = self.worker.waiting()
                {
                    answer.words = format!("{} (broker away, {waiting} kept)", answer.words);
                }
                Taken {
                    answer,
                    facts,
                    ended,
                }
            }
            Err(error) => {
                tracing::error!(station = %self.station, "{error}");
                Taken::not_stored(format!("NOT recorded: {error}"))
            }
        }
    }

    /// Why what this line would let leave must stay: the dispatch desk says so, or cannot be
    /// asked. `None`: it may leave, or the site has no dispatch desk.
    async fn must_stay(&self, line: &str) -> Option<String> {
        let site = self.worker.site();
        site.dispatch.as_ref()?;
        let leaving = {
            let session = self.session();
            let picture = self.worker.picture();
            session.would_leave(&picture.placement, line, self.worker.now())?
        };
        let bus = self.worker.bus();
        let asked = async {
            let after_seq = bus.floor_end().await?;
            let leaving = Leaving {
                after_seq,
                ..leaving
            };
            bus.ask::<Stays>(&site.id, LEAVING, &leaving).await
        };
        match tokio::time::timeout(CATCH_UP, asked).await {
            Ok(Ok(stays)) if stays.reasons.is_empty() => None,
            Ok(Ok(stays)) => Some(stays.words()),
            Ok(Err(_)) | Err(_) => Some(
                "NOT dispatched: the dispatch desk does not answer, so nobody knows whether it may leave. Wait for it, or ask the office".to_owned(),
            ),
        }
    }

    /// Whether the picture has everything that the broker has now.
    async fn knows_every_hold(&self) -> bool {
        let bus = self.worker.bus();
        if !bus.is_connected() {
            return false;
        }
        let asked = async {
            let end = bus.floor_end().await.ok()?;
            Some(self.worker.has_followed(end, CATCH_UP).await)
        };
        matches!(tokio::time::timeout(CATCH_UP, asked).await, Ok(Some(true)))
    }

    async fn blocking(&self, work: impl FnOnce() -> Taken + Send + 'static) -> Taken {
        match tokio::task::spawn_blocking(work).await {
            Ok(taken) => taken,
            Err(error) => {
                tracing::error!(station = %self.station, %error, "a scan was not finished");
                Taken::not_stored("NOT recorded: this station is stopping")
            }
        }
    }
}

impl Taken {
    fn not_stored(words: impl Into<String>) -> Self {
        Self {
            answer: Answer::new(Level::Stop, words),
            facts: Vec::new(),
            ended: Ended::NotStored,
        }
    }
}

/// What a station knows of its site.
#[must_use]
pub fn setup(site: &Site, station: &Station) -> Setup {
    let mut recipes: BTreeMap<RecipeId, u32> = BTreeMap::new();
    for recipe in site.recipes.iter() {
        let newest = recipes.entry(recipe.id).or_default();
        *newest = recipe.version.max(*newest);
    }
    Setup {
        clock: site.clock,
        recipes,
        holds: site.hold_rule(),
        rooms: site.rooms.iter().map(|room| room.id).collect(),
        scale: station.scale.as_ref().map(|scale| station::Scale {
            tool: scale.tool,
            plate: scale.plate,
            daily_check: scale.daily_check,
            hoops: scale.hoops.clone(),
        }),
    }
}
