//! What may leave, what is fetched, and the papers that go with it.

use dispatch::note::DispatchNote;
use dispatch::pack::{CaseNumbers, numbers_needed, pack};
use dispatch::pick::{PickList, Picking, Scanned, pick_list};
use dispatch::stock::{Kept, in_walking_order};
use dispatch::verdict::Reason;
use dispatch::{OrderBook, Verdict, may_leave};
use facts::{AgeRange, Event, Fact, Grade, Mixing, OrderPlaced, WeightRange};
use quantity::Grams;

use crate::given::{Given, day, wheels};

fn judge(given: &Given, change: impl Fn(&mut dispatch::Cheese)) -> Verdict {
    let mut cheese = given.cheeses[0].clone();
    change(&mut cheese);
    let line = &given.lines[0];
    let lane = &given.customers.lanes[&line.ways[0].lane];
    may_leave(&cheese, line, lane, given.now.today)
}

fn given(customer: &str, arrive_on: &str) -> Given {
    let mut given = Given::default();
    given.batch("300", 70, 30, Some(Grade::A));
    given.order("1", customer, arrive_on, &wheels(20));
    given
}

#[test]
fn only_a_wheel_with_nothing_against_it_may_leave() {
    let given = given("HARBOUR", "2026-03-03");
    assert_eq!(judge(&given, |_| {}), Verdict::Go { note: None });
    let stop = |change: &dyn Fn(&mut dispatch::Cheese), words: &str| {
        let verdict = judge(&given, change);
        assert!(!verdict.is_go());
        assert_eq!(verdict.words(), words);
    };
    stop(
        &|c| c.kept = Some(Kept::Held("LAB1".parse().unwrap())),
        "STOP: under hold LAB1: set it aside",
    );
    stop(
        &|c| c.awaits = Some("LISTERIA".parse().unwrap()),
        "STOP: not released from LISTERIA: a named person must release it first",
    );
    stop(
        &|c| c.kept = Some(Kept::NeedlesUncounted),
        "STOP: waiting to be looked through for metal: set it aside",
    );
    stop(
        &|c| c.kept = Some(Kept::CameBack),
        "STOP: back from a customer and not graded since: set it aside",
    );
    stop(&|c| c.grade = None, "STOP: not graded: grade it first");
    stop(
        &|c| c.grade = Some(Grade::B),
        "STOP: grade B is lower than ordered",
    );
    stop(
        &|c| c.reserved = Some("7".parse().unwrap()),
        "STOP: reserved for order 7",
    );
    // Best before 120 days, 21 left for this market: 99 days on arrival at most.
    stop(
        &|c| c.made = day("2026-03-02").plus(-99),
        "STOP: 20 days left before best-before on arrival: 21 are needed",
    );
    stop(
        &|c| std::sync::Arc::make_mut(&mut c.recipe).id = "red".parse().unwrap(),
        "STOP: it is red, which was not ordered",
    );
    let unknown = Verdict::unknown("zz".parse().unwrap());
    assert_eq!(
        unknown.words(),
        "STOP: no wheel zz stands here by the records: set it aside and ask the office"
    );
}

#[test]
fn a_wheel_past_its_best_may_leave_but_the_person_hears_of_it() {
    let given = given("HARBOUR", "2026-03-03");
    let verdict = judge(&given, |c| c.made = day("2026-03-02").plus(-90));
    assert_eq!(
        verdict.words(),
        "may leave; 91 days old on arrival, best at 58 to 84"
    );
}

#[test]
fn a_wheel_outside_what_was_ordered_stays() {
    let mut given = Given::default();
    given.batch("300", 70, 30, Some(Grade::A));
    let mut line = wheels(20);
    line.age_days = Some(AgeRange {
        least_days: 60,
        most_days: 70,
    });
    line.each_g = Some(WeightRange {
        least_g: Grams::new(3_000).unwrap(),
        most_g: Grams::new(3_900).unwrap(),
    });
    given.order("1", "HARBOUR", "2026-03-03", &line);
    let Verdict::Stop(reasons) = judge(&given, |_| {}) else {
        panic!();
    };
    assert_eq!(
        reasons,
        [Reason::Weight(4_000), Reason::OutsideWindow(71, (60, 70))]
    );
}

/// 21 CFR 133.106(a)(1): blue cheese is at least 60 days old. By air on Monday it arrives
/// on Wednesday at the earliest: at 58 days it may leave, at 57 not.
#[test]
fn the_law_of_the_market_holds_on_the_earliest_arrival() {
    let given = given("FARSHORE", "2026-03-05");
    assert_eq!(given.lines[0].ways[0].lane.as_str(), "AIR");
    assert!(judge(&given, |c| c.made = day("2026-03-02").plus(-58)).is_go());
    let young = judge(&given, |c| c.made = day("2026-03-02").plus(-57));
    assert_eq!(young, Verdict::Stop(vec![Reason::UnderAge(59, 60)]));
}

