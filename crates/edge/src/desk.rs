//! A station's desk, and the clients that stand before it, each with its own session.

use std::net::IpAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::Duration;

use bus::{Note, Position, Written};
use chrono::{DateTime, Utc};
use facts::{Carrier, Draft, Event, Fact, PersonId, StationId, WheelId};
use metrology::Settled;
use site::Station;
use station::{
    Action, Answer, Asked, Claim, Kept, LEAVING, Leaving, Level, Line, Outcome, Reach, Scan,
    Session, Setup, SignedIn, Stays,
};
use tokio::sync::broadcast;
use tokio::task::JoinError;

use crate::picture::Picture;
use crate::setup::setup;
use crate::to_its_end;
use crate::visits::Visit;
use crate::worker::Worker;

/// How long a scan may wait for what other stations did.
const CATCH_UP: Duration = Duration::from_secs(2);

/// The dispatch desk is asked again when what stands there changed meanwhile; so often at most.
const ASKED_AT_MOST: usize = 4;

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
    setup: Arc<Setup>,
    /// The session of a device that is the station itself.
    own: Arc<Seat>,
    /// Everyone who has a session here.
    seats: Arc<Mutex<Vec<Weak<Seat>>>>,
    /// Scans taken here, to know who scanned last.
    scans: Arc<AtomicU64>,
    said: broadcast::Sender<Answer>,
}

/// One client's place at the desk: a session of its own, and one scan after the other.
struct Seat {
    session: Mutex<Session>,
    /// Held from the first look at a scan to its end: nothing changes the session between what
    /// was asked about it and what is recorded.
    turn: tokio::sync::Mutex<()>,
    /// Which of the desk's scans was this one's last.
    last: AtomicU64,
}

/// A client of a desk whose badge and action are its own.
pub struct Client {
    desk: Desk,
    seat: Arc<Seat>,
    visit: Visit,
}

/// A scan as it came in.
struct Incoming {
    line: String,
    signed_in: Option<SignedIn>,
    claim: Option<Claim>,
    /// The line on which it came, if devices before a port prove what they kept.
    visit: Option<Visit>,
    notes: Option<Notes>,
}

/// How far the picture was seen to have caught up with the log. The one at hand when a scan is
/// taken must still have that.
#[derive(Clone)]
enum CaughtUp {
    Away,
    Behind,
    /// Everything that the log has up to there, which was its end.
    To(Option<Position>),
}

impl CaughtUp {
    fn reach(&self, picture: &Picture) -> Reach {
        match self {
            Self::Away => Reach::Away,
            Self::To(upto) if picture.reaches(upto.as_ref()) => Reach::Current,
            Self::Behind | Self::To(_) => Reach::Behind,
        }
    }
}

/// How far one attempt to take a scan came.
enum Attempt {
    Taken(Taken),
    /// The dispatch desk must be asked first.
    Asks(Leaving, Box<Incoming>),
}

impl Desk {
    /// A held wheel that one of these facts moved or touched, and what holds it.
    #[must_use]
    pub fn kept_by(&self, facts: &[facts::FactId]) -> Option<(WheelId, facts::HoldId)> {
        let picture = self.worker.picture();
        picture.placement.kept_by(facts, &self.setup.holds)
    }

    /// Opens a station's desk at a worker.
    #[must_use]
    pub fn new(worker: &Worker, station: &Station) -> Self {
        let setup = Arc::new(setup(worker.site(), station));
        Self {
            worker: worker.clone(),
            station: station.id,
            own: Seat::new(station.id, &setup),
            setup,
            seats: Arc::default(),
            scans: Arc::default(),
            said: broadcast::Sender::new(64),
        }
    }

    /// The station.
    #[must_use]
    pub const fn station(&self) -> StationId {
        self.station
    }

