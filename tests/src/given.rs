//! Facts made by hand.

use chrono::{DateTime, Utc};
use facts::{
    Event, Fact, FactIdSource, HoopId, StackId, StationId, ToolCheck, ToolChecked, WheelHooped,
    WheelId, WheelPortioned,
};
use quantity::Grams;

/// One station's facts, numbered and named in the order in which they are given.
pub struct Given {
    station: StationId,
    number: u64,
    ids: FactIdSource,
    /// The facts.
    pub facts: Vec<Fact>,
}

/// Reads a code.
///
/// # Panics
/// When it is none.
#[must_use]
pub fn code<T: std::str::FromStr<Err = facts::BadCode>>(text: &str) -> T {
    text.parse().expect("a code")
}

/// Reads a time, such as `2026-03-02T06:00:00Z`.
///
/// # Panics
/// When it is none.
#[must_use]
pub fn time(text: &str) -> DateTime<Utc> {
    text.parse().expect("a time")
}

impl Given {
    /// A station that has stated nothing yet.
    #[must_use]
    pub fn at(station: &str) -> Self {
        Self {
            station: code(station),
            number: 0,
            ids: FactIdSource::default(),
            facts: Vec::new(),
        }
    }

    /// It states a fact: written down now, and done then by its clock.
    pub fn states(
        &mut self,
        now: DateTime<Utc>,
        then: DateTime<Utc>,
        event: impl Into<Event>,
    ) -> &mut Self {
        self.number += 1;
        self.facts.push(Fact {
            id: self.ids.next(now),
            site: code("larkholm"),
            station: self.station,
            station_seq: self.number,
            person: None,
            occurred_at: then,
            claimed_at: None,
            recorded_at: now,
            event: event.into(),
        });
        self
    }

    /// Wheels are weighed out and put in hoops, six in a stack: wheel `311-07` is in hoop
    /// `H7` of stack `K2`.
    ///
    /// # Panics
    /// When there are too many for one batch.
    pub fn makes(&mut self, now: DateTime<Utc>, batch: &str, wheels: usize) -> &mut Self {
        for n in 1..=wheels {
            let wheel: WheelId = code(&format!("{batch}-{n:02}"));
            self.states(now, now, portioned(wheel.as_str(), batch));
            self.states(
                now,
                now,
                WheelHooped {
                    wheel,
                    hoop: code::<HoopId>(&format!("H{n}")),
                    stack: Some(code::<StackId>(&format!("K{}", n.div_ceil(6)))),
                },
            );
        }
        self
    }
}

/// A wheel was weighed out.
///
/// # Panics
/// When a code is none.
#[must_use]
pub fn portioned(wheel: &str, batch: &str) -> WheelPortioned {
    WheelPortioned {
        wheel: code(wheel),
        batch: code(batch),
        weight_g: Grams::new(4_200).expect("a weight"),
        scale: None,
        tare_g: None,
        mixer: None,
    }
}

/// A piercing machine's needles were counted.
///
/// # Panics
/// When the code is none.
#[must_use]
pub fn needles(machine: &str, expected: u32, counted: u32) -> ToolChecked {
    ToolChecked {
        tool: code(machine),
        check: ToolCheck::Needles { expected, counted },
    }
}
