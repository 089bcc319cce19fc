//! Everything that is there, and what happens to it, one step after the other.

use std::collections::{HashMap, VecDeque};
use std::rc::Rc;

use authority::Role;
use bus::outbox::book::{Changes, Shelf as _};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use facts::{
    Draft, Event, Fact, FactId, HoldLifted, HoldPlaced, PersonId, Scope, StationId, Voided,
};
use station::{Claim, Device, Kept, Line};

use crate::broker::{Answer, Broker, Message};
use crate::dice::Dice;
use crate::disk::Disk;
use crate::edge::{Input, Scanned, Worker};
use crate::ledger::Ledger;
use crate::outbox::{self, Ids};
use crate::people::{self, Deed, Person};
use crate::reader;
use crate::scheduler::{self, Fold};
use crate::site::{Dairy, MANAGER, PEOPLE};
use crate::tablet::{Scan, Signed, Tablet};
use crate::{Breakage, Failure, Played, Watch, checks};

/// The worker of the browsers' stations.
pub(crate) const GATEWAY: usize = 2;

/// When a seed begins.
const BEGAN: &str = "2026-03-02T06:00:00Z";

/// The steps of a seed, and the most that coming to rest may take.
const STEPS: usize = 260;
const REST: usize = 4000;

/// How often things go wrong, in a thousand: another world for each seed, and in many of them
/// some things never go wrong, so that others get further.
#[derive(Debug, Clone)]
pub(crate) struct Rates {
    pub(crate) network: u32,
    pub(crate) reading: u32,
    kill: u32,
    power: u32,
    link: u32,
    disk: u32,
    loss: u32,
    pub(crate) desk: bool,
}

/// A scanner before a station: a handheld that keeps scans while it has no line, perhaps.
#[derive(Debug)]
pub(crate) struct Scanner {
    worker: usize,
    station: StationId,
    line_up: bool,
    /// Since when its line is open.
    began: Option<DateTime<Utc>>,
    keeps: bool,
    stamps: bool,
    /// How far its clock is off.
    off: TimeDelta,
    /// What it keeps, and when that was scanned.
    kept: VecDeque<(String, DateTime<Utc>)>,
}

/// Something on its way.
#[derive(Debug, Clone)]
pub(crate) struct Packet {
    pub(crate) worker: usize,
    pub(crate) connection: u64,
    pub(crate) token: u64,
    pub(crate) at: usize,
    pub(crate) what: What,
}

#[derive(Debug, Clone)]
pub(crate) enum What {
    One(Rc<Message>),
    Batch(Vec<Rc<Message>>),
    Answer(Answer),
}

pub(crate) struct World {
    pub(crate) dice: Dice,
    /// Of its own, so that looking closer changes nothing.
    pub(crate) looking: Dice,
    pub(crate) dairy: Dairy,
    pub(crate) breakage: Breakage,
    pub(crate) rates: Rates,
    pub(crate) began: DateTime<Utc>,
    pub(crate) now: DateTime<Utc>,
    pub(crate) log: Broker,
    pub(crate) derived: Broker,
    pub(crate) broker_up: bool,
    pub(crate) workers: Vec<Worker>,
    pub(crate) scanners: Vec<Scanner>,
    pub(crate) tablets: Vec<Tablet>,
    people: Vec<Person>,
    pub(crate) register: Vec<Signed>,
    pub(crate) packets: Vec<Packet>,
    pub(crate) late_calls: Vec<(usize, PersonId, Vec<Scan>)>,
    pub(crate) store: Disk,
    pub(crate) fold: Option<Fold>,
    pub(crate) ledger: Ledger,
    pub(crate) ids: Ids,
    pub(crate) token: u64,
    names: u64,
    /// How much of `derived` people have heard.
    heard: u64,
    /// Every fact in the log with its first number there, and how much of it was looked at.
    pub(crate) logged: HashMap<FactId, u64>,
    pub(crate) numbers: HashMap<(StationId, u64), FactId>,
    pub(crate) looked: u64,
    /// At which worker, and where in its outbox, each fact was written.
    pub(crate) lies: HashMap<FactId, (usize, u64)>,
    /// The broker has lost what it had acknowledged, and stations have not all sent it again.
    pub(crate) to_heal: Vec<usize>,
    /// What it has ever lost.
    pub(crate) lost: Vec<Fact>,
    /// Every fact that was ever written down.
    pub(crate) recorded: HashMap<FactId, Fact>,
    killed: usize,
    watch: Watch,
    pub(crate) story: Vec<String>,
}

