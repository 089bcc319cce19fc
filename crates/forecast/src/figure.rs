//! Pictures of forecasts, the same for the command line, for pages and for reports.

use chart::Figure;
use facts::RoomId;
use serde::{Deserialize, Serialize};

use crate::desk::{About, Desk, NoForecast};
use crate::draw;

/// Weeks that are looked ahead.
const WEEKS: u16 = 10;

/// Days of a room's air that are drawn.
const ROOM_DAYS: i64 = 28;

/// What can be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Chart {
    /// Rind and blue of a batch, with looks and cores.
    Growth,
    /// Wheels ready, week by week.
    Readiness,
    /// A wheel's weight.
    Drying,
    /// A room's air in the last four weeks.
    Room,
}

/// A picture, as an answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Drawn {
    /// Scalable Vector Graphics; its look is the page's or its own.
    pub svg: String,
}

impl Desk {
    /// Draws something: growth of a batch, drying of a wheel, a room's air, or how many
    /// wheels get ready.
    ///
    /// # Errors
    /// [`NoForecast`] says what has to be named for it.
    pub fn figure(
        &self,
        chart: Chart,
        what: Option<&str>,
        room: Option<RoomId>,
        threads: usize,
    ) -> Result<Figure, NoForecast> {
        let clock = &self.history.clock;
        let forecaster = self.forecaster();
        let about = what.map(|what| self.about(what)).transpose()?;
        match chart {
            Chart::Growth => {
                let batch = about.ok_or(NoForecast::NameBatch)?.batch();
                let curves = forecaster.curves(batch);
                let curves = curves.ok_or(NoForecast::NotMade(batch))?;
                Ok(draw::growth(&self.batch(batch)?, &curves, clock))
            }
            Chart::Readiness => {
                let all = forecaster.all(threads);
                Ok(draw::readiness(&all, clock, self.today(), WEEKS))
            }
            Chart::Drying => {
                let Some(About::Wheel(batch, wheel)) = about else {
                    return Err(NoForecast::NameWheel);
                };
                let drying = self.drying(batch);
                let curve = drying.and_then(|drying| forecaster.drying_curve(wheel, &drying));
                let curve = curve.ok_or(NoForecast::NotMade(batch))?;
                Ok(draw::drying(wheel, &curve, clock))
            }
            Chart::Room => {
                let room = self.room(room.ok_or(NoForecast::NameRoom)?)?;
                let air = self.history.air.get(&room);
                let air = air.ok_or(NoForecast::NeverMeasured(room))?;
                let days = (self.today().plus(1 - ROOM_DAYS), self.today());
                let ranges = self.history.ranges.get(&room);
                Ok(draw::room(room, air, ranges, clock, days))
            }
        }
    }
}
