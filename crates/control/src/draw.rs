//! Charts of portions.

use chart::{Axis, Figure, Ink, Layer, Line, Mark, Marker, Panel, Stroke, at};
use quantity::DairyClock;

use crate::finding::local_time;
use crate::{Limits, Point, Portion, Study, What, Whose};

const LIMIT: Line = Line::thin(Ink::Ink, Stroke::Dashed);
const MIDDLE: Line = Line::thin(Ink::Soft, Stroke::Solid);
const AIM: Line = Line::thin(Ink::Second, Stroke::DashDot);

/// Means and ranges of samples with Shewhart's limits; what Nelson's tests found is ringed
/// and numbered. Nothing without limits or samples.
#[must_use]
pub fn means_and_ranges(study: &Study, clock: &DairyClock) -> Option<Figure> {
    let limits = study.limits.filter(|_| !study.points.is_empty())?;
    let size = limits.size.get();
    let places = || (0_u32..).map(f64::from).zip(&study.points);
    let means = places().map(|(x, point)| (x, point.sample.mean_g));
    let ranges = places().map(|(x, point)| (x, point.sample.range_g));
    let found = |tells: fn(&Point) -> String, value: fn(&Point) -> f64| {
        let marks = places().filter_map(|(x, point)| {
            let text = Some(tells(point)).filter(|text| !text.is_empty());
            text.map(|text| Mark {
                x,
                y: value(point),
                text: Some(text),
            })
        });
        marks.collect::<Vec<_>>()
    };
    let told_means = found(tests, |point| point.sample.mean_g);
    let told_ranges = found(range_word, |point| point.sample.range_g);
    let key =
        |marks: &[Mark]| (!marks.is_empty()).then(|| "Nelson's test of that number".to_owned());
    let ring = |marks: Vec<Mark>, label| Layer::Points {
        marks,
        marker: Marker::Ring,
        ink: Ink::Warn,
        label,
    };
    let line = |points: Vec<(f64, f64)>| {
        [
            Layer::Line {
                points: points.clone(),
                line: Line::thin(Ink::First, Stroke::Solid),
                label: None,
            },
            Layer::points(points, Marker::Dot, Ink::First, None),
        ]
    };
    let mut upper = vec![
        level(limits.means.1, LIMIT, "limit"),
        level(limits.means.0, LIMIT, "limit"),
        level(study.aim().grams(), AIM, "aim"),
    ];
    if let (true, Some(mean)) = (study.limits_are_own, study.mean_g()) {
        upper.push(level(mean, MIDDLE, "mean"));
    }
    upper.extend(line(means.collect()));
    let label = key(&told_means);
    upper.push(ring(told_means, label));
    let mut lower = vec![
        level(limits.ranges.1, LIMIT, "limit"),
        level(limits.mean_range, MIDDLE, "usual"),
    ];
    if limits.ranges.0 > 0.0 {
        lower.push(level(limits.ranges.0, LIMIT, "limit"));
    }
    lower.extend(line(ranges.collect()));
    lower.push(ring(told_ranges, None));
    let names = names(study, clock);
    Some(Figure {
        title: format!("{}: means and ranges of {size} portions", head(study.whose)),
        says: says(study, &limits, clock),
        x: Axis::Names {
            label: format!("samples of {size}, each by its first portion"),
            names,
        },
        panels: vec![
            Panel {
                label: "mean, g".to_owned(),
                range: None,
                share: 1.5,
                layers: upper,
            },
            Panel {
                label: "range, g".to_owned(),
                range: Some((0.0, limits.ranges.1 * 1.1)),
                share: 1.0,
                layers: lower,
            },
        ],
        width: Figure::SIZE.0,
        height: 560.0,
    })
}

