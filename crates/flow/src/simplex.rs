//! The network simplex method. (Ahuja, Magnanti, Orlin, *Network Flows*, 1993, chapter 11:
//! strongly feasible spanning trees, section 11.6, so that it always ends; the dual method,
//! section 11.9, to start from the solution of a similar network.)
//!
//! Every node also has an arc of its own to or from a root outside the network. What it
//! carries could not be placed; that costs more than any walk through the network, and
//! twice as much where the node does not give or take the other way itself: so nothing
//! stays there in the end.

use crate::Network;
use std::ops::Range;

use crate::network::Basis;
use crate::price::Price;
use crate::tree::{NONE, Tree};

/// How often all arcs may be looked at to make a tree feasible again: beyond, it is quicker
/// to begin with parts of it.
const REPAIR_EFFORT: usize = 8;

/// Where a network arc stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Standing {
    /// Carries nothing.
    Empty,
    /// Carries what its place in the tree asks for.
    InTree,
    /// Carries all it can.
    Full,
}

/// Which nodes hang together (union-find).
struct Parts(Vec<u32>);

impl Parts {
    fn new(nodes: usize) -> Self {
        Self(
            (0..nodes)
                .map(|node| u32::try_from(node).unwrap_or(NONE))
                .collect(),
        )
    }

    fn part(&mut self, node: u32) -> u32 {
        let mut node = node;
        while self.0[node as usize] != node {
            // Every other step is shortened on the way.
            let above = self.0[self.0[node as usize] as usize];
            self.0[node as usize] = above;
            node = above;
        }
        node
    }

    /// Joins the parts of two nodes; `false`: they hang together already.
    fn join(&mut self, a: u32, b: u32) -> bool {
        let (a, b) = (self.part(a), self.part(b));
        self.0[a as usize] = b;
        a != b
    }
}

pub(crate) struct Simplex<'p, P> {
    nodes: usize,
    /// The network's own arcs; the arc of node `i` to the root is arc `own + i`.
    own: usize,
    from: Vec<u32>,
    to: Vec<u32>,
    capacity: Vec<i64>,
    cost: &'p [P],
    supply: Vec<i64>,
    unplaced: P,
    standing: Vec<Standing>,
    through: Vec<i64>,
    tree: Tree,
    potential: Vec<P>,
    /// Nodes that hang on the root downwards even when nothing passes.
    takes: Vec<bool>,
    /// Nodes that hang on the one just looked at: kept so that looking asks for no memory.
    below: Vec<u32>,
    /// Where the next search for an arc begins, and how many arcs it looks at before it
    /// takes the best.
    search_from: usize,
    search_block: usize,
}

impl<'p, P: Price> Simplex<'p, P> {
    pub(crate) fn new<const R: usize>(network: &Network<R>, cost: &'p [P], unplaced: P) -> Self {
        let nodes = network.supply.len();
        let own = network.arcs.len().min(cost.len());
        let there = |node: usize| u32::try_from(node).ok().filter(|_| node < nodes);
        let mut simplex = Self {
            nodes,
            own,
            from: Vec::with_capacity(own + nodes),
            to: Vec::with_capacity(own + nodes),
            capacity: Vec::with_capacity(own),
            cost,
            supply: network.supply.clone(),
            unplaced,
            standing: vec![Standing::Empty; own],
            through: vec![0; own + nodes],
            tree: Tree::new(nodes),
            potential: vec![P::default(); nodes + 1],
            takes: vec![false; nodes],
            below: Vec::new(),
            search_from: 0,
            search_block: own.isqrt().max(20),
        };
        for arc in &network.arcs[..own] {
            // An arc that leads nowhere, or back to where it starts, carries nothing.
            let ends = there(arc.from).zip(there(arc.to));
            let ends = ends.filter(|(from, to)| from != to);
            let (from, to) = ends.unwrap_or((0, 0));
            simplex.from.push(from);
            simplex.to.push(to);
            simplex
                .capacity
                .push(if ends.is_some() { arc.capacity } else { 0 });
        }
        let root = simplex.root();
        simplex.from.resize(own + nodes, root);
        simplex.to.resize(own + nodes, root);
        simplex
    }

