//! What must hold of every allocation, whatever stands in the rooms.

use std::collections::{BTreeMap, BTreeSet};

use dispatch::fit::best_way;
use dispatch::stock::Kept;
use dispatch::wanted::Amount;
use dispatch::{Allocation, Memory, Yesterday};
use facts::{AgeRange, Grade, Mixing, Promised, WeightRange};
use proptest::prelude::*;
use quantity::Grams;

use crate::given::{Given, day, wheels};

const CUSTOMERS: [&str; 4] = ["HARBOUR", "TWOBELLS", "SOUTHGATE", "FARSHORE"];

#[derive(Debug, Clone)]
struct Batch {
    age: i64,
    wheels: usize,
    grade: Option<Grade>,
    held: bool,
    ready_in: i64,
}

#[derive(Debug, Clone)]
struct Order {
    customer: usize,
    arrive_in: i64,
    wheels: u32,
    grade: Grade,
    ages: Option<(u16, u16)>,
    mixing: Option<u16>,
    told: Option<(usize, u32)>,
}

fn any_grade() -> impl Strategy<Value = Grade> {
    prop::sample::select(vec![Grade::A, Grade::B, Grade::C])
}

fn any_batch() -> impl Strategy<Value = Batch> {
    let grade = prop::option::weighted(0.7, any_grade());
    (
        20i64..100,
        1usize..12,
        grade,
        prop::bool::weighted(0.2),
        -5i64..20,
    )
        .prop_map(|(age, wheels, grade, held, ready_in)| Batch {
            age,
            wheels,
            grade,
            held,
            ready_in,
        })
}

fn any_order() -> impl Strategy<Value = Order> {
    (
        0..CUSTOMERS.len(),
        -3i64..40,
        1u32..14,
        any_grade(),
        prop::option::weighted(0.3, (50u16..70, 70u16..90)),
        prop::option::weighted(0.3, 1u16..7),
        prop::option::weighted(0.3, (0usize..6, 1u32..10)),
    )
        .prop_map(
            |(customer, arrive_in, wheels, grade, ages, mixing, told)| Order {
                customer,
                arrive_in,
                wheels,
                grade,
                ages,
                mixing,
                told,
            },
        )
}

fn given(batches: &[Batch], orders: &[Order]) -> Given {
    let mut given = Given::default();
    for (n, batch) in batches.iter().enumerate() {
        let name = format!("B{n}");
        given.batch(&name, batch.age, batch.wheels, batch.grade);
        if batch.held {
            given.hold(&name);
        }
        let ready = given.now.today.plus(batch.ready_in);
        let readiness = dispatch::Readiness::by([(ready, 0.6), (ready.plus(7), 0.95)]);
        given.readiness.insert(name.parse().unwrap(), readiness);
    }
    for (n, order) in orders.iter().enumerate() {
        let mut line = wheels(order.wheels);
        line.grade = order.grade;
        line.age_days = order.ages.map(|(least_days, most_days)| AgeRange {
            least_days,
            most_days,
        });
        line.mixing = order.mixing.map(|limit| match limit {
            ..4 => Mixing {
                most_batches: Some(limit),
                least_per_batch: None,
            },
            _ => Mixing {
                most_batches: None,
                least_per_batch: Some(limit - 2),
            },
        });
        let arrive = given.now.today.plus(order.arrive_in).date();
        let told = order.told.map(|(batch, wheels)| Promised {
            line: 1,
            batch: format!("B{batch}").parse().unwrap(),
            grade: order.grade,
            wheels,
            leave_on: arrive,
            lane: "NORTH-ROAD".parse().unwrap(),
        });
        given.order_told(
            &n.to_string(),
            CUSTOMERS[order.customer],
            &arrive.to_string(),
            &line,
            told.into_iter().collect(),
        );
    }
    given
}

fn any_given() -> impl Strategy<Value = (Vec<Batch>, Vec<Order>)> {
    (
        prop::collection::vec(any_batch(), 0..6),
        prop::collection::vec(any_order(), 0..6),
    )
}

fn without_mixing(orders: &[Order]) -> Vec<Order> {
    let mut orders = orders.to_vec();
    orders.iter_mut().for_each(|order| order.mixing = None);
    orders
}

