//! Who scanned while the dairy was out of reach: each scan is signed on the device with a key
//! that only its session had.
//!
//! HMAC (RFC 2104) with SHA-256. What is signed is a list of texts, each with its length before
//! it, so that no two lists read alike.

use hmac::{Hmac, Mac as _};
use sha2::Sha256;

/// What is signed before anything else, so that it means nothing elsewhere.
const KIND: &str = "wheelward scan 1";

/// The bytes that are signed.
#[must_use]
pub fn message(parts: &[&str]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for part in std::iter::once(&KIND).chain(parts) {
        bytes.extend_from_slice(format!("{}:{part},", part.len()).as_bytes());
    }
    bytes
}

/// Whether a signature, in hexadecimal, was made with this key.
#[must_use]
pub fn fits(key: &str, message: &[u8], signature: &str) -> bool {
    let (Ok(mut mac), Some(signature)) = (
        Hmac::<Sha256>::new_from_slice(key.as_bytes()),
        bytes(signature),
    ) else {
        return false;
    };
    mac.update(message);
    !key.is_empty() && mac.verify_slice(&signature).is_ok()
}

fn bytes(hex: &str) -> Option<Vec<u8>> {
    let digits = hex.as_bytes();
    let pairs = digits.chunks(2).map(|pair| {
        let text = std::str::from_utf8(pair).ok()?;
        (text.len() == 2)
            .then(|| u8::from_str_radix(text, 16).ok())
            .flatten()
    });
    pairs.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_signed_has_its_lengths_in_it() {
        let bytes = message(&["tablet-1", "", "W.311-04"]);
        assert_eq!(bytes, b"16:wheelward scan 1,8:tablet-1,0:,8:W.311-04,");
        assert_ne!(message(&["a", "bc"]), message(&["ab", "c"]));
    }

    // The same scan signed with `openssl dgst -sha256 -hmac`: what a browser makes of it.
    #[test]
    fn a_signature_fits_its_key_and_its_scan_only() {
        let bytes = message(&["tablet-1", "", "W.311-04"]);
        let signature = "59ceb1505014bd11019abfe8cd8969f28ef7532c8078ed2879322947ff2cf3ab";
        assert!(fits("key", &bytes, signature));
        assert!(fits("key", &bytes, &signature.to_uppercase()));
        assert!(!fits("kez", &bytes, signature));
        assert!(!fits(
            "key",
            &message(&["tablet-2", "", "W.311-04"]),
            signature
        ));
        for bad in ["", "0", "zz", &signature[2..], "é"] {
            assert!(!fits("key", &bytes, bad), "{bad}");
        }
        assert!(!fits("", &bytes, ""));
    }
}
