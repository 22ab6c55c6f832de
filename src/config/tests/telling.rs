//! Contacts, plans and what else is said of telling people.

use std::time::Duration;

use super::*;
use crate::settings::{Channel, Security};

/// Goes after [`BASE`].
const PEOPLE: &str = r#"
[[contact]]
name = "keeper"
hours = { from = "07:00", to = "22:00" }
mail = { to = "keeper@example.net" }
webhook = { url = "https://hooks.example.net/x", body = '{"title": "{subject}"}' }

[[contact]]
name = "next-door"
timezone = "Asia/Kolkata"
command = { run = ["page-me", "--loud"] }

[mail]
host = "mail.example.net"
from = "lampwarden@example.net"
username = "lampwarden"
password_file = "/etc/mail.password"

[alarms]
critical = { first = ["keeper"], then = ["next-door"], after = "5m" }
medium = { first = [], repeat = "0s" }

[[heartbeat]]
url_file = "/etc/heartbeat.url"

[away]
from = "2026-07-01"
to = "2026-07-14"
neighbours = ["next-door"]
instructions = [{ enclosure = "e1", text = "Ring me." }]

[web]
public_url = "https://animals.example.net/"
"#;

fn whole(people: &str) -> String {
    format!("{BASE}{people}")
}

#[test]
fn people_are_read_with_their_defaults() {
    let checked = parse_one(&whole(PEOPLE));
    assert_eq!(checked.findings, []);
    let settings = checked.settings.expect("nothing is wrong");
    let telling = &settings.telling;
    let keeper = telling.contact("keeper").expect("is there");
    assert_eq!((keeper.timezone, keeper.channels.len()), (settings.site.timezone, 2));
    assert!(
        matches!(&telling.contacts[1].channels[..], [Channel::Command { run, within }] if run.len() == 2 && within.as_secs() == 30)
    );
    let mail = telling.mail.as_ref().expect("is there");
    assert_eq!((mail.security, mail.port), (Security::StartTls, 587));
    let (critical, high) = (&telling.plans.critical, &telling.plans.high);
    assert_eq!((&critical.first[..], &critical.then[..]), (&["keeper".to_owned()][..], &["next-door".to_owned()][..]));
    assert_eq!((critical.after, critical.repeat), (Duration::from_secs(300), Some(Duration::from_secs(900))));
    assert_eq!(high.first, ["keeper"], "neighbours hear only while the keeper is away");
    assert!(telling.plans.medium.first.is_empty() && telling.plans.low.first.is_empty());
    let digest = telling.digest.as_ref().expect("there is one while the keeper is away");
    assert_eq!((digest.daily, &digest.to[..]), (false, &["keeper".to_owned()][..]));
    assert_eq!(telling.web.as_ref().and_then(|web| web.public_url.as_deref()), Some("https://animals.example.net"));
    let nobody = parse_one(BASE).settings.expect("nothing is wrong").telling;
    assert!(nobody.contacts.is_empty() && nobody.plans.critical.first.is_empty() && nobody.digest.is_none());
}

