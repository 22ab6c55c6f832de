//! What texts must look like.

use std::str::FromStr;

use chrono_tz::{TZ_VARIANTS, Tz};

use super::care_sheets;
use super::finding::nearest;
use super::keys::Rule;
use crate::science::seasonal::place_of;

/// Longest name in characters, so that topics stay short; our choice.
const NAME_CHARS_MAX: usize = 64;
/// Longest text in bytes of UTF-8; MQTT carries no longer topic \[MQTT-4.7.3-3\], user name or client identifier
/// (OASIS MQTT 5.0, 1.5.4).
pub(super) const TEXT_BYTES_MAX: usize = 65_535;
/// Everything under this is published by the daemon.
const OWN_TOPICS: &str = "lampwarden/";

/// A text that breaks its rule.
#[derive(Debug)]
pub(super) struct Broken {
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
    /// The nearest known name.
    pub nearest: Option<&'static str>,
}

fn broken(wrong: impl Into<String>, right: impl Into<String>) -> Result<(), Broken> {
    Err(Broken { wrong: wrong.into(), right: right.into(), nearest: None })
}

/// Checks `text`, which stands under `key`.
pub(super) fn check(rule: Rule, key: &str, text: &str) -> Result<(), Broken> {
    if text.is_empty() && rule != Rule::Pointer {
        return broken(format!("`{key}` is empty"), "write something, or leave the key out where it is optional");
    }
    if text.contains('\0') {
        return broken(format!("`{key}` holds a NUL character"), "leave it out");
    }
    if text.len() > TEXT_BYTES_MAX {
        return broken(
            format!("`{key}` is longer than {TEXT_BYTES_MAX} bytes"),
            "shorten it: MQTT carries no longer text",
        );
    }
    match rule {
        // A broker's address has a reader of its own.
        Rule::Filled | Rule::Url => Ok(()),
        Rule::Name => name(key, text),
        Rule::Topic => topic(key, text),
        Rule::Pointer => pointer(key, text),
        Rule::Zone => zone(key, text),
        Rule::Sheet => sheet(key, text),
        Rule::Mail => mail(key, text),
        Rule::Web => web(key, text),
        Rule::Date => date(key, text),
        Rule::MonthDay => month_day(key, text),
        Rule::Socket => socket(key, text),
    }
}

fn name(key: &str, text: &str) -> Result<(), Broken> {
    let bad = |c: char| matches!(c, '/' | '+' | '#' | '{' | '}') || c.is_whitespace() || c.is_control();
    if let Some(c) = text.chars().find(|c| bad(*c)) {
        let wrong = format!("{} holds `{}`, which a name may not hold", quoted(key), c.escape_debug());
        return broken(wrong, "use letters, digits, `-` and `_`");
    }
    if text.starts_with('$') {
        return broken(format!("{} starts with `$`", quoted(key)), "use letters, digits, `-` and `_`");
    }
    if text.chars().count() > NAME_CHARS_MAX {
        return broken(format!("{} is too long", quoted(key)), format!("use at most {NAME_CHARS_MAX} characters"));
    }
    Ok(())
}

fn quoted(key: &str) -> String {
    if key.contains(' ') { key.to_owned() } else { format!("`{key}`") }
}

/// Topic names: no wildcards \[MQTT-3.3.2-2\], at least one character \[MQTT-4.7.3-1\], no U+0000 \[MQTT-4.7.3-2\], at
/// most 65 535 bytes \[MQTT-4.7.3-3\]; topics that start with `$` are the broker's own, 4.7.2 of OASIS MQTT 5.0.
fn topic(key: &str, text: &str) -> Result<(), Broken> {
    if let Some(wildcard) = text.chars().find(|c| matches!(c, '+' | '#')) {
        let wrong = format!("`{key}` holds the wildcard `{wildcard}`");
        return broken(wrong, "name one topic in full: what arrives must belong to one probe or one lamp");
    }
    if text.starts_with('$') {
        return broken(format!("`{key}` starts with `$`, which is the broker's own"), "name a topic of the device");
    }
    if text.starts_with(OWN_TOPICS) {
        let wrong = format!("`{key}` lies under `{OWN_TOPICS}`, where the daemon itself publishes");
        return broken(wrong, "let the device use a topic elsewhere");
    }
    Ok(())
}

