//! A batch on paper: lots, readings, checks, deviations, results, wheels, and who signed what.
//!
//! People stand in it by badge: whose badge it is, is kept apart and can be erased.

use std::collections::BTreeSet;

use chart::paper::{Column, Paper};
use chart::{Axis, Figure, Ink, Layer, Line, Marker, Panel, Stroke};
use chrono::{DateTime, Utc};
use facts::{BatchId, Event, Fact, LotId, Reading, ReworkSource, SampleId, Scope};
use quantity::DairyClock;
use safety::{About, Diary, Plan, Standing, checks};
use trace::{Caution, Flag, Recall};

use crate::dairy::Dairy;

/// A batch's file as a PDF. `facts` are counting facts; `recall` is the trace of this batch,
/// which knows where its wheels are.
#[must_use]
pub fn batch_file(
    batch: BatchId,
    facts: &[Fact],
    recall: &Recall,
    plan: Option<&Plan>,
    dairy: &Dairy,
    clock: &DairyClock,
) -> Vec<u8> {
    let title = format!("Batch {batch}");
    let foot = format!(
        "{}: batch {batch}, as of {}. It records; the HACCP plan, the authority and the laboratory decide.",
        dairy.name,
        clock.local(recall.at)
    );
    let mut paper = Paper::new(&title, &foot);
    let file = File::of(batch, facts);
    paper.paragraph(&dairy.place());
    paper.paragraph(&dairy.describe(file.recipe));
    for flag in &recall.flags {
        paper.paragraph(&format!("LOOK: {flag}"));
    }
    file.lots(&mut paper, recall, clock);
    file.readings(&mut paper, clock);
    if let Some(plan) = plan {
        file.checks(&mut paper, facts, plan, recall.at, clock);
    }
    file.deviations(&mut paper, facts, clock);
    file.samples(&mut paper, clock);
    make_record(&mut paper, &file, clock);
    wheels(&mut paper, recall, clock);
    balance(&mut paper, recall);
    signatures(&mut paper, recall);
    for caution in cautions(recall) {
        paper.small(caution.words());
    }
    paper.finish()
}

fn column(head: &str, share: f32) -> Column<'_> {
    Column {
        head,
        share,
        right: false,
    }
}

fn number(head: &str, share: f32) -> Column<'_> {
    Column {
        head,
        share,
        right: true,
    }
}

fn badge(fact: &Fact) -> String {
    fact.person
        .map_or_else(|| "NO BADGE".to_owned(), |person| person.to_string())
}

/// What facts say of one batch.
struct File<'f> {
    batch: BatchId,
    recipe: Option<facts::RecipeId>,
    /// Facts of the make, in order.
    make: Vec<&'f Fact>,
    lots: BTreeSet<LotId>,
    /// Facts about its lots.
    of_lots: Vec<&'f Fact>,
    samples: BTreeSet<SampleId>,
    of_samples: Vec<&'f Fact>,
}

impl<'f> File<'f> {
    fn of(batch: BatchId, facts: &'f [Fact]) -> Self {
        let mut file = Self {
            batch,
            recipe: None,
            make: Vec::new(),
            lots: BTreeSet::new(),
            of_lots: Vec::new(),
            samples: BTreeSet::new(),
            of_samples: Vec::new(),
        };
        let mut wheels = BTreeSet::new();
        for fact in facts {
            let of_make = match &fact.event {
                Event::VatStarted(e) if e.batch == batch => {
                    file.recipe = Some(e.recipe);
                    file.lots.extend(&e.milk_lots);
                    true
                }
                Event::VatFilled(e) if e.batch == batch => {
                    file.lots.insert(e.lot);
                    true
                }
                Event::VatDosed(e) if e.batch == batch => {
                    file.lots.insert(e.lot);
                    true
                }
                Event::VatReworked(e) => e.batch == batch || e.from == ReworkSource::Batch(batch),
                Event::VatMeasured(e) => e.batch == batch,
                Event::VatCut(e) => e.batch == batch,
                Event::VatDrained(e) => e.batch == batch,
                Event::VatMilled(e) => e.batch == batch,
                Event::VatClosed(e) => e.batch == batch,
                Event::VatRecipeChanged(e) => e.batch == batch,
                Event::WheelPortioned(e) if e.batch == batch => {
                    wheels.insert(e.wheel);
                    false
                }
                _ => false,
            };
            if of_make {
                file.make.push(fact);
            }
        }
        for fact in facts {
            match &fact.event {
                Event::MilkPooled(e) if file.lots.contains(&e.lot) => {
                    file.lots.extend(e.from.iter().map(|part| part.lot));
                }
                Event::LotUsed(e) if e.wheels.iter().any(|wheel| wheels.contains(wheel)) => {
                    file.lots.insert(e.lot);
                }
                Event::LabSampled(e)
                    if e.batch == Some(batch)
                        || e.wheels.iter().any(|wheel| wheels.contains(wheel))
                        || e.scope == Some(Scope::Batch(batch)) =>
                {
                    file.samples.insert(e.sample);
                }
                _ => {}
            }
        }
        for fact in facts {
            let lot = match &fact.event {
                Event::MilkScreened(e) => Some(e.lot),
                Event::MilkPasteurised(e) => Some(e.lot),
                Event::MilkHeated(e) => Some(e.lot),
                _ => None,
            };
            if lot.is_some_and(|lot| file.lots.contains(&lot)) {
                file.of_lots.push(fact);
            }
            let sample = match &fact.event {
                Event::LabSampled(e) => Some(e.sample),
                Event::LabResulted(e) => Some(e.sample),
                _ => None,
            };
            if sample.is_some_and(|sample| file.samples.contains(&sample)) {
                file.of_samples.push(fact);
            }
        }
        file
    }

