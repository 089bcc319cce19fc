//! Larkholm's office, invented: in the morning it enters what was ordered; in the evening the
//! day's lots, milk screens, heat treatments, doses, pH, checks and samples, each at the time
//! at which it was done.

use std::collections::BTreeSet;

use anyhow::Context as _;
use authority::people::may_state;
use authority::{Proof, Role};
use bus::{Bus, FloorLog};
use chrono::{DateTime, Datelike as _, Days, NaiveDate, TimeDelta, Utc};
use facts::wire::Read;
use facts::{
    Draft, Event, Fact, FactIdSource, Ingredient, LotId, Reading, StationId, VatStarted,
    WheelReleased,
};
use floor_sim::{DayScript, Doing, What};
use quantity::{Celsius, DairyDay, Litres, Ph};
use site::Site;

/// The office's station.
const STATION: &str = "office-1";

/// Every so many days the cleaning is not signed off: a check that people hear of.
const FORGETS_EVERY: u32 = 17;

/// Every so many days cheese is sampled, and its result comes in so many days later.
const SAMPLES_EVERY: u32 = 7;
const RESULT_AFTER: u64 = 4;

/// The office, with what it has still to enter.
pub struct Office {
    site: Site,
    station: StationId,
    ids: FactIdSource,
    number: u64,
    received: BTreeSet<LotId>,
    results: Vec<(NaiveDate, Event)>,
    facts: Vec<Fact>,
}

impl Office {
    /// An office that has entered nothing.
    pub fn new(site: &Site) -> anyhow::Result<Self> {
        Ok(Self {
            site: site.clone(),
            station: StationId::new(STATION)?,
            ids: FactIdSource::default(),
            number: 0,
            received: BTreeSet::new(),
            results: Vec::new(),
            facts: Vec::new(),
        })
    }

    /// Enters what customers ordered before a day begins; gives the facts.
    pub fn morning(&mut self, script: &DayScript) -> anyhow::Result<Vec<Fact>> {
        let at = self.site.clock.start_of(DairyDay::starting(script.day));
        for sale in &script.sales {
            // Who buys on each market, and by when they are sure to have it, days.
            let (customer, road_days) = match sale.market {
                "NORTH" => ("HARBOUR", 5),
                "SOUTH" => ("SOUTHGATE", 8),
                _ => ("FARSHORE", 24),
            };
            let recipe = self.site.recipes.iter().next();
            let placed = facts::OrderPlaced {
                order: sale.order.parse()?,
                customer: customer.to_owned(),
                market: sale.market.parse()?,
                arrive_on: script.day + Days::new(road_days),
                lines: vec![facts::OrderLine {
                    recipe: recipe.context("the demo has a recipe")?.id,
                    grade: facts::Grade::C,
                    wheels: sale.wheels.try_into()?,
                    weight_g: None,
                    each_g: None,
                    age_days: None,
                    least_life_days: None,
                    mixing: None,
                }],
                standing: None,
            };
            self.enter(at, placed);
        }
        Ok(std::mem::take(&mut self.facts))
    }