    /// Lets a client in, from an address if it has one: nobody else's badge or action is its.
    #[must_use]
    pub fn client(&self, from: Option<IpAddr>) -> Client {
        let seat = Seat::new(self.station, &self.setup);
        let mut seats = lock(&self.seats);
        seats.retain(|seat| seat.strong_count() > 0);
        seats.push(Arc::downgrade(&seat));
        Client {
            desk: self.clone(),
            seat,
            visit: Visit::begin(self.station, from, self.worker.now()),
        }
    }

    /// Takes a line from the device that is this station, by whoever is signed in on it, and
    /// keeps notes together with what it records.
    pub async fn scan_as(
        &self,
        signed_in: SignedIn,
        claim: Option<Claim>,
        line: String,
        notes: Notes,
    ) -> Taken {
        let incoming = Incoming {
            line,
            signed_in: Some(signed_in),
            claim,
            visit: None,
            notes: Some(notes),
        };
        self.take(&self.own, incoming).await
    }

    /// Records what a person states otherwise than by a scan, and what their device claimed
    /// where that is not when it counts.
    pub async fn state(
        &self,
        person: PersonId,
        (occurred_at, claimed_at): (DateTime<Utc>, Option<DateTime<Utc>>),
        answer: Answer,
        events: Vec<Event>,
        notes: Notes,
    ) -> Taken {
        let desk = self.clone();
        let now = self.worker.now();
        let draft = |event| Draft {
            occurred_at,
            claimed_at,
            person: Some(person),
            event,
        };
        let outcome = Outcome {
            drafts: events.into_iter().map(draft).collect(),
            ..Outcome::of(answer)
        };
        let notes = Some(notes);
        self.blocking(move || desk.keep(desk.worker.picture(), outcome, now, notes, Vec::new()))
            .await
    }

    /// The action under way on the device that is this station.
    #[must_use]
    pub fn action(&self) -> Option<Action> {
        self.own.session().action()
    }

    /// Leaves no action set on the device that is this station: a card was refused that the
    /// station core has not seen.
    pub fn disarm(&self) {
        self.own.session().disarm();
    }

    /// The wheels that stand on something, as far as this worker has followed.
    #[must_use]
    pub fn wheels_on(&self, carrier: Carrier) -> Vec<WheelId> {
        self.worker.picture().placement.wheels_on(carrier)
    }

    /// Goes on where an earlier run of this device stopped: the lines since the last action was
    /// set, what they recorded having been recorded then.
    pub fn resume(&self, signed_in: SignedIn, lines: &[String]) {
        let picture = self.worker.picture();
        let mut session = self.own.session();
        for line in lines {
            let scan = Scan {
                signed_in: Some(signed_in),
                ..Scan::new(line, self.worker.now())
            };
            let outcome = session.scan(&picture.placement, &scan);
            if let Some(leaving) = outcome.asks {
                // The dispatch desk was asked then, and had nothing against it.
                let said = Some(Stays::default());
                let asked = Asked { leaving, said };
                let scan = Scan {
                    asked: Some(&asked),
                    ..scan
                };
                session.scan(&picture.placement, &scan);
            }
        }
    }

    /// Takes a scan in its turn, which it keeps though whoever sent it has gone.
    async fn take(&self, seat: &Arc<Seat>, incoming: Incoming) -> Taken {
        let (desk, seat) = (self.clone(), Arc::clone(seat));
        let work = async move {
            let _turn = seat.turn.lock().await;
            desk.in_turn(&seat, incoming).await
        };
        match to_its_end(work).await {
            Ok(taken) => taken,
            Err(error) => self.stopping(&error),
        }
    }

