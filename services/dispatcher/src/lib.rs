//! Allocates wheels to orders, tells what will be short, and says whether wheels may leave.
//!
//! Follows the log. When something was seen that an allocation rests on, a dairy day has begun
//! or a lane has closed for the day, everything is allocated again, close to what was allocated
//! the day before, and published when it has changed. Questions are answered from the latest
//! allocation; whether wheels may leave is answered from the log itself, up to the number that the question names. An
//! allocation advises: only a scan sends a wheel, and no hold is lifted here.

mod desk;
mod kept;
mod numbers;

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use bus::telling::{Telling, Told};
use bus::{Bus, Clock, Question, Shutdown};
use dispatch::{Allocation, Customers};
use facts::SiteId;
use projection::{Aside, Follower, News, recover};
use recipe::Origin;
use site::Site;
use tokio::task::JoinHandle;
use tokio::time::Instant;

pub use desk::{
    AHEAD_DAYS, AllocationQuery, CHECK, Checked, ListQuery, OddOrders, OrderList, PickQuery,
};
use desk::{Desk, Solved};
use kept::Kept;
use numbers::{Numbers, UNKNOWN};

/// The questions that a dispatcher answers.
pub const QUESTIONS: &[&str] = &[
    station::LEAVING,
    "allocation",
    "promise",
    "picks",
    "orders",
    CHECK,
    NUMBERS,
    LIST,
    ODD,
];

/// The question what is odd about orders.
pub const ODD: &str = "odd-orders";

/// The question for a part of the list of orders.
pub const LIST: &str = "order-list";

/// The question for so many numbers of cases and pallets, which nobody else then gets.
pub const NUMBERS: &str = "case-numbers";

/// The topic that allocations are published under.
pub const ALLOCATION: &str = "allocation";

/// Between two writes of what was read: a crash costs at most so much reading again.
const WRITE_EVERY: Duration = Duration::from_secs(1);

/// Between two allocations. A stack of scans is one, not twenty.
const REST: Duration = Duration::from_secs(1);

/// Largest allocation that is published, bytes; a broker's usual limit is 1 MiB.
const LARGEST: usize = 900_000;

/// Where floor and orders are stored, in this worker's folder.
const STORE: &str = "store";

/// What people were told, in this worker's folder.
const TOLD: &str = "told.txt";

/// What earlier versions called alerts about a kept allocation that does not read.
const UNREADABLE: &str = "allocation-unreadable-";

/// What alerts about orders begin with.
const SHORT: &str = "short-";

/// What alerts about case numbers begin with.
const TWICE: &str = "case-number-";