impl World {
    pub(crate) fn new(seed: u64, breakage: Breakage, watch: Watch) -> Self {
        let mut dice = Dice::new(seed);
        let mut rate = |most: i64| match dice.below(3) {
            0 => 0,
            _ => u32::try_from(dice.between(1, most)).unwrap(),
        };
        let rates = Rates {
            network: rate(300),
            reading: rate(200),
            kill: rate(40),
            power: rate(900),
            link: rate(60),
            disk: rate(8),
            loss: rate(6),
            desk: dice.chance(500),
        };
        let mut log = Broker::new(256 * 1024, TimeDelta::minutes(10));
        if dice.chance(150) {
            let topic = *dice.pick(&[
                "wheel.graded",
                "tool.checked",
                "wheel.weighed",
                "wheel.turned",
                "wheel.held",
            ]);
            log.forbidden.insert(topic.to_owned());
        }
        let off = |dice: &mut Dice| match dice.below(8) {
            0 => TimeDelta::minutes(dice.between(-30, 30)),
            1 => TimeDelta::days(dice.between(-400, 400)),
            2 => TimeDelta::days(3650) * i32::try_from(dice.between(-1, 1)).unwrap(),
            _ => TimeDelta::seconds(dice.between(-5, 5)),
        };
        let mut scanner = |worker, station: &str| Scanner {
            worker,
            station: station.parse().unwrap(),
            line_up: true,
            began: None,
            keeps: dice.chance(700),
            stamps: dice.chance(600),
            off: off(&mut dice),
            kept: VecDeque::new(),
        };
        let scanners = vec![scanner(0, "scale"), scanner(1, "st-1"), scanner(1, "st-2")];
        let skew = |dice: &mut Dice| TimeDelta::seconds(dice.between(-4, 4));
        let tablets =
            ["tab-1", "tab-2"].map(|id| Tablet::new(id.parse().unwrap(), skew(&mut dice)));
        let mut world = Self {
            dairy: Dairy::new(seed.is_multiple_of(2), rates.desk),
            breakage,
            rates,
            began: BEGAN.parse().unwrap(),
            now: BEGAN.parse().unwrap(),
            log,
            derived: Broker::new(1 << 20, TimeDelta::minutes(60)),
            broker_up: true,
            workers: vec![
                Worker::new("scale-reader", &["scale"]),
                Worker::new("move-recorder", &["st-1", "st-2"]),
                Worker::new("gateway", &["tab-1", "tab-2", "gateway"]),
            ],
            scanners,
            tablets: tablets.into(),
            people: PEOPLE.map(|(badge, role)| Person::new(badge, role)).into(),
            register: Vec::new(),
            packets: Vec::new(),
            late_calls: Vec::new(),
            store: Disk::default(),
            fold: None,
            ledger: Ledger::default(),
            ids: Ids::new(seed),
            token: 0,
            names: 0,
            heard: 0,
            logged: HashMap::new(),
            numbers: HashMap::new(),
            looked: 0,
            lies: HashMap::new(),
            to_heal: Vec::new(),
            lost: Vec::new(),
            recorded: HashMap::new(),
            killed: 0,
            watch,
            story: Vec::new(),
            looking: Dice::new(!seed),
            dice,
        };
        for worker in &mut world.workers {
            worker.start(&world.dairy, breakage);
        }
        world
    }

    pub(crate) fn play(&mut self) -> Result<(), Failure> {
        let rates = self.rates.clone();
        self.calm();
        self.morning()?;
        self.rates = rates;
        self.tell_story(|world| format!("{:?}", world.rates));
        for step in 0..STEPS {
            self.step()?;
            self.every_step()?;
            let looks = match self.watch {
                Watch::Always => true,
                Watch::Often => self.looking.chance(12),
                Watch::AtTheEnd => false,
            };
            if looks {
                self.whole_history()
                    .map_err(|failure| Failure::new(format!("step {step}: {}", failure.words)))?;
            }
        }
        self.come_to_rest()?;
        self.whole_history()?;
        self.at_the_end()
    }