/// The cost of the cheapest allocation, found by trying every number of wheels from every
/// lot for every line in turn.
fn by_brute_force(given: &Given) -> [i128; 6] {
    let stock = given.stock();
    let oldest = stock.lots.iter().map(|lot| lot.made).min();
    let thousandths = |p: f64| (p * 1000.0).round() as i128;
    let mut cost = BTreeMap::new();
    let lines: Vec<_> = given.lines.iter().collect();
    for (l, line) in lines.iter().enumerate() {
        for (k, lot) in stock.lots.iter().enumerate() {
            if let Ok((way, fit)) = best_way(lot, line, given.now.today) {
                let leave = line.ways[way].leave_on;
                let mut ranks = [0; 6];
                ranks[usize::from(line.told.is_empty())] = 1000 - thousandths(fit.kept());
                ranks[2] = thousandths(fit.outside());
                let earlier = given.until.days_since(leave).max(0);
                ranks[3] = i128::from(earlier * lot.made.days_since(oldest.unwrap()));
                cost.insert((l, k), ranks);
            }
        }
    }
    let wasted = |k: usize| {
        let lot = &stock.lots[k];
        let ages = lot.recipe.dispatch_ages_for(lot.key.grade).unwrap();
        let late = lot.made.plus(ages.most) < given.until;
        if late {
            i128::from(lot.mean_g.div_ceil(100))
        } else {
            0
        }
    };
    struct Search<'a> {
        cost: &'a BTreeMap<(usize, usize), [i128; 6]>,
        wasted: &'a dyn Fn(usize) -> i128,
        told: Vec<bool>,
        mixed: &'a dyn Fn(&[Vec<i128>]) -> bool,
        given: Vec<Vec<i128>>,
        lots: usize,
        best: Option<[i128; 6]>,
    }
    impl Search<'_> {
        fn go(&mut self, l: usize, k: usize, need: &mut [i128], free: &mut [i128], sum: [i128; 6]) {
            if l == need.len() {
                let mut all = sum;
                for (told, need) in self.told.iter().zip(need.iter()) {
                    all[usize::from(!told)] += 1000 * need;
                }
                all[4] += free
                    .iter()
                    .enumerate()
                    .map(|(k, n)| n * (self.wasted)(k))
                    .sum::<i128>();
                if self.best.is_none_or(|best| all < best) && !(self.mixed)(&self.given) {
                    self.best = Some(all);
                }
                return;
            }
            if k == self.lots {
                return self.go(l + 1, 0, need, free, sum);
            }
            let each = self.cost.get(&(l, k)).copied();
            let most = each.map_or(0, |_| need[l].min(free[k]));
            for n in 0..=most {
                need[l] -= n;
                free[k] -= n;
                self.given[l][k] = n;
                let each = each.unwrap_or_default();
                self.go(
                    l,
                    k + 1,
                    need,
                    free,
                    std::array::from_fn(|r| sum[r] + n * each[r]),
                );
                need[l] += n;
                free[k] += n;
            }
            self.given[l][k] = 0;
        }
    }
    let mut free: Vec<i128> = stock.lots.iter().map(|lot| lot.count as i128).collect();
    let mut need: Vec<i128> = lines
        .iter()
        .map(|line| match line.amount {
            Amount::Wheels(wheels) => wheels as i128,
            Amount::Grams(_) => 0,
        })
        .collect();
    let mixed = |given_wheels: &[Vec<i128>]| {
        given.lines.iter().zip(given_wheels).any(|(line, wheels)| {
            let mut sources = BTreeMap::new();
            for (lot, n) in stock.lots.iter().zip(wheels) {
                *sources.entry(lot.key.source).or_insert(0) += n;
            }
            let all: i128 = sources.values().sum();
            let used: Vec<i128> = sources.into_values().filter(|n| *n > 0).collect();
            let mixing = line.mixing.unwrap_or(Mixing {
                most_batches: None,
                least_per_batch: None,
            });
            mixing
                .most_batches
                .is_some_and(|most| used.len() > usize::from(most))
                || mixing
                    .least_per_batch
                    .is_some_and(|least| used.iter().any(|n| *n < i128::from(least).min(all)))
        })
    };
    let mut search = Search {
        mixed: &mixed,
        given: vec![vec![0; stock.lots.len()]; lines.len()],
        cost: &cost,
        wasted: &wasted,
        told: lines.iter().map(|line| !line.told.is_empty()).collect(),
        lots: stock.lots.len(),
        best: None,
    };
    search.go(0, 0, &mut need, &mut free, [0; 6]);
    search.best.unwrap()
}

