//! The table of who may state and take back which fact, cell by cell.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use authority::Role;
use authority::people::{
    NotUndone, Proof, Recorded, Refused, TakenBack, UNDO_WITHIN, may_correct, may_state,
    may_state_kind, record_taken_back, taken_back,
};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    Event, TYPES, ToolCheck, ToolChecked, WheelDispatched, WheelHeld, WheelHooped, WheelPortioned,
    WheelTurned,
};
use quantity::Grams;

/// Every way in which it is known who someone is, in the order of the cells below.
const PROOFS: [(char, Proof); 6] = [
    ('n', Proof::Nobody),
    ('b', Proof::Badge(None)),
    ('o', Proof::SignedIn(Role::Operator)),
    ('i', Proof::SignedIn(Role::Ironer)),
    ('m', Proof::SignedIn(Role::Manager)),
    ('l', Proof::SignedIn(Role::Inspector)),
];

/// Each kind of fact: who may state it (Nobody known, a Badge alone, an Operator, Ironer, Manager, or one who
/// only Looks), and who takes it back.
const CELLS: &[(&str, &str, &str)] = &[
    ("milk.received", "-boim-", "owner"),
    ("milk.screened", "-boim-", "manager"),
    ("milk.pasteurised", "-boim-", "manager"),
    ("milk.heated", "-boim-", "manager"),
    ("milk.pooled", "-boim-", "owner"),
    ("lot.received", "-boim-", "owner"),
    ("lot.used", "-boim-", "owner"),
    ("lot.counted", "-boim-", "owner"),
    ("vat.started", "-boim-", "owner"),
    ("vat.filled", "-boim-", "owner"),
    ("vat.reworked", "-boim-", "owner"),
    ("vat.dosed", "-boim-", "owner"),
    ("vat.measured", "-boim-", "manager"),
    ("vat.cut", "-boim-", "owner"),
    ("vat.drained", "-boim-", "owner"),
    ("vat.milled", "-boim-", "owner"),
    ("vat.closed", "-boim-", "owner"),
    ("vat.recipe_changed", "----m-", "releaser"),
    ("wheel.portioned", "nboim-", "owner"),
    ("wheel.hooped", "nboim-", "owner"),
    ("wheel.turned", "nboim-", "owner"),
    ("wheel.unhooped", "nboim-", "owner"),
    ("wheel.rubbed_up", "nboim-", "owner"),
    ("wheel.loaded", "nboim-", "owner"),
    ("wheel.moved", "nboim-", "owner"),
    ("wheel.pierced", "nboim-", "owner"),
    ("wheel.ironed", "-b-im-", "owner"),
    ("wheel.graded", "-b-im-", "owner"),
    ("wheel.weighed", "nboim-", "owner"),
    ("wheel.labelled", "------", "manager"),
    ("wheel.held", "-boim-", "releaser"),
    ("wheel.released", "----m-", "manager"),
    ("wheel.allocated", "nboim-", "owner"),
    ("wheel.dispatched", "-boim-", "manager"),
    ("wheel.delivered", "-boim-", "manager"),
    ("wheel.returned", "-boim-", "manager"),
    ("wheel.discarded", "-boim-", "manager"),
    ("rind.observed", "nboim-", "owner"),
    ("room.climate_read", "------", "manager"),
    ("room.gas_read", "------", "manager"),
    ("room.cleaned", "nboim-", "owner"),
    ("batch.forecast", "------", "manager"),
    ("tool.checked", "-boim-", "owner"),
    ("tool.sanitised", "-boim-", "owner"),
    ("lab.sampled", "-boim-", "manager"),
    ("lab.swabbed", "-boim-", "manager"),
    ("lab.resulted", "----m-", "manager"),
    ("control.checked", "-boim-", "manager"),
    ("deviation.found", "-boim-", "manager"),
    ("deviation.decided", "----m-", "manager"),
    ("hold.placed", "-boim-", "releaser"),
    ("hold.lifted", "----m-", "manager"),
    ("hold.traced", "------", "manager"),
    ("trace.drilled", "-boim-", "manager"),
    ("order.placed", "nboim-", "owner"),
    ("order.changed", "nboim-", "owner"),
    ("order.cancelled", "nboim-", "owner"),
    ("order.confirmed", "nboim-", "owner"),
    ("order.substituted", "nboim-", "owner"),
    ("order.packed", "nboim-", "owner"),
    ("order.refused", "-boim-", "owner"),
    ("label.wanted_again", "nboim-", "owner"),
    ("label.answered", "nboim-", "owner"),
    ("label.dropped", "------", "manager"),
    ("case.labelled", "------", "manager"),
    ("fact.voided", "----m-", "manager"),
    ("alert.acknowledged", "-boim-", "owner"),
];

/// What ends a hold or says that something is safe.
const VERDICTS: [&str; 6] = [
    "vat.recipe_changed",
    "wheel.released",
    "hold.lifted",
    "lab.resulted",
    "deviation.decided",
    "fact.voided",
];