    pub(crate) fn played(&self) -> Played {
        let dispatched = |fact: &facts::Fact| matches!(fact.event, Event::WheelDispatched(_));
        let facts = self.log.all().iter().filter_map(|stored| stored.fact());
        Played {
            story: Vec::new(),
            messages: self.log.end(),
            promised: self.ledger.promised.len(),
            killed: self.killed,
            dispatched: facts.filter(|fact| dispatched(fact)).count(),
            told: usize::try_from(self.heard).unwrap(),
        }
    }

    pub(crate) fn tell_story(&mut self, line: impl FnOnce(&Self) -> String) {
        if self.watch == Watch::Always {
            let line = line(self);
            self.story.push(format!(
                "{} {line}",
                self.now.to_rfc3339_opts(SecondsFormat::Secs, true)
            ));
        }
    }

    /// Nothing goes wrong.
    fn calm(&mut self) {
        self.rates = Rates {
            network: 0,
            reading: 0,
            kill: 0,
            power: 0,
            link: 0,
            disk: 0,
            loss: 0,
            desk: self.rates.desk,
        };
    }

    /// A batch is made, so that there is something to work with.
    fn morning(&mut self) -> Result<(), Failure> {
        self.start_scheduler();
        for (at, plan) in people::MORNING.iter().enumerate() {
            for deed in people::deeds(plan) {
                self.now += TimeDelta::seconds(20);
                self.at_scanner(at / 2, &deed)?;
            }
            self.settle(12);
        }
        Ok(())
    }

    /// Lets what is on its way arrive.
    fn settle(&mut self, times: usize) {
        for _ in 0..times {
            for w in 0..self.workers.len() {
                self.send(w);
                while !self.packets.is_empty() {
                    self.network();
                }
                self.follow(w, true);
            }
        }
    }

    fn step(&mut self) -> Result<(), Failure> {
        self.now += match self.dice.below(40) {
            0 => TimeDelta::hours(self.dice.between(1, 20)),
            1..=6 => TimeDelta::minutes(self.dice.between(1, 20)),
            _ => TimeDelta::seconds(self.dice.between(0, 20)),
        };
        match self.dice.below(100) {
            0..=34 => self.somebody_acts()?,
            35..=39 => {
                let s = self.dice.below(self.scanners.len());
                self.handheld_sends(s)?;
            }
            40..=49 => {
                let t = self.dice.below(self.tablets.len());
                self.post(t)?;
            }
            50..=51 => self.late_call()?,
            52..=67 => self.network(),
            68..=75 => {
                let w = self.dice.below(self.workers.len());
                self.send(w);
            }
            76..=81 => {
                let w = self.dice.below(self.workers.len());
                self.follow(w, false);
            }
            82..=93 => self.scheduler_acts()?,
            94 => {
                let w = self.dice.below(self.workers.len());
                self.workers[w].keep_picture();
            }
            95 => self.somebody_corrects(),
            _ => {}
        }
        if self.dice.chance(200) {
            self.heal_one();
        }
        self.something_goes_wrong();
        Ok(())
    }

    // --- people ---------------------------------------------------------------------------

    fn somebody_acts(&mut self) -> Result<(), Failure> {
        let p = self.dice.below(self.people.len());
        let devices = self.scanners.len() + self.tablets.len();
        if self.people[p].plan.is_empty() || self.dice.chance(30) {
            let mut at = self.dice.below(devices);
            let taken = |at: usize| {
                let others = self
                    .people
                    .iter()
                    .enumerate()
                    .filter(|(other, _)| *other != p);
                others
                    .map(|(_, person)| person)
                    .any(|person| person.at == at && !person.plan.is_empty())
            };
            // Two at one station get into each other's way: that happens, but not all the time.
            if taken(at) {
                at = (at + 1) % devices;
            }
            self.people[p].at = at;
            let plan = people::plan(&mut self.dice, &self.people[p], at == 0);
            self.people[p].plan = plan;
        }
        let (at, badge) = (self.people[p].at, self.people[p].badge);
        let Some(deed) = self.people[p].plan.front().cloned() else {
            return Ok(());
        };
        let done = if at < self.scanners.len() {
            self.at_scanner(at, &deed)?
        } else {
            self.at_tablet(at - self.scanners.len(), badge, &deed)
        };
        if done {
            self.people[p].plan.pop_front();
        }
        Ok(())
    }

