//! The dispatch note: what goes with a shipment, on A4.
//!
//! It carries what the next link of the chain needs to trace one step back: lot codes and
//! where they were given, quantities with units, the product, from where and to whom, the
//! day, and the reference (21 CFR 1.1340(a)(1) to (a)(8); Regulation (EC) 178/2002,
//! article 18).

use std::collections::BTreeMap;

use chart::paper::{Column, Paper};
use facts::{BatchId, Grade, OrderId, Sscc, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::customers::{Customer, Lane, Shipper};
use crate::orders::Order;
use crate::stock::Cheese;

/// Most wheels that are listed one by one; beyond, only lots are.
const LISTED: usize = 400;

/// What goes with a shipment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DispatchNote {
    /// The order.
    pub order: OrderId,
    /// The day it leaves.
    pub leaves_on: DairyDay,
    /// From where, line by line.
    pub from: Vec<String>,
    /// The dairy's identification mark, as it writes it.
    pub mark: Option<String>,
    /// To whom, line by line.
    pub to: Vec<String>,
    /// The lane.
    pub lane: String,
    /// Air temperature on the way, °C.
    pub temperature_c: Option<(f64, f64)>,
    /// Lots.
    pub lots: Vec<NoteLot>,
    /// Wheels.
    pub wheels: Vec<NoteWheel>,
    /// Cases, with how many wheels are in each and the pallet it stands on.
    pub cases: Vec<(Sscc, usize, Option<Sscc>)>,
}

/// One lot of a shipment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoteLot {
    /// The batch: the lot code.
    pub batch: BatchId,
    /// The product as printed.
    pub product: String,
    /// Its grade.
    pub grade: Option<Grade>,
    /// Its make day.
    pub made: DairyDay,
    /// Its best-before day.
    pub best_before: DairyDay,
    /// How many wheels.
    pub wheels: usize,
    /// Net weight, g.
    pub grams: u64,
}

/// One wheel of a shipment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct NoteWheel {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// Net weight, g.
    pub grams: u32,
}

impl DispatchNote {
    /// The note for wheels that leave on a day.
    #[must_use]
    pub fn new(
        order: &Order,
        customer: &Customer,
        lane: &Lane,
        shipper: &Shipper,
        mark: Option<&str>,
        leaves_on: DairyDay,
        wheels: &[&Cheese],
    ) -> Self {
        let mut lots: BTreeMap<(BatchId, Option<Grade>), NoteLot> = BTreeMap::new();
        for cheese in wheels {
            let lot = lots
                .entry((cheese.batch, cheese.grade))
                .or_insert_with(|| NoteLot {
                    batch: cheese.batch,
                    product: cheese.recipe.name.clone(),
                    grade: cheese.grade,
                    made: cheese.made,
                    best_before: cheese.made.plus(cheese.recipe.best_before_days),
                    wheels: 0,
                    grams: 0,
                });
            lot.wheels += 1;
            lot.grams += u64::from(cheese.weight_g);
        }
        let mut listed: Vec<NoteWheel> = wheels
            .iter()
            .map(|cheese| NoteWheel {
                wheel: cheese.wheel,
                batch: cheese.batch,
                grams: cheese.weight_g,
            })
            .collect();
        listed.sort_by_key(|wheel| (wheel.batch, wheel.wheel));
        let here = |packed: &&facts::OrderPacked| {
            let wheels = packed.wheels.iter();
            wheels
                .clone()
                .any(|wheel| listed.iter().any(|known| known.wheel == *wheel))
        };
        let cases = order.packed.iter().filter(here);
        let mut to = vec![customer.name.clone()];
        to.extend(customer.address.iter().cloned());
        Self {
            order: order.id,
            leaves_on,
            from: shipper.address.clone(),
            mark: mark.map(str::to_owned),
            to,
            lane: lane.name.clone(),
            temperature_c: lane.temperature_c,
            lots: lots.into_values().collect(),
            cases: cases
                .map(|case| (case.case, case.wheels.len(), case.pallet))
                .collect(),
            wheels: listed,
        }
    }

    /// Net weight in all, g.
    #[must_use]
    pub fn grams(&self) -> u64 {
        self.lots.iter().map(|lot| lot.grams).sum()
    }

