//! What the office, the laboratory and the forecaster state while the simulated days go on:
//! put among a past's facts, so that nothing is tested without them.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use facts::{
    BatchId, Event, ExpectedOn, Fact, FactIdSource, ForecastTold, LabResulted, LabSampled,
    OrderPacked, Sscc, VatRecipeChanged, Verdict, Voided, WheelAllocated, WheelHeld, WheelId,
    WheelReleased,
};

use crate::Past;

/// States facts under a station's own numbers.
pub(crate) struct Desk {
    station: &'static str,
    person: &'static str,
    number: u64,
    ids: FactIdSource,
}

impl Desk {
    pub(crate) fn new(station: &'static str, person: &'static str) -> Self {
        Self {
            station,
            person,
            number: 0,
            ids: FactIdSource::default(),
        }
    }

    /// A fact of the same site as another.
    pub(crate) fn states(
        &mut self,
        like: &Fact,
        at: DateTime<Utc>,
        event: impl Into<Event>,
    ) -> Fact {
        self.number += 1;
        Fact {
            id: self.ids.next(at),
            site: like.site,
            station: self.station.parse().expect("a station's code"),
            station_seq: self.number,
            person: Some(self.person.parse().expect("a badge")),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        }
    }
}

/// A forecast; before piercing, and when a batch is ready, it names no wheel.
fn forecast(batch: BatchId, ready: NaiveDate, worth_ironing: Vec<WheelId>) -> ForecastTold {
    let on = |days: i64| ready + TimeDelta::days(days);
    ForecastTold {
        batch,
        cover_pct: None,
        covered: None,
        leaves: None,
        moved_on: None,
        ready: ExpectedOn {
            day: ready,
            from: on(-4),
            until: on(6),
        },
        rind_looks: 1,
        cores: u32::from(!worth_ironing.is_empty()),
        learnt_from: 0,
        worth_ironing,
    }
}

impl Past {
    /// Adds what is stated elsewhere than at stations: forecasts of every batch, orders packed
    /// on pallets, samples and their results, holds and their ends, corrections, a batch that
    /// goes on by another recipe on purpose.
    #[must_use]
    pub fn with_the_office(mut self) -> Self {
        let mut wheels: BTreeMap<BatchId, Vec<WheelId>> = BTreeMap::new();
        let mut starts = Vec::new();
        for fact in &self.facts {
            match &fact.event {
                Event::VatStarted(started) => starts.push((started.clone(), fact.clone())),
                Event::WheelPortioned(born) => {
                    wheels.entry(born.batch).or_default().push(born.wheel);
                }
                _ => {}
            }
        }
        let (mut forecaster, mut office) =
            (Desk::new("forecaster", "M1"), Desk::new("order-desk", "M1"));
        let mut more = Vec::new();
        for (n, (started, like)) in starts.iter().enumerate() {
            let (batch, born) = (started.batch, like.occurred_at);
            let ready = born.date_naive() + TimeDelta::days(45);
            let all = wheels.get(&batch).cloned().unwrap_or_default();
            let some: Vec<WheelId> = all.iter().take(2).copied().collect();
            for days in [1, 2, 9, 30, 50] {
                let named = if days == 30 { some.clone() } else { Vec::new() };
                let told = forecast(batch, ready + TimeDelta::days(days % 4), named);
                more.push(forecaster.states(like, born + TimeDelta::days(days), told));
            }
            let at = |hours: i64| born + TimeDelta::hours(hours + 30 * 24);
            if some.is_empty() {
                continue;
            }
            let wheels = some.clone();
            match n % 6 {
                0 => {
                    let hold: facts::HoldId = format!("LAB-{n}").parse().expect("a hold");
                    let sample: facts::SampleId = format!("L{n}").parse().expect("a sample");
                    more.push(office.states(
                        like,
                        at(0),
                        LabSampled {
                            sample,
                            batch: Some(batch),
                            wheels: Vec::new(),
                            test: "L. monocytogenes".to_owned(),
                            plan: None,
                            scope: None,
                            taken_g: None,
                        },
                    ));
                    more.push(office.states(
                        like,
                        at(20),
                        LabResulted {
                            sample,
                            test: "L. monocytogenes".to_owned(),
                            value: "detected".to_owned(),
                            verdict: Verdict::Unsatisfactory,
                            units: Vec::new(),
                            report: None,
                        },
                    ));
                    more.push(office.states(
                        like,
                        at(21),
                        WheelHeld {
                            wheels: wheels.clone(),
                            hold,
                            reason: "result".to_owned(),
                        },
                    ));
                    if n % 12 == 0 {
                        more.push(office.states(
                            like,
                            at(70),
                            WheelReleased {
                                wheels,
                                hold,
                                reason: "second result".to_owned(),
                            },
                        ));
                    }
                }
                1 => {
                    let order = format!("A{n}").parse().expect("an order");
                    more.push(office.states(like, at(0), WheelAllocated { wheels, order }));
                    let number = n as u64 * 10;
                    for (case, wheel) in (1..).zip(&some) {
                        more.push(office.states(
                            like,
                            at(case),
                            OrderPacked {
                                order,
                                case:
                                    Sscc::with_check_digit(number + case as u64).expect("a number"),
                                wheels: vec![*wheel],
                                pallet: Sscc::with_check_digit(number),
                            },
                        ));
                    }
                }
                2 => more.push(office.states(
                    like,
                    at(0),
                    VatRecipeChanged {
                        batch,
                        recipe: started.recipe,
                        recipe_version: started.recipe_version + 1,
                        reason: "too dry".to_owned(),
                    },
                )),
                3 => {
                    let reason = "scanned by mistake".to_owned();
                    let fact = more[more.len() - 2].id;
                    more.push(office.states(like, at(0), Voided { fact, reason }));
                }
                _ => {}
            }
        }
        let end = self.end;
        self.facts
            .extend(more.into_iter().filter(|fact| fact.recorded_at < end));
        self.facts.sort_by_key(|fact| fact.recorded_at);
        self
    }
}
