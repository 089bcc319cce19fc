//! The demo's chat: takes alerts over HTTP and keeps what they say.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};

use anyhow::Context as _;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// How many messages are kept to show.
const KEPT: usize = 6;

/// What the chat has heard.
#[derive(Debug, Default, Clone)]
pub struct Heard {
    /// The latest messages, newest first.
    pub latest: VecDeque<String>,
    /// How many messages of each step: raised, escalated, cleared.
    pub steps: BTreeMap<String, usize>,
    /// Messages sent more than once under the same Idempotency-Key.
    pub repeated: usize,
    keys: BTreeSet<String>,
}

/// A webhook to send alerts to.
#[derive(Clone)]
pub struct Sink {
    address: SocketAddr,
    heard: Arc<Mutex<Heard>>,
}

impl Sink {
    /// Starts listening.
    pub async fn start() -> anyhow::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))
            .await
            .context("no free port for the webhook")?;
        let sink = Self {
            address: listener.local_addr()?,
            heard: Arc::default(),
        };
        let heard = sink.heard.clone();
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let heard = heard.clone();
                tokio::spawn(async move {
                    // A sender that breaks off sends again.
                    let _ = serve(stream, &heard).await;
                });
            }
        });
        Ok(sink)
    }

    /// Its address.
    pub fn url(&self) -> String {
        format!("http://{}/alerts", self.address)
    }

    /// What it has heard so far.
    pub fn heard(&self) -> Heard {
        self.heard
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

async fn serve(stream: TcpStream, heard: &Mutex<Heard>) -> anyhow::Result<()> {
    let (read, mut write) = stream.into_split();
    let mut read = BufReader::new(read);
    loop {
        let (mut length, mut key) = (0, String::new());
        let mut line = String::new();
        if read.read_line(&mut line).await? == 0 {
            return Ok(());
        }
        loop {
            line.clear();
            read.read_line(&mut line).await?;
            let Some((name, value)) = line.trim_end().split_once(':') else {
                break;
            };
            match name.to_ascii_lowercase().as_str() {
                "content-length" => length = value.trim().parse()?,
                "idempotency-key" => value.trim().clone_into(&mut key),
                _ => {}
            }
        }
        anyhow::ensure!(length <= 1 << 20, "too long for an alert");
        let mut body = vec![0; length];
        read.read_exact(&mut body).await?;
        take(heard, key, &serde_json::from_slice(&body)?);
        write
            .write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n")
            .await?;
    }
}

fn take(heard: &Mutex<Heard>, key: String, message: &serde_json::Value) {
    let mut heard = heard.lock().unwrap_or_else(PoisonError::into_inner);
    if !heard.keys.insert(key) {
        heard.repeated += 1;
        return;
    }
    let text = message["text"].as_str().unwrap_or_default().to_owned();
    let step = message["alert"]["step"]
        .as_str()
        .unwrap_or("other")
        .to_owned();
    *heard.steps.entry(step).or_default() += 1;
    heard.latest.push_front(text);
    heard.latest.truncate(KEPT);
}
