//! One scale: its cable, its lines, its weights.

use std::io;
use std::time::Duration;

use bus::Shutdown;
use bus::retry::Backoff;
use edge::{Desk, Lines};
use metrology::{Settling, StableWeight, Verdict, Weight};
use site::{Scale, ScaleConnect};
use station::{Answer, Level};
use tokio::io::AsyncRead;
use tokio::net::TcpStream;
use tokio_serial::SerialPortBuilderExt as _;

/// A scale sends several lines a second; one that is silent for so long is gone, even if
/// the network has not noticed.
const SILENT: Duration = Duration::from_secs(15);

/// So many unreadable lines in a row are no noise on the cable.
const NOISE: u32 = 10;

type Cable = Box<dyn AsyncRead + Send + Unpin>;

/// Reads a scale until shutdown; the cable may go and come.
pub(crate) async fn read(scale: Scale, desk: Desk, shutdown: Shutdown) {
    tokio::select! {
        () = shutdown.requested() => {}
        () = for_ever(&scale, &desk) => {}
    }
}

async fn for_ever(scale: &Scale, desk: &Desk) {
    let mut backoff = Backoff::new(Duration::from_millis(100), Duration::from_secs(5));
    let mut told_gone = false;
    loop {
        let why = match connect(&scale.connect).await {
            Ok(cable) => {
                let why = listen(scale, cable, desk, &mut backoff, &mut told_gone).await;
                why.to_string()
            }
            Err(error) => error.to_string(),
        };
        if !told_gone {
            told_gone = true;
            let at = place(&scale.connect);
            tracing::warn!(scale = %scale.tool, station = %desk.station(), %at, %why, "the scale is gone: check its cable and power");
            let words = format!("scale {} is gone: check its cable and power", scale.tool);
            desk.say(Answer::new(Level::Wrong, words));
        }
        backoff.wait().await;
    }
}

async fn connect(to: &ScaleConnect) -> io::Result<Cable> {
    match to {
        ScaleConnect::Tcp(address) => {
            let connecting = TcpStream::connect(address);
            let stream = tokio::time::timeout(SILENT, connecting).await??;
            Ok(Box::new(stream))
        }
        ScaleConnect::Serial { path, baud } => {
            let stream = tokio_serial::new(path.to_string_lossy(), *baud).open_native_async()?;
            Ok(Box::new(stream))
        }
    }
}

/// Reads lines until the cable is gone; gives the reason.
async fn listen(
    scale: &Scale,
    cable: Cable,
    desk: &Desk,
    backoff: &mut Backoff,
    told_gone: &mut bool,
) -> io::Error {
    let mut lines = Lines::new(cable);
    let mut weights = StableWeight::new(settling(scale));
    let (mut last, mut unreadable) = (Verdict::Empty, 0);
    loop {
        let line = match tokio::time::timeout(SILENT, lines.next()).await {
            Ok(Ok(Some(line))) => line,
            Ok(Ok(None)) => return io::ErrorKind::UnexpectedEof.into(),
            Ok(Err(error)) => return error,
            Err(_) => return io::Error::new(io::ErrorKind::TimedOut, "it is silent"),
        };
        let frame = match scale.line.read(&line) {
            Ok(frame) => frame,
            Err(error) => {
                unreadable += 1;
                tracing::debug!(scale = %scale.tool, line, %error, "unreadable line");
                if unreadable == NOISE {
                    tracing::warn!(scale = %scale.tool, line, %error, "the scale's lines cannot be read: compare them with `line` in the site file");
                    desk.say(Answer::new(Level::Wrong, error.to_string()));
                }
                continue;
            }
        };
        unreadable = 0;
        if std::mem::take(told_gone) {
            tracing::info!(scale = %scale.tool, station = %desk.station(), "the scale is back");
            let words = format!("scale {} is back", scale.tool);
            desk.say(Answer::new(Level::Next, words));
        }
        backoff.reset();
        let verdict = weights.take(frame);
        match verdict {
            Verdict::Settled(weight) => desk.weigh(weight).await,
            // Said once, not with every line.
            Verdict::Refused(why) if !same_refusal(last, verdict) => {
                desk.say(Answer::new(Level::Wrong, why.to_string()));
            }
            Verdict::Refused(_) | Verdict::Empty | Verdict::Moving | Verdict::Weighed => {}
        }
        last = verdict;
    }
}

/// Whether both refuse for the same kind of reason, whatever the weight shown.
fn same_refusal(last: Verdict, now: Verdict) -> bool {
    match (last, now) {
        (Verdict::Refused(a), Verdict::Refused(b)) => {
            std::mem::discriminant(&a) == std::mem::discriminant(&b)
        }
        _ => false,
    }
}

fn settling(scale: &Scale) -> Settling {
    let grams = |g: u32| Weight::grams(i32::try_from(g).unwrap_or(i32::MAX));
    Settling::new(grams(scale.interval_g), grams(scale.least_g))
}

fn place(connect: &ScaleConnect) -> String {
    match connect {
        ScaleConnect::Tcp(address) => address.to_string(),
        ScaleConnect::Serial { path, baud } => format!("{} at {baud} baud", path.display()),
    }
}
