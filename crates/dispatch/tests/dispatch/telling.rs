//! What a customer is told from an allocation, and what their deliveries teach.

use chrono_tz::UTC;
use dispatch::OrderBook;
use dispatch::confirm::{NotYet, confirm};
use dispatch::transit::Journeys;
use facts::{Grade, OrderConfirmed, Promised, WheelDelivered, WheelDispatched};
use quantity::DairyClock;

use crate::given::{Given, customers, day, wheels};
use crate::orders::{fact, placed};

#[test]
fn a_customer_is_told_of_the_next_arrival_batch_by_batch() {
    let mut given = Given::default();
    given.batch("300", 64, 10, Some(Grade::A));
    given.batch("301", 62, 10, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(14));
    given.order("1", "HARBOUR", "2026-03-11", &wheels(3));
    let allocation = given.allocate();
    let order = "1".parse().unwrap();
    let told = confirm(&allocation, order, None, false).unwrap();
    assert_eq!(told.arrive_on.to_string(), "2026-03-04");
    let said: Vec<_> = told
        .promised
        .iter()
        .map(|p| (p.batch.as_str(), p.wheels, p.leave_on.to_string()))
        .collect();
    assert_eq!(
        said,
        [
            ("300", 10, "2026-03-03".to_owned()),
            ("301", 4, "2026-03-03".to_owned())
        ]
    );
    let later = confirm(&allocation, order, Some(day("2026-03-11")), false).unwrap();
    assert_eq!(later.promised.len(), 1);
    let other = confirm(&allocation, order, Some(day("2026-03-12")), false);
    assert_eq!(
        other.unwrap_err().to_string(),
        "order 1 has nothing open that arrives on Thu 12 Mar 2026; it has on 2026-03-04, 2026-03-11"
    );
    let none = confirm(&allocation, "9".parse().unwrap(), None, false);
    assert!(matches!(none, Err(NotYet::Nothing(_))));
}

#[test]
fn a_shortage_is_told_only_when_the_person_says_so() {
    let mut given = Given::default();
    given.batch("300", 64, 10, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(14));
    given.order("2", "TWOBELLS", "2026-03-04", &wheels(30));
    let allocation = given.allocate();
    let told = |order: &str, partly| confirm(&allocation, order.parse().unwrap(), None, partly);
    let (mut short, mut none) = (0, 0);
    for order in ["1", "2"] {
        match told(order, false).unwrap_err() {
            NotYet::Short { there, .. } => {
                short += 1;
                let partly = told(order, true).unwrap();
                let wheels: u32 = partly.promised.iter().map(|told| told.wheels).sum();
                assert_eq!(wheels as usize, there);
            }
            NotYet::NoWheel(why) => {
                none += 1;
                assert!(!why.is_empty());
                assert!(told(order, true).is_err());
            }
            other => panic!("{other}"),
        }
    }
    assert!(short >= 1 && short + none == 2);
}

/// Left at noon, arrived `days` later; `wheel` and `n` tell it from the others.
fn journey(book: &mut OrderBook, n: u128, wheel: &str, left: u32, days: u32) {
    let (wheels, order) = (vec![wheel.parse().unwrap()], "1".parse().ok());
    let hour = (left - 1) * 24 + 12;
    let sent = WheelDispatched {
        wheels: wheels.clone(),
        via: None,
        order,
        market: None,
        sale: None,
    };
    book.apply(&fact(n, hour, sent));
    book.apply(&fact(
        n + 1,
        hour + days * 24,
        WheelDelivered { wheels, order },
    ));
}

#[test]
fn deliveries_teach_the_lane_that_was_told_or_is_usual() {
    let clock = DairyClock::new(UTC, chrono::NaiveTime::MIN);
    let customers = customers();
    let mut book = OrderBook::default();
    book.apply(&fact(1, 0, placed("1", "2026-02-04", vec![wheels(9)])));
    // Two wheels that go together are one journey; Tuesday 3 February.
    journey(&mut book, 10, "w1", 3, 2);
    journey(&mut book, 20, "w2", 3, 2);
    journey(&mut book, 30, "w3", 10, 1);
    // Told by another lane, on Tuesday 17 February.
    book.apply(&fact(
        40,
        1,
        OrderConfirmed {
            order: "1".parse().unwrap(),
            arrive_on: "2026-02-18".parse().unwrap(),
            promised: vec![Promised {
                line: 1,
                batch: "300".parse().unwrap(),
                grade: Grade::A,
                wheels: 1,
                leave_on: "2026-02-17".parse().unwrap(),
                lane: "SOUTH-ROAD".parse().unwrap(),
            }],
        },
    ));
    journey(&mut book, 50, "w4", 17, 3);
    let journeys = Journeys::of(&book, &customers, &clock);
    let seen = |lane: &str| {
        let seen = journeys.seen(lane.parse().unwrap(), chrono::Weekday::Tue);
        seen.cloned().unwrap_or_default()
    };
    assert_eq!(seen("NORTH-ROAD"), [(1, 1), (2, 1)].into());
    assert_eq!(seen("SOUTH-ROAD"), [(3, 1)].into());
    assert_eq!(
        journeys.seen("NORTH-ROAD".parse().unwrap(), chrono::Weekday::Wed),
        None
    );
}
