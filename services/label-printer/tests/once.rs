//! A label comes out once, wherever the worker is killed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::pin::pin;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bus::{Clock, Outbox};
use facts::SiteId;
use label_printer::{Journal, Noted, Press, Printer, Seen, Step, Trouble, next};
use labels::{Dpi, LabelJob};

/// A printer that outlives the worker.
#[derive(Debug, Clone, Default)]
struct Paper(Arc<Mutex<State>>);

#[derive(Debug, Default)]
struct State {
    labels: Vec<String>,
    /// Points still passed before the worker is killed; none: it lives.
    fuse: Option<u32>,
    /// What goes wrong with the coming calls, latest first.
    troubles: Vec<Trouble>,
    /// Forgets jobs as soon as they are printed.
    forgetful: bool,
}

impl Paper {
    fn with<T>(&self, change: impl FnOnce(&mut State) -> T) -> T {
        change(&mut self.0.lock().unwrap())
    }

    /// A point at which the worker may be killed: it never gets past it.
    async fn may_die(&self) {
        let dead = self.with(|state| match &mut state.fuse {
            Some(0) => true,
            Some(left) => {
                *left -= 1;
                false
            }
            None => false,
        });
        if dead {
            std::future::pending::<()>().await;
        }
    }

    async fn call<T>(&self, effect: impl FnOnce(&mut State) -> T) -> Result<T, Trouble> {
        self.may_die().await;
        if let Some(trouble) = self.with(|state| state.troubles.pop()) {
            return Err(trouble);
        }
        let answer = self.with(effect);
        self.may_die().await;
        Ok(answer)
    }
}

impl Printer for Paper {
    fn name(&self) -> &str {
        "paper"
    }

    async fn find(&self, job_name: &str) -> Result<Seen, Trouble> {
        self.call(|state| {
            let known = !state.forgetful && state.labels.iter().any(|name| name == job_name);
            if known { Seen::Printed } else { Seen::Unknown }
        })
        .await
    }

    async fn send(&self, job_name: &str, _png: Vec<u8>) -> Result<Seen, Trouble> {
        self.call(|state| {
            state.labels.push(job_name.to_owned());
            Seen::Working(1)
        })
        .await
    }

    async fn watch(&self, _job: i32) -> Result<Seen, Trouble> {
        self.call(|state| {
            if state.forgetful {
                Seen::NotAsked
            } else {
                Seen::Printed
            }
        })
        .await
    }
}

fn job() -> LabelJob {
    serde_json::from_str(
        r#"{"cause": "01890a5d-ac96-774b-bcce-b302099a8057", "wheel": "B311-07", "batch": "B311",
            "product": "Larkholm Blue", "made": "2026-01-28", "weight_g": 10886,
            "raw_milk": false, "site_name": "Larkholm Dairy"}"#,
    )
    .unwrap()
}

fn press(paper: &Paper, outbox: &Outbox) -> Press<Paper> {
    Press::new(paper.clone(), Dpi::D203, outbox.clone(), Clock::system()).unwrap()
}

fn outbox(dir: &tempfile::TempDir) -> Outbox {
    Outbox::open(dir.path(), SiteId::new("larkholm").unwrap()).unwrap()
}

/// Runs a worker that is killed after `fuse` points, or to its end. True if it ended.
async fn run(paper: &Paper, outbox: &Outbox, fuse: Option<u32>) -> bool {
    paper.with(|state| state.fuse = fuse);
    let (mut press, job) = (press(paper, outbox), job());
    let mut printing = pin!(press.print(&job));
    // Time is paused and jumps when nothing can go on: a worker still there after an
    // hour is dead.
    tokio::time::timeout(Duration::from_secs(3600), &mut printing)
        .await
        .is_ok_and(|printed| printed.is_ok())
}

