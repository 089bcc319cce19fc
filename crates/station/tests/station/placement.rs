//! The placement is a function of the set of facts, however they arrive.

use crate::floor::{Floor, at, wheel};
use crate::obvious::never_happened;
use chrono::{DateTime, Duration, Utc};
use facts::{
    BatchId, Carrier, Draft, Event, Fact, FactId, HoldId, HoopId, RoomId, StackId, StillageId,
    ToolCheck, ToolChecked, ToolId, VatStarted, Voided, WheelDiscarded, WheelDispatched, WheelHeld,
    WheelHooped, WheelId, WheelLoaded, WheelMoved, WheelPortioned, WheelReleased, WheelReturned,
    WheelTurned, WheelUnhooped,
};
use proptest::prelude::*;
use quantity::{Grams, Litres};
use station::Placement;

fn few<T>(prefix: &'static str) -> impl Strategy<Value = T>
where
    T: std::str::FromStr + std::fmt::Debug,
    T::Err: std::fmt::Debug,
{
    (1..4u8).prop_map(move |n| format!("{prefix}{n}").parse().unwrap())
}

/// Few names, so that facts collide.
fn event() -> impl Strategy<Value = Event> {
    let wheels = || proptest::collection::vec(few::<WheelId>("B1-"), 0..4);
    let batch = few::<BatchId>("B");
    let via = prop_oneof![
        Just(None),
        few::<StillageId>("S").prop_map(|s| Some(Carrier::Stillage(s))),
    ];
    prop_oneof![
        batch.prop_map(|batch| {
            VatStarted {
                batch,
                vat: "V1".parse().unwrap(),
                recipe: "blue".parse().unwrap(),
                recipe_version: 1,
                milk_l: Litres::new(1.0).unwrap(),
                milk_lots: Vec::new(),
            }
            .into()
        }),
        (few("B1-"), few("B")).prop_map(|(wheel, batch)| {
            WheelPortioned {
                wheel,
                batch,
                weight_g: Grams::new(1).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            }
            .into()
        }),
        (
            few("B1-"),
            few::<HoopId>("H"),
            proptest::option::of(few::<StackId>("K"))
        )
            .prop_map(|(wheel, hoop, stack)| WheelHooped { wheel, hoop, stack }.into()),
        wheels().prop_map(|wheels| WheelTurned { wheels, via: None }.into()),
        wheels().prop_map(|wheels| WheelUnhooped { wheels, via: None }.into()),
        (wheels(), few("S")).prop_map(|(wheels, stillage)| WheelLoaded { wheels, stillage }.into()),
        (wheels(), few::<RoomId>("R"), via).prop_map(|(wheels, room, via)| {
            WheelMoved {
                wheels,
                via,
                room,
                position: None,
            }
            .into()
        }),
        (wheels(), few::<HoldId>("Q")).prop_map(|(wheels, hold)| {
            let reason = String::new();
            WheelHeld {
                wheels,
                hold,
                reason,
            }
            .into()
        }),
        (wheels(), few::<HoldId>("Q")).prop_map(|(wheels, hold)| {
            let reason = String::new();
            WheelReleased {
                wheels,
                hold,
                reason,
            }
            .into()
        }),
        wheels().prop_map(|wheels| {
            WheelDispatched {
                wheels,
                via: None,
                order: None,
                market: None,
                sale: None,
            }
            .into()
        }),
        wheels().prop_map(|wheels| {
            let reason = String::new();
            WheelReturned { wheels, reason }.into()
        }),
        wheels().prop_map(|wheels| {
            let reason = String::new();
            WheelDiscarded { wheels, reason }.into()
        }),
        (few::<ToolId>("SC"), 4_999u32..5_002).prop_map(|(tool, shown)| {
            let [applied_g, shown_g, allowed_g] =
                [5_000, shown, 0].map(|grams| Grams::new(grams).unwrap());
            let check = ToolCheck::CheckWeight {
                applied_g,
                shown_g,
                allowed_g,
            };
            ToolChecked { tool, check }.into()
        }),
        // Any other fact must not matter.
        any::<Event>().prop_filter("touches no wheel here", |e| !matches!(e, Event::Voided(_))),
    ]
}

fn fact(n: usize, minute: i64, event: Event) -> Fact {
    // Stations take back their own that keeps nobody safe; managers anything.
    let corrects = matches!(event, Event::Voided(_)) && n.is_multiple_of(2);
    let stations = ["st-1", "st-1", "st-2"];
    let station = if corrects { "gateway" } else { stations[n % 3] };
    let occurred_at: DateTime<Utc> = at("2026-03-03T06:00:00Z") + Duration::minutes(minute);
    Fact {
        // A minute apart, so that a station's UNDO reaches back to some and not to others.
        id: FactId::from_uuid(uuid::Uuid::from_u128(
            (0x0190_b6b0_0000 + 60_000 * n as u128) << 80 | 0x7000_8000_u128 << 48 | n as u128,
        )),
        site: "larkholm".parse().unwrap(),
        station: station.parse().unwrap(),
        station_seq: n as u64 + 1,
        person: (!n.is_multiple_of(5)).then(|| "01".parse().unwrap()),
        occurred_at,
        claimed_at: None,
        recorded_at: occurred_at,
        event,
    }
}

/// The station's computer is half an hour behind the one at which somebody released the wheel.
#[test]
fn a_hold_after_a_release_keeps_the_wheel_whatever_the_clock_of_its_station_says() {
    let held = facts::WheelHeld {
        wheels: vec![wheel("B1-1")],
        hold: "Q1".parse().unwrap(),
        reason: "a swab".into(),
    };
    let released = facts::WheelReleased {
        wheels: held.wheels.clone(),
        hold: held.hold,
        reason: "clean".into(),
    };
    let mut placement = folded(&[
        fact(1, 0, held.clone().into()),
        Fact {
            person: Some("01".parse().unwrap()),
            ..fact(2, 45, released.into())
        },
    ]);
    let hold = held.hold;
    let kept = |placement: &Placement| {
        let holds = placement.held(wheel("B1-1"), &rule());
        holds.iter().any(|held| held.hold == hold)
    };
    assert!(!kept(&placement));
    let now = fact(3, 30, held.clone().into());
    let mut drafts = [Draft {
        occurred_at: now.occurred_at,
        claimed_at: None,
        person: None,
        event: held.into(),
    }];
    let recorded_at = placement.after_releases(&mut drafts, now.occurred_at);
    let (occurred_at, _) = drafts[0].ordered(recorded_at);
    assert!(recorded_at > fact(0, 45, drafts[0].event.clone()).occurred_at);
    placement.apply(&Fact {
        occurred_at,
        recorded_at,
        ..now
    });
    assert!(kept(&placement));
}

/// Facts at few instants, so that ids decide too, and voids of some of them.
fn facts() -> impl Strategy<Value = Vec<Fact>> {
    let event = (
        event(),
        proptest::option::weighted(0.2, any::<prop::sample::Index>()),
    );
    proptest::collection::vec((event, 0..4i64), 1..40).prop_map(|events| {
        let count = events.len();
        let made =
            events
                .into_iter()
                .enumerate()
                .map(|(n, ((event, voids), minute))| match voids {
                    Some(which) => {
                        let wrong = fact(which.index(count), 0, event);
                        let reason = String::new();
                        let voided = Voided {
                            fact: wrong.id,
                            reason,
                        };
                        fact(n, minute, voided.into())
                    }
                    None => fact(n, minute, event),
                });
        made.collect()
    })
}

fn folded<'a>(facts: impl IntoIterator<Item = &'a Fact>) -> Placement {
    let mut placement = Placement::under(rule().rights().clone());
    for fact in facts {
        placement.apply(fact);
    }
    placement
}

