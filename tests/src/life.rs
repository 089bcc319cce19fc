//! A whole life: everything that is stated elsewhere than at the simulation's stations, but for
//! what workers state by themselves.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    BatchId, Consequence, ControlChecked, DeviationDecided, DeviationFound, Event, Fact, Grade,
    HoldLifted, HoldPlaced, Ingredient, LabResulted, LabSampled, LabSwabbed, LotId, LotKind,
    LotReceived, LotUsed, MilkPasteurised, MilkReceived, MilkScreened, OrderCancelled,
    OrderChanged, OrderLine, OrderPacked, OrderPlaced, OrderRefused, Reading, RoomCleaned, Scope,
    Sscc, StillageId, ToolCheck, ToolChecked, ToolSanitised, VatDosed, VatFilled, VatMeasured,
    VatRecipeChanged, Verdict, Voided, WheelAllocated, WheelId, WheelReleased, Window,
};
use quantity::{Celsius, Ph};

use crate::office::Desk;
use crate::{Past, code};

/// What the simulated days say that the office needs to know.
#[derive(Default)]
struct Seen {
    starts: Vec<Fact>,
    wheels: BTreeMap<BatchId, Vec<WheelId>>,
    stillages: BTreeMap<BatchId, StillageId>,
    left: BTreeMap<facts::OrderId, (DateTime<Utc>, Vec<WheelId>)>,
}

impl Seen {
    fn of(facts: &[Fact]) -> Self {
        let mut seen = Self::default();
        let mut batch_of = BTreeMap::new();
        for fact in facts {
            match &fact.event {
                Event::VatStarted(_) => seen.starts.push(fact.clone()),
                Event::WheelPortioned(born) => {
                    batch_of.insert(born.wheel, born.batch);
                    seen.wheels.entry(born.batch).or_default().push(born.wheel);
                }
                Event::WheelLoaded(loaded) => {
                    for batch in loaded.wheels.iter().filter_map(|w| batch_of.get(w)) {
                        seen.stillages.insert(*batch, loaded.stillage);
                    }
                }
                Event::WheelDispatched(left) => {
                    if let Some(order) = left.order {
                        let order = seen.left.entry(order);
                        let order = order.or_insert_with(|| (fact.occurred_at, Vec::new()));
                        order.1.extend(&left.wheels);
                    }
                }
                _ => {}
            }
        }
        seen
    }
}

fn line(wheels: usize) -> OrderLine {
    OrderLine {
        recipe: code("larkholm-blue"),
        grade: Grade::C,
        wheels: u32::try_from(wheels).unwrap_or(1),
        weight_g: None,
        each_g: None,
        age_days: None,
        least_life_days: None,
        mixing: None,
    }
}

impl Past {
    /// Adds deliveries, doses, readings, checks done and forgotten, samples and results, holds
    /// over every scope and their ends, deviations, orders placed, changed, packed, refused and
    /// cancelled, recipes changed on purpose and corrections. What the forecaster, the records
    /// and the label printer state, they are to state themselves.
    #[must_use]
    pub fn with_a_whole_office(mut self) -> Self {
        let seen = Seen::of(&self.facts);
        let mut desk = Desk::new("order-desk", "01");
        let mut more = Vec::new();
        for (n, like) in seen.starts.iter().enumerate() {
            let Event::VatStarted(started) = &like.event else {
                continue;
            };
            more.extend(milk(&mut desk, like, started, n));
            let wheels = seen.wheels.get(&started.batch).cloned().unwrap_or_default();
            let some: Vec<WheelId> = wheels.iter().take(2).copied().collect();
            let at = like.occurred_at + TimeDelta::days(12 + i64::try_from(n % 5).unwrap_or(0));
            if !some.is_empty() && n.is_multiple_of(3) {
                let stillage = seen.stillages.get(&started.batch).copied();
                more.extend(trouble(
                    &mut desk,
                    like,
                    n / 3,
                    at,
                    (started.batch, some, stillage),
                ));
            }
        }
        if let Some(first) = self.facts.first().cloned() {
            more.extend(days(&mut desk, &first, self.end));
            for (n, (order, (left_at, wheels))) in seen.left.iter().enumerate() {
                more.extend(orders(&mut desk, &first, n, *order, *left_at, wheels));
            }
            for n in 0..6_u32 {
                // Of these, nothing has left yet.
                let at = self.end - TimeDelta::days(2 + i64::from(n));
                let placed = OrderPlaced {
                    order: code(&format!("OPEN{n}")),
                    customer: ["HARBOUR", "SOUTHGATE"][n as usize % 2].to_owned(),
                    market: code(["NORTH", "SOUTH"][n as usize % 2]),
                    arrive_on: (self.end + TimeDelta::days(8 + 5 * i64::from(n))).date_naive(),
                    lines: vec![line(4 + n as usize)],
                    standing: None,
                };
                more.push(desk.states(&first, at, placed));
            }
        }
        let end = self.end;
        self.facts
            .extend(more.into_iter().filter(|fact| fact.recorded_at < end));
        self.facts.sort_by_key(|fact| fact.recorded_at);
        self
    }
}