    fn lots(&self, paper: &mut Paper, recall: &Recall, clock: &DairyClock) {
        paper.heading("What went into it");
        let rows: Vec<Vec<String>> = recall
            .back
            .iter()
            .map(|line| {
                vec![
                    line.lot.to_string(),
                    line.what.clone(),
                    line.supplier
                        .clone()
                        .unwrap_or_else(|| "SUPPLIER MISSING".to_owned()),
                    line.supplier_lot.clone().unwrap_or_default(),
                    line.received_at
                        .map_or_else(|| "MISSING".to_owned(), |at| clock.local(at)),
                    line.document.clone().unwrap_or_default(),
                ]
            })
            .collect();
        if rows.is_empty() {
            paper.paragraph("NO LOT IS RECORDED: nobody can tell what it is made of.");
        }
        let columns = [
            column("lot", 1.2),
            column("what", 1.5),
            column("from", 1.6),
            column("their code", 1.1),
            column("came in", 1.5),
            column("with", 1.3),
        ];
        paper.table(&columns, &rows);
        let rows: Vec<Vec<String>> = self
            .of_lots
            .iter()
            .filter_map(|fact| {
                let (lot, words) = match &fact.event {
                    Event::MilkScreened(e) => {
                        let passed = if e.passed { "passed" } else { "FAILED" };
                        (e.lot, format!("screened for {}: {passed}", e.test))
                    }
                    Event::MilkPasteurised(e) => (
                        e.lot,
                        format!("heated: {} for {} s", e.temperature_c, e.held_s),
                    ),
                    Event::MilkHeated(e) => {
                        (e.lot, format!("heating logged: {}", safety::Heat::from(e)))
                    }
                    _ => return None,
                };
                Some(vec![
                    lot.to_string(),
                    clock.local(fact.occurred_at),
                    words,
                    badge(fact),
                ])
            })
            .collect();
        let columns = [
            column("lot", 1.2),
            column("when", 1.5),
            column("screening and heat treatment", 4.0),
            column("badge", 0.8),
        ];
        paper.table(&columns, &rows);
    }

