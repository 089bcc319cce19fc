//! A worker as a process of its own: started again whenever it ends. People hear of one that
//! ends again and again, since whatever else it tells them it no longer does.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::process::Stdio;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bus::retry::Backoff;
use bus::telling::{Step, Telling, Told};
use bus::{Bus, Clock, Shutdown, kept};
use facts::SiteId;
use tokio::io::{AsyncBufReadExt as _, AsyncRead, AsyncWrite, AsyncWriteExt as _, BufReader};
use tokio::process::{Child, ChildStdin, Command};
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::cli::Worker;

/// How long a worker may take to stop before it is killed.
const STOPS_WITHIN: Duration = Duration::from_secs(15);

/// A worker that ran this long before it fell over is started again at once.
const RAN_WELL: Duration = Duration::from_secs(60);

/// How soon people are told again what the broker did not take.
const TOLD_AGAIN: Duration = Duration::from_secs(5);

/// What alerts about workers that fall over begin with.
const ALERT: &str = "worker-falls-over-";

/// Most letters of a worker's last line that people are told.
const LAST_LINE: usize = 400;

/// So many falls within so long are told; it is over when there was none for as long.
#[derive(Debug, Clone, Copy)]
pub struct Patience {
    falls: usize,
    within: Duration,
}

impl Default for Patience {
    fn default() -> Self {
        Self {
            falls: 3,
            within: Duration::from_secs(900),
        }
    }
}

/// When a worker fell over, as far back as it matters. Pure.
#[derive(Debug)]
struct Falls {
    patience: Patience,
    at: VecDeque<Instant>,
    told: bool,
}

impl Falls {
    const fn new(patience: Patience) -> Self {
        Self {
            patience,
            at: VecDeque::new(),
            told: false,
        }
    }

    /// It fell over; whether people have to hear of it now.
    fn fell(&mut self, now: Instant) -> bool {
        self.at.push_back(now);
        let within = self.patience.within;
        self.at.retain(|at| now.duration_since(*at) <= within);
        let news = !self.told && self.at.len() >= self.patience.falls;
        self.told |= news;
        news
    }

    /// It has stayed up for long enough: whatever was told of it is over.
    fn is_steady(&mut self) {
        self.at.clear();
        self.told = false;
    }
}

/// One worker to keep running.
pub struct Kept {
    /// Its name.
    pub name: &'static str,
    /// What does not work while it is down, in a sentence.
    pub meanwhile: &'static str,
    /// The file that its log goes to; none: here.
    pub log: Option<PathBuf>,
    /// When people hear of it.
    pub patience: Patience,
}

/// What does not work while a worker is down, for whoever hears that it is.
pub const fn meanwhile(worker: Worker) -> &'static str {
    match worker {
        Worker::Scheduler => {
            "Meanwhile lists and pages do not say what is due, no alert about wheels, rooms or gas is raised or ended, and no label is asked for. Stations go on recording"
        }
        Worker::MoveRecorder => {
            "Meanwhile scanners without a scale get no answer and record nothing: write down what is done, and scan it later. No wheel leaves unscanned"
        }
        Worker::ScaleReader => {
            "Meanwhile scales, and the scanners beside them, record nothing: write weights and what is done down. No wheel leaves unscanned"
        }
        Worker::ClimateReader => {
            "Meanwhile no room's air is recorded and nobody is warned of gas: go by the dairy's own gas alarms and meters"
        }
        Worker::Forecaster => {
            "Meanwhile forecasts stay as they were, and questions about them are not answered"
        }
        Worker::Dispatcher => {
            "Meanwhile a wheel scanned for an order is answered STOP, no case number is given, and nothing is allocated or promised"
        }
        Worker::LabelPrinter => "Meanwhile no label is printed; they wait",
        Worker::Notifier => {
            "Meanwhile the chat hears nothing: look at the Alerts page, as often as somebody would have to hear of gas"
        }
        Worker::Gateway => {
            "Meanwhile there are no pages, no API and no stations in browsers; tablets that are open keep their scans"
        }
        Worker::Records => {
            "Meanwhile the ledger is not written or sealed and recalls and papers are not answered; holds over a lot, a room, a stillage or a tool are not followed to their wheels, and such a hold keeps every wheel until they are"
        }
    }
}