/// RFC 6901, section 3: empty, or each token after a `/`; `~` only as `~0` and `~1`.
fn pointer(key: &str, text: &str) -> Result<(), Broken> {
    if !text.is_empty() && !text.starts_with('/') {
        return broken(format!("`{key}` does not start with `/`"), format!("write \"/{text}\""));
    }
    let after_tildes = text.split('~').skip(1);
    if after_tildes.into_iter().any(|after| !after.starts_with(['0', '1'])) {
        return broken(format!("`{key}` holds a lone `~`"), "write `~0` for `~` and `~1` for `/` (RFC 6901)");
    }
    Ok(())
}

fn zone(key: &str, text: &str) -> Result<(), Broken> {
    if Tz::from_str(text).is_ok() {
        return Ok(());
    }
    let near = city(text).or_else(|| nearest(text, TZ_VARIANTS.iter().map(|zone| zone.name())));
    let right = match near {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => "name a zone of the IANA database, such as \"Europe/Lisbon\"".to_owned(),
    };
    Err(Broken { wrong: format!("`{key}` is \"{text}\", which is no IANA time zone"), right, nearest: near })
}

fn sheet(key: &str, text: &str) -> Result<(), Broken> {
    if care_sheets::find(text).is_some() {
        return Ok(());
    }
    let near = care_sheets::near(text);
    let wrong = format!("`{key}` is \"{text}\", and no such care sheet comes with the program");
    Err(Broken { wrong, right: care_sheets::advice(near), nearest: near })
}

/// The plain form of an address (RFC 5321, 4.1.2), without quoting: one `@` with something on both sides.
fn mail(key: &str, text: &str) -> Result<(), Broken> {
    let bad = |c: char| c.is_whitespace() || c.is_control() || matches!(c, '<' | '>' | ',' | ';');
    let is_address = text
        .split_once('@')
        .is_some_and(|(user, host)| !user.is_empty() && !host.is_empty() && !host.contains('@') && !text.contains(bad));
    if is_address {
        return Ok(());
    }
    broken(format!("`{key}` is no mail address"), "write the address alone, such as \"keeper@example.net\"")
}

fn web(key: &str, text: &str) -> Result<(), Broken> {
    let rest = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
    let Some(rest) = rest else {
        return broken(format!("`{key}` starts with neither https:// nor http://"), "write \"https://host/path\"");
    };
    let host = rest.split(['/', '?', '#']).next().unwrap_or("");
    if host.contains('@') {
        return broken(
            format!("`{key}` holds a user or a password"),
            "put the whole address into a file, or use headers",
        );
    }
    if host.is_empty() || text.chars().any(|c| c.is_whitespace() || c.is_control()) {
        return broken(format!("`{key}` names no host, or holds white space"), "write \"https://host/path\"");
    }
    Ok(())
}

fn date(key: &str, text: &str) -> Result<(), Broken> {
    if text.len() == 10 && chrono::NaiveDate::from_str(text).is_ok() {
        return Ok(());
    }
    broken(format!("`{key}` is no date"), "write year, month and day, such as \"2026-07-01\"")
}

fn month_day(key: &str, text: &str) -> Result<(), Broken> {
    if month_and_day(text).is_some() {
        return Ok(());
    }
    broken(format!("`{key}` is no day of a year"), "write month and day, such as \"11-15\"")
}

/// Month and day of a text such as `11-15`.
pub(super) fn month_and_day(text: &str) -> Option<(u32, u32)> {
    let (month, day) = text.split_once('-').filter(|_| text.len() == 5)?;
    let (month, day) = (month.parse().ok()?, day.parse().ok()?);
    place_of(month, day).map(|_| (month, day))
}

