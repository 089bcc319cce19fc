//! Facts for tests, in few words.

use chrono::{DateTime, Utc};
use facts::{
    Amount, BatchId, Carrier, Event, Fact, FactId, Ingredient, LotId, LotKind, LotReceived,
    MilkPasteurised, MilkReceived, OrderPlaced, ToolSanitised, VatDosed, VatFilled, VatStarted,
    Voided, WheelDelivered, WheelDispatched, WheelHooped, WheelId, WheelLoaded, WheelMoved,
    WheelPierced, WheelPortioned, Window,
};
use quantity::{Celsius, Grams, Litres};
use trace::{Index, Level, Recall, Settings};

pub fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

/// `5 09:30` is 9:30 on 5 January 2026.
pub fn time(text: &str) -> DateTime<Utc> {
    let (day, clock) = text.split_once(' ').unwrap();
    format!("2026-01-{day:0>2}T{clock}:00Z").parse().unwrap()
}

pub fn window(from: &str, to: &str) -> Window {
    Window {
        from: time(from),
        to: Some(time(to)),
    }
}

pub fn wheels(names: &str) -> Vec<WheelId> {
    names
        .split(' ')
        .filter(|name| !name.is_empty())
        .map(id)
        .collect()
}

/// A log under construction: every fact gets the next id.
#[derive(Default)]
pub struct Log {
    pub facts: Vec<Fact>,
}

impl Log {
    pub fn fact(&mut self, at: &str, event: impl Into<Event>) -> FactId {
        self.fact_by("07", at, event)
    }

    pub fn fact_by(&mut self, badge: &str, at: &str, event: impl Into<Event>) -> FactId {
        let number = self.facts.len() as u64 + 1;
        let event = event.into();
        // Whatever is taken back here, a manager corrects.
        let corrects = matches!(event, facts::Event::Voided(_));
        let fact = Fact {
            id: FactId::from_uuid(format!("{number:032x}").parse().unwrap()),
            site: id("larkholm"),
            station: id(if corrects { "gateway" } else { "s1" }),
            station_seq: number,
            person: (!badge.is_empty()).then(|| id(badge)),
            occurred_at: time(at),
            claimed_at: None,
            recorded_at: time(at),
            event,
        };
        self.facts.push(fact);
        self.facts.last().unwrap().id
    }

    pub fn milk(&mut self, at: &str, lot: &str, litres: f64) {
        let milk = MilkReceived {
            lot: id(lot),
            supplier: "Upper Lark Farm".to_owned(),
            volume_l: Litres::new(litres).unwrap(),
            temperature_c: None,
            fat_pct: None,
            protein_pct: None,
            supplier_lot: None,
            document: None,
            extensions: None,
        };
        self.fact(at, milk);
        let heated = MilkPasteurised {
            lot: id(lot),
            temperature_c: Celsius::new(72.4).unwrap(),
            held_s: 16.0,
        };
        self.fact(at, heated);
    }

    pub fn lot(&mut self, at: &str, lot: &str, kind: LotKind, amount: Option<Amount>) {
        let received = LotReceived {
            lot: id(lot),
            kind,
            product: "invented".to_owned(),
            supplier: "Mould and Rennet Supplies".to_owned(),
            supplier_lot: None,
            amount,
            use_by: None,
            document: None,
            extensions: None,
        };
        self.fact(at, received);
    }

    pub fn vat(&mut self, at: &str, batch: &str, vat: &str, litres: f64, lots: &str) -> FactId {
        let started = VatStarted {
            batch: id(batch),
            vat: id(vat),
            recipe: id("blue"),
            recipe_version: 1,
            milk_l: Litres::new(litres).unwrap(),
            milk_lots: lots
                .split(' ')
                .filter(|lot| !lot.is_empty())
                .map(id)
                .collect(),
        };
        self.fact(at, started)
    }

    pub fn filled(&mut self, at: &str, batch: &str, lot: &str, litres: f64) {
        let filled = VatFilled {
            batch: id(batch),
            lot: id(lot),
            volume_l: Litres::new(litres).unwrap(),
        };
        self.fact(at, filled);
    }

    pub fn dosed(&mut self, at: &str, batch: &str, lot: &str, amount: f64) {
        let dosed = VatDosed {
            batch: id(batch),
            ingredient: Ingredient::Culture,
            lot: id(lot),
            amount,
        };
        self.fact(at, dosed);
    }

