//! A label comes out once, or a person is asked, wherever the worker is killed and whatever
//! the printer does.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::pin::pin;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bus::{Clock, Outbox};
use facts::{Event, SiteId, StationId};
use label_printer::{
    Books, Found, Noted, Office, Press, Printer, Seen, SetAside, Step, Trouble, next,
};
use labels::{Dpi, Drawing, Kind, Label, LabelJob, Templates};
use proptest::prelude::*;

/// What goes wrong with one call to the printer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mishap {
    /// The worker is killed before the call.
    KilledBefore,
    /// The worker is killed when the call has taken effect.
    KilledAfter,
    /// No connection.
    Unreachable,
    /// The call takes effect, and its answer is lost.
    AnswerLost,
    /// The printer says that it is busy.
    Busy,
    /// The printer is out of labels.
    Stopped,
    /// The printer takes the job and gives it up before anything comes out.
    GivesUp,
    /// The printer is switched off and on: it forgets its jobs, and then does as asked.
    Forgets,
}

/// A printer that outlives the worker.
#[derive(Debug, Clone, Default)]
struct Paper(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    /// What has come out.
    labels: Vec<String>,
    /// What it remembers: number, name, and whether it came out.
    jobs: Vec<(i32, String, bool)>,
    number: i32,
    /// What goes wrong with the coming calls, latest first; after that nothing does.
    mishaps: Vec<Option<Mishap>>,
    calls: u32,
}

impl Paper {
    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        change(&mut self.0.lock().unwrap())
    }

    async fn call<T>(
        &self,
        sends: bool,
        effect: impl FnOnce(&mut State, bool) -> T,
    ) -> Result<T, Trouble> {
        let mishap = self.with(|state| {
            state.calls += 1;
            state.mishaps.pop().flatten()
        });
        let silent = |sent| Trouble::Silent {
            why: "time out".to_owned(),
            sent,
        };
        match mishap {
            Some(Mishap::KilledBefore) => std::future::pending().await,
            Some(Mishap::Unreachable) => return Err(silent(false)),
            Some(Mishap::Busy) => return Err(Trouble::Busy),
            Some(Mishap::Stopped) => return Err(Trouble::Stopped("media-empty".to_owned())),
            Some(Mishap::Forgets) => self.with(|state| state.jobs.clear()),
            _ => {}
        }
        let answer = self.with(|state| effect(state, mishap == Some(Mishap::GivesUp)));
        match mishap {
            Some(Mishap::KilledAfter) => std::future::pending().await,
            Some(Mishap::AnswerLost) => Err(silent(sends)),
            _ => Ok(answer),
        }
    }
}

impl Printer for Paper {
    async fn find(&self, job_name: &str, before: Option<&str>) -> Result<Found, Trouble> {
        self.call(false, |state, _| {
            let called = |(number, name, _): &(i32, String, bool)| format!("{number} {name}");
            let ours = state.jobs.iter().find(|(_, name, _)| name == job_name);
            let remembers = state
                .jobs
                .iter()
                .any(|job| Some(called(job).as_str()) == before);
            let seen = match ours {
                Some((_, _, true)) => Seen::Printed,
                Some((_, _, false)) => Seen::GaveUp,
                None if remembers => Seen::Absent,
                None => Seen::Unknown,
            };
            let newest = state.jobs.last().map(called);
            Found { seen, newest }
        })
        .await
    }

    async fn send(&self, job_name: &str, _label: &Drawing) -> Result<Seen, Trouble> {
        self.call(true, |state, gives_up| {
            state.number += 1;
            if !gives_up {
                state.labels.push(job_name.to_owned());
            }
            state
                .jobs
                .push((state.number, job_name.to_owned(), !gives_up));
            Seen::Working(state.number)
        })
        .await
    }

    async fn watch(&self, job: i32) -> Result<Seen, Trouble> {
        self.call(false, |state, _| {
            match state.jobs.iter().find(|(number, ..)| *number == job) {
                Some((_, _, true)) => Seen::Printed,
                Some((_, _, false)) => Seen::GaveUp,
                None => Seen::NotAsked,
            }
        })
        .await
    }
}

/// An office in which every label is wanted, or none is.
#[derive(Debug, Clone, Copy)]
struct Desk(Option<&'static str>);

impl Office for Desk {
    async fn unwanted(&self, _job: &LabelJob) -> Option<String> {
        self.0.map(str::to_owned)
    }
}

fn job() -> LabelJob {
    LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
        copy: false,
        label: Kind::Wheel.sample().unwrap(),
    }
}

