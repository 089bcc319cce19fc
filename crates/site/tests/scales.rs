//! The described scales in `deploy/scales.toml`, and what is wrong with others.

#![allow(clippy::unwrap_used, clippy::panic)] // a test fails by panicking

use std::path::Path;
use std::time::Duration;

use metrology::{Frame, LineCutter};
use recipe::Origin;
use serde::Deserialize;
use site::{Bits, Scale, ScaleConnect, Site};

const RECIPE: &str = include_str!("../../recipe/tests/common-practice.toml");

/// A site with one station, one scale described like this, and what else is at the end.
fn site(scale: &str, rest: &str) -> Result<Site, String> {
    let rooms: String = ["R1", "R2", "R3"]
        .map(|id| format!("[[room]]\nid = \"{id}\"\nname = \"{id}\"\npositions = 10\n"))
        .concat();
    let text = format!(
        "[site]\nid = \"larkholm\"\nname = \"Larkholm Dairy\"\ntime_zone = \"Europe/London\"\nday_starts = \"04:00\"\nturn_by = \"12:00\"\nlost_after_days = 3\nrecipes = [\"blue.toml\"]\n{rooms}[[station]]\nid = \"portion-1\"\nname = \"Portioning\"\nscan = \"stdin\"\n[station.scale]\ntool = \"SC1\"\n{scale}\n{rest}"
    );
    let origin = Origin {
        file: "site.toml",
        text: &text,
    };
    Site::parse(&origin, Path::new(""), |_| Ok(RECIPE.to_owned())).map_err(|e| e.to_string())
}

fn scale(keys: &str) -> Result<Scale, String> {
    let mut site = site(keys, "")?;
    Ok(site.stations.remove(0).scale.unwrap())
}

const PLATE: &str = "max = \"15 kg\"\ne = \"5 g\"\n";
const LINE: &str = "line = \"{number}{unit}\"\n";
const SERIAL: &str = "connect = \"serial:/dev/ttyUSB0\"\n";

#[derive(Deserialize)]
struct Examples {
    scale: Vec<Example>,
}

#[derive(Deserialize)]
struct Example {
    name: String,
    sent: Vec<Sent>,
    #[serde(flatten)]
    keys: toml::Table,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent {
    text: String,
    shows: Option<String>,
    settled: Option<bool>,
    net: Option<bool>,
    refused: Option<String>,
}

#[test]
fn every_described_scale_is_read_and_reads_what_it_sends() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/scales.toml");
    let examples: Examples = toml::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    assert!(examples.scale.len() >= 6);
    for Example { name, sent, keys } in examples.scale {
        let keys = keys.iter().map(|(key, value)| format!("{key} = {value}\n"));
        let keys: String = keys.collect();
        let scale =
            scale(&format!("{SERIAL}{PLATE}{keys}")).unwrap_or_else(|e| panic!("{name}: {e}"));
        for sent in sent {
            let bytes = format!("{}\r\n", sent.text);
            let lines = LineCutter::default().take(bytes.as_bytes());
            let [line] = lines.as_slice() else {
                panic!("{name}: {lines:?}");
            };
            let read = scale.line.read(line);
            match sent.shows {
                Some(shows) => {
                    let below = shows.starts_with('-');
                    let weight = shows.trim_start_matches('-').parse().unwrap();
                    let Frame {
                        weight: read,
                        stable,
                        net,
                    } = read.unwrap_or_else(|e| panic!("{name}: {e}"));
                    assert_eq!(read.abs(), weight, "{name}: {line}");
                    assert_eq!(read < metrology::Weight::ZERO, below, "{name}: {line}");
                    assert_eq!((stable, net), (sent.settled, sent.net), "{name}: {line}");
                }
                None => {
                    assert_eq!(Some(read.unwrap_err().to_string()), sent.refused, "{name}");
                }
            }
        }
    }
}

#[test]
fn the_usual_settings_need_not_be_written() {
    let plain = scale(&format!("{SERIAL}{LINE}{PLATE}")).unwrap();
    let ScaleConnect::Serial { baud, bits, .. } = plain.connect else {
        panic!("{:?}", plain.connect);
    };
    assert_eq!((baud, bits), (9_600, Bits::USUAL));
    assert_eq!(plain.poll, None);
    assert_eq!(plain.plate.class(), metrology::Class::III);
    assert_eq!(plain.plate.min(), "100 g".parse().unwrap());
    assert!(!plain.daily_check);
    let polled = scale(&format!(
        "{SERIAL}{LINE}{PLATE}poll = \"W\\r\\n\"\nbits = \"7o2\""
    ))
    .unwrap();
    let poll = polled.poll.unwrap();
    assert_eq!(
        (poll.command.as_str(), poll.every),
        ("W\r\n", Duration::from_millis(200))
    );
    let ScaleConnect::Serial { bits, .. } = polled.connect else {
        panic!("{:?}", polled.connect);
    };
    assert_eq!(bits.to_string(), "7O2");
}

