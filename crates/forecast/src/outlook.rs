//! What a forecast says, for people and for rules.

use facts::{BatchId, RoomId, WheelId};
use quantity::{DairyClock, DairyDay};
use serde::{Deserialize, Serialize};

use crate::moment::{days, instant};
use crate::observed::Flag;
use crate::when::When;

/// A day that is expected, with how sure that is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Dates {
    /// As likely before as after.
    pub expected: DairyDay,
    /// Half the time within these days.
    pub p50: (DairyDay, DairyDay),
    /// Four times in five.
    pub p80: (DairyDay, DairyDay),
    /// Nineteen times in twenty.
    pub p95: (DairyDay, DairyDay),
}

impl Dates {
    pub(crate) fn of(when: &When, clock: &DairyClock) -> Self {
        let day = |p: f64| clock.day_of(instant(when.quantile(p)));
        Self {
            expected: day(0.5),
            p50: (day(0.25), day(0.75)),
            p80: (day(0.1), day(0.9)),
            p95: (day(0.025), day(0.975)),
        }
    }

    /// `Thu 5 Mar 2026 (4 in 5: Mon 2 Mar to Mon 9 Mar)`
    #[must_use]
    pub fn words(&self) -> String {
        let short = |day: DairyDay| day.date().format("%a %-d %b").to_string();
        let (from, until) = self.p80;
        if from == until {
            return format!("{} (4 in 5 on that day)", self.expected);
        }
        format!(
            "{} (4 in 5: {} to {})",
            self.expected,
            short(from),
            short(until)
        )
    }
}

/// The next room.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Move {
    /// From which room.
    pub from: RoomId,
    /// To which.
    pub to: RoomId,
    /// When.
    pub dates: Dates,
    /// Why then.
    pub words: String,
}

/// A short outlook on a batch or a wheel, for rules and pages: when the rind is covered as
/// the next room (or piercing) asks, and when the blue is ready.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    /// When the rind has the cover that the recipe asks for next; nothing when it asks for
    /// none any more.
    pub rind_cover: Option<Expected>,
    /// When the blue is ready.
    pub blue_ready: Expected,
}

/// A day with its 80 % interval, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expected {
    /// As likely before as after.
    pub day: DairyDay,
    /// One in ten comes before.
    pub from: DairyDay,
    /// One in ten comes after.
    pub until: DairyDay,
    /// In a sentence.
    pub words: String,
}

/// A wheel worth ironing next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WorthIroning {
    /// The wheel.
    pub wheel: WheelId,
    /// Whether it was ironed before: another core of it opens no new wheel.
    pub opened_before: bool,
    /// What a core is expected to tell of the batch's pace, in bits.
    pub bits: f64,
    /// In a sentence.
    pub words: String,
}

/// Some wheels of a batch with one date.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelGroup {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Where they stand.
    pub room: Option<RoomId>,
    /// When they are ready: each of them, not the last of them.
    pub ready: When,
}

/// A batch's forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct BatchForecast {
    /// The batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: DairyDay,
    /// Wheels in the house.
    pub wheels_in_house: usize,
    /// Where most of them stand.
    pub room: Option<RoomId>,
    /// Whether they are pierced.
    pub pierced: bool,
    /// Looks at the rind and cores that it rests on.
    pub rests_on: (usize, usize),
    /// Expected rind cover now, %.
    pub rind_now_pct: f64,
    /// Expected blue coverage now, %; nothing before piercing.
    pub blue_now_pct: Option<f64>,
    /// The next room, if there is one.
    pub next_move: Option<Move>,
    /// When the rind has the cover that is asked for next: how much, and when.
    pub rind: Option<(f64, When)>,
    /// When its middle wheel is ready.
    pub ready: When,
    /// Its wheels in the house, those with one date together.
    pub groups: Vec<WheelGroup>,
    /// How much faster (below 1) or slower than usual the rind and the blue take.
    pub pace: (f64, f64),
    /// The wheels to iron next, that first whose core is expected to tell most: as many as
    /// the recipe irons, and none when no core would tell anything.
    pub worth_ironing: Vec<WorthIroning>,
    /// The rooms that most of its wheels will be in, with their times (days since 1970).
    pub stays_ahead: Vec<(RoomId, f64, f64)>,
    /// What is odd.
    pub flags: Vec<Flag>,
    /// Past batches that the habits were learnt from.
    pub learnt_from: usize,
}

impl BatchForecast {
    /// The probability that the batch's middle wheel is ready by the end of a dairy day.
    #[must_use]
    pub fn p_ready_by(&self, day: DairyDay, clock: &DairyClock) -> f64 {
        self.ready.by(days(clock.end_of(day)))
    }

    /// Days from the first that may be to the last, each with the probability of being ready
    /// by its end.
    #[must_use]
    pub fn readiness(&self, clock: &DairyClock) -> Vec<(DairyDay, f64)> {
        readiness(&self.ready, clock)
    }

    /// The group of a wheel.
    #[must_use]
    pub fn group_of(&self, wheel: WheelId) -> Option<&WheelGroup> {
        self.groups
            .iter()
            .find(|group| group.wheels.contains(&wheel))
    }

    /// The short outlook of the batch.
    #[must_use]
    pub fn outlook(&self, clock: &DairyClock) -> Outlook {
        self.outlook_with(&self.ready, "the batch's middle wheel", clock)
    }

    /// The short outlook of one of its wheels in the house.
    #[must_use]
    pub fn wheel_outlook(&self, wheel: WheelId, clock: &DairyClock) -> Option<Outlook> {
        let group = self.group_of(wheel)?;
        Some(self.outlook_with(&group.ready, &format!("wheel {wheel}"), clock))
    }

    fn outlook_with(&self, ready: &When, who: &str, clock: &DairyClock) -> Outlook {
        let (looks, cores) = self.rests_on;
        let rests = format!("rests on {looks} rind looks and {cores} cores");
        Outlook {
            rind_cover: self.rind.as_ref().map(|(cover_pct, when)| {
                let dates = Dates::of(when, clock);
                expected(
                    dates,
                    format!(
                        "{cover_pct:.0} % rind cover about {}; {rests}",
                        dates.words()
                    ),
                )
            }),
            blue_ready: {
                let dates = Dates::of(ready, clock);
                expected(
                    dates,
                    format!("{who} is ready about {}; {rests}", dates.words()),
                )
            },
        }
    }
}

fn expected(dates: Dates, words: String) -> Expected {
    Expected {
        day: dates.expected,
        from: dates.p80.0,
        until: dates.p80.1,
        words,
    }
}

/// Days with the probability of having happened by their end.
#[must_use]
pub fn readiness(when: &When, clock: &DairyClock) -> Vec<(DairyDay, f64)> {
    let first = clock.day_of(instant(when.quantile(0.0)));
    let last = clock.day_of(instant(when.quantile(1.0)));
    let span = last.days_since(first).clamp(0, 500);
    let each = (0..=span).map(|n| first.plus(n));
    each.map(|day| (day, when.by(days(clock.end_of(day)))))
        .collect()
}