/// What keeps people safe besides.
const KEEPS_SAFE: [&str; 11] = [
    "wheel.discarded",
    "wheel.held",
    "hold.placed",
    "control.checked",
    "deviation.found",
    "wheel.dispatched",
    "wheel.returned",
    "lab.sampled",
    "lab.swabbed",
    "milk.screened",
    "milk.pasteurised",
];

fn cells(may: impl Fn(Proof) -> bool) -> String {
    let cell = |(letter, proof)| if may(proof) { letter } else { '-' };
    PROOFS.map(cell).iter().collect()
}

fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn grams(grams: u32) -> Grams {
    Grams::new(grams).unwrap()
}

fn dispatched(order: Option<&str>) -> Event {
    let order = order.map(|order| order.parse().unwrap());
    let (wheels, via, market) = (vec!["311-01".parse().unwrap()], None, None);
    Event::from(WheelDispatched {
        wheels,
        via,
        order,
        market,
        sale: None,
    })
}

fn checked(check: ToolCheck) -> Event {
    let tool = "PM1".parse().unwrap();
    ToolChecked { tool, check }.into()
}

fn turned() -> Event {
    let (wheels, via) = (vec!["311-01".parse().unwrap()], None);
    WheelTurned { wheels, via }.into()
}

fn held(wheel: &str) -> Event {
    let (wheels, hold) = (vec![wheel.parse().unwrap()], "Q7".parse().unwrap());
    let reason = "its test is not back".to_owned();
    Event::from(WheelHeld {
        wheels,
        hold,
        reason,
    })
}

fn portion(wheel: &str) -> Vec<Event> {
    let wheel = wheel.parse().unwrap();
    vec![
        WheelPortioned {
            wheel,
            batch: "311".parse().unwrap(),
            weight_g: grams(11_000),
            scale: None,
            tare_g: None,
            mixer: None,
        }
        .into(),
        WheelHooped {
            wheel,
            hoop: "H1".parse().unwrap(),
            stack: None,
        }
        .into(),
    ]
}

#[test]
fn every_kind_of_fact_has_its_row_and_every_cell_is_as_written_here() {
    let topics = TYPES.iter().map(|ty| format!("{}.{}", ty.noun, ty.verb));
    let rows: Vec<&str> = CELLS.iter().map(|(topic, ..)| *topic).collect();
    assert_eq!(topics.collect::<Vec<_>>(), rows);
    for (topic, state, _) in CELLS {
        let may = cells(|proof| may_state_kind(topic, proof).is_ok());
        assert_eq!(may, *state, "{topic}");
    }
    assert_eq!(cells(|proof| may_correct(proof).is_ok()), "----m-");
    let unknown = may_state_kind("cheese.eaten", Proof::SignedIn(Role::Manager));
    assert_eq!(unknown, Err(Refused::Worker));
}

#[test]
fn what_keeps_people_safe_needs_a_pin_and_is_taken_back_by_a_manager() {
    for (topic, state, back) in CELLS {
        let verdict = VERDICTS.contains(topic);
        assert_eq!(*state == "----m-", verdict, "{topic}");
        if verdict || KEEPS_SAFE.contains(topic) {
            assert_ne!(*back, "owner", "{topic}");
        }
        if *back == "manager" {
            assert!(!state.contains('n'), "{topic}");
        }
    }
}

proptest::proptest! {
    #[test]
    fn any_fact_is_stated_and_taken_back_by_its_row(event: Event) {
        let row = CELLS.iter().find(|(topic, ..)| *topic == event.topic());
        let (_, state, back) = row.unwrap();
        let may = cells(|proof| may_state(&event, proof).is_ok());
        let by_owner = taken_back(&event) == TakenBack::ByOwner;
        match &event {
            Event::WheelDispatched(sent) if sent.order.is_none() => {
                proptest::prop_assert_eq!(&may, "----m-");
            }
            _ => proptest::prop_assert_eq!(&may, state),
        }
        match &event {
            Event::ToolChecked(checked) => {
                proptest::prop_assert_eq!(by_owner, checked.check.passed());
            }
            Event::WheelGraded(graded) => {
                proptest::prop_assert_eq!(by_owner, graded.grade != facts::Grade::Reject);
            }
            _ => {
                let by = match taken_back(&event) {
                    TakenBack::ByOwner => "owner",
                    TakenBack::ByManager => "manager",
                    TakenBack::ByReleaser => "releaser",
                };
                proptest::prop_assert_eq!(by, *back);
            }
        }
    }
}

#[test]
fn a_dispatch_without_an_order_is_a_managers() {
    let for_an_order = cells(|proof| may_state(&dispatched(Some("77")), proof).is_ok());
    let without = cells(|proof| may_state(&dispatched(None), proof).is_ok());
    assert_eq!([for_an_order, without], ["-boim-", "----m-"]);
}

