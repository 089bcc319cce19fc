//! Orders from a table that a spreadsheet saved as CSV: one row a line of an order; rows
//! with the same order number belong together.
//!
//! Columns are found by their heads, in any order. Whatever cannot be right is told with
//! its row and column, and an order with any wrong row is left out whole.

use std::collections::BTreeMap;
use std::str::FromStr;

use chrono::NaiveDate;
use facts::{
    AgeRange, CustomerId, Grade, Mixing, OrderId, OrderLine, OrderPlaced, Standing, WeightRange,
};
use quantity::{Grams, calendar};

use crate::check::{Desk, Known};
use crate::wanted::no_customer;

/// The columns, with whether each must be there.
pub const COLUMNS: [(&str, bool); 16] = [
    ("order", true),
    ("customer", true),
    ("arrive_on", true),
    ("recipe", true),
    ("grade", true),
    ("wheels", false),
    ("kg", false),
    ("each_least_kg", false),
    ("each_most_kg", false),
    ("age_least_days", false),
    ("age_most_days", false),
    ("least_life_days", false),
    ("most_batches", false),
    ("least_per_batch", false),
    ("every_weeks", false),
    ("until", false),
];

/// Largest number of kilograms.
const MOST_KG: f64 = 2_000.0;

/// What a table came to.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Import {
    /// Orders that are in order, to be placed.
    pub orders: Vec<OrderPlaced>,
    /// Orders that were placed before, word for word: nothing to do.
    pub unchanged: Vec<OrderId>,
    /// Orders that are left out.
    pub left_out: Vec<String>,
    /// Everything that cannot be right.
    pub wrong: Vec<Wrong>,
    /// How many rows were read, the heads not counted.
    pub rows: u64,
}

/// What cannot be right, and where it stands.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Wrong {
    /// The line of the file, from 1.
    pub row: u64,
    /// The column's head; empty: the whole row.
    pub column: String,
    /// What is wrong and what would be right.
    pub message: String,
}

impl std::fmt::Display for Wrong {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.column.is_empty() {
            write!(f, "{}: {}", self.row, self.message)
        } else {
            write!(f, "{}: {}: {}", self.row, self.column, self.message)
        }
    }
}

/// What a day in a cell should look like.
const DAY: &str = "write a day as 2026-03-04";

/// A row that could be read.
struct Row {
    at: u64,
    customer: CustomerId,
    arrive_on: NaiveDate,
    standing: Option<Standing>,
    line: OrderLine,
}

/// What a table of orders is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// Its orders are to be placed.
    Place,
    /// It says what orders are changed to that are there.
    Change,
}

/// Reads a table of orders and checks each against the desk.
#[must_use]
pub fn import(table: &[u8], desk: &Desk<'_>, purpose: Purpose) -> Import {
    let mut import = Import::default();
    let table = table.strip_prefix(b"\xef\xbb\xbf").unwrap_or(table);
    let heads = table.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |sign: u8| heads.iter().filter(|b| **b == sign).count();
    let delimiter = if count(b';') > count(b',') {
        b';'
    } else {
        b','
    };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter)
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(table);
    let (heads, places) = match reader.byte_headers() {
        Ok(heads) => (heads.len(), find_columns(heads, &mut import.wrong)),
        Err(error) => {
            import.wrong.push(whole_row(1, error.to_string()));
            return import;
        }
    };
    if !import.wrong.is_empty() {
        return import;
    }
    // Orders in the order in which they first appear; a wrong row spoils its order.
    let mut orders: Vec<(String, Vec<Row>, bool)> = Vec::new();
    let mut by_name: BTreeMap<String, usize> = BTreeMap::new();
    let mut record = csv::ByteRecord::new();
    loop {
        match reader.read_byte_record(&mut record) {
            Ok(false) => break,
            Ok(true) => {}
            Err(error) => {
                let at = error.position().map_or(0, csv::Position::line);
                import.wrong.push(whole_row(at, error.to_string()));
                break;
            }
        }
        let at = record.position().map_or(0, csv::Position::line);
        if record.iter().all(<[u8]>::is_empty) {
            continue;
        }
        import.rows += 1;
        let known = import.wrong.len();
        let cells = Cells {
            at,
            heads,
            places: &places,
            record: &record,
        };
        let row = cells.row(&mut import.wrong);
        let name = cells.text("order").unwrap_or_default().to_owned();
        let place = *by_name.entry(name.clone()).or_insert_with(|| {
            orders.push((name, Vec::new(), false));
            orders.len() - 1
        });
        let (_, rows, spoiled) = &mut orders[place];
        *spoiled |= import.wrong.len() > known;
        rows.extend(row);
    }
    for (name, rows, spoiled) in orders {
        match (OrderId::new(&name), spoiled) {
            (Ok(id), false) => take(id, &rows, desk, purpose, &mut import),
            _ => import.left_out.push(name),
        }
    }
    import.wrong.sort();
    import
}

