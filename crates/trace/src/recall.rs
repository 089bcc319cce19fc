//! A recall: everything made of something, everything that touched that, and who has it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    BatchId, Carrier, CustomerId, Event, HoldId, LotId, MarketId, OrderId, PersonId, RoomId, Scope,
    WheelId,
};
use serde::{Deserialize, Serialize};

use crate::balance::{BatchBalance, LotBalance, WheelBalance};
use crate::caution::Caution;
use crate::family::{Family, Node};
use crate::flag::{self, Flag};
use crate::index::Index;
use crate::key::{Key, Table, moment_of};
use crate::{Level, Place, Reason, Trace, Whereabouts};

/// How a trace is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Whether contact is traced as well.
    pub sideways: bool,
    /// A wheel in stock that no fact has seen for longer is not accounted for.
    pub lost_after: TimeDelta,
    /// Density of milk, g/L. 1 030 is common practice for whole cow's milk, no source.
    pub milk_g_per_l: u32,
    /// Density of whey, g/L. 1 025 is common practice, no source.
    pub whey_g_per_l: u32,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            sideways: true,
            lost_after: TimeDelta::days(4),
            milk_g_per_l: 1_030,
            whey_g_per_l: 1_025,
        }
    }
}

/// One wheel of a recall.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Affected {
    /// The wheel.
    pub wheel: WheelId,
    /// How likely it is that it is affected.
    pub level: Level,
    /// Why, the most telling reason first.
    pub because: Vec<Reason>,
    /// Its batch.
    pub batch: Option<BatchId>,
    /// Where it is.
    pub whereabouts: Whereabouts,
    /// The room it is in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub room: Option<RoomId>,
    /// What it stands on or in.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub carrier: Option<Carrier>,
    /// The order it went to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub order: Option<OrderId>,
    /// Who took it without an order.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub customer: Option<CustomerId>,
    /// The market it went to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub market: Option<MarketId>,
    /// When it left.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_at: Option<DateTime<Utc>>,
    /// Latest weight, in grams.
    pub weight_g: u32,
    /// Holds that keep it.
    pub holds: Vec<HoldId>,
}

/// A lot that went into what is recalled: one step back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LotLine {
    /// The lot.
    pub lot: LotId,
    /// What it is, as far as facts tell.
    pub what: String,
    /// Who delivered it.
    pub supplier: Option<String>,
    /// The supplier's own code.
    pub supplier_lot: Option<String>,
    /// When it came in.
    pub received_at: Option<DateTime<Utc>>,
    /// The paper it came with.
    pub document: Option<String>,
}

/// A customer to be told: one step forward.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CustomerLine {
    /// Who; `None` when the order is not known.
    pub customer: Option<String>,
    /// The order.
    pub order: Option<OrderId>,
    /// The market.
    pub market: Option<MarketId>,
    /// The worst level among the wheels.
    pub level: Level,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Their weight together, in grams.
    pub weight_g: u64,
    /// Those of them that have arrived.
    pub arrived: usize,
    /// When the first of them left.
    pub left_at: Option<DateTime<Utc>>,
}

/// Wheels and grams of one level at one kind of place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Total {
    /// The level.
    pub level: Level,
    /// Where.
    pub whereabouts: Whereabouts,
    /// How many wheels.
    pub wheels: usize,
    /// Their weight together, in grams.
    pub weight_g: u64,
}