    /// The make's readings as a chart: its shape tells more than a column of numbers.
    fn readings(&self, paper: &mut Paper, clock: &DairyClock) {
        let mut ph = Vec::new();
        let mut temperature = Vec::new();
        let mut acidity = Vec::new();
        for fact in &self.make {
            let x = chart::at(fact.occurred_at);
            if let Event::VatMeasured(e) = &fact.event {
                match e.reading {
                    Reading::Ph(value) => ph.push((x, value.get())),
                    Reading::TemperatureC(value) => temperature.push((x, value.get())),
                    Reading::AcidityDornic(value) => acidity.push((x, value)),
                }
            }
        }
        let steps = self.make.iter().filter_map(|fact| {
            let label = match &fact.event {
                Event::VatCut(_) => "cut",
                Event::VatDrained(_) => "whey off",
                Event::VatMilled(_) => "milled",
                _ => return None,
            };
            Some((chart::at(fact.occurred_at), label))
        });
        let steps: Vec<_> = steps.collect();
        let readings = ph.len() + temperature.len() + acidity.len();
        let panels: Vec<Panel> = [("pH", ph), ("°C", temperature), ("°D", acidity)]
            .into_iter()
            .filter(|(_, points)| points.len() > 1)
            .map(|(label, points)| {
                let mut layers = vec![
                    Layer::Line {
                        points: points.clone(),
                        line: Line::bold(Ink::First, Stroke::Solid),
                        label: None,
                    },
                    Layer::points(points, Marker::Dot, Ink::Ink, None),
                ];
                layers.extend(steps.iter().map(|(x, label)| Layer::When {
                    x: *x,
                    label: (*label).to_owned(),
                }));
                Panel {
                    label: label.to_owned(),
                    range: None,
                    share: 1.0,
                    layers,
                }
            })
            .collect();
        if panels.is_empty() {
            return;
        }
        let figure = Figure {
            title: "Readings from the vat".to_owned(),
            says: format!("{readings} readings; the numbers stand in the make record."),
            x: Axis::Times { clock: *clock },
            height: 180.0 + 140.0 * panels.len() as f64,
            panels,
            width: Figure::SIZE.0,
        };
        paper.figure(&figure.drawing());
    }

    fn checks(
        &self,
        paper: &mut Paper,
        facts: &[Fact],
        plan: &Plan,
        at: DateTime<Utc>,
        clock: &DairyClock,
    ) {
        let mut diary = Diary::default();
        facts.iter().for_each(|fact| diary.apply(fact));
        let mine = |about: &About| match about {
            About::Batch(batch) => *batch == self.batch,
            About::MilkLot(lot) => self.lots.contains(lot),
            About::Day(_) => false,
        };
        let rows: Vec<Vec<String>> = checks(plan, &diary, clock, at)
            .into_iter()
            .filter(|check| mine(&check.about))
            .map(|check| {
                let standing = match check.standing {
                    Standing::Done => "in order".to_owned(),
                    Standing::Out { decided: true } => "OUT, decided".to_owned(),
                    Standing::Out { decided: false } => "OUT, NOTHING DECIDED".to_owned(),
                    Standing::Missed => "MISSED".to_owned(),
                    Standing::Waits => "not yet".to_owned(),
                };
                let done = check.done.map_or_else(String::new, |(at, person, _)| {
                    let who = person.map_or_else(|| "NO BADGE".to_owned(), |p| p.to_string());
                    format!("{}, {who}", clock.local(at))
                });
                vec![
                    format!("{}, {}", check.name, check.about),
                    check.read.unwrap_or_default(),
                    check.wanted,
                    standing,
                    done,
                ]
            })
            .collect();
        paper.heading("Checks of the HACCP plan");
        if rows.is_empty() {
            paper.paragraph("The plan asks for none on this batch.");
        }
        let columns = [
            column("check", 2.0),
            column("found", 2.4),
            column("wanted", 1.7),
            column("", 1.2),
            column("when, badge", 1.6),
        ];
        paper.table(&columns, &rows);
    }

    fn deviations(&self, paper: &mut Paper, facts: &[Fact], clock: &DairyClock) {
        let mut diary = Diary::default();
        facts.iter().for_each(|fact| diary.apply(fact));
        let mine = |scope: &Scope| match scope {
            Scope::Batch(batch) => *batch == self.batch,
            Scope::Lot(lot) => self.lots.contains(lot),
            _ => false,
        };
        let mut rows: Vec<Vec<String>> = Vec::new();
        for deviation in diary.deviations() {
            if !mine(&deviation.found.about) {
                continue;
            }
            let wanted = deviation.found.wanted.clone().unwrap_or_default();
            let found = format!("{} (wanted: {wanted})", deviation.found.found);
            rows.push(vec![
                clock.local(deviation.fact.occurred_at),
                found,
                badge(deviation.fact),
            ]);
            for (at, decided) in &deviation.decided {
                let words = format!(
                    "DECIDED: {} ({})",
                    decided.action,
                    consequence(decided.consequence)
                );
                rows.push(vec![
                    clock.local(*at),
                    words,
                    decided.decided_by.to_string(),
                ]);
            }
            if deviation.decided.is_empty() {
                rows.push(vec![
                    String::new(),
                    "NOTHING DECIDED YET".to_owned(),
                    String::new(),
                ]);
            }
        }
        paper.heading("Deviations");
        if rows.is_empty() {
            paper.paragraph("None is recorded.");
            return;
        }
        let columns = [
            column("when", 1.2),
            column("what", 5.0),
            column("badge", 0.8),
        ];
        paper.table(&columns, &rows);
    }

