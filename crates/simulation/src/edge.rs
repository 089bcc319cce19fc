//! A worker with stations: its outbox, its picture of the floor, and who stands before it.

use std::collections::BTreeMap;
use std::rc::Rc;

use bus::outbox::book::Outcome as Became;
use chrono::TimeDelta;
use facts::stored::borsh;
use facts::{Draft, Event, Fact, StationId, WheelId};
use metrology::Settled;
use quantity::Grams;
use station::{
    Answer, Asked, Claim, Leaving, Level, Outcome, Placement, Reach, Scan, Session, SignedIn, Stays,
};

use crate::broker::{Answer as Stored, Message};
use crate::disk::{Batch, Disk, Full};
use crate::outbox::{self, Heard, Outbox, Sending};
use crate::scheduler::Position;
use crate::site::Dairy;
use crate::world::{Packet, What, World};
use crate::{Breakage, Failure, obvious, reader};

/// The dispatch desk is asked again when what stands there changed meanwhile; so often at most.
const ASKED_AT_MOST: usize = 4;

/// A worker's process and what it leaves on its disk.
pub(crate) struct Worker {
    pub(crate) name: &'static str,
    pub(crate) stations: Vec<StationId>,
    pub(crate) disk: Disk,
    /// The picture of the floor that was kept last.
    picture: Option<Vec<u8>>,
    pub(crate) running: Option<Running>,
    /// Whether it reaches the broker.
    pub(crate) linked: bool,
    /// Which connection it has: what belongs to an earlier one never arrives.
    pub(crate) connection: u64,
}

/// What a worker has in memory.
pub(crate) struct Running {
    pub(crate) outbox: Outbox,
    pub(crate) placement: Placement,
    pub(crate) position: Option<Position>,
    pub(crate) sessions: BTreeMap<StationId, Session>,
    pub(crate) sending: Sending,
}

/// What a scan came to.
pub(crate) enum Scanned {
    /// Answered; what was recorded is on the disk.
    Answered(Answer, Vec<Fact>),
    /// Nothing was recorded, and the same scan would be refused again.
    Refused(Answer),
    /// The disk did not take it.
    NotStored,
    /// The worker was killed before anybody heard an answer.
    Died,
}

/// What is scanned or weighed, with what its way in knows of it.
pub(crate) enum Input<'a> {
    Line {
        line: &'a str,
        signed_in: Option<SignedIn>,
        claim: Option<Claim>,
    },
    Weight(u32),
}

impl Worker {
    pub(crate) fn new(name: &'static str, stations: &[&str]) -> Self {
        Self {
            name,
            stations: stations.iter().map(|id| id.parse().unwrap()).collect(),
            disk: Disk::default(),
            picture: None,
            running: None,
            linked: true,
            connection: 0,
        }
    }

    /// Starts the process: from the picture, and from what lies in the outbox.
    pub(crate) fn start(&mut self, dairy: &Dairy, breakage: Breakage) {
        let kept = self.picture.as_deref();
        let (position, mut placement): (Option<Position>, Placement) =
            kept.map_or_else(Default::default, |bytes| borsh::from_slice(bytes).unwrap());
        placement = placement.kept_under(dairy.practice.rights.clone());
        for fact in outbox::kept(&self.disk) {
            placement.apply(&fact);
        }
        let session = |id: &StationId| (*id, Session::new(*id, setup(dairy, *id)));
        self.running = Some(Running {
            outbox: Outbox::open(&self.disk, dairy.id, breakage),
            placement,
            position,
            sessions: self.stations.iter().map(session).collect(),
            sending: Sending::Idle,
        });
        self.connection += 1;
    }

    /// Ends the process at once. With the power, what was not synced may be gone.
    pub(crate) fn stop(&mut self, survive: Option<usize>) {
        self.running = None;
        self.connection += 1;
        if let Some(survive) = survive {
            self.disk.power_cut(survive);
        }
    }

    pub(crate) fn keep_picture(&mut self) {
        if let Some(running) = &self.running {
            let picture = borsh::to_vec(&(&running.position, &running.placement));
            self.picture = Some(picture.unwrap());
        }
    }
}

fn setup(dairy: &Dairy, station: StationId) -> station::Setup {
    let mut setup = dairy.setup.clone();
    if station.as_str() != "scale" {
        setup.scale = None;
    }
    setup
}

