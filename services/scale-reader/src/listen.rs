//! Listening to a scale for someone who sets it up: what it sends, and how that is read.

use metrology::{Frame, FrameError, StableWeight, Verdict, shown};
use site::Scale;
use tokio::time::Instant;

use crate::cable::{Cable, SILENT};
use crate::link::{Loss, Unreadable};
use crate::scale::{place, settings};

/// Nothing more is heard from a scale.
#[derive(Debug, thiserror::Error)]
#[error("scale {scale} at {place}: {why}. Check cable, power and address{asked}")]
pub struct NotHeard {
    scale: facts::ToolId,
    place: String,
    why: String,
    asked: &'static str,
}

/// Tells of each line that a scale sends, and of what it means, until the cable goes; gives
/// how it ended. A line like the one before is not told again.
pub async fn listen(scale: &Scale, mut tell: impl FnMut(String)) -> NotHeard {
    let why = hear(scale, &mut tell).await;
    NotHeard {
        scale: scale.tool,
        place: place(&scale.connect),
        why: why.to_string(),
        asked: match (&why, &scale.poll) {
            (Loss::Silent, None) => ", and whether the scale has to be asked: `poll`",
            _ => "",
        },
    }
}

async fn hear(scale: &Scale, tell: &mut impl FnMut(String)) -> Loss {
    let mut cable = match Cable::open(&scale.connect, scale.poll.as_ref()).await {
        Ok(cable) => cable,
        Err(error) => return error.into(),
    };
    let settings = settings(&scale.connect);
    let mut lines = scale.line.cutter();
    let mut weights = StableWeight::new(scale.settling);
    let mut last = String::new();
    loop {
        let taken = match cable.read(Instant::now() + SILENT).await {
            Ok([]) => return Loss::Closed,
            Ok(bytes) => lines.take(bytes),
            Err(error) if error.kind() == std::io::ErrorKind::TimedOut => return Loss::Silent,
            Err(error) => return error.into(),
        };
        for line in taken {
            let means = match scale.line.read(&line) {
                Ok(frame) => {
                    let verdict = weights.take(frame);
                    format!("{}{}", said(frame), becomes(verdict))
                }
                Err(error @ FrameError::Overload(_)) => error.to_string(),
                Err(error) => Unreadable {
                    line: &line,
                    format: &scale.line,
                    error: &error,
                    settings: &settings,
                }
                .words(),
            };
            let told = format!("{}  {means}", shown(&line));
            if told != last {
                tell(told.clone());
                last = told;
            }
        }
    }
}

/// What the line itself says.
fn said(frame: Frame) -> String {
    let settled = match frame.stable {
        Some(true) => ", settled",
        Some(false) => ", moving",
        None => "",
    };
    let net = match frame.net {
        Some(true) => ", net",
        Some(false) => ", gross",
        None => "",
    };
    format!("{}{settled}{net}", frame.weight)
}

/// What would become of it at the station.
fn becomes(verdict: Verdict) -> String {
    match verdict {
        Verdict::Settled(settled) => format!("; weighed: {}", settled.weight),
        Verdict::Refused(why) => format!("; {why}"),
        Verdict::Empty => "; empty".to_owned(),
        Verdict::Moving | Verdict::Weighed => String::new(),
    }
}
