//! The allocation as a network: lots give wheels, lines take them, and a yard takes what
//! is left over and gives what is short.
//!
//! Six costs, ranked and never traded. Probabilities are counted in thousandths of a
//! wheel.
//! 1. broken word: expected wheels short of what customers were told,
//! 2. short: expected wheels short of what else was ordered,
//! 3. outside: expected wheels that arrive outside their window of ages,
//! 4. age order: for each wheel, the days it is younger than the oldest of its recipe times
//!    the days it leaves before the end. Any two wheels, of which the younger leaves
//!    earlier than the older although each fits either line, cost the product of both
//!    differences more than if they were exchanged: so the least sum is the oldest first
//!    among those that fit,
//! 5. past best: hectograms of wheels left over whose last day to leave lies before the end,
//! 6. changed: wheels that yesterday's allocation had elsewhere.
//!
//! What breaks this structure is settled around it, in [`crate::allocate`]: limits on
//! mixing batches, and lines that are ordered by weight.

use std::collections::{BTreeMap, HashMap};

use flow::{Basis, Cost, Flow, Network, Prices};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::fit::{Fit, best_way};
use crate::stock::{Lot, LotKey};
use crate::wanted::{LineKey, Wanted};

/// How many ranks a cost has.
pub const RANKS: usize = 6;

/// What each rank is called.
pub const RANK_NAMES: [&str; RANKS] = [
    "broken word",
    "short",
    "outside window",
    "age order",
    "past best",
    "changed",
];

/// More than all wheels there can be.
const PLENTY: i64 = 1 << 40;

/// What an allocation costs, rank after rank.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Objective(pub [i128; RANKS]);

/// How many wheels of a lot yesterday's allocation gave to a line.
pub type Yesterdays = HashMap<(usize, usize), i64>;

/// A pair of a lot and a line, with the way its wheels take.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pair {
    pub(crate) lot: usize,
    pub(crate) line: usize,
    pub(crate) way: usize,
    pub(crate) fit: Fit,
    /// How many wheels yesterday's allocation gave.
    before: i64,
    /// Its arcs: wheels as yesterday, then others.
    arcs: [Option<usize>; 2],
}

/// The network with the places of what matters in it.
pub(crate) struct Model {
    pub(crate) network: Network<RANKS>,
    pub(crate) prices: Prices<RANKS>,
    pub(crate) pairs: Vec<Pair>,
    /// Pairs of a line.
    pub(crate) of_line: Vec<Vec<usize>>,
    lot_node: Vec<usize>,
    line_node: Vec<usize>,
    yard: usize,
    left_over: Vec<usize>,
    short: Vec<usize>,
    /// What each arc is.
    parts: Vec<Part>,
    /// What was given beforehand through an arc.
    forced: BTreeMap<usize, i64>,
}

/// What of a model changes while limits are settled.
pub(crate) type State = (Vec<i64>, Vec<i64>, BTreeMap<usize, i64>);

/// What an arc is.
#[derive(Debug, Clone, Copy)]
enum Part {
    LeftOver(u32),
    Short(u32),
    /// Of a pair, wheels as yesterday or, if so, others.
    Pair(u32, bool),
}