    /// Portions wheels of 4 kg each.
    pub fn portion(&mut self, at: &str, batch: &str, names: &str) {
        for wheel in wheels(names) {
            let portioned = WheelPortioned {
                wheel,
                batch: id::<BatchId>(batch),
                weight_g: Grams::new(4_000).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            };
            self.fact(at, portioned);
        }
    }

    pub fn hoop(&mut self, at: &str, wheel: &str, hoop: &str, stack: Option<&str>) {
        let hooped = WheelHooped {
            wheel: id(wheel),
            hoop: id(hoop),
            stack: stack.map(id),
        };
        self.fact(at, hooped);
    }

    pub fn load(&mut self, at: &str, names: &str, stillage: &str) -> FactId {
        let loaded = WheelLoaded {
            wheels: wheels(names),
            stillage: id(stillage),
        };
        self.fact(at, loaded)
    }

    pub fn go(&mut self, at: &str, names: &str, via: Option<&str>, room: &str) -> FactId {
        let moved = WheelMoved {
            wheels: wheels(names),
            via: via.map(|stillage| Carrier::Stillage(id(stillage))),
            room: id(room),
            position: None,
        };
        self.fact(at, moved)
    }

    pub fn pierce(&mut self, at: &str, names: &str, machine: &str) -> FactId {
        let pierced = WheelPierced {
            wheels: wheels(names),
            via: None,
            machine: id(machine),
        };
        self.fact(at, pierced)
    }

    pub fn sanitise(&mut self, at: &str, tool: &str) -> FactId {
        let sanitised = ToolSanitised {
            tool: id(tool),
            method: "hot water".to_owned(),
        };
        self.fact(at, sanitised)
    }

    pub fn order(&mut self, at: &str, order: &str, customer: &str) {
        let placed = OrderPlaced {
            order: id(order),
            customer: customer.to_owned(),
            market: id("home"),
            arrive_on: "2026-03-01".parse().unwrap(),
            lines: Vec::new(),
            standing: None,
        };
        self.fact(at, placed);
    }

    pub fn dispatch(&mut self, at: &str, names: &str, order: Option<&str>) -> FactId {
        let dispatched = WheelDispatched {
            wheels: wheels(names),
            via: None,
            order: order.map(id),
            market: None,
            sale: None,
        };
        self.fact(at, dispatched)
    }

    pub fn deliver(&mut self, at: &str, names: &str, order: &str) {
        let delivered = WheelDelivered {
            wheels: wheels(names),
            order: Some(id(order)),
        };
        self.fact(at, delivered);
    }

    pub fn void(&mut self, at: &str, fact: FactId) -> FactId {
        let voided = Voided {
            fact,
            reason: "scanned by mistake".to_owned(),
        };
        self.fact(at, voided)
    }

    pub fn index(&self) -> Index {
        self.index_by(holds::Rights::AnyBadge)
    }

    pub fn index_by(&self, rights: holds::Rights) -> Index {
        let rule = holds::Rule::new(&recipe::RecipeBook::default(), rights);
        let mut index = Index::new(rule);
        self.facts.iter().for_each(|fact| index.apply(fact));
        index
    }

    /// A recall as things stand on 31 January.
    pub fn recall(&self, about: &facts::Scope) -> Recall {
        let mut index = self.index();
        let settings = Settings {
            lost_after: chrono::TimeDelta::days(60),
            ..Settings::default()
        };
        index.trace().recall(about, &settings, time("31 12:00"))
    }

    pub fn recall_lot(&self, lot: &str) -> Recall {
        self.recall(&facts::Scope::Lot(id::<LotId>(lot)))
    }
}

/// The wheels of one level, by name.
pub fn names(recall: &Recall, level: Level) -> String {
    let names: Vec<String> = recall
        .at_level(level)
        .map(|wheel| wheel.wheel.to_string())
        .collect();
    names.join(" ")
}

/// Why a wheel is in.
pub fn why(recall: &Recall, wheel: &str) -> Vec<String> {
    let affected = recall
        .wheels
        .iter()
        .find(|affected| affected.wheel == id(wheel));
    affected
        .unwrap()
        .because
        .iter()
        .map(trace::Reason::words)
        .collect()
}

/// What a recall flags, in words.
pub fn flags(recall: &Recall) -> Vec<String> {
    recall.flags.iter().map(ToString::to_string).collect()
}