/// Every portion against the aim and its tolerance, and since when they were off.
#[must_use]
pub fn portions(study: &Study, clock: &DairyClock) -> Figure {
    let aim = study.aim();
    let (middle, off) = (aim.grams(), aim.off());
    let place = |p: &Portion| (at(p.at), p.grams());
    let outside: Vec<(f64, f64)> = study.outside().map(place).collect();
    let count = study.portions.len();
    let beyond = match outside.len() {
        0 => "all within the tolerance".to_owned(),
        n => format!("{n} outside the tolerance"),
    };
    let mean = study.mean_g().map_or(String::new(), |mean| {
        format!(", on average {}", off_aim(mean - middle))
    });
    let mut layers = vec![
        Layer::level(middle + off, LIMIT, format!("most {:.0} g", middle + off)),
        Layer::level(middle, AIM, format!("aim {middle:.0} g")),
        Layer::level(middle - off, LIMIT, format!("least {:.0} g", middle - off)),
        Layer::points(
            study.portions.iter().map(place),
            Marker::Dot,
            Ink::First,
            Some("portion".to_owned()),
        ),
    ];
    if !outside.is_empty() {
        let label = Some("outside the tolerance".to_owned());
        layers.push(Layer::points(outside, Marker::Ring, Ink::Warn, label));
    }
    for episode in &study.told {
        let finding = &episode.finding;
        if !matches!(finding.what, What::Off { .. }) {
            continue;
        }
        // How it went on, not only what was known when it was told.
        let lasted = |p: &&Portion| finding.since <= p.at && episode.over.is_none_or(|o| p.at <= o);
        let during: Vec<&Portion> = study.portions.iter().filter(lasted).collect();
        let Some(last) = during.last() else { continue };
        let level = during.iter().map(|p| p.grams()).sum::<f64>() / during.len() as f64;
        let (from, to) = (at(finding.since), at(last.at));
        layers.push(Layer::Line {
            points: vec![(from, level), (to, level)],
            line: Line::bold(Ink::Warn, Stroke::Solid),
            label: None,
        });
        layers.push(Layer::Note {
            x: (from + to) / 2.0,
            y: level,
            text: format!(
                "{} since {}, told at {}",
                off_aim(level - middle),
                study.time(clock, finding.since),
                study.time(clock, finding.at)
            ),
        });
    }
    Figure {
        title: format!("{}: every portion", head(study.whose)),
        says: format!("{count} portions{mean}; {beyond}."),
        x: Axis::Times { clock: *clock },
        panels: vec![Panel {
            label: "weight, g".to_owned(),
            range: Some((middle - 1.3 * off, middle + 1.3 * off)),
            share: 1.0,
            layers,
        }],
        width: Figure::SIZE.0,
        height: 400.0,
    }
}

/// People side by side: each portion, and the mean. All must have the same aim.
#[must_use]
pub fn people(studies: &[Study]) -> Option<Figure> {
    let aim = studies.first()?.aim();
    let (middle, off) = (aim.grams(), aim.off());
    let beside = |x: f64, n: usize| {
        // Side by side where they would lie on one another.
        x + ((n * 7) % 15) as f64 / 15.0 * 0.5 - 0.23
    };
    let places = || (0_u32..).map(f64::from).zip(studies);
    let each = places().flat_map(|(x, study)| {
        let numbered = study.portions.iter().enumerate();
        numbered.map(move |(n, portion)| (beside(x, n), portion.grams()))
    });
    let means = places().filter_map(|(x, study)| {
        let mean = study.mean_g()?;
        Some(Mark {
            x,
            y: mean,
            text: None,
        })
    });
    let names = studies.iter().map(|study| {
        let (person, count) = (study.whose, study.portions.len());
        let off = study.mean_g().map_or(0.0, |mean| mean - middle);
        format!("{person}: {}, {count} portions", off_aim(off))
    });
    let outside: Vec<(f64, f64)> = places()
        .flat_map(|(x, study)| {
            let numbered = study.portions.iter().enumerate();
            let outside = numbered.filter(|(_, portion)| !study.aim().allows(portion));
            outside.map(move |(n, portion)| (beside(x, n), portion.grams()))
        })
        .collect();
    let counted = studies.iter().filter_map(|study| {
        let count = study.outside().count();
        (count > 0).then(|| format!("{count} by {}", study.whose))
    });
    let says = match outside.is_empty() {
        true => "All within the tolerance.".to_owned(),
        false => format!(
            "Outside the tolerance: {}.",
            counted.collect::<Vec<_>>().join(", ")
        ),
    };
    let ringed = (!outside.is_empty()).then(|| "outside the tolerance".to_owned());
    Some(Figure {
        title: "Portions by person".to_owned(),
        says,
        x: Axis::Names {
            label: "person: mean and number of portions".to_owned(),
            names: names.collect(),
        },
        panels: vec![Panel {
            label: "weight, g".to_owned(),
            range: Some((middle - 1.2 * off, middle + 1.2 * off)),
            share: 1.0,
            layers: vec![
                Layer::level(middle + off, LIMIT, format!("most {:.0} g", middle + off)),
                Layer::level(middle, AIM, format!("aim {middle:.0} g")),
                Layer::level(middle - off, LIMIT, format!("least {:.0} g", middle - off)),
                Layer::points(each, Marker::Cross, Ink::Soft, Some("portion".to_owned())),
                Layer::Points {
                    marks: means.collect(),
                    marker: Marker::Diamond,
                    ink: Ink::First,
                    label: Some("mean".to_owned()),
                },
                Layer::points(outside, Marker::Ring, Ink::Warn, ringed),
            ],
        }],
        width: Figure::SIZE.0,
        height: 460.0,
    })
}

