//! What a store holds in memory does not follow what was ever written to it. A process of its
//! own, so that nothing else is counted.
#![allow(clippy::unwrap_used)] // a failed test panics

use projection::{Batch, Store};

/// What this process holds in memory, MB (Linux: the second field of statm, in pages).
fn resident_mb() -> Option<usize> {
    let statm = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: usize = statm.split(' ').nth(1)?.parse().ok()?;
    Some(pages * 4_096 / 1_000_000)
}

#[test]
fn a_store_that_is_written_and_never_asked_gives_back_what_it_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&folder.path().join("store"), 1).unwrap();
    let Some(before) = resident_mb() else {
        return; // no /proc on this machine
    };
    // New keys among old ones, as notes and the facts of closed batches come.
    for round in 0_u32..150 {
        let mut batch = Batch::default();
        for n in 0_u32..2_000 {
            let key = n.wrapping_mul(2_654_435_761) ^ round;
            batch.put(&key.to_be_bytes(), &[0_u8; 60]).unwrap();
        }
        batch.position(&u64::from(round)).unwrap();
        store.write(&batch).unwrap();
    }
    let held = resident_mb().unwrap().saturating_sub(before);
    assert!(held < 150, "{held} MB");
}
