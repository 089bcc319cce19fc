//! How forecasts lie in a store: not as the wire has them. All else that is
//! stored is of this crate's own types, each of which says beside itself how it lies
//! (`facts::stored`).

use std::collections::BTreeMap;
use std::io::{Error, ErrorKind, Read, Result, Write};

use chrono::{Datelike as _, NaiveDate};
use facts::stored::borsh::{BorshDeserialize, BorshSerialize};
use facts::{BatchId, ExpectedOn, ForecastTold, RoomId, WheelId, stored_struct};
use quantity::Percent;

use crate::Moment;

fn wrong(what: &str) -> Error {
    Error::new(ErrorKind::InvalidData, what)
}

/// A day, counted from the first of the calendar.
struct Day {
    from_ce: i32,
}

stored_struct!(Day { from_ce });

impl Day {
    fn of(day: NaiveDate) -> Self {
        Self {
            from_ce: day.num_days_from_ce(),
        }
    }

    fn date(&self) -> Result<NaiveDate> {
        NaiveDate::from_num_days_from_ce_opt(self.from_ce)
            .ok_or_else(|| wrong("a day that is none"))
    }
}

struct Expected {
    day: Day,
    from: Day,
    until: Day,
}

stored_struct!(Expected { day, from, until });

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

stored_struct!(Forecast {
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
});

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

/// Forecasts told.
pub(crate) mod forecasts {
    use super::*;

    pub(crate) fn write<W: Write>(told: &BTreeMap<Moment, ForecastTold>, to: &mut W) -> Result<()> {
        let all: Vec<_> = told
            .iter()
            .map(|(at, told)| (at, Forecast::of(told)))
            .collect();
        all.serialize(to)
    }

    pub(crate) fn read<R: Read>(from: &mut R) -> Result<BTreeMap<Moment, ForecastTold>> {
        let all = Vec::<(Moment, Forecast)>::deserialize_reader(from)?;
        all.into_iter()
            .map(|(at, forecast)| Ok((at, forecast.told()?)))
            .collect()
    }
}
