//! The page for the end of a make: what a vat's portions were like, on A4.

use chart::paper::{Column, Paper};
use quantity::DairyClock;
use recipe::Recipe;

use crate::{Finish, Point, Study, draw};

/// The report on a vat's portions as a PDF file.
#[must_use]
pub fn report(
    study: &Study,
    finish: Option<&Finish>,
    recipe: &Recipe,
    dairy: &str,
    clock: &DairyClock,
) -> Vec<u8> {
    let mut paper = Paper::new(
        &format!("Portions of {}", study.whose),
        "Wheelward advises and records; the dairy's own HACCP plan and the local codes decide.",
    );
    paper.small(&heading(study, recipe, dairy, clock));
    paper.space(4.0);
    for line in found(study, clock) {
        paper.paragraph(&line);
    }
    // Low enough for all of a usual vat to fit on one page.
    let mut chart = draw::portions(study, clock);
    chart.height = 340.0;
    paper.figure(&chart.drawing());
    if let Some(mut chart) = draw::means_and_ranges(study, clock) {
        chart.height = 460.0;
        paper.figure(&chart.drawing());
    }
    paper.heading("In figures");
    let figures = figures(study)
        .into_iter()
        .map(|(what, says)| vec![what, says]);
    let columns = [column("", 1.2, false), column("", 3.0, false)];
    paper.table(&columns, &figures.collect::<Vec<_>>());
    paper.heading("Samples");
    let columns = [
        column("from", 1.0, false),
        column("to", 1.0, false),
        column("mean, g", 0.9, true),
        column("off the aim, g", 1.1, true),
        column("range, g", 0.9, true),
        column("Nelson's tests", 3.0, false),
    ];
    let rows = study.points.iter().map(|point| row(study, point, clock));
    paper.table(&columns, &rows.collect::<Vec<_>>());
    if let Some(finish) = finish {
        finished(&mut paper, finish);
    }
    paper.finish()
}

fn heading(study: &Study, recipe: &Recipe, dairy: &str, clock: &DairyClock) -> String {
    let aim = study.aim();
    let when = match (study.portions.first(), study.portions.last()) {
        (Some(first), Some(last)) => format!(
            "portioned {} from {} to {}",
            clock.day_of(first.at),
            clock.floor_time(first.at),
            clock.floor_time(last.at)
        ),
        _ => "nothing portioned".to_owned(),
    };
    format!(
        "{dairy} · {} v{} · {when} · aim {} ± {} g",
        recipe.name,
        recipe.version,
        aim.weight_g,
        aim.tolerance_g.get()
    )
}

/// What was told, and what else the chart shows.
#[must_use]
pub fn found(study: &Study, clock: &DairyClock) -> Vec<String> {
    let mut lines: Vec<String> = study
        .told
        .iter()
        .map(|episode| {
            let (finding, rules) = (&episode.finding, &study.rules);
            let over = match episode.over {
                Some(at) => format!(" It was over at {}.", study.time(clock, at)),
                None => String::new(),
            };
            let at = study.time(clock, finding.at);
            format!(
                "{at}: {}. {}{over}",
                finding.says(clock),
                finding.advice(rules)
            )
        })
        .collect();
    if lines.is_empty() {
        lines.push(match study.portions.is_empty() {
            true => "Nothing was portioned.".to_owned(),
            false => "Nothing to act on was found while these were weighed.".to_owned(),
        });
    }
    let outside: Vec<String> = study
        .outside()
        .map(|portion| format!("{} ({})", portion.wheel, portion.weight_g))
        .collect();
    if !outside.is_empty() {
        lines.push(format!("Outside the tolerance: {}.", outside.join(", ")));
    }
    lines
}

/// The figures that sum a study up, in words.
#[must_use]
pub fn figures(study: &Study) -> Vec<(String, String)> {
    let mut figures = Vec::new();
    let mut says = |what: &str, words: String| figures.push((what.to_owned(), words));
    let count = study.portions.len();
    let size = study.rules.size.get();
    says(
        "portions",
        format!(
            "{count}, of which {} outside the tolerance; {} samples of {size}, {} left over",
            study.outside().count(),
            study.points.len(),
            study.left_over
        ),
    );
    if let Some(mean) = study.mean_g() {
        let off = draw::off_aim(mean - study.aim().grams());
        says("mean", format!("{mean:.0} g: {off}"));
    }
    if let Some(fit) = study.capability {
        says(
            "fits the tolerance",
            format!(
                "Cp {:.2}, Cpk {:.2} (within samples, spread {:.0} g); Pp {:.2}, Ppk {:.2} (all, spread {:.0} g): {}",
                fit.cp,
                fit.cpk,
                fit.sigma_within,
                fit.pp,
                fit.ppk,
                fit.sigma_overall,
                verdict(study, fit.ppk)
            ),
        );
    }
    let giveaway = study.giveaway;
    let cost = giveaway
        .cost
        .map_or(String::new(), |cost| format!(", worth {cost:.2}"));
    says(
        "curd above the aim",
        format!(
            "{:.2} kg{cost}; below it {:.2} kg; a mean on the aim would have {} {:.2} kg",
            giveaway.over_kg,
            giveaway.short_kg,
            if giveaway.net_kg() < 0.0 {
                "taken"
            } else {
                "saved"
            },
            giveaway.net_kg().abs()
        ),
    );
    let spread = study.rules.spread;
    let from = match spread.samples {
        Some(samples) => format!("from the {samples} samples before that day"),
        None => {
            "a third of the tolerance, until 20 samples were weighed on earlier days".to_owned()
        }
    };
    says(
        "judged by",
        format!("a spread of {:.0} g ({from})", spread.sigma_g),
    );
    figures
}

fn verdict(study: &Study, ppk: f64) -> &'static str {
    match ppk {
        _ if !study.is_stable() => "find the cause that the chart shows first",
        p if p >= 1.33 => "fits well",
        p if p >= 1.0 => "just fits",
        _ => "does not fit",
    }
}

fn row(study: &Study, point: &Point, clock: &DairyClock) -> Vec<String> {
    let sample = &point.sample;
    let numbers = point.tests.iter().map(|test| test.number().to_string());
    let mut found: Vec<String> = numbers.collect();
    if !point.range_is_usual {
        found.push("range beyond its limits".to_owned());
    }
    vec![
        study.time(clock, sample.from),
        study.time(clock, sample.to),
        format!("{:.0}", sample.mean_g),
        format!("{:+.0}", sample.mean_g - study.aim().grams()),
        format!("{:.0}", sample.range_g),
        found.join(", "),
    ]
}

fn finished(paper: &mut Paper, finish: &Finish) {
    paper.heading("Weighed again while maturing");
    let expected = finish.expected_loss_pct.map_or(String::new(), |loss| {
        format!(", the recipe leads to expect {loss:.1} %")
    });
    paper.paragraph(&format!(
        "{} wheels; the middle one has lost {:.1} % since portioning{expected}.",
        finish.wheels.len(),
        finish.loss_pct
    ));
    for wheel in finish.outliers() {
        paper.paragraph(&format!(
            "{} stands out: {:.3} kg at {} days, {:.1} % lost. Weigh it again, and see whether it is the wheel that its card says.",
            wheel.wheel,
            wheel.weight_g / 1000.0,
            wheel.age_days,
            wheel.loss_pct()
        ));
    }
}

const fn column(head: &str, share: f32, right: bool) -> Column<'_> {
    Column { head, share, right }
}