    fn samples(&self, paper: &mut Paper, clock: &DairyClock) {
        paper.heading("Samples and results");
        let rows: Vec<Vec<String>> = self
            .of_samples
            .iter()
            .filter_map(|fact| {
                let (sample, words) = match &fact.event {
                    Event::LabSampled(e) => (
                        e.sample,
                        format!("taken from {} wheels for {}", e.wheels.len(), e.test),
                    ),
                    Event::LabResulted(e) => {
                        let report = e
                            .report
                            .as_ref()
                            .map_or_else(String::new, |r| format!(", report {r}"));
                        let verdict = match e.verdict {
                            facts::Verdict::Satisfactory => "satisfactory",
                            facts::Verdict::Acceptable => "acceptable",
                            facts::Verdict::Unsatisfactory => "UNSATISFACTORY",
                        };
                        (
                            e.sample,
                            format!("{}: {}, {verdict}{report}", e.test, e.value),
                        )
                    }
                    _ => return None,
                };
                Some(vec![
                    sample.to_string(),
                    clock.local(fact.occurred_at),
                    words,
                    badge(fact),
                ])
            })
            .collect();
        if rows.is_empty() {
            paper.paragraph("None is recorded.");
            return;
        }
        let columns = [
            column("sample", 1.0),
            column("when", 1.2),
            column("what", 4.0),
            column("badge", 0.8),
        ];
        paper.table(&columns, &rows);
    }
}

const fn consequence(consequence: facts::Consequence) -> &'static str {
    match consequence {
        facts::Consequence::GoesOn => "the make goes on as it is",
        facts::Consequence::TreatedAgain => "treated again",
        facts::Consequence::Held => "held",
        facts::Consequence::Discarded => "thrown away",
    }
}

fn make_record(paper: &mut Paper, file: &File<'_>, clock: &DairyClock) {
    paper.heading("Make record");
    let note = |what: &str, note: &Option<String>| match note {
        Some(note) => format!("{what}: {note}"),
        None => what.to_owned(),
    };
    let rows: Vec<Vec<String>> = file
        .make
        .iter()
        .map(|fact| {
            let words = match &fact.event {
                Event::VatStarted(e) => {
                    format!(
                        "{} of milk into vat {}, recipe {} v{}",
                        e.milk_l, e.vat, e.recipe, e.recipe_version
                    )
                }
                Event::VatFilled(e) => format!("{} of milk lot {}", e.volume_l, e.lot),
                Event::VatDosed(e) => {
                    let ingredient = format!("{:?}", e.ingredient).to_lowercase();
                    format!("{ingredient}: {} of lot {}", e.amount, e.lot)
                }
                Event::VatReworked(e) => {
                    let from = match e.from {
                        ReworkSource::Batch(batch) => format!("batch {batch}"),
                        ReworkSource::Wheel(wheel) => format!("wheel {wheel}"),
                    };
                    format!("rework: {} of {from} into batch {}", e.weight_g, e.batch)
                }
                Event::VatMeasured(e) => match e.reading {
                    Reading::Ph(ph) => format!("pH {}", ph.get()),
                    Reading::AcidityDornic(acid) => format!("acidity {acid} °D"),
                    Reading::TemperatureC(t) => t.to_string(),
                },
                Event::VatCut(e) => note("cut", &e.note),
                Event::VatDrained(e) => e.whey_l.map_or_else(
                    || "whey drawn off".to_owned(),
                    |whey| format!("whey drawn off: {whey}"),
                ),
                Event::VatMilled(e) => note("milled", &e.note),
                Event::VatClosed(e) => note("make closed", &e.note),
                Event::VatRecipeChanged(e) => {
                    format!(
                        "goes on by {} v{}: {}",
                        e.recipe, e.recipe_version, e.reason
                    )
                }
                _ => String::new(),
            };
            vec![
                clock.local(fact.occurred_at),
                words,
                fact.station.to_string(),
                badge(fact),
            ]
        })
        .collect();
    let columns = [
        column("when", 1.3),
        column("what", 4.0),
        column("station", 0.9),
        column("badge", 0.7),
    ];
    paper.table(&columns, &rows);
}