impl World {
    /// Takes what was scanned, as a station's desk does: how much of the floor is known, then
    /// the scan, again where the dispatch desk must be asked, then the disk.
    pub(crate) fn take(
        &mut self,
        w: usize,
        station: StationId,
        input: &Input<'_>,
        notes: impl FnOnce(&Answer, &[Fact]) -> Batch,
    ) -> Result<Scanned, Failure> {
        if self.strikes(w) {
            return Ok(Scanned::Died);
        }
        let lets_leave = self.workers[w].session(station).lets_leave();
        let reach = if !self.broker_up || !self.workers[w].linked {
            Reach::Away
        } else if lets_leave && self.knows_everything(w) {
            Reach::Current
        } else {
            Reach::Behind
        };
        let mut asked = None;
        for _ in 0..ASKED_AT_MOST {
            let outcome = self.attempt(w, station, input, reach, asked.as_ref());
            if let Some(leaving) = outcome.asks {
                asked = Some(self.ask(w, leaving));
                if self.dice.chance(100) {
                    // What stands there changes while the desk is asked.
                    self.follow(w, false);
                }
                continue;
            }
            self.nothing_held_leaves(w, &outcome)?;
            return Ok(self.keep(w, station, outcome, notes));
        }
        let why = "what stands there has just changed: nothing recorded. Scan it again";
        let outcome = Outcome::of(Answer::new(Level::Stop, why));
        Ok(self.keep(w, station, outcome, notes))
    }

    fn attempt(
        &mut self,
        w: usize,
        station: StationId,
        input: &Input<'_>,
        reach: Reach,
        asked: Option<&Asked>,
    ) -> Outcome {
        let now = self.now;
        let running = self.workers[w].running.as_mut().unwrap();
        let session = running.sessions.get_mut(&station).unwrap();
        match input {
            Input::Line {
                line,
                signed_in,
                claim,
            } => {
                let scan = Scan {
                    signed_in: *signed_in,
                    claim: *claim,
                    reach,
                    asked,
                    ..Scan::new(line, now)
                };
                session.scan(&running.placement, &scan)
            }
            Input::Weight(grams) => {
                let weight = Settled::from(Grams::new(*grams).unwrap());
                session.weight(&running.placement, weight, now)
            }
        }
    }

    fn keep(
        &mut self,
        w: usize,
        station: StationId,
        outcome: Outcome,
        notes: impl FnOnce(&Answer, &[Fact]) -> Batch,
    ) -> Scanned {
        let Outcome { answer, drafts, .. } = outcome;
        let refused = drafts.is_empty() && matches!(answer.level, Level::Wrong | Level::Stop);
        let noted = |facts: &[Fact]| notes(&answer, facts);
        match self.record(w, station, drafts, noted) {
            None => Scanned::Died,
            Some(Err(Full)) => Scanned::NotStored,
            Some(Ok(_)) if refused => Scanned::Refused(answer),
            Some(Ok(facts)) => {
                self.workers[w].session(station).recorded(&facts);
                Scanned::Answered(answer, facts)
            }
        }
    }

    /// Writes, then syncs; the worker may be killed before, between and after. `None`: it was.
    pub(crate) fn record(
        &mut self,
        w: usize,
        station: StationId,
        drafts: Vec<Draft>,
        notes: impl FnOnce(&[Fact]) -> Batch,
    ) -> Option<Result<Vec<Fact>, Full>> {
        if self.strikes(w) {
            return None;
        }
        let worker = &mut self.workers[w];
        let running = worker.running.as_mut()?;
        let written = running.outbox.write(
            &worker.disk,
            &mut self.ids,
            station,
            drafts,
            self.now,
            notes,
        );
        let facts = match written {
            Ok(facts) => facts,
            Err(Full) => return Some(Err(Full)),
        };
        let positions = running.outbox.positions_of(&facts);
        self.recorded
            .extend(facts.iter().map(|fact| (fact.id, fact.clone())));
        for (fact, position) in facts.iter().zip(positions) {
            self.lies.insert(fact.id, (w, position));
        }
        if self.dice.chance(300) {
            // Sending goes on beside recording.
            self.send(w);
            for _ in 0..self.dice.below(4) {
                self.network();
            }
        }
        // A sync takes long: most kills and power cuts come here.
        if (0..4).any(|_| self.strikes(w)) {
            return None;
        }
        let worker = &mut self.workers[w];
        let running = worker.running.as_mut()?;
        running.outbox.synced(&worker.disk);
        for fact in &facts {
            running.placement.apply(fact);
        }
        if self.strikes(w) {
            return None;
        }
        Some(Ok(facts))
    }

    /// Whether the picture has everything that the broker has now.
    fn knows_everything(&mut self, w: usize) -> bool {
        if self.breakage == Breakage::AsksNobodyForHolds {
            return true;
        }
        if !self.broker_up || !self.workers[w].linked {
            return false;
        }
        if self.dice.chance(850) {
            self.follow(w, true);
        }
        let running = self.workers[w].running.as_ref();
        let position = running.and_then(|running| running.position);
        position.map_or(0, |position| position.seq) >= self.log.end()
    }

