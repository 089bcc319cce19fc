//! The store across restarts, crashes and damage.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics
#![allow(missing_docs)]

use std::path::Path;

use projection::{Aside, Store, StoreError, floor};
use ripening::{Folding, Practice};

mod damage;
#[path = "../../../ripening/tests/floor/drawn.rs"]
mod drawn;
mod effects;
mod layout;
mod reload;
mod restart;
mod story;

/// A floor as it was stored.
pub struct Loaded {
    pub floor: Folding,
    pub position: Option<u64>,
}

pub fn open(path: &Path) -> Result<Store, StoreError> {
    Store::open(path, floor::FORMAT)
}

pub fn load(store: &Store, practice: Practice) -> Result<Loaded, StoreError> {
    Ok(Loaded {
        floor: floor::load(store, practice)?,
        position: store.position()?,
    })
}

pub fn open_loaded(
    path: &Path,
    practice: Practice,
) -> Result<(Store, Loaded, Option<Aside>), StoreError> {
    let opened = floor::open(path, &practice, |_| Ok(()))?;
    let loaded = Loaded {
        floor: opened.floor,
        position: opened.position,
    };
    Ok((opened.store, loaded, opened.aside))
}
