//! The live watch: given these facts, people are told this, once.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use chrono::TimeDelta;
use control::{Notice, Size, Told, Watch};
use facts::{Event, Fact};
use proptest::prelude::*;
use ripening::{Floor, Step};
use support::{Station, drifting, floor, utc};

/// A scheduler's part: folds facts one by one and tells after each.
struct Shift {
    floor: Floor,
    watch: Watch,
    told: Vec<Notice>,
}

impl Shift {
    fn new() -> Self {
        Self {
            floor: floor(),
            watch: Watch::new(Size::USUAL),
            told: Vec::new(),
        }
    }

    fn take(&mut self, fact: &Fact) {
        self.watch.fact(fact);
        self.floor.apply(fact);
        self.floor.refresh(fact.occurred_at);
        self.told.extend(self.watch.tell(&self.floor));
    }

    /// Begins anew with what was stored: the folded floor and what was told.
    fn restart(&mut self) {
        let stored: Vec<Told> = self.watch.told().cloned().collect();
        let bytes = stored_round(&stored);
        self.watch = Watch::new(Size::USUAL);
        self.watch.restore(bytes);
    }

    fn ids(&self) -> Vec<String> {
        self.told.iter().map(Notice::id).collect()
    }
}

fn stored_round(told: &Vec<Told>) -> Vec<Told> {
    use facts::stored::borsh;
    borsh::from_slice(&borsh::to_vec(told).unwrap()).unwrap()
}

fn told_of(facts: &[Fact]) -> Shift {
    let mut shift = Shift::new();
    facts.iter().for_each(|fact| shift.take(fact));
    shift
}

#[test]
fn a_vat_that_drifts_is_told_with_since_when_and_what_to_do() {
    let shift = told_of(&drifting());
    let said: Vec<String> = shift
        .told
        .iter()
        .map(|n| format!("{}: {}", n.step.as_str(), n.text))
        .collect();
    insta::assert_snapshot!(said.join("\n"));
    let notice = shift.told.last().unwrap();
    insta::assert_snapshot!(serde_json::to_string_pretty(notice).unwrap());
}

#[test]
fn the_next_day_ends_what_stood_the_evening_before() {
    let mut shift = told_of(&drifting());
    assert_eq!(shift.watch.told().count(), 1);
    shift.floor.refresh(utc("2026-03-04T05:00:00Z"));
    let told = shift.watch.tell(&shift.floor);
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].step, Step::Cleared);
    assert_eq!(told[0].alert, shift.told.last().unwrap().alert);
    assert_eq!(told[0].text, "Vat 260303A: the day's portioning is over");
    assert_eq!(shift.watch.told().count(), 0);
    assert!(shift.watch.tell(&shift.floor).is_empty());
}

#[test]
fn portions_that_come_back_to_the_aim_end_it_and_a_new_drift_has_a_new_name() {
    let mut station = Station::default();
    let start = utc("2026-03-03T10:00:00Z");
    let mut facts = vec![station.vat(start - TimeDelta::hours(8), "A")];
    let off = [110.0; 10].into_iter().chain([0.0; 10]).chain([-120.0; 5]);
    facts.extend(station.portions(start, "A", |_| "01", off));
    let shift = told_of(&facts);
    let steps: Vec<_> = shift.told.iter().map(|n| (n.step, &n.alert)).collect();
    assert_eq!(steps.len(), 3, "{:?}", shift.ids());
    assert_eq!(
        (steps[0].0, steps[1].0, steps[2].0),
        (Step::Raised, Step::Cleared, Step::Raised)
    );
    assert_eq!(steps[0].1, steps[1].1);
    assert_ne!(steps[0].1, steps[2].1);
    assert!(
        steps[2].1.starts_with("PortionsLight-batch-A-"),
        "{}",
        steps[2].1
    );
}

