//! Alerts against a webhook that fails, rests, refuses, and comes back.

use std::collections::VecDeque;
use std::fs;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpListener};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use bus::Clock;
use notifier::{Courier, Webhook};
use serde_json::{Value, json};

/// One request as the webhook saw it.
#[derive(Debug, Clone)]
pub(crate) struct Seen {
    key: String,
    content_type: String,
    pub(crate) body: Value,
}

/// A webhook that answers from a script: a status line and headers a request, then 200.
/// An empty line hangs up without an answer.
pub(crate) struct Hook {
    pub(crate) address: SocketAddr,
    pub(crate) seen: Arc<Mutex<Vec<Seen>>>,
}

impl Hook {
    pub(crate) fn answering(script: &[&str]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let seen = Arc::new(Mutex::new(Vec::new()));
        let mut script: VecDeque<String> = script.iter().map(|&line| line.to_owned()).collect();
        let log = Arc::clone(&seen);
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                let mut reader = BufReader::new(stream.try_clone().unwrap());
                let mut head = Vec::new();
                loop {
                    let mut line = String::new();
                    reader.read_line(&mut line).unwrap();
                    if line.trim().is_empty() {
                        break;
                    }
                    head.push(line.trim().to_owned());
                }
                let header = |name: &str| {
                    head.iter()
                        .filter_map(|line| line.split_once(": "))
                        .find(|(key, _)| key.eq_ignore_ascii_case(name))
                        .map(|(_, value)| value.to_owned())
                        .unwrap_or_default()
                };
                let mut body = vec![0; header("content-length").parse().unwrap()];
                reader.read_exact(&mut body).unwrap();
                log.lock().unwrap().push(Seen {
                    key: header("idempotency-key"),
                    content_type: header("content-type"),
                    body: serde_json::from_slice(&body).unwrap(),
                });
                let answer = script.pop_front().unwrap_or_else(|| "200 OK".to_owned());
                if !answer.is_empty() {
                    let head = format!(
                        "HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
                    );
                    stream.write_all(head.as_bytes()).unwrap();
                }
            }
        });
        Self { address, seen }
    }

    fn courier(&self, data: &Path) -> Courier {
        let url = format!("http://{}/hook?token=secret", self.address);
        Courier::new(Webhook::new(&url).unwrap(), data, Clock::system()).unwrap()
    }

    fn keys(&self) -> Vec<String> {
        self.seen
            .lock()
            .unwrap()
            .iter()
            .map(|seen| seen.key.clone())
            .collect()
    }
}

fn alert(name: &str, step: &str) -> (String, Vec<u8>) {
    let body = json!({
        "alert": name,
        "step": step,
        "severity": "warning",
        "text": format!("{name} {step}"),
    });
    (format!("{name}-{step}-1"), body.to_string().into_bytes())
}

#[tokio::test(start_paused = true)]
async fn an_alert_is_tried_under_one_key_until_the_webhook_takes_it() {
    let dir = tempfile::tempdir().unwrap();
    let hook = Hook::answering(&[
        "500 Internal Server Error",
        "",
        "503 Service Unavailable",
        "429 Too Many Requests\r\nRetry-After: 90",
    ]);
    let (key, body) = alert("late-turning-s07", "raised");
    let before = tokio::time::Instant::now();
    hook.courier(dir.path()).deliver(&key, &body).await.unwrap();
    assert_eq!(hook.keys(), vec![key; 5]);
    assert!(
        before.elapsed() >= Duration::from_secs(90),
        "Retry-After is honoured"
    );
    let seen = hook.seen.lock().unwrap().pop().unwrap();
    assert_eq!(seen.content_type, "application/json");
    assert_eq!(seen.body["text"], "late-turning-s07 raised");
    assert_eq!(
        seen.body["alert"],
        serde_json::from_slice::<Value>(&body).unwrap()
    );
}

#[tokio::test(start_paused = true)]
async fn an_alert_that_was_delivered_is_not_sent_again_by_the_next_run() {
    let dir = tempfile::tempdir().unwrap();
    let hook = Hook::answering(&[]);
    let (key, body) = alert("cold-room-warm", "raised");
    hook.courier(dir.path()).deliver(&key, &body).await.unwrap();
    hook.courier(dir.path()).deliver(&key, &body).await.unwrap();
    assert_eq!(hook.keys(), vec![key]);
}

#[tokio::test(start_paused = true)]
async fn what_the_webhook_refuses_is_kept_in_a_file_and_does_not_hold_up_the_next() {
    let dir = tempfile::tempdir().unwrap();
    let hook = Hook::answering(&["404 Not Found", "307 Temporary Redirect\r\nLocation: /x"]);
    let mut courier = hook.courier(dir.path());
    for (name, step) in [("a", "raised"), ("b", "raised"), ("a", "cleared")] {
        let (key, body) = alert(name, step);
        courier.deliver(&key, &body).await.unwrap();
    }
    courier.deliver("c-raised-1", b"not json").await.unwrap();
    assert_eq!(hook.keys(), ["a-raised-1", "b-raised-1", "a-cleared-1"]);
    // The same job again changes nothing.
    let (key, body) = alert("a", "raised");
    courier.deliver(&key, &body).await.unwrap();

    let kept = fs::read_to_string(dir.path().join("undelivered-alerts.ndjson")).unwrap();
    let kept: Vec<Value> = kept
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let told: Vec<_> = kept
        .iter()
        .map(|line| (&line["key"], &line["why"]))
        .collect();
    assert_eq!(
        told[0],
        (&json!("a-raised-1"), &json!("answered 404 Not Found"))
    );
    assert_eq!(told[1].0, "b-raised-1");
    assert_eq!(told[2].0, "c-raised-1");
    assert_eq!(kept.len(), 3);
    assert_eq!(kept[0]["alert"]["text"], "a raised");
    assert_eq!(kept[2]["alert"], "not json");
}

#[tokio::test(start_paused = true)]
async fn an_alert_that_fells_the_webhook_every_time_is_kept_in_the_file_in_the_end() {
    let dir = tempfile::tempdir().unwrap();
    let hook = Hook::answering(&["500 Internal Server Error"; 15]);
    let mut courier = hook.courier(dir.path());
    let (key, body) = alert("a", "raised");
    courier.deliver(&key, &body).await.unwrap();
    let (next, body) = alert("b", "raised");
    courier.deliver(&next, &body).await.unwrap();
    assert_eq!(hook.keys().len(), 16);
    assert_eq!(hook.keys()[15], next);
    assert!(dir.path().join("undelivered-alerts.ndjson").exists());
}

#[tokio::test(start_paused = true)]
async fn a_webhook_that_is_not_there_is_waited_for() {
    let dir = tempfile::tempdir().unwrap();
    let unused = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let webhook = Webhook::new(&format!("http://{unused}/")).unwrap();
    let mut courier = Courier::new(webhook, dir.path(), Clock::system()).unwrap();
    let (key, body) = alert("a", "raised");
    let three_days = Duration::from_secs(3 * 24 * 3600);
    let waiting = tokio::time::timeout(three_days, courier.deliver(&key, &body)).await;
    assert!(waiting.is_err(), "it still waits after three days");
    assert!(!dir.path().join("undelivered-alerts.ndjson").exists());
}
