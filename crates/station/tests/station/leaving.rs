//! What may leave, what is never let go, and what is asked first.

use authority::Role;
use chrono::Duration;
use facts::{
    Event, Grade, OrderPlaced, Voided, WheelGraded, WheelHeld, WheelPortioned, WheelReleased,
};
use station::{Kept, Leaving, Reach, Scan, Stays};

use crate::floor::{Floor, at, setup, wheel};
use crate::session::conversation;

/// Everything stands ready; DISPATCH for order 77 is set.
fn dispatching() -> Floor {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.DISPATCH", "O.77"]);
    floor
}

#[test]
fn a_held_wheel_is_stopped_at_the_door_until_a_signed_in_manager_releases_it() {
    let mut floor = conversation(
        Floor::with_a_stillage(),
        &[
            ("A.HOLD", "NEXT  HOLD: scan the hold"),
            ("Q.Q7", "NEXT  HOLD, hold Q7: scan the wheels"),
            ("W.311-02", "OK  wheel 311-02 held under Q7"),
            ("P.17", "NEXT  badge 17: HOLD, scan the hold"),
            ("A.DISPATCH", "NEXT  DISPATCH: scan the order"),
            ("O.O12", "NEXT  DISPATCH, order O12: scan the wheels"),
            (
                "W.311-02",
                "STOP  wheel 311-02 is under hold Q7: nothing recorded, none may leave. Set aside",
            ),
            (
                "S.S1",
                "STOP  1 of 4 wheels on S1 under hold Q7, first 311-02: nothing recorded, none may leave. Set aside",
            ),
            ("W.311-01", "OK  wheel 311-01 dispatched for order O12"),
            (
                "A.RELEASE",
                "WRONG  RELEASE needs a signed-in manager: open the Holds page or a browser station",
            ),
            (
                "Q.Q7",
                "WRONG  hold Q7, but no action yet: scan an action card such as TURN, then scan this again",
            ),
        ],
        &["wheel.held 311-02", "wheel.dispatched 311-01"],
    );
    floor.facts.clear();
    floor.sign_in("M1", Role::Ironer);
    assert_eq!(
        floor.scan("A.RELEASE"),
        "WRONG  RELEASE needs a manager: ask one"
    );
    floor.sign_in("M1", Role::Manager);
    conversation(
        floor,
        &[
            ("A.RELEASE", "NEXT  RELEASE: scan the hold"),
            ("Q.Q7", "NEXT  RELEASE, hold Q7: scan the wheels"),
            ("W.311-02", "OK  wheel 311-02 released from Q7"),
            (
                "W.311-03",
                "WRONG  wheel 311-03 released from Q7, but 311-03 was not under Q7: recorded and flagged",
            ),
            ("A.DISPATCH", "NEXT  DISPATCH: scan the order"),
            ("O.O12", "NEXT  DISPATCH, order O12: scan the wheels"),
            ("W.311-02", "OK  wheel 311-02 dispatched for order O12"),
        ],
        &[
            "wheel.released 311-02",
            "wheel.released 311-03",
            "wheel.dispatched 311-02",
        ],
    );
}

#[test]
fn a_wheel_of_a_recipe_that_asks_for_release_is_born_held_and_stopped_at_dispatch() {
    let mut floor = Floor::empty();
    floor.scans(&["P.17", "A.VAT", "V.V1", "B.400", "C.tested-blue", "N.2000"]);
    floor.scans(&["A.PORTION", "B.400", "H.H1"]);
    floor.weighs(11_000);
    let topics: Vec<_> = floor.facts.iter().map(|fact| fact.event.topic()).collect();
    assert!(
        topics.ends_with(&["wheel.portioned", "wheel.hooped", "wheel.held"]),
        "{topics:?}"
    );
    let stopped = floor.scans(&["A.DISPATCH", "O.77", "W.400-01"]);
    assert!(
        stopped.starts_with("STOP") && stopped.contains("hold Q-BORN"),
        "{stopped}"
    );
    floor.scans(&["A.UNHOOP", "W.400-01", "A.GRADE", "W.400-01", "G.A"]);
    floor.sign_in("M1", Role::Manager);
    floor.scans(&["A.RELEASE", "Q.Q-BORN", "W.400-01"]);
    let sent = floor.scans(&["A.DISPATCH", "O.77", "W.400-01"]);
    assert!(sent.starts_with("OK"), "{sent}");
}

