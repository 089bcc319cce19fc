//! What is told when a request is not done: a status, a code for programs, and words.

use axum::Json;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bus::BusError;
use names::UnknownName;
use schemars::JsonSchema;
use serde::Serialize;

/// The code of a question that nobody answered in time: nothing was to be changed.
pub const UNREAD: &str = "unread";

/// The code of something that was to be done, of which nobody knows whether it was.
pub const UNANSWERED: &str = "unanswered";

/// Why a request was not done.
#[derive(Debug, Clone, thiserror::Error)]
#[error("{words}")]
pub struct Trouble {
    /// The HTTP status.
    pub status: StatusCode,
    /// For programs.
    pub code: &'static str,
    /// For the person: what is wrong and what to do.
    pub words: String,
    /// When to try again, in seconds.
    pub retry_after: Option<u64>,
    /// The code that nobody knows, where that is the trouble.
    pub unknown: Option<UnknownName>,
    /// Whether the words are in the reader's language; else they are English.
    pub in_tongue: bool,
}

/// A trouble as the API says it.
#[derive(Debug, Serialize, JsonSchema)]
pub struct TroubleBody {
    /// For programs; the same for the same kind of trouble.
    pub code: String,
    /// For the person: what is wrong and what to do.
    pub words: String,
    /// Whether a scan that was refused so must be kept and sent again.
    pub keep: bool,
    /// The code that nobody knows, and those that may have been meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unknown: Option<UnknownName>,
}

impl Trouble {
    /// A trouble.
    pub fn new(status: StatusCode, code: &'static str, words: impl Into<String>) -> Self {
        Self {
            status,
            code,
            words: words.into(),
            retry_after: None,
            unknown: None,
            in_tongue: false,
        }
    }

    /// Something is otherwise than the reader's page showed it: in their language, what has
    /// changed and which page to read again.
    pub fn stale(words: impl Into<String>) -> Self {
        Self {
            in_tongue: true,
            ..Self::new(StatusCode::CONFLICT, "stale", words)
        }
    }

    /// The request cannot be read or makes no sense.
    pub fn bad(words: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "bad_request", words)
    }

    /// Nobody is signed in, or not any longer.
    #[must_use]
    pub fn sign_in() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "sign_in",
            "nobody is signed in here, or not any longer: sign in. What was scanned is kept on this device",
        )
    }

    /// The person may not do this.
    pub fn forbidden(words: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "forbidden", words)
    }

    /// There is no such thing.
    pub fn missing(words: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not_found", words)
    }

    /// Our own disk or another part of the floor does not work now.
    pub fn away(words: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "away", words)
    }

    /// As the API says it. A scan is kept by whoever sent it unless sending it again could
    /// never help.
    #[must_use]
    pub fn body(&self) -> TroubleBody {
        TroubleBody {
            code: self.code.to_owned(),
            words: self.words.clone(),
            keep: !matches!(self.code, "bad_request" | "too_large" | "unknown"),
            unknown: self.unknown.clone(),
        }
    }
}

impl From<UnknownName> for Trouble {
    fn from(name: UnknownName) -> Self {
        let trouble = Self::new(StatusCode::NOT_FOUND, "unknown", name.to_string());
        Self {
            unknown: Some(name),
            ..trouble
        }
    }
}

impl From<BusError> for Trouble {
    fn from(error: BusError) -> Self {
        match error {
            BusError::Unknown(name) => name.into(),
            BusError::Refused(words) => Self::missing(words),
            BusError::StillReading { .. } => Self {
                retry_after: Some(2),
                ..Self::new(
                    StatusCode::SERVICE_UNAVAILABLE,
                    "reading",
                    error.to_string(),
                )
            },
            BusError::Unread { .. } => Self {
                code: UNREAD,
                ..Self::away(error.to_string())
            },
            BusError::Unanswered { .. } => Self {
                code: UNANSWERED,
                ..Self::away(error.to_string())
            },
            other => Self::away(other.to_string()),
        }
    }
}

impl From<bus::OutboxError> for Trouble {
    fn from(error: bus::OutboxError) -> Self {
        Self::away(error.to_string())
    }
}

impl IntoResponse for Trouble {
    fn into_response(self) -> Response {
        let mut response = (self.status, Json(self.body())).into_response();
        if let Some(seconds) = self.retry_after {
            response
                .headers_mut()
                .insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        // For pages, where it is shown as one.
        response.extensions_mut().insert(self);
        response
    }
}
