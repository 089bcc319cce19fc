//! Who may do what on a real broker: every fact that each worker states, its other work, and
//! every cell of the table that it may not.

use std::collections::BTreeMap;

use async_nats::HeaderMap;
use authority::workers::{OWN_NAMES, Worker};
use bus::permissions::stated;
use bus::telling::{Telling, Told};
use bus::{Bus, BusError};
use facts::{Event, Fact, FactIdSource, StationId, TYPES, wire};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;

use crate::support::*;

/// One event of every type.
fn events() -> BTreeMap<&'static str, Event> {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut events = BTreeMap::new();
    while events.len() < TYPES.len() {
        let event = any::<Event>().new_tree(&mut runner).unwrap().current();
        events.insert(event.ty(), event);
    }
    events
}

fn as_station(name: &str, ids: &FactIdSource, event: Event) -> Fact {
    Fact {
        id: ids.next(noon()),
        site: site(),
        station: station(name),
        station_seq: 1,
        person: None,
        occurred_at: noon(),
        claimed_at: None,
        recorded_at: noon(),
        event,
    }
}

/// Sends a fact on any subject, with any type and source, and does not wait for an answer.
async fn throw(bus: &Bus, subject: String, fact: &Fact, other: (&str, &str)) {
    let binary = wire::to_binary(fact).unwrap();
    let mut headers = HeaderMap::new();
    for (name, value) in &binary.headers {
        let value = if *name == other.0 { other.1 } else { value };
        headers.insert(*name, value);
    }
    let sent = bus
        .client()
        .publish_with_headers(subject, headers, binary.body.into());
    sent.await.unwrap();
}

/// Waits until the log has so many messages.
async fn reaches(bus: &Bus, end: u64) {
    within(async {
        while bus.floor_end().await.unwrap() < end {
            tokio::task::yield_now().await;
        }
    })
    .await;
}

#[tokio::test]
async fn each_worker_states_every_fact_of_its_own_and_no_other() {
    let dir = tempfile::tempdir().unwrap();
    let grants = grants();
    let broker = guarded(dir.path(), grants.clone()).await;
    let scheduler = user(&broker, "scheduler").await;
    let (events, ids) = (events(), FactIdSource::default());
    let mut stations: Vec<StationId> = OWN_NAMES.iter().map(|name| station(name)).collect();
    stations.extend(["S1", "scale-1", "browser-1"].map(station));

    for worker in Worker::ALL {
        let bus = user(&broker, worker.name()).await;
        let before = scheduler.floor_end().await.unwrap();
        // What it may state is stored, and read as what it is.
        let own = stated(&grants, worker);
        let facts: Vec<Fact> = own
            .iter()
            .map(|(name, ty)| as_station(name, &ids, events[ty].clone()))
            .collect();
        within(bus.publish_facts(&facts)).await.unwrap();
        let read = everything(&scheduler).await;
        let after = usize::try_from(before).unwrap();
        assert_eq!(facts_of(&read[after..]), facts, "{}", worker.name());

        // What it may not state is not let in, under whatever name: on the subject of then and
        // on that of before stations stood in it.
        for name in &stations {
            for info in TYPES {
                if own.contains(&(name.to_string(), info.ty)) {
                    continue;
                }
                let fact = as_station(name.as_str(), &ids, events[info.ty].clone());
                throw(&bus, wire::subject(&fact), &fact, ("", "")).await;
            }
        }
        for info in TYPES {
            let fact = as_station("S1", &ids, events[info.ty].clone());
            let old = format!("floor.larkholm.{}.{}", info.noun, info.verb);
            throw(&bus, old, &fact, ("", "")).await;
        }
        bus.client().flush().await.unwrap();
        let now = scheduler.floor_end().await.unwrap();
        assert_eq!(now, before + facts.len() as u64, "{}", worker.name());

        // On its own subjects the broker lets anything in: whoever reads finds that it is none.
        let released = "floor.wheel.released.v1";
        let mut thrown = 0_u64;
        for fact in &facts {
            let subject = wire::subject(fact);
            let other = if fact.station.as_str() == "S1" {
                "scale-1"
            } else {
                "S1"
            };
            let source = format!("/sites/larkholm/stations/{other}");
            throw(&bus, subject.clone(), fact, ("ce-source", &source)).await;
            let source = format!("/sites/elsewhere/stations/{}", fact.station);
            throw(&bus, subject.clone(), fact, ("ce-source", &source)).await;
            let fresh = as_station(fact.station.as_str(), &ids, events[released].clone());
            let ty = if fact.event.ty() == released {
                "floor.hold.lifted.v1"
            } else {
                released
            };
            throw(&bus, subject, &fresh, ("ce-type", ty)).await;
            thrown += 3;
        }
        reaches(&scheduler, now + thrown).await;
        let read = everything(&scheduler).await;
        for lie in &read[usize::try_from(now).unwrap()..] {
            let error = lie.read().unwrap_err();
            assert!(matches!(error, wire::Unreadable::Subject { .. }), "{error}");
        }
    }
}