#[test]
fn a_release_by_stillage_says_how_many_were_not_held_and_flags_none() {
    let mut floor = Floor::with_a_stillage();
    floor.sign_in("M1", Role::Manager);
    conversation(
        floor,
        &[
            ("A.HOLD", "NEXT  HOLD: scan the hold"),
            ("Q.Q7", "NEXT  HOLD, hold Q7: scan the wheels"),
            ("W.311-01", "OK  wheel 311-01 held under Q7"),
            ("A.RELEASE", "NEXT  RELEASE: scan the hold"),
            ("Q.Q7", "NEXT  RELEASE, hold Q7: scan the wheels"),
            (
                "S.S1",
                "OK  4 wheels on S1 released from Q7; 3 of them were not under it",
            ),
            (
                "S.S1",
                "WRONG  4 wheels on S1 released from Q7, but 311-01 was not under Q7 (and 3 more): recorded and flagged",
            ),
        ],
        &[
            "wheel.held 311-01",
            "wheel.released 311-01 311-02 311-03 311-04",
            "wheel.released 311-01 311-02 311-03 311-04",
        ],
    );
}

#[test]
fn a_hold_released_elsewhere_no_longer_stops() {
    let mut floor = dispatching();
    let (wheels, hold) = (vec![wheel("311-01")], "Q9".parse().unwrap());
    let reason = String::from("laboratory");
    floor.hears(WheelHeld {
        wheels: wheels.clone(),
        hold,
        reason: reason.clone(),
    });
    assert!(floor.scan("W.311-01").starts_with("STOP"));
    floor.now += Duration::minutes(1);
    let released = WheelReleased {
        wheels,
        hold,
        reason,
    };
    floor.hears_of(None, released.clone());
    assert!(floor.scan("W.311-01").starts_with("STOP"), "nobody's");
    let release = floor.hears_of(Some("09"), released);
    let mistake = floor.voids(&release);
    assert!(floor.scan("W.311-01").starts_with("STOP"), "it was void");
    floor.voids(&mistake);
    assert_eq!(
        floor.scan("W.311-01"),
        "OK  wheel 311-01 dispatched for order 77"
    );
}

