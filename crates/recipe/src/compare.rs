//! A recipe as lines of text, and what differs between two of them.

use serde::Serialize;

use crate::{Ages, IronPlan, Milk, Range, Recipe};

/// One rule of a recipe in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Line {
    /// Which rule.
    pub what: String,
    /// What it says.
    pub says: String,
}

/// One rule that two recipes do not share.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Which rule.
    pub what: String,
    /// What the first says; `None` when it says nothing.
    pub first: Option<String>,
    /// What the second says.
    pub second: Option<String>,
}

/// What differs between two recipes, in the order of the make and the maturing.
#[must_use]
pub fn compare(first: &Recipe, second: &Recipe) -> Vec<Difference> {
    let (before, after) = (first.lines(), second.lines());
    let find = |lines: &[Line], what: &str| {
        let line = lines.iter().find(|line| line.what == what);
        line.map(|line| line.says.clone())
    };
    let only_after = after
        .iter()
        .filter(|line| find(&before, &line.what).is_none());
    before
        .iter()
        .chain(only_after)
        .map(|line| Difference {
            what: line.what.clone(),
            first: find(&before, &line.what),
            second: find(&after, &line.what),
        })
        .filter(|difference| difference.first != difference.second)
        .collect()
}

impl Recipe {
    /// Every rule in words, in the order of the make and the maturing.
    #[must_use]
    pub fn lines(&self) -> Vec<Line> {
        let mut lines = Lines(Vec::new());
        lines.says("name", &self.name);
        let milk = match self.milk {
            Milk::Pasteurised => "pasteurised",
            Milk::Raw => "raw: the label says so",
        };
        lines.says("milk", milk);
        let portion = self.portion;
        let weight = format!("{} ± {} g", portion.weight_g, portion.tolerance_g.get());
        lines.says("portion weight", weight);
        if let Some(finish) = self.finish {
            let lost = 100.0
                * (1.0 - f64::from(finish.weight_g.get()) / f64::from(portion.weight_g.get()));
            lines.says(
                "finish weight",
                format!(
                    "{} ± {} g at {} days: {lost:.1} % lost",
                    finish.weight_g,
                    finish.tolerance_g.get(),
                    finish.age_days
                ),
            );
        }
        lines.says("turn in the hoop", every(self.drain.turn_every_days));
        lines.says("unhoop", ages(self.drain.unhoop, "old"));
        let rub = match self.rub_up.within_days {
            0 => "the same dairy day as unhooping".to_owned(),
            n => format!("within {n} dairy days of unhooping"),
        };
        lines.says("rub up", rub);
        let rind = self.rind.first_expected_days;
        let rind = format!("{} after unhooping", days(rind));
        lines.says("first mould expected", rind);
        lines.says("look at the rind", every(self.rind.check_every_days));
        for (place, stage) in (1..).zip(&self.stages) {
            let room = |what: &str| format!("room {place} {what}");
            lines.says(&room("is"), stage.room);
            let (warm, damp) = (stage.temperature_c, stage.humidity_pct);
            let air = format!(
                "{} to {} °C, {} to {} % humidity",
                warm.least, warm.most, damp.least, damp.most
            );
            lines.says(&room("air"), air);
            lines.says(&room("turn"), every(stage.turn_every_days));
            let stay = match stage.leave_at_cover_pct {
                Some(cover) => format!("until {cover} rind cover, {}", days(stage.stay_days)),
                None => days(stage.stay_days),
            };
            lines.says(&room("stay"), stay);
        }
        let pierce = self.pierce;
        let first = format!(
            "{}, with at least {} rind cover",
            ages(pierce.age, "old"),
            pierce.least_cover_pct
        );
        lines.says("pierce", first);
        if let Some(again) = pierce.again {
            lines.says("pierce again", ages(again, "after the first piercing"));
        }
        let needles = match pierce.needle_check {
            true => "counted on the day of piercing",
            false => "not asked for",
        };
        lines.says("needle check", needles);
        let iron = self.iron;
        let wheels = match iron.wheels_per_batch {
            IronPlan::Wheels(n) => format!("{n} wheels of a batch"),
            IronPlan::Iso2859 => {
                "as many wheels as ISO 2859-1 level II draws from the batch".to_owned()
            }
        };
        let plan = format!(
            "{wheels}, from {} days old, {}",
            iron.from_age_days,
            every(iron.every_days)
        );
        lines.says("iron", plan);
        let ready = format!("when every core shows {} blue", iron.ready_at_coverage_pct);
        lines.says("ready", ready);
        let grading = format!("within {} days of ready", self.grading.within_days);
        lines.says("grade", grading);
        for hold in &self.holds {
            lines.says(&format!("born under hold {}", hold.id), &hold.reason);
        }
        for market in &self.markets {
            let arrives = days(market.arrive_age_days);
            let away = match market.transit_days {
                1 => "1 day".to_owned(),
                n => format!("{n} days"),
            };
            let mut says = format!("arrives {arrives} old, {away} away");
            if let Some(legal) = market.legal_least_age_days {
                says.push_str(&format!(", by law at least {legal} days old"));
            }
            if !market.grades.is_empty() {
                let grades = market.grades.iter().map(ToString::to_string);
                let grades = grades.collect::<Vec<_>>().join(", ");
                says.push_str(&format!(", grades {grades}"));
            }
            lines.says(&format!("market {}", market.id), says);
        }
        lines.says("best before", format!("{} days", self.best_before_days));
        lines.0
    }
}

struct Lines(Vec<Line>);

impl Lines {
    fn says(&mut self, what: &str, says: impl ToString) {
        self.0.push(Line {
            what: what.to_owned(),
            says: says.to_string(),
        });
    }
}

fn every(days: i64) -> String {
    match days {
        1 => "every dairy day".to_owned(),
        n => format!("every {n} dairy days"),
    }
}

fn days(range: Range<i64>) -> String {
    format!("{} to {} days", range.least, range.most)
}

fn ages(ages: Ages, of: &str) -> String {
    format!(
        "{} to {} days {of}, best at {}",
        ages.earliest, ages.latest, ages.due
    )
}
