//! Every key there is, in one table: it finds unknown keys, checks kinds and ranges, gives defaults and writes the
//! schema for editors, so that none of the four can differ from the others.

mod care;
mod enclosure;
mod lamp;
mod site;
mod telling;

use std::time::Duration;

pub(super) use care::{BASED_ON, CARE, SPOTS};
pub(super) use enclosure::ENCLOSURE;
pub(super) use telling::{ALARMS, DIGEST};

use crate::time::UNITS_OF_TIME;

/// A table of the configuration and the keys it may hold.
#[derive(Debug)]
pub(crate) struct Section {
    /// What messages call it, such as `a probe`; also its name in the schema.
    pub name: &'static str,
    /// What it is.
    pub doc: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
    /// Whether it only overrides keys of another table, so that nothing in it or below it is required.
    pub overrides: bool,
}

impl Section {
    /// The key called `name`.
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

/// One key.
#[derive(Debug)]
pub(crate) struct Key {
    /// Its name.
    pub name: &'static str,
    /// What its value must be.
    pub kind: Kind,
    /// Whether it may be left out.
    pub need: Need,
    /// What it means, one sentence.
    pub doc: &'static str,
    /// A value as it is written in TOML; empty for tables.
    pub example: &'static str,
}

/// Whether a key may be left out, and what that means.
#[derive(Debug)]
pub(crate) enum Need {
    /// It must be there.
    Required,
    /// Without it this is taken; the second part names the source of the number, or says `guess`.
    Default(Plain, &'static str),
    /// Without it this happens.
    Absent(&'static str),
}

/// A default.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Plain {
    /// A number.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// A whole number of seconds.
    Seconds(u64),
    /// A word or text.
    Text(&'static str),
    /// `true` or `false`.
    Switch(bool),
    /// A time of day: hours and minutes.
    Time(u32, u32),
}

impl Plain {
    /// The value as it is written in TOML.
    pub fn toml(&self) -> String {
        match self {
            Plain::Number(number) => format!("{number:?}"),
            Plain::Whole(number) => number.to_string(),
            Plain::Seconds(seconds) => format!("\"{}\"", span_text(Duration::from_secs(*seconds))),
            Plain::Text(text) => format!("\"{text}\""),
            Plain::Switch(switch) => switch.to_string(),
            Plain::Time(hours, minutes) => format!("\"{hours:02}:{minutes:02}\""),
        }
    }
}

/// What a value must be.
#[derive(Debug)]
pub(crate) enum Kind {
    /// `true` or `false`.
    Switch,
    /// Text that follows a rule.
    Text(Rule),
    /// A number within bounds.
    Number(Bounds),
    /// A whole number within bounds, both included.
    Whole(i64, i64),
    /// A duration such as `"1h30m"`, least and most seconds, both included.
    Span(u64, u64),
    /// A time of day such as `"07:30"`.
    Time,
    /// One of these words.
    Word(&'static [&'static str]),
    /// A list of values, least and most of them.
    List(&'static Kind, usize, usize),
    /// The bays of a rack: a range as text, or a list of names.
    Bays,
    /// A table.
    Table(&'static Section),
    /// A table that becomes another kind by the word under this key.
    Variants(&'static str, &'static [(&'static str, &'static Section)]),
    /// Tables by name.
    Named(&'static Section),
    /// A list of tables.
    Many(&'static Section),
}

/// Bounds of a number, with its unit as a person reads it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bounds {
    /// Least.
    pub least: f64,
    /// Whether `least` itself is too little.
    pub above: bool,
    /// Most.
    pub most: f64,
    /// Unit; empty where there is none.
    pub unit: &'static str,
}

/// From `least` to `most`, both included.
pub(crate) const fn within(least: f64, most: f64, unit: &'static str) -> Kind {
    Kind::Number(Bounds { least, above: false, most, unit })
}

/// Above `least`, up to `most`.
pub(crate) const fn above(least: f64, most: f64, unit: &'static str) -> Kind {
    Kind::Number(Bounds { least, above: true, most, unit })
}

/// What a text must look like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rule {
    /// Anything but nothing.
    Filled,
    /// Becomes a level of a topic: no `/`, `+`, `#`, white space or control characters.
    Name,
    /// An MQTT topic name of another's: no wildcards, not under `$` or `lampwarden/`.
    Topic,
    /// A JSON Pointer (RFC 6901).
    Pointer,
    /// An IANA time zone.
    Zone,
    /// The broker's address.
    Url,
    /// A care sheet that comes with the program.
    Sheet,
    /// A mail address.
    Mail,
    /// An `http://` or `https://` address.
    Web,
    /// A date `2026-07-01`.
    Date,
    /// A day of any year, `11-15`.
    MonthDay,
    /// An address and a port to listen on.
    Socket,
}

/// The whole configuration.
pub(crate) static ROOT: Section = Section {
    name: "the configuration",
    doc: "What Lampwarden looks after. Heat, UV and mains can injure and kill: an independent thermal cut-out and a \
          residual-current device belong on every heating circuit, wired by licensed people to the local code.",
    overrides: false,
    keys: &[
        table("site", Kind::Table(&site::SITE), Need::Required, "The building with its clock and its place."),
        table("broker", Kind::Table(&site::BROKER), Need::Required, "How the MQTT broker is reached."),
        table(
            "care",
            Kind::Named(&care::CARE),
            NONE,
            "Own care sheets by name: what each species needs. Others come with the program.",
        ),
        table("enclosure", Kind::Many(&enclosure::ENCLOSURE), NONE, "Each animal's housing."),
        table("rack", Kind::Many(&enclosure::RACK), NONE, "Many alike enclosures, described once."),
        table("spare", Kind::Many(&lamp::SPARE), NONE, "Spare lamps in stock, kind by kind."),
        table("cut_off", Kind::Named(&enclosure::CUT_OFF), NONE, "Upstream contactors by name, over several lamps."),
        table("circuit", Kind::Named(&enclosure::CIRCUIT), NONE, "Circuits by name, each with a breaker of its own."),
        table("tariff", Kind::Table(&enclosure::TARIFF), NONE, "What electricity costs."),
        table("contact", Kind::Many(&telling::CONTACT), NONE, "People who are told of alarms."),
        table("alarms", Kind::Table(&telling::ALARMS), NONE, "Who is told of alarms, by their priority."),
        table("mail", Kind::Table(&telling::MAIL), NONE, "The server that takes mail on its way."),
        table("heartbeat", Kind::Many(&telling::HEARTBEAT), NONE, "Addresses that are visited again and again."),
        table("digest", Kind::Table(&telling::DIGEST), NONE, "A message a day."),
        table("away", Kind::Table(&telling::AWAY), NONE, "When the keeper is away."),
        table("web", Kind::Table(&telling::WEB), NONE, "The small web server for links in messages."),
    ],
};

pub(crate) const NONE: Need = Need::Absent("there is none");

/// A key that holds a table; its example stands in its own keys.
pub(crate) const fn table(name: &'static str, kind: Kind, need: Need, doc: &'static str) -> Key {
    Key { name, kind, need, doc, example: "" }
}

/// A key that must be there.
pub(crate) const fn required(name: &'static str, kind: Kind, doc: &'static str, example: &'static str) -> Key {
    Key { name, kind, need: Need::Required, doc, example }
}

/// A key with a default and where that comes from.
pub(crate) const fn default(
    name: &'static str,
    kind: Kind,
    value: Plain,
    source: &'static str,
    doc: &'static str,
    example: &'static str,
) -> Key {
    Key { name, kind, need: Need::Default(value, source), doc, example }
}

/// A key that may be left out, with what that means.
pub(crate) const fn optional(
    name: &'static str,
    kind: Kind,
    absent: &'static str,
    doc: &'static str,
    example: &'static str,
) -> Key {
    Key { name, kind, need: Need::Absent(absent), doc, example }
}

pub(crate) const GUESS: &str = "guess";
pub(crate) const CHOICE: &str = "our choice";

pub(crate) const MINUTE: u64 = 60;
pub(crate) const HOUR: u64 = 60 * MINUTE;
pub(crate) const DAY: u64 = 24 * HOUR;

/// A duration as the configuration writes it, such as `1h30m`; parts of a second are dropped.
pub(crate) fn span_text(span: Duration) -> String {
    let mut rest = span.as_secs();
    let mut text = String::new();
    for (letter, seconds) in UNITS_OF_TIME {
        let count = rest / seconds;
        rest %= seconds;
        if count > 0 {
            text.push_str(&format!("{count}{letter}"));
        }
    }
    if text.is_empty() { "0s".to_owned() } else { text }
}