#[test]
fn a_failed_check_is_taken_back_by_a_manager_and_a_passed_one_by_its_owner() {
    let weight = |shown| ToolCheck::CheckWeight {
        applied_g: grams(5_000),
        shown_g: grams(shown),
        allowed_g: grams(10),
    };
    let needles = |counted| ToolCheck::Needles {
        expected: 40,
        counted,
    };
    for (check, by) in [
        (needles(40), TakenBack::ByOwner),
        (needles(39), TakenBack::ByReleaser),
        (needles(41), TakenBack::ByReleaser),
        (weight(5_010), TakenBack::ByOwner),
        (weight(5_011), TakenBack::ByReleaser),
        (ToolCheck::Iron { whole: true }, TakenBack::ByOwner),
        (ToolCheck::Iron { whole: false }, TakenBack::ByReleaser),
    ] {
        assert_eq!(taken_back(&checked(check)), by, "{check:?}");
    }
}

#[test]
fn what_one_scan_recorded_goes_by_its_strictest_fact() {
    let born_held = [portion("311-05"), vec![held("311-05")]].concat();
    let another = [portion("311-05"), vec![held("311-04")]].concat();
    for (events, by) in [
        (portion("311-05"), TakenBack::ByOwner),
        (born_held, TakenBack::ByOwner),
        (another, TakenBack::ByManager),
        (vec![held("311-05")], TakenBack::ByManager),
        (vec![turned(), dispatched(Some("77"))], TakenBack::ByManager),
        (Vec::new(), TakenBack::ByManager),
    ] {
        assert_eq!(record_taken_back(&events), by, "{events:?}");
    }
}

#[test]
fn a_record_is_undone_by_its_own_badge_within_the_time_and_each_refusal_says_who_can() {
    let recorded = Recorded {
        person: "17".parse().ok(),
        at: at("2026-03-03T06:00:00Z"),
        received: Some(at("2026-03-03T06:30:00Z")),
        taken_back: TakenBack::ByOwner,
    };
    let safe = Recorded {
        taken_back: TakenBack::ByManager,
        ..recorded
    };
    let (own, other) = ("17".parse().ok(), "18".parse().ok());
    let last = recorded.at + UNDO_WITHIN;
    let late = last + TimeDelta::milliseconds(1);
    let kept = recorded.received.unwrap();
    for (made, received, expected) in [
        (recorded.at, kept, Ok(())),
        (last, kept + UNDO_WITHIN, Ok(())),
        // Others have gone by it, whenever a device says that it was taken back.
        (last, kept + UNDO_WITHIN * 2, Err(NotUndone::TooLate)),
        (recorded.at, recorded.at, Err(NotUndone::TooLate)),
    ] {
        let found = recorded.may_be_undone(own, made, received);
        assert_eq!(found, expected, "{made} {received}");
    }
    let earlier = Recorded {
        received: None,
        ..recorded
    };
    assert_eq!(earlier.may_be_undone(own, last, last), Ok(()));
    for (record, by, now, expected) in [
        (recorded, own, recorded.at, Ok(())),
        (recorded, own, last, Ok(())),
        (recorded, own, late, Err(NotUndone::TooLate)),
        (recorded, other, recorded.at, Err(NotUndone::NotYours)),
        (recorded, None, recorded.at, Err(NotUndone::NotYours)),
        (safe, own, recorded.at, Err(NotUndone::KeepsSafe)),
        (safe, other, late, Err(NotUndone::KeepsSafe)),
    ] {
        assert_eq!(
            record.may_be_undone(by, now, kept),
            expected,
            "{by:?} {now}"
        );
    }
    for refused in [
        NotUndone::TooLate,
        NotUndone::NotYours,
        NotUndone::KeepsSafe,
    ] {
        let words = refused.to_string();
        assert!(words.contains("manager") && words.contains("This was wrong"));
    }
}

#[test]
fn a_badge_does_what_any_badge_does_and_its_role_too() {
    for info in TYPES {
        let topic = format!("{}.{}", info.noun, info.verb);
        for role in Role::ALL {
            let signed_in = may_state_kind(&topic, Proof::SignedIn(role));
            let any = may_state_kind(&topic, Proof::Badge(None));
            let found = may_state_kind(&topic, Proof::Badge(Some(role)));
            // In the same words as in the browser, where the role is why.
            assert_eq!(found, signed_in.and(any), "{topic} {role:?}");
        }
    }
}

#[test]
fn a_refusal_says_where_to_go() {
    let says = |topic, proof| may_state_kind(topic, proof).unwrap_err().to_string();
    assert_eq!(
        says("wheel.released", Proof::Badge(None)),
        "needs a signed-in manager: open the Holds page or a browser station"
    );
    assert_eq!(
        says("wheel.released", Proof::Nobody),
        "needs a signed-in manager: open the Holds page or a browser station"
    );
    assert_eq!(
        says("wheel.held", Proof::Nobody),
        "needs a badge: scan your badge first"
    );
    assert_eq!(
        says("wheel.graded", Proof::SignedIn(Role::Operator)),
        "needs an ironer: ask one"
    );
    assert_eq!(
        says("wheel.turned", Proof::SignedIn(Role::Inspector)),
        "is not an inspector's to record: an inspector looks and changes nothing"
    );
    assert_eq!(
        says("room.gas_read", Proof::SignedIn(Role::Manager)),
        "is recorded by Wheelward's own workers, never by a person"
    );
}