    /// Scans or weighs at a station over a socket; whether it was done.
    fn at_scanner(&mut self, s: usize, deed: &Deed) -> Result<bool, Failure> {
        let line = match deed {
            Deed::Weigh(grams) => {
                self.scan_over_tcp(s, &Input::Weight(*grams), self.now)?;
                return Ok(true);
            }
            Deed::Scan(line) => line,
        };
        let stamped = format!(
            "@{} {line}",
            (self.now + self.scanners[s].off).to_rfc3339_opts(SecondsFormat::Millis, true)
        );
        let scanner = &mut self.scanners[s];
        let reaches = scanner.line_up && self.workers[scanner.worker].running.is_some();
        if !reaches || !scanner.kept.is_empty() {
            if !scanner.keeps {
                return Ok(false);
            }
            scanner.kept.push_back((stamped, self.now));
            return Ok(true);
        }
        let line = if scanner.stamps {
            stamped
        } else {
            line.clone()
        };
        let heard = self.send_line(s, &line, self.now)?;
        Ok(heard || !self.scanners[s].keeps)
    }

    /// Sends the oldest line that a handheld has kept; it keeps it until it was answered.
    fn handheld_sends(&mut self, s: usize) -> Result<(), Failure> {
        let scanner = &self.scanners[s];
        if !scanner.line_up || self.workers[scanner.worker].running.is_none() {
            return Ok(());
        }
        let Some((line, made)) = scanner.kept.front().cloned() else {
            return Ok(());
        };
        if self.send_line(s, &line, made)? {
            self.scanners[s].kept.pop_front();
        }
        Ok(())
    }

    /// Sends a line; whether an answer was heard.
    fn send_line(&mut self, s: usize, line: &str, made: DateTime<Utc>) -> Result<bool, Failure> {
        let now = self.now;
        let scanner = &mut self.scanners[s];
        let (w, station) = (scanner.worker, scanner.station);
        let began = *scanner.began.get_or_insert(now);
        let at = Line::read(line).ok().and_then(|line| line.kept_since);
        let claim = at.map(|at| Claim {
            at,
            kept: match self.breakage {
                Breakage::BelievesEveryClaim => Kept::LineDown,
                _ => self.device(w, station).kept(at, began, now),
            },
        });
        let input = Input::Line {
            line,
            signed_in: None,
            claim,
        };
        self.scan_over_tcp(s, &input, made)
    }

    /// What the device before a station has shown of its clock, by its worker's disk.
    fn device(&self, w: usize, station: StationId) -> Device {
        let kept = outbox::note(&self.workers[w].disk, &device_key(station));
        kept.map_or_else(Device::default, |bytes| {
            serde_json::from_slice(&bytes).unwrap()
        })
    }

    fn scan_over_tcp(
        &mut self,
        s: usize,
        input: &Input<'_>,
        made: DateTime<Utc>,
    ) -> Result<bool, Failure> {
        let (w, station) = (self.scanners[s].worker, self.scanners[s].station);
        if self.workers[w].running.is_none() {
            return Ok(false);
        }
        let mut device = Vec::new();
        let claim = match input {
            Input::Line { claim, .. } => *claim,
            Input::Weight(_) => None,
        };
        if let Some(claim) = claim {
            let after = self.device(w, station).after(claim, self.now);
            device.push((device_key(station), serde_json::to_vec(&after).ok()));
        }
        let scanned = self.take(w, station, input, |_, _| device)?;
        if let Input::Line { line, .. } = input {
            self.tell_story(|_| format!("{station} {line} -> {}", scanned.words()));
        }
        Ok(match scanned {
            Scanned::Answered(_, facts) => {
                for fact in &facts {
                    checks::a_claim_is_a_claim(fact, claim.map(|claim| claim.at), made)?;
                }
                let ids: Vec<FactId> = facts.iter().map(|fact| fact.id).collect();
                // The line may break before the answer is heard.
                let heard = !self.dice.chance(self.rates.network / 2);
                if heard {
                    self.ledger.promise(&ids);
                }
                heard
            }
            Scanned::Refused(_) | Scanned::NotStored => true,
            Scanned::Died => false,
        })
    }

