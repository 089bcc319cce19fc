//! Trouble that is not about what single wheels need: rooms, tools and stations.

use chrono::{DateTime, NaiveDate, Utc};
use climate::gas;
use facts::{BatchId, RoomId, StationId, ToolId, WheelId};
use quantity::DairyDay;

use super::Floor;
use crate::alert::{Level, Situation, Subject, Trouble};
use crate::wheels::Slot;

impl Floor {
    pub(super) fn judge_room(&mut self, id: RoomId, now: DateTime<Utc>) {
        let stage = self
            .practice
            .recipes
            .iter()
            .rev()
            .find_map(|recipe| recipe.stage_of(id));
        let Some(room) = self.rooms.get(&id) else {
            return;
        };
        let clock = &self.practice.clock;
        let look = room.look(stage.map(|(_, stage)| stage), &self.voids, clock, now);
        let out = look.excursion.as_ref().map(|e| {
            let since = clock.floor_time(e.since);
            let level = if (e.until - e.since).num_hours() >= 6 {
                Level::Escalated
            } else {
                Level::Raised
            };
            Trouble {
                level,
                since: e.since,
                words: format!(
                    "{} since {since}. Look at the cooling and the doors",
                    e.words
                ),
            }
        });
        let doubted = look.doubted_since.map(|since| Trouble {
            level: Level::Raised,
            since,
            words: look.doubts.join(". "),
        });
        let caution = |from, to_leave| {
            look.caution_from(from).map(|(at, caution)| {
                let level = if caution.urgency >= to_leave {
                    Level::Escalated
                } else {
                    Level::Raised
                };
                Trouble {
                    level,
                    since: *at,
                    words: format!("{} Measured {}", caution.words, clock.floor_time(*at)),
                }
            })
        };
        let gas = caution(gas::Urgency::Ventilate, gas::Urgency::Leave);
        let danger = caution(gas::Urgency::Danger, gas::Urgency::Danger);
        let silent_from = look.silent_from;
        let subject = Subject::Room(id);
        self.board.other((Situation::RoomOutOfRange, subject), out);
        self.board
            .other((Situation::SensorDoubted, subject), doubted);
        self.board.other((Situation::GasHigh, subject), gas);
        self.board.other((Situation::GasDanger, subject), danger);
        match silent_from {
            Some(at) => self.silent_from.insert(id, at),
            None => self.silent_from.remove(&id),
        };
    }

    /// Rooms in which a sensor has been silent for long enough to tell someone.
    pub(super) fn hear_silence(&mut self, now: DateTime<Utc>) {
        let silent = self.silent_from.iter().filter(|(_, at)| **at <= now);
        self.stale.rooms.extend(silent.map(|(room, _)| *room));
    }

    /// Wheels that a machine has pierced since an instant, or ever.
    fn pierced_since(&self, machine: ToolId, since: Option<DateTime<Utc>>) -> Vec<Slot> {
        let first = since.map_or(DairyDay::starting(NaiveDate::MIN), |at| {
            self.calendar.day_of(at)
        });
        let last = DairyDay::starting(NaiveDate::MAX);
        let runs = self.pierced.range((machine, first)..=(machine, last));
        let mut wheels: Vec<Slot> = runs.flat_map(|(_, wheels)| wheels).copied().collect();
        wheels.sort_unstable();
        wheels.dedup();
        wheels.retain(|slot| {
            self.wheels[*slot].state.piercings.iter().any(|piercing| {
                piercing.machine == machine && since.is_none_or(|since| piercing.moment.at > since)
            })
        });
        wheels
    }

    /// A batch on the floor that was made by a version which the site no longer has.
    pub(super) fn judge_recipe(&mut self, id: BatchId) {
        let Some(batch) = self.batches.get(&id) else {
            return;
        };
        let on_floor = |wheel: &WheelId| {
            let wheel = self.wheels.get(*wheel);
            wheel.is_some_and(|wheel| wheel.state.on_floor())
        };
        let here = batch.wheels.is_empty() || batch.wheels.iter().any(on_floor);
        let missing = batch.missing.filter(|_| here).map(|(recipe, version)| {
            let by = batch.recipe.as_ref().map_or_else(
                || "nothing is asked for its wheels until then".to_owned(),
                |by| format!("until then they go by v{}", by.version),
            );
            let first = batch.lines.keys().next();
            Trouble {
                level: Level::Raised,
                since: first.map_or(self.now, |moment| moment.at),
                words: format!(
                    "It was made by {recipe} v{version}: name that file in the site file again, or move the batch on purpose (in the browser: Write down); {by}"
                ),
            }
        });
        self.board
            .other((Situation::RecipeMissing, Subject::Batch(id)), missing);
    }

    pub(super) fn judge_tool(&mut self, id: ToolId) {
        let standing = self
            .tools
            .get(&id)
            .and_then(|tool| tool.standing(&self.voids));
        let failed = standing.filter(|(_, check, _)| !check.passed());
        let mut wheels = Vec::new();
        let failed = failed.map(|(at, check, good)| {
            let what = match check {
                facts::ToolCheck::Needles { expected, counted } => {
                    wheels = self.pierced_since(id, good.map(|moment| moment.at));
                    let gone = wheels.iter().map(|slot| &self.wheels[*slot].state);
                    let gone = gone.filter(|state| state.dispatched.is_some()).count();
                    let gone = match gone {
                        0 => String::new(),
                        n => format!("; {n} of them have left: call them back"),
                    };
                    format!(
                        "{counted} of {expected} needles found. {} wheels pierced since the last good check: hold them and look for metal{gone}",
                        wheels.len()
                    )
                }
                facts::ToolCheck::Iron { .. } => {
                    "the iron is not whole: hold the wheels it was used on".to_owned()
                }
                facts::ToolCheck::CheckWeight { applied_g, shown_g, .. } => {
                    format!("shows {shown_g} for {applied_g}: do not weigh with it")
                }
            };
            let when = self.practice.clock.floor_time(at.at);
            Trouble {
                level: Level::Raised,
                since: at.at,
                words: format!("{what} ({when})"),
            }
        });
        let key = (Situation::CheckFailed, Subject::Tool(id));
        self.board.other_with(key, failed, &wheels);
    }

    pub(super) fn judge_station(&mut self, id: StationId) {
        let Some(log) = self.stations.get(&id) else {
            return;
        };
        let since = log.latest_at();
        let gap = log.missing().next().map(|(first, last)| {
            let n = log.missing_count();
            let which = if first == last {
                format!("{first}")
            } else {
                format!("{first} to {last}")
            };
            Trouble {
                level: Level::Raised,
                since,
                words: format!(
                    "{n} missing, the first numbered {which}: let the station send again"
                ),
            }
        });
        let clock = log.clock_wrong().map(|drift| Trouble {
            level: Level::Raised,
            since,
            words: drift.to_string(),
        });
        self.board
            .other((Situation::FactsMissing, Subject::Station(id)), gap);
        self.board
            .other((Situation::ClockWrong, Subject::Station(id)), clock);
    }
}
