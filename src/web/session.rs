//! Who comes: sessions, the tokens of their forms, and how often somebody may try to come in.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use ring::rand::{SecureRandom as _, SystemRandom};
use ring::{digest, hmac};

use super::people::Role;

/// The cookie's name.
pub(super) const COOKIE: &str = "lampwarden";
/// A session ends after so long without a visit, and in any case after so long; guesses: a walk in a cellar must not end it.
const IDLE: Duration = Duration::from_secs(14 * 86_400);
const LONGEST: Duration = Duration::from_secs(60 * 86_400);
/// So many sessions at most; the one that was idle for longest makes room.
const SESSIONS: usize = 1000;
/// Tries of one name at once, and one more in so long; and of all names together. Guesses, far above what people need.
const TRIES: f64 = 6.0;
const TRY_EVERY: f64 = 20.0;
const TRIES_OF_ALL: f64 = 60.0;
const TRY_OF_ALL_EVERY: f64 = 1.0;
/// So many names are remembered at most.
const NAMES: usize = 1000;

/// A random secret of 32 bytes as hex; none where this system has no randomness.
pub(super) fn secret() -> Option<String> {
    let mut bytes = [0; 32];
    SystemRandom::new().fill(&mut bytes).ok()?;
    Some(hex(&bytes))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// What of a session's secret is kept: whoever reads the memory cannot come in by it, and looking it up tells nothing.
type Print = Vec<u8>;

fn print(secret: &str) -> Print {
    digest::digest(&digest::SHA256, secret.as_bytes()).as_ref().to_vec()
}

/// The token of a session's forms.
pub(super) fn form_token(secret: &str) -> String {
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret.as_bytes());
    hex(hmac::sign(&key, b"lampwarden form 1").as_ref())
}

/// Whether a form's token is that of the session.
pub(super) fn is_form_token(secret: &str, token: &str) -> bool {
    let key = hmac::Key::new(hmac::HMAC_SHA256, secret.as_bytes());
    super::link::bytes(token).is_some_and(|token| hmac::verify(&key, b"lampwarden form 1", &token).is_ok())
}

/// Somebody who has come in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Session {
    /// Their account, or who they look for.
    pub name: String,
    /// What a link lets them do; none: what their account says by now.
    pub by_link: Option<Role>,
    /// The print of the account's hash: another password ends the session.
    pub of: Print,
    since: Instant,
    seen: Instant,
    /// It ends at this moment too.
    until: Instant,
}

/// Everybody who has come in. They are forgotten when the program ends.
#[derive(Debug, Default)]
pub(super) struct Sessions(BTreeMap<Print, Session>);

impl Sessions {
    /// Lets somebody in, for `span` at most; the secret of their session.
    pub(super) fn open(
        &mut self,
        now: Instant,
        name: &str,
        by_link: Option<Role>,
        hash: &str,
        span: Duration,
    ) -> Option<String> {
        let secret = secret()?;
        self.0.retain(|_, session| !session.is_over(now));
        while self.0.len() >= SESSIONS {
            let oldest = self.0.iter().min_by_key(|(_, session)| session.seen).map(|(print, _)| print.clone())?;
            self.0.remove(&oldest);
        }
        let until = now + span.min(LONGEST);
        let session = Session { name: name.to_owned(), by_link, of: print(hash), since: now, seen: now, until };
        self.0.insert(print(&secret), session);
        Some(secret)
    }

    /// The session of that secret, if it is not over.
    pub(super) fn find(&mut self, now: Instant, secret: &str) -> Option<&Session> {
        let session = self.0.get_mut(&print(secret)).filter(|session| !session.is_over(now))?;
        session.seen = now;
        Some(session)
    }

    /// Shows somebody out.
    pub(super) fn close(&mut self, secret: &str) {
        self.0.remove(&print(secret));
    }
}

impl Session {
    fn is_over(&self, now: Instant) -> bool {
        now >= self.until || now.saturating_duration_since(self.seen) >= IDLE || now < self.since
    }

    /// Whether the account's hash is still the one it was opened with.
    pub(super) fn is_of(&self, hash: &str) -> bool {
        self.of == print(hash)
    }
}

/// So many at once, and one more in so long.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bucket {
    left: f64,
    at: Instant,
}

impl Bucket {
    pub(super) fn new(now: Instant, most: f64) -> Bucket {
        Bucket { left: most, at: now }
    }