/// Where the last solution left off, by what its parts are called.
#[derive(Debug, Clone, Default)]
pub struct Memory {
    tree: Vec<Name>,
    full: Vec<Name>,
    tops: Vec<Node>,
    takes: Vec<Node>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Node {
    Yard,
    Lot(LotKey),
    Line(LineKey),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Name {
    LeftOver(LotKey),
    Short(LineKey),
    Pair(LotKey, LineKey, bool),
}

/// What the network is built from.
pub(crate) struct Given<'a> {
    pub(crate) today: DairyDay,
    pub(crate) until: DairyDay,
    pub(crate) lots: &'a [Lot],
    pub(crate) lines: &'a [Wanted],
    /// Wheels of each lot that are free.
    pub(crate) free: &'a [i64],
    /// Wheels that each line still needs.
    pub(crate) need: &'a [i64],
    pub(crate) yesterday: &'a Yesterdays,
}

pub(crate) fn thousandths(share: f64) -> i64 {
    (share * 1000.0).round() as i64
}

/// The last day on which wheels of a lot can leave and still be in their best weeks
/// somewhere.
pub(crate) fn last_day(lot: &Lot) -> DairyDay {
    let ages = lot.recipe.dispatch_ages_for(lot.key.grade);
    let most = ages.map_or(lot.recipe.best_before_days, |ages| ages.most);
    lot.made.plus(most)
}

impl Model {
    pub(crate) fn new(given: &Given<'_>) -> Self {
        let mut oldest: BTreeMap<_, DairyDay> = BTreeMap::new();
        for lot in given.lots {
            let first = oldest.entry(lot.key.recipe).or_insert(lot.made);
            *first = lot.made.min(*first);
        }
        let mut network = Network::default();
        let balance: i64 = given.need.iter().sum::<i64>() - given.free.iter().sum::<i64>();
        let yard = network.node(balance);
        let lot_node: Vec<usize> = given.free.iter().map(|free| network.node(*free)).collect();
        let left_over = given.lots.iter().zip(&lot_node).map(|(lot, node)| {
            let wasted = last_day(lot) < given.until;
            let hectograms = if wasted {
                i64::from(lot.mean_g.div_ceil(100))
            } else {
                0
            };
            network.arc(*node, yard, PLENTY, Cost([0, 0, 0, 0, hectograms, 0]))
        });
        let left_over: Vec<usize> = left_over.collect();
        let place = |place: usize| u32::try_from(place).unwrap_or(u32::MAX);
        let mut of_recipe: BTreeMap<_, Vec<usize>> = BTreeMap::new();
        for (place, lot) in given.lots.iter().enumerate() {
            of_recipe.entry(lot.key.recipe).or_default().push(place);
        }
        let mut model = Self {
            prices: network.prices(),
            network,
            pairs: Vec::new(),
            of_line: Vec::new(),
            lot_node,
            line_node: Vec::new(),
            yard,
            parts: (0..left_over.len())
                .map(|lot| Part::LeftOver(place(lot)))
                .collect(),
            left_over,
            short: Vec::new(),
            forced: BTreeMap::new(),
        };
        for (line, wanted) in given.lines.iter().enumerate() {
            let node = model.network.node(-given.need[line]);
            model.line_node.push(node);
            let broken = broken_rank(wanted);
            let mut cost = [0; RANKS];
            cost[broken] = 1000;
            model
                .short
                .push(model.network.arc(yard, node, PLENTY, Cost(cost)));
            model.parts.push(Part::Short(place(line)));
            let mut here = Vec::new();
            for lot in of_recipe.get(&wanted.recipe).into_iter().flatten() {
                if let Ok((way, fit)) = best_way(&given.lots[*lot], wanted, given.today) {
                    here.push(model.pairs.len());
                    let made = oldest.get(&wanted.recipe).copied();
                    model.pair(given, *lot, line, way, fit, made.unwrap_or(given.today));
                }
            }
            model.of_line.push(here);
        }
        model.prices = model.network.prices();
        model
    }

