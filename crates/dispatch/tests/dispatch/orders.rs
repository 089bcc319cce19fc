//! Orders: imported, changed, cancelled, in any order.

use dispatch::check::{Desk, Known};
use dispatch::import::{Import, Purpose, import};
use dispatch::orders::Odd;
use dispatch::wanted::Amount;
use dispatch::{OrderBook, open_lines};
use facts::{
    AgeRange, Event, Fact, FactId, OrderCancelled, OrderChanged, OrderConfirmed, OrderPlaced,
    Standing, Voided, WeightRange, WheelDispatched,
};
use proptest::prelude::*;
use quantity::Grams;
use recipe::RecipeBook;

use crate::given::{clock, customers, day, kilograms, monday, recipe, wheels};

const HEADS: &str = "order,customer,arrive_on,recipe,grade,wheels,kg,age_least_days,age_most_days";

fn recipes() -> RecipeBook {
    let mut recipes = RecipeBook::default();
    recipes.add(std::sync::Arc::unwrap_or_clone(recipe()));
    recipes
}

fn read(table: &str, book: &OrderBook) -> Import {
    read_bytes(table.as_bytes(), book)
}

fn read_bytes(table: &[u8], book: &OrderBook) -> Import {
    let (customers, recipes) = (customers(), recipes());
    let desk = Desk {
        customers: &customers,
        recipes: &recipes,
        book,
        now: monday(),
    };
    import(table, &desk, Purpose::Place)
}

pub fn fact(n: u128, hour: u32, event: impl Into<Event>) -> Fact {
    let at = format!("2026-02-{:02}T{:02}:00:00Z", 1 + hour / 24, hour % 24);
    let at = at.parse().unwrap();
    Fact {
        id: format!("{n:032x}").parse::<FactId>().unwrap(),
        site: "larkholm".parse().unwrap(),
        station: "gateway".parse().unwrap(),
        station_seq: u64::try_from(n).unwrap(),
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event: event.into(),
    }
}

pub fn placed(order: &str, arrive_on: &str, lines: Vec<facts::OrderLine>) -> OrderPlaced {
    OrderPlaced {
        order: order.parse().unwrap(),
        customer: "HARBOUR".to_owned(),
        market: "NORTH".parse().unwrap(),
        arrive_on: arrive_on.parse().unwrap(),
        lines,
        standing: None,
    }
}

#[test]
fn rows_with_one_number_are_one_order() {
    let table = format!(
        "{HEADS}\n1001,HARBOUR,2026-03-11,larkholm-blue,A,24,,,\n1002,TWOBELLS,2026-03-12,larkholm-blue,B,,60,,\n1001,HARBOUR,2026-03-11,larkholm-blue,B,12,,60,70\n"
    );
    let import = read(&table, &OrderBook::default());
    assert_eq!(import.wrong, []);
    assert_eq!(import.rows, 3);
    let [first, second] = import.orders.as_slice() else {
        panic!("{:?}", import.orders);
    };
    assert_eq!(first.lines.len(), 2);
    let ages = AgeRange {
        least_days: 60,
        most_days: 70,
    };
    assert_eq!(first.lines[1].age_days, Some(ages));
    assert_eq!(second.lines[0].weight_g, Some(Grams::new(60_000).unwrap()));
    assert_eq!(second.market.as_str(), "NORTH");
}

#[test]
fn a_spreadsheet_with_semicolons_and_decimal_commas_is_read() {
    let table = "\u{feff}Order;Customer;Arrive_on;Recipe;Grade;kg\r\n7;HARBOUR;2026-03-11;larkholm-blue;a;60,5\r\n\r\n";
    let import = read(table, &OrderBook::default());
    assert_eq!(import.wrong, []);
    assert_eq!(
        import.orders[0].lines[0].weight_g,
        Some(Grams::new(60_500).unwrap())
    );
}

