//! Lines from a device that may send anything: bounded, never lost half-way.

use std::io;

use tokio::io::{AsyncRead, AsyncReadExt as _};

/// Longest line kept, in bytes; what is beyond it is dropped until the line ends.
const LONGEST: usize = 512;

/// Reads lines that end with CR, LF or both. Empty lines are skipped; bytes that are no
/// UTF-8 become the replacement character.
#[derive(Debug)]
pub struct Lines<R> {
    from: R,
    line: Vec<u8>,
    read: Box<[u8]>,
    at: usize,
    end: usize,
}

impl<R: AsyncRead + Unpin> Lines<R> {
    /// Lines from a device.
    pub fn new(from: R) -> Self {
        Self {
            from,
            line: Vec::new(),
            read: vec![0; 4096].into(),
            at: 0,
            end: 0,
        }
    }

    /// The next line; `None` when the device has closed. Safe to drop half-way: what was
    /// read is kept for the next call.
    ///
    /// # Errors
    /// When the device cannot be read.
    pub async fn next(&mut self) -> io::Result<Option<String>> {
        loop {
            while self.at < self.end {
                let byte = self.read[self.at];
                self.at += 1;
                if byte != b'\n' && byte != b'\r' {
                    if self.line.len() < LONGEST {
                        self.line.push(byte);
                    }
                } else if !self.line.is_empty() {
                    return Ok(Some(self.take()));
                }
            }
            (self.at, self.end) = (0, 0);
            self.end = self.from.read(&mut self.read).await?;
            if self.end == 0 {
                return Ok(None);
            }
        }
    }

    /// A line that was cut off by the end, if there is one.
    pub fn cut_off(&mut self) -> Option<String> {
        (!self.line.is_empty()).then(|| self.take())
    }

    fn take(&mut self) -> String {
        let line = String::from_utf8_lossy(&self.line).into_owned();
        self.line.clear();
        line
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn lines(bytes: &[u8]) -> (Vec<String>, Option<String>) {
        let mut lines = Lines::new(bytes);
        let mut read = Vec::new();
        while let Some(line) = lines.next().await.unwrap() {
            read.push(line);
        }
        let rest = lines.cut_off();
        (read, rest)
    }

    #[tokio::test]
    async fn any_line_end_ends_a_line_and_what_is_cut_off_is_said_so() {
        let (read, rest) = lines(b"W.1\r\nW.2\n\n\rW.3\rW.4").await;
        assert_eq!(read, ["W.1", "W.2", "W.3"]);
        assert_eq!(rest.as_deref(), Some("W.4"));
    }

    #[tokio::test]
    async fn noise_and_endless_lines_stay_small() {
        let mut bytes = vec![b'x'; 1_000_000];
        bytes.extend(b"\nW.1\xff\n");
        let (read, _) = lines(&bytes).await;
        assert_eq!(read[0].len(), LONGEST);
        assert_eq!(read[1], "W.1\u{fffd}");
    }

    #[tokio::test]
    async fn a_line_in_pieces_survives_a_dropped_wait() {
        let (mut device, end) = tokio::io::duplex(64);
        let mut lines = Lines::new(end);
        use tokio::io::AsyncWriteExt as _;
        device.write_all(b"W.3").await.unwrap();
        tokio::select! {
            biased;
            _ = lines.next() => panic!("no line yet"),
            () = std::future::ready(()) => {}
        }
        device.write_all(b"11\n").await.unwrap();
        assert_eq!(lines.next().await.unwrap().as_deref(), Some("W.311"));
    }
}
