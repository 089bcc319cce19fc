//! A scale's cable: serial or TCP, opened, asked and read.

use std::io;
use std::time::Duration;

use metrology::Parity;
use site::{Bits, Poll, ScaleConnect};
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::{Instant, Interval, MissedTickBehavior};
use tokio_serial::{DataBits, SerialPortBuilderExt as _, StopBits};

/// A scale sends several lines a second, by itself or asked; one that is silent for so long
/// is gone, even if the network has not noticed.
pub(crate) const SILENT: Duration = Duration::from_secs(15);

trait Duplex: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Duplex for T {}

/// An open cable.
pub(crate) struct Cable {
    stream: Box<dyn Duplex>,
    poll: Option<(Vec<u8>, Interval)>,
    buffer: Box<[u8]>,
}

impl Cable {
    /// Opens a cable.
    ///
    /// # Errors
    /// When nobody is there, or the device does not take the settings.
    pub(crate) async fn open(to: &ScaleConnect, poll: Option<&Poll>) -> io::Result<Self> {
        let stream: Box<dyn Duplex> = match to {
            ScaleConnect::Tcp(address) => {
                let connecting = TcpStream::connect(address);
                let stream = tokio::time::timeout(SILENT, connecting).await??;
                stream.set_nodelay(true)?;
                Box::new(stream)
            }
            ScaleConnect::Serial { path, baud, bits } => {
                let port = tokio_serial::new(path.to_string_lossy(), *baud)
                    .data_bits(data_bits(*bits))
                    .parity(parity(*bits))
                    .stop_bits(stop_bits(*bits));
                Box::new(port.open_native_async()?)
            }
        };
        let poll = poll.map(|poll| {
            let mut ticks = tokio::time::interval(poll.every);
            ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
            (poll.command.clone().into_bytes(), ticks)
        });
        Ok(Self {
            stream,
            poll,
            buffer: vec![0; 4096].into(),
        })
    }

    /// The next bytes, asked for as often as the scale wants to be asked. Empty when the
    /// other end has closed.
    ///
    /// # Errors
    /// When the cable cannot be read or written, or nothing came until `until`.
    pub(crate) async fn read(&mut self, until: Instant) -> io::Result<&[u8]> {
        let Self {
            stream,
            poll,
            buffer,
        } = self;
        let asked = async {
            let Some((command, ticks)) = poll else {
                return stream.read(buffer).await;
            };
            loop {
                tokio::select! {
                    read = stream.read(buffer) => return read,
                    _ = ticks.tick() => stream.write_all(command).await?,
                }
            }
        };
        let read = tokio::time::timeout_at(until, asked).await??;
        Ok(buffer.get(..read).unwrap_or_default())
    }
}

const fn data_bits(bits: Bits) -> DataBits {
    if bits.seven {
        DataBits::Seven
    } else {
        DataBits::Eight
    }
}

const fn parity(bits: Bits) -> tokio_serial::Parity {
    match bits.parity {
        None => tokio_serial::Parity::None,
        Some(Parity::Even) => tokio_serial::Parity::Even,
        Some(Parity::Odd) => tokio_serial::Parity::Odd,
    }
}

const fn stop_bits(bits: Bits) -> StopBits {
    if bits.two_stops {
        StopBits::Two
    } else {
        StopBits::One
    }
}