#[test]
fn every_wrong_row_is_told_with_row_and_column_and_the_rest_stands() {
    let rows = [
        (
            "1,HARBOUR,2026-03-01,larkholm-blue,A,10,,,",
            "2: arrive_on: 2026-03-01 is past, today is 2026-03-02",
        ),
        (
            "2,HARBOUR,2026-03-11,larkholm-blue,A,0,,,",
            "3: wheels: 0 wheels: write at least 1, or kg",
        ),
        (
            "3,NOBODY,2026-03-11,larkholm-blue,A,10,,,",
            "4: customer: there is no customer NOBODY; did you mean",
        ),
        (
            "4,HARBOUR,2026-03-11,larkholm-red,A,10,,,",
            "5: recipe: there is no recipe larkholm-red; did you mean larkholm-blue?",
        ),
        (
            "5,HARBOUR,2026-03-11,larkholm-blue,D,10,,,",
            "6: grade: \"D\": write A, B or C",
        ),
        (
            "6,HARBOUR,11.3.2026,larkholm-blue,A,10,,,",
            "7: arrive_on: \"11.3.2026\": write a day as 2026-03-04",
        ),
        (
            "7,HARBOUR,2026-03-11,larkholm-blue,A,ten,,,",
            "8: wheels: \"ten\": write a whole number",
        ),
        (
            "8,HARBOUR,2026-03-11,larkholm-blue,A,,2,,",
            "9: kg: whole wheels do not come to 2.000 kg",
        ),
        (
            "9,HARBOUR,2026-03-11,larkholm-blue,A,10,40,,",
            "10: kg: both wheels and kg",
        ),
        (
            "10,HARBOUR,2026-03-11,larkholm-blue,A,10,,60,",
            "11: age_most_days: nothing there, but age_least_days is",
        ),
        (
            "11,FARSHORE,2026-04-11,larkholm-blue,A,10,,50,59",
            "12: age_most_days: wheels of 50 to 59 days are asked for, but the law in EXPORT asks for 60 days",
        ),
        (
            "12,HARBOUR,2026-03-11,larkholm-blue,A,10,,30,40",
            "13: age_most_days: wheels of 30 to 40 days are asked for, but larkholm-blue is first cored at 56 days",
        ),
        (
            "13,FARSHORE,2026-03-03,larkholm-blue,A,10,,,",
            "14: arrive_on: no shipment arrives by Tue 3 Mar 2026",
        ),
        (
            "14,HARBOUR,2026-03-11,larkholm-blue,A,10,,,,,surplus",
            "15: 11 cells, but 9 columns",
        ),
        ("15,HARBOUR", "16: arrive_on: nothing there: write a day"),
        (
            "16,HARBOUR,2026-03-11,larkholm-blue,A,-3,,,",
            "17: wheels: \"-3\": write a whole number",
        ),
        (
            "x y,HARBOUR,2026-03-11,larkholm-blue,A,3,,,",
            "18: order: \"x y\": write 1 to 20 letters",
        ),
        (
            "17,HARBOUR,2026-03-11,larkholm-blue,A,99999,,,",
            "19: wheels: 99999 wheels on one line",
        ),
        ("99,HARBOUR,2026-03-11,larkholm-blue,A,10,,,", ""),
    ];
    let body: Vec<&str> = rows.iter().map(|(row, _)| *row).collect();
    let import = read(
        &format!("{HEADS}\n{}\n", body.join("\n")),
        &OrderBook::default(),
    );
    for (row, message) in rows.iter().filter(|(_, message)| !message.is_empty()) {
        let told = import
            .wrong
            .iter()
            .any(|wrong| wrong.to_string().starts_with(message));
        assert!(told, "{row}: {message}\n{:#?}", import.wrong);
    }
    let good: Vec<&str> = import
        .orders
        .iter()
        .map(|order| order.order.as_str())
        .collect();
    assert_eq!(good, ["99"]);
    assert_eq!(import.left_out.len(), rows.len() - 1);
}

#[test]
fn an_order_with_one_wrong_row_is_left_out_whole() {
    let table = format!(
        "{HEADS}\n1,HARBOUR,2026-03-11,larkholm-blue,A,10,,,\n1,HARBOUR,2026-03-12,larkholm-blue,A,10,,,\n"
    );
    let import = read(&table, &OrderBook::default());
    assert_eq!(import.orders, []);
    assert_eq!(import.left_out, ["1"]);
    assert_eq!(
        import.wrong[0].to_string(),
        "3: arrive_on: order 1 says otherwise in row 2: one order, one arrive_on"
    );
}

#[test]
fn a_table_that_is_none_is_told_so() {
    let message = |table: &str| {
        let import = read(table, &OrderBook::default());
        import
            .wrong
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\n")
    };
    assert!(message("").contains("1: the column order is missing"));
    assert!(message("order,customer,wheel\n").contains("\"wheel\" is no column"));
    assert!(message(&format!("{HEADS},wheels\n")).contains("the column wheels is there twice"));
    let latin = [
        HEADS.as_bytes(),
        b"\n1,HARB\xd6UR,2026-03-11,larkholm-blue,A,1,,,\n",
    ]
    .concat();
    let import = read_bytes(&latin, &OrderBook::default());
    assert!(
        import.wrong[0]
            .to_string()
            .contains("2: not readable as text"),
        "{:?}",
        import.wrong
    );
}

