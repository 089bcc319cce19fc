//! No time that can be written down makes the plan, the rooms or the roll-call fail.

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, FactId};
use plan::Makes;
use plan::rooms::{self, Room};
use proptest::prelude::*;
use quantity::{Grams, Litres, Percent};

use crate::past;

fn any_instant() -> impl Strategy<Value = DateTime<Utc>> {
    let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
    let far = TimeDelta::days(60).num_milliseconds();
    let (from, to) = (first.timestamp_millis(), last.timestamp_millis());
    let near = 1_772_434_800_000i64; // 2 March 2026
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

fn any_event() -> impl Strategy<Value = Event> {
    let wheels = || vec!["B1-001".parse().unwrap()];
    let batch = || "B1".parse().unwrap();
    let percent = || Percent::new(60.0).unwrap();
    prop_oneof![
        Just(Event::from(facts::VatStarted {
            batch: batch(),
            vat: "V1".parse().unwrap(),
            recipe: "larkholm-blue".parse().unwrap(),
            recipe_version: 1,
            milk_l: Litres::new(5_000.0).unwrap(),
            milk_lots: Vec::new(),
        })),
        Just(Event::from(facts::WheelPortioned {
            wheel: wheels()[0],
            batch: batch(),
            weight_g: Grams::new(10_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        })),
        Just(Event::from(facts::WheelTurned {
            wheels: wheels(),
            via: None
        })),
        Just(Event::from(facts::WheelUnhooped {
            wheels: wheels(),
            via: None
        })),
        Just(Event::from(facts::WheelRubbedUp {
            wheels: wheels(),
            via: None
        })),
        Just(Event::from(facts::WheelPierced {
            wheels: wheels(),
            via: None,
            machine: "PM1".parse().unwrap(),
        })),
        Just(Event::from(facts::WheelMoved {
            wheels: wheels(),
            via: None,
            room: "R1".parse().unwrap(),
            position: None,
        })),
        Just(Event::from(facts::RindObserved {
            wheels: wheels(),
            via: None,
            cover_pct: percent(),
        })),
        Just(Event::from(facts::WheelIroned {
            wheel: wheels()[0],
            blue_coverage_pct: percent(),
            iron: None,
            note: None,
        })),
    ]
}

proptest! {
    #[test]
    fn no_time_makes_the_plan_fail(
        events in prop::collection::vec((any_event(), any_instant()), 1..20),
        now in any_instant(),
    ) {
        let mut floor = past::empty();
        for (n, (event, at)) in events.into_iter().enumerate() {
            floor.apply(&Fact {
                id: FactId::from_uuid(format!("00000000-0000-7000-8000-{n:012x}").parse().unwrap()),
                site: "larkholm".parse().unwrap(),
                station: "past".parse().unwrap(),
                station_seq: n as u64 + 1,
                person: None,
                occurred_at: at,
                claimed_at: None,
                recorded_at: at,
                event,
            });
        }
        floor.refresh(now);
        let today = floor.practice().clock.day_of(now);
        let _ = plan::project(&floor, today, 14, 0.5);
        let room = Room { id: "R1".parse().unwrap(), name: String::new(), positions: 10 };
        let _ = rooms::forecast(&floor, today, 14, &[room], &Makes { vats: Vec::new(), wheels_per_stillage: 10 });
        let _ = plan::roll_call(&floor, 7);
        let _ = plan::shift_summary(&floor, "Larkholm");
    }
}
