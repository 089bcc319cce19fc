//! What must always be true.

use std::collections::BTreeSet;

use authority::Role;
use authority::people::{NotUndone, Recorded};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, FactId, WheelId};
use holds::Held;
use ripening::{Floor, Level, Step, answer};
use station::Placement;

use crate::site::BORN;
use crate::world::World;
use crate::{Breakage, Failure, obvious, outbox};

impl World {
    /// After every step: numbers, promises.
    pub(crate) fn every_step(&mut self) -> Result<(), Failure> {
        for stored in self.log.after(self.looked) {
            self.looked = stored.seq;
            let Some(fact) = stored.fact() else {
                continue;
            };
            self.logged.entry(fact.id).or_insert(stored.seq);
            let number = (fact.station, fact.station_seq);
            let first = *self.numbers.entry(number).or_insert(fact.id);
            if first != fact.id {
                return Err(Failure::new(format!(
                    "numbers without gaps: {} has given number {} to two facts, {first} and {}",
                    fact.station, fact.station_seq, fact.id
                )));
            }
            self.ledger.open.remove(&fact.id);
            self.who_may(fact)?;
        }
        let gone = |fact: &&FactId| {
            let (worker, position) = self.lies[*fact];
            !outbox::is_safe(&self.workers[worker].disk, position)
        };
        match self.ledger.open.iter().find(gone) {
            Some(fact) => Err(Failure::new(format!(
                "no lost fact: somebody was told that {fact} is stored, and it is neither in the log nor safe on the disk of {}",
                self.workers[self.lies[fact].0].name
            ))),
            None => Ok(()),
        }
    }

    /// Only known people state facts; nobody at a station takes back what keeps people safe, or
    /// what is another's, or long past; only a signed-in manager releases.
    fn who_may(&self, fact: &Fact) -> Result<(), Failure> {
        let fail = |why: &str| {
            Err(Failure::new(format!(
                "who may: {why}: {} by {:?} at {}",
                fact.event.ty(),
                fact.person,
                fact.station
            )))
        };
        let role = fact.person.map(|person| self.role(person));
        if role == Some(Role::Inspector) {
            return fail("nobody with this badge works here");
        }
        let tablet = fact.station.as_str().starts_with("tab-");
        match &fact.event {
            Event::WheelIroned(_) | Event::WheelGraded(_) if role == Some(Role::Operator) => {
                fail("only an ironer irons and grades")
            }
            Event::WheelReleased(_) if !tablet || role != Some(Role::Manager) => {
                fail("only a signed-in manager releases")
            }
            Event::Voided(voided) if fact.station.as_str() != "gateway" => {
                let target = &self.recorded[&voided.fact];
                let keeps_safe = matches!(
                    target.event,
                    Event::WheelReleased(_) | Event::WheelDispatched(_) | Event::Voided(_)
                ) || matches!(&target.event, Event::ToolChecked(e) if !e.check.passed())
                    || matches!(&target.event, Event::WheelHeld(e) if e.hold.as_str() != BORN);
                // By the table, whose time is the record's own.
                let undo = Recorded::of(std::slice::from_ref(target));
                let late = undo.is_some_and(|record| {
                    let undone =
                        record.may_be_undone(fact.person, fact.occurred_at, fact.recorded_at);
                    undone == Err(NotUndone::TooLate)
                });
                match () {
                    () if keeps_safe => fail("undone, though it keeps people safe"),
                    () if target.station != fact.station => fail("undone at another station"),
                    () if target.person != fact.person => fail("undone by another"),
                    () if late => fail("undone after the time that the table allows"),
                    () => Ok(()),
                }
            }
            _ => Ok(()),
        }
    }

    /// The log has lost its end: what it holds is looked at anew.
    pub(crate) fn look_again(&mut self) {
        self.logged.clear();
        self.numbers.clear();
        self.looked = 0;
        self.ledger.open = self.ledger.promised.clone();
    }

    /// What costs the whole history.
    pub(crate) fn whole_history(&mut self) -> Result<(), Failure> {
        self.restart_equals_rebuild()?;
        self.any_order_is_the_same()?;
        self.pictures_are_right()
    }

    /// The scheduler's floor is the one that is folded from nothing, as far as it has come.
    pub(crate) fn restart_equals_rebuild(&self) -> Result<(), Failure> {
        let Some(fold) = &self.fold else {
            return Ok(());
        };
        let Some(floor) = fold.folding.floor() else {
            return Ok(());
        };
        let upto = usize::try_from(fold.seq()).unwrap();
        let mut rebuilt = self.folded(self.log.all()[..upto].iter().filter_map(|s| s.fact()));
        rebuilt.refresh(floor.now());
        let (kept, rebuilt) = (everything(floor), everything(&rebuilt));
        if kept != rebuilt {
            let how = differs(&kept, &rebuilt);
            return Err(Failure::new(format!(
                "restart = rebuild: after {upto} messages {how}"
            )));
        }
        Ok(())
    }