/// The answer to "what is affected, where is it, who has it".
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recall {
    /// What was asked about.
    pub about: Scope,
    /// Seen from this instant.
    pub at: DateTime<Utc>,
    /// Lots that went into it.
    pub back: Vec<LotLine>,
    /// Badges of those who had it in their hands.
    pub people: Vec<PersonId>,
    /// Batches that are certainly affected.
    pub batches: Vec<BatchId>,
    /// Every wheel, the certain ones first.
    pub wheels: Vec<Affected>,
    /// Sums.
    pub totals: Vec<Total>,
    /// Who has to be told, the worst first.
    pub customers: Vec<CustomerLine>,
    /// Balance of every lot that was asked about or pooled from it.
    pub lots: Vec<LotBalance>,
    /// Balance of every batch that is certainly affected.
    pub makes: Vec<BatchBalance>,
    /// Balance of the certain wheels.
    pub balance: WheelBalance,
    /// What a person has to look at.
    pub flags: Vec<Flag>,
    /// What to mind when acting on it.
    pub cautions: Vec<Caution>,
}

impl Recall {
    /// Wheels of one level.
    pub fn at_level(&self, level: Level) -> impl Iterator<Item = &Affected> {
        self.wheels.iter().filter(move |wheel| wheel.level == level)
    }
}

/// Wheels with the reasons for which they are in.
type Reasons = BTreeMap<WheelId, (Level, BTreeSet<Reason>)>;

fn put(reasons: &mut Reasons, wheel: WheelId, level: Level, reason: Reason) {
    let entry = reasons.entry(wheel).or_insert((level, BTreeSet::new()));
    if level < entry.0 {
        // The worse level is told by its own reasons only.
        *entry = (level, BTreeSet::new());
    }
    if level == entry.0 {
        entry.1.insert(reason);
    }
}

/// What a scope leads to before anything sideways.
pub(crate) struct Within {
    pub(crate) reasons: BTreeMap<WheelId, (Level, BTreeSet<Reason>)>,
    pub(crate) family: Family,
}

impl Index {
    /// The wheels that a scope names, with all that was made of them.
    pub(crate) fn within(&self, scope: &Scope) -> Within {
        let mut reasons = Reasons::new();
        let mut begin: Vec<Node> = Vec::new();
        let mut exposed = |wheels: BTreeSet<WheelId>, level, reason: Reason| {
            for wheel in wheels {
                put(&mut reasons, wheel, level, reason.clone());
                begin.push(Node::Wheel(wheel));
            }
        };
        match scope {
            Scope::Wheels(wheels) => {
                let known = |wheel: &WheelId| self.speaks_of(Node::Wheel(*wheel));
                let wheels = wheels.iter().copied().filter(known).collect();
                exposed(wheels, Level::Certain, Reason::Named);
            }
            Scope::Batch(batch) => begin.push(Node::Batch(*batch)),
            Scope::Lot(lot) => begin.push(Node::Lot(*lot)),
            Scope::Made(window) => {
                exposed(
                    self.made(*window),
                    Level::Certain,
                    Reason::MadeWithin(*window),
                );
            }
            Scope::Room { room, window } => exposed(
                self.in_room(*room, *window),
                Level::Possible,
                Reason::Exposed(Place::Room(*room), *window),
            ),
            Scope::Stillage { stillage, window } => exposed(
                self.on_stillage(*stillage, *window),
                Level::Probable,
                Reason::Exposed(Place::Stillage(*stillage), *window),
            ),
            Scope::Tool { tool, window } => exposed(
                self.by_tool(*tool, *window),
                Level::Probable,
                Reason::Exposed(Place::Tool(*tool), *window),
            ),
        }
        let family = self.descendants(begin);
        for wheel in family.wheels() {
            let way = family.way(Node::Wheel(wheel));
            match way.first() {
                Some((Node::Wheel(first), _)) if *first != wheel => {
                    let level = reasons
                        .get(first)
                        .map_or(Level::Certain, |(level, _)| *level);
                    put(&mut reasons, wheel, level, Reason::ReworkOf(*first, way));
                }
                Some((Node::Lot(_) | Node::Batch(_), _)) => {
                    put(&mut reasons, wheel, Level::Certain, Reason::MadeOf(way));
                }
                _ => {}
            }
        }
        Within { reasons, family }
    }

