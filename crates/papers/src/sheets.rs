//! The sheets: records of 21 CFR 1 subpart S, and of Reg. (EC) 178/2002 art. 18.
//!
//! One row a lot and event, so that the sheet can be sorted and filtered by any column
//! (21 CFR 1.1455(c)(3)(ii)). Milk is not on the food traceability list, so that a dairy's
//! first event is the transformation (1.1350); what comes in is kept all the same, one step
//! back, by art. 18.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use facts::{Event, Fact, ReworkSource};
use quantity::DairyClock;

use crate::dairy::Dairy;
use crate::sheet::{Cell, Sheet};
use crate::story::{Shipment, Story};

/// What was asked for: a range of dates, lot codes, both or everything.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Asked {
    /// The first date.
    pub from: Option<NaiveDate>,
    /// The last date.
    pub to: Option<NaiveDate>,
    /// Lot codes; all when there are none.
    pub lots: BTreeSet<String>,
}

impl Asked {
    /// Whether a lot was asked for. A code is the same in any case, as everywhere.
    fn names(&self, lot: &str) -> bool {
        self.lots
            .iter()
            .any(|asked| asked.eq_ignore_ascii_case(lot))
    }

    fn takes(&self, date: Option<NaiveDate>, lots: &[&str]) -> bool {
        let in_time = date.is_none_or(|date| {
            self.from.is_none_or(|from| date >= from) && self.to.is_none_or(|to| date <= to)
        });
        in_time && (self.lots.is_empty() || lots.iter().any(|lot| self.names(lot)))
    }
}

/// The columns of the traceability sheet, with the clause that asks for each.
const COLUMNS: [(&str, &str); 17] = [
    (
        "event",
        "critical tracking event: transformation, shipping, receiving",
    ),
    ("clause", "the paragraph of 21 CFR 1 that asks for the row"),
    (
        "date",
        "date completed (1.1350(a)(2)(iii)), shipped (1.1340(a)(6)) or received (1.1345(a)(6))",
    ),
    (
        "traceability lot code",
        "1.1340(a)(1), 1.1345(a)(1), 1.1350(a)(2)(i): the batch",
    ),
    ("quantity", "1.1340(a)(2), 1.1345(a)(2), 1.1350(a)(2)(v)"),
    ("unit", "unit of the quantity"),
    ("wheels", "how many wheels; not asked for"),
    (
        "product description",
        "1.1340(a)(3), 1.1345(a)(3), 1.1350(a)(2)(iv)",
    ),
    (
        "shipped from",
        "1.1340(a)(5); for receiving the immediate previous source, 1.1345(a)(4)",
    ),
    ("next recipient", "1.1340(a)(4)"),
    (
        "location",
        "where it was received, 1.1345(a)(5), or transformed, 1.1350(a)(2)(ii)",
    ),
    (
        "lot code source",
        "1.1340(a)(7), 1.1345(a)(7), 1.1350(a)(2)(ii)",
    ),
    (
        "document type",
        "1.1340(a)(8), 1.1345(a)(8), 1.1350(a)(2)(vi)",
    ),
    ("document number", "as the document type"),
    (
        "into lot",
        "for an ingredient: the lot it went into, 1.1350(a)(1)",
    ),
    ("market", "not asked for"),
    ("serials", "the wheels; not asked for"),
];