/// Starts a worker again whenever it ends, until told to stop, and says so to `news`.
pub async fn keep_running(
    kept: Kept,
    mut start: impl FnMut() -> std::io::Result<Child>,
    news: mpsc::UnboundedSender<Telling>,
    stop: Shutdown,
) {
    let name = kept.name;
    let mut backoff = Backoff::new(Duration::from_millis(200), Duration::from_secs(10));
    let mut falls = Falls::new(kept.patience);
    while !stop.is_requested() {
        let last = Arc::new(Mutex::new(String::new()));
        let ended = match start() {
            Ok(child) => {
                let mut run = Run {
                    kept: &kept,
                    child,
                    last: last.clone(),
                };
                match run
                    .until_it_ends(&mut falls, &mut backoff, &news, &stop)
                    .await
                {
                    Some(ended) => ended,
                    None => return,
                }
            }
            Err(error) => format!("it could not be started: {error}"),
        };
        tracing::error!("{name} ended ({ended}): starting it again");
        if falls.fell(Instant::now()) {
            let last = last.lock().unwrap_or_else(PoisonError::into_inner).clone();
            let _ = news.send(kept.falls_over(&ended, &last));
        }
        tokio::select! {
            () = backoff.wait() => {}
            () = stop.requested() => {}
        }
    }
}

impl Kept {
    fn falls_over(&self, ended: &str, last: &str) -> Telling {
        let Self { name, patience, .. } = self;
        let minutes = patience.within.as_secs().div_ceil(60);
        let said = match last {
            "" => String::new(),
            last => format!(" It said last: {last:?}."),
        };
        let text = format!(
            "worker {name} has ended {} times within {minutes} min and is started again and again ({ended}).{said} {}. Mend what it names, or show it to whoever looks after the machine; this is over once it has stayed up for {minutes} min",
            patience.falls, self.meanwhile
        );
        Telling::alarm(format!("{ALERT}{name}"), text)
    }

    fn stays_up(&self) -> Telling {
        let Self { name, patience, .. } = self;
        let minutes = patience.within.as_secs().div_ceil(60);
        let text = format!("worker {name} has stayed up for {minutes} min");
        Telling::cleared(format!("{ALERT}{name}"), text)
    }
}

/// One run of a worker.
struct Run<'k> {
    kept: &'k Kept,
    child: Child,
    /// The last line of its log.
    last: Arc<Mutex<String>>,
}

impl Run<'_> {
    /// How it ended; nothing when it was told to.
    async fn until_it_ends(
        &mut self,
        falls: &mut Falls,
        backoff: &mut Backoff,
        news: &mpsc::UnboundedSender<Telling>,
        stop: &Shutdown,
    ) -> Option<String> {
        let typed = self.child.stdin.take();
        let typed = typed.map(|stdin| tokio::spawn(pass_on_lines(stdin)));
        let log = self.child.stderr.take().map(|log| {
            let (file, last) = (self.kept.log.clone(), self.last.clone());
            tokio::spawn(pass_on_log(log, file, last))
        });
        let started = Instant::now();
        let (mut ran_well, mut steady) = (false, false);
        let ended = loop {
            let next = match (ran_well, steady) {
                (_, true) => None,
                (true, _) => Some(started + self.kept.patience.within.max(RAN_WELL)),
                _ => Some(started + self.kept.patience.within.min(RAN_WELL)),
            };
            let look = async {
                match next {
                    Some(at) => tokio::time::sleep_until(at).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                ended = self.child.wait() => {
                    break Some(ended.map_or_else(|e| e.to_string(), |status| status.to_string()));
                }
                () = look => {
                    let up = started.elapsed();
                    if up >= RAN_WELL {
                        backoff.reset();
                    }
                    if !steady && up >= self.kept.patience.within {
                        steady = true;
                        falls.is_steady();
                        let _ = news.send(self.kept.stays_up());
                    }
                    ran_well = true;
                }
                () = stop.requested() => {
                    finish(&mut self.child, self.kept.name).await;
                    break None;
                }
            }
        };
        if let Some(typed) = typed {
            typed.abort();
        }
        if let Some(log) = log {
            // A child of its own may hold the log open.
            let _ = tokio::time::timeout(Duration::from_secs(1), log).await;
        }
        ended
    }
}

