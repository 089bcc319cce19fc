//! Who gets which wheels.

use dispatch::Yesterday;
use facts::{AgeRange, Grade, Mixing, Promised, WeightRange};
use quantity::Grams;

use crate::given::{Given, kilograms, short, wheels, words};

fn told(batch: &str, wheels: u32, leave_on: &str) -> Promised {
    Promised {
        line: 1,
        batch: batch.parse().unwrap(),
        grade: Grade::A,
        wheels,
        leave_on: leave_on.parse().unwrap(),
        lane: "NORTH-ROAD".parse().unwrap(),
    }
}

#[test]
fn the_oldest_that_fit_leave_first() {
    let mut given = Given::default();
    given.batch("300", 70, 30, Some(Grade::A));
    given.batch("310", 66, 30, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(20));
    given.order("2", "HARBOUR", "2026-03-06", &wheels(20));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "1"), "20 of 300");
    assert_eq!(words(&allocation, "2"), "10 of 300, 10 of 310");
    assert_eq!(allocation.objective, allocation.bound);
}

/// An order that only younger wheels reach in time is no breach, and the other gets the
/// older ones.
#[test]
fn an_older_batch_that_does_not_fit_is_passed_over() {
    let mut given = Given::default();
    given.batch("300", 80, 20, Some(Grade::A));
    given.batch("310", 62, 20, Some(Grade::A));
    let mut young = wheels(20);
    young.age_days = Some(AgeRange {
        least_days: 60,
        most_days: 70,
    });
    given.order("1", "HARBOUR", "2026-03-03", &young);
    given.order("2", "HARBOUR", "2026-03-05", &wheels(20));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "1"), "20 of 310");
    assert_eq!(words(&allocation, "2"), "20 of 300");
}

#[test]
fn a_held_wheel_is_never_given_and_the_shortage_says_so() {
    let mut given = Given::default();
    given.batch("300", 70, 24, Some(Grade::A));
    given.hold("300");
    given.batch("310", 66, 10, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(24));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "1"), "10 of 310");
    assert_eq!(short(&allocation, "1"), 14);
    let shortage = allocation.lines[0].shortage.clone().unwrap();
    assert!(
        shortage
            .words
            .starts_with("short 14: 24 of batch 300 are under hold LAB1"),
        "{}",
        shortage.words
    );
}

#[test]
fn a_late_batch_is_named_with_what_would_help() {
    let mut given = Given::default();
    given.batch("318", 60, 60, None);
    given.ready("318", [("2026-03-12", 0.6), ("2026-03-19", 1.0)]);
    given.batch("321", 64, 20, Some(Grade::B));
    given.batch("311", 70, 46, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(60));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "1"), "46 of 311");
    let shortage = allocation.lines[0].shortage.clone().unwrap();
    assert_eq!(
        shortage.words,
        "short 14: batch 318 (60 wheels) is 9 days late: likely ready on Thu 12 Mar 2026; \
         options: 14 of batch 321 at grade B, split: 46 now and 14 for Fri 13 Mar 2026"
    );
}

#[test]
fn what_the_customer_was_told_stays_though_another_would_be_better() {
    let mut given = Given::default();
    given.batch("300", 70, 30, Some(Grade::A));
    given.batch("310", 66, 30, Some(Grade::A));
    let promised = vec![told("310", 20, "2026-03-05")];
    given.order_told("2", "HARBOUR", "2026-03-06", &wheels(20), promised);
    given.order("1", "HARBOUR", "2026-03-04", &wheels(30));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "2"), "20 of 310");
    assert_eq!(words(&allocation, "1"), "30 of 300");
    assert!(allocation.lines[1].assigned[0].locked);
}

/// Found by a person: the heavy wheel serves the one order, the light one both, and each was
/// told that it has what it asked for.
#[test]
fn what_was_promised_together_stays_possible_together() {
    let mut light_only = wheels(1);
    light_only.each_g = Some(WeightRange {
        least_g: Grams::new(3_300).unwrap(),
        most_g: Grams::new(3_800).unwrap(),
    });
    let mut given = Given::default();
    given.batch("310", 66, 2, Some(Grade::A));
    given
        .of("310")
        .zip([3_400, 4_100])
        .for_each(|(cheese, grams)| cheese.weight_g = grams);
    let one = || vec![told("310", 1, "2026-03-05")];
    given.order_told("1", "HARBOUR", "2026-03-06", &wheels(1), one());
    given.order_told("2", "HARBOUR", "2026-03-06", &light_only, one());
    let allocation = given.allocate();
    assert_eq!((short(&allocation, "1"), short(&allocation, "2")), (0, 0));
}

