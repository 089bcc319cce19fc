//! *Held* means one thing: the station's door, the floor, the trace, the list of holds and
//! the dispatch desk give one answer about every wheel after every fact.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use dispatch::office::{Leaving, Office};
use facts::{
    BatchId, Carrier, Event, Fact, FactId, HoldId, LotId, PersonId, RecipeId, Scope, WheelId,
    Window,
};
use holds::{Held, Rights, Rule};
use proptest::prelude::*;
use quantity::{DairyClock, Grams, Litres};
use recipe::{Hold, Origin, Recipe, RecipeBook};
use ripening::{Action, Blocked, Practice, answer};
use station::Placement;
use trace::{Index, Settings};

use crate::given::customers;
use crate::obvious::{in_scope, never_happened};

pub fn code<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

/// Two cheeses. Blue has no hold in its first version and LAB in its second; red has RED.
fn recipes() -> RecipeBook {
    let text = include_str!("../../../recipe/tests/common-practice.toml");
    let file = "common-practice.toml";
    let recipe = Recipe::parse(&Origin { file, text }).unwrap();
    let mut book = RecipeBook::default();
    for (id, version, hold) in [
        ("blue", 1, None),
        ("blue", 2, Some("LAB")),
        ("red", 1, Some("RED")),
    ] {
        let holds = hold.map(|hold| Hold {
            id: code(hold),
            reason: "until its result is in".to_owned(),
        });
        book.add(Recipe {
            id: code(id),
            version,
            holds: holds.into_iter().collect(),
            ..recipe.clone()
        });
    }
    book
}

fn rights() -> Rights {
    Rights::Named(BTreeSet::from([code("01"), code("09")]))
}

pub fn practice() -> Practice {
    Practice {
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap()),
        turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
        lost_after_days: 4,
        closed_after_days: 60,
        recipes: recipes(),
        rights: rights(),
    }
}

fn instant(hour: i64) -> DateTime<Utc> {
    code::<DateTime<Utc>>("2026-03-02T06:00:00Z") + TimeDelta::hours(hour)
}

const HOURS: i64 = 24;
const HOLDS: [&str; 4] = ["LAB", "RED", "Q1", "Q2"];

fn wheel() -> impl Strategy<Value = WheelId> {
    (1u8..4).prop_map(|n| code(&format!("b1-0{n}")))
}

fn wheels() -> impl Strategy<Value = Vec<WheelId>> {
    prop::collection::vec(wheel(), 1..4)
}

fn hold() -> impl Strategy<Value = HoldId> {
    prop::sample::select(HOLDS.as_slice()).prop_map(code)
}

fn lot() -> impl Strategy<Value = LotId> {
    prop::sample::select(["L1", "L2"].as_slice()).prop_map(code)
}

/// Batches b1 and b2: often the first, so that facts meet.
fn batch() -> impl Strategy<Value = BatchId> {
    prop_oneof![4 => Just(code("b1")), 1 => Just(code("b2"))]
}

/// A version that the site does not have, and a cheese that it does not have, among them.
fn made_by() -> impl Strategy<Value = (RecipeId, u32)> {
    prop::sample::select(vec![
        (code("blue"), 1),
        (code("blue"), 2),
        (code("blue"), 7),
        (code("red"), 1),
        (code("green"), 1),
    ])
}

fn scope() -> impl Strategy<Value = Scope> {
    prop_oneof![
        1 => wheels().prop_map(Scope::Wheels),
        1 => batch().prop_map(Scope::Batch),
        1 => (0..HOURS, prop::option::of(1..HOURS)).prop_map(|(from, hours)| {
            Scope::Made(Window {
                from: instant(from),
                to: hours.map(|hours| instant(from + hours)),
            })
        }),
        2 => Just(Scope::Lot(code("L1"))),
        3 => (0..3u8, 0..HOURS, prop::option::of(1..HOURS)).prop_map(|(what, from, hours)| {
            let window = Window {
                from: instant(from),
                to: hours.map(|hours| instant(from + hours)),
            };
            match what {
                0 => Scope::Room {
                    room: code("R1"),
                    window,
                },
                1 => Scope::Stillage {
                    stillage: code("S1"),
                    window,
                },
                _ => Scope::Tool {
                    tool: code("PM1"),
                    window,
                },
            }
        }),
    ]
}

