//! `wheelward listen`: what a scale sends, and how the site file reads it.

use anyhow::bail;
use names::{Kind, UnknownName};

use crate::cli::ListenArgs;
use crate::files;

pub async fn run(args: &ListenArgs) -> anyhow::Result<()> {
    let site = files::site(&args.site)?;
    let station = site.stations.iter().find(|s| s.id == args.station);
    let station = station.ok_or_else(|| {
        let codes = site.stations.iter().map(|s| s.id.to_string());
        UnknownName::among(Kind::Station, args.station, codes)
    })?;
    let Some(scale) = &station.scale else {
        bail!(
            "station {} has no scale: add a [station.scale] to it, deploy/scales.toml has examples",
            station.id
        );
    };
    println!(
        "line = {:?}. Put something on the scale, take it off.",
        scale.line.to_string()
    );
    let ended = scale_reader::listen(scale, |told| println!("{told}")).await;
    Err(ended.into())
}