    const fn root(&self) -> u32 {
        self.nodes as u32 // fewer than `u32::MAX` nodes fit
    }

    fn cost_of(&self, arc: usize) -> P {
        if let Some(cost) = self.cost.get(arc) {
            return *cost;
        }
        let supply = self.supply[arc - self.own];
        let gives = self.to[arc] == self.root();
        if (gives && supply > 0) || (!gives && supply < 0) {
            self.unplaced
        } else {
            self.unplaced + self.unplaced
        }
    }

    fn capacity_of(&self, arc: usize) -> i64 {
        self.capacity.get(arc).copied().unwrap_or(i64::MAX)
    }

    /// Sets up a feasible tree as near to the basis as the supplies allow.
    pub(crate) fn start(&mut self, basis: &Basis) {
        let mut excess = self.supply.clone();
        for arc in &basis.full {
            if self.is_free(*arc) {
                self.fill(*arc, &mut excess);
            }
        }
        let order = self.hang_basis(basis);
        for top in basis.takes.iter().filter(|top| **top < self.nodes) {
            self.takes[*top] = true;
        }
        self.hang_all(&order, &mut excess, false);
        self.settle(self.root());
        if !self.repair() {
            self.make_strong();
        }
    }

    /// Works out what the arcs of a forest carry and hangs its tops on the root. If it is to
    /// be strongly feasible, that is, something can still go from every node to the root,
    /// nodes whose arcs do not allow that hang on the root instead.
    fn hang_all(&mut self, order: &[u32], excess: &mut [i64], strongly: bool) {
        // From the leaves up, each node hands what it has too much on to its parent.
        for node in order.iter().rev().copied() {
            let n = node as usize;
            let parent = self.tree.parent[n];
            if parent != NONE && parent != self.root() {
                let (by, up) = (self.tree.by[n] as usize, self.tree.up[n]);
                let carries = if up { excess[n] } else { -excess[n] };
                let least = i64::from(!up);
                let most = self.capacity[by] - i64::from(up);
                if !strongly || (least..=most).contains(&carries) {
                    self.through[by] = carries;
                    excess[parent as usize] += excess[n];
                    continue;
                }
                self.tree.take_off(node);
                self.standing[by] = Standing::Empty;
                self.through[by] = 0;
                if carries >= self.capacity[by] {
                    self.fill(by, excess);
                }
            }
            if parent == self.root() {
                self.tree.take_off(node);
            }
            // Only upwards can something still go where nothing goes.
            let up = excess[n] > 0 || (excess[n] == 0 && (strongly || !self.takes[n]));
            self.hang_on_root(node, excess[n], up);
        }
    }

    /// Makes the tree strongly feasible.
    fn make_strong(&mut self) {
        let mut excess = self.supply.clone();
        for arc in 0..self.own {
            if self.standing[arc] == Standing::Full {
                excess[self.from[arc] as usize] -= self.through[arc];
                excess[self.to[arc] as usize] += self.through[arc];
            }
        }
        let mut order = Vec::with_capacity(self.nodes);
        let root = self.root();
        self.tree.walk(root, |node| order.push(node));
        order.retain(|node| *node != root);
        self.hang_all(&order, &mut excess, true);
        self.settle(root);
    }

    /// Whether an arc of a basis is here, can carry something and has no standing yet.
    fn is_free(&self, arc: usize) -> bool {
        let standing = self.standing.get(arc);
        standing == Some(&Standing::Empty) && self.capacity[arc] > 0
    }

    fn fill(&mut self, arc: usize, excess: &mut [i64]) {
        let all = self.capacity[arc];
        self.standing[arc] = Standing::Full;
        self.through[arc] = all;
        excess[self.from[arc] as usize] -= all;
        excess[self.to[arc] as usize] += all;
    }