proptest! {
    #[test]
    fn any_order_and_repetition_of_the_same_facts_gives_the_same_placement(
        (facts, shuffled) in facts().prop_flat_map(|facts| {
            let twice: Vec<Fact> = facts.iter().chain(&facts).cloned().collect();
            (Just(facts), Just(twice).prop_shuffle())
        }),
    ) {
        prop_assert_eq!(folded(&facts), folded(&shuffled));
    }

    #[test]
    fn a_voided_fact_leaves_what_there_would_be_without_it(facts in facts()) {
        let with = folded(&facts);
        let all: Vec<&Fact> = facts.iter().collect();
        let counts = |fact: &&Fact| {
            !matches!(fact.event, Event::Voided(_))
                && !never_happened(fact, &all, rule().rights())
        };
        let without = folded(facts.iter().filter(counts));
        for n in 1..4 {
            let wheel = wheel(&format!("B1-{n}"));
            prop_assert_eq!(with.knows(wheel), without.knows(wheel));
            prop_assert_eq!(with.place(wheel), without.place(wheel));
            prop_assert_eq!(with.held(wheel, &rule()), without.held(wheel, &rule()));
            prop_assert_eq!(with.left(wheel), without.left(wheel));
            prop_assert_eq!(with.last_turned(wheel), without.last_turned(wheel));
            for carrier in carriers() {
                prop_assert_eq!(with.wheels_on(carrier), without.wheels_on(carrier));
            }
            let scale = format!("SC{n}").parse().unwrap();
            prop_assert_eq!(with.last_check(scale), without.last_check(scale));
            prop_assert_eq!(with.last_pass(scale), without.last_pass(scale));
        }
    }

    #[test]
    fn a_snapshot_and_the_facts_after_it_give_the_same_as_all_facts(
        facts in facts(), split in any::<prop::sample::Index>(),
    ) {
        let (before, after) = facts.split_at(split.index(facts.len()));
        let kept = facts::stored::borsh::to_vec(&folded(before)).unwrap();
        let mut restored: Placement = facts::stored::borsh::from_slice(&kept).unwrap();
        for fact in after {
            restored.apply(fact);
        }
        prop_assert_eq!(restored, folded(&facts));
    }

    #[test]
    fn what_is_forgotten_leaves_nothing_behind(
        facts in facts(), gone in 0..5i64, turned in 0..5i64,
    ) {
        let mut placement = folded(&facts);
        let since = |minutes| at("2026-03-03T06:00:00Z") + Duration::minutes(minutes);
        placement.forget_before(since(gone), since(turned));
        let kept = facts::stored::borsh::to_vec(&placement).unwrap();
        prop_assert_eq!(facts::stored::borsh::from_slice::<Placement>(&kept).unwrap(), placement);
    }

    #[test]
    fn every_carrier_holds_just_the_wheels_that_stand_on_it(facts in facts()) {
        let placement = folded(&facts);
        for carrier in carriers() {
            let mut on: Vec<WheelId> = placement.wheels().filter(|wheel| {
                let standing = placement.standing(*wheel).unwrap();
                standing.left.is_none() && match carrier {
                    Carrier::Stillage(id) => standing.stillage == Some(id),
                    Carrier::Stack(id) => standing.stack == Some(id),
                    Carrier::Hoop(id) => standing.hoop == Some(id),
                }
            }).collect();
            on.sort_unstable();
            let listed = placement.wheels_on(carrier);
            if matches!(carrier, Carrier::Stillage(_)) {
                prop_assert_eq!(listed, on);
            } else {
                prop_assert!(listed.iter().all(|wheel| on.contains(wheel)));
                prop_assert!(on.is_empty() || !listed.is_empty() || matches!(carrier, Carrier::Stack(_)));
            }
        }
    }
}

