//! Who may do what: accounts in a file of the state directory, each with a password's hash and a role.

use std::collections::BTreeMap;
use std::fmt;
use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use argon2::Argon2;
use argon2::password_hash::phc::PasswordHash;
use argon2::{PasswordHasher as _, PasswordVerifier as _};
use serde::{Deserialize, Serialize};

/// The file of accounts in the state directory.
pub const FILE: &str = "accounts.json";
/// Shorter passwords are refused (NIST SP 800-63B-4, 3.1.1.2: fifteen where a password is all there is; eight at least).
pub const PASSWORD_LEAST: usize = 10;
/// Longer ones too, so that nobody keeps the machine busy with a book.
pub const PASSWORD_MOST: usize = 256;

/// What somebody may do; each may what the ones before may.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// See how things stand.
    Look,
    /// Walk with the meter, acknowledge, set by hand for a while, change lamps.
    Keep,
    /// Reset guards, make links for others, read the settings.
    Manage,
}

impl Role {
    /// Every role with its word.
    pub const ALL: [(Role, &'static str); 3] = [(Role::Look, "look"), (Role::Keep, "keep"), (Role::Manage, "manage")];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Look => "look",
            Role::Keep => "keep",
            Role::Manage => "manage",
        }
    }
}

impl FromStr for Role {
    type Err = String;

    fn from_str(text: &str) -> Result<Role, String> {
        let found = Role::ALL.iter().find(|(_, word)| *word == text);
        found.map(|(role, _)| *role).ok_or_else(|| "a role is look, keep or manage".to_owned())
    }
}

/// One account.
#[derive(Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Account {
    /// What they may do.
    pub role: Role,
    /// The password's hash, as a PHC string (argon2id).
    pub hash: String,
}

impl fmt::Debug for Account {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Account").field("role", &self.role).finish_non_exhaustive()
    }
}

/// Accounts by name.
pub type Accounts = BTreeMap<String, Account>;

/// Where the accounts of a state directory are.
pub fn path(state_directory: &Path) -> PathBuf {
    state_directory.join(FILE)
}

/// Reads the accounts; none where there is no file. Errors are sentences that name it.
pub fn read(path: &Path) -> Result<Accounts, String> {
    match fs::read(path) {
        Ok(text) => serde_json::from_slice(&text).map_err(|error| format!("{}: {error}", path.display())),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Accounts::new()),
        Err(error) => Err(format!("{}: {error}", path.display())),
    }
}

/// Writes the accounts whole, or leaves the file as it was. Only its owner may read it.
pub fn write(path: &Path, accounts: &Accounts) -> Result<(), String> {
    let mut text = serde_json::to_vec_pretty(accounts).map_err(|error| error.to_string())?;
    text.push(b'\n');
    write_whole(path, &text)
}

/// Writes a file whole, or leaves it as it was. Only its owner may read it.
pub(super) fn write_whole(path: &Path, text: &[u8]) -> Result<(), String> {
    let named = |error: io::Error| format!("{}: {error}", path.display());
    let draft = path.with_extension("json.new");
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&draft).map_err(named)?;
    file.write_all(text).and_then(|()| file.sync_all()).map_err(named)?;
    fs::rename(&draft, path).map_err(named)
}

/// Whether a name may be one: short, and the same wherever it is written.
pub fn is_name(name: &str) -> bool {
    (1..=32).contains(&name.len()) && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"-_.".contains(&byte))
}

/// The hash of a password (argon2id with the library's parameters, 19 MiB and two passes: OWASP's least). Errors are
/// sentences.
pub fn hash(password: &str) -> Result<String, String> {
    if password.chars().count() < PASSWORD_LEAST {
        return Err(format!(
            "a password has {PASSWORD_LEAST} characters at least; a few words are easy to keep in mind"
        ));
    }
    if password.len() > PASSWORD_MOST {
        return Err(format!("a password has {PASSWORD_MOST} bytes at most"));
    }
    let hash: Result<PasswordHash, _> = Argon2::default().hash_password(password.as_bytes());
    hash.map(|hash| hash.to_string()).map_err(|error| format!("the password could not be hashed: {error}"))
}

/// Whether `password` is the account's. Where there is no account as long is reckoned, so that nobody learns which names
/// there are.
pub fn is_right(account: Option<&Account>, password: &str) -> bool {
    /// The hash of something nobody knows.
    const NOBODY: &str = "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5bm9ib2R5$MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIzNDU2Nzg5MDE";
    if password.len() > PASSWORD_MOST {
        return false;
    }
    let hash = account.map_or(NOBODY, |account| account.hash.as_str());
    let is_right = Argon2::default().verify_password(password.as_bytes(), hash).is_ok();
    is_right && account.is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_right_for_its_account_alone_and_stands_nowhere() {
        let hash = hash("four words are fine").expect("hashed");
        assert!(hash.starts_with("$argon2id$") && !hash.contains("four"));
        let account = Account { role: Role::Keep, hash };
        assert!(is_right(Some(&account), "four words are fine"));
        assert!(!is_right(Some(&account), "four words are fine "));
        assert!(!is_right(None, "four words are fine"));
        assert!(!is_right(Some(&account), &"x".repeat(PASSWORD_MOST + 1)));
        assert!(!format!("{account:?}").contains("argon2id"));
        for wrong in ["short", "", &"x".repeat(PASSWORD_MOST + 1)] {
            assert!(super::hash(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn reckoning_takes_place_for_names_that_nobody_has() {
        let hash = PasswordHash::new(
            "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5bm9ib2R5$MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIzNDU2Nzg5MDE",
        );
        assert!(hash.is_ok(), "{hash:?}");
    }

    #[test]
    fn accounts_are_written_and_read_and_only_their_owner_may() {
        let directory = std::env::temp_dir().join(format!("lampwarden-accounts-{}", std::process::id()));
        fs::create_dir_all(&directory).expect("made");
        let path = path(&directory);
        assert!(read(&path).expect("none yet").is_empty());
        let account = Account { role: Role::Manage, hash: "$argon2id$".to_owned() };
        write(&path, &Accounts::from([("keeper".to_owned(), account)])).expect("written");
        let again = read(&path).expect("read");
        assert_eq!(again["keeper"].role, Role::Manage);
        let mode = std::os::unix::fs::PermissionsExt::mode(&fs::metadata(&path).expect("there").permissions());
        assert_eq!(mode & 0o777, 0o600);
        fs::write(&path, b"{\"keeper\": 1}").expect("written");
        assert!(read(&path).expect_err("refused").contains("accounts.json"));
        let _ = fs::remove_dir_all(directory);
    }

    #[test]
    fn names_are_plain() {
        for (name, is_one) in
            [("anna", true), ("a.b-c_1", true), ("", false), ("a b", false), ("<b>", false), ("ä", false)]
        {
            assert_eq!(is_name(name), is_one, "{name}");
        }
        assert_eq!("keep".parse(), Ok(Role::Keep));
        assert!("boss".parse::<Role>().is_err() && Role::Look < Role::Manage);
    }
}
