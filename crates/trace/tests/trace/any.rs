//! Any facts, a few of everything.

use chrono::{DateTime, Utc};
use facts::{Carrier, Event, Fact, FactId, ReworkSource, Scope, Sscc, Voided};
use proptest::prelude::*;
use quantity::{Grams, Litres, Percent};

fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

/// `5 09:30` is 9:30 on 5 January 2026.
fn time(text: &str) -> DateTime<Utc> {
    let (day, clock) = text.split_once(' ').unwrap();
    format!("2026-01-{day:0>2}T{clock}:00Z").parse().unwrap()
}

/// Few of everything, so that facts meet.
fn any_event() -> impl Strategy<Value = Event> {
    let wheel = || (1u8..7).prop_map(|n| id::<facts::WheelId>(&format!("w{n}")));
    let wheels = || prop::collection::vec(wheel(), 1..4);
    let batch = || (1u8..4).prop_map(|n| id::<facts::BatchId>(&format!("b{n}")));
    let lot = || (1u8..4).prop_map(|n| id::<facts::LotId>(&format!("l{n}")));
    let litres = || Just(Litres::new(100.0).unwrap());
    let stillage = || (1u8..3).prop_map(|n| id::<facts::StillageId>(&format!("S{n}")));
    let order = || (1u8..3).prop_map(|n| id::<facts::OrderId>(&format!("o{n}")));
    let hold = || (1u8..3).prop_map(|n| id::<facts::HoldId>(&format!("Q{n}")));
    let made = prop_oneof![
        (batch(), 1u8..3, prop::collection::vec(lot(), 0..3)).prop_map(
            |(batch, vat, milk_lots)| {
                facts::VatStarted {
                    batch,
                    vat: id(&format!("V{vat}")),
                    recipe: id("blue"),
                    recipe_version: 1,
                    milk_l: Litres::new(100.0).unwrap(),
                    milk_lots,
                }
                .into()
            }
        ),
        (batch(), lot(), litres()).prop_map(|(batch, lot, volume_l)| facts::VatFilled {
            batch,
            lot,
            volume_l
        }
        .into()),
        (lot(), lot(), litres()).prop_map(|(lot, from, volume_l)| {
            let from = vec![facts::MilkPart {
                lot: from,
                volume_l,
            }];
            facts::MilkPooled { lot, from }.into()
        }),
        (batch(), batch()).prop_map(|(batch, from)| {
            let from = ReworkSource::Batch(from);
            facts::VatReworked {
                batch,
                from,
                weight_g: Grams::new(500).unwrap(),
            }
            .into()
        }),
        (batch(), wheel()).prop_map(|(batch, from)| {
            let from = ReworkSource::Wheel(from);
            facts::VatReworked {
                batch,
                from,
                weight_g: Grams::new(500).unwrap(),
            }
            .into()
        }),
        (lot(), wheels()).prop_map(|(lot, wheels)| {
            facts::LotUsed {
                lot,
                wheels,
                via: None,
                amount: None,
            }
            .into()
        }),
    ];
    let lived = prop_oneof![
        4 => (wheel(), batch()).prop_map(|(wheel, batch)| facts::WheelPortioned {
            wheel,
            batch,
            weight_g: Grams::new(4_000).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        }.into()),
        2 => (wheel(), 1u8..3, prop::option::of(1u8..3)).prop_map(|(wheel, hoop, stack)| {
            facts::WheelHooped {
                wheel,
                hoop: id(&format!("H{hoop}")),
                stack: stack.map(|n| id(&format!("K{n}"))),
            }.into()
        }),
        1 => wheels().prop_map(|wheels| facts::WheelUnhooped { wheels, via: None }.into()),
        3 => (wheels(), stillage()).prop_map(|(wheels, stillage)| {
            facts::WheelLoaded { wheels, stillage }.into()
        }),
        3 => (wheels(), prop::option::of(stillage()), 1u8..4).prop_map(|(wheels, via, room)| {
            facts::WheelMoved {
                wheels,
                via: via.map(Carrier::Stillage),
                room: id(&format!("R{room}")),
                position: None,
            }.into()
        }),
        2 => wheels().prop_map(|wheels| {
            facts::WheelPierced { wheels, via: None, machine: id("PM1") }.into()
        }),
        1 => wheel().prop_map(|wheel| facts::WheelIroned {
            wheel,
            blue_coverage_pct: Percent::new(50.0).unwrap(),
            iron: Some(id("IR1")),
            note: None,
        }.into()),
        1 => prop_oneof![Just("PM1"), Just("H1"), Just("V1")].prop_map(|tool| {
            facts::ToolSanitised { tool: id(tool), method: "hot water".to_owned() }.into()
        }),
        1 => wheels().prop_map(|wheels| facts::WheelTurned { wheels, via: None }.into()),
    ];
    let left = prop_oneof![
        (order(), 0u64..2, wheels()).prop_map(|(order, case, wheels)| facts::OrderPacked {
            order,
            case: Sscc::with_check_digit(case).unwrap(),
            wheels,
            pallet: None,
        }
        .into()),
        (wheels(), prop::option::of(order())).prop_map(|(wheels, order)| {
            facts::WheelDispatched {
                wheels,
                via: None,
                order,
                market: None,
                sale: None,
            }
            .into()
        }),
        wheels().prop_map(|wheels| facts::WheelDelivered {
            wheels,
            order: None
        }
        .into()),
        wheels().prop_map(|wheels| {
            facts::WheelReturned {
                wheels,
                reason: "late".to_owned(),
            }
            .into()
        }),
        wheels().prop_map(|wheels| {
            facts::WheelDiscarded {
                wheels,
                reason: "fell".to_owned(),
            }
            .into()
        }),
        (wheels(), hold()).prop_map(|(wheels, hold)| {
            facts::WheelHeld {
                wheels,
                hold,
                reason: "swab".to_owned(),
            }
            .into()
        }),
        (wheels(), hold()).prop_map(|(wheels, hold)| {
            facts::WheelReleased {
                wheels,
                hold,
                reason: "clean".to_owned(),
            }
            .into()
        }),
        (hold(), batch()).prop_map(|(hold, batch)| facts::HoldPlaced {
            hold,
            scope: Scope::Batch(batch),
            reason: "swab".to_owned(),
            cause: None,
        }
        .into()),
        (hold(), wheels()).prop_map(|(hold, wheels)| facts::HoldLifted {
            hold,
            wheels,
            reason: "clean".to_owned()
        }
        .into()),
    ];
    prop_oneof![2 => made, 4 => lived, 1 => left]
}

