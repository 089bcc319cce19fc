//! Who stands where: the station's own picture of the floor, folded from facts.
//!
//! Any permutation and duplication of the same facts, voids among them, gives the same
//! placement: every wheel keeps its facts in their own order and is derived from them.
//! Every carrier keeps the wheels on it, so that a scan costs the group, not the floor.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::{Read, Write};

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored::borsh::{BorshDeserialize, BorshSerialize};
use facts::{
    BatchId, Carrier, Draft, Event, Fact, FactId, HoldId, HoopId, OrderId, RecipeId, RoomId,
    StackId, StillageId, ToolCheck, ToolId, WheelId, stored_enum, stored_struct,
};
use holds::{
    Course, Guard, Held, Known, Ledger, Note, Over, Rights, Rule, Says, Scopes, Source, Step,
    Target, Voiding, Voids,
};

use quantity::calendar;

use crate::track::{Change, Kind, Left, Order, Place, Standing, Track};

/// Where every wheel stands.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placement {
    wheels: HashMap<WheelId, Track>,
    batches: HashMap<BatchId, Batch>,
    /// Every check weight shown to a scale, in the order of the facts.
    scales: HashMap<ToolId, Vec<(Order, ToolCheck)>>,
    /// Holds over scopes.
    scopes: Scopes,
    voids: Voids,
    /// What voided facts said: their voiding may itself be voided.
    aside: HashMap<FactId, Said>,
    /// Who takes each fact back that is kept here.
    guards: HashMap<FactId, Guard>,
    /// Every order that was placed.
    orders: BTreeMap<OrderId, BTreeSet<Target>>,
    // The rest is derived from the above.
    hoops: HashMap<HoopId, BTreeSet<(Order, WheelId)>>,
    stacks: HashMap<StackId, BTreeSet<WheelId>>,
    stillages: HashMap<StillageId, BTreeSet<WheelId>>,
    /// Where each stillage was moved to as a whole.
    moves: HashMap<StillageId, BTreeMap<Order, RoomId>>,
    /// What each fact touched: finds duplicates, and what a void has to undo.
    touched: HashMap<FactId, Touched>,
}

#[derive(Debug, Clone, PartialEq, Default)]
struct Batch {
    /// By which recipe it goes.
    course: Course,
    /// The highest wheel number ever given, voided ones too: a number is never used twice.
    last_number: u32,
}

#[derive(Debug, Clone, PartialEq)]
enum Touched {
    Scale(ToolId),
    Wheels(Box<[WheelId]>),
}

/// What a fact said.
#[derive(Debug, Clone, PartialEq)]
enum Said {
    Scale(ToolId, Order, ToolCheck),
    Wheels(Box<[WheelId]>, Order, Kind),
}

impl Placement {
    /// Nothing yet, at a site where these may release.
    #[must_use]
    pub fn under(rights: Rights) -> Self {
        Self {
            voids: Voids::under(rights),
            ..Self::default()
        }
    }

    /// The same where these may release. Whoever kept it may have known of others.
    #[must_use]
    pub fn kept_under(self, rights: Rights) -> Self {
        let mut all = self;
        let voidings: Vec<Voiding> = all.voids.iter().cloned().collect();
        all.voids = Voids::under(rights);
        for voiding in &voidings {
            all.voids.add(voiding.clone());
        }
        for voiding in voidings {
            all.weigh(voiding.target);
        }
        all
    }

    /// Takes a fact in. Facts that place nothing are ignored, and so are repeats.
    pub fn apply(&mut self, fact: &Fact) {
        match &fact.event {
            Event::WheelPortioned(born) => self.number_used(born.batch, born.wheel),
            Event::OrderPlaced(placed) => {
                let placed = self.orders.entry(placed.order).or_default();
                placed.insert(Target::of(fact));
                return;
            }
            Event::Voided(voided) => {
                return self.void(Voiding {
                    reason: String::new(),
                    ..Voiding::of(fact, voided)
                });
            }
            _ => {}
        }
        // These know by themselves which of their facts are void.
        self.scopes.apply(fact);
        if let Some(batch) = Course::of(&fact.event) {
            self.batches.entry(batch).or_default().course.apply(fact);
            return;
        }
        if self.touched.contains_key(&fact.id) || self.aside.contains_key(&fact.id) {
            return;
        }
        let Some(said) = Said::of(fact).filter(|said| !said.is_of_nothing()) else {
            return;
        };
        self.guards.insert(fact.id, Guard::of(fact));
        if self.voids.has_voided(fact) {
            self.aside.insert(fact.id, said);
        } else {
            self.take_in(fact.id, said);
        }
    }