/// One order's rows together.
fn take(id: OrderId, rows: &[Row], desk: &Desk<'_>, purpose: Purpose, import: &mut Import) {
    let Some(first) = rows.first() else {
        return;
    };
    let mut wrong = Vec::new();
    for row in rows {
        let heads = [
            ("customer", row.customer == first.customer),
            ("arrive_on", row.arrive_on == first.arrive_on),
            ("every_weeks", row.standing == first.standing),
        ];
        for (column, same) in heads {
            if !same {
                wrong.push(Wrong {
                    row: row.at,
                    column: column.to_owned(),
                    message: format!(
                        "order {id} says otherwise in row {}: one order, one {column}",
                        first.at
                    ),
                });
            }
        }
    }
    let customer = match desk.customers.customer(first.customer) {
        Ok((_, customer)) => customer,
        Err(unknown) => {
            import.left_out.push(id.to_string());
            import.wrong.push(Wrong {
                row: first.at,
                column: "customer".to_owned(),
                message: no_customer(&unknown),
            });
            return;
        }
    };
    let order = OrderPlaced {
        order: id,
        customer: first.customer.to_string(),
        market: customer.market,
        arrive_on: first.arrive_on,
        lines: rows.iter().map(|row| row.line.clone()).collect(),
        standing: first.standing.clone(),
    };
    let checked = match purpose {
        Purpose::Place => desk.check(&order),
        Purpose::Change => desk.check_change(&order),
    };
    match checked {
        Ok(Known::Same) if wrong.is_empty() => import.unchanged.push(id),
        Ok(_) if wrong.is_empty() => import.orders.push(order),
        Ok(_) => {}
        Err(troubles) => {
            for trouble in troubles {
                let line = trouble.line.map_or(0, |line| usize::from(line) - 1);
                wrong.push(Wrong {
                    row: rows.get(line).map_or(first.at, |row| row.at),
                    column: trouble.column.to_owned(),
                    message: trouble.message,
                });
            }
        }
    }
    if !wrong.is_empty() {
        import.left_out.push(id.to_string());
        import.wrong.append(&mut wrong);
    }
}

fn whole_row(row: u64, message: String) -> Wrong {
    Wrong {
        row,
        column: String::new(),
        message,
    }
}

/// What was read; what could not be is noted.
fn kept<T>(wrong: &mut Vec<Wrong>, read: Result<T, Wrong>) -> Option<T> {
    read.map_err(|error| wrong.push(error)).ok()
}

fn find_columns(heads: &csv::ByteRecord, wrong: &mut Vec<Wrong>) -> BTreeMap<&'static str, usize> {
    let mut places = BTreeMap::new();
    for (place, head) in heads.iter().enumerate() {
        let head = String::from_utf8_lossy(head).to_lowercase();
        let known = COLUMNS.iter().find(|(name, _)| *name == head);
        match known {
            Some((name, _)) if places.contains_key(name) => {
                wrong.push(whole_row(1, format!("the column {name} is there twice")));
            }
            Some((name, _)) => {
                places.insert(*name, place);
            }
            None if head.is_empty() => {}
            None => {
                let names = COLUMNS.map(|(name, _)| name).join(", ");
                wrong.push(whole_row(
                    1,
                    format!("{head:?} is no column: there are {names}"),
                ));
            }
        }
    }
    for (name, needed) in COLUMNS {
        if needed && !places.contains_key(name) {
            wrong.push(whole_row(1, format!("the column {name} is missing")));
        }
    }
    places
}

/// The cells of a row.
struct Cells<'a> {
    at: u64,
    heads: usize,
    places: &'a BTreeMap<&'static str, usize>,
    record: &'a csv::ByteRecord,
}

