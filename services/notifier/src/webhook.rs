//! One POST to the webhook, and what its answer means.

use std::time::Duration;

use anyhow::Context as _;
use chrono::DateTime;
use ureq::Agent;
use ureq::http::{HeaderMap, Response, Uri};

/// Longest wait for an answer.
const PATIENCE: Duration = Duration::from_secs(20);

/// Longest wait that a webhook may ask for.
const LONGEST_REST: Duration = Duration::from_secs(3600);

/// Where alerts go.
#[derive(Debug, Clone)]
pub struct Webhook {
    agent: Agent,
    /// Often carries a secret, so it is never logged.
    url: String,
    host: String,
}

/// What became of one try.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// Delivered.
    Taken,
    /// Not now, whatever the alert: the webhook is away, overloaded or wants a rest.
    Away {
        /// What happened.
        why: String,
        /// How long it asked us to wait.
        rest: Option<Duration>,
    },
    /// The webhook failed over this alert. It may be down; the alert may be what fells it.
    Failed {
        /// What happened.
        why: String,
    },
    /// Never, as it stands.
    Refused {
        /// What happened.
        why: String,
    },
}

impl Webhook {
    /// A webhook at an address.
    ///
    /// # Errors
    /// When the text is no `http://` or `https://` address. The error does not repeat it.
    pub fn new(url: &str) -> anyhow::Result<Self> {
        let no_address = "the webhook's address must look like https://host/path";
        let uri: Uri = url.parse().context(no_address)?;
        let host = uri.host().context(no_address)?.to_owned();
        let agent = Agent::config_builder()
            .timeout_global(Some(PATIENCE))
            .http_status_as_error(false)
            // A redirected POST would arrive as a GET that says 200 and tells nobody.
            .max_redirects(0)
            .build()
            .into();
        Ok(Self {
            agent,
            url: url.to_owned(),
            host,
        })
    }

    /// The host alone, for messages.
    #[must_use]
    pub fn host(&self) -> &str {
        &self.host
    }

    /// Posts a JSON body under a key that the receiver may use to drop repeats.
    pub async fn post(&self, key: &str, body: Vec<u8>) -> Answer {
        let request = self
            .agent
            .post(&self.url)
            .header("Content-Type", "application/json")
            .header("Idempotency-Key", key);
        match tokio::task::spawn_blocking(move || request.send(&body)).await {
            Ok(Ok(response)) => read(&response),
            Ok(Err(error @ (ureq::Error::BadUri(_) | ureq::Error::Http(_)))) => Answer::Refused {
                why: error.to_string(),
            },
            Ok(Err(error)) => away(&error),
            Err(error) => away(&error),
        }
    }
}

fn away(error: &dyn std::fmt::Display) -> Answer {
    Answer::Away {
        why: error.to_string(),
        rest: None,
    }
}

fn read<B>(response: &Response<B>) -> Answer {
    let status = response.status();
    let why = format!("answered {status}");
    match status.as_u16() {
        200..=299 => Answer::Taken,
        408 | 425 | 429 | 502..=504 => Answer::Away {
            why,
            rest: rest(response.headers()),
        },
        500.. => Answer::Failed { why },
        _ => Answer::Refused { why },
    }
}

/// `Retry-After` (RFC 9110, section 10.2.3): seconds, or a date, which we take relative
/// to the answer's own date and so need no clock that agrees with the webhook's.
fn rest(headers: &HeaderMap) -> Option<Duration> {
    let text = |name: &str| headers.get(name)?.to_str().ok();
    let asked = text("retry-after")?.trim();
    let rest = match asked.parse() {
        Ok(seconds) => Duration::from_secs(seconds),
        Err(_) => {
            let until = DateTime::parse_from_rfc2822(asked).ok()?;
            let now = DateTime::parse_from_rfc2822(text("date")?).ok()?;
            (until - now).to_std().ok()?
        }
    };
    Some(rest.min(LONGEST_REST))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer(status: u16, headers: &[(&str, &str)]) -> Answer {
        let response = headers.iter().fold(
            Response::builder().status(status),
            |response, (name, value)| response.header(*name, *value),
        );
        read(&response.body(()).unwrap())
    }

    #[test]
    fn an_answer_says_whether_to_try_again() {
        assert_eq!(answer(200, &[]), Answer::Taken);
        assert_eq!(answer(204, &[]), Answer::Taken);
        for again in [408, 425, 429, 502, 503, 504] {
            assert!(matches!(answer(again, &[]), Answer::Away { .. }), "{again}");
        }
        for failed in [500, 501, 507, 599] {
            assert!(
                matches!(answer(failed, &[]), Answer::Failed { .. }),
                "{failed}"
            );
        }
        for never in [301, 302, 307, 400, 401, 403, 404, 410, 413, 422] {
            assert!(
                matches!(answer(never, &[]), Answer::Refused { .. }),
                "{never}"
            );
        }
    }

    #[test]
    fn a_webhook_may_ask_for_a_rest_in_seconds_or_until_a_date() {
        let asked = |headers: &[(&str, &str)]| match answer(429, headers) {
            Answer::Away { rest, .. } => rest.map(|rest| rest.as_secs()),
            _ => None,
        };
        let date = ("date", "Sun, 06 Nov 1994 08:49:37 GMT");
        assert_eq!(asked(&[("retry-after", "120")]), Some(120));
        assert_eq!(
            asked(&[date, ("retry-after", "Sun, 06 Nov 1994 08:50:07 GMT")]),
            Some(30)
        );
        assert_eq!(asked(&[("retry-after", "9999999")]), Some(3600));
        assert_eq!(asked(&[("retry-after", "soon")]), None);
        assert_eq!(asked(&[("retry-after", "-5")]), None);
        assert_eq!(
            asked(&[date, ("retry-after", "Sun, 06 Nov 1994 08:00:00 GMT")]),
            None
        );
    }

    #[test]
    fn an_address_that_is_none_is_refused_without_repeating_its_secret() {
        for url in ["", "/only/a/path?secret", "not an address: secret"] {
            let error = format!("{:#}", Webhook::new(url).unwrap_err());
            assert!(error.contains("https://host/path"), "{error}");
            assert!(!error.contains("secret"), "{error}");
        }
    }
}