fn rule() -> holds::Rule {
    crate::floor::setup().holds
}

fn carriers() -> Vec<Carrier> {
    (1..4)
        .flat_map(|n| {
            [
                Carrier::Hoop(format!("H{n}").parse().unwrap()),
                Carrier::Stack(format!("K{n}").parse().unwrap()),
                Carrier::Stillage(format!("S{n}").parse().unwrap()),
            ]
        })
        .collect()
}

fn stillage(code: &str) -> Carrier {
    Carrier::Stillage(code.parse().unwrap())
}

#[test]
fn a_hoop_holds_the_last_wheel_put_in_even_if_nobody_scanned_the_first_out() {
    let mut floor = Floor::with_a_batch();
    floor.now += Duration::minutes(1);
    floor.hears(WheelHooped {
        wheel: wheel("311-09"),
        hoop: "H1".parse().unwrap(),
        stack: Some("K9".parse().unwrap()),
    });
    let on = |carrier| floor.placement.wheels_on(carrier);
    assert_eq!(on(Carrier::Hoop("H1".parse().unwrap())), [wheel("311-09")]);
    assert_eq!(
        on(Carrier::Stack("K1".parse().unwrap())),
        ["311-02", "311-03", "311-04"].map(wheel)
    );
}

#[test]
fn a_wheel_put_on_a_stillage_is_where_the_stillage_stands() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.PORTION", "B.311", "H.H5"]);
    floor.weighs(11_000);
    floor.scans(&["A.MOVE", "R.drain", "W.311-05"]);
    let room = |floor: &Floor| floor.placement.place(wheel("311-05")).unwrap().room;
    assert_eq!(room(&floor).as_str(), "drain");
    floor.scans(&["A.LOAD", "S.S1", "H.H5"]);
    assert_eq!(room(&floor).as_str(), "R1");
    floor.scans(&["A.MOVE", "R.R2", "W.311-05"]);
    assert_eq!(room(&floor).as_str(), "R2");
}

