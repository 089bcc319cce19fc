//! GS1 Digital Link: the same elements as a web address.

use crate::{BadElement, Element, ElementString};

/// AIs that tell one piece of a trade item from another, in the order in which they follow
/// it in the path (GS1 Digital Link standard, URI syntax).
const QUALIFIERS: [&str; 3] = ["22", "10", "21"];

/// An address that is no Digital Link, or elements that cannot be one.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadLink {
    /// The domain is no web address.
    #[error("{0:?} is no web address: write one such as https://id.example.org")]
    Domain(String),
    /// No AI to be the path's first.
    #[error("a Digital Link needs a product (01), a case (00) or a place (414)")]
    NoKey,
    /// An address without an AI in its path.
    #[error("the address {0:?} names no product, case or place")]
    NoElements(String),
    /// Qualifiers in another order than the standard's.
    #[error(
        "({0}) stands in the wrong place of the address: (22), (10) and (21) come in this order"
    )]
    Order(String),
    /// A value that does not fit its AI.
    #[error("({ai}): {reason}")]
    Element {
        /// The AI.
        ai: String,
        /// What is wrong with its value.
        reason: BadElement,
    },
    /// A percent sign without two hexadecimal digits, or bytes that are no text.
    #[error("{0:?} in the address cannot be read")]
    Escape(String),
}

impl ElementString {
    /// The elements as an address at a domain of the dairy's own, such as
    /// `https://id.example.org/01/99521234543216/10/26W05-3/21/0417?11=260126`.
    ///
    /// # Errors
    /// [`BadLink`] when the domain is no web address or no element can be the key.
    pub fn digital_link(&self, domain: &str) -> Result<String, BadLink> {
        let domain = domain.trim_end_matches('/');
        let host = domain
            .strip_prefix("https://")
            .or_else(|| domain.strip_prefix("http://"))
            .unwrap_or_default();
        let plain = |c: char| c.is_ascii_graphic() && !matches!(c, '?' | '#' | '%' | '"' | '<');
        if host.is_empty() || !host.chars().all(plain) {
            return Err(BadLink::Domain(domain.to_owned()));
        }
        let of = |ai: &str| self.elements().iter().find(|e| e.ai().as_str() == ai);
        let key = ["01", "00", "414"]
            .iter()
            .find_map(|ai| of(ai))
            .ok_or(BadLink::NoKey)?;
        let mut link = format!("{domain}/{}/{}", key.ai(), key.value());
        let mut written = vec![key.ai()];
        if matches!(key, Element::Gtin(_)) {
            for qualifier in QUALIFIERS.iter().filter_map(|ai| of(ai)) {
                link += &format!("/{}/{}", qualifier.ai(), escaped(&qualifier.value()));
                written.push(qualifier.ai());
            }
        }
        let rest = self
            .elements()
            .iter()
            .filter(|e| !written.contains(&e.ai()) && !matches!(e, Element::Unread(_)));
        for (nth, element) in rest.enumerate() {
            link.push(if nth == 0 { '?' } else { '&' });
            link += &format!("{}={}", element.ai(), escaped(&element.value()));
        }
        Ok(link)
    }
}

/// Reads an uncompressed Digital Link address, whatever its domain.
pub(crate) fn read(address: &str) -> Result<ElementString, BadLink> {
    let shown = || address.chars().take(60).collect::<String>();
    let (_, rest) = address
        .split_once("://")
        .ok_or_else(|| BadLink::Domain(shown()))?;
    let rest = rest.split('#').next().unwrap_or_default();
    let (path, query) = rest.split_once('?').unwrap_or((rest, ""));
    let segments: Vec<&str> = path.split('/').skip(1).collect();
    let first = segments
        .iter()
        .position(|segment| ["01", "00", "414"].contains(segment))
        .ok_or_else(|| BadLink::NoElements(shown()))?;
    let mut elements = Vec::new();
    let mut last = None;
    for pair in segments[first..].chunks(2) {
        let [ai, value] = pair else {
            break; // a last slash
        };
        let place = QUALIFIERS.iter().position(|qualifier| qualifier == ai);
        if last.is_some() && place.is_some() && place < last {
            return Err(BadLink::Order((*ai).to_owned()));
        }
        last = place.or(last);
        elements.push(element(ai, value)?);
    }
    for (ai, value) in query
        .split(['&', ';'])
        .filter_map(|pair| pair.split_once('='))
    {
        // Other parameters, such as linkType, are for the web server.
        if (2..=4).contains(&ai.len()) && ai.bytes().all(|b| b.is_ascii_digit()) {
            elements.push(element(ai, value)?);
        }
    }
    Ok(ElementString::as_read(elements))
}

fn element(ai: &str, value: &str) -> Result<Element, BadLink> {
    let value = unescaped(value)?;
    match Element::of(ai, &value) {
        Some(read) => read.map_err(|reason| BadLink::Element {
            ai: ai.to_owned(),
            reason,
        }),
        None => Ok(Element::Unread(format!("{ai}{value}"))),
    }
}

/// Percent-encoded but for the unreserved characters of RFC 3986.
fn escaped(value: &str) -> String {
    let mut text = String::new();
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
            text.push(byte as char);
        } else {
            text += &format!("%{byte:02X}");
        }
    }
    text
}

fn unescaped(value: &str) -> Result<String, BadLink> {
    let refused = || BadLink::Escape(value.chars().take(60).collect());
    let mut bytes = Vec::new();
    let mut rest = value.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        if *first == b'%' {
            let code = after
                .get(..2)
                .filter(|hex| hex.iter().all(u8::is_ascii_hexdigit))
                .and_then(|hex| std::str::from_utf8(hex).ok())
                .and_then(|hex| u8::from_str_radix(hex, 16).ok())
                .ok_or_else(refused)?;
            bytes.push(code);
            rest = &after[2..];
        } else {
            bytes.push(*first);
            rest = after;
        }
    }
    String::from_utf8(bytes).map_err(|_| refused())
}