/// What goes into a vat, and what was read of it.
fn milk(desk: &mut Desk, like: &Fact, started: &facts::VatStarted, n: usize) -> Vec<Fact> {
    let (batch, born) = (started.batch, like.occurred_at);
    let lot: LotId = code(&format!("M{batch}"));
    let culture: LotId = code(&format!("CUL{}", n / 5));
    let mut more = Vec::new();
    let mut state = |minutes: i64, event: Event| {
        more.push(desk.states(like, born + TimeDelta::minutes(minutes), event));
    };
    let volume_l = started.milk_l;
    let received = MilkReceived {
        lot,
        supplier: "Upper Lark Farm".to_owned(),
        volume_l,
        temperature_c: Celsius::new(4.0).ok(),
        fat_pct: None,
        protein_pct: None,
        supplier_lot: None,
        document: None,
        extensions: None,
    };
    state(-75, received.into());
    let test = "antibiotics".to_owned();
    let passed = n % 11 != 4;
    state(-65, MilkScreened { lot, test, passed }.into());
    if n % 7 != 2 {
        let temperature_c = Celsius::new(72.6).expect("a temperature");
        let held_s = 16.0;
        let heated = MilkPasteurised {
            lot,
            temperature_c,
            held_s,
        };
        state(-30, heated.into());
    }
    state(
        0,
        VatFilled {
            batch,
            lot,
            volume_l,
        }
        .into(),
    );
    if n.is_multiple_of(5) {
        let received = LotReceived {
            lot: culture,
            kind: LotKind::Culture,
            product: "blue culture".to_owned(),
            supplier: "Invented Cultures".to_owned(),
            supplier_lot: None,
            amount: None,
            use_by: None,
            document: None,
            extensions: None,
        };
        state(-80, received.into());
    }
    let dosed = VatDosed {
        batch,
        ingredient: Ingredient::Culture,
        lot: culture,
        amount: 12.0,
    };
    state(5, dosed.into());
    for (minutes, ph) in [(30, 6.5), (1_440, 5.1)] {
        let reading = Reading::Ph(Ph::new(ph).expect("a pH"));
        state(minutes, VatMeasured { batch, reading }.into());
    }
    if n % 10 == 3 {
        let changed = VatRecipeChanged {
            batch,
            recipe: started.recipe,
            recipe_version: started.recipe_version,
            reason: "too dry".to_owned(),
        };
        state(30 * 24 * 60, changed.into());
    }
    more
}

/// A hold over each kind of scope in turn, or a result that asks for one.
fn trouble(
    desk: &mut Desk,
    like: &Fact,
    n: usize,
    at: DateTime<Utc>,
    (batch, wheels, stillage): (BatchId, Vec<WheelId>, Option<StillageId>),
) -> Vec<Fact> {
    let window = Window {
        from: at - TimeDelta::hours(30),
        to: (n.is_multiple_of(2)).then_some(at),
    };
    let scope = match n % 8 {
        0 => Scope::Batch(batch),
        1 => Scope::Lot(code(&format!("M{batch}"))),
        2 => Scope::Room {
            room: code("R1"),
            window,
        },
        3 => match stillage {
            Some(stillage) => Scope::Stillage { stillage, window },
            None => Scope::Batch(batch),
        },
        4 => Scope::Tool {
            tool: code("PM1"),
            window,
        },
        5 => Scope::Wheels(wheels.clone()),
        6 => Scope::Made(window),
        _ => return sampled(desk, like, n, at, batch),
    };
    let hold = code(&format!("OVER{n}"));
    let reason = "to be looked at".to_owned();
    let placed = HoldPlaced {
        hold,
        scope: scope.clone(),
        reason: reason.clone(),
        cause: None,
    };
    let mut more = vec![desk.states(like, at, placed)];
    if n.is_multiple_of(2) {
        let deviation = DeviationFound {
            about: scope,
            control: None,
            found: "a scratch".to_owned(),
            wanted: None,
        };
        let found = desk.states(like, at, deviation);
        let decided = DeviationDecided {
            deviation: found.id,
            decided_by: code("01"),
            action: "looked at each".to_owned(),
            consequence: Consequence::GoesOn,
        };
        more.push(found);
        more.push(desk.states(like, at + TimeDelta::hours(5), decided));
    }
    let later = at + TimeDelta::days(4);
    match n % 4 {
        0 | 1 => {
            let lifted = HoldLifted {
                hold,
                wheels,
                reason,
            };
            more.push(desk.states(like, later, lifted));
        }
        2 => more.push(desk.states(
            like,
            later,
            WheelReleased {
                wheels,
                hold,
                reason,
            },
        )),
        _ => {}
    }
    more
}