#[test]
fn voiding_the_heavy_portions_ends_the_alert() {
    let mut station = Station::default();
    let start = utc("2026-03-03T10:00:00Z");
    let mut facts = vec![station.vat(start - TimeDelta::hours(8), "A")];
    facts.extend(station.portions(start, "A", |_| "01", [110.0; 5]));
    let mut shift = told_of(&facts);
    assert_eq!(shift.told.len(), 1);
    let after = start + TimeDelta::minutes(10);
    for fact in &facts[1..] {
        let void = station.void(after, fact.id);
        shift.take(&void);
    }
    assert_eq!(shift.told.len(), 2, "{:?}", shift.ids());
    assert_eq!(shift.told[1].step, Step::Cleared);
}

#[test]
fn a_vat_without_a_known_recipe_waits_until_its_start_arrives() {
    let mut station = Station::default();
    let start = utc("2026-03-03T10:00:00Z");
    let vat = station.vat(start - TimeDelta::hours(8), "A");
    let mut shift = Shift::new();
    for fact in station.portions(start, "A", |_| "01", [110.0; 5]) {
        shift.take(&fact);
    }
    // The site has one recipe: a vat that nobody started goes by it.
    assert_eq!(shift.told.len(), 1);
    shift.take(&vat);
    assert_eq!(shift.told.len(), 1, "{:?}", shift.ids());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_restart_at_any_time_tells_nobody_twice_and_forgets_nobody(cuts in proptest::collection::vec(0_usize..180, 1..4)) {
        let facts = drifting();
        let without = told_of(&facts);
        let mut with = Shift::new();
        for (n, fact) in facts.iter().enumerate() {
            if cuts.contains(&n) {
                with.restart();
            }
            with.take(fact);
        }
        prop_assert_eq!(without.told, with.told);
    }

    #[test]
    fn facts_in_any_order_and_twice_lead_to_the_same_alert(
        keys in proptest::collection::vec(any::<u32>(), 180), twice in 0_usize..170,
    ) {
        let facts = drifting();
        let in_order = told_of(&facts);
        let mut shuffled: Vec<(u32, &Fact)> = facts.iter().enumerate().map(|(n, fact)| (keys[n], fact)).collect();
        shuffled.sort_by_key(|(key, fact)| (*key, fact.station_seq));
        let mut shift = Shift::new();
        let last = facts.last().unwrap().occurred_at;
        let again = shuffled[twice].1;
        for fact in shuffled.iter().map(|(_, fact)| *fact).chain([again]) {
            shift.watch.fact(fact);
            shift.floor.apply(fact);
        }
        shift.floor.refresh(last);
        shift.told.extend(shift.watch.tell(&shift.floor));
        let standing = |shift: &Shift| shift.watch.told().cloned().collect::<Vec<_>>();
        prop_assert_eq!(standing(&in_order), standing(&shift));
        prop_assert_eq!(in_order.told.last(), shift.told.last());
    }

    #[test]
    fn late_facts_told_one_by_one_end_with_what_all_of_them_say(
        keys in proptest::collection::vec(any::<u16>(), 180),
    ) {
        // Only the day's portions come late: what the days before say is known.
        let facts = drifting();
        let (before, today): (Vec<&Fact>, Vec<&Fact>) =
            facts.iter().partition(|fact| !matches!(&fact.event, Event::WheelPortioned(e) if e.batch.as_str() == "260303A"));
        let mut shift = Shift::new();
        before.iter().for_each(|fact| shift.take(fact));
        let mut late: Vec<(u16, &Fact)> = today.iter().enumerate().map(|(n, fact)| (keys[n] % 8 + n as u16, *fact)).collect();
        late.sort_by_key(|(key, _)| *key);
        late.iter().for_each(|(_, fact)| shift.take(fact));
        let in_order = told_of(&facts);
        let sides = |shift: &Shift| shift.watch.told().map(|t| (t.batch, t.lean)).collect::<Vec<_>>();
        prop_assert_eq!(sides(&in_order), sides(&shift));
    }
}