fn picking_given() -> (Given, PickList) {
    let mut given = Given::default();
    given.batch("300", 70, 4, Some(Grade::A));
    given.batch("301", 69, 4, Some(Grade::A));
    given.batch("302", 68, 4, Some(Grade::A));
    for (n, cheese) in given.cheeses.iter_mut().enumerate() {
        cheese.place.room = Some(["R4", "R3"][n % 2].parse().unwrap());
        cheese.place.position = Some(format!("P{}", n / 4).parse().unwrap());
    }
    let walk = ["R3", "R4"].map(|room| room.parse().unwrap());
    in_walking_order(&mut given.cheeses, &walk);
    let mut line = wheels(6);
    line.mixing = Some(Mixing {
        most_batches: Some(2),
        least_per_batch: None,
    });
    given.order("1", "HARBOUR", "2026-03-03", &line);
    let allocation = given.allocate();
    let list = pick_list(
        &allocation,
        &given.cheeses,
        &given.lines,
        &given.customers,
        given.now.today,
    );
    (given, list)
}

#[test]
fn the_pick_list_walks_through_the_rooms_once() {
    let (_, list) = picking_given();
    let rooms: Vec<String> = list
        .stops
        .iter()
        .map(|s| s.place.room.unwrap().to_string())
        .collect();
    let mut sorted = rooms.clone();
    sorted.sort();
    assert_eq!(rooms, sorted);
    assert_eq!(list.stops.iter().map(|s| s.wheels.len()).sum::<usize>(), 6);
    assert_eq!(list.stopped, []);
}

/// What the allocation counts on and no person has released yet is not fetched.
#[test]
fn wheels_that_may_not_leave_today_are_not_on_the_list() {
    let mut given = given("HARBOUR", "2026-03-03");
    let allocation = given.allocate();
    // A hold comes in after the allocation.
    given.hold("300");
    let list = pick_list(
        &allocation,
        &given.cheeses,
        &given.lines,
        &given.customers,
        given.now.today,
    );
    assert_eq!(list.stops, []);
    assert_eq!(list.stopped.len(), 20);
}

#[test]
fn an_ungraded_lot_must_be_graded_before_it_is_fetched() {
    let mut given = Given::default();
    given.batch("300", 70, 30, None);
    given.ready("300", [("2026-03-01", 1.0)]);
    given.order("1", "HARBOUR", "2026-03-03", &wheels(20));
    let list = pick_list(
        &given.allocate(),
        &given.cheeses,
        &given.lines,
        &given.customers,
        given.now.today,
    );
    assert_eq!(
        list.first,
        ["grade batch 300: 20 wheels of grade A are to go to order 1 line 1 for Tue 3 Mar 2026"]
    );
}

#[test]
fn each_scan_is_answered() {
    let (given, list) = picking_given();
    let mut picking =
        Picking::new(&list, "1".parse().unwrap(), &given.lines, &given.customers).unwrap();
    let find = |wheel| given.cheeses.iter().find(|c| c.wheel == wheel);
    let picks: Vec<_> = list.stops.iter().flat_map(|stop| &stop.wheels).collect();
    let first = picks[0].wheel;
    let Scanned::Picked { left, events, .. } = picking.scan(first, find(first), None) else {
        panic!();
    };
    assert_eq!(left, 5);
    assert!(matches!(&events[..], [Event::WheelAllocated(e)] if e.wheels == [first]));
    assert!(matches!(
        picking.scan(first, find(first), None),
        Scanned::Again(_)
    ));
    let foreign = "zz".parse().unwrap();
    assert!(
        matches!(picking.scan(foreign, None, None), Scanned::Stop(words) if words.contains("no wheel zz"))
    );

    // Another wheel of a batch that is on the list goes with a reason only.
    let listed = |wheel| picks.iter().any(|pick| pick.wheel == wheel);
    let batches: Vec<_> = picks.iter().map(|pick| pick.batch).collect();
    let other = given
        .cheeses
        .iter()
        .find(|c| !listed(c.wheel) && batches.contains(&c.batch))
        .unwrap();
    assert!(matches!(
        picking.scan(other.wheel, Some(other), Some("  ")),
        Scanned::NeedsReason { .. }
    ));
    let Scanned::Picked { left, events, .. } =
        picking.scan(other.wheel, Some(other), Some("rind cracked"))
    else {
        panic!();
    };
    assert_eq!(left, 4);
    assert!(
        matches!(&events[0], Event::OrderSubstituted(e) if e.took == other.wheel && e.reason == "rind cracked")
    );

    // A held wheel stays, reason or not.
    let mut held = other.clone();
    held.wheel = "held-1".parse().unwrap();
    held.kept = Some(Kept::Held("LAB1".parse().unwrap()));
    assert!(matches!(
        picking.scan(held.wheel, Some(&held), Some("please")),
        Scanned::Stop(_)
    ));

    // Fetch a wheel of the second batch; then a third batch would be one too many.
    let taken: Vec<_> = picking.taken().map(|(wheel, _)| wheel).collect();
    for pick in &picks {
        let substituted =
            matches!(&events[0], Event::OrderSubstituted(e) if e.instead_of == pick.wheel);
        if !taken.contains(&pick.wheel) && !substituted && picking.left() > 1 {
            picking.scan(pick.wheel, find(pick.wheel), None);
        }
    }
    let third = given
        .cheeses
        .iter()
        .find(|c| !batches.contains(&c.batch))
        .unwrap();
    let answer = picking.scan(third.wheel, Some(third), Some("nearer"));
    assert!(
        matches!(&answer, Scanned::Stop(words) if words.contains("one batch too many: 2 may be mixed")),
        "{answer:?}"
    );
}