    fn hang_on_root(&mut self, node: u32, excess: i64, up: bool) {
        let arc = self.arc_to_root(node, up);
        self.through[arc] = excess.abs();
        let by = u32::try_from(arc).unwrap_or(NONE);
        self.tree.hang(node, self.root(), by, up);
    }

    /// The arc between a node and the root, turned that way.
    fn arc_to_root(&mut self, node: u32, up: bool) -> usize {
        let arc = self.own + node as usize;
        (self.from[arc], self.to[arc]) = if up {
            (node, self.root())
        } else {
            (self.root(), node)
        };
        arc
    }

    /// Hangs up the arcs of a basis as a forest, leaving out what would close a cycle.
    /// Returns every node, parents before children.
    fn hang_basis(&mut self, basis: &Basis) -> Vec<u32> {
        let mut parts = Parts::new(self.nodes);
        let mut at: Vec<Vec<u32>> = vec![Vec::new(); self.nodes];
        for arc in basis.tree.iter().copied().filter(|arc| self.is_free(*arc)) {
            let ends = [self.from[arc], self.to[arc]];
            if parts.join(ends[0], ends[1]) {
                for end in ends {
                    at[end as usize].push(u32::try_from(arc).unwrap_or(NONE));
                }
            }
        }
        let mut seen = vec![false; self.nodes];
        let mut order = Vec::with_capacity(self.nodes);
        // Of nodes that hung on nothing, the one with the most arcs makes the flattest tree.
        let mut others: Vec<usize> = (0..self.nodes).collect();
        others.sort_by_key(|node| std::cmp::Reverse(at[*node].len()));
        let tops = basis.tops.iter().copied().filter(|top| *top < self.nodes);
        for top in tops.chain(others) {
            if std::mem::replace(&mut seen[top], true) {
                continue;
            }
            let mut next = order.len();
            order.push(u32::try_from(top).unwrap_or(NONE));
            while let Some(node) = order.get(next).copied() {
                next += 1;
                for arc in std::mem::take(&mut at[node as usize]) {
                    let a = arc as usize;
                    let up = self.to[a] == node;
                    let other = if up { self.from[a] } else { self.to[a] };
                    if !std::mem::replace(&mut seen[other as usize], true) {
                        self.standing[a] = Standing::InTree;
                        self.tree.hang(other, node, arc, up);
                        order.push(other);
                    }
                }
            }
        }
        order
    }

    /// Works out depth and potential of all that hangs on a node.
    fn settle(&mut self, from: u32) {
        let mut below = std::mem::take(&mut self.below);
        below.clear();
        self.tree.walk(from, |node| below.push(node));
        for node in &below {
            let n = *node as usize;
            let parent = self.tree.parent[n];
            if parent != NONE {
                self.tree.depth[n] = self.tree.depth[parent as usize] + 1;
                let above = self.potential[parent as usize];
                let cost = self.cost_of(self.tree.by[n] as usize);
                self.potential[n] = if self.tree.up[n] {
                    above - cost
                } else {
                    above + cost
                };
            }
        }
        self.below = below;
    }