/// Allocates until shutdown. A site without a `[dispatch]` section has nothing to allocate.
///
/// # Errors
/// When the customers file is wrong, the folder cannot be used, or the broker no longer has
/// the log. A damaged file in it is no reason to stop.
pub async fn run(
    site: Site,
    bus: Bus,
    clock: Clock,
    data: &Path,
    shutdown: Shutdown,
) -> anyhow::Result<()> {
    let Some(options) = &site.dispatch else {
        tracing::info!("the site file has no [dispatch] section: nothing to do");
        shutdown.requested().await;
        return Ok(());
    };
    let customers = customers(&options.customers)?;
    let folder = data.join("dispatcher");
    std::fs::create_dir_all(&folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    let mut told = Told::open(&folder.join(TOLD))?;
    tokio::select! {
        ready = bus.ready() => ready?,
        () = shutdown.requested() => return Ok(()),
    }
    told.recall(&bus, &site.id).await?;
    let mut aside = None;
    loop {
        let spell = spell(
            (&site, &customers),
            &bus,
            &clock,
            (&folder, aside),
            &mut told,
            &shutdown,
        );
        let Err(error) = spell.await else {
            return Ok(());
        };
        aside = recover(&folder.join(STORE), error.downcast()?, &shutdown).await?;
        if shutdown.is_requested() {
            return Ok(());
        }
    }
}

/// Allocates from what is stored until shutdown, or until the store cannot be used. `aside`: the
/// store before it, of which people must hear.
async fn spell(
    (site, customers): (&Site, &Customers),
    bus: &Bus,
    clock: &Clock,
    (folder, aside): (&Path, Option<Aside>),
    told: &mut Told,
    shutdown: &Shutdown,
) -> anyhow::Result<()> {
    let site_id = site.id;
    let open = || {
        let numbers = Numbers::open(folder, &customers.shipper);
        let kept = Kept::open(folder)?;
        anyhow::Ok(Desk::open(
            site,
            (folder, customers.clone()),
            kept,
            numbers,
        )?)
    };
    let mut desk = open()?;
    let follow = async |desk: &Desk| {
        let (clock, shutdown) = (clock.clone(), shutdown.clone());
        Follower::start(bus, &site_id, QUESTIONS, clock, desk.position(), shutdown).await
    };
    let follower = match follow(&desk).await {
        // The scheduler tells people of it.
        Err(error) if error.is_another_log() => {
            tracing::error!("{error}");
            desk.forget()?;
            drop(desk);
            desk = open()?;
            follow(&desk).await?
        }
        follower => follower?,
    };
    // Whether wheels may leave is asked by somebody who waits at the door.
    let mut follower = follower.asked_early();
    desk.reads_to(follower.end());
    let mut asked: Vec<Question> = Vec::new();
    let mut solving: Option<JoinHandle<Solved>> = None;
    let mut rests_until = Instant::now();
    let mut written_at = Instant::now();
    let mut owed = of_files(told, &desk, folder);
    let aside = aside.or(desk.take_aside());
    owed.extend(aside.map(|aside| aside.telling("dispatcher")));
    loop {
        tokio::select! {
            biased;
            done = finished(&mut solving) => {
                let news = desk.take(done.context("an allocation ended badly")?);
                if let Some(allocation) = news {
                    publish(bus, &site_id, follower.seq(), &allocation).await;
                }
                let short = desk.shortages();
                owed = told.over(SHORT, &short, |what| format!("order {what} is no longer short"));
                owed.extend(short);
                let twice = desk.numbers_given_twice();
                owed.extend(told.over(TWICE, &twice, |what| {
                    format!("case number {what} is on one case again")
                }));
                owed.extend(twice);
                owed.extend(of_files(told, &desk, folder));
                rests_until = Instant::now() + REST;
            }
            news = follower.next() => match news? {
                News::Stop => break,
                News::Question(question) => asked.push(question),
                News::Facts(chunk) => {
                    for message in chunk {
                        desk.message(&message)?;
                    }
                    desk.read_to(follower.position());
                }
                News::Tick => {}
            },
            () = tokio::time::sleep_until(rests_until), if desk.is_stirred() && solving.is_none() => {}
        }
        let due = written_at.elapsed() >= WRITE_EVERY;
        if (due || follower.is_live())
            && let Some(now) = follower.take_time()
        {
            desk.reaches(now);
        }
        if due {
            tokio::task::block_in_place(|| desk.write())?;
            written_at = Instant::now();
        }
        asked = desk.answer(asked).await;
        if !follower.is_live() {
            continue; // the past first
        }
        told.tell(bus, &site_id, follower.clock().now(), &mut owed)
            .await?;
        if solving.is_none() && Instant::now() >= rests_until {
            solving = desk.begin_if_due();
        }
    }
    if let Err(error) = desk.write() {
        tracing::error!("{error}");
    }
    Ok(())
}

/// What people have to hear of what was kept for this start and cannot be read.
fn of_files(told: &Told, desk: &Desk, folder: &Path) -> Vec<Telling> {
    let unknown: Vec<Telling> = desk.numbers_unknown().into_iter().collect();
    let mut owed = told.over(UNKNOWN, &unknown, |_| {
        "case numbers are known again, and given".to_owned()
    });
    owed.extend(unknown);
    owed.extend(told.over(UNREADABLE, &[], |_| {
        "allocations are compared with yesterday's again".to_owned()
    }));
    owed.extend(bus::kept::owed(told, "dispatcher", folder, kept::WITHOUT));
    owed
}

async fn finished(
    solving: &mut Option<JoinHandle<Solved>>,
) -> Result<Solved, tokio::task::JoinError> {
    match solving {
        Some(task) => {
            let done = task.await;
            *solving = None;
            done
        }
        None => std::future::pending().await,
    }
}

/// `seq`: the number in the log up to which it was read.
async fn publish(bus: &Bus, site: &SiteId, seq: u64, allocation: &Allocation) {
    let mut body = serde_json::to_vec(allocation).unwrap_or_default();
    if body.len() > LARGEST {
        // The batches and counts stay; who asks for a pick list gets the serials.
        let mut short = allocation.clone();
        for line in &mut short.lines {
            for part in &mut line.assigned {
                part.wheels.clear();
            }
        }
        body = serde_json::to_vec(&short).unwrap_or_default();
    }
    let id = format!("{ALLOCATION}-{seq}-{}", allocation.today.date());
    if let Err(error) = bus.publish_derived(site, ALLOCATION, &id, &body).await {
        // It is published with the next change; who asks gets it at once.
        tracing::warn!(%error, "the allocation was not published");
    }
}

fn customers(path: &Path) -> anyhow::Result<Customers> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("could not open {}", path.display()))?;
    let file = path.display().to_string();
    Ok(Customers::parse(&Origin {
        file: &file,
        text: &text,
    })?)
}