    /// Wheels portioned in a time.
    fn made(&self, window: facts::Window) -> BTreeSet<WheelId> {
        let births = Key::of(Table::Births);
        let end = match window.to {
            Some(to) => births.clone().at(to),
            None => births.end(),
        };
        let births = self
            .shelf
            .between(&births.at(window.from), &end, |key, group: u32| {
                Some((group, moment_of(key)?))
            });
        let counts = births
            .into_iter()
            .filter(|(group, moment)| self.counting(*group, *moment).is_some());
        counts
            .flat_map(|(group, _)| self.wheels_of(group))
            .collect()
    }
}

impl Trace<'_> {
    /// Traces a scope back, forward and sideways, as things stand at `now`.
    #[must_use]
    pub fn recall(&self, about: &Scope, settings: &Settings, now: DateTime<Utc>) -> Recall {
        let index = self.index;
        let Within {
            mut reasons,
            family,
        } = index.within(about);
        let certain: BTreeSet<WheelId> = reasons
            .iter()
            .filter(|(_, (level, _))| *level == Level::Certain)
            .map(|(wheel, _)| *wheel)
            .collect();
        let asked_wheels: Vec<WheelId> = reasons.keys().copied().collect();
        let named = matches!(about, Scope::Lot(_) | Scope::Batch(_));
        let batches: BTreeSet<BatchId> = family
            .batches()
            .filter(|_| named)
            .chain(self.whole_batches(about, &certain))
            .collect();
        let mut flags = BTreeSet::new();
        flag::of_question(index, about, &mut flags);
        flag::of_time(about, now, &mut flags);
        flag::of_holds(index, &mut flags);
        let mut families = vec![family];
        if settings.sideways {
            let contacts = index.contacts(&certain, &batches);
            for (wheel, contacts) in contacts.of {
                for contact in contacts {
                    put(
                        &mut reasons,
                        wheel,
                        contact.how.level(),
                        Reason::Contact(contact),
                    );
                }
            }
            if !contacts.never_cleaned.is_empty() {
                flags.insert(Flag::NeverCleaned(contacts.never_cleaned));
            }
            families.extend(self.follow_rework(&mut reasons));
        }

        let begin: Vec<Node> = match about {
            Scope::Lot(lot) => vec![Node::Lot(*lot)],
            Scope::Batch(batch) => vec![Node::Batch(*batch)],
            _ => asked_wheels.into_iter().map(Node::Wheel).collect(),
        };
        let ancestors = index.ancestors(begin);
        let lots: BTreeSet<LotId> = ancestors.lots().chain(families[0].lots()).collect();

        let mut balance = WheelBalance::default();
        let mut totals: BTreeMap<(Level, Whereabouts), (usize, u64)> = BTreeMap::new();
        let mut wheels = Vec::new();
        for (wheel, (level, because)) in reasons {
            let affected = self.affected(wheel, level, because, settings, now);
            if level == Level::Certain {
                flag::of_wheel(index, wheel, &mut flags);
                balance.add(&index.story(wheel), affected.whereabouts);
            }
            let total = totals.entry((level, affected.whereabouts)).or_default();
            total.0 += 1;
            total.1 += u64::from(affected.weight_g);
            wheels.push(affected);
        }
        wheels.sort_by_key(|affected| (affected.level, affected.wheel));
        let of_certain: BTreeSet<BatchId> =
            batches.iter().copied().chain(ancestors.batches()).collect();
        let asked: Vec<LotId> = families[0].lots().collect();
        families.push(ancestors);
        flag::of_family(index, &lots, &of_certain, &families, &mut flags);
        let mut recall = Recall {
            about: about.clone(),
            at: now,
            back: lots.iter().map(|lot| self.lot_line(*lot)).collect(),
            people: self.people(&certain, &batches),
            batches: batches.iter().copied().collect(),
            customers: self.customers(&wheels),
            wheels,
            totals: totals
                .into_iter()
                .map(|((level, whereabouts), (wheels, weight_g))| Total {
                    level,
                    whereabouts,
                    wheels,
                    weight_g,
                })
                .collect(),
            lots: asked
                .into_iter()
                .map(|lot| index.lot_balance(lot))
                .collect(),
            makes: batches
                .iter()
                .map(|batch| index.batch_balance(*batch, settings))
                .collect(),
            balance,
            flags: flags.into_iter().collect(),
            cautions: Vec::new(),
        };
        recall.cautions = Caution::of_recall(&recall);
        recall
    }

    /// What wheels that are likely affected went into is as likely affected.
    fn follow_rework(&self, reasons: &mut Reasons) -> Vec<Family> {
        let of_level = |reasons: &Reasons, level| {
            let of = reasons.iter().filter(move |(_, (its, _))| *its == level);
            of.map(|(wheel, _)| Node::Wheel(*wheel)).collect::<Vec<_>>()
        };
        let levels = [Level::Probable, Level::Possible];
        let begin = levels.map(|level| (level, of_level(reasons, level)));
        let followed = begin.into_iter().map(|(level, begin)| {
            let family = self.index.descendants(begin);
            for wheel in family.wheels() {
                let way = family.way(Node::Wheel(wheel));
                if let Some((Node::Wheel(first), _)) = way.first()
                    && *first != wheel
                {
                    put(reasons, wheel, level, Reason::ReworkOf(*first, way));
                }
            }
            family
        });
        followed.collect()
    }

    /// Batches all of whose wheels are named: what else the vat made is in question too.
    fn whole_batches(&self, about: &Scope, certain: &BTreeSet<WheelId>) -> BTreeSet<BatchId> {
        if !matches!(about, Scope::Wheels(_) | Scope::Made(_)) {
            return BTreeSet::new();
        }
        let of = certain
            .iter()
            .filter_map(|wheel| Some(self.index.births(*wheel).first()?.batch));
        let batches: BTreeSet<_> = of.collect();
        let whole = batches.into_iter().filter(|batch| {
            let mut born = self.index.born(*batch).into_iter();
            born.all(|(wheel, _)| certain.contains(&wheel))
        });
        whole.collect()
    }

    fn affected(
        &self,
        wheel: WheelId,
        level: Level,
        because: BTreeSet<Reason>,
        settings: &Settings,
        now: DateTime<Utc>,
    ) -> Affected {
        let index = self.index;
        let story = index.story(wheel);
        let mut whereabouts = story.whereabouts;
        if whereabouts == Whereabouts::InStock {
            let last = index.hands(wheel).iter().map(|entry| entry.at).max();
            if last.is_none_or(|last| now - last > settings.lost_after) {
                whereabouts = Whereabouts::NotSeen;
            }
        }
        let stillage = story.stands_in(|place| matches!(place, Place::Stillage(_)));
        let stack = story.stands_in(|place| matches!(place, Place::Stack(_)));
        let hoop = story.stands_in(|place| matches!(place, Place::Hoop(_)));
        Affected {
            wheel,
            level,
            because: because.into_iter().collect(),
            batch: story.batch(),
            whereabouts,
            room: match story.stands_in(|place| matches!(place, Place::Room(_))) {
                Some(Place::Room(room)) => Some(room),
                _ => None,
            },
            carrier: match stillage.or(stack).or(hoop) {
                Some(Place::Stillage(id)) => Some(Carrier::Stillage(id)),
                Some(Place::Stack(id)) => Some(Carrier::Stack(id)),
                Some(Place::Hoop(id)) => Some(Carrier::Hoop(id)),
                _ => None,
            },
            order: story.order,
            market: story.market,
            customer: story.customer,
            left_at: story.left_at,
            weight_g: story.grams.unwrap_or(0),
            holds: self
                .held_by(wheel, &story.holds)
                .iter()
                .map(|held| held.hold)
                .collect(),
        }
    }

    fn customers(&self, wheels: &[Affected]) -> Vec<CustomerLine> {
        type Went = (Option<OrderId>, Option<CustomerId>, Option<MarketId>);
        let mut lines: BTreeMap<Went, CustomerLine> = BTreeMap::new();
        let gone = [
            Whereabouts::InTransit,
            Whereabouts::Delivered,
            Whereabouts::Refused,
        ];
        for wheel in wheels
            .iter()
            .filter(|wheel| gone.contains(&wheel.whereabouts))
        {
            let line = lines
                .entry((wheel.order, wheel.customer, wheel.market))
                .or_insert_with(|| CustomerLine {
                    customer: match (wheel.order, wheel.customer) {
                        (Some(order), _) => self.customer(order),
                        (None, customer) => customer.map(|id| id.to_string()),
                    },
                    order: wheel.order,
                    market: wheel.market,
                    level: wheel.level,
                    wheels: Vec::new(),
                    weight_g: 0,
                    arrived: 0,
                    left_at: None,
                });
            line.level = line.level.min(wheel.level);
            line.wheels.push(wheel.wheel);
            line.weight_g += u64::from(wheel.weight_g);
            line.arrived += usize::from(wheel.whereabouts == Whereabouts::Delivered);
            line.left_at = [line.left_at, wheel.left_at].into_iter().flatten().min();
        }
        let mut lines: Vec<_> = lines.into_values().collect();
        lines.sort_by(|a, b| (a.level, &a.customer, a.order).cmp(&(b.level, &b.customer, b.order)));
        lines
    }

    /// Who placed an order.
    #[must_use]
    pub fn customer(&self, order: OrderId) -> Option<String> {
        let placed = self.index.facts(&Key::of(Table::OfOrder).code(&order));
        placed.iter().rev().find_map(|fact| match &fact.event {
            Event::OrderPlaced(e) => Some(e.customer.clone()),
            _ => None,
        })
    }

    /// One step back.
    #[must_use]
    pub fn lot_line(&self, lot: LotId) -> LotLine {
        let mut line = LotLine {
            lot,
            what: "not received here".to_owned(),
            supplier: None,
            supplier_lot: None,
            received_at: None,
            document: None,
        };
        let written = |document: &Option<facts::Document>| {
            document
                .as_ref()
                .map(|d| format!("{} {}", d.kind, d.number))
        };
        for fact in self.index.of_lot(lot) {
            match &fact.event {
                Event::MilkReceived(e) => {
                    line.what = format!("milk, {}", e.volume_l);
                    line.supplier = Some(e.supplier.clone());
                    line.supplier_lot.clone_from(&e.supplier_lot);
                    line.document = written(&e.document);
                    line.received_at.get_or_insert(fact.occurred_at);
                }
                Event::MilkPooled(e) if e.lot == lot => {
                    let volume: f64 = e.from.iter().map(|part| part.volume_l.get()).sum();
                    line.what = format!("milk pooled from {} lots, {volume} L", e.from.len());
                    line.received_at.get_or_insert(fact.occurred_at);
                }
                Event::LotReceived(e) => {
                    line.what.clone_from(&e.product);
                    line.supplier = Some(e.supplier.clone());
                    line.supplier_lot.clone_from(&e.supplier_lot);
                    line.document = written(&e.document);
                    line.received_at.get_or_insert(fact.occurred_at);
                }
                _ => {}
            }
        }
        line
    }

    fn people(&self, wheels: &BTreeSet<WheelId>, batches: &BTreeSet<BatchId>) -> Vec<PersonId> {
        let index = self.index;
        let hands = wheels.iter().flat_map(|wheel| index.hands(*wheel));
        let mut badges: BTreeSet<_> = hands.filter_map(|entry| entry.said.person).collect();
        let made = batches.iter().flat_map(|batch| index.of_batch(*batch));
        badges.extend(made.filter_map(|fact| fact.person));
        badges.into_iter().collect()
    }
}