    /// The note as a PDF file.
    #[must_use]
    pub fn pdf(&self) -> Vec<u8> {
        let mut paper = Paper::new(
            &format!("Dispatch note {}", self.order),
            "Lot codes were given where the cheese was made. Keep this note: it traces one step back.",
        );
        paper.small(&format!("leaves on {} · by {}", self.leaves_on, self.lane));
        paper.space(4.0);
        let column = |head, share| Column {
            head,
            share,
            right: false,
        };
        let number = |head, share| Column {
            head,
            share,
            right: true,
        };
        let mut from = self.from.clone();
        from.extend(
            self.mark
                .iter()
                .map(|mark| format!("Identification mark {mark}")),
        );
        let lines = from.len().max(self.to.len());
        let cell = |lines: &[String], n: usize| lines.get(n).cloned().unwrap_or_default();
        let rows: Vec<Vec<String>> = (0..lines)
            .map(|n| vec![cell(&from, n), cell(&self.to, n)])
            .collect();
        paper.table(&[column("from", 1.0), column("to", 1.0)], &rows);
        paper.heading("Lots");
        let mut rows: Vec<Vec<String>> = self.lots.iter().map(NoteLot::row).collect();
        let wheels: usize = self.lots.iter().map(|lot| lot.wheels).sum();
        rows.push(vec![
            "in all".to_owned(),
            String::new(),
            String::new(),
            String::new(),
            String::new(),
            wheels.to_string(),
            kilograms(self.grams()),
        ]);
        let columns = [
            column("lot (batch)", 1.2),
            column("product", 1.6),
            column("grade", 0.6),
            column("made", 1.4),
            column("best before", 1.4),
            number("wheels", 0.7),
            number("net weight, kg", 1.1),
        ];
        paper.table(&columns, &rows);
        paper.heading("Temperature");
        paper.paragraph(&match self.temperature_c {
            Some((least, most)) => format!(
                "Carry and keep at {least} to {most} °C. Product temperature when loaded: ________ °C, when received: ________ °C."
            ),
            None => "Product temperature when loaded: ________ °C, when received: ________ °C.".to_owned(),
        });
        if !self.cases.is_empty() {
            paper.heading("Cases");
            let rows = self.cases.iter().map(|(case, wheels, pallet)| {
                let pallet = pallet.map(|pallet| pallet.to_string());
                vec![
                    case.to_string(),
                    wheels.to_string(),
                    pallet.unwrap_or_default(),
                ]
            });
            let columns = [
                column("case (SSCC)", 2.0),
                number("wheels", 0.7),
                column("", 0.2),
                column("on pallet (SSCC)", 2.0),
            ];
            paper.table(&columns, &rows.collect::<Vec<_>>());
        }
        if self.wheels.len() <= LISTED {
            paper.heading("Wheels");
            let rows = self.wheels.chunks(2).map(|pair| {
                let cells = pair.iter().map(|wheel| wheel.cells().to_vec());
                cells.collect::<Vec<_>>().join(&String::new())
            });
            let columns = [
                column("wheel", 1.4),
                column("lot", 1.0),
                number("kg", 0.6),
                column("", 0.2),
                column("wheel", 1.4),
                column("lot", 1.0),
                number("kg", 0.6),
            ];
            paper.table(&columns, &rows.collect::<Vec<_>>());
        }
        paper.space(14.0);
        paper.paragraph("Loaded by ______________________   Driver ______________________   Received by ______________________");
        paper.finish()
    }
}

impl NoteLot {
    fn row(&self) -> Vec<String> {
        vec![
            self.batch.to_string(),
            self.product.clone(),
            self.grade.map_or(String::new(), |grade| grade.to_string()),
            self.made.to_string(),
            self.best_before.to_string(),
            self.wheels.to_string(),
            kilograms(self.grams),
        ]
    }
}

impl NoteWheel {
    fn cells(&self) -> [String; 3] {
        [
            self.wheel.to_string(),
            self.batch.to_string(),
            kilograms(u64::from(self.grams)),
        ]
    }
}

/// `4.215`
fn kilograms(grams: u64) -> String {
    format!("{}.{:03}", grams / 1_000, grams % 1_000)
}