#[test]
fn a_wheel_that_was_reserved_by_name_serves_its_order_only_where_it_fits() {
    let mut given = Given::default();
    given.batch("300", 70, 2, Some(Grade::A));
    given.batch("200", 400, 1, Some(Grade::A));
    given.batch("390", 20, 1, Some(Grade::A));
    let of_order = Some("9".parse().unwrap());
    for batch in ["200", "390"] {
        given.of(batch).for_each(|c| c.reserved = of_order);
    }
    let heavy = given.of("300").next().unwrap();
    (heavy.weight_g, heavy.reserved) = (4_800, of_order);
    let mut line = wheels(1);
    line.each_g = Some(WeightRange {
        least_g: Grams::new(3_900).unwrap(),
        most_g: Grams::new(4_100).unwrap(),
    });
    given.order("9", "FARSHORE", "2026-03-12", &line);
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "9"), "1 of 300");
    let part = &allocation.lines[0].assigned[0];
    assert_eq!(part.grams, 4_000);
    let left = allocation
        .left
        .iter()
        .filter(|left| left.reserved == of_order);
    assert_eq!(left.map(|left| left.count).sum::<usize>(), 3);
}

/// What can no longer be kept word for word is kept by other wheels, before any order whose
/// customer knows nothing yet.
#[test]
fn a_broken_word_comes_before_other_orders() {
    let mut given = Given::default();
    given.batch("310", 66, 20, Some(Grade::A));
    given.hold("310");
    given.batch("312", 64, 20, Some(Grade::A));
    let promised = vec![told("310", 20, "2026-03-05")];
    given.order_told("2", "HARBOUR", "2026-03-06", &wheels(20), promised);
    given.order("1", "HARBOUR", "2026-03-04", &wheels(20));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "2"), "20 of 312");
    assert_eq!(short(&allocation, "1"), 20);
}

#[test]
fn wheels_reserved_by_name_go_to_their_order_only() {
    let mut given = Given::default();
    given.batch("300", 70, 30, Some(Grade::A));
    given
        .of("300")
        .take(12)
        .for_each(|c| c.reserved = Some("9".parse().unwrap()));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(30));
    given.order("9", "HARBOUR", "2026-03-11", &wheels(12));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "9"), "12 of 300");
    assert_eq!(short(&allocation, "1"), 12);
}

/// Two thirds of the batch may be expected as grade A, and only so many are promised.
#[test]
fn ungraded_wheels_are_promised_by_the_grades_to_be_expected() {
    let mut given = Given::default();
    given.batch("320", 60, 60, None);
    given.ready("320", [("2026-03-05", 0.9)]);
    given
        .grades
        .note("larkholm-blue".parse().unwrap(), Grade::A, 20);
    given
        .grades
        .note("larkholm-blue".parse().unwrap(), Grade::B, 10);
    given.order("1", "HARBOUR", "2026-03-11", &wheels(60));
    let allocation = given.allocate();
    assert_eq!(words(&allocation, "1"), "40 of 320");
    let part = &allocation.lines[0].assigned[0];
    assert!(!part.graded && part.wheels.is_empty());
    assert!(
        part.because.contains("expected as grade A"),
        "{}",
        part.because
    );
}

#[test]
fn a_wheel_leaves_later_by_the_same_lane_when_it_is_not_ready_for_the_first() {
    let mut given = Given::default();
    given.batch("320", 60, 20, None);
    given.ready("320", [("2026-03-05", 1.0)]);
    // Wednesday's lorry is sure enough to be there on Thursday; the batch leaves one later.
    given.order("1", "HARBOUR", "2026-03-05", &wheels(20));
    let allocation = given.allocate();
    let part = &allocation.lines[0].assigned[0];
    assert_eq!(part.leave_on, crate::given::day("2026-03-05"));
    assert!(part.on_time < 0.5);
    assert!(
        part.because
            .contains("not ready to leave on Wed 4 Mar 2026"),
        "{}",
        part.because
    );
}

#[test]
fn a_line_by_weight_comes_as_near_as_whole_wheels_allow() {
    let mut given = Given::default();
    given.batch("300", 70, 40, Some(Grade::A));
    let weights: Vec<u32> = (0..40).map(|n| 3_500 + 25 * n).collect();
    let cheeses = given.of("300").zip(weights);
    cheeses.for_each(|(cheese, grams)| cheese.weight_g = grams);
    given.order("1", "HARBOUR", "2026-03-04", &kilograms(60));
    let allocation = given.allocate();
    let line = &allocation.lines[0];
    assert_eq!(line.assigned_count(), 15);
    assert!(line.grams().abs_diff(60_000) <= 200, "{} g", line.grams());
}