fn level(y: f64, line: Line, name: &str) -> Layer {
    Layer::level(y, line, format!("{name} {y:.0} g"))
}

/// `42 g heavy`
pub(crate) fn off_aim(grams: f64) -> String {
    match grams.round() {
        0.0 => "on the aim".to_owned(),
        off if off > 0.0 => format!("{off:.0} g heavy"),
        off => format!("{:.0} g light", -off),
    }
}

fn head(whose: Whose) -> String {
    match whose {
        Whose::Batch(batch) => format!("Vat {batch}"),
        Whose::Person(Some(person)) => format!("Portions by {person}"),
        Whose::Person(None) => "Portions without a badge".to_owned(),
    }
}

fn tests(point: &Point) -> String {
    let numbers = point.tests.iter().map(|test| test.number().to_string());
    numbers.collect::<Vec<_>>().join(", ")
}

fn range_word(point: &Point) -> String {
    match point.range_is_usual {
        true => String::new(),
        false => "wide".to_owned(),
    }
}

/// What the chart shows, in a sentence or two.
fn says(study: &Study, limits: &Limits, clock: &DairyClock) -> String {
    let n = limits.samples;
    let trial = match study.limits_are_own {
        false => format!("Limits around the aim, from the {n} samples before that day. "),
        true if n < crate::Spread::LEAST => {
            format!("Limits from these {n} samples themselves: a first guess. ")
        }
        true => format!("Limits from these {n} samples themselves. "),
    };
    let by_test = crate::nelson::TESTS.iter().filter_map(|test| {
        let point = study.points.iter().find(|p| p.tests.contains(test))?;
        let when = study.time(clock, point.sample.to);
        Some(format!("test {}, {} ({when})", test.number(), test.words()))
    });
    let wide = study.points.iter().filter(|p| !p.range_is_usual).count();
    let wide = (wide > 0).then(|| format!("{wide} samples with a range beyond its limits"));
    let found: Vec<String> = by_test.chain(wide).collect();
    match found.is_empty() {
        true => format!("{trial}Nothing but chance shows."),
        false => format!("{trial}Found: {}.", found.join("; ")),
    }
}

/// The hour of each sample, or its day where there are several.
fn names(study: &Study, clock: &DairyClock) -> Vec<String> {
    let samples = || study.points.iter().map(|point| &point.sample);
    let mut days = samples().map(|sample| clock.day_of(sample.from));
    let first = days.next();
    let one_day = days.all(|day| Some(day) == first);
    let name = |at| match one_day {
        true => local_time(clock, at),
        false => clock.day_of(at).date().format("%-d %b").to_string(),
    };
    samples().map(|sample| name(sample.from)).collect()
}