    /// Lets holds that are stated now count from after whatever released their wheels from
    /// them, also where this machine's clock is behind of that which stated the release: else
    /// such a hold would count as ended already. Gives when the drafts are recorded.
    #[must_use]
    pub fn after_releases(&self, drafts: &mut [Draft], now: DateTime<Utc>) -> DateTime<Utc> {
        let mut recorded_at = now;
        for draft in drafts {
            let Event::WheelHeld(held) = &draft.event else {
                continue;
            };
            let tracks = held
                .wheels
                .iter()
                .filter_map(|wheel| self.wheels.get(wheel));
            let notes = tracks.flat_map(|track| track.standing.holds.notes());
            let released = notes.filter(|n| n.hold == held.hold && n.says == Says::Released);
            let Some(last) = released.map(|note| note.moment.at).max() else {
                continue;
            };
            if draft.occurred_at <= last {
                let after = calendar::later(last, TimeDelta::milliseconds(1));
                draft.occurred_at = after;
                recorded_at = recorded_at.max(after);
            }
        }
        recorded_at
    }

    fn take_in(&mut self, fact: FactId, said: Said) {
        match said {
            Said::Scale(scale, order, check) => {
                let checks = self.scales.entry(scale).or_default();
                let at = checks.partition_point(|(o, _)| *o < order);
                checks.insert(at, (order, check));
                self.touched.insert(fact, Touched::Scale(scale));
            }
            Said::Wheels(wheels, order, kind) => {
                if let Kind::Change(Change::Moved(place, Some(stillage))) = kind {
                    let moves = self.moves.entry(stillage).or_default();
                    moves.insert(order, place.room);
                }
                for &wheel in &wheels {
                    match kind {
                        Kind::Turn => self.wheels.entry(wheel).or_default().turn(order),
                        Kind::Change(change) => {
                            self.revise(wheel, |track| track.change(order, change));
                        }
                    }
                }
                self.touched.insert(fact, Touched::Wheels(wheels));
            }
        }
    }

    fn take_out(&mut self, fact: FactId) -> Option<Said> {
        match self.touched.remove(&fact)? {
            Touched::Scale(scale) => {
                let checks = self.scales.get_mut(&scale)?;
                let at = checks.iter().position(|(order, _)| order.fact == fact)?;
                let (order, check) = checks.remove(at);
                if checks.is_empty() {
                    self.scales.remove(&scale);
                }
                Some(Said::Scale(scale, order, check))
            }
            Touched::Wheels(wheels) => {
                let mut did = None;
                for &wheel in &wheels {
                    self.revise(wheel, |track| did = track.take_out(fact).or(did));
                }
                let (order, kind) = did?;
                if let Kind::Change(Change::Moved(_, Some(stillage))) = kind
                    && let Some(moves) = self.moves.get_mut(&stillage)
                {
                    moves.remove(&order);
                    if moves.is_empty() {
                        self.moves.remove(&stillage);
                    }
                }
                Some(Said::Wheels(wheels, order, kind))
            }
        }
    }

    /// Counts a voiding, or, where it voids another, counts what that one had voided again.
    fn void(&mut self, voiding: Voiding) {
        for fact in self.voids.add(voiding) {
            self.weigh(fact);
        }
    }

    /// Counts a fact, or puts it aside, as voidings have it.
    fn weigh(&mut self, fact: FactId) {
        let Some(guard) = self.guards.get(&fact).copied() else {
            return;
        };
        let said = self.take_out(fact).or_else(|| self.aside.remove(&fact));
        let Some(said) = said else { return };
        if self.voids.takes_back(Target::kept(fact, guard)) {
            self.aside.insert(fact, said);
        } else {
            self.take_in(fact, said);
        }
    }

