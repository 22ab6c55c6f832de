//! Signed links.

use ring::hmac;
use ring::rand::{SecureRandom as _, SystemRandom};

/// A link works for so long, seconds.
pub const LINK_LIFE: u64 = 14 * 86_400;
/// What is signed begins with this, so that a signature can never be used for something else.
const PURPOSE: &str = "lampwarden link 1";
/// The same of what lets somebody look, or read the calendar.
pub(super) const LOOK: &str = "lampwarden look 1";
pub(super) const CALENDAR: &str = "lampwarden calendar 1";
/// Length of a key, bytes: that of the hash.
const KEY_BYTES: usize = 32;

/// What links are signed with: HMAC-SHA-256 (RFC 2104, RFC 6234).
#[derive(Clone)]
pub struct Key(hmac::Key);

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key")
    }
}

/// What a link is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// It is one of ours, and its time is not over.
    Right,
    /// It is not one of ours.
    Forged,
    /// Its time is over.
    Expired,
}

impl Key {
    /// The key of these bytes.
    pub fn from_bytes(bytes: &[u8]) -> Key {
        Key(hmac::Key::new(hmac::HMAC_SHA256, bytes))
    }

    /// Bytes for a new key; none where this system has no randomness.
    pub fn random() -> Option<Vec<u8>> {
        let mut bytes = vec![0; KEY_BYTES];
        SystemRandom::new().fill(&mut bytes).ok()?;
        Some(bytes)
    }

    /// What follows the public address in the link of a notice that was written at `now`, seconds since 1970. A notice is
    /// of one contact and names its alarms, each with its raise; so the link is for those and no others.
    pub fn path(&self, notice: &str, now: u64) -> String {
        let expires = format!("{:x}", now.saturating_add(LINK_LIFE));
        let tag = hmac::sign(&self.0, signed(PURPOSE, notice, &expires).as_bytes());
        let signature: String = tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
        format!("/seen/{notice}/{expires}/{signature}")
    }

    /// The same for a link that is for `name` and works until `expires`, seconds since 1970: what follows its first part.
    pub(super) fn pass(&self, purpose: &str, name: &str, expires: u64) -> String {
        let expires = format!("{expires:x}");
        let tag = hmac::sign(&self.0, signed(purpose, name, &expires).as_bytes());
        let signature: String = tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
        format!("{name}/{expires}/{signature}")
    }

    pub(super) fn verdict(&self, notice: &str, expires: &str, signature: &str, now: u64) -> Verdict {
        self.verdict_of(PURPOSE, notice, expires, signature, now)
    }

    pub(super) fn verdict_of(&self, purpose: &str, name: &str, expires: &str, signature: &str, now: u64) -> Verdict {
        let text = signed(purpose, name, expires);
        let is_ours = bytes(signature).is_some_and(|tag| hmac::verify(&self.0, text.as_bytes(), &tag).is_ok());
        match u64::from_str_radix(expires, 16) {
            _ if !is_ours => Verdict::Forged,
            Ok(expires) if now <= expires => Verdict::Right,
            Ok(_) => Verdict::Expired,
            Err(_) => Verdict::Forged,
        }
    }
}

/// The parts cannot run into each other: neither may hold a line break in a path.
fn signed(purpose: &str, name: &str, expires: &str) -> String {
    format!("{purpose}\n{name}\n{expires}")
}

pub(super) fn bytes(hex: &str) -> Option<Vec<u8>> {
    let is_hex = hex.len().is_multiple_of(2) && hex.bytes().all(|byte| byte.is_ascii_hexdigit());
    let pairs = hex.as_bytes().chunks_exact(2).map(|pair| std::str::from_utf8(pair).ok());
    if !is_hex {
        return None;
    }
    pairs.map(|pair| u8::from_str_radix(pair?, 16).ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_is_right_until_its_time_is_over_and_nothing_in_it_can_be_changed() {
        let key = Key::from_bytes(&[7; KEY_BYTES]);
        let path = key.path("19c-1", 1_000_000);
        let [_, _, notice, expires, signature] = path.split('/').collect::<Vec<_>>()[..] else { panic!("{path}") };
        let check = |key: &Key, notice, expires: &str, signature: &str, now, expected| {
            assert_eq!(
                key.verdict(notice, expires, signature, now),
                expected,
                "{notice} {expires} {signature} at {now}"
            );
        };
        check(&key, notice, expires, signature, 1_000_000 + LINK_LIFE, Verdict::Right);
        check(&key, notice, expires, signature, 1_000_001 + LINK_LIFE, Verdict::Expired);
        check(&key, "19c-2", expires, signature, 0, Verdict::Forged);
        check(&key, notice, "ffffffff", signature, 0, Verdict::Forged);
        check(&key, notice, expires, &signature.replace('0', "1"), 0, Verdict::Forged);
        for wrong in ["", "0", "zz", &signature[2..], &format!("{signature}00")] {
            check(&key, notice, expires, wrong, 0, Verdict::Forged);
        }
        check(&Key::from_bytes(&[8; KEY_BYTES]), notice, expires, signature, 0, Verdict::Forged);
        assert_ne!(Key::random(), Key::random());
    }

    #[test]
    fn a_pass_is_good_for_its_own_purpose_alone() {
        let key = Key::from_bytes(&[7; KEY_BYTES]);
        let pass = key.pass(LOOK, "next-door", 1_000_000);
        let [name, expires, signature] = pass.split('/').collect::<Vec<_>>()[..] else { panic!("{pass}") };
        let check = |purpose, name, now, expected| {
            assert_eq!(key.verdict_of(purpose, name, expires, signature, now), expected, "{purpose} {name} {now}");
        };
        check(LOOK, name, 1_000_000, Verdict::Right);
        check(LOOK, name, 1_000_001, Verdict::Expired);
        check(LOOK, "somebody", 0, Verdict::Forged);
        check(CALENDAR, name, 0, Verdict::Forged);
        assert_eq!(key.verdict(name, expires, signature, 0), Verdict::Forged);
    }

    #[test]
    fn the_signature_is_that_of_the_standard() {
        // RFC 4231, test case 2.
        let tag = hmac::sign(&Key::from_bytes(b"Jefe").0, b"what do ya want for nothing?");
        let expected = bytes("5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843").expect("hex");
        assert_eq!(tag.as_ref(), expected);
    }
}
