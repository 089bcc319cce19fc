//! What was made of what: from lots over batches to wheels, and back.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt;

use chrono::{DateTime, Utc};
use facts::{BatchId, Event, Ingredient, LotId, ReworkSource, WheelId};
use serde::{Deserialize, Serialize};

use crate::index::Index;
use crate::key::{Key, Table};
use crate::story::Birth;

/// A lot, a batch or a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Node {
    /// A lot of milk or of anything else.
    Lot(LotId),
    /// A batch.
    Batch(BatchId),
    /// A wheel.
    Wheel(WheelId),
}

impl fmt::Display for Node {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Lot(id) => write!(f, "lot {id}"),
            Self::Batch(id) => write!(f, "batch {id}"),
            Self::Wheel(id) => write!(f, "wheel {id}"),
        }
    }
}

/// How one went into the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Link {
    /// Milk put together with other milk.
    Pooled,
    /// Milk into a vat.
    Milk,
    /// Culture into a vat.
    Culture,
    /// Rennet into a vat.
    Rennet,
    /// Salt into a vat.
    Salt,
    /// Coating or packaging onto a wheel.
    PutOn,
    /// Curd into a wheel.
    Portioned,
    /// Curd or cheese into a later batch.
    Reworked,
}

impl Link {
    /// In words, to stand before what it went into.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pooled => "pooled into",
            Self::Milk => "milk for",
            Self::Culture => "culture for",
            Self::Rennet => "rennet for",
            Self::Salt => "salt for",
            Self::PutOn => "put on",
            Self::Portioned => "portioned into",
            Self::Reworked => "reworked into",
        }
    }
}

impl From<Ingredient> for Link {
    fn from(ingredient: Ingredient) -> Self {
        match ingredient {
            Ingredient::Culture => Self::Culture,
            Ingredient::Rennet => Self::Rennet,
            Ingredient::Salt => Self::Salt,
        }
    }
}

/// One step from a node to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Step {
    pub(crate) to: Node,
    pub(crate) link: Link,
    pub(crate) at: DateTime<Utc>,
}

/// A node that was reached, and by which way.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Reached {
    /// The node before it; `None` where the walk began.
    pub(crate) from: Option<(Node, Link)>,
}

/// Everything reached from where a walk began.
#[derive(Debug, Default)]
pub(crate) struct Family {
    pub(crate) reached: BTreeMap<Node, Reached>,
    /// Nodes that went into each other by the records.
    pub(crate) rings: BTreeSet<Node>,
}

impl Family {
    /// The way from where the walk began to a node, both ends included.
    pub(crate) fn way(&self, to: Node) -> Vec<(Node, Option<Link>)> {
        let mut way = Vec::new();
        let mut at = Some((to, None));
        while let Some((node, onward)) = at {
            way.push((node, onward));
            at = self
                .reached
                .get(&node)
                .and_then(|r| r.from)
                .map(|(node, link)| (node, Some(link)));
        }
        way.reverse();
        way
    }

    pub(crate) fn wheels(&self) -> impl Iterator<Item = WheelId> {
        self.reached.keys().filter_map(|node| match node {
            Node::Wheel(wheel) => Some(*wheel),
            _ => None,
        })
    }

    pub(crate) fn batches(&self) -> impl Iterator<Item = BatchId> {
        self.reached.keys().filter_map(|node| match node {
            Node::Batch(batch) => Some(*batch),
            _ => None,
        })
    }

    pub(crate) fn lots(&self) -> impl Iterator<Item = LotId> {
        self.reached.keys().filter_map(|node| match node {
            Node::Lot(lot) => Some(*lot),
            _ => None,
        })
    }
}

impl Index {
    /// Whether any fact that counts speaks of it.
    pub(crate) fn speaks_of(&self, node: Node) -> bool {
        match node {
            Node::Lot(lot) => {
                self.any_fact(&Key::of(Table::OfLot).code(&lot)) || !self.used_on(lot).is_empty()
            }
            Node::Batch(batch) => {
                self.any_fact(&Key::of(Table::OfBatch).code(&batch)) || !self.born(batch).is_empty()
            }
            Node::Wheel(wheel) => {
                self.was_in_hands(wheel) || self.any_fact(&Key::of(Table::ReworkOf).code(&wheel))
            }
        }
    }

    /// The wheels portioned from a batch, with that portioning.
    pub(crate) fn born(&self, batch: BatchId) -> Vec<(WheelId, Birth)> {
        let born = self.ever_born(batch).into_iter();
        born.filter_map(|wheel| {
            let mut births = self.births(wheel).into_iter();
            let birth = births.find(|birth| birth.batch == batch)?;
            Some((wheel, birth))
        })
        .collect()
    }

    /// The wheels on which some of a lot was used, and when.
    fn used_on(&self, lot: LotId) -> Vec<(Vec<WheelId>, DateTime<Utc>)> {
        let used = self.moments::<u32>(&Key::of(Table::UsedOn).code(&lot));
        let counts = used.into_iter().filter_map(|(at, fact, group)| {
            let entry = self.counting(group, (at, fact))?;
            Some((self.wheels_of(group), entry.at))
        });
        counts.collect()
    }

