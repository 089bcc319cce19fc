//! One scale: from its cable's bytes to weights at its station.

use std::time::Duration;

use bus::Shutdown;
use bus::retry::Backoff;
use edge::Desk;
use metrology::{FrameError, LineCutter, StableWeight, Verdict};
use site::{Scale, ScaleConnect};
use station::{Answer, Level};
use tokio::time::Instant;

use crate::cable::{Cable, SILENT};
use crate::link::{Link, Loss, Unreadable};

/// Reads a scale until shutdown; the cable may go and come.
pub(crate) async fn read(scale: Scale, desk: Desk, shutdown: Shutdown) {
    tokio::select! {
        () = shutdown.requested() => {}
        () = for_ever(&scale, &desk) => {}
    }
}

async fn for_ever(scale: &Scale, desk: &Desk) {
    let mut backoff = Backoff::new(Duration::from_millis(100), Duration::from_secs(5));
    let mut link = Link::new(scale.tool);
    loop {
        let why = match Cable::open(&scale.connect, scale.poll.as_ref()).await {
            Ok(cable) => {
                let mut listening = Listening::new(scale, desk, &mut link);
                listening.listen(cable, &mut backoff).await
            }
            Err(error) => error.into(),
        };
        if let Some(answer) = link.lost(&why) {
            let at = place(&scale.connect);
            tracing::warn!(scale = %scale.tool, station = %desk.station(), %at, %why, "the scale is gone: check its cable and power");
            desk.say(answer);
        }
        backoff.wait().await;
    }
}

/// What one opening of the cable has heard so far.
struct Listening<'a> {
    scale: &'a Scale,
    desk: &'a Desk,
    link: &'a mut Link,
    settings: String,
    lines: LineCutter,
    weights: StableWeight,
    /// What the last line came to, so that nothing is said with every line.
    last: Verdict,
    overloaded: bool,
}

impl<'a> Listening<'a> {
    fn new(scale: &'a Scale, desk: &'a Desk, link: &'a mut Link) -> Self {
        Self {
            scale,
            desk,
            link,
            settings: settings(&scale.connect),
            lines: scale.line.cutter(),
            weights: StableWeight::new(scale.settling),
            last: Verdict::Empty,
            overloaded: false,
        }
    }

    /// Reads lines until the cable is gone; gives the reason.
    async fn listen(&mut self, mut cable: Cable, backoff: &mut Backoff) -> Loss {
        let silent = self
            .scale
            .poll
            .as_ref()
            .map_or(SILENT, |poll| SILENT.max(poll.every * 5));
        let mut until = Instant::now() + silent;
        loop {
            let lines = match cable.read(until).await {
                Ok([]) => return Loss::Closed,
                Ok(bytes) => self.lines.take(bytes),
                Err(error) if error.kind() == std::io::ErrorKind::TimedOut => return self.silent(),
                Err(error) => return error.into(),
            };
            if !lines.is_empty() {
                until = Instant::now() + silent;
            }
            for line in lines {
                if self.line(&line).await {
                    backoff.reset();
                }
            }
        }
    }

    /// Nothing came for long, or nothing that ended a line.
    fn silent(&self) -> Loss {
        let Some(line) = self.lines.begun() else {
            return Loss::Silent;
        };
        let error = FrameError::unended(&line);
        Loss::NoLine(unreadable(self.scale, &self.settings, &line, &error).words())
    }

    /// Takes a line; false when it could not be read.
    async fn line(&mut self, line: &str) -> bool {
        let frame = match self.scale.line.read(line) {
            Ok(frame) => frame,
            Err(error @ FrameError::Overload(_)) => {
                self.weights.interrupted();
                self.say(|link| link.read());
                if !std::mem::replace(&mut self.overloaded, true) {
                    self.desk.say(Answer::new(Level::Wrong, error.to_string()));
                }
                return true;
            }
            Err(error) => {
                self.weights.interrupted();
                tracing::debug!(scale = %self.scale.tool, line, %error, "unreadable line");
                self.cannot_read(line, &error);
                return false;
            }
        };
        self.overloaded = false;
        self.say(|link| link.read());
        let verdict = self.weights.take(frame);
        match verdict {
            Verdict::Settled(settled) => self.desk.weigh(settled).await,
            Verdict::Refused(why) if !same_refusal(self.last, verdict) => {
                self.desk.say(Answer::new(Level::Wrong, why.to_string()));
            }
            Verdict::Refused(_) | Verdict::Empty | Verdict::Moving | Verdict::Weighed => {}
        }
        self.last = verdict;
        true
    }

    fn say(&mut self, change: impl FnOnce(&mut Link) -> Option<Answer>) {
        if let Some(answer) = change(self.link) {
            tracing::info!(scale = %self.scale.tool, station = %self.desk.station(), %answer, "told");
            self.desk.say(answer);
        }
    }

    fn cannot_read(&mut self, line: &str, error: &FrameError) {
        let unreadable = unreadable(self.scale, &self.settings, line, error);
        if let Some(answer) = self.link.unreadable(&unreadable) {
            tracing::warn!(scale = %self.scale.tool, station = %self.desk.station(), %answer, "compare the scale's settings with the site file");
            self.desk.say(answer);
        }
    }
}

fn unreadable<'a>(
    scale: &'a Scale,
    settings: &'a str,
    line: &'a str,
    error: &'a FrameError,
) -> Unreadable<'a> {
    Unreadable {
        line,
        format: &scale.line,
        error,
        settings,
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

pub(crate) fn place(connect: &ScaleConnect) -> String {
    match connect {
        ScaleConnect::Tcp(address) => address.to_string(),
        ScaleConnect::Serial { path, .. } => format!("{} at {}", path.display(), settings(connect)),
    }
}

/// How the cable is set, in words to compare with the scale's own settings.
pub(crate) fn settings(connect: &ScaleConnect) -> String {
    match connect {
        ScaleConnect::Tcp(_) => "the serial-to-network box".to_owned(),
        ScaleConnect::Serial { baud, bits, .. } => format!("{baud} baud {bits}"),
    }
}