fn is_sound(given: &Given, allocation: &Allocation) -> Result<(), TestCaseError> {
    let cheeses: BTreeMap<_, _> = given.cheeses.iter().map(|c| (c.wheel, c)).collect();
    let mut seen = BTreeSet::new();
    let mut from: BTreeMap<String, usize> = BTreeMap::new();
    for (line, wanted) in allocation.lines.iter().zip(&given.lines) {
        let Amount::Wheels(wheels) = line.amount else {
            panic!("only wheels are ordered here");
        };
        prop_assert_eq!(line.assigned_count() + line.short, wheels);
        prop_assert_eq!(line.short > 0, line.shortage.is_some());
        for part in &line.assigned {
            *from.entry(part.source.to_string()).or_default() += part.count;
            prop_assert!(part.wheels.is_empty() || part.wheels.len() == part.count);
            prop_assert!(part.grade <= wanted.grade || part.locked);
            for wheel in &part.wheels {
                prop_assert!(seen.insert(*wheel), "{} was given twice", wheel);
                prop_assert!(cheeses[wheel].kept.is_none(), "{} is held", wheel);
            }
        }
    }
    for (source, count) in from {
        let there = given
            .cheeses
            .iter()
            .filter(|c| format!("batch {}", c.batch) == source && c.kept.is_none());
        prop_assert!(count <= there.count(), "{} of {}", count, source);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn no_wheel_is_given_twice_or_while_it_is_held((batches, orders) in any_given()) {
        let given = given(&batches, &orders);
        is_sound(&given, &given.allocate())?;
    }

    #[test]
    fn limits_on_mixing_are_kept_and_cost_no_less_than_the_bound((batches, orders) in any_given()) {
        let given = given(&batches, &orders);
        let allocation = given.allocate();
        prop_assert!(allocation.bound <= allocation.objective);
        for (line, wanted) in allocation.lines.iter().zip(&given.lines) {
            if let Some(most) = wanted.mixing.and_then(|m| m.most_batches) {
                let told: BTreeSet<_> = line.assigned.iter().filter(|p| p.locked).map(|p| p.source).collect();
                let sources: BTreeSet<_> = line.assigned.iter().map(|p| p.source).collect();
                prop_assert!(sources.len() <= usize::from(most).max(told.len()));
            }
        }
    }

    /// The order in which wheels and lines are listed says nothing about what is cheapest.
    #[test]
    fn a_permutation_costs_the_same((batches, orders) in any_given(), seed in any::<u64>()) {
        let orders = without_mixing(&orders);
        let mut given = given(&batches, &orders);
        let first = given.allocate();
        let turn = |n: usize| (seed as usize).wrapping_mul(n.wrapping_add(7)).rotate_left(13);
        let mut order: Vec<_> = given.cheeses.drain(..).enumerate().collect();
        order.sort_by_key(|(n, _)| turn(*n));
        given.cheeses = order.into_iter().map(|(_, c)| c).collect();
        // Told lines are served in the order of arrival, so lines of one day may change places.
        given.lines.reverse();
        given.lines.sort_by_key(|line| line.key.arrive_on);
        if given.lines.iter().all(|line| line.told.is_empty()) {
            prop_assert_eq!(given.allocate().objective, first.objective);
        }
    }

    #[test]
    fn what_customers_were_told_stays((batches, orders) in any_given()) {
        let mut given = given(&batches, &orders);
        let locked = |allocation: &Allocation| -> Vec<_> {
            allocation.lines.iter()
                .flat_map(|line| line.assigned.iter().filter(|p| p.locked).map(|p| (line.key, p.source, p.count)))
                .collect()
        };
        let before = locked(&given.allocate());
        // Another order comes that would take everything.
        given.order("99", "HARBOUR", &given.now.today.plus(1).date().to_string(), &wheels(100));
        prop_assert_eq!(locked(&given.allocate()), before);
    }

    /// Where it starts from is only about speed.
    #[test]
    fn a_warm_start_costs_the_same((batches, orders) in any_given(), gone in 0usize..40) {
        let mut given = given(&batches, &without_mixing(&orders));
        let mut memory = Memory::default();
        let first = given.allocate_from(&mut memory);
        let again = given.allocate_from(&mut memory);
        prop_assert_eq!(&again.objective, &first.objective);
        if let Some(cheese) = given.cheeses.get_mut(gone) {
            cheese.kept = Some(Kept::Held("X".parse().unwrap()));
        }
        given.order("99", "TWOBELLS", &day("2026-03-10").date().to_string(), &wheels(3));
        let cold = given.allocate();
        let warm = given.allocate_from(&mut memory);
        prop_assert_eq!(warm.objective, cold.objective);
    }

    #[test]
    fn unchanged_facts_change_nothing((batches, orders) in any_given()) {
        let mut given = given(&batches, &without_mixing(&orders));
        let first = given.allocate();
        given.yesterday = Yesterday::of(&first);
        let again = given.allocate();
        prop_assert_eq!(again.objective.0[5], 0);
        prop_assert_eq!(again.objective.0[..5].to_vec(), first.objective.0[..5].to_vec());
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn nothing_is_cheaper_than_the_allocation(
        batches in prop::collection::vec(any_batch(), 0..4),
        orders in prop::collection::vec(any_order(), 0..4),
    ) {
        let mut batches = batches;
        batches.iter_mut().for_each(|batch| batch.wheels = batch.wheels.min(3));
        let mut orders = without_mixing(&orders);
        // What was told is settled beforehand, so nothing is told here.
        orders.iter_mut().for_each(|order| {
            order.told = None;
            order.wheels = order.wheels.min(4);
        });
        let given = given(&batches, &orders);
        prop_assert_eq!(given.allocate().objective.0, by_brute_force(&given));
    }
}

/// With limits on mixing the best is not always found: it is here for nine in ten of small
/// cases, and never missed by more than the bound says.
#[test]
fn limits_on_mixing_seldom_cost_more_than_they_must() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let cases = (
        prop::collection::vec(any_batch(), 2..5),
        prop::collection::vec(any_order(), 1..3),
    );
    let (mut limited, mut best) = (0, 0);
    for _ in 0..400 {
        let tree = proptest::strategy::Strategy::new_tree(&cases, &mut runner).unwrap();
        let (mut batches, mut orders) = proptest::strategy::ValueTree::current(&tree);
        for batch in &mut batches {
            batch.wheels = batch.wheels.min(4);
            (batch.age, batch.grade, batch.held) = (60 + batch.age % 20, Some(Grade::A), false);
        }
        for (n, order) in (0..).zip(&mut orders) {
            (order.told, order.ages, order.customer) = (None, None, 0);
            order.wheels = order.wheels.min(6);
            order.arrive_in = order.arrive_in.rem_euclid(20) + 1;
            order.mixing = order.mixing.or(Some(1 + n * 3));
        }
        let given = given(&batches, &orders);
        let allocation = given.allocate();
        let least = by_brute_force(&given);
        assert!(allocation.bound.0 <= least && least <= allocation.objective.0);
        if allocation.bound.0 != least {
            limited += 1;
            best += usize::from(allocation.objective.0 == least);
        }
    }
    assert!(limited > 20, "{limited} limits mattered");
    assert!(best * 10 >= limited * 9, "{best} of {limited}");
}

/// Orders come in one after another, over wheels of any weight; each that can be served whole is
/// confirmed. Whatever comes later, what was confirmed is served whole.
#[derive(Debug, Clone)]
struct Confirmed {
    wheels: u32,
    each_g: Option<(u32, u32)>,
    arrive_in: i64,
}

fn any_confirmed() -> impl Strategy<Value = Confirmed> {
    let weights = prop::option::weighted(0.6, (32_u32..42, 0_u32..8));
    (1_u32..4, weights, 6_i64..20).prop_map(|(wheels, weights, arrive_in)| Confirmed {
        wheels,
        each_g: weights.map(|(least, more)| (100 * least, 100 * (least + more))),
        arrive_in,
    })
}

proptest! {
    #[test]
    fn what_was_confirmed_is_served_whatever_is_ordered_later(
        weights in prop::collection::vec((32_u32..42, 0_usize..2), 1..9),
        orders in prop::collection::vec(any_confirmed(), 1..7),
    ) {
        let mut stock = Given::default();
        for batch in ["B0", "B1"] {
            let of = weights.iter().filter(|(_, n)| batch == ["B0", "B1"][*n]);
            let of: Vec<u32> = of.map(|(hectograms, _)| 100 * hectograms).collect();
            stock.batch(batch, 66, of.len(), Some(Grade::A));
            stock.of(batch).zip(of).for_each(|(cheese, grams)| cheese.weight_g = grams);
        }
        let mut told: Vec<(usize, Vec<Promised>)> = Vec::new();
        for new in 0..orders.len() {
            let mut given = Given {
                cheeses: stock.cheeses.clone(),
                ..Given::default()
            };
            let all = told.iter().cloned().chain([(new, Vec::new())]);
            for (n, told) in all {
                let order = &orders[n];
                let mut line = wheels(order.wheels);
                line.each_g = order.each_g.map(|(least, most)| WeightRange {
                    least_g: Grams::new(least).unwrap(),
                    most_g: Grams::new(most).unwrap(),
                });
                let arrive = given.now.today.plus(order.arrive_in).date();
                given.order_told(&n.to_string(), "HARBOUR", &arrive.to_string(), &line, told);
            }
            let allocation = given.allocate();
            for (n, _) in &told {
                prop_assert_eq!(crate::given::short(&allocation, &n.to_string()), 0);
            }
            let id = new.to_string().parse().unwrap();
            if let Ok(confirmed) = dispatch::confirm::confirm(&allocation, id, None, false) {
                told.push((new, confirmed.promised));
            }
        }
    }
}