    /// Asks the dispatch desk; it is played by the scheduler's floor, and may not answer.
    fn ask(&mut self, w: usize, leaving: Leaving) -> Asked {
        let mut asked = Asked {
            leaving,
            said: None,
        };
        let now = self.now;
        let Some(fold) = &mut self.fold else {
            return asked;
        };
        if !self.broker_up || !self.workers[w].linked {
            return asked;
        }
        if self.dice.chance(800) {
            fold.take(&self.store, self.log.after(fold.seq()), self.log.created);
            if fold.folding.floor().is_some() {
                fold.advance(now);
            }
        }
        if fold.seq() < self.log.end() {
            return asked;
        }
        let Some(floor) = fold.floor() else {
            return asked;
        };
        let reason = |wheel: &WheelId| {
            if !floor.held(*wheel).is_empty() {
                return Some(format!("{wheel} is held"));
            }
            let state = floor.wheel(*wheel)?.state();
            state
                .grade
                .is_none()
                .then(|| format!("{wheel} is not graded"))
        };
        let reasons = asked.leaving.wheels.iter().filter_map(reason).collect();
        asked.said = Some(Stays { reasons });
        asked
    }

    /// A hold is absolute: what the log holds at this moment, and what was recorded here,
    /// keeps a wheel, whatever the station believes. Nothing leaves while the broker is away,
    /// for no order, or by a scan that was kept.
    fn nothing_held_leaves(&self, w: usize, outcome: &Outcome) -> Result<(), Failure> {
        let leaves = outcome.drafts.iter().find_map(|draft| match &draft.event {
            Event::WheelDispatched(sent) => Some((sent, draft)),
            _ => None,
        });
        let Some((sent, draft)) = leaves else {
            return Ok(());
        };
        let fail = |why: &str| {
            Err(Failure::new(format!(
                "nothing leaves unasked: {why}, and {} answered {}",
                self.workers[w].name, outcome.answer
            )))
        };
        if !self.broker_up || !self.workers[w].linked {
            return fail("the broker is away");
        }
        if sent.order.is_none() && sent.sale.is_none() {
            return fail("there is no order");
        }
        if self.now - draft.occurred_at > TimeDelta::minutes(1) {
            return fail("the scan was kept");
        }
        let here = outbox::kept(&self.workers[w].disk);
        let log = self.log.all().iter();
        let logged = log.filter_map(|stored| stored.fact());
        let facts = obvious::counting(logged.clone().chain(&here), &self.dairy);
        // A station may have heard what the broker has lost since, and others have not sent again.
        let with_lost = obvious::counting(logged.chain(&here).chain(&self.lost), &self.dairy);
        let held = |wheel: &WheelId| obvious::holds(&facts, *wheel, &self.dairy);
        let was_held = |wheel: &WheelId| obvious::holds(&with_lost, *wheel, &self.dairy);
        let stays = |wheel: &&WheelId| !held(wheel).is_empty() && !was_held(wheel).is_empty();
        match sent.wheels.iter().find(stays) {
            Some(wheel) => Err(Failure::new(format!(
                "a hold is absolute: {wheel} is held by {:?}, and {} answered {}",
                held(wheel),
                self.workers[w].name,
                outcome.answer
            ))),
            None => Ok(()),
        }
    }

    /// Follows the log; `whole` until nothing is left.
    pub(crate) fn follow(&mut self, w: usize, whole: bool) {
        if !self.broker_up || !self.workers[w].linked {
            return;
        }
        let created = self.log.created;
        let Some(running) = &mut self.workers[w].running else {
            return;
        };
        let lost = |position: &Position| match self.breakage {
            Breakage::GoesOnByNumber => position.seq > self.log.end(),
            _ => !self.log.goes_on(created, position.seq, position.stored_at),
        };
        if running.position.as_ref().is_some_and(lost) {
            // Facts are never taken twice: the log as it is now is added from its beginning.
            running.position = None;
        }
        loop {
            let seq = running.position.map_or(0, |position| position.seq);
            let sent = self.log.after(seq);
            let sent = if whole {
                sent
            } else {
                &sent[..sent.len().min(self.dice.below(12))]
            };
            let trouble = if whole { 0 } else { self.rates.reading };
            let taken = reader::take(seq, &reader::arrive(sent, trouble, &mut self.dice));
            for stored in &taken {
                if let Some(fact) = stored.fact()
                    && !(self.breakage == Breakage::IgnoresHolds
                        && matches!(fact.event, Event::WheelHeld(_)))
                {
                    running.placement.apply(fact);
                }
                running.position = Some(Position {
                    created,
                    seq: stored.seq,
                    stored_at: stored.stored_at,
                });
            }
            if !whole || taken.is_empty() {
                return;
            }
        }
    }

