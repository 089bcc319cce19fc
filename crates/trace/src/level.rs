//! How likely it is that a wheel is affected, and why.

use std::fmt;

use facts::{WheelId, Window};
use serde::{Deserialize, Serialize, Serializer};

use crate::Place;
use crate::contact::Contact;
use crate::family::{Link, Node};

/// How likely it is that a wheel is affected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// What is suspect is in it, or it is named itself.
    Certain,
    /// It touched the same surface as a suspect wheel, closely enough in time.
    Probable,
    /// It shared the air, or a surface at a distance in time.
    Possible,
}

impl Level {
    /// Every level, the worst first.
    pub const ALL: [Self; 3] = [Self::Certain, Self::Probable, Self::Possible];
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Certain => "certain",
            Self::Probable => "probable",
            Self::Possible => "possible",
        })
    }
}

/// Why a wheel is in a recall.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Reason {
    /// It was named.
    Named,
    /// It was portioned in the suspect time.
    MadeWithin(Window),
    /// What is suspect went into it, by this way.
    MadeOf(Vec<(Node, Option<Link>)>),
    /// It was at the suspect place in the suspect time.
    Exposed(Place, Window),
    /// It had something in common with a suspect wheel.
    Contact(Contact),
    /// A wheel that is itself in the recall went into its batch.
    ReworkOf(WheelId, Vec<(Node, Option<Link>)>),
}

impl Reason {
    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Named => "named as suspect".to_owned(),
            Self::MadeWithin(window) => format!("portioned {window}"),
            Self::MadeOf(way) => format!("made of it: {}", way_words(way)),
            Self::Exposed(Place::Tool(tool), window) => format!("{tool} went into it {window}"),
            Self::Exposed(place, window) => format!("in {place} {window}"),
            Self::Contact(contact) => contact.words(),
            Self::ReworkOf(wheel, way) => {
                format!("{wheel}, itself in question, is in it: {}", way_words(way))
            }
        }
    }

    const fn key(&self) -> &'static str {
        match self {
            Self::Named => "named",
            Self::MadeWithin(_) => "made_within",
            Self::MadeOf(_) => "made_of",
            Self::Exposed(..) => "exposed",
            Self::Contact(_) => "contact",
            Self::ReworkOf(..) => "rework_of",
        }
    }
}

fn way_words(way: &[(Node, Option<Link>)]) -> String {
    let mut words = String::new();
    for (node, onward) in way {
        words += &node.to_string();
        if let Some(link) = onward {
            words += &format!(" {} ", link.words());
        }
    }
    words
}

impl Serialize for Reason {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Shown<'a> {
            why: &'static str,
            #[serde(skip_serializing_if = "Option::is_none")]
            contact: Option<&'a Contact>,
            words: String,
        }
        let contact = match self {
            Self::Contact(contact) => Some(contact),
            _ => None,
        };
        let (why, words) = (self.key(), self.words());
        Shown {
            why,
            contact,
            words,
        }
        .serialize(s)
    }
}