    fn pair(
        &mut self,
        given: &Given<'_>,
        lot: usize,
        line: usize,
        way: usize,
        fit: Fit,
        oldest: DairyDay,
    ) {
        let (of, wanted) = (&given.lots[lot], &given.lines[line]);
        let earlier = given.until.days_since(wanted.ways[way].leave_on).max(0);
        let younger = of.made.days_since(oldest).max(0);
        let mut cost = [0; RANKS];
        cost[broken_rank(wanted)] = 1000 - thousandths(fit.kept());
        cost[2] = thousandths(fit.outside());
        cost[3] = earlier * younger;
        let (from, to) = (self.lot_node[lot], self.line_node[line]);
        let place = u32::try_from(self.pairs.len()).unwrap_or(u32::MAX);
        let before = given.yesterday.get(&(lot, line)).copied();
        if before.is_some() {
            self.parts.push(Part::Pair(place, false));
        }
        self.parts.push(Part::Pair(place, true));
        let as_before = before.map(|wheels| self.network.arc(from, to, wheels, Cost(cost)));
        // Where there is no yesterday, nothing changes.
        cost[5] = i64::from(!given.yesterday.is_empty());
        let other = self.network.arc(from, to, PLENTY, Cost(cost));
        self.pairs.push(Pair {
            lot,
            line,
            way,
            fit,
            before: before.unwrap_or(0),
            arcs: [as_before, Some(other)],
        });
    }

    /// Wheels that go from a pair's lot to its line.
    pub(crate) fn through(&self, pair: &Pair, flow: &Flow<RANKS>) -> i64 {
        let arcs = pair.arcs.iter().flatten();
        arcs.map(|arc| flow.through[*arc] + self.forced.get(arc).copied().unwrap_or(0))
            .sum()
    }

    /// Wheels of a pair's lot that nobody was given.
    pub(crate) fn left(&self, pair: &Pair, flow: &Flow<RANKS>) -> i64 {
        flow.through[self.left_over[pair.lot]]
    }

    /// What a flow costs, what was forced included.
    pub(crate) fn cost(&self, flow: &Flow<RANKS>) -> Objective {
        let mut cost = flow.cost;
        for (arc, wheels) in &self.forced {
            for (sum, each) in cost.iter_mut().zip(self.network.arcs[*arc].cost.0) {
                *sum += i128::from(*wheels) * i128::from(each);
            }
        }
        Objective(cost)
    }

    /// Closes a pair, or opens it again.
    pub(crate) fn set_open(&mut self, pair: usize, open: bool) {
        let [as_before, other] = self.pairs[pair].arcs;
        let before = self.pairs[pair].before;
        for (arc, most) in [(as_before, before), (other, PLENTY)] {
            if let Some(arc) = arc {
                let forced = self.forced.get(&arc).copied().unwrap_or(0);
                self.network.arcs[arc].capacity = if open { most - forced } else { 0 };
            }
        }
    }

    /// Gives so many wheels of a pair's lot to its line, or, below 0, takes back what was
    /// given so. As many as yesterday are given first.
    pub(crate) fn force(&mut self, pair: usize, wheels: i64) {
        let Pair {
            lot,
            line,
            arcs,
            before,
            ..
        } = self.pairs[pair];
        let [as_before, other] = arcs;
        let all: i64 = arcs
            .iter()
            .flatten()
            .filter_map(|arc| self.forced.get(arc))
            .sum::<i64>()
            + wheels;
        let same = if as_before.is_some() {
            all.min(before)
        } else {
            0
        };
        for (arc, forced, most) in [(as_before, same, before), (other, all - same, PLENTY)] {
            if let Some(arc) = arc {
                self.forced.insert(arc, forced);
                self.network.arcs[arc].capacity = most - forced;
            }
        }
        self.network.supply[self.lot_node[lot]] -= wheels;
        self.network.supply[self.line_node[line]] += wheels;
    }

    /// The cheapest flow, from where another left off.
    pub(crate) fn solve_from(&self, basis: &Basis) -> Flow<RANKS> {
        self.network.solve_from(&self.prices, basis)
    }

    /// What is open, needed and forced.
    pub(crate) fn state(&self) -> State {
        let capacity = self.network.arcs.iter().map(|arc| arc.capacity);
        (
            self.network.supply.clone(),
            capacity.collect(),
            self.forced.clone(),
        )
    }

