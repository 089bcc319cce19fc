//! A small dairy to dispatch from.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveTime;
use dispatch::stock::{Kept, Place};
use dispatch::wanted::{self, Amount, weight_limits};
use dispatch::{
    Allocation, Cheese, Customers, GradeCounts, LineKey, Memory, Now, Readiness, Stock, Wanted,
    Yesterday, allocate,
};
use facts::{BatchId, Grade, OrderLine, Promised};
use quantity::{DairyClock, DairyDay, Grams};
use recipe::{Origin, Recipe};

pub const CUSTOMERS: &str = include_str!("../../../../deploy/demo/customers.toml");
pub const RECIPE: &str = include_str!("../../../../deploy/demo/larkholm-blue.toml");

pub fn day(text: &str) -> DairyDay {
    DairyDay::starting(text.parse().unwrap())
}

pub fn customers() -> Customers {
    read_customers(CUSTOMERS).unwrap()
}

pub fn read_customers(text: &str) -> Result<Customers, recipe::Located> {
    Customers::parse(&Origin {
        file: "customers.toml",
        text,
    })
}

pub fn recipe() -> Arc<Recipe> {
    let origin = Origin {
        file: "larkholm-blue.toml",
        text: RECIPE,
    };
    Arc::new(Recipe::parse(&origin).unwrap())
}

/// Days begin at midnight in London.
pub fn clock() -> DairyClock {
    DairyClock::new(chrono_tz::Europe::London, NaiveTime::MIN)
}

/// A Monday before any lane's cut-off.
pub fn monday() -> Now {
    Now {
        today: day("2026-03-02"),
        time: NaiveTime::from_hms_opt(8, 0, 0).unwrap(),
    }
}

/// What stands in the rooms, what is ordered, and what is known of readiness.
pub struct Given {
    pub now: Now,
    pub until: DairyDay,
    pub customers: Customers,
    pub recipe: Arc<Recipe>,
    pub cheeses: Vec<Cheese>,
    pub lines: Vec<Wanted>,
    pub readiness: BTreeMap<BatchId, Readiness>,
    pub grades: GradeCounts,
    pub yesterday: Yesterday,
}

impl Default for Given {
    fn default() -> Self {
        Self {
            now: monday(),
            until: monday().today.plus(60),
            customers: customers(),
            recipe: recipe(),
            cheeses: Vec::new(),
            lines: Vec::new(),
            readiness: BTreeMap::new(),
            grades: GradeCounts::default(),
            yesterday: Yesterday::default(),
        }
    }
}

impl Given {
    /// So many wheels of a batch, so many days old, of 4 kg each.
    pub fn batch(&mut self, batch: &str, age: i64, wheels: usize, grade: Option<Grade>) {
        for n in 0..wheels {
            let number = self.cheeses.len() + n % 7 * 1_000;
            let wheel = format!("{batch}-{number}");
            self.cheeses.push(Cheese {
                wheel: wheel.parse().unwrap(),
                batch: batch.parse().unwrap(),
                recipe: self.recipe.clone(),
                made: self.now.today.plus(-age),
                grade,
                weight_g: 4_000,
                place: Place::default(),
                kept: None,
                awaits: None,
                reserved: None,
            });
        }
    }

    pub fn of(&mut self, batch: &str) -> impl Iterator<Item = &mut Cheese> {
        let batch: BatchId = batch.parse().unwrap();
        self.cheeses.iter_mut().filter(move |c| c.batch == batch)
    }

    pub fn hold(&mut self, batch: &str) {
        self.of(batch)
            .for_each(|c| c.kept = Some(Kept::Held("LAB1".parse().unwrap())));
    }

    pub fn ready(&mut self, batch: &str, readiness: impl IntoIterator<Item = (&'static str, f64)>) {
        let days = readiness.into_iter().map(|(text, p)| (day(text), p));
        self.readiness
            .insert(batch.parse().unwrap(), Readiness::by(days));
    }

    /// A line, told nothing yet.
    pub fn order(&mut self, order: &str, customer: &str, arrive_on: &str, line: &OrderLine) {
        self.order_told(order, customer, arrive_on, line, Vec::new());
    }

    pub fn order_told(
        &mut self,
        order: &str,
        customer: &str,
        arrive_on: &str,
        line: &OrderLine,
        told: Vec<Promised>,
    ) {
        let amount = match line.weight_g {
            Some(grams) => Amount::Grams(grams.get()),
            None => Amount::Wheels(line.wheels as usize),
        };
        let order = order.parse().unwrap();
        let arrive_on = day(arrive_on);
        let same = |l: &&Wanted| l.key.order == order && l.key.arrive_on == arrive_on;
        let number = 1 + self.lines.iter().filter(same).count();
        let key = LineKey {
            arrive_on,
            order,
            line: u16::try_from(number).unwrap(),
        };
        let who = self.customers.customers[&customer.parse().unwrap()].clone();
        let wanted = wanted::want(
            key,
            line,
            amount,
            told,
            (&who, who.market),
            &self.recipe,
            &self.customers,
            self.now,
        );
        self.lines.push(wanted);
        self.lines.sort_by_key(|line| line.key);
    }

    pub fn stock(&self) -> Stock {
        let readiness = |cheese: &Cheese| {
            let known = self.readiness.get(&cheese.batch).cloned();
            known.unwrap_or_else(|| {
                Readiness::by_calendar(&cheese.recipe, cheese.made, None, self.now.today)
            })
        };
        Stock::group(
            &self.cheeses,
            &weight_limits(&self.lines),
            readiness,
            &self.grades,
        )
    }

    pub fn allocate(&self) -> Allocation {
        self.allocate_from(&mut Memory::default())
    }

    pub fn allocate_from(&self, memory: &mut Memory) -> Allocation {
        let stock = self.stock();
        let problem = dispatch::Problem {
            now: self.now,
            until: self.until,
            cheeses: &self.cheeses,
            stock: &stock,
            lines: &self.lines,
            yesterday: &self.yesterday,
        };
        allocate(&problem, memory)
    }
}

/// So many wheels of grade A.
pub fn wheels(wheels: u32) -> OrderLine {
    OrderLine {
        recipe: "larkholm-blue".parse().unwrap(),
        grade: Grade::A,
        wheels,
        weight_g: None,
        each_g: None,
        age_days: None,
        least_life_days: None,
        mixing: None,
    }
}

/// So many kilograms of grade A.
pub fn kilograms(kg: u32) -> OrderLine {
    OrderLine {
        weight_g: Some(Grams::new(kg * 1_000).unwrap()),
        ..wheels(0)
    }
}

/// `60 of 311, 12 of 312`
pub fn words(allocation: &Allocation, order: &str) -> String {
    let order = order.parse().unwrap();
    let lines = allocation.lines.iter().filter(|l| l.key.order == order);
    let parts = lines.flat_map(|line| &line.assigned).map(|part| {
        let source = part.source.to_string();
        format!("{} of {}", part.count, source.trim_start_matches("batch "))
    });
    parts.collect::<Vec<_>>().join(", ")
}

pub fn short(allocation: &Allocation, order: &str) -> usize {
    let order = order.parse().unwrap();
    let lines = allocation.lines.iter().filter(|l| l.key.order == order);
    lines.map(|line| line.short).sum()
}