    /// Changes one wheel's facts and puts it on the carriers where it then belongs.
    fn revise(&mut self, wheel: WheelId, change: impl FnOnce(&mut Track)) {
        let mut track = self.wheels.remove(&wheel).unwrap_or_default();
        self.unlist(wheel, &track.standing);
        change(&mut track);
        track.fold();
        if !track.is_empty() {
            self.list(wheel, &track.standing);
            self.wheels.insert(wheel, track);
        }
    }

    fn list(&mut self, wheel: WheelId, standing: &Standing) {
        if standing.left.is_some() {
            return;
        }
        if let Some((hoop, order)) = standing.hoop.zip(standing.hooped) {
            self.hoops.entry(hoop).or_default().insert((order, wheel));
        }
        if let Some(stack) = standing.stack {
            self.stacks.entry(stack).or_default().insert(wheel);
        }
        if let Some(stillage) = standing.stillage {
            self.stillages.entry(stillage).or_default().insert(wheel);
        }
    }

    fn unlist(&mut self, wheel: WheelId, standing: &Standing) {
        if let Some((hoop, order)) = standing.hoop.zip(standing.hooped) {
            take_off(&mut self.hoops, hoop, &(order, wheel));
        }
        if let Some(stack) = standing.stack {
            take_off(&mut self.stacks, stack, &wheel);
        }
        if let Some(stillage) = standing.stillage {
            take_off(&mut self.stillages, stillage, &wheel);
        }
    }

    fn number_used(&mut self, batch: BatchId, wheel: WheelId) {
        let (wheel, of) = (wheel.as_str(), batch.as_str());
        // A code is the same in any case.
        let number = wheel
            .get(..of.len())
            .filter(|begins| begins.eq_ignore_ascii_case(of))
            .and_then(|begins| wheel.get(begins.len()..)?.strip_prefix('-'))
            .and_then(|number| number.parse().ok())
            .filter(|number| *number > 0);
        if let Some(number) = number {
            let batch = self.batches.entry(batch).or_default();
            batch.last_number = batch.last_number.max(number);
        }
    }

    /// The wheels on a carrier, in the order of their codes. A hoop holds one wheel at
    /// most: the last one put in, even if nobody scanned the one before out.
    #[must_use]
    pub fn wheels_on(&self, carrier: Carrier) -> Vec<WheelId> {
        let listed = |wheels: Option<&BTreeSet<WheelId>>| -> Vec<WheelId> {
            wheels.into_iter().flatten().copied().collect()
        };
        match carrier {
            Carrier::Hoop(hoop) => self.in_hoop(hoop).into_iter().collect(),
            Carrier::Stillage(stillage) => listed(self.stillages.get(&stillage)),
            Carrier::Stack(stack) => {
                let mut wheels = listed(self.stacks.get(&stack));
                wheels.retain(|wheel| {
                    let hoop = self.standing(*wheel).and_then(|s| s.hoop);
                    hoop.and_then(|hoop| self.in_hoop(hoop)) == Some(*wheel)
                });
                wheels
            }
        }
    }

    /// The wheels that were on a carrier at an instant, as far as facts tell. Costs a
    /// look at every wheel: for scans that a handheld kept a while.
    #[must_use]
    pub fn wheels_on_at(&self, carrier: Carrier, at: DateTime<Utc>) -> Vec<WheelId> {
        let names = |change: &Change| match (carrier, change) {
            (Carrier::Hoop(hoop), Change::Hooped(h, _)) => *h == hoop,
            (Carrier::Stack(stack), Change::Hooped(_, s)) => *s == Some(stack),
            (Carrier::Stillage(stillage), Change::Loaded(s)) => *s == stillage,
            _ => false,
        };
        let mut then = Self::default();
        for (wheel, track) in &self.wheels {
            let until = track.changes.partition_point(|(order, _)| order.at <= at);
            let changes = &track.changes[..until];
            if changes.iter().any(|(_, change)| names(change)) {
                let mut track = Track {
                    changes: changes.to_vec(),
                    ..Track::default()
                };
                track.fold();
                then.list(*wheel, &track.standing);
                then.wheels.insert(*wheel, track);
            }
        }
        then.wheels_on(carrier)
    }

    fn in_hoop(&self, hoop: HoopId) -> Option<WheelId> {
        self.hoops.get(&hoop)?.last().map(|&(_, wheel)| wheel)
    }