fn books(outbox: &Outbox) -> Books {
    let station = StationId::new("label-printer").unwrap();
    Books::new(outbox.clone(), station, Clock::system())
}

fn press(paper: &Paper, outbox: &Outbox, desk: Desk) -> Press<Paper, Desk> {
    Press::new(
        paper.clone(),
        desk,
        "Portioning table".to_owned(),
        Dpi::D203,
        Templates::default(),
        books(outbox),
    )
}

fn outbox(dir: &tempfile::TempDir) -> Outbox {
    Outbox::open(dir.path(), SiteId::new("larkholm").unwrap()).unwrap()
}

/// Runs a worker until it ends or is killed. True if it ended.
async fn run(paper: &Paper, outbox: &Outbox, job: &LabelJob) -> bool {
    let mut press = press(paper, outbox, Desk(None));
    let mut printing = pin!(press.print(job));
    // Time is paused and jumps when nothing can go on: a worker still there after a day is
    // dead.
    tokio::time::timeout(Duration::from_secs(86_400), &mut printing)
        .await
        .is_ok_and(|printed| {
            printed.unwrap();
            true
        })
}

fn stated(outbox: &Outbox) -> Vec<&'static str> {
    let facts = outbox.kept().unwrap();
    facts.iter().map(|fact| fact.event.topic()).collect()
}

fn asked(outbox: &Outbox) -> Vec<SetAside> {
    books(outbox).aside.all().unwrap()
}

/// A printer that has printed something before, and remembers it.
fn used() -> Paper {
    let paper = Paper::default();
    paper.with(|state| {
        state.number = 6;
        state.jobs.push((6, "another".to_owned(), true));
    });
    paper
}

