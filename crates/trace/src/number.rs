//! Names as small numbers, so that ten million facts fit into memory.

use std::collections::HashMap;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::marker::PhantomData;
use std::num::NonZeroU32;

/// The number that a name of kind `K` goes by inside one index. It depends on the order in
/// which names came in, so it must never show outside.
pub(crate) struct Number<K>(NonZeroU32, PhantomData<fn() -> K>);

impl<K> Number<K> {
    /// From 0.
    pub(crate) const fn index(self) -> usize {
        self.0.get() as usize - 1
    }
}

impl<K> Clone for Number<K> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<K> Copy for Number<K> {}
impl<K> PartialEq for Number<K> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}
impl<K> Eq for Number<K> {}
impl<K> PartialOrd for Number<K> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl<K> Ord for Number<K> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.cmp(&other.0)
    }
}
impl<K> Hash for Number<K> {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.0.hash(state);
    }
}
impl<K> fmt::Debug for Number<K> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{}", self.0)
    }
}

/// Gives numbers to names, and names back.
#[derive(Debug)]
pub(crate) struct Names<K> {
    numbers: HashMap<K, Number<K>>,
    names: Vec<K>,
}

impl<K> Default for Names<K> {
    fn default() -> Self {
        Self {
            numbers: HashMap::new(),
            names: Vec::new(),
        }
    }
}

impl<K: Copy + Eq + Hash> Names<K> {
    /// The number of a name, a new one if need be. 2^32 - 2 names fit; a site has not as
    /// many in a thousand years.
    pub(crate) fn number(&mut self, name: K) -> Number<K> {
        if let Some(known) = self.numbers.get(&name) {
            return *known;
        }
        self.names.push(name);
        let next = u32::try_from(self.names.len()).unwrap_or(u32::MAX);
        let number = Number(
            NonZeroU32::new(next).unwrap_or(NonZeroU32::MAX),
            PhantomData,
        );
        self.numbers.insert(name, number);
        number
    }

    /// The number of a name that came in before.
    pub(crate) fn find(&self, name: K) -> Option<Number<K>> {
        self.numbers.get(&name).copied()
    }

    /// The name that has a number.
    pub(crate) fn name(&self, number: Number<K>) -> K {
        self.names[number.index()]
    }

    /// Every name with its number.
    pub(crate) fn iter(&self) -> impl Iterator<Item = (K, Number<K>)> {
        self.names
            .iter()
            .filter_map(|name| Some((*name, *self.numbers.get(name)?)))
    }

    /// Every name, in the order in which they came in.
    pub(crate) fn all(&self) -> impl Iterator<Item = K> {
        self.names.iter().copied()
    }

    /// How many names came in.
    pub(crate) const fn len(&self) -> usize {
        self.names.len()
    }
}

/// A value for every number of a kind.
#[derive(Debug)]
pub(crate) struct Table<K, V> {
    rows: Vec<V>,
    kind: PhantomData<fn() -> K>,
}

impl<K, V> Default for Table<K, V> {
    fn default() -> Self {
        Self {
            rows: Vec::new(),
            kind: PhantomData,
        }
    }
}

impl<K, V: Default> Table<K, V> {
    /// The value to change, made if need be.
    pub(crate) fn entry(&mut self, number: Number<K>) -> &mut V {
        let index = number.index();
        if self.rows.len() <= index {
            self.rows.resize_with(index + 1, V::default);
        }
        &mut self.rows[index]
    }

    /// The value, if there is one.
    pub(crate) fn get(&self, number: Number<K>) -> Option<&V> {
        self.rows.get(number.index())
    }
}

impl<K, V> Table<K, Vec<V>> {
    /// The values in a list; none is an empty list.
    pub(crate) fn list(&self, number: Number<K>) -> &[V] {
        self.rows.get(number.index()).map_or(&[], Vec::as_slice)
    }
}