#[test]
fn the_same_order_again_is_nothing_new_and_another_under_its_number_is_wrong() {
    let row = "1,HARBOUR,2026-03-11,larkholm-blue,A,10,,,";
    let table = format!("{HEADS}\n{row}\n");
    let mut book = OrderBook::default();
    let order = read(&table, &book).orders.remove(0);
    book.apply(&fact(1, 0, order));
    let again = read(&table, &book);
    assert_eq!(
        (again.orders.len(), again.unchanged.len(), again.wrong.len()),
        (0, 1, 0)
    );
    let other = read(&table.replace(",10,", ",11,"), &book);
    assert!(
        other.wrong[0]
            .message
            .contains("order 1 is there with other content: change it with"),
        "{:?}",
        other.wrong
    );
}

#[test]
fn what_weighs_too_little_or_too_much_is_told_with_what_would_do() {
    let (customers, recipes, book) = (customers(), recipes(), OrderBook::default());
    let desk = Desk {
        customers: &customers,
        recipes: &recipes,
        book: &book,
        now: monday(),
    };
    let trouble = |line: facts::OrderLine| {
        let wrong = desk
            .check(&placed("1", "2026-03-11", vec![line]))
            .unwrap_err();
        wrong[0].message.clone()
    };
    let mut heavy = wheels(4);
    heavy.each_g = Some(WeightRange {
        least_g: Grams::new(8_000).unwrap(),
        most_g: Grams::new(9_000).unwrap(),
    });
    assert!(trouble(heavy).contains("no wheel of larkholm-blue weighs 8.000 kg to 9.000 kg"));
    let mut odd = kilograms(6);
    odd.each_g = Some(WeightRange {
        least_g: Grams::new(3_900).unwrap(),
        most_g: Grams::new(4_100).unwrap(),
    });
    assert_eq!(
        trouble(odd),
        "whole wheels do not come to 6.000 kg, give or take 5 %: 1 wheels weigh 3.900 kg to 4.100 kg, 2 wheels weigh 7.800 kg to 8.200 kg"
    );
    assert_eq!(
        desk.check(&placed("1", "2026-03-11", vec![kilograms(60)])),
        Ok(Known::New)
    );
}

#[test]
fn a_changed_order_is_what_it_was_changed_to_and_a_cancelled_one_is_gone() {
    let mut book = OrderBook::default();
    book.apply(&fact(1, 1, placed("1", "2026-03-11", vec![wheels(10)])));
    book.apply(&fact(
        2,
        2,
        OrderChanged {
            order: "1".parse().unwrap(),
            arrive_on: "2026-03-12".parse().unwrap(),
            lines: vec![wheels(12)],
            standing: None,
        },
    ));
    let order = book.order("1".parse().unwrap()).unwrap();
    assert_eq!(
        (order.arrive_on.to_string().as_str(), order.lines[0].wheels),
        ("2026-03-12", 12)
    );
    book.apply(&fact(
        3,
        3,
        OrderCancelled {
            order: "1".parse().unwrap(),
            reason: "closed for repairs".to_owned(),
        },
    ));
    let (lines, _) = open_lines(
        &book,
        &customers(),
        &recipes(),
        &clock(),
        monday(),
        day("2026-05-01"),
        |_| None,
    );
    assert_eq!(lines.len(), 0);
    // The cancellation was a mistake.
    book.apply(&fact(
        4,
        4,
        Voided {
            fact: format!("{:032x}", 3).parse().unwrap(),
            reason: "wrong order".to_owned(),
        },
    ));
    let (lines, _) = open_lines(
        &book,
        &customers(),
        &recipes(),
        &clock(),
        monday(),
        day("2026-05-01"),
        |_| None,
    );
    assert_eq!(lines.len(), 1);
}

