//! What the facts say of each make.

use std::collections::BTreeMap;

use facts::{BatchId, Event, Fact, Ingredient, LotId, RecipeId, VatId, WheelId};
use quantity::{DairyClock, DairyDay};
use serde::Serialize;

/// A litre of milk, kg, at 20 °C: 1.027 to 1.033. Common practice, no source.
pub const MILK_KG_L: f64 = 1.030;

/// A litre of sweet whey, kg. Common practice, no source.
pub const WHEY_KG_L: f64 = 1.025;

/// What milk is made of, % by mass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Milk {
    /// Fat.
    pub fat_pct: f64,
    /// Protein.
    pub protein_pct: f64,
}

/// Something that cannot be right about a make or a wheel of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Oddity {
    /// The wheel, if it is about one.
    pub wheel: Option<WheelId>,
    /// In words, with what to do.
    pub words: String,
}

/// A make.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Make {
    /// The batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: DairyDay,
    /// The vat.
    pub vat: VatId,
    /// What it is made by.
    pub recipe: RecipeId,
    /// Milk in the vat, litres.
    pub milk_l: f64,
    /// What the milk is made of, where its lots say.
    pub milk: Option<Milk>,
    /// Reworked curd or cheese, grams.
    pub reworked_g: f64,
    /// Salt, grams.
    pub salt_g: f64,
    /// Whey drawn, litres, where it was measured.
    pub whey_l: Option<f64>,
    /// Whether the make is over.
    pub closed: bool,
    /// Its wheels.
    pub wheels: Vec<MadeWheel>,
    /// What cannot be right.
    pub oddities: Vec<Oddity>,
}

/// Where a wheel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stands {
    /// In the house.
    InHouse,
    /// It left.
    Dispatched,
    /// It was thrown away.
    Discarded,
}

/// A wheel as its make's balance sees it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MadeWheel {
    /// The wheel.
    pub wheel: WheelId,
    /// Curd, grams.
    pub portion_g: f64,
    /// Its last weight since, grams.
    pub weighed_g: Option<f64>,
    /// Cores drawn.
    pub cores: u32,
    /// Where it is.
    pub stands: Stands,
}

impl Make {
    /// Milk, kg.
    #[must_use]
    pub fn milk_kg(&self) -> f64 {
        self.milk_l * MILK_KG_L
    }

    /// Curd portioned, kg.
    #[must_use]
    pub fn curd_kg(&self) -> f64 {
        self.wheels.iter().map(|wheel| wheel.portion_g).sum::<f64>() / 1000.0
    }

    /// Curd from 100 kg of milk, kg; `None` without milk.
    #[must_use]
    pub fn curd_kg_per_100_kg(&self) -> Option<f64> {
        let milk = self.milk_kg();
        (milk > 0.0 && !self.wheels.is_empty()).then(|| 100.0 * self.curd_kg() / milk)
    }

    /// Cheese from 100 kg of milk, kg, going by what wheels that were weighed again have left
    /// of their curd; `None` when none was.
    #[must_use]
    pub fn cheese_kg_per_100_kg(&self) -> Option<f64> {
        let weighed = || {
            let each = self.wheels.iter();
            each.filter_map(|wheel| Some((wheel.portion_g, wheel.weighed_g?)))
        };
        let curd: f64 = weighed().map(|(curd, _)| curd).sum();
        let left: f64 = weighed().map(|(_, left)| left).sum();
        (curd > 0.0).then_some(left / curd)?;
        Some(self.curd_kg_per_100_kg()? * left / curd)
    }
}

/// A wheel that loses more than this from hoop to grading is to be looked at. Common
/// practice, no source: 24 lb of curd become 18 lb of cheese.
const LOSES_AT_MOST: f64 = 0.26;

/// What was filled and what the vat was started with may differ by this share.
const FILLED_OFF: f64 = 0.02;

