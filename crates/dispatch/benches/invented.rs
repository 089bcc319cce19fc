//! An invented dairy of any size: wheels in all ages, orders over sixty days.
#![allow(clippy::unwrap_used)] // what is invented here is right

use std::sync::Arc;

use chrono::NaiveTime;
use dispatch::stock::{Kept, Place};
use dispatch::wanted::{Amount, want, weight_limits};
use dispatch::{
    Cheese, Customers, GradeCounts, LineKey, Memory, Now, Readiness, Stock, Wanted, Yesterday,
};
use facts::{AgeRange, Grade, Mixing, OrderLine, WeightRange};
use quantity::{DairyDay, Grams};
use recipe::{Origin, Recipe};

/// Xorshift (Marsaglia 2003): the same numbers everywhere.
pub struct Chance(pub u64);

impl Chance {
    /// A whole number below an end.
    pub fn below(&mut self, end: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % end
    }

    /// Whether something happens that happens so often in a hundred.
    pub fn happens(&mut self, pct: u64) -> bool {
        self.below(100) < pct
    }
}

/// Wheels and orders.
pub struct Dairy {
    /// The moment that is looked from.
    pub now: Now,
    /// The wheels.
    pub cheeses: Vec<Cheese>,
    /// The open lines.
    pub lines: Vec<Wanted>,
    /// Of batches that are not graded yet, the ages at which they get ready.
    pub ready_at: Vec<i64>,
    /// Grades so far.
    pub grades: GradeCounts,
    /// Yesterday's allocation.
    pub yesterday: Yesterday,
}

impl Dairy {
    /// Batches, each with its age, its wheels and its grade, and lines for one customer in
    /// the north, each with the days until it arrives and its wheels of grade A.
    #[allow(dead_code)] // not by everything that includes this file
    #[must_use]
    pub fn by_hand(batches: &[(i64, usize, Grade)], lines: &[(i64, u32)]) -> Self {
        let (mut dairy, recipe, customers) = Self::empty();
        for (number, (age, wheels, grade)) in batches.iter().enumerate() {
            dairy.ready_at.push(0);
            for wheel in 0..*wheels {
                dairy.cheeses.push(Cheese {
                    wheel: format!("{number}-{wheel}").parse().unwrap(),
                    batch: format!("B{number}").parse().unwrap(),
                    recipe: recipe.clone(),
                    made: dairy.now.today.plus(-age),
                    grade: Some(*grade),
                    weight_g: 4_000,
                    place: Place::default(),
                    kept: None,
                    awaits: None,
                    reserved: None,
                });
            }
        }
        let customer = &customers.customers[&"HARBOUR".parse().unwrap()];
        for (number, (arrive_in, wheels)) in lines.iter().enumerate() {
            let line = OrderLine {
                recipe: recipe.id,
                grade: Grade::A,
                wheels: *wheels,
                weight_g: None,
                each_g: None,
                age_days: None,
                least_life_days: None,
                mixing: None,
            };
            let key = LineKey {
                arrive_on: dairy.now.today.plus(*arrive_in),
                order: number.to_string().parse().unwrap(),
                line: 1,
            };
            let amount = Amount::Wheels(*wheels as usize);
            let who = (customer, customer.market);
            dairy.lines.push(want(
                key,
                &line,
                amount,
                Vec::new(),
                who,
                &recipe,
                &customers,
                dairy.now,
            ));
        }
        dairy
    }

    /// Nothing yet, with the recipe and the customers of the demonstration.
    #[must_use]
    pub fn empty() -> (Self, Arc<Recipe>, Customers) {
        let text = include_str!("../../../deploy/demo/larkholm-blue.toml");
        let file = "larkholm-blue.toml";
        let recipe = Arc::new(Recipe::parse(&Origin { file, text }).unwrap());
        let text = include_str!("../../../deploy/demo/customers.toml");
        let file = "customers.toml";
        let customers = Customers::parse(&Origin { file, text }).unwrap();
        let today = DairyDay::starting("2026-03-02".parse().unwrap());
        let time = NaiveTime::from_hms_opt(8, 0, 0).unwrap();
        let dairy = Self {
            now: Now { today, time },
            cheeses: Vec::new(),
            lines: Vec::new(),
            ready_at: Vec::new(),
            grades: GradeCounts::default(),
            yesterday: Yesterday::default(),
        };
        (dairy, recipe, customers)
    }

    /// So many wheels and lines; see [`Self::new`]. Without limits on weights, ages and mixing
    /// when it is to be plain.
    #[allow(dead_code)] // not by everything that includes this file
    #[must_use]
    pub fn plain(wheels: usize, lines: usize, seed: u64) -> Self {
        Self::make(wheels, lines, seed, 0)
    }

    /// So many wheels in batches of 60 (of 200 from 100 000 wheels on), and so many lines over sixty days.
    #[must_use]
    pub fn new(wheels: usize, lines: usize, seed: u64) -> Self {
        Self::make(wheels, lines, seed, 1)
    }