    /// Makes a tree feasible whose arcs carry less than nothing or more than they can, by
    /// steps of the dual simplex method: what is wrong on an arc is sent over the cheapest
    /// arc between the two parts of the tree that it joins. `false`: it gave up.
    fn repair(&mut self) -> bool {
        let mut wrong: Vec<u32> = (0..self.root())
            .filter(|node| self.is_wrong(*node))
            .collect();
        if wrong.is_empty() {
            return true;
        }
        let touching = self.touching();
        let mut below = vec![false; self.nodes + 1];
        let mut effort = REPAIR_EFFORT * self.own;
        while let Some(node) = self.worst(&mut wrong) {
            let by = self.tree.by[node as usize] as usize;
            // Into what hangs on the node, or out of it?
            let too_little = self.through[by] < 0;
            let into = too_little == self.tree.up[node as usize];
            let mut inside = std::mem::take(&mut self.below);
            inside.clear();
            self.tree.walk(node, |node| inside.push(node));
            inside.iter().for_each(|node| below[*node as usize] = true);
            // Arcs between the two parts touch both: the smaller is looked at.
            let outside: Vec<u32> = if inside.len() > self.nodes / 2 {
                let all = 0..self.root();
                all.filter(|node| !below[*node as usize]).collect()
            } else {
                Vec::new()
            };
            let mut best: Option<(P, usize)> = None;
            for end in if outside.is_empty() {
                &inside
            } else {
                &outside
            } {
                let here = touching.0[*end as usize]..touching.0[*end as usize + 1];
                effort = effort.saturating_sub(here.len());
                for arc in &touching.1[here] {
                    let arc = *arc as usize;
                    let (first, second) = self.ends(arc);
                    let leads = (below[first as usize], below[second as usize]);
                    let fits = leads == (!into, into)
                        && self.standing[arc] != Standing::InTree
                        && self.capacity[arc] > 0;
                    if fits {
                        let cost = self.reduced(arc);
                        if best.is_none_or(|(least, known)| (cost, arc) < (least, known)) {
                            best = Some((cost, arc));
                        }
                    }
                }
            }
            inside.iter().for_each(|node| below[*node as usize] = false);
            self.below = inside;
            let Some((_, arc)) = best.filter(|_| by < self.own && effort > 0) else {
                return false;
            };
            let amount = if too_little {
                -self.through[by]
            } else {
                self.through[by] - self.capacity[by]
            };
            let (first, second) = self.ends(arc);
            let meet = self.meet(first, second);
            self.send_round(arc, amount, meet);
            // Whatever changed may be wrong now.
            for start in [first, second] {
                let mut node = start;
                while node != meet {
                    wrong.push(node);
                    node = self.tree.parent[node as usize];
                }
            }
            // The arc that was wrong now carries nothing or all it can.
            self.exchange(arc, node, into);
            wrong.extend([first, second]);
        }
        true
    }

    /// Of some nodes, the one whose arc to its parent is furthest from what it can carry;
    /// those whose arcs are right are dropped.
    fn worst(&self, nodes: &mut Vec<u32>) -> Option<u32> {
        nodes.retain(|node| *node != self.root() && self.is_wrong(*node));
        nodes.sort_unstable();
        nodes.dedup();
        let off = |node: &u32| {
            let by = self.tree.by[*node as usize] as usize;
            (-self.through[by]).max(self.through[by].saturating_sub(self.capacity_of(by)))
        };
        nodes.iter().copied().max_by_key(off)
    }

    /// Whether the arc between a node and its parent carries what it cannot.
    fn is_wrong(&self, node: u32) -> bool {
        let by = self.tree.by[node as usize] as usize;
        !(0..=self.capacity_of(by)).contains(&self.through[by])
    }

    /// The network's arcs by the nodes that they touch: where each node's begin, and the arcs.
    fn touching(&self) -> (Vec<usize>, Vec<u32>) {
        let mut begin = vec![0; self.nodes + 2];
        for end in self.from[..self.own].iter().chain(&self.to[..self.own]) {
            begin[*end as usize + 2] += 1;
        }
        for node in 2..begin.len() {
            begin[node] += begin[node - 1];
        }
        let mut arcs = vec![0; 2 * self.own];
        for arc in 0..self.own {
            for end in [self.from[arc], self.to[arc]] {
                arcs[begin[end as usize + 1]] = u32::try_from(arc).unwrap_or(NONE);
                begin[end as usize + 1] += 1;
            }
        }
        (begin, arcs)
    }

