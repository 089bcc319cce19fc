//! What is to be published waits in the store until it was.

use projection::floor;
use projection::{Effect, Store};

use crate::story::{Writer, story};
use crate::{load, open};

fn effect(name: &str) -> Effect {
    Effect {
        tail: format!("alert.{name}"),
        id: name.to_owned(),
        body: vec![0, 159, 146, 150],
    }
}

#[test]
fn effects_keep_their_order_over_restarts_until_each_is_done() {
    let folder = tempfile::tempdir().unwrap();
    let facts = story();
    // More than 255, so that the order of the numbers is not the order of their last byte.
    let all: Vec<(u64, Effect)> = (1..=300).map(|n| (n, effect(&format!("e{n}")))).collect();
    {
        let store = open(folder.path()).unwrap();
        let mut writer = Writer::on(&store);
        for (part, numbered) in facts.chunks(1).zip(all.chunks(7)) {
            writer.fold(part);
            let effects: Vec<Effect> = numbered.iter().map(|(_, e)| e.clone()).collect();
            let batch = writer.batch(numbered[0].0, &effects);
            store.write(&batch).unwrap();
        }
        assert_eq!(store.effects().unwrap(), all);
    }
    let store = open(folder.path()).unwrap();
    assert_eq!(store.effects().unwrap(), all);
    for number in (1..=300).filter(|n| n % 3 != 0) {
        store.effect_done(number).unwrap();
    }
    store.effect_done(1).unwrap();
    drop(store);
    let store = open(folder.path()).unwrap();
    let left: Vec<u64> = store.effects().unwrap().iter().map(|(n, _)| *n).collect();
    assert_eq!(left, (1..=100).map(|n| 3 * n).collect::<Vec<u64>>());
}

#[test]
fn an_effect_is_stored_with_the_state_that_asks_for_it_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let facts = story();
    let store = open(folder.path()).unwrap();
    let mut writer = Writer::on(&store);
    writer.fold(&facts[..30]);
    let batch = writer.batch(1, &[effect("first")]);
    store.write(&batch).unwrap();
    writer.fold(&facts[30..60]);
    drop(writer.batch(2, &[effect("second")]));
    drop(store);
    let store = open(folder.path()).unwrap();
    assert_eq!(store.effects().unwrap(), [(1, effect("first"))]);
    assert_eq!(
        load(&store, crate::story::practice()).unwrap().position,
        Some(30)
    );
}

#[test]
fn what_people_were_told_beside_the_floor_is_stored_with_it_and_replaced_by_the_next() {
    let folder = tempfile::tempdir().unwrap();
    let facts = story();
    let store = open(folder.path()).unwrap();
    let kept = |store: &Store| floor::kept::<Vec<String>>(store, "told").unwrap();
    assert_eq!(kept(&store), None);
    let mut writer = Writer::on(&store);
    for (part, told) in facts.chunks(20).zip([vec!["a", "b"], vec![], vec!["c"]]) {
        writer.fold(part);
        let mut batch = writer.batch(1, &[]);
        floor::keep(&mut batch, "told", &told).unwrap();
        store.write(&batch).unwrap();
        assert_eq!(
            kept(&store),
            Some(told.iter().map(ToString::to_string).collect())
        );
    }
    drop(store);
    let store = open(folder.path()).unwrap();
    assert_eq!(kept(&store), Some(vec!["c".to_owned()]));
}