    /// `limits`: how many times as many limits on lines as usual.
    fn make(wheels: usize, lines: usize, seed: u64, limits: u64) -> Self {
        let mut chance = Chance(seed.max(1));
        let (mut dairy, recipe, customers) = Self::empty();
        let today = dairy.now.today;
        for (grade, share) in [(Grade::A, 70), (Grade::B, 25), (Grade::C, 5)] {
            dairy.grades.note(recipe.id, grade, share);
        }
        let vat = if wheels < 100_000 { 60 } else { 200 };
        let batches = wheels.div_ceil(vat);
        for batch in 0..batches {
            let age = i64::try_from(100 * batch / batches).unwrap();
            let ready_at = 58 + i64::try_from(chance.below(14)).unwrap();
            dairy.ready_at.push(ready_at);
            let held = chance.happens(3);
            for wheel in 0..vat.min(wheels - batch * vat) {
                let grade = match chance.below(100) {
                    0..70 => Grade::A,
                    70..95 => Grade::B,
                    _ => Grade::C,
                };
                dairy.cheeses.push(Cheese {
                    wheel: format!("{batch}-{wheel}").parse().unwrap(),
                    batch: format!("B{batch}").parse().unwrap(),
                    recipe: recipe.clone(),
                    made: today.plus(-age),
                    grade: (age >= ready_at).then_some(grade),
                    weight_g: 3_600 + u32::try_from(chance.below(600)).unwrap(),
                    place: Place::default(),
                    kept: held.then(|| Kept::Held("LAB1".parse().unwrap())),
                    awaits: None,
                    reserved: None,
                });
            }
        }
        let names = ["HARBOUR", "TWOBELLS", "SOUTHGATE", "FARSHORE"];
        for number in 0..lines {
            let customer = names[usize::try_from(chance.below(4)).unwrap()];
            let customer = &customers.customers[&customer.parse().unwrap()];
            let mean = u64::try_from(wheels * 8 / 10 / lines.max(1))
                .unwrap()
                .max(2);
            let wheels = u32::try_from(mean / 2 + chance.below(mean)).unwrap().max(1);
            let by_weight = chance.happens(10 * limits);
            let line = OrderLine {
                recipe: recipe.id,
                grade: if chance.happens(60) {
                    Grade::A
                } else {
                    Grade::B
                },
                wheels: if by_weight { 0 } else { wheels },
                weight_g: by_weight.then(|| Grams::new((wheels * 3_900).min(2_000_000)).unwrap()),
                each_g: chance.happens(10 * limits).then(|| WeightRange {
                    least_g: Grams::new(3_700).unwrap(),
                    most_g: Grams::new(4_000).unwrap(),
                }),
                age_days: chance.happens(20 * limits).then_some(AgeRange {
                    least_days: 63,
                    most_days: 77,
                }),
                least_life_days: None,
                mixing: chance.happens(3 * limits).then_some(Mixing {
                    most_batches: Some(2),
                    least_per_batch: None,
                }),
            };
            let amount = match line.weight_g {
                Some(grams) => Amount::Grams(grams.get()),
                None => Amount::Wheels(wheels as usize),
            };
            let key = LineKey {
                arrive_on: today.plus(3 + i64::try_from(chance.below(57)).unwrap()),
                order: number.to_string().parse().unwrap(),
                line: 1,
            };
            let who = (customer, customer.market);
            dairy.lines.push(want(
                key,
                &line,
                amount,
                Vec::new(),
                who,
                &recipe,
                &customers,
                dairy.now,
            ));
        }
        dairy.lines.sort_by_key(|line| line.key);
        dairy
    }

    /// The wheels in lots.
    #[must_use]
    pub fn stock(&self) -> Stock {
        let readiness = |cheese: &Cheese| {
            let batch: usize = cheese.batch.as_str()[1..].parse().unwrap();
            let middle = cheese.made.plus(self.ready_at[batch]);
            Readiness::by(
                [
                    (-4, 0.1),
                    (-2, 0.3),
                    (0, 0.5),
                    (2, 0.7),
                    (4, 0.9),
                    (7, 0.99),
                ]
                .map(|(n, p)| (middle.plus(n), p)),
            )
        };
        Stock::group(
            &self.cheeses,
            &weight_limits(&self.lines),
            readiness,
            &self.grades,
        )
    }

    /// What is to be allocated.
    #[must_use]
    pub fn problem<'a>(&'a self, stock: &'a Stock) -> dispatch::Problem<'a> {
        dispatch::Problem {
            now: self.now,
            until: self.now.today.plus(60),
            cheeses: &self.cheeses,
            stock,
            lines: &self.lines,
            yesterday: &self.yesterday,
        }
    }

    /// Groups and allocates.
    #[allow(dead_code)] // not by everything that includes this file
    #[must_use]
    pub fn allocate(&self, memory: &mut Memory) -> dispatch::Allocation {
        let stock = self.stock();
        dispatch::allocate(&self.problem(&stock), memory)
    }
}