    /// A handheld's line is there again: another visit, another session.
    fn line_up(&mut self, s: usize) {
        let scanner = &mut self.scanners[s];
        if !scanner.line_up {
            scanner.line_up = true;
            scanner.began = Some(self.now);
            self.workers[scanner.worker].new_session(scanner.station, &self.dairy);
        }
    }

    fn at_tablet(&mut self, t: usize, badge: PersonId, deed: &Deed) -> bool {
        let Deed::Scan(line) = deed else {
            return true;
        };
        if self.tablets[t].signed != Some(badge) {
            self.sign_in(t, badge);
            return false;
        }
        self.names += 1;
        let (now, name) = (self.now, self.names);
        self.tablets[t].scan(line, badge, now, name);
        self.tell_story(|_| format!("tablet {t}: {badge} scans {line} ({name})"));
        if self.dice.chance(40) {
            self.sign_out(t);
        }
        true
    }

    /// What somebody is here.
    pub(crate) fn role(&self, badge: PersonId) -> Role {
        let mut people = self.people.iter();
        let person = people.find(|person| person.badge == badge);
        person.map_or(Role::Inspector, |person| person.role)
    }

    /// A manager finds a record wrong, whatever it is, a correction too, and says why; or
    /// holds more than named wheels, or lifts that.
    fn somebody_corrects(&mut self) {
        let (hold, batch) = ("Q3".parse().unwrap(), "311".parse().unwrap());
        let event = match self.dice.below(6) {
            0 => HoldPlaced {
                hold,
                scope: match self.dice.below(2) {
                    0 => Scope::Batch(batch),
                    _ => Scope::Wheels(vec!["312-01".parse().unwrap(), "311-02".parse().unwrap()]),
                },
                reason: "a swab".into(),
                cause: None,
            }
            .into(),
            1 => HoldLifted {
                hold,
                wheels: vec!["311-01".parse().unwrap()],
                reason: "clean".into(),
            }
            .into(),
            _ => {
                let all = self.log.all();
                let Some(fact) = all.get(self.dice.below(all.len())).and_then(|s| s.fact()) else {
                    return;
                };
                Voided {
                    fact: fact.id,
                    reason: "it was another wheel".into(),
                }
                .into()
            }
        };
        self.state_in_the_office(event);
    }

    fn state_in_the_office(&mut self, event: Event) {
        let draft = Draft {
            occurred_at: self.now,
            claimed_at: None,
            person: Some(MANAGER.parse().unwrap()),
            event,
        };
        let station = self.workers[GATEWAY].stations[2];
        if let Some(Ok(facts)) = self.record(GATEWAY, station, vec![draft], |_| Vec::new()) {
            let ids: Vec<FactId> = facts.iter().map(|fact| fact.id).collect();
            self.ledger.promise(&ids);
        }
    }

    // --- the network ----------------------------------------------------------------------

    /// One thing that is on its way arrives, is lost, or arrives twice.
    pub(crate) fn network(&mut self) {
        if self.packets.is_empty() {
            return;
        }
        let trouble = self.rates.network;
        let at = if trouble == 0 {
            0
        } else {
            self.dice.below(self.packets.len())
        };
        let packet = if self.dice.chance(trouble / 2) {
            self.packets[at].clone()
        } else {
            self.packets.remove(at)
        };
        if self.dice.chance(trouble) {
            return;
        }
        let answer = match &packet.what {
            What::Answer(answer) => {
                self.hear(&packet, answer);
                return;
            }
            _ if !self.broker_up => return,
            What::One(message) => self.log.publish(message, self.now),
            What::Batch(messages) => self.log.publish_batch(messages, self.now),
        };
        self.packets.push(Packet {
            what: What::Answer(answer),
            ..packet
        });
    }

