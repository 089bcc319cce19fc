//! Can you? Yes, or the nearest that is.

use dispatch::promise;
use dispatch::promise::{Answer, Ask};
use facts::{Grade, OrderLine};

use crate::given::{Given, day, wheels};

fn ask(given: &Given, customer: &str, arrive_on: &str, line: OrderLine) -> Answer {
    let stock = given.stock();
    let problem = dispatch::Problem {
        now: given.now,
        until: given.until,
        cheeses: &given.cheeses,
        stock: &stock,
        lines: &given.lines,
        yesterday: &given.yesterday,
    };
    let customer = &given.customers.customers[&customer.parse().unwrap()];
    let ask = Ask {
        order: "ASKED".parse().unwrap(),
        customer,
        market: customer.market,
        line,
        arrive_on: day(arrive_on),
        certainty: 0.9,
    };
    promise(&problem, &given.customers, &given.recipe, &ask)
}

#[test]
fn yes_names_the_batches_and_how_sure_it_is() {
    let mut given = Given::default();
    given.batch("311", 66, 40, Some(Grade::A));
    given.batch("312", 64, 40, Some(Grade::A));
    let answer = ask(&given, "HARBOUR", "2026-03-11", wheels(60));
    assert!(answer.yes);
    assert_eq!(
        answer.words,
        "yes: 40 from batch 311 (grade A) and 20 from batch 312 (grade A), 94 % sure for Wed 11 Mar 2026"
    );
    assert_eq!(answer.offer.from[0].age_days, 75);
    assert_eq!(answer.offer.from[0].life_days, 45);
}

#[test]
fn what_is_ordered_already_is_not_promised_again() {
    let mut given = Given::default();
    given.batch("311", 66, 60, Some(Grade::A));
    given.order("1", "TWOBELLS", "2026-03-18", &wheels(40));
    let answer = ask(&given, "HARBOUR", "2026-03-11", wheels(60));
    assert!(!answer.yes);
    assert_eq!(answer.offer.wheels, 20);
    assert_eq!(answer.fewer.as_ref().map(|offer| offer.wheels), Some(20));
    assert!(
        answer.words.starts_with(
            "not all of it for Wed 11 Mar 2026: 20 of 60; nearest: 20 for that day (94 % sure)"
        ),
        "{}",
        answer.words
    );
}

#[test]
fn held_wheels_are_not_promised() {
    let mut given = Given::default();
    given.batch("311", 66, 60, Some(Grade::A));
    given.hold("311");
    let answer = ask(&given, "HARBOUR", "2026-03-11", wheels(60));
    assert_eq!((answer.yes, answer.offer.wheels), (false, 0));
    assert!(answer.why_not.unwrap().words.contains("under hold LAB1"));
}

#[test]
fn the_nearest_day_is_found_when_a_batch_is_not_ready_by_then() {
    let mut given = Given::default();
    given.batch("311", 60, 60, None);
    given.ready("311", [("2026-03-12", 0.6), ("2026-03-19", 0.99)]);
    let answer = ask(&given, "HARBOUR", "2026-03-11", wheels(60));
    assert!(!answer.yes);
    // Ready on Thursday the 19th, on the road a day; sure enough by Friday.
    assert_eq!(
        answer.later.as_ref().map(|offer| offer.arrive_on),
        Some(day("2026-03-20"))
    );
    assert_eq!(answer.earlier, None);
}

/// 60 days of age by law, and 9 days at sea.
#[test]
fn the_law_is_kept_whatever_is_asked() {
    let mut given = Given::default();
    given.batch("311", 45, 60, Some(Grade::A));
    let answer = ask(&given, "FARSHORE", "2026-03-12", wheels(60));
    assert_eq!(answer.offer.wheels, 0);
    let later = answer.later.unwrap();
    assert!(
        later.from.iter().all(|part| part.age_days >= 60),
        "{later:?}"
    );
}

#[test]
fn best_before_is_looked_at() {
    let mut given = Given::default();
    given.batch("311", 90, 60, Some(Grade::A));
    let mut line = wheels(10);
    line.least_life_days = Some(30);
    // 90 days old, best before 120: on Wednesday 28 days would be left.
    let answer = ask(&given, "HARBOUR", "2026-03-04", line);
    assert_eq!(answer.offer.wheels, 0);
    let why = answer.why_not.unwrap().words;
    assert!(
        why.contains("would have 28 days left before best-before"),
        "{why}"
    );
}