fn wheels(paper: &mut Paper, recall: &Recall, clock: &DairyClock) {
    paper.heading("Wheels");
    let rows: Vec<Vec<String>> = recall
        .at_level(trace::Level::Certain)
        .map(|wheel| {
            let room = wheel.room.map(|room| room.to_string());
            let carrier = wheel.carrier.map(|carrier| carrier.to_string());
            let order = wheel.order.map(|order| format!("order {order}"));
            let left = wheel.left_at.map(|at| format!("left {}", clock.local(at)));
            let place: Vec<String> = [room, carrier, order, left].into_iter().flatten().collect();
            let holds: Vec<String> = wheel
                .holds
                .iter()
                .map(|hold| format!("HELD by {hold}"))
                .collect();
            vec![
                wheel.wheel.to_string(),
                format!("{}.{:03}", wheel.weight_g / 1000, wheel.weight_g % 1000),
                wheel.whereabouts.words().to_owned(),
                place.join(", "),
                holds.join(", "),
            ]
        })
        .collect();
    let columns = [
        column("wheel", 1.3),
        number("kg", 0.7),
        column("it is", 1.2),
        column("where", 2.8),
        column("", 1.4),
    ];
    paper.table(&columns, &rows);
}

fn balance(paper: &mut Paper, recall: &Recall) {
    paper.heading("Mass balance, kg");
    let kg = |grams: i64| {
        let sign = if grams < 0 { "-" } else { "" };
        format!(
            "{sign}{}.{:03}",
            grams.unsigned_abs() / 1000,
            grams.unsigned_abs() % 1000
        )
    };
    let mut rows: Vec<Vec<String>> = Vec::new();
    for make in &recall.makes {
        for (words, grams) in [
            ("milk in the vat", make.milk_g),
            ("culture, rennet, salt", make.ingredients_g),
            ("rework into it", make.rework_in_g),
            ("portioned", make.portioned_g),
            ("whey drawn off", make.whey_g),
            ("rework out of it", make.rework_out_g),
            (
                "UNEXPLAINED (whey not measured, mostly)",
                make.unexplained_g,
            ),
        ] {
            rows.push(vec![words.to_owned(), kg(grams)]);
        }
    }
    let balance = &recall.balance;
    rows.push(vec![
        "lost in draining and maturing, as weighed".to_owned(),
        kg(balance.matured_g),
    ]);
    rows.push(vec![
        "taken by the laboratory".to_owned(),
        kg(balance.sampled_g),
    ]);
    rows.push(vec!["reworked".to_owned(), kg(balance.reworked_g)]);
    for (place, (count, grams)) in &balance.whole {
        rows.push(vec![
            format!(
                "{count} {} {}",
                if *count == 1 { "wheel" } else { "wheels" },
                place.words()
            ),
            kg(*grams),
        ]);
    }
    rows.push(vec![
        "UNEXPLAINED among the wheels".to_owned(),
        kg(balance.unexplained_g),
    ]);
    paper.table(&[column("", 3.0), number("", 1.0), column("", 2.0)], &rows);
}

fn signatures(paper: &mut Paper, recall: &Recall) {
    paper.heading("Signatures");
    let badges: Vec<String> = recall.people.iter().map(ToString::to_string).collect();
    paper.paragraph(&format!(
        "Badges that stand in the records of this batch: {}. Every entry above was made under the badge beside it; the records are chained and sealed.",
        if badges.is_empty() { "none".to_owned() } else { badges.join(", ") }
    ));
    paper.space(10.0);
    let line = "______________________".to_owned();
    let rows = vec![
        vec![
            "cheesemaker".to_owned(),
            line.clone(),
            "date".to_owned(),
            line.clone(),
        ],
        vec![String::new(), String::new(), String::new(), String::new()],
        vec![
            "checked by".to_owned(),
            line.clone(),
            "date".to_owned(),
            line,
        ],
    ];
    let columns = [
        column("", 1.0),
        column("", 2.0),
        column("", 0.5),
        column("", 2.0),
    ];
    paper.table(&columns, &rows);
}

fn cautions(recall: &Recall) -> Vec<Caution> {
    let raw = recall.flags.iter().any(|flag| matches!(flag, Flag::Raw(_)));
    let mut cautions = vec![Caution::Needles, Caution::MarketAge];
    if raw {
        cautions.insert(0, Caution::RawMilk);
    }
    cautions
}