#[test]
fn wheels_that_left_are_no_longer_to_come() {
    let mut book = OrderBook::default();
    let mut weekly = placed("1", "2026-02-04", vec![wheels(10)]);
    weekly.standing = Some(Standing {
        every_weeks: 1,
        until: None,
        except: Vec::new(),
    });
    book.apply(&fact(1, 1, weekly));
    let left = |n: u32| WheelDispatched {
        wheels: (0..n).map(|w| format!("w{w}").parse().unwrap()).collect(),
        via: None,
        order: Some("1".parse().unwrap()),
        market: None,
        sale: None,
    };
    // Monday 2 March, for Wednesday 4 March.
    let mut gone = fact(2, 0, left(4));
    gone.occurred_at = "2026-03-02T13:00:00Z".parse().unwrap();
    book.apply(&gone);
    let is_of = |_| {
        Some((
            "larkholm-blue".parse().unwrap(),
            Some(facts::Grade::A),
            4_000,
        ))
    };
    let (lines, _) = open_lines(
        &book,
        &customers(),
        &recipes(),
        &clock(),
        monday(),
        day("2026-03-20"),
        is_of,
    );
    let open: Vec<_> = lines
        .iter()
        .map(|l| (l.key.arrive_on.date().to_string(), l.amount))
        .collect();
    assert_eq!(
        open[open.len() - 3..],
        [
            ("2026-03-04".to_owned(), Amount::Wheels(6)),
            ("2026-03-11".to_owned(), Amount::Wheels(10)),
            ("2026-03-18".to_owned(), Amount::Wheels(10)),
        ]
    );
}

fn any_event() -> impl Strategy<Value = Event> {
    let order = prop::sample::select(vec!["1", "2"]);
    let promised = Vec::new();
    (order, 0u8..6, 1u32..4, 3u32..6).prop_map(move |(order, kind, wheels_, day)| {
        let id = order.parse().unwrap();
        let arrive_on = format!("2026-03-{:02}", day + 8);
        match kind {
            0 | 1 => placed(order, &arrive_on, vec![wheels(wheels_)]).into(),
            2 => OrderChanged {
                order: id,
                arrive_on: arrive_on.parse().unwrap(),
                lines: vec![wheels(wheels_)],
                standing: None,
            }
            .into(),
            3 => OrderConfirmed {
                order: id,
                arrive_on: arrive_on.parse().unwrap(),
                promised: promised.clone(),
            }
            .into(),
            4 => OrderCancelled {
                order: id,
                reason: "no".to_owned(),
            }
            .into(),
            _ => Voided {
                fact: format!("{wheels_:032x}").parse().unwrap(),
                reason: "mistake".to_owned(),
            }
            .into(),
        }
    })
}

proptest! {
    #[test]
    fn facts_in_any_order_and_twice_give_the_same_orders(
        events in prop::collection::vec((any_event(), 0u32..40), 0..10),
        seed in any::<u64>(),
    ) {
        let facts: Vec<Fact> = (1..).zip(events).map(|(n, (event, hour))| fact(n, hour, event)).collect();
        let mut book = OrderBook::default();
        facts.iter().for_each(|fact| book.apply(fact));
        let mut shuffled: Vec<&Fact> = facts.iter().chain(&facts).collect();
        shuffled.sort_by_key(|f| u64::try_from(f.id.uuid().as_u128()).unwrap().wrapping_mul(seed | 1).rotate_left(17));
        let mut other = OrderBook::default();
        shuffled.into_iter().for_each(|fact| other.apply(fact));
        prop_assert_eq!(book.orders().collect::<Vec<_>>(), other.orders().collect::<Vec<_>>());
    }

    #[test]
    fn no_bytes_make_the_import_panic(table in prop::collection::vec(any::<u8>(), 0..400), text in ".{0,200}") {
        read_bytes(&table, &OrderBook::default());
        read(&format!("{HEADS}\n{text}"), &OrderBook::default());
    }
}

/// On Tuesday at nine in Sydney it is still Monday by UTC.
#[test]
fn wheels_count_for_the_arrival_after_the_dairy_day_they_left_on() {
    let mut book = OrderBook::default();
    let mut weekly = placed("1", "2026-03-02", vec![wheels(2)]);
    weekly.standing = Some(Standing {
        every_weeks: 1,
        until: None,
        except: Vec::new(),
    });
    book.apply(&fact(1, 1, weekly));
    let left = WheelDispatched {
        wheels: vec!["w1".parse().unwrap(), "w2".parse().unwrap()],
        via: None,
        order: Some("1".parse().unwrap()),
        market: None,
        sale: None,
    };
    let mut gone = fact(2, 0, left);
    gone.occurred_at = "2026-03-09T22:00:00Z".parse().unwrap();
    book.apply(&gone);
    let order = book.order("1".parse().unwrap()).unwrap();
    let sent = |zone, arrival: &str| {
        let clock = quantity::DairyClock::new(zone, chrono::NaiveTime::MIN);
        order.sent_for(arrival.parse().unwrap(), &clock).count()
    };
    let sydney = chrono_tz::Australia::Sydney;
    assert_eq!(
        (sent(sydney, "2026-03-09"), sent(sydney, "2026-03-16")),
        (0, 2)
    );
    let utc = chrono_tz::UTC;
    assert_eq!((sent(utc, "2026-03-09"), sent(utc, "2026-03-16")), (2, 0));
}