    /// How a wheel stands. `None` when no fact names it.
    #[must_use]
    pub fn standing(&self, wheel: WheelId) -> Option<&Standing> {
        self.wheels.get(&wheel).map(|track| &track.standing)
    }

    /// Whether the wheel's portioning is known.
    #[must_use]
    pub fn knows(&self, wheel: WheelId) -> bool {
        self.standing(wheel).is_some_and(|s| s.births > 0)
    }

    /// Every hold that keeps a wheel, whether a fact set it, or its recipe, or a hold over a
    /// scope that it is in; in the order of their codes. A wheel that no fact portioned is
    /// under the holds of every recipe: nobody knows which it was made by.
    #[must_use]
    pub fn held(&self, wheel: WheelId, rule: &Rule) -> Vec<Held> {
        let laid = self.scopes.laid(&self.voids, rule.rights());
        let unknown = Ledger::default();
        let ledger = self.standing(wheel).map_or(&unknown, |s| &s.holds);
        let batch = ledger.batch().and_then(|batch| self.batches.get(&batch));
        let course = batch.map(|batch| &batch.course);
        let over = Over {
            wheel,
            born: rule.born(course, &self.voids),
            scopes: &laid,
            known: self,
            rights: rule.rights(),
        };
        ledger.holds(over).into_iter().map(Held::from).collect()
    }

    /// A held wheel that one of these facts says was somewhere, or was touched by something, and
    /// what holds it: the hold may keep it for that very reason.
    #[must_use]
    pub fn kept_by(&self, facts: &[FactId], rule: &Rule) -> Option<(WheelId, HoldId)> {
        let wheels = |fact: &FactId| match self.touched.get(fact) {
            Some(Touched::Wheels(wheels)) => wheels.to_vec(),
            _ => Vec::new(),
        };
        let named = facts
            .iter()
            .flat_map(|fact| wheels(fact).into_iter().map(move |wheel| (*fact, wheel)));
        let mut steps = named.filter(|(fact, wheel)| {
            let steps = self.steps(*wheel);
            steps.iter().any(|(order, _)| order.fact == *fact)
        });
        steps.find_map(|(_, wheel)| Some((wheel, self.held(wheel, rule).first()?.hold)))
    }

    /// Every hold that was ever set, whether a fact set it, or a recipe does, or a scope.
    pub fn holds(&self, rule: &Rule) -> impl Iterator<Item = HoldId> {
        let born = rule.born_under(None).iter().map(|born| born.hold);
        let over = self.scopes.placed().map(|placed| placed.hold);
        let standings = self.wheels.values().map(|track| &track.standing);
        let notes = standings.flat_map(|standing| standing.holds.notes());
        let set = notes.filter(|note| note.says == Says::Held);
        born.chain(over).chain(set.map(|note| note.hold))
    }

    /// How a wheel went away, if it did.
    #[must_use]
    pub fn left(&self, wheel: WheelId) -> Option<Left> {
        self.standing(wheel)?.left
    }

    /// When a wheel was last turned.
    #[must_use]
    pub fn last_turned(&self, wheel: WheelId) -> Option<DateTime<Utc>> {
        self.wheels.get(&wheel)?.turns.last().map(|order| order.at)
    }