#[tokio::test(start_paused = true)]
async fn a_worker_killed_at_any_call_of_a_printer_with_a_memory_prints_one_label() {
    for mishap in [
        Mishap::KilledBefore,
        Mishap::KilledAfter,
        Mishap::AnswerLost,
    ] {
        for call in 0.. {
            let (dir, paper) = (tempfile::tempdir().unwrap(), used());
            let outbox = outbox(&dir);
            let mut mishaps = vec![None; call];
            mishaps.push(Some(mishap));
            mishaps.reverse();
            paper.with(|state| state.mishaps = mishaps);
            run(&paper, &outbox, &job()).await;
            let calls = paper.with(|state| state.calls);
            assert!(
                run(&paper, &outbox, &job()).await,
                "the second worker ends the work"
            );
            assert!(
                run(&paper, &outbox, &job()).await,
                "a third finds nothing to do"
            );
            let labels = paper.with(|state| state.labels.len());
            assert_eq!(labels, 1, "{mishap:?} at call {call}");
            assert_eq!(
                stated(&outbox),
                ["wheel.labelled"],
                "{mishap:?} at call {call}"
            );
            assert!(asked(&outbox).is_empty());
            if (calls as usize) <= call {
                assert!(call >= 3, "ask, send, watch");
                break;
            }
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_worker_stopped_between_any_two_steps_prints_one_label_and_states_one_fact() {
    for steps in 0.. {
        let (dir, paper) = (tempfile::tempdir().unwrap(), used());
        let outbox = outbox(&dir);
        let (mut first, job) = (press(&paper, &outbox, Desk(None)), job());
        let mut passage = first.take(&job).unwrap();
        let mut ended = false;
        for _ in 0..steps {
            ended = !first.step(&mut passage).await.unwrap();
        }
        assert!(run(&paper, &outbox, &job).await);
        assert_eq!(
            paper.with(|state| state.labels.len()),
            1,
            "after {steps} steps"
        );
        assert_eq!(stated(&outbox), ["wheel.labelled"], "after {steps} steps");
        if ended {
            assert!(steps >= 6, "ask, begin, send, watch, note, record");
            break;
        }
    }
}

fn any_mishap() -> impl Strategy<Value = Option<Mishap>> {
    prop_oneof![
        3 => Just(None),
        1 => Just(Some(Mishap::KilledBefore)),
        1 => Just(Some(Mishap::KilledAfter)),
        1 => Just(Some(Mishap::Unreachable)),
        1 => Just(Some(Mishap::AnswerLost)),
        1 => Just(Some(Mishap::Busy)),
        1 => Just(Some(Mishap::Stopped)),
        1 => Just(Some(Mishap::GivesUp)),
        1 => Just(Some(Mishap::Forgets)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Invariant: never two labels; a fact only of a label on paper; and a label that nobody
    /// knows of is asked of a person.
    #[test]
    fn whatever_goes_wrong_no_label_is_printed_twice_or_forgotten(
        mishaps in prop::collection::vec(any_mishap(), 0..14),
        has_printed_before in any::<bool>(),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .start_paused(true)
            .build()
            .unwrap();
        runtime.block_on(async {
            let dir = tempfile::tempdir().unwrap();
            let paper = if has_printed_before { used() } else { Paper::default() };
            let outbox = outbox(&dir);
            paper.with(|state| state.mishaps = mishaps.clone());
            let mut runs = 0;
            while !run(&paper, &outbox, &job()).await {
                runs += 1;
                prop_assert!(runs <= mishaps.len(), "a worker that nobody kills ends");
            }
            let labels = paper.with(|state| state.labels.len());
            prop_assert!(labels <= 1, "{labels} labels");
            let in_doubt = asked(&outbox);
            if in_doubt.is_empty() {
                prop_assert_eq!(labels, 1);
                prop_assert_eq!(stated(&outbox), ["wheel.labelled"]);
            } else {
                prop_assert!(stated(&outbox).is_empty());
                let told = books(&outbox).bell.waiting().unwrap();
                prop_assert!(told >= 1, "a person is told");
            }
            Ok(())
        })?;
    }
}

#[tokio::test(start_paused = true)]
async fn a_printer_that_forgot_makes_the_worker_ask_a_person_and_go_on() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), used());
    let outbox = outbox(&dir);
    // Asked, sent, and killed; when it looks again the printer was off in between.
    let mishaps = [Some(Mishap::Forgets), Some(Mishap::KilledAfter), None];
    paper.with(|state| state.mishaps = mishaps.to_vec());
    assert!(!run(&paper, &outbox, &job()).await);
    assert!(run(&paper, &outbox, &job()).await);
    let [label] = &asked(&outbox)[..] else {
        panic!("one label is in doubt");
    };
    assert_eq!(label.job, job());
    let open = books(&outbox)
        .bell
        .open(&format!("label {}", job().cause))
        .unwrap()
        .unwrap();
    assert_eq!(
        open.text,
        "did the label of wheel 26W05-3-04 come out of \"Portioning table\"? Nothing here can \
         tell. Look at the printer, then say it: wheelward label answer 26W05-3-04 printed, or \
         not-printed to print it now"
    );
    // It was not printed again, and the next label is.
    let next = LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8058".parse().unwrap(),
        ..job()
    };
    assert!(run(&paper, &outbox, &next).await);
    assert_eq!(paper.with(|state| state.labels.len()), 2);
    assert_eq!(stated(&outbox), ["wheel.labelled"]);
    assert_eq!(asked(&outbox).len(), 1);
}

#[tokio::test(start_paused = true)]
async fn a_printer_that_gives_a_label_up_gets_it_three_times_then_a_person_is_asked() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), used());
    let outbox = outbox(&dir);
    let mishaps = [None, Some(Mishap::GivesUp), None]; // watch, send, ask
    paper.with(|state| state.mishaps = mishaps.repeat(9));
    assert!(run(&paper, &outbox, &job()).await);
    assert_eq!(asked(&outbox).len(), 1);
    let names: Vec<_> = paper.with(|state| state.jobs.iter().map(|job| job.1.clone()).collect());
    let name = job().name();
    assert_eq!(
        names[1..],
        [name.clone(), format!("{name}-2"), format!("{name}-3")]
    );
    let told = books(&outbox)
        .bell
        .open("Portioning table")
        .unwrap()
        .unwrap();
    assert_eq!(told.kind, "gave-up");
}

#[tokio::test(start_paused = true)]
async fn a_lost_disk_of_ours_does_not_print_again_what_the_printer_remembers() {
    let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let paper = used();
    assert!(run(&paper, &outbox(&first), &job()).await);
    let forgetful = outbox(&second);
    assert!(run(&paper, &forgetful, &job()).await);
    assert_eq!(paper.with(|state| state.labels.len()), 1);
    assert_eq!(stated(&forgetful), ["wheel.labelled"]);
}

#[tokio::test(start_paused = true)]
async fn people_are_told_once_that_a_printer_is_out_of_labels_and_once_that_it_works_again() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), used());
    let outbox = outbox(&dir);
    let mut mishaps = vec![Some(Mishap::Stopped); 40];
    mishaps.push(None);
    paper.with(|state| state.mishaps = mishaps);
    assert!(run(&paper, &outbox, &job()).await);
    let bell = books(&outbox).bell;
    assert_eq!(bell.open("Portioning table").unwrap(), None);
    assert_eq!(bell.waiting().unwrap(), 2, "raised and cleared");
    assert_eq!(paper.with(|state| state.labels.len()), 1);
}

