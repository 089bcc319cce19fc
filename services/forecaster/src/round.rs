//! One round of forecasts.

use bus::telling::Telling;
use chrono::{DateTime, Utc};
use facts::{BatchId, ForecastTold};
use forecast::Desk;
use projection::StoreError;
use site::Site;

use crate::book::Book;
use crate::{alerts, threads};

/// What a round begins with.
pub(crate) struct Round {
    pub(crate) site: Site,
    pub(crate) book: Book,
    /// The instant that is forecast from, and when its day began.
    pub(crate) now: DateTime<Utc>,
    pub(crate) day_began: DateTime<Utc>,
}

/// What a round ends with.
pub(crate) struct Pass {
    pub(crate) book: Book,
    pub(crate) desk: Desk,
    pub(crate) told: Vec<ForecastTold>,
    /// Makes whose kilograms do not add up: fresh ones, and those too old to tell of.
    pub(crate) unexplained: (Vec<Telling>, Vec<Telling>),
    /// Batches that dry unlike the others.
    pub(crate) drying: Vec<Telling>,
}

impl Round {
    /// Forecasts every batch in the house.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn work(self) -> Result<Pass, StoreError> {
        let Self {
            site,
            mut book,
            now,
            day_began,
        } = self;
        book.renew(&site, now, day_began)?;
        let habits = book.habits(&site, day_began, threads())?;
        let desk = Desk {
            history: book.history(&site),
            habits,
            now,
        };
        let all = desk.forecaster().all(threads());
        let told = all.iter().map(|forecast| desk.told(forecast)).collect();
        let batches: Vec<BatchId> = all.iter().map(|forecast| forecast.batch).collect();
        Ok(Pass {
            told,
            unexplained: alerts::unexplained(&book.lines, &desk),
            drying: alerts::drying(&desk, &batches),
            book,
            desk,
        })
    }
}
