//! A forecast as it is told: days and words instead of instants, ready to be printed or
//! sent.

use facts::{BatchId, RoomId, WheelId};
use quantity::{DairyClock, DairyDay};
use serde::{Deserialize, Serialize};

use crate::observed::Flag;
use crate::outlook::{BatchForecast, Dates, Move, WheelGroup, WorthIroning};

/// A batch's forecast, told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Told {
    /// The batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: DairyDay,
    /// Its age, days.
    pub age_days: i64,
    /// Wheels in the house.
    pub wheels_in_house: usize,
    /// Where most of them stand.
    pub room: Option<RoomId>,
    /// Whether they are pierced.
    pub pierced: bool,
    /// Expected rind cover now, %.
    pub rind_now_pct: f64,
    /// Expected blue coverage now, %; nothing before piercing.
    pub blue_now_pct: Option<f64>,
    /// The cover that is asked for next, %, and when it is expected.
    pub rind: Option<(f64, Dates)>,
    /// The next room.
    pub next_move: Option<Move>,
    /// When the middle wheel is ready.
    pub ready: Dates,
    /// Its age then, days.
    pub ready_age_days: i64,
    /// Probability of being ready by the end of each day.
    pub p_ready_by: Vec<(DairyDay, f64)>,
    /// The wheels in the house.
    pub wheels: Vec<ToldWheels>,
    /// How much of the usual time the rind takes, and the blue: 1.1 is a tenth longer.
    pub takes: (f64, f64),
    /// The wheels to iron next, that first which tells most.
    pub worth_ironing: Vec<WorthIroning>,
    /// What is odd.
    pub flags: Vec<Flag>,
    /// All of it in a few sentences.
    pub words: String,
}

/// Wheels with one date.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToldWheels {
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Where they stand.
    pub room: Option<RoomId>,
    /// When each of them is ready.
    pub ready: Dates,
}

impl ToldWheels {
    fn of(group: &WheelGroup, clock: &DairyClock) -> Self {
        Self {
            wheels: group.wheels.clone(),
            room: group.room,
            ready: Dates::of(&group.ready, clock),
        }
    }
}

impl Told {
    /// Tells a forecast on a dairy day.
    #[must_use]
    pub fn of(forecast: &BatchForecast, clock: &DairyClock, today: DairyDay) -> Self {
        let ready = Dates::of(&forecast.ready, clock);
        let words = words(forecast, &ready, today);
        Self {
            batch: forecast.batch,
            made: forecast.made,
            age_days: today.days_since(forecast.made),
            wheels_in_house: forecast.wheels_in_house,
            room: forecast.room,
            pierced: forecast.pierced,
            rind_now_pct: forecast.rind_now_pct,
            blue_now_pct: forecast.blue_now_pct,
            rind: forecast
                .rind
                .as_ref()
                .map(|(cover, when)| (*cover, Dates::of(when, clock))),
            next_move: forecast.next_move.clone(),
            ready,
            ready_age_days: ready.expected.days_since(forecast.made),
            p_ready_by: forecast.readiness(clock),
            wheels: forecast
                .groups
                .iter()
                .map(|group| ToldWheels::of(group, clock))
                .collect(),
            takes: forecast.pace,
            worth_ironing: forecast.worth_ironing.clone(),
            flags: forecast.flags.clone(),
            words,
        }
    }
}

fn words(forecast: &BatchForecast, ready: &Dates, today: DairyDay) -> String {
    let age = ready.expected.days_since(forecast.made);
    let mut words = if ready.p95.1 < today {
        format!("Ready since about {} (at {age} days).", ready.expected)
    } else {
        format!("Ready about {}, at {age} days.", ready.words())
    };
    let (looks, cores) = forecast.rests_on;
    let plural = |n: usize, one: &str, more: &str| match n {
        1 => format!("1 {one}"),
        _ => format!("{n} {more}"),
    };
    words.push_str(&format!(
        " Rests on {}, {} and ",
        plural(looks, "look at the rind", "looks at the rind"),
        plural(cores, "core", "cores"),
    ));
    words.push_str(&match forecast.learnt_from {
        0 => "the recipe's calendar: too few past batches to learn from.".to_owned(),
        n => format!("what {n} past batches did."),
    });
    let (rind, blue) = forecast.pace;
    let than = |what: &str, takes: f64| {
        let percent = (takes - 1.0) * 100.0;
        let off = if percent > 0.0 { "longer" } else { "less time" };
        format!(" Its {what} takes {:.0} % {off} than usual.", percent.abs())
    };
    if looks > 0 && (rind - 1.0).abs() >= 0.05 {
        words.push_str(&than("rind", rind));
    }
    if cores > 0 && (blue - 1.0).abs() >= 0.05 {
        words.push_str(&than("blue", blue));
    }
    if !forecast.pierced {
        words.push_str(" It is not pierced yet.");
    }
    words
}