    /// Any permutation and duplication of the same facts gives the same floor.
    fn any_order_is_the_same(&mut self) -> Result<(), Failure> {
        let facts: Vec<&Fact> = self.log.all().iter().filter_map(|s| s.fact()).collect();
        let mut shuffled = facts.clone();
        let again = facts.iter().filter(|_| self.looking.chance(200));
        shuffled.extend(again.copied().collect::<Vec<_>>());
        self.looking.shuffle(&mut shuffled);
        let empty = || Placement::under(self.dairy.practice.rights.clone());
        let (mut one, mut other) = (empty(), empty());
        facts.iter().for_each(|fact| one.apply(fact));
        shuffled.iter().for_each(|fact| other.apply(fact));
        if one != other {
            return Err(Failure::new("any order: a station's picture depends on it"));
        }
        let picture = one;
        let (mut one, mut other) = (self.folded(facts.iter().copied()), self.folded(shuffled));
        self.one_rule_for_holds(&facts, &picture, &one)?;
        one.refresh(self.now);
        other.refresh(self.now);
        let (one, other) = (without_duplicates(&one), without_duplicates(&other));
        if one != other {
            return Err(Failure::new(format!(
                "any order: {}",
                differs(&one, &other)
            )));
        }
        Ok(())
    }

    /// A station, the floor and the obvious rule say the same of every wheel.
    fn one_rule_for_holds(
        &self,
        facts: &[&Fact],
        picture: &Placement,
        floor: &Floor,
    ) -> Result<(), Failure> {
        let counting = obvious::counting(facts.iter().copied(), &self.dairy);
        let codes = |held: Vec<Held>| {
            held.into_iter()
                .map(|held| held.hold)
                .collect::<BTreeSet<_>>()
        };
        let mut wheels: BTreeSet<WheelId> = floor.wheels().map(|(wheel, _)| *wheel).collect();
        wheels.insert("399-01".parse().unwrap());
        for wheel in wheels {
            let should = obvious::holds(&counting, wheel, &self.dairy);
            let station = codes(picture.held(wheel, &self.dairy.setup.holds));
            let floor = codes(floor.held(wheel));
            if station != should || floor != should {
                return Err(Failure::new(format!(
                    "one rule for holds: {wheel} is held by {should:?}; a station says {station:?}, the floor {floor:?}"
                )));
            }
        }
        Ok(())
    }

    /// Each worker's picture is the one of the facts that it has.
    fn pictures_are_right(&self) -> Result<(), Failure> {
        let breaks = matches!(
            self.breakage,
            Breakage::IgnoresHolds | Breakage::KeepsNothingSent
        );
        if breaks || !self.to_heal.is_empty() {
            return Ok(());
        }
        for worker in &self.workers {
            let Some(running) = &worker.running else {
                continue;
            };
            let upto = running.position.map_or(0, |position| position.seq);
            let upto = usize::try_from(upto).unwrap().min(self.log.all().len());
            let mut rebuilt = Placement::under(self.dairy.practice.rights.clone());
            let logged = self.log.all()[..upto].iter().filter_map(|s| s.fact());
            logged.for_each(|fact| rebuilt.apply(fact));
            outbox::kept(&worker.disk)
                .iter()
                .for_each(|fact| rebuilt.apply(fact));
            if running.placement != rebuilt && self.lost.is_empty() {
                return Err(Failure::new(format!(
                    "restart = rebuild: the picture of {} is not the one of its facts",
                    worker.name
                )));
            }
        }
        Ok(())
    }

    /// When everything has come to rest.
    pub(crate) fn at_the_end(&self) -> Result<(), Failure> {
        let fold = self.fold.as_ref().unwrap();
        if fold.seq() != self.log.end() {
            return Err(Failure::new("the fold has not reached the log's end"));
        }
        let parked: Vec<_> = self
            .workers
            .iter()
            .flat_map(|w| outbox::parked(&w.disk))
            .collect();
        let parked_ids: BTreeSet<FactId> = parked.iter().map(|fact| fact.id).collect();
        let lost = |fact: &&FactId| !self.logged.contains_key(*fact) && !parked_ids.contains(*fact);
        if let Some(fact) = self.ledger.promised.iter().find(lost) {
            return Err(Failure::new(format!(
                "no lost fact: {fact} is neither in the log nor parked at the end"
            )));
        }
        let distinct = self.logged.len() as u64;
        let floor = fold.floor().unwrap();
        if floor.counts().facts != distinct {
            return Err(Failure::new(format!(
                "exactly once: {} facts counted of {distinct} in the log",
                floor.counts().facts
            )));
        }
        self.numbers_have_no_gaps(&parked)?;
        self.pictures_have_it_all()?;
        self.people_know_what_stands(floor)
    }