#[tokio::test(start_paused = true)]
async fn a_network_that_stutters_is_nobodys_business_and_one_that_stays_away_is() {
    for (times, told) in [(2, 0), (3, 2)] {
        let (dir, paper) = (tempfile::tempdir().unwrap(), used());
        let outbox = outbox(&dir);
        paper.with(|state| state.mishaps = vec![Some(Mishap::Unreachable); times]);
        assert!(run(&paper, &outbox, &job()).await);
        assert_eq!(
            books(&outbox).bell.waiting().unwrap(),
            told,
            "{times} times away"
        );
    }
}

#[tokio::test(start_paused = true)]
async fn a_label_that_nobody_wants_any_more_is_dropped_with_a_fact() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), used());
    let outbox = outbox(&dir);
    let why = "its portioning was taken back before the label was printed";
    let mut press = press(&paper, &outbox, Desk(Some(why)));
    press.print(&job()).await.unwrap();
    press.print(&job()).await.unwrap();
    assert!(paper.with(|state| state.labels.is_empty()));
    let [fact] = &outbox.kept().unwrap()[..] else {
        panic!("one fact");
    };
    let Event::LabelDropped(dropped) = &fact.event else {
        panic!("{fact:?}");
    };
    assert_eq!(dropped.reason, why);
    assert_eq!(dropped.cause, job().cause);
}

#[tokio::test(start_paused = true)]
async fn a_label_that_cannot_be_drawn_is_told_and_dropped_and_the_next_is_printed() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), used());
    let outbox = outbox(&dir);
    let mut long = job();
    let Label::Wheel(wheel) = &mut long.label else {
        panic!("a wheel's sample is a wheel's");
    };
    wheel.product.name = "Longname ".repeat(60);
    assert!(run(&paper, &outbox, &long).await);
    assert_eq!(stated(&outbox), ["label.dropped"]);
    let open = books(&outbox)
        .bell
        .open(&format!("label {}", long.cause))
        .unwrap()
        .unwrap();
    assert!(
        open.text.contains("cannot be printed: \"Longname"),
        "{}",
        open.text
    );
    assert!(
        open.text
            .contains("wheelward label reprint 26W05-3-04 --because"),
        "{}",
        open.text
    );
    let next = LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8058".parse().unwrap(),
        ..job()
    };
    assert!(run(&paper, &outbox, &next).await);
    assert_eq!(paper.with(|state| state.labels.len()), 1);
}

#[test]
fn a_label_is_sent_only_when_its_attempt_is_noted_and_the_printer_certainly_has_it_not() {
    let started = Noted::Started {
        attempt: 1,
        before: None,
    };
    let notes = [
        None,
        Some(started.clone()),
        Some(Noted::Free { attempt: 1 }),
        Some(Noted::Aside { attempt: 1 }),
        Some(Noted::Printed),
        Some(Noted::Done),
    ];
    let answers = [
        Seen::NotAsked,
        Seen::Absent,
        Seen::Unknown,
        Seen::Working(7),
        Seen::GaveUp,
        Seen::Broken,
        Seen::Printed,
    ];
    for noted in notes {
        for seen in answers {
            let may_send = noted.as_ref() == Some(&started) && seen == Seen::Absent;
            let step = next(noted.as_ref(), seen);
            assert_eq!(step == Step::Send, may_send, "{noted:?}, {seen:?}");
        }
    }
    assert_eq!(next(Some(&started), Seen::Unknown), Step::SetAside(1));
    assert_eq!(next(Some(&started), Seen::Broken), Step::SetAside(1));
}

#[test]
fn notes_survive_the_process() {
    let dir = tempfile::tempdir().unwrap();
    let job = job().name();
    for noted in [
        Noted::Started {
            attempt: 2,
            before: Some("6 another".to_owned()),
        },
        Noted::Aside { attempt: 2 },
        Noted::Done,
    ] {
        let kept = outbox(&dir);
        let station = StationId::new("label-printer").unwrap();
        let entry = label_printer::Journal::entry(&job, &noted).unwrap();
        let now = Clock::system().now();
        kept.record_with(&station, Vec::new(), now, |_| vec![entry])
            .unwrap();
        drop(kept);
        assert_eq!(
            books(&outbox(&dir)).journal.noted(&job).unwrap(),
            Some(noted)
        );
    }
}