/// Asks a worker to stop, and kills it when it takes too long.
async fn finish(child: &mut Child, name: &str) {
    let Some(pid) = child.id() else { return };
    // `kill` is built into every shell; a crate for one signal is not worth it.
    let asked = Command::new("sh")
        .args(["-c", &format!("kill -TERM {pid}")])
        .stdin(Stdio::null())
        .status()
        .await;
    if let Err(error) = asked {
        tracing::warn!(%error, "{name} could not be asked to stop");
    }
    if tokio::time::timeout(STOPS_WITHIN, child.wait())
        .await
        .is_err()
    {
        tracing::warn!(
            "{name} did not stop in {STOPS_WITHIN:?}: killed; what it had stored is safe"
        );
        let _ = child.kill().await;
    }
}

/// Lines typed here go to the worker that waits for them.
async fn pass_on_lines(mut stdin: ChildStdin) {
    let mut lines = BufReader::new(tokio::io::stdin()).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        if stdin
            .write_all(format!("{line}\n").as_bytes())
            .await
            .is_err()
        {
            return;
        }
    }
}

/// A worker's log goes to its file, or on to here; its last line is remembered.
async fn pass_on_log(log: impl AsyncRead + Unpin, file: Option<PathBuf>, last: Arc<Mutex<String>>) {
    let mut out: Box<dyn AsyncWrite + Send + Unpin> = match file {
        None => Box::new(tokio::io::stderr()),
        Some(file) => match tokio::fs::File::options()
            .create(true)
            .append(true)
            .open(&file)
            .await
        {
            Ok(file) => Box::new(file),
            Err(error) => {
                tracing::warn!(%error, file = %file.display(), "a log cannot be written");
                Box::new(tokio::io::stderr())
            }
        },
    };
    let mut log = BufReader::new(log);
    let mut line = Vec::new();
    while let Ok(1..) = log.read_until(b'\n', &mut line).await {
        // That it cannot be shown is no reason to stop the worker.
        let _ = out.write_all(&line).await;
        let _ = out.flush().await;
        if let Some(said) = said(&line) {
            *last.lock().unwrap_or_else(PoisonError::into_inner) = said;
        }
        line.clear();
    }
}

/// A line that says something, for people: without colours, and not too long.
fn said(line: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(line);
    let mut said = String::new();
    let mut letters = text.trim().chars();
    while let Some(letter) = letters.next() {
        if letter == '\u{1b}' {
            letters.by_ref().find(char::is_ascii_alphabetic);
        } else if !letter.is_control() {
            said.push(letter);
        }
    }
    // A panic goes on with how to find out more; an error in a file with the line that it is
    // in, and a mark under it.
    let quoted = said.split_once('|').is_some_and(|(before, _)| {
        let mut before = before.chars();
        before.all(|letter| letter == ' ' || letter.is_ascii_digit())
    });
    let says = !said.is_empty() && !said.starts_with("note: ") && !quoted;
    says.then(|| said.chars().take(LAST_LINE).collect())
}

