//! One alert at a time, from job to webhook.

use std::path::Path;
use std::time::Duration;

use anyhow::Context as _;
use bus::Clock;
use bus::retry::Backoff;
use serde_json::{Value, json};

use crate::webhook::{Answer, Webhook};
use crate::{DeadLetters, NAME, Sent};

/// Tries before an alert that the webhook fails over counts as refused: about ten
/// minutes. A webhook that does not answer, or says that it is overloaded, is waited for
/// as long as it takes.
const FAILURES: u32 = 15;

/// Delivers alerts, each once.
#[derive(Debug)]
pub struct Courier {
    webhook: Webhook,
    sent: Sent,
    dead_letters: DeadLetters,
    clock: Clock,
    /// A person has been told that the webhook is away.
    told: bool,
}

impl Courier {
    /// A courier that keeps its memory, and what it could not deliver, in this folder.
    ///
    /// # Errors
    /// When the folder cannot be used.
    pub fn new(webhook: Webhook, data: &Path, clock: Clock) -> anyhow::Result<Self> {
        Ok(Self {
            webhook,
            sent: Sent::open(&data.join(NAME), clock.now())?,
            dead_letters: DeadLetters::new(data),
            clock,
            told: false,
        })
    }

    /// Delivers an alert unless it was delivered before. Waits for the webhook as long as
    /// it takes; what it refuses is kept in a file.
    ///
    /// # Errors
    /// When our own disk cannot be written. Trouble with the webhook is no error.
    pub async fn deliver(&mut self, key: &str, body: &[u8]) -> anyhow::Result<()> {
        if self.sent.has(key)? {
            return Ok(());
        }
        let alert = match serde_json::from_slice::<Value>(body) {
            Ok(alert) => alert,
            Err(error) => {
                let raw = Value::String(String::from_utf8_lossy(body).into_owned());
                return self.give_up(key, &format!("it is not JSON: {error}"), &raw);
            }
        };
        self.sent.check_room()?;
        let message = json!({ "text": plain(&text(&alert)), "alert": alert }).to_string();
        let mut backoff = Backoff::new(Duration::from_millis(500), Duration::from_secs(60));
        let mut failures = 0;
        loop {
            let (why, rest) = match self.webhook.post(key, message.clone().into_bytes()).await {
                Answer::Taken => {
                    self.sent.add(key, self.clock.now())?;
                    self.all_is_well();
                    tracing::info!(alert = key, "alert delivered");
                    return Ok(());
                }
                Answer::Refused { why } => return self.give_up(key, &why, &alert),
                Answer::Away { why, rest } => (why, rest),
                Answer::Failed { why } => {
                    failures += 1;
                    if failures == FAILURES {
                        return self.give_up(key, &why, &alert);
                    }
                    (why, None)
                }
            };
            self.tell(&why);
            let wait = backoff.delay().max(rest.unwrap_or_default());
            tokio::time::sleep(wait).await;
        }
    }

    /// Remembered as sent as well, so that the same job again is not kept twice.
    fn give_up(&self, key: &str, why: &str, alert: &Value) -> anyhow::Result<()> {
        let path = self.dead_letters.path();
        self.dead_letters
            .keep(self.clock.now(), key, why, alert)
            .with_context(|| format!("writing {}", path.display()))?;
        self.sent.add(key, self.clock.now())?;
        tracing::warn!(
            "the webhook at {} did not take the alert {key} ({why}). Tell the people it \
             concerns: \"{}\". It is kept in {}; check the webhook's address in the site file",
            self.webhook.host(),
            text(alert),
            path.display(),
        );
        Ok(())
    }

    /// One warning while the webhook is away, however often it is tried.
    fn tell(&mut self, why: &str) {
        if self.told {
            tracing::debug!(why, "alerts wait");
            return;
        }
        self.told = true;
        tracing::warn!(
            "the webhook at {} cannot be used now ({why}): alerts wait and are delivered in \
             order. Until it is back, look at the alerts on the screen",
            self.webhook.host()
        );
    }

    fn all_is_well(&mut self) {
        if std::mem::take(&mut self.told) {
            tracing::info!("the webhook at {} works again", self.webhook.host());
        }
    }
}

/// What the alert says to a person.
fn text(alert: &Value) -> String {
    match alert.get("text").and_then(Value::as_str) {
        Some(text) => text.to_owned(),
        None => alert.to_string(),
    }
}

/// The same without what a chat takes for more than words: what somebody typed as a reason or
/// a note must not call everyone in the room, or show a link under another name.
pub(crate) fn plain(text: &str) -> String {
    let mut plain = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\n' => plain.push('\n'),
            '<' => plain.push('‹'),
            '>' => plain.push('›'),
            // A space without width: it reads the same and names nobody.
            '@' => plain.push_str("@\u{200b}"),
            '(' if plain.ends_with(']') => plain.push_str(" ("),
            letter if letter.is_control() => plain.push(' '),
            letter => plain.push(letter),
        }
    }
    plain
}

/// What an alert's body says to a person, whatever it is.
pub(crate) fn text_of(body: &[u8]) -> String {
    serde_json::from_slice(body).map_or_else(
        |_| String::from_utf8_lossy(body).into_owned(),
        |alert| text(&alert),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_typed_calls_nobody_and_hides_no_link() {
        for (typed, told) in [
            ("held: @everyone look", "held: @\u{200b}everyone look"),
            ("<!channel> <@U1> now", "‹!channel› ‹@\u{200b}U1› now"),
            ("see [the lab](http://x)", "see [the lab] (http://x)"),
            ("a\u{7}b\nc", "a b\nc"),
            ("2 to 6 °C, 24 wheels (S3)", "2 to 6 °C, 24 wheels (S3)"),
        ] {
            assert_eq!(plain(typed), told);
        }
    }
}