#[derive(Default)]
struct Row {
    event: &'static str,
    clause: &'static str,
    date: Option<NaiveDate>,
    lot: String,
    grams: u64,
    wheels: usize,
    product: String,
    from: String,
    to: String,
    location: String,
    source: String,
    document: (&'static str, String),
    into: String,
    market: String,
    serials: String,
}

#[allow(clippy::cast_precision_loss)] // far below 2^53 grams
fn kg(grams: u64) -> Cell {
    Cell::Number(grams as f64 / 1000.0)
}

fn day(date: Option<NaiveDate>) -> Cell {
    date.map_or_else(|| Cell::from("DATE MISSING"), Cell::Date)
}

impl Row {
    fn cells(self) -> Vec<Cell> {
        #[allow(clippy::cast_precision_loss)] // a few hundred
        let wheels = if self.wheels > 0 {
            Cell::Number(self.wheels as f64)
        } else {
            Cell::Empty
        };
        vec![
            self.event.into(),
            self.clause.into(),
            day(self.date),
            self.lot.into(),
            kg(self.grams),
            "kg".into(),
            wheels,
            self.product.into(),
            self.from.into(),
            self.to.into(),
            self.location.into(),
            self.source.into(),
            self.document.0.into(),
            self.document.1.into(),
            self.into.into(),
            self.market.into(),
            self.serials.into(),
        ]
    }
}

/// The records of 21 CFR 1.1340, 1.1345 and 1.1350 as one sortable sheet. `facts` are
/// counting facts.
#[must_use]
pub fn traceability(facts: &[Fact], dairy: &Dairy, clock: &DairyClock, asked: &Asked) -> Sheet {
    let story = Story::of(facts, clock);
    let mut rows: Vec<Row> = Vec::new();
    for (id, batch) in &story.batches {
        let Some(made) = batch.made.filter(|_| !batch.wheels.is_empty()) else {
            continue;
        };
        let serials: Vec<&str> = batch.wheels.iter().map(|wheel| wheel.as_str()).collect();
        rows.push(Row {
            event: "transformation",
            clause: "1.1350(a)(2)",
            date: dairy.completed_on(made, batch.hooped, batch.unhooped),
            lot: id.to_string(),
            grams: batch.portioned_g,
            wheels: batch.wheels.len(),
            product: dairy.describe(batch.recipe),
            location: dairy.place(),
            source: dairy.place(),
            document: ("make record", id.to_string()),
            serials: serials.join(" "),
            ..Row::default()
        });
    }
    for fact in facts {
        // Cheese that goes into cheese is the only listed food that goes into ours.
        if let Event::VatReworked(e) = &fact.event {
            let (from, serial) = match e.from {
                ReworkSource::Batch(batch) => (Some(batch), String::new()),
                ReworkSource::Wheel(wheel) => (story.batch_of(wheel), wheel.to_string()),
            };
            let recipe = from
                .and_then(|from| story.batches.get(&from))
                .and_then(|from| from.recipe);
            rows.push(Row {
                event: "transformation: ingredient",
                clause: "1.1350(a)(1)",
                date: Some(clock.day_of(fact.occurred_at).date()),
                lot: from.map_or_else(|| "LOT CODE MISSING".to_owned(), |from| from.to_string()),
                grams: u64::from(e.weight_g.get()),
                product: dairy.describe(recipe),
                location: dairy.place(),
                source: dairy.place(),
                document: ("make record", e.batch.to_string()),
                into: e.batch.to_string(),
                serials: serial,
                ..Row::default()
            });
        }
    }
    rows.extend(
        story
            .shipments
            .iter()
            .map(|shipment| shipped(shipment, &story, dairy, clock)),
    );
    rows.retain(|row| asked.takes(row.date, &[row.lot.as_str(), row.into.as_str()]));
    rows.sort_by(|a, b| {
        (a.date, a.event, &a.lot, &a.serials).cmp(&(b.date, b.event, &b.lot, &b.serials))
    });
    Sheet {
        name: "traceability",
        head: COLUMNS.iter().map(|(head, _)| *head).collect(),
        rows: rows.into_iter().map(Row::cells).collect(),
    }
}

fn customer_of(shipment: &Shipment, story: &Story, dairy: &Dairy) -> String {
    match shipment.order {
        Some(order) => match story.customers.get(&order) {
            Some(name) => dairy.customer_place(name),
            None => format!("order {order}: CUSTOMER MISSING"),
        },
        None => "CUSTOMER MISSING: it left without an order".to_owned(),
    }
}

fn shipped(shipment: &Shipment, story: &Story, dairy: &Dairy, clock: &DairyClock) -> Row {
    let customer = customer_of(shipment, story, dairy);
    let batch = shipment.batch.and_then(|batch| story.batches.get(&batch));
    let serials: Vec<&str> = shipment.wheels.iter().map(|wheel| wheel.as_str()).collect();
    let common = Row {
        date: Some(clock.day_of(shipment.at).date()),
        lot: shipment
            .batch
            .map_or_else(|| "LOT CODE MISSING".to_owned(), |batch| batch.to_string()),
        grams: shipment.weight_g,
        wheels: shipment.wheels.len(),
        product: dairy.describe(batch.and_then(|batch| batch.recipe)),
        source: dairy.place(),
        document: (
            "order",
            shipment
                .order
                .map_or_else(|| "MISSING".to_owned(), |order| order.to_string()),
        ),
        market: shipment
            .market
            .map_or_else(String::new, |market| market.to_string()),
        serials: serials.join(" "),
        ..Row::default()
    };
    if shipment.back {
        Row {
            event: "receiving",
            clause: "1.1345(a)",
            from: customer,
            location: dairy.place(),
            ..common
        }
    } else {
        Row {
            event: "shipping",
            clause: "1.1340(a)",
            from: dairy.place(),
            to: customer,
            ..common
        }
    }
}

/// One step back: who supplied what (Reg. (EC) 178/2002 art. 18(2)).
#[must_use]
pub fn one_step_back(facts: &[Fact], dairy: &Dairy, clock: &DairyClock, asked: &Asked) -> Sheet {
    let mut rows = Vec::new();
    for fact in facts {
        let (lot, what, supplier, their_lot, amount, document) = match &fact.event {
            Event::MilkReceived(e) => (
                e.lot,
                "milk".to_owned(),
                &e.supplier,
                &e.supplier_lot,
                Some((e.volume_l.get(), "L")),
                &e.document,
            ),
            Event::LotReceived(e) => (
                e.lot,
                e.product.clone(),
                &e.supplier,
                &e.supplier_lot,
                e.amount.map(|amount| (amount.value, amount.unit.symbol())),
                &e.document,
            ),
            _ => continue,
        };
        let date = clock.day_of(fact.occurred_at).date();
        if !asked.takes(Some(date), &[lot.as_str()]) {
            continue;
        }
        rows.push(vec![
            Cell::Date(date),
            lot.to_string().into(),
            what.into(),
            amount.map_or_else(
                || Cell::from("AMOUNT MISSING"),
                |(value, _)| Cell::Number(value),
            ),
            amount.map_or(Cell::Empty, |(_, unit)| unit.into()),
            dairy.supplier_place(supplier).into(),
            their_lot.clone().unwrap_or_default().into(),
            document
                .as_ref()
                .map_or(Cell::Empty, |d| d.kind.clone().into()),
            document
                .as_ref()
                .map_or(Cell::Empty, |d| d.number.clone().into()),
        ]);
    }
    Sheet {
        name: "one step back",
        head: vec![
            "date",
            "lot",
            "what",
            "quantity",
            "unit",
            "supplier",
            "supplier's lot",
            "document type",
            "document number",
        ],
        rows,
    }
}

/// One step forward: which businesses were supplied with what (art. 18(3)).
#[must_use]
pub fn one_step_forward(facts: &[Fact], dairy: &Dairy, clock: &DairyClock, asked: &Asked) -> Sheet {
    let story = Story::of(facts, clock);
    let mut rows = Vec::new();
    for shipment in story.shipments.iter().filter(|shipment| !shipment.back) {
        let date = clock.day_of(shipment.at).date();
        let lot = shipment
            .batch
            .map_or_else(|| "LOT CODE MISSING".to_owned(), |batch| batch.to_string());
        if !asked.takes(Some(date), &[&lot]) {
            continue;
        }
        let recipe = shipment
            .batch
            .and_then(|batch| story.batches.get(&batch)?.recipe);
        let serials: Vec<&str> = shipment.wheels.iter().map(|wheel| wheel.as_str()).collect();
        #[allow(clippy::cast_precision_loss)] // a few hundred
        let count = shipment.wheels.len() as f64;
        rows.push(vec![
            Cell::Date(date),
            Cell::Time(clock.at_home(shipment.at).naive_local()),
            lot.into(),
            dairy.describe(recipe).into(),
            kg(shipment.weight_g),
            "kg".into(),
            Cell::Number(count),
            customer_of(shipment, &story, dairy).into(),
            shipment
                .order
                .map_or(Cell::Empty, |order| order.to_string().into()),
            shipment
                .market
                .map_or(Cell::Empty, |market| market.to_string().into()),
            serials.join(" ").into(),
        ]);
    }
    Sheet {
        name: "one step forward",
        head: vec![
            "date", "left at", "batch", "product", "quantity", "unit", "wheels", "customer",
            "order", "market", "serials",
        ],
        rows,
    }
}

/// What is needed to understand the other sheets (21 CFR 1.1455(c)(1)).
#[must_use]
pub fn key_sheet(dairy: &Dairy) -> Sheet {
    let mut rows: Vec<Vec<Cell>> = vec![
        vec!["dairy".into(), dairy.place().into()],
        vec!["whom to ask".into(), dairy.contact.clone().into()],
        vec![
            "traceability lot code".into(),
            "the batch: one vat's make on one day, as YYMMDD and a letter; given when the vat is started and kept to the customer".into(),
        ],
        vec!["serial".into(), "one wheel: its batch and a number".into()],
        vec!["dates".into(), "the dairy's working day, ISO 8601".into()],
        vec![
            "completed".into(),
            match dairy.completed {
                crate::Completed::Hooped => "the day the batch's last wheel went into its hoop".into(),
                crate::Completed::Unhooped => "the day the batch's last wheel left its hoop".into(),
                crate::Completed::Day(days) => format!("day {days} after the make day").into(),
            },
        ],
        vec!["capitals with MISSING".into(), "the records do not say it".into()],
    ];
    rows.extend(
        COLUMNS
            .iter()
            .map(|(head, clause)| vec![format!("column: {head}").into(), (*clause).into()]),
    );
    Sheet {
        name: "key",
        head: vec!["what", "what it means"],
        rows,
    }
}