#[tokio::test(start_paused = true)]
async fn a_worker_killed_at_any_point_of_any_call_prints_one_label_and_states_one_fact() {
    let mut kills = 0;
    for fuse in 0.. {
        let (dir, paper) = (tempfile::tempdir().unwrap(), Paper::default());
        let outbox = outbox(&dir);
        let ended = run(&paper, &outbox, Some(fuse)).await;
        kills += u32::from(!ended);
        assert!(
            run(&paper, &outbox, None).await,
            "the second worker ends the work"
        );
        assert!(
            run(&paper, &outbox, None).await,
            "a third finds nothing to do"
        );
        assert_eq!(
            paper.with(|state| state.labels.len()),
            1,
            "killed at point {fuse}"
        );
        assert_eq!(outbox.waiting(), 1, "killed at point {fuse}");
        if ended {
            break;
        }
    }
    assert_eq!(kills, 6, "before and after each of: ask, send, watch");
}

#[tokio::test(start_paused = true)]
async fn a_worker_stopped_between_any_two_steps_prints_one_label_and_states_one_fact() {
    for steps in 0.. {
        let (dir, paper) = (tempfile::tempdir().unwrap(), Paper::default());
        let outbox = outbox(&dir);
        let (mut first, job) = (press(&paper, &outbox), job());
        let mut passage = first.take(&job).unwrap();
        let mut ended = false;
        for _ in 0..steps {
            ended = !first.step(&mut passage).await.unwrap();
        }
        assert!(run(&paper, &outbox, None).await);
        assert_eq!(
            paper.with(|state| state.labels.len()),
            1,
            "stopped after {steps} steps"
        );
        assert_eq!(outbox.waiting(), 1, "stopped after {steps} steps");
        if ended {
            assert!(steps >= 6, "ask, note, send, watch, note, record");
            break;
        }
    }
}

#[tokio::test(start_paused = true)]
async fn a_worker_killed_between_the_fact_and_its_note_does_not_state_the_fact_twice() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), Paper::default());
    let outbox = outbox(&dir);
    assert!(run(&paper, &outbox, None).await);
    let journal = Journal::new(outbox.tree("printed").unwrap());
    journal.note(job().cause, Noted::Printed).unwrap();
    assert!(run(&paper, &outbox, None).await);
    assert_eq!(outbox.waiting(), 1);
}

#[tokio::test(start_paused = true)]
async fn no_trouble_with_the_printer_loses_or_doubles_the_label() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), Paper::default());
    let troubles = [
        Trouble::Silent("connection refused".into()),
        Trouble::Busy,
        Trouble::Stopped("media-empty".into()),
        Trouble::Refused("Bad request".into()),
        Trouble::GaveUp,
    ];
    paper.with(|state| state.troubles = troubles.iter().cycle().take(50).cloned().collect());
    let outbox = outbox(&dir);
    assert!(run(&paper, &outbox, None).await);
    assert_eq!(paper.with(|state| state.labels.len()), 1);
    assert_eq!(outbox.waiting(), 1);
}

#[tokio::test(start_paused = true)]
async fn a_printer_that_remembers_nothing_gets_a_bounded_number_of_labels() {
    let (dir, paper) = (tempfile::tempdir().unwrap(), Paper::default());
    paper.with(|state| state.forgetful = true);
    assert!(run(&paper, &outbox(&dir), None).await);
    assert_eq!(paper.with(|state| state.labels.len()), 3);
}

#[test]
fn a_label_is_sent_only_when_started_is_noted_and_the_printer_says_it_has_it_not() {
    let notes = [
        None,
        Some(Noted::Started),
        Some(Noted::Printed),
        Some(Noted::Recorded),
    ];
    let answers = [
        Seen::NotAsked,
        Seen::Unknown,
        Seen::Working(7),
        Seen::Failed,
        Seen::Printed,
    ];
    for noted in notes {
        for seen in answers {
            let may_send =
                noted == Some(Noted::Started) && (seen == Seen::Unknown || seen == Seen::Failed);
            assert_eq!(
                next(noted, seen) == Step::Send,
                may_send,
                "{noted:?}, {seen:?}"
            );
        }
    }
}

#[test]
fn notes_survive_the_process() {
    let dir = tempfile::tempdir().unwrap();
    let cause = job().cause;
    for noted in [Noted::Started, Noted::Printed, Noted::Recorded] {
        let journal = Journal::new(outbox(&dir).tree("printed").unwrap());
        journal.note(cause, noted).unwrap();
        drop(journal);
        let again = Journal::new(outbox(&dir).tree("printed").unwrap());
        assert_eq!(again.noted(cause).unwrap(), Some(noted));
    }
}
