//! A chat that takes alerts over HTTP, or refuses them for a while.

use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::Value;
use tokio::io::{AsyncBufReadExt as _, AsyncReadExt as _, AsyncWriteExt as _, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// One message that was posted.
#[derive(Debug, Clone, PartialEq)]
pub struct Post {
    /// Its `Idempotency-Key`.
    pub key: String,
    /// Its body.
    pub body: Value,
    /// Whether the chat took it.
    pub taken: bool,
}

/// A chat. Dropping it closes it.
pub struct Chat {
    address: SocketAddr,
    posts: Arc<Mutex<Vec<Post>>>,
    serving: JoinHandle<()>,
}

impl Chat {
    /// Opens a chat at an address, which answers 503 to the first posts.
    ///
    /// # Panics
    /// When the address is taken.
    pub async fn open(address: SocketAddr, refuse: usize) -> Self {
        let listener = TcpListener::bind(address).await.expect("a free port");
        let posts = Arc::<Mutex<Vec<Post>>>::default();
        let log = posts.clone();
        let serving = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let log = log.clone();
                tokio::spawn(async move { serve(stream, &log, refuse).await });
            }
        });
        Self {
            address,
            posts,
            serving,
        }
    }

    /// Where to post.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://{}/alerts", self.address)
    }

    /// What was posted so far, refused or taken.
    #[must_use]
    pub fn posts(&self) -> Vec<Post> {
        self.posts
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

impl Drop for Chat {
    fn drop(&mut self) {
        self.serving.abort();
    }
}

/// Serves one connection; one that breaks off is the sender's to make again.
async fn serve(stream: TcpStream, posts: &Mutex<Vec<Post>>, refuse: usize) -> Option<()> {
    let (read, mut write) = stream.into_split();
    let mut read = BufReader::new(read);
    loop {
        let (mut length, mut key) = (0, String::new());
        loop {
            let mut line = String::new();
            if read.read_line(&mut line).await.ok()? == 0 {
                return None;
            }
            let line = line.trim_end();
            if line.is_empty() {
                break;
            }
            if let Some((name, value)) = line.split_once(':') {
                match name.to_ascii_lowercase().as_str() {
                    "content-length" => length = value.trim().parse().ok()?,
                    "idempotency-key" => value.trim().clone_into(&mut key),
                    _ => {}
                }
            }
        }
        let mut body = vec![0; length];
        read.read_exact(&mut body).await.ok()?;
        let taken = {
            let mut posts = posts.lock().unwrap_or_else(PoisonError::into_inner);
            let taken = posts.len() >= refuse;
            posts.push(Post {
                key,
                body: serde_json::from_slice(&body).unwrap_or(Value::Null),
                taken,
            });
            taken
        };
        let status = if taken { "200 OK" } else { "503 Busy" };
        let answer = format!("HTTP/1.1 {status}\r\ncontent-length: 0\r\n\r\n");
        write.write_all(answer.as_bytes()).await.ok()?;
    }
}