    /// Takes one, if there is one.
    pub(super) fn take(&mut self, now: Instant, most: f64, every: f64) -> bool {
        let passed = now.saturating_duration_since(self.at).as_secs_f64();
        self.left = (self.left + passed / every).min(most);
        self.at = now;
        let may = self.left >= 1.0;
        if may {
            self.left -= 1.0;
        }
        may
    }
}

/// How often somebody may try to come in.
#[derive(Debug)]
pub(super) struct Tries {
    all: Bucket,
    names: BTreeMap<String, Bucket>,
}

impl Tries {
    pub(super) fn new(now: Instant) -> Tries {
        Tries { all: Bucket::new(now, TRIES_OF_ALL), names: BTreeMap::new() }
    }

    /// Whether a try under this name may be made now.
    pub(super) fn may(&mut self, now: Instant, name: &str) -> bool {
        if self.names.len() >= NAMES && !self.names.contains_key(name) {
            self.names.retain(|_, bucket| now.saturating_duration_since(bucket.at).as_secs_f64() < TRIES * TRY_EVERY);
        }
        if self.names.len() >= NAMES && !self.names.contains_key(name) {
            return false;
        }
        let bucket = self.names.entry(name.to_owned()).or_insert_with(|| Bucket::new(now, TRIES));
        bucket.take(now, TRIES, TRY_EVERY) && self.all.take(now, TRIES_OF_ALL, TRY_OF_ALL_EVERY)
    }

    /// Somebody came in under this name: their next slip of the pen is a first one.
    pub(super) fn came_in(&mut self, name: &str) {
        self.names.remove(name);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DAY: Duration = Duration::from_secs(86_400);

    #[test]
    fn a_session_is_found_by_its_secret_alone_and_ends() {
        let (now, mut sessions) = (Instant::now(), Sessions::default());
        let secret = sessions.open(now, "anna", None, "hash", LONGEST).expect("opened");
        assert!(sessions.find(now, "else").is_none());
        let session = sessions.find(now, &secret).expect("found").clone();
        assert!(session.name == "anna" && session.is_of("hash") && !session.is_of("another"));
        assert!(sessions.find(now + IDLE, &secret).is_none(), "idle for too long");
        for day in 1..60 {
            assert!(sessions.find(now + day * DAY, &secret).is_some(), "{day}");
        }
        assert!(sessions.find(now + 60 * DAY, &secret).is_none(), "open for too long");
        let other = sessions.open(now, "bert", None, "hash", DAY).expect("opened");
        sessions.close(&other);
        assert!(sessions.find(now, &other).is_none());
        let short = sessions.open(now, "next door", Some(Role::Look), "", DAY).expect("opened");
        assert!(sessions.find(now + DAY, &short).is_none());
    }

    #[test]
    fn there_are_never_too_many_sessions() {
        let (now, mut sessions) = (Instant::now(), Sessions::default());
        let first = sessions.open(now, "first", None, "", LONGEST).expect("opened");
        for second in 0..SESSIONS as u64 {
            sessions.open(now + Duration::from_secs(1 + second), "more", None, "", LONGEST).expect("opened");
        }
        assert!(sessions.0.len() == SESSIONS && sessions.find(now, &first).is_none());
    }

    #[test]
    fn a_form_belongs_to_its_session() {
        let (one, other) = (secret().expect("random"), secret().expect("random"));
        assert_ne!(one, other);
        assert!(is_form_token(&one, &form_token(&one)));
        for wrong in [form_token(&other), String::new(), "zz".to_owned(), one.clone()] {
            assert!(!is_form_token(&one, &wrong), "{wrong}");
        }
    }

    #[test]
    fn tries_are_counted_by_name_and_in_all() {
        let (now, mut tries) = (Instant::now(), Tries::new(Instant::now()));
        let made = |tries: &mut Tries, name: &str, at| (0..100).filter(|_| tries.may(at, name)).count();
        assert_eq!(made(&mut tries, "anna", now), 6);
        assert_eq!(made(&mut tries, "bert", now), 6);
        assert_eq!(made(&mut tries, "anna", now + Duration::from_secs(40)), 2);
        tries.came_in("anna");
        assert_eq!(made(&mut tries, "anna", now + Duration::from_secs(40)), 6);
        let names: Vec<String> = (0..5000).map(|nth| format!("n{nth}")).collect();
        let all = names.iter().filter(|name| tries.may(now + Duration::from_secs(41), name)).count();
        assert!(all <= 60, "{all}");
    }
}
