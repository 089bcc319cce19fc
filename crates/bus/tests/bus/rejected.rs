//! Messages that are no facts.

use async_nats::jetstream::{self, stream};
use bus::{Bus, REJECTED};

use crate::support::*;

async fn rejected(bus: &Bus) -> stream::Stream {
    jetstream::new(bus.client().clone())
        .get_stream(REJECTED)
        .await
        .unwrap()
}

#[tokio::test]
async fn a_message_that_cannot_be_read_is_kept_whole_and_once() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let body = b"\x00not json\xff\r\n";
    store_raw(
        &bus,
        "floor.larkholm.wheel.turned",
        ("ce-type", "floor.wheel.turned.v1"),
        body,
    )
    .await;

    let stored = everything(&bus).await.remove(0);
    let reason = stored.read().unwrap_err();
    bus.reject(&site(), &stored, &reason.to_string())
        .await
        .unwrap();
    // The log is folded anew: the same message again.
    bus.reject(&site(), &stored, "another\r\nreason: split")
        .await
        .unwrap();

    let kept = rejected(&bus).await;
    assert_eq!(kept.cached_info().state.messages, 1);
    let kept = kept.get_raw_message(1).await.unwrap();
    assert_eq!(&*kept.payload, body);
    assert_eq!(&*kept.subject, "rejected.larkholm.1");
    let header = |name: &str| kept.headers.get(name).map(|v| v.as_str().to_owned());
    assert_eq!(header("orig-ce-type").unwrap(), "floor.wheel.turned.v1");
    assert_eq!(header("floor-seq").unwrap(), "1");
    assert_eq!(
        header("floor-subject").unwrap(),
        "floor.larkholm.wheel.turned"
    );
    assert_eq!(header("reason").unwrap(), reason.to_string());
}

#[tokio::test]
async fn the_largest_message_that_the_log_takes_can_be_rejected() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    // Nearly all of it in headers, which grow when they are renamed.
    let mut headers = async_nats::HeaderMap::new();
    for n in 0..6_000 {
        headers.insert(format!("h{n:05}").as_str(), "");
    }
    let publish = |headers: async_nats::HeaderMap, body: Vec<u8>| {
        let jetstream = jetstream::new(bus.client().clone());
        async move {
            let ack = jetstream
                .publish_with_headers("floor.larkholm.room.cleaned", headers, body.into())
                .await
                .unwrap();
            ack.await
        }
    };
    publish(headers.clone(), vec![b'x'; 200_000]).await.unwrap();
    assert!(publish(headers, vec![b'x'; 206_000]).await.is_err());

    let stored = everything(&bus).await.remove(0);
    bus.reject(&site(), &stored, "no fact").await.unwrap();
    let kept = rejected(&bus).await.get_raw_message(1).await.unwrap();
    assert_eq!(kept.payload, stored.body);
    let original = kept
        .headers
        .iter()
        .filter(|(name, _)| name.to_string().starts_with("orig-h"));
    let omitted = kept.headers.get("orig-omitted").unwrap().as_str();
    assert_eq!(original.count() + omitted.parse::<usize>().unwrap(), 6_000);
}