    /// Every worker has heard all that the log has, whatever the broker lost in between.
    fn pictures_have_it_all(&self) -> Result<(), Failure> {
        let logged: Vec<&Fact> = self.log.all().iter().filter_map(|s| s.fact()).collect();
        for worker in &self.workers {
            let Some(running) = &worker.running else {
                continue;
            };
            let mut all = Placement::under(self.dairy.practice.rights.clone());
            let kept = outbox::kept(&worker.disk);
            let facts = logged.iter().copied().chain(&kept);
            facts.for_each(|fact| all.apply(fact));
            if running.placement != all {
                return Err(Failure::new(format!(
                    "every follower hears all: the picture of {} is not that of the log",
                    worker.name
                )));
            }
        }
        Ok(())
    }

    /// Every number that was given has arrived, or is parked.
    fn numbers_have_no_gaps(&self, parked: &[Fact]) -> Result<(), Failure> {
        for worker in &self.workers {
            for station in &worker.stations {
                for number in 1..=outbox::last_number(&worker.disk, *station) {
                    let is_parked =
                        |fact: &Fact| fact.station == *station && fact.station_seq == number;
                    if !self.numbers.contains_key(&(*station, number))
                        && !parked.iter().any(is_parked)
                    {
                        return Err(Failure::new(format!(
                            "numbers without gaps: number {number} of {station} never arrived"
                        )));
                    }
                }
            }
        }
        Ok(())
    }

    /// What people believe to be wrong is what is wrong.
    fn people_know_what_stands(&self, floor: &Floor) -> Result<(), Failure> {
        let mut believed = self.ledger.alarms.clone();
        for (situation, subject, level, _) in floor.situations() {
            match believed.remove(&(situation, subject)) {
                None => {
                    return Err(Failure::new(format!(
                        "nobody was told: {subject} {}",
                        situation.words()
                    )));
                }
                Some((name, Step::Raised)) if level == Level::Escalated => {
                    return Err(Failure::new(format!(
                        "nobody was told that {name} is worse"
                    )));
                }
                Some(_) => {}
            }
        }
        match believed.into_values().next() {
            Some((name, _)) => Err(Failure::new(format!("nobody was told that {name} is over"))),
            None => Ok(()),
        }
    }

    fn folded<'f>(&self, facts: impl IntoIterator<Item = &'f Fact>) -> Floor {
        let mut floor = Floor::new(self.dairy.practice.clone(), self.began);
        facts.into_iter().for_each(|fact| floor.apply(fact));
        floor
    }
}

/// Everything that can be asked of a floor, as text.
fn everything(floor: &Floor) -> String {
    text(floor, answer::floor(floor, &[]))
}

/// The same, but for how many facts came twice.
fn without_duplicates(floor: &Floor) -> String {
    let mut glance = answer::floor(floor, &[]);
    glance.counts.duplicates = 0;
    text(floor, glance)
}

fn text(floor: &Floor, mut glance: answer::FloorPicture) -> String {
    // What people were told is no part of the floor: it is compared with what they heard.
    for alert in &mut glance.alerts {
        (alert.alert, alert.since) = (None, None);
    }
    let census = answer::census(floor);
    let lives: Vec<_> = census
        .iter()
        .map(|row| answer::wheel(floor, row.wheel))
        .collect();
    let batches: Vec<_> = floor
        .batches()
        .map(|(id, _)| answer::batch(floor, *id))
        .collect();
    let due = answer::due(floor, &answer::DueQuery::default());
    let situations: Vec<_> = floor.situations().collect();
    let rest = format!("{situations:?}");
    serde_json::to_string(&(glance, census, lives, batches, due, rest)).unwrap()
}

/// Where two texts begin to differ.
fn differs(one: &str, other: &str) -> String {
    let at = one.bytes().zip(other.bytes()).position(|(a, b)| a != b);
    let at = at.unwrap_or(one.len().min(other.len())).saturating_sub(60);
    let cut = |text: &str| text.chars().skip(at).take(300).collect::<String>();
    format!("it is\n{}\nand should be\n{}\n", cut(one), cut(other))
}

/// What a scanner said stays in the fact, and no clock makes one count from before it was made,
/// beyond the minute that no clock is told for, or from after its receipt.
pub(crate) fn a_claim_is_a_claim(
    fact: &Fact,
    claimed: Option<DateTime<Utc>>,
    made: DateTime<Utc>,
) -> Result<(), Failure> {
    let fail = |why: &str| {
        Err(Failure::new(format!(
            "a claim is a claim: {why}: {} counts from {}, was made {made}, claimed {claimed:?}, received {}",
            fact.event.ty(),
            fact.occurred_at,
            fact.recorded_at
        )))
    };
    match () {
        () if claimed.is_some_and(|claimed| claimed != fact.claimed()) => fail("it is lost"),
        () if fact.occurred_at > fact.recorded_at => fail("after its receipt"),
        () if fact.occurred_at < made - TimeDelta::minutes(1) => fail("before it was made"),
        () => Ok(()),
    }
}