#[test]
fn a_voided_load_puts_a_wheel_back_where_it_was() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.LOAD", "S.S2", "W.311-01"]);
    assert_eq!(floor.placement.wheels_on(stillage("S2")), [wheel("311-01")]);
    let loaded = floor.facts.last().unwrap().clone();
    floor.voids(&loaded);
    assert_eq!(floor.placement.wheels_on(stillage("S2")), []);
    assert_eq!(floor.placement.wheels_on(stillage("S1")).len(), 4);
}

#[test]
fn a_day_with_two_turns_finds_the_last_of_that_day() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.TURN", "S.S1", "S.S1"]);
    let second = floor.now;
    floor.now += Duration::days(1);
    floor.scan("S.S1");
    let turned = floor.placement.turned_between(
        wheel("311-01"),
        second - Duration::hours(2),
        second + Duration::hours(2),
    );
    assert_eq!(turned, Some(second));
    assert_eq!(
        floor.placement.last_turned(wheel("311-01")),
        Some(floor.now)
    );
}

#[test]
fn what_left_long_ago_is_forgotten_and_the_rest_keeps_its_last_turn() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&[
        "A.TURN",
        "S.S1",
        "S.S1",
        "P.17",
        "A.DISPATCH",
        "O.77",
        "W.311-01",
    ]);
    let last = floor.placement.last_turned(wheel("311-02"));
    let cutoff = floor.now + Duration::days(1);
    floor.placement.forget_before(cutoff, cutoff);
    assert!(!floor.placement.knows(wheel("311-01")));
    assert_eq!(floor.placement.last_turned(wheel("311-02")), last);
    assert_eq!(
        floor.placement.wheels_on(stillage("S1")),
        ["311-02", "311-03", "311-04"].map(wheel)
    );
    // The numbers of the batch go on where they were.
    assert_eq!(
        floor.placement.next_wheel("311".parse().unwrap()),
        Some(wheel("311-05"))
    );
}

/// As every station gets it from the log: with the claim of a device, received later.
fn received(mut fact: Fact, claimed: &str) -> Fact {
    fact.occurred_at = at(claimed);
    match facts::wire::from_line(&facts::wire::to_line(&fact).unwrap()).unwrap() {
        facts::wire::Read::Fact(fact) => fact,
        facts::wire::Read::UnknownType(unknown) => panic!("{} is known", unknown.ty),
    }
}

#[test]
fn a_scan_from_2036_moves_a_wheel_when_it_came_in_and_not_for_ten_years() {
    let wheels = || vec!["311-01".parse().unwrap()];
    let load = |n, minute, stillage: &str| {
        let stillage = stillage.parse().unwrap();
        let wheels = wheels();
        fact(n, minute, WheelLoaded { wheels, stillage }.into())
    };
    let late = received(load(0, 0, "S1"), "2036-03-03T06:00:00Z");
    let placement = folded(&[late, load(1, 1, "S2")]);
    assert_eq!(placement.wheels_on(stillage("S2")), wheels());
    assert_eq!(placement.wheels_on(stillage("S1")), []);
}

#[test]
fn a_release_from_2036_leaves_later_holds_alone() {
    let wheels = || vec!["311-01".parse().unwrap()];
    let (hold, reason): (HoldId, _) = ("Q1".parse().unwrap(), String::new());
    let held = |n, minute| {
        let (wheels, reason) = (wheels(), reason.clone());
        fact(
            n,
            minute,
            WheelHeld {
                wheels,
                hold,
                reason,
            }
            .into(),
        )
    };
    let released = |n, minute| {
        let (wheels, reason) = (wheels(), reason.clone());
        let mut fact = fact(
            n,
            minute,
            WheelReleased {
                wheels,
                hold,
                reason,
            }
            .into(),
        );
        fact.person = Some("M1".parse().unwrap());
        fact
    };
    let late = received(released(1, 1), "2036-03-03T06:00:00Z");
    let facts = [held(0, 0), late, held(2, 2), released(3, 3)];
    let holds = |facts: &[Fact]| {
        let held = folded(facts).held(wheels()[0], &rule()).into_iter();
        held.filter(|held| held.hold == hold).count()
    };
    assert_eq!(holds(&facts[..2]), 0);
    assert_eq!(holds(&facts[..3]), 1, "the later hold counts");
    assert_eq!(holds(&facts), 0, "and can be released");
}
