//! Writes sample labels as PNG files and `expected.txt`, what a scanner must read from
//! each: `cargo run -p labels --example print_samples -- FOLDER`.

use std::error::Error;
use std::fs;
use std::path::PathBuf;

use labels::{Dpi, LabelJob, WheelLabel};

/// One sample: file name, wheel, product, dairy, mark, raw milk.
type Sample = (
    &'static str,
    &'static str,
    &'static str,
    &'static str,
    Option<&'static str>,
    bool,
);

const SAMPLES: [Sample; 5] = [
    (
        "normal",
        "26W05-3-04",
        "Larkholm Blue",
        "Larkholm Dairy",
        None,
        false,
    ),
    (
        "raw",
        "B311-07",
        "Larkholm Blue, raw milk",
        "Larkholm Dairy",
        Some("ZZ 999 EC"),
        true,
    ),
    (
        "long",
        "WWWWWWWWWWWWWWWWWWWW",
        "Larkholm Blue matured for export in the lower cellar, rubbed up by hand, of milk from the hill farms",
        "Larkholm Dairy and Maturing Rooms of the Upper and the Lower Valley",
        Some("ZZ 999-123456789 EC AND MORE"),
        true,
    ),
    (
        "accents",
        "a_b-gjpqy_0123456789",
        "Gjøra Blå Ærlig Żółty Ťažký",
        "Fjellgård & Søn <Ås>",
        Some("ZZ 9"),
        false,
    ),
    ("short", "1", "Blue", "L", None, false),
];

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args_os()
        .nth(1)
        .map(PathBuf::from)
        .ok_or("name a folder to write to")?;
    fs::create_dir_all(&folder)?;
    let mut expected = String::new();
    for (name, wheel, product, dairy, mark, raw_milk) in SAMPLES {
        let job = LabelJob {
            cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse()?,
            wheel: wheel.parse()?,
            batch: wheel.parse()?,
            product: product.to_owned(),
            made: serde_json::from_str("\"2026-01-28\"")?,
            weight_g: 10_886_u32.try_into()?,
            raw_milk,
            site_name: dairy.to_owned(),
            identification_mark: mark.map(str::to_owned),
        };
        for (dpi, dots) in [(Dpi::D203, 203), (Dpi::D300, 300)] {
            let file = format!("{name}-{dots}.png");
            fs::write(folder.join(&file), WheelLabel::new(&job, dpi)?.png()?)?;
            expected += &format!("{file} {}\n", job.scan_code());
        }
    }
    fs::write(folder.join("expected.txt"), expected)?;
    Ok(())
}
