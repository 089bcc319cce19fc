//! The floor watches itself, over a real broker: what is wrong is told straight to the chat, once,
//! and that it is over as well.

use bus::broker::ChildBroker;
use bus::{Bus, Clock};
use notifier::{Watch, Webhook};

use crate::webhook::Hook;

fn told(hook: &Hook) -> Vec<String> {
    let posts = hook.seen.lock().unwrap();
    let words = |seen: &crate::webhook::Seen| {
        let alert = &seen.body["alert"];
        format!(
            "{} {}",
            alert["alert"].as_str().unwrap(),
            alert["step"].as_str().unwrap()
        )
    };
    posts.iter().map(words).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_silent_worker_an_old_backup_and_a_broker_that_is_away_are_told_once_and_so_is_their_end()
{
    let dir = tempfile::tempdir().unwrap();
    let data = dir.path().join("data");
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    let mut site = crate::stream::site(String::new());
    site.backup = Some(dir.path().to_owned());
    for worker in site.workers().filter(|worker| worker.name() != "records") {
        let (bus, data, id) = (bus.clone(), dir.path().to_owned(), site.id);
        tokio::spawn(async move { bus::health::answer(&bus, &id, worker.name(), &data).await });
    }
    for worker in site.workers().filter(|worker| worker.name() != "records") {
        while bus::health::ask(&bus, &site.id, worker.name())
            .await
            .is_err()
        {
            tokio::task::yield_now().await;
        }
    }
    let hook = Hook::answering(&[]);
    let webhook = || Some(Webhook::new(&format!("http://{}/", hook.address)).unwrap());
    let now = || Clock::system().now();
    let mut watch = Watch::new(&site, webhook(), &data).unwrap();

    // A worker that does not answer once may be being started.
    watch.look_and_tell(&bus, now()).await;
    assert_eq!(told(&hook), [""; 0]);
    watch.look_and_tell(&bus, now()).await;
    assert_eq!(told(&hook), ["watch-silent-records raised"]);

    // Started again, it tells nobody a second time.
    let mut watch = Watch::new(&site, webhook(), &data).unwrap();
    for _ in 0..3 {
        watch.look_and_tell(&bus, now()).await;
    }
    assert_eq!(told(&hook).len(), 1);

    // The disk with the backup is unplugged.
    site.backup = Some(dir.path().join("unplugged"));
    let mut watch = Watch::new(&site, webhook(), &data).unwrap();
    watch.look_and_tell(&bus, now()).await;
    assert_eq!(told(&hook)[1..], ["watch-backup raised"]);

    // Nothing of this is over because nobody can be asked.
    broker.kill_hard().await;
    while bus.is_connected() {
        tokio::task::yield_now().await;
    }
    site.backup = Some(dir.path().to_owned());
    let mut watch = Watch::new(&site, webhook(), &data).unwrap();
    for _ in 0..3 {
        watch.look_and_tell(&bus, now()).await;
    }
    assert_eq!(told(&hook)[2..], ["watch-broker raised"]);

    let broker = ChildBroker::start_on(&dir.path().join("broker"), broker_port(&bus))
        .await
        .unwrap();
    bus.connected().await;
    let (other, id) = (bus.clone(), site.id);
    let records = dir.path().to_owned();
    tokio::spawn(async move { bus::health::answer(&other, &id, "records", &records).await });
    for worker in site.workers() {
        while bus::health::ask(&bus, &site.id, worker.name())
            .await
            .is_err()
        {
            tokio::task::yield_now().await;
        }
    }
    for _ in 0..2 {
        watch.look_and_tell(&bus, now()).await;
    }
    let mut over = told(&hook)[3..].to_vec();
    over.sort();
    assert_eq!(
        over,
        [
            "watch-backup cleared",
            "watch-broker cleared",
            "watch-silent-records cleared"
        ]
    );
    drop(broker);
}

fn broker_port(bus: &Bus) -> u16 {
    bus.client().server_info().port
}