    /// The last time a wheel was turned at or after `from` and before `to`.
    #[must_use]
    pub fn turned_between(
        &self,
        wheel: WheelId,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Option<DateTime<Utc>> {
        let turns = &self.wheels.get(&wheel)?.turns;
        let before = turns.partition_point(|order| order.at < to);
        turns[..before]
            .last()
            .map(|order| order.at)
            .filter(|at| *at >= from)
    }

    /// The room and position of a wheel that has not left. A wheel put on a stillage
    /// goes where the stillage stands, unless it was moved itself afterwards.
    #[must_use]
    pub fn place(&self, wheel: WheelId) -> Option<Place> {
        let standing = self.standing(wheel).filter(|s| s.left.is_none())?;
        let own = standing.moved.map(|(order, place, _)| (order, place));
        let Some(stillage) = standing.stillage else {
            return own.map(|(_, place)| place);
        };
        let mates = self.stillages.get(&stillage).into_iter().flatten();
        let whole = mates
            .filter_map(|mate| self.standing(*mate)?.moved)
            .filter(|(_, _, via)| *via == Some(stillage))
            .map(|(order, place, _)| (order, place))
            .max_by_key(|(order, _)| *order);
        let own_since = own.filter(|(order, _)| Some(*order) > standing.loaded);
        match (own_since, whole) {
            (Some(own), Some(whole)) => Some(if own.0 > whole.0 { own.1 } else { whole.1 }),
            (Some(placed), None) | (None, Some(placed)) => Some(placed.1),
            (None, None) => own.map(|(_, place)| place),
        }
    }

    /// Every wheel that a fact names, in no particular order.
    pub fn wheels(&self) -> impl Iterator<Item = WheelId> {
        self.wheels.keys().copied()
    }

    /// The recipe a batch goes by: the one it was last moved to on purpose, else the one it
    /// was started with. `None` when neither is known.
    #[must_use]
    pub fn recipe_of(&self, batch: BatchId) -> Option<RecipeId> {
        self.recipe_and_version(batch).map(|(recipe, _)| recipe)
    }

    /// The same, with its version.
    #[must_use]
    pub fn recipe_and_version(&self, batch: BatchId) -> Option<(RecipeId, u32)> {
        self.batches.get(&batch)?.course.recipe(&self.voids)
    }

    /// Whether a start of the batch is known.
    #[must_use]
    pub fn is_started(&self, batch: BatchId) -> bool {
        let batch = self.batches.get(&batch);
        batch.is_some_and(|batch| batch.course.is_started(&self.voids))
    }

    /// The last check weight shown to a scale, and when.
    #[must_use]
    pub fn last_check(&self, scale: ToolId) -> Option<(DateTime<Utc>, ToolCheck)> {
        let (order, check) = self.scales.get(&scale)?.last()?;
        Some((order.at, *check))
    }

    /// When a scale last showed a check weight right.
    #[must_use]
    pub fn last_pass(&self, scale: ToolId) -> Option<DateTime<Utc>> {
        let checks = self.scales.get(&scale)?;
        let (order, _) = checks.iter().rfind(|(_, check)| check.passed())?;
        Some(order.at)
    }

    /// Every order that was placed and not taken back.
    pub fn orders(&self) -> impl Iterator<Item = OrderId> {
        let counts = self.orders.iter();
        let stands = |placed: &Target| !self.voids.takes_back(*placed);
        let counts = counts.filter(move |(_, placed)| placed.iter().any(stands));
        counts.map(|(order, _)| *order)
    }

    /// The next free wheel of a batch: `<batch>-<number>`. `None` when the batch's code
    /// leaves no room for a number.
    #[must_use]
    pub fn next_wheel(&self, batch: BatchId) -> Option<WheelId> {
        let last = self.batches.get(&batch).map_or(0, |b| b.last_number);
        WheelId::new(&format!("{batch}-{:02}", last.checked_add(1)?)).ok()
    }

    /// Forgets what no scan will ask for: wheels gone before `cutoff`, turns before `turned` but
    /// for each wheel's last, and checks of a scale before `cutoff` and its last that passed. A
    /// later correction of a forgotten fact does nothing here; the log still has both.
    pub fn forget_before(&mut self, cutoff: DateTime<Utc>, turned: DateTime<Utc>) {
        let mut forgotten: HashMap<FactId, Vec<WheelId>> = HashMap::new();
        let mut moves = Vec::new();
        self.wheels.retain(|wheel, track| {
            let stays = track.standing.left.is_none_or(|left| left.at() >= cutoff);
            let old = match stays {
                true => track.turns.partition_point(|order| order.at < turned),
                false => track.turns.len(),
            };
            let last = track.turns.len().saturating_sub(usize::from(stays));
            let turns = track.turns.drain(..old.min(last));
            for order in turns {
                forgotten.entry(order.fact).or_default().push(*wheel);
            }
            for (order, change) in track.changes.iter().filter(|_| !stays) {
                forgotten.entry(order.fact).or_default().push(*wheel);
                if let Change::Moved(_, Some(stillage)) = change {
                    moves.push((*stillage, *order));
                }
            }
            track.turns.shrink_to_fit();
            track.changes.shrink_to_fit();
            stays
        });
        for (fact, wheels) in forgotten {
            let left = match self.touched.get_mut(&fact) {
                Some(Touched::Wheels(of)) => {
                    let stay = of.iter().filter(|wheel| !wheels.contains(wheel));
                    *of = stay.copied().collect();
                    !of.is_empty()
                }
                Some(Touched::Scale(_)) | None => true,
            };
            if !left {
                self.touched.remove(&fact);
                self.guards.remove(&fact);
            }
        }
        for (stillage, order) in moves {
            if let Some(of) = self.moves.get_mut(&stillage)
                && !self.touched.contains_key(&order.fact)
            {
                of.remove(&order);
                if of.is_empty() {
                    self.moves.remove(&stillage);
                }
            }
        }
        for checks in self.scales.values_mut() {
            let old = checks.partition_point(|(order, _)| order.at < cutoff);
            let passed = checks.iter().rposition(|(_, check)| check.passed());
            let keep_from = old.min(passed.unwrap_or(checks.len().saturating_sub(1)));
            for (order, _) in checks.drain(..keep_from) {
                self.touched.remove(&order.fact);
                self.guards.remove(&order.fact);
            }
        }
        // What was said of a wheel that is here may be brought back whenever its voiding is voided.
        let wheels = &self.wheels;
        self.aside.retain(|fact, said| {
            let here = match said {
                Said::Wheels(of, ..) => of.iter().any(|wheel| wheels.contains_key(wheel)),
                Said::Scale(..) => false,
            };
            let stays = here || said.order().at >= cutoff;
            if !stays {
                self.guards.remove(fact);
            }
            stays
        });
        self.wheels.shrink_to_fit();
        self.touched.shrink_to_fit();
        self.guards.shrink_to_fit();
    }

    /// Builds what is derived.
    fn from_kept(kept: Kept) -> Self {
        let mut placement = Self {
            batches: kept.batches,
            scales: kept.scales,
            scopes: kept.scopes,
            voids: kept.voids,
            aside: kept.aside,
            guards: kept.guards,
            orders: kept.orders,
            ..Self::default()
        };
        let mut touched: HashMap<FactId, Vec<WheelId>> = HashMap::new();
        for (wheel, mut track) in kept.wheels {
            track.fold();
            placement.list(wheel, &track.standing);
            for (order, change) in &track.changes {
                if let Change::Moved(place, Some(stillage)) = change {
                    let moves = placement.moves.entry(*stillage).or_default();
                    moves.insert(*order, place.room);
                }
            }
            let changes = track.changes.iter().map(|(order, _)| order.fact);
            for id in track.turns.iter().map(|order| order.fact).chain(changes) {
                touched.entry(id).or_default().push(wheel);
            }
            placement.wheels.insert(wheel, track);
        }
        placement.touched = touched
            .into_iter()
            .map(|(id, wheels)| (id, Touched::Wheels(unique(&wheels).into())))
            .collect();
        for (scale, checks) in &placement.scales {
            for (order, _) in checks {
                placement.touched.insert(order.fact, Touched::Scale(*scale));
            }
        }
        let (touched, aside) = (&placement.touched, &placement.aside);
        placement
            .guards
            .retain(|fact, _| touched.contains_key(fact) || aside.contains_key(fact));
        placement
    }
}

impl Known for Placement {
    fn steps(&self, wheel: WheelId) -> Vec<(Order, Step)> {
        self.wheels.get(&wheel).map_or_else(Vec::new, Track::steps)
    }

