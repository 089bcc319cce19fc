//! What people and devices do, as the system gets to see it.

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};

/// One thing that someone or something did at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Doing {
    /// When it was done.
    pub at: DateTime<Utc>,
    /// When it reaches the system: later than `at` for scans that a handheld without a
    /// connection kept.
    pub arrives_at: DateTime<Utc>,
    /// The station.
    pub station: &'static str,
    /// What was done.
    pub what: What,
    /// How a station should answer.
    pub answer: Expected,
}

impl Doing {
    /// Whether it reached the system later than it was done.
    #[must_use]
    pub fn is_late(&self) -> bool {
        self.arrives_at > self.at
    }

    /// The line as the scanner sends it. One that a handheld kept starts with the time at
    /// which it was made: `@2026-03-03T06:40:00Z S.S007`. `None` when nothing was scanned.
    #[must_use]
    pub fn sent_line(&self) -> Option<String> {
        match &self.what {
            What::Scan(line) if self.is_late() => {
                let at = self.at.to_rfc3339_opts(SecondsFormat::Secs, true);
                Some(format!("@{at} {line}"))
            }
            What::Scan(line) => Some(line.clone()),
            What::Weight { .. } | What::Release { .. } | What::Climate { .. } => None,
        }
    }
}

/// What was done.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// A barcode was read: the line without the time at which it was.
    Scan(String),
    /// Something was put on the station's scale and came to rest.
    Weight {
        /// Net weight in grams.
        grams: u32,
    },
    /// A manager who is signed in releases wheels from a hold, on the Holds page.
    Release {
        /// The manager's badge.
        person: &'static str,
        /// The hold.
        hold: String,
        /// The wheels.
        wheels: Vec<String>,
    },
    /// A room's air was measured.
    Climate {
        /// The room.
        room: &'static str,
        /// Air temperature, °C.
        temperature_c: f64,
        /// Relative humidity, %.
        humidity_pct: f64,
    },
}

/// How a station should answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// Recorded, or more is asked for.
    Fine,
    /// Something is wrong: either nothing is recorded, or it is recorded and flagged.
    Wrong,
    /// Someone could be harmed: a held wheel may not leave, a needle is missing.
    Stop,
    /// A number that nobody placed an order under: more is asked for, and where a dispatch desk
    /// knows the orders it is wrong.
    NobodysOrder,
}

/// Everything that reaches the system during one dairy day.
#[derive(Debug, Clone, PartialEq)]
pub struct DayScript {
    /// The date on which the dairy day starts.
    pub day: NaiveDate,
    /// In the order of arrival. Late ones may have been done the day before; the scans
    /// of one visit to a station always stay together and in order.
    pub doings: Vec<Doing>,
    /// What is sold today: ordered before, and sent this afternoon.
    pub sales: Vec<Sale>,
}

/// Wheels that go to a customer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sale {
    /// The order's number.
    pub order: String,
    /// The market.
    pub market: &'static str,
    /// How many wheels.
    pub wheels: usize,
}
