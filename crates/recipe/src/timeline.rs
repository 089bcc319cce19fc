//! A recipe drawn as bars over a wheel's age.

use serde::Serialize;

use crate::Recipe;

/// Something that happens over a span of a wheel's age, in whole dairy days.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Bar {
    /// What.
    pub name: String,
    /// The first day it may be.
    pub from: i64,
    /// The day it is aimed at, if there is one.
    pub due: Option<i64>,
    /// The last day it may be.
    pub until: i64,
}

/// A recipe's bars, in the order of the make and the maturing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Timeline {
    /// The bars.
    pub bars: Vec<Bar>,
}

impl Timeline {
    /// The bars of a recipe. A room's bar spans from the earliest day a wheel may come to
    /// it to the latest day it may leave.
    #[must_use]
    pub fn of(recipe: &Recipe) -> Self {
        let mut bars = Vec::new();
        let mut bar = |name: String, from: i64, due: Option<i64>, until: i64| {
            bars.push(Bar {
                name,
                from,
                due,
                until,
            });
        };
        let unhoop = recipe.drain.unhoop;
        bar("in the hoop".to_owned(), 0, None, unhoop.latest);
        let window = |ages: crate::Ages| (ages.earliest, Some(ages.due), ages.latest);
        let (from, due, until) = window(unhoop);
        let rub_up = recipe.rub_up.within_days;
        bar("unhoop, rub up".to_owned(), from, due, until + rub_up);
        let mould = recipe.rind.first_expected_days;
        let first_mould = (unhoop.earliest + mould.least, unhoop.latest + mould.most);
        bar("first mould".to_owned(), first_mould.0, None, first_mould.1);
        let (mut soonest, mut latest) = (unhoop.earliest, unhoop.latest + rub_up);
        for stage in &recipe.stages {
            let stay = stage.stay_days;
            bar(
                format!("room {}", stage.room),
                soonest,
                None,
                latest + stay.most,
            );
            soonest += stay.least;
            latest += stay.most;
        }
        let (from, due, until) = window(recipe.pierce.age);
        bar("pierce".to_owned(), from, due, until);
        if let Some(again) = recipe.pierce.again {
            let first = recipe.pierce.age;
            bar(
                "pierce again".to_owned(),
                first.earliest + again.earliest,
                Some(first.due + again.due),
                first.latest + again.latest,
            );
        }
        let dispatch = recipe.dispatch_ages();
        let first_core = recipe.iron.from_age_days;
        bar(
            "iron, grade".to_owned(),
            first_core,
            Some(first_core),
            dispatch.most.max(first_core),
        );
        for market in &recipe.markets {
            let ages = market.dispatch_ages();
            bar(
                format!("leave for {}", market.id),
                ages.least,
                None,
                ages.most,
            );
        }
        let best = recipe.best_before_days;
        bar("best before".to_owned(), best, Some(best), best);
        Self { bars }
    }

    /// The bars as text, at most `width` characters wide where that leaves room for them.
    #[must_use]
    pub fn draw(&self, width: usize) -> String {
        let name_width = self.bars.iter().map(|bar| bar.name.chars().count()).max();
        let name_width = name_width.unwrap_or(0) + 2;
        let last_day = self
            .bars
            .iter()
            .map(|bar| bar.until)
            .max()
            .unwrap_or(0)
            .max(1);
        let room = i64::try_from(width.saturating_sub(name_width).max(20)).unwrap_or(20);
        // How many days one character stands for.
        let step = (last_day + room) / room;
        let cells = last_day / step + 1;
        let mut text = format!("{:name_width$}", "age in days");
        let mark_every = if step == 1 { 10 } else { 7 };
        let mut cell = 0;
        while cell < cells {
            let mark = (cell * step).to_string();
            if cell + mark.len() as i64 > room {
                break;
            }
            text.push_str(&format!("{mark:<mark_every$}"));
            cell += mark_every as i64;
        }
        let mut lines = vec![text.trim_end().to_owned()];
        for bar in &self.bars {
            let mut line = format!("{:name_width$}", bar.name);
            for cell in 0..cells {
                let days = cell * step..(cell + 1) * step;
                let within = bar.from < days.end && days.start <= bar.until;
                line.push(match bar.due {
                    Some(due) if days.contains(&due) => '█',
                    _ if within => '▒',
                    _ => ' ',
                });
            }
            lines.push(line.trim_end().to_owned());
        }
        lines.join("\n") + "\n"
    }
}