    /// What a node went into.
    pub(crate) fn into(&self, node: Node) -> Vec<Step> {
        let mut steps = BTreeSet::new();
        let mut step = |to, link, at| {
            steps.insert(Step { to, link, at });
        };
        match node {
            Node::Lot(lot) => {
                for fact in self.of_lot(lot) {
                    let at = fact.occurred_at;
                    match &fact.event {
                        Event::MilkPooled(e) if e.from.iter().any(|part| part.lot == lot) => {
                            step(Node::Lot(e.lot), Link::Pooled, at);
                        }
                        Event::VatStarted(e) => step(Node::Batch(e.batch), Link::Milk, at),
                        Event::VatFilled(e) => step(Node::Batch(e.batch), Link::Milk, at),
                        Event::VatDosed(e) => step(Node::Batch(e.batch), e.ingredient.into(), at),
                        _ => {}
                    }
                }
                for (wheels, at) in self.used_on(lot) {
                    for wheel in wheels {
                        step(Node::Wheel(wheel), Link::PutOn, at);
                    }
                }
            }
            Node::Batch(batch) => {
                for (wheel, birth) in self.born(batch) {
                    step(Node::Wheel(wheel), Link::Portioned, birth.at);
                }
                for fact in self.of_batch(batch) {
                    if let Event::VatReworked(e) = &fact.event
                        && e.from == ReworkSource::Batch(batch)
                    {
                        step(Node::Batch(e.batch), Link::Reworked, fact.occurred_at);
                    }
                }
            }
            Node::Wheel(wheel) => {
                for fact in self.rework_of(wheel) {
                    if let Event::VatReworked(e) = &fact.event {
                        step(Node::Batch(e.batch), Link::Reworked, fact.occurred_at);
                    }
                }
            }
        }
        steps.into_iter().collect()
    }

    /// What went into a node.
    pub(crate) fn from(&self, node: Node) -> Vec<Step> {
        let mut steps = BTreeSet::new();
        let mut step = |to, link, at| {
            steps.insert(Step { to, link, at });
        };
        match node {
            Node::Lot(lot) => {
                for fact in self.of_lot(lot) {
                    if let Event::MilkPooled(e) = &fact.event
                        && e.lot == lot
                    {
                        for part in &e.from {
                            step(Node::Lot(part.lot), Link::Pooled, fact.occurred_at);
                        }
                    }
                }
            }
            Node::Batch(batch) => {
                for fact in self.of_batch(batch) {
                    let at = fact.occurred_at;
                    match &fact.event {
                        Event::VatStarted(e) => {
                            for lot in &e.milk_lots {
                                step(Node::Lot(*lot), Link::Milk, at);
                            }
                        }
                        Event::VatFilled(e) => step(Node::Lot(e.lot), Link::Milk, at),
                        Event::VatDosed(e) => step(Node::Lot(e.lot), e.ingredient.into(), at),
                        Event::VatReworked(e) if e.batch == batch => {
                            let from = match e.from {
                                ReworkSource::Batch(from) => Node::Batch(from),
                                ReworkSource::Wheel(from) => Node::Wheel(from),
                            };
                            step(from, Link::Reworked, at);
                        }
                        _ => {}
                    }
                }
            }
            Node::Wheel(wheel) => {
                let story = self.story(wheel);
                for birth in &story.births {
                    step(Node::Batch(birth.batch), Link::Portioned, birth.at);
                }
                for &(lot, at) in &story.lots {
                    step(Node::Lot(lot), Link::PutOn, at);
                }
            }
        }
        steps.into_iter().collect()
    }

    /// Everything that was made of these.
    pub(crate) fn descendants(&self, of: impl IntoIterator<Item = Node>) -> Family {
        walk(of, |node| self.into(node))
    }

    /// Everything that these were made of.
    pub(crate) fn ancestors(&self, of: impl IntoIterator<Item = Node>) -> Family {
        walk(of, |node| self.from(node))
    }
}

/// Breadth first, so that the way kept to each node is one of the shortest.
fn walk(begin: impl IntoIterator<Item = Node>, steps: impl Fn(Node) -> Vec<Step>) -> Family {
    let mut family = Family::default();
    let mut edges: BTreeMap<Node, Vec<Node>> = BTreeMap::new();
    let mut queue = VecDeque::new();
    for node in begin {
        if family
            .reached
            .insert(node, Reached { from: None })
            .is_none()
        {
            queue.push_back(node);
        }
    }
    while let Some(node) = queue.pop_front() {
        for step in steps(node) {
            // A lot used on a hundred wheels ends there; only what goes on can close a ring.
            edges.entry(node).or_default().push(step.to);
            if let std::collections::btree_map::Entry::Vacant(new) = family.reached.entry(step.to) {
                new.insert(Reached {
                    from: Some((node, step.link)),
                });
                queue.push_back(step.to);
            }
        }
    }
    family.rings = rings(edges);
    family
}

/// The nodes that can be reached from themselves: what is left when all that has nothing
/// before it, or nothing after it, is taken away again and again.
fn rings(mut edges: BTreeMap<Node, Vec<Node>>) -> BTreeSet<Node> {
    loop {
        let targets: BTreeSet<Node> = edges.values().flatten().copied().collect();
        let before = edges.len();
        edges.retain(|node, _| targets.contains(node));
        let sources: BTreeSet<Node> = edges.keys().copied().collect();
        for onward in edges.values_mut() {
            onward.retain(|node| sources.contains(node));
        }
        edges.retain(|_, onward| !onward.is_empty());
        if edges.len() == before {
            return edges.into_keys().collect();
        }
    }
}