#[tokio::test]
async fn nobody_deletes_the_log_forges_an_alert_or_turns_the_clock() {
    let dir = tempfile::tempdir().unwrap();
    let broker = guarded(dir.path(), grants()).await;
    let scheduler = user(&broker, "scheduler").await;
    user(&broker, "scheduler").await;
    let recorder = user(&broker, "move-recorder").await;
    let turned = as_station(
        "S1",
        &FactIdSource::default(),
        events()["floor.wheel.turned.v1"].clone(),
    );
    within(recorder.publish_facts(&[turned])).await.unwrap();
    let jetstream = async_nats::jetstream::new(scheduler.client().clone());
    let derived = async || {
        let stream = jetstream.get_stream(bus::DERIVED).await.unwrap();
        stream.cached_info().state.messages
    };
    let rejected = async || {
        let stream = jetstream.get_stream(bus::REJECTED).await.unwrap();
        stream.cached_info().state.messages
    };
    for worker in Worker::ALL {
        let bus = user(&broker, worker.name()).await;
        for subject in [
            "$JS.API.STREAM.DELETE.FLOOR",
            "$JS.API.STREAM.PURGE.FLOOR",
            "$JS.API.STREAM.UPDATE.FLOOR",
            "$JS.API.STREAM.MSG.DELETE.FLOOR",
            "$JS.API.STREAM.RESTORE.FLOOR",
            "$SYS.REQ.SERVER.PING",
            "clock.larkholm",
        ] {
            bus.client().publish(subject, "{}".into()).await.unwrap();
        }
        if worker != Worker::Scheduler {
            for subject in [
                "derived.larkholm.alert.raised",
                "derived.larkholm.alert.cleared",
                "derived.larkholm.label.wheel.x",
                "rejected.larkholm.1",
            ] {
                bus.client().publish(subject, "{}".into()).await.unwrap();
            }
        }
        bus.client().flush().await.unwrap();
    }
    assert_eq!(scheduler.floor_end().await.unwrap(), 1);
    assert_eq!((derived().await, rejected().await), (0, 0));
}

#[tokio::test]
async fn each_worker_can_do_its_work() {
    let dir = tempfile::tempdir().unwrap();
    let broker = guarded(&dir.path().join("broker"), grants()).await;
    let site = site();
    let scheduler = user(&broker, "scheduler").await;
    let events = events();
    let ids = FactIdSource::default();
    let recorder = user(&broker, "move-recorder").await;
    let turned = as_station("S1", &ids, events["floor.wheel.turned.v1"].clone());
    within(recorder.publish_facts(&[turned])).await.unwrap();

    let commands = user(&broker, "commands").await;
    for worker in Worker::ALL {
        let duties = worker.duties();
        let bus = user(&broker, worker.name()).await;
        if duties.reads_floor {
            assert_eq!(everything(&bus).await.len(), 1, "{}", worker.name());
            assert_eq!(within(bus.floor_messages([1])).await.unwrap().len(), 1);
        }
        let mut questions = within(bus.questions(&site, duties.answers)).await.unwrap();
        bus.client().flush().await.unwrap();
        let answering = tokio::spawn(async move {
            for _ in duties.answers {
                let question = questions.next().await.unwrap();
                let name = question.name.clone();
                question.answer(&name).await.unwrap();
            }
        });
        for name in duties.answers {
            let answer: String = within(commands.ask(&site, name, &())).await.unwrap();
            assert_eq!(answer, *name);
        }
        answering.await.unwrap();
        for tail in duties.derives {
            let tail = tail.replace('*', "x");
            within(bus.publish_derived(&site, &tail, &format!("{}-{tail}", worker.name()), b"{}"))
                .await
                .unwrap();
        }
        for (durable, filter) in duties.does {
            let tail = filter.replace(['*', '>'], "job");
            within(scheduler.publish_derived(&site, &tail, &tail, b"{}"))
                .await
                .unwrap();
            let mut jobs = within(bus.jobs(durable, &site, filter)).await.unwrap();
            let job = within(jobs.next()).await.unwrap();
            within(job.done()).await.unwrap();
        }
    }

    // What cannot be read is kept; the gateway hears what workers tell.
    let stored = everything(&scheduler).await.remove(0);
    within(scheduler.reject(&site, &stored, "a trial"))
        .await
        .unwrap();
    let gateway = user(&broker, "gateway").await;
    let mut told = within(gateway.tellings(&site)).await.unwrap();
    let missed = Telling::alarm("check-ph-missed".to_owned(), "no pH was read".to_owned());
    let mut memory = Told::open(&dir.path().join("told.txt")).unwrap();
    let records = user(&broker, "records").await;
    let now = bus::Clock::system().now();
    within(memory.tell(&records, &site, now, &mut vec![missed.clone()]))
        .await
        .unwrap();
    assert_eq!(within(told.next()).await.unwrap().telling, missed);

    // A denial is an answer: nobody waits for one that never comes.
    let scale = user(&broker, "scale-reader").await;
    let released = as_station("scale-1", &ids, events["floor.wheel.released.v1"].clone());
    let error = within(scale.publish_facts(&[released])).await.unwrap_err();
    assert!(matches!(error, BusError::Publish { .. }), "{error}");
    assert!(
        error.to_string().contains("wheelward broker permissions"),
        "{error}"
    );
}