#[test]
fn holds_of_a_recipe_keep_a_wheel_at_the_door_though_no_fact_states_them() {
    let mut floor = dispatching();
    let portioned = |name: &str, batch: &str| WheelPortioned {
        wheel: wheel(name),
        batch: batch.parse().unwrap(),
        weight_g: quantity::Grams::new(11_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    // Nobody ever stated the start of batch 500.
    floor.hears(portioned("500-01", "500"));
    let stop = floor.scan("W.500-01");
    assert!(
        stop.starts_with("STOP  wheel 500-01 is under hold Q-BORN"),
        "{stop}"
    );
    // It turns out to be a cheese without a hold, then goes on as one with a hold.
    let by = |recipe: &str, version| facts::VatRecipeChanged {
        batch: "500".parse().unwrap(),
        recipe: recipe.parse().unwrap(),
        recipe_version: version,
        reason: "too dry".to_owned(),
    };
    let held = |floor: &Floor| {
        let rule = crate::floor::setup().holds;
        !floor.placement.held(wheel("500-01"), &rule).is_empty()
    };
    floor.hears(by("blue", 3));
    assert!(held(&floor), "nobody moves a wheel from under a hold");
    floor.hears_of(Some("09"), by("blue", 3));
    assert!(!held(&floor));
    floor.now += Duration::minutes(1);
    floor.hears(by("tested-blue", 1));
    assert!(floor.scan("W.500-01").starts_with("STOP"));
}

#[test]
fn a_hold_over_a_lot_lets_nothing_leave_until_the_records_say_which_wheels_it_keeps() {
    let mut floor = dispatching();
    let placed = floor.hears(facts::HoldPlaced {
        hold: "LAB".parse().unwrap(),
        scope: facts::Scope::Lot("CUL7".parse().unwrap()),
        reason: "swab".to_owned(),
        cause: None,
    });
    let stop = floor.scan("W.311-01");
    assert!(
        stop.starts_with("STOP  wheel 311-01 is under hold LAB, which is still being worked out: nothing may leave until the records say which wheels it keeps. If that lasts, ask"),
        "{stop}"
    );
    floor.now += Duration::minutes(1);
    floor.hears(WheelHeld {
        wheels: vec![wheel("311-02")],
        hold: "LAB".parse().unwrap(),
        reason: "swab".to_owned(),
    });
    assert!(
        floor.scan("W.311-01").starts_with("STOP"),
        "not all are told"
    );
    floor.hears(facts::HoldTraced {
        hold: "LAB".parse().unwrap(),
        placed: placed.id,
        wheels: 1,
    });
    assert_eq!(
        floor.scan("W.311-01"),
        "OK  wheel 311-01 dispatched for order 77"
    );
    let stop = floor.scan("W.311-02");
    assert!(
        stop.starts_with("STOP  wheel 311-02 is under hold LAB: nothing recorded"),
        "{stop}"
    );
}

#[test]
fn a_wheel_that_comes_into_a_held_scope_later_is_stopped_before_the_records_say_so() {
    use facts::{LotUsed, Scope, WheelIroned, WheelMoved, WheelPierced, Window};
    let lot = || "CUL7".parse().unwrap();
    let window = Window {
        from: at("2020-01-01T00:00:00Z"),
        to: None,
    };
    let wheels = || vec![wheel("311-01")];
    let used = LotUsed {
        lot: lot(),
        wheels: wheels(),
        via: None,
        amount: None,
    };
    let dosed = facts::VatDosed {
        batch: "311".parse().unwrap(),
        ingredient: facts::Ingredient::Culture,
        lot: lot(),
        amount: 1.0,
    };
    let moved = WheelMoved {
        wheels: wheels(),
        via: None,
        room: "R9".parse().unwrap(),
        position: None,
    };
    let loaded = facts::WheelLoaded {
        wheels: wheels(),
        stillage: "S9".parse().unwrap(),
    };
    let pierced = WheelPierced {
        wheels: wheels(),
        via: None,
        machine: "PM1".parse().unwrap(),
    };
    let ironed = WheelIroned {
        wheel: wheel("311-01"),
        blue_coverage_pct: quantity::Percent::new(60.0).unwrap(),
        iron: Some("IR1".parse().unwrap()),
        note: None,
    };
    let tool = |tool: &str| Scope::Tool {
        tool: tool.parse().unwrap(),
        window,
    };
    let comes: [(Scope, Event); 6] = [
        (Scope::Lot(lot()), used.into()),
        (Scope::Lot(lot()), dosed.into()),
        (
            Scope::Room {
                room: "R9".parse().unwrap(),
                window,
            },
            moved.into(),
        ),
        (
            Scope::Stillage {
                stillage: "S9".parse().unwrap(),
                window,
            },
            loaded.into(),
        ),
        (tool("PM1"), pierced.into()),
        (tool("IR1"), ironed.into()),
    ];
    for (scope, event) in comes {
        let mut floor = dispatching();
        let placed = floor.hears(facts::HoldPlaced {
            hold: "LAB".parse().unwrap(),
            scope: scope.clone(),
            reason: "swab".to_owned(),
            cause: None,
        });
        floor.now += Duration::minutes(1);
        floor.hears(facts::HoldTraced {
            hold: "LAB".parse().unwrap(),
            placed: placed.id,
            wheels: 0,
        });
        floor.now += Duration::minutes(1);
        floor.hears(event);
        let stop = floor.scan("W.311-01");
        assert!(
            stop.starts_with("STOP  wheel 311-01 is under hold LAB: nothing recorded"),
            "{scope}: {stop}"
        );
    }
}

#[test]
fn a_hold_over_a_batch_keeps_its_wheels_at_the_door_before_anyone_told_them() {
    let mut floor = dispatching();
    floor.hears(facts::HoldPlaced {
        hold: "LAB".parse().unwrap(),
        scope: facts::Scope::Batch("311".parse().unwrap()),
        reason: "swab".to_owned(),
        cause: None,
    });
    let stop = floor.scan("W.311-01");
    assert!(
        stop.starts_with("STOP  wheel 311-01 is under hold LAB"),
        "{stop}"
    );
    floor.now += Duration::minutes(1);
    let lifted = facts::HoldLifted {
        hold: "LAB".parse().unwrap(),
        wheels: Vec::new(),
        reason: "clean".to_owned(),
    };
    floor.hears(lifted.clone());
    assert!(
        floor.scan("W.311-01").starts_with("STOP"),
        "nobody lifted it"
    );
    floor.hears_of(Some("09"), lifted);
    assert!(floor.scan("W.311-01").starts_with("OK"));
}

#[test]
fn nothing_leaves_for_nobody_and_the_answer_says_what_to_scan_next() {
    for market in [None, Some("M.NORTH")] {
        let mut floor = Floor::with_a_stillage();
        floor.scans(&["P.17", "A.DISPATCH"]);
        market.map(|market| floor.scan(market));
        assert_eq!(
            floor.scan("S.S1"),
            "STOP  4 wheels on S1 for no order: nothing recorded, nothing may leave. Scan the order, then this again. Without an order a signed-in manager at a browser station types D.CUSTOMER and the reason"
        );
        assert!(floor.facts.is_empty());
        floor.scan("O.77");
        assert_eq!(
            floor.scan("S.S1"),
            "OK  4 wheels on S1 dispatched for order 77"
        );
    }
}

#[test]
fn only_a_signed_in_manager_sends_without_an_order_to_a_customer_and_with_a_reason() {
    let pin = "WRONG  DISPATCH without an order needs a signed-in manager: scan the order first, or use a browser station";
    let role = "WRONG  DISPATCH without an order needs a manager: ask one";
    for (signed_in, words) in [
        (None, pin),
        (Some(Role::Operator), role),
        (Some(Role::Ironer), role),
    ] {
        let mut floor = Floor::with_a_stillage();
        if let Some(role) = signed_in {
            floor.sign_in("17", role);
        }
        assert_eq!(floor.scans(&["A.DISPATCH", "D.HARBOUR at the door"]), words);
        assert!(floor.scan("W.311-01").starts_with("STOP"));
        assert!(floor.facts.is_empty());
    }
    let mut floor = Floor::with_a_stillage();
    floor.sign_in("M1", Role::Manager);
    let mut floor = conversation(
        floor,
        &[
            ("A.DISPATCH", "NEXT  DISPATCH: scan the order"),
            (
                "D.HARBOUR",
                "WRONG  customer HARBOUR without an order: type the reason behind it, such as D.HARBOUR sold at the door",
            ),
            (
                "D.HARBOUR their order was lost",
                "NEXT  DISPATCH, customer HARBOUR: scan the wheels",
            ),
            ("W.311-01", "OK  wheel 311-01 dispatched to HARBOUR"),
        ],
        &["wheel.dispatched 311-01"],
    );
    let Event::WheelDispatched(sent) = &floor.facts[0].event else {
        panic!("{:?}", floor.facts);
    };
    let sale = sent.sale.as_ref().unwrap();
    assert_eq!(
        (sale.customer.as_str(), sale.reason.as_str()),
        ("HARBOUR", "their order was lost")
    );
    assert_eq!(sent.order, None);
    // Somebody who is no manager, at the same device, with the same action set.
    floor.sign_in("17", Role::Operator);
    assert!(!floor.scan("W.311-02").starts_with("OK"));
    assert_eq!(floor.facts.len(), 1);
}

#[test]
fn what_is_not_fit_to_leave_stays_where_there_is_no_dispatch_desk_either() {
    let mut floor = Floor::with_a_batch();
    floor.scans(&["P.17", "A.DISPATCH", "O.77"]);
    let stays = |floor: &mut Floor, line: &str, why: &str| {
        assert_eq!(
            floor.scan(line),
            format!("STOP  {why}: nothing recorded, none may leave. Set aside")
        );
        assert!(floor.facts.is_empty());
    };
    stays(
        &mut floor,
        "W.311-01",
        "311-01 is in hoop H1 by the records",
    );
    stays(
        &mut floor,
        "K.K1",
        "311-01 is in hoop H1 by the records (and 3 wheels more)",
    );
    stays(&mut floor, "W.999-01", "999-01 is not known here");
    let mut floor = Floor::with_a_batch();
    floor.scans(&["A.UNHOOP", "W.311-01", "P.17", "A.DISPATCH", "O.77"]);
    floor.facts.clear();
    stays(&mut floor, "W.311-01", "311-01 is not graded");
    let graded = |floor: &mut Floor, grade| {
        let (wheels, via) = (vec![wheel("311-01")], None);
        floor.hears(WheelGraded { wheels, via, grade });
    };
    graded(&mut floor, Grade::Reject);
    stays(&mut floor, "W.311-01", "311-01 was graded REJECT");
    floor.now += Duration::minutes(1);
    graded(&mut floor, Grade::A);
    assert!(floor.scan("W.311-01").starts_with("OK"));
}

#[test]
fn a_wheel_younger_than_the_law_of_its_market_asks_stays() {
    let mut floor = Floor::with_a_stillage();
    let mut setup = setup();
    let markets = [("NORTH", 0), ("EXPORT", 46)].map(|(id, least)| (id.parse().unwrap(), least));
    setup.youngest = [("blue".parse().unwrap(), markets.into())].into();
    floor.restart_with(setup);
    floor.scans(&["P.17", "A.DISPATCH", "O.77", "M.EXPORT"]);
    floor.now += Duration::days(45);
    assert_eq!(
        floor.scan("W.311-01"),
        "STOP  311-01 is 45 days old, and the law asks for 46: nothing recorded, none may leave. Set aside"
    );
    floor.now += Duration::days(1);
    assert!(floor.scan("W.311-01").starts_with("OK"));
}

#[test]
fn dispatch_is_refused_at_its_card_while_the_broker_is_away_and_leaves_nothing_armed() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["P.17", "A.MOVE", "R.R2"]);
    floor.reach = Reach::Away;
    assert_eq!(
        floor.scan("A.DISPATCH"),
        "STOP  DISPATCH needs the broker, which is away: holds cannot be checked, nothing may leave. Wait until it is back, then scan DISPATCH again"
    );
    assert_eq!(
        floor.scan("W.311-01"),
        "WRONG  wheel 311-01, but no action yet: scan an action card such as TURN, then scan this again"
    );
    assert_eq!(
        floor.scans(&["A.TURN", "S.S1"]),
        "OK  4 wheels on S1 turned"
    );
    // It goes away, or is not read to its end, after the card.
    for (reach, words) in [
        (
            Reach::Away,
            "STOP  holds cannot be checked while the broker is away",
        ),
        (Reach::Behind, "STOP  holds cannot be checked yet"),
    ] {
        let mut floor = dispatching();
        floor.reach = reach;
        assert!(floor.scan("S.S1").starts_with(words));
        assert!(floor.facts.is_empty());
        floor.reach = Reach::Current;
        assert!(floor.scan("S.S1").starts_with("OK"));
    }
}