/// Every make that the facts tell of, by batch. `order` are the facts that count
/// (`holds::counting`).
#[must_use]
pub fn makes(order: &[&Fact], clock: &DairyClock) -> BTreeMap<BatchId, Make> {
    let mut gathering = Gathering::default();
    // Steps that share an instant are in no order of their own: a make begins with its start.
    let begins = |fact: &&&Fact| matches!(fact.event, Event::VatStarted(_));
    let others = order.iter().filter(|fact| !begins(fact));
    for fact in order.iter().filter(begins).chain(others) {
        gathering.take(fact, clock);
    }
    gathering.done()
}

#[derive(Default)]
struct Gathering {
    makes: BTreeMap<BatchId, Make>,
    lots: BTreeMap<LotId, (Milk, f64)>,
    /// By batch: milk lots and how much of each went in, litres.
    filled: BTreeMap<BatchId, Vec<(LotId, f64)>>,
    named: BTreeMap<BatchId, Vec<LotId>>,
    of: BTreeMap<WheelId, BatchId>,
}

impl Gathering {
    fn take(&mut self, fact: &Fact, clock: &DairyClock) {
        match &fact.event {
            Event::MilkReceived(e) => {
                if let (Some(fat), Some(protein)) = (e.fat_pct, e.protein_pct) {
                    let milk = Milk {
                        fat_pct: fat.get(),
                        protein_pct: protein.get(),
                    };
                    self.lots.insert(e.lot, (milk, e.volume_l.get()));
                }
            }
            Event::MilkPooled(e) => {
                let parts = e.from.iter().map(|part| (part.lot, part.volume_l.get()));
                let parts: Vec<_> = parts.collect();
                if let Some(milk) = self.mixed(&parts) {
                    let volume = parts.iter().map(|(_, volume)| volume).sum();
                    self.lots.insert(e.lot, (milk, volume));
                }
            }
            Event::VatStarted(e) => {
                self.named.insert(e.batch, e.milk_lots.clone());
                self.makes.entry(e.batch).or_insert_with(|| Make {
                    batch: e.batch,
                    made: clock.day_of(fact.occurred_at),
                    vat: e.vat,
                    recipe: e.recipe,
                    milk_l: e.milk_l.get(),
                    milk: None,
                    reworked_g: 0.0,
                    salt_g: 0.0,
                    whey_l: None,
                    closed: false,
                    wheels: Vec::new(),
                    oddities: Vec::new(),
                });
            }
            Event::VatFilled(e) => {
                let filled = self.filled.entry(e.batch).or_default();
                filled.push((e.lot, e.volume_l.get()));
            }
            Event::VatReworked(e) => self.change(e.batch, |make| {
                make.reworked_g += f64::from(e.weight_g.get());
            }),
            Event::VatDosed(e) if e.ingredient == Ingredient::Salt && e.amount > 0.0 => {
                self.change(e.batch, |make| make.salt_g += e.amount);
            }
            Event::VatDrained(e) => {
                if let Some(whey) = e.whey_l {
                    self.change(e.batch, |make| {
                        *make.whey_l.get_or_insert(0.0) += whey.get();
                    });
                }
            }
            Event::VatClosed(e) => self.change(e.batch, |make| make.closed = true),
            Event::WheelPortioned(e) if self.of.insert(e.wheel, e.batch).is_none() => {
                self.change(e.batch, |make| {
                    make.wheels.push(MadeWheel {
                        wheel: e.wheel,
                        portion_g: f64::from(e.weight_g.get()),
                        weighed_g: None,
                        cores: 0,
                        stands: Stands::InHouse,
                    });
                });
            }
            Event::WheelWeighed(e) => {
                self.wheel(e.wheel, |wheel| {
                    wheel.weighed_g = Some(f64::from(e.weight_g.get()))
                });
            }
            Event::WheelIroned(e) => self.wheel(e.wheel, |wheel| wheel.cores += 1),
            Event::WheelDispatched(e) => self.stand(&e.wheels, Stands::Dispatched),
            Event::WheelReturned(e) => self.stand(&e.wheels, Stands::InHouse),
            Event::WheelDiscarded(e) => self.stand(&e.wheels, Stands::Discarded),
            _ => {}
        }
    }