/// Tells people of workers that fall over, through the broker; while it is away, here.
pub struct Teller {
    bus: Bus,
    site: SiteId,
    /// What was told; none when its file cannot be used.
    told: Option<Told>,
    folder: PathBuf,
}

impl Teller {
    /// What was told lies in this folder, so that `up` started again tells nothing twice.
    pub fn new(bus: Bus, site: SiteId, data: &Path) -> Self {
        let folder = data.join("up");
        let told = std::fs::create_dir_all(&folder)
            .map_err(anyhow::Error::from)
            .and_then(|()| Ok(Told::open(&folder.join("told.txt"))?));
        Self {
            bus,
            site,
            told: told
                .inspect_err(|error| {
                    tracing::error!(
                        "nobody but this log is told of workers that fall over: {error:#}"
                    )
                })
                .ok(),
            folder,
        }
    }

    /// Tells what it hears until nobody has anything more to say.
    pub async fn tell(mut self, mut news: mpsc::UnboundedReceiver<Telling>) {
        let mut owed: Vec<Telling> = Vec::new();
        if let Some(told) = &self.told {
            let without = [(
                "told.txt",
                "People may be told again of workers that fall over",
            )];
            owed = kept::owed(told, "up", &self.folder, &without);
        }
        loop {
            self.tell_owed(&mut owed).await;
            let heard = tokio::select! {
                heard = news.recv() => heard,
                () = tokio::time::sleep(TOLD_AGAIN), if !owed.is_empty() => continue,
            };
            let Some(heard) = heard else { return };
            if heard.step != Step::Cleared && (self.told.is_none() || !self.bus.is_connected()) {
                tracing::error!(
                    "{} (told here alone, while the broker does not answer)",
                    heard.text
                );
            }
            // What it is now, not what it was.
            owed.retain(|telling| telling.alert != heard.alert);
            owed.push(heard);
        }
    }

