//! Reading a recipe file and checking that it is consistent.

mod days;
mod hold;
mod iron;
mod market;
mod pierce;
mod portion;
mod room;

use days::{AgesTable, LONGEST_DAYS};
use facts::RecipeId;
use serde::Deserialize;
use toml::Spanned;

use crate::rules::{Drain, Grading, Milk, Recipe, Rind, RubUp};
use crate::{Located, Origin};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    recipe: RecipeId,
    version: Spanned<u32>,
    name: String,
    milk: Milk,
    best_before_days: Spanned<i64>,
    portion: portion::PortionTable,
    finish: Option<Spanned<portion::FinishTable>>,
    drain: DrainTable,
    rub_up: RubUpTable,
    rind: RindTable,
    #[serde(default)]
    stage: Vec<Spanned<room::StageTable>>,
    pierce: pierce::PierceTable,
    iron: iron::IronTable,
    grade: GradeTable,
    #[serde(default)]
    market: Vec<Spanned<market::MarketTable>>,
    #[serde(default)]
    hold: Vec<hold::HoldTable>,
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
struct GradeTable {
    within_days: Spanned<i64>,
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
        let version = *file.version.get_ref();
        if version == 0 {
            let message = "version is 0: the first version is 1, and each change gets the next";
            return Err(origin.error(file.version.span(), message));
        }
        let unhoop = origin.ages("unhoop_age_days", &file.drain.unhoop_age_days)?;
        let pierce = pierce::pierce(origin, &file.pierce, unhoop)?;
        let portion = portion::portion(origin, &file.portion)?;
        let iron = iron::iron(origin, &file.iron, pierce.age)?;
        let best_before_days = origin.days("best_before_days", &file.best_before_days, 1)?;
        Ok(Self {
            id: file.recipe,
            version,
            name: file.name,
            milk: file.milk,
            portion,
            finish: portion::finish(origin, file.finish.as_ref(), portion)?,
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
            stages: room::stages(origin, &file.stage)?,
            pierce,
            iron,
            grading: Grading {
                within_days: origin.days("within_days", &file.grade.within_days, 0)?,
            },
            markets: market::markets(origin, &file.market, best_before_days)?,
            holds: hold::holds(origin, &file.hold)?,
            best_before_days,
        })
    }
}
