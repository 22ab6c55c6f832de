//! Who comes: sessions, the tokens of their forms, and how often somebody may try to come in.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};
use std::{fs, io};

use ring::rand::{SecureRandom as _, SystemRandom};
use ring::{digest, hmac};
use serde::{Deserialize, Serialize};

use super::people::Role;

/// The cookie's name.
pub(super) const COOKIE: &str = "lampwarden";
/// A session ends after so long without a visit, and in any case after so long; guesses: a walk in a cellar must not end it.
const IDLE: Duration = Duration::from_secs(14 * 86_400);
const LONGEST: Duration = Duration::from_secs(60 * 86_400);
/// The file of sessions in the state directory. There are no secrets in it that anybody could come in by.
pub(super) const FILE: &str = "sessions.json";
/// It learns of visits this often, s; of who comes and goes at once.
const WRITTEN_EVERY: u64 = 3600;
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

/// What of a session's secret is kept: whoever reads it cannot come in by it, and looking it up tells nothing.
pub(super) type Print = Vec<u8>;

pub(super) fn print(secret: &str) -> Print {
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

/// Somebody who has come in. Moments are seconds since 1970 by this machine's clock, so that they outlive the program; links
/// go by it too. Whoever comes with a clock that stands before their coming in comes in anew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Session {
    /// Their account, or who they look for.
    pub name: String,
    /// What a link lets them do; none: what their account says by now.
    pub by_link: Option<Role>,
    /// The print of the account's hash: another password ends the session.
    #[serde(with = "as_hex")]
    pub of: Print,
    since: u64,
    seen: u64,
    /// It ends at this moment too.
    until: u64,
}

/// Bytes as text, for a file.
mod as_hex {
    use serde::{Deserialize as _, Deserializer, Serializer, de};

    pub fn serialize<S: Serializer>(bytes: &[u8], to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(&super::hex(bytes))
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(from)?;
        super::super::link::bytes(&text).ok_or_else(|| de::Error::custom("not written in hex"))
    }
}

/// Everybody who has come in, by the print of their secret.
#[derive(Debug, Default)]
pub(super) struct Sessions {
    by_print: BTreeMap<Print, Session>,
    /// What the file does not know yet.
    is_news: bool,
    written: u64,
}

impl Sessions {
    /// What the file of sessions tells; nobody has come in where there is none. Errors are sentences that name it.
    pub(super) fn read(path: &Path) -> Result<Sessions, String> {
        let text = match fs::read(path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Sessions::default()),
            Err(error) => return Err(format!("{}: {error}", path.display())),
        };
        let named = |why: &dyn std::fmt::Display| format!("{}: {why}", path.display());
        let kept: BTreeMap<String, Session> = serde_json::from_slice(&text).map_err(|error| named(&error))?;
        let prints = kept.into_iter().map(|(print, session)| Some((super::link::bytes(&print)?, session)));
        let by_print = prints.collect::<Option<_>>().ok_or_else(|| named(&"a name is not written in hex"))?;
        Ok(Sessions { by_print, ..Sessions::default() })
    }

    /// Whether there is something that the file does not know.
    pub(super) fn has_news(&self) -> bool {
        self.is_news
    }

    /// What the file is to hold by now, where that is not what it holds.
    pub(super) fn take_news(&mut self, now: u64) -> Option<String> {
        if !std::mem::take(&mut self.is_news) {
            return None;
        }
        self.written = now;
        let kept: BTreeMap<String, &Session> =
            self.by_print.iter().map(|(print, session)| (hex(print), session)).collect();
        serde_json::to_string(&kept).ok()
    }

    /// Lets somebody in, for `span` at most; the secret of their session.
    pub(super) fn open(
        &mut self,
        now: u64,
        name: &str,
        by_link: Option<Role>,
        hash: &str,
        span: Duration,
    ) -> Option<String> {
        let secret = secret()?;
        self.by_print.retain(|_, session| !session.is_over(now));
        while self.by_print.len() >= SESSIONS {
            let oldest =
                self.by_print.iter().min_by_key(|(_, session)| session.seen).map(|(print, _)| print.clone())?;
            self.by_print.remove(&oldest);
        }
        let until = now + span.min(LONGEST).as_secs();
        let session = Session { name: name.to_owned(), by_link, of: print(hash), since: now, seen: now, until };
        self.by_print.insert(print(&secret), session);
        self.is_news = true;
        Some(secret)
    }

    /// The session of that secret, if it is not over.
    pub(super) fn find(&mut self, now: u64, secret: &str) -> Option<&Session> {
        let session = self.by_print.get_mut(&print(secret)).filter(|session| !session.is_over(now))?;
        session.seen = now;
        // When somebody was last here matters by the day: the file need not know of each visit.
        self.is_news |= now.saturating_sub(self.written) >= WRITTEN_EVERY;
        Some(session)
    }

    /// Shows somebody out.
    pub(super) fn close(&mut self, secret: &str) {
        self.is_news |= self.by_print.remove(&print(secret)).is_some();
    }
}