    fn moves(&self, stillage: StillageId) -> Vec<(Order, RoomId)> {
        let moves = self.moves.get(&stillage).into_iter().flatten();
        moves.map(|(order, room)| (*order, *room)).collect()
    }

    fn sources(&self, batch: BatchId) -> Vec<(Order, Source)> {
        let batch = self.batches.get(&batch);
        batch.map_or_else(Vec::new, |batch| {
            batch.course.sources(&self.voids).collect()
        })
    }
}

/// What cannot be derived.
struct Kept {
    wheels: HashMap<WheelId, Track>,
    batches: HashMap<BatchId, Batch>,
    scales: HashMap<ToolId, Vec<(Order, ToolCheck)>>,
    scopes: Scopes,
    voids: Voids,
    aside: HashMap<FactId, Said>,
    guards: HashMap<FactId, Guard>,
    orders: BTreeMap<OrderId, BTreeSet<Target>>,
}

impl Said {
    /// What a fact says of where wheels are, of their holds, or of a scale.
    fn of(fact: &Fact) -> Option<Self> {
        let order = Order::of(fact);
        if let Event::ToolChecked(checked) = &fact.event {
            let of_scale = matches!(checked.check, ToolCheck::CheckWeight { .. });
            return of_scale.then_some(Self::Scale(checked.tool, order, checked.check));
        }
        let via_stillage = |via: Option<Carrier>| match via {
            Some(Carrier::Stillage(stillage)) => Some(stillage),
            _ => None,
        };
        let kind = Kind::Change(match &fact.event {
            Event::WheelTurned(_) => {
                let wheels = unique(fact.event.wheels());
                return Some(Self::Wheels(wheels.into(), order, Kind::Turn));
            }
            Event::WheelPortioned(e) => Change::Portioned(e.batch),
            Event::WheelHooped(e) => Change::Hooped(e.hoop, e.stack),
            Event::WheelUnhooped(_) => Change::Unhooped,
            Event::WheelLoaded(e) => Change::Loaded(e.stillage),
            Event::WheelMoved(e) => Change::Moved(
                Place {
                    room: e.room,
                    position: e.position,
                },
                via_stillage(e.via),
            ),
            Event::WheelGraded(e) => Change::Graded(e.grade),
            Event::WheelHeld(_) | Event::WheelReleased(_) | Event::HoldLifted(_) => {
                Change::Held(Note::of(fact)?)
            }
            Event::WheelDispatched(_) => Change::Dispatched,
            Event::WheelReturned(_) => Change::Returned,
            Event::WheelDiscarded(_) => Change::Discarded,
            other => match Step::of(other)? {
                Step::Touched(tool) => Change::Touched(tool),
                Step::Used(lot) => Change::Used(lot),
                _ => return None,
            },
        });
        Some(Self::Wheels(
            unique(fact.event.wheels()).into(),
            order,
            kind,
        ))
    }

