//! Facts as EPCIS events.
//!
//! Room climate goes out once a room and dairy day, with the day's least, largest and mean
//! value: thousands of readings help nobody. Turning, rubbing up and the like say nothing to
//! a partner and stay at home.

use std::collections::BTreeMap;

use chrono::{DateTime, Offset as _, SecondsFormat, Utc};
use facts::{
    BatchId, Event, Fact, FactId, Grade, HoldId, Ingredient, ReworkSource, RoomId, WheelId,
};
use quantity::{DairyClock, DairyDay};
use serde_json::{Map, Value, json};

use crate::dairy::Dairy;
use crate::story::Story;

/// The context of the standard.
const CONTEXT: &str = "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld";

/// The events of counting facts as one EPCIS document.
#[must_use]
pub fn document(facts: &[Fact], dairy: &Dairy, clock: &DairyClock, now: DateTime<Utc>) -> Value {
    json!({
        "@context": [CONTEXT, {"wheelward": format!("{}/terms/", dairy.domain)}],
        "type": "EPCISDocument",
        "schemaVersion": "2.0",
        "creationDate": instant(now),
        "epcisBody": {"eventList": of_facts(facts, dairy, clock)},
    })
}

/// The events of counting facts, in the order of their times.
#[must_use]
pub fn of_facts(facts: &[Fact], dairy: &Dairy, clock: &DairyClock) -> Vec<Value> {
    let story = Story::of(facts, clock);
    let writer = Writer {
        dairy,
        clock,
        story: &story,
    };
    let mut events: Vec<(DateTime<Utc>, FactId, Value)> = Vec::new();
    for fact in facts {
        if let Some(event) = writer.event(fact) {
            events.push((fact.occurred_at, fact.id, event));
        }
    }
    events.extend(writer.makes(facts));
    events.extend(writer.climate(facts));
    events.sort_by_key(|(at, id, _)| (*at, *id));
    events.into_iter().map(|(_, _, event)| event).collect()
}

fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Millis, true)
}

struct Writer<'a> {
    dairy: &'a Dairy,
    clock: &'a DairyClock,
    story: &'a Story,
}

type Readings = Vec<(DateTime<Utc>, f64)>;

