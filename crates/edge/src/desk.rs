//! A station's desk: its session, and the clients that stand before it.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use chrono::{DateTime, Utc};
use facts::{HoldId, RecipeId, StationId};
use quantity::Grams;
use site::{Site, Station};
use station::{Answer, Level, Line, Outcome, Session, Setup};
use tokio::sync::broadcast;

use crate::picture::Picture;
use crate::worker::Worker;

/// How long a scan may wait for what other stations did.
const CATCH_UP: Duration = Duration::from_secs(2);

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
        }
        let desk = self.clone();
        let now = self.worker.now();
        let work = move || {
            let mut session = desk.session();
            let mut picture = desk.worker.picture();
            let outcome = session.scan(&picture.placement, &line, now);
            let recorded = !outcome.drafts.is_empty();
            let answer = desk.settle(&mut session, &mut picture, outcome, now);
            drop(picture);
            if !recorded && matches!(answer.level, Level::Wrong | Level::Stop) {
                desk.reject(now, &line, &answer.words);
            }
            answer
        };
        self.blocking(work).await
    }

    /// Takes a settled weight, and tells everyone at the station.
    pub async fn weigh(&self, weight: Grams) {
        let desk = self.clone();
        let now = self.worker.now();
        let work = move || {
            let mut session = desk.session();
            let mut picture = desk.worker.picture();
            let outcome = session.weight(&picture.placement, weight, now);
            desk.settle(&mut session, &mut picture, outcome, now)
        };
        let answer = self.blocking(work).await;
        self.say(answer);
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

    /// Records an outcome. The answer holds only if that succeeded.
    fn settle(
        &self,
        session: &mut Session,
        picture: &mut Picture,
        outcome: Outcome,
        now: DateTime<Utc>,
    ) -> Answer {
        let Outcome { mut answer, drafts } = outcome;
        if drafts.is_empty() {
            return answer;
        }
        match self.worker.record(picture, self.station, drafts, now) {
            Ok(facts) => {
                session.recorded(&facts);
                if let Some(waiting) = self.worker.waiting() {
                    answer.words = format!("{} (broker away, {waiting} kept)", answer.words);
                }
                answer
            }
            Err(error) => {
                tracing::error!(station = %self.station, "{error}");
                Answer::new(Level::Stop, format!("NOT recorded: {error}"))
            }
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

    async fn blocking(&self, work: impl FnOnce() -> Answer + Send + 'static) -> Answer {
        match tokio::task::spawn_blocking(work).await {
            Ok(answer) => answer,
            Err(error) => {
                tracing::error!(station = %self.station, %error, "a scan was not finished");
                Answer::new(Level::Stop, "NOT recorded: this station is stopping")
            }
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
        born_under: born_under(site),
        rooms: site.rooms.iter().map(|room| room.id).collect(),
        scale: station.scale.as_ref().map(|scale| scale.tool),
    }
}

/// Of every version, so that a wheel of an older one is held too.
fn born_under(site: &Site) -> BTreeMap<RecipeId, Vec<(HoldId, String)>> {
    let mut born_under: BTreeMap<RecipeId, Vec<(HoldId, String)>> = BTreeMap::new();
    for recipe in site.recipes.iter() {
        let holds = born_under.entry(recipe.id).or_default();
        for hold in &recipe.holds {
            if !holds.iter().any(|(id, _)| *id == hold.id) {
                holds.push((hold.id, hold.reason.clone()));
            }
        }
    }
    born_under
}
