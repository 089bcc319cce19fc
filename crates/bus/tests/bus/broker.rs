//! The child process itself.

use std::io::{BufRead as _, BufReader};
use std::process::{Command, Stdio};

use bus::broker::{BrokerError, ChildBroker};

use crate::support::*;

#[tokio::test]
async fn a_port_that_is_taken_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("one")).await;
    let error = ChildBroker::start_on(&dir.path().join("two"), first.port())
        .await
        .err()
        .unwrap();
    assert!(
        matches!(error, BrokerError::PortTaken(port) if port == first.port()),
        "{error}"
    );
}

#[tokio::test]
async fn two_brokers_never_share_a_folder() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(dir.path()).await;
    let error = ChildBroker::start(dir.path()).await.err().unwrap();
    assert!(matches!(error, BrokerError::InUse(_)), "{error}");
    first.stop().await;
    broker(dir.path()).await.stop().await;
}

#[tokio::test]
async fn a_broker_whose_parent_was_killed_ends_and_lets_go_of_its_folder() {
    let dir = tempfile::tempdir().unwrap();
    let mut parent = Command::new(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "broker::parent_to_be_killed",
            "--ignored",
            "--nocapture",
        ])
        .env("BROKER_DIR", dir.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(parent.stdout.take().unwrap()).lines();
    assert!(lines.any(|line| line.unwrap().contains("facts stored")));
    parent.kill().unwrap();
    parent.wait().unwrap();

    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    assert_eq!(bus.floor_end().await.unwrap(), 10);
}

#[tokio::test]
#[ignore = "a helper of the test above, which kills it"]
async fn parent_to_be_killed() {
    let dir = std::env::var_os("BROKER_DIR").unwrap();
    let broker = broker(dir.as_ref()).await;
    let bus = connect(&broker.url()).await;
    bus.publish_facts(&some_facts(10)).await.unwrap();
    println!("facts stored");
    std::future::pending::<()>().await;
}