#[test]
fn neither_dispatch_nor_release_is_ever_taken_from_a_kept_scan() {
    let mut floor = dispatching();
    floor.kept = Kept::LineDown;
    floor.now = at("2026-03-03T09:00:00Z");
    let never = |action: &str| {
        format!(
            "STOP  {action} is never taken from scans that were kept offline: nothing recorded. If it was done all the same, tell a manager now"
        )
    };
    assert_eq!(
        floor.scan("@2026-03-03T08:00:00Z W.311-02"),
        never("DISPATCH")
    );
    // The card itself, kept: refused, and what follows it is nothing.
    assert_eq!(
        floor.scan("@2026-03-03T08:01:00Z A.DISPATCH"),
        never("DISPATCH")
    );
    assert_eq!(floor.session.action(), None);
    floor.scan("@2026-03-03T08:02:00Z O.77");
    floor.scan("@2026-03-03T08:03:00Z W.311-02");
    floor.kept = Kept::Counter;
    floor.sign_in("M1", Role::Manager);
    assert_eq!(
        floor.scan("@2026-03-03T08:10:00Z A.RELEASE"),
        never("RELEASE")
    );
    floor.scans(&["A.RELEASE", "Q.Q-BORN"]);
    assert_eq!(
        floor.scan("@2026-03-03T08:12:00Z W.311-02"),
        never("RELEASE")
    );
    assert!(floor.facts.is_empty());
}

