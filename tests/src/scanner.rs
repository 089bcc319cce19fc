//! A scanner at a station.

use std::net::SocketAddr;

use tokio::io::{AsyncBufReadExt as _, AsyncWriteExt as _, BufReader, Lines};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};

use crate::within;

/// A scanner that types into a TCP connection.
pub struct Scanner {
    answers: Lines<BufReader<OwnedReadHalf>>,
    scans: OwnedWriteHalf,
}

impl Scanner {
    /// One at this address, if anyone listens there.
    pub async fn at(address: SocketAddr) -> Option<Self> {
        let stream = TcpStream::connect(address).await.ok()?;
        let (read, scans) = stream.into_split();
        Some(Self {
            answers: BufReader::new(read).lines(),
            scans,
        })
    }

    /// Scans a code; gives the answer.
    ///
    /// # Panics
    /// When none comes.
    pub async fn scan(&mut self, code: &str) -> String {
        let conversation = async {
            self.scans
                .write_all(format!("{code}\r\n").as_bytes())
                .await?;
            self.answers.next_line().await
        };
        within(&format!("the answer to {code}"), conversation)
            .await
            .expect("a connection")
            .expect("an answer")
    }
}