#[test]
fn weights_are_caught_while_picking() {
    let (given, list) = picking_given();
    let mut picking =
        Picking::new(&list, "1".parse().unwrap(), &given.lines, &given.customers).unwrap();
    let wheel = list.stops[0].wheels[0].wheel;
    let grams = Grams::new(3_815).unwrap();
    assert_eq!(picking.weigh(wheel, grams, None), None);
    picking.scan(wheel, given.cheeses.iter().find(|c| c.wheel == wheel), None);
    assert!(
        matches!(picking.weigh(wheel, grams, None), Some(Event::WheelWeighed(e)) if e.weight_g == grams)
    );
    assert_eq!(picking.weight_of(given.lines[0].key), (3_815, None));
}

/// The note of an order whose wheels were packed.
pub fn note() -> DispatchNote {
    let mut given = given("HARBOUR", "2026-03-03");
    for (n, cheese) in (0..).zip(&mut given.cheeses) {
        cheese.weight_g = 3_900 + n * 7;
    }
    let mut book = OrderBook::default();
    let mut number = 0;
    let mut state = |event: Event| {
        number += 1;
        book.apply(&Fact {
            id: format!("{number:032x}").parse().unwrap(),
            site: "larkholm".parse().unwrap(),
            station: "office".parse().unwrap(),
            station_seq: number,
            person: None,
            occurred_at: "2026-03-01T08:00:00Z".parse().unwrap(),
            claimed_at: None,
            recorded_at: "2026-03-01T08:00:00Z".parse().unwrap(),
            event,
        });
    };
    let order = "1".parse().unwrap();
    state(
        OrderPlaced {
            order,
            customer: "HARBOUR".to_owned(),
            market: "NORTH".parse().unwrap(),
            arrive_on: "2026-03-03".parse().unwrap(),
            lines: vec![wheels(20)],
            standing: None,
        }
        .into(),
    );
    let shipper = &given.customers.shipper;
    let ids: Vec<_> = given.cheeses[..20].iter().map(|c| c.wheel).collect();
    let mut numbers = CaseNumbers::after(shipper, []);
    let given_out = numbers.reserve(numbers_needed(ids.len(), shipper)).unwrap();
    for case in pack(order, &ids, shipper, given_out).unwrap() {
        state(case.into());
    }
    let order = book.order(order).unwrap();
    let mut after = CaseNumbers::after(shipper, book.case_numbers());
    assert_eq!(after.give(), numbers.give());
    let customer = &given.customers.customers[&"HARBOUR".parse().unwrap()];
    let lane = &given.customers.lanes[&"NORTH-ROAD".parse().unwrap()];
    let gone: Vec<_> = given.cheeses[..20].iter().collect();
    DispatchNote::new(
        &order,
        customer,
        lane,
        shipper,
        Some("XX LARKHOLM-DEMO"),
        given.now.today,
        &gone,
    )
}

#[test]
fn the_note_says_what_the_next_link_of_the_chain_needs() {
    let note = note();
    assert_eq!(note.lots.len(), 1);
    assert_eq!(note.lots[0].best_before, day("2026-03-02").plus(50));
    assert_eq!(note.cases.len(), 10);
    assert_eq!(note.grams(), (0..20).map(|n| 3_900 + n * 7).sum::<u64>());
    let pdf = note.pdf();
    assert!(pdf.starts_with(b"%PDF"));
    if let Ok(path) = std::env::var("DISPATCH_NOTE_PDF") {
        std::fs::write(path, pdf).unwrap();
    }
}
