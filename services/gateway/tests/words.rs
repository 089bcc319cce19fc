//! Every message exists in every language, and every message that the pages ask for exists.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeSet;
use std::path::Path;

use gateway::words::Tongue;

/// The messages of a catalogue, each with the values it takes.
fn messages(tongue: Tongue) -> BTreeSet<(String, BTreeSet<String>)> {
    let mut messages: Vec<(String, BTreeSet<String>)> = Vec::new();
    for line in tongue.catalogue().lines().filter(|l| !l.starts_with('#')) {
        let text = match line.split_once(" = ") {
            Some((key, text)) if !line.starts_with([' ', '}', '*', '[']) => {
                messages.push((key.to_owned(), BTreeSet::new()));
                text
            }
            _ => line,
        };
        if let Some((_, values)) = messages.last_mut() {
            for part in text.split(['{', '}']) {
                if let Some(value) = part.trim().strip_prefix('$') {
                    let name = value.split([' ', '-']).next().unwrap();
                    values.insert(name.to_owned());
                }
            }
        }
    }
    let many = messages.len();
    let set: BTreeSet<_> = messages.into_iter().collect();
    assert_eq!(
        set.len(),
        many,
        "a message stands twice in {}",
        tongue.code()
    );
    set
}

#[test]
fn every_message_is_in_every_language_and_takes_the_same_values() {
    let english = messages(Tongue::En);
    assert!(english.len() > 200);
    for tongue in Tongue::ALL {
        let other = messages(tongue);
        let differ: Vec<_> = english.symmetric_difference(&other).collect();
        assert!(differ.is_empty(), "{}: {differ:?}", tongue.code());
        for (key, _) in &other {
            assert!(tongue.knows(key), "{}: {key} cannot be read", tongue.code());
        }
    }
}

#[test]
fn every_message_that_the_code_asks_for_exists() {
    let known: BTreeSet<String> = messages(Tongue::En)
        .into_iter()
        .map(|(key, _)| key)
        .collect();
    let mut asked = BTreeSet::new();
    let mut begun = BTreeSet::new();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/page");
    for file in std::fs::read_dir(source).unwrap() {
        let text = std::fs::read_to_string(file.unwrap().path()).unwrap();
        for call in ["t.say(", "t.with(", "tile("] {
            for rest in text.split(call).skip(1) {
                let rest = rest.trim_start().trim_start_matches('&');
                if let Some(key) = rest.strip_prefix('"') {
                    asked.insert(key.split('"').next().unwrap().to_owned());
                } else if let Some(key) = rest.strip_prefix("format!(\"") {
                    begun.insert(key.split('{').next().unwrap().to_owned());
                }
            }
        }
    }
    let missing: Vec<_> = asked.difference(&known).collect();
    assert!(asked.len() > 100 && missing.is_empty(), "{missing:?}");
    for begin in begun {
        let some = known.iter().any(|key| key.starts_with(&begin));
        assert!(some, "no message begins with {begin}");
    }
}

#[test]
fn all_that_the_core_can_ask_for_has_a_message() {
    let keys = station::Action::ALL.map(|(_, name, _)| format!("act-{name}"));
    let kinds = plan::Kind::ALL.map(|kind| format!("kind-{}", kind.key()));
    let roles = gateway::people::Role::ALL.map(|role| format!("role-{}-words", role.key()));
    for key in keys.iter().chain(&kinds).chain(&roles) {
        assert!(Tongue::De.knows(key), "{key}");
    }
}

#[test]
fn counts_and_values_are_said_as_the_language_wants_it() {
    assert_eq!(Tongue::En.with("wheels", [("count", 1.into())]), "1 wheel");
    assert_eq!(
        Tongue::De.with("wheels", [("count", 24.into())]),
        "24 Laibe"
    );
    assert_eq!(
        Tongue::accepted("de-AT,de;q=0.9,en;q=0.8"),
        Some(Tongue::De)
    );
    assert_eq!(Tongue::accepted("fr, en;q=0.5"), Some(Tongue::En));
    assert_eq!(Tongue::accepted("*"), None);
}