    fn is_of_nothing(&self) -> bool {
        matches!(self, Self::Wheels(wheels, ..) if wheels.is_empty())
    }

    const fn order(&self) -> Order {
        match self {
            Self::Scale(_, order, _) | Self::Wheels(_, order, _) => *order,
        }
    }
}

fn unique(wheels: &[WheelId]) -> Vec<WheelId> {
    let mut wheels = wheels.to_vec();
    wheels.sort_unstable();
    wheels.dedup();
    wheels
}

fn take_off<K: std::hash::Hash + Eq, T: Ord>(
    carriers: &mut HashMap<K, BTreeSet<T>>,
    key: K,
    what: &T,
) {
    if let Some(on) = carriers.get_mut(&key) {
        on.remove(what);
        if on.is_empty() {
            carriers.remove(&key);
        }
    }
}

stored_struct!(Batch {
    course,
    last_number
});

stored_enum!(Said {
    0 = Scale(scale, order, check),
    1 = Wheels(wheels, order, kind),
});

/// What is kept is only what cannot be derived, in order: equal placements are equal bytes.
impl BorshSerialize for Placement {
    fn serialize<W: Write>(&self, to: &mut W) -> std::io::Result<()> {
        let voidings: Vec<&Voiding> = self.voids.iter().collect();
        self.wheels.serialize(to)?;
        self.batches.serialize(to)?;
        self.scales.serialize(to)?;
        self.scopes.serialize(to)?;
        voidings.serialize(to)?;
        self.aside.serialize(to)?;
        self.guards.serialize(to)?;
        self.orders.serialize(to)
    }
}

impl BorshDeserialize for Placement {
    fn deserialize_reader<R: Read>(from: &mut R) -> std::io::Result<Self> {
        Ok(Self::from_kept(Kept {
            wheels: HashMap::deserialize_reader(from)?,
            batches: HashMap::deserialize_reader(from)?,
            scales: HashMap::deserialize_reader(from)?,
            scopes: Scopes::deserialize_reader(from)?,
            voids: {
                let mut voids = Voids::default();
                for voiding in Vec::<Voiding>::deserialize_reader(from)? {
                    voids.add(voiding);
                }
                voids
            },
            aside: HashMap::deserialize_reader(from)?,
            guards: HashMap::deserialize_reader(from)?,
            orders: BTreeMap::deserialize_reader(from)?,
        }))
    }
}