#[test]
fn a_slow_clock_does_not_get_round_the_dispatch_desk() {
    let mut floor = dispatching();
    let mut setup = setup();
    setup.dispatch_desk = true;
    floor.restart_with(setup);
    floor.desk = Some(Stays::default());
    floor.scans(&["P.17", "A.DISPATCH", "O.77"]);
    floor.desk = Some(Stays {
        reasons: vec!["311-01: reserved for order 9".to_owned()],
    });
    floor.now = at("2026-03-03T09:00:00Z");
    for stamp in [
        "",
        "@2026-03-03T08:55:00Z ",
        "@2026-03-01T08:55:00Z ",
        "@2036-03-01T08:55:00Z ",
    ] {
        let stays = floor.scan(&format!("{stamp}W.311-01"));
        assert!(
            stays.starts_with("STOP  NOT dispatched. 311-01: reserved for order 9"),
            "{stays}"
        );
    }
    floor.desk = None;
    assert!(
        floor
            .scan("W.311-01")
            .starts_with("STOP  NOT dispatched: the dispatch desk does not answer")
    );
    assert!(floor.facts.is_empty());
    floor.desk = Some(Stays::default());
    assert!(floor.scan("W.311-01").starts_with("OK"));
}

#[test]
fn what_the_desk_said_counts_only_for_what_it_was_asked() {
    let mut floor = dispatching();
    let mut setup = setup();
    setup.dispatch_desk = true;
    floor.restart_with(setup);
    floor.desk = Some(Stays::default());
    floor.scans(&["P.17", "A.DISPATCH", "O.77"]);
    let ask = |floor: &mut Floor, asked: Option<&station::Asked>| {
        let scan = Scan {
            asked,
            ..Scan::new("S.S1", floor.now)
        };
        floor.session.scan(&floor.placement, &scan)
    };
    let first = ask(&mut floor, None);
    let leaving: Leaving = first.asks.clone().unwrap();
    assert!(first.drafts.is_empty());
    assert_eq!(leaving.order, "77".parse().ok());
    assert_eq!(leaving.wheels.len(), 4);
    let said = Some(Stays::default());
    let asked = station::Asked { leaving, said };
    // Meanwhile a wheel is put on the stillage, or another order is scanned.
    let mut other = floor.session.clone();
    std::mem::swap(&mut floor.session, &mut other);
    floor.scan("O.78");
    assert!(ask(&mut floor, Some(&asked)).asks.is_some());
    std::mem::swap(&mut floor.session, &mut other);
    assert!(ask(&mut floor, Some(&asked)).asks.is_none());
    floor.hears(facts::WheelLoaded {
        wheels: vec![wheel("311-04")],
        stillage: "S9".parse().unwrap(),
    });
    let again = ask(&mut floor, Some(&asked));
    assert_eq!(again.asks.unwrap().wheels.len(), 3);
    assert!(again.drafts.is_empty());
}

