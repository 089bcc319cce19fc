//! PINs: checked for sense, hashed with Argon2id.

use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use rand::RngCore as _;

/// Memory for one hash in KiB, passes over it, lanes: the least that OWASP's Password
/// Storage Cheat Sheet lists for Argon2id, so that an old machine checks a PIN in well
/// under a second. A PIN is short: what protects it is the lock-out, and that the file of
/// hashes is private.
const COST: (u32, u32, u32) = (19_456, 2, 1);

/// Why a PIN is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum BadPin {
    /// Too short, too long, or no digits.
    #[error("a PIN has 4 to 12 digits: choose another")]
    Shape,
    /// Managers let people in and release holds.
    #[error("a manager's PIN has at least 6 digits: choose a longer one")]
    Short,
    /// What is tried first: one or two digits, digits in a row, a part twice, a year, a line of
    /// keys.
    #[error(
        "this PIN is too easy to guess: choose one of at least three different digits that is no run, no repeat, no year and no line of keys"
    )]
    Easy,
    /// The machine could not hash it.
    #[error("the PIN could not be stored: try again")]
    Hash,
}

/// A PIN as typed.
#[derive(Clone)]
pub struct Pin(String);

impl Pin {
    /// As typed; checked only when it is hashed.
    #[must_use]
    pub fn typed(text: &str) -> Self {
        Self(text.trim().chars().take(64).collect())
    }

    /// Hashes it for keeping. Takes a while: keep it off the runtime.
    ///
    /// # Errors
    /// [`BadPin`] says why it is not taken.
    pub fn hash(&self, for_manager: bool) -> Result<String, BadPin> {
        let digits = self.0.as_bytes();
        if !(4..=12).contains(&digits.len()) || !digits.iter().all(u8::is_ascii_digit) {
            return Err(BadPin::Shape);
        }
        if for_manager && digits.len() < 6 {
            return Err(BadPin::Short);
        }
        if is_easy(digits) {
            return Err(BadPin::Easy);
        }
        let mut salt = [0; 16];
        rand::rng().fill_bytes(&mut salt);
        let salt = SaltString::encode_b64(&salt).map_err(|_| BadPin::Hash)?;
        let hash = hasher().and_then(|argon2| {
            argon2
                .hash_password(digits, &salt)
                .map_err(|_| BadPin::Hash)
        })?;
        Ok(hash.to_string())
    }

    /// Whether it is the PIN that was hashed. Takes as long for a hash that cannot be read
    /// as for another, so that time does not tell whether a badge exists.
    #[must_use]
    pub fn fits(&self, hash: Option<&str>) -> bool {
        let Ok(argon2) = hasher() else {
            return false;
        };
        match hash.map(PasswordHash::new) {
            Some(Ok(hash)) => argon2.verify_password(self.0.as_bytes(), &hash).is_ok(),
            _ => {
                let mut out = [0; 32];
                let _ = argon2.hash_password_into(self.0.as_bytes(), &[0; 16], &mut out);
                false
            }
        }
    }
}

/// Lines of keys on a keypad, from memory of what people choose.
const LINES: [&[u8]; 8] = [
    b"2580", b"0852", b"1470", b"0741", b"3690", b"0963", b"147258", b"147369",
];

/// Whether it is among what somebody tries first who may try a few times.
fn is_easy(digits: &[u8]) -> bool {
    let steps = |by: i16| {
        digits
            .windows(2)
            .all(|pair| i16::from(pair[1]) - i16::from(pair[0]) == by)
    };
    let repeats = |part: usize| digits.chunks(part).all(|chunk| chunk == &digits[..part]);
    let halves = (2..=digits.len() / 2).filter(|part| digits.len().is_multiple_of(*part));
    let different: std::collections::BTreeSet<_> = digits.iter().collect();
    let year = digits.len() == 4 && (digits.starts_with(b"19") || digits.starts_with(b"20"));
    different.len() < 3
        || [-1, 1].into_iter().any(steps)
        || halves.into_iter().any(repeats)
        || year
        || LINES.contains(&digits)
}

fn hasher() -> Result<Argon2<'static>, BadPin> {
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None).map_err(|_| BadPin::Hash)?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pin_fits_its_own_hash_only_and_the_hash_names_argon2id() {
        let hash = Pin::typed(" 4071 ").hash(false).unwrap();
        assert!(
            hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{hash}"
        );
        assert!(Pin::typed("4071").fits(Some(&hash)));
        assert!(!Pin::typed("4072").fits(Some(&hash)));
        assert!(!Pin::typed("4071").fits(None));
        assert!(!Pin::typed("4071").fits(Some("nonsense")));
        assert_ne!(hash, Pin::typed("4071").hash(false).unwrap());
    }

    #[test]
    fn a_poor_pin_is_refused_with_what_would_be_right() {
        for (pin, for_manager, why) in [
            ("", false, BadPin::Shape),
            ("123", false, BadPin::Shape),
            ("12a4", false, BadPin::Shape),
            ("1234567890123", false, BadPin::Shape),
            ("4071", true, BadPin::Short),
            ("7777", false, BadPin::Easy),
            ("3456", false, BadPin::Easy),
            ("876543", true, BadPin::Easy),
            ("1212", false, BadPin::Easy),
            ("1221", false, BadPin::Easy),
            ("123123", true, BadPin::Easy),
            ("1984", false, BadPin::Easy),
            ("2580", false, BadPin::Easy),
        ] {
            assert_eq!(Pin::typed(pin).hash(for_manager), Err(why), "{pin}");
        }
    }
}
