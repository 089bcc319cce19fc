//! Writes sample labels as 1-bit PNG, PWG Raster and PDF files, and `expected.ndjson`: for
//! each PNG what an outside decoder must read from it, with its symbology identifier, what
//! its PDF says, and the wheel that a station must find: `cargo run -p labels --example print_samples -- FOLDER`.

use std::error::Error;
use std::fs;
use std::path::{Path, PathBuf};

use labels::{DotType, Dpi, Kind, Label, LabelJob, Templates};
use recipe::Origin;
use serde_json::{Value, json};

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = arguments.next().ok_or("name a folder to write to")?;
    let folder = PathBuf::from(folder);
    fs::create_dir_all(&folder)?;
    let expected = match arguments.next() {
        Some(number) => many(&folder, number.parse()?)?,
        None => each_kind(&folder)?,
    };
    fs::write(folder.join("expected.ndjson"), expected)?;
    Ok(())
}

fn each_kind(folder: &Path) -> Result<String, Box<dyn Error>> {
    let ours = Templates::default();
    let text = with_qr_code();
    let qr = Templates::with(&[Origin {
        file: "with a QR Code",
        text: &text,
    }])?;
    let mut expected = String::new();
    for (name, job) in samples()? {
        expected += &write(folder, &ours, &name, &job)?;
        if name == "wheel" {
            expected += &write(folder, &qr, "wheel-qr", &job)?;
        }
    }
    Ok(expected)
}

/// Labels of wheels that differ in number, batch, weight and day.
fn many(folder: &Path, number: u32) -> Result<String, Box<dyn Error>> {
    let templates = Templates::default();
    let mut expected = String::new();
    for nth in 0..number {
        let mut label = Kind::Wheel.sample()?;
        if let Label::Wheel(wheel) = &mut label {
            let batch = format!("26W{:02}-{}", nth / 60 % 52 + 1, nth / 12 % 5 + 1);
            wheel.wheel = format!("{batch}-{:02}", nth % 100).parse()?;
            wheel.batch = batch.parse()?;
            wheel.made = wheel.made.plus(i64::from(nth % 300));
            wheel.weight_g = (3_000 + nth * 7 % 2_000).try_into()?;
        }
        let file = format!("wheel-{nth:04}.png");
        let bitmap = templates.draw_label(&label, Dpi::D203)?.bitmap();
        fs::write(folder.join(&file), bitmap.png()?)?;
        let (form, payload) = templates.symbols(&label)?.remove(0);
        let symbols = json!([[form.identifier(&payload), payload.scanned()]]);
        expected += &format!("{}\n", json!({ "file": file, "symbols": symbols }));
    }
    Ok(expected)
}

/// Our wheel template with a Digital Link QR Code in the place of the Data Matrix.
fn with_qr_code() -> String {
    Templates::ours(Kind::Wheel)
        .replace("form = \"datamatrix\"", "form = \"qr\"")
        .replace("holds = \"identity\"", "holds = \"address\"")
}

fn write(
    folder: &Path,
    templates: &Templates,
    name: &str,
    job: &LabelJob,
) -> Result<String, Box<dyn Error>> {
    let mut lines = String::new();
    for dpi in [Dpi::D203, Dpi::D300] {
        let drawing = templates.draw(job, dpi)?;
        let file = format!("{name}-{}.png", dpi.per_inch());
        let bitmap = drawing.bitmap();
        fs::write(folder.join(&file), bitmap.png()?)?;
        for dots in DotType::ALL {
            let raster = format!("{name}-{}.{}.pwg", dpi.per_inch(), dots.keyword());
            fs::write(folder.join(raster), bitmap.pwg_raster(dots))?;
        }
        if dpi == Dpi::D203 {
            let page = labels::pdf(name, std::slice::from_ref(&drawing))?;
            fs::write(folder.join(format!("{name}.pdf")), page)?;
        }
        let symbols: Vec<Value> = templates
            .symbols(&job.label)?
            .into_iter()
            .map(|(form, payload)| json!([form.identifier(&payload), payload.scanned()]))
            .collect();
        let wheel = match &job.label {
            Label::Wheel(wheel) => Some(wheel.wheel),
            _ => None,
        };
        let pdf = (dpi == Dpi::D203).then(|| format!("{name}.pdf"));
        let line = json!({
            "file": file, "pdf": pdf, "symbols": symbols, "wheel": wheel, "words": drawing.words(),
        });
        lines += &format!("{line}\n");
    }
    Ok(lines)
}

fn samples() -> Result<Vec<(String, LabelJob)>, Box<dyn Error>> {
    let mut samples = Vec::new();
    for kind in Kind::ALL {
        samples.push((kind.to_string(), kind.sample()?));
    }
    let wheel = serde_json::to_value(Kind::Wheel.sample()?)?;
    let case = serde_json::to_value(Kind::Case.sample()?)?;
    for (name, sample, changes) in [
        (
            "wheel-own-code",
            &wheel,
            json!({ "product": { "name": "Larkholm Blue" }, "best_before": null }),
        ),
        (
            "wheel-widest",
            &wheel,
            json!({
                "wheel": "WWWWWWWWWWWWWWWWWWWW",
                "batch": "WWWWWWWWWWWWWWWWWWWW",
                "weight_g": 999_999,
                "product": {
                    "name": "Larkholm Blue matured for export in the lower cellar",
                    "raw_milk": true,
                    "gtin": "99521234543216",
                    "storage": "Keep cold",
                },
            }),
        ),
        (
            "wheel-accents",
            &wheel,
            json!({
                "wheel": "a_b-gjpqy_0123456789",
                "product": { "name": "Gjøra Blå Ærlig Żółty Ťažký g\u{304}", "gtin": "99521234543216" },
                "dairy": { "name": "Fjellgård & Søn <Ås>", "identification_mark": "ZZ 9" },
            }),
        ),
        (
            "case-of-two-lots",
            &case,
            json!({ "wheels": [
                { "wheel": "26W05-3-04", "batch": "26W05-3", "weight_g": 3_162 },
                { "wheel": "26W05-4-01", "batch": "26W05-4", "weight_g": 3_108 },
            ] }),
        ),
    ] {
        let mut sample = sample.clone();
        for (key, value) in changes.as_object().into_iter().flatten() {
            sample[key] = value.clone();
        }
        samples.push((name.to_owned(), serde_json::from_value(sample)?));
    }
    let mut jobs = Vec::new();
    for (name, label) in samples {
        let cause = "01890a5d-ac96-774b-bcce-b302099a8057".parse()?;
        let copy = label.kind() == Kind::Case;
        let job = LabelJob { cause, copy, label };
        jobs.push((name, job));
    }
    Ok(jobs)
}