    async fn in_turn(&self, seat: &Arc<Seat>, mut incoming: Incoming) -> Taken {
        let scans = self.scans.fetch_add(1, Ordering::Relaxed);
        seat.last.store(scans + 1, Ordering::Relaxed);
        if let Some(claim) = incoming.claim {
            self.worker.clock_reaches(claim.at, CATCH_UP).await;
        }
        if self.worker.bus().is_connected() {
            let happened = self.worker.happened();
            self.worker.has_followed(happened, CATCH_UP).await;
        }
        let caught_up = self.caught_up(seat).await;
        let mut asked = None;
        for _ in 0..ASKED_AT_MOST {
            match self.attempt(seat, incoming, &caught_up, asked.take()).await {
                Attempt::Taken(taken) => return taken,
                Attempt::Asks(leaving, again) => {
                    incoming = *again;
                    asked = Some(self.ask(leaving).await);
                }
            }
        }
        // What stands there changes faster than the desk answers.
        let why = "what stands there has just changed: nothing recorded. Scan it again";
        let outcome = Outcome::of(Answer::new(Level::Stop, why));
        let (desk, now) = (self.clone(), self.worker.now());
        self.blocking(move || {
            desk.reject(now, &incoming.line, why);
            desk.keep(
                desk.worker.picture(),
                outcome,
                now,
                incoming.notes,
                Vec::new(),
            )
        })
        .await
    }

    /// Takes a scan, unless the dispatch desk must be asked first: then nothing has happened.
    async fn attempt(
        &self,
        seat: &Arc<Seat>,
        incoming: Incoming,
        caught_up: &CaughtUp,
        asked: Option<Asked>,
    ) -> Attempt {
        let (desk, seat, caught_up) = (self.clone(), Arc::clone(seat), caught_up.clone());
        let now = self.worker.now();
        let work = move || {
            let mut claim = incoming.claim;
            let shown = match (&mut claim, &incoming.visit) {
                (Some(claim), Some(visit)) => visit.weigh(desk.worker.outbox(), claim, now),
                _ => Vec::new(),
            };
            let picture = desk.worker.picture();
            let scan = Scan {
                line: &incoming.line,
                signed_in: incoming.signed_in,
                received: now,
                claim,
                reach: caught_up.reach(&picture),
                asked: asked.as_ref(),
            };
            let outcome = seat.session().scan(&picture.placement, &scan);
            if let Some(leaving) = outcome.asks {
                return Attempt::Asks(leaving, Box::new(incoming));
            }
            let taken = desk.keep(picture, outcome, now, incoming.notes, shown);
            seat.session().recorded(&taken.facts);
            if taken.ended != Ended::Answered {
                desk.reject(now, &incoming.line, &taken.answer.words);
            }
            Attempt::Taken(taken)
        };
        match tokio::task::spawn_blocking(work).await {
            Ok(attempt) => attempt,
            Err(error) => Attempt::Taken(self.stopping(&error)),
        }
    }

    /// Takes a settled weight for whoever scanned last among those that wait for one, and tells
    /// everyone at the station.
    pub async fn weigh(&self, weight: Settled) {
        let desk = self.clone();
        let work = async move {
            let seat = desk.weighing();
            let _turn = seat.turn.lock().await;
            let (at, taker) = (desk.clone(), Arc::clone(&seat));
            let work = move || {
                let now = at.worker.now();
                let picture = at.worker.picture();
                let outcome = taker.session().weight(&picture.placement, weight, now);
                let taken = at.keep(picture, outcome, now, None, Vec::new());
                taker.session().recorded(&taken.facts);
                taken
            };
            let taken = desk.blocking(work).await;
            desk.say(taken.answer);
        };
        if let Err(error) = to_its_end(work).await {
            self.stopping(&error);
        }
    }