fn socket(key: &str, text: &str) -> Result<(), Broken> {
    if std::net::SocketAddr::from_str(text).is_ok() {
        return Ok(());
    }
    broken(format!("`{key}` is no address with a port"), "write numbers, such as \"127.0.0.1:8417\" or \"[::1]:8417\"")
}

/// The zone whose city alone was written.
fn city(text: &str) -> Option<&'static str> {
    let wanted = text.rsplit('/').next().unwrap_or(text).replace(' ', "_");
    TZ_VARIANTS
        .iter()
        .map(|zone| zone.name())
        .find(|zone| zone.rsplit('/').next().is_some_and(|city| city.eq_ignore_ascii_case(&wanted)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn holds(rule: Rule, text: &str) -> bool {
        check(rule, "key", text).is_ok()
    }

    #[test]
    fn topics_follow_the_mqtt_statements() {
        for right in ["a", "garden/e1/basking", "/", "a//b", " ", "a$", "Überhaus/é", "lampwarden"] {
            assert!(holds(Rule::Topic, right), "{right}");
        }
        for wrong in ["", "a/+/b", "#", "a\0b", "$SYS/x", "lampwarden/x", &"x".repeat(65_536)] {
            assert!(!holds(Rule::Topic, wrong), "{wrong}");
        }
        assert!(holds(Rule::Topic, &"x".repeat(65_535)));
    }

    #[test]
    fn pointers_follow_rfc_6901() {
        // The first row is the example list of RFC 6901, section 5.
        for right in ["", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"] {
            assert!(holds(Rule::Pointer, right), "{right}");
        }
        for wrong in ["foo", "/a~", "/a~2", "/~~0"] {
            assert!(!holds(Rule::Pointer, wrong), "{wrong}");
        }
    }

    #[test]
    fn names_become_levels_of_topics() {
        for right in ["e1", "garden-room", "07", "Küche", "a.b"] {
            assert!(holds(Rule::Name, right), "{right}");
        }
        for wrong in ["", "a/b", "a b", "+", "#", "a\tb", "{bay}", "$x", &"x".repeat(65)] {
            assert!(!holds(Rule::Name, wrong), "{wrong}");
        }
    }

    #[test]
    fn addresses_dates_and_sockets_are_plain() {
        for (rule, right, wrong) in [
            (
                Rule::Mail,
                vec!["a@b", "keeper+x@example.net"],
                vec!["", "a", "@b", "a@", "a@b@c", "A <a@b>", "a@b\r\nBcc: c@d", "a@b, c@d"],
            ),
            (
                Rule::Web,
                vec!["https://a", "http://127.0.0.1:80/x?y=1@2"],
                vec!["", "a", "ftp://a", "https://", "https://u:p@a/", "https://a b"],
            ),
            (Rule::Date, vec!["2026-07-01", "2024-02-29"], vec!["", "2026-7-1", "2026-02-30", "tomorrow"]),
            (Rule::MonthDay, vec!["11-15", "02-29"], vec!["", "2-9", "02-30", "13-01", "15.11", "2026-11-15"]),
            (Rule::Socket, vec!["127.0.0.1:80", "[::1]:80"], vec!["", "localhost:80", "127.0.0.1", ":80"]),
        ] {
            assert!(right.iter().all(|text| holds(rule, text)), "{rule:?}");
            wrong.iter().for_each(|text| assert!(!holds(rule, text), "{rule:?} {text:?}"));
        }
    }

    #[test]
    fn zones_are_of_the_iana_database() {
        assert!(holds(Rule::Zone, "Europe/Lisbon"));
        let near = |text| check(Rule::Zone, "timezone", text).expect_err("none of these is a zone").nearest;
        assert_eq!(near("Europe/Lisboa"), Some("Europe/Lisbon"));
        assert_eq!(near("Lisbon"), Some("Europe/Lisbon"));
        assert_eq!(near("Middle-earth/Shire"), None);
    }
}
