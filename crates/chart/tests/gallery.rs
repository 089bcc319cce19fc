//! One chart of each kind that the dairy looks at, as SVG against its golden file, and as
//! pixels: `cargo test -p chart --features png` writes the pictures into the folder named
//! by `WHEELWARD_PICTURES`, if there is one, for someone to look at.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::f64::consts::PI;

use chart::{Axis, Figure, Ink, Layer, Line, Mark, Marker, Panel, Stroke, at};
use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use quantity::DairyClock;

fn clock() -> DairyClock {
    let four = NaiveTime::from_hms_opt(4, 0, 0).unwrap();
    DairyClock::new(chrono_tz::Europe::London, four)
}

fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

/// A number that looks like chance and is always the same: between -1 and 1.
fn wobble(n: usize) -> f64 {
    let x = (n as f64 * 12.9898).sin() * 43_758.547;
    2.0 * (x - x.floor()) - 1.0
}

fn panel(label: &str, layers: Vec<Layer>) -> Panel {
    Panel {
        label: label.to_owned(),
        range: None,
        share: 1.0,
        layers,
    }
}

fn figure(title: &str, says: &str, x: Axis, panels: Vec<Panel>) -> Figure {
    let (width, height) = Figure::SIZE;
    Figure {
        title: title.to_owned(),
        says: says.to_owned(),
        x,
        panels,
        width,
        height,
    }
}

fn some(text: &str) -> Option<String> {
    Some(text.to_owned())
}

/// Cores drawn with the iron, and how the blue is expected to run.
fn growth() -> Figure {
    let share = |day: f64| 85.0 / (1.0 + (-(day - 62.0) / 8.0).exp());
    let days = (35..=98).map(f64::from);
    let band = |wide: f64| {
        let edge = |day: f64| {
            let off = wide * (0.02 * (day - 35.0) + 0.4);
            (
                day,
                (share(day) - off).max(0.0),
                (share(day) + off).min(100.0),
            )
        };
        days.clone().map(edge).collect()
    };
    let cores = [
        (42.0, 6.0),
        (42.0, 9.0),
        (49.0, 13.0),
        (49.0, 19.0),
        (56.0, 24.0),
        (56.0, 31.0),
    ];
    let layers = vec![
        Layer::Band {
            points: band(11.0),
            wash: 1,
            label: some("19 of 20 wheels"),
        },
        Layer::Band {
            points: band(7.0),
            wash: 2,
            label: some("8 of 10"),
        },
        Layer::Band {
            points: band(3.5),
            wash: 3,
            label: some("half of them"),
        },
        Layer::Line {
            points: days.clone().map(|day| (day, share(day))).collect(),
            line: Line::bold(Ink::First, Stroke::Solid),
            label: some("expected"),
        },
        Layer::level(70.0, Line::thin(Ink::Ink, Stroke::Dashed), "ready at 70 %"),
        Layer::points(
            cores,
            Marker::Diamond,
            Ink::Ink,
            some("core drawn with the iron"),
        ),
        Layer::When {
            x: 36.0,
            label: "pierced".to_owned(),
        },
        Layer::Note {
            x: 75.0,
            y: 70.0,
            text: "half of the wheels are ready on day 75".to_owned(),
        },
    ];
    let mut panel = panel("blue along the core, %", layers);
    panel.range = Some((0.0, 100.0));
    figure(
        "Batch 260109A: how far the blue has run",
        "Six cores so far; half of the wheels are expected to show 70 % blue on day 75.",
        Axis::Numbers {
            label: "age, dairy days".to_owned(),
        },
        vec![panel],
    )
}

/// Two days of a room's air, with its ranges, a door left open and a silent sensor.
fn climate() -> Figure {
    let start = utc("2026-03-03T04:00:00Z");
    let times = (0..288).map(|n| (n, start + TimeDelta::minutes(10 * n)));
    let open = |n: i64| {
        if (120..140).contains(&n) {
            1.0 - (n - 120) as f64 / 20.0
        } else {
            0.0
        }
    };
    let silent = |n: i64| (200..=215).contains(&n);
    let read = |base: f64, swing: f64, door: f64| -> Vec<(f64, f64)> {
        let value = |n: i64| {
            let wave = (n as f64 * PI / 36.0).sin() * swing;
            base + wave + wobble(n as usize) * swing * 0.3 + door * open(n)
        };
        times
            .clone()
            .map(|(n, time)| (at(time), if silent(n) { f64::NAN } else { value(n) }))
            .collect()
    };
    let ends = [at(start), at(start + TimeDelta::hours(48))];
    let range = |low: f64, high: f64| Layer::Band {
        points: ends.map(|x| (x, low, high)).to_vec(),
        wash: 1,
        label: None,
    };
    let line = Line::thin(Ink::First, Stroke::Solid);
    let limit = Line::thin(Ink::Ink, Stroke::Dashed);
    let opened = at(start + TimeDelta::minutes(1200));
    figure(
        "Room R2: air over two days",
        "Out of range on the night of 3 March, when the door stood open for an hour; no readings on the second afternoon.",
        Axis::Times { clock: clock() },
        vec![
            panel(
                "temperature, °C",
                vec![
                    range(9.0, 11.0),
                    Layer::level(11.0, limit, "highest 11.0"),
                    Layer::level(9.0, limit, "lowest 9.0"),
                    Layer::Line {
                        points: read(10.0, 0.4, 2.6),
                        line,
                        label: some("now 10.1 °C"),
                    },
                    Layer::When {
                        x: opened,
                        label: "door open".to_owned(),
                    },
                ],
            ),
            panel(
                "humidity, %",
                vec![
                    range(90.0, 98.0),
                    Layer::level(98.0, limit, "highest 98"),
                    Layer::level(90.0, limit, "lowest 90"),
                    Layer::Line {
                        points: read(94.0, 1.4, -9.0),
                        line,
                        label: some("now 94 %"),
                    },
                    Layer::When {
                        x: opened,
                        label: "door open".to_owned(),
                    },
                ],
            ),
        ],
    )
}

