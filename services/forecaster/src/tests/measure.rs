//! What a worker costs, on the facts of a file.

use std::fmt::Write as _;
use std::io::BufRead as _;
use std::time::Instant;

use super::*;

/// Memory of this process, kB.
fn memory() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS"));
    let number = line.unwrap().split_whitespace().nth(1).unwrap();
    number.parse().unwrap()
}

/// Processor time of this process so far, s; a clock tick is a hundredth.
fn worked() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap();
    let after_name = stat.rsplit(')').next().unwrap();
    let fields = after_name.split_whitespace().skip(11).take(2);
    fields
        .map(|ticks| ticks.parse::<f64>().unwrap())
        .sum::<f64>()
        / 100.0
}

struct Measured {
    worker: Worker,
    text: String,
}

impl Measured {
    fn look(&mut self, now: DateTime<Utc>) {
        let (began, worked_before) = (Instant::now(), worked());
        let known = self.worker.known();
        let pass = known.round(now).unwrap().unwrap().work().unwrap();
        let (took, cpu) = (began.elapsed(), worked() - worked_before);
        println!(
            "{now}: a round {took:?}, {cpu:.2} s of CPU, {} kB",
            memory()
        );
        let text = &mut self.text;
        writeln!(text, "{now} {}", pass.desk.now).unwrap();
        for told in &pass.told {
            writeln!(text, "{}", serde_json::to_string(told).unwrap()).unwrap();
            let query = Query {
                what: Some(told.batch.to_string()),
                ..Query::default()
            };
            let answer = pass.desk.answer(&query, 2).unwrap();
            writeln!(text, "{}", serde_json::to_string(&answer).unwrap()).unwrap();
        }
        let all = pass.desk.answer(&Query::default(), 2).unwrap();
        writeln!(text, "{}", serde_json::to_string(&all).unwrap()).unwrap();
        writeln!(text, "{:?} {:?}", pass.unexplained, pass.drying).unwrap();
        writeln!(text, "{:?}", pass.desk.habits).unwrap();
        let known = self.worker.known();
        let news = known.back(pass.book, pass.told).unwrap();
        writeln!(text, "{} told", news.len()).unwrap();
        self.worker.write();
    }
}

/// `WHEELWARD_FACTS`: a file of facts, as `wheelward bench --write` makes one;
/// `WHEELWARD_EVERY`: a round every so many hours (0: only at the end); `WHEELWARD_OUT`: where
/// to write all that is told and answered, to be compared; `WHEELWARD_STORE`: where to leave the
/// store, or, with `WHEELWARD_NOW`, one to start from.
#[test]
#[ignore = "measures, for minutes"]
fn what_a_start_and_a_round_cost() {
    let set = |name: &str| std::env::var(name).ok();
    let every: i64 = set("WHEELWARD_EVERY").map_or(0, |hours| hours.parse().unwrap());
    let mut measured = Measured {
        worker: Worker::new(),
        text: String::new(),
    };
    if let Some((store, now)) = set("WHEELWARD_STORE").zip(set("WHEELWARD_NOW")) {
        let began = Instant::now();
        let known = open(Path::new(&store)).known;
        measured.worker.known = Some(known);
        println!("opened in {:?}, {} kB", began.elapsed(), memory());
        measured.look(at(&now));
        println!("told after {:?}, {} kB", began.elapsed(), memory());
        return;
    }
    let file = set("WHEELWARD_FACTS").unwrap();
    let began = Instant::now();
    let lines = std::io::BufReader::new(std::fs::File::open(&file).unwrap()).lines();
    let (mut facts, mut last) = (0, None);
    let mut next: Option<DateTime<Utc>> = None;
    for line in lines {
        let Ok(Read::Fact(fact)) = wire::from_line(&line.unwrap()) else {
            continue;
        };
        facts += 1;
        let at = fact.recorded_at;
        if every > 0 {
            let due = *next.get_or_insert(at + TimeDelta::hours(every));
            if at > due {
                measured.look(due);
                next = Some(at + TimeDelta::hours(every));
            }
        }
        last = last.max(Some(at));
        measured.worker.known().fact(fact);
        if facts % 4_096 == 0 {
            measured.worker.write();
        }
    }
    measured.worker.write();
    let (took, cpu, kb) = (began.elapsed(), worked(), memory());
    println!("{facts} facts read in {took:?}, {cpu:.2} s of CPU, {kb} kB");
    let last = last.unwrap();
    measured.look(last);
    measured.look(last + TimeDelta::seconds(30));
    measured.look(last + TimeDelta::days(1));
    if let Some(out) = set("WHEELWARD_OUT") {
        std::fs::write(out, &measured.text).unwrap();
    }
    measured.worker.known = None;
    let (began, cpu) = (Instant::now(), worked());
    measured.worker.restart(&[]);
    let (took, cpu) = (began.elapsed(), worked() - cpu);
    println!("opened in {took:?}, {cpu:.2} s of CPU, {} kB", memory());
    measured.look(last + TimeDelta::days(1));
    let store = measured.worker.known().store().unwrap().clone();
    println!("{} bytes on disk", store.size_on_disk().unwrap());
    drop(store);
    if let Some(store) = set("WHEELWARD_STORE") {
        measured.worker.known = None;
        let left = measured.worker.folder.keep();
        std::fs::rename(left.join("store"), Path::new(&store).join("store")).unwrap();
    }
}
