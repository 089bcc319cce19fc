//! A batch gathered from its facts, and what is remembered of it in one line once it is gone.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::{BatchId, Fact, RecipeId, stored_struct};
use forecast::{Batch, gather};
use makes::{balance, makes};
use quantity::DairyDay;
use site::Site;

use crate::shelf::exact;

/// What is remembered of every batch.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Line {
    /// What it ripens by, if a wheel of it was portioned and a file has that recipe.
    pub(crate) recipe: Option<RecipeId>,
    /// Its wheels ripen by a recipe that is in no file.
    pub(crate) without_recipe: bool,
    /// Its make day.
    pub(crate) made: DairyDay,
    /// Since when none of its wheels is in the house, days since 1970; none while one is.
    pub(crate) gone: Option<f64>,
    /// Kilograms of its make that nobody can explain, in words, once it is closed.
    pub(crate) unexplained: Option<Unexplained>,
    /// The newest of its facts: when it was recorded, and when it happened.
    pub(crate) recorded: DateTime<Utc>,
    pub(crate) occurred: DateTime<Utc>,
}

stored_struct!(Line {
    recipe,
    without_recipe,
    made via day,
    gone,
    unexplained,
    recorded via exact,
    occurred via exact,
});

/// A make whose kilograms do not add up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Unexplained {
    /// The day of the make.
    pub(crate) made: DairyDay,
    /// What is missing.
    pub(crate) words: String,
}

stored_struct!(Unexplained { made via day, words });

mod day {
    use std::io::{Error, ErrorKind, Read, Result, Write};

    use chrono::{Datelike as _, NaiveDate};
    use facts::stored::borsh::{BorshDeserialize, BorshSerialize};
    use quantity::DairyDay;

    pub(crate) fn write<W: Write>(day: &DairyDay, to: &mut W) -> Result<()> {
        day.date().num_days_from_ce().serialize(to)
    }

    pub(crate) fn read<R: Read>(from: &mut R) -> Result<DairyDay> {
        let day = NaiveDate::from_num_days_from_ce_opt(i32::deserialize_reader(from)?);
        let outside = || Error::new(ErrorKind::InvalidData, "a day outside the calendar");
        Ok(DairyDay::starting(day.ok_or_else(outside)?))
    }
}

/// A batch gathered from its facts.
pub(crate) struct Gathered {
    /// If a wheel of it was portioned, and its recipe is known.
    pub(crate) batch: Option<Arc<Batch>>,
    pub(crate) line: Line,
}

impl Gathered {
    /// From all facts of a batch that had been recorded `before` an instant, up to `now`; none
    /// where there are none.
    pub(crate) fn of(
        id: BatchId,
        facts: &[Fact],
        site: &Site,
        now: DateTime<Utc>,
        before: Option<DateTime<Utc>>,
    ) -> Option<Self> {
        let recorded = facts.iter().map(|fact| fact.recorded_at).max()?;
        let occurred = facts.iter().map(|fact| fact.occurred_at).max()?;
        let counts = |fact: &&Fact| before.is_none_or(|before| fact.recorded_at < before);
        let counting = holds::counting(facts.iter().filter(counts), &site.rights());
        let (mut batches, without) = gather(&counting, &site.clock, &site.recipes, now);
        let batch = batches.remove(&id);
        let make = makes(&counting, &site.clock).remove(&id);
        let unexplained = make.as_ref().and_then(|make| {
            let balance = balance(make);
            balance.unexplained_kg.filter(|_| make.closed)?;
            Some(Unexplained {
                made: make.made,
                words: balance.words?,
            })
        });
        let made = batch.as_ref().map(|batch| batch.made);
        let gone = batch.as_ref().and_then(|batch| {
            let mut left = batch.classes.iter().map(|class| class.left);
            left.try_fold(f64::NEG_INFINITY, |last, left| Some(last.max(left?)))
        });
        let line = Line {
            recipe: batch.as_ref().map(|batch| batch.recipe.id),
            without_recipe: without.contains(&id),
            made: made.unwrap_or_else(|| site.clock.day_of(occurred)),
            gone: gone.filter(|at| at.is_finite()),
            unexplained,
            recorded,
            occurred,
        };
        let batch = batch.map(Arc::new);
        Some(Self { batch, line })
    }
}