    // --- the scheduler --------------------------------------------------------------------

    fn scheduler_acts(&mut self) -> Result<(), Failure> {
        if self.fold.is_none() {
            if self.broker_up && self.dice.chance(400) {
                self.start_scheduler();
            }
            return Ok(());
        }
        match self.dice.below(10) {
            0..=4 => self.fold_some(12)?,
            5..=6 => self.tick()?,
            _ => self.publish_one(),
        }
        self.people_hear()
    }

    pub(crate) fn start_scheduler(&mut self) {
        if self.broker_up {
            let fold = Fold::load(&self.dairy.practice, &self.store, &self.log, &self.derived);
            self.fold = Some(fold);
            self.tell_story(|world| {
                format!(
                    "the scheduler starts at {}",
                    world.fold.as_ref().unwrap().seq()
                )
            });
        }
    }

    fn fold_some(&mut self, most: usize) -> Result<(), Failure> {
        let Some(fold) = &mut self.fold else {
            return Ok(());
        };
        if !self.broker_up {
            return Ok(());
        }
        let sent = self.log.after(fold.seq());
        let arrived = reader::arrive(
            &sent[..sent.len().min(most)],
            self.rates.reading,
            &mut self.dice,
        );
        let chunk = if self.breakage == Breakage::SkipsAPosition {
            arrived
                .into_iter()
                .filter(|stored| stored.seq > fold.seq())
                .collect()
        } else {
            reader::take(fold.seq(), &arrived)
        };
        fold.take(&self.store, &chunk, self.log.created);
        self.tick()
    }

    fn tick(&mut self) -> Result<(), Failure> {
        let now = self.now;
        let Some(fold) = &mut self.fold else {
            return Ok(());
        };
        let first = fold.folding.floor().is_none();
        fold.advance(now);
        if first && self.watch != Watch::AtTheEnd {
            self.restart_equals_rebuild()?;
        }
        self.write();
        Ok(())
    }

    /// Writes state, position and effects; it may be killed before and after.
    fn write(&mut self) {
        let breakage = self.breakage;
        let Some(fold) = &mut self.fold else {
            return;
        };
        let Some((batch, effects)) = fold.gather(breakage) else {
            return;
        };
        if breakage == Breakage::PublishesBeforeWriting {
            for (_, effect) in &effects {
                self.derived.publish(&derived(effect), self.now);
            }
        }
        if self.scheduler_struck() {
            return;
        }
        if breakage == Breakage::WritesPositionFirst {
            let (position, rest) = batch.into_iter().partition(|(key, _)| key == b"position");
            let _ = self.store.apply(Changes(position));
            if self.scheduler_struck() {
                return;
            }
            let _ = self.store.apply(Changes(rest));
        } else {
            let _ = self.store.apply(Changes(batch));
        }
        if !self.scheduler_struck() {
            self.fold.as_mut().unwrap().to_publish.extend(effects);
        }
    }

    /// Publishes the oldest effect; the answer may be lost, and the kill come in between.
    fn publish_one(&mut self) {
        let Some(fold) = &mut self.fold else {
            return;
        };
        let Some((number, effect)) = fold.to_publish.front().cloned() else {
            return;
        };
        if !self.broker_up || self.dice.chance(self.rates.network) {
            return;
        }
        self.derived.publish(&derived(&effect), self.now);
        if self.dice.chance(self.rates.network) || self.scheduler_struck() {
            return;
        }
        let _ = self
            .store
            .apply(Changes(vec![(scheduler::effect_key(number), None)]));
        self.fold.as_mut().unwrap().to_publish.pop_front();
    }

    fn scheduler_struck(&mut self) -> bool {
        let struck = self.dice.chance(self.rates.kill);
        if struck {
            self.fold = None;
            self.killed += 1;
            self.tell_story(|_| "the scheduler is killed".to_owned());
        }
        struck
    }