    fn change(&mut self, batch: BatchId, change: impl FnOnce(&mut Make)) {
        if let Some(make) = self.makes.get_mut(&batch) {
            change(make);
        }
    }

    fn wheel(&mut self, wheel: WheelId, change: impl FnOnce(&mut MadeWheel)) {
        let make = self
            .of
            .get(&wheel)
            .and_then(|batch| self.makes.get_mut(batch));
        let found = make.and_then(|make| make.wheels.iter_mut().find(|w| w.wheel == wheel));
        if let Some(found) = found {
            change(found);
        }
    }

    fn stand(&mut self, wheels: &[WheelId], stands: Stands) {
        for wheel in wheels {
            self.wheel(*wheel, |wheel| wheel.stands = stands);
        }
    }

    /// What a mixture of lots is made of; `None` when a lot of it is not known.
    fn mixed(&self, parts: &[(LotId, f64)]) -> Option<Milk> {
        let (mut fat, mut protein, mut all) = (0.0, 0.0, 0.0);
        for (lot, volume) in parts {
            let (milk, _) = self.lots.get(lot)?;
            fat += milk.fat_pct * volume;
            protein += milk.protein_pct * volume;
            all += volume;
        }
        (all > 0.0).then(|| Milk {
            fat_pct: fat / all,
            protein_pct: protein / all,
        })
    }

    fn done(mut self) -> BTreeMap<BatchId, Make> {
        let mut makes = std::mem::take(&mut self.makes);
        for (batch, make) in &mut makes {
            let filled = self.filled.get(batch).map_or(&[][..], Vec::as_slice);
            let sum: f64 = filled.iter().map(|(_, volume)| volume).sum();
            make.milk = if filled.is_empty() {
                let named = self.named.get(batch).into_iter().flatten();
                let known = named.map(|lot| (*lot, self.lots.get(lot).map_or(0.0, |l| l.1)));
                self.mixed(&known.collect::<Vec<_>>())
            } else {
                self.mixed(filled)
            };
            if sum > 0.0 && make.milk_l > 0.0 && (sum / make.milk_l - 1.0).abs() > FILLED_OFF {
                make.oddities.push(Oddity {
                    wheel: None,
                    words: format!(
                        "{sum:.0} L of milk were filled in, but the vat was started with {:.0} L: \
                         check the meter and the make sheet",
                        make.milk_l
                    ),
                });
            }
            if make.milk_l <= 0.0 {
                make.milk_l = sum;
            }
            look_at_wheels(make);
        }
        makes
    }
}

fn look_at_wheels(make: &mut Make) {
    for wheel in &make.wheels {
        let Some(weighed) = wheel.weighed_g.filter(|_| wheel.portion_g > 0.0) else {
            continue;
        };
        let lost = 1.0 - weighed / wheel.portion_g;
        let (curd, now) = (wheel.portion_g / 1000.0, weighed / 1000.0);
        let words = if lost > LOSES_AT_MOST {
            format!(
                "{} lost {:.0} % ({curd:.2} kg of curd, {now:.2} kg now): weigh it again, and \
                 look whether it is the wheel that its card says",
                wheel.wheel,
                lost * 100.0
            )
        } else if lost < 0.0 {
            format!(
                "{} gained weight ({curd:.2} kg of curd, {now:.2} kg now): weigh it again, and \
                 look whether it is the wheel that its card says",
                wheel.wheel
            )
        } else {
            continue;
        };
        make.oddities.push(Oddity {
            wheel: Some(wheel.wheel),
            words,
        });
    }
}