/// A sample and its bad result: the records are to hold by it.
fn sampled(desk: &mut Desk, like: &Fact, n: usize, at: DateTime<Utc>, batch: BatchId) -> Vec<Fact> {
    let sample = code(&format!("L{n}"));
    let test = "L. monocytogenes".to_owned();
    let taken = LabSampled {
        sample,
        batch: Some(batch),
        wheels: Vec::new(),
        test: test.clone(),
        plan: Some("listeria-cheese".to_owned()),
        scope: None,
        taken_g: None,
    };
    let resulted = LabResulted {
        sample,
        test: test.clone(),
        value: "detected".to_owned(),
        verdict: Verdict::Unsatisfactory,
        units: vec!["detected".to_owned()],
        report: None,
    };
    let of_nobodys = LabResulted {
        sample: code(&format!("NOBODYS{n}")),
        ..resulted.clone()
    };
    let swabbed = LabSwabbed {
        sample: code(&format!("S{n}")),
        room: Some(code("R2")),
        tool: None,
        point: "drain".to_owned(),
        zone: 3,
        test,
    };
    vec![
        desk.states(like, at, taken),
        desk.states(like, at, swabbed),
        desk.states(like, at + TimeDelta::days(3), resulted),
        desk.states(like, at + TimeDelta::days(3), of_nobodys),
    ]
}

/// What is checked and cleaned every day, and forgotten on some.
fn days(desk: &mut Desk, like: &Fact, end: DateTime<Utc>) -> Vec<Fact> {
    let mut more = Vec::new();
    let mut at = like.recorded_at;
    for n in 0_u32.. {
        at += TimeDelta::days(1);
        if at > end {
            break;
        }
        let by_hand = |control, value, in_order| ControlChecked {
            control: code(control),
            about: None,
            value,
            in_order,
            note: None,
        };
        if !n.is_multiple_of(9) {
            more.push(desk.states(like, at, by_hand("cleaning", None, Some(true))));
        }
        let ppm = if n.is_multiple_of(13) { 31.0 } else { 12.0 };
        more.push(desk.states(like, at, by_hand("ammonia", Some(ppm), None)));
        let check = ToolCheck::Iron {
            whole: !n.is_multiple_of(17),
        };
        let tool = code("IR1");
        more.push(desk.states(like, at, ToolChecked { tool, check }));
        let method = "hot water, 85 °C".to_owned();
        if n.is_multiple_of(5) {
            let room = code("R2");
            let cleaned = RoomCleaned {
                room,
                method: method.clone(),
            };
            more.push(desk.states(like, at, cleaned));
            more.push(desk.states(like, at, ToolSanitised { tool, method }));
        }
        if n.is_multiple_of(12)
            && let Some(wrong) = more.iter().rev().nth(2)
        {
            let fact = wrong.id;
            let reason = "entered twice".to_owned();
            more.push(desk.states(like, at, Voided { fact, reason }));
        }
    }
    more
}

/// An order of which wheels have left: placed, changed, packed, and now and then refused.
fn orders(
    desk: &mut Desk,
    like: &Fact,
    n: usize,
    order: facts::OrderId,
    left_at: DateTime<Utc>,
    wheels: &[WheelId],
) -> Vec<Fact> {
    let at = |hours: i64| left_at + TimeDelta::hours(hours);
    let arrive_on = at(5 * 24).date_naive();
    let lines = vec![line(wheels.len())];
    let placed = OrderPlaced {
        order,
        customer: "HARBOUR".to_owned(),
        market: code("NORTH"),
        arrive_on,
        lines: lines.clone(),
        standing: None,
    };
    let mut more = vec![desk.states(like, at(-9 * 24), placed)];
    if n.is_multiple_of(3) {
        let lines = vec![line(wheels.len() + 2)];
        let changed = OrderChanged {
            order,
            arrive_on,
            lines,
            standing: None,
        };
        more.push(desk.states(like, at(-8 * 24), changed));
    }
    let first: Vec<WheelId> = wheels.iter().take(2).copied().collect();
    let promised = WheelAllocated {
        wheels: first.clone(),
        order,
    };
    more.push(desk.states(like, at(-20), promised));
    let lot = code("FILM1");
    let film = LotUsed {
        lot,
        wheels: first.clone(),
        via: None,
        amount: None,
    };
    more.push(desk.states(like, at(-1), film));
    let number = 7_000 + n as u64 * 10;
    let packed = OrderPacked {
        order,
        case: Sscc::with_check_digit(number + 1).expect("a number"),
        wheels: first.clone(),
        pallet: Sscc::with_check_digit(number),
    };
    more.push(desk.states(like, at(1), packed));
    match n % 4 {
        0 => {
            let reason = "warm on arrival".to_owned();
            let wheels = first;
            let refused = OrderRefused {
                order,
                wheels,
                reason,
            };
            more.push(desk.states(like, at(48), refused));
        }
        1 => {
            let reason = "the rest is not wanted".to_owned();
            more.push(desk.states(like, at(60), OrderCancelled { order, reason }));
        }
        _ => {}
    }
    more
}