/// What a wheel should weigh, and what it did.
fn drying() -> Figure {
    let weight = |day: f64| 4.2 * (1.0 - 0.19 * (day / 80.0).sqrt());
    let days = (0..=80).map(f64::from);
    let wheels = [
        (5.0, 4.01),
        (26.0, 3.75),
        (41.0, 3.68),
        (55.0, 3.43),
        (55.0, 3.57),
    ];
    figure(
        "Wheel 260109A-03: weight while it matures",
        "Weighed five times; the first weighing at 55 days is 0.14 kg below what is expected, and another gave 3.57 kg.",
        Axis::Numbers {
            label: "age, dairy days".to_owned(),
        },
        vec![panel(
            "weight, kg",
            vec![
                Layer::Band {
                    points: days
                        .clone()
                        .map(|d| (d, weight(d) - 0.1, weight(d) + 0.1))
                        .collect(),
                    wash: 1,
                    label: some("tolerance ± 0.1 kg"),
                },
                Layer::Line {
                    points: days.map(|d| (d, weight(d))).collect(),
                    line: Line::bold(Ink::First, Stroke::Solid),
                    label: some("expected"),
                },
                Layer::points(wheels, Marker::Square, Ink::Ink, some("weighed")),
                Layer::points(
                    [(55.0, 3.43)],
                    Marker::Ring,
                    Ink::Warn,
                    some("look into it"),
                ),
                Layer::Note {
                    x: 55.0,
                    y: 3.43,
                    text: "3.43 kg, 0.14 too light".to_owned(),
                },
            ],
        )],
    )
}

/// How full the rooms will be, week by week, and the readiness of a batch by week.
fn fill() -> Figure {
    let start = utc("2026-03-02T04:00:00Z");
    let week = |n: i64| at(start + TimeDelta::weeks(n));
    let full = |base: f64, grow: f64| {
        (0..=8)
            .map(move |n| (week(n), base + grow * n as f64))
            .collect()
    };
    let step = |ink, stroke| Line::bold(ink, stroke);
    figure(
        "Rooms: stillages week by week",
        "The third room is full from the week of 13 April.",
        Axis::Times { clock: clock() },
        vec![panel(
            "stillages",
            vec![
                Layer::level(128.0, Line::thin(Ink::Warn, Stroke::Dotted), "R3 holds 128"),
                Layer::Steps {
                    points: full(96.0, 5.5),
                    line: step(Ink::First, Stroke::Solid),
                    label: some("R3 third room"),
                },
                Layer::Steps {
                    points: full(20.0, 0.7),
                    line: step(Ink::Second, Stroke::Dashed),
                    label: some("R1 hastening room"),
                },
                Layer::Steps {
                    points: full(14.0, 0.4),
                    line: step(Ink::Third, Stroke::DashDot),
                    label: some("R2 second room"),
                },
                Layer::Note {
                    x: week(6),
                    y: 129.0,
                    text: "full".to_owned(),
                },
            ],
        )],
    )
}

/// Nothing was measured yet.
fn empty() -> Figure {
    figure(
        "Room R9: air",
        "No readings yet.",
        Axis::Times { clock: clock() },
        vec![panel("temperature, °C", vec![])],
    )
}

/// Odd input: names that would break out, one point, values that are no numbers.
fn odd() -> Figure {
    figure(
        "A \"title\" with <b> & more",
        "",
        Axis::Names {
            label: "people".to_owned(),
            names: vec!["<07>".to_owned(), "08 & 09".to_owned()],
        },
        vec![panel(
            "weight, g",
            vec![
                Layer::Points {
                    marks: vec![
                        Mark {
                            x: 0.0,
                            y: 4200.0,
                            text: some("1"),
                        },
                        Mark::new(f64::NAN, 1.0),
                        Mark::new(1.0, f64::INFINITY),
                    ],
                    marker: Marker::Triangle,
                    ink: Ink::Second,
                    label: some("portion"),
                },
                Layer::Line {
                    points: vec![(0.0, f64::NAN)],
                    line: Line::thin(Ink::Ink, Stroke::Solid),
                    label: some("no line"),
                },
                Layer::points([(1.0, 4200.0)], Marker::Cross, Ink::Ink, None),
            ],
        )],
    )
}

#[test]
fn every_kind_of_chart_is_drawn_as_it_was_looked_at() {
    let all = [
        ("growth", growth()),
        ("climate", climate()),
        ("drying", drying()),
        ("fill", fill()),
        ("empty", empty()),
        ("odd", odd()),
    ];
    for (name, figure) in all {
        let svg = figure.svg();
        assert_eq!(svg, figure.svg(), "{name} is not drawn alike twice");
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{name}");
        insta::assert_snapshot!(name, svg);
        let png = figure.png(1.0).unwrap();
        assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
        if let Ok(folder) = std::env::var("WHEELWARD_PICTURES") {
            std::fs::write(format!("{folder}/{name}.png"), png).unwrap();
            std::fs::write(format!("{folder}/{name}.svg"), svg).unwrap();
        }
    }
}

#[test]
fn a_picture_without_a_size_is_refused_in_words() {
    let mut flat = empty();
    flat.height = 0.0;
    let refused = flat.png(1.0).unwrap_err();
    assert_eq!(
        refused.to_string(),
        "a picture of 960 by 0 pixels cannot be made: choose another size"
    );
}