    /// Improves the flow until nothing can be improved. Returns the number of steps.
    pub(crate) fn run(&mut self) -> usize {
        let (mut steps, mut idle) = (0, 0);
        let mut strong = false;
        while let Some(arc) = self.worth_entering().or_else(|| self.worth_leaving_out()) {
            let sent = self.enter(arc);
            steps += 1;
            idle = if sent { 0 } else { idle + 1 };
            // Steps that send nothing could go round in a circle, but not from a tree that is
            // strongly feasible.
            if idle > 10 * self.nodes + 1_000 && !strong {
                self.make_strong();
                strong = true;
            }
        }
        steps
    }

    /// The arc to the root of a node for which it is better not to be placed.
    fn worth_leaving_out(&mut self) -> Option<usize> {
        let node = (0..self.nodes).find(|node| {
            let potential = self.potential[*node];
            match self.supply[*node].signum() {
                1 => self.unplaced + potential < P::default(),
                -1 => self.unplaced - potential < P::default(),
                _ => false,
            }
        })?;
        let up = self.supply[node] > 0;
        let arc = self.arc_to_root(u32::try_from(node).unwrap_or(NONE), up);
        self.through[arc] = 0;
        Some(arc)
    }

    /// What changing the flow of an arc by one, the way it can change, costs.
    fn reduced(&self, arc: usize) -> P {
        let cost = self.cost[arc] + self.potential[self.from[arc] as usize]
            - self.potential[self.to[arc] as usize];
        if self.standing[arc] == Standing::Full {
            -cost
        } else {
            cost
        }
    }

    /// The best arc of the first block in which any is worth it. The search goes on where
    /// the last one ended.
    fn worth_entering(&mut self) -> Option<usize> {
        let mut looked = 0;
        while looked < self.own {
            let begin = if self.search_from < self.own {
                self.search_from
            } else {
                0
            };
            let end = (begin + self.search_block).min(self.own);
            looked += end - begin;
            self.search_from = end;
            if let Some((_, arc)) = self.best_within(begin..end) {
                return Some(arc);
            }
        }
        None
    }

    /// The arc of a range that saves most, if any saves.
    fn best_within(&self, range: Range<usize>) -> Option<(P, usize)> {
        let ends = self.from[range.clone()].iter().zip(&self.to[range.clone()]);
        let costs = self.cost[range.clone()]
            .iter()
            .zip(&self.standing[range.clone()]);
        let mut best = None;
        let mut least = P::default();
        for (arc, ((from, to), (cost, standing))) in range.zip(ends.zip(costs)) {
            if *standing == Standing::InTree {
                continue;
            }
            let cost = *cost + self.potential[*from as usize] - self.potential[*to as usize];
            let saves = if *standing == Standing::Full {
                -cost
            } else {
                cost
            };
            if saves < least && self.capacity[arc] > 0 {
                least = saves;
                best = Some((saves, arc));
            }
        }
        best
    }

    /// How much more may pass between a node and its parent, up or down.
    fn room(&self, node: u32, up: bool) -> i64 {
        let n = node as usize;
        let by = self.tree.by[n] as usize;
        if self.tree.up[n] == up {
            self.capacity_of(by) - self.through[by]
        } else {
            self.through[by]
        }
    }

    fn send(&mut self, node: u32, up: bool, amount: i64) {
        let n = node as usize;
        let by = self.tree.by[n] as usize;
        self.through[by] += if self.tree.up[n] == up {
            amount
        } else {
            -amount
        };
    }

    /// From where to where an arc's flow can change.
    fn ends(&self, arc: usize) -> (u32, u32) {
        let (from, to) = (self.from[arc], self.to[arc]);
        if self.standing.get(arc) == Some(&Standing::Full) {
            (to, from)
        } else {
            (from, to)
        }
    }

    /// Where the ways of two nodes to the root meet.
    fn meet(&self, mut a: u32, mut b: u32) -> u32 {
        while a != b {
            if self.tree.depth[a as usize] >= self.tree.depth[b as usize] {
                a = self.tree.parent[a as usize];
            } else {
                b = self.tree.parent[b as usize];
            }
        }
        a
    }

