//! The cheapest flow through a network, exactly, with costs that are ranked and never
//! traded: a primal-dual min-cost flow over whole numbers.
//!
//! A cost is four whole numbers compared one after the other. Such costs can be added
//! and compared like plain numbers, so every step of the textbook algorithm holds, no
//! weights have to be guessed and no tolerance is needed. (Ahuja, Magnanti, Orlin,
//! *Network Flows*, 1993, section 9.8, primal-dual algorithm.)

use std::cmp::Reverse;
use std::collections::{BinaryHeap, VecDeque};
use std::ops::{Add, Sub};

use serde::{Deserialize, Serialize};

/// How many ranks a cost has.
pub const RANKS: usize = 4;

/// A ranked cost: the first number decides, the next only among equals.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Cost(pub [i64; RANKS]);

impl Add for Cost {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(std::array::from_fn(|i| {
            self.0[i].saturating_add(other.0[i])
        }))
    }
}

impl Sub for Cost {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(std::array::from_fn(|i| {
            self.0[i].saturating_sub(other.0[i])
        }))
    }
}

/// A way from one node to another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Arc {
    /// From this node.
    pub from: usize,
    /// To this node.
    pub to: usize,
    /// How much may pass, at least 0.
    pub capacity: i64,
    /// What each unit costs; no rank may be negative.
    pub cost: Cost,
}

/// A network with one source and one sink.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Network {
    /// How many nodes.
    pub nodes: usize,
    /// The arcs.
    pub arcs: Vec<Arc>,
}

/// The cheapest of the greatest flows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flow {
    /// How much passes through each arc, in the network's order.
    pub through: Vec<i64>,
    /// What it costs altogether.
    pub cost: [i128; RANKS],
    /// How much reaches the sink.
    pub amount: i64,
}

impl Network {
    /// A new node.
    pub fn node(&mut self) -> usize {
        self.nodes += 1;
        self.nodes - 1
    }

    /// A new arc; returns its place.
    pub fn arc(&mut self, from: usize, to: usize, capacity: i64, cost: Cost) -> usize {
        self.arcs.push(Arc {
            from,
            to,
            capacity: capacity.max(0),
            cost,
        });
        self.arcs.len() - 1
    }

    /// Sends as much as possible from `source` to `sink`, as cheaply as possible.
    #[must_use]
    pub fn cheapest(&self, source: usize, sink: usize) -> Flow {
        let mut residual = Residual::of(self);
        let mut amount = 0;
        while residual.shorten(source, sink) {
            amount += residual.fill(source, sink);
        }
        let through: Vec<i64> = (0..self.arcs.len())
            .map(|i| residual.room[2 * i + 1])
            .collect();
        let mut cost = [0_i128; RANKS];
        for (arc, through) in self.arcs.iter().zip(&through) {
            for (sum, unit) in cost.iter_mut().zip(arc.cost.0) {
                *sum += i128::from(*through) * i128::from(unit);
            }
        }
        Flow {
            through,
            cost,
            amount,
        }
    }
}

/// What may still pass: arc `2i` is the network's arc `i`, `2i + 1` its way back.
struct Residual {
    out: Vec<Vec<usize>>,
    to: Vec<usize>,
    room: Vec<i64>,
    cost: Vec<Cost>,
    potential: Vec<Cost>,
}

impl Residual {
    fn of(network: &Network) -> Self {
        let mut residual = Self {
            out: vec![Vec::new(); network.nodes],
            to: Vec::new(),
            room: Vec::new(),
            cost: Vec::new(),
            potential: vec![Cost::default(); network.nodes],
        };
        for arc in &network.arcs {
            residual.half(arc.from, arc.to, arc.capacity, arc.cost);
            residual.half(arc.to, arc.from, 0, Cost::default() - arc.cost);
        }
        residual
    }

    fn half(&mut self, from: usize, to: usize, room: i64, cost: Cost) {
        self.out[from].push(self.to.len());
        self.to.push(to);
        self.room.push(room);
        self.cost.push(cost);
    }

    fn reduced(&self, from: usize, arc: usize) -> Cost {
        self.cost[arc] + self.potential[from] - self.potential[self.to[arc]]
    }

    /// Makes every shortest way from source to sink cost nothing. `false`: no way left.
    fn shorten(&mut self, source: usize, sink: usize) -> bool {
        let mut distance: Vec<Option<Cost>> = vec![None; self.out.len()];
        let mut settled = vec![false; self.out.len()];
        let mut heap = BinaryHeap::from([(Reverse(Cost::default()), source)]);
        distance[source] = Some(Cost::default());
        while let Some((Reverse(far), node)) = heap.pop() {
            if std::mem::replace(&mut settled[node], true) {
                continue;
            }
            if node == sink {
                break;
            }
            for &arc in &self.out[node] {
                let next = self.to[arc];
                if self.room[arc] > 0 && !settled[next] {
                    let there = far + self.reduced(node, arc);
                    if distance[next].is_none_or(|known| there < known) {
                        distance[next] = Some(there);
                        heap.push((Reverse(there), next));
                    }
                }
            }
        }
        let Some(end) = distance[sink].filter(|_| settled[sink]) else {
            return false;
        };
        for node in 0..self.out.len() {
            let far = distance[node].filter(|_| settled[node]).unwrap_or(end);
            self.potential[node] = self.potential[node] + far.min(end);
        }
        true
    }

    /// Sends as much as possible along ways that cost nothing (Dinic's method).
    fn fill(&mut self, source: usize, sink: usize) -> i64 {
        let mut sent = 0;
        loop {
            let level = self.levels(source);
            if level[sink].is_none() {
                return sent;
            }
            let mut next = vec![0; self.out.len()];
            loop {
                let one = self.path(source, sink, &level, &mut next);
                if one == 0 {
                    break;
                }
                sent += one;
            }
        }
    }

    fn levels(&self, source: usize) -> Vec<Option<u32>> {
        let mut level = vec![None; self.out.len()];
        level[source] = Some(0);
        let mut queue = VecDeque::from([source]);
        while let Some(node) = queue.pop_front() {
            for &arc in &self.out[node] {
                let to = self.to[arc];
                if self.room[arc] > 0
                    && level[to].is_none()
                    && self.reduced(node, arc) == Cost::default()
                {
                    level[to] = level[node].map(|l| l + 1);
                    queue.push_back(to);
                }
            }
        }
        level
    }

    fn path(
        &mut self,
        source: usize,
        sink: usize,
        level: &[Option<u32>],
        next: &mut [usize],
    ) -> i64 {
        let mut way: Vec<usize> = Vec::new();
        let mut node = source;
        while node != sink {
            let arc = self.out[node][next[node]..].iter().position(|&arc| {
                let to = self.to[arc];
                self.room[arc] > 0
                    && level[to].is_some()
                    && level[to] == level[node].map(|l| l + 1)
                    && self.reduced(node, arc) == Cost::default()
            });
            if let Some(skip) = arc {
                next[node] += skip;
                let arc = self.out[node][next[node]];
                way.push(arc);
                node = self.to[arc];
            } else {
                // A dead end: never come here again on these levels.
                next[node] = self.out[node].len();
                let Some(back) = way.pop() else {
                    return 0;
                };
                node = self.to[back ^ 1];
                next[node] += 1;
            }
        }
        let least = way.iter().map(|&arc| self.room[arc]).min().unwrap_or(0);
        for arc in way {
            self.room[arc] -= least;
            self.room[arc ^ 1] += least;
        }
        least
    }
}
