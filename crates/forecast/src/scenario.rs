//! What if: a room warmer for a while, a piercing put off.

use facts::RoomId;
use serde::{Deserialize, Serialize};

use crate::pace::{Air, Process, Rooms};

/// A room that is warmer or colder than usual for a while.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Warmer {
    /// The room.
    pub room: RoomId,
    /// °C more than usual; negative for colder.
    pub by_c: f64,
    /// From when, days since 1970.
    #[serde(skip)]
    pub from_days: f64,
    /// Until when, days since 1970.
    #[serde(skip)]
    pub until_days: f64,
}

/// What is assumed of the days ahead, beside what is usual.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Scenario {
    /// Rooms that are warmer or colder.
    pub warmer: Vec<Warmer>,
    /// Days by which a piercing that has not happened yet is put off; negative for earlier.
    pub pierce_later_days: f64,
}

impl Scenario {
    /// Whether nothing is assumed.
    #[must_use]
    pub fn is_usual(&self) -> bool {
        self.warmer.is_empty() && self.pierce_later_days == 0.0
    }

    /// °C more than usual in a room at an instant.
    pub(crate) fn warmer_c(&self, room: RoomId, at_days: f64) -> f64 {
        let now = |w: &&Warmer| w.room == room && (w.from_days..w.until_days).contains(&at_days);
        self.warmer.iter().filter(now).map(|w| w.by_c).sum()
    }

    /// The instants within `from..until` at which something assumed of a room begins or ends.
    pub(crate) fn edges(&self, room: RoomId, from: f64, until: f64) -> Vec<f64> {
        let mut edges: Vec<f64> = self
            .warmer
            .iter()
            .filter(|w| w.room == room)
            .flat_map(|w| [w.from_days, w.until_days])
            .filter(|edge| *edge > from && *edge < until)
            .collect();
        edges.sort_by(f64::total_cmp);
        edges
    }
}

/// How a forecast changes under a scenario.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Days by which the expected date moves; negative for earlier.
    pub by_days: f64,
    /// Why, in words.
    pub words: String,
}

impl Scenario {
    /// Says how a batch's readiness moves, and why. `rooms` and `now_days` tell how warm each
    /// room usually is; `stays` are the rooms that the batch will be in, with their times.
    pub(crate) fn explain(
        &self,
        by_days: f64,
        pierced: bool,
        rooms: &Rooms,
        now_days: f64,
        stays: &[(RoomId, f64, f64)],
    ) -> Change {
        let mut reasons = Vec::new();
        for warmer in &self.warmer {
            let there: f64 = stays
                .iter()
                .filter(|(room, ..)| *room == warmer.room)
                .map(|(_, from, until)| {
                    (until.min(warmer.until_days) - from.max(warmer.from_days)).max(0.0)
                })
                .sum();
            let room = warmer.room;
            if there < 0.05 {
                reasons.push(format!("it is not in {room} during those days"));
                continue;
            }
            let usual = rooms.usual(room, now_days);
            let then = Air {
                temperature_c: usual.temperature_c + warmer.by_c,
                ..usual
            };
            let counts = then.speed(Process::Blue) / usual.speed(Process::Blue).max(1e-9);
            reasons.push(format!(
                "{there:.0} days in {room} at {:.1} instead of {:.1} °C count {counts:.2} days \
                 each for the mould",
                then.temperature_c, usual.temperature_c
            ));
        }
        if self.pierce_later_days != 0.0 {
            reasons.push(if pierced {
                "it is pierced already: piercing cannot be put off".to_owned()
            } else {
                format!(
                    "the blue gets its air {:.0} days {}",
                    self.pierce_later_days.abs(),
                    if self.pierce_later_days > 0.0 {
                        "later"
                    } else {
                        "earlier"
                    }
                )
            });
        }
        let moves = if by_days.abs() < 0.05 {
            "ready on the same day".to_owned()
        } else {
            let off = if by_days > 0.0 { "later" } else { "earlier" };
            format!("ready {:.1} days {off}", by_days.abs())
        };
        Change {
            by_days,
            words: format!("{moves}: {}", reasons.join("; ")),
        }
    }
}
