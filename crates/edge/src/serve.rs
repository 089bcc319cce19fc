//! The door of a station: scanner lines over TCP or standard input, answers back.
//!
//! One scan a line in, one answer a line out. Many clients may stand at one station; each has a
//! session of its own, and all of them hear what the scale says.

use std::io::{self, BufRead as _, Write as _};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use anyhow::Context as _;
use bus::Shutdown;
use site::Scan;
use socket2::{SockRef, TcpKeepalive};
use station::Answer;
use tokio::io::AsyncWriteExt as _;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::broadcast::{Receiver, error::RecvError};
use tokio::sync::mpsc;
use tokio::task::JoinSet;

use crate::desk::Desk;
use crate::lines::Lines;
use crate::seats::{Seat, Seats};

/// Scanners at one station's port at a time; they stay connected for hours without a word.
const SCANNERS: usize = 256;

/// Of one address: a gateway for wireless scanners may speak for many of them.
const OF_ONE_ADDRESS: usize = 64;

/// An open door: its port is taken, and nobody was let in yet.
#[derive(Debug)]
pub enum Door {
    /// A port.
    Tcp(TcpListener),
    /// This process's standard input.
    Stdin,
}

impl Door {
    /// Opens a station's door.
    ///
    /// # Errors
    /// When the port is taken or not this machine's; the text says what to do.
    pub async fn open(desk: &Desk, scan: Scan) -> anyhow::Result<Self> {
        let Scan::Tcp(address) = scan else {
            return Ok(Self::Stdin);
        };
        let listener = TcpListener::bind(address).await.with_context(|| {
            let station = desk.station();
            format!(
                "station {station} cannot listen on {address}: stop the program that uses it, \
                 or give the station another address in the site file"
            )
        })?;
        tracing::info!(station = %desk.station(), %address, "listening for scans");
        Ok(Self::Tcp(listener))
    }

    /// Lets people in until shutdown.
    pub async fn serve(self, desk: Desk, shutdown: Shutdown) {
        match self {
            Self::Tcp(listener) => serve_tcp(&listener, &desk, &shutdown).await,
            Self::Stdin => serve_stdin(&desk, &shutdown).await,
        }
    }
}

async fn serve_tcp(listener: &TcpListener, desk: &Desk, shutdown: &Shutdown) {
    let mut clients = JoinSet::new();
    let seats = Seats::new(SCANNERS, OF_ONE_ADDRESS);
    let mut backoff = bus::retry::Backoff::default();
    loop {
        tokio::select! {
            () = shutdown.requested() => break,
            Some(_) = clients.join_next(), if !clients.is_empty() => {}
            accepted = listener.accept() => match accepted {
                Ok((stream, from)) => {
                    backoff.reset();
                    let Some(seat) = seats.take(from.ip()) else {
                        tracing::warn!(station = %desk.station(), %from, "too many scanners are connected from there: this one is not let in");
                        continue;
                    };
                    clients.spawn(client(stream, from, desk.clone(), seat));
                }
                Err(error) => {
                    tracing::warn!(station = %desk.station(), %error, "a scanner could not be let in");
                    backoff.wait().await;
                }
            },
        }
    }
    clients.shutdown().await;
}

async fn client(stream: TcpStream, from: SocketAddr, desk: Desk, _seat: Seat<IpAddr>) {
    tracing::debug!(station = %desk.station(), %from, "a scanner is there");
    if let Err(error) = converse(stream, from, &desk).await {
        tracing::debug!(station = %desk.station(), %from, %error, "a scanner is gone");
    }
}

async fn converse(stream: TcpStream, from: SocketAddr, desk: &Desk) -> io::Result<()> {
    stream.set_nodelay(true)?;
    notice_silence(&stream)?;
    let client = desk.client(Some(from.ip()));
    let (read, mut write) = stream.into_split();
    let mut lines = Lines::new(read);
    let mut said = desk.listen();
    loop {
        let answer = tokio::select! {
            line = lines.next() => match line? {
                Some(line) => client.scan(line).await,
                None => break,
            },
            Some(answer) = hear(&mut said) => answer,
        };
        write.write_all(format!("{answer}\n").as_bytes()).await?;
    }
    if let Some(line) = lines.cut_off() {
        desk.reject(
            desk.now(),
            &line,
            "the connection ended in the middle of the line",
        );
    }
    Ok(())
}

/// A scanner that goes without a word, its battery empty or out of reach, is noticed within
/// about a minute: the system asks by itself whether it is still there.
fn notice_silence(stream: &TcpStream) -> io::Result<()> {
    let asks = TcpKeepalive::new()
        .with_time(Duration::from_secs(30))
        .with_interval(Duration::from_secs(10))
        .with_retries(3);
    SockRef::from(stream).set_tcp_keepalive(&asks)
}

/// The next thing told to everyone; `None` when the desk is closed.
async fn hear(said: &mut Receiver<Answer>) -> Option<Answer> {
    loop {
        match said.recv().await {
            Ok(answer) => return Some(answer),
            // This client is slow; what is newest matters.
            Err(RecvError::Lagged(_)) => {}
            Err(RecvError::Closed) => return None,
        }
    }
}

async fn serve_stdin(desk: &Desk, shutdown: &Shutdown) {
    let (send, mut lines) = mpsc::channel(16);
    // A thread of its own: a blocked read must not keep the process from ending.
    std::thread::spawn(move || {
        let mut stdin = io::stdin().lock();
        let mut line = Vec::new();
        while matches!(stdin.read_until(b'\n', &mut line), Ok(1..)) {
            let text = String::from_utf8_lossy(&line).into_owned();
            line.clear();
            if !text.trim().is_empty() && send.blocking_send(text).is_err() {
                return;
            }
        }
    });
    let mut said = desk.listen();
    let client = desk.client(None);
    loop {
        let answer = tokio::select! {
            () = shutdown.requested() => return,
            line = lines.recv() => match line {
                Some(line) => client.scan(line).await,
                None => {
                    tracing::info!(station = %desk.station(), "standard input has ended");
                    return;
                }
            },
            Some(answer) = hear(&mut said) => answer,
        };
        let mut out = io::stdout().lock();
        if writeln!(out, "{answer}")
            .and_then(|()| out.flush())
            .is_err()
        {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_system_asks_a_silent_scanner_whether_it_is_there() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let _scanner = TcpStream::connect(listener.local_addr().unwrap())
            .await
            .unwrap();
        let (stream, _) = listener.accept().await.unwrap();
        notice_silence(&stream).unwrap();
        let socket = SockRef::from(&stream);
        assert!(socket.keepalive().unwrap());
        assert_eq!(
            socket.tcp_keepalive_time().unwrap(),
            Duration::from_secs(30)
        );
        assert_eq!(socket.tcp_keepalive_retries().unwrap(), 3);
    }
}