    /// Starts to send what waits, or gives up on what nobody answered.
    pub(crate) fn send(&mut self, w: usize) {
        let breakage = self.breakage;
        let worker = &mut self.workers[w];
        if !worker.linked || !self.broker_up {
            return;
        }
        let Some(running) = &mut worker.running else {
            return;
        };
        match running.sending.clone() {
            Sending::Idle => {
                let (positions, messages): (Vec<_>, Vec<_>) = running
                    .outbox
                    .oldest(&worker.disk, breakage)
                    .into_iter()
                    .unzip();
                match messages.len() {
                    0 => {}
                    1 => self.send_each(w, positions, messages),
                    _ => self.send_batch(w, positions, messages),
                }
            }
            // Nobody knows whether it arrived: the same again, one by one.
            Sending::Batch { positions, .. } => self.one_by_one(w, &positions),
            Sending::Each { positions, .. } => {
                outbox::settle(&worker.disk, running.sending.give_up());
                if breakage == Breakage::ForgetsOneUnanswered {
                    outbox::forget(&worker.disk, positions[0]);
                }
            }
        }
    }

    fn send_batch(&mut self, w: usize, positions: Vec<u64>, messages: Vec<Rc<Message>>) {
        self.token += 1;
        let worker = &mut self.workers[w];
        worker.running.as_mut().unwrap().sending = Sending::Batch {
            token: self.token,
            positions,
        };
        self.packets.push(Packet {
            worker: w,
            connection: worker.connection,
            token: self.token,
            at: 0,
            what: What::Batch(messages),
        });
    }

    fn send_each(&mut self, w: usize, positions: Vec<u64>, messages: Vec<Rc<Message>>) {
        self.token += 1;
        let worker = &mut self.workers[w];
        worker.running.as_mut().unwrap().sending = Sending::Each {
            token: self.token,
            positions,
            answered: BTreeMap::new(),
        };
        for (at, message) in messages.into_iter().enumerate() {
            self.packets.push(Packet {
                worker: w,
                connection: worker.connection,
                token: self.token,
                at,
                what: What::One(message),
            });
        }
    }

    fn one_by_one(&mut self, w: usize, positions: &[u64]) {
        let worker = &self.workers[w];
        let waits = positions.iter().filter_map(|at| {
            let message = outbox::message_at(&worker.disk, *at)?;
            Some((*at, Rc::new(message)))
        });
        let (positions, messages): (Vec<_>, Vec<_>) = waits.unzip();
        if positions.is_empty() {
            self.workers[w].running.as_mut().unwrap().sending = Sending::Idle;
        } else {
            self.send_each(w, positions, messages);
        }
    }

    /// The broker's answer arrives.
    pub(crate) fn hear(&mut self, packet: &Packet, answer: &Stored) {
        let breakage = self.breakage;
        let worker = &mut self.workers[packet.worker];
        if worker.connection != packet.connection || !worker.linked {
            return;
        }
        let Some(running) = &mut worker.running else {
            return;
        };
        match running.sending.hear(packet.token, packet.at, answer) {
            Heard::Late | Heard::More => {}
            Heard::OneByOne(positions) => self.one_by_one(packet.worker, &positions),
            Heard::All(answers) => {
                let refused = |(_, became): &(u64, Became)| matches!(became, Became::Refused(_));
                if breakage == Breakage::OneRefusedStopsAll && answers.iter().any(refused) {
                    return;
                }
                let positions: Vec<u64> = answers.iter().map(|(position, _)| *position).collect();
                outbox::settle(&worker.disk, answers);
                if breakage == Breakage::KeepsNothingSent {
                    for position in positions {
                        outbox::forget(&worker.disk, position);
                    }
                }
            }
        }
    }
}

impl Worker {
    /// The line to a station broke, and another is opened: another session.
    pub(crate) fn new_session(&mut self, station: StationId, dairy: &Dairy) {
        if let Some(running) = &mut self.running {
            let session = Session::new(station, setup(dairy, station));
            running.sessions.insert(station, session);
        }
    }

    /// A station's session; the worker runs.
    fn session(&mut self, station: StationId) -> &mut Session {
        let running = self.running.as_mut().unwrap();
        running.sessions.get_mut(&station).unwrap()
    }
}
