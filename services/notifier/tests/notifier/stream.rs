//! From the stream to the webhook, over a real broker.

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::TcpListener;

use bus::broker::ChildBroker;
use bus::{Bus, Clock, Shutdown};
use chrono::NaiveTime;
use facts::SiteId;
use quantity::DairyClock;
use site::{Site, Webhook};
use tokio::sync::mpsc;

pub(crate) fn site(url: String) -> Site {
    Site {
        id: SiteId::new("larkholm").unwrap(),
        name: "Larkholm Dairy".to_owned(),
        identification_mark: None,
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::MIN),
        turn_by: NaiveTime::MIN,
        shift_ends: None,
        lost_after_days: 3,
        closed_after_days: 60,
        seal_copies: None,
        backup: None,
        people: Default::default(),
        rooms: Vec::new(),
        stations: Vec::new(),
        recipes: recipe::RecipeBook::default(),
        printers: Vec::new(),
        labels: site::Labels::default(),
        webhook: Some(Webhook { url }),
        gateway: None,
        climate: None,
        safety: None,
        dispatch: None,
    }
}

/// A webhook that hangs up on its first `failures` callers. Gives each caller's key.
fn hook(failures: usize) -> (String, mpsc::UnboundedReceiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/", listener.local_addr().unwrap());
    let (keys, heard) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        for (nth, stream) in listener.incoming().enumerate() {
            let mut stream = stream.unwrap();
            let key = BufReader::new(&stream)
                .lines()
                .map_while(Result::ok)
                .take_while(|line| !line.is_empty())
                .filter_map(|line| Some(line.split_once(": ")?.1.to_owned()))
                .find(|value| value.starts_with("warm-room"))
                .unwrap();
            if nth >= failures {
                // A caller that was killed meanwhile does not hear it.
                let _ = stream.write_all(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n");
            }
            if keys.send(key).is_err() {
                return;
            }
        }
    });
    (url, heard)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_worker_killed_while_the_webhook_is_down_still_tells_raised_before_cleared() {
    let dir = tempfile::tempdir().unwrap();
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    let (url, mut heard) = hook(2);
    let site = site(url);
    let data = dir.path().join("data");
    let worker = |shutdown: &Shutdown| {
        let (site, bus, data) = (site.clone(), bus.clone(), data.clone());
        let shutdown = shutdown.clone();
        tokio::spawn(
            async move { notifier::run(site, bus, Clock::system(), &data, shutdown).await },
        )
    };
    let steps = ["raised", "escalated", "cleared"];
    for step in steps {
        let body = format!(r#"{{"alert": "warm-room", "step": "{step}", "text": "{step}"}}"#);
        bus.publish_derived(
            &site.id,
            &format!("alert.{step}"),
            &format!("warm-room-{step}-1"),
            body.as_bytes(),
        )
        .await
        .unwrap();
    }

    let killed = worker(&Shutdown::new());
    assert_eq!(heard.recv().await.unwrap(), "warm-room-raised-1");
    killed.abort();
    assert!(killed.await.unwrap_err().is_cancelled());

    // The broker gives the job that died with its worker to the next one after 15 s.
    let shutdown = Shutdown::new();
    let next = worker(&shutdown);
    let mut told = Vec::new();
    while told.last().is_none_or(|key| key != "warm-room-cleared-1") {
        told.push(heard.recv().await.unwrap());
        told.dedup();
    }
    assert_eq!(told, steps.map(|step| format!("warm-room-{step}-1")));
    shutdown.request();
    next.await.unwrap().unwrap();
}
