//! Reading a recipe file and checking that it is consistent.

use facts::{Grade, HoldId, MarketId, RecipeId, RoomId};
use quantity::{Grams, Percent};
use serde::Deserialize;
use toml::Spanned;

use crate::rules::{
    Ages, Drain, Finish, Grading, Hold, Iron, IronPlan, Market, Milk, Pierce, Portion, Range,
    Recipe, Rind, RubUp, Stage,
};
use crate::{Located, Origin};

/// Longest age any rule may speak of: ten years.
const LONGEST_DAYS: i64 = 3_660;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    recipe: RecipeId,
    version: u32,
    name: String,
    milk: Milk,
    best_before_days: Spanned<i64>,
    portion: PortionTable,
    finish: Option<Spanned<FinishTable>>,
    drain: DrainTable,
    rub_up: RubUpTable,
    rind: RindTable,
    #[serde(default)]
    stage: Vec<Spanned<StageTable>>,
    pierce: PierceTable,
    iron: IronTable,
    grade: GradeTable,
    #[serde(default)]
    market: Vec<Spanned<MarketTable>>,
    #[serde(default)]
    hold: Vec<HoldTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct AgesTable {
    earliest: i64,
    due: i64,
    latest: i64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PortionTable {
    weight_g: Spanned<Grams>,
    tolerance_g: Spanned<Grams>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FinishTable {
    weight_g: Grams,
    tolerance_g: Grams,
    age_days: Spanned<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct HoldTable {
    id: Spanned<HoldId>,
    reason: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DrainTable {
    turn_every_days: Spanned<i64>,
    unhoop_age_days: Spanned<AgesTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RubUpTable {
    within_days: Spanned<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RindTable {
    first_expected_days_after_unhooping: Spanned<(i64, i64)>,
    check_every_days: Spanned<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StageTable {
    room: Spanned<RoomId>,
    temperature_c: Spanned<(f64, f64)>,
    humidity_pct: Spanned<(f64, f64)>,
    turn_every_days: Spanned<i64>,
    leave_at_cover_pct: Option<Percent>,
    stay_days: Spanned<(i64, i64)>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PierceTable {
    age_days: Spanned<AgesTable>,
    least_cover_pct: Percent,
    again_after_days: Option<Spanned<AgesTable>>,
    #[serde(default = "yes")]
    needle_check: bool,
}

const fn yes() -> bool {
    true
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct IronTable {
    from_age_days: Spanned<i64>,
    wheels_per_batch: Spanned<IronPlan>,
    every_days: Spanned<i64>,
    ready_at_coverage_pct: Percent,
}

impl<'de> Deserialize<'de> for IronPlan {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Plan;
        impl serde::de::Visitor<'_> for Plan {
            type Value = IronPlan;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a number of wheels, or \"iso-2859-1\"")
            }
            fn visit_i64<E: serde::de::Error>(self, wheels: i64) -> Result<IronPlan, E> {
                usize::try_from(wheels)
                    .ok()
                    .filter(|wheels| *wheels > 0)
                    .map(IronPlan::Wheels)
                    .ok_or_else(|| {
                        E::custom("at least 1 wheel of a batch must be ironed, or nobody knows that it is ready")
                    })
            }
            fn visit_str<E: serde::de::Error>(self, name: &str) -> Result<IronPlan, E> {
                match name {
                    "iso-2859-1" => Ok(IronPlan::Iso2859),
                    other => Err(E::invalid_value(serde::de::Unexpected::Str(other), &self)),
                }
            }
        }
        d.deserialize_any(Plan)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct GradeTable {
    within_days: Spanned<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MarketTable {
    id: Spanned<MarketId>,
    transit_days: Spanned<i64>,
    arrive_age_days: Spanned<(i64, i64)>,
    legal_least_age_days: Option<Spanned<i64>>,
    grades: Option<Spanned<Vec<Grade>>>,
}

impl Recipe {
    /// Reads and checks a recipe file.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        if file.name.trim().is_empty() {
            return Err(origin.error(0..0, "name is empty: give the product's name as printed"));
        }
        let unhoop = origin.ages("unhoop_age_days", &file.drain.unhoop_age_days)?;
        let pierce = origin.ages("pierce.age_days", &file.pierce.age_days)?;
        if pierce.earliest <= unhoop.latest {
            return Err(origin.error(
                file.pierce.age_days.span(),
                format!(
                    "piercing may start at {} days, but wheels may be in the hoop until {}: start later",
                    pierce.earliest, unhoop.latest
                ),
            ));
        }
        let portion = Portion {
            weight_g: *file.portion.weight_g.get_ref(),
            tolerance_g: *file.portion.tolerance_g.get_ref(),
        };
        if portion.weight_g.get() == 0 || portion.tolerance_g >= portion.weight_g {
            return Err(origin.error(
                file.portion.tolerance_g.span(),
                "the portion needs a weight above its tolerance, both in grams",
            ));
        }
        let from_age_days = origin.days("from_age_days", &file.iron.from_age_days, 1)?;
        if from_age_days < pierce.earliest {
            return Err(origin.error(
                file.iron.from_age_days.span(),
                format!(
                    "ironing starts before piercing (earliest {} days)",
                    pierce.earliest
                ),
            ));
        }
        let again = file.pierce.again_after_days.as_ref();
        let again = again
            .map(|table| origin.ages("again_after_days", table))
            .transpose()?;
        if let (Some(0), Some(table)) = (
            again.map(|again| again.earliest),
            &file.pierce.again_after_days,
        ) {
            return Err(origin.error(
                table.span(),
                "a second piercing on the day of the first is the same one: start at 1 day or later",
            ));
        }
        let best_before_days = origin.days("best_before_days", &file.best_before_days, 1)?;
        Ok(Self {
            id: file.recipe,
            version: file.version,
            name: file.name,
            milk: file.milk,
            portion,
            finish: origin.finish(file.finish.as_ref(), portion)?,
            drain: Drain {
                turn_every_days: origin.days("turn_every_days", &file.drain.turn_every_days, 1)?,
                unhoop,
            },
            rub_up: RubUp {
                within_days: origin.days("within_days", &file.rub_up.within_days, 0)?,
            },
            rind: Rind {
                first_expected_days: origin.range(
                    "first_expected_days_after_unhooping",
                    &file.rind.first_expected_days_after_unhooping,
                    (0, LONGEST_DAYS),
                )?,
                check_every_days: origin.days(
                    "check_every_days",
                    &file.rind.check_every_days,
                    1,
                )?,
            },
            stages: origin.stages(&file.stage)?,
            pierce: Pierce {
                age: pierce,
                least_cover_pct: file.pierce.least_cover_pct,
                again,
                needle_check: file.pierce.needle_check,
            },
            iron: Iron {
                from_age_days,
                wheels_per_batch: *file.iron.wheels_per_batch.get_ref(),
                every_days: origin.days("every_days", &file.iron.every_days, 1)?,
                ready_at_coverage_pct: file.iron.ready_at_coverage_pct,
            },
            grading: Grading {
                within_days: origin.days("within_days", &file.grade.within_days, 0)?,
            },
            markets: origin.markets(&file.market, best_before_days)?,
            holds: origin.holds(&file.hold)?,
            best_before_days,
        })
    }
}

/// The checks that several tables share.
trait Checks {
    fn days(&self, key: &str, value: &Spanned<i64>, least: i64) -> Result<i64, Located>;
    fn ages(&self, key: &str, table: &Spanned<AgesTable>) -> Result<Ages, Located>;
    fn range<T: PartialOrd + Copy + std::fmt::Display>(
        &self,
        key: &str,
        value: &Spanned<(T, T)>,
        within: (T, T),
    ) -> Result<Range<T>, Located>;
    fn stages(&self, tables: &[Spanned<StageTable>]) -> Result<Vec<Stage>, Located>;
    fn markets(
        &self,
        tables: &[Spanned<MarketTable>],
        best_before_days: i64,
    ) -> Result<Vec<Market>, Located>;
    fn finish(
        &self,
        table: Option<&Spanned<FinishTable>>,
        portion: Portion,
    ) -> Result<Option<Finish>, Located>;
    fn holds(&self, tables: &[HoldTable]) -> Result<Vec<Hold>, Located>;
    fn grades(&self, listed: Option<&Spanned<Vec<Grade>>>) -> Result<Vec<Grade>, Located>;
}

impl Checks for Origin<'_> {
    fn days(&self, key: &str, value: &Spanned<i64>, least: i64) -> Result<i64, Located> {
        let days = *value.get_ref();
        if (least..=LONGEST_DAYS).contains(&days) {
            Ok(days)
        } else {
            let message = format!("{key} is {days}, but must be {least} to {LONGEST_DAYS} days");
            Err(self.error(value.span(), message))
        }
    }

    fn ages(&self, key: &str, table: &Spanned<AgesTable>) -> Result<Ages, Located> {
        let AgesTable {
            earliest,
            due,
            latest,
        } = *table.get_ref();
        if 0 <= earliest && earliest <= due && due <= latest && latest <= LONGEST_DAYS {
            Ok(Ages {
                earliest,
                due,
                latest,
            })
        } else {
            let message = format!(
                "{key} must rise from earliest to due to latest, but says {earliest}, {due}, {latest}"
            );
            Err(self.error(table.span(), message))
        }
    }

    fn range<T: PartialOrd + Copy + std::fmt::Display>(
        &self,
        key: &str,
        value: &Spanned<(T, T)>,
        within: (T, T),
    ) -> Result<Range<T>, Located> {
        let (least, most) = *value.get_ref();
        if within.0 <= least && least <= most && most <= within.1 {
            Ok(Range { least, most })
        } else {
            let message = format!(
                "{key} must be [least, most] within {} to {}, but says [{least}, {most}]",
                within.0, within.1
            );
            Err(self.error(value.span(), message))
        }
    }

    fn stages(&self, tables: &[Spanned<StageTable>]) -> Result<Vec<Stage>, Located> {
        if tables.is_empty() {
            let message = "no [[stage]]: name at least one room for the wheels to mature in";
            return Err(self.error(0..0, message));
        }
        let mut stages: Vec<Stage> = Vec::new();
        for table in tables {
            let stage = table.get_ref();
            let room = *stage.room.get_ref();
            if stages.iter().any(|s| s.room == room) {
                let message = format!("room {room} is already in the chain: each room once");
                return Err(self.error(stage.room.span(), message));
            }
            stages.push(Stage {
                room,
                temperature_c: self.range("temperature_c", &stage.temperature_c, (-10.0, 40.0))?,
                humidity_pct: self.range("humidity_pct", &stage.humidity_pct, (0.0, 100.0))?,
                turn_every_days: self.days("turn_every_days", &stage.turn_every_days, 1)?,
                leave_at_cover_pct: stage.leave_at_cover_pct,
                stay_days: self.range("stay_days", &stage.stay_days, (0, LONGEST_DAYS))?,
            });
        }
        Ok(stages)
    }

    fn finish(
        &self,
        table: Option<&Spanned<FinishTable>>,
        portion: Portion,
    ) -> Result<Option<Finish>, Located> {
        let Some(table) = table else {
            return Ok(None);
        };
        let finish = table.get_ref();
        if finish.weight_g.get() == 0
            || finish.weight_g >= portion.weight_g
            || finish.tolerance_g >= finish.weight_g
        {
            let message = format!(
                "a finished wheel weighs less than its portion of {}, and more than its tolerance: say what it weighs in grams",
                portion.weight_g
            );
            return Err(self.error(table.span(), message));
        }
        Ok(Some(Finish {
            weight_g: finish.weight_g,
            tolerance_g: finish.tolerance_g,
            age_days: self.days("finish.age_days", &finish.age_days, 1)?,
        }))
    }

    fn grades(&self, listed: Option<&Spanned<Vec<Grade>>>) -> Result<Vec<Grade>, Located> {
        let Some(listed) = listed else {
            return Ok(Vec::new());
        };
        let grades = listed.get_ref();
        if grades.is_empty() || grades.contains(&Grade::Reject) {
            return Err(self.error(
                listed.span(),
                "grades lists at least one of \"A\", \"B\" and \"C\"; leave it out to take all three",
            ));
        }
        Ok(grades.clone())
    }

    fn holds(&self, tables: &[HoldTable]) -> Result<Vec<Hold>, Located> {
        let mut holds: Vec<Hold> = Vec::new();
        for table in tables {
            let id = *table.id.get_ref();
            if holds.iter().any(|hold| hold.id == id) {
                let message = format!("hold {id} stands here twice: each hold once");
                return Err(self.error(table.id.span(), message));
            }
            let reason = table.reason.get_ref().trim();
            if reason.is_empty() {
                return Err(self.error(
                    table.reason.span(),
                    "reason is empty: say what must be known before it is released",
                ));
            }
            holds.push(Hold {
                id,
                reason: reason.to_owned(),
            });
        }
        Ok(holds)
    }

    fn markets(
        &self,
        tables: &[Spanned<MarketTable>],
        best_before_days: i64,
    ) -> Result<Vec<Market>, Located> {
        let mut markets: Vec<Market> = Vec::new();
        for table in tables {
            let market = table.get_ref();
            let id = *market.id.get_ref();
            if markets.iter().any(|m| m.id == id) {
                let message = format!("market {id} stands here twice: each market once");
                return Err(self.error(market.id.span(), message));
            }
            let read = Market {
                id,
                transit_days: self.days("transit_days", &market.transit_days, 0)?,
                arrive_age_days: self.range(
                    "arrive_age_days",
                    &market.arrive_age_days,
                    (0, LONGEST_DAYS),
                )?,
                legal_least_age_days: market
                    .legal_least_age_days
                    .as_ref()
                    .map(|days| self.days("legal_least_age_days", days, 0))
                    .transpose()?,
                grades: self.grades(market.grades.as_ref())?,
            };
            if read.arrive_age_days.most > best_before_days {
                let message = format!(
                    "market {id} takes wheels of up to {} days, but they are best before {best_before_days} days",
                    read.arrive_age_days.most
                );
                return Err(self.error(market.arrive_age_days.span(), message));
            }
            let ages = read.dispatch_ages();
            if ages.least > ages.most || ages.most < 0 {
                let message = format!(
                    "market {id} has no day to ship on: a wheel would have to leave between {} and {} days old",
                    ages.least, ages.most
                );
                return Err(self.error(table.span(), message));
            }
            markets.push(read);
        }
        Ok(markets)
    }
}