fn event() -> impl Strategy<Value = Event> {
    let via = Some(Carrier::Stillage(code("S1")));
    let reason = String::new;
    prop_oneof![
        4 => (wheel(), batch()).prop_map(|(wheel, batch)| facts::WheelPortioned {
            wheel,
            batch,
            weight_g: Grams::new(10_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        }.into()),
        2 => (batch(), made_by(), any::<bool>()).prop_map(|(batch, (recipe, recipe_version), lot)| facts::VatStarted {
            batch,
            vat: code("V1"),
            recipe,
            recipe_version,
            milk_l: Litres::new(500.0).unwrap(),
            milk_lots: lot.then(|| code("L1")).into_iter().collect(),
        }.into()),
        1 => (batch(), made_by()).prop_map(move |(batch, (recipe, recipe_version))| {
            facts::VatRecipeChanged { batch, recipe, recipe_version, reason: reason() }.into()
        }),
        4 => (wheels(), hold()).prop_map(move |(wheels, hold)| {
            facts::WheelHeld { wheels, hold, reason: reason() }.into()
        }),
        5 => (wheels(), hold()).prop_map(move |(wheels, hold)| {
            facts::WheelReleased { wheels, hold, reason: reason() }.into()
        }),
        3 => (scope(), hold()).prop_map(move |(scope, hold)| {
            facts::HoldPlaced { hold, scope, reason: reason(), cause: None }.into()
        }),
        1 => (hold(), prop::option::of(wheels())).prop_map(move |(hold, wheels)| {
            let wheels = wheels.unwrap_or_default();
            facts::HoldLifted { hold, wheels, reason: reason() }.into()
        }),
        1 => wheels().prop_map(|wheels| {
            facts::WheelLoaded { wheels, stillage: code("S1") }.into()
        }),
        1 => wheels().prop_map(move |wheels| facts::WheelMoved {
            wheels,
            via,
            room: code("R1"),
            position: None,
        }.into()),
        1 => wheels().prop_map(|wheels| facts::WheelPierced {
            wheels,
            via: None,
            machine: code("PM1"),
        }.into()),
        // What brings a wheel into a scope, or takes it out again, whenever it is entered.
        1 => wheels().prop_map(|wheels| {
            facts::WheelMoved { wheels, via: None, room: code("R2"), position: None }.into()
        }),
        1 => wheel().prop_map(|wheel| {
            facts::WheelHooped { wheel, hoop: code("H1"), stack: None }.into()
        }),
        1 => wheel().prop_map(|wheel| facts::WheelIroned {
            wheel,
            blue_coverage_pct: quantity::Percent::new(50.0).unwrap(),
            iron: Some(code("PM1")),
            note: None,
        }.into()),
        1 => (wheels(), lot()).prop_map(|(wheels, lot)| {
            facts::LotUsed { lot, wheels, via: None, amount: None }.into()
        }),
        1 => (batch(), lot()).prop_map(|(batch, lot)| facts::VatDosed {
            batch,
            ingredient: facts::Ingredient::Culture,
            lot,
            amount: 1.0,
        }.into()),
        1 => (batch(), lot()).prop_map(|(batch, lot)| {
            facts::VatFilled { batch, lot, volume_l: Litres::new(100.0).unwrap() }.into()
        }),
        1 => (lot(), lot()).prop_map(|(lot, of)| {
            let volume_l = Litres::new(100.0).unwrap();
            facts::MilkPooled { lot, from: vec![facts::MilkPart { lot: of, volume_l }] }.into()
        }),
        1 => (batch(), batch()).prop_map(|(batch, of)| facts::VatReworked {
            batch,
            from: facts::ReworkSource::Batch(of),
            weight_g: Grams::new(1_000).unwrap(),
        }.into()),
        1 => wheels().prop_map(|wheels| facts::WheelGraded {
            wheels,
            via: None,
            grade: facts::Grade::A,
        }.into()),
        1 => wheels().prop_map(|wheels| facts::WheelDispatched {
            wheels,
            via: None,
            order: None,
            market: None,
            sale: None,
        }.into()),
        1 => wheels().prop_map(move |wheels| {
            facts::WheelReturned { wheels, reason: reason() }.into()
        }),
        1 => wheels().prop_map(move |wheels| {
            facts::WheelDiscarded { wheels, reason: reason() }.into()
        }),
    ]
}

/// A minute apart, so that a station's UNDO reaches back to some and not to others.
fn id(n: usize) -> FactId {
    let millis = 0x0190_b6b0_0000 + 60_000 * n;
    let (high, low) = (millis >> 16, millis & 0xffff);
    code(&format!("{high:08x}-{low:04x}-7000-8000-{n:012x}"))
}

/// Facts at few instants, by people with and without the right to release and by nobody, at
/// stations and in the office; some void facts before them, voidings included, and some say
/// that a hold was traced.
fn history() -> impl Strategy<Value = Vec<Fact>> {
    let person = prop::sample::select(vec![None, Some("01"), Some("07"), Some("09")]);
    let void = prop::option::weighted(0.2, any::<prop::sample::Index>());
    let traced = prop::option::weighted(0.1, any::<prop::sample::Index>());
    let station = prop::sample::select(vec!["st-1", "st-2", "gateway", "gateway"]);
    let stated = (event(), 0..HOURS, person, station, void, traced);
    prop::collection::vec(stated, 1..25).prop_map(|stated| {
        let mut facts: Vec<Fact> = Vec::new();
        for (n, (event, hour, person, station, void, traced)) in stated.into_iter().enumerate() {
            let placed: Vec<&Fact> = facts
                .iter()
                .filter(|fact| matches!(fact.event, Event::HoldPlaced(_)))
                .collect();
            let event = match (
                void.filter(|_| n > 0),
                traced.filter(|_| !placed.is_empty()),
            ) {
                (Some(target), _) => {
                    let reason = "wrong".to_owned();
                    facts::Voided {
                        fact: id(target.index(n)),
                        reason,
                    }
                    .into()
                }
                (None, Some(of)) => traced_now(placed[of.index(placed.len())]),
                (None, None) => event,
            };
            facts.push(fact(n, instant(hour), (station, person), event));
        }
        facts
    })
}

fn traced_now(placed: &Fact) -> Event {
    let Event::HoldPlaced(hold) = &placed.event else {
        unreachable!("only those are asked for");
    };
    facts::HoldTraced {
        hold: hold.hold,
        placed: placed.id,
        wheels: 0,
    }
    .into()
}

fn fact(n: usize, at: DateTime<Utc>, by: (&str, Option<&str>), event: Event) -> Fact {
    let (station, person) = by;
    Fact {
        id: id(n),
        site: code("larkholm"),
        station: code(station),
        station_seq: n as u64 + 1,
        person: person.map(code),
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    }
}

/// The same facts in any order, some of them twice.
fn arrivals() -> impl Strategy<Value = Vec<Fact>> {
    (
        history(),
        prop::collection::vec(any::<prop::sample::Index>(), 0..6),
    )
        .prop_flat_map(|(facts, twice)| {
            let again = twice
                .iter()
                .map(|which| facts[which.index(facts.len())].clone());
            let all: Vec<Fact> = facts.iter().cloned().chain(again).collect();
            Just(all).prop_shuffle()
        })
}

/// Slow and obvious: which holds keep a wheel, by these facts, at an instant.
fn obvious(facts: &[&Fact], wheel: WheelId, until: DateTime<Utc>) -> BTreeSet<HoldId> {
    let mut counts: Vec<&Fact> = facts.to_vec();
    counts.retain(|fact| !never_happened(fact, facts, &rights()));
    counts.sort_by_key(|fact| fact.order());
    counts.dedup_by_key(|fact| fact.id);
    let may = |person: Option<PersonId>| person.is_some_and(|p| ["01", "09"].contains(&p.as_str()));
    // A batch goes by the recipe it was moved to last, whenever that was; else by the one it was
    // started with first. Whoever may not release moves it from under no hold.
    let recipes = |all: bool| {
        let mut recipes: BTreeMap<BatchId, (RecipeId, u32)> = BTreeMap::new();
        for fact in counts.iter().rev() {
            if let Event::VatStarted(e) = &fact.event {
                recipes.insert(e.batch, (e.recipe, e.recipe_version));
            }
        }
        for fact in counts.iter().filter(|fact| all || may(fact.person)) {
            if let Event::VatRecipeChanged(e) = &fact.event {
                recipes.insert(e.batch, (e.recipe, e.recipe_version));
            }
        }
        recipes
    };
    let recipes = [recipes(true), recipes(false)];
    // Which holds nobody has worked out yet is by what is known today, too, as is milk that was
    // pooled.
    let untraced: BTreeSet<FactId> = counts
        .iter()
        .enumerate()
        .filter(|(n, fact)| match &fact.event {
            Event::HoldPlaced(placed) => {
                let needs = !matches!(
                    placed.scope,
                    Scope::Wheels(_) | Scope::Batch(_) | Scope::Made(_)
                );
                let ended = counts[*n..].iter().any(|later| {
                    matches!(&later.event, Event::HoldLifted(e) if e.hold == placed.hold)
                        && may(later.person)
                });
                // A wheel that was portioned after it was said last is not spoken for.
                let traced = counts.iter().rposition(
                    |other| matches!(&other.event, Event::HoldTraced(e) if e.placed == fact.id),
                );
                let born = counts.iter().rposition(
                    |other| matches!(&other.event, Event::WheelPortioned(e) if e.wheel == wheel),
                );
                needs && !ended && traced.is_none_or(|traced| born.is_some_and(|b| b > traced))
            }
            _ => false,
        })
        .map(|(_, fact)| fact.id)
        .collect();
    let births = |counts: &[&Fact]| -> Vec<(BatchId, DateTime<Utc>)> {
        let of = counts.iter().filter_map(|fact| match &fact.event {
            Event::WheelPortioned(e) if e.wheel == wheel => Some((e.batch, fact.occurred_at)),
            _ => None,
        });
        of.collect()
    };
    // So is the batch that a wheel is of: what is known today counts for every instant.
    let of: BTreeSet<BatchId> = births(&counts)
        .into_iter()
        .map(|(batch, _)| batch)
        .collect();
    let recipes = recipes.iter().map(|recipes| match of.first() {
        Some(batch) if of.len() == 1 => recipes.get(batch).copied(),
        _ => None,
    });
    let recipes: Vec<Option<(RecipeId, u32)>> = recipes.collect();
    let every = counts.clone();
    counts.retain(|fact| fact.occurred_at <= until);
    let born = recipes.iter().flat_map(|recipe| {
        let of: &[&str] = match recipe.as_ref().map(|(id, version)| (id.as_str(), *version)) {
            Some(("blue", 1)) => &[],
            Some(("blue", _)) => &["LAB"],
            Some(("red", _)) => &["RED"],
            _ => &["LAB", "RED"],
        };
        of.iter().copied()
    });
    let born: BTreeSet<&str> = born.collect();
    let mut held = BTreeSet::new();
    for hold in HOLDS.map(code::<HoldId>) {
        // Everything that lays the hold over the wheel, until somebody with the right to it
        // takes it away.
        let mut keeps = born.contains(hold.as_str());
        // What was laid, and how many facts had come when the wheel was last released from it.
        let mut laid: Vec<(&Scope, bool, Option<usize>)> = Vec::new();
        for (n, fact) in counts.iter().enumerate() {
            match &fact.event {
                Event::WheelHeld(e) if e.hold == hold && e.wheels.contains(&wheel) => keeps = true,
                Event::WheelReleased(e)
                    if e.hold == hold && e.wheels.contains(&wheel) && may(fact.person) =>
                {
                    keeps = false;
                    for (_, untraced, released) in &mut laid {
                        (*untraced, *released) = (false, Some(n + 1));
                    }
                }
                Event::HoldPlaced(e) if e.hold == hold => {
                    laid.push((&e.scope, untraced.contains(&fact.id), None));
                }
                Event::HoldLifted(e) if e.hold == hold && may(fact.person) => {
                    laid.clear();
                    keeps &= !e.wheels.contains(&wheel);
                }
                _ => {}
            }
        }
        let over = laid.iter().any(|(scope, untraced, released)| {
            *untraced || in_scope(&counts, &every, wheel, scope, *released)
        });
        if keeps || over {
            held.insert(hold);
        }
    }
    held
}

fn codes(held: &[Held]) -> BTreeSet<HoldId> {
    held.iter().map(|held| held.hold).collect()
}

fn cases() -> ProptestConfig {
    match std::env::var_os("PROPTEST_CASES") {
        Some(_) => ProptestConfig::default(),
        None => ProptestConfig::with_cases(150),
    }
}

proptest! {
    #![proptest_config(cases())]
    #[test]
    fn every_place_gives_one_answer_about_every_wheel_after_every_fact(
        (arrivals, records_run) in (arrivals(), any::<bool>()),
    ) {
        let rule = Rule::new(&recipes(), rights());
        let mut placement = Placement::under(rights());
        let mut index = Index::new(rule.clone());
        let end = instant(HOURS + 1);
        let mut office = Office::new(practice(), customers(), vec![code("R1")], end);
        // One of them is known to no fact.
        let all: Vec<WheelId> = ["b1-01", "b1-02", "b1-03", "b9-01"].map(code).to_vec();
        let mut facts: Vec<Fact> = Vec::new();
        for arrived in arrivals {
            placement.apply(&arrived);
            index.apply(&arrived);
            office.apply(&arrived);
            facts.push(arrived);
            // Whoever keeps the records states what is owed, until nothing is.
            for round in 0.. {
                let trace = index.trace();
                let held = trace.owed_holds().into_iter().map(Event::from);
                let traced = trace.untraced_holds().into_iter().map(Event::from);
                let owed: Vec<Event> = held.chain(traced).collect();
                if owed.is_empty() || !records_run {
                    break;
                }
                prop_assert!(round < 3, "the records never come to an end: {owed:?}");
                for event in owed {
                    let n = 1_000 + facts.len();
                    let fact = fact(n, instant(HOURS), ("records", None), event);
                    placement.apply(&fact);
                    index.apply(&fact);
                    office.apply(&fact);
                    facts.push(fact);
                }
            }
            office.refresh(end);
            let so_far: Vec<&Fact> = facts.iter().collect();
            let floor = office.floor();
            let trace = index.trace();
            let standing = trace.standing_holds();
            let untraced = standing.iter().filter(|line| line.untraced || line.behind);
            let untraced: BTreeSet<HoldId> = untraced.map(|line| line.hold).collect();
            let owed = standing.iter().any(|line| !line.owed.is_empty());
            prop_assert!(!records_run || (untraced.is_empty() && !owed));
            let census = answer::census(floor);
            for wheel in all.iter().copied() {
                let held = obvious(&so_far, wheel, end);
                prop_assert_eq!(&codes(&placement.held(wheel, &rule)), &held, "door, {}", wheel);
                prop_assert_eq!(&codes(&floor.held(wheel)), &held, "floor, {}", wheel);
                prop_assert_eq!(&codes(&trace.held(wheel)), &held, "trace, {}", wheel);
                // All agree on what each comes from and since when, too.
                prop_assert_eq!(placement.held(wheel, &rule), floor.held(wheel));
                prop_assert_eq!(trace.held(wheel), floor.held(wheel));
                let about = Scope::Wheels(vec![wheel]);
                let recall = trace.recall(&about, &Settings::default(), end);
                if let Some(affected) = recall.wheels.iter().find(|w| w.wheel == wheel) {
                    let holds = affected.holds.iter().copied().collect::<BTreeSet<_>>();
                    prop_assert_eq!(&holds, &held, "recall, {}", wheel);
                }
                if let Some(row) = census.iter().find(|row| row.wheel == wheel) {
                    let holds = row.holds.iter().copied().collect::<BTreeSet<_>>();
                    prop_assert_eq!(&holds, &held, "census, {}", wheel);
                }
                let actions = floor.wheel(wheel).map_or(&[][..], |wheel| wheel.actions());
                for asked in actions.iter().filter(|asked| asked.action == Action::Dispatch) {
                    let blocked = asked.because.blocked == Some(Blocked::Held);
                    prop_assert_eq!(blocked, !held.is_empty(), "rule, {}", wheel);
                }
                let leaving = Leaving { order: None, customer: None, market: None, wheels: &[wheel] };
                let stays = office.stays(&leaving).join("; ");
                let unknown = stays.contains("no wheel");
                let names = stays.contains("under hold") || stays.contains("not released from");
                prop_assert!(unknown || names != held.is_empty(), "desk: {wheel} {stays:?}");
                // The list of holds has each hold of each wheel that is not thrown away.
                let spoken_of = floor.wheel(wheel).is_some_and(|w| w.state().last_seen.is_some());
                let thrown = floor.wheel(wheel).is_some_and(|w| w.state().discarded.is_some());
                let listed: BTreeSet<HoldId> = standing
                    .iter()
                    .filter(|line| {
                        // Also what the records have not told it yet.
                        let lists = [&line.kept, &line.left, &line.owed];
                        lists.into_iter().any(|list| list.contains(&wheel))
                    })
                    .map(|line| line.hold)
                    .collect();
                if !thrown && spoken_of {
                    let mut listed = listed.clone();
                    listed.extend(&untraced);
                    prop_assert!(held.is_subset(&listed), "list, {wheel}: {held:?} {listed:?}");
                }
                prop_assert!(thrown || listed.is_subset(&held), "list, {wheel}: {listed:?}");
            }
        }
        let every: Vec<&Fact> = facts.iter().collect();
        for (wheel, hour) in all.iter().flat_map(|wheel| (0..=HOURS).map(move |h| (*wheel, h))) {
            let then = office.floor().held_at(wheel, instant(hour));
            prop_assert_eq!(codes(&then), obvious(&every, wheel, instant(hour)), "{}", wheel);
        }
    }
}

#[test]
fn the_recipes_are_as_the_histories_think() {
    let rule = Rule::new(&recipes(), rights());
    let born = |recipe| rule.born_under(recipe).iter().map(|b| b.hold.to_string());
    let born = |recipe| born(recipe).collect::<Vec<_>>();
    assert_eq!(born(Some((code("blue"), 1))), [""; 0]);
    assert_eq!(born(Some((code("blue"), 2))), ["LAB"]);
    assert_eq!(born(Some((code("blue"), 7))), ["LAB"], "of any version");
    assert_eq!(
        born(Some((code("green"), 1))),
        ["LAB", "RED"],
        "of any recipe"
    );
    assert_eq!(born(None), ["LAB", "RED"]);
}