    /// Sends an amount over an arc and round the cycle that it closes with the tree.
    fn send_round(&mut self, arc: usize, amount: i64, meet: u32) {
        let (first, second) = self.ends(arc);
        for (start, up) in [(first, false), (second, true)] {
            let mut node = start;
            while node != meet {
                self.send(node, up, amount);
                node = self.tree.parent[node as usize];
            }
        }
        let forwards = first == self.from[arc];
        self.through[arc] += if forwards { amount } else { -amount };
    }

    /// Hangs up by an arc what hung on its parent by another: that of the node `top`, which
    /// is on the arc's second side or not.
    fn exchange(&mut self, arc: usize, top: u32, on_second: bool) {
        let (first, second) = self.ends(arc);
        let gone = self.tree.by[top as usize] as usize;
        if gone < self.own {
            self.standing[gone] = if self.through[gone] == 0 {
                Standing::Empty
            } else {
                Standing::Full
            };
        }
        if arc < self.own {
            self.standing[arc] = Standing::InTree;
        }
        let (hook, parent) = if on_second {
            (second, first)
        } else {
            (first, second)
        };
        let up = self.from[arc] == hook;
        let by = u32::try_from(arc).unwrap_or(NONE);
        self.tree.rehang(top, hook, parent, by, up);
        self.settle(hook);
    }

    /// Brings an arc into the tree: sends as much as possible round the cycle that it
    /// closes, and lets go of the arc that stops it. Whether anything was sent.
    fn enter(&mut self, arc: usize) -> bool {
        let (first, second) = self.ends(arc);
        // The cycle: from where the two ways to the root meet down to `first`, over the
        // arc, and from `second` up again. Of the arcs that stop it, the last one leaves.
        let mut amount = self.capacity_of(arc);
        let mut leaves: Option<(u32, bool)> = None;
        let (mut a, mut b) = (first, second);
        while a != b {
            let depth = |node: u32| self.tree.depth[node as usize];
            if depth(a) >= depth(b) {
                let room = self.room(a, false);
                if room < amount {
                    amount = room;
                    leaves = Some((a, false));
                }
                a = self.tree.parent[a as usize];
            } else {
                let room = self.room(b, true);
                if room <= amount {
                    amount = room;
                    leaves = Some((b, true));
                }
                b = self.tree.parent[b as usize];
            }
        }
        if amount > 0 {
            self.send_round(arc, amount, a);
        }
        match leaves {
            Some((top, on_second)) => self.exchange(arc, top, on_second),
            None => {
                self.standing[arc] = if self.standing[arc] == Standing::Full {
                    Standing::Empty
                } else {
                    Standing::Full
                };
            }
        }
        amount > 0
    }

    /// What passes through each of the network's arcs.
    pub(crate) fn through(&self) -> Vec<i64> {
        self.through[..self.own].to_vec()
    }

    /// What could not be placed, node by node.
    pub(crate) fn unplaced(&self) -> Vec<i64> {
        (0..self.nodes)
            .map(|node| {
                let arc = self.own + node;
                if self.from[arc] == self.root() {
                    -self.through[arc]
                } else {
                    self.through[arc]
                }
            })
            .collect()
    }

    /// Which arcs shape the flow.
    pub(crate) fn basis(&self) -> Basis {
        let standing = |wanted| {
            let arcs = self.standing.iter().enumerate();
            arcs.filter(move |(_, standing)| **standing == wanted)
                .map(|(arc, _)| arc)
                .collect()
        };
        let root = self.root();
        let tops = self.tree.parent.iter().enumerate();
        let tops = tops.filter(|(_, parent)| **parent == root);
        let tops: Vec<usize> = tops.map(|(node, _)| node).collect();
        let takes = tops.iter().copied().filter(|top| !self.tree.up[*top]);
        Basis {
            tree: standing(Standing::InTree),
            full: standing(Standing::Full),
            takes: takes.collect(),
            tops,
        }
    }
}