impl Writer<'_> {
    /// What every event says.
    fn event_of(&self, ty: &str, at: DateTime<Utc>, id: FactId) -> Map<String, Value> {
        let offset = self.clock.at_home(at).offset().fix();
        let mut event = Map::new();
        event.insert("type".into(), ty.into());
        event.insert("eventID".into(), format!("urn:uuid:{id}").into());
        event.insert("eventTime".into(), instant(at).into());
        event.insert("eventTimeZoneOffset".into(), offset.to_string().into());
        event
    }

    fn epcs(&self, wheels: &[WheelId]) -> Value {
        let mut once: Vec<WheelId> = wheels.to_vec();
        once.sort_unstable();
        once.dedup();
        once.into_iter().map(|wheel| self.epc(wheel)).collect()
    }

    fn epc(&self, wheel: WheelId) -> Value {
        let batch = self.story.batch_of(wheel);
        let recipe = batch.and_then(|batch| self.story.batches.get(&batch)?.recipe);
        self.dairy.epc(wheel, recipe).into()
    }

    /// An event about wheels.
    fn object(
        &self,
        fact: &Fact,
        wheels: &[WheelId],
        action: &str,
        step: &str,
        disposition: &str,
    ) -> Map<String, Value> {
        let mut event = self.event_of("ObjectEvent", fact.occurred_at, fact.id);
        event.insert("action".into(), action.into());
        event.insert("epcList".into(), self.epcs(wheels));
        event.insert("bizStep".into(), step.into());
        event.insert("disposition".into(), disposition.into());
        event.insert("readPoint".into(), json!({"id": self.dairy.location()}));
        event
    }

    fn released(&self, fact: &Fact, wheels: &[WheelId], hold: HoldId) -> Map<String, Value> {
        let mut event = self.object(fact, wheels, "OBSERVE", "inspecting", "active");
        let hold = hold.to_string();
        event.insert("wheelward:releasedFromHold".into(), hold.into());
        event
    }

    fn event(&self, fact: &Fact) -> Option<Value> {
        let dairy = self.dairy;
        let event = match &fact.event {
            Event::MilkReceived(e) => {
                let amount = Some((e.volume_l.get(), "LTR"));
                self.received(fact, e.lot, amount, &e.supplier_lot, &e.document)
            }
            Event::LotReceived(e) => {
                let amount = e.amount.map(|amount| match amount.unit {
                    facts::Unit::G => (amount.value, "GRM"),
                    facts::Unit::Kg => (amount.value, "KGM"),
                    facts::Unit::Ml => (amount.value, "MLT"),
                    facts::Unit::L => (amount.value, "LTR"),
                    facts::Unit::Piece => (amount.value, ""),
                });
                self.received(fact, e.lot, amount, &e.supplier_lot, &e.document)
            }
            Event::WheelPortioned(e) => {
                let mut event = self.object(fact, &[e.wheel], "ADD", "commissioning", "active");
                event.insert(
                    "ilmd".into(),
                    json!({"cbvmda:lotNumber": e.batch.to_string()}),
                );
                let device = e.scale.map(|scale| dairy.device(scale));
                let kg = f64::from(e.weight_g.get()) / 1000.0;
                event.insert(
                    "sensorElementList".into(),
                    mass(fact.occurred_at, kg, device),
                );
                event
            }
            Event::WheelWeighed(e) => {
                let mut event = self.object(
                    fact,
                    &[e.wheel],
                    "OBSERVE",
                    "sensor_reporting",
                    "in_progress",
                );
                let device = e.scale.map(|scale| dairy.device(scale));
                let kg = f64::from(e.weight_g.get()) / 1000.0;
                event.insert(
                    "sensorElementList".into(),
                    mass(fact.occurred_at, kg, device),
                );
                event
            }
            Event::WheelMoved(e) => {
                let mut event = self.object(fact, &e.wheels, "OBSERVE", "storing", "in_progress");
                let room = json!({"id": dairy.room(e.room)});
                event.insert("readPoint".into(), room.clone());
                event.insert("bizLocation".into(), room);
                event
            }
            Event::WheelPierced(e) => {
                let mut event = self.object(fact, &e.wheels, "OBSERVE", "other", "in_progress");
                event.insert("wheelward:pierced".into(), dairy.device(e.machine).into());
                event
            }
            Event::WheelIroned(e) => {
                let mut event = self.object(fact, &[e.wheel], "OBSERVE", "sampling", "in_progress");
                let blue = e.blue_coverage_pct.get();
                event.insert(
                    "wheelward:blueCoveragePercent".into(),
                    blue.to_string().into(),
                );
                event
            }
            Event::WheelGraded(e) => {
                let disposition = if e.grade == Grade::Reject {
                    "non_conformant"
                } else {
                    "conformant"
                };
                let mut event = self.object(fact, &e.wheels, "OBSERVE", "inspecting", disposition);
                event.insert("wheelward:grade".into(), e.grade.to_string().into());
                event
            }
            Event::LabSampled(e) if !e.wheels.is_empty() => {
                let mut event = self.object(fact, &e.wheels, "OBSERVE", "sampling", "in_progress");
                event.insert("wheelward:sample".into(), e.sample.to_string().into());
                event
            }
            Event::WheelHeld(e) => {
                let mut event = self.object(
                    fact,
                    &e.wheels,
                    "OBSERVE",
                    "holding",
                    "sellable_not_accessible",
                );
                event.insert("wheelward:hold".into(), e.hold.to_string().into());
                event
            }
            Event::WheelReleased(e) => self.released(fact, &e.wheels, e.hold),
            Event::HoldLifted(e) if !e.wheels.is_empty() => self.released(fact, &e.wheels, e.hold),
            Event::OrderPacked(e) => {
                let mut event = self.event_of("AggregationEvent", fact.occurred_at, fact.id);
                event.insert("action".into(), "ADD".into());
                event.insert("parentID".into(), dairy.case(e.case).into());
                event.insert("childEPCs".into(), self.epcs(&e.wheels));
                event.insert("bizStep".into(), "packing".into());
                event.insert("disposition".into(), "container_closed".into());
                event.insert("readPoint".into(), json!({"id": dairy.location()}));
                event.insert("bizTransactionList".into(), self.order(e.order));
                event
            }
            Event::WheelDispatched(e) => {
                let mut event = self.object(fact, &e.wheels, "OBSERVE", "shipping", "in_transit");
                if let Some(order) = e.order {
                    event.insert("bizTransactionList".into(), self.order(order));
                    let customer = self.story.customers.get(&order);
                    let gln = customer.and_then(|name| {
                        dairy
                            .customers
                            .iter()
                            .find(|customer| customer.name == *name)?
                            .gln
                    });
                    if let Some(gln) = gln {
                        let party = format!("https://id.gs1.org/417/{gln}");
                        event.insert(
                            "destinationList".into(),
                            json!([{"type": "possessing_party", "destination": party}]),
                        );
                    }
                }
                event
            }
            Event::WheelDelivered(e) => {
                self.object(fact, &e.wheels, "OBSERVE", "arriving", "in_progress")
            }
            Event::WheelReturned(e) => {
                self.object(fact, &e.wheels, "OBSERVE", "receiving", "returned")
            }
            Event::WheelDiscarded(e) => {
                let mut event = self.object(fact, &e.wheels, "DELETE", "destroying", "destroyed");
                event.insert("wheelward:reason".into(), e.reason.clone().into());
                event
            }
            _ => return None,
        };
        Some(Value::Object(event))
    }

    fn order(&self, order: facts::OrderId) -> Value {
        json!([{"type": "po", "bizTransaction": self.dairy.order(order)}])
    }

    fn received(
        &self,
        fact: &Fact,
        lot: facts::LotId,
        amount: Option<(f64, &str)>,
        supplier_lot: &Option<String>,
        document: &Option<facts::Document>,
    ) -> Map<String, Value> {
        let mut event = self.event_of("ObjectEvent", fact.occurred_at, fact.id);
        event.insert("action".into(), "OBSERVE".into());
        event.insert(
            "quantityList".into(),
            json!([quantity(self.dairy.lot_class(lot), amount)]),
        );
        event.insert("bizStep".into(), "receiving".into());
        event.insert("disposition".into(), "in_progress".into());
        let location = json!({"id": self.dairy.location()});
        event.insert("readPoint".into(), location.clone());
        event.insert("bizLocation".into(), location);
        if let Some(document) = document {
            let paper = self.dairy.paper(&document.kind, &document.number);
            event.insert(
                "bizTransactionList".into(),
                json!([{"type": "desadv", "bizTransaction": paper}]),
            );
        }
        if let Some(lot) = supplier_lot {
            event.insert("wheelward:supplierLot".into(), lot.clone().into());
        }
        event
    }

    /// Each batch: its lots turned into curd of that batch.
    fn makes(&self, facts: &[Fact]) -> Vec<(DateTime<Utc>, FactId, Value)> {
        #[derive(Default)]
        struct Make {
            inputs: BTreeMap<String, (f64, &'static str)>,
            unmeasured: Vec<String>,
            wheels: Vec<Value>,
            last: Option<(DateTime<Utc>, FactId)>,
        }
        let mut makes: BTreeMap<BatchId, Make> = BTreeMap::new();
        for fact in facts {
            let at = Some((fact.occurred_at, fact.id));
            match &fact.event {
                Event::VatStarted(e) => {
                    let make = makes.entry(e.batch).or_default();
                    let lots = e.milk_lots.iter().map(|lot| self.dairy.lot_class(*lot));
                    make.unmeasured.extend(lots);
                    make.last = make.last.max(at);
                }
                Event::VatFilled(e) => {
                    let make = makes.entry(e.batch).or_default();
                    let input = make
                        .inputs
                        .entry(self.dairy.lot_class(e.lot))
                        .or_insert((0.0, "LTR"));
                    input.0 += e.volume_l.get();
                }
                Event::VatDosed(e) => {
                    // Culture and salt are weighed; rennet is measured out.
                    let unit = if e.ingredient == Ingredient::Rennet {
                        "MLT"
                    } else {
                        "GRM"
                    };
                    let make = makes.entry(e.batch).or_default();
                    let input = make
                        .inputs
                        .entry(self.dairy.lot_class(e.lot))
                        .or_insert((0.0, unit));
                    input.0 += e.amount;
                }
                Event::VatReworked(e) => {
                    let make = makes.entry(e.batch).or_default();
                    match e.from {
                        ReworkSource::Wheel(wheel) => make.wheels.push(self.epc(wheel)),
                        ReworkSource::Batch(from) => {
                            let recipe = self.story.batches.get(&from).and_then(|from| from.recipe);
                            let class = self.dairy.batch_class(from, recipe);
                            let input = make.inputs.entry(class).or_insert((0.0, "KGM"));
                            input.0 += f64::from(e.weight_g.get()) / 1000.0;
                        }
                    }
                }
                Event::WheelPortioned(e) => {
                    let make = makes.entry(e.batch).or_default();
                    make.last = make.last.max(at);
                }
                _ => {}
            }
        }
        let events = makes.into_iter().filter_map(|(id, make)| {
            let (at, fact) = make.last?;
            let batch = self.story.batches.get(&id)?;
            let mut inputs: Vec<Value> = make
                .inputs
                .iter()
                .map(|(class, amount)| quantity(class.clone(), Some(*amount)))
                .collect();
            let unmeasured = make
                .unmeasured
                .into_iter()
                .filter(|class| !make.inputs.contains_key(class));
            let mut unmeasured: Vec<String> = unmeasured.collect();
            unmeasured.sort();
            unmeasured.dedup();
            inputs.extend(unmeasured.into_iter().map(|class| quantity(class, None)));
            // The standard has no transformation out of nothing.
            if (inputs.is_empty() && make.wheels.is_empty()) || batch.portioned_g == 0 {
                return None;
            }
            let mut event = self.event_of("TransformationEvent", at, fact);
            event.insert(
                "eventID".into(),
                format!("{}/make/{id}", self.dairy.domain).into(),
            );
            event.insert(
                "transformationID".into(),
                format!("{}/batch/{id}", self.dairy.domain).into(),
            );
            if !inputs.is_empty() {
                event.insert("inputQuantityList".into(), inputs.into());
            }
            if !make.wheels.is_empty() {
                let mut wheels = make.wheels;
                wheels.sort_by_key(ToString::to_string);
                wheels.dedup();
                event.insert("inputEPCList".into(), wheels.into());
            }
            #[allow(clippy::cast_precision_loss)] // far below 2^53 grams
            let kg = batch.portioned_g as f64 / 1000.0;
            let curd = quantity(self.dairy.batch_class(id, batch.recipe), Some((kg, "KGM")));
            event.insert("outputQuantityList".into(), json!([curd]));
            event.insert("bizStep".into(), "creating_class_instance".into());
            event.insert("disposition".into(), "in_progress".into());
            event.insert("readPoint".into(), json!({"id": self.dairy.location()}));
            Some((at, fact, Value::Object(event)))
        });
        events.collect()
    }

    /// Each room and dairy day.
    fn climate(&self, facts: &[Fact]) -> Vec<(DateTime<Utc>, FactId, Value)> {
        #[derive(Default)]
        struct Day {
            readings: BTreeMap<(&'static str, &'static str, &'static str), Readings>,
            last: Option<(DateTime<Utc>, FactId)>,
            first: Option<DateTime<Utc>>,
        }
        let mut days: BTreeMap<(RoomId, DairyDay), Day> = BTreeMap::new();
        for fact in facts {
            let Event::RoomClimateRead(e) = &fact.event else {
                continue;
            };
            let day = days
                .entry((e.room, self.clock.day_of(fact.occurred_at)))
                .or_default();
            day.last = Some((fact.occurred_at, fact.id));
            day.first.get_or_insert(fact.occurred_at);
            // Units of UN/ECE Recommendation 20: CEL, P1 (percent), 59 (parts per million).
            let mut read = |key, value: Option<f64>| {
                if let Some(value) = value {
                    day.readings
                        .entry(key)
                        .or_default()
                        .push((fact.occurred_at, value));
                }
            };
            read(("Temperature", "CEL", ""), Some(e.temperature_c.get()));
            read(
                ("RelativeHumidity", "P1", ""),
                e.humidity_pct.map(|h| h.get()),
            );
            // Identifiers of the IUPAC InChIKey registry: CO2 and NH3.
            read(
                (
                    "VolumeFraction",
                    "59",
                    "https://identifiers.org/inchikey:CURLTUGMZLYLDI-UHFFFAOYSA-N",
                ),
                e.co2_ppm.map(|p| p.get()),
            );
            read(
                (
                    "VolumeFraction",
                    "59",
                    "https://identifiers.org/inchikey:QGZKDVFQNNGYKY-UHFFFAOYSA-N",
                ),
                e.nh3_ppm.map(|p| p.get()),
            );
        }
        let events = days.into_iter().filter_map(|((room, day), read)| {
            let ((at, id), first) = read.last.zip(read.first)?;
            let mut event = self.event_of("ObjectEvent", at, id);
            event.insert(
                "eventID".into(),
                format!("{}/climate/{room}/{}", self.dairy.domain, day.date()).into(),
            );
            event.insert("action".into(), "OBSERVE".into());
            event.insert("bizStep".into(), "sensor_reporting".into());
            event.insert("readPoint".into(), json!({"id": self.dairy.room(room)}));
            let reports: Vec<Value> = read
                .readings
                .iter()
                .map(|((ty, uom, substance), values)| report(ty, uom, substance, values))
                .collect();
            event.insert(
                "sensorElementList".into(),
                json!([{
                    "sensorMetadata": {"startTime": instant(first), "endTime": instant(at)},
                    "sensorReport": reports,
                }]),
            );
            Some((at, id, Value::Object(event)))
        });
        events.collect()
    }
}

fn report(ty: &str, uom: &str, substance: &str, values: &Readings) -> Value {
    let numbers = || values.iter().map(|(_, value)| *value);
    let round = |value: f64| (value * 1000.0).round() / 1000.0;
    #[allow(clippy::cast_precision_loss)] // a day's readings
    let mean = numbers().sum::<f64>() / values.len().max(1) as f64;
    let mut report = json!({
        "type": ty,
        "minValue": round(numbers().fold(f64::INFINITY, f64::min)),
        "maxValue": round(numbers().fold(f64::NEG_INFINITY, f64::max)),
        "meanValue": round(mean),
        "uom": uom,
    });
    if let (Value::Object(report), false) = (&mut report, substance.is_empty()) {
        report.insert("chemicalSubstance".into(), substance.into());
    }
    report
}

fn quantity(class: String, amount: Option<(f64, &str)>) -> Value {
    let mut quantity = Map::new();
    quantity.insert("epcClass".into(), class.into());
    if let Some((value, uom)) = amount.filter(|(value, _)| value.is_finite()) {
        quantity.insert("quantity".into(), value.into());
        if !uom.is_empty() {
            quantity.insert("uom".into(), uom.into());
        }
    }
    Value::Object(quantity)
}

fn mass(at: DateTime<Utc>, kg: f64, device: Option<String>) -> Value {
    let mut metadata = Map::new();
    metadata.insert("time".into(), instant(at).into());
    if let Some(device) = device {
        metadata.insert("deviceID".into(), device.into());
    }
    json!([{
        "sensorMetadata": metadata,
        "sensorReport": [{"type": "Mass", "value": kg, "uom": "KGM"}],
    }])
}
