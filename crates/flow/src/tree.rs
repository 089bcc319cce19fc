//! The spanning tree of the simplex method, rooted outside the network.

/// No node, no arc.
pub(crate) const NONE: u32 = u32::MAX;

/// How every node hangs on the tree. The root is the last node.
#[derive(Debug, Default)]
pub(crate) struct Tree {
    /// The node it hangs on.
    pub(crate) parent: Vec<u32>,
    /// The arc between the two.
    pub(crate) by: Vec<u32>,
    /// Whether that arc leads from the node to its parent.
    pub(crate) up: Vec<bool>,
    /// Steps to the root.
    pub(crate) depth: Vec<u32>,
    child: Vec<u32>,
    next: Vec<u32>,
    previous: Vec<u32>,
}

impl Tree {
    /// A tree of the root alone, with room for `nodes` others.
    pub(crate) fn new(nodes: usize) -> Self {
        let none = vec![NONE; nodes + 1];
        Self {
            parent: none.clone(),
            by: none.clone(),
            up: vec![false; nodes + 1],
            depth: vec![0; nodes + 1],
            child: none.clone(),
            next: none.clone(),
            previous: none,
        }
    }

    /// Hangs a node that hangs nowhere, with all that hangs on it.
    pub(crate) fn hang(&mut self, node: u32, parent: u32, by: u32, up: bool) {
        let (n, p) = (node as usize, parent as usize);
        self.parent[n] = parent;
        self.by[n] = by;
        self.up[n] = up;
        self.previous[n] = NONE;
        self.next[n] = self.child[p];
        if self.child[p] != NONE {
            self.previous[self.child[p] as usize] = node;
        }
        self.child[p] = node;
    }

    /// Takes a node off its parent, with all that hangs on it.
    pub(crate) fn take_off(&mut self, node: u32) {
        let n = node as usize;
        let (previous, next) = (self.previous[n], self.next[n]);
        if previous == NONE {
            self.child[self.parent[n] as usize] = next;
        } else {
            self.next[previous as usize] = next;
        }
        if next != NONE {
            self.previous[next as usize] = previous;
        }
    }

    /// Cuts the branch off above `top` and hangs it up again by its node `hook`, by the
    /// arc `by`, which leads from the hook to the parent if `up`.
    pub(crate) fn rehang(&mut self, top: u32, hook: u32, parent: u32, by: u32, up: bool) {
        let (mut node, mut parent, mut by, mut up) = (hook, parent, by, up);
        loop {
            let n = node as usize;
            let above = (self.parent[n], self.by[n], self.up[n]);
            self.take_off(node);
            self.hang(node, parent, by, up);
            if node == top {
                return;
            }
            (parent, by, up) = (node, above.1, !above.2);
            node = above.0;
        }
    }

    /// Calls `visit` for a node and all that hangs on it, parents before children.
    pub(crate) fn walk(&self, from: u32, mut visit: impl FnMut(u32)) {
        let mut node = from;
        loop {
            visit(node);
            let child = self.child[node as usize];
            if child != NONE {
                node = child;
                continue;
            }
            while node != from && self.next[node as usize] == NONE {
                node = self.parent[node as usize];
            }
            if node == from {
                return;
            }
            node = self.next[node as usize];
        }
    }
}
