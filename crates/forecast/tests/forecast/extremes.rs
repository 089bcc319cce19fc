//! No time that a fact can be written down with makes a forecast fail.

use chrono::{DateTime, TimeDelta, Utc};
use forecast::{Forecaster, Habits, History, Sensors};
use proptest::prelude::*;

use crate::given::{Given, clock, day, start};

fn any_instant() -> impl Strategy<Value = DateTime<Utc>> {
    let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
    let far = TimeDelta::days(60).num_milliseconds();
    let (from, to) = (first.timestamp_millis(), last.timestamp_millis());
    let near = start().timestamp_millis();
    let within = |range: std::ops::Range<i64>| {
        range.prop_filter_map("an instant", DateTime::from_timestamp_millis)
    };
    prop_oneof![
        Just(first),
        Just(last),
        within(from..from + far),
        within(to - far..to),
        within(from..to),
        within(near..near + far),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn no_time_makes_a_forecast_fail(
        far in prop::collection::vec((any::<prop::sample::Index>(), any_instant()), 0..12),
        days in 6.0..60.0,
    ) {
        let now = day(days);
        let mut given = Given::batch(3);
        given.moved(5.3, "R1");
        for (which, at) in far {
            let which = which.index(given.facts.len());
            given.facts[which].occurred_at = at;
        }
        let history = History::of(&given.facts.iter().collect::<Vec<_>>(), clock(), &given.recipes, &Sensors::default(), now);
        let forecaster = Forecaster::new(&history, &Habits::new(), now);
        for forecast in forecaster.all(1) {
            let _ = forecast.outlook(&clock());
            let _ = forecast.readiness(&clock());
        }
    }
}
