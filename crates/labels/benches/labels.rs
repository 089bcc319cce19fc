//! How many labels one core lays out and draws in a second, symbol, text and raster. Run
//! with `cargo bench -p labels`.
#![allow(clippy::unwrap_used)] // a failed bench panics
#![allow(clippy::disallowed_methods)] // this measures elapsed time

use std::hint::black_box;
use std::time::Instant;

use labels::{DotType, Dpi, Drawing, Kind, Label, LabelJob, Templates, pdf};

const ROUNDS: usize = 5;
const LABELS: u32 = 300;

/// Labels that differ, as those of a batch do.
fn jobs(kind: Kind) -> Vec<LabelJob> {
    let sample = kind.sample().unwrap();
    let jobs = (1..=LABELS).map(|nth| {
        let mut label = sample.clone();
        if let Label::Wheel(wheel) = &mut label {
            wheel.wheel = format!("26W05-3-{nth:03}").parse().unwrap();
            wheel.weight_g = (4_000 + nth).try_into().unwrap();
        }
        LabelJob {
            cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
            copy: false,
            label,
        }
    });
    jobs.collect()
}

fn rate(what: &str, kind: Kind, dpi: Dpi, finish: impl Fn(Drawing)) {
    let templates = Templates::with(&[]).unwrap();
    let jobs = jobs(kind);
    let mut rates: Vec<f64> = (0..ROUNDS)
        .map(|_| {
            let begun = Instant::now();
            for job in &jobs {
                finish(templates.draw(job, dpi).unwrap());
            }
            f64::from(LABELS) / begun.elapsed().as_secs_f64()
        })
        .collect();
    rates.sort_by(f64::total_cmp);
    println!(
        "{kind:>8} at {} dpi, {what:<28} {:>6.0} labels/s (median of {ROUNDS} rounds of {LABELS}; {:.0} to {:.0})",
        dpi.per_inch(),
        rates[ROUNDS / 2],
        rates[0],
        rates[ROUNDS - 1],
    );
}

fn main() {
    for (kind, dpi) in [
        (Kind::Wheel, Dpi::D203),
        (Kind::Wheel, Dpi::D300),
        (Kind::Case, Dpi::D203),
    ] {
        rate("symbol, text, 1-bit raster", kind, dpi, |drawing| {
            black_box(drawing.bitmap());
        });
    }
    rate("… and as PNG", Kind::Wheel, Dpi::D203, |drawing| {
        black_box(drawing.bitmap().png().unwrap());
    });
    rate("… and as PWG Raster", Kind::Wheel, Dpi::D203, |drawing| {
        black_box(drawing.bitmap().pwg_raster(DotType::Black1));
    });
    rate("layout and PDF", Kind::Wheel, Dpi::D203, |drawing| {
        black_box(pdf("a label", &[drawing]).unwrap());
    });
}