#[test]
fn one_mistake_makes_one_finding_with_what_would_be_right() {
    let check = |from: &str, to: &str, words: &[&str]| {
        assert_eq!(PEOPLE.matches(from).count(), 1, "`{from}` must stand once");
        let found = lines(&whole(&PEOPLE.replace(from, to)));
        assert_eq!(found.len(), 1, "{to}: {found:#?}");
        for word in words {
            assert!(found[0].contains(word), "`{word}` is not in {found:#?}");
        }
    };
    check(
        "then = [\"next-door\"]",
        "then = [\"next-dor\"]",
        &["there is no contact `next-dor`", "did you mean `next-door`?"],
    );
    check("neighbours = [\"next-door\"]", "neighbours = [\"zz\"]", &["there is no contact `zz`", "known: `keeper`"]);
    let twin = "[[contact]]\nname = \"keeper\"\nmail.to = \"a@b\"\n[mail]";
    check("[mail]", twin, &["two contacts called `keeper`"]);
    check("command = { run = [\"page-me\", \"--loud\"] }", "", &["cannot be reached", "`mqtt`"]);
    check("run = [\"page-me\", \"--loud\"]", "run = []", &["`run`"]);
    check("{ from = \"07:00\", to = \"22:00\" }", "{ from = \"07:00\", to = \"07:00\" }", &["same time"]);
    check("to = \"keeper@example.net\"", "to = \"keeper\"", &["no mail address"]);
    check("{subject}", "{subjct}", &["`{subjct}`", "did you mean `{subject}`?"]);
    check("'{\"title\": \"{subject}\"}'", "'title: {subject}'", &["no JSON"]);
    check("url = \"https://hooks.example.net/x\"", "url_fil = \"x\"", &["did you mean `url_file`?"]);
    check("url = \"https://hooks.example.net/x\", ", "", &["neither `url` nor `url_file`"]);
    check("url_file = \"/etc/heartbeat.url\"", "url_file = \"x\"\nurl = \"http://x\"", &["both `url` and `url_file`"]);
    check("username = \"lampwarden\"\n", "", &["belong together"]);
    check(
        "username = \"lampwarden\"\n",
        "username = \"lampwarden\"\nsecurity = \"none\"\n",
        &["in the clear", "starttls"],
    );
    check("from = \"2026-07-01\"", "from = \"2026-07-15\"", &["ends before it begins"]);
    check("to = \"2026-07-14\"", "to = \"14.7.2026\"", &["no date"]);
    check("enclosure = \"e1\"", "enclosure = \"e7\"", &["there is no enclosure `e7`"]);
    check("first = [\"keeper\"]", "first = []", &["Warning", "nobody hears of a critical alarm"]);
    check(
        "public_url = \"https://animals.example.net/\"",
        "public_url = \"animals\"",
        &["neither https:// nor http://"],
    );
    check("[web]\n", "[web]\nlisten = \"localhost:80\"\n", &["no address with a port"]);
}

#[test]
fn a_mail_address_without_a_server_is_found() {
    let people = "[[contact]]\nname = \"keeper\"\nmail.to = \"a@b\"\n";
    let found = lines(&whole(people));
    assert!(found.len() == 1 && found[0].contains("no mail server") && found[0].contains("[mail]"), "{found:#?}");
}

#[test]
fn what_the_readme_shows_is_right() {
    let readme = include_str!("../../../README.md");
    let (_, after) = readme.split_once("## Telling people").expect("the section is there");
    let (_, block) = after.split_once("```toml\n").expect("it shows a configuration");
    let (block, _) = block.split_once("```").expect("which ends");
    assert_eq!(lines(&whole(block)), Vec::<String>::new());
}

#[test]
fn the_digest_of_the_week_has_its_day_and_its_hour() {
    let digest = |keys: &str| {
        let checked = parse_one(&whole(&format!("{PEOPLE}\n[digest]\nat = \"20:00\"\n{keys}\n")));
        (checked.settings.and_then(|settings| settings.telling.digest), checked.findings)
    };
    let at = |hour| chrono::NaiveTime::from_hms_opt(hour, 0, 0).expect("a time of day");
    let (weekly, findings) = digest("daily = false\nweekly = \"sunday\"");
    let weekly = weekly.expect("nothing is wrong");
    assert_eq!(findings, []);
    let sunday = |hour| Some(crate::settings::Weekly { day: chrono::Weekday::Sun, at: at(hour) });
    assert_eq!((weekly.daily, weekly.weekly), (false, sunday(20)));
    let (weekly, _) = digest("weekly = \"sunday\"\nweekly_at = \"08:00\"");
    assert_eq!(weekly.map(|digest| (digest.daily, digest.weekly)), Some((true, sunday(8))));
    let (none, findings) = digest("weekly_at = \"08:00\"");
    assert!(none.is_some_and(|digest| digest.weekly.is_none()) && findings.len() == 1, "{findings:?}");
    let (refused, findings) = digest("weekly = \"sonday\"");
    assert!(refused.is_none() && !findings.is_empty());
}

#[test]
fn an_enclosure_is_in_service_unless_it_is_said_otherwise() {
    let out = |toml: &str| {
        let settings = parse_one(toml).settings.expect("nothing is wrong");
        settings.enclosures[0].out_of_service.is_some()
    };
    assert!(!out(BASE));
    assert!(out(&BASE.replacen("[[enclosure]]\n", "[[enclosure]]\nin_service = false\n", 1)));
    assert!(!out(&BASE.replacen("[[enclosure]]\n", "[[enclosure]]\nin_service = true\n", 1)));
}
