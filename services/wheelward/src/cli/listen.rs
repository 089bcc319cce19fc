//! The arguments of `wheelward listen`.

use std::path::PathBuf;

use clap::Args;
use facts::StationId;

#[derive(Args)]
pub struct ListenArgs {
    /// The station that the scale stands beside.
    pub station: StationId,
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
}