#[test]
fn a_wheel_that_never_left_does_not_leave_its_hoop_by_a_return() {
    let mut floor = Floor::with_a_batch();
    floor.scans(&["P.17", "A.RETURN", "W.311-01"]);
    floor.hears(WheelGraded {
        wheels: vec![wheel("311-01")],
        via: None,
        grade: Grade::A,
    });
    let answer = floor.scans(&["A.DISPATCH", "O.77", "W.311-01"]);
    assert!(
        answer.starts_with("STOP  311-01 is in hoop H1 by the records"),
        "{answer}"
    );
}

#[test]
fn what_came_back_leaves_again_only_when_it_is_graded_again() {
    let mut floor = dispatching();
    floor.scans(&["W.311-01", "A.RETURN", "W.311-01"]);
    let again = ["A.DISPATCH", "O.77", "W.311-01"];
    let answer = floor.scans(&again);
    assert!(answer.starts_with("STOP  311-01 is not graded"), "{answer}");
    floor.hears(WheelGraded {
        wheels: vec![wheel("311-01")],
        via: None,
        grade: Grade::A,
    });
    assert!(floor.scans(&again).starts_with("OK"));
}

#[test]
fn nobody_lets_anything_leave() {
    let mut floor = Floor::with_a_stillage().nobodys();
    assert_eq!(
        floor.scan("A.DISPATCH"),
        "WRONG  DISPATCH needs a badge: scan your badge first"
    );
    let answer = floor.scans(&["O.77", "W.311-01"]);
    assert!(answer.starts_with("WRONG"), "{answer}");
    assert!(floor.recorded().is_empty());
}

