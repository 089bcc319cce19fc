//! How what this crate keeps lies in a store: not as the wire has it.
//!
//! Whatever is stored has the traits of Borsh, a binary format with a specification. The
//! wire's types have those of serde alone: a fact's body does not even compile here, and no
//! serde attribute changes a byte. `crates/store` holds the layout with golden bytes.

use std::collections::BTreeMap;
use std::io::{Error, ErrorKind, Read, Result, Write};

use borsh::{BorshDeserialize, BorshSerialize};
use chrono::{DateTime, Datelike as _, NaiveDate, Utc};
use facts::{BatchId, ExpectedOn, ForecastTold, RoomId, ToolCheck, WheelId};
use quantity::{Grams, Percent};

use crate::Moment;

/// An instant, to the microsecond.
///
/// # Errors
/// What the writer reports.
pub fn write_instant<W: Write>(at: &DateTime<Utc>, to: &mut W) -> Result<()> {
    at.timestamp_micros().serialize(to)
}

/// An instant, as [`write_instant`] wrote it.
///
/// # Errors
/// When there is none.
pub fn read_instant<R: Read>(from: &mut R) -> Result<DateTime<Utc>> {
    let micros = i64::deserialize_reader(from)?;
    DateTime::from_timestamp_micros(micros).ok_or_else(|| wrong("an instant outside the calendar"))
}

fn wrong(what: &str) -> Error {
    Error::new(ErrorKind::InvalidData, what)
}

/// A day, counted from the first of the calendar.
#[derive(BorshDeserialize, BorshSerialize)]
struct Day(i32);

impl Day {
    fn of(day: NaiveDate) -> Self {
        Self(day.num_days_from_ce())
    }

    fn date(&self) -> Result<NaiveDate> {
        NaiveDate::from_num_days_from_ce_opt(self.0).ok_or_else(|| wrong("a day that is none"))
    }
}

#[derive(BorshDeserialize, BorshSerialize)]
struct Expected {
    day: Day,
    from: Day,
    until: Day,
}

impl Expected {
    fn of(on: &ExpectedOn) -> Self {
        Self {
            day: Day::of(on.day),
            from: Day::of(on.from),
            until: Day::of(on.until),
        }
    }

    fn on(&self) -> Result<ExpectedOn> {
        Ok(ExpectedOn {
            day: self.day.date()?,
            from: self.from.date()?,
            until: self.until.date()?,
        })
    }
}

#[derive(BorshDeserialize, BorshSerialize)]
struct Forecast {
    batch: BatchId,
    cover_pct: Option<Percent>,
    covered: Option<Expected>,
    leaves: Option<RoomId>,
    moved_on: Option<Expected>,
    ready: Expected,
    rind_looks: u32,
    cores: u32,
    learnt_from: u32,
    worth_ironing: Vec<WheelId>,
}

impl Forecast {
    fn of(told: &ForecastTold) -> Self {
        let ForecastTold {
            batch,
            cover_pct,
            covered,
            leaves,
            moved_on,
            ready,
            rind_looks,
            cores,
            learnt_from,
            worth_ironing,
        } = told;
        Self {
            batch: *batch,
            cover_pct: *cover_pct,
            covered: covered.as_ref().map(Expected::of),
            leaves: *leaves,
            moved_on: moved_on.as_ref().map(Expected::of),
            ready: Expected::of(ready),
            rind_looks: *rind_looks,
            cores: *cores,
            learnt_from: *learnt_from,
            worth_ironing: worth_ironing.clone(),
        }
    }

    fn told(self) -> Result<ForecastTold> {
        let on = |expected: Option<Expected>| expected.map(|e| e.on()).transpose();
        Ok(ForecastTold {
            batch: self.batch,
            cover_pct: self.cover_pct,
            covered: on(self.covered)?,
            leaves: self.leaves,
            moved_on: on(self.moved_on)?,
            ready: self.ready.on()?,
            rind_looks: self.rind_looks,
            cores: self.cores,
            learnt_from: self.learnt_from,
            worth_ironing: self.worth_ironing,
        })
    }
}

pub(crate) fn write_forecasts<W: Write>(
    told: &BTreeMap<Moment, ForecastTold>,
    to: &mut W,
) -> Result<()> {
    let all: Vec<_> = told
        .iter()
        .map(|(at, told)| (at, Forecast::of(told)))
        .collect();
    all.serialize(to)
}

pub(crate) fn read_forecasts<R: Read>(from: &mut R) -> Result<BTreeMap<Moment, ForecastTold>> {
    let all = Vec::<(Moment, Forecast)>::deserialize_reader(from)?;
    all.into_iter()
        .map(|(at, forecast)| Ok((at, forecast.told()?)))
        .collect()
}

#[derive(BorshDeserialize, BorshSerialize)]
enum Check {
    Needles {
        expected: u32,
        counted: u32,
    },
    Iron {
        whole: bool,
    },
    CheckWeight {
        applied: Grams,
        shown: Grams,
        allowed: Grams,
    },
}

impl From<&ToolCheck> for Check {
    fn from(check: &ToolCheck) -> Self {
        match *check {
            ToolCheck::Needles { expected, counted } => Self::Needles { expected, counted },
            ToolCheck::Iron { whole } => Self::Iron { whole },
            ToolCheck::CheckWeight {
                applied_g,
                shown_g,
                allowed_g,
            } => Self::CheckWeight {
                applied: applied_g,
                shown: shown_g,
                allowed: allowed_g,
            },
        }
    }
}

impl From<Check> for ToolCheck {
    fn from(check: Check) -> Self {
        match check {
            Check::Needles { expected, counted } => Self::Needles { expected, counted },
            Check::Iron { whole } => Self::Iron { whole },
            Check::CheckWeight {
                applied,
                shown,
                allowed,
            } => Self::CheckWeight {
                applied_g: applied,
                shown_g: shown,
                allowed_g: allowed,
            },
        }
    }
}

pub(crate) fn write_checks<W: Write>(
    checks: &BTreeMap<Moment, ToolCheck>,
    to: &mut W,
) -> Result<()> {
    let all: Vec<_> = checks
        .iter()
        .map(|(at, check)| (at, Check::from(check)))
        .collect();
    all.serialize(to)
}

pub(crate) fn read_checks<R: Read>(from: &mut R) -> Result<BTreeMap<Moment, ToolCheck>> {
    let all = Vec::<(Moment, Check)>::deserialize_reader(from)?;
    Ok(all
        .into_iter()
        .map(|(at, check)| (at, check.into()))
        .collect())
}
