//! The clock driven over the bus.

use std::time::Duration;

use bus::Clock;
use chrono::TimeDelta;

use crate::support::*;

#[tokio::test]
async fn ticks_apply_in_the_order_of_arrival_also_backwards() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let hours = [0, 5, 3, 7, 1];
    let driving = tokio::spawn({
        let bus = bus.clone();
        async move {
            // The first tick is repeated until somebody has heard it.
            loop {
                bus.tick(&site(), noon(), 0).await.unwrap();
                tokio::task::yield_now().await;
            }
        }
    });
    let mut clock = within(Clock::from_bus(&bus, &site())).await.unwrap();
    driving.abort();
    let _ = driving.await;
    assert_eq!(clock.now(), noon());
    for (n, hour) in (1..).zip(hours) {
        bus.tick(&site(), noon() + TimeDelta::hours(hour), n)
            .await
            .unwrap();
    }
    let mut heard = Vec::new();
    while heard.len() < hours.len() {
        let tick = within(clock.next_tick()).await;
        if tick.after_seq > 0 {
            heard.push((tick.now - noon()).num_hours());
        }
    }
    assert_eq!(heard, hours);
    assert_eq!(clock.now(), noon() + TimeDelta::hours(1));
}

#[tokio::test]
async fn a_tick_of_another_site_is_not_heard() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let other = facts::SiteId::new("elsewhere").unwrap();
    let clock = tokio::spawn({
        let bus = bus.clone();
        async move { Clock::from_bus(&bus, &site()).await.unwrap() }
    });
    while !clock.is_finished() {
        bus.tick(&other, noon() + TimeDelta::days(9), 0)
            .await
            .unwrap();
        bus.tick(&site(), noon(), 0).await.unwrap();
    }
    assert_eq!(clock.await.unwrap().now(), noon());
}

#[tokio::test]
async fn a_busy_floor_does_not_stop_the_machines_clock() {
    let mut clock = Clock::system();
    within(clock.next_tick()).await;
    // Somebody asks again and again before a second is over, and each time the wait is dropped.
    let mut asked = 0;
    let answering = async {
        loop {
            tokio::select! {
                _ = clock.next_tick() => return,
                () = tokio::time::sleep(Duration::from_millis(20)) => asked += 1,
            }
        }
    };
    within(answering).await;
    assert!(asked > 5, "nobody asked: {asked}");
}