impl Session {
    fn is_over(&self, now: u64) -> bool {
        now >= self.until || now.saturating_sub(self.seen) >= IDLE.as_secs() || now < self.since
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
    /// Any moment.
    const NOW: u64 = 1_790_000_000;

    #[test]
    fn a_session_is_found_by_its_secret_alone_and_ends() {
        let (now, day, mut sessions) = (NOW, DAY.as_secs(), Sessions::default());
        let secret = sessions.open(now, "anna", None, "hash", LONGEST).expect("opened");
        assert!(sessions.find(now, "else").is_none());
        let session = sessions.find(now, &secret).expect("found").clone();
        assert!(session.name == "anna" && session.is_of("hash") && !session.is_of("another"));
        assert!(sessions.find(now + IDLE.as_secs(), &secret).is_none(), "idle for too long");
        assert!(sessions.find(now - 1, &secret).is_none(), "a clock that stands before it came");
        for nth in 1..60 {
            assert!(sessions.find(now + nth * day, &secret).is_some(), "{nth}");
        }
        assert!(sessions.find(now + 60 * day, &secret).is_none(), "open for too long");
        let other = sessions.open(now, "bert", None, "hash", DAY).expect("opened");
        sessions.close(&other);
        assert!(sessions.find(now, &other).is_none());
        let short = sessions.open(now, "next door", Some(Role::Look), "", DAY).expect("opened");
        assert!(sessions.find(now + day, &short).is_none());
    }

    #[test]
    fn there_are_never_too_many_sessions() {
        let (now, mut sessions) = (NOW, Sessions::default());
        let first = sessions.open(now, "first", None, "", LONGEST).expect("opened");
        for second in 0..SESSIONS as u64 {
            sessions.open(now + 1 + second, "more", None, "", LONGEST).expect("opened");
        }
        assert!(sessions.by_print.len() == SESSIONS && sessions.find(now, &first).is_none());
    }

    #[test]
    fn sessions_outlive_the_program_and_their_file_lets_nobody_in() {
        let path = std::env::temp_dir().join(format!("lampwarden-sessions-{}", std::process::id()));
        let mut sessions = Sessions::read(&path).expect("there is none yet");
        assert_eq!(sessions.take_news(NOW), None);
        let secret = sessions.open(NOW, "anna", None, "$argon2id$hash", LONGEST).expect("opened");
        let gone = sessions.open(NOW, "bert", Some(Role::Look), "", LONGEST).expect("opened");
        sessions.close(&gone);
        let text = sessions.take_news(NOW).expect("somebody came");
        assert_eq!(sessions.take_news(NOW), None, "it knows by now");
        assert!(
            !text.contains(&secret) && !text.contains("argon2id") && text.contains("anna") && !text.contains("bert")
        );
        assert!(sessions.find(NOW + 60, &secret).is_some() && sessions.take_news(NOW + 60).is_none());
        assert!(sessions.find(NOW + WRITTEN_EVERY, &secret).is_some() && sessions.take_news(NOW + 1).is_some());
        fs::write(&path, &text).expect("written");
        let mut again = Sessions::read(&path).expect("read");
        let session = again.find(NOW + 60, &secret).expect("found").clone();
        assert!(session.name == "anna" && session.is_of("$argon2id$hash") && again.find(NOW, &gone).is_none());
        let print = text.split('"').nth(1).expect("a print");
        assert!(again.find(NOW, print).is_none(), "what stands in the file is no secret");
        fs::write(&path, b"{\"zz\": 1}").expect("written");
        assert!(Sessions::read(&path).expect_err("spoilt").contains("lampwarden-sessions"));
        let _ = fs::remove_file(path);
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
