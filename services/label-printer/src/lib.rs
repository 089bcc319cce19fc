//! Prints each label job once.
//!
//! Takes the jobs on `derived.<site>.label.<kind>.*` in order, one lane a kind of label, and
//! hands each to a network printer ([`NetworkPrinter`]) in a form that it takes, or writes it
//! into a folder ([`Folder`]). The journal and the printer's own memory of job names
//! together decide what to do after a crash ([`next`]). No protocol lets paper and disk
//! change in one step: where neither can tell whether a label came out, the label is set
//! aside, a person is asked, and the others go on. Nothing is printed twice unless a person
//! wants it, and then it says COPY.

mod abilities;
mod aside;
mod bell;
mod folder;
mod journal;
mod network;
mod office;
mod press;
mod printer;

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use bus::{Bus, Clock, Job, Outbox, Shutdown};
use facts::StationId;
use labels::{Kind, LabelJob};
use site::{PrintTarget, Site};
use tokio::sync::Notify;

pub use abilities::{Abilities, Form};
pub use aside::{Aside, SetAside};
pub use bell::{Bell, Open};
pub use folder::Folder;
pub use journal::{Journal, Noted, Seen, Step, next};
pub use network::NetworkPrinter;
pub use office::{
    Answered, InDoubt, Office, PrinterLine, QUESTIONS, Queue, Scheduler, WantedAgain,
};
pub use press::{Books, Passage, Press};
pub use printer::{Found, Printer, Trouble};

/// The name of this worker and of its station.
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
    if site.printers.is_empty() {
        tracing::info!("no label printer in the site file: labels are not printed");
        shutdown.requested().await;
        return Ok(());
    }
    // It may not read the log, which whoever is nearest to strangers need not see.
    let outbox = Outbox::open(&data.join(NAME), site.id)?.never_compared();
    let books = Books::new(outbox.clone(), StationId::new(NAME)?, clock);
    let again = Arc::new(Notify::new());
    let mut lanes = Vec::new();
    for printer in &site.printers {
        for kind in &printer.prints {
            let lane = Lane {
                site: &site,
                printer,
                kind: *kind,
                bus: &bus,
                books: &books,
                again: &again,
                shutdown: &shutdown,
            };
            lanes.push(lane);
        }
    }
    let counter = office::Counter {
        bus: bus.clone(),
        site: site.id,
        books: books.clone(),
        printers: site
            .printers
            .iter()
            .map(|printer| (printer.name.clone(), printer.prints.clone()))
            .collect(),
        again: again.clone(),
    };
    let sending = async {
        outbox.drain(&bus, &shutdown).await;
        Ok(())
    };
    let printing = futures::future::try_join_all(lanes.iter().map(Lane::run));
    tokio::try_join!(
        printing,
        sending,
        counter.serve(&shutdown),
        books.bell.ring(&bus, &site.id, &shutdown),
    )
    .map(|_| ())
}

/// One kind of label on its way to its printer.
struct Lane<'a> {
    site: &'a Site,
    printer: &'a site::Printer,
    kind: Kind,
    bus: &'a Bus,
    books: &'a Books,
    again: &'a Arc<Notify>,
    shutdown: &'a Shutdown,
}

impl Lane<'_> {
    async fn run(&self) -> anyhow::Result<()> {
        match &self.printer.target {
            PrintTarget::Folder(dir) => self.serve(Folder::new(dir.clone())).await,
            PrintTarget::Ipp(uri) => {
                let printer = NetworkPrinter::new(uri)
                    .with_context(|| format!("reading printer {:?}", self.printer.name))?;
                self.serve(printer).await
            }
        }
    }

    async fn serve<P: Printer>(&self, printer: P) -> anyhow::Result<()> {
        let mut press = Press::new(
            printer,
            Scheduler::new(self.bus.clone(), self.site.id),
            self.printer.name.clone(),
            self.printer.dpi,
            self.site.labels.templates.clone(),
            self.books.clone(),
        );
        let durable = format!("{NAME}-{}", self.kind);
        let filter = format!("label.{}.*", self.kind);
        let mut jobs = tokio::select! {
            jobs = self.bus.jobs(&durable, &self.site.id, &filter) => jobs?,
            () = self.shutdown.requested() => return Ok(()),
        };
        loop {
            // Before looking, so that an answer given meanwhile is not missed.
            let again = self.again.notified();
            tokio::select! {
                taken = self.take_up(&mut press) => taken?,
                () = self.shutdown.requested() => return Ok(()),
            }
            let job = tokio::select! {
                job = jobs.next() => job,
                () = again => continue,
                () = self.shutdown.requested() => None,
            };
            let Some(job) = job else {
                return Ok(());
            };
            tokio::select! {
                taken = take(&mut press, &job) => taken?,
                () = self.shutdown.requested() => {
                    // So that the next run has it at once; unheard, it has it a little later.
                    let _ = job.later(Duration::ZERO).await;
                    return Ok(());
                }
            }
        }
    }

    /// Prints what a person said did not come out, and asks again about what nobody has
    /// answered.
    async fn take_up<P: Printer>(&self, press: &mut Press<P, Scheduler>) -> anyhow::Result<()> {
        for label in self.books.aside.all()? {
            if label.job.label.kind() != self.kind {
                continue;
            }
            if label.again {
                press.print(&label.job).await?;
            } else {
                press.ask_a_person(&label)?;
            }
        }
        Ok(())
    }
}

async fn take<P: Printer>(press: &mut Press<P, Scheduler>, job: &Job) -> anyhow::Result<()> {
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