/// Facts an hour or so apart, some of them voiding earlier ones.
pub fn any_log() -> impl Strategy<Value = Vec<Fact>> {
    let one = (
        any_event(),
        any::<bool>(),
        prop::option::weighted(0.1, any::<prop::sample::Index>()),
    );
    prop::collection::vec(one, 1..40).prop_map(|events| {
        let mut facts: Vec<Fact> = Vec::new();
        for (n, (event, badge, voids)) in events.into_iter().enumerate() {
            let target = voids
                .filter(|_| n > 0)
                .map(|index| facts[index.index(n)].id);
            let event = match target {
                Some(fact) => Voided {
                    fact,
                    reason: "wrong".to_owned(),
                }
                .into(),
                None => event,
            };
            // Stations take back what keeps nobody safe; managers anything.
            let corrects = target.is_some() && n % 2 == 0;
            // Ids in another order than the times, and within reach of an UNDO or not.
            let millis = 0x0190_b6b0_0000 + 60_000 * (n as u128 * 7 % 20);
            let number = millis << 80 | 0x7000_8000_u128 << 48 | n as u128;
            let at = time("5 06:00") + chrono::TimeDelta::minutes(53 * n as i64);
            facts.push(Fact {
                id: FactId::from_uuid(format!("{number:032x}").parse().unwrap()),
                site: id("larkholm"),
                station: id(if corrects { "gateway" } else { "s1" }),
                station_seq: n as u64 + 1,
                person: badge.then(|| id("07")),
                occurred_at: at,
                claimed_at: None,
                recorded_at: at,
                event,
            });
        }
        facts
    })
}

pub fn scopes() -> Vec<Scope> {
    let lots = (1..4).map(|n| Scope::Lot(id(&format!("l{n}"))));
    let batches = (1..4).map(|n| Scope::Batch(id(&format!("b{n}"))));
    let one = std::iter::once(Scope::Wheels(vec![id("w1"), id("w2")]));
    let room = facts::Window {
        from: time("5 10:00"),
        to: Some(time("6 10:00")),
    };
    let places = [
        Scope::Room {
            room: id("R1"),
            window: room,
        },
        Scope::Stillage {
            stillage: id("S1"),
            window: room,
        },
        Scope::Tool {
            tool: id("PM1"),
            window: room,
        },
        Scope::Made(room),
    ];
    lots.chain(batches).chain(one).chain(places).collect()
}
