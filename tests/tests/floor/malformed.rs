//! Messages that are no facts.

use async_nats::HeaderMap;
use async_nats::jetstream;
use bytes::Bytes;
use facts::{Fact, WheelTurned, wire};
use floor_tests::{Floor, Given, code, time, until, within};

const SUBJECT: &str = "floor.larkholm.wheel.turned";

type Headers = Vec<(String, String)>;

fn headers_of(fact: &Fact) -> Headers {
    let headers = wire::to_binary(fact).unwrap().headers;
    headers
        .into_iter()
        .map(|(n, v)| (n.to_owned(), v))
        .collect()
}

fn changed(fact: &Fact, name: &str, value: &str) -> Headers {
    let mut headers = headers_of(fact);
    let header = headers.iter_mut().find(|(n, _)| n == name).unwrap();
    value.clone_into(&mut header.1);
    headers
}

/// Publishes as a device that speaks NATS and nothing of ours.
async fn publish(floor: &Floor, headers: &[(String, String)], body: Bytes) -> Result<(), String> {
    let mut map = HeaderMap::new();
    for (name, value) in headers {
        map.insert(name.as_str(), value.as_str());
    }
    let sent = async {
        jetstream::new(floor.bus.client().clone())
            .publish_with_headers(SUBJECT, map, body)
            .await?
            .await
    };
    match within("the broker's word", sent).await {
        Ok(_) => Ok(()),
        Err(error) => Err(error.to_string()),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_read_is_rejected_whole_with_its_reason_and_the_next_fact_is_folded() {
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let mut born = Given::at("portion-1");
    let earlier = floor.now - chrono::TimeDelta::hours(1);
    floor.store(&born.makes(earlier, "311", 1).facts).await;
    // It runs already: what lay in the log before, people heard of then.
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let mut turner = Given::at("drain-1");
    let turn = WheelTurned {
        wheels: vec![code("311-01")],
        via: None,
    };
    turner.states(floor.now, floor.now, turn);
    let good = turner.facts.remove(0);
    let body = good.event.write().unwrap();
    let garbage: Vec<u8> = (0..200_000_u32).map(|n| (n * 31 % 251) as u8).collect();

    let cases: [(Headers, Vec<u8>, &str); 6] = [
        (Vec::new(), body.clone(), "header ce-specversion is missing"),
        (
            headers_of(&good),
            b"{\"wheels\": [\"311-01\"".to_vec(),
            "the body is not a floor.wheel.turned.v1: EOF while parsing",
        ),
        (
            headers_of(&good),
            b"{\"room\": \"R1\"}".to_vec(),
            "the body is not a floor.wheel.turned.v1: missing field `wheels`",
        ),
        (
            changed(&good, "ce-source", "/sites/elsewhere/stations/drain-1"),
            body.clone(),
            "elsewhere",
        ),
        (
            changed(&good, "ce-time", "yesterday, before noon"),
            body.clone(),
            "header ce-time is \"yesterday, before noon\"",
        ),
        (
            headers_of(&good),
            garbage,
            "the body is not a floor.wheel.turned.v1",
        ),
    ];
    for (headers, body, _) in &cases {
        publish(&floor, headers, body.clone().into()).await.unwrap();
    }
    // The broker itself takes nothing that would not fit into REJECTED afterwards.
    let end = floor.bus.floor_end().await.unwrap();
    let refused = publish(&floor, &headers_of(&good), vec![b'x'; 300_000].into()).await;
    assert!(refused.unwrap_err().contains("maximum"));
    assert_eq!(floor.bus.floor_end().await.unwrap(), end);
    // A type of a later version is no fault of whoever sent it.
    let later = changed(&good, "ce-type", "floor.wheel.turned.v2");
    publish(&floor, &later, body.clone().into()).await.unwrap();
    floor.store(std::slice::from_ref(&good)).await;

    floor.folded(&scheduler).await;
    let rejected = floor.stream(bus::REJECTED).await;
    assert_eq!(rejected.len(), cases.len(), "{}", scheduler.log());
    for (message, (headers, body, reason)) in rejected.iter().zip(&cases) {
        let header = |name: &str| message.headers.get(name).map(|v| v.as_str().to_owned());
        assert_eq!(message.payload, *body, "{reason}");
        for (name, value) in headers {
            assert_eq!(
                header(&format!("orig-{name}")).as_ref(),
                Some(value),
                "{reason}"
            );
        }
        let said = header("reason").unwrap();
        assert!(said.contains(reason), "{said:?} does not say {reason:?}");
        assert_eq!(header("floor-subject").unwrap(), SUBJECT);
    }

    let picture = floor.ask_as_people_do(&["floor"]).await.well();
    let picture: serde_json::Value = serde_json::from_str(&picture).unwrap();
    assert_eq!(picture["counts"]["unreadable"], cases.len());
    assert_eq!(picture["counts"]["unknown_types"], 1);
    assert_eq!(picture["counts"]["facts"], 3);
    assert_eq!(picture["missing_facts"], 0);
    let wheel = floor.ask_as_people_do(&["wheel", "311-01"]).await.well();
    let wheel: serde_json::Value = serde_json::from_str(&wheel).unwrap();
    assert_eq!(wheel["wheel"]["turns"], 1);

    // People hear of it once, whoever else sends the like that day; also after the scheduler
    // has lost its disk.
    let alarms = async || {
        let derived = floor.stream(bus::DERIVED).await.into_iter();
        let alarms = derived.filter(|message| message.subject.contains(".alert."));
        alarms.map(|message| message.payload).collect::<Vec<_>>()
    };
    let told = until(
        "an alarm",
        || scheduler.log(),
        async || {
            let told = alarms().await;
            (!told.is_empty()).then_some(told)
        },
    )
    .await;
    assert_eq!(told.len(), 1, "{told:?}");
    let alarm: serde_json::Value = serde_json::from_slice(&told[0]).unwrap();
    assert_eq!(alarm["alert"], "rejected-unknown-2026-03-02");
    assert_eq!(alarm["step"], "raised");
    assert_eq!(alarm["severity"], "alarm");
    let text = alarm["text"].as_str().unwrap();
    for says in [cases[0].2, "counts for nothing", "kept whole in REJECTED"] {
        assert!(text.contains(says), "{text}");
    }
    scheduler.kill_hard().await;
    let rebuilt = floor.worker_in("scheduler", "another-disk");
    floor.folded(&rebuilt).await;
    assert_eq!(alarms().await, told);
}