    /// Whose weight it is: of those whose action takes one, who scanned last; else who did.
    fn weighing(&self) -> Arc<Seat> {
        let seats: Vec<Arc<Seat>> = lock(&self.seats).iter().filter_map(Weak::upgrade).collect();
        let of = |seat: &Arc<Seat>| {
            let weighs = seat.session().weighs();
            (weighs, seat.last.load(Ordering::Relaxed))
        };
        let last = seats.into_iter().max_by_key(of);
        last.unwrap_or_else(|| Arc::clone(&self.own))
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

    /// Records an outcome. The answer holds only if that succeeded. The picture is let go
    /// before the disk syncs, so that the stations of a worker share a sync. `shown` is what
    /// its device has shown of its clock.
    fn keep(
        &self,
        picture: MutexGuard<'_, Picture>,
        outcome: Outcome,
        now: DateTime<Utc>,
        notes: Option<Notes>,
        shown: Vec<Note>,
    ) -> Taken {
        let Outcome {
            mut answer,
            mut drafts,
            ..
        } = outcome;
        let now = picture.placement.after_releases(&mut drafts, now);
        let ended = match answer.level {
            Level::Wrong | Level::Stop if drafts.is_empty() => Ended::Refused,
            _ => Ended::Answered,
        };
        if drafts.is_empty() && notes.is_none() && shown.is_empty() {
            return Taken {
                answer,
                facts: Vec::new(),
                ended,
            };
        }
        let noted = |facts: &[Fact]| {
            let mut noted = notes.map_or_else(Vec::new, |notes| notes(&answer, facts));
            noted.extend(shown);
            noted
        };
        let written = self.worker.write(picture, self.station, drafts, now, noted);
        match written.and_then(Written::synced) {
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

    /// Asks the dispatch desk whether wheels may leave.
    async fn ask(&self, leaving: Leaving) -> Asked {
        let bus = self.worker.bus();
        let asking = async {
            let question = Leaving {
                after_seq: bus.floor_end().await?,
                ..leaving.clone()
            };
            bus.ask::<Stays>(&self.worker.site().id, LEAVING, &question)
                .await
        };
        let said = tokio::time::timeout(CATCH_UP, asking).await;
        Asked {
            leaving,
            said: said.ok().and_then(Result::ok),
        }
    }

    /// How much of the floor has to be known; only what may let wheels leave waits for all of it.
    async fn caught_up(&self, seat: &Seat) -> CaughtUp {
        if !self.worker.bus().is_connected() {
            return CaughtUp::Away;
        }
        if !seat.session().lets_leave() {
            return CaughtUp::Behind;
        }
        let everything = tokio::time::timeout(CATCH_UP, self.everything()).await;
        everything.ok().flatten().unwrap_or(CaughtUp::Behind)
    }

    /// Waits until the picture has everything that the broker has now.
    async fn everything(&self) -> Option<CaughtUp> {
        let bus = self.worker.bus();
        let end = bus.floor_end().await.ok()?;
        if !self.worker.has_followed(end, CATCH_UP).await {
            return None;
        }
        let position = self.worker.picture().position.clone();
        if let Some(position) = &position {
            // Of a broker that came back with another log the end says nothing.
            bus.floor_has(position).await.ok()?;
        }
        let reached = position.as_ref().map_or(0, |position| position.seq);
        (reached >= end).then_some(CaughtUp::To(position))
    }

    async fn blocking(&self, work: impl FnOnce() -> Taken + Send + 'static) -> Taken {
        match tokio::task::spawn_blocking(work).await {
            Ok(taken) => taken,
            Err(error) => self.stopping(&error),
        }
    }

    fn stopping(&self, error: &JoinError) -> Taken {
        tracing::error!(station = %self.station, %error, "a scan was not finished");
        Taken::not_stored("NOT recorded: this station is stopping")
    }
}

impl Client {
    /// Takes a scanned line. When the answer is there, what it says is on the disk.
    pub async fn scan(&self, line: String) -> Answer {
        let stamp = Line::read(&line).ok().and_then(|line| line.kept_since);
        let incoming = Incoming {
            signed_in: None,
            claim: stamp.map(|at| Claim {
                at,
                kept: Kept::Unshown,
            }),
            visit: Some(self.visit.clone()),
            line,
            notes: None,
        };
        self.desk.take(&self.seat, incoming).await.answer
    }
}

impl Seat {
    fn new(station: StationId, setup: &Setup) -> Arc<Self> {
        Arc::new(Self {
            session: Mutex::new(Session::new(station, setup.clone())),
            turn: tokio::sync::Mutex::default(),
            last: AtomicU64::default(),
        })
    }

    fn session(&self) -> MutexGuard<'_, Session> {
        lock(&self.session)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
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