#[test]
fn what_is_wrong_with_a_scale_is_pointed_at() {
    let tcp = "connect = \"tcp:127.0.0.1:7501\"\n";
    for (keys, words) in [
        (
            format!("connect = \"usb\"\n{LINE}{PLATE}"),
            "connect is \"usb\": write \"serial:/dev/ttyUSB0\" or \"tcp:127.0.0.1:7501\"",
        ),
        (
            format!("{tcp}{LINE}{PLATE}bits = \"7E1\""),
            "baud and bits are for \"serial:\": a scale behind a serial-to-network box has them set in the box",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}bits = \"9N1\""),
            "bits: write data bits, parity and stop bits as \"8N1\", \"7E1\" or \"7O2\"",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}baud = 96"),
            "baud is the scale's own setting, 300 to 460800; most have 9600",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}poll = \"\""),
            "poll is empty: write the command with its line end",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}every_ms = 100"),
            "every_ms needs poll, the command that asks the scale for its weight",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}poll = \"W\\r\\n\"\nevery_ms = 5"),
            "every_ms must be 20 to 10000",
        ),
        (
            format!("{SERIAL}line = \"{{number}}\"\n{PLATE}"),
            "line: the scale's line format is wrong at character 1: the unit is missing",
        ),
        (
            format!("{SERIAL}{LINE}max = \"15\"\ne = \"5 g\""),
            "max: \"15\" is no weight: write a number and g, kg, lb or oz, such as \"5 g\" or \"0.01 lb\"",
        ),
        (
            format!("{SERIAL}{LINE}max = \"15 kg\"\ne = \"0.1 g\""),
            "e is below 1 g",
        ),
        (
            format!("{SERIAL}{LINE}max = \"150 kg\"\ne = \"5 g\""),
            "Max is 30000 times e, and a class III scale has 500 to 10000",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}min = \"15 kg\""),
            "Min must be more than 0 and less than Max",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}class = \"3\""),
            "class: an accuracy class is I, II, III or IIII",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}settle = {{ frames = 1 }}"),
            "frames must be 2 to 50",
        ),
        (
            format!("{SERIAL}{LINE}{PLATE}settle = {{ empty = \"100 g\" }}"),
            "empty must be less than the scale's minimum of 0.100 kg",
        ),
    ] {
        let said = scale(&keys).map(|_| ()).unwrap_err();
        assert!(said.contains(words), "{said}\nlacks: {words}");
        assert!(said.starts_with("site.toml:"), "{said}");
    }
}

#[test]
fn hoops_have_one_type_and_the_scales_know_it() {
    let plain = format!("{SERIAL}{LINE}{PLATE}");
    let of = |types: &str| site(&plain, types);
    let site = of(
        "[[hoop_type]]\nname = \"tall\"\ntare_g = 905\nhoops = [\"H0*\", \"X1\"]\n[[hoop_type]]\nname = \"steel\"\ntare_g = 1400\nhoops = [\"HS*\"]\n",
    )
    .unwrap();
    let hoops = &site.stations[0].scale.as_ref().unwrap().hoops;
    assert_eq!(hoops.of("HS7").unwrap().tare.get(), 1_400);
    assert_eq!(hoops.of("X2"), None);
    for (types, words) in [
        (
            "[[hoop_type]]\nname = \"tall\"\ntare_g = 0\nhoops = [\"H*\"]",
            "tare_g is what one empty hoop weighs, in grams: weigh one",
        ),
        (
            "[[hoop_type]]\nname = \"tall\"\ntare_g = 900\nhoops = []",
            "hoops is empty: name hoops, or how their codes begin, such as \"H1*\"",
        ),
        (
            "[[hoop_type]]\nname = \"tall\"\ntare_g = 900\nhoops = [\"H *\"]",
            "\"H 0\" cannot be a hoop",
        ),
        (
            "[[hoop_type]]\nname = \"tall\"\ntare_g = 900\nhoops = [\"H1\"]\n[[hoop_type]]\nname = \"low\"\ntare_g = 700\nhoops = [\"H1\"]",
            "\"H1\" stands for hoops of the types \"tall\" and \"low\": a hoop has one type",
        ),
    ] {
        let said = of(types).map(|_| ()).unwrap_err();
        assert!(said.contains(words), "{said}\nlacks: {words}");
    }
}