#[test]
fn only_wheels_of_the_weight_that_was_ordered_are_given() {
    let mut given = Given::default();
    given.batch("300", 70, 20, Some(Grade::A));
    let weights = (0..20).map(|n| 3_000 + 100 * n);
    given
        .of("300")
        .zip(weights)
        .for_each(|(c, grams)| c.weight_g = grams);
    let mut line = wheels(10);
    line.each_g = Some(WeightRange {
        least_g: Grams::new(3_500).unwrap(),
        most_g: Grams::new(3_900).unwrap(),
    });
    given.order("1", "HARBOUR", "2026-03-04", &line);
    let allocation = given.allocate();
    let given_wheels: Vec<_> = allocation.lines[0]
        .assigned
        .iter()
        .flat_map(|a| &a.wheels)
        .collect();
    assert_eq!(given_wheels.len(), 5);
    for cheese in &given.cheeses {
        let within = (3_500..=3_900).contains(&cheese.weight_g);
        assert_eq!(given_wheels.contains(&&cheese.wheel), within);
    }
    let shortage = allocation.lines[0].shortage.clone().unwrap();
    assert!(
        shortage.words.contains("of batch 300 that weigh"),
        "{}",
        shortage.words
    );
}

#[test]
fn a_limit_on_mixing_batches_is_kept() {
    let mut given = Given::default();
    for (batch, age, count) in [
        ("300", 70, 10),
        ("301", 69, 25),
        ("302", 68, 10),
        ("303", 67, 30),
    ] {
        given.batch(batch, age, count, Some(Grade::A));
    }
    let mut line = wheels(40);
    line.mixing = Some(Mixing {
        most_batches: Some(2),
        least_per_batch: None,
    });
    given.order("1", "HARBOUR", "2026-03-04", &line);
    let allocation = given.allocate();
    assert_eq!(short(&allocation, "1"), 0);
    assert_eq!(
        allocation.lines[0].assigned.len(),
        2,
        "{}",
        words(&allocation, "1")
    );
    // The oldest first would take four batches: this costs age order, and says so.
    assert!(allocation.bound < allocation.objective);
    assert_eq!(allocation.bound.0[..3], allocation.objective.0[..3]);

    line.mixing = Some(Mixing {
        most_batches: None,
        least_per_batch: Some(12),
    });
    given.lines.clear();
    given.order("1", "HARBOUR", "2026-03-04", &line);
    let allocation = given.allocate();
    for part in &allocation.lines[0].assigned {
        assert!(part.count >= 12, "{}", words(&allocation, "1"));
    }
    assert_eq!(short(&allocation, "1"), 0);
}

#[test]
fn what_was_planned_yesterday_is_not_changed_without_need() {
    let mut given = Given::default();
    given.batch("300", 70, 20, Some(Grade::A));
    given.order("1", "HARBOUR", "2026-03-04", &wheels(10));
    given.order("2", "TWOBELLS", "2026-03-04", &wheels(10));
    let first = given.allocate();
    // Exchange what both were given: as good as before, and now it is yesterday's.
    let mut other = first.clone();
    let one = other.lines[0].assigned[0].wheels.clone();
    let two = std::mem::replace(&mut other.lines[1].assigned[0].wheels, one);
    other.lines[0].assigned[0].wheels = two;
    given.yesterday = Yesterday::of(&other);
    let again = given.allocate();
    for line in 0..2 {
        let sorted = |allocation: &dispatch::Allocation| {
            let mut wheels = allocation.lines[line].assigned[0].wheels.clone();
            wheels.sort();
            wheels
        };
        assert_eq!(sorted(&again), sorted(&other));
    }
    assert_eq!(again.objective.0[5], 0);
}

#[test]
fn what_is_left_and_will_be_too_old_is_told() {
    let mut given = Given::default();
    given.batch("300", 70, 20, Some(Grade::A));
    given.batch("340", 10, 20, None);
    given.order("1", "HARBOUR", "2026-03-04", &wheels(5));
    let allocation = given.allocate();
    let left: Vec<_> = allocation
        .left
        .iter()
        .map(|l| (l.count, l.past_best))
        .collect();
    assert_eq!(left, [(15, true), (20, false)]);
    // 15 wheels of 4 kg, in hectograms.
    assert_eq!(allocation.objective.0[4], 15 * 40);
}
