//! What a monitoring system asks for: how each worker is, in the text format of Prometheus
//! (version 0.0.4). It has an address of its own, for it asks nobody who is there.

use std::fmt::Write as _;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use bus::health::{self, Health, Look};
use bus::{Bus, Clock};
use site::Site;

/// The media type of the format.
const FORMAT: &str = "text/plain; version=0.0.4; charset=utf-8";

/// A figure of each worker: its name, what it is, and how it is found.
type Figure = (&'static str, &'static str, fn(&Health) -> f64);

const FIGURES: [Figure; 9] = [
    (
        "start_time_seconds",
        "When the worker was started, Unix time.",
        |h| h.started_at.timestamp() as f64,
    ),
    ("memory_bytes", "Memory in use.", |h| h.memory_bytes as f64),
    ("open_files", "Files and connections that are open.", |h| {
        h.open_files as f64
    }),
    (
        "disk_free_bytes",
        "Room left on the disk of the data folder.",
        |h| h.disk_free_bytes as f64,
    ),
    ("disk_bytes", "Size of the disk of the data folder.", |h| {
        h.disk_bytes as f64
    }),
    (
        "log_read_to",
        "The last message of the log that the worker has read; 0 where it reads none.",
        |h| h.read_to as f64,
    ),
    (
        "outbox_waiting",
        "Facts that the broker has not taken.",
        |h| h.waiting as f64,
    ),
    (
        "outbox_fails_seconds",
        "For how long none could be sent.",
        |h| h.fails_for_s as f64,
    ),
    ("outbox_refused", "Facts that the broker refused.", |h| {
        h.refused as f64
    }),
];

/// Whom to ask.
#[derive(Clone)]
pub(crate) struct Asks {
    pub(crate) bus: Bus,
    pub(crate) site: Site,
}

pub(crate) fn router(asks: Asks) -> Router {
    Router::new()
        .route("/metrics", get(metrics))
        .route("/health", get(health))
        .with_state(asks)
}

impl Asks {
    async fn look(&self) -> Option<Look> {
        if !self.bus.is_connected() {
            return None;
        }
        let log_end = self.bus.floor_end().await.ok()?;
        let asked = self.site.workers().map(|worker| async move {
            let health = health::ask(&self.bus, &self.site.id, worker.name()).await;
            (worker.name().to_owned(), health.ok())
        });
        Some(Look {
            at: Clock::system().now(),
            log_end,
            workers: futures::future::join_all(asked).await,
        })
    }
}

async fn metrics(State(asks): State<Asks>) -> Response {
    let text = text(asks.look().await.as_ref());
    ([(header::CONTENT_TYPE, FORMAT)], text).into_response()
}

/// In words, with 503 where a person should look.
async fn health(State(asks): State<Asks>) -> Response {
    let Some(look) = asks.look().await else {
        let words = "the broker does not answer\n";
        return (StatusCode::SERVICE_UNAVAILABLE, words).into_response();
    };
    // A worker that does not answer now may only be starting: this is one look.
    let mut words = String::new();
    for trouble in health::troubles(Some(&look), &look) {
        let _ = writeln!(words, "{}", trouble.words);
    }
    if words.is_empty() {
        return "all is well\n".into_response();
    }
    (StatusCode::SERVICE_UNAVAILABLE, words).into_response()
}

fn text(look: Option<&Look>) -> String {
    let mut text = String::new();
    let head = |text: &mut String, name: &str, help: &str| {
        let _ = writeln!(
            text,
            "# HELP wheelward_{name} {help}\n# TYPE wheelward_{name} gauge"
        );
    };
    head(&mut text, "broker_up", "Whether the broker answers.");
    let _ = writeln!(text, "wheelward_broker_up {}", u8::from(look.is_some()));
    let Some(look) = look else {
        return text;
    };
    head(&mut text, "log_end", "The last message of the log.");
    let _ = writeln!(text, "wheelward_log_end {}", look.log_end);
    head(&mut text, "up", "Whether a worker answers.");
    for (worker, health) in &look.workers {
        let up = u8::from(health.is_some());
        let _ = writeln!(text, "wheelward_up{{worker=\"{worker}\"}} {up}");
    }
    for (name, help, of) in FIGURES {
        head(&mut text, name, help);
        for (worker, health) in &look.workers {
            if let Some(health) = health {
                let value = of(health);
                let _ = writeln!(text, "wheelward_{name}{{worker=\"{worker}\"}} {value}");
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_family_stands_once_with_its_type_and_a_line_for_each_worker_that_answered() {
        let at = chrono::DateTime::from_timestamp(1_770_000_000, 0).unwrap();
        let health = Health {
            version: "1".to_owned(),
            started_at: at,
            said_at: at,
            memory_bytes: 12_345_678_901,
            open_files: 7,
            disk_free_bytes: 5,
            disk_bytes: 9,
            read_to: 90,
            waiting: 3,
            fails_for_s: 4,
            refused: 0,
        };
        let look = Look {
            at,
            log_end: 91,
            workers: vec![
                ("scheduler".to_owned(), Some(health)),
                ("records".to_owned(), None),
            ],
        };
        let text = text(Some(&look));
        for line in [
            "wheelward_broker_up 1",
            "wheelward_log_end 91",
            "wheelward_up{worker=\"scheduler\"} 1",
            "wheelward_up{worker=\"records\"} 0",
            "wheelward_memory_bytes{worker=\"scheduler\"} 12345678901",
            "wheelward_start_time_seconds{worker=\"scheduler\"} 1770000000",
        ] {
            assert!(text.lines().any(|l| l == line), "{line} in\n{text}");
        }
        let types: Vec<&str> = text.lines().filter(|l| l.starts_with("# TYPE")).collect();
        let mut once = types.clone();
        once.dedup();
        assert_eq!((types.len(), once), (FIGURES.len() + 3, types));
        assert!(!super::text(None).contains("worker"));
    }
}