    /// People hear what was published.
    fn people_hear(&mut self) -> Result<(), Failure> {
        for stored in self.derived.after(self.heard).to_vec() {
            self.heard = stored.seq;
            if let Some(alert) = scheduler::alert(&stored.message.body) {
                self.tell_story(|_| format!("people hear {}", alert.id()));
                self.ledger.hear(&alert)?;
            }
        }
        Ok(())
    }

    // --- what goes wrong ------------------------------------------------------------------

    /// Whether a worker is killed at this very moment.
    pub(crate) fn strikes(&mut self, w: usize) -> bool {
        if self.workers[w].running.is_none() {
            return true;
        }
        let struck = self.dice.chance(self.rates.kill / 2);
        if struck {
            self.kill(w);
        }
        struck
    }

    fn kill(&mut self, w: usize) {
        let unsynced = self.workers[w].disk.unsynced();
        let power = self.dice.chance(self.rates.power);
        let survive = power.then(|| self.dice.below(unsynced + 1));
        self.workers[w].stop(survive);
        for scanner in self.scanners.iter_mut().filter(|s| s.worker == w) {
            scanner.began = None;
        }
        self.killed += 1;
        self.tell_story(|world| format!("{} is killed, power cut: {power}", world.workers[w].name));
    }

    fn something_goes_wrong(&mut self) {
        if self.dice.chance(self.rates.kill) {
            let w = self.dice.below(self.workers.len() + 1);
            if w == self.workers.len() {
                self.fold = None;
                self.killed += 1;
            } else if self.workers[w].running.is_some() {
                self.kill(w);
            }
        }
        if self.dice.chance(self.rates.link) {
            match self.dice.below(4) {
                0 => self.broker_up = false,
                1 => {
                    let s = self.dice.below(self.scanners.len());
                    self.scanners[s].line_up = false;
                    self.scanners[s].began = None;
                }
                2 => {
                    let t = self.dice.below(self.tablets.len());
                    self.tablets[t].online = false;
                }
                _ => {
                    let w = self.dice.below(self.workers.len());
                    self.cut(w);
                }
            }
            if !self.broker_up {
                (0..self.workers.len()).for_each(|w| self.cut(w));
            }
        }
        if self.dice.chance(self.rates.disk) {
            let w = self.dice.below(self.workers.len());
            self.workers[w].disk.fill(true);
        }
        if self.dice.chance(self.rates.loss) {
            self.broker_loses();
        }
    }

    fn cut(&mut self, w: usize) {
        let worker = &mut self.workers[w];
        worker.linked = false;
        worker.connection += 1;
        if let Some(running) = &mut worker.running {
            // Whoever waits for answers hears at once that there will be none.
            outbox::settle(&worker.disk, running.sending.give_up());
        }
        self.tell_story(|world| format!("{} has no link", world.workers[w].name));
    }

    /// The broker comes back from a backup, without what was stored last. The scheduler's
    /// folder belongs to the other log then and is deleted; each worker's stations send again.
    fn broker_loses(&mut self) {
        let many = self.dice.below(12) + 1;
        let left = self.log.all().len().saturating_sub(many);
        let lost = self.log.all()[left..].iter().filter_map(|s| s.fact());
        self.lost.extend(lost.cloned());
        self.log.lose(many);
        self.packets.clear();
        self.late_calls.clear();
        for w in 0..self.workers.len() {
            self.cut(w);
        }
        self.store = Disk::default();
        self.fold = None;
        self.look_again();
        self.to_heal = (0..self.workers.len()).collect();
        self.tell_story(|_| format!("the broker loses {many}"));
    }

    /// Something that went wrong is put right.
    fn heal_one(&mut self) {
        let w = self.dice.below(self.workers.len());
        match self.dice.below(7) {
            0 => self.broker_up = true,
            1 => {
                let s = self.dice.below(self.scanners.len());
                self.line_up(s);
            }
            2 => {
                let t = self.dice.below(self.tablets.len());
                self.tablets[t].online = true;
            }
            3 => self.workers[w].disk.fill(false),
            4 => self.link(w),
            5 => self.revive(w),
            _ => self.send_again(),
        }
    }