/// A name that the dispatch desk does not know is refused when it is scanned, and no wheel goes
/// under the one before.
#[test]
fn an_order_customer_or_market_that_nobody_knows_is_refused_when_it_is_scanned() {
    let unknown = "there is no such thing; did you mean another?";
    let mut floor = dispatching();
    let mut setup = setup();
    setup.dispatch_desk = true;
    floor.restart_with(setup);
    floor.sign_in("M1", Role::Manager);
    for scan in ["O.NOSUCH", "D.NOSUCH at the door", "M.NOSUCH"] {
        floor.desk = Some(Stays::default());
        floor.scans(&["A.DISPATCH", "M.NORTH", "O.77"]);
        floor.desk = Some(Stays {
            reasons: vec![unknown.to_owned()],
        });
        assert_eq!(floor.scan(scan), format!("WRONG  {unknown}"));
        floor.desk = Some(Stays::default());
        let answer = floor.scan("W.311-01");
        assert!(
            answer.starts_with("STOP  wheel 311-01 for no order"),
            "{answer}"
        );
        // Nobody answers: nothing is taken on trust.
        floor.desk = None;
        let answer = floor.scan(scan);
        assert!(answer.starts_with("STOP  NOT dispatched"), "{answer}");
        floor.reach = Reach::Away;
        let answer = floor.scan(scan);
        assert!(answer.starts_with("STOP  the dispatch desk"), "{answer}");
        floor.reach = Reach::Current;
    }
    assert!(floor.facts.is_empty());
    // Without a desk, a market is one of a recipe's.
    let mut setup = crate::floor::setup();
    setup.youngest = [(
        "blue".parse().unwrap(),
        [("NORTH".parse().unwrap(), 0)].into(),
    )]
    .into();
    floor.restart_with(setup);
    assert_eq!(
        floor.scans(&["A.DISPATCH", "M.NORHT"]),
        "WRONG  there is no market NORHT; did you mean NORTH? Nothing recorded"
    );
    assert!(floor.scan("M.north").starts_with("NEXT"));
}

#[test]
fn a_hold_that_nobody_set_is_released_by_nobody() {
    let mut floor = Floor::with_a_stillage();
    floor.scans(&["A.HOLD", "Q.Q7", "W.311-01"]);
    floor.sign_in("M1", Role::Manager);
    assert_eq!(
        floor.scans(&["A.RELEASE", "Q.Q8"]),
        "WRONG  there is no hold Q8; did you mean Q7? Nothing recorded"
    );
    assert!(floor.scan("W.311-01").starts_with("WRONG"));
    floor.reach = Reach::Behind;
    assert!(floor.scan("Q.Q8").ends_with("Scan it again in a moment"));
    floor.reach = Reach::Away;
    assert!(floor.scan("Q.Q8").contains("while the broker is away"));
    assert_eq!(floor.facts.len(), 1);
    assert!(floor.scans(&["Q.q7", "W.311-01"]).starts_with("OK"));
}