/// A slip in the customers file: nobody would know the law of that market.
#[test]
fn nothing_is_planned_for_a_market_that_nobody_describes() {
    let mut book = OrderBook::default();
    let mut order = placed("1", "2026-03-11", vec![wheels(10)]);
    order.market = "EXPROT".parse().unwrap();
    book.apply(&fact(1, 1, order));
    let mut customers = customers();
    let harbour = customers.customers.values_mut().next().unwrap();
    harbour.market = "EXPROT".parse().unwrap();
    let (lines, wrong) = open_lines(
        &book,
        &customers,
        &recipes(),
        &clock(),
        monday(),
        day("2026-05-01"),
        |_| None,
    );
    assert_eq!(lines.len(), 0);
    assert!(wrong[0].1.contains("did you mean EXPORT"), "{wrong:?}");
}

#[test]
fn an_order_placed_twice_otherwise_keeps_its_first_content_and_says_so() {
    let mut book = OrderBook::default();
    book.apply(&fact(2, 9, placed("1", "2026-03-11", vec![wheels(99)])));
    book.apply(&fact(1, 1, placed("1", "2026-03-11", vec![wheels(10)])));
    let order = book.order("1".parse().unwrap()).unwrap();
    assert_eq!(order.lines[0].wheels, 10);
    assert_eq!(order.odd, [Odd::PlacedTwice]);
    let (_, wrong) = open_lines(
        &book,
        &customers(),
        &recipes(),
        &clock(),
        monday(),
        day("2026-05-01"),
        |_| None,
    );
    assert!(wrong[0].1.contains("placed a second time"));
}

#[test]
fn a_number_given_twice_is_told_for_both_orders_and_never_given_again() {
    let number = |n: u64| facts::Sscc::with_check_digit(95_060_000_000_000 + n).unwrap();
    let packed = |order: &str, case: u64, pallet: Option<u64>| facts::OrderPacked {
        order: order.parse().unwrap(),
        case: number(case),
        wheels: Vec::new(),
        pallet: pallet.map(number),
    };
    let mut book = OrderBook::default();
    let all = [
        fact(1, 0, placed("1", "2026-03-11", vec![wheels(9)])),
        fact(2, 0, placed("2", "2026-03-11", vec![wheels(9)])),
        // Two cases of one order on one pallet are as they should be.
        fact(3, 1, packed("1", 2, Some(1))),
        fact(4, 1, packed("1", 3, Some(1))),
        // Packed by someone who did not know of these yet.
        fact(5, 2, packed("2", 3, None)),
        fact(6, 2, packed("2", 1, None)),
    ];
    let odd = |book: &OrderBook, order: &str| book.order(order.parse().unwrap()).unwrap().odd;
    all[..4].iter().for_each(|fact| book.apply(fact));
    assert_eq!(odd(&book, "1"), []);
    all[4..].iter().for_each(|fact| book.apply(fact));
    // As if they had come twice.
    all.iter().for_each(|fact| book.apply(fact));
    assert_eq!(odd(&book, "1"), [Odd::NumberTwice]);
    assert_eq!(odd(&book, "2"), [Odd::NumberTwice]);
    let twice: Vec<_> = book
        .numbers_given_twice()
        .map(|(number, _)| number)
        .collect();
    assert_eq!(twice, [number(1), number(3)]);
    for (n, wrong) in [(7, 5), (8, 6)] {
        let voided = facts::Voided {
            fact: fact(wrong, 0, placed("x", "2026-03-11", vec![])).id,
            reason: "packed anew".into(),
        };
        book.apply(&fact(n, 3, voided));
    }
    assert_eq!(odd(&book, "1"), []);
    assert_eq!(
        book.case_numbers().count(),
        3,
        "a voided number stays taken"
    );
}