    fn link(&mut self, w: usize) {
        if self.broker_up && !self.workers[w].linked {
            self.workers[w].linked = true;
            self.workers[w].connection += 1;
            // Perhaps somebody has corrected what the broker refused for.
            outbox::try_refused(&self.workers[w].disk);
        }
    }

    fn revive(&mut self, w: usize) {
        if self.workers[w].running.is_none() {
            self.workers[w].start(&self.dairy, self.breakage);
        }
    }

    /// A worker's stations send again what a broker has lost: what comes after the numbers
    /// that have arrived without a gap.
    fn send_again(&mut self) {
        let Some(w) = self.to_heal.last().copied() else {
            return;
        };
        if self.workers[w].running.is_none() || self.workers[w].disk.is_full() {
            return;
        }
        self.to_heal.pop();
        for station in self.workers[w].stations.clone() {
            let mut after = 0;
            while self.numbers.contains_key(&(station, after + 1)) {
                after += 1;
            }
            outbox::send_again(&self.workers[w].disk, station, after, self.breakage);
        }
    }

    // --- the end --------------------------------------------------------------------------

    /// Nothing goes wrong any more, and everything is put right.
    fn come_to_rest(&mut self) -> Result<(), Failure> {
        self.calm();
        self.broker_up = true;
        for w in 0..self.workers.len() {
            self.workers[w].disk.fill(false);
            self.link(w);
            self.revive(w);
        }
        (0..self.scanners.len()).for_each(|s| self.line_up(s));
        while !self.to_heal.is_empty() {
            self.send_again();
        }
        for round in 0.. {
            if round == REST {
                return Err(Failure::new(format!(
                    "it does not come to rest: {}",
                    self.unrest()
                )));
            }
            self.now += TimeDelta::seconds(1);
            for s in 0..self.scanners.len() {
                self.handheld_sends(s)?;
            }
            for t in 0..self.tablets.len() {
                self.tablets[t].online = true;
                if self.tablets[t].signed.is_none() {
                    self.sign_in(t, "02".parse().unwrap());
                }
                self.post(t)?;
            }
            self.settle(1);
            self.every_step()?;
            if self.unrest().is_empty() {
                break;
            }
        }
        (0..self.workers.len()).for_each(|w| self.follow(w, true));
        if self.fold.is_none() {
            self.start_scheduler();
        }
        self.fold_some(usize::MAX)?;
        while !self.fold.as_ref().unwrap().to_publish.is_empty() {
            self.publish_one();
        }
        self.people_hear()
    }

    /// What keeps the floor from being at rest.
    fn unrest(&self) -> String {
        let scanners = self.scanners.iter().map(|s| s.kept.len()).sum::<usize>();
        let tablets = self.tablets.iter().map(|t| t.queue.len()).sum::<usize>();
        let waiting = self
            .workers
            .iter()
            .map(|w| outbox::waiting(&w.disk))
            .sum::<usize>();
        let left = [
            (scanners, "scans wait in handhelds"),
            (tablets, "scans wait in tablets"),
            (waiting, "facts wait in outboxes"),
            (self.packets.len(), "packets are on their way"),
        ];
        let left = left.iter().filter(|(many, _)| *many > 0);
        left.map(|(many, what)| format!("{many} {what}"))
            .collect::<Vec<_>>()
            .join(", ")
    }
}

impl Scanned {
    fn words(&self) -> String {
        match self {
            Self::Answered(answer, facts) => {
                let facts: Vec<_> = facts.iter().map(|fact| fact.event.ty()).collect();
                format!("{answer} {facts:?}")
            }
            Self::Refused(answer) => format!("refused: {answer}"),
            Self::NotStored => "not stored".to_owned(),
            Self::Died => "died".to_owned(),
        }
    }
}

fn device_key(station: StationId) -> Vec<u8> {
    format!("device {station}").into_bytes()
}

/// An effect as a message.
fn derived(effect: &scheduler::Effect) -> Rc<Message> {
    Rc::new(Message {
        subject: "derived.testdairy.alert".to_owned(),
        id: effect.id.clone(),
        headers: Vec::new(),
        body: effect.body.clone(),
    })
}