    /// Goes back to a state.
    pub(crate) fn set_state(&mut self, state: State) {
        let (supply, capacity, forced) = state;
        for (arc, capacity) in self.network.arcs.iter_mut().zip(capacity) {
            arc.capacity = capacity;
        }
        self.network.supply = supply;
        self.forced = forced;
    }

    /// What a line needs, without what was forced.
    pub(crate) fn need(&self, line: usize) -> i64 {
        -self.network.supply[self.line_node[line]]
    }

    /// Changes what a line needs.
    pub(crate) fn set_need(&mut self, line: usize, need: i64) {
        let node = self.line_node[line];
        let more = need + self.network.supply[node];
        self.network.supply[node] = -need;
        self.network.supply[self.yard] += more;
    }

    /// Remembers a basis by what its parts are called.
    pub(crate) fn remember(&self, given: &Given<'_>, basis: &Basis) -> Memory {
        let lot = |place: usize| given.lots[place].key;
        let line = |place: usize| given.lines[place].key;
        let name = |arc: &usize| match self.parts[*arc] {
            Part::LeftOver(place) => Name::LeftOver(lot(place as usize)),
            Part::Short(place) => Name::Short(line(place as usize)),
            Part::Pair(place, other) => {
                let pair = &self.pairs[place as usize];
                Name::Pair(lot(pair.lot), line(pair.line), other)
            }
        };
        let node = |node: &usize| {
            let lots = self.lot_node.len();
            match node.checked_sub(1) {
                None => Node::Yard,
                Some(place) if place < lots => Node::Lot(lot(place)),
                Some(place) => Node::Line(line(place - lots)),
            }
        };
        Memory {
            tree: basis.tree.iter().map(name).collect(),
            full: basis.full.iter().map(name).collect(),
            tops: basis.tops.iter().map(node).collect(),
            takes: basis.takes.iter().map(node).collect(),
        }
    }

    /// Completes a basis: what hangs on nothing else hangs on the yard.
    pub(crate) fn hang_on_yard(&self, basis: &mut Basis) {
        basis.tree.extend(self.short.iter().chain(&self.left_over));
    }

    /// The basis that a memory describes, as far as its parts are still here.
    pub(crate) fn recall(&self, given: &Given<'_>, memory: &Memory) -> Basis {
        let lots = given.lots.iter().enumerate();
        let lots: HashMap<LotKey, usize> = lots.map(|(place, lot)| (lot.key, place)).collect();
        let lines = given.lines.iter().enumerate();
        let lines: HashMap<LineKey, usize> = lines.map(|(place, line)| (line.key, place)).collect();
        let arc = |name: &Name| match name {
            Name::LeftOver(lot) => Some(self.left_over[*lots.get(lot)?]),
            Name::Short(line) => Some(self.short[*lines.get(line)?]),
            Name::Pair(lot, line, other) => {
                let (lot, of_line) = (*lots.get(lot)?, &self.of_line[*lines.get(line)?]);
                let pair = of_line.binary_search_by_key(&lot, |pair| self.pairs[*pair].lot);
                self.pairs[of_line[pair.ok()?]].arcs[usize::from(*other)]
            }
        };
        let node = |node: &Node| match node {
            Node::Yard => Some(self.yard),
            Node::Lot(lot) => Some(self.lot_node[*lots.get(lot)?]),
            Node::Line(line) => Some(self.line_node[*lines.get(line)?]),
        };
        let mut basis = Basis {
            tree: memory.tree.iter().filter_map(arc).collect(),
            full: memory.full.iter().filter_map(arc).collect(),
            tops: memory.tops.iter().filter_map(node).collect(),
            takes: memory.takes.iter().filter_map(node).collect(),
        };
        self.hang_on_yard(&mut basis);
        if basis.tops.is_empty() {
            basis.tops.push(self.yard);
        }
        basis
    }
}

/// The rank that a wheel short of a line counts in.
pub(crate) fn broken_rank(line: &Wanted) -> usize {
    usize::from(!line.word_given)
}
