//! What the pages say, in each language: message catalogues in Fluent.
//!
//! What stations and the scheduler answer comes from the core in English; it is shown as
//! it is, marked as English for screen readers.

use std::sync::LazyLock;

use fluent_bundle::concurrent::FluentBundle;
use fluent_bundle::{FluentArgs, FluentResource, FluentValue};
use serde::{Deserialize, Serialize};
use unic_langid::LanguageIdentifier;

/// A language that the pages speak.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Tongue {
    /// English.
    #[default]
    En,
    /// German.
    De,
}

type Bundle = FluentBundle<FluentResource>;

static ENGLISH: LazyLock<Bundle> = LazyLock::new(|| bundle(Tongue::En));
static GERMAN: LazyLock<Bundle> = LazyLock::new(|| bundle(Tongue::De));

impl Tongue {
    /// Every language.
    pub const ALL: [Self; 2] = [Self::En, Self::De];

    /// Its code (BCP 47).
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::En => "en",
            Self::De => "de",
        }
    }

    /// Its own name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::En => "English",
            Self::De => "Deutsch",
        }
    }

    /// Its catalogue.
    #[must_use]
    pub const fn catalogue(self) -> &'static str {
        match self {
            Self::En => include_str!("../words/en.ftl"),
            Self::De => include_str!("../words/de.ftl"),
        }
    }

    /// The language with this code.
    #[must_use]
    pub fn of_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|tongue| tongue.code() == code)
    }

    /// The first language that a browser asks for and the pages speak (RFC 9110,
    /// `Accept-Language`; browsers write the best first).
    #[must_use]
    pub fn accepted(header: &str) -> Option<Self> {
        header.split(',').find_map(|range| {
            let primary = range.split([';', '-']).next()?;
            Self::of_code(&primary.trim().to_ascii_lowercase())
        })
    }

    /// A message.
    #[must_use]
    pub fn say(self, key: &str) -> String {
        self.with(key, [])
    }

    /// A message with values in it.
    #[must_use]
    pub fn with<const N: usize>(self, key: &str, values: [(&str, FluentValue<'_>); N]) -> String {
        let bundle = match self {
            Self::En => &*ENGLISH,
            Self::De => &*GERMAN,
        };
        let args: FluentArgs<'_> = values.into_iter().collect();
        let pattern = bundle.get_message(key).and_then(|message| message.value());
        match pattern {
            Some(pattern) => {
                let mut wrong = Vec::new();
                bundle
                    .format_pattern(pattern, Some(&args), &mut wrong)
                    .into_owned()
            }
            // A test holds that this never happens.
            None => key.to_owned(),
        }
    }

    /// Whether there is such a message.
    #[must_use]
    pub fn knows(self, key: &str) -> bool {
        match self {
            Self::En => ENGLISH.has_message(key),
            Self::De => GERMAN.has_message(key),
        }
    }
}

fn bundle(tongue: Tongue) -> Bundle {
    let language: LanguageIdentifier = tongue.code().parse().unwrap_or_default();
    let mut bundle = Bundle::new_concurrent(vec![language]);
    bundle.set_use_isolating(false);
    let resource = match FluentResource::try_new(tongue.catalogue().to_owned()) {
        Ok(resource) => resource,
        // The messages that could be read; a test holds that it is all of them.
        Err((resource, _)) => resource,
    };
    bundle.add_resource_overriding(resource);
    bundle
}