impl Cells<'_> {
    /// A cell's text; `None` when it is empty, not there, or no text.
    fn text(&self, column: &str) -> Option<&str> {
        let cell = self.record.get(*self.places.get(column)?)?;
        std::str::from_utf8(cell)
            .ok()
            .filter(|text| !text.is_empty())
    }

    fn wrong(&self, column: &str, message: String) -> Wrong {
        Wrong {
            row: self.at,
            column: column.to_owned(),
            message,
        }
    }

    fn optional<T: FromStr>(&self, column: &str, right: &str) -> Result<Option<T>, Wrong> {
        let Some(text) = self.text(column) else {
            return Ok(None);
        };
        let read = text.parse().map(Some);
        read.map_err(|_| self.wrong(column, format!("{text:?}: {right}")))
    }

    fn needed<T: FromStr>(&self, column: &str, right: &str) -> Result<T, Wrong> {
        let read = self.optional(column, right)?;
        read.ok_or_else(|| self.wrong(column, format!("nothing there: {right}")))
    }

    fn day(&self, column: &str) -> Result<Option<NaiveDate>, Wrong> {
        let day = self.optional(column, DAY)?.map(calendar::date).transpose();
        day.map_err(|outside| self.wrong(column, outside.to_string()))
    }

    fn grams(&self, column: &str) -> Result<Option<Grams>, Wrong> {
        let Some(text) = self.text(column) else {
            return Ok(None);
        };
        // Half of the world writes 4,5 for 4.5.
        let kilograms: Option<f64> = text.replace(',', ".").parse().ok();
        let grams = kilograms
            .filter(|kg| (0.001..=MOST_KG).contains(kg))
            .and_then(|kg| Grams::new((kg * 1_000.0).round() as u32).ok());
        let right = format!("{text:?}: write kilograms such as 4.5, at most {MOST_KG}");
        grams.map(Some).ok_or_else(|| self.wrong(column, right))
    }

    /// The two ends of a range: both or neither.
    fn both<T>(
        &self,
        columns: [&str; 2],
        read: impl Fn(&str) -> Result<Option<T>, Wrong>,
    ) -> Result<Option<(T, T)>, Wrong> {
        let [least, most] = columns;
        match (read(least)?, read(most)?) {
            (Some(from), Some(to)) => Ok(Some((from, to))),
            (None, None) => Ok(None),
            (Some(_), None) => {
                Err(self.wrong(most, format!("nothing there, but {least} is: write both")))
            }
            (None, Some(_)) => {
                Err(self.wrong(least, format!("nothing there, but {most} is: write both")))
            }
        }
    }

    /// The row, if it can be read; everything that cannot be goes to `wrong`.
    fn row(&self, wrong: &mut Vec<Wrong>) -> Option<Row> {
        if std::str::from_utf8(&self.record.iter().collect::<Vec<_>>().concat()).is_err() {
            let message = "not readable as text: save the table as CSV UTF-8".to_owned();
            wrong.push(whole_row(self.at, message));
            return None;
        }
        if self
            .record
            .iter()
            .skip(self.heads)
            .any(|cell| !cell.is_empty())
        {
            let message = format!(
                "{} cells, but {} columns: put a cell with a comma into quotes",
                self.record.len(),
                self.heads
            );
            wrong.push(whole_row(self.at, message));
            return None;
        }
        let code = "write 1 to 20 letters, digits, '-' or '_'";
        let number = "write a whole number";
        let order = kept(wrong, self.needed::<OrderId>("order", code));
        let customer = kept(wrong, self.needed("customer", code));
        let arrive_on = kept(
            wrong,
            self.day("arrive_on").and_then(|day| {
                day.ok_or_else(|| self.wrong("arrive_on", format!("nothing there: {DAY}")))
            }),
        );
        let recipe = kept(wrong, self.needed("recipe", code));
        let grade = kept(wrong, self.grade());
        let wheels = kept(wrong, self.optional("wheels", number));
        let weight_g = kept(wrong, self.grams("kg"));
        let each_g = kept(
            wrong,
            self.both(["each_least_kg", "each_most_kg"], |c| self.grams(c)),
        );
        let whole = |column: &str| self.optional::<u16>(column, number);
        let age_days = kept(wrong, self.both(["age_least_days", "age_most_days"], whole));
        let least_life_days = kept(wrong, whole("least_life_days"));
        let most_batches = kept(wrong, whole("most_batches"));
        let least_per_batch = kept(wrong, whole("least_per_batch"));
        let every_weeks = kept(wrong, self.optional("every_weeks", number));
        let until = kept(wrong, self.day("until"));
        order?;
        let (every_weeks, until) = (every_weeks?, until?);
        let (most_batches, least_per_batch) = (most_batches?, least_per_batch?);
        if every_weeks.is_none() && until.is_some() {
            let message = "nothing there, but until is: every how many weeks does it come?";
            wrong.push(self.wrong("every_weeks", message.to_owned()));
            return None;
        }
        Some(Row {
            at: self.at,
            customer: customer?,
            arrive_on: arrive_on?,
            standing: every_weeks.map(|every_weeks| Standing {
                every_weeks,
                until,
                except: Vec::new(),
            }),
            line: OrderLine {
                recipe: recipe?,
                grade: grade?,
                wheels: wheels?.unwrap_or(0),
                weight_g: weight_g?,
                each_g: each_g?.map(|(least_g, most_g)| WeightRange { least_g, most_g }),
                age_days: age_days?.map(|(least_days, most_days)| AgeRange {
                    least_days,
                    most_days,
                }),
                least_life_days: least_life_days?,
                mixing: (most_batches.is_some() || least_per_batch.is_some()).then_some(Mixing {
                    most_batches,
                    least_per_batch,
                }),
            },
        })
    }

    fn grade(&self) -> Result<Grade, Wrong> {
        match self.text("grade") {
            Some("A" | "a") => Ok(Grade::A),
            Some("B" | "b") => Ok(Grade::B),
            Some("C" | "c") => Ok(Grade::C),
            other => Err(self.wrong(
                "grade",
                format!("{:?}: write A, B or C", other.unwrap_or_default()),
            )),
        }
    }
}