    /// Enters a day, on which these vats were filled; gives the facts.
    pub fn day<'f>(
        &mut self,
        day: NaiveDate,
        facts: impl IntoIterator<Item = &'f Fact>,
    ) -> anyhow::Result<Vec<Fact>> {
        let clock = self.site.clock;
        let dairy_day = DairyDay::starting(day);
        let (from, to) = (clock.start_of(dairy_day), clock.end_of(dairy_day));
        let evening = to - TimeDelta::hours(8);
        let mut batches = Vec::new();
        for fact in facts {
            if let Event::VatStarted(started) = &fact.event
                && (from..to).contains(&fact.occurred_at)
            {
                self.vat(started, fact.occurred_at)?;
                batches.push(started.batch);
            }
        }
        self.checks(day, from)?;
        let due = self.results.extract_if(.., |(on, _)| *on <= day);
        for (_, event) in due.collect::<Vec<_>>() {
            self.enter(evening, event);
        }
        let sampled = nth(day).is_multiple_of(SAMPLES_EVERY);
        if let (true, Some(batch)) = (sampled, batches.first()) {
            let sample = format!("L{}", day.format("%y%m%d")).parse()?;
            let test = "L. monocytogenes".to_owned();
            let taken = facts::LabSampled {
                sample,
                batch: Some(*batch),
                wheels: Vec::new(),
                test: test.clone(),
                plan: Some("listeria-cheese".to_owned()),
                scope: None,
                taken_g: None,
            };
            self.enter(evening, taken);
            let nothing = "not detected in 25 g";
            let result = facts::LabResulted {
                sample,
                test,
                value: nothing.to_owned(),
                verdict: facts::Verdict::Satisfactory,
                units: vec![nothing.to_owned(); 5],
                report: Some(format!("invented report {}", day.format("%y%m%d"))),
            };
            let on = day + chrono::Days::new(RESULT_AFTER);
            self.results.push((on, result.into()));
        }
        Ok(std::mem::take(&mut self.facts))
    }

    /// Milk of two farms into the vat, and what was dosed and read.
    fn vat(&mut self, started: &VatStarted, at: DateTime<Utc>) -> anyhow::Result<()> {
        let VatStarted { batch, milk_l, .. } = started;
        let parts = [("U", "Upper Lark Farm", 0.6), ("F", "Fold End Farm", 0.4)];
        for (letter, farm, share) in parts {
            let lot: LotId = format!("M{batch}{letter}").parse()?;
            let volume_l = Litres::new((milk_l.get() * share * 10.0).round() / 10.0)?;
            let came = at - TimeDelta::minutes(75);
            let received = facts::MilkReceived {
                lot,
                supplier: farm.to_owned(),
                volume_l,
                temperature_c: Some(Celsius::new(4.0)?),
                fat_pct: None,
                protein_pct: None,
                supplier_lot: Some(format!("{letter}-{batch}")),
                document: Some(facts::Document {
                    kind: "delivery note".to_owned(),
                    number: format!("{letter}{batch}"),
                }),
                extensions: None,
            };
            self.enter(came, received);
            let screened = facts::MilkScreened {
                lot,
                test: "antibiotics".to_owned(),
                passed: true,
            };
            self.enter(came + TimeDelta::minutes(10), screened);
            let heated = facts::MilkPasteurised {
                lot,
                temperature_c: Celsius::new(72.6)?,
                held_s: 16.0,
            };
            self.enter(came + TimeDelta::minutes(45), heated);
            let filled = facts::VatFilled {
                batch: *batch,
                lot,
                volume_l,
            };
            self.enter(at, filled);
        }
        let week = at.iso_week();
        let dosed = [
            (Ingredient::Culture, "CUL", 5, 12.0),
            (Ingredient::Rennet, "REN", 180, 60.0),
            (Ingredient::Salt, "SAL", 1_560, 700.0),
        ];
        for (ingredient, letters, minutes, amount) in dosed {
            let lot: LotId = format!("{letters}{}W{:02}", week.year(), week.week()).parse()?;
            if self.received.insert(lot) {
                self.lot(lot, ingredient, at - TimeDelta::hours(20));
            }
            let dosed = facts::VatDosed {
                batch: *batch,
                ingredient,
                lot,
                amount,
            };
            self.enter(at + TimeDelta::minutes(minutes), dosed);
        }
        for (minutes, ph) in [(30, 6.5), (900, 5.4), (1_440, 5.1)] {
            let measured = facts::VatMeasured {
                batch: *batch,
                reading: Reading::Ph(Ph::new(ph)?),
            };
            self.enter(at + TimeDelta::minutes(minutes), measured);
        }
        Ok(())
    }

    fn lot(&mut self, lot: LotId, ingredient: Ingredient, at: DateTime<Utc>) {
        let (kind, product, supplier) = match ingredient {
            Ingredient::Salt => (facts::LotKind::Salt, "salt", "Sea Pans"),
            Ingredient::Rennet => (facts::LotKind::Rennet, "rennet", "Invented Cultures"),
            _ => (
                facts::LotKind::Culture,
                "blue culture, freeze-dried",
                "Invented Cultures",
            ),
        };
        let received = facts::LotReceived {
            lot,
            kind,
            product: product.to_owned(),
            supplier: supplier.to_owned(),
            supplier_lot: Some(format!("S-{lot}")),
            amount: None,
            use_by: None,
            document: Some(facts::Document {
                kind: "delivery note".to_owned(),
                number: format!("D-{lot}"),
            }),
            extensions: None,
        };
        self.enter(at, received);
    }

    /// What the safety file asks for every day, and nobody scans.
    fn checks(&mut self, day: NaiveDate, from: DateTime<Utc>) -> anyhow::Result<()> {
        let forgot = nth(day).is_multiple_of(FORGETS_EVERY);
        let by_hand = [
            ("cleaning", None, (!forgot).then_some(true)),
            ("ammonia", Some(12.0), None),
        ];
        for (control, value, in_order) in by_hand {
            if value.is_none() && in_order.is_none() {
                continue;
            }
            let checked = facts::ControlChecked {
                control: control.parse()?,
                about: None,
                value,
                in_order,
                note: None,
            };
            self.enter(from + TimeDelta::hours(11), checked);
        }
        let iron = facts::ToolChecked {
            tool: "IR1".parse()?,
            check: facts::ToolCheck::Iron { whole: true },
        };
        self.enter(from + TimeDelta::hours(2), iron);
        for tool in ["PM1", "IR1", "V1", "V2"] {
            let sanitised = facts::ToolSanitised {
                tool: tool.parse()?,
                method: "hot water, 85 °C".to_owned(),
            };
            self.enter(from + TimeDelta::hours(12), sanitised);
        }
        Ok(())
    }

    fn enter(&mut self, at: DateTime<Utc>, event: impl Into<Event>) {
        self.number += 1;
        self.facts.push(Fact {
            id: self.ids.next(at),
            site: self.site.id,
            station: self.station,
            station_seq: self.number,
            person: "07".parse().ok(),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
    }
}

/// What a manager states at the office's Holds page, signed in with badge and PIN: no scanner
/// can release.
pub fn release(doing: &Doing) -> anyhow::Result<Option<Draft>> {
    let What::Release {
        person,
        hold,
        wheels,
    } = &doing.what
    else {
        return Ok(None);
    };
    let wheels: Result<_, _> = wheels.iter().map(|wheel| wheel.parse()).collect();
    let event = Event::from(WheelReleased {
        wheels: wheels?,
        hold: hold.parse()?,
        reason: "the laboratory's result is back".to_owned(),
    });
    may_state(&event, Proof::SignedIn(Role::Manager))?;
    Ok(Some(Draft {
        occurred_at: doing.at,
        claimed_at: None,
        person: Some(person.parse()?),
        event,
    }))
}

/// Days since the first of the calendar.
fn nth(day: NaiveDate) -> u32 {
    day.num_days_from_ce().unsigned_abs()
}

/// Enters days that are played live: reads from the log which vats were filled.
pub struct Evenings {
    office: Office,
    bus: Bus,
    log: FloorLog,
}

impl Evenings {
    /// Goes on after the past.
    pub async fn begin(office: Office, bus: &Bus) -> anyhow::Result<Self> {
        let mut log = bus.floor_after(None).await?;
        let end = bus.floor_end().await?;
        while log.position().seq < end {
            log.next_chunk(5_000).await?;
        }
        Ok(Self {
            office,
            bus: bus.clone(),
            log,
        })
    }

    /// Enters what was ordered, before a day is played.
    pub async fn morning(&mut self, script: &DayScript) -> anyhow::Result<()> {
        let entered = self.office.morning(script)?;
        Ok(self.bus.publish_facts(&entered).await?)
    }

    /// Enters a day once it has been played.
    pub async fn enter(&mut self, day: NaiveDate) -> anyhow::Result<()> {
        let end = self.bus.floor_end().await?;
        let mut facts = Vec::new();
        while self.log.position().seq < end {
            for message in self.log.next_chunk(5_000).await? {
                if let Ok(Read::Fact(fact)) = message.read() {
                    facts.push(fact);
                }
            }
        }
        let entered = self.office.day(day, &facts)?;
        Ok(self.bus.publish_facts(&entered).await?)
    }
}
