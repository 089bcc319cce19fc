//! Prints each label job once.
//!
//! Takes the jobs on `derived.<site>.label.>` in order, draws each as a PNG, and hands it
//! to a network printer ([`NetworkPrinter`]) or writes it into a folder ([`Folder`]). Its
//! [`Journal`] and the printer's own memory of job names together decide what to do after
//! a crash ([`next`]). No protocol lets paper and disk change in one step: where neither
//! can tell, the label is sent again and a warning says so, because a wheel without a
//! label is worse than a label to destroy.

mod folder;
mod journal;
mod network;
mod press;
mod printer;

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use bus::{Bus, Clock, Job, Outbox, Shutdown};
use labels::{Dpi, LabelJob};
use site::{PrintTarget, Site};

pub use folder::Folder;
pub use journal::{Journal, Noted, Seen, Step, next};
pub use network::NetworkPrinter;
pub use press::{Passage, Press};
pub use printer::{Printer, Trouble};

/// The name of this worker, of its station and of its place in the stream.
const NAME: &str = "label-printer";

/// Prints the site's labels until asked to stop. Without a printer in the site file the
/// jobs stay in the stream.
///
/// # Errors
/// When our own disk cannot be written, the site file names an impossible printer, or the
/// broker refuses.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let Some(device) = &site.printer else {
        tracing::info!("no label printer in the site file: labels are not printed");
        shutdown.requested().await;
        return Ok(());
    };
    let dpi = Dpi::try_from(device.dpi).context("reading `printer` in the site file")?;
    match &device.target {
        PrintTarget::Folder(dir) => {
            serve(
                Folder::new(dir.clone()),
                dpi,
                &site,
                bus,
                clock,
                data,
                shutdown,
            )
            .await
        }
        PrintTarget::Ipp(uri) => {
            let printer = NetworkPrinter::new(uri).context("reading `printer` in the site file")?;
            serve(printer, dpi, &site, bus, clock, data, shutdown).await
        }
    }
}

async fn serve<P: Printer>(
    printer: P,
    dpi: Dpi,
    site: &Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let outbox = Outbox::open(&data.join(NAME), site.id)?;
    let mut press = Press::new(printer, dpi, outbox.clone(), clock)?;
    let sending = async {
        outbox.drain(&bus, &shutdown).await;
        Ok(())
    };
    tokio::try_join!(print_all(&mut press, site, &bus, &shutdown), sending).map(|_| ())
}

async fn print_all<P: Printer>(
    press: &mut Press<P>,
    site: &Site,
    bus: &Bus,
    shutdown: &Shutdown,
) -> anyhow::Result<()> {
    let mut jobs = tokio::select! {
        jobs = bus.jobs(NAME, &site.id, "label.>") => jobs?,
        () = shutdown.requested() => return Ok(()),
    };
    loop {
        let job = tokio::select! {
            job = jobs.next() => job,
            () = shutdown.requested() => None,
        };
        let Some(job) = job else {
            return Ok(());
        };
        tokio::select! {
            taken = take(press, &job) => taken?,
            () = shutdown.requested() => {
                // So that the next run has it at once; unheard, it has it a little later.
                let _ = job.later(Duration::ZERO).await;
                return Ok(());
            }
        }
    }
}

async fn take<P: Printer>(press: &mut Press<P>, job: &Job) -> anyhow::Result<()> {
    match serde_json::from_slice::<LabelJob>(&job.body) {
        Ok(label) => job.hold(press.print(&label)).await?,
        Err(error) => tracing::warn!(
            job = job.id, %error,
            "a label job cannot be read and is left out: update this worker to the version \
             of the scheduler"
        ),
    }
    if let Err(error) = job.done().await {
        // It comes again, is found in the journal, and is only reported done.
        tracing::debug!(%error, "label job");
    }
    Ok(())
}