#[test]
fn an_order_that_nobody_placed_is_refused_where_no_dispatch_desk_knows_it() {
    let mut floor = dispatching();
    let placed = floor.hears(OrderPlaced {
        order: "O-12".parse().unwrap(),
        customer: "HARBOUR".to_owned(),
        market: "NORTH".parse().unwrap(),
        arrive_on: floor.now.date_naive(),
        lines: Vec::new(),
        standing: None,
    });
    let unknown = "WRONG  there is no order NOPE; did you mean O-12? Nothing recorded";
    assert_eq!(floor.scans(&["P.17", "A.DISPATCH", "O.NOPE"]), unknown);
    let answer = floor.scan("W.311-01");
    assert!(
        answer.starts_with("STOP  wheel 311-01 for no order"),
        "{answer}"
    );
    // The order before is not what was meant either.
    floor.scans(&["A.DISPATCH", "O.o-12", "O.NOPE"]);
    assert!(floor.scan("W.311-01").starts_with("STOP"));
    assert!(floor.facts.is_empty());
    // Known after a restart too, and no longer once it never was.
    floor.restart_with(setup());
    let answer = floor.scans(&["A.DISPATCH", "O.O-12", "W.311-01"]);
    assert!(
        answer.starts_with("OK  wheel 311-01 dispatched"),
        "{answer}"
    );
    floor.hears(OrderPlaced {
        order: "O-13".parse().unwrap(),
        customer: "HARBOUR".to_owned(),
        market: "NORTH".parse().unwrap(),
        arrive_on: floor.now.date_naive(),
        lines: Vec::new(),
        standing: None,
    });
    floor.hears(Voided {
        fact: placed.id,
        reason: "entered twice".to_owned(),
    });
    let answer = floor.scans(&["A.DISPATCH", "O.O-12"]);
    assert!(
        answer.starts_with("WRONG  there is no order O-12"),
        "{answer}"
    );
}

/// A hold HROOM lies over a room since yesterday, and it was worked out whom it keeps.
fn a_room_is_held(floor: &mut Floor, room: &str) {
    let window = facts::Window {
        from: floor.now - Duration::days(1),
        to: None,
    };
    let placed = floor.hears_of(
        Some("17"),
        facts::HoldPlaced {
            hold: "HROOM".parse().unwrap(),
            scope: facts::Scope::Room {
                room: room.parse().unwrap(),
                window,
            },
            reason: "mould on the wall".to_owned(),
            cause: None,
        },
    );
    floor.now += Duration::minutes(1);
    floor.hears(facts::HoldTraced {
        hold: "HROOM".parse().unwrap(),
        placed: placed.id,
        wheels: 0,
    });
}

#[test]
fn what_brought_a_wheel_under_a_hold_is_not_undone_at_a_station() {
    let mut floor = Floor::with_a_stillage();
    a_room_is_held(&mut floor, "R2");
    floor.now += Duration::minutes(1);
    let undone = floor.scans(&["P.17", "A.MOVE", "R.R2", "W.311-01", "A.UNDO"]);
    assert!(
        undone.starts_with("WRONG  not undone: ") && undone.contains("311-01 is held under HROOM"),
        "{undone}"
    );
    let mut floor = Floor::with_a_stillage();
    let undone = floor.scans(&["P.17", "A.MOVE", "R.R2", "W.311-01", "A.UNDO"]);
    assert!(undone.starts_with("OK  undone: "), "{undone}");
}

#[test]
fn a_release_ends_what_came_before_it_and_nothing_that_comes_later() {
    let mut floor = Floor::with_a_stillage();
    a_room_is_held(&mut floor, "R3");
    let rule = setup().holds;
    let moves = |floor: &mut Floor, room: &str| {
        floor.now += Duration::minutes(1);
        floor.hears(facts::WheelMoved {
            wheels: vec![wheel("311-01")],
            via: None,
            room: room.parse().unwrap(),
            position: None,
        });
        !floor.placement.held(wheel("311-01"), &rule).is_empty()
    };
    let releases = |floor: &mut Floor| {
        floor.now += Duration::minutes(1);
        floor.hears_of(
            Some("17"),
            WheelReleased {
                wheels: vec![wheel("311-01")],
                hold: "HROOM".parse().unwrap(),
                reason: "looked at".to_owned(),
            },
        );
        !floor.placement.held(wheel("311-01"), &rule).is_empty()
    };
    // Released without ever having been there: that exempts it from nothing.
    assert!(!releases(&mut floor));
    assert!(moves(&mut floor, "R3"));
    // Released while it is there, and scanned there again: it stays released.
    assert!(!releases(&mut floor));
    assert!(!moves(&mut floor, "R3"));
    // Out and in again: held again.
    assert!(!moves(&mut floor, "R2"));
    assert!(moves(&mut floor, "R3"));
}
