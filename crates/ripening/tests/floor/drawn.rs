//! Facts drawn at random, for every test that folds histories: here, and in the store.

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Carrier, Event, ExpectedOn, FactId, ForecastTold, Scope, WheelId};
use proptest::prelude::*;
use quantity::{Celsius, Grams, Litres, Percent, Ppm};

/// When histories begin.
pub fn start() -> DateTime<Utc> {
    "2026-02-02T06:00:00Z".parse().unwrap()
}

/// The id of a history's fact.
/// A minute apart, so that a station's UNDO reaches back to some and not to others.
pub fn id(n: usize) -> FactId {
    let millis = 0x0190_b6b0_0000 + 60_000 * n;
    let (high, low) = (millis >> 16, millis & 0xffff);
    let name = format!("{high:08x}-{low:04x}-7000-8000-{n:012x}");
    FactId::from_uuid(name.parse().unwrap())
}

fn day(n: u64) -> chrono::NaiveDate {
    start().date_naive() + chrono::Days::new(n)
}

/// Few things, so that facts meet, collide and contradict; every kind of fact that a floor,
/// an order or a laboratory states, with fields left out and filled.
pub fn any_event() -> impl Strategy<Value = Event> {
    let wheel = || (1u8..5).prop_map(|n| format!("318-{n:02}").parse::<WheelId>().unwrap());
    let wheels = || prop::collection::vec(wheel(), 1..4);
    let via = || {
        (0u8..3)
            .prop_map(|n| (n > 0).then(|| Carrier::Stillage(format!("S{n:02}").parse().unwrap())))
    };
    let percent = || (0u8..=100).prop_map(|n| Percent::new(n.into()).unwrap());
    let room = || (1u8..4).prop_map(|n| format!("R{n}").parse::<facts::RoomId>().unwrap());
    let hold = || (1u8..3).prop_map(|n| format!("Q{n}").parse::<facts::HoldId>().unwrap());
    let on = |n: u64| ExpectedOn {
        day: day(n),
        from: day(n - n % 3),
        until: day(n + n % 5),
    };
    let wheel_facts = prop_oneof![
        (wheel(), 317u16..319).prop_map(|(wheel, batch)| facts::WheelPortioned {
            wheel,
            batch: batch.to_string().parse().unwrap(),
            weight_g: Grams::new(10_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        }
        .into()),
        (wheel(), 1u8..4, any::<bool>()).prop_map(|(wheel, n, stack)| facts::WheelHooped {
            wheel,
            hoop: format!("H{n}").parse().unwrap(),
            stack: stack.then(|| "K1".parse().unwrap()),
        }
        .into()),
        (wheels(), via()).prop_map(|(wheels, via)| facts::WheelTurned { wheels, via }.into()),
        wheels().prop_map(|wheels| facts::WheelUnhooped { wheels, via: None }.into()),
        wheels().prop_map(|wheels| facts::WheelRubbedUp { wheels, via: None }.into()),
        (wheels(), 1u8..3).prop_map(|(wheels, n)| facts::WheelLoaded {
            wheels,
            stillage: format!("S{n:02}").parse().unwrap(),
        }
        .into()),
        (wheels(), room(), via()).prop_map(|(wheels, room, via)| facts::WheelMoved {
            wheels,
            via,
            room,
            position: None,
        }
        .into()),
        (wheels(), percent()).prop_map(|(wheels, cover_pct)| facts::RindObserved {
            wheels,
            via: None,
            cover_pct,
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelPierced {
            wheels,
            via: None,
            machine: "PM1".parse().unwrap(),
        }
        .into()),
        (wheel(), percent(), any::<bool>()).prop_map(|(wheel, blue_coverage_pct, noted)| {
            facts::WheelIroned {
                wheel,
                blue_coverage_pct,
                iron: None,
                note: noted.then(String::new),
            }
            .into()
        }),
        wheels().prop_map(|wheels| facts::WheelGraded {
            wheels,
            via: None,
            grade: facts::Grade::B,
        }
        .into()),
        (wheel(), 8_000u32..11_000).prop_map(|(wheel, grams)| facts::WheelWeighed {
            wheel,
            weight_g: Grams::new(grams).unwrap(),
            scale: None,
            tare_g: None,
        }
        .into()),
    ];
    let safety = prop_oneof![
        (wheels(), hold()).prop_map(|(wheels, hold)| facts::WheelHeld {
            wheels,
            hold,
            reason: "swab".into(),
        }
        .into()),
        (wheels(), hold()).prop_map(|(wheels, hold)| facts::WheelReleased {
            wheels,
            hold,
            reason: "clean".into(),
        }
        .into()),
        (46u32..49).prop_map(|counted| facts::ToolChecked {
            tool: "PM1".parse().unwrap(),
            check: facts::ToolCheck::Needles {
                expected: 48,
                counted
            },
        }
        .into()),
        any::<bool>().prop_map(|whole| facts::ToolChecked {
            tool: "I1".parse().unwrap(),
            check: facts::ToolCheck::Iron { whole },
        }
        .into()),
        wheels().prop_map(|wheels| facts::LabSampled {
            sample: "L1".parse().unwrap(),
            batch: None,
            wheels,
            test: "listeria".into(),
            plan: None,
            scope: None,
            taken_g: None,
        }
        .into()),
        (room(), 0u8..25).prop_map(|(room, t)| facts::RoomClimateRead {
            room,
            sensor: None,
            temperature_c: Celsius::new(t.into()).unwrap(),
            humidity_pct: None,
            co2_ppm: None,
            nh3_ppm: None,
        }
        .into()),
        (room(), 0u16..50_000).prop_map(|(room, ppm)| facts::RoomGasRead {
            room,
            sensor: None,
            co2_ppm: Ppm::new(ppm.into()).ok(),
            nh3_ppm: None,
        }
        .into()),
    ];
    let office = prop_oneof![
        (
            317u16..319,
            room(),
            0u64..90,
            prop::collection::vec(wheel(), 0..3)
        )
            .prop_map(move |(batch, room, n, worth_ironing)| ForecastTold {
                batch: batch.to_string().parse().unwrap(),
                cover_pct: (n.is_multiple_of(3)).then(|| Percent::new(60.0).unwrap()),
                covered: (n.is_multiple_of(2)).then(|| on(n)),
                leaves: Some(room),
                moved_on: Some(on(n)),
                ready: on(n),
                rind_looks: 1,
                cores: 0,
                learnt_from: 0,
                worth_ironing,
            }
            .into()),
        (1u32..4).prop_map(|recipe_version| facts::VatRecipeChanged {
            batch: "318".parse().unwrap(),
            recipe: "practice-blue".parse().unwrap(),
            recipe_version,
            reason: "too dry".into(),
        }
        .into()),
        (wheel(), any::<bool>()).prop_map(|(wheel, curd)| facts::VatReworked {
            batch: "318".parse().unwrap(),
            from: match curd {
                true => facts::ReworkSource::Batch("317".parse().unwrap()),
                false => facts::ReworkSource::Wheel(wheel),
            },
            weight_g: Grams::new(2_000).unwrap(),
        }
        .into()),
        (317u16..319, any::<bool>()).prop_map(|(batch, lots)| facts::VatStarted {
            batch: batch.to_string().parse().unwrap(),
            vat: "V1".parse().unwrap(),
            recipe: "practice-blue".parse().unwrap(),
            recipe_version: 1,
            milk_l: Litres::new(500.0).unwrap(),
            milk_lots: if lots {
                vec!["M1".parse().unwrap()]
            } else {
                Vec::new()
            },
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelAllocated {
            wheels,
            order: "A1".parse().unwrap(),
        }
        .into()),
        (wheels(), any::<bool>()).prop_map(|(wheels, order)| facts::WheelDispatched {
            wheels,
            via: None,
            order: order.then(|| "A1".parse().unwrap()),
            market: None,
            sale: None,
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelReturned {
            wheels,
            reason: "late".into()
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelDiscarded {
            wheels,
            reason: "fell".into()
        }
        .into()),
    ];
    let window = |hours: u8| facts::Window {
        from: start() + TimeDelta::hours(i64::from(hours) * 8),
        to: (hours.is_multiple_of(2))
            .then(|| start() + TimeDelta::hours(i64::from(hours) * 8 + 30)),
    };
    let scope = prop_oneof![
        wheels().prop_map(Scope::Wheels),
        (317u16..319).prop_map(|batch| Scope::Batch(batch.to_string().parse().unwrap())),
        Just(Scope::Lot("M1".parse().unwrap())),
        (room(), 0u8..60).prop_map(move |(room, at)| Scope::Room {
            room,
            window: window(at)
        }),
        (1u8..3, 0u8..60).prop_map(move |(n, at)| Scope::Stillage {
            stillage: format!("S{n:02}").parse().unwrap(),
            window: window(at),
        }),
        (0u8..60).prop_map(move |at| Scope::Tool {
            tool: "PM1".parse().unwrap(),
            window: window(at),
        }),
        (0u8..60).prop_map(move |at| Scope::Made(window(at))),
    ];
    let managers = prop_oneof![
        (hold(), scope, any::<bool>()).prop_map(|(hold, scope, caused)| facts::HoldPlaced {
            hold,
            scope,
            reason: "swab".into(),
            cause: caused.then(|| id(1)),
        }
        .into()),
        (hold(), wheels()).prop_map(|(hold, wheels)| facts::HoldLifted {
            hold,
            wheels,
            reason: "clean".into(),
        }
        .into()),
        (0u8..3).prop_map(|n| facts::LabResulted {
            sample: "L1".parse().unwrap(),
            test: "listeria".into(),
            value: "a result".into(),
            verdict: [
                facts::Verdict::Satisfactory,
                facts::Verdict::Acceptable,
                facts::Verdict::Unsatisfactory,
            ][usize::from(n)],
            units: Vec::new(),
            report: None,
        }
        .into()),
        wheels().prop_map(|wheels| facts::WheelDelivered {
            wheels,
            order: Some("A1".parse().unwrap()),
        }
        .into()),
    ];
    let line = |wheels: u32| facts::OrderLine {
        recipe: "practice-blue".parse().unwrap(),
        grade: facts::Grade::B,
        wheels,
        weight_g: None,
        each_g: None,
        age_days: None,
        least_life_days: None,
        mixing: None,
    };
    let orders = prop_oneof![
        (1u32..4, 60u64..90).prop_map(move |(wheels, on)| facts::OrderPlaced {
            order: "A1".parse().unwrap(),
            customer: "HARBOUR".into(),
            market: "NORTH".parse().unwrap(),
            arrive_on: day(on),
            lines: vec![line(wheels)],
            standing: None,
        }
        .into()),
        (1u32..4, 60u64..90).prop_map(move |(wheels, on)| facts::OrderChanged {
            order: "A1".parse().unwrap(),
            arrive_on: day(on),
            lines: vec![line(wheels)],
            standing: None,
        }
        .into()),
        (317u16..319, 60u64..90).prop_map(|(batch, on)| facts::OrderConfirmed {
            order: "A1".parse().unwrap(),
            arrive_on: day(on),
            promised: vec![facts::Promised {
                line: 1,
                batch: batch.to_string().parse().unwrap(),
                grade: facts::Grade::B,
                wheels: 1,
                leave_on: day(on - 2),
                lane: "NORTH-ROAD".parse().unwrap(),
            }],
        }
        .into()),
        (wheels(), 1u64..4, any::<bool>()).prop_map(|(wheels, n, pallet)| facts::OrderPacked {
            order: "A1".parse().unwrap(),
            case: facts::Sscc::with_check_digit(n).unwrap(),
            wheels,
            pallet: pallet.then(|| facts::Sscc::with_check_digit(9).unwrap()),
        }
        .into()),
        (wheel(), wheel()).prop_map(|(instead_of, took)| facts::OrderSubstituted {
            order: "A1".parse().unwrap(),
            line: 1,
            instead_of,
            took,
            reason: "cracked".into(),
        }
        .into()),
        wheels().prop_map(|wheels| facts::OrderRefused {
            order: "A1".parse().unwrap(),
            wheels,
            reason: "warm".into(),
        }
        .into()),
        any::<bool>().prop_map(|_| facts::OrderCancelled {
            order: "A1".parse().unwrap(),
            reason: "not wanted".into(),
        }
        .into()),
    ];
    prop_oneof![8 => wheel_facts, 6 => safety, 4 => office, 4 => managers, 2 => orders]
}