    async fn tell_owed(&mut self, owed: &mut Vec<Telling>) {
        let Some(told) = &mut self.told else {
            return owed.clear();
        };
        if owed.is_empty() || !self.bus.is_connected() {
            return;
        }
        let recalled = told.recall(&self.bus, &self.site).await;
        let now = Clock::system().now();
        let telling = told.tell(&self.bus, &self.site, now, owed).await;
        if let Err(error) = recalled.and(telling) {
            tracing::error!("{error}");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn falls_are_told_once_until_it_stays_up() {
        let patience = Patience::default();
        let mut falls = Falls::new(patience);
        let start = Instant::now();
        let minute = |n: u64| start + Duration::from_secs(60 * n);
        let told: Vec<u64> = (0..20).filter(|n| falls.fell(minute(*n))).collect();
        assert_eq!(told, [2]);
        falls.is_steady();
        // Now and then is no loop.
        let told: Vec<u64> = (30..90)
            .step_by(8)
            .filter(|n| falls.fell(minute(*n)))
            .collect();
        assert!(told.is_empty(), "{told:?}");
    }

    #[test]
    fn the_last_line_is_the_one_that_says_something() {
        let of = |line: &str| said(line.as_bytes());
        assert_eq!(
            of("\u{1b}[31mERROR\u{1b}[0m no room\n").as_deref(),
            Some("ERROR no room")
        );
        assert_eq!(of("note: run with `RUST_BACKTRACE=1`\n"), None);
        assert_eq!(of("  \n"), None);
        // What an error points at in a file is not what it says.
        assert_eq!(
            of("crew.toml:16:5: no value\n").as_deref(),
            Some("crew.toml:16:5: no value")
        );
        assert_eq!(of("16 | x = = 1\n"), None);
        assert_eq!(of("   |     ^\n"), None);
        assert_eq!(
            of(&"x".repeat(5_000)).map(|said| said.len()),
            Some(LAST_LINE)
        );
    }

    struct House {
        dir: tempfile::TempDir,
        _broker: bus::broker::ChildBroker,
        bus: Bus,
        site: SiteId,
    }

    impl House {
        async fn start() -> Self {
            let dir = tempfile::tempdir().unwrap();
            let broker = bus::broker::ChildBroker::start(&dir.path().join("broker"))
                .await
                .unwrap();
            let bus = Bus::connect(&broker.url(), "test").await.unwrap();
            bus.ready().await.unwrap();
            Self {
                dir,
                _broker: broker,
                bus,
                site: "larkholm".parse().unwrap(),
            }
        }

        /// Runs a worker that is this shell script, until told to stop.
        fn run(&self, script: &str) -> (Shutdown, Vec<tokio::task::JoinHandle<()>>) {
            let (tell, news) = mpsc::unbounded_channel();
            let stop = Shutdown::new();
            let kept = Kept {
                name: "dispatcher",
                meanwhile: meanwhile(Worker::Dispatcher),
                log: Some(self.dir.path().join("dispatcher.log")),
                patience: Patience {
                    falls: 3,
                    within: Duration::from_secs(3),
                },
            };
            let script = script.to_owned();
            let start = move || {
                Command::new("sh")
                    .args(["-c", &script])
                    .stderr(Stdio::piped())
                    .stdin(Stdio::null())
                    .kill_on_drop(true)
                    .spawn()
            };
            let teller = Teller::new(self.bus.clone(), self.site, self.dir.path());
            let tasks = vec![
                tokio::spawn(keep_running(kept, start, tell, stop.clone())),
                tokio::spawn(teller.tell(news)),
            ];
            (stop, tasks)
        }

        async fn told(&self) -> Vec<Telling> {
            let told = self.bus.derived(&self.site, bus::telling::TOPIC).await;
            let read = told.unwrap().into_iter().map(|body| {
                let message: bus::telling::Message = serde_json::from_slice(&body).unwrap();
                message.telling
            });
            read.collect()
        }

        async fn until_told(&self, many: usize) -> Vec<Telling> {
            let telling = async {
                loop {
                    let told = self.told().await;
                    if told.len() >= many {
                        return told;
                    }
                    tokio::time::sleep(Duration::from_millis(50)).await;
                }
            };
            tokio::time::timeout(Duration::from_secs(30), telling)
                .await
                .expect("people to be told")
        }
    }

    async fn stopped((stop, tasks): (Shutdown, Vec<tokio::task::JoinHandle<()>>)) {
        stop.request();
        for task in tasks {
            task.await.unwrap();
        }
    }

    #[tokio::test(flavor = "multi_thread")]
    async fn people_hear_of_a_worker_that_ends_at_once_and_when_it_stays_up_again() {
        let house = House::start().await;
        let mended = house.dir.path().join("mended");
        let script = format!(
            "test -e {} && exec sleep 60; echo 'wheelward: customers.toml:3:1: no lane' >&2; exit 4",
            mended.display()
        );
        let running = house.run(&script);
        let told = house.until_told(1).await;
        assert_eq!(told[0].alert, "worker-falls-over-dispatcher");
        assert_eq!(told[0].step, Step::Raised);
        for words in [
            "worker dispatcher",
            "exit status: 4",
            "customers.toml:3:1: no lane",
            "is answered STOP",
        ] {
            assert!(told[0].text.contains(words), "{words}: {}", told[0].text);
        }
        // It goes on falling over, also under an `up` that was started again.
        stopped(running).await;
        let running = house.run(&script);
        tokio::time::sleep(Duration::from_secs(3)).await;
        assert_eq!(house.told().await.len(), 1);
        std::fs::write(&mended, "").unwrap();
        let told = house.until_told(2).await;
        assert_eq!(told[1].step, Step::Cleared);
        assert_eq!(told[1].alert, told[0].alert);
        stopped(running).await;
        let log = std::fs::read_to_string(house.dir.path().join("dispatcher.log")).unwrap();
        assert!(log.matches("no lane\n").count() >= 3, "{log}");
    }
}
