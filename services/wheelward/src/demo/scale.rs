//! The demo's portion scale: a TCP device that sends its display over and over.

use anyhow::Context as _;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// How often the scale sends its display.
const EVERY: Duration = Duration::from_millis(2);

/// A scale that someone reads over TCP.
pub struct Scale {
    address: SocketAddr,
    load_g: watch::Sender<u32>,
    /// What the display showed last, once it had settled.
    shown_g: watch::Receiver<Option<u32>>,
    readers: watch::Receiver<usize>,
}

impl Scale {
    /// Starts listening.
    pub async fn start() -> anyhow::Result<Self> {
        let listener = TcpListener::bind(("127.0.0.1", 0))
            .await
            .context("no free port for the scale")?;
        let address = listener.local_addr()?;
        let (load_g, load) = watch::channel(0);
        let (shown_in, shown_g) = watch::channel(None);
        let (readers_in, readers) = watch::channel(0);
        tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                readers_in.send_modify(|n| *n += 1);
                tokio::spawn(send_display(stream, load.clone(), shown_in.clone()));
            }
        });
        Ok(Self {
            address,
            load_g,
            shown_g,
            readers,
        })
    }

    /// Where it listens.
    pub fn address(&self) -> String {
        self.address.to_string()
    }

    /// Whether anyone reads it.
    pub fn is_read(&self) -> bool {
        *self.readers.borrow() > 0
    }

    /// Puts a load on.
    pub fn put(&self, grams: u32) {
        self.load_g.send_replace(grams);
    }

    /// Takes the load off, and waits until the empty scale has settled.
    pub async fn take_off(&mut self) {
        self.load_g.send_replace(0);
        // The display lives as long as the demo.
        let _ = self.shown_g.wait_for(|shown| *shown == Some(0)).await;
    }
}

/// The display swings once before it settles, as scales do.
async fn send_display(
    mut stream: TcpStream,
    mut load: watch::Receiver<u32>,
    shown_g: watch::Sender<Option<u32>>,
) {
    let mut swinging = true;
    loop {
        let grams = *load.borrow_and_update();
        let (mark, shown) = if swinging {
            ("US", grams / 2)
        } else {
            ("ST", grams)
        };
        let line = format!("{mark},NT,+{:>3}.{:03}kg\r\n", shown / 1000, shown % 1000);
        if stream.write_all(line.as_bytes()).await.is_err() {
            return;
        }
        shown_g.send_replace((!swinging).then_some(shown));
        tokio::select! {
            changed = load.changed() => {
                if changed.is_err() {
                    return;
                }
                swinging = true;
            }
            () = tokio::time::sleep(EVERY) => swinging = false,
        }
    }
}
